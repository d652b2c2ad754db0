"""Traced drawings for tests: SVG as text, DXF by ezdxf."""

from __future__ import annotations

import cmath
import io
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from ezdxf.filemanagement import new
from shapely.geometry import LinearRing

from oaktag.geometry import Point

if TYPE_CHECKING:
    from ezdxf.document import Drawing
    from ezdxf.layouts.layout import Modelspace

MM = 'width="600mm" height="600mm" viewBox="0 0 600 600"'


def svg(text: str, head: str = MM) -> bytes:
    """An SVG file."""
    return f'<?xml version="1.0"?>\n<svg xmlns="http://www.w3.org/2000/svg" {head}>{text}</svg>'.encode()


class Dxf:
    """A DXF file in the making."""

    def __init__(self, version: str = "R2010", unit: int = 4) -> None:
        self.document: Drawing = new(version)
        self.document.header["$INSUNITS"] = unit
        self.space: Modelspace = self.document.modelspace()

    def polyline(self, points: Sequence[tuple[float, float, float]], layer: str = "0") -> str:
        """Add a closed polyline of points with their bulges; its handle."""
        attributes = {"layer": layer}
        if self.document.dxfversion == "AC1009":
            old = self.space.add_polyline2d(points, format="xyb", close=True, dxfattribs=attributes)
            return str(old.dxf.handle)
        added = self.space.add_lwpolyline(points, format="xyb", close=True, dxfattribs=attributes)
        return str(added.dxf.handle)

    def data(self) -> bytes:
        """The file."""
        stream = io.StringIO()
        self.document.write(stream)
        return stream.getvalue().encode()


def turned_by_bulges(points: Sequence[Point], bulges: Sequence[float]) -> list[float]:
    """By how many degrees the direction turns at each corner of a polygon whose sides are arcs."""
    turns = []
    for index in range(len(points)):
        (ax, ay), (bx, by), (cx, cy) = (points[index - 1], points[index], points[(index + 1) % len(points)])
        before = math.atan2(by - ay, bx - ax) + 2.0 * math.atan(bulges[index - 1])
        after = math.atan2(cy - by, cx - bx) - 2.0 * math.atan(bulges[index])
        turns.append(math.degrees(math.remainder(after - before, math.tau)))
    return turns


def is_simple(points: Sequence[Point], bulges: Sequence[float]) -> bool:
    """Whether a polygon whose sides are arcs neither crosses nor nearly touches itself."""
    flat: list[Point] = []
    for index, ((ax, ay), bulge) in enumerate(zip(points, bulges, strict=True)):
        bx, by = points[(index + 1) % len(points)]
        half = 2.0 * math.atan(bulge)  # half the sweep
        for t in np.linspace(0.0, 1.0, 200, endpoint=False).tolist():
            # The angle between a chord and its arc's tangent is half the sweep over that chord.
            share = math.sin(t * half) / math.sin(half) if bulge else t
            point = complex(ax, ay) + complex(bx - ax, by - ay) * cmath.rect(share, (t - 1.0) * half)
            flat.append((point.real, point.imag))
    ring = LinearRing(flat)
    return bool(ring.is_simple)


def arc_data(points: Sequence[Point], bulges: Sequence[float]) -> str:
    """A closed polygon whose sides are arcs as path data; points with y downward, bulges as with y upward."""
    parts = [f"M{points[0][0]!r} {points[0][1]!r}"]
    for index, bulge in enumerate(bulges):
        start, end = points[index], points[(index + 1) % len(points)]
        if bulge:
            radius = math.dist(start, end) * (1.0 + bulge**2) / (4.0 * abs(bulge))
            parts.append(
                f"A{radius!r} {radius!r} 0 {int(abs(bulge) > 1)} {int(bulge < 0)} {end[0]!r} {end[1]!r}"
            )
        else:
            parts.append(f"L{end[0]!r} {end[1]!r}")
    return "".join(parts) + "z"
