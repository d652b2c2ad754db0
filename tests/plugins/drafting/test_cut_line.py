"""Lines across a bag: where they lie, which way they run, and what is refused."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from oaktag.geometry import Point, cross, dot, left_normal, subtract
from oaktag.pattern import Refusal
from oaktag.plugin.kit import example_draft, run_stage
from oaktag_plugins.drafting.cut_line import LineOptions, half_of, line_of
from oaktag_plugins.drafting.split import split_outline

DRAFT = example_draft("measure.reconcile", "outline.clear", "corners.round")
SETTINGS = settings(deadline=None, derandomize=True, max_examples=40)
TUBES = ("top-tube", "down-tube", "seat-tube")


def line(**options: Any) -> tuple[Point, Point]:
    assert DRAFT.outline is not None
    wanted = {name.replace("_", "-").removesuffix("-"): value for name, value in options.items()}
    return line_of(DRAFT, DRAFT.outline, LineOptions.model_validate(wanted))


@SETTINGS
@given(tube=st.sampled_from(TUBES), distance=st.floats(-20.0, 200.0))
def test_a_parallel_line_lies_square_to_the_tube_at_its_distance(tube: str, distance: float) -> None:
    assert DRAFT.outline is not None
    origin, direction = line(parallel_to=tube, distance=distance)
    run = DRAFT.outline.edge(tube).path
    along = subtract(run.end, run.start)
    assert abs(cross(direction, along)) < 1e-9 * run.length
    inside = (run.tangent_at(0.0)[1], -run.tangent_at(0.0)[0])
    assert dot(subtract(origin, run.start), inside) == pytest.approx(distance, abs=1e-9)
    assert math.hypot(*direction) == pytest.approx(1.0)


@SETTINGS
@given(tube=st.sampled_from(TUBES), at=st.floats(0.2, 0.8), angle=st.floats(-80.0, 80.0))
def test_a_turned_line_goes_through_its_place_at_its_angle(tube: str, at: float, angle: float) -> None:
    assert DRAFT.outline is not None
    origin, direction = line(parallel_to=tube, through={"tube": tube, "at": at}, angle=angle)
    run = DRAFT.outline.edge(tube).path
    assert run.nearest(origin)[1] < 1e-9
    ahead = run.tangent_at(0.0)
    turned = math.atan2(cross(ahead, direction), dot(ahead, direction))
    assert math.sin(turned - math.radians(angle)) == pytest.approx(0.0, abs=1e-9)


@SETTINGS
@given(
    first=st.sampled_from(TUBES), second=st.sampled_from(TUBES), a=st.floats(0.0, 1.0), b=st.floats(0.0, 1.0)
)
def test_a_line_between_places_meets_the_seam_line_at_both(
    first: str, second: str, a: float, b: float
) -> None:
    assert DRAFT.outline is not None
    if first == second:
        return
    ends = {"from": {"tube": first, "at": a}, "to": {"tube": second, "at": b}}
    try:
        origin, direction = line(**ends)
    except Refusal:
        return  # both places are one, at a corner's round
    back = line(**{"from": ends["to"], "to": ends["from"]})
    assert DRAFT.outline.path.nearest(origin)[1] < 1e-9
    assert DRAFT.outline.path.nearest(back[0])[1] < 1e-9
    # The same line and the same direction, whichever place is named first.
    assert back[1] == pytest.approx(direction, abs=1e-6)
    assert abs(dot(subtract(back[0], origin), left_normal(direction))) < 1e-6


def test_left_of_a_line_is_the_upper_and_of_an_upright_line_the_rear_part() -> None:
    assert DRAFT.outline is not None
    for options, left, right in (
        ({"parallel_to": "top-tube", "distance": 100}, "upper", "lower"),
        (
            {"parallel_to": "top-tube", "through": {"tube": "top-tube", "at": 0.5}, "angle": 90},
            "rear",
            "front",
        ),
        ({"parallel_to": "seat-tube", "distance": 120}, "front", "rear"),
    ):
        origin, direction = line(**options)
        split = split_outline(DRAFT.outline.edges, origin, direction)
        for side in (left, right):
            half = half_of(split, direction, side)  # type: ignore[arg-type]
            other = split.left if half is split.right else split.right
            box, rest = (
                [point for edge in one.edges for point in edge.path.flatten(0.1)] for one in (half, other)
            )
            axis = 1 if side in ("upper", "lower") else 0
            mean, rest_mean = (sum(p[axis] for p in points) / len(points) for points in (box, rest))
            assert (mean > rest_mean) == (side in ("upper", "front"))


def test_a_line_may_be_counted_from_a_tube_that_the_body_does_not_come_to() -> None:
    two = run_stage(
        "body.two", example_draft("measure.reconcile", "outline.clear"), parallel_to="top-tube", distance=90
    )
    upper, lower = two.outlines
    options = LineOptions.model_validate({"parallel-to": "top-tube", "distance": 150})
    assert line_of(two, lower, options) == line_of(two, upper, options)
    alone = two.evolve(outlines=(lower,))
    assert two.opening is not None
    origin, _ = line_of(alone, lower, options)
    assert two.opening.edge("top-tube").path.nearest(origin)[1] == pytest.approx(150.0)


@pytest.mark.parametrize(
    ("options", "reason"),
    [
        ({}, "says no line"),
        ({"from": {"tube": "top-tube", "at": 0.5}}, "go together"),
        ({"parallel-to": "top-tube"}, "has no place"),
        (
            {"parallel-to": "top-tube", "distance": 9, "through": {"tube": "top-tube", "at": 0.5}},
            "place twice",
        ),
        ({"parallel-to": "top-tube", "distance": 9, "angle": 4}, "turn about"),
        (
            {
                "parallel-to": "top-tube",
                "from": {"tube": "top-tube", "at": 0.5},
                "to": {"tube": "down-tube", "at": 0.5},
            },
            "line twice",
        ),
    ],
)
def test_a_line_is_given_in_one_way(options: dict[str, Any], reason: str) -> None:
    with pytest.raises(ValidationError, match=reason):
        LineOptions.model_validate(options)


@pytest.mark.parametrize(
    ("options", "key"),
    [
        ({"parallel-to": "toptube", "distance": 9}, "cut.parallel-to"),
        ({"parallel-to": "top-tube", "through": {"tube": "nowhere", "at": 0.5}}, "cut.through.tube"),
        (
            {
                "parallel-to": "top-tube",
                "through": {"tube": "top-tube", "distance": 9, "from": "bottom-bracket"},
            },
            "cut.through.from",
        ),
        ({"from": {"tube": "top-tube", "at": 0.5}, "to": {"tube": "top-tube", "at": 0.5}}, "cut.to"),
        (
            {
                "from": {"tube": "top-tube", "distance": 900, "from": "seat"},
                "to": {"tube": "down-tube", "at": 0.5},
            },
            "cut.from",
        ),
    ],
)
def test_names_that_there_are_not_are_refused(options: dict[str, Any], key: str) -> None:
    assert DRAFT.outline is not None
    with pytest.raises(Refusal) as caught:
        line_of(DRAFT, DRAFT.outline, LineOptions.model_validate(options), "cut")
    assert caught.value.key == key
