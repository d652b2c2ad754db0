"""Reconcile the readings of a frame sheet: adjust them, test them, name the one that is wrong.

If an earlier stage has made an opening already, from a chart or a trace, that is an estimate and adjusted
with the readings: what a shop drafted before the bicycle was there, a few readings make sure of.

The mathematics is in `oaktag_plugins.surveying.polygon_survey`; this module puts it into the maker's words.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from math import hypot, inf, sqrt
from typing import TYPE_CHECKING

from pydantic import Field

from oaktag import StageSpec, hookimpl
from oaktag.geometry import Line, Path, Point, Transform
from oaktag.pattern import (
    Adjusted,
    Draft,
    Finding,
    Frame,
    NextReading,
    Opening,
    OpeningCorner,
    OpeningEdge,
    Reading,
    ReadingKind,
    ReadingResult,
    Refusal,
    Statistics,
    Survey,
)
from oaktag.recipe import Options, PositiveLength
from oaktag_plugins.surveying.bows import bowed
from oaktag_plugins.surveying.worked_opening import opening_workings

if TYPE_CHECKING:
    from oaktag_plugins.surveying.adjustment import Thing
    from oaktag_plugins.surveying.corner_estimate import CornerEstimate
    from oaktag_plugins.surveying.polygon_survey import (
        ImpossibleShapeError,
        ImpossibleTriangleError,
        Outcome,
        SurveyError,
        Suspect,
        UndeterminedError,
    )
    from oaktag_plugins.surveying.slips import Explanation

# With less redundancy a slip must pass forty sigmas before the test is likely to find it: as good as
# unchecked.
_HARDLY_CHECKED = 0.01
# Baarda's bound: a slip of so many sigmas over the root of the redundancy is found four times in five at 0.1
# %.
_DETECTABLE = 4.132
# A second slip is worth mentioning while its odds against the best are better than 1 to e² (7.4).
_WORTH_MENTIONING = 4.0
_MM_PER = {"mm": 1.0, "cm": 10.0, "in": 25.4}
_NUMBERS = (
    "no",
    "one",
    "two",
    "three",
    "four",
    "five",
    "six",
    "seven",
    "eight",
    "nine",
    "ten",
    "eleven",
    "twelve",
)


class ReconcileOptions(Options):
    """Options of `measure.reconcile`."""

    significance: float = Field(default=0.05, gt=0.0, lt=0.5)
    """Share of honest sheets that the test of the whole turns down by chance."""
    suspect_at: float = Field(default=3.29, gt=0.0)
    """A reading is suspect when its standardised residual passes this and the whole fails; 3.29 is passed by
    chance once in a thousand readings."""
    weak_at: PositiveLength = 3.0
    """Warn about a side whose adjusted length has a standard uncertainty above this."""


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """The stage `measure.reconcile`."""
    return (
        StageSpec(
            name="measure.reconcile",
            summary="Reconcile the readings into one opening and name the reading that is wrong",
            run=f"{__name__}:run",
            options=f"{__name__}:ReconcileOptions",
            needs=frozenset({"readings"}),
            uses=frozenset({"survey", "opening"}),
            adds=frozenset({"survey", "opening"}),
        ),
    )


def run(draft: Draft, options: ReconcileOptions) -> Draft:
    """Adjust all readings by least squares; add the survey, the opening and what there is to say about them.

    An opening that is there already takes part with its survey's covariance, as 2n - 3 correlated
    observations of its corners; none of them counts as better than `corner_estimate.LEAST_SIGMA`.

    The opening is placed with its first tube along +x, as the corners run clockwise, and its lowest corner at
    the origin. The survey's covariance holds the first corner and the first tube's direction fixed; moving
    the opening doesn't change it. A suspect reading is left out of the shape, but not of the statistics: its
    residual counts, so the whole does not pass.

    Raises:
        Refusal: the readings don't lead to exactly one opening, or what is there already is no estimate.
    """
    import numpy as np

    from oaktag_plugins.surveying.polygon_survey import Readings, SurveyError, reconcile

    frame = draft.frame
    estimate = _estimate(draft)
    things = [_thing(frame, reading) for reading in frame.readings]
    # What was left out by hand isn't part of the adjustment; everything is told of the others.
    counted = replace(frame, readings=tuple(one for one in frame.readings if not one.excluded))
    readings = Readings(
        len(frame.corners),
        tuple(thing for thing, one in zip(things, frame.readings, strict=True) if not one.excluded),
        np.array([reading.value for reading in counted.readings], dtype=float),
        np.array([reading.sigma for reading in counted.readings], dtype=float),
        estimate,
    )
    try:
        outcome = reconcile(readings, significance=options.significance, suspect_at=options.suspect_at)
    except SurveyError as error:
        raise _refusal(counted, error) from error
    survey = _survey(frame, outcome)
    opening = _opening(frame, outcome, survey, draft.opening)
    report = _Report(counted, outcome, survey, options, _estimate_key(draft))
    suspects = {counted.readings[suspect.index].key for suspect in outcome.suspects}
    return (
        draft.evolve(survey=survey, opening=opening)
        .with_findings([*report.findings(), *_left_out(frame, outcome)])
        .with_workings(opening_workings(draft.workings, frame, survey, opening, suspects))
    )


# ------------------------------------------------------------------------- the opening that is there already


def _estimate(draft: Draft) -> CornerEstimate | None:
    """The opening that an earlier stage made, as observations."""
    import numpy as np

    from oaktag_plugins.surveying.adjustment import crossing_sides, signed_area
    from oaktag_plugins.surveying.corner_estimate import CovarianceError, corner_estimate

    if draft.opening is None:
        return None

    def refusal(reason: str, found: str, valid: str, todo: str) -> Refusal:
        return Refusal(reason, key="", source="recipe", found=found, valid=valid, todo=todo)

    if draft.survey is None:
        raise refusal(
            "an earlier stage made the opening without saying how well it is known",
            "an opening without a survey",
            "an opening with the covariance of its corners",
            "remove that stage, or measure.reconcile",
        )
    if draft.survey.readings:
        raise refusal(
            "the readings have been adjusted already, and would count twice",
            "a survey with readings",
            "measure.reconcile once in a recipe",
            "remove one of the two",
        )
    points = np.array([corner.point for corner in draft.opening.corners], dtype=float)
    names = [corner.name for corner in draft.opening.corners]
    if names != list(draft.frame.corners):
        raise refusal(
            "an earlier stage made an opening with other corners than the frame sheet's",
            ", ".join(names),
            ", ".join(draft.frame.corners),
            "remove that stage, or name its corners on the frame sheet",
        )
    if crossing_sides(points) is not None or not signed_area(points) < 0.0:
        raise refusal(
            "an earlier stage made an opening that isn't one",
            "sides that cross, or corners that run counter-clockwise",
            "corners clockwise as seen from the drive side",
            "remove that stage",
        )
    try:
        return corner_estimate(points.tolist(), draft.survey.covariance)
    except CovarianceError as error:
        raise refusal(
            f"the covariance of the opening's corners is none: {error}",
            "a survey of an earlier stage",
            f"{2 * len(points)} × {2 * len(points)} values in mm², symmetric, without negative eigenvalues",
            "remove that stage, or tell its authors",
        ) from error


def _estimate_key(draft: Draft) -> str:
    """The table of the frame sheet that the estimate came from."""
    said = [finding.where for finding in draft.findings if finding.code == "opening-estimated"]
    return said[-1] if said and said[-1] else "sources"


def _moved_side(before: OpeningEdge, start: Point, end: Point) -> Path:
    """A curved side of the estimate, turned and stretched to where its corners lie now."""
    old_start, old_end = complex(*before.path.start), complex(*before.path.end)
    factor = (complex(*end) - complex(*start)) / (old_end - old_start)
    return before.path.transformed(Transform(factor, complex(*start) - factor * old_start))


# ------------------------------------------------------------------------------------ from names to numbers


def _thing(frame: Frame, reading: Reading) -> Thing:
    from oaktag_plugins.surveying.adjustment import angle, distance, side

    known: tuple[str, ...]
    if reading.kind == "diagonal":
        first, found, second = reading.of.partition(" to ")
        known = tuple(f"{a} to {b}" for a in frame.corners for b in frame.corners if a != b)
        if found and reading.of in known:
            return _checked_value(reading, distance(frame.corners.index(first), frame.corners.index(second)))
    elif reading.kind == "length":
        known = frame.tubes
        if reading.of in known:
            return _checked_value(reading, side(known.index(reading.of), len(known)))
    else:
        known = frame.corners
        if reading.of in known:
            return _checked_value(reading, angle(known.index(reading.of)))
    raise Refusal(
        f"there is nothing of this name to read a {reading.kind} of",
        key=reading.key,
        source="frame",
        found=reading.of,
        valid=", ".join(known),
        todo="name one of these",
    )


def _checked_value(reading: Reading, thing: Thing) -> Thing:
    highest = 360.0 if reading.kind == "angle" else inf
    if not 0.0 < reading.value < highest:
        raise Refusal(
            "a reading lies above zero" + (" and below 360°" if reading.kind == "angle" else ""),
            key=reading.key,
            source="frame",
            found=f"{reading.value:g}",
            valid="above 0° and below 360°" if reading.kind == "angle" else "above 0 mm",
            todo="read it again",
        )
    if not 0.0 < reading.sigma < inf:
        raise Refusal(
            "an instrument's standard uncertainty lies above zero",
            key=f"instruments.{reading.instrument}",
            source="frame",
            found=f"{reading.sigma:g}",
            valid="above 0",
            todo="write what one reading may be off by, one sigma",
        )
    return thing


# -------------------------------------------------------------------------------- from numbers to the draft


def _survey(frame: Frame, outcome: Outcome) -> Survey:
    from oaktag_plugins.surveying.adjustment import angle, side

    count = len(frame.corners)
    sides, angles = [side(i, count) for i in range(count)], [angle(i) for i in range(count)]
    values, covariance = outcome.shape.evaluate((*sides, *angles))
    sigma = [sqrt(max(float(covariance[i, i]), 0.0)) for i in range(2 * count)]
    # The perimeter is the plain sum of the sides.
    perimeter = Adjusted(
        "perimeter", float(values[:count].sum()), sqrt(float(covariance[:count, :count].sum()))
    )
    return Survey(
        lengths=tuple(Adjusted(tube, float(values[i]), sigma[i]) for i, tube in enumerate(frame.tubes)),
        angles=tuple(
            Adjusted(corner, float(values[count + i]), sigma[count + i])
            for i, corner in enumerate(frame.corners)
        ),
        perimeter=perimeter,
        readings=_results(frame, outcome),
        statistics=Statistics(
            dof=outcome.dof,
            variance_factor=outcome.chi_square / outcome.dof if outcome.dof else None,
            chi_square=outcome.chi_square,
            critical=outcome.critical,
            passed=outcome.passed,
        ),
        covariance=tuple(tuple(float(value) for value in row) for row in outcome.coordinate_covariance),
        next_readings=_next_readings(frame, outcome),
    )


def _next_readings(frame: Frame, outcome: Outcome) -> tuple[NextReading, ...]:
    """What would be worth reading, with the sigma that readings of its kind have on this sheet."""
    from oaktag_plugins.surveying.next_readings import proposals

    readings = outcome.readings
    instruments = {instrument.name: instrument for instrument in frame.instruments}

    def usual_sigma(thing: Thing) -> float:
        if all(other.kind != thing.kind for other in readings.things):
            is_angle = thing.kind == "angle"
            own = instruments.get("angle-gauge" if is_angle else "tape")
            stated = own.of("angle" if is_angle else "length") if own else None
            if stated is not None:
                return stated
        return readings.usual_sigma(thing)

    shape = outcome.shape
    ranked = proposals(readings.corners, shape.fit.unknowns, shape.fit.cofactor, readings.things, usual_sigma)
    return tuple(
        NextReading(*_kind_and_name(frame, one.thing), one.sigma, one.perimeter, one.corner) for one in ranked
    )


def _kind_and_name(frame: Frame, thing: Thing) -> tuple[ReadingKind, str]:
    """A thing as a `Reading` has it."""
    if thing.kind == "angle":
        return "angle", frame.corners[thing.first]
    tube = _tube(frame, thing)
    return ("length", tube) if tube else ("diagonal", _ends(frame, thing))


def _results(frame: Frame, outcome: Outcome) -> tuple[ReadingResult, ...]:
    """How every reading came out, in the sheet's order; those left out by hand beside the others."""
    results = []
    index = 0
    for reading in frame.readings:
        residual, standardised, redundancy = 0.0, None, 0.0
        if reading.excluded:
            residual = _predicted(frame, outcome, reading)[0] - reading.value
            if reading.kind == "angle":
                residual -= 360.0 * round(residual / 360.0)
        else:
            residual, standardised = float(outcome.residuals[index]), outcome.standardised[index]
            redundancy = float(outcome.redundancy[index])
            index += 1
        results.append(
            ReadingResult(
                of=reading.of,
                kind=reading.kind,
                value=reading.value,
                sigma=reading.sigma,
                residual=residual,
                standardised=standardised,
                redundancy=redundancy,
                key=reading.key,
                excluded=reading.excluded,
            )
        )
    return tuple(results)


def _predicted(frame: Frame, outcome: Outcome, reading: Reading) -> tuple[float, float]:
    """What the opening has where a reading was taken, and that value's sigma."""
    values, covariance = outcome.shape.evaluate((_thing(frame, reading),))
    return float(values[0]), sqrt(max(float(covariance[0, 0]), 0.0))


def _opening(frame: Frame, outcome: Outcome, survey: Survey, before: Opening | None) -> Opening:
    points = [(float(x), float(y)) for x, y in outcome.shape.points]
    lowest = min(points, key=lambda point: point[1])
    placed = [(x - lowest[0], y - lowest[1]) for x, y in points]
    paths = list(bowed(placed, frame))
    bent = {bow.tube for bow in frame.bows}
    for index, edge in enumerate(before.edges if before else ()):
        if edge.name not in bent and not all(isinstance(segment, Line) for segment in edge.path.segments):
            paths[index] = _moved_side(edge, placed[index], placed[(index + 1) % len(placed)])
    return Opening(
        corners=tuple(
            OpeningCorner(name, point, angle.value)
            for name, point, angle in zip(frame.corners, placed, survey.angles, strict=True)
        ),
        edges=tuple(OpeningEdge(tube, path) for tube, path in zip(frame.tubes, paths, strict=True)),
    )


# ----------------------------------------------------------------------------------------- words for things


def _name(frame: Frame, thing: Thing) -> str:
    """`the top-tube`, `the diagonal seat to bottom-bracket`, `the angle at head`."""
    if thing.kind == "angle":
        return f"the angle at {frame.corners[thing.first]}"
    tube = _tube(frame, thing)
    return f"the {tube}" if tube else f"the diagonal {_ends(frame, thing)}"


def _key(frame: Frame, thing: Thing) -> str:
    """Where a reading of it stands, or would stand, on the frame sheet."""
    if thing.kind == "angle":
        return f"angles.{frame.corners[thing.first]}"
    tube = _tube(frame, thing)
    return f"lengths.{tube}" if tube else f"diagonals.{_ends(frame, thing)}"


def _ends(frame: Frame, thing: Thing) -> str:
    return f"{frame.corners[thing.first]} to {frame.corners[thing.second]}"


def _tube(frame: Frame, thing: Thing) -> str | None:
    from oaktag_plugins.surveying.adjustment import side

    count = len(frame.tubes)
    return next((frame.tubes[i] for i in range(count) if side(i, count) == thing), None)


def _value(thing: Thing, value: float) -> str:
    """A reading as the maker knows it."""
    from oaktag_plugins.surveying.slips import MM_PER_INCH, numerals

    if thing.kind == "angle":
        return f"{round(value, 2):g}°"
    text = f"{round(value, 2):.2f}".rstrip("0").rstrip(".") + " mm"
    if numerals(value, angle=False)[0].unit == "mm":
        return text
    parts = Fraction(round(value / MM_PER_INCH * 64), 64)
    if abs(float(parts) * MM_PER_INCH - value) > 1e-4:
        return f"{text} ({round(value / MM_PER_INCH, 3):g} in)"
    whole, rest = divmod(parts, 1)
    return f"{text} ({' '.join(str(part) for part in (whole, rest) if part) or '0'} in)"


def _computed(thing: Thing, value: float) -> str:
    """A computed value to the last figure that means anything."""
    return f"{value:.1f}°" if thing.kind == "angle" else f"{value:.1f} mm"


def _rounded(thing: Thing, value: float) -> str:
    """A rough size, rounded to the next ten mm or degree."""
    return f"{value:.0f}°" if thing.kind == "angle" else f"{10.0 * round(value / 10.0):.0f} mm"


def _written(frame: Frame, reading: Reading) -> str:
    """A reading's value as the sheet has it: a number in the sheet's unit, or degrees."""
    per_unit = 1.0 if reading.kind == "angle" else _MM_PER[frame.unit]
    return f"{round(reading.value / per_unit, 4):.10g}"


def _number(count: int) -> str:
    return _NUMBERS[count] if count < len(_NUMBERS) else str(count)


def _together(parts: list[str], word: str = "and") -> str:
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} {word} {parts[-1]}"


# ------------------------------------------------------------------------------------------------- refusals


def _refusal(frame: Frame, error: SurveyError) -> Refusal:
    from oaktag_plugins.surveying.polygon_survey import (
        AmbiguousError,
        ImpossibleShapeError,
        ImpossibleTriangleError,
        LooseError,
        UndeterminedError,
    )

    if isinstance(error, UndeterminedError):
        return _undetermined(frame, error)
    if isinstance(error, ImpossibleTriangleError):
        return _impossible_triangle(frame, error)
    if isinstance(error, ImpossibleShapeError):
        return _impossible_shape(frame, error)
    if isinstance(error, AmbiguousError):
        found = [_computed(error.take, value) for value in error.values]
        return Refusal(
            f"{_number(len(found))} different shapes have these readings",
            key=_key(frame, error.take),
            source="frame",
            found=_all_readings(frame),
            valid=f"{_name(frame, error.take)} would be {_together(found, 'or')}",
            todo=f"read {_name(frame, error.take)} too: it tells the shapes apart",
        )
    assert isinstance(error, LooseError)
    return Refusal(
        "the readings hardly fix the shape: a small error in one of them changes it altogether",
        key=_key(frame, error.take),
        source="frame",
        found=f"{_all_readings(frame)}; {_name(frame, error.worst)} can't be told to a tenth of its length",
        valid=f"a reading of {_name(frame, error.take)} besides",
        todo=f"read {_name(frame, error.take)} too",
    )


def _all_readings(frame: Frame) -> str:
    keys = [reading.key for reading in frame.readings]
    return f"readings {', '.join(keys)}" if keys else "no readings"


def _undetermined(frame: Frame, error: UndeterminedError) -> Refusal:
    take = [_name(frame, thing) for thing in error.take]
    instead = [_name(frame, thing) for thing in error.instead]
    first = _together([take[0], *instead], "or") if len(take) == 1 else f"{', then '.join(take)}"
    return Refusal(
        "the readings don't fix the shape of the opening",
        key=_key(frame, error.take[0]),
        source="frame",
        found=_all_readings(frame)
        + (f": {_number(error.independent)} independent" if error.independent else ""),
        valid=f"{_number(error.needed)} independent readings or more, at least one of them a length",
        todo=f"read {first}",
    )


def _impossible_triangle(frame: Frame, error: ImpossibleTriangleError) -> Refusal:
    from oaktag_plugins.surveying.adjustment import angle, side

    cause = error.error
    thing = angle(cause.index) if cause.kind == "angle" else side(cause.index, 3)
    of = frame.corners[cause.index] if cause.kind == "angle" else frame.tubes[cause.index]
    own = [reading for reading in frame.readings if _is_of(frame, reading, thing)]
    low, high = _computed(thing, cause.low), _computed(thing, cause.high)
    if cause.high == inf:
        valid = f"at least {low}"
    else:
        valid = f"below {high}" if cause.low == 0.0 else f"above {low} and below {high}"
    found = " and ".join(_value(thing, reading.value) for reading in own)
    if len(own) > 1:
        found += f", on average {_computed(thing, cause.found)}"
    others = [reading.key for reading in frame.readings if reading not in own]
    return Refusal(
        f"these readings don't make a triangle: {cause.reason}",
        key=own[0].key if own else of,
        source="frame",
        found=found,
        valid=f"{valid}, if {_together(others)} {'is' if len(others) == 1 else 'are'} right",
        todo=f"read {_name(frame, thing)} again, then the others; one more reading would show which is wrong",
    )


def _is_of(frame: Frame, reading: Reading, thing: Thing) -> bool:
    return _thing(frame, reading) == thing


def _impossible_shape(frame: Frame, error: ImpossibleShapeError) -> Refusal:
    reading = frame.readings[error.index]
    thing = _thing(frame, reading)
    name = _name(frame, thing)
    again = f"read {name} again, then the others"
    nearest = _computed(thing, error.nearest)
    reasons = {
        "open": (
            "no opening has these readings: they contradict each other",
            f"about {nearest}, if the others are right",
            again,
        ),
        "flat": (
            "the opening comes out flat",
            "readings of an opening whose corners all differ and have room between them",
            again,
        ),
        "crossing": (
            "sides of the opening come out crossing each other",
            "corners in the order in which the tubes follow each other",
            f"check the order of the corners and the tube after each; {again}",
        ),
        "counter-clockwise": (
            "the corners come out counter-clockwise",
            "corners clockwise as seen from the drive side, and angles inside the opening",
            "list the corners the other way round, or write the angles inside the opening",
        ),
    }
    reason, valid, todo = reasons[error.flaw]
    if error.too_long:
        reason = "the opening doesn't close: one side is not shorter than all the others together"
        valid = f"below {nearest}, if the others are right"
    return Refusal(
        reason, key=reading.key, source="frame", found=_value(thing, reading.value), valid=valid, todo=todo
    )


# ------------------------------------------------------------------------------------------------- findings


def _nearly_as_good(explanations: tuple[Explanation, ...]) -> bool:
    first, second = (one.misfit + one.price for one in explanations[:2])
    return second - first <= _WORTH_MENTIONING


class _Report:
    """Puts an outcome into findings."""

    def __init__(
        self, frame: Frame, outcome: Outcome, survey: Survey, options: ReconcileOptions, source: str
    ) -> None:
        self.frame = frame
        self.outcome = outcome
        self.survey = survey
        self.options = options
        self.source = source
        self.things = outcome.readings.things
        self.suspects = {suspect.index for suspect in outcome.suspects}

    def findings(self) -> list[Finding]:
        return [
            *(self.suspect(suspect) for suspect in self.outcome.suspects),
            *self.disagreement(),
            *self.estimate(),
            *self.unchecked(),
            *self.scatter(),
            *self.assumed(),
            *self.weak(),
        ]

    def reading(self, index: int) -> str:
        """`lengths.top-tube 532 mm`."""
        reading = self.frame.readings[index]
        return f"{reading.key} {_value(self.things[index], reading.value)}"

    def offer(self, index: int, explanation: Explanation) -> str:
        return f"{explanation.slip}? {_value(self.things[index], explanation.meant)}"

    def suspect(self, suspect: Suspect) -> Finding:
        thing = self.things[suspect.index]
        others = f"{_computed(thing, suspect.predicted)} ± {_computed(thing, suspect.sigma)}"
        agreeing = len(self.things) - len(self.suspects) + 1
        all_of_them = (
            f"all {_number(agreeing)} readings agree"
            if len(self.suspects) == 1
            else f"{_number(agreeing)} of {_number(len(self.things))} readings agree"
        )
        message = f"{self.reading(suspect.index)}: "
        if suspect.explanations and not self.outcome.contradiction:
            message += f"{self.offer(suspect.index, suspect.explanations[0])} makes {all_of_them}."
            if len(suspect.explanations) > 1 and _nearly_as_good(suspect.explanations):
                message += f" Or {self.offer(suspect.index, suspect.explanations[1])}."
            message += f" The others say {others}."
        else:
            message += f"the others say {others}."
        written = _written(self.frame, self.frame.readings[suspect.index])
        message += (
            f" Read {_name(self.frame, thing)} again before you cut, and correct it or leave it out: "
            f'{{ value = {written}, excluded = "why" }}.'
        )
        if suspect.rivals:
            rivals = [self.reading(index) for index in suspect.rivals]
            message += f" Less likely, {_together(rivals, 'or')} is the one that is wrong: check that too."
        return Finding("error", "reading-suspect", message, self.frame.readings[suspect.index].key)

    def disagreement(self) -> list[Finding]:
        outcome = self.outcome
        if not outcome.contradiction:
            return []
        readings = [self.reading(index) for index in outcome.contradiction]
        spare = outcome.shape.readings.spare(len(self.things) - len(self.suspects))
        if outcome.shape.readings.estimate is not None:
            readings.append(self.source)
        critical = outcome.critical_without_suspects
        chi_square = outcome.shape.chi_square
        test = f"chi-square {chi_square:.1f}, {critical:.1f} allowed"
        where = ""
        if spare == 1 or outcome.tied:
            message = f"{_together(readings)} can't all be right ({test})"
            message += (
                ", and with one reading to spare it can't be told which is wrong."
                if spare == 1
                else ", and the others don't tell which is wrong."
            )
            message += f" Read them again, or read {_name(self.frame, outcome.checking_reading)} to find it."
        else:
            worst = max(outcome.contradiction, key=lambda index: abs(outcome.standardised[index] or 0.0))
            where = self.frame.readings[worst].key
            message = (
                f"The readings disagree by more than their instruments allow ({test}), but none stands out. "
                f"{self.reading(worst)} is farthest off; read that again first."
            )
        offers = [
            f"{self.frame.readings[h.index].key} {self.offer(h.index, h.explanation)}"
            for h in outcome.hints[:3]
        ]
        if offers:
            message += f" Slips that would explain it: {'; '.join(offers)}."
        return [Finding("error", "readings-disagree", message, where)]

    def estimate(self) -> list[Finding]:
        """How the estimate of an earlier stage and the readings go together."""
        from oaktag_plugins.surveying.polygon_survey import missing_readings

        estimate, blame = self.outcome.readings.estimate, self.outcome.blame
        if estimate is None or not self.things:
            return []
        unknowns = self.outcome.shape.fit.unknowns
        moves = self.outcome.readings.equations.coordinates(unknowns - estimate.coordinates)
        far = [hypot(x, y) for x, y in moves.reshape(-1, 2).tolist()]
        worst = far.index(max(far))
        moved = f"{self.frame.corners[worst]} moves by {far[worst]:.1f} mm"
        misfit = f"chi-square {estimate.misfit(unknowns):.1f} on {_number(estimate.size)} coordinates"
        count = f"{_number(len(self.things))} reading{'s' if len(self.things) > 1 else ''}"
        if blame is None:
            message = f"{self.source} and {count} make the opening together: {moved}, {misfit}."
            return [Finding("note", "estimate-adjusted", message, self.source)]
        message = (
            f"{self.source} is more likely wrong than any one reading: without it chi-square falls by "
            f"{blame.fallen:.1f}, where {blame.allowed:.1f} would be allowed. "
        )
        if self.outcome.shape.readings.estimate is None:
            message += f"The opening was made from the {count} alone: {moved} ({misfit}). Check its values."
        else:
            missing = missing_readings(replace(self.outcome.readings, estimate=None))
            take = [_name(self.frame, thing) for thing in missing.take] if missing else []
            message += f"But {count} alone can't make the opening. Check its values"
            message += f", or read {_together(take)} to do without it." if take else "."
        return [Finding("error", "estimate-disagrees", message, self.source)]

    def unchecked(self) -> list[Finding]:
        from oaktag_plugins.surveying.adjustment import UNCHECKED

        if not self.things:
            return []
        further = _name(self.frame, self.outcome.checking_reading)
        if self.outcome.planned.dof == 0:
            count = _number(len(self.things))
            message = (
                f"Nothing has been checked: {count} readings are just enough, so a slip in any of them goes "
                f"into the pattern. Read {further} first."
            )
            return [Finding("warning", "readings-unchecked", message)]
        findings = []
        for index, redundancy in enumerate(self.outcome.planned_redundancy.tolist()):
            if redundancy >= _HARDLY_CHECKED:
                continue
            if redundancy <= UNCHECKED:
                message = f"Nothing checks {self.reading(index)}: a slip there goes into the pattern."
            else:
                slip = _DETECTABLE * self.frame.readings[index].sigma / sqrt(redundancy)
                message = (
                    f"Hardly anything checks {self.reading(index)}: a slip of less than "
                    f"{_rounded(self.things[index], slip)} would go unseen."
                )
            findings.append(
                Finding(
                    "warning",
                    "readings-unchecked",
                    f"{message} Read {further} too.",
                    self.frame.readings[index].key,
                )
            )
        return findings

    def scatter(self) -> list[Finding]:
        from oaktag_plugins.surveying.adjustment import chi_square_quantile

        found = []
        for thing in dict.fromkeys(self.things):
            group = [i for i, other in enumerate(self.things) if other == thing and i not in self.suspects]
            if len(group) < 2:
                continue
            readings = [self.frame.readings[index] for index in group]
            weights = [reading.sigma**-2 for reading in readings]
            pairs = list(zip(weights, readings, strict=True))
            mean = sum(weight * reading.value for weight, reading in pairs) / sum(weights)
            chi_square = sum(weight * (reading.value - mean) ** 2 for weight, reading in pairs)
            if chi_square <= chi_square_quantile(1.0 - self.options.significance, len(group) - 1):
                continue
            # Of two readings both are equally far from their mean: the other things tell which is farther
            # off.
            far = {
                index: (
                    round(abs(reading.value - mean) / reading.sigma, 6),
                    abs(self.outcome.standardised[index] or 0.0),
                )
                for index, reading in zip(group, readings, strict=True)
            }
            worst = self.frame.readings[max(group, key=lambda index: far[index])]
            values = _together([_value(thing, reading.value) for reading in readings])
            sigmas = _together(
                [f"{r.instrument} ({_value(thing, r.sigma)})" for r in _by_instrument(readings)]
            )
            found.append(
                Finding(
                    "warning",
                    "readings-scatter",
                    f"Readings of {_name(self.frame, thing)} differ by more than the sigma of the {sigmas} "
                    f"explains: {values}. Read it again, or give the instrument a larger sigma.",
                    worst.key,
                )
            )
        return found

    def assumed(self) -> list[Finding]:
        from oaktag_plugins.surveying.polygon_survey import separating_reading

        second = self.outcome.second_shape
        if second is None:
            return []
        take, (here, there) = separating_reading((self.outcome.shape, second))
        bent = [
            name
            for name, value in zip(self.frame.corners, second.angles.tolist(), strict=True)
            if value > 180.0
        ]
        message = (
            f"Another shape has these readings too, with more than 180° at {_together(bent)}; the one with "
            f"every corner below 180° was taken. Read {_name(self.frame, take)} to be sure: it is "
            f"{_computed(take, here)} here and {_computed(take, there)} there."
        )
        return [Finding("warning", "shape-assumed", message, _key(self.frame, take))]

    def weak(self) -> list[Finding]:
        from oaktag_plugins.surveying.polygon_survey import sharpening_reading

        worst = max(self.survey.lengths, key=lambda length: length.sigma)
        if worst.sigma <= self.options.weak_at:
            return []
        take, sigma = sharpening_reading(self.outcome.shape)
        further = _name(self.frame, take)
        message = (
            f"The {worst.of} comes out at {worst.value:.1f} mm, but its standard uncertainty is "
            f"{worst.sigma:.1f} mm. Read {further} too: that leaves {sigma:.1f} mm for the worst known side."
        )
        return [Finding("warning", "readings-weak", message, _key(self.frame, take))]


def _left_out(frame: Frame, outcome: Outcome) -> Iterator[Finding]:
    """A note for each reading that was left out by hand."""
    for reading in frame.readings:
        if reading.excluded:
            thing = _thing(frame, reading)
            value, sigma = _predicted(frame, outcome, reading)
            message = (
                f"{reading.key} {_value(thing, reading.value)} is left out: {reading.excluded}. "
                f"The opening has {_computed(thing, value)} ± {_computed(thing, sigma)} there."
            )
            yield Finding("note", "reading-excluded", message, reading.key)


def _by_instrument(readings: list[Reading]) -> list[Reading]:
    return list({reading.instrument: reading for reading in readings}.values())
