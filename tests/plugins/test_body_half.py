"""`body.half`: what is left of the bag on one side of a line, and the bag that is made of it."""

from __future__ import annotations

from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag.geometry import dot, subtract
from oaktag.pattern import Refusal
from oaktag.plugin.kit import run_stage

if TYPE_CHECKING:
    from tests.plugins import bodies
else:
    bodies = SimpleNamespace(**run_path(str(Path(__file__).with_name("bodies.py"))))

SETTINGS = settings(deadline=None, derandomize=True, max_examples=12)


@SETTINGS
@given(distance=st.floats(70.0, 170.0), gap=st.floats(0.0, 20.0), keep=st.sampled_from(["upper", "lower"]))
def test_the_half_is_bounded_by_the_line_and_sews_to_a_bag(distance: float, gap: float, keep: str) -> None:
    half = run_stage("body.half", bodies.CLEAR, parallel_to="top-tube", distance=distance, gap=gap, keep=keep)
    assert half.outline is not None
    assert bodies.CLEAR.outline is not None
    top = bodies.CLEAR.outline.edge("top-tube").path
    inwards = (top.tangent_at(0.0)[1], -top.tangent_at(0.0)[0])
    own = half.outline.edge("lower" if keep == "upper" else "upper").path
    off = distance - gap if keep == "upper" else distance + gap
    for point in (own.start, own.end):
        assert dot(subtract(point, top.start), inwards) == pytest.approx(off, abs=1e-6)
    assert half.outline.path.clockwise
    done = bodies.finished(bodies.wrapped(half))
    assert bodies.worst(done) < 0.01
    assert not bodies.codes(done, "error")
    assert done.volume is not None


def test_both_halves_are_the_whole() -> None:
    areas = []
    for keep in ("upper", "lower"):
        half = run_stage("body.half", bodies.CLEAR, parallel_to="top-tube", distance=130, keep=keep)
        assert half.outline is not None
        areas.append(abs(half.outline.path.area))
    assert bodies.CLEAR.outline is not None
    assert sum(areas) == pytest.approx(abs(bodies.CLEAR.outline.path.area), abs=0.01)


def test_corners_at_the_new_edge_are_named_after_both_edges() -> None:
    half = run_stage("body.half", bodies.CLEAR, parallel_to="top-tube", distance=130)
    radii = {"default": 20, "lower-seat-tube": 30, "down-tube-lower": 15, "head": 25}
    round_ = run_stage("corners.round", half, radius=radii)
    assert round_.outline is not None
    assert [edge.name for edge in round_.outline.edges] == [
        "top-tube",
        "corner:head",
        "down-tube",
        "corner:down-tube-lower",
        "lower",
        "corner:lower-seat-tube",
        "seat-tube",
        "corner:seat",
    ]
    for name, radius in (("lower-seat-tube", 30.0), ("down-tube-lower", 15.0), ("head", 25.0)):
        (arc,) = round_.outline.edge(f"corner:{name}").path.segments
        assert arc.radius == pytest.approx(radius)  # type: ignore[union-attr]
    with pytest.raises(Refusal) as caught:
        run_stage("corners.round", half, radius={"default": 20, "bottom-bracket": 30})
    assert caught.value.key == "radius.bottom-bracket"


def test_a_gap_is_kept_to_corners_of_the_frame_only() -> None:
    half = run_stage("body.half", bodies.CLEAR, parallel_to="top-tube", distance=130)
    run_stage("corners.round", half, corner_gap={"default": 12})
    with pytest.raises(Refusal) as caught:
        run_stage("corners.round", half, corner_gap={"default": 0, "lower-seat-tube": 12})
    assert caught.value.key == "corner-gap.lower-seat-tube"


def test_the_width_where_the_bag_leaves_a_tube_is_the_tubes_there() -> None:
    """The seat tube is 36 mm wide at the bottom bracket and 34 mm at the seat: half-way up it is 35 mm."""
    half = run_stage(
        "body.half",
        bodies.CLEAR,
        parallel_to="top-tube",
        through={"tube": "seat-tube", "at": 0.5},
    )
    bag = bodies.wrapped(half)
    assert bag.opening is not None
    assert bag.outline is not None
    tube = bag.opening.edge("seat-tube").path
    at = tube.nearest(bag.outline.edge("seat-tube").path.start)[0] / tube.length
    assert 0.5 < at < 0.6
    (mark,) = (mark for mark in bag.piece("gusset").marks if mark.text == "seat-tube")
    assert mark.path.length == pytest.approx(36.0 - 2.0 * at, abs=1e-6)


def test_the_new_edge_takes_its_width_by_name() -> None:
    half = run_stage("body.half", bodies.CLEAR, parallel_to="top-tube", distance=130)
    assert "width-assumed" in bodies.codes(bodies.wrapped(half))
    bag = bodies.wrapped(half, width={"lower": 51.5})
    assert "width-assumed" not in bodies.codes(bag)
    (gusset,) = (piece for piece in bag.pieces if piece.role == "gusset")
    (mark,) = (mark for mark in gusset.marks if mark.text == "lower")
    assert mark.path.length == pytest.approx(51.5, abs=1e-6)
    with pytest.raises(Refusal) as caught:
        bodies.wrapped(half, width={"upper": 50})
    assert caught.value.key == "width.upper"


@pytest.mark.parametrize(
    ("options", "code"),
    [
        ({"parallel_to": "top-tube", "distance": 700}, "cut-impossible"),
        ({"parallel_to": "top-tube", "distance": 10}, "run-short"),
    ],
)
def test_lines_that_leave_too_little_are_found(options: dict[str, Any], code: str) -> None:
    half = run_stage("body.half", bodies.CLEAR, **options)
    assert code in bodies.codes(half, "error")
    assert (half.outlines == bodies.CLEAR.outlines) == (code == "cut-impossible")


@pytest.mark.parametrize(
    ("options", "key"),
    [({"edge": "seat-tube"}, "edge"), ({"body": "lower"}, "body")],
)
def test_names_that_are_taken_or_unknown_are_refused(options: dict[str, Any], key: str) -> None:
    with pytest.raises(Refusal) as caught:
        run_stage("body.half", bodies.CLEAR, parallel_to="top-tube", distance=130, **options)
    assert caught.value.key == key


def test_corners_are_rounded_after_the_cut() -> None:
    round_ = run_stage("corners.round", bodies.CLEAR)
    with pytest.raises(Refusal, match="round already"):
        run_stage("body.half", round_, parallel_to="top-tube", distance=130)


def test_a_bag_may_be_cut_twice() -> None:
    half = run_stage("body.half", bodies.CLEAR, parallel_to="top-tube", distance=150)
    with pytest.raises(Refusal) as caught:
        run_stage("body.half", half, parallel_to="top-tube", distance=60)
    assert caught.value.key == "edge"
    band = run_stage("body.half", half, parallel_to="top-tube", distance=50, keep="lower")
    done = bodies.finished(bodies.wrapped(band, width={"lower": 50, "upper": 50}))
    assert bodies.worst(done) < 0.01
    assert not bodies.codes(done, "error")
