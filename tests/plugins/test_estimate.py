"""Corners with their covariance become an opening and a survey."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path as File
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag.geometry import Arc, Curve, Line, Path, Point
from oaktag.pattern import Bow, Place, Reading
from oaktag.plugin.kit import example_draft
from oaktag_plugins.surveying.estimate import estimated, gauged

if TYPE_CHECKING:
    from tests.plugins import openings
else:
    openings = SimpleNamespace(**run_path(str(File(__file__).with_name("openings.py"))))

SETTINGS = settings(deadline=None, derandomize=True, max_examples=60)

KITE: tuple[Point, ...] = ((-90.0, 410.0), (420.0, 430.0), (440.0, 340.0), (10.0, 0.0))
PLACES = st.tuples(st.floats(-math.pi, math.pi), st.tuples(st.floats(-2e3, 2e3), st.floats(-2e3, 2e3)))


def some_covariance(count: int, seed: int = 1) -> np.ndarray:
    """A covariance in which everything hangs together."""
    root = np.random.default_rng(seed).normal(size=(2 * count, 2 * count))
    return np.asarray(root @ root.T / count)


@given(openings.polygons(), PLACES)
@SETTINGS
def test_the_shape_is_kept_wherever_the_corners_lie(
    points: tuple[Point, ...], place: tuple[float, Point]
) -> None:
    draft = openings.bare(len(points))
    after = estimated(draft, openings.moved(points, *place), np.eye(2 * len(points)))
    openings.check_shape(after, points)


def test_it_lies_where_reconciling_puts_it() -> None:
    reconciled = example_draft("measure.reconcile")
    assert reconciled.opening is not None
    points = [corner.point for corner in reconciled.opening.corners]
    after = estimated(example_draft(), openings.moved(points, 2.0, (300.0, -80.0)), np.eye(6))
    assert after.opening is not None
    for corner, point in zip(after.opening.corners, points, strict=True):
        assert corner.point == pytest.approx(point, abs=1e-9)


@given(openings.polygons(), PLACES, st.integers(0, 1000))
@SETTINGS
def test_uncertainty_of_the_placement_does_not_count(
    points: tuple[Point, ...], place: tuple[float, Point], seed: int
) -> None:
    count = len(points)
    covariance = some_covariance(count, seed)
    shift = np.array([(0.3, -0.1)] * count).ravel()
    turn = np.array([(-y, x) for x, y in points]).ravel() * 1e-3
    common = covariance + np.outer(shift, shift) + np.outer(turn, turn)
    plain = gauged(points, covariance)
    assert gauged(points, common) == pytest.approx(plain, abs=1e-9)
    # Turning the axes turns what is known with them.
    radians, shift_by = place
    c, s = math.cos(radians), math.sin(radians)
    axes = np.kron(np.eye(count), np.array([[c, -s], [s, c]]))
    elsewhere = gauged(openings.moved(points, radians, shift_by), axes @ covariance @ axes.T)
    assert elsewhere == pytest.approx(plain, abs=1e-8)
    for row in (0, 1, 3):
        assert not np.any(plain[row])
        assert not np.any(plain[:, row])


@pytest.mark.parametrize("points", [KITE, KITE[:2] + KITE[3:], (*KITE, (150.0, 200.0))])
def test_stated_uncertainties_are_those_of_many_trials(points: tuple[Point, ...]) -> None:
    count = len(points)
    covariance = some_covariance(count, 7)
    random = np.random.default_rng(20)
    samples = random.multivariate_normal(np.ravel(points), covariance, size=20_000).reshape(-1, count, 2)
    openings.check_covariance(estimated(openings.bare(count), points, covariance), samples)


def test_independent_corners_of_a_square_by_hand() -> None:
    # Along a side both ends count: √2 σ. Of the perimeter every corner counts along both its sides: each
    # moves it by √2 σ, four of them 2 √2 σ.
    square = ((0.0, 300.0), (300.0, 300.0), (300.0, 0.0), (0.0, 0.0))
    survey = estimated(openings.bare(4), square, 0.25 * np.eye(8)).survey
    assert survey is not None
    assert [one.sigma for one in survey.lengths] == pytest.approx([0.5 * math.sqrt(2.0)] * 4)
    assert survey.perimeter.sigma == pytest.approx(0.5 * 2.0 * math.sqrt(2.0))


def test_a_second_opening_is_refused() -> None:
    draft = estimated(openings.bare(4), KITE, np.eye(8))
    said = openings.refusal(lambda: estimated(draft, KITE, np.eye(8)), "", "recipe")
    assert "measure.reconcile" in said.todo


@pytest.mark.parametrize(
    ("points", "reason"),
    [
        (KITE[::-1], "counter-clockwise"),
        ((KITE[0], KITE[2], KITE[1], KITE[3]), "tube-0 and tube-2 cross"),
        (KITE[:3], "not as many corners"),
        (KITE[:2], "three corners or more"),
        ((KITE[0], KITE[1], (420.2, 430.3), KITE[3]), "corner-1 and corner-2 lie in one place"),
    ],
)
def test_corners_that_make_no_opening_are_refused(points: tuple[Point, ...], reason: str) -> None:
    said = openings.refusal(
        lambda: estimated(openings.bare(4), points, np.eye(8), key="sources.demo"), "sources.demo"
    )
    assert reason in said.reason


def test_a_covariance_of_another_size_is_a_fault_of_the_stage() -> None:
    with pytest.raises(ValueError, match="8 × 8"):
        estimated(openings.bare(4), KITE, np.eye(6))


# -------------------------------------------------------------------------------------------- curved sides


def curved() -> list[Path]:
    """The kite's sides, of which one is an arc, one a curve and one has two segments."""
    arc = Arc.from_sagitta(KITE[0], KITE[1], 12.0)
    knee = Arc.from_sagitta((440.0, 340.0), (225.0, 180.0), -5.0)
    curve = Curve.through((KITE[3], (-60.0, 200.0), KITE[0]))
    return [
        Path((arc,)),
        Path((Line(KITE[1], KITE[2]),)),
        Path((knee, Line(knee.end, KITE[3]))),
        Path((curve,)),
    ]


def test_given_sides_move_along() -> None:
    sides = curved()
    after = estimated(openings.bare(4), KITE, np.eye(8), sides)
    assert after.opening is not None
    moved = [edge.path for edge in after.opening.edges]
    for side, path in zip(sides, moved, strict=True):
        assert [type(segment) for segment in path.segments] == [type(segment) for segment in side.segments]
        assert path.length == pytest.approx(side.length, abs=1e-6)
    outline = Path(tuple(segment for path in moved for segment in path.segments))
    before = Path(tuple(segment for path in sides for segment in path.segments))
    assert outline.area == pytest.approx(before.area, abs=1e-3)


def test_sides_that_do_not_join_the_corners_are_a_fault_of_the_stage() -> None:
    sides = curved()
    sides[0] = Path((Arc.from_sagitta(KITE[0], (420.0, 420.0), 12.0),))
    with pytest.raises(ValueError, match="tube-0"):
        estimated(openings.bare(4), KITE, np.eye(8), sides)


def test_sides_that_cross_are_refused() -> None:
    sides = curved()
    sides[0] = Path((Curve.through((KITE[0], (100.0, 30.0), KITE[1])),))
    said = openings.refusal(lambda: estimated(openings.bare(4), KITE, np.eye(8), sides, key="x"), "x")
    assert "tube-0 and tube-2" in said.reason


def test_a_bow_bends_a_straight_side_and_contradicts_a_curved_one() -> None:
    draft = openings.bare(4)
    bow = Bow("tube-1", ((Place("tube-1", 0.5), 6.0),), "bows.tube-1")
    frame = replace(draft.frame, bows=(bow,))
    after = estimated(replace(draft, frame=frame), KITE, np.eye(8), curved())
    assert after.opening is not None
    (bent,) = after.opening.edge("tube-1").path.segments
    assert isinstance(bent, Arc)
    assert bent.sagitta == pytest.approx(6.0)
    twice = replace(draft.frame, bows=(replace(bow, tube="tube-0", key="bows.tube-0"),))
    openings.refusal(lambda: estimated(replace(draft, frame=twice), KITE, np.eye(8), curved()), "bows.tube-0")


def test_without_sides_the_sheet_bends_the_tubes() -> None:
    draft = openings.bare(4)
    frame = replace(draft.frame, bows=(Bow("tube-3", ((Place("tube-3", 0.5), -9.0),), "bows.tube-3"),))
    after = estimated(replace(draft, frame=frame), KITE, np.eye(8))
    openings.check_shape(after, KITE)
    assert after.opening is not None
    (bent,) = after.opening.edge("tube-3").path.segments
    assert isinstance(bent, Arc)
    assert bent.sagitta == pytest.approx(-9.0)


# ---------------------------------------------------------------------------------------- what it is worth


def test_it_says_what_an_unchecked_opening_is_worth() -> None:
    covariance = np.diag([1.0] * 6 + [9.0] * 2)
    after = estimated(openings.bare(4), KITE, covariance, key="sources.demo")
    (finding,) = after.findings
    assert (finding.level, finding.code, finding.where) == ("warning", "opening-estimated", "sources.demo")
    assert after.survey is not None
    worst = max(after.survey.lengths, key=lambda one: one.sigma)
    assert f"{worst.of}: {worst.value:.1f} mm" in finding.message
    assert f"{worst.sigma:.1f} mm" in finding.message


@pytest.mark.parametrize(("excluded", "level"), [("", "note"), ("slipped", "warning")])
def test_readings_that_count_make_it_a_note(excluded: str, level: str) -> None:
    draft = openings.bare(4)
    reading = Reading("length", "tube-0", 510.0, 1.0, "tape", "lengths.tube-0", excluded)
    after = estimated(replace(draft, frame=replace(draft.frame, readings=(reading,))), KITE, np.eye(8))
    assert openings.codes(after) == [(level, "opening-estimated")]
