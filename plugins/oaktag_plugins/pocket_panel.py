"""`pocket.panel`: a flat pocket behind a side panel, as large as the panel or the part below a line."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from oaktag import Draft, Finding, Options, StageSpec, hookimpl
from oaktag.geometry import Path
from oaktag.pattern import Edge, Piece, PlacementLine, Seam, SeamSide
from oaktag_plugins.drafting.assembled import visible_strips
from oaktag_plugins.drafting.bag import SidePanel, bodies_of, panel, piece_id, to_panel
from oaktag_plugins.drafting.cut_line import LineOptions, Side, half_of, line_of
from oaktag_plugins.drafting.split import SplitError, split_outline

_LEAST_AREA = 100.0  # mm²; less is no pocket but a line along the panel's edge


class PanelPocketOptions(Options):
    """Options of `pocket.panel`: the pocket's back. Its opening is a zipper that is sewn into the panel."""

    side: SidePanel = "non-drive"
    """The panel that it lies behind."""
    body: str | None = None
    """Which of several bodies; all of them if left out."""
    line: LineOptions | None = None
    """Where it ends on the panel; it is as large as the panel if left out."""
    keep: Side = "lower"
    """The part of the panel on this side of the line is the pocket."""
    material: Annotated[str, Field(min_length=1, max_length=60)] = "liner"
    """What its back is cut from."""


def run(draft: Draft, options: PanelPocketOptions) -> Draft:
    """Lay a pocket's back behind one panel of every body that is asked for.

    Raises:
        Refusal: an option names what isn't there.
    """
    for body in bodies_of(draft, options.body):
        draft = _behind(draft, body, options)
    return draft


def _behind(draft: Draft, body: str, options: PanelPocketOptions) -> Draft:
    """The draft with the back of a pocket behind one panel."""
    host = panel(draft, options.side, body)
    name = piece_id(body, f"pocket-back-{options.side}")
    edges = host.edges
    if options.line is not None:
        outline = draft.outline_of(body)
        origin, along = line_of(draft, outline, options.line, "line")
        try:
            half = half_of(split_outline(outline.edges, origin, along, cut=name), along, options.keep)
            if abs(_closed(half.edges).area) < _LEAST_AREA:
                raise SplitError("nothing of the panel is left on that side of the line")
        except SplitError as error:
            message = f"the pocket can't end there on {host.id}: {error.reason}. It is left out."
            return draft.with_findings([Finding("error", "pocket-off-panel", message, host.id)])
        place = to_panel(draft, options.side, body)
        edges = tuple(Edge(edge.name, edge.path.transformed(place), of=edge.of) for edge in half.edges)
    back = Piece(
        id=name,
        name=f"back of the pocket, {options.side} side",
        edges=tuple(Edge(edge.name, edge.path) for edge in edges),
        material=options.material,
        up=host.up,
        front=host.front,
        role="pocket",
        body=body,
    )
    seams = [Seam(name, _on_panel(host, edges, name), SeamSide(name, _caught(edges, name)), kind="layer")]
    if options.line is not None:
        line = PlacementLine(
            name,
            edges[0].path,
            "pocket",
            "inside",
            back.seam_line,
            ("zipper", "tab", "flap", "garage", "strap", "patch"),
        )
        host = host.evolve(placements=(*host.placements, line))
        across = SeamSide(name, (name,))
        seams.append(Seam(f"{name}-across", SeamSide(host.id, (name,)), across, kind="applied"))
    changed = draft.evolve(pieces=(*draft.pieces, back), seams=(*draft.seams, *seams)).replaced(host)
    return changed.with_findings(_opening_findings(host, back))


def _closed(edges: tuple[Edge, ...]) -> Path:
    return Path(tuple(segment for edge in edges for segment in edge.path.segments))


def _caught(edges: tuple[Edge, ...], name: str) -> tuple[str, ...]:
    """The edges of the back that are caught in the panel's seams."""
    return tuple(edge.name for edge in edges if edge.name != name)


def _on_panel(host: Piece, edges: tuple[Edge, ...], name: str) -> SeamSide:
    """The run of the panel's edges that the back lies at."""
    runs = [edge for edge in edges if edge.name != name]
    names = [edge.name for edge in host.edges]
    if len(runs) == len(edges):
        return SeamSide(host.id, tuple(names))
    first, last = runs[0].of, runs[-1].of
    at = names.index(first)
    around = [*names[at:], *names[:at]]
    # Where it ends in the edge that it began in, the run goes round past the last edge into the first.
    touched = around if first == last and len(runs) > 1 else around[: around.index(last) + 1]
    start = host.edge(first).path.nearest(runs[0].path.start)[0]
    return SeamSide(host.id, tuple(touched), start, sum(edge.length for edge in runs))


def _opening_findings(host: Piece, back: Piece) -> list[Finding]:
    """Report zippers in the panel none of which opens into the pocket."""
    strips = visible_strips(host)
    if not strips or any(_inside(strip, back.seam_line) for strip in strips):
        return []
    message = (
        "no zipper of the panel lies over the pocket with its whole length: it can't be opened. Move the "
        "pocket's line or the zipper."
    )
    return [Finding("error", "pocket-without-opening", message, back.id)]


def _inside(strip: Path, outline: Path) -> bool:
    return all(outline.contains(point) for point in strip.flatten(0.1))


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="pocket.panel",
            summary="Lay the back of a flat pocket behind a side panel",
            run=f"{__name__}:run",
            options=f"{__name__}:PanelPocketOptions",
            needs=frozenset({"panels", "outline", "opening"}),
            uses=frozenset({"materials"}),
            adds=frozenset({"features"}),
        ),
    )
