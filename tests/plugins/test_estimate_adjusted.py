"""An opening from a chart or a trace, adjusted together with readings."""

from __future__ import annotations

import math
import random
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path as File
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import optimize, stats

from oaktag.geometry import Arc, Line, Path
from oaktag.pattern import Draft, Finding, Frame, Provenance, Reading, ReadingKind, Refusal
from oaktag.recipe import load_frame
from oaktag_plugins.measure_reconcile import ReconcileOptions, oaktag_stages, run
from oaktag_plugins.opening_chart import ChartOptions
from oaktag_plugins.opening_chart import run as opening_from_chart
from oaktag_plugins.surveying.adjustment import (
    Thing,
    angle,
    chi_square_quantile,
    distance,
    least_squares,
    polygon_equations,
    side,
)
from oaktag_plugins.surveying.corner_estimate import LEAST_SIGMA, StackedEquations, corner_estimate
from oaktag_plugins.surveying.estimate import estimated

CHART = File(__file__).parents[2] / "recipes" / "sources" / "chart" / "towpath-11-chart.frame.toml"
FOUR = (("seat", "head", "crown", "bottom-bracket"), ("top-tube", "head-tube", "down-tube", "seat-tube"))
POINTS = ((0.0, 0.0), (500.0, 0.0), (523.0, -85.0), (89.0, -431.0))

Array = NDArray[np.float64]


def mixed(size: int, seed: int, scale: float = 2.0) -> Array:
    """A covariance whose values hang together, sigmas about `scale` mm."""
    source = np.random.default_rng(seed)
    root = scale * (0.7 * np.eye(size) + 0.3 * source.standard_normal((size, size)))
    return np.asarray(root @ root.T)


def frame(
    readings: Sequence[tuple[ReadingKind, str, float]], sigmas: tuple[float, float] = (1.0, 0.3)
) -> Frame:
    return Frame(
        "Demo",
        *FOUR,
        tuple(
            Reading(kind, of, value, sigmas[kind == "angle"], "any", f"{kind}s.{of}[{index}]")
            for index, (kind, of, value) in enumerate(readings)
        ),
    )


def before(
    readings: Sequence[tuple[ReadingKind, str, float]] = (),
    points: Sequence[tuple[float, float]] = POINTS,
    covariance: Array | None = None,
    edges: Sequence[Path] | None = None,
) -> Draft:
    draft = Draft(frame(readings), Provenance("demo"), Provenance("trial"))
    spread = mixed(8, 5) if covariance is None else covariance
    return estimated(draft, points, spread, edges, key="sources.chart")


def adjusted(draft: Draft) -> Draft:
    return run(draft, ReconcileOptions())


def finding(draft: Draft, code: str) -> Finding:
    (found,) = [one for one in draft.findings if one.code == code]
    return found


def codes(draft: Draft) -> list[str]:
    return [one.code for one in draft.findings if one.code != "opening-estimated"]


def corners(draft: Draft) -> Array:
    assert draft.opening is not None
    points = np.array([corner.point for corner in draft.opening.corners])
    return np.asarray(points - points[0])


def exact(kind: ReadingKind, of: str, points: Sequence[tuple[float, float]] = POINTS) -> float:
    names, tubes = FOUR
    at = dict(zip(names, points, strict=True))
    if kind == "angle":
        index = names.index(of)
        here, ahead, back = (complex(*points[i]) for i in (index, (index + 1) % 4, index - 1))
        turn = np.angle((ahead - here) / (back - here))
        return float(math.degrees(turn) % 360)
    if kind == "length":
        index = tubes.index(of)
        return math.dist(points[index], points[(index + 1) % 4])
    first, second = of.split(" to ")
    return math.dist(at[first], at[second])


def measured(
    *things: tuple[ReadingKind, str], points: Sequence[tuple[float, float]] = POINTS, noise: int | None = None
) -> list[tuple[ReadingKind, str, float]]:
    source = random.Random(noise)
    return [
        (kind, of, exact(kind, of, points) + (source.gauss(0, (1.0, 0.3)[kind == "angle"]) if noise else 0.0))
        for kind, of in things
    ]


SOME: tuple[tuple[ReadingKind, str], ...] = (
    ("length", "top-tube"),
    ("length", "down-tube"),
    ("angle", "seat"),
)
MANY: tuple[tuple[ReadingKind, str], ...] = (
    ("length", "top-tube"),
    ("length", "head-tube"),
    ("length", "down-tube"),
    ("length", "seat-tube"),
    ("diagonal", "seat to crown"),
    ("angle", "seat"),
    ("angle", "bottom-bracket"),
)


# ------------------------------------------------------------------------------------------- the mathematics


def test_without_readings_the_estimate_stays_as_it_is() -> None:
    draft = before(covariance=mixed(8, 5, scale=0.8))
    result = adjusted(draft)
    assert (draft.survey, draft.opening) != (None, None)
    assert result.survey is not None
    assert draft.survey is not None
    assert corners(result) == pytest.approx(corners(draft), abs=1e-6)
    assert np.array(result.survey.covariance) == pytest.approx(np.array(draft.survey.covariance), rel=1e-6)
    for now, then in zip(
        (*result.survey.lengths, *result.survey.angles, result.survey.perimeter),
        (*draft.survey.lengths, *draft.survey.angles, draft.survey.perimeter),
        strict=True,
    ):
        assert now.of == then.of
        assert now.value == pytest.approx(then.value)
        assert now.sigma == pytest.approx(then.sigma)
    assert (result.survey.statistics.dof, result.survey.statistics.passed) == (0, None)
    assert codes(result) == []
    assert len(result.survey.next_readings) == 10


@pytest.mark.parametrize("count", [1, 2, 5, 7])
def test_the_adjustment_agrees_with_scipy(count: int) -> None:
    readings = measured(*MANY[:count], noise=4)
    draft = before(readings, points=[(x + 1.5, y - 0.8 * i) for i, (x, y) in enumerate(POINTS)])
    result = adjusted(draft)
    assert draft.survey is not None
    assert result.survey is not None
    free = [2, 4, 5, 6, 7]
    start = corners(draft).ravel()[free]
    covariance = np.array(draft.survey.covariance)[np.ix_(free, free)]
    root = np.linalg.cholesky(np.linalg.inv(covariance)).T  # another root than the one under test

    def misfit(unknowns: Array) -> Array:
        full = np.zeros(8)
        full[free] = unknowns
        at = [(float(x), float(y)) for x, y in full.reshape(4, 2)]
        off = [
            (exact(kind, of, at) - value) / (0.3 if kind == "angle" else 1.0) for kind, of, value in readings
        ]
        return np.concatenate([off, root @ (unknowns - start)])

    there = optimize.least_squares(misfit, start, xtol=1e-15, ftol=1e-15, gtol=1e-15, x_scale="jac")
    assert corners(result).ravel()[free] == pytest.approx(there.x, abs=1e-4)
    statistics = result.survey.statistics
    assert statistics.chi_square == pytest.approx(2 * there.cost, rel=1e-6)
    assert statistics.dof == count
    assert statistics.critical == pytest.approx(stats.chi2.ppf(0.95, count))
    inverse = np.linalg.inv(there.jac.T @ there.jac)
    found = np.array(result.survey.covariance)[np.ix_(free, free)]
    assert found == pytest.approx(inverse, rel=1e-3, abs=1e-5)
    assert codes(result)[0] == "estimate-adjusted"


def test_the_chart_that_ships_agrees_with_scipy_once_two_tubes_are_read() -> None:
    sheet, _ = load_frame(CHART)
    # The down tube is shorter, the seat tube longer than the chart has them.
    own = opening_from_chart(Draft(sheet, Provenance("c"), Provenance("t")), ChartOptions()).survey
    assert own is not None
    values = {one.of: one.value for one in own.lengths}
    readings = tuple(
        Reading("length", tube, values[tube] + off, 1.0, "tape", f"lengths.{tube}")
        for tube, off in (("down-tube", -2.0), ("seat-tube", 1.5))
    )
    draft = opening_from_chart(
        Draft(replace(sheet, readings=readings), Provenance("c"), Provenance("t")), ChartOptions()
    )
    result = adjusted(draft)
    assert draft.survey is not None
    assert result.survey is not None
    # In terms of the coordinates' own errors: minimise e' C^-1 e + sum of squares, C as the chart has it.
    free = [2, 4, 5, 6, 7]
    start = corners(draft).ravel()[free]
    values_, vectors = np.linalg.eigh(np.array(draft.survey.covariance)[np.ix_(free, free)])
    root = vectors * np.sqrt(np.maximum(values_, LEAST_SIGMA**2))

    def misfit(errors: Array) -> Array:
        full = np.zeros(8)
        full[free] = start + root @ errors
        at = full.reshape(4, 2)
        down, seat = math.dist(at[2], at[3]), math.dist(at[3], at[0])
        return np.array([down - readings[0].value, seat - readings[1].value, *errors])

    there = optimize.least_squares(misfit, np.zeros(5), xtol=1e-15, ftol=1e-15, gtol=1e-15)
    assert corners(result).ravel()[free] == pytest.approx(start + root @ there.x, abs=1e-4)
    assert result.survey.statistics.chi_square == pytest.approx(2 * there.cost, rel=1e-6)
    assert result.survey.statistics.passed is True
    assert finding(result, "estimate-adjusted").where == "sources.chart"
    for now, then in zip(result.survey.lengths[2:], draft.survey.lengths[2:], strict=True):
        assert now.sigma < min(1.0, then.sigma)


def test_stated_sigmas_are_those_of_simulation() -> None:
    trials = 20_000
    source = np.random.default_rng(8)
    covariance = np.zeros((8, 8))
    free = polygon_equations(4, ()).free
    covariance[np.ix_(free, free)] = mixed(5, 3)
    estimate = corner_estimate(POINTS, covariance.tolist())
    things = (side(0, 4), side(2, 4), distance(1, 3), angle(0))
    polygon = polygon_equations(4, things)
    stacked = StackedEquations(polygon, estimate)
    truth = estimate.coordinates
    sigma = np.array([1.0, 1.0, 1.0, 0.3])
    read = polygon(truth)[0] + sigma * source.standard_normal((trials, 4))
    drawn = source.multivariate_normal(truth, covariance[np.ix_(free, free)], size=trials)
    observed = np.hstack([read, drawn @ estimate.root.T])
    fits = least_squares(
        stacked, observed, np.concatenate([sigma, np.ones(5)]), drawn, period=stacked.period, tolerance=1e-6
    )
    assert fits.converged.all()
    stated = least_squares(
        stacked,
        np.concatenate([polygon(truth)[0], estimate.observed]),
        np.concatenate([sigma, np.ones(5)]),
        truth,
        period=stacked.period,
    ).cofactor
    assert np.std(fits.unknowns, axis=0) == pytest.approx(np.sqrt(np.diagonal(stated)), rel=0.03)
    everything: tuple[Thing, ...] = (*(side(i, 4) for i in range(4)), *(angle(i) for i in range(4)))
    values = polygon_equations(4, everything)(fits.unknowns)[0]
    rows = polygon_equations(4, everything)(truth)[1]
    assert np.std(values, axis=0) == pytest.approx(np.sqrt(np.diagonal(rows @ stated @ rows.T)), rel=0.03)
    rejected = float(np.mean(fits.chi_square > chi_square_quantile(0.95, 4)))
    assert abs(rejected - 0.05) < 0.005


def test_the_square_root_makes_the_block_independent() -> None:
    covariance = np.zeros((8, 8))
    free = polygon_equations(4, ()).free
    block = mixed(5, 9)
    covariance[np.ix_(free, free)] = block
    # Wherever the corners lie; the covariance is along and across the first side in any case.
    c, s = math.cos(0.6), math.sin(0.6)
    placed = [(c * x - s * y + 7, s * x + c * y - 3) for x, y in POINTS]
    estimate = corner_estimate(placed, covariance.tolist())
    assert estimate.root @ block @ estimate.root.T == pytest.approx(np.eye(5), abs=1e-9)
    assert estimate.coordinates == pytest.approx(np.array(POINTS).ravel()[free])
    off = np.array([1.0, -2.0, 0.5, 0.0, 3.0])
    assert estimate.misfit(estimate.coordinates + off) == pytest.approx(off @ np.linalg.inv(block) @ off)


def test_nothing_counts_as_better_known_than_a_hundredth_of_a_millimetre() -> None:
    estimate = corner_estimate(POINTS, np.zeros((8, 8)).tolist())
    assert estimate.root @ estimate.root.T == pytest.approx(np.eye(5) / LEAST_SIGMA**2)
    # Corners said to be exact pull the readings to themselves, and are blamed when those don't agree.
    result = adjusted(before(measured(*SOME), covariance=np.zeros((8, 8))))
    assert result.survey is not None
    assert result.survey.statistics.passed is True
    assert max(one.sigma for one in result.survey.lengths) < 0.02


# -------------------------------------------------------------------------------------------- who is wrong


def test_a_wrong_reading_is_named_although_few_were_taken() -> None:
    readings = measured(*SOME, noise=2)
    kind, of, value = readings[0]
    readings[0] = (kind, of, value + 30)
    result = adjusted(before(readings))
    error = finding(result, "reading-suspect")
    assert error.where == "lengths.top-tube[0]"
    assert "estimate-disagrees" not in codes(result)
    assert abs(corners(result)[1][0] - 500) < 6


def wrong(size: float = 1.07) -> list[tuple[float, float]]:
    """The chart of another size."""
    return [(size * x, size * y) for x, y in POINTS]


def test_a_wrong_estimate_is_named_and_left_out_when_the_readings_make_the_opening() -> None:
    readings = measured(*MANY, noise=3)
    result = adjusted(before(readings, points=wrong()))
    alone = adjusted(Draft(frame(readings), Provenance("demo"), Provenance("trial")))
    assert corners(result) == pytest.approx(corners(alone), abs=1e-6)
    error = finding(result, "estimate-disagrees")
    assert (error.level, error.where) == ("error", "sources.chart")
    assert "sources.chart is more likely wrong than any one reading" in error.message
    assert "made from the seven readings alone" in error.message
    assert codes(result) == ["estimate-disagrees", "readings-unchecked"]
    assert result.survey is not None
    assert alone.survey is not None
    assert result.survey.statistics.passed is False
    assert result.survey.statistics.dof == 7
    assert result.survey.covariance == alone.survey.covariance
    assert [one.redundancy for one in result.survey.readings] == pytest.approx(
        [one.redundancy for one in alone.survey.readings]
    )


def test_a_wrong_estimate_that_cannot_be_spared_says_what_would_replace_it() -> None:
    result = adjusted(before(measured(*SOME[:2], noise=3), points=wrong()))
    error = finding(result, "estimate-disagrees")
    assert "two readings alone can't make the opening" in error.message
    assert ", or read the " in error.message
    assert codes(result) == ["estimate-disagrees", "readings-weak"]


def test_one_reading_against_the_estimate_cannot_be_placed() -> None:
    result = adjusted(before([("length", "top-tube", 540.0)]))
    error = finding(result, "readings-disagree")
    assert "lengths.top-tube[0] 540 mm and sources.chart can't all be right" in error.message
    assert "with one reading to spare it can't be told which is wrong" in error.message
    assert "reading-suspect" not in codes(result)


def test_who_is_wrong_over_many_sheets() -> None:
    source = np.random.default_rng(12)
    seen: Counter[str] = Counter()
    sheets = 20
    for sheet in range(sheets):
        covariance = mixed(8, sheet)
        drawn = source.multivariate_normal(np.array(POINTS).ravel(), covariance).reshape(4, 2)
        points = [(float(x), float(y)) for x, y in drawn]
        readings = measured(*MANY[:6], noise=sheet + 1)
        honest = adjusted(before(readings, points, covariance))
        seen["accused"] += any(
            one.code in ("reading-suspect", "estimate-disagrees") for one in honest.findings
        )
        place = int(source.integers(5))
        kind, of, value = readings[place]
        slipped = [*readings]
        slipped[place] = (kind, of, value + float(source.choice([-1, 1])) * float(source.uniform(25, 80)))
        result = adjusted(before(slipped, points, covariance))
        suspects = [one.where for one in result.findings if one.code == "reading-suspect"]
        seen["reading"] += suspects == [f"{kind}s.{of}[{place}]"] and "estimate-disagrees" not in codes(
            result
        )
        size = float(source.choice([0.93, 0.95, 1.05, 1.07]))
        other = adjusted(before(readings, [(size * x, size * y) for x, y in points], covariance))
        seen["estimate"] += codes(other)[:1] == ["estimate-disagrees"]
    assert seen["accused"] == 0
    assert seen["reading"] >= 0.95 * sheets
    assert seen["estimate"] >= 0.95 * sheets


# -------------------------------------------------------------------------------------- shapes and refusals


def test_curved_sides_of_the_estimate_follow_its_corners() -> None:
    ends = list(zip(POINTS, (*POINTS[1:], POINTS[0]), strict=True))
    edges = [Path((Line(a, b),)) for a, b in ends]
    edges[2] = Path((Arc.from_sagitta(*ends[2], 14.0),))
    result = adjusted(before(measured(("length", "down-tube"), points=wrong(1.01)), edges=edges))
    assert result.opening is not None
    (arc,) = result.opening.edges[2].path.segments
    assert isinstance(arc, Arc)
    points = [corner.point for corner in result.opening.corners]
    assert arc.start == pytest.approx(points[2])
    assert arc.end == pytest.approx(points[3])
    chord = math.dist(arc.start, arc.end)
    assert chord > math.dist(*ends[2]) + 1
    # Stretched without changing its shape: sagitta over chord stays.
    rise = arc.radius - math.sqrt(arc.radius**2 - chord**2 / 4)
    assert rise / chord == pytest.approx(14.0 / math.dist(*ends[2]))
    assert all(
        isinstance(edge.path.segments[0], Line) for edge in result.opening.edges if edge.name != "down-tube"
    )


def test_an_excluded_reading_does_not_count_beside_an_estimate_either() -> None:
    draft = before(measured(*SOME, noise=2))
    first = replace(draft.frame.readings[0], value=700.0, excluded="wrong tube")
    left_out = replace(draft, frame=replace(draft.frame, readings=(first, *draft.frame.readings[1:])))
    result = adjusted(left_out)
    assert result.survey is not None
    assert result.survey.statistics.dof == 2
    assert codes(result) == ["estimate-adjusted", "reading-excluded"]


def refused(draft: Draft) -> Refusal:
    with pytest.raises(Refusal) as caught:
        adjusted(draft)
    assert caught.value.source == "recipe"
    for part in (caught.value.reason, caught.value.found, caught.value.valid, caught.value.todo):
        assert part
    return caught.value


def test_readings_are_not_counted_twice() -> None:
    draft = adjusted(before(measured(*MANY)))
    assert "would count twice" in refused(draft).reason
    # Without any, the second time changes nothing.
    once = adjusted(before())
    assert corners(adjusted(once)) == pytest.approx(corners(once), abs=1e-9)


def test_an_opening_that_is_no_estimate_is_refused() -> None:
    draft = before(measured(*SOME))
    assert draft.survey is not None
    assert draft.opening is not None
    assert "without saying how well it is known" in refused(replace(draft, survey=None)).reason
    turned = replace(draft.opening, corners=tuple(reversed(draft.opening.corners)))
    assert "other corners" in refused(replace(draft, opening=turned)).reason
    mirrored = [replace(one, point=(one.point[0], -one.point[1])) for one in draft.opening.corners]
    upside_down = replace(draft.opening, corners=tuple(mirrored))
    assert "isn't one" in refused(replace(draft, opening=upside_down)).reason


@pytest.mark.parametrize(
    ("spoil", "why"),
    [
        (lambda rows: rows[:6], "6 × 8 values"),
        (lambda rows: [*rows[:7], rows[7][:5]], "rows differ in length"),
        (
            lambda rows: [*rows[:2], [*rows[2][:4], rows[2][4] + 1, *rows[2][5:]], *rows[3:]],
            "isn't symmetric",
        ),
        (lambda rows: [*rows[:7], [*rows[7][:7], math.inf]], "aren't finite"),
        (lambda rows: [*rows[:7], [*rows[7][:7], -5.0]], "negative eigenvalue"),
    ],
)
def test_a_matrix_that_is_no_covariance_is_refused(spoil: Any, why: str) -> None:
    draft = before(measured(*SOME))
    assert draft.survey is not None
    rows = spoil([list(row) for row in draft.survey.covariance])
    spoilt = replace(draft.survey, covariance=tuple(tuple(row) for row in rows))
    said = refused(replace(draft, survey=spoilt))
    assert why in said.reason
    assert "8 × 8 values" in said.valid


def test_the_stage_says_that_it_uses_what_it_adds() -> None:
    (spec,) = oaktag_stages()
    assert set(spec.uses) == set(spec.adds) == {"survey", "opening"}
