"""`gusset.wrap`: the strip that follows the tubes' widths and sews to both panels exactly."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.interpolate import PchipInterpolator

from oaktag.geometry import Arc, Curve, Line, Point, distance
from oaktag.pattern import Draft, Edge, Finding, Mark, Obstacle, Outline, Piece, Place, Refusal
from oaktag.pattern.drawing import draw_piece
from oaktag.pattern.walk import run_path as run_on
from oaktag.pattern.walk import walk
from oaktag_plugins.drafting.gusset_width import WidthPiece

if TYPE_CHECKING:
    from tests.plugins import drafts
else:
    drafts = SimpleNamespace(**run_path(str(Path(__file__).with_name("drafts.py"))))

SETTINGS = settings(deadline=None, derandomize=True, max_examples=40)
MODES = ("held", "linear", "monotone-cubic")


def outline_of(draft: Draft) -> Outline:
    assert draft.outline is not None
    return draft.outline


def gussets(draft: Draft) -> list[Piece]:
    return [piece for piece in draft.pieces if piece.id.startswith("gusset")]


# Lengths and widths found by other ways than the stage's.


def length_by_quadrature(edge: Edge) -> float:
    """The length of an edge from its points alone: √(x′² + y′²) integrated along each part."""
    total = 0.0
    for segment in edge.path.segments:
        if isinstance(segment, Line):
            total += math.dist(segment.start, segment.end)
            continue
        assert isinstance(segment, Curve)
        for p0, p1, p2, p3 in segment.beziers:
            control = np.array([p0, p1, p2, p3])
            ahead = 3 * np.diff(control, axis=0)

            def speed(t: float, ahead: np.ndarray = ahead) -> float:
                u = 1 - t
                velocity = u * u * ahead[0] + 2 * u * t * ahead[1] + t * t * ahead[2]
                return float(np.hypot(*velocity))

            total += quad(speed, 0.0, 1.0, epsabs=1e-11)[0]
    return total


def length_by_points(edge: Edge, count: int = 20001) -> float:
    """The length of an edge as a polyline through many of its points."""
    points = np.array([edge.path.point_at(s) for s in np.linspace(0.0, edge.length, count)])
    return float(np.hypot(*np.diff(points, axis=0).T).sum())


def stations_of(draft: Draft, tube: str) -> list[tuple[float, float]]:
    """Stations (mm from the start of the outline, width) of a tube, by the foot of the perpendicular."""
    start = 0.0
    for edge in outline_of(draft).edges:
        if edge.name == tube:
            break
        start += edge.length
    assert draft.opening is not None
    side, run = draft.opening.edge(tube).path, outline_of(draft).edge(tube).path
    (ax, ay), (bx, by) = run.start, run.end
    found: dict[float, float] = {}
    nearest: dict[float, float] = {}
    for width in draft.frame.widths:
        if width.place.tube == tube:
            x, y = side.point_at(width.place.along(side.length))
            along = ((x - ax) * (bx - ax) + (y - ay) * (by - ay)) / run.length
            s = min(max(along, 0.0), run.length)
            if s not in nearest or abs(along - s) < nearest[s]:
                nearest[s], found[s] = abs(along - s), width.width
    return [(start + s, width) for s, width in sorted(found.items())]


def width_at(draft: Draft, s: float) -> float:
    """The gusset's width at a seam length of the outline, measured across the pieces."""
    length = outline_of(draft).path.length
    for seam in draft.seams:
        if not seam.id.startswith("non-drive"):
            continue
        start = 0.0
        for edge in outline_of(draft).edges:
            if edge.name == seam.a.edges[0]:
                break
            start += edge.length
        along = (s - start - seam.a.start) % length
        upper = run_on(draft, seam.b)
        if along <= upper.length + 1e-6:
            x, y = upper.point_at(min(along, upper.length))
            lower = draft.piece(seam.b.piece).edge("drive-side").path
            x2, y2 = lower.point_at(lower.length - min(along, lower.length))
            assert x2 == pytest.approx(x, abs=1e-5)
            return y - y2
    raise AssertionError("no part of the gusset lies there")


def seams_agree(draft: Draft, tolerance: float = 0.01) -> None:
    """Every seam's two sides, and every two notches, agree."""
    for seam in draft.seams:
        walked = walk(draft, seam)
        assert abs(walked.difference) < tolerance, seam.id
        for pair in walked.pairs:
            assert pair.difference is not None, (seam.id, pair)
            assert abs(pair.difference) < tolerance, (seam.id, pair)


# Shape of the strip.


@pytest.mark.parametrize("between", MODES)
@pytest.mark.parametrize("count", [1, 2, 3])
def test_the_strip_is_as_long_as_the_panel_whichever_way_it_is_measured(between: str, count: int) -> None:
    joins = [{"tube": tube, "at": 0.45} for tube in drafts.TUBES[:count]]
    draft = drafts.base(between=between, joins=joins)
    seams_agree(draft)
    perimeter = outline_of(draft).path.length
    for side in ("drive-side", "non-drive-side"):
        total = sum(length_by_quadrature(piece.edge(side)) for piece in gussets(draft))
        assert total == pytest.approx(perimeter, abs=1e-4)
    assert len(gussets(draft)) == count


def test_points_along_the_strip_add_up_to_the_panel_too() -> None:
    draft = drafts.base(between="monotone-cubic")
    (gusset,) = gussets(draft)
    assert length_by_points(gusset.edge("drive-side")) == pytest.approx(
        outline_of(draft).path.length, abs=0.001
    )


@pytest.mark.parametrize("between", MODES)
def test_the_strip_is_symmetrical_and_drawn_the_way_the_rest_relies_on(between: str) -> None:
    (gusset,) = gussets(drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5), between=between))
    assert [edge.name for edge in gusset.edges] == ["non-drive-side", "end", "drive-side", "start"]
    assert gusset.seam_line.closed
    assert gusset.seam_line.clockwise
    upper, lower = gusset.edge("non-drive-side").path, gusset.edge("drive-side").path
    for share in np.linspace(0.0, 1.0, 101):
        x, y = upper.point_at(share * upper.length)
        assert distance(lower.point_at((1 - share) * lower.length), (x, -y)) < 1e-6
        assert y > 0
    assert upper.start[0] == 0.0
    assert upper.end[0] > 0
    for name in ("start", "end"):
        (x0, _), (x1, _) = gusset.edge(name).path.start, gusset.edge(name).path.end
        assert x0 == pytest.approx(x1, abs=1e-9)


def test_a_strip_of_one_width_is_a_rectangle() -> None:
    draft = drafts.wrapped(drafts.isosceles(400.0, 50.0, 46.0))
    (gusset,) = gussets(draft)
    assert all(len(edge.path.segments) == 1 for edge in gusset.edges)
    assert gusset.seam_line.bounds.width == pytest.approx(outline_of(draft).path.length, abs=1e-9)
    assert gusset.seam_line.bounds.height == pytest.approx(46.0)


# A steep taper: where advancing the centre line by the seam's length goes wrong.


def steep(between: str = "held") -> Draft:
    """A down tube 55 mm wide and a seat tube of 33 mm: 22 mm of difference inside one corner."""
    widths = [("top-tube", 0.0, 33.0), ("top-tube", 1.0, 55.0)]
    widths += [("down-tube", share, 55.0) for share in (0.0, 1.0)]
    widths += [("seat-tube", share, 33.0) for share in (0.0, 1.0)]
    return drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5, widths), between=between)


@pytest.mark.parametrize("between", MODES)
def test_a_steep_taper_is_more_than_a_millimetre_off_the_easy_way_and_exact_here(between: str) -> None:
    draft = steep(between)
    edges = outline_of(draft).edges
    names = [edge.name for edge in edges]
    corner = names.index("corner:bottom-bracket")
    s0 = sum(edge.length for edge in edges[:corner])
    s1 = s0 + edges[corner].length
    assert width_at(draft, s0) == pytest.approx(55.0, abs=1e-6)
    assert width_at(draft, s1) == pytest.approx(33.0, abs=1e-6)

    # The easy way: the centre line advances by ds, so that the edge becomes ∫ √(1 + h′²) ds long.
    def half(s: float) -> float:
        return width_at(draft, s) / 2

    def naive(s: float) -> float:
        step = 1e-3
        return math.hypot(1.0, (half(min(s + step, s1)) - half(max(s - step, s0))) / (2 * step))

    stations = np.linspace(s0, s1, 401)[1:-1]
    too_long = float(np.mean([naive(s) for s in stations])) * (s1 - s0) - (s1 - s0)
    assert too_long > 1.0

    # Another: a seam measured along its chords. The corner's arc is longer than its chord by far more.
    arc = edges[corner].path
    assert arc.length - distance(arc.start, arc.end) > 1.0

    # Ours, from one tangent point to the other.
    (gusset,) = gussets(draft)
    upper = run_on(draft, next(seam.b for seam in draft.seams if seam.id == "non-drive"))
    start = next(seam.a.start for seam in draft.seams if seam.id == "non-drive")
    before = sum(edge.length for edge in edges[: names.index("down-tube")]) + start
    part = Edge("part", upper.between(s0 - before, s1 - before))
    assert length_by_quadrature(part) == pytest.approx(s1 - s0, abs=1e-4)
    assert length_by_quadrature(gusset.edge("non-drive-side")) == pytest.approx(
        outline_of(draft).path.length, abs=1e-4
    )
    seams_agree(drafts.notched(draft))


# Widths between stations.


def test_held_goes_straight_between_a_tubes_stations_and_holds_beyond_them() -> None:
    widths = [
        ("top-tube", 0.3, 34.0),
        ("top-tube", 0.6, 40.0),
        ("down-tube", 0.2, 44.0),
        ("down-tube", 0.5, 46.0),
        ("down-tube", 0.8, 55.0),
        ("seat-tube", 0.5, 33.0),
    ]
    draft = drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5, widths), 4.0, 20.0)
    start = 0.0
    for edge in outline_of(draft).edges:
        if not edge.is_corner:
            places = stations_of(draft, edge.name)
            for share in np.linspace(0.0, 1.0, 41):
                s = start + float(share) * edge.length
                expected = np.interp(s, [at for at, _ in places], [width for _, width in places])
                assert width_at(draft, s) == pytest.approx(float(expected), abs=1e-6)
        start += edge.length


@pytest.mark.parametrize("between", MODES)
def test_inside_a_corner_the_width_neither_overshoots_nor_breaks(between: str) -> None:
    draft = drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5), 3.0, 20.0, between=between)
    start = 0.0
    for edge in outline_of(draft).edges:
        if edge.is_corner:
            ends = [width_at(draft, start), width_at(draft, start + edge.length)]
            inside = [width_at(draft, start + share * edge.length) for share in np.linspace(0.0, 1.0, 61)]
            assert min(ends) - 1e-6 <= min(inside)
            assert max(inside) <= max(ends) + 1e-6
            steps = np.diff(inside)
            assert (steps >= -1e-9).all() or (steps <= 1e-9).all()
            assert np.abs(steps).max() < 1.0
        start += edge.length


def test_held_enters_and_leaves_a_corner_without_a_kink_where_the_taper_allows() -> None:
    # The down tube widens towards the bottom bracket, and so does the seat tube's end: a rise all through.
    widths = [
        ("top-tube", 0.0, 30.0),
        ("top-tube", 1.0, 30.0),
        ("down-tube", 0.0, 30.0),
        ("down-tube", 1.0, 50.0),
        ("seat-tube", 0.0, 60.0),
        ("seat-tube", 1.0, 30.0),
    ]
    draft = drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5, widths))
    edges = outline_of(draft).edges
    names = [edge.name for edge in edges]
    s = sum(edge.length for edge in edges[: names.index("corner:bottom-bracket")])
    before = width_at(draft, s) - width_at(draft, s - 0.1)
    after = width_at(draft, s + 0.1) - width_at(draft, s)
    assert before > 0.003
    assert after == pytest.approx(before, rel=0.1)


@pytest.mark.parametrize("gap", [0.0, 5.0])
def test_linear_goes_straight_along_the_seam_from_station_to_station(gap: float) -> None:
    draft = drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5), gap, 20.0, between="linear")
    length = outline_of(draft).path.length
    places = [place for tube in drafts.TUBES for place in stations_of(draft, tube)]
    for s in np.linspace(0.0, length, 200, endpoint=False):
        expected = np.interp(s, [p[0] for p in places], [p[1] for p in places], period=length)
        assert width_at(draft, float(s)) == pytest.approx(float(expected), abs=1e-6)


@pytest.mark.parametrize("gap", [0.0, 5.0])
def test_monotone_cubic_is_the_interpolant_of_the_points_repeated_all_round(gap: float) -> None:
    """Against scipy's PCHIP (Fritsch and Butland's slopes) through the points of three turns."""
    draft = drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5), gap, 20.0, between="monotone-cubic")
    length = outline_of(draft).path.length
    places = [place for tube in drafts.TUBES for place in stations_of(draft, tube)]
    stations = [s + turn * length for turn in (-1, 0, 1) for s, _ in places]
    smooth = PchipInterpolator(stations, [width for _ in range(3) for _, width in places])
    for s in np.linspace(0.0, length, 400, endpoint=False):
        assert width_at(draft, float(s)) == pytest.approx(float(smooth(s)), abs=1e-4)


def test_one_width_alone_goes_all_round() -> None:
    for between in MODES:
        draft = drafts.wrapped(
            drafts.triangle(335.0, 570.0, 51.5, [("seat-tube", 0.4, 41.0)]), between=between
        )
        assert {round(width_at(draft, s), 6) for s in np.linspace(0.0, 1200.0, 40)} == {41.0}
        assert drafts.codes(draft) == ["width-assumed", "width-assumed"]


# Where stations come to lie.


def test_a_station_lies_square_to_the_tube_behind_the_gap() -> None:
    # Half way along the opening's side, not half way along the panel's shorter run.
    widths = [("top-tube", 0.5, 36.0), ("down-tube", 0.5, 50.0), ("seat-tube", 0.5, 30.0)]
    draft = drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5, widths), 6.0, 20.0, between="linear")
    assert draft.opening is not None
    start = 0.0
    for edge in outline_of(draft).edges:
        if edge.name in drafts.TUBES:
            side = draft.opening.edge(edge.name).path
            s, away = edge.path.nearest(side.point_at(side.length / 2))
            assert away == pytest.approx(6.0, abs=1e-9)
            ((_, width),) = [(share, w) for tube, share, w in widths if tube == edge.name]
            assert width_at(draft, start + s) == pytest.approx(width, abs=1e-6)
        start += edge.length


def test_of_two_stations_that_a_corner_cuts_off_the_nearer_one_counts() -> None:
    widths = [
        ("top-tube", 0.5, 36.0),
        ("down-tube", 0.0, 70.0),
        ("down-tube", 0.02, 50.0),
        ("down-tube", 0.97, 45.0),
        ("down-tube", 1.0, 20.0),
        ("seat-tube", 0.5, 36.0),
    ]
    draft = drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5, widths), slope_limit=0.6)
    edges = outline_of(draft).edges
    s = sum(edge.length for edge in edges[:2])
    assert edges[2].name == "down-tube"
    assert width_at(draft, s) == pytest.approx(50.0)
    assert width_at(draft, s + edges[2].length) == pytest.approx(45.0)


def test_a_station_beyond_the_end_of_its_tube_is_refused() -> None:
    beyond = [("seat-tube", 0.5, 33.0), ("down-tube", 1.02, 50.0)]
    draft = drafts.triangle(335.0, 570.0, 51.5, beyond)
    said = drafts.refusal(lambda: drafts.wrapped(draft), "widths.down-tube[1]", "frame")
    assert "581.4 mm" in said.found
    assert "570.0 mm" in said.valid


def test_a_tube_without_a_width_is_bridged_and_reported() -> None:
    widths = [w for w in drafts.WIDTHS if w[0] != "down-tube"]
    draft = drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5, widths))
    assert [(f.level, f.code, f.where) for f in draft.findings] == [("note", "width-assumed", "down-tube")]
    seams_agree(drafts.notched(draft))
    edges = outline_of(draft).edges
    start = sum(edge.length for edge in edges[:2])
    run = [width_at(draft, start + share * edges[2].length) for share in np.linspace(0.0, 1.0, 11)]
    assert np.diff(run) == pytest.approx(np.full(10, (run[-1] - run[0]) / 10), abs=1e-6)
    assert 33.0 < run[-1] < run[0] < 37.0


def test_no_width_at_all_is_refused() -> None:
    said = drafts.refusal(lambda: drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5, [])), "widths", "frame")
    assert "[widths.top-tube]" in said.valid


# What the recipe says about the width.


def test_add_widens_and_narrows_every_width() -> None:
    plain = drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5))
    for extra in (6.0, -8.0):
        other = drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5), add=extra)
        for s in np.linspace(0.0, 1200.0, 60):
            assert width_at(other, s) == pytest.approx(width_at(plain, s) + extra, abs=1e-6)


def test_adding_so_little_that_nothing_is_left_is_refused() -> None:
    draft = drafts.triangle(335.0, 570.0, 51.5)
    said = drafts.refusal(lambda: drafts.wrapped(draft, add=-33.0), "add")
    assert "-33" in said.valid


@pytest.mark.parametrize("between", MODES)
def test_a_width_of_the_recipe_takes_the_place_of_the_sheets_all_along_that_tube(between: str) -> None:
    draft = drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5), width={"down-tube": 47.0}, between=between)
    edges = outline_of(draft).edges
    start = sum(edge.length for edge in edges[:2])
    run = [width_at(draft, start + share * edges[2].length) for share in np.linspace(0.0, 1.0, 21)]
    assert run == pytest.approx([47.0] * 21, abs=1e-6)
    assert width_at(draft, start + edges[2].length + edges[3].length) == pytest.approx(33.0, abs=1e-6)


def test_the_default_width_is_for_tubes_that_the_sheet_has_none_of() -> None:
    widths = [w for w in drafts.WIDTHS if w[0] == "seat-tube"]
    draft = drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5, widths), width=45.0)
    assert draft.findings == ()
    edges = outline_of(draft).edges
    assert width_at(draft, edges[0].length / 2) == pytest.approx(45.0, abs=1e-6)
    seat = sum(edge.length for edge in edges[:4]) + edges[4].length / 2
    assert width_at(draft, seat) == pytest.approx(33.0, abs=1e-6)


def test_a_default_width_that_nothing_uses_is_said_to_be_unused() -> None:
    plain = drafts.triangle(335.0, 570.0, 51.5)
    (finding,) = drafts.wrapped(plain, width=50.0).findings
    assert (finding.level, finding.code) == ("note", "width-unused")
    assert "50 mm" in finding.message
    every = {"default": 50.0, **dict.fromkeys(drafts.TUBES, 47.0)}
    assert drafts.codes(drafts.wrapped(plain, width=every)) == []


def test_a_width_of_a_tube_that_is_not_there_is_refused() -> None:
    draft = drafts.triangle(335.0, 570.0, 51.5)
    said = drafts.refusal(lambda: drafts.wrapped(draft, width={"down-tub": 47.0}), "width.down-tub")
    assert "down-tube" in said.todo


def test_a_taper_that_is_too_steep_is_refused_at_the_edge_where_it_is() -> None:
    said = drafts.refusal(lambda: steep_with_limit(0.2), "slope-limit")
    assert "corner:bottom-bracket" in said.reason
    steepest = float(said.found.split(" by ")[1].split(" mm")[0])
    # A smooth step from 55 to 33 mm over the arc: half of it falls by 3 / 2 · 11 / 44.85 at its middle.
    assert steepest == pytest.approx(1.5 * 11.0 / 44.85, abs=0.01)
    steep_with_limit(steepest + 0.01)


def steep_with_limit(limit: float) -> Draft:
    return drafts.wrapped(
        drafts.triangle(
            335.0,
            570.0,
            51.5,
            [
                ("top-tube", 0.0, 33.0),
                ("top-tube", 1.0, 55.0),
                *(("down-tube", share, 55.0) for share in (0.0, 1.0)),
                *(("seat-tube", share, 33.0) for share in (0.0, 1.0)),
            ],
        ),
        slope_limit=limit,
    )


@pytest.mark.parametrize("between", MODES)
def test_a_width_that_jumps_at_a_sharp_corner_is_refused(between: str) -> None:
    radius = {"default": 20.0, "bottom-bracket": 0.0}
    draft = drafts.triangle(335.0, 570.0, 51.5)
    said = drafts.refusal(lambda: drafts.wrapped(draft, 0.0, radius, between=between), "between")
    assert "55 mm, then 33 mm" in said.found
    # The same at the corner where the outline begins and ends.
    widths = [
        ("top-tube", 0.0, 40.0),
        ("top-tube", 1.0, 40.0),
        ("seat-tube", 1.0, 33.0),
        ("seat-tube", 0.0, 33.0),
    ]
    draft = drafts.triangle(335.0, 570.0, 51.5, widths)
    radius = {"default": 20.0, "seat": 0.0}
    drafts.refusal(lambda: drafts.wrapped(draft, 0.0, radius, between=between), "between")


@pytest.mark.parametrize("between", MODES)
def test_one_width_at_a_sharp_corner_is_no_jump(between: str) -> None:
    widths = [
        (tube, share, 40.0 + 6.0 * (share == 0.5)) for tube in drafts.TUBES for share in (0.0, 0.5, 1.0)
    ]
    draft = drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5, widths), 0.0, 0.0, between=between)
    seams_agree(drafts.notched(draft))
    assert width_at(draft, outline_of(draft).edges[0].length) == pytest.approx(40.0, abs=1e-6)


# Joins.


def test_the_strip_is_joined_at_the_middle_of_the_down_tube_unless_the_recipe_says() -> None:
    draft = drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5), 5.0, 20.0)
    drive = next(seam for seam in draft.seams if seam.id == "drive")
    assert drive.a.edges[0] == "down-tube"
    assert draft.opening is not None
    side = draft.opening.edge("down-tube").path
    run = outline_of(draft).edge("down-tube").path
    assert distance(run.point_at(drive.a.start), side.point_at(285.0)) == pytest.approx(5.0)


def test_without_a_down_tube_the_longest_side_has_the_join() -> None:
    points = ((0.0, 300.0), (400.0, 300.0), (400.0, 0.0), (-60.0, 0.0))
    widths = [(f"tube-{index}", 0.5, 40.0) for index in range(4)]
    draft = drafts.wrapped(drafts.polygon(points, widths))
    assert next(seam for seam in draft.seams if seam.id == "drive").a.edges[0] == "tube-2"


def test_joins_are_where_the_recipe_puts_them_in_whatever_order() -> None:
    joins = [
        {"tube": "seat-tube", "distance": 150.0, "from": "seat"},
        {"tube": "top-tube", "at": 0.25},
    ]
    draft = drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5), 0.0, 20.0, joins=joins)
    assert [piece.id for piece in gussets(draft)] == ["gusset-1", "gusset-2"]
    assert draft.opening is not None
    places = []
    for seam in draft.seams:
        if seam.id.startswith("drive"):
            run = outline_of(draft).edge(seam.a.edges[0]).path
            places.append(run.point_at(seam.a.start))
    top, seat = draft.opening.edge("top-tube").path, draft.opening.edge("seat-tube").path
    assert distance(places[0], top.point_at(top.length / 4)) < 1e-9
    assert distance(places[1], seat.point_at(seat.length - 150.0)) < 1e-9
    ids = "drive-1 non-drive-1 drive-2 non-drive-2 join-1 join-2"
    assert [seam.id for seam in draft.seams] == ids.split()


def test_two_joins_on_one_tube_go_round_past_the_last_edge() -> None:
    joins = [{"tube": "down-tube", "at": 0.35}, {"tube": "down-tube", "at": 0.6}]
    draft = drafts.notched(drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5), joins=joins))
    seams_agree(draft)
    lengths = [run_on(draft, seam.a).length for seam in draft.seams if seam.id.startswith("drive")]
    assert lengths[0] == pytest.approx(0.25 * 570.0)
    assert sum(lengths) == pytest.approx(outline_of(draft).path.length)


def test_ends_that_are_joined_are_as_wide_as_each_other() -> None:
    joins = [{"tube": tube, "at": 0.4} for tube in drafts.TUBES]
    draft = drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5), joins=joins)
    for index in range(3):
        end = gussets(draft)[index].edge("end").length
        start = gussets(draft)[(index + 1) % 3].edge("start").length
        assert end == pytest.approx(start, abs=1e-6)


@pytest.mark.parametrize("at", [0.0, 0.03, 0.97, 1.0])
def test_a_join_in_a_corner_is_drawn_there_and_an_error(at: float) -> None:
    joins = [{"tube": "seat-tube", "at": 0.5}, {"tube": "top-tube", "at": at}]
    draft = drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5), joins=joins)
    (finding,) = (found for found in draft.findings if found.level == "error")
    corner = "corner:seat" if at < 0.5 else "corner:head"
    assert (finding.code, finding.where) == ("join-on-corner", corner)
    assert "straight run of top-tube" in finding.message
    seams_agree(drafts.notched(drafts.allowed(draft)))
    # Where it was asked for: the end of one strip is as far from the tube's place as the seam line there.
    assert draft.opening is not None
    side = draft.opening.edge("top-tube").path
    wanted = outline_of(draft).edge(corner).path.nearest(side.point_at(at * side.length))[0]
    seam = next(s for s in draft.seams if s.a.piece == "side-panel-drive" and s.a.edges[0] == corner)
    assert seam.a.start == pytest.approx(wanted, abs=1e-6)


@pytest.mark.parametrize("at", [0.0, 1.0])
def test_a_join_at_a_sharp_corner_is_an_error_too(at: float) -> None:
    widths = [(tube, share, 40.0) for tube in drafts.TUBES for share in (0.0, 1.0)]
    joins = [{"tube": "top-tube", "at": at}]
    draft = drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5, widths), 0.0, 0.0, joins=joins)
    assert "join-on-corner" in drafts.codes(draft, "error")
    seams_agree(draft)


def test_a_join_beyond_the_tube_is_refused() -> None:
    draft = drafts.triangle(335.0, 570.0, 51.5)
    joins = [{"tube": "top-tube", "distance": 500.0, "from": "seat"}]
    drafts.refusal(lambda: drafts.wrapped(draft, joins=joins), "joins[0]")


def test_two_joins_at_one_place_are_refused() -> None:
    draft = drafts.triangle(335.0, 570.0, 51.5)
    joins = [{"tube": "seat-tube", "at": 0.5}, {"tube": "seat-tube", "at": 0.502}]
    drafts.refusal(lambda: drafts.wrapped(draft, joins=joins), "joins[1]")


def test_a_join_on_a_tube_that_is_not_there_is_refused() -> None:
    draft = drafts.triangle(335.0, 570.0, 51.5)
    drafts.refusal(lambda: drafts.wrapped(draft, joins=[{"tube": "top-tub", "at": 0.5}]), "joins[0].tube")
    wrong_end = [{"tube": "top-tube", "distance": 90.0, "from": "bottom-bracket"}]
    drafts.refusal(lambda: drafts.wrapped(draft, joins=wrong_end), "joins[0].from")


# Marks across the strip.


def test_lines_across_the_strip_stand_where_the_panels_edges_meet() -> None:
    draft = drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5), joins=[{"tube": "seat-tube", "at": 0.5}])
    (gusset,) = gussets(draft)
    seam = next(seam for seam in draft.seams if seam.id == "non-drive")
    upper = run_on(draft, seam.b)
    places: list[float] = []
    total = -seam.a.start
    for name in seam.a.edges:
        if total > 0:
            places.append(total)
        total += outline_of(draft).edge(name).length
    places.append(total)  # where the edge that the seam begins in begins
    feet = [upper.point_at(at) for at in places]
    marks = [mark.path for mark in gusset.marks if abs(mark.path.start[0] - mark.path.end[0]) < 1e-9][
        : len(feet)
    ]
    assert [m.start[0] for m in marks] == pytest.approx([x for x, _ in feet], abs=1e-6)
    assert all(distance(m.start, (m.end[0], -m.end[1])) < 1e-9 for m in marks)


def test_arrows_point_along_the_runs_that_go_to_the_front_and_up() -> None:
    draft = drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5))
    (gusset,) = gussets(draft)
    lines = {mark.text: mark.path for mark in gusset.marks if mark.text}
    for word, tube, following in (("FRONT", "top-tube", "head"), ("UP", "seat-tube", "seat")):
        shaft = lines[word]
        assert shaft.end[0] > shaft.start[0]
        assert shaft.start[1] == shaft.end[1]
        assert lines[tube].start[0] < shaft.start[0] < shaft.end[0] < lines[following].start[0]


# Anything a frame may be.


@st.composite
def triangles(draw: st.DrawFn) -> tuple[Draft, float, dict[str, float]]:
    """A main triangle with widths at random stations, a gap, and radii."""
    widths: list[tuple[str, float, float]] = []
    for tube in drafts.TUBES:
        shares = draw(st.sets(st.sampled_from((0.0, 0.15, 0.4, 0.5, 0.7, 1.0)), max_size=3))
        widths += [(tube, share, draw(st.floats(32.0, 52.0))) for share in sorted(shares)]
    assume(widths)
    draft = drafts.triangle(
        draw(st.floats(280, 450)), draw(st.floats(350, 620)), draw(st.floats(42, 75)), widths
    )
    radii = {corner: draw(st.floats(14, 30)) for corner in drafts.CORNERS}
    return draft, draw(st.floats(0, 8)), radii


@given(triangles(), st.sampled_from(MODES), st.lists(st.floats(0.4, 0.6), min_size=1, max_size=3), st.data())
@settings(SETTINGS, max_examples=80)
def test_every_seam_of_any_triangle_agrees(
    made: tuple[Draft, float, dict[str, float]], between: str, shares: Sequence[float], data: st.DataObject
) -> None:
    draft, gap, radii = made
    tubes = data.draw(st.permutations(drafts.TUBES))
    joins = [{"tube": tube, "at": share} for tube, share in zip(tubes, shares, strict=False)]
    try:
        draft = drafts.wrapped(draft, gap, radii, between=between, joins=joins, slope_limit=0.9)
    except Refusal as said:
        if said.key != "slope-limit":
            raise
        assume(False)
    try:
        draft = drafts.allowed(draft, 10.0)
    except Refusal as said:
        # So steep that the strip's edge bends tighter than its allowance is wide: it sews, but can't be cut.
        if "the cut line of gusset" not in said.reason or "smallest radius" not in said.reason:
            raise
    draft = drafts.notched(draft)
    seams_agree(draft)
    for piece in draft.pieces:
        if piece.cut_line and piece.id.startswith("side-panel"):
            # With mitred corners it would be longer; rounds add 2 π times the allowance exactly.
            assert piece.outline.length - piece.seam_line.length == pytest.approx(20 * math.pi, abs=1e-6)
    assert "seam-mismatch" not in drafts.codes(drafts.proved(draft))


def hollow(draw: Callable[[Any], Any]) -> list[Point]:
    """Corners of an opening round a point, in clockwise order as seen from it; one or two of them hollow."""
    count = draw(st.integers(4, 8))
    shares = [draw(st.floats(0.8, 1.2)) for _ in range(count)]
    angles = np.cumsum(shares) / sum(shares) * math.tau
    radii = [draw(st.floats(220.0, 340.0)) for _ in range(count)]
    pressed = draw(st.sets(st.integers(0, count - 1), min_size=1, max_size=2))
    radii = [0.45 * r if index in pressed else r for index, r in enumerate(radii)]
    points = [(r * math.cos(-a), r * math.sin(-a)) for r, a in zip(radii, angles, strict=True)]
    assume(any(drafts.interior_angle(points, index) > 185 for index in range(count)))
    return points


@given(st.data())
@settings(SETTINGS, max_examples=60)
def test_every_seam_of_any_opening_agrees(data: st.DataObject) -> None:
    points = hollow(data.draw)
    count = len(points)
    bent = data.draw(st.sets(st.integers(0, count - 1), max_size=2))
    sagittas = {f"tube-{index}": data.draw(st.sampled_from((-6.0, -3.0, 4.0, 8.0))) for index in bent}
    widths = [(f"tube-{index}", 0.5, data.draw(st.floats(36.0, 48.0))) for index in range(count)]
    draft = drafts.polygon(points, widths, sagittas=sagittas)
    between = data.draw(st.sampled_from(MODES))
    joins = [{"tube": f"tube-{index}", "at": 0.5} for index in range(data.draw(st.integers(1, 3)))]
    try:
        draft = drafts.wrapped(draft, 4.0, 14.0, between=between, joins=joins, slope_limit=0.9)
        draft = drafts.allowed(draft, 8.0)
    except Refusal as said:
        # Two rounds that don't fit beside each other, or a join that a round has swallowed.
        if said.key.split("[")[0] not in ("radius", "joins", "slope-limit", "allowance"):
            raise
        assume(False)
    draft = drafts.notched(draft)
    seams_agree(draft)
    assert {"seam-mismatch", "notch-mismatch", "notch-unmatched"}.isdisjoint(
        drafts.codes(drafts.proved(draft))
    )
    assert any(isinstance(s, Arc) and not s.clockwise for s in outline_of(draft).path.segments)


@pytest.mark.parametrize("radius", [12.0, 20.0])
def test_a_hollow_opening_is_drafted_whole(radius: float) -> None:
    # An opening with a hollow corner, as over a shock or a bent seat tube.
    points = ((0.0, 330.0), (430.0, 360.0), (300.0, 190.0), (360.0, 40.0), (60.0, 0.0))
    widths = [(f"tube-{index}", share, 40.0 + index) for index in range(5) for share in (0.0, 1.0)]
    assert sum(drafts.interior_angle(points, index) > 180 for index in range(5)) == 1
    for between in MODES:
        draft = drafts.wrapped(drafts.polygon(points, widths), 5.0, radius, between=between)
        draft = drafts.notched(drafts.allowed(draft))
        seams_agree(draft)
        assert drafts.codes(drafts.proved(draft), "error") == []
        hollow_arc = outline_of(draft).edge("corner:corner-2").path.segments[0]
        assert isinstance(hollow_arc, Arc)
        assert not hollow_arc.clockwise
        (gusset,) = gussets(draft)
        total = length_by_quadrature(gusset.edge("drive-side"))
        assert total == pytest.approx(outline_of(draft).path.length, abs=1e-4)


@pytest.mark.parametrize("tube", drafts.TUBES)
@pytest.mark.parametrize("sagitta", [-12.0, 12.0])
def test_a_bowed_tube_walks_too(tube: str, sagitta: float) -> None:
    for between in MODES:
        draft = drafts.triangle(400.0, 560.0, 55.0, sagittas={tube: sagitta})
        draft = drafts.notched(drafts.allowed(drafts.wrapped(draft, 5.0, 22.0, between=between)))
        seams_agree(draft)
        assert drafts.codes(drafts.proved(draft), "error") == []


# The pieces that the width is made of.


@given(st.lists(st.tuples(st.floats(1.0, 80.0), st.floats(20.0, 60.0)), min_size=2, max_size=8))
@SETTINGS
def test_a_profile_is_one_function_all_round(steps: Sequence[tuple[float, float]]) -> None:
    from oaktag_plugins.drafting.gusset_width import linear_knots, monotone_knots, profile_through

    stations = np.cumsum([step for step, _ in steps])
    length = float(stations[-1]) + 10.0
    points = [(float(s), width) for s, (_, width) in zip(stations, steps, strict=True)]
    for knots in (linear_knots(points, length), monotone_knots(points, length)):
        profile = profile_through(knots, length)
        assert profile.pieces[0].s0 == 0.0
        assert profile.pieces[-1].s1 == pytest.approx(length)
        for piece, after in pairwise([*profile.pieces, profile.pieces[0].moved(length)]):
            assert piece.s1 == pytest.approx(after.s0, abs=1e-9)
            assert piece.width(piece.s1) == pytest.approx(after.width(after.s0), abs=1e-6)
        for s, width in points:
            assert profile.width(s) == pytest.approx(width, abs=1e-6)
        # A part that runs over the end is the same function there.
        part = profile.between(length - 5.0, length + 5.0)
        assert part[0].s0 == pytest.approx(length - 5.0)
        assert part[-1].s1 == pytest.approx(length + 5.0)
        for piece in part:
            middle = (piece.s0 + piece.s1) / 2
            assert piece.width(middle) == pytest.approx(profile.width(middle), abs=1e-6)


# How wide legs, heels and cranks let it be.


def even(widths: dict[str, float], **wrap: Any) -> Draft:
    """A wrapped draft whose tubes are as wide all along."""
    stations = [(tube, end, width) for tube, width in widths.items() for end in (0.0, 1.0)]
    draft = drafts.triangle(335.0, 570.0, 51.5, stations)
    return drafts.wrapped(draft, 5.0, 25.0, slope_limit=0.95, **wrap)


def over(draft: Draft) -> list[Finding]:
    return [finding for finding in draft.findings if finding.code == "width-over-limit"]


def wide(top: float, down: float, seat: float) -> dict[str, float]:
    return dict(zip(drafts.TUBES, (top, down, seat), strict=True))


def test_usual_widths_pass_without_a_word() -> None:
    assert even(wide(55.0, 75.0, 55.0), widest_upper_rear=60).findings == ()
    assert even(wide(50.0, 60.0, 50.0)).findings == ()


def test_a_gusset_wider_than_legs_allow_is_reported_by_tube_with_the_caution() -> None:
    found = over(even(wide(40.0, 82.0, 40.0)))
    assert {f.where for f in found} == {"down-tube", "corner:head", "corner:bottom-bracket"}
    assert {f.level for f in found} == {"warning"}
    down = next(f for f in found if f.where == "down-tube")
    assert "82.0 mm wide" in down.message
    assert "75 mm is the limit" in down.message
    assert "every rider differs" in down.message


def test_the_seat_tube_and_the_upper_rear_have_less() -> None:
    assert [f.where for f in over(even(wide(50.0, 50.0, 61.0), widest_upper_rear=90))] == ["seat-tube"]
    found = over(even(wide(57.0, 50.0, 57.0)))
    assert [f.where for f in found] == ["upper rear"]
    assert "55 mm is the limit" in found[0].message
    # On the down tube the same width is nowhere near the upper rear.
    assert over(even(wide(50.0, 57.0, 50.0))) == []


def test_the_worst_place_is_named() -> None:
    stations = [
        ("top-tube", 0.0, 40.0),
        ("top-tube", 1.0, 40.0),
        ("seat-tube", 0.0, 40.0),
        ("seat-tube", 1.0, 40.0),
    ]
    stations += [("down-tube", 0.0, 60.0), ("down-tube", 0.5, 84.0), ("down-tube", 1.0, 60.0)]
    draft = drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5, stations), 5.0, 25.0)
    (found,) = over(draft)
    assert found.where == "down-tube"
    assert "84.0 mm wide" in found.message or "83.9 mm wide" in found.message
    place = float(found.message.split("mm wide ")[1].split(" mm along")[0])
    assert draft.opening is not None
    side, run = draft.opening.edge("down-tube").path, outline_of(draft).edge("down-tube").path
    assert place == pytest.approx(run.nearest(side.point_at(side.length / 2))[0], abs=2.1)


@pytest.mark.parametrize(("limit", "count"), [(81.9, 1), (82.1, 0)])
def test_limits_may_be_set_by_tube(limit: float, count: int) -> None:
    draft = even(wide(40.0, 82.0, 40.0), widest={"default": 45, "down-tube": limit})
    assert [f.where for f in over(draft)].count("down-tube") == count
    assert all(f.where != "top-tube" for f in over(draft))


def test_a_limit_of_a_tube_that_is_not_there_is_refused() -> None:
    drafts.refusal(
        lambda: even(wide(40.0, 82.0, 40.0), widest={"default": 60, "dwn-tube": 90}), "widest.dwn-tube"
    )


def test_cranks_need_ten_millimetres_on_either_side() -> None:
    widths = wide(40.0, 66.0, 40.0)
    assert over(even(widths)) == []
    assert over(even(widths, crank_width=86.5)) == []
    (found,) = over(even(widths, crank_width=85.5))
    assert found.where == "bottom-bracket"
    assert "65.5 mm is the limit" in found.message
    assert "10 mm inside either crank arm" in found.message
    # The top tube is nowhere near them.
    assert over(even(wide(66.0, 40.0, 40.0), crank_width=80, widest_upper_rear=70)) == []


@given(st.tuples(*(st.floats(-3, 3) for _ in range(4))), st.floats(1.0, 50.0))
@SETTINGS
def test_the_greatest_width_of_a_piece_is_what_many_of_its_widths_say(
    c: tuple[float, float, float, float], span: float
) -> None:
    scaled = (c[0] + 40.0, c[1], c[2] / span, c[3] / span**2)
    piece = WidthPiece(5.0, 5.0 + span, scaled)
    widths = [piece.width(s) for s in np.linspace(5.0, 5.0 + span, 2001)]
    assert piece.greatest() >= max(widths) - 1e-9
    assert piece.greatest() == pytest.approx(max(widths), abs=1e-3)


# What goes through it.


def bored(at: float = 0.3, tube: str = "down-tube", **wrap: Any) -> Draft:
    """A wrapped draft with a hole of 12 mm on a tube, 3 mm around it."""
    draft = drafts.triangle(335.0, 570.0, 51.5)
    hole = Obstacle("drain", Place(tube, fraction=at), 12.0, 5.0, 3.0, "hole", "obstacles[0]")
    draft = draft.evolve(frame=replace(draft.frame, obstacles=(hole,)))
    return drafts.wrapped(draft, 5.0, 25.0, **wrap)


def circles(draft: Draft) -> list[tuple[Piece, Mark]]:
    return [(piece, mark) for piece in gussets(draft) for mark in piece.marks if mark.text == "drain"]


@pytest.mark.parametrize("joins", [("down-tube",), ("top-tube",), ("top-tube", "seat-tube")])
def test_a_hole_is_drawn_on_the_centre_line_where_the_tube_has_it(joins: tuple[str, ...]) -> None:
    draft = bored(joins=[{"tube": tube, "at": 0.5} for tube in joins])
    ((piece, mark),) = circles(draft)
    first, second = mark.path.segments
    assert isinstance(first, Arc)
    assert isinstance(second, Arc)
    assert (first.radius, second.radius) == (6.0, 6.0)
    assert mark.path.closed
    x, y = first.center
    assert y == 0.0
    # The station on the seam, by the foot of the perpendicular, is found again under the circle.
    assert draft.opening is not None
    side, run = draft.opening.edge("down-tube").path, outline_of(draft).edge("down-tube").path
    (px, py), (ux, uy) = side.point_at(0.3 * side.length), run.tangent_at(0.0)
    on_run = (px - run.start[0]) * ux + (py - run.start[1]) * uy
    seam = next(s for s in draft.seams if s.b.piece == piece.id and s.id.startswith("non-drive"))
    start = {edge.name: 0.0 for edge in outline_of(draft).edges}
    total = 0.0
    for edge in outline_of(draft).edges:
        start[edge.name] = total
        total += edge.length
    along = (start["down-tube"] + on_run - start[seam.a.edges[0]] - seam.a.start) % total
    assert run_on(draft, seam.b).point_at(along)[0] == pytest.approx(x, abs=1e-6)
    crosses = [m for m in piece.marks if m.kind == "centre"]
    assert len(crosses) == 2
    for cross_line in crosses:
        middle = cross_line.path.point_at(cross_line.path.length / 2)
        assert middle == pytest.approx((x, 0.0), abs=1e-9)
    assert not [f for f in draft.findings if f.level == "error"]


def test_a_hole_at_a_tubes_end_lies_in_the_round() -> None:
    draft = bored(at=0.97, joins=[{"tube": "top-tube", "at": 0.5}])
    ((_, mark),) = circles(draft)
    assert draft.opening is not None
    side = draft.opening.edge("down-tube").path
    foot = side.point_at(0.97 * side.length)
    corner = outline_of(draft).edge("corner:bottom-bracket").path
    nearest, _ = corner.nearest(foot)
    assert nearest > 1.0
    seam = next(s for s in draft.seams if s.id == "non-drive")
    start = sum(edge.length for edge in outline_of(draft).edges[:3])
    along = (start + nearest - seam.a.start) % outline_of(draft).path.length
    assert mark.path.bounds.centre[0] == pytest.approx(run_on(draft, seam.b).point_at(along)[0], abs=1e-6)


def test_the_name_stands_above_the_circle_inside_the_strip() -> None:
    draft = bored(joins=[{"tube": "top-tube", "at": 0.5}])
    ((piece, mark),) = circles(draft)
    lettered = [s for s in draw_piece(piece) if s.role == "text"]
    assert lettered
    x = mark.path.bounds.centre[0]
    near = [s.path.bounds for s in lettered if abs(s.path.bounds.centre[0] - x) < 12.0]
    assert near
    assert all(box.min_y > 6.0 and box.max_y < 20.0 for box in near)


@pytest.mark.parametrize(("off", "errors"), [(8.5, 1), (9.5, 0), (-8.5, 1), (-9.5, 0)])
def test_a_hole_too_near_to_a_join_is_an_error(off: float, errors: int) -> None:
    # The down tube is 570 mm long.
    draft = bored(at=0.5 + off / 570.0, joins=[{"tube": "down-tube", "at": 0.5}])
    found = [f for f in draft.findings if f.level == "error"]
    assert [(f.code, f.where) for f in found] == [("hole-at-join", "drain")] * errors
    assert len(circles(draft)) == 1


def test_a_hole_on_a_join_is_an_error_without_a_circle_across_the_end() -> None:
    draft = bored(at=0.5, joins=[{"tube": "down-tube", "at": 0.5}])
    assert [f.code for f in draft.findings if f.level == "error"] == ["hole-at-join"]
    assert circles(draft) == []


def test_a_hole_too_wide_for_the_strip_is_an_error() -> None:
    widths = {"default": 60.0, **dict.fromkeys(drafts.TUBES, 17.0)}
    draft = bored(width=widths)
    assert [f.code for f in draft.findings if f.level == "error"] == ["hole-too-wide"]
    assert "17.0 mm wide" in next(f.message for f in draft.findings if f.code == "hole-too-wide")


def test_a_notch_leaves_no_mark() -> None:
    draft = bored()
    (hole,) = draft.frame.obstacles
    frame = replace(draft.frame, obstacles=(replace(hole, treatment="notch"),))
    again = drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5).evolve(frame=frame), 5.0, 25.0)
    assert circles(again) == []
    assert len(circles(draft)) == 1
