"""`panel.yoke`: side panels from several parts, with seams along straight lines between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field

from oaktag import Draft, Finding, Options, Refusal, StageSpec, hookimpl
from oaktag.geometry import Path, Point, dot, left_normal, shifted, subtract
from oaktag.pattern import Piece, Seam, SeamSide
from oaktag.pattern.walk import run_length
from oaktag.recipe import PerName, PositiveLength, listed, meant, show
from oaktag_plugins.drafting.assembled import cloth_parts, part_of, taken_apart, visible_strips
from oaktag_plugins.drafting.bag import SidePanel, bodies_of, panel, to_panel
from oaktag_plugins.drafting.bodies import Name
from oaktag_plugins.drafting.cut_line import LineOptions, line_of
from oaktag_plugins.drafting.split import Split, SplitError, split_outline

if TYPE_CHECKING:
    from shapely import Polygon

_FINE = 0.05  # mm; chord error of outlines that are laid over each other
_APART = 1e-6  # mm
_TALL_AS_WIDE = 1e-9


class YokeLine(LineOptions):
    """A seam across the panel.

    It is given by `parallel-to` with `distance`, by `parallel-to` with `through` (and `angle`), or by `from`
    with `to`.
    """

    within: str | None = None
    """The part that it cuts, where the panel has several; all that it runs through if left out.

    Parts are named by where they lie, such as `upper`, or `upper-front` for a part of the upper one.
    """


class YokeOptions(Options):
    """Options of `panel.yoke`."""

    lines: Annotated[tuple[YokeLine, ...], Field(min_length=1)]
    """Where the seams run, one after the other: a later line may cut what an earlier one left."""
    side: Literal["drive", "non-drive", "both"] = "both"
    """The panel that is made of parts."""
    name: Name = "yoke"
    """Name of the seams; further ones are numbered."""
    material: PerName[str] | None = None
    """What the parts are cut from, for all or by part (`upper`, `lower`, `front`, `rear`, `upper-front`)."""
    least: PositiveLength = 25.0
    """Narrowest part, square to the seam (common practice, no source)."""
    body: str | None = None
    """Which of several bodies; all of them if left out."""


def run(draft: Draft, options: YokeOptions) -> Draft:
    """Cut panels apart; they stay as templates, of which the new pieces are parts.

    Raises:
        Refusal: an option names what isn't there.
    """
    sides: tuple[SidePanel, ...] = ("drive", "non-drive") if options.side == "both" else (options.side,)
    hosts = [(body, side) for body in bodies_of(draft, options.body) for side in sides]
    for body, side in hosts:
        for index, line in enumerate(options.lines):
            draft = with_yoke(draft, body, side, line, f"lines[{index}]", options)
    return dressed(draft, [panel(draft, side, body) for body, side in hosts], options)


def with_yoke(
    draft: Draft, body: str, side: SidePanel, line: YokeLine, key: str, options: YokeOptions
) -> Draft:
    """The draft with one panel, or parts of it, cut along a line.

    Args:
        draft: has the panel.
        body: that it is of.
        side: drive or non-drive.
        line: where it is cut.
        key: of the line in the recipe, for messages.
        options: of the stage.
    """
    host = panel(draft, side, body)
    place = to_panel(draft, side, body)
    start, direction = line_of(draft, draft.outline_of(body), line, key)
    origin = place.apply(start)
    along = subtract(place.apply(shifted(start, direction, 1.0)), origin)
    parents = wanted_parts(draft, host, line, key)
    cuts: list[tuple[Piece, Split]] = []
    reason = ""
    for parent in parents:
        try:
            cuts.append((parent, split_outline(parent.edges, origin, along)))
        except SplitError as error:
            reason = error.reason
    if not cuts:
        message = f"the seam can't cross {host.id}: {reason}. Move the line, or turn it."
        return draft.with_findings([Finding("error", "yoke-off-panel", message, host.id)])
    crossed = [strip for strip in visible_strips(host) if _crosses(strip, [split for _, split in cuts])]
    if crossed:
        message = (
            f"the seam would run through a zipper of {host.id}. Move the line, "
            "or cut one part alone (`within`)."
        )
        return draft.with_findings([Finding("error", "yoke-across-zipper", message, host.id)])
    suffixes = words(left_normal(direction), side)
    findings: list[Finding] = []
    for parent, split in cuts:
        edge = free_name(draft, panel(draft, side, body), options.name)
        draft, told = taken_in_two(draft, panel(draft, side, body), parent, split, edge, suffixes)
        findings += told
        if not any(finding.level == "error" for finding in told):
            findings += size_findings(parent, split, along, edge, options.least)
            findings += corner_findings(host, split, edge)
    return draft.with_findings(findings)


def wanted_parts(draft: Draft, host: Piece, line: YokeLine, key: str) -> tuple[Piece, ...]:
    """The parts that a line may cut.

    Raises:
        Refusal: `within` names none.
    """
    parts = cloth_parts(draft, host)
    if line.within is None:
        return parts
    named = {part.id.removeprefix(f"{host.id}-"): part for part in parts if part.id != host.id}
    if line.within not in named:
        raise Refusal(
            "the panel has no part of this name",
            key=f"{key}.within",
            source="recipe",
            found=show(line.within),
            valid=listed(named) if named else "none: the panel is of one part yet",
            todo=meant(line.within, named, "name one of them, or leave it out"),
        )
    return (named[line.within],)


def words(normal: Point, side: SidePanel) -> tuple[str, str]:
    """What lies left and right of a line on the panel is called, from the line's normal on the outline."""
    x, y = normal
    if abs(y) >= abs(x) - _TALL_AS_WIDE:
        names = ("upper", "lower") if y > 0.0 else ("lower", "upper")
    else:
        names = ("front", "rear") if x > 0.0 else ("rear", "front")
    # A mirror image has on its left what the outline has on its right.
    return names if side == "drive" else (names[1], names[0])


def free_name(draft: Draft, host: Piece, name: str) -> str:
    """The name, numbered if an edge of a part has it already."""
    taken = {edge.name for part in (host, *cloth_parts(draft, host)) for edge in part.edges}
    number = 1
    while (f"{name}-{number}" if number > 1 else name) in taken:
        number += 1
    return f"{name}-{number}" if number > 1 else name


def taken_in_two(
    draft: Draft, host: Piece, parent: Piece, split: Split, edge: str, suffixes: tuple[str, str]
) -> tuple[Draft, list[Finding]]:
    """The draft with a panel, or a part of it, made of two parts, and what hinders it."""
    left, right = (
        part_of(parent, host, suffix, (replace(half.cut, name=edge), *half.edges[1:]))
        for suffix, half in zip(suffixes, (split.left, split.right), strict=True)
    )
    # The upper, or the front one first on both panels.
    parts = sorted((left, right), key=lambda part: part.id.rpartition("-")[2] not in ("upper", "front"))
    if parent.id != host.id:
        given = handed_on(parent, parts)
        if given is None:
            message = (
                f"the seam would run under what is on {parent.id}. Move the line, or cut the panel first and "
                "put that on afterwards."
            )
            return draft, [Finding("error", "yoke-under-feature", message, parent.id)]
        parts = given
        draft = draft.evolve(
            seams=tuple(new for seam in draft.seams for new in resewn(seam, draft, parent, parts))
        )
    draft = taken_apart(draft, host, parent, parts)
    seam = Seam(
        f"{parent.id}-{edge}",
        SeamSide(parts[0].id, (edge,)),
        SeamSide(parts[1].id, (edge,), reverse=True),
        kind="part",
    )
    return draft.evolve(seams=(*draft.seams, seam)), []


def handed_on(parent: Piece, parts: Sequence[Piece]) -> list[Piece] | None:
    """The new parts with what was on the old one; None where something would lie on both."""
    import shapely

    shapes = [part.seam_line.polygon(_FINE) for part in parts]
    found = list(parts)

    def home(points: Sequence[Point]) -> int | None:
        line = shapely.MultiPoint(list(points))
        return next((i for i, shape in enumerate(shapes) if shape.buffer(2 * _FINE).covers(line)), None)

    for line in parent.placements:
        at = home((*line.path.flatten(_FINE), *(line.covers.flatten(_FINE) if line.covers else ())))
        if at is None:
            return None
        found[at] = found[at].evolve(placements=(*found[at].placements, line))
    for hole in parent.holes:
        at = home(hole.path.flatten(_FINE))
        if at is None:
            return None
        found[at] = found[at].evolve(holes=(*found[at].holes, hole))
    for fitting in parent.fittings:
        at = home([fitting.point])
        if at is None:
            return None
        found[at] = found[at].evolve(fittings=(*found[at].fittings, fitting))
    return found


def resewn(seam: Seam, draft: Draft, parent: Piece, parts: Sequence[Piece]) -> list[Seam]:
    """A seam at a part that goes, sewn at the parts that come of it: in two where its run is cut.

    Args:
        seam: any of the draft's.
        draft: before.
        parent: the part that goes.
        parts: that it is cut into.
    """
    side, other = (seam.a, seam.b) if seam.a.piece == parent.id else (seam.b, seam.a)
    if side.piece != parent.id or len(side.edges) > 1:
        return [seam]
    (name,) = side.edges
    old = parent.sewing_lines[name]
    length = run_length(parent, side)
    mate_length = run_length(draft.piece(other.piece), other)
    pieces: list[tuple[float, float, SeamSide, SeamSide]] = []
    for part in parts:
        for line, path in part.sewing_lines.items():
            low = _station_on(old, path)
            if low is None or (line != name and line in parent.sewing_lines):
                continue
            first, last = max(side.start, low), min(side.start + length, low + path.length)
            if last - first <= _APART:
                continue
            done = side.start + length - last if side.reverse else first - side.start
            share, mate_done = (last - first) / length, done / length * mate_length
            mate_part = share * mate_length
            mate_start = other.start + (mate_length - mate_done - mate_part if other.reverse else mate_done)
            own = replace(side, piece=part.id, edges=(line,), start=first - low, length=last - first)
            whole = share > 1.0 - 1e-9
            mate = other if whole else replace(other, start=mate_start, length=mate_part)
            if whole and side.length is None:
                own = replace(own, start=0.0, length=None)
            pieces.append((done, share, own, mate))
    pieces.sort(key=lambda entry: entry[0])
    found: list[Seam] = []
    for number, (_, share, own, mate) in enumerate(pieces, 1):
        a, b = (own, mate) if side is seam.a else (mate, own)
        suffix = f"-{number}" if len(pieces) > 1 else ""
        found.append(replace(seam, id=f"{seam.id}{suffix}", a=a, b=b, ease=seam.ease * share))
    return found


def _station_on(old: Path, new: Path) -> float | None:
    """Where a run begins on a longer one, mm; None if it isn't a part of it."""
    (start, off), (end, away) = old.nearest(new.start), old.nearest(new.end)
    if max(off, away) > _APART or abs(end - start - new.length) > 1e-4:
        return None
    return start


def _crosses(strip: Path, cuts: Sequence[Split]) -> bool:
    import shapely

    shape: Polygon = strip.polygon(_FINE)
    return any(
        shape.buffer(-2 * _FINE).intersects(shapely.LineString(split.left.cut.path.flatten(_FINE)))
        or _between_parts(shape, cuts)
        for split in cuts
    )


def _between_parts(shape: Polygon, cuts: Sequence[Split]) -> bool:
    """Whether a line that cuts parts on both sides of a strip runs through the strip."""
    import shapely

    points = [point for split in cuts for point in (split.left.cut.path.start, split.left.cut.path.end)]
    return bool(shape.buffer(-2 * _FINE).intersects(shapely.MultiPoint(points).convex_hull))


def size_findings(parent: Piece, split: Split, along: Point, edge: str, least: float) -> list[Finding]:
    """Parts that are too narrow to be sewn."""
    normal, origin = left_normal(along), split.left.cut.path.start
    found: list[Finding] = []
    for half in (split.left, split.right):
        wide = max(
            abs(dot(subtract(point, origin), normal))
            for one in half.edges
            for point in one.path.flatten(_FINE)
        )
        if wide < least - _APART:
            message = (
                f"a part of {parent.id} would be {wide:.1f} mm wide beside the seam {edge}; {least:g} mm is "
                "the least: move the line"
            )
            found.append(Finding("error", "yoke-narrow", message, parent.id))
    return found


def corner_findings(host: Piece, split: Split, edge: str) -> list[Finding]:
    """Ends of the seam that lie on the round of a corner, where its bulk is hard to sew round."""
    found: list[Finding] = []
    for point in (split.left.cut.path.start, split.left.cut.path.end):
        for one in host.edges:
            s, off = one.path.nearest(point)
            if one.is_corner and off < 1e-4 and _APART < s < one.length - _APART:
                message = (
                    f"the seam {edge} ends on the round {one.name}, where its bulk is sewn into the gusset's "
                    "bend: move the line to the straight beside it"
                )
                found.append(Finding("warning", "yoke-on-corner", message, host.id))
    return found


def dressed(draft: Draft, hosts: Sequence[Piece], options: YokeOptions) -> Draft:
    """The draft with its parts cut from what the recipe says.

    Raises:
        Refusal: the material of an unknown part is given.
    """
    if options.material is None:
        return draft
    parts = {
        part.id: part.id.removeprefix(f"{host.id}-")
        for host in hosts
        if host.assembled
        for part in cloth_parts(draft, host)
    }
    known = list(dict.fromkeys(parts.values()))
    for name in options.material.names:
        if name not in known:
            raise Refusal(
                "the panel has no part of this name",
                key=f"material.{name}",
                source="recipe",
                found=show(name),
                valid=listed([*known, "default"]),
                todo=meant(name, known, "name a part, or remove it"),
            )
    table = options.material.root
    changed = [
        draft.piece(piece_id).evolve(material=table.get(name, table.get("default", "")))
        for piece_id, name in parts.items()
        if name in table or "default" in table
    ]
    return draft.replaced(*changed)


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="panel.yoke",
            summary="Make side panels of several parts, with seams along lines",
            run=f"{__name__}:run",
            options=f"{__name__}:YokeOptions",
            needs=frozenset({"panels", "outline", "opening"}),
            adds=frozenset({"features"}),
        ),
    )
