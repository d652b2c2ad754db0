"""Pieces laid out on sheets, as neutral items that every exporter replays in its own format."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

from oaktag.geometry import Box, Path, Transform
from oaktag.pattern.cut_list import CARD
from oaktag.pattern.draft import Draft
from oaktag.pattern.drawing import Item, Stroke, Text, as_strokes, moved, piece_bounds, piece_items
from oaktag.pattern.lettering import text_size
from oaktag.pattern.piece import Piece

CORD = "cord"
"""Role of a piece that is cut to length and has no shape to draw."""


@dataclass(frozen=True, slots=True)
class Placement:
    """Where a piece lies: turned about its own origin, then moved by (dx, dy) mm; never mirrored.

    Attributes:
        piece: id of the piece.
        dx: how far to the right, mm.
        dy: how far upward, mm.
        angle: of the turn, degrees counter-clockwise.
    """

    piece: str
    dx: float
    dy: float
    angle: float = 0.0

    @property
    def transform(self) -> Transform:
        """From the piece's own coordinates to where it lies."""
        return Transform.rotation(self.angle).then(Transform.translation(self.dx, self.dy))

    def shifted(self, dx: float, dy: float) -> Placement:
        """The same, farther by (dx, dy) mm."""
        return Placement(self.piece, self.dx + dx, self.dy + dy, self.angle)


@dataclass(frozen=True, slots=True)
class PieceDrawing:
    """One piece as it was drafted: its id, its name in plain words, what is drawn, the box around that."""

    piece: str
    name: str
    items: tuple[Item, ...]
    bounds: Box


@dataclass(frozen=True)
class Sheet:
    """A drawing ready for export, in mm, y upward.

    Attributes:
        title: one line.
        drawings: the pieces, each in its own coordinates.
        placements: where they lie on the sheet, in the order of the drawings.
        own: what is drawn besides pieces, where it lies on the sheet.
        bounds: a box around everything.
        material: what all of the pieces are cut from, on a sheet for one material.
    """

    title: str
    drawings: tuple[PieceDrawing, ...]
    placements: tuple[Placement, ...]
    own: tuple[Item, ...]
    bounds: Box
    material: str = ""

    def placed(self) -> Iterator[tuple[PieceDrawing, tuple[Item, ...]]]:
        """Each piece with its items where they lie on the sheet."""
        for drawing, placement in zip(self.drawings, self.placements, strict=True):
            transform = placement.transform
            yield drawing, tuple([moved(item, transform) for item in drawing.items])

    @cached_property
    def items(self) -> tuple[Item, ...]:
        """Everything drawn, where it lies: piece by piece, then what is the sheet's own."""
        return (*(item for _, items in self.placed() for item in items), *self.own)

    @cached_property
    def strokes(self) -> tuple[Stroke, ...]:
        """Everything drawn in pen strokes, text in single-stroke letters."""
        return tuple(as_strokes(self.items))


def arrange(
    pieces: Sequence[Piece], gap: float = 20.0, width: float = 1500.0, *, turn: bool = False
) -> tuple[Placement, ...]:
    """Lay pieces out on shelves; the boxes around them stay `gap` mm apart.

    The tallest pieces fill the upper shelf, from the left; the lower left of everything is the origin. A
    piece that is wider than `width` has a shelf of its own, unless it may be turned and then fits.

    Args:
        pieces: to lay out.
        gap: between them, mm.
        width: of the layout, mm.
        turn: whether a piece that is too wide may be given a quarter turn.

    Returns:
        One placement for every piece, in the order of the pieces.

    Raises:
        ValueError: gap is negative or width isn't positive.
    """
    boxes = [(piece.id, piece_bounds(piece)) for piece in pieces]
    (layout,) = _layouts(boxes, gap, width, None, turn=turn) or (_Layout((), 0.0, 0.0),)
    places = {placement.piece: placement for placement in layout.placements}
    return tuple(places[piece.id] for piece in pieces)


@dataclass(frozen=True, slots=True)
class _Layout:
    """One sheet of a layout: placements, and width and height of what they cover."""

    placements: tuple[Placement, ...]
    width: float
    height: float


@dataclass(frozen=True, slots=True)
class _Block:
    """A piece's box as it will lie, turned or not."""

    piece: str
    box: Box
    angle: float


def _layouts(
    boxes: Sequence[tuple[str, Box]], gap: float, width: float, height: float | None, *, turn: bool
) -> list[_Layout]:
    """Shelves on sheets no higher than `height`, or on one sheet where there is no such limit."""
    if not (gap >= 0.0 and width > 0.0):
        raise ValueError(
            f"a layout needs a gap of 0 mm or more and a width above 0, found {gap!r}, {width!r}"
        )
    if height is not None and not height > 0.0:
        raise ValueError(f"a layout needs a height above 0 mm, found {height!r}")
    blocks = [_block(name, box, width, height, turn=turn) for name, box in boxes]
    # First fit by decreasing height: a shelf is as tall as its first piece, and what is shorter may join it.
    shelves: list[list[_Block]] = []
    ends: list[float] = []
    for block in sorted(blocks, key=lambda block: -block.box.height):
        wide = block.box.width
        number = next((n for n, end in enumerate(ends) if end + gap + wide <= width), len(shelves))
        if number == len(shelves):
            shelves.append([block])
            ends.append(wide)
        else:
            shelves[number].append(block)
            ends[number] += gap + wide
    sheets: list[list[int]] = []
    heights: list[float] = []
    for index, shelf in enumerate(shelves):
        tall = shelf[0].box.height
        room = (n for n, h in enumerate(heights) if height is None or h + gap + tall <= height)
        number = next(room, len(sheets))
        if number == len(sheets):
            sheets.append([index])
            heights.append(tall)
        else:
            sheets[number].append(index)
            heights[number] += gap + tall
    order = {name: index for index, (name, _) in enumerate(boxes)}
    return [
        _Layout(
            tuple(sorted(_on_shelves([shelves[n] for n in numbers], gap), key=lambda p: order[p.piece])),
            max(ends[n] for n in numbers),
            tall,
        )
        for numbers, tall in zip(sheets, heights, strict=True)
    ]


def _block(name: str, box: Box, width: float, height: float | None, *, turn: bool) -> _Block:
    fits = box.width <= width and (height is None or box.height <= height)
    turned_fits = box.height <= width and (height is None or box.width <= height)
    if turn and turned_fits and not fits:
        return _Block(name, Box(-box.max_y, box.min_x, -box.min_y, box.max_x), 90.0)
    return _Block(name, box, 0.0)


def _on_shelves(shelves: Sequence[Sequence[_Block]], gap: float) -> Iterator[Placement]:
    """Placements of shelves one above the other, the first of them uppermost."""
    bottom = 0.0
    for shelf in reversed(shelves):
        left = 0.0
        for block in shelf:
            yield Placement(block.piece, left - block.box.min_x, bottom - block.box.min_y, block.angle)
            left += block.box.width + gap
        bottom += shelf[0].box.height + gap


def drawn_pieces(draft: Draft) -> tuple[Piece, ...]:
    """The pieces that are drawn: all but cord, which has no shape; the cut list has its length."""
    return tuple(piece for piece in draft.pieces if piece.role != CORD)


def draw_sheet(draft: Draft, gap: float = 20.0, width: float = 1500.0) -> Sheet:
    """Draw all pieces of a draft on one sheet, with its title and two scale squares below them.

    The squares are 100 mm and 4 in wide. If the draft has findings at `error`, the title says not to cut.

    Args:
        draft: what to draw.
        gap: distance between pieces, mm.
        width: wanted width of the sheet, mm; a longer piece makes it wider.

    Raises:
        KeyError: a notch names an edge that its piece doesn't have.
        GeometryError: a notch isn't on its edge.
        ValueError: gap is negative or width isn't positive.
    """
    return draw_sheets(draft, gap=gap, width=width)[0]


def draw_sheets(
    draft: Draft,
    *,
    gap: float = 20.0,
    width: float = 1500.0,
    height: float | None = None,
    turn: bool = False,
    by_material: bool = False,
) -> tuple[Sheet, ...]:
    """Draw all pieces on as many sheets as they need, each with title and scale squares below the pieces.

    Args:
        draft: what to draw.
        gap: distance between pieces, mm.
        width: of a sheet or a roll, mm. A piece that doesn't fit makes its sheet larger.
        height: of a sheet, title and squares included, mm; None for one that is as long as it has to be.
        turn: whether a piece that is too wide may be given a quarter turn.
        by_material: whether every material has sheets of its own, named in their titles. Assembled pieces are
            templates of card.

    Raises:
        KeyError: a notch names an edge that its piece doesn't have.
        GeometryError: a notch isn't on its edge.
        ValueError: gap is negative, width isn't positive, or height leaves no room above title and squares.
    """
    drawings = {piece.id: _drawing(piece) for piece in drawn_pieces(draft)}
    groups: dict[str, list[PieceDrawing]] = {}
    for piece in drawn_pieces(draft):
        material = (CARD if piece.assembled else piece.material) if by_material else ""
        groups.setdefault(material, []).append(drawings[piece.id])
    below = -_title_block(draft, ("material", "sheet")).bounds.min_y
    high = None if height is None else height - below
    layouts = [
        (material, layout)
        for material, group in (groups or {"": []}).items()
        for layout in _layouts([(d.piece, d.bounds) for d in group], gap, width, high, turn=turn)
        or [_Layout((), 0.0, 0.0)]
    ]
    return tuple(
        _sheet(draft, drawings, layout, material, number if len(layouts) > 1 else 0, len(layouts))
        for number, (material, layout) in enumerate(layouts, start=1)
    )


def _sheet(
    draft: Draft,
    drawings: dict[str, PieceDrawing],
    layout: _Layout,
    material: str,
    number: int,
    count: int,
) -> Sheet:
    extra = [f"material: {material}"] if material else []
    if number:
        extra.append(f"sheet {number} of {count}")
    block = _title_block(draft, extra)
    title = ", ".join((sheet_title(draft), *extra))
    on_it = tuple(drawings[placement.piece] for placement in layout.placements)
    bounds = block.bounds.union(Box(0.0, 0.0, layout.width, layout.height))
    return Sheet(title, on_it, layout.placements, block.items, bounds, material)


def draw_piece_sheet(draft: Draft, piece: Piece) -> Sheet:
    """Draw one piece of a draft as `draw_sheet` draws all, named in the title.

    Raises:
        KeyError: a notch names an edge that the piece doesn't have.
        GeometryError: a notch isn't on its edge.
    """
    drawing = _drawing(piece)
    box = drawing.bounds
    named = piece.name if piece.name == piece.id else f"{piece.name} ({piece.id})"
    block = _title_block(draft, (named,))
    bounds = block.bounds.union(Box(0.0, 0.0, box.width, box.height))
    placement = Placement(piece.id, -box.min_x, -box.min_y)
    return Sheet(f"{sheet_title(draft)}: {piece.name}", (drawing,), (placement,), block.items, bounds)


def _drawing(piece: Piece) -> PieceDrawing:
    return PieceDrawing(piece.id, piece.name, piece_items(piece), piece_bounds(piece))


def sheet_title(draft: Draft) -> str:
    """Recipe with version, frame with size, in one line."""
    return f"{_recipe_name(draft)}, {_frame_name(draft)}"


def _recipe_name(draft: Draft) -> str:
    recipe = draft.recipe_provenance
    return f"{recipe.name} {recipe.version}".strip()


def _frame_name(draft: Draft) -> str:
    frame = draft.frame
    if not frame.size or frame.size in frame.name:
        return frame.name
    return f"{frame.name}, size {frame.size}"


_TITLE_HEIGHT = 7.0
_TEXT_HEIGHT = 4.0
_STOP_HEIGHT = 9.0
_BLOCK_GAP = 20.0  # between the lowest piece and the title block
_SQUARES: tuple[tuple[float, str], ...] = ((100.0, "100 mm"), (101.6, "4 in"))


@dataclass(frozen=True, slots=True)
class _TitleBlock:
    items: tuple[Item, ...]
    bounds: Box


def _title_block(draft: Draft, extra: Iterable[str]) -> _TitleBlock:
    """Title and scale squares below y = 0, from x = 0 to the right."""
    items: list[Item] = []
    right, y = 0.0, -_BLOCK_GAP
    warning = do_not_cut(draft)
    blocks: list[tuple[tuple[str, ...], float, bool]] = []
    if warning:
        blocks.append(((warning,), _STOP_HEIGHT, True))
    blocks.append(((_recipe_name(draft), _frame_name(draft), *extra), _TITLE_HEIGHT, False))
    blocks.append((("true size, mm", "drawn from pattern.json"), _TEXT_HEIGHT, False))
    for lines, height, bold in blocks:
        wide, tall = text_size(lines, height)
        # A single-stroke letter becomes bold by being written three times, a line's width apart.
        shift = 0.3 if bold else 0.0
        items.extend(
            Text("sheet", lines, height, (dx, y + dy), align="left", anchor=(0.0, 1.0))
            for dx, dy in (((shift, 0.0), (0.0, -shift), (2.0 * shift, -shift)) if bold else ((0.0, 0.0),))
        )
        right = max(right, wide + 2.0 * shift)
        y -= tall + shift + 0.8 * height
    left = 0.0
    y -= 2.0
    for size, text in _SQUARES:
        corners = ((left, y - size), (left + size, y - size), (left + size, y), (left, y))
        items.append(Stroke("sheet", Path.polyline(corners, closed=True)))
        lines = (text, "check both ways", "before cutting")
        items.append(Text("sheet", lines, 5.0, (left + 0.5 * size, y - 0.5 * size)))
        right = max(right, left + size)
        left += size + 10.0
    bounds = Box(0.0, y - max(size for size, _ in _SQUARES), right, -_BLOCK_GAP)
    return _TitleBlock(tuple(items), bounds)


def do_not_cut(draft: Draft) -> str:
    """What a drawing of a pattern with findings at `error` says; empty if there are none."""
    errors = sum(finding.level == "error" for finding in draft.findings)
    if not errors:
        return ""
    return f"DO NOT CUT: {'1 error' if errors == 1 else f'{errors} errors'}, see pattern.json"


def strokes_by_piece(strokes: Iterable[Stroke]) -> tuple[tuple[str, tuple[Stroke, ...]], ...]:
    """Strokes grouped by the piece that they belong to, in their order; the sheet's own under `""`."""
    groups: dict[str, list[Stroke]] = {}
    for stroke in strokes:
        groups.setdefault(stroke.piece, []).append(stroke)
    return tuple((piece, tuple(group)) for piece, group in groups.items())
