"""The geometry of a bicycle as charts give it: axes of its tubes, the opening inside them, what must agree.

The bottom bracket's centre is the origin, the front lies along +x, y upward, the drive side facing the
reader. Values are in mm and degrees, by the names that they have in `[sources.chart]`. Definitions are those
that charts share: stack and reach from the bottom bracket's centre to the centre of the head tube's top,
angles from the horizontal, the effective top tube level from the head tube's top to the seat tube's axis.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import cos, hypot, radians, sin, sqrt, tan
from typing import TYPE_CHECKING

from oaktag.geometry import Point, cross, left_normal, shifted, subtract, unit

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

Values = Mapping[str, float]

TUBES = ("top-tube", "head-tube", "down-tube", "seat-tube")
"""Clockwise as seen from the drive side."""

ANGLES = frozenset({"seat-angle", "head-angle"})
"""Values in degrees; every other is in mm."""

OPENING = (
    "reach",
    "stack",
    "seat-angle",
    "head-angle",
    "head-tube",
    "seat-tube-centre-to-centre",
    "seat-tube-centre-to-top",
    "seat-tube-offset",
    "top-tube-below-seat-top",
    "top-tube-below-head-top",
    "down-tube-above-head-bottom",
    "diameters.top-tube",
    "diameters.head-tube",
    "diameters.down-tube",
    "diameters.seat-tube",
)
"""Values that the opening depends on."""

# A step for differences: far above rounding, far below what bends a relation.
_STEP = 1e-3
# Lines that meet at less than this, radians, meet nowhere in particular.
_PARALLEL = 0.02


class ChartError(Exception):
    """Values that no bicycle has.

    Attributes:
        name: the value to look at.
        reason: why, in words.
        valid: what would do.
    """

    def __init__(self, name: str, reason: str, valid: str) -> None:
        super().__init__(f"{name}: {reason}")
        self.name = name
        self.reason = reason
        self.valid = valid


# -------------------------------------------------------------------------------------------------- opening


def diameter_name(tube: str) -> str:
    """The name of a tube's outside diameter among the values."""
    return f"diameters.{tube}"


def axes(values: Values) -> dict[str, tuple[Point, Point]]:
    """Two points on the axis of each tube, in the direction in which the opening runs round.

    The seat tube's axis passes the bottom bracket's centre, or `seat-tube-offset` ahead of it, at the seat
    angle; the head tube's axis passes the end of reach and stack at the head angle. The top tube's axis joins
    a point on either: up the seat tube centre to centre, or its top less `top-tube-below-seat-top`; down the
    head tube by `top-tube-below-head-top`. The down tube's axis joins the bottom bracket's centre to the
    point `down-tube-above-head-bottom` on the head tube.

    Args:
        values: of a chart.

    Raises:
        ChartError: the axes meet nowhere on the tubes.
    """
    seat, head = radians(values["seat-angle"]), radians(values["head-angle"])
    up_seat, down_head = (-cos(seat), sin(seat)), (cos(head), -sin(head))
    bottom_bracket = (0.0, 0.0)
    seat_foot = (values.get("seat-tube-offset", 0.0), 0.0)
    head_top = (values["reach"], values["stack"])
    head_bottom = shifted(head_top, down_head, values["head-tube"])
    if "seat-tube-centre-to-centre" in values:
        along_seat = values["seat-tube-centre-to-centre"]
    else:
        along_seat = values["seat-tube-centre-to-top"] - values["top-tube-below-seat-top"]
        if not along_seat > 0.0:
            raise ChartError(
                "top-tube-below-seat-top",
                "puts the top tube below the bottom bracket",
                f"less than the seat tube's {values['seat-tube-centre-to-top']:g} mm",
            )
    below, above = values["top-tube-below-head-top"], values["down-tube-above-head-bottom"]
    if below + above >= values["head-tube"]:
        raise ChartError(
            "head-tube",
            f"is too short: the top tube's axis lies {below:.1f} mm below its top, the down tube's "
            f"{above:.1f} mm above its bottom",
            f"more than {below + above:.1f} mm",
        )
    top_at_seat = shifted(seat_foot, up_seat, along_seat)
    top_at_head = shifted(head_top, down_head, below)
    down_at_head = shifted(head_bottom, down_head, -above)
    return {
        "top-tube": (top_at_seat, top_at_head),
        "head-tube": (head_top, head_bottom),
        "down-tube": (down_at_head, bottom_bracket),
        "seat-tube": (seat_foot, top_at_seat),
    }


def inner_corners(values: Values, tubes: Sequence[str]) -> tuple[Point, ...]:
    """Where the inner sides of neighbouring tubes meet, in mm: corner `i` lies before tube `i`.

    The inner side of a tube is its axis moved into the opening by half the diameter; at the bottom bracket it
    is where the inner sides of down tube and seat tube meet, whatever the shell's size.

    Args:
        values: of a chart, with the diameters of these tubes.
        tubes: round the opening, clockwise.

    Raises:
        ChartError: the axes meet nowhere on the tubes, or neighbours are parallel.
    """
    of_tube = axes(values)
    sides: list[tuple[Point, Point]] = []
    for tube in tubes:
        start, end = of_tube[tube]
        direction = unit(subtract(end, start))
        sides.append((shifted(start, left_normal(direction), -0.5 * values[diameter_name(tube)]), direction))
    corners: list[Point] = []
    for index, (point, direction) in enumerate(sides):
        other, before = sides[index - 1]
        turn = cross(before, direction)
        if abs(turn) < _PARALLEL:
            raise ChartError(
                "stack",
                f"makes {tubes[index - 1]} and {tubes[index]} parallel",
                "tubes that meet",
            )
        corners.append(shifted(other, before, cross(subtract(point, other), direction) / turn))
    return tuple(corners)


def derivatives(
    function: Callable[[Values], Sequence[float]], values: Values, names: Iterable[str]
) -> NDArray[np.float64]:
    """Derivatives of a function of the values, by central differences: (results, names)."""
    import numpy as np

    columns = [
        (
            np.array(function({**values, name: values[name] + _STEP}))
            - np.array(function({**values, name: values[name] - _STEP}))
        )
        / (2.0 * _STEP)
        for name in names
    ]
    return np.column_stack(columns)


# -------------------------------------------------------------------------------------------- what must agree


def effective_top_tube(values: Values) -> float:
    """Level distance from the centre of the head tube's top to the seat tube's axis.

    Reach plus stack over the tangent of the seat angle.
    """
    return (
        values["reach"]
        - values.get("seat-tube-offset", 0.0)
        + values["stack"] / tan(radians(values["seat-angle"]))
    )


def axle_foot(values: Values) -> float:
    """Distance along the steering axis from the head tube's top to the foot of the front axle.

    The axle lies above the bottom bracket's centre by the drop, and ahead of the axis by the fork's rake:
    (S - drop + rake cos θ) / sin θ with the head angle θ.
    """
    head = radians(values["head-angle"])
    return (values["stack"] - values["bottom-bracket-drop"] + values["fork-rake"] * cos(head)) / sin(head)


def front_centre_level(values: Values) -> float:
    """Level distance from the bottom bracket's centre to the front axle."""
    head = radians(values["head-angle"])
    return values["reach"] + axle_foot(values) * cos(head) + values["fork-rake"] * sin(head)


def front_centre(values: Values) -> float:
    """Distance from the bottom bracket's centre to the front axle."""
    return hypot(front_centre_level(values), values["bottom-bracket-drop"])


def wheelbase(values: Values) -> float:
    """Distance between the axles: both lie above the bottom bracket's centre by the drop.

    Raises:
        ChartError: the chainstay is shorter than the drop.
    """
    return _leg("chainstay", "bottom-bracket-drop", values) + front_centre_level(values)


def lower_stack(values: Values) -> float:
    """Height of the headset between the head tube and the fork's crown, along the steering axis.

    Raises:
        ChartError: the fork is shorter than its rake.
    """
    return axle_foot(values) - values["head-tube"] - _leg("fork-length", "fork-rake", values)


def _leg(hypotenuse: str, other: str, values: Values) -> float:
    square = values[hypotenuse] ** 2 - values[other] ** 2
    if square <= 0.0:
        raise ChartError(hypotenuse, f"is shorter than {other}", f"more than {abs(values[other]):g} mm")
    return sqrt(square)


@dataclass(frozen=True, slots=True)
class Relation:
    """A value that charts give although others make it.

    Attributes:
        name: of the value.
        needs: the values that make it.
        compute: makes it.
    """

    name: str
    needs: tuple[str, ...]
    compute: Callable[[Values], float]


_TO_AXLE = ("reach", "stack", "head-angle", "bottom-bracket-drop", "fork-rake")

RELATIONS = (
    Relation("effective-top-tube", ("reach", "stack", "seat-angle"), effective_top_tube),
    Relation("front-centre", _TO_AXLE, front_centre),
    Relation("wheelbase", (*_TO_AXLE, "chainstay"), wheelbase),
    Relation(
        "lower-stack",
        ("stack", "head-angle", "bottom-bracket-drop", "fork-rake", "head-tube", "fork-length"),
        lower_stack,
    ),
)
"""Everything that can be checked within a chart."""
