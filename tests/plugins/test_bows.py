"""Tubes that bend."""

from __future__ import annotations

import math
from pathlib import Path as File
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from oaktag.geometry import Arc, Curve, Line, Path, Point
from oaktag.pattern import Bow, Frame, Place
from oaktag_plugins.surveying.bows import bowed, crossing

if TYPE_CHECKING:
    from tests.plugins import openings
else:
    openings = SimpleNamespace(**run_path(str(File(__file__).with_name("openings.py"))))

SETTINGS = settings(deadline=None, derandomize=True, max_examples=60)

# Legs of 300 and 400 mm on the axes, clockwise: the top tube is 500 mm long.
RIGHT: tuple[Point, ...] = ((0.0, 300.0), (400.0, 0.0), (0.0, 0.0))


def frame(*bows: Bow) -> Frame:
    return Frame("Demo", openings.CORNERS, openings.TUBES, (), bows=bows)


def bow(tube: str, *offsets: tuple[float, float]) -> Bow:
    """A bow by distances in mm from the tube's first corner."""
    return Bow(tube, tuple((Place(tube, 0.0, at), rise) for at, rise in offsets), f"bows.{tube}")


def outline(paths: tuple[Path, ...]) -> Path:
    return Path(tuple(segment for path in paths for segment in path.segments))


def test_tubes_are_straight_unless_the_sheet_bends_them() -> None:
    paths = bowed(RIGHT, frame())
    assert [path.segments for path in paths] == [
        (Line(a, b),) for a, b in zip(RIGHT, (*RIGHT[1:], RIGHT[0]), strict=True)
    ]


@pytest.mark.parametrize("rise", [20.0, -20.0])
def test_one_rise_at_the_middle_is_an_arc_away_from_the_opening(rise: float) -> None:
    paths = bowed(RIGHT, frame(Bow("top-tube", ((Place("top-tube", 0.5), rise),), "bows.top-tube")))
    (arc,) = paths[0].segments
    assert isinstance(arc, Arc)
    assert (arc.start, arc.end) == RIGHT[:2]
    # Away from the right angle at the origin: along (3, 4) / 5.
    assert arc.point_at(arc.length / 2) == pytest.approx((200.0 + 0.6 * rise, 150.0 + 0.8 * rise))
    # A circular segment of chord 500: R²/2 (θ − sin θ).
    radius = (250.0**2 + 20.0**2) / 40.0
    sector = 2.0 * math.asin(250.0 / radius)
    segment = 0.5 * radius**2 * (sector - math.sin(sector))
    assert -outline(paths).area == pytest.approx(60_000.0 + math.copysign(segment, rise))


def test_one_offset_elsewhere_is_the_arc_through_it() -> None:
    (arc,) = bowed(RIGHT, frame(bow("down-tube", (100.0, 12.0))))[1].segments
    assert isinstance(arc, Arc)
    # From (400, 0) to the origin, 100 mm along, downwards.
    assert arc.nearest((300.0, -12.0))[1] == pytest.approx(0.0, abs=1e-9)
    # Intersecting chords (Euclid III.35): square to the tube the circle goes on for 100 · 300 / 12 = 2500 mm
    # beyond it, so the centre lies (2500 − 12) / 2 beyond it and half the tube's 400 mm from its ends.
    assert arc.radius == pytest.approx(math.hypot(1244.0, 200.0))


def test_several_offsets_are_one_smooth_curve_through_them() -> None:
    path = bowed(RIGHT, frame(bow("down-tube", (100.0, 8.0), (220.0, -3.0), (310.0, 1.0))))[1]
    (curve,) = path.segments
    assert isinstance(curve, Curve)
    for x, y in ((300.0, -8.0), (180.0, 3.0), (90.0, -1.0)):
        assert path.nearest((x, y))[1] == pytest.approx(0.0, abs=1e-6)
    assert (path.start, path.end) == (RIGHT[1], RIGHT[2])


def test_a_bend_that_nobody_could_measure_is_straight() -> None:
    paths = bowed(RIGHT, frame(bow("down-tube", (200.0, 0.01)), bow("top-tube", (100.0, 0.0), (300.0, 0.0))))
    assert all(isinstance(segment, Line) for path in paths for segment in path.segments)


@given(openings.polygons(5), st.data())
@SETTINGS
def test_corners_stay_and_the_outline_stays_simple(points: tuple[Point, ...], data: st.DataObject) -> None:
    corners, tubes = openings.names(len(points))
    bows: list[Bow] = []
    for index, tube in enumerate(tubes):
        length = math.dist(points[index], points[(index + 1) % len(points)])
        rise = data.draw(st.floats(-0.02, 0.02)) * length
        places = data.draw(st.sampled_from([(0.5,), (0.3,), (0.25, 0.6)]))
        bows.append(bow(tube, *((share * length, rise) for share in places)))
    sharpest = min(
        min(angle, 360.0 - angle)
        for angle in (openings.interior_angle(points, index) for index in range(len(points)))
    )
    assume(sharpest > 25.0)  # elsewhere even a slight bend may reach the neighbour
    paths = bowed(points, Frame("Demo", corners, tubes, (), bows=tuple(bows)))
    assert [path.start for path in paths] == list(points)
    whole = outline(paths)
    assert whole.clockwise
    assert whole.is_simple()


@pytest.mark.parametrize(
    ("offsets", "key", "reason"),
    [
        (((400.0, 5.0),), "bows.down-tube", "beyond the tube"),
        (((-1.0, 5.0),), "bows.down-tube", "beyond the tube"),
        (((100.0, 5.0), (450.0, 5.0)), "bows.down-tube.offsets[1]", "beyond the tube"),
        (((200.0, 5.0), (100.0, 5.0)), "bows.down-tube.offsets[1]", "out of order"),
        (((200.0, 5.0), (200.5, 5.0)), "bows.down-tube.offsets[1]", "out of order"),
        (((200.0, 201.0),), "bows.down-tube", "half circle"),
        (((200.0, -201.0),), "bows.down-tube", "half circle"),
        (((40.0, 121.0),), "bows.down-tube", "half circle"),  # √(40 · 360) = 120
    ],
)
def test_offsets_that_no_tube_has_are_refused(
    offsets: tuple[tuple[float, float], ...], key: str, reason: str
) -> None:
    said = openings.refusal(lambda: bowed(RIGHT, frame(bow("down-tube", *offsets))), key)
    assert reason in said.reason


def test_just_inside_the_half_circle_is_a_bow() -> None:
    (arc,) = bowed(RIGHT, frame(bow("down-tube", (40.0, 119.9))))[1].segments
    assert isinstance(arc, Arc)
    assert abs(arc.sweep) < math.pi


def test_a_bend_that_reaches_another_tube_is_refused() -> None:
    said = openings.refusal(lambda: bowed(RIGHT, frame(bow("top-tube", (200.0, -170.0)))), "bows.top-tube")
    assert "cross" in said.reason
    assert "-170 mm" in said.found


def test_a_bend_that_turns_the_opening_inside_out_is_refused() -> None:
    # A flat triangle: the long side bends past the corner opposite without touching the others.
    flat = ((0.0, 0.0), (400.0, 0.0), (200.0, -20.0))
    said = openings.refusal(lambda: bowed(flat, frame(bow("top-tube", (200.0, -80.0)))), "bows.top-tube")
    assert "top-tube" in said.reason


def test_a_side_that_crosses_itself_is_seen() -> None:
    loop = Curve.through(((0.0, 300.0), (300.0, 200.0), (300.0, 300.0), (100.0, 220.0), (400.0, 0.0)))
    sides = (Path((loop,)), *bowed(RIGHT, frame())[1:])
    assert crossing(sides) == (0, 0)
    assert crossing(bowed(RIGHT, frame())) is None
