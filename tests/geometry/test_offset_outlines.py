from __future__ import annotations

import itertools
from math import cos, hypot, inf, nan, pi, radians, sin, sqrt, tan, tau

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from shapely import Polygon

from oaktag.geometry import (
    Arc,
    Curve,
    FilletError,
    GeometryError,
    Line,
    OffsetError,
    Path,
    Point,
    cross,
    distance,
    left_normal,
    norm,
    offset_outline,
    round_corner,
    shifted,
    subtract,
)

relaxed = settings(deadline=None, max_examples=40)


def sides(corners: list[Point]) -> list[Path]:
    return [Path.polyline([a, b]) for a, b in zip(corners, corners[1:] + corners[:1], strict=True)]


def whole(parts: tuple[Path, ...] | list[Path]) -> Path:
    return Path(tuple(segment for part in parts for segment in part.segments))


def corners_of(parts: tuple[Path, ...]) -> list[Point]:
    return [segment.start for part in parts for segment in part.segments]


SQUARE: list[Point] = [(0.0, 0.0), (100.0, 0.0), (100.0, 100.0), (0.0, 100.0)]


@pytest.mark.parametrize("turned", [False, True])
def test_each_side_of_a_square_has_its_own_distance(turned: bool) -> None:
    parts, distances = sides(SQUARE), [10.0, 0.0, 5.0, -20.0]
    if turned:
        parts, distances = [part.reversed() for part in reversed(parts)], distances[::-1]
    moved = offset_outline(parts, distances)
    outline = whole(moved)
    assert outline.clockwise is turned
    assert outline.bounds == pytest.approx((20.0, -10.0, 100.0, 105.0))
    assert abs(outline.area) == pytest.approx(80.0 * 115.0)
    assert all(len(part.segments) == 1 for part in moved)
    for before, after in zip(parts, moved, strict=True):
        assert after.tangent_at(0.0) == pytest.approx(before.tangent_at(0.0))


def test_distance_zero_changes_nothing() -> None:
    parts = sides(SQUARE)
    assert offset_outline(parts, [0.0] * 4) == tuple(parts)
    single = (whole(parts),)
    assert offset_outline(single, [0.0]) == single


def test_one_part_may_be_the_whole_outline() -> None:
    (moved,) = offset_outline([whole(sides(SQUARE))], [10.0])
    assert moved == whole(offset_outline(sides(SQUARE), [10.0] * 4))
    assert moved.area == pytest.approx(120.0**2)


@pytest.mark.parametrize("limit", [1.0, 1.3, 2.0, 3.0])
@pytest.mark.parametrize("interior", [20.0, 40.8, 57.0, 59.9, 60.1, 90.0, 130.0])
def test_a_mitre_reaches_to_the_limit_and_is_cut_off_square(interior: float, limit: float) -> None:
    """Equal distances: the mitre point lies d/sin(θ/2) from the corner."""
    d, reach = 10.0, 300.0
    apex = (0.0, 0.0)
    low = (reach * cos(-radians(interior) / 2), reach * sin(-radians(interior) / 2))
    high = (low[0], -low[1])
    moved = offset_outline(sides([apex, low, high]), [d] * 3, limit=limit)
    # Before the corner runs the side from `high` to `apex`, the last part.
    tip = min(x for x, _ in corners_of(moved))
    mitre = d / sin(radians(interior) / 2)
    # The corner points left: its bisector is the x axis.
    assert -tip == pytest.approx(min(mitre, limit * d))
    cut = len(moved[2].segments) - 1
    assert cut == (1 if mitre > limit * d + 1e-9 else 0)
    # The two equal corners opposite.
    other = d / sin(radians(180 - interior) / 4)
    assert len(moved[0].segments) == (2 if other > limit * d + 1e-9 else 1)
    if cut:
        bevel = moved[2].segments[-1]
        assert isinstance(bevel, Line)
        assert bevel.direction == pytest.approx((0.0, -1.0), abs=1e-12)
        # Half its width: what the cut leaves of the mitre's tip, similar triangles.
        assert bevel.length == pytest.approx(2 * (mitre - limit * d) * tan(radians(interior) / 2))


def test_a_cut_corner_with_unequal_distances() -> None:
    """The cut is square to the line from the corner to the mitre point, at the limit times the larger."""
    apex, low, high = (0.0, 0.0), (300.0, -40.0), (300.0, 40.0)
    moved = offset_outline(sides([apex, low, high]), [10.0, 10.0, 6.0], limit=2.0)
    before, bevel = moved[2].segments
    assert isinstance(bevel, Line)
    assert isinstance(before, Line)
    first = moved[0].segments[0]
    assert isinstance(first, Line)
    u, v = before.direction, first.direction
    # Where the two parallels would meet.
    s = cross(subtract(first.start, before.end), v) / cross(u, v)
    mitre = shifted(before.end, u, s)
    assert abs(cross(u, subtract(apex, before.end))) == pytest.approx(6.0)
    assert abs(cross(v, subtract(apex, first.start))) == pytest.approx(10.0)
    axis = (mitre[0] / norm(mitre), mitre[1] / norm(mitre))
    for point in (bevel.start, bevel.end):
        assert point[0] * axis[0] + point[1] * axis[1] == pytest.approx(20.0)


def test_an_inward_corner_has_no_limit() -> None:
    apex, low, high = (0.0, 0.0), (300.0, -40.0), (300.0, 40.0)
    moved = offset_outline(sides([apex, low, high]), [-5.0] * 3, limit=1.0)
    half = hypot(300.0, 40.0)
    assert moved[0].start == pytest.approx((5.0 * half / 40.0, 0.0))


def rounded_square(radius: float) -> list[Path]:
    """Sides and corner arcs in order, the first a side."""
    parts = sides(SQUARE)
    arcs: list[Path] = []
    for i in range(4):
        fillet = round_corner(parts[i], parts[(i + 1) % 4], radius, "left")
        parts[i], parts[(i + 1) % 4] = fillet.first, fillet.second
        arcs.append(Path((fillet.arc,)))
    return [path for pair in zip(parts, arcs, strict=True) for path in pair]


def test_a_change_of_distance_on_a_smooth_outline_is_a_step() -> None:
    parts = rounded_square(20.0)
    moved = offset_outline(parts, [10.0, 10.0, 10.0, 5.0, 5.0, 0.0, 0.0, 10.0])
    # The right side (part 2) at 10 steps in to the corner after it (part 3) at 5.
    side, step = moved[2].segments
    assert isinstance(step, Line)
    assert side.end == pytest.approx((110.0, 80.0))
    assert step.end == pytest.approx((105.0, 80.0))
    assert moved[3].start == pytest.approx((105.0, 80.0))
    assert len(moved[3].segments) == 1
    # The top (4) at 5 steps in to 0; the left side (6) at 0 steps out to 10.
    assert [segment.length for segment in moved[4].segments] == pytest.approx([60.0, 5.0])
    assert [segment.length for segment in moved[6].segments] == pytest.approx([60.0, 10.0])
    assert [len(part.segments) for part in moved] == [1, 1, 2, 1, 2, 1, 2, 1]


def test_area_of_a_stepped_outline() -> None:
    parts = rounded_square(20.0)
    distances = [10.0, 10.0, 10.0, 5.0, 5.0, 0.0, 0.0, 10.0]
    added = 0.0
    for part, d in zip(parts, distances, strict=True):
        (segment,) = part.segments
        sweep = segment.sweep if isinstance(segment, Arc) else 0.0
        # A strip along a line, a ring sector along an arc.
        added += segment.length * d + sweep * d * d / 2
    assert whole(offset_outline(parts, distances)).area == pytest.approx(whole(parts).area + added, abs=1e-9)


def test_a_nearly_straight_corner_with_two_distances_is_a_step_too() -> None:
    """The parallels would meet far away; a seam allowance must not run out there."""
    corners: list[Point] = [(0.0, 0.0), (150.0, -1.0), (300.0, 0.0), (150.0, 200.0)]
    moved = offset_outline(sides(corners), [10.0, 4.0, 10.0, 10.0])
    assert len(moved[0].segments) == 2
    step = moved[0].segments[-1]
    assert step.length == pytest.approx(6.0, abs=0.1)


def test_round_joins() -> None:
    moved = offset_outline(sides(SQUARE), [10.0, 10.0, 10.0, 4.0], join="round")
    lines = [part.segments[0] for part in moved]
    arcs = [part.segments[1:] for part in moved]
    assert [len(tail) for tail in arcs] == [1, 1, 0, 0]
    for (arc,), corner in zip(arcs[:2], SQUARE[1:3], strict=True):
        assert isinstance(arc, Arc)
        assert arc.center == corner
        assert arc.radius == 10.0
        assert arc.sweep == pytest.approx(pi / 2)
    # Unequal distances meet in a mitre.
    assert lines[3].end == pytest.approx((-4.0, -10.0))
    # Inward, a square's corners stay corners.
    assert offset_outline(sides(SQUARE), [-10.0] * 4, join="round") == offset_outline(
        sides(SQUARE), [-10.0] * 4
    )


def test_round_join_about_a_reflex_corner_inward() -> None:
    corners: list[Point] = [(0, 0), (100, 0), (100, 100), (50, 40), (0, 100)]
    moved = offset_outline(sides(corners), [-5.0] * 5, join="round")
    (arc,) = [segment for part in moved for segment in part.segments if isinstance(segment, Arc)]
    assert arc.center == (50.0, 40.0)
    assert arc.clockwise


@st.composite
def convex(draw: st.DrawFn) -> list[Point]:
    count = draw(st.integers(3, 8))
    gaps = [draw(st.floats(0.4, 1.0)) for _ in range(count)]
    angles = [tau * value / sum(gaps) for value in itertools.accumulate(gaps)]
    assume(max(b - a for a, b in itertools.pairwise([0.0, *angles])) < 2.8)
    a, b = draw(st.floats(80.0, 200.0)), draw(st.floats(80.0, 200.0))
    return [(a * cos(angle), b * sin(angle)) for angle in angles]


@relaxed
@given(convex(), st.lists(st.just(0.0) | st.floats(0.001, 12.0), min_size=8, max_size=8))
def test_convex_outline_is_the_intersection_of_its_half_planes(corners: list[Point], ds: list[float]) -> None:
    """Mitres without a limit that matters: the result is what all moved sides have on their inside."""
    parts = sides(corners)
    distances = ds[: len(parts)]
    far = 5e3
    region = Polygon([(-far, -far), (far, -far), (far, far), (-far, far)])
    for part, d in zip(parts, distances, strict=True):
        (line,) = part.segments
        u = line.tangent_at(0.0)
        out = shifted(line.start, left_normal(u), -d)
        a, b = shifted(out, u, -far), shifted(out, u, far)
        left = region & Polygon([a, b, shifted(b, left_normal(u), far), shifted(a, left_normal(u), far)])
        assert isinstance(left, Polygon)
        region = left
    # Every side must remain, and no mitre may trim a neighbour beyond what the limit allows.
    assume(len(region.exterior.coords) == len(parts) + 1)
    ring = [(x, y) for x, y in region.exterior.coords]
    assume(min(distance(p, q) for p, q in itertools.pairwise(ring)) > 1.0)
    moved = offset_outline(parts, distances, limit=1000.0)
    assert whole(moved).polygon().symmetric_difference(region).area < 1e-6
    assert all(len(part.segments) == 1 for part in moved)


@relaxed
@given(convex(), st.floats(0.5, 30.0), st.booleans())
def test_steiner(corners: list[Point], d: float, turned: bool) -> None:
    outline = whole(sides(corners))
    (moved,) = offset_outline([outline.reversed() if turned else outline], [d], join="round")
    assert moved.length == pytest.approx(outline.length + tau * d, rel=1e-12)
    assert abs(moved.area) == pytest.approx(outline.area + outline.length * d + pi * d * d, rel=1e-12)
    assert moved.clockwise is turned


@st.composite
def outlines(draw: st.DrawFn) -> list[Path]:
    """Sides of lines, arcs and curves round the origin, some corners reflex, some rounded."""
    count = draw(st.integers(3, 6))
    kinds = draw(st.sampled_from(["line", "line arc", "line arc curve"])).split()
    radii = [draw(st.floats(90.0, 180.0)) for _ in range(count)]
    corners = [(r * cos(tau * k / count), r * sin(tau * k / count)) for k, r in enumerate(radii)]
    parts: list[Path] = []
    for k in range(count):
        a, b = corners[k], corners[(k + 1) % count]
        bulge = draw(st.sampled_from([-1.0, 1.0])) * draw(st.floats(1.0, 10.0))
        kind = draw(st.sampled_from(kinds))
        if kind == "line":
            parts.append(Path((Line(a, b),)))
        elif kind == "arc":
            parts.append(Path((Arc.from_sagitta(a, b, bulge),)))
        else:
            third = (a[0] + (b[0] - a[0]) / 3, a[1] + (b[1] - a[1]) / 3)
            parts.append(
                Path((Curve.through([a, shifted(third, left_normal(Line(a, b).direction), bulge), b]),))
            )
    if draw(st.booleans()):
        radius, result = draw(st.floats(15.0, 30.0)), []
        for i in range(count):
            after = (i + 1) % count
            try:
                fillet = round_corner(parts[i], parts[after], radius, "left")
            except FilletError:
                assume(False)
            parts[i], parts[after] = fillet.first, fillet.second
            result.append(Path((fillet.arc,)))
        parts = [path for pair in zip(parts, result, strict=True) for path in pair]
    assume(whole(parts).is_simple())
    return parts


@relaxed
@given(outlines(), st.floats(0.5, 10.0), st.booleans(), st.booleans(), st.booleans())
def test_equal_distances_keep_their_distance_everywhere(
    parts: list[Path], size: float, inward: bool, turned: bool, together: bool
) -> None:
    """With round joins every point of the result is exactly that far from the original, on that side."""
    outline = whole(parts)
    d = -size if inward else size
    if turned:
        parts = [part.reversed() for part in reversed(parts)]
    given_parts = [whole(parts)] if together else parts
    moved = offset_outline(given_parts, [d] * len(given_parts), join="round")
    result = whole(moved)
    assert result.closed
    for k in range(100):
        point = result.point_at(result.length * k / 100)
        assert outline.nearest(point)[1] == pytest.approx(size, abs=1e-5)
        assert outline.contains(point) is inward
    # A polygon library's buffer: it simplifies hollow corners by a hundredth of the distance.
    true = outline.polygon(1e-3).buffer(d, quad_segs=128)
    assert true.geom_type == "Polygon"
    assert abs(result.area) == pytest.approx(true.area, abs=0.01 * size * outline.length)
    kinds = {type(segment) for part in moved for segment in part.segments}
    assert kinds <= {type(segment) for segment in outline.segments} | {Arc}


def runs_beside(part: Path, kept: Line | Arc | Curve, away: float) -> bool:
    """Whether a segment lies on the parallel of a part of one segment, `away` to its right."""
    (segment,) = part.segments
    if isinstance(segment, Line) and isinstance(kept, Line):
        ends = [cross(segment.direction, subtract(end, segment.start)) for end in (kept.start, kept.end)]
        same_way = kept.tangent_at(0.0) == pytest.approx(segment.direction, abs=1e-6)
        return same_way and ends == pytest.approx([-away, -away], abs=1e-6)
    if isinstance(segment, Arc) and isinstance(kept, Arc):
        radius = segment.radius + (-away if segment.clockwise else away)
        return kept.center == segment.center and kept.radius == pytest.approx(radius, abs=1e-9)
    if isinstance(segment, Curve) and isinstance(kept, Curve):
        found = [part.nearest(kept.point_at(kept.length * k / 20))[1] for k in range(21)]
        return all(value >= abs(away) - 1e-5 for value in found) and min(found) <= abs(away) + 1e-5
    return False


@relaxed
@given(outlines(), st.data())
def test_unequal_distances(parts: list[Path], data: st.DataObject) -> None:
    sign = data.draw(st.sampled_from([-1.0, 1.0]))
    size = st.sampled_from([0.0, 5.0, 10.0]) | st.floats(0.1, 10.0)
    distances = [sign * data.draw(size) for _ in parts]
    limit = data.draw(st.sampled_from([1.0, 2.0, 5.0]))
    try:
        moved = offset_outline(parts, distances, limit=limit)
    except OffsetError:
        # Some are refused: a hollow round is swallowed where its neighbours stand out further.
        assume(False)
    result, outline = whole(moved), whole(parts)
    assert len(moved) == len(parts)
    assert result.closed
    assert result.is_simple()
    assert result.clockwise is outline.clockwise
    for part, after, d in zip(parts, moved, distances, strict=True):
        assert any(runs_beside(part, kept, d) for kept in after.segments)
    # Nothing on the wrong side, nothing beyond the limit: the ends of a cut lie beside its middle.
    wrong, far = result.polygon(), max(abs(d) for d in distances) * hypot(limit, 1.0) + 0.1
    if sign > 0:
        assert wrong.buffer(0.05).contains(outline.polygon())
        assert outline.polygon().buffer(far).contains(wrong)
    else:
        assert outline.polygon().buffer(0.05).contains(wrong)


def test_short_sides_that_are_used_up_leave_their_part_in_peace() -> None:
    """An octagon's short sides vanish inward; as one part nothing is lost but they."""
    corners: list[Point] = [(5, 0), (95, 0), (100, 5), (100, 95), (95, 100), (5, 100), (0, 95), (0, 5)]
    outline = whole(sides(corners))
    (moved,) = offset_outline([outline], [-30.0])
    assert moved.area == pytest.approx(40.0**2)
    assert len(moved.segments) == 4
    with pytest.raises(OffsetError, match="nothing is left") as refused:
        offset_outline(sides(corners), [-30.0] * 8)
    # The short sides are the odd parts.
    assert refused.value.part % 2 == 1


turns = st.lists(st.floats(0.05, 1.5), min_size=1, max_size=6, unique_by=lambda value: round(value, 1))


@relaxed
@given(turns, st.floats(13.0, 40.0))
def test_facets_of_a_corner_are_used_up_one_after_the_other(turns: list[float], d: float) -> None:
    """Uneven facets about a circle of radius 12 in place of a square's corner, moved in past its centre."""
    angles = [-pi / 2, *(turn - pi / 2 for turn in sorted(turns)), 0.0]
    facets: list[Point] = []
    for before, after in itertools.pairwise(angles):
        reach, middle = 12.0 / cos((after - before) / 2), (before + after) / 2
        facets.append((88.0 + reach * cos(middle), 12.0 + reach * sin(middle)))
    outline = whole(sides([(0.0, 0.0), *facets, (100.0, 100.0), (0.0, 100.0)]))
    (moved,) = offset_outline([outline], [-d])
    assert moved.area == pytest.approx((100.0 - 2 * d) ** 2)
    assert len(moved.segments) == 4


@pytest.mark.parametrize(("limit", "distances"), [(1.0, (10, 0, 0)), (1.0, (10, 0, 5)), (1.2, (10, 10, 10))])
def test_an_open_corner_beside_an_arc_at_the_limit(limit: float, distances: tuple[float, ...]) -> None:
    """The arc's circle crosses the line's parallel somewhere far back too: no way to close this corner."""
    nose = Path((Arc.from_sagitta((122.8, 14.8), (61.3, 16.4), -4.84),))
    parts = [
        nose,
        Path.polyline([(61.3, 16.4), (38.2, -143.1)]),
        Path.polyline([(38.2, -143.1), (122.8, 14.8)]),
    ]
    moved = offset_outline(parts, distances, limit=limit)
    for part, after, d in zip(parts, moved, distances, strict=True):
        assert any(runs_beside(part, kept, d) for kept in after.segments)
        assert after.length > 0.9 * part.length


def test_a_small_arc_inside_a_part_may_be_used_up() -> None:
    round_corners = whole(rounded_square(5.0))
    (moved,) = offset_outline([round_corners], [-10.0])
    assert moved.area == pytest.approx(80.0**2)
    assert all(isinstance(segment, Line) for segment in moved.segments)


def test_small_sides_are_used_up_in_the_order_of_their_lengths() -> None:
    """A thorn and a row of facets beside it; left out in another order, wrong sides would go."""
    row: list[Point] = [(90.12, 0.19), (96.06, 3.11), (98.22, 5.71), (99.85, 10.14)]
    outline = whole(sides([(0.0, 0.0), (100.0, 0.0), *row, (100.0, 100.0), (0.0, 100.0)]))
    (moved,) = offset_outline([outline], [-18.7])
    assert len(moved.segments) == 4
    true = outline.polygon().buffer(-18.7, join_style="mitre")
    assert moved.polygon().symmetric_difference(true).area < 1e-6


def test_a_spike_between_reflex_corners_disappears() -> None:
    corners: list[Point] = [(0, 0), (200, 0), (200, 100), (120, 100), (100, 180), (80, 100), (0, 100)]
    outline = whole(sides(corners))
    (moved,) = offset_outline([outline], [-25.0], join="round")
    true = Polygon(corners).buffer(-25.0, quad_segs=256)
    assert moved.polygon(1e-4).symmetric_difference(true).area < 0.05


def test_a_neck_that_closes_is_refused() -> None:
    corners: list[Point] = [
        (0, 0), (100, 0), (100, 45), (200, 45), (200, 0), (300, 0), (300, 100), (200, 100), (200, 55),
        (100, 55), (100, 100), (0, 100),
    ]  # fmt: skip
    offset_outline(sides(corners), [-4.0] * 12)
    with pytest.raises(OffsetError, match=r"crosses|turned|close over|nothing is left"):
        offset_outline(sides(corners), [-6.0] * 12)


def test_a_bay_that_closes_is_refused_with_its_part() -> None:
    """The parallels alone are simple, but beside the round bay there is no room for one."""
    bay = Arc((103.08186770377122, 33.07607586185492), (87.7114268739668, 34.65768921622672),
              (97.33645578534093, 52.7183367416489), 20.465291851872674, clockwise=True)  # fmt: skip
    corners: list[Point] = [
        bay.end,
        (106.4, 80.3),
        (-127.0, 118.7),
        (-112.0, 39.4),
        (-11.5, -159.0),
        bay.start,
    ]
    outline = Path((bay, *Path.polyline(corners).segments))
    for d in (1.0, 3.0):
        offset_outline([outline], [d])
    with pytest.raises(OffsetError, match="close over"):
        offset_outline([outline], [16.16])


def test_tight_curves_are_refused_with_their_part() -> None:
    bend = Curve.through([(100.0, 0.0), (130.0, 50.0), (100.0, 100.0)])
    front, back = Path.polyline([(0, 100), (0, 0), (100, 0)]), Path.polyline([(100, 100), (0, 100)])
    radius = 1.0 / bend.curvature_range[1]
    assert 20.0 < radius < 45.0
    offset_outline([front, Path((bend,)), back], [-10.0, -0.9 * radius, -10.0])
    with pytest.raises(OffsetError, match="smallest radius") as refused:
        offset_outline([front, Path((bend,)), back], [-10.0, -1.1 * radius, -10.0])
    assert refused.value.part == 1


def test_extended_arcs_and_curves_meet() -> None:
    """Two bowed tubes that meet in a point: their circles are extended, a curve goes on along its tangent."""
    low = Arc.from_sagitta((0.0, 0.0), (300.0, 0.0), -8.0)
    back = Path.polyline([(300.0, 0.0), (150.0, 200.0)])
    front = Curve.through([(150.0, 200.0), (80.0, 110.0), (0.0, 0.0)])
    moved = offset_outline([Path((low,)), back, Path((front,))], [10.0] * 3, limit=4.0)
    (arc,) = moved[0].segments
    assert isinstance(arc, Arc)
    assert arc.center == low.center
    assert arc.length > low.offset(-10.0).length
    head, curve, tail = moved[2].segments
    assert isinstance(curve, Curve)
    assert isinstance(head, Line)
    assert isinstance(tail, Line)
    assert head.direction == pytest.approx(front.tangent_at(0.0), abs=1e-9)
    assert tail.direction == pytest.approx(front.tangent_at(front.length), abs=1e-9)
    assert tail.end == pytest.approx(arc.start, abs=1e-9)
    assert abs(distance(arc.start, low.center) - arc.radius) < 1e-9


def test_one_closed_curve_with_a_corner() -> None:
    """A drop: its only segment is its own neighbour."""
    drop = Path((Curve.through([(0, 0), (60, -30), (110, 0), (60, 30), (0, 0)]),))
    (mitred,) = offset_outline([drop], [5.0], limit=3.0)
    head, _, tail = mitred.segments
    assert head.start == pytest.approx(tail.end, abs=1e-9)
    assert head.start[1] == pytest.approx(0.0, abs=1e-6)
    (rounded,) = offset_outline([drop], [5.0], join="round")
    assert isinstance(rounded.segments[-1], Arc)
    (inward,) = offset_outline([drop], [-5.0])
    for moved in (rounded, inward):
        for k in range(60):
            assert drop.nearest(moved.point_at(moved.length * k / 60))[1] == pytest.approx(5.0, abs=2e-6)


def test_one_closed_smooth_curve() -> None:
    k = 4 / 3 * (sqrt(2) - 1)
    halves = (((80.0, 0.0), (80.0, 50 * k), (80 * k, 50.0), (0.0, 50.0)),
              ((0.0, 50.0), (-80 * k, 50.0), (-80.0, 50 * k), (-80.0, 0.0)))  # fmt: skip
    others = tuple(tuple((-x, -y) for x, y in piece) for piece in halves)
    oval = Path((Curve((*halves, *others)),))  # type: ignore[arg-type]
    for d in (10.0, -10.0, -30.0):
        (moved,) = offset_outline([oval], [d])
        assert moved.length == pytest.approx(oval.length + tau * d, abs=1e-5)
        assert moved.area == pytest.approx(oval.area + oval.length * d + pi * d * d, abs=1e-3)


def test_an_arc_whose_circle_does_not_reach_goes_on_straight() -> None:
    """A half disc outward: the circle of the arc never meets the parallel of the chord at the limit."""
    arc = Arc((10.0, 0.0), (-10.0, 0.0), (0.0, 0.0), 10.0, clockwise=False)
    chord = Path.polyline([(-10.0, 0.0), (10.0, 0.0)])
    moved = offset_outline([Path((arc,)), chord], [3.0, 20.0], limit=4.0)
    outline = whole(moved)
    assert outline.bounds.min_y == pytest.approx(-20.0)
    assert outline.bounds.max_x == pytest.approx(13.0)
    # Down the tangents of the arc's ends.
    assert outline.area == pytest.approx(pi / 2 * 13**2 + 26 * 20)


@pytest.mark.parametrize(
    ("distances", "options", "message"),
    [
        ([1.0] * 3, {}, "4 parts need as many distances"),
        ([1.0, nan, 1.0, 1.0], {}, "part 1 must be finite"),
        ([inf] * 4, {}, "part 0 must be finite"),
        ([1.0] * 4, {"join": "bevel"}, "mitre"),
        ([1.0] * 4, {"limit": 0.99}, "at least 1"),
        ([1.0] * 4, {"limit": nan}, "at least 1"),
    ],
)
def test_arguments_out_of_range(distances: list[float], options: dict[str, object], message: str) -> None:
    with pytest.raises(GeometryError, match=message):
        offset_outline(sides(SQUARE), distances, **options)  # type: ignore[arg-type]


def test_outlines_that_are_none() -> None:
    with pytest.raises(GeometryError, match="at least one part"):
        offset_outline([], [])
    with pytest.raises(GeometryError, match="open"):
        offset_outline(sides(SQUARE)[:3], [1.0] * 3)
    with pytest.raises(GeometryError, match="broken"):
        offset_outline(sides(SQUARE)[::2], [1.0] * 2)
    with pytest.raises(GeometryError, match="encloses nothing"):
        offset_outline(sides([(0, 0), (10, 0)]), [1.0] * 2)


def test_signs_may_be_mixed() -> None:
    """A triangle moved along: out on one side, in on the others by what the shift asks for."""
    corners: list[Point] = [(0, 0), (300, 0), (100, 200)]
    shift = (4.0, -7.0)
    parts = sides(corners)
    distances = [-cross(part.tangent_at(0.0), shift) for part in parts]
    assert min(distances) < 0.0 < max(distances)
    moved = offset_outline(parts, distances, limit=50.0)
    assert corners_of(moved) == [pytest.approx((x + 4.0, y - 7.0)) for x, y in corners]


def test_order_and_start_of_the_parts_do_not_matter() -> None:
    parts = rounded_square(12.0)
    distances = [3.0, 3.0, 8.0, 8.0, 0.0, 5.0, 5.0, 5.0]
    moved = offset_outline(parts, distances)
    for k in range(8):
        turned = offset_outline(parts[k:] + parts[:k], distances[k:] + distances[:k])
        assert turned[-k:] + turned[:-k] == moved if k else turned == moved


def test_a_right_angle_keeps_square_root_two() -> None:
    moved = offset_outline(sides(SQUARE), [10.0] * 4, limit=1.42)
    assert corners_of(moved)[0] == (-10.0, -10.0)
    moved = offset_outline(sides(SQUARE), [10.0] * 4, limit=1.41)
    assert len(whole(moved).segments) == 8
    assert whole(moved).area == pytest.approx(120**2 - 4 * (10 * sqrt(2) - 14.1) ** 2)
