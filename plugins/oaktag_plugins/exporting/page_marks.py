"""What tiled pages carry besides pieces: marks to put them together by; rules, a map and a list of pieces."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from math import floor

from oaktag.geometry import Arc, Box, Path, Point
from oaktag.pattern.drawing import Item, Stroke, Text
from oaktag.pattern.lettering import LINE_SPACING, Align, text_size
from oaktag.pattern.sheet import PieceDrawing
from oaktag_plugins.exporting.tiling import Tile, Tiling

_TRIM = (2.0, 6.0)  # mm of dash and space of the trim line
_GRID = (0.8, 1.2)  # the same of the pages' edges on the map
_LABEL, _SMALL, _ARROW = 8.0, 2.2, 3.0
_AWAY = 4.0  # mm that labels keep from the trim line
_SHARES = (0.25, 0.75)  # of a side, where its marks are
_SQUARES = ((100.0, "100 mm"), (101.6, "4 in"))
_INCH = 25.4
_BORDER = 14.0  # mm that the rules along two sides of the first page take
_FOOT = 101.6 + 6.0
_COLUMN_GAP = 8.0
_LIST, _TITLE, _STOP = 2.6, 4.5, 6.0
_WORDS = (3.0, 2.7, 2.4, 2.1, 1.8)  # mm; heights at which advice is tried, so that it fits
_LEAST_COLUMN = 110.0
LEAST_AREA = (_BORDER + 102.0 + _COLUMN_GAP + 44.0, _BORDER + 102.0 + 54.0)
"""The least short and long side in mm, without margins, of paper that holds the first page."""


def sheet_line(*points: Point) -> Stroke:
    """A line that isn't part of a piece."""
    return Stroke("sheet", tuple(points))


def sheet_text(
    lines: Sequence[str],
    height: float,
    position: Point,
    *,
    angle: float = 0.0,
    align: Align = "left",
    anchor: Point = (0.0, 0.0),
) -> Text:
    """Text that isn't part of a piece."""
    return Text("sheet", tuple(lines), height, position, angle, align=align, anchor=anchor)


def fitted(line: str, height: float, width: float) -> float:
    """The height at which a line isn't wider than a width, at most the one that is wanted."""
    wide = text_size([line], height)[0]
    return height if wide <= width else height * width / wide


# Tiles


@dataclass(frozen=True, slots=True)
class Registration:
    """A mark that both pages at a seam print: where on the sheet, and its name there."""

    point: Point
    name: str
    upright: bool


def registrations(tiling: Tiling, tile: Tile) -> tuple[Registration, ...]:
    """The marks on a tile: two on each side with a neighbour, named after the tile to the left or above."""
    marks: list[Registration] = []
    for right, down in ((1, 0), (0, 1), (-1, 0), (0, -1)):
        other = tiling.neighbour(tile, right, down)
        if other is None:
            continue
        owner = tile if right + down > 0 else other
        cell = tiling.cell(owner)
        for number, share in enumerate(_SHARES, start=1):
            if right:
                place = (cell.max_x, cell.max_y - share * cell.height)
                marks.append(Registration(place, f"{owner.label}/{number}", True))
            else:
                place = (cell.min_x + share * cell.width, cell.min_y)
                marks.append(Registration(place, f"{owner.label}/{number + len(_SHARES)}", False))
    return tuple(marks)


def tile_items(tiling: Tiling, tile: Tile, running_title: str, warning: str) -> tuple[Item, ...]:
    """All that a tile's page carries besides pieces, in the page's mm.

    Args:
        tiling: of the pattern.
        tile: whose page it is.
        running_title: one line.
        warning: that the pattern must not be cut; empty if it may.
    """
    dx, dy = tiling.offset(tile)
    window, half = tiling.window, 0.5 * tiling.overlap
    inner = window.expanded(-half)
    items: list[Item] = []
    for mark in registrations(tiling, tile):
        items += _mark(mark, (mark.point[0] + dx, mark.point[1] + dy), tiling.overlap)
    for right, down in ((-1, 0), (1, 0), (0, -1), (0, 1)):
        other = tiling.neighbour(tile, right, down)
        if other is not None:
            items += _side(window, inner, right, down, other.label)
    corner = (inner.min_x + _AWAY, inner.max_y - _AWAY)
    items.append(sheet_text([tile.label], _LABEL, corner, anchor=(0.0, 1.0)))
    if warning:
        beside = (corner[0] + text_size([tile.label], _LABEL)[0] + _AWAY, corner[1])
        height = fitted(warning, _STOP, inner.max_x - _AWAY - beside[0])
        items.append(sheet_text([warning], height, beside, anchor=(0.0, 1.0)))
    height = fitted(running_title, min(_SMALL, 0.3 * tiling.overlap), window.width - 4.0)
    place = (window.min_x + 2.0, window.min_y + 0.25 * tiling.overlap)
    items.append(sheet_text([running_title], height, place, anchor=(0.0, 0.5)))
    return tuple(items)


def _mark(mark: Registration, point: Point, overlap: float) -> Iterator[Item]:
    """A ring about a cross, and its name along the seam on the side that the upper page leaves visible."""
    x, y = point
    radius, arm = min(2.5, 0.35 * overlap), min(4.0, 0.45 * overlap)
    right, left = (x + radius, y), (x - radius, y)
    halves = (Arc(right, left, (x, y), radius, False), Arc(left, right, (x, y), radius, False))
    yield Stroke("sheet", Path(halves))
    yield sheet_line((x - arm, y), (x + arm, y))
    yield sheet_line((x, y - arm), (x, y + arm))
    height = min(2.0, 0.25 * overlap)
    if mark.upright:
        place = (x - 0.25 * overlap, y + arm + 1.0)
        yield sheet_text([mark.name], height, place, angle=90.0, anchor=(0.0, 0.5))
    else:
        yield sheet_text([mark.name], height, (x + arm + 1.0, y + 0.25 * overlap), anchor=(0.0, 0.5))


def _side(window: Box, inner: Box, right: int, down: int, label: str) -> Iterator[Item]:
    """The trim line at one side, and an arrow to the page beyond it."""
    x = {-1: inner.min_x, 0: window.centre[0], 1: inner.max_x}[right]
    y = {-1: inner.max_y, 0: window.centre[1], 1: inner.min_y}[down]
    if right:
        yield from _dashes((x, window.min_y), (x, window.max_y))
    else:
        yield from _dashes((window.min_x, y), (window.max_x, y))
    out, across = (right, -down), (down, right)
    tip = (x - 1.5 * out[0], y - 1.5 * out[1])
    back = (tip[0] - _ARROW * out[0], tip[1] - _ARROW * out[1])
    wings = [
        (back[0] + s * 0.5 * _ARROW * across[0], back[1] + s * 0.5 * _ARROW * across[1]) for s in (1, -1)
    ]
    yield sheet_line(wings[0], tip, wings[1], wings[0])
    place = (back[0] - 1.5 * out[0], back[1] - 1.5 * out[1])
    yield sheet_text([label], _ARROW, place, anchor=(0.5 + 0.5 * out[0], 0.5 + 0.5 * out[1]))


def _dashes(start: Point, end: Point, pattern: tuple[float, float] = _TRIM) -> Iterator[Stroke]:
    """A thin dashed line. Its dashes are lines of their own, since a dashed line type means a seam."""
    dash, space = pattern
    length = abs(end[0] - start[0]) + abs(end[1] - start[1])
    ux, uy = (end[0] - start[0]) / length, (end[1] - start[1]) / length
    for number in range(floor((length - dash) / (dash + space)) + 1):
        at = number * (dash + space)
        until = at + dash
        yield sheet_line(
            (start[0] + at * ux, start[1] + at * uy), (start[0] + until * ux, start[1] + until * uy)
        )


# First page


@dataclass(frozen=True, slots=True)
class FrontMatter:
    """What the first pages say: title lines, a warning if there is one, and the list of pieces with pages."""

    title: tuple[str, ...]
    warning: str
    contents: tuple[str, ...]


def front_pages(
    tiling: Tiling, drawings: Sequence[PieceDrawing], outlines: Sequence[Path], matter: FrontMatter
) -> tuple[tuple[Item, ...], ...]:
    """The pages before the tiles: rules, test square, what to do and a map; then where each piece is.

    The list of pieces stands on the first page if there is room for it.

    Args:
        tiling: of the pattern.
        drawings: of the pieces.
        outlines: of the pieces, each in its own coordinates.
        matter: what is said.
    """
    area = tiling.window
    items: list[Item] = list(_rules(area))
    inside = Box(area.min_x + _BORDER, area.min_y + _BORDER, area.max_x, area.max_y)
    tall = inside.height >= inside.width
    items += _squares((inside.min_x, inside.min_y))
    squares_right, squares_top = inside.min_x + _FOOT, inside.min_y + _FOOT
    head = _head(matter)
    if tall:
        top = Box(inside.min_x, squares_top, inside.max_x, inside.max_y)
        words = Box(squares_right + 2.0, inside.min_y, inside.max_x, squares_top - 6.0)
        left = top
    else:
        left = Box(inside.min_x, squares_top, squares_right, inside.max_y)
        words = Box(squares_right + _COLUMN_GAP, inside.min_y, inside.max_x, inside.min_y + 50.0)
    set_head, below = _blocks(head, Box(left.min_x, left.min_y, left.max_x, left.max_y))
    items += set_head
    if tall:
        chart = Box(left.min_x, left.min_y, left.max_x, below - 2.0)
    else:
        chart = Box(words.min_x, words.max_y + 4.0, inside.max_x, inside.max_y)
    items += _map(tiling, drawings, outlines, chart)
    advice, height = _fitting(_advice(tiling), words)
    both, small = _fitting((*_advice(tiling), "", *matter.contents), words)
    if small >= _LIST:
        return ((*items, *_column(both, small, words)),)
    return ((*items, *_column(advice, height or _WORDS[-1], words)), *_contents(matter.contents, area))


def _fitting(paragraphs: Sequence[str], area: Box) -> tuple[tuple[str, ...], float]:
    """Lines that fill an area, and the largest height at which they fit; 0 if they don't."""
    for height in _WORDS:
        lines = wrapped(paragraphs, height, area.width)
        if len(lines) * height * LINE_SPACING <= area.height:
            return lines, height
    return wrapped(paragraphs, _WORDS[-1], area.width), 0.0


def _head(matter: FrontMatter) -> tuple[tuple[tuple[str, ...], float], ...]:
    stop: tuple[tuple[tuple[str, ...], float], ...] = (((matter.warning,), _STOP),) if matter.warning else ()
    return (*stop, (matter.title, _TITLE))


def _advice(tiling: Tiling) -> tuple[str, ...]:
    return (
        "1. Print at 100 % (actual size), never fitted to the page.",
        (
            "2. Measure this page both ways: the square is 100 mm across and up to its first lines, 4 in to"
            " its second; the rules are longer and tell more. If one is off: oaktag printcheck."
        ),
        "3. Where a page has a dashed line at its left or upper edge, cut along that line.",
        "4. Lay it over the page that the arrow names, so that halves of rings of one name close. Tape it.",
        f"Pages: {len(tiling.tiles)}. Crossed out on the map: not needed.",
    )


def wrapped(paragraphs: Iterable[str], height: float, width: float) -> tuple[str, ...]:
    """Paragraphs in lines that aren't wider than a width, as far as their words allow."""
    lines: list[str] = []
    for paragraph in paragraphs:
        line = ""
        for word in paragraph.split(" "):
            longer = f"{line} {word}" if line else word
            if line and text_size([longer], height)[0] > width:
                lines.append(line)
                line = word
            else:
                line = longer
        lines.append(line)
    return tuple(lines)


def _blocks(blocks: Iterable[tuple[tuple[str, ...], float]], area: Box) -> tuple[list[Item], float]:
    """Lines of text from an area's top downward, and where they end."""
    items: list[Item] = []
    y = area.max_y
    for lines, wanted in blocks:
        for line in lines:
            height = fitted(line, wanted, area.width)
            items.append(sheet_text([line], height, (area.min_x, y), anchor=(0.0, 1.0)))
            y -= height * LINE_SPACING
        y -= 1.0
    return items, y


def _column(lines: Sequence[str], height: float, area: Box) -> Iterator[Item]:
    """Lines of one height from an area's top downward; smaller if a word is wider than the area."""
    height = min(fitted(line, height, area.width) for line in lines if line)
    yield sheet_text(lines, height, (area.min_x, area.max_y), anchor=(0.0, 1.0))


def _contents(contents: Sequence[str], area: Box) -> Iterator[tuple[Item, ...]]:
    """Pages with the list of pieces, in columns."""
    columns = max(1, floor((area.width + _COLUMN_GAP) / (_LEAST_COLUMN + _COLUMN_GAP)))
    width = (area.width - (columns - 1) * _COLUMN_GAP) / columns
    lines = wrapped(contents, _LIST, width)
    room = floor(area.height / (_LIST * LINE_SPACING))
    runs = [lines[start : start + room] for start in range(0, len(lines), room)]
    for start in range(0, len(runs), columns):
        items: list[Item] = []
        for number, run in enumerate(runs[start : start + columns]):
            left = area.min_x + number * (width + _COLUMN_GAP)
            items += _column(run, _LIST, Box(left, area.min_y, left + width, area.max_y))
        yield tuple(items)


def _squares(corner: Point) -> Iterator[Item]:
    """Both squares on one corner, so that they fit on any paper."""
    x, y = corner
    for size, _ in _SQUARES:
        square = ((x, y), (x + size, y), (x + size, y + size), (x, y + size))
        yield Stroke("sheet", Path.polyline(square, closed=True))
    lines = (
        "test square",
        "100 mm to the first line",
        "4 in to the second",
        "measure across and up",
    )
    yield sheet_text(lines, 4.0, (x + 50.0, y + 50.0), align="centre", anchor=(0.5, 0.5))


def _rules(area: Box) -> Iterator[Item]:
    """Rules in mm and inches along the lower and the left side, from the same zero."""
    zero = (area.min_x + 0.5 * _BORDER, area.min_y + 0.5 * _BORDER)
    for along, across, room in (
        ((1.0, 0.0), (0.0, 1.0), area.max_x - zero[0]),
        ((0.0, 1.0), (1.0, 0.0), area.max_y - zero[1]),
    ):
        yield from _rule(zero, along, across, 1.0, floor(room / 10.0) * 10, 5, 10)
        back = (-across[0], -across[1])
        yield from _rule(zero, along, back, _INCH / 8.0, floor(room / _INCH) * 8, 4, 8)


def _rule(
    zero: Point, along: Point, across: Point, step: float, count: int, middle: int, large: int
) -> Iterator[Item]:
    """A rule with a tick every step, longer ones at the middle and large counts, and figures at the large."""
    end = (zero[0] + count * step * along[0], zero[1] + count * step * along[1])
    yield sheet_line(zero, end)
    for number in range(count + 1):
        tick = 4.0 if number % large == 0 else 2.5 if number % middle == 0 else 1.5
        x, y = zero[0] + number * step * along[0], zero[1] + number * step * along[1]
        yield sheet_line((x, y), (x + tick * across[0], y + tick * across[1]))
        if number and number % large == 0:
            metric = large == 10
            figure = f"{number}" if metric else f"{number // large}"
            unit = (" mm" if metric else " in") if number == 2 * large else ""
            shift = -0.7
            place = (
                x + 3.0 * across[0] + shift * along[0],
                y + 3.0 * across[1] + shift * along[1],
            )
            turn = 90.0 if along[1] else 0.0
            rise = 0.0 if (across[1] > 0.0 or across[0] < 0.0) else 1.0
            yield sheet_text([figure + unit], 1.6, place, angle=turn, anchor=(1.0, rise))


def _map(
    tiling: Tiling, drawings: Sequence[PieceDrawing], outlines: Sequence[Path], area: Box
) -> Iterator[Item]:
    """All pages small, with the pieces' outlines and numbers; pages that aren't needed are crossed out."""
    width, height = tiling.cell_size
    whole = (tiling.columns * width, tiling.rows * height)
    scale = min(area.width / whole[0], area.height / whole[1])
    x, y = area.min_x, area.max_y

    def at(point: Point) -> Point:
        return x + scale * point[0], y + scale * point[1]

    right, bottom = x + scale * whole[0], y - scale * whole[1]
    for column in range(tiling.columns + 1):
        here = x + scale * column * width
        yield from _dashes((here, y), (here, bottom), _GRID)
    for row in range(tiling.rows + 1):
        here = y - scale * row * height
        yield from _dashes((x, here), (right, here), _GRID)
    for row in range(tiling.rows):
        for column in range(tiling.columns):
            tile = Tile(row, column)
            cell = tiling.cell(tile)
            low, high = at((cell.min_x, cell.min_y)), at((cell.max_x, cell.max_y))
            if tile in tiling.pieces:
                size = min(1.8, 0.25 * (high[1] - low[1]))
                yield sheet_text([tile.label], size, (low[0] + 0.6, high[1] - 0.6), anchor=(0.0, 1.0))
            else:
                yield sheet_line(low, high)
                yield sheet_line((low[0], high[1]), (high[0], low[1]))
    places = {placement.piece: placement.transform for placement in tiling.placements}
    for number, (drawing, outline) in enumerate(zip(drawings, outlines, strict=True), start=1):
        transform = places[drawing.piece]
        line = [at(transform.apply(point)) for point in outline.flatten(0.1 / scale)]
        yield Stroke("sheet", tuple(line))
        middle = at(transform.apply(drawing.bounds.centre))
        size = min(2.6, 0.6 * scale * min(drawing.bounds.width, drawing.bounds.height))
        yield sheet_text([str(number)], max(0.8, size), middle, anchor=(0.5, 0.5))
