"""Reading a traced drawing from DXF."""

from __future__ import annotations

import io
import itertools
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from math import cos, radians, sin, tau
from typing import TYPE_CHECKING, Any

from oaktag.geometry import Curve
from oaktag.recipe import listed, meant, show
from oaktag_plugins.sources.trace_drawing import (
    MOST_PRIMITIVES,
    Drawing,
    DrawingError,
    Primitive,
    Strand,
    elliptical_arc,
    strand,
)

if TYPE_CHECKING:
    from ezdxf.document import Drawing as Document
    from ezdxf.entities.arc import Arc
    from ezdxf.entities.circle import Circle
    from ezdxf.entities.dxfentity import DXFEntity
    from ezdxf.entities.ellipse import Ellipse
    from ezdxf.entities.line import Line
    from ezdxf.entities.lwpolyline import LWPolyline
    from ezdxf.entities.polyline import Polyline
    from ezdxf.entities.spline import Spline
    from ezdxf.math import OCS, BSpline, Vec3

    Spatial = Sequence[Vec3]
    """A primitive in space."""

# No trace needs more, and their evaluation takes time.
_MOST_CONTROL_POINTS = 2_000
_HIGHEST_DEGREE = 11
_DEEPEST = 8  # blocks within blocks; deeper ones are left out, named as what they are
# How far a curve may stray from a spline that is no run of cubic curves, as a share of the spline's size.
_SPLINE_TOLERANCE = 1e-6
# How far from level, as a share of its size, numbers written with few digits leave what is flat.
_FLATNESS = 1e-6
# mm of $INSUNITS (DXF reference, HEADER section); each exact by definition.
_UNITS = {
    1: ("inches", 25.4),
    2: ("feet", 304.8),
    4: ("mm", 1.0),
    5: ("cm", 10.0),
    6: ("metres", 1000.0),
    10: ("yards", 914.4),
    13: ("microns", 0.001),
    14: ("decimetres", 100.0),
}
_POLYLINE_SPLINE_FIT = 4  # bits of group 70 of a POLYLINE
_POLYLINE_MESHES = 16 | 64
_BINARY = b"AutoCAD Binary DXF"  # how the format's binary form begins


def read_dxf(data: bytes, layer: str) -> Drawing:
    """The lines, arcs, polylines, splines, ellipses and circles of a DXF file's model space or of its blocks.

    Args:
        data: the file.
        layer: to read alone; empty for every layer that is shown.

    Raises:
        DrawingError: it is no text DXF file, isn't flat, or has nothing to read.
    """
    document = _document(data)
    space = list(_entities(document, layer))
    _check_layer(layer, sorted({entity.dxf.layer for entity, _ in space}, key=str.lower))
    strands: list[Strand] = []
    left_out: Counter[str] = Counter()
    count = 0
    for entity, handle in space:
        here = entity.dxf.layer
        if layer and here.lower() != layer.lower():
            continue
        if not layer and not _shown(document, here):
            left_out[f"{entity.dxftype()} on a layer that is off"] += 1
            continue
        name = f"{entity.dxftype()} {handle} on layer {show(here)}"
        pieces = _pieces(entity, name)
        if pieces is None:
            left_out[entity.dxftype()] += 1
            continue
        for piece in pieces:
            count += len(piece)
            if count > MOST_PRIMITIVES:
                raise DrawingError(
                    "has too many lines for a trace",
                    found=f"more than {MOST_PRIMITIVES:,}",
                    valid="one outline of straight lines, arcs and curves",
                    todo="choose a layer, or simplify the outline where it was drawn",
                )
            one = strand([_flat(primitive, name) for primitive in piece], name, [handle])
            if one is not None:
                strands.append(one)
    words = tuple(f"{number} {kind}" for kind, number in sorted(left_out.items()))
    factor, scale = _scale(document)
    return Drawing(tuple(strands), factor, scale, y_down=False, left_out=words)


def _entities(document: Document, layer: str) -> Iterator[tuple[DXFEntity, str]]:
    """What can be read, with handles: the model space, or its blocks where the layer has nothing else."""
    space = document.modelspace()
    own = [entity for entity in space if entity.dxftype() != "INSERT"]
    if any(not layer or entity.dxf.layer.lower() == layer.lower() for entity in own):
        yield from ((entity, entity.dxf.handle or "") for entity in space)
    else:
        yield from _unpacked(space)


def _unpacked(entities: Iterable[DXFEntity], depth: int = 0) -> Iterator[tuple[DXFEntity, str]]:
    """Entities with handles; in place of a block's insertion what it inserts, with the handles there."""
    from ezdxf.entities.insert import Insert

    for entity in entities:
        if isinstance(entity, Insert) and depth < _DEEPEST:
            yield from _unpacked(entity.virtual_entities(), depth + 1)
        else:
            source = entity.source_of_copy or entity
            yield entity, source.dxf.handle or ""


def _document(data: bytes) -> Document:
    from ezdxf import recover

    def refused(found: str, todo: str = "save the drawing again as DXF, as text") -> DrawingError:
        return DrawingError("can't be read as DXF", found=found, valid="a DXF file, as text", todo=todo)

    if data.startswith(_BINARY):
        raise refused("a binary DXF file")
    if not data.strip():
        raise refused("an empty file")
    try:
        document, _ = recover.read(io.BytesIO(data))
    # A broken file makes the library fail in any way at all; none of them is the program's fault.
    except Exception as error:
        words = " ".join(str(error).split())[:120]
        raise refused(f"{type(error).__name__}: {words}" if words else type(error).__name__) from error
    return document


def _check_layer(layer: str, layers: Sequence[str]) -> None:
    if layer and layer.lower() not in map(str.lower, layers):
        raise DrawingError(
            "has nothing on a layer of this name",
            found=show(layer),
            valid=listed(layers),
            todo=meant(layer, layers, "name a layer that is drawn on"),
            key="layer",
        )


def _shown(document: Document, layer: str) -> bool:
    if layer not in document.layers:
        return True
    entry = document.layers.get(layer)
    return not (entry.is_off() or entry.is_frozen())


def _scale(document: Document) -> tuple[float | None, str]:
    """Millimetres per drawing unit, and how the file says it."""
    unit = document.header.get("$INSUNITS", 0)
    if unit not in _UNITS:
        return None, f"$INSUNITS {unit}, no length" if unit else "the file names no unit ($INSUNITS)"
    name, factor = _UNITS[unit]
    return factor, f"{name} ($INSUNITS {unit})"


def _flat(primitive: Spatial, name: str) -> Primitive:
    _check_level(primitive, name)
    return tuple((point.x, point.y) for point in primitive)


def _check_level(points: Sequence[Vec3], name: str) -> None:
    heights = [point.z for point in points]
    size = max(points[0].distance(point) for point in points)
    if not max(heights) - min(heights) <= _FLATNESS * size:
        raise DrawingError(
            "isn't flat",
            found=f"{name}, from z = {min(heights):g} to {max(heights):g}",
            valid="an outline drawn in a plane z = constant",
            todo="draw it flat, in the top view",
        )


def _pieces(entity: DXFEntity, name: str) -> list[list[Spatial]] | None:
    """What an entity draws, in runs of primitives; None if it isn't of a kind that is read."""
    convert = _CONVERTERS.get(entity.dxftype())
    if convert is None or (entity.dxftype() == "POLYLINE" and not _is_plain(entity)):
        return None
    try:
        return convert(entity, name)
    except DrawingError:
        raise
    # An entity with nonsense in it makes the library fail in any way at all.
    except Exception as error:
        raise DrawingError(
            "has an entity that can't be read",
            found=f"{name}: {type(error).__name__}",
            valid="lines, arcs, polylines, splines, ellipses",
            todo="remove it, or draw it again",
        ) from error


def _is_plain(entity: DXFEntity) -> bool:
    """Whether a POLYLINE is one, and no mesh, nor has the points of the curve beside those of its frame."""
    return not entity.dxf.flags & (_POLYLINE_SPLINE_FIT | _POLYLINE_MESHES)


def _line(entity: Line, name: str) -> list[list[Spatial]]:
    return [[(entity.dxf.start, entity.dxf.end)]]


def _arc(entity: Arc, name: str) -> list[list[Spatial]]:
    start = entity.dxf.start_angle
    return [[_circular(entity, start, (entity.dxf.end_angle - start) % 360.0 or 360.0)]]


def _circle(entity: Circle, name: str) -> list[list[Spatial]]:
    return [[_circular(entity, 0.0, 180.0), _circular(entity, 180.0, 180.0)]]


def _circular(entity: Arc | Circle, start: float, sweep: float) -> Spatial:
    """Three points of an arc, angles in degrees in the entity's own axes."""
    from ezdxf.math import Vec3

    center, radius = entity.dxf.center, entity.dxf.radius
    angles = (radians(start + sweep * share) for share in (0.0, 0.5, 1.0))
    points = (center + Vec3(cos(angle), sin(angle)) * radius for angle in angles)
    return tuple(entity.ocs().points_to_wcs(points))


def _lwpolyline(entity: LWPolyline, name: str) -> list[list[Spatial]]:
    from ezdxf.math import Vec3

    vertices = [(Vec3(x, y, entity.dxf.elevation), bulge) for x, y, bulge in entity.get_points("xyb")]
    return _bulging(vertices, entity.closed, entity.ocs())


def _polyline(entity: Polyline, name: str) -> list[list[Spatial]]:
    from ezdxf.math import OCS, Vec3

    if entity.is_3d_polyline:
        return _bulging([(v.dxf.location, 0.0) for v in entity.vertices], entity.is_closed, OCS())
    height = entity.dxf.elevation.z
    vertices = [(Vec3(v.dxf.location.x, v.dxf.location.y, height), v.dxf.bulge) for v in entity.vertices]
    return _bulging(vertices, entity.is_closed, entity.ocs())


def _bulging(vertices: Sequence[tuple[Vec3, float]], closed: bool, ocs: OCS) -> list[list[Spatial]]:
    """A polyline whose sides may be arcs: a bulge is the tangent of a quarter of the arc's sweep.

    The arc's rise over its chord is then half the chord times the bulge, to the right of travel if the bulge
    is above 0 (counter-clockwise).
    """
    from ezdxf.math import Vec3

    run: list[Spatial] = []
    for (start, bulge), (end, _) in itertools.pairwise([*vertices, *(vertices[:1] if closed else ())]):
        points = [start, end]
        if bulge:
            across = end - start
            points.insert(1, start.lerp(end) + Vec3(across.y, -across.x) * (bulge / 2.0))
        run.append(tuple(ocs.points_to_wcs(points)))
    return [run]


def _ellipse(entity: Ellipse, name: str) -> list[list[Spatial]]:
    from ezdxf.math import Vec3

    shape = entity.construction_tool()
    height = shape.center.z
    _check_level([shape.center, shape.center + shape.major_axis, shape.center + shape.minor_axis], name)
    sweep = (shape.end_param - shape.start_param) % tau or tau
    curves = elliptical_arc(
        (shape.center.x, shape.center.y),
        (shape.major_axis.x, shape.major_axis.y),
        (shape.minor_axis.x, shape.minor_axis.y),
        shape.start_param,
        sweep,
    )
    return [[tuple(Vec3(x, y, height) for x, y in curve) for curve in curves]]


def _spline(entity: Spline, name: str) -> list[list[Spatial]]:
    from ezdxf.math import Vec3

    count = max(entity.control_point_count(), entity.fit_point_count())
    if count > _MOST_CONTROL_POINTS or entity.dxf.degree > _HIGHEST_DEGREE:
        raise DrawingError(
            "has a spline that is far too fine for a trace",
            found=f"degree {entity.dxf.degree}, {count} points",
            valid=f"degree {_HIGHEST_DEGREE} and {_MOST_CONTROL_POINTS} points at most",
            todo="simplify it where it was drawn",
        )
    spline = entity.construction_tool()
    if spline.degree == 3 and not spline.is_rational and spline.is_clamped:
        return [[tuple(points) for points in spline.bezier_decomposition()]]
    _check_level(spline.control_points, name)
    height = spline.control_points[0].z
    return [[tuple(Vec3(x, y, height) for x, y in curve) for curve in _approximated(spline)]]


_CONVERTERS: dict[str, Callable[[Any, str], list[list[Spatial]]]] = {
    "ARC": _arc,
    "CIRCLE": _circle,
    "ELLIPSE": _ellipse,
    "LINE": _line,
    "LWPOLYLINE": _lwpolyline,
    "POLYLINE": _polyline,
    "SPLINE": _spline,
}


def _approximated(spline: BSpline) -> Sequence[Primitive]:
    """A flat spline as cubic curves, close enough that no cutter tells the difference.

    Spans between knots are smooth; each is divided further until curves through points of it also meet the
    points between those.
    """
    knots = spline.knots()
    low, high = knots[spline.degree], knots[spline.count]
    spans = sorted({float(knot) for knot in knots if low <= knot <= high})
    box = [point.vec2 for point in spline.control_points]
    size = max(box[0].distance(point) for point in box)
    parts = 4
    while True:
        curves: list[Primitive] = []
        worst = 0.0
        for start, end in itertools.pairwise(spans):
            fine = [start + (end - start) * number / (2 * parts) for number in range(2 * parts + 1)]
            points = [(point.x, point.y) for point in spline.points(fine)]
            # At a knot the direction may jump: ask for it just inside the span.
            ends = [start + (end - start) * share for share in (1e-9, 1.0 - 1e-9)]
            (_, first), (_, last) = spline.derivatives(ends, 1)
            curve = Curve.through(points[::2], (first.x, first.y), (last.x, last.y))
            worst = max([worst, *(curve.nearest(point)[1] for point in points[1::2])])
            curves += curve.beziers
        if worst <= _SPLINE_TOLERANCE * size or len(curves) > _MOST_CONTROL_POINTS:
            return curves
        parts *= 2
