"""Corners of a parallel outline that are squared off, clipped, mitred, or mirrored for a hem."""

from __future__ import annotations

from itertools import pairwise
from math import cos, hypot, radians, sin, sqrt, tan

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from oaktag.geometry import (
    Arc,
    CornerForm,
    GeometryError,
    Line,
    OffsetError,
    Path,
    Point,
    Transform,
    distance,
    offset_outline,
)

RECTANGLE: list[Point] = [(0.0, 60.0), (100.0, 60.0), (100.0, 0.0), (0.0, 0.0)]
"""Clockwise from the upper left: top, right, bottom, left."""

relaxed = settings(deadline=None, derandomize=True, max_examples=60)


def sides(corners: list[Point]) -> list[Path]:
    return [Path((Line(a, b),)) for a, b in zip(corners, corners[1:] + corners[:1], strict=True)]


def points_of(parts: tuple[Path, ...]) -> list[Point]:
    return [segment.start for part in parts for segment in part.segments]


def cut(
    corners: list[Point], distances: list[float], form: CornerForm, at: int = 0, limit: float = 10.0
) -> tuple[Path, ...]:
    forms: list[CornerForm | None] = [None] * len(corners)
    forms[at] = form
    return offset_outline(sides(corners), distances, forms=forms, limit=limit)


def has(parts: tuple[Path, ...], *wanted: Point) -> bool:
    """Whether the outline goes through these corners one after the other."""
    found = points_of(parts)
    found += found
    places = [next((i for i, p in enumerate(found) if distance(p, w) < 1e-6), -1) for w in wanted]
    count = len(found) // 2
    return min(places) >= 0 and all((b - a) % count == 1 for a, b in pairwise(places))


def triangle(angle: float, side: float = 300.0) -> list[Point]:
    """Clockwise; at its second corner it has the angle in degrees, and the first side runs to it along +x."""
    back = radians(180.0 + angle)
    return [(-side, 0.0), (0.0, 0.0), (side * cos(back), side * sin(back))]


def reflected(point: Point, start: Point, end: Point) -> Point:
    """The point mirrored about the line through two others."""
    length = distance(start, end)
    ux, uy = (end[0] - start[0]) / length, (end[1] - start[1]) / length
    dx, dy = point[0] - start[0], point[1] - start[1]
    along = dx * ux + dy * uy
    return start[0] + 2.0 * along * ux - dx, start[1] + 2.0 * along * uy - dy


def test_without_a_form_nothing_changes() -> None:
    plain = offset_outline(sides(RECTANGLE), [10.0, 8.0, 6.0, 4.0])
    assert offset_outline(sides(RECTANGLE), [10.0, 8.0, 6.0, 4.0], forms=[None] * 4) == plain


@pytest.mark.parametrize("second", [False, True])
def test_a_square_corner_ends_square_to_its_side_on_the_others_parallel(second: bool) -> None:
    # At 60°: the side's line meets the other's parallel 10 / sin 60° beyond the corner.
    form = CornerForm("square", second=second)
    moved = cut(triangle(60.0), [7.0, 10.0, 5.0], form)
    if not second:
        beyond = 10.0 / sin(radians(60.0))
        assert has(moved, (beyond, 7.0), (beyond, 0.0))
    else:
        # The other way round: 7 / sin 60° along the second side's line, then 10 mm square to it.
        beyond = 7.0 / sin(radians(60.0))
        along = (cos(radians(60.0)), sin(radians(60.0)))
        out = (sin(radians(60.0)), -cos(radians(60.0)))
        on_line = (beyond * along[0], beyond * along[1])
        assert has(moved, on_line, (on_line[0] + 10.0 * out[0], on_line[1] + 10.0 * out[1]))


def test_a_clipped_corner_is_square_to_the_bisector_at_its_clearance() -> None:
    moved = cut(RECTANGLE, [10.0, 10.0, 10.0, 10.0], CornerForm("clipped", clearance=3.0))
    reach = 3.0 * sqrt(2.0)
    assert has(moved, (100.0 + reach - 10.0, 70.0), (110.0, 60.0 + reach - 10.0))


@pytest.mark.parametrize("clearance", [0.0, 2.0])
def test_a_mitre_at_a_right_angle_lets_folded_margins_meet(clearance: float) -> None:
    # With 10 and 6 mm the mitre runs from the corner to 6 mm in and 10 mm down; unfolded it is one line.
    moved = cut(RECTANGLE, [10.0, 6.0, 10.0, 10.0], CornerForm("mitred", clearance=clearance))
    away = clearance * hypot(10.0, 6.0)
    first = (100.0 + (away - 60.0) / 10.0, 70.0)
    last = (106.0, 60.0 + (away - 60.0) / 6.0)
    assert has(moved, first, last)
    if clearance == 0.0:
        assert first == pytest.approx((100.0 - 6.0, 70.0))
        assert last == pytest.approx((106.0, 50.0))
        # Folded down along the top, the margin's end lies on the mitre, and so does the other's.
        assert reflected(first, (0.0, 60.0), (100.0, 60.0)) == pytest.approx((94.0, 50.0))
        assert reflected(last, (100.0, 60.0), (100.0, 0.0)) == pytest.approx((94.0, 50.0))


@given(st.floats(25.0, 89.0), st.floats(3.0, 12.0), st.floats(3.0, 12.0))
@relaxed
def test_folded_mitred_margins_meet_on_one_line(angle: float, first: float, second: float) -> None:
    corners = triangle(angle, 400.0)
    moved = cut(corners, [first, second, 5.0], CornerForm("mitred", clearance=0.0))
    one, tip, other = (moved[0].segments[1].start, moved[0].segments[2].start, moved[0].segments[2].end)
    assert distance(tip, (0.0, 0.0)) < 1e-6
    folded = reflected(one, corners[0], corners[1])
    assert folded == pytest.approx(reflected(other, corners[1], corners[2]), abs=1e-6)
    # It is as far inside both sides as their margins are wide: where the two edges lie on each other.
    assert -folded[1] == pytest.approx(first)
    across = abs(folded[0] * sin(radians(angle)) - folded[1] * cos(radians(angle)))
    assert across == pytest.approx(second)


@given(st.floats(35.0, 140.0), st.floats(4.0, 20.0), st.floats(4.0, 12.0), st.booleans())
@relaxed
def test_a_mirrored_margin_folds_onto_the_others_parallel(
    angle: float, hem: float, other: float, second: bool
) -> None:
    corners = triangle(angle, 500.0)
    widths = [other, hem, 5.0] if second else [hem, other, 5.0]
    try:
        moved = cut(corners, widths, CornerForm("mirrored", second=second))
    except OffsetError:
        assume(False)
    on_line, tip = (moved[0].end, moved[0].segments[-1].start)
    if second:
        on_line, tip = moved[0].segments[-1].start, moved[0].end
    start, end = (corners[1], corners[2]) if second else (corners[0], corners[1])
    folded = reflected(tip, start, end)
    neighbour = (corners[0], corners[1]) if second else (corners[1], corners[2])
    length = distance(*neighbour)
    for point in (folded, on_line):
        area = (neighbour[1][0] - neighbour[0][0]) * (point[1] - neighbour[0][1]) - (
            neighbour[1][1] - neighbour[0][1]
        ) * (point[0] - neighbour[0][0])
        assert area / length == pytest.approx(other, abs=1e-6)


def test_a_margin_that_is_folded_twice_leans_there_and_back() -> None:
    # At 60° the end leans 1/tan 60° a millimetre; 10 mm of it one way and 10 the other end where they began.
    moved = cut(triangle(60.0), [20.0, 8.0, 5.0], CornerForm("mirrored", folds=(10.0,)))
    x = 8.0 / sin(radians(60.0))
    lean = 10.0 / tan(radians(60.0))
    # An acute corner gets narrower outward: the fold lies on what narrows inward, so the margin narrows too.
    assert has(moved, (x, 20.0), (x - lean, 10.0), (x, 0.0))


def test_a_fold_beyond_the_margin_is_none() -> None:
    once = cut(triangle(60.0), [10.0, 8.0, 5.0], CornerForm("mirrored", folds=(10.0, 25.0)))
    assert once == cut(triangle(60.0), [10.0, 8.0, 5.0], CornerForm("mirrored"))


@pytest.mark.parametrize("shape", ["square", "clipped", "mitred", "mirrored"])
@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize("second", [False, True])
def test_either_way_round_and_turned_the_outline_is_the_same(shape: str, turned: bool, second: bool) -> None:
    corners, widths = [(0.0, 90.0), (120.0, 70.0), (95.0, 0.0), (0.0, 0.0)], [9.0, 12.0, 6.0, 5.0]
    forms = [CornerForm(shape, second)] * 4  # type: ignore[arg-type]
    there = offset_outline(sides(corners), widths, forms=forms, limit=10.0)
    move = Transform.rotation(37.0).then(Transform.translation(12.0, -3.0))
    if turned:
        back = [path.reversed() for path in reversed(sides(corners))]
        # The corner at the end of a side is at its start when it is run backwards.
        swapped = [CornerForm(shape, not second)] * 4  # type: ignore[arg-type]
        moved = offset_outline(back, widths[::-1], forms=swapped, limit=10.0)
        whole = Path(tuple(s for path in reversed(moved) for s in path.reversed().segments))
        found = {(round(p[0], 6), round(p[1], 6)) for p in (s.start for s in whole.segments)}
        assert found == {(round(p[0], 6), round(p[1], 6)) for p in points_of(there)}
    else:
        parts = [path.transformed(move) for path in sides(corners)]
        moved = offset_outline(parts, widths, forms=forms, limit=10.0)
        for point, other in zip(points_of(there), points_of(moved), strict=True):
            assert move.apply(point) == pytest.approx(other, abs=1e-6)


@pytest.mark.parametrize("shape", ["square", "clipped", "mitred", "mirrored"])
def test_a_corner_that_is_hollow_or_smooth_or_has_no_margin_stays_as_it_is(shape: str) -> None:
    form = CornerForm(shape)  # type: ignore[arg-type]
    hollow = [(0.0, 100.0), (50.0, 60.0), (100.0, 100.0), (100.0, 0.0), (0.0, 0.0)]
    assert cut(hollow, [8.0] * 5, form) == offset_outline(sides(hollow), [8.0] * 5, limit=10.0)
    none = [0.0, 10.0, 10.0, 10.0]
    assert cut(RECTANGLE, none, form) == offset_outline(sides(RECTANGLE), none, limit=10.0)
    top, right = Line((0.0, 60.0), (80.0, 60.0)), Line((100.0, 40.0), (100.0, 0.0))
    arc = Arc(top.end, right.start, (80.0, 40.0), 20.0, True)
    parts = [Path((top,)), Path((arc,)), *(Path((s,)) for s in (right, Line(right.end, (0.0, 0.0))))]
    parts.append(Path((Line((0.0, 0.0), top.start),)))
    forms = [form, form, None, None, None]
    assert offset_outline(parts, [10.0] * 5, forms=forms) == offset_outline(parts, [10.0] * 5)


@pytest.mark.parametrize("shape", ["square", "mirrored"])
def test_a_margin_may_be_cut_for_a_neighbour_that_has_none(shape: str) -> None:
    # At 60° the neighbour's line leans; folded over, a mirrored margin lies on it.
    moved = cut(triangle(60.0), [10.0, 0.0, 5.0], CornerForm(shape))  # type: ignore[arg-type]
    lean = 10.0 / tan(radians(60.0)) if shape == "mirrored" else 0.0
    assert has(moved, (-lean, 10.0), (0.0, 0.0))


def test_a_form_without_room_is_left_out() -> None:
    # The clip would lie outside the corner of the parallels.
    form = CornerForm("clipped", clearance=40.0)
    assert cut(RECTANGLE, [10.0] * 4, form) == offset_outline(sides(RECTANGLE), [10.0] * 4, limit=10.0)
    # The mitre of so acute a corner would begin beyond the other end of the side.
    short = triangle(20.0, 35.0)
    widths = [10.0, 10.0, 1.0]
    mitred = cut(short, widths, CornerForm("mitred"))
    assert mitred == offset_outline(sides(short), widths, limit=10.0)


def test_what_is_no_form_is_refused() -> None:
    with pytest.raises(GeometryError, match="must be one of"):
        CornerForm("bevelled")  # type: ignore[arg-type]
    with pytest.raises(GeometryError, match="clearance"):
        CornerForm("clipped", clearance=-1.0)
    with pytest.raises(GeometryError, match="one behind the other"):
        CornerForm("mirrored", folds=(10.0, 5.0))
    with pytest.raises(GeometryError, match="need as many forms"):
        offset_outline(sides(RECTANGLE), [1.0] * 4, forms=[None])


def test_the_area_of_a_clipped_square_is_known() -> None:
    moved = offset_outline(sides(RECTANGLE), [10.0] * 4, forms=[CornerForm("clipped", clearance=0.0)] * 4)
    whole = Path(tuple(segment for part in moved for segment in part.segments))
    # Each corner loses the triangle beyond the line through it: half of 20 by 20 mm.
    assert abs(whole.area) == pytest.approx(120.0 * 80.0 - 4 * 200.0)


@given(
    st.sampled_from(["square", "clipped", "mitred", "mirrored"]),
    st.booleans(),
    st.floats(-25.0, 25.0),
    st.floats(-12.0, 12.0),
    st.floats(3.0, 9.0),
)
@relaxed
def test_bowed_sides_keep_their_distance_up_to_the_corners(
    shape: str, second: bool, top: float, right: float, width: float
) -> None:
    ends = [(0.0, 120.0), (160.0, 120.0), (160.0, 0.0), (0.0, 0.0)]
    bows = [top, right, 0.0, 0.0]
    parts = [
        Path((Arc.from_sagitta(a, b, bow) if abs(bow) > 0.5 else Line(a, b),))
        for a, b, bow in zip(ends, ends[1:] + ends[:1], bows, strict=True)
    ]
    form = CornerForm(shape, second, clearance=2.0)  # type: ignore[arg-type]
    moved = offset_outline(parts, [width, width + 2.0, width, width], forms=[form] * 4, limit=10.0)
    whole = Path(tuple(segment for part in moved for segment in part.segments))
    assert whole.closed
    assert whole.is_simple()
    assert abs(whole.area) > abs(Path(tuple(s for part in parts for s in part.segments)).area)
    for part, run, distance_there in zip(parts, moved, [width, width + 2.0, width, width], strict=True):
        assert part.nearest(run.point_at(0.5 * run.length))[1] == pytest.approx(distance_there, abs=1e-6)
