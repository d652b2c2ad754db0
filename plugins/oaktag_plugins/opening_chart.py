"""`opening.chart`: the opening from the geometry chart of a bicycle that isn't on the stand.

A chart gives axes, not inner sides, and says little of where the top tube and the down tube meet the others.
What it doesn't say is assumed, with an uncertainty that says so; what it says twice is checked.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from math import hypot, sqrt
from typing import Annotated, Any

from pydantic import BeforeValidator, Field, model_validator

from oaktag import Draft, Finding, Options, Refusal, StageSpec, hookimpl
from oaktag.geometry import Point, distance, dot, subtract
from oaktag.pattern import Frame
from oaktag.recipe import Angle, Length, NonNegativeLength, PositiveLength, listed, refuse_value
from oaktag_plugins.sources.bicycle_chart import (
    ANGLES,
    OPENING,
    RELATIONS,
    TUBES,
    ChartError,
    Values,
    axes,
    derivatives,
    diameter_name,
    inner_corners,
)
from oaktag_plugins.sources.chart_check import Contradiction, Culprit, checkable, contradiction
from oaktag_plugins.sources.source_table import SourceTable, read_source, source_key, source_refusal
from oaktag_plugins.surveying.estimate import estimated

NAME = "chart"
_TRIANGLE = ("top-tube", "down-tube", "seat-tube")
_SHELL = "bottom-bracket-shell"

# Common practice, no source: mm from a tube's end to the near side of the tube that joins it there, and the
# standard uncertainty of that in frames as they are sold.
_SEAT_TOP_CLEAR = (30.0, 15.0)
_HEAD_END_CLEAR = (15.0, 5.0)
# Common practice, no source: height of a headset's lower half, over integrated and external ones.
_LOWER_STACK = (8.0, 5.0)


class ChartOptions(Options):
    """Options of `opening.chart`: none, what it works with stands on the frame sheet."""


class ChartLength(Options):
    """A length, or a table with its own standard uncertainty."""

    value: PositiveLength
    """As the chart says."""
    sigma: PositiveLength | None = None
    """Standard uncertainty, instead of that from rounding and tolerance."""


class ChartShift(Options):
    """A length that may be negative, or a table with its own standard uncertainty."""

    value: Length
    """As the chart says."""
    sigma: PositiveLength | None = None
    """Standard uncertainty, instead of that from rounding and tolerance."""


class ChartAngle(Options):
    """An angle, or a table with its own standard uncertainty."""

    value: Annotated[Angle, Field(ge=45, le=89)]
    """As the chart says, degrees from the horizontal."""
    sigma: Annotated[Angle, Field(gt=0, le=10)] | None = None
    """Standard uncertainty, instead of that from rounding and tolerance."""


def _as_value(value: Any) -> Any:
    return value if isinstance(value, dict) else {"value": value}


GivenLength = Annotated[ChartLength, BeforeValidator(_as_value)]
GivenShift = Annotated[ChartShift, BeforeValidator(_as_value)]
GivenAngle = Annotated[ChartAngle, BeforeValidator(_as_value)]


class Diameters(Options):
    """Outside diameters of the tubes in the plane of the frame."""

    top_tube: GivenLength
    """Of the top tube; of one that isn't round, its height."""
    down_tube: GivenLength
    """Of the down tube; of one that isn't round, its height."""
    seat_tube: GivenLength
    """Of the seat tube."""
    head_tube: GivenLength | None = None
    """Of the head tube; needed if a side of the opening runs along it."""
    bottom_bracket_shell: GivenLength | None = None
    """Of the bottom bracket's shell, to see whether it stands out into the corner."""


class ChartTable(SourceTable):
    """The table `[sources.chart]`."""

    stack: GivenLength
    """Height of the head tube's top, at its centre, above the bottom bracket's centre."""
    reach: GivenLength
    """Level distance from the bottom bracket's centre forward to the head tube's top, at its centre."""
    seat_angle: GivenAngle
    """Angle of the seat tube's axis from the horizontal: the tube's own, not the effective one."""
    head_angle: GivenAngle
    """Angle of the head tube's axis from the horizontal."""
    head_tube: GivenLength
    """Length of the head tube."""
    seat_tube_centre_to_centre: GivenLength | None = None
    """From the bottom bracket's centre up the seat tube to the axis of the top tube (C-C)."""
    seat_tube_centre_to_top: GivenLength | None = None
    """From the bottom bracket's centre to the top of the seat tube (C-T)."""
    seat_tube_offset: GivenShift | None = None
    """How far ahead of the bottom bracket's centre, at its height, the seat tube's axis passes; else 0."""
    top_tube_below_seat_top: GivenLength | None = None
    """Along the seat tube from its top to the axis of the top tube; assumed if left out."""
    top_tube_below_head_top: GivenLength | None = None
    """Along the head tube from its top to the axis of the top tube; assumed if left out."""
    down_tube_above_head_bottom: GivenLength | None = None
    """Along the head tube from its bottom to the axis of the down tube; assumed if left out."""
    diameters: Diameters
    """Outside diameters of the tubes."""
    effective_top_tube: GivenLength | None = None
    """Level from the head tube's top to the seat tube's axis; only checked."""
    front_centre: GivenLength | None = None
    """From the bottom bracket's centre to the front axle; only checked."""
    wheelbase: GivenLength | None = None
    """From axle to axle; only checked."""
    chainstay: GivenLength | None = None
    """From the bottom bracket's centre to the rear axle; checks the wheelbase."""
    bottom_bracket_drop: GivenShift | None = None
    """How far the bottom bracket's centre lies below the axles; checks what the axles belong to."""
    fork_rake: GivenLength | None = None
    """Offset of the front axle from the steering axis; checks what the axles belong to."""
    fork_length: GivenLength | None = None
    """From the front axle to the fork's crown; checks the head tube's length."""
    lower_stack: GivenShift | None = None
    """Height of the headset below the head tube; about 8 mm is taken if it is left out."""
    length_rounding: NonNegativeLength = 1.0
    """To what lengths are rounded in the chart."""
    angle_rounding: Annotated[Angle, Field(ge=0, le=5)] = 0.1
    """To what angles are rounded in the chart, degrees."""
    length_tolerance: NonNegativeLength = 1.0
    """How far a frame's lengths may be off the chart, either way; frame builders quote 1 mm."""
    angle_tolerance: Annotated[Angle, Field(ge=0, le=5)] = 0.25
    """How far a frame's angles may be off the chart, either way; frame builders quote 0.25 degrees."""

    @model_validator(mode="after")
    def _one_seat_tube(self) -> ChartTable:
        if (self.seat_tube_centre_to_centre is None) == (self.seat_tube_centre_to_top is None):
            raise refuse_value(
                "needs the seat tube's length once",
                "either `seat-tube-centre-to-centre`, or `seat-tube-centre-to-top`",
                "give one of them",
            )
        if self.seat_tube_centre_to_top is None and self.top_tube_below_seat_top is not None:
            raise refuse_value(
                "says twice where the top tube meets the seat tube",
                "`top-tube-below-seat-top` beside `seat-tube-centre-to-top` only",
                "remove top-tube-below-seat-top",
            )
        return self


@dataclass(frozen=True, slots=True)
class Quantity:
    """One value with what is known of it.

    Attributes:
        value: mm or degrees.
        printed: standard uncertainty of the value as the chart means it, from rounding.
        built: the same of the bicycle that was built after the chart.
        assumed: whether it isn't the chart's.
    """

    value: float
    printed: float
    built: float
    assumed: bool = False


def run(draft: Draft, options: ChartOptions) -> Draft:
    """Make the opening from `[sources.chart]`.

    Raises:
        Refusal: the table is no good, or its values belong to no bicycle.
    """
    import numpy as np

    frame, key = draft.frame, source_key(NAME)
    tubes = _tubes(frame)
    table = read_source(frame, NAME, ChartTable)
    known = quantities(frame, table)
    for tube in tubes:
        if diameter_name(tube) not in known:
            raise source_refusal(
                f"{key}.{diameter_name(tube)}",
                "is missing",
                found="nothing",
                valid=f"the outside diameter of the {tube}: a side of the opening runs along it",
                todo=f"add diameters.{tube}",
            )
    values = {name: one.value for name, one in known.items()}
    try:
        points = inner_corners(values, tubes)
        findings = [*_contradictions(known, key), *_corner_findings(frame, values, tubes, points, key)]
    except ChartError as error:
        raise source_refusal(
            f"{key}.{error.name}",
            error.reason,
            found=_shown(error.name, values[error.name]) if error.name in values else "nothing",
            valid=error.valid,
            todo="look the value up again, or measure it on the bicycle",
        ) from error
    names = [name for name in OPENING if name in known]

    def flat(at: Values) -> list[float]:
        return [coordinate for point in inner_corners(at, tubes) for coordinate in point]

    slopes = derivatives(flat, values, names) * np.array([known[name].built for name in names])
    after = estimated(draft, points, slopes @ slopes.T, key=key)
    return after.with_findings([*_assumptions(known, key), *findings])


# ---------------------------------------------------------------------------------- from the table to values


def _tubes(frame: Frame) -> tuple[str, ...]:
    """The frame's tubes, if they are those that a chart knows, in their order."""
    for expected in (_TRIANGLE, TUBES):
        for first in range(len(expected)):
            if frame.tubes == (*expected[first:], *expected[:first]):
                return frame.tubes
    raise Refusal(
        "a chart knows the tubes of a diamond frame only",
        key="tubes",
        source="frame",
        found=listed(frame.tubes),
        valid=f"{listed(_TRIANGLE)}; or {listed(TUBES)}: clockwise, beginning anywhere",
        todo="name the corners and tubes so, or make the opening with another stage",
    )


def quantities(frame: Frame, table: ChartTable) -> dict[str, Quantity]:
    """Every value of a chart by name, what is left out assumed.

    Roundings and tolerances are taken as rectangular distributions: of a half-width a the standard
    uncertainty is a / √3 (JCGM 100:2008, 4.3.7). Diameters are as good as the sheet's caliper.
    """
    known: dict[str, Quantity] = {}
    for prefix, part in (("", table), ("diameters.", table.diameters)):
        for name, field in type(part).model_fields.items():
            given = getattr(part, name)
            if isinstance(given, (ChartLength, ChartShift, ChartAngle)):
                alias = prefix + str(field.alias)
                known[alias] = _quantity(alias, given, frame, table)
    half_top, half_down = (0.5 * known[diameter_name(tube)].value for tube in ("top-tube", "down-tube"))
    if "seat-tube-centre-to-top" in known:
        _assume(known, "top-tube-below-seat-top", _SEAT_TOP_CLEAR, half_top)
    _assume(known, "top-tube-below-head-top", _HEAD_END_CLEAR, half_top)
    _assume(known, "down-tube-above-head-bottom", _HEAD_END_CLEAR, half_down)
    if "fork-length" in known:
        _assume(known, "lower-stack", _LOWER_STACK, 0.0)
    return known


def _quantity(
    name: str, given: ChartLength | ChartShift | ChartAngle, frame: Frame, table: ChartTable
) -> Quantity:
    if given.sigma is not None:
        return Quantity(given.value, given.sigma, given.sigma)
    if name.startswith("diameters."):
        caliper = next((i.mm for i in frame.instruments if i.name == "caliper" and i.mm is not None), 0.2)
        return Quantity(given.value, caliper, caliper)
    if name in ANGLES:
        rounding, tolerance = table.angle_rounding, table.angle_tolerance
    else:
        rounding, tolerance = table.length_rounding, table.length_tolerance
    printed = 0.5 * rounding / sqrt(3.0)
    return Quantity(given.value, printed, hypot(printed, tolerance / sqrt(3.0)))


def _assume(known: dict[str, Quantity], name: str, clear: tuple[float, float], half: float) -> None:
    value, sigma = clear
    known.setdefault(name, Quantity(value + half, sigma, sigma, assumed=True))


# ------------------------------------------------------------------------------------------------- findings


def _assumptions(known: dict[str, Quantity], key: str) -> list[Finding]:
    told = [
        f"{name} {one.value:.0f} mm (give or take {one.built:g})"
        for name, one in known.items()
        if one.assumed and name in OPENING
    ]
    if not told:
        return []
    return [
        Finding(
            "note",
            "chart-assumed",
            f"The chart doesn't say, so this was assumed: {'; '.join(told)}. Measure it on the bicycle or on "
            "a photograph: it decides how well the opening is known.",
            key,
        )
    ]


def _contradictions(known: dict[str, Quantity], key: str) -> list[Finding]:
    values = {name: one.value for name, one in known.items()}
    # A value that is printed exactly still has the last place of a float.
    sigmas = {name: max(one.printed, 1e-6) for name, one in known.items()}
    trusted = {name for name, one in known.items() if one.assumed}
    found: list[Finding] = []
    wrong = contradiction(values, sigmas, trusted)
    if wrong is not None:
        found.append(_contradiction(wrong, trusted, key))
    given = [name for name, one in known.items() if not one.assumed]
    checked = [one for one in checkable(values) if one.name in given]
    idle = [one for one in RELATIONS if one.name in given and one not in checked]
    for one in idle:
        missing = listed(name for name in one.needs if name not in given)
        message = f"{one.name} checks nothing without {missing}. Add what is missing, or remove it."
        found.append(Finding("note", "chart-unchecked", message, f"{key}.{one.name}"))
    if not checkable(values):
        message = (
            "Nothing in the chart checks its values: a misprint goes into the pattern. Add what else it "
            "gives: effective-top-tube; or front-centre, or wheelbase and chainstay, with "
            "bottom-bracket-drop and fork-rake."
        )
        found.append(Finding("warning", "chart-unchecked", message, key))
    return found


def _contradiction(wrong: Contradiction, assumed: Collection[str], key: str) -> Finding:
    misfits = "; ".join(
        f"{one.name} {_shown(one.name, one.computed)} where "
        f"{'about' if one.name in assumed else 'it says'} {_shown(one.name, one.given)} "
        f"{'is usual ' if one.name in assumed else ''}"
        f"({abs(one.given - one.computed):.1f} mm {'more' if one.given > one.computed else 'less'})"
        for one in wrong.misfits
    )
    message = f"The chart contradicts itself: its other values make {misfits}. "
    where = key
    if not wrong.culprits:
        message += "No single value explains it. Look all of them up again before you cut."
    elif len(wrong.culprits) == 1:
        (culprit,) = wrong.culprits
        where = f"{key}.{culprit.name}"
        message += f"{_blamed(culprit)} would settle it. Look that value up again before you cut."
    else:
        blamed = "; ".join(map(_blamed, wrong.culprits))
        message += f"Any one of these would settle it: {blamed}. Look them up again before you cut."
    harmless = wrong.culprits and not any(one.name in OPENING for one in wrong.culprits)
    if harmless:
        message += " The opening doesn't depend on it."
    return Finding("warning" if harmless else "error", "chart-inconsistent", message, where)


def _blamed(culprit: Culprit) -> str:
    text = (
        f"{culprit.name} {_shown(culprit.name, culprit.implied)} instead of "
        f"{_shown(culprit.name, culprit.given)}"
    )
    if culprit.slip is not None:
        text += f" ({culprit.slip.slip}: {_shown(culprit.name, culprit.slip.meant)}?)"
    return text


def _shown(name: str, value: float) -> str:
    number = f"{value:.1f}".removesuffix(".0")
    return f"{number}°" if name in ANGLES else f"{number} mm"


def _corner_findings(
    frame: Frame, values: Values, tubes: tuple[str, ...], points: tuple[Point, ...], key: str
) -> list[Finding]:
    found: list[Finding] = []
    corner = dict(zip(tubes, points, strict=True))  # each before its tube
    names = dict(zip(tubes, frame.corners, strict=True))
    if "head-tube" in tubes:
        top, bottom = corner["head-tube"], corner["down-tube"]
        start, end = axes(values)["head-tube"]
        if dot(subtract(bottom, top), subtract(end, start)) <= 0.0:
            raise ChartError(
                "head-tube",
                "has no side in the opening: the top tube and the down tube meet before they reach it",
                f"an opening with the tubes {listed(_TRIANGLE)}",
            )
    elif diameter_name("head-tube") in values:
        inside = inner_corners(values, TUBES)
        (hx, hy), head_bottom = inside[1], inside[2]
        start, end = axes(values)["head-tube"]
        length = dot(subtract(head_bottom, (hx, hy)), subtract(end, start)) / distance(start, end)
        if length > 0.0:
            message = (
                f"The head tube cuts off the corner {names['down-tube']}: {length:.0f} mm of it lie between "
                "the top tube and the down tube. Round that corner enough to clear it, or name four corners "
                f"with the tubes {listed(TUBES)}."
            )
            found.append(Finding("warning", "chart-head-side", message, names["down-tube"]))
    shell = values.get(f"diameters.{_SHELL}", 0.0)
    beyond = 0.5 * shell - distance(corner["seat-tube"], (0.0, 0.0))
    if beyond > 0.0:
        message = (
            f"The bottom bracket's shell stands out into the corner {names['seat-tube']} by {beyond:.1f} mm. "
            "Round that corner enough to clear it."
        )
        found.append(Finding("warning", "chart-shell", message, names["seat-tube"]))
    return found


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="opening.chart",
            summary="Make the opening from a bicycle's geometry chart and check the chart",
            run=f"{__name__}:run",
            options=f"{__name__}:ChartOptions",
            needs=frozenset({"readings"}),
            adds=frozenset({"survey", "opening"}),
        ),
    )
