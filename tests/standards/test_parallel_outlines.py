"""Parallel outlines: perimeter P + 2πd and area A + Pd + πd² (Steiner's formula for convex bodies)."""

from __future__ import annotations

from math import cos, pi, sin, tan

import pytest

from oaktag.geometry import Arc, Line, OffsetError, Path, offset_outline, round_corner

TRIANGLE = [(0.0, 0.0), (400.0, 0.0), (0.0, 300.0)]


def sides(corners: list[tuple[float, float]]) -> list[Path]:
    return [Path.polyline([a, b]) for a, b in zip(corners, corners[1:] + corners[:1], strict=True)]


def whole(parts: tuple[Path, ...] | list[Path]) -> Path:
    return Path(tuple(segment for part in parts for segment in part.segments))


# Perimeters and areas by the formula, confirmed with a polygon library's buffer to 5e-8.
@pytest.mark.parametrize(
    ("d", "length", "area"),
    [(10.0, 1262.83185, 72314.15927), (12.5, 1278.53982, 75490.87385)],
)
def test_parallel_body_of_a_triangle(d: float, length: float, area: float) -> None:
    outline = whole(offset_outline(sides(TRIANGLE), [d] * 3, join="round"))
    assert outline.length == pytest.approx(length, abs=5e-6)
    assert outline.area == pytest.approx(area, abs=5e-6)


def test_an_allowance_of_ten_adds_62_8_to_any_rounded_outline() -> None:
    """2π·10 = 62.8 mm, whatever the shape, as long as the outline is smooth."""
    parts = sides([(0.0, 0.0), (350.0, -40.0), (520.0, 180.0), (60.0, 310.0)])
    for i in range(4):
        fillet = round_corner(parts[2 * i], parts[(2 * i + 1) % len(parts)], 20.0, "left")
        parts[2 * i] = fillet.first
        parts[(2 * i + 1) % len(parts)] = fillet.second
        parts.insert(2 * i + 1, Path((fillet.arc,)))
    before = whole(parts)
    after = offset_outline(parts, [10.0] * len(parts))
    assert whole(after).length - before.length == pytest.approx(62.83185307, abs=1e-8)
    assert whole(after).length - before.length == pytest.approx(62.8, abs=0.05)
    for old, new in zip(parts, after, strict=True):
        (was,), (now,) = old.segments, new.segments
        assert type(was) is type(now)
        if isinstance(was, Arc) and isinstance(now, Arc):
            assert now.radius == pytest.approx(30.0, abs=1e-12)
            assert now.length - was.length == pytest.approx(10.0 * was.sweep, abs=1e-9)
        else:
            assert now.length == pytest.approx(was.length, abs=1e-9)


@pytest.mark.parametrize("d", [2.5, 6.0, 19.0])
def test_inward_parallel_of_a_round_corner_is_r_less_d_times_the_turn(d: float) -> None:
    parts = sides(TRIANGLE)
    fillet = round_corner(parts[0], parts[1], 20.0, "left")
    outline = [fillet.first, Path((fillet.arc,)), fillet.second, parts[2]]
    moved = offset_outline(outline, [-d] * 4)
    (arc,) = moved[1].segments
    assert isinstance(arc, Arc)
    assert arc.radius == pytest.approx(20.0 - d, abs=1e-12)
    assert arc.length == pytest.approx((20.0 - d) * fillet.arc.sweep, abs=1e-9)


def test_an_inward_parallel_beyond_the_radius_is_refused() -> None:
    parts = sides(TRIANGLE)
    fillet = round_corner(parts[0], parts[1], 20.0, "left")
    outline = [fillet.first, Path((fillet.arc,)), fillet.second, parts[2]]
    with pytest.raises(OffsetError, match="falls short by 5") as refused:
        offset_outline(outline, [-25.0] * 4)
    assert refused.value.part == 1


def test_mitred_parallel_of_a_triangle() -> None:
    """Mitred corners add 2d·tan(θ/2) each; for 3-4-5 the tangents of the half turns are 1, 3 and 2."""
    d = 10.0
    moved = offset_outline(sides(TRIANGLE), [d] * 3, limit=4.0)
    assert all(isinstance(part.segments[0], Line) and len(part.segments) == 1 for part in moved)
    assert whole(moved).length == pytest.approx(1200.0 + 2 * d * (1 + 3 + 2), abs=1e-9)
    assert whole(moved).area == pytest.approx(60000.0 + 1200.0 * d + d * d * 6, abs=1e-8)


def test_incircle_is_where_a_triangle_vanishes() -> None:
    """The inradius is twice the area over the perimeter, 100 mm for 300-400-500."""
    moved = whole(offset_outline(sides(TRIANGLE), [-99.0] * 3))
    assert moved.area == pytest.approx(60000.0 * (1.0 / 100.0) ** 2, rel=1e-9)
    with pytest.raises(OffsetError, match="nothing is left"):
        offset_outline(sides(TRIANGLE), [-101.0] * 3)


def test_regular_polygon_between_its_circles() -> None:
    """A mitred parallel of a regular n-gon has the apothem grown by d: A = n·a²·tan(π/n)."""
    for n in (3, 5, 6, 12):
        corners = [(100 * cos(2 * pi * k / n), 100 * sin(2 * pi * k / n)) for k in range(n)]
        apothem = 100 * cos(pi / n) + 7.0
        moved = whole(offset_outline(sides(corners), [7.0] * n))
        assert moved.area == pytest.approx(n * apothem**2 * tan(pi / n), rel=1e-12)
