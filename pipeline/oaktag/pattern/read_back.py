"""Holding what was read from a file against the draft.

A reader parses a file with a library that didn't write it and says what it found, in mm. The draft is drawn
anew here, so that no mistake of an exporter can hide.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import hypot
from typing import TYPE_CHECKING

from oaktag.geometry import Box, Point
from oaktag.pattern.draft import Draft
from oaktag.pattern.drawing import Item, Text, as_strokes, moved, piece_items
from oaktag.pattern.lettering import Polyline
from oaktag.pattern.sheet import drawn_pieces
from oaktag.pattern.shown import Page, Shown

if TYPE_CHECKING:
    from numpy import float64
    from numpy.typing import NDArray

    Points = NDArray[float64]

FLATTENED = 0.001
"""Chord error in mm to which arcs and curves are flattened before they are compared."""

_APART = 1000.0  # mm; keeps lines of different numbers of points from being taken for mates
_SPACING = 2.0  # mm between points at which two lines are compared
_LENGTHS = (
    1e-3  # share by which total lengths may differ: chords are shorter than arcs, duplicates far longer
)
_WINDOW_LENGTHS = 1e-2  # the same for what a window's edge cuts off
_EDGE = 0.5  # mm within a window's edge where a line may be seen or not
_SCALES = 2e-3  # a whole page that is larger or smaller by more has the wrong scale
_SAME_HEIGHT, _SAME_ANGLE = 1e-3, 0.01  # share; degrees


@dataclass(frozen=True, slots=True)
class Difference:
    """One thing in a file that isn't as in the draft: what, and the piece that it concerns if it is one."""

    reason: str
    where: str = ""


@dataclass(frozen=True, slots=True)
class FoundLine:
    """A line in a file.

    Attributes:
        layer: what the file calls its kind: a layer, a class, a pen.
        points: in the file's unit on its page, y upward; arcs and curves as chords within `FLATTENED`.
        piece: id of the piece that the file says it belongs to; empty if it says none.
        page: counted from 0.
    """

    layer: str
    points: Polyline
    piece: str = ""
    page: int = 0


@dataclass(frozen=True, slots=True)
class FoundText:
    """A line of text in a file that writes text as text; otherwise as `FoundLine`.

    Attributes:
        layer: what the file calls its kind.
        text: decoded.
        position: half-way between the line's ends, and between its baseline and the top of capitals.
        height: of a capital letter, in the file's unit.
        angle: degrees counter-clockwise.
        piece: id of the piece that it belongs to.
        page: counted from 0.
    """

    layer: str
    text: str
    position: Point
    height: float
    angle: float
    piece: str = ""
    page: int = 0


@dataclass(frozen=True, slots=True)
class Found:
    """What a reader found in a file.

    Attributes:
        lines: in the order of the file.
        texts: in the order of the file.
        pieces: ids of the pieces that the file names, as often as it shows them; None if it names none.
        pages: how many there are.
    """

    lines: tuple[FoundLine, ...]
    texts: tuple[FoundText, ...] = ()
    pieces: tuple[str, ...] | None = None
    pages: int = 1


_Key = tuple[int, str, str]  # page, piece, layer


def differences(
    draft: Draft, shown: Shown, found: Found, *, spelling: Callable[[str], str] = str
) -> tuple[Difference, ...]:
    """How a file differs from the draft; nothing if it shows what it says it shows.

    Every line of the draft must be in the file under its layer, and every line in the file in the draft,
    within the stated tolerance all along; total lengths, texts and pieces must agree.

    Args:
        draft: what was drawn.
        shown: what the file says it shows.
        found: what it does show.
        spelling: what becomes of text in a format that doesn't carry every character.
    """
    return tuple(_differences(draft, shown, found, spelling))


def _differences(
    draft: Draft, shown: Shown, found: Found, spelling: Callable[[str], str]
) -> Iterator[Difference]:
    yield from _missing_pieces(draft, shown, found)
    if found.pages != len(shown.pages):
        yield Difference(f"it has {found.pages} pages, not {len(shown.pages)}")
        return
    named = found.pieces is not None
    wanted, wanted_texts = _wanted(draft, shown, named)
    seen: dict[_Key, list[Polyline]] = defaultdict(list)
    for line in found.lines:
        key = (line.page, line.piece if named else "", line.layer)
        seen[key].append(line.points if shown.scale == 1.0 else _scaled(line.points, 1.0 / shown.scale))
    off = "" if shown.pages[0].window else _wrong_scale(wanted, seen)
    if off:
        yield Difference(off)
        return
    for key in {**wanted, **seen}:
        window = shown.pages[key[0]].window
        yield from _compared(key, wanted.get(key, []), seen.get(key, []), window, shown.tolerance)
    yield from _text_differences(wanted_texts, found, shown, spelling, named=named)


# What the draft says


def _wanted(
    draft: Draft, shown: Shown, named: bool
) -> tuple[dict[_Key, list[Polyline]], list[tuple[_Key, str, Text, Point]]]:
    lines: dict[_Key, list[Polyline]] = defaultdict(list)
    texts: list[tuple[_Key, str, Text, Point]] = []
    drawn: dict[str, tuple[Item, ...]] = {}
    for number, page in enumerate(shown.pages):
        for piece, items in _on_page(draft, page, drawn):
            _add(lines, texts, items, shown, number, piece if named else "")
    return lines, texts


def items_on(draft: Draft, page: Page) -> Iterator[Item]:
    """What a page must show, drawn anew from the draft; for readers that compare by themselves."""
    for _, items in _on_page(draft, page, {}):
        yield from items


def _on_page(
    draft: Draft, page: Page, drawn: dict[str, tuple[Item, ...]]
) -> Iterator[tuple[str, Iterable[Item]]]:
    """Each piece with its items where they lie, then the page's own; `drawn` keeps what was drawn before."""
    for placement in page.placements:
        if placement.piece not in drawn:
            drawn[placement.piece] = piece_items(draft.piece(placement.piece))
        transform = placement.transform
        yield placement.piece, [moved(item, transform) for item in drawn[placement.piece]]
    yield "", page.own


def _add(
    lines: dict[_Key, list[Polyline]],
    texts: list[tuple[_Key, str, Text, Point]],
    items: Iterable[Item],
    shown: Shown,
    page: int,
    piece: str,
) -> None:
    for item in items:
        layer = shown.layers.get(item.role)
        if layer is None:
            continue
        key = (page, piece, layer)
        if isinstance(item, Text) and shown.lettering == "text":
            pairs = zip(item.lines, item.line_positions(), strict=True)
            texts.extend((key, line, item, position) for line, position in pairs)
        else:
            lines[key].extend(stroke.flatten(FLATTENED) for stroke in as_strokes([item]))


def pieces_left_out(draft: Draft, shown: Shown) -> Iterator[Difference]:
    """Pieces that a file should show and doesn't say it shows; for readers that compare by themselves."""
    placed = {placement.piece for page in shown.pages for placement in page.placements}
    for piece in drawn_pieces(draft) if shown.whole else ():
        if piece.id not in placed:
            yield Difference("the piece isn't drawn", piece.id)


def _missing_pieces(draft: Draft, shown: Shown, found: Found) -> Iterator[Difference]:
    yield from pieces_left_out(draft, shown)
    placed = Counter(placement.piece for page in shown.pages for placement in page.placements)
    if found.pieces is not None:
        there = Counter(found.pieces)
        for name in sorted(placed.keys() | there.keys()):
            if there[name] != placed[name]:
                yield Difference(f"the piece is there {there[name]} times, not {placed[name]}", name)
    if shown.whole:
        yield from out_of_sight(draft, shown.pages)


def out_of_sight(draft: Draft, pages: Iterable[Page]) -> Iterator[Difference]:
    """Pieces on some pages that their windows don't show as a whole, all of them together."""
    from shapely import LinearRing, box, union_all

    windows: dict[str, list[Box]] = defaultdict(list)
    whole: set[str] = set()
    for page in pages:
        for placement in page.placements:
            if page.window is None:
                whole.add(placement.piece)
                continue
            back = placement.transform.inverse()
            w = page.window
            corners = [back.apply(corner) for corner in ((w.min_x, w.min_y), (w.max_x, w.max_y))]
            windows[placement.piece].append(Box.around(corners))
    for name, boxes in windows.items():
        if name in whole:
            continue
        seen = union_all([box(*b) for b in boxes]).buffer(1e-6)
        if not seen.covers(LinearRing(draft.piece(name).outline.flatten(FLATTENED))):
            yield Difference("part of the piece is on no page", name)


# Lines against lines


def _wrong_scale(wanted: dict[_Key, list[Polyline]], seen: dict[_Key, list[Polyline]]) -> str:
    """What to say of a file whose first page has the wrong size as a whole; empty if it is right."""
    sizes = []
    for lines in (wanted, seen):
        points = [point for key, group in lines.items() if key[0] == 0 for line in group for point in line]
        if not points:
            return ""
        extent = Box.around(points)
        sizes.append((extent.width, extent.height))
    (wide, high), (found_wide, found_high) = sizes
    if min(wide, high) <= 0.0:
        return ""
    across, up = found_wide / wide, found_high / high
    if abs(across - up) > 1e-4 * max(across, up) or abs(across - 1.0) < _SCALES:
        return ""
    return f"everything is drawn at {across:.4g} of its true size"


def _compared(
    key: _Key, wanted: list[Polyline], seen: list[Polyline], window: Box | None, tolerance: float
) -> Iterator[Difference]:
    import numpy as np

    page, piece, layer = key
    where = f"page {page + 1}, layer {layer}" if page else f"layer {layer}"
    first, second = _mateless(*_unequal(wanted, seen, tolerance), tolerance)
    if not first and not second:
        return
    # At a window's edge a line that nearly follows it may be just in or just out: what lies within a hair of
    # the edge is looked for, and taken for granted, on both sides of it.
    inner = None if window is None else window.expanded(-_EDGE)
    outer = None if window is None else window.expanded(_EDGE)
    a, b = _clipped(first, inner), _clipped(second, inner)
    if not len(a) and not len(b):
        return
    limit = tolerance + 2.0 * FLATTENED
    for here, there, what in (
        (a, _clipped(second, outer), "what the draft has there is missing or moved"),
        (b, _clipped(first, outer), "the file has what the draft doesn't"),
    ):
        if not len(here):
            continue
        points = _sampled(here)
        off = _distances(points, there)
        worst = int(np.argmax(off))
        if off[worst] > limit:
            x, y = points[worst]
            by = f" by {off[worst]:.3f} mm" if np.isfinite(off[worst]) else ""
            yield Difference(f"{where}: {what}{by}, at {x:.1f}, {y:.1f} mm", piece)
            return
    lengths = [float(np.hypot(*(group[:, 1] - group[:, 0]).T).sum()) for group in (a, b)]
    share = _LENGTHS if window is None else _WINDOW_LENGTHS
    if abs(lengths[0] - lengths[1]) > share * lengths[0] + limit * (len(first) + 1):
        yield Difference(
            f"{where}: its lines are {lengths[1]:.1f} mm long together, not {lengths[0]:.1f}: something is"
            " there twice, or only once",
            piece,
        )


def _unequal(
    wanted: list[Polyline], seen: list[Polyline], tolerance: float
) -> tuple[list[Polyline], list[Polyline]]:
    """The lines that aren't the same ones in the same order, point by point: most letters are."""
    import numpy as np

    if len(wanted) != len(seen):
        return wanted, seen
    alike = [index for index, line in enumerate(wanted) if len(line) == len(seen[index])]
    if not alike:
        return wanted, seen
    here = np.array([point for index in alike for point in wanted[index]])
    there = np.array([point for index in alike for point in seen[index]])
    off = np.abs(here - there).max(axis=1) > tolerance
    starts = np.cumsum([0, *(len(wanted[index]) for index in alike[:-1])])
    bad = np.logical_or.reduceat(off, starts)
    same = {index for index, wrong in zip(alike, bad, strict=True) if not wrong}
    rest = [index for index in range(len(wanted)) if index not in same]
    return [wanted[index] for index in rest], [seen[index] for index in rest]


def _mateless(
    wanted: list[Polyline], seen: list[Polyline], tolerance: float
) -> tuple[list[Polyline], list[Polyline]]:
    """The lines that have no mate on the other side, in whatever order and direction.

    Mates have as many points and the nearest middles, and are the same point by point.
    """
    import numpy as np
    from scipy.spatial import cKDTree

    if not wanted or not seen:
        return wanted, seen
    places = [np.array([_middle(line) for line in lines]) for lines in (wanted, seen)]
    off, mates = cKDTree(places[0]).query(places[1], distance_upper_bound=2.0 * tolerance)
    pairs: dict[int, int] = {}
    for index in np.argsort(off, kind="stable"):
        if np.isfinite(off[index]):
            pairs.setdefault(int(mates[index]), int(index))
    here = [(w, s) for w, s in sorted(pairs.items()) if _alike(wanted[w], seen[s], tolerance)]
    matched, found = {w for w, _ in here}, {s for _, s in here}
    return (
        [line for index, line in enumerate(wanted) if index not in matched],
        [line for index, line in enumerate(seen) if index not in found],
    )


def _middle(line: Polyline) -> tuple[float, float, float]:
    """The mean of a line's points, and how many there are, far apart."""
    count = len(line)
    return sum(x for x, _ in line) / count, sum(y for _, y in line) / count, _APART * count


def _alike(line: Polyline, other: Polyline, tolerance: float) -> bool:
    """Whether two lines are the same point by point, in either direction."""
    return any(
        all(
            abs(x - u) <= tolerance and abs(y - v) <= tolerance
            for (x, y), (u, v) in zip(line, way, strict=True)
        )
        for way in (other, other[::-1])
    )


def _clipped(lines: Sequence[Polyline], window: Box | None) -> Points:
    """The chords of lines inside a window, as an array of shape (n, 2, 2)."""
    import numpy as np

    chords = [(start, end) for line in lines for start, end in pairwise(line)]
    chords += [(line[0], line[0]) for line in lines if len(line) == 1]
    pairs: Points = np.array(chords, dtype=float).reshape(-1, 2, 2)
    if window is None or not len(pairs):
        return pairs
    from shapely import box, get_coordinates, get_num_coordinates, intersection, linestrings

    low, high = pairs.min(axis=1), pairs.max(axis=1)
    inside = (
        (low[:, 0] >= window.min_x)
        & (low[:, 1] >= window.min_y)
        & (high[:, 0] <= window.max_x)
        & (high[:, 1] <= window.max_y)
    )
    outside = (
        (high[:, 0] < window.min_x)
        | (high[:, 1] < window.min_y)
        | (low[:, 0] > window.max_x)
        | (low[:, 1] > window.max_y)
    )
    cut = intersection(linestrings(pairs[~inside & ~outside]), box(*window))
    cut = cut[get_num_coordinates(cut) == 2]
    return np.concatenate([pairs[inside], get_coordinates(cut).reshape(-1, 2, 2)])


def _sampled(pairs: Points) -> Points:
    """Points along chords, their ends among them, no farther apart than the spacing; shape (n, 2)."""
    import numpy as np

    steps = np.maximum(1, np.ceil(np.hypot(*(pairs[:, 1] - pairs[:, 0]).T) / _SPACING)).astype(int)
    index = np.repeat(np.arange(len(pairs)), steps + 1)
    number = np.arange(len(index)) - np.repeat(np.cumsum(steps + 1) - (steps + 1), steps + 1)
    share = (number / steps[index])[:, None]
    points: Points = pairs[index, 0] * (1.0 - share) + pairs[index, 1] * share
    return points


def _distances(points: Points, pairs: Points) -> NDArray[float64]:
    """How far each point is from the nearest of some chords; infinite if there are none."""
    import numpy as np
    import shapely

    if not len(pairs):
        return np.full(len(points), np.inf)
    tree = shapely.STRtree(np.array(shapely.linestrings(pairs)))
    _, off = tree.query_nearest(shapely.points(points), return_distance=True, all_matches=False)
    distances: NDArray[float64] = off
    return distances


def _scaled(points: Polyline, factor: float) -> Polyline:
    return tuple([(x * factor, y * factor) for x, y in points])


# Text


def _text_differences(
    wanted: list[tuple[_Key, str, Text, Point]],
    found: Found,
    shown: Shown,
    spelling: Callable[[str], str],
    *,
    named: bool,
) -> Iterator[Difference]:
    left: dict[tuple[_Key, str], list[FoundText]] = defaultdict(list)
    for text in found.texts:
        left[(text.page, text.piece if named else "", text.layer), text.text].append(text)
    for key, line, item, (x, y) in wanted:
        spelt = spelling(line)
        if not spelt.strip():
            continue
        candidates = left[key, spelt]
        match = next(
            (
                other
                for other in candidates
                if hypot(other.position[0] / shown.scale - x, other.position[1] / shown.scale - y)
                <= shown.tolerance
                and abs(other.height / shown.scale - item.height) <= _SAME_HEIGHT * item.height
                and abs((other.angle - item.angle + 180.0) % 360.0 - 180.0) <= _SAME_ANGLE
            ),
            None,
        )
        if match is None:
            yield Difference(f"layer {key[2]}: the text {spelt!r} is missing, moved or changed", key[1])
        else:
            candidates.remove(match)
    for (key, line), texts in left.items():
        if texts and line.strip():
            yield Difference(f"layer {key[2]}: the text {line!r} isn't the draft's", key[1])
