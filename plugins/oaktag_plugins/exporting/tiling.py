"""Pieces laid out over sheets of paper that are put together: as few of them as a search finds.

The plane is cut into cells, one to a page. A page shows its cell and half the overlap beyond it on each side,
so that neighbours both show the strip about the line between their cells. Pages on which no piece lies are
left out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from math import ceil, floor
from typing import TYPE_CHECKING

from oaktag import Draft
from oaktag.geometry import Box, Point
from oaktag.pattern.drawing import as_strokes
from oaktag.pattern.sheet import PieceDrawing, Placement
from oaktag_plugins.exporting.paper import Paper

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

_MOST_COLUMNS = 12
_CHORD_ERROR = 0.05
_TOUCH = 1e-6  # mm; what reaches less far into a cell isn't on it


@dataclass(frozen=True, slots=True, order=True)
class Tile:
    """One page of the layout, by its row from the top and its column from the left, both from 0."""

    row: int
    column: int

    @property
    def label(self) -> str:
        """Letters for the column and a number for the row, such as `B3`."""
        letters, rest = "", self.column + 1
        while rest:
            rest, letter = divmod(rest - 1, 26)
            letters = chr(ord("A") + letter) + letters
        return f"{letters}{self.row + 1}"


@dataclass(frozen=True)
class Tiling:
    """A layout over pages, in mm; the sheet's x runs to the right from 0, its y from 0 into the negative.

    Attributes:
        paper: as it lies.
        margin: of each page that stays white.
        overlap: width of the strip that neighbours both show.
        placements: where the pieces lie on the sheet.
        tiles: the pages that are needed, row by row.
        pieces: by tile the pieces that lie in its frame.
        columns: how many there are.
        rows: how many there are.
    """

    paper: Paper
    margin: float
    overlap: float
    placements: tuple[Placement, ...]
    tiles: tuple[Tile, ...]
    pieces: dict[Tile, tuple[str, ...]]
    columns: int
    rows: int

    @property
    def cell_size(self) -> tuple[float, float]:
        """Width and height of a cell."""
        return _cell_size(self.paper, self.margin, self.overlap)

    def cell(self, tile: Tile) -> Box:
        """What of the sheet belongs to a tile alone."""
        return _cell(tile.column, tile.row, *self.cell_size)

    def frame(self, tile: Tile) -> Box:
        """What of the sheet a tile shows."""
        return self.cell(tile).expanded(0.5 * self.overlap)

    def offset(self, tile: Tile) -> Point:
        """How far the sheet is moved to lie right on a tile's page."""
        frame = self.frame(tile)
        return self.margin - frame.min_x, self.margin - frame.min_y

    @property
    def window(self) -> Box:
        """What of its page a tile prints: all but the margin."""
        return Box(self.margin, self.margin, self.paper.width - self.margin, self.paper.height - self.margin)

    def neighbour(self, tile: Tile, right: int, down: int) -> Tile | None:
        """The tile so many columns to the right and rows down, if it is needed."""
        other = Tile(tile.row + down, tile.column + right)
        return other if other in self.pieces else None


def tile_pieces(
    draft: Draft,
    drawings: Sequence[PieceDrawing],
    papers: Iterable[Paper],
    *,
    margin: float,
    overlap: float,
    gap: float,
) -> Tiling:
    """Lay pieces out over as few pages as the search finds.

    It tries twelve widths of the sheet in whole pages, each way in which the paper may lie, and three orders
    of the pieces; pieces may be given a quarter turn. Between layouts of as many pages it takes the one with
    fewer seams between pages, then the first.

    Args:
        draft: whose pieces they are.
        drawings: of the pieces.
        papers: the ways in which the paper may lie.
        margin: of each page, mm.
        overlap: of neighbouring pages, mm.
        gap: between pieces, mm.
    """
    shapes = {drawing.piece: _shape(draft, drawing) for drawing in drawings}
    best: tuple[tuple[int, int], Tiling] | None = None
    for paper in papers:
        cell = _cell_size(paper, margin, overlap)
        seen: set[tuple[Placement, ...]] = set()
        least = ceil(
            max((min(d.bounds.width, d.bounds.height) for d in drawings), default=0.0) / cell[0] - _TOUCH
        )
        for columns in range(max(1, least), max(1, least) + _MOST_COLUMNS):
            for order in _ORDERS:
                placements = _packed(sorted(drawings, key=order), gap, columns * cell[0])
                if placements in seen:
                    continue
                seen.add(placements)
                cells = _cells_of(drawings, placements, shapes, cell)
                tiles = {tile for on in cells.values() for tile in on}
                score = (len(tiles), _seams(tiles))
                if best is None or score < best[0]:
                    best = score, _tiling(paper, margin, overlap, placements, drawings, shapes, tiles)
    assert best is not None
    return best[1]


def _tiling(
    paper: Paper,
    margin: float,
    overlap: float,
    placements: tuple[Placement, ...],
    drawings: Sequence[PieceDrawing],
    shapes: dict[str, BaseGeometry],
    tiles: set[Tile],
) -> Tiling:
    cell = _cell_size(paper, margin, overlap)
    seen = _cells_of(drawings, placements, shapes, cell, 0.5 * overlap)
    pieces = {
        tile: tuple(drawing.piece for drawing in drawings if tile in seen[drawing.piece])
        for tile in sorted(tiles)
    }
    columns = 1 + max((tile.column for tile in tiles), default=-1)
    rows = 1 + max((tile.row for tile in tiles), default=-1)
    return Tiling(paper, margin, overlap, placements, tuple(sorted(tiles)), pieces, columns, rows)


def _cell_size(paper: Paper, margin: float, overlap: float) -> tuple[float, float]:
    return paper.width - 2.0 * margin - overlap, paper.height - 2.0 * margin - overlap


def _cell(column: int, row: int, width: float, height: float) -> Box:
    return Box(column * width, -(row + 1) * height, (column + 1) * width, -row * height)


def _shape(draft: Draft, drawing: PieceDrawing) -> BaseGeometry:
    """What a piece covers: all within its outline, and lines that are drawn beyond it."""
    from shapely import MultiLineString, union_all

    outline = draft.piece(drawing.piece).outline
    polygon = outline.polygon(_CHORD_ERROR)
    box, around = outline.bounds, drawing.bounds
    if (
        max(box.min_x - around.min_x, box.min_y - around.min_y)
        < _CHORD_ERROR
        > max(around.max_x - box.max_x, around.max_y - box.max_y)
    ):
        return polygon
    lines = [stroke.flatten(_CHORD_ERROR) for stroke in as_strokes(drawing.items)]
    return union_all([polygon, MultiLineString([line for line in lines if len(line) > 1])])


# Packing


def _tallest(drawing: PieceDrawing) -> tuple[float, ...]:
    sides = sorted((drawing.bounds.width, drawing.bounds.height))
    return (-sides[0], -sides[1])


def _longest(drawing: PieceDrawing) -> tuple[float, ...]:
    sides = sorted((drawing.bounds.width, drawing.bounds.height))
    return (-sides[1], -sides[0])


def _largest(drawing: PieceDrawing) -> tuple[float, ...]:
    return (-drawing.bounds.width * drawing.bounds.height,)


_ORDERS: tuple[Callable[[PieceDrawing], tuple[float, ...]], ...] = (_tallest, _longest, _largest)


def _packed(drawings: Sequence[PieceDrawing], gap: float, width: float) -> tuple[Placement, ...]:
    """Pieces one after the other, each as high up as it goes, then as far left; turned if that helps.

    The boxes of pieces keep the gap. What has been used is known by its lower edge alone, the skyline: runs
    of (left end, depth), the last one open to the right.
    """
    skyline: list[tuple[float, float]] = [(0.0, 0.0)]
    placements: list[Placement] = []
    for drawing in drawings:
        box = drawing.bounds
        options: list[tuple[float, float, int, Box]] = []
        for turned, lying in enumerate((box, Box(-box.max_y, box.min_x, -box.min_y, box.max_x))):
            for index, (left, _) in enumerate(skyline):
                right = left + lying.width
                if right > width + _TOUCH:
                    break
                depth = 0.0
                for start, deep in skyline[index:]:
                    if start >= right + gap:
                        break
                    depth = max(depth, deep)
                options.append((depth + lying.height, left, turned, lying))
        # Wider than the sheet either way: it goes below everything and sticks out.
        if not options:
            deepest = max(deep for _, deep in skyline)
            options.append((deepest + box.height, 0.0, 0, box))
        bottom, left, turned, lying = min(options)
        placements.append(
            Placement(drawing.piece, left - lying.min_x, -bottom - lying.min_y, 90.0 if turned else 0.0)
        )
        skyline = _raised(skyline, left, left + lying.width + gap, bottom + gap)
    return tuple(placements)


def _raised(
    skyline: Sequence[tuple[float, float]], left: float, right: float, depth: float
) -> list[tuple[float, float]]:
    """The skyline with everything between two places at a depth."""
    beyond = next(deep for start, deep in reversed(skyline) if start <= right)
    runs = [run for run in skyline if run[0] < left]
    runs += [(left, depth), (right, beyond)]
    runs += [run for run in skyline if run[0] > right]
    return [run for index, run in enumerate(runs) if index == 0 or run[1] != runs[index - 1][1]]


# Counting pages


def _cells_of(
    drawings: Sequence[PieceDrawing],
    placements: Sequence[Placement],
    shapes: dict[str, BaseGeometry],
    cell: tuple[float, float],
    around: float = 0.0,
) -> dict[str, set[Tile]]:
    """By piece the tiles on which some of it lies, in cells that are larger by `around` on every side."""
    import numpy as np
    import shapely

    width, height = cell
    places = {placement.piece: placement for placement in placements}
    found: dict[str, set[Tile]] = {}
    for drawing in drawings:
        transform = places[drawing.piece].transform
        box = drawing.bounds
        on = Box.around([transform.apply((x, y)) for x in box[::2] for y in box[1::2]])
        reach = around - _TOUCH
        first, last = floor((on.min_x - reach) / width), floor((on.max_x + reach) / width)
        top, bottom = floor((-on.max_y - reach) / height), floor((-on.min_y + reach) / height)
        tiles = [
            Tile(row, column)
            for row in range(max(0, top), bottom + 1)
            for column in range(max(0, first), last + 1)
        ]
        if len(tiles) > 1:
            back = transform.inverse()
            corners = []
            for tile in tiles:
                b = _cell(tile.column, tile.row, width, height).expanded(reach)
                corners.append(Box.around([back.apply((b.min_x, b.min_y)), back.apply((b.max_x, b.max_y))]))
            boxes = shapely.box(*np.array(corners).T)
            shape = shapes[drawing.piece]
            shapely.prepare(shape)
            meets = shapely.intersects(shape, boxes)
            tiles = [tile for tile, met in zip(tiles, meets, strict=True) if met]
        found[drawing.piece] = set(tiles)
    return found


def _seams(tiles: set[Tile]) -> int:
    """How many seams there are between pages that lie beside each other."""
    return sum(
        Tile(tile.row + down, tile.column + right) in tiles
        for tile in tiles
        for right, down in ((1, 0), (0, 1))
    )
