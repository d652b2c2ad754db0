"""Reading pattern-interchange files back with ezdxf, which has no part in writing them."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from io import StringIO
from math import atan2, degrees, hypot
from typing import TYPE_CHECKING

from oaktag import Draft
from oaktag.geometry import Path, Point, cross, dot
from oaktag.pattern import Artifact, Piece
from oaktag.pattern.drawing import Stroke, piece_items
from oaktag.pattern.lettering import Polyline
from oaktag.pattern.read_back import FLATTENED, Difference, Found, FoundLine, FoundText, differences
from oaktag_plugins.exporting import interchange
from oaktag_plugins.exporting.dxf_text import read, seven_bit
from oaktag_plugins.reading.dxf import Place, pieces_by_block

if TYPE_CHECKING:
    from ezdxf.entities.dxfentity import DXFEntity
    from shapely import LineString

_SAME_ANGLE = 0.01  # degrees
_SAME = 0.01  # mm, for points, which have no chord error
_LENGTHS = 1e-3  # share by which chords may be shorter than arcs


@dataclass
class _Block:
    """What a block holds, in mm: lines and points by layer, texts that are drawn, texts that are read."""

    lines: dict[str, list[Polyline]] = field(default_factory=lambda: defaultdict(list))
    points: dict[str, list[tuple[Point, float, float]]] = field(default_factory=lambda: defaultdict(list))
    texts: list[FoundText] = field(default_factory=list)
    fields: list[str] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)


def differences_in(draft: Draft, artifact: Artifact) -> Iterable[Difference]:
    """How an interchange file differs from the draft.

    Raises:
        Exception: the library can't read the file.
    """
    from ezdxf.filemanagement import read as read_dxf

    if not artifact.data.isascii():
        yield Difference("it isn't in 7-bit ASCII")
    shown = artifact.shown
    assert shown is not None
    document = read_dxf(StringIO(artifact.data.decode()))
    ids = pieces_by_block(shown, plain=True)
    pieces: list[str] = []
    lines: list[FoundLine] = []
    texts: list[FoundText] = []
    style: list[str] = []
    for entity in document.modelspace():
        kind, layer = entity.dxftype(), entity.dxf.layer
        if kind == "TEXT" and layer == interchange.BOUNDARY:
            style.append(read(entity.dxf.text))
        elif kind != "INSERT" or entity.dxf.name not in ids:
            yield Difference(f"beside its pieces it has a {kind} on layer {layer}")
        else:
            piece = draft.piece(ids[entity.dxf.name])
            pieces.append(piece.id)
            block = _read_block(document.blocks[entity.dxf.name], 1.0 / shown.scale)
            for reason in (*block.faults, *_own_differences(draft, piece, block, shown.tolerance)):
                yield Difference(reason, piece.id)
            if (entity.dxf.xscale, entity.dxf.yscale) != (1.0, 1.0):
                yield Difference("it is inserted scaled", piece.id)
            x, y, _ = entity.dxf.insert
            place = Place(entity.dxf.rotation, (x / shown.scale, y / shown.scale))
            _show(lines, texts, block, place, piece.id, shown.scale)
    units = next(name for name, unit in interchange.UNITS.items() if abs(unit * shown.scale - 1.0) < 1e-9)
    yield from map(Difference, _unsaid(interchange.style_fields(draft, units, ""), style))
    yield from differences(draft, shown, Found(tuple(lines), tuple(texts), tuple(pieces)), spelling=seven_bit)


def _read_block(block: Iterable[DXFEntity], unit: float) -> _Block:
    """A block's entities in mm."""
    content = _Block()
    for entity in block:
        kind, layer, dxf = entity.dxftype(), entity.dxf.layer, entity.dxf
        if kind == "POLYLINE":
            points = [(p.x * unit, p.y * unit) for p in entity.points()]  # type: ignore[attr-defined]
            if entity.is_closed:  # type: ignore[attr-defined]
                points.append(points[0])
            content.lines[layer].append(tuple(points))
        elif kind == "LINE":
            content.lines[layer].append(tuple((p.x * unit, p.y * unit) for p in (dxf.start, dxf.end)))
        elif kind == "POINT":
            at = (dxf.location.x * unit, dxf.location.y * unit)
            content.points[layer].append((at, dxf.thickness * unit, dxf.angle))
        elif kind == "TEXT" and layer == interchange.BOUNDARY:
            content.fields.append(read(dxf.text))
        elif kind == "TEXT" and (dxf.halign, dxf.valign) == (1, 2):
            at = (dxf.align_point.x * unit, dxf.align_point.y * unit)
            content.texts.append(FoundText(layer, read(dxf.text), at, dxf.height * unit, dxf.rotation))
        else:
            content.faults.append(f"it has a {kind} on layer {layer}, which no exporter writes")
    return content


def _show(
    lines: list[FoundLine], texts: list[FoundText], block: _Block, place: Place, piece: str, scale: float
) -> None:
    """Add what is compared as in any other file, where it lies and in the file's unit."""

    def placed(points: Iterable[Point]) -> Polyline:
        return tuple((x * scale, y * scale) for x, y in place.points(points))

    for layer, group in block.lines.items():
        if layer not in (interchange.BOUNDARY, interchange.GRAIN):
            # Mirror lines are folds and folds are internal lines; which of them they are is looked at apart.
            known = interchange.INTERNAL if layer == interchange.MIRROR else layer
            lines += [FoundLine(known, placed(points), piece) for points in group]
    for text in block.texts:
        (position,) = placed([text.position])
        angle = text.angle + place.angle
        texts.append(FoundText(text.layer, text.text, position, text.height * scale, angle, piece))


# What only such files have


def _own_differences(draft: Draft, piece: Piece, block: _Block, tolerance: float) -> Iterator[str]:
    yield from _boundary_differences(piece, block, tolerance)
    points = block.points
    yield from _notch_differences(piece, points[interchange.NOTCHES])
    yield from _unequal_points(
        "drill holes",
        [fitting.point for fitting in piece.fittings],
        [at for at, _, _ in points[interchange.DRILL_HOLES]],
    )
    grain = [] if piece.grain is None else [(piece.grain.start, piece.grain.end)]
    found = block.lines[interchange.GRAIN]
    yield from _unequal_lines("grain line", grain, found, _SAME)
    if any(_apart(line[0], there[0]) > _SAME for line, there in zip(grain, found, strict=False)):
        yield "its grain line points elsewhere"
    # Drawing a piece takes a while, and few have a fold.
    folded = any(edge.finish == "fold" for edge in piece.edges)
    mirror = [
        item.path.flatten(FLATTENED)
        for item in (piece_items(piece) if folded else ())
        if isinstance(item, Stroke) and interchange.is_mirror_line(piece, item)
    ]
    yield from _unequal_lines("mirror line", mirror, block.lines[interchange.MIRROR], tolerance)
    known = (
        interchange.TURN_POINTS,
        interchange.CURVE_POINTS,
        interchange.NOTCHES,
        interchange.DRILL_HOLES,
    )
    for layer, group in points.items():
        if group and layer not in known:
            yield f"it has points on layer {layer}, which has none"
    yield from _unsaid(interchange.piece_fields(draft, piece), block.fields)


def _boundary_differences(piece: Piece, block: _Block, tolerance: float) -> Iterator[str]:
    boundary = block.lines[interchange.BOUNDARY]
    if len(boundary) != 1 or boundary[0][0] != boundary[0][-1]:
        yield f"it has {len(boundary)} lines on layer {interchange.BOUNDARY}, not one closed boundary"
        return
    outline = piece.outline
    yield from _unequal_lines("boundary", [outline.flatten(FLATTENED)], boundary, tolerance)
    turns = [at for at, _, _ in block.points[interchange.TURN_POINTS]]
    curves = [at for at, _, _ in block.points[interchange.CURVE_POINTS]]
    # What turns by hardly more or less than the limit may be either.
    yield from _missing_points("turn points", _corners(outline, interchange.LEAST_TURN + 0.1), turns)
    yield from _missing_points("corners", turns, _corners(outline, interchange.LEAST_TURN - 0.1))
    yield from _unequal_points("turn and curve points", boundary[0][:-1], [*turns, *curves])


def _corners(outline: Path, least: float) -> list[Point]:
    """Where a closed outline turns by more than so many degrees."""
    found: list[Point] = []
    for at in outline.joints:
        arriving, leaving = outline.tangent_before(at), outline.tangent_at(at)
        if degrees(atan2(abs(cross(arriving, leaving)), dot(arriving, leaving))) > least:
            found.append(outline.point_at(at))
    return found


def _notch_differences(piece: Piece, found: Sequence[tuple[Point, float, float]]) -> Iterator[str]:
    wanted = interchange.notch_points(piece)
    yield from _unequal_points("notches", [n.point for n in wanted], [at for at, _, _ in found])
    for notch in wanted:
        near = [other for other in found if _apart(other[0], notch.point) <= _SAME]
        if near and not any(
            abs(depth - notch.depth) <= _SAME
            and abs((angle - notch.angle + 180.0) % 360.0 - 180.0) <= _SAME_ANGLE
            for _, depth, angle in near
        ):
            x, y = notch.point
            yield f"the notch at {x:.1f}, {y:.1f} mm hasn't its depth and direction"


def _unequal_points(what: str, wanted: Iterable[Point], found: Iterable[Point]) -> Iterator[str]:
    """Say so unless each point has one of its own within a hundredth of a millimetre."""
    missing, left = _matched(wanted, found)
    yield from (f"of its {what} the one at {x:.1f}, {y:.1f} mm is missing or moved" for x, y in missing[:1])
    if left and not missing:
        yield f"of its {what} {len(left)} aren't the draft's"


def _missing_points(what: str, wanted: Iterable[Point], found: Iterable[Point]) -> Iterator[str]:
    """Say so if a point has none of its own; others may be there besides."""
    missing, _ = _matched(wanted, found)
    yield from (f"of its {what} the one at {x:.1f}, {y:.1f} mm is missing or moved" for x, y in missing[:1])


def _matched(wanted: Iterable[Point], found: Iterable[Point]) -> tuple[list[Point], list[Point]]:
    """Points that have no match of their own, and matches that are nobody's."""
    left: dict[tuple[int, int], list[Point]] = defaultdict(list)
    for x, y in found:
        left[round(x), round(y)].append((x, y))
    missing: list[Point] = []
    for x, y in wanted:
        cells = {(round(x + dx), round(y + dy)) for dx in (-_SAME, _SAME) for dy in (-_SAME, _SAME)}
        near = [
            (cell, other) for cell in sorted(cells) for other in left[cell] if _apart(other, (x, y)) <= _SAME
        ]
        if near:
            cell, other = near[0]
            left[cell].remove(other)
        else:
            missing.append((x, y))
    return missing, [point for group in left.values() for point in group]


def _unequal_lines(
    what: str, wanted: Sequence[Polyline], found: Sequence[Polyline], tolerance: float
) -> Iterator[str]:
    """Say so unless both are as many lines that lie upon each other."""
    from shapely import LineString

    if len(wanted) != len(found):
        yield f"it has {len(found)} lines as its {what}, not {len(wanted)}"
        return
    for line, other in zip(wanted, found, strict=True):
        a, b = LineString(line), LineString(other)
        off = max(_farthest(a, b), _farthest(b, a))
        if off > tolerance + 2.0 * FLATTENED:
            yield f"its {what} is off by up to {off:.3f} mm"
        elif abs(a.length - b.length) > _LENGTHS * a.length + tolerance:
            yield f"its {what} is {b.length:.1f} mm long, not {a.length:.1f}"


def _farthest(line: LineString, other: LineString) -> float:
    """How far one line strays from another, looked at every 2 mm."""
    from shapely import distance, get_coordinates, points, prepare

    prepare(other)
    return float(distance(other, points(get_coordinates(line.segmentize(2.0)))).max())


def _unsaid(fields: Iterable[tuple[str, str]], found: Iterable[str]) -> Iterator[str]:
    """Fields that a file lacks, or has in other words."""
    left = Counter(found)
    for name, text in fields:
        line = f"{name}: {seven_bit(text)}"
        if not left[line]:
            yield f"it doesn't say {line!r}"


def _apart(a: Point, b: Point) -> float:
    return hypot(a[0] - b[0], a[1] - b[1])
