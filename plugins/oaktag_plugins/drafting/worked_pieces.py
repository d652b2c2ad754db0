"""How cut lines, zippers, layers and volumes come about, in numbers that a maker can check."""

from __future__ import annotations

from collections.abc import Iterable
from math import degrees, radians

from oaktag.geometry import Arc, Line, Path, dot, signed_angle
from oaktag.pattern import CORNER_PREFIX, Draft, Edge, Outline, Piece, Term, Working, WorkingSheet
from oaktag_plugins.drafting.bag import PANEL, panel, piece_id
from oaktag_plugins.drafting.worked_outline import CIRCULAR_CURVE

STEINER = "Steiner's formula for the lengths of parallel curves"
_SMOOTH = radians(1e-4)
_SQUARE = 1e-9  # cosine
_NEAR = 1e-6  # mm


# Cut lines


def is_smooth(edges: Iterable[Edge]) -> bool:
    """Whether a closed line is made of lines and arcs and has no corner."""
    segments = [segment for edge in edges for segment in edge.path.segments]
    return all(isinstance(segment, Line | Arc) for segment in segments) and all(
        abs(signed_angle(before.tangent_at(before.length), after.tangent_at(0.0))) < _SMOOTH
        for before, after in zip(segments, (*segments[1:], segments[0]), strict=True)
    )


def is_convex(path: Path) -> bool:
    """Whether no arc of a closed path bends outwards."""
    return all(segment.clockwise == path.clockwise for segment in path.segments if isinstance(segment, Arc))


def cut_workings(earlier: Iterable[Working], pieces: Iterable[Piece]) -> tuple[Working, ...]:
    """How the allowances lengthen what is cut.

    A line all round without corners gets 2π·a longer by one allowance a, whatever its shape; a rectangle gets
    longer and wider by both allowances there.

    Args:
        earlier: the workings that there are already.
        pieces: with their cut lines.
    """
    sheet = WorkingSheet(earlier)
    for piece in pieces:
        if not any(edge.allowance for edge in piece.edges):
            continue
        if len({edge.allowance for edge in piece.edges}) == 1 and is_smooth(piece.edges):
            if is_convex(piece.seam_line):
                _cut_all_round(sheet, piece)
        elif _is_rectangle([edge.path for edge in piece.edges]) and _is_rectangle(
            [run.path for run in piece.cut_line]
        ):
            _cut_rectangle(sheet, piece)
    return tuple(sheet.new)


def _cut_all_round(sheet: WorkingSheet, piece: Piece) -> None:
    # Whatever has the panel's shape has its length.
    of = (piece_id(piece.body, piece.role), piece_id(piece.body, PANEL), piece.id)
    terms = [
        sheet.term("P", piece.seam_line.length, "mm", f"{piece.id}: seam line all round", *of),
        Term("a", piece.edges[0].allowance, "mm", "allowance.by-seam: allowance"),
    ]
    name = f"{piece.id}: cut line all round"
    sheet.add(name, piece.outline.length, "mm", "P + 2 · π · a", terms, f"{piece.id} cut line", STEINER)


def _is_rectangle(paths: list[Path]) -> bool:
    if len(paths) != 4 or any(len(path.segments) != 1 for path in paths):
        return False
    sides = [path.segments[0] for path in paths]
    return all(isinstance(side, Line) for side in sides) and all(
        abs(dot(side.tangent_at(0.0), after.tangent_at(0.0))) < _SQUARE
        for side, after in zip(sides, (*sides[1:], sides[0]), strict=True)
    )


def _cut_rectangle(sheet: WorkingSheet, piece: Piece) -> None:
    edges = piece.edges
    for index, what in ((0, edges[0].name), (1, edges[1].name)):
        edge, before, after = edges[index], edges[index - 1], edges[index + 1]
        if not before.allowance and not after.allowance:
            continue
        terms = [
            sheet.term("L", edge.length, "mm", f"{piece.id}: {edge.name}", f"{piece.id} length"),
            Term("a", before.allowance, "mm", f"allowance.by-seam: allowance of {piece.id}, {before.name}"),
            Term("b", after.allowance, "mm", f"allowance.by-seam: allowance of {piece.id}, {after.name}"),
        ]
        cut = piece.cut_line[index].path.length
        sheet.add(f"{piece.id}: cut along {what}", cut, "mm", "L + a + b", terms, f"{piece.id} cut {what}")


# Zippers


def zipper_workings(
    earlier: Iterable[Working], zipper: str, strip: float, chord: float, tabs: tuple[float, float]
) -> tuple[Working, ...]:
    """What a zipper across a panel takes from the parts on either side, and how much of it is seen.

    Args:
        earlier: the workings that there are already.
        zipper: its id.
        strip: width that is left for it, mm.
        chord: length of its line across the panel, mm.
        tabs: what is closed at its start and its end, along that line, mm.
    """
    sheet = WorkingSheet(earlier)
    start, end = tabs
    width = Term("e", strip, "mm", f"{zipper}: width between the cloth on either side")
    sheet.add(f"{zipper}: taken off either part", strip / 2.0, "mm", "e / 2", [width], f"{zipper} half")
    terms = [Term("c", chord, "mm", "zipper.panel: the line across the panel, from edge to edge")]
    terms += [
        Term(symbol, tab, "mm", f"zipper.panel: {name}")
        for symbol, tab, name in (("a", start, "start"), ("b", end, "end"))
        if tab
    ]
    formula = " − ".join(term.symbol for term in terms)
    sheet.add(f"{zipper}: length between the tabs", chord - start - end, "mm", formula, terms, zipper)
    return tuple(sheet.new)


# Layers


def liner_workings(
    earlier: Iterable[Working], outer: Outline, inner: Outline, thickness: float, name: str
) -> tuple[Working, ...]:
    """How much shorter a layer is that lies a thickness inside: φ·t at a bend through φ.

    Args:
        earlier: the workings that there are already.
        outer: outline of the shell.
        inner: outline of the layer.
        thickness: between them, mm.
        name: of the layer.
    """
    sheet = WorkingSheet(earlier)
    if not thickness or not is_smooth(outer.edges) or not is_convex(outer.path):
        return ()
    depth = Term("t", thickness, "mm", f"{name}: thickness of the layers")
    for edge in outer.edges:
        arc = edge.path.segments[0]
        if not edge.is_corner or len(edge.path.segments) > 1 or not isinstance(arc, Arc):
            continue
        own = piece_id(outer.body, edge.name)
        corner = edge.name.removeprefix(CORNER_PREFIX)
        length = inner.edge(edge.name).length
        terms = [
            sheet.term("s", edge.length, "mm", f"outline: {own}", own),
            depth,
            sheet.term(
                "θ", 180.0 - abs(degrees(arc.sweep)), "°", f"outline: angle at {corner}",
                piece_id(outer.body, corner), corner,
            ),
        ]  # fmt: skip
        formula = "s − t · π · (180 − θ) / 180"
        sheet.add(f"{name}: {own}", length, "mm", formula, terms, f"{name} {own}", CIRCULAR_CURVE)
    of = piece_id(outer.body, PANEL)
    whole = sheet.term("P", outer.path.length, "mm", f"outline: {of}, all round", of)
    formula = "P − 2 · π · t"
    sheet.add(f"{name}: seam line all round", inner.path.length, "mm", formula, [whole, depth], name, STEINER)
    return tuple(sheet.new)


def stiffener_workings(
    earlier: Iterable[Working], host: Piece, inner: Piece, reductions: set[float]
) -> tuple[Working, ...]:
    """How long a stiffener is all round that ends everywhere as far inside a panel without corners.

    Args:
        earlier: the workings that there are already.
        host: that it lies on.
        inner: the stiffener.
        reductions: how far inside it ends at the host's edges, mm.
    """
    sheet = WorkingSheet(earlier)
    smooth = is_smooth(host.edges) and is_smooth(inner.edges) and is_convex(host.seam_line)
    if len(reductions) != 1 or not smooth:
        return ()
    of = piece_id(host.body, PANEL)
    terms = [
        sheet.term("P", host.seam_line.length, "mm", f"{host.id}: seam line all round", of),
        Term("d", next(iter(reductions)), "mm", "stiffener.panel: reduction"),
    ]
    name = f"{inner.id}: all round"
    sheet.add(name, inner.seam_line.length, "mm", "P − 2 · π · d", terms, inner.id, STEINER)
    return tuple(sheet.new)


# Volumes


def volume_workings(draft: Draft, width: float, litres: float, body: str) -> tuple[Working, ...]:
    """What a bag holds that is as wide everywhere.

    Args:
        draft: has the panels.
        width: mm.
        litres: what it holds.
        body: that it is.
    """
    sheet = WorkingSheet(draft.workings)
    side = panel(draft, "drive", body)
    terms = [
        Term("A", abs(side.seam_line.area), "mm²", f"{side.id}: area inside the seam line"),
        Term("w", width, "mm", "gusset: width, the same everywhere"),
    ]
    name = f"volume of the {body} bag" if body else "volume"
    sheet.add(name, litres, "l", "A · w / 1000000", terms, piece_id(body, "volume"))
    return tuple(sheet.new)
