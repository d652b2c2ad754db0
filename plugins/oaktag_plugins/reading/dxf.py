"""Reading DXF files back with dxfgrabber, which wrote none of them."""

from __future__ import annotations

import gc
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from io import StringIO
from math import acos, ceil, cos, degrees, pi, radians, sin
from typing import TYPE_CHECKING, Any

from oaktag import Draft
from oaktag.geometry import Point
from oaktag.pattern import Artifact
from oaktag.pattern.lettering import Polyline
from oaktag.pattern.read_back import FLATTENED, Difference, Found, FoundLine, FoundText, differences
from oaktag_plugins.exporting.dxf_layers import block_names
from oaktag_plugins.exporting.dxf_text import plain, printable, read

if TYPE_CHECKING:
    from oaktag.pattern.shown import Shown

_MILLIMETRES, _METRIC = 4, 1
_MODERN, _PLAIN = "AC1024", "AC1009"
_CENTRE, _MIDDLE = 1, 2  # group codes 72 and 73


def differences_in(draft: Draft, artifact: Artifact) -> Iterable[Difference]:
    """How a DXF R2010 file differs from the draft.

    Raises:
        Exception: the library can't read the file.
    """
    drawing = parsed(artifact.data)
    for name, wanted in (("$INSUNITS", _MILLIMETRES), ("$MEASUREMENT", _METRIC)):
        if drawing.header.get(name) != wanted:
            yield Difference(f"its header has {name} {drawing.header.get(name)}, not {wanted}")
    yield from _differences(draft, artifact, drawing, _MODERN, plain_names=False, spelling=printable)


def plain_differences_in(draft: Draft, artifact: Artifact) -> Iterable[Difference]:
    """How a DXF R12 file differs from the draft.

    Raises:
        Exception: the library can't read the file.
    """
    yield from _differences(draft, artifact, parsed(artifact.data), _PLAIN, plain_names=True, spelling=plain)


def _differences(
    draft: Draft,
    artifact: Artifact,
    drawing: Any,
    version: str,
    *,
    plain_names: bool,
    spelling: Callable[[str], str],
) -> Iterator[Difference]:
    if drawing.dxfversion != version:
        yield Difference(f"it says that it is {drawing.dxfversion}, not {version}")
    shown = artifact.shown
    assert shown is not None
    pieces = pieces_by_block(shown, plain=plain_names)
    content = read_content(drawing, pieces)
    yield from content.faults
    known = {layer.name.upper() for layer in drawing.layers}
    used = (*(line.layer for line in content.lines), *(text.layer for text in content.texts))
    for name in dict.fromkeys(used):
        if name.upper() not in known:
            yield Difference(f"its table of layers lacks {name}")
    yield from differences(draft, shown, content.found(), spelling=spelling)


@contextmanager
def _no_collection() -> Iterator[None]:
    """No look for garbage meanwhile: among a million tags it takes longer than reading them."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def parsed(data: bytes) -> Any:
    """A DXF file as dxfgrabber has it.

    Raises:
        Exception: the library can't read the file.
    """
    import dxfgrabber

    with _no_collection():
        return dxfgrabber.read(StringIO(data.decode()))


def pieces_by_block(shown: Shown, *, plain: bool) -> dict[str, str]:
    """Ids of the pieces by the names of their blocks."""
    names = block_names((p.piece for page in shown.pages for p in page.placements), plain=plain)
    return {name: piece for piece, name in names.items()}


@dataclass
class Content:
    """What a file shows, and what can't be made sense of."""

    lines: list[FoundLine] = field(default_factory=list)
    texts: list[FoundText] = field(default_factory=list)
    pieces: list[str] = field(default_factory=list)
    faults: list[Difference] = field(default_factory=list)

    def found(self) -> Found:
        """All of it; a file without blocks names no pieces."""
        return Found(tuple(self.lines), tuple(self.texts), tuple(self.pieces) or None)


def read_content(drawing: Any, pieces: Mapping[str, str]) -> Content:
    """What model space shows, its blocks where they are inserted.

    Args:
        drawing: as `parsed` has it.
        pieces: ids, by the names of their blocks.
    """
    content = Content()
    for entity in drawing.entities:
        if entity.dxftype != "INSERT":
            _add(content, entity, "", Place())
            continue
        block = drawing.blocks.get(entity.name)
        if block is None or entity.name not in pieces:
            content.faults.append(Difference(f"it inserts {entity.name}, which is no piece"))
            continue
        if tuple(entity.scale) != (1.0, 1.0, 1.0) or max(entity.row_count, entity.col_count) > 1:
            content.faults.append(
                Difference(f"it inserts {entity.name} scaled or repeatedly", pieces[entity.name])
            )
        content.pieces.append(pieces[entity.name])
        base, at = block.basepoint, entity.insert
        place = Place(entity.rotation, (at[0] - base[0], at[1] - base[1]), (base[0], base[1]))
        for inner in block:
            _add(content, inner, pieces[entity.name], place)
    return content


class Place:
    """Turns points by degrees about a block's base point, then moves them."""

    def __init__(self, angle: float = 0.0, move: Point = (0.0, 0.0), about: Point = (0.0, 0.0)) -> None:
        self.angle = angle
        self._cos, self._sin = (cos(radians(angle)), sin(radians(angle))) if angle else (1.0, 0.0)
        x, y = about
        self._dx = move[0] + x - (self._cos * x - self._sin * y)
        self._dy = move[1] + y - (self._sin * x + self._cos * y)

    def points(self, points: Iterable[tuple[float, ...]]) -> Polyline:
        """Points where they lie."""
        c, s, dx, dy = self._cos, self._sin, self._dx, self._dy
        return tuple([(c * p[0] - s * p[1] + dx, s * p[0] + c * p[1] + dy) for p in points])


def _add(content: Content, entity: Any, piece: str, place: Place) -> None:
    if entity.dxftype == "TEXT":
        if (entity.halign, entity.valign) != (_CENTRE, _MIDDLE):
            content.faults.append(Difference(f"the text {entity.text!r} isn't set about its middle", piece))
            return
        (position,) = place.points([entity.align_point])
        content.texts.append(
            FoundText(
                entity.layer,
                read(entity.text),
                position,
                entity.height,
                entity.rotation + place.angle,
                piece,
            )
        )
        return
    points = points_of(entity)
    if points is None:
        content.faults.append(Difference(f"it has a {entity.dxftype}, which no exporter writes", piece))
    else:
        content.lines.append(FoundLine(entity.layer, place.points(points), piece))


def points_of(entity: Any) -> list[tuple[float, ...]] | None:
    """An entity as points whose chords stay within `FLATTENED`; None if it is none that exporters write."""
    kind = entity.dxftype
    if kind == "LINE":
        return [entity.start, entity.end]
    if kind == "ARC":
        return _arc(entity.center, entity.radius, entity.start_angle, entity.end_angle)
    if kind == "SPLINE":
        return _spline(entity)
    if kind in ("LWPOLYLINE", "POLYLINE"):
        return _polyline(entity)
    return None


def _arc(center: tuple[float, ...], radius: float, start: float, end: float) -> list[tuple[float, ...]]:
    """A counter-clockwise arc between two directions in degrees."""
    sweep = radians((end - start) % 360.0) or 2.0 * pi
    step = 2.0 * acos(1.0 - FLATTENED / radius) if radius > FLATTENED else pi
    count = max(1, ceil(sweep / step))
    first = radians(start)
    angles = [first + sweep * number / count for number in range(count + 1)]
    return [(center[0] + radius * cos(angle), center[1] + radius * sin(angle)) for angle in angles]


def _spline(entity: Any) -> list[tuple[float, ...]]:
    from ezdxf.math import BSpline

    spline = BSpline(entity.control_points, order=entity.degree + 1, knots=entity.knots)
    return [(point.x, point.y) for point in spline.flattening(FLATTENED)]


def _polyline(entity: Any) -> list[tuple[float, ...]]:
    points: list[tuple[float, ...]] = list(entity.points)
    if entity.is_closed:
        points.append(points[0])
    if not any(entity.bulge):
        return points
    from ezdxf.math import bulge_to_arc

    chords: list[tuple[float, ...]] = [points[0]]
    for number, end in enumerate(points[1:]):
        start, bulge = points[number], entity.bulge[number]
        if bulge:
            center, first, last, radius = bulge_to_arc(start, end, bulge)
            arc = _arc((center.x, center.y), radius, degrees(first), degrees(last))
            chords += (arc if bulge > 0.0 else arc[::-1])[1:-1]
        chords.append(end)
    return chords
