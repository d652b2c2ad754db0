"""Small drawings of pieces: with the lengths of their runs, and with the runs that an operation sews."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from math import cos, hypot, radians, sin

from oaktag import Draft
from oaktag.geometry import Line, Path, Transform
from oaktag.pattern import Operation, Piece
from oaktag.pattern.drawing import notch_point
from oaktag.pattern.walk import run_path
from oaktag_plugins.tech_pack.content import FigureBlock
from oaktag_plugins.tech_pack.figure import Figure
from oaktag_plugins.tech_pack.sketch import (
    DASH_DOT,
    DASHED,
    DOTTED,
    Sketch,
    fitted,
    outward_at,
    text_width,
    upright,
)
from oaktag_plugins.tech_pack.wording import (
    counted,
    edge_word,
    in_figure,
    letter_of,
    listed_words,
    mm,
    number,
    ranges,
)

_LARGEST = (96.0, 74.0)  # of a drawing without its texts, mm on paper
_TICK = 1.0  # half a notch, mm on paper
_TICK_PITCH = 0.9
_CROSS = 1.2
_ARROW = 2.0
_FOLDED = ("fold", "hem")

_HOST, _MATE = (104.0, 44.0), (48.0, 26.0)  # of the first and of further pieces in an operation's drawing
_LONG = 6.0  # times as long as high; such a piece has a row for itself, or nothing would be seen of it
_ROW = 112.0
_NAME = 3.2  # size of the type of names below pieces and of numbers at runs, mm
_MOST_MATES = 3
_MOST_NUMBERS = 12
_BETWEEN = 5.0


def piece_block(piece: Piece, *, lengths: bool = True) -> FigureBlock:
    """A piece with the letters of its edges and their seam lengths.

    Args:
        piece: with or without its cut line.
        lengths: whether lengths stand beside the letters; not where one drawing stands for several pieces.
    """
    scale = fitted([piece.outline.bounds], *_LARGEST)
    place = Transform.scaling(scale)
    sketch = Sketch()
    draw_piece_on(sketch, piece, place)
    clockwise = piece.seam_line.clockwise
    # Short runs have the least choice of where their text stands.
    for index in sorted(range(len(piece.edges)), key=lambda i: (round(piece.edges[i].length, 6), i)):
        edge = piece.edges[index]
        text = f"{letter_of(index)} {number(edge.length)}" if lengths else letter_of(index)
        middle = 0.5 * edge.length
        level = edge.length * scale < text_width(text)
        sketch.label(
            text,
            place.apply(edge.path.point_at(middle)),
            outward_at(edge.path, middle, clockwise=clockwise),
            off=edge.allowance * scale + 1.2,
            angle=0.0 if level else upright(edge.path.tangent_at(middle)),
        )
    return FigureBlock(
        sketch.figure(), piece_caption(piece, lengths=lengths), piece_alternative(piece, lengths=lengths)
    )


def piece_caption(piece: Piece, *, lengths: bool = True) -> str:
    """What the lines of a piece's drawing mean."""
    lines = ["solid cut line", "dashed seam line"] if piece.cut_line else ["solid seam line"]
    if any(edge.finish in _FOLDED for edge in piece.edges) or any(m.kind == "fold" for m in piece.marks):
        lines.append("dash-dot fold")
    if piece.placements:
        lines.append("dotted where others are sewn on")
    letters = "seam lengths in mm" if lengths else "letters name the runs"
    return f"{piece.name}: {', '.join(lines)}; {letters}."


def piece_alternative(piece: Piece, *, lengths: bool = True) -> str:
    """A piece's drawing in words."""
    box = piece.outline.bounds
    what = "cut line" if piece.cut_line else "seam line"
    runs = listed_words(
        f"{letter_of(i)} {edge_word(edge.name)}" + (f" {mm(edge.length)}" if lengths else "")
        for i, edge in enumerate(piece.edges)
    )
    more = [
        counted(len(things), *words)
        for things, words in (
            (piece.notches, ("notch", "notches")),
            (piece.placements, ("placement line",)),
            (piece.holes, ("hole",)),
            (piece.fittings, ("fitting",)),
        )
        if things
    ]
    also = f" Also drawn: {listed_words(more)}." if more else ""
    return (
        f"Outline of {piece.name} ({piece.id}), {number(box.width)} by {mm(box.height)} at the {what}."
        f" Runs in order: {runs}.{also}"
    )


def draw_piece_on(sketch: Sketch, piece: Piece, place: Transform, *, bare: bool = False) -> None:
    """Draw a piece without text.

    Args:
        sketch: to draw on.
        piece: with or without its cut line.
        place: from the piece to the paper.
        bare: its outlines and placement lines alone.
    """
    sketch.line(piece.outline, "medium", place=place, fill="light")
    if piece.cut_line and piece.outline != piece.seam_line:
        sketch.line(piece.seam_line, "thin", place=place, dashes=DASHED, clear=not bare)
    for line in piece.placements:
        sketch.line(line.path, "thin", place=place, dashes=DOTTED, clear=False)
        if line.covers is not None and line.covers != line.path and not bare:
            sketch.line(line.covers, "thin", place=place, dashes=DOTTED, clear=False)
    for hole in piece.holes:
        sketch.line(hole.path, "medium", place=place)
    if bare:
        return
    for edge in piece.edges:
        if edge.finish in _FOLDED:
            sketch.line(edge.path, "thin", place=place, dashes=DASH_DOT)
    for mark in piece.marks:
        sketch.line(
            mark.path, "thin", place=place, dashes=DASH_DOT if mark.kind == "fold" else (), clear=False
        )
    for fitting in piece.fittings:
        x, y = place.apply(fitting.point)
        sketch.line(((x - _CROSS, y), (x + _CROSS, y)), "thin", clear=False)
        sketch.line(((x, y - _CROSS), (x, y + _CROSS)), "thin", clear=False)
    _notches(sketch, piece, place)
    if piece.grain is not None:
        _arrow(sketch, piece.grain, place)


def _notches(sketch: Sketch, piece: Piece, place: Transform) -> None:
    """Ticks across the seam line, as many as the notch has; at true size they'd be too small to see."""
    clockwise = piece.seam_line.clockwise
    for notch in piece.notches:
        edge = piece.edge(notch.edge)
        at = min(max(notch.at, 0.0), edge.length)
        x, y = place.apply(notch_point(piece, notch))
        ox, oy = outward_at(edge.path, at, clockwise=clockwise)
        for number_of in range(notch.count):
            along = (number_of - 0.5 * (notch.count - 1)) * _TICK_PITCH
            mx, my = x + along * oy, y - along * ox
            start, end = (mx - _TICK * ox, my - _TICK * oy), (mx + _TICK * ox, my + _TICK * oy)
            sketch.line((start, end), "medium", clear=False)


def _arrow(sketch: Sketch, line: Line, place: Transform) -> None:
    (x0, y0), (x1, y1) = place.apply(line.start), place.apply(line.end)
    length = hypot(x1 - x0, y1 - y0)
    sketch.line(((x0, y0), (x1, y1)), "thin", clear=False)
    if length < 2.0 * _ARROW:
        return
    ux, uy = (x1 - x0) / length, (y1 - y0) / length
    for turn in (160.0, -160.0):
        c, s = cos(radians(turn)), sin(radians(turn))
        tip = (x1 + _ARROW * (c * ux - s * uy), y1 + _ARROW * (s * ux + c * uy))
        sketch.line(((x1, y1), tip), "thin", clear=False)


# ------------------------------------------------------------------------------------------------ operations


def operation_block(
    draft: Draft, steps: Sequence[tuple[int, Operation]], alike: Sequence[int] = ()
) -> FigureBlock | None:
    """The pieces of one or several operations that belong together, the runs that they work on thick.

    Args:
        draft: that the operations are of.
        steps: each with its number; at least one.
        alike: numbers of operations on other pieces of the same shape, for which the drawing stands too.

    Returns:
        None where there is nothing to see: nothing is sewn, hemmed or marked.
    """
    runs: dict[str, list[tuple[int, Path]]] = {}
    for at, operation in steps:
        for piece_id, path in worked_runs(draft, operation):
            runs.setdefault(piece_id, []).append((at, path))
    if not runs:
        return None
    shown = [draft.piece(piece_id) for piece_id in runs]
    mates = shown[: 1 + _MOST_MATES]
    figure = _beside(mates, runs)
    numbers = [at for at, _ in steps]
    word = "Operation" if len(numbers) == 1 else "Operations"
    caption = f"{word} {ranges(numbers)}. {steps[0][1].text}"
    if alike:
        caption += f" Likewise {ranges(alike)}, on other pieces of the same kind."
    if len(shown) > len(mates):
        caption += f" Not drawn, being alike: {listed_words((p.name for p in shown[len(mates) :]), 4)}."
    told = [
        f"{piece.name} with {'the run' if len(runs[piece.id]) == 1 else 'runs'} of "
        + listed_words((mm(path.length) for _, path in runs[piece.id]), _MOST_NUMBERS)
        for piece in mates
    ]
    alternative = f"{word} {ranges(numbers)}. Drawn thick: {'; '.join(told)}."
    return FigureBlock(figure, caption, alternative)


def worked_runs(draft: Draft, operation: Operation) -> tuple[tuple[str, Path], ...]:
    """The runs that an operation sews, hems or marks, each with the id of its piece."""
    if operation.seam:
        seam = next(seam for seam in draft.seams if seam.id == operation.seam)
        return tuple((side.piece, run_path(draft, side)) for side in (seam.a, seam.b))
    if len(operation.pieces) != 1:
        return ()
    piece = draft.piece(operation.pieces[0])
    if operation.kind == "fold":
        return tuple(
            (piece.id, edge.path)
            for edge in piece.edges
            if edge.finish == "hem" and operation.id.endswith(f".{edge.name}")
        )
    if operation.kind == "mark":
        return tuple((piece.id, line.path) for line in piece.placements)
    return ()


def _beside(pieces: Sequence[Piece], runs: Mapping[str, Sequence[tuple[int, Path]]]) -> Figure:
    """Pieces in rows with their names below them and their runs thick, numbered where there are several."""
    sketch = Sketch()
    numbered = len({at for of_piece in runs.values() for at, _ in of_piece}) > 1
    x, top, lowest = 0.0, 0.0, 0.0
    for index, piece in enumerate(pieces):
        box = piece.outline.bounds
        scale = fitted([box], *(_HOST if index == 0 or box.width > _LONG * box.height else _MATE))
        name = in_figure(piece.name)
        cell = max(box.width * scale, text_width(name, _NAME))
        if x > 0.0 and x + cell > _ROW:
            x, top = 0.0, lowest - _BETWEEN
        place = (
            Transform.translation(-box.centre[0], -box.max_y)
            .then(Transform.scaling(scale))
            .then(Transform.translation(x + 0.5 * cell, top))
        )
        draw_piece_on(sketch, piece, place, bare=True)
        for _, path in runs[piece.id]:
            sketch.line(path, "thick", place=place)
        bottom = top - box.height * scale
        sketch.text(name, (x + 0.5 * cell, bottom - 4.2), _NAME)
        lowest = min(lowest, bottom - 5.2)
        if numbered and len(runs[piece.id]) <= _MOST_NUMBERS:
            _numbers(sketch, piece, runs[piece.id], place)
        x += cell + _BETWEEN
    return sketch.figure()


def _numbers(sketch: Sketch, piece: Piece, runs: Iterable[tuple[int, Path]], place: Transform) -> None:
    """The numbers of the operations, away from the piece's middle; one where a step works on several runs."""
    centre = place.apply(piece.outline.bounds.centre)
    done: set[int] = set()
    for at, path in runs:
        if at in done:
            continue
        done.add(at)
        x, y = place.apply(path.point_at(0.5 * path.length))
        away = (x - centre[0], y - centre[1])
        length = hypot(*away)
        outward = (away[0] / length, away[1] / length) if length > 1.0 else (0.0, 1.0)
        sketch.label(str(at), (x, y), outward, size=_NAME, off=0.8)
