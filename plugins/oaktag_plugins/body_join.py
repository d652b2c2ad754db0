"""`body.join`: two bodies sewn together along the line at which they touch."""

from __future__ import annotations

from pydantic import model_validator

from oaktag import Draft, Finding, Options, Refusal, StageSpec, hookimpl
from oaktag.geometry import Path
from oaktag.pattern import Edge, Outline, Piece, Seam, SeamSide
from oaktag.recipe import NonNegativeLength, PositiveLength, listed, refuse_value
from oaktag_plugins.drafting.bag import (
    DRIVE_EDGE,
    NON_DRIVE_EDGE,
    bodies_of,
    gusset_spot,
    gusset_starts,
    straight_edges,
)
from oaktag_plugins.drafting.bodies import Name

_TOUCH = 1e-6  # mm; bodies no further apart touch
_SAMPLE = 5.0  # mm of seam between places where the widths of both gussets are compared


class JoinOptions(Options):
    """Options of `body.join`."""

    bodies: tuple[Name, Name] | None = None
    """The two bodies; may be left out where the bag has two."""
    least: PositiveLength = 50.0
    """Shortest run that is worth a seam (common practice, no source)."""
    width_tolerance: NonNegativeLength = 2.0
    """How far the two gussets' widths may differ along the seam (common practice, no source)."""

    @model_validator(mode="after")
    def _two(self) -> JoinOptions:
        if self.bodies is not None and self.bodies[0] == self.bodies[1]:
            raise refuse_value("a body can't be joined to itself", "two different names", "name the other")
        return self


def run(draft: Draft, options: JoinOptions) -> Draft:
    """Sew the gussets of two bodies together on either side, along the straight run that they share.

    Raises:
        Refusal: a body is unknown, or it isn't said which two of several are joined.
    """
    first, second = (draft.outline_of(name) for name in names_of(draft, options))
    shared = shared_run(draft, first, second)
    where = f"{first.body}, {second.body}"
    if shared is None:
        message = (
            f"{first.body} and {second.body} touch along no edge of their own, so nothing is sewn together: "
            "cut them with body.two and no gap"
        )
        return draft.with_findings([Finding("error", "join-apart", message, where)])
    (start, end), (other_start, _) = shared
    findings: list[Finding] = []
    if end - start < options.least - _TOUCH:
        message = (
            f"{first.body} and {second.body} share only {end - start:.1f} mm between the rounds of their "
            f"corners; {options.least:g} mm is worth a seam: make the radii there smaller"
        )
        findings.append(Finding("error", "join-short", message, where))
    findings += width_findings(draft, (first, start), (second, other_start), end - start, options)
    seams = join_seams(draft, (first, start, end), (second, other_start))
    return draft.evolve(seams=(*draft.seams, *seams)).with_findings(findings)


def names_of(draft: Draft, options: JoinOptions) -> tuple[str, str]:
    """The two bodies.

    Raises:
        Refusal: there is no such body, or there aren't two.
    """
    if options.bodies is not None:
        first, second = (bodies_of(draft, name, f"bodies[{i}]")[0] for i, name in enumerate(options.bodies))
        return first, second
    known = [outline.body for outline in draft.outlines]
    if len(known) != 2:
        raise Refusal(
            "which bodies are joined isn't said",
            key="bodies",
            source="recipe",
            found=f"{len(known)} bodies",
            valid=f"two of {listed(known)}" if len(known) > 2 else "a bag of two bodies, cut by body.two",
            todo="name two" if len(known) > 2 else "cut the bag in two first, or remove the stage",
        )
    return known[0], known[1]


Run = tuple[float, float]
"""Seam lengths along an outline at which a run begins and ends, mm."""


def shared_run(draft: Draft, first: Outline, second: Outline) -> tuple[Run, Run] | None:
    """The longest straight run at which two bodies touch, on either outline; None if they don't."""
    best: tuple[Run, Run] | None = None
    for begin, edge in _own(draft, first):
        for other_begin, other in _own(draft, second):
            # The outlines run against each other there.
            on_first = _shadow(edge.path, other.path.reversed())
            if on_first is None:
                continue
            low, high = on_first
            last, start = (other.path.nearest(edge.path.point_at(s)) for s in (low, high))
            if max(last[1], start[1]) > _TOUCH:
                continue
            found = ((begin + low, begin + high), (other_begin + start[0], other_begin + last[0]))
            if best is None or high - low > best[0][1] - best[0][0]:
                best = found
    return best


def _own(draft: Draft, outline: Outline) -> list[tuple[float, Edge]]:
    """The edges that are no tube's, each with the seam length at which it begins, mm."""
    starts: dict[str, float] = {}
    total = 0.0
    for edge in outline.edges:
        starts[edge.name] = total
        total += edge.length
    return [(starts[e.name], e) for e in straight_edges(outline) if e.name not in draft.frame.tubes]


def _shadow(path: Path, other: Path) -> Run | None:
    """The part of a straight run that another lies upon, mm along it."""
    (low, off), (high, away) = path.nearest(other.start), path.nearest(other.end)
    # Where the other reaches past this one's end, its own nearest place decides whether they touch.
    ends = (
        off if low > _TOUCH else other.nearest(path.start)[1],
        away if high < path.length - _TOUCH else other.nearest(path.end)[1],
    )
    return (low, high) if max(ends) <= _TOUCH and high - low > _TOUCH else None


def join_seams(
    draft: Draft, first: tuple[Outline, float, float], second: tuple[Outline, float]
) -> list[Seam]:
    """The seams of both gussets along the shared run, on the drive and on the non-drive side.

    Each piece of the one gusset is sewn to each of the other that lies along it. The sewn edges of a gusset
    are as long as the panel's run, so both have the same length whatever their widths.

    Args:
        draft: has the gussets.
        first: outline of the one body, where the run begins on it and where it ends, mm.
        second: outline of the other, and where the run begins on it, mm; it runs against the first.
    """
    outline, start, end = first
    other, other_start = second
    mine = _stretches(draft, outline, start, end)
    # Counted from where the first one's run begins.
    theirs = [
        (piece, begin, end - start - high, end - start - low)
        for piece, begin, low, high in _stretches(draft, other, other_start, other_start + end - start)
    ]
    found: list[tuple[float, Piece, float, Piece, float, float]] = []
    for piece, begin, low, high in mine:
        for mate, mate_begin, mate_low, mate_high in theirs:
            a, b = max(low, mate_low), min(high, mate_high)
            if b - a > _TOUCH:
                on_mate = mate_begin + (mate_high - b)
                found.append((a, piece, begin + (a - low), mate, on_mate, b - a))
    found.sort(key=lambda entry: entry[0])
    seams: list[Seam] = []
    for number, (_, piece, at, mate, mate_at, length) in enumerate(found, 1):
        suffix = f"-{number}" if len(found) > 1 else ""
        for side, edge in (("drive", DRIVE_EDGE), ("non-drive", NON_DRIVE_EDGE)):
            runs = []
            for strip, along in ((piece, at), (mate, mate_at)):
                # The edge on the drive side runs from the strip's end to its start.
                whole = strip.edge(edge).length
                runs.append(whole - along - length if edge == DRIVE_EDGE else along)
            seams.append(
                Seam(
                    f"{outline.body}-{other.body}-{side}{suffix}",
                    SeamSide(piece.id, (edge,), runs[0], length),
                    SeamSide(mate.id, (edge,), runs[1], length, reverse=True),
                    kind="layer",
                )
            )
    return seams


def _stretches(
    draft: Draft, outline: Outline, start: float, end: float
) -> list[tuple[Piece, float, float, float]]:
    """The gusset's pieces along a run: where on each piece's edge, and from where to where on the run, mm."""
    whole = outline.path.length
    found: list[tuple[Piece, float, float, float]] = []
    for piece, begin in gusset_starts(draft, outline):
        length = piece.edge(NON_DRIVE_EDGE).length
        for turn in (-whole, 0.0, whole):
            low, high = max(begin + turn, start), min(begin + turn + length, end)
            if high - low > _TOUCH:
                found.append((piece, low - begin - turn, low - start, high - start))
    return found


def width_findings(
    draft: Draft,
    first: tuple[Outline, float],
    second: tuple[Outline, float],
    length: float,
    options: JoinOptions,
) -> list[Finding]:
    """Where the two gussets are of different widths along the seam."""
    (outline, start), (other, other_start) = first, second
    count = max(1, round(length / _SAMPLE))
    worst = 0.0
    told = ""
    for k in range(count + 1):
        s = length * k / count
        try:
            one = 2 * gusset_spot(draft, outline, start + s).half
            two = 2 * gusset_spot(draft, other, other_start + length - s).half
        except KeyError:
            continue  # the gusset is left off there
        if abs(one - two) > worst:
            worst = abs(one - two)
            told = f"{one:.1f} and {two:.1f} mm, {s:.0f} mm along the seam"
    if worst <= options.width_tolerance + _TOUCH:
        return []
    message = (
        f"the gussets of {outline.body} and {other.body} differ in width where they are joined: {told}; "
        f"{options.width_tolerance:g} mm can be eased. Give both edges one width (`width` of gusset.wrap)."
    )
    return [Finding("error", "join-width", message, f"{outline.body}, {other.body}")]


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="body.join",
            summary="Sew two bodies together where they touch",
            run=f"{__name__}:run",
            options=f"{__name__}:JoinOptions",
            needs=frozenset({"outline", "gusset", "seams"}),
            adds=frozenset({"features"}),
        ),
    )
