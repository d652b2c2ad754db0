"""Lines, circular arcs, free curves and paths, measured by arc length in mm.

Everything is immutable; y points upward; left and right are as seen when travelling along a shape.
"""

from __future__ import annotations

from .box import Box
from .curve import Curve
from .errors import FilletError, GeometryError, OffsetError
from .fillet import Fillet, round_corner
from .intersect import intersections
from .offset import CornerForm, offset_outline
from .path import Path, Segment
from .segments import Arc, Line
from .transform import Transform
from .vector import (
    Point,
    add,
    cross,
    distance,
    dot,
    left_normal,
    lerp,
    midpoint,
    norm,
    rotate,
    scale,
    shifted,
    signed_angle,
    subtract,
    unit,
)

__all__ = [
    "Arc",
    "Box",
    "CornerForm",
    "Curve",
    "Fillet",
    "FilletError",
    "GeometryError",
    "Line",
    "OffsetError",
    "Path",
    "Point",
    "Segment",
    "Transform",
    "add",
    "cross",
    "distance",
    "dot",
    "intersections",
    "left_normal",
    "lerp",
    "midpoint",
    "norm",
    "offset_outline",
    "rotate",
    "round_corner",
    "scale",
    "shifted",
    "signed_angle",
    "subtract",
    "unit",
]
