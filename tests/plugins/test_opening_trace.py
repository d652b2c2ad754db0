"""`opening.trace`: the outline of a traced drawing becomes the opening."""

from __future__ import annotations

import math
import random
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from oaktag.geometry import Arc, Curve, Line, Point
from oaktag.pattern import Bow, Draft, Finding, Place
from oaktag_plugins.opening_trace import TraceOptions, run

if TYPE_CHECKING:
    from tests.plugins import openings, traces
else:
    openings = SimpleNamespace(**run_path(str(Path(__file__).with_name("openings.py"))))
    traces = SimpleNamespace(**run_path(str(Path(__file__).with_name("traces.py"))))

SETTINGS = settings(deadline=None, derandomize=True, max_examples=40)

# y upward, clockwise from the seat, as the drive side faces the reader.
TRIANGLE: tuple[Point, ...] = ((-76.0, 412.0), (438.0, 396.0), (0.0, 0.0))
FOUR: tuple[Point, ...] = ((-76.0, 412.0), (438.0, 396.0), (470.0, 320.0), (0.0, 0.0))
FOUR_NAMES: dict[str, Any] = {
    "corners": ("seat", "head", "crown", "bottom-bracket"),
    "tubes": ("top-tube", "head-tube", "down-tube", "seat-tube"),
}


def made(draft: Draft) -> Draft:
    return run(draft, TraceOptions())


def svg(text: str, head: Any = traces.MM, names: Any = None, **table: Any) -> Draft:
    data = traces.svg(text, head)
    return made(openings.sourced("trace", {"file": "frame.svg", **table}, frame_svg=data, **(names or {})))


def dxf(data: bytes, names: Any = None, **table: Any) -> Draft:
    return made(openings.sourced("trace", {"file": "frame.dxf", **table}, frame_dxf=data, **(names or {})))


def finding(draft: Draft, code: str) -> Finding:
    (found,) = [one for one in draft.findings if one.code == code]
    return found


def down(points: tuple[Point, ...]) -> list[Point]:
    """Points as an SVG file has them."""
    return [(x + 100.0, 500.0 - y) for x, y in points]


def path_data(points: tuple[Point, ...]) -> str:
    return "M" + "L".join(f"{x!r} {y!r}" for x, y in down(points)) + "z"


PLAIN = f'<path d="{path_data(TRIANGLE)}"/>'


# -------------------------------------------------------------------------------------- the same shape


@given(
    openings.polygons(),
    st.data(),
    st.sampled_from(["svg", "dxf"]),
    st.booleans(),
    st.booleans(),
    st.floats(0.0, math.tau),
)
@SETTINGS
def test_any_polygon_comes_out_as_it_was_drawn(
    points: tuple[Point, ...], data: st.DataObject, kind: str, backwards: bool, mirrored: bool, turn: float
) -> None:
    angles = [openings.interior_angle(points, index) for index in range(len(points))]
    assume(all(abs(180.0 - angle) > 16.0 for angle in angles))
    names = dict(zip(("corners", "tubes"), openings.names(len(points)), strict=True))
    drawn = openings.moved(points, turn, (-40.0, 900.0))
    if mirrored:
        drawn = tuple((-x, y) for x, y in drawn)
    if kind == "svg":
        drawn = tuple((x, 500.0 - y) for x, y in drawn)
    first = list(drawn[0])
    begin = data.draw(st.integers(0, len(points) - 1))
    order = [*drawn[begin:], *drawn[:begin]]
    order = order[::-1] if backwards else order
    if kind == "svg":
        text = " ".join(f"{x!r},{y!r}" for x, y in order)
        draft = svg(f'<polygon points="{text}"/>', names=names, first=first, mirrored=mirrored)
    else:
        space = traces.Dxf()
        space.polyline([(x, y, 0.0) for x, y in order])
        draft = dxf(space.data(), names, first=first, mirrored=mirrored)
    openings.check_shape(draft, points, 1e-5)
    assert draft.opening is not None
    for edge in draft.opening.edges:
        (line,) = edge.path.segments
        assert isinstance(line, Line)


@given(openings.polygons(5), st.lists(st.floats(-0.12, 0.12), min_size=5, max_size=5), st.randoms())
@SETTINGS
def test_arcs_stay_arcs_in_both_formats(
    points: tuple[Point, ...], rises: list[float], chance: random.Random
) -> None:
    count = len(points)
    ends = list(zip(points, (*points[1:], points[0]), strict=True))
    bulges = [4 * rise if abs(rise) > 0.01 else 0.0 for rise in rises[:count]]
    turned = traces.turned_by_bulges(points, bulges)
    assume(all(abs(turn) > 16.0 for turn in turned))
    names = dict(zip(("corners", "tubes"), openings.names(count), strict=True))
    space = traces.Dxf()
    space.polyline([(x, y, bulge) for (x, y), bulge in zip(points, bulges, strict=True)])
    assume(traces.is_simple(points, bulges))
    from_dxf = dxf(space.data(), names, first=list(points[0]))
    from_svg = svg(f'<path d="{traces.arc_data(down(points), bulges)}"/>', names=names, first=down(points)[0])
    for draft in (from_dxf, from_svg):
        openings_edges = draft.opening.edges if draft.opening else ()
        for edge, (start, end), bulge in zip(openings_edges, ends, bulges, strict=True):
            (segment,) = edge.path.segments
            chord = math.dist(start, end)
            if bulge == 0.0:
                assert isinstance(segment, Line)
                assert segment.length == pytest.approx(chord)
            else:
                assert isinstance(segment, Arc)
                # A quarter of the sweep has the bulge as its tangent (DXF reference, LWPOLYLINE, group 42).
                sweep = 4.0 * math.atan(bulge)
                assert segment.length == pytest.approx(abs(sweep) * segment.radius)
                assert segment.radius == pytest.approx(chord / 2.0 / abs(math.sin(sweep / 2.0)))
                assert segment.clockwise == (bulge < 0.0)


def test_curves_stay_curves_and_enclose_what_was_drawn() -> None:
    text = "M24 88 C150 70 380 84 538 104 Q 260 330 100 500 z"
    draft = svg(f'<path d="{text}"/>')
    assert draft.opening is not None
    kinds = [[type(segment) for segment in edge.path.segments] for edge in draft.opening.edges]
    assert kinds == [[Curve], [Curve], [Line]]
    # By a fine polygon, evaluated from the Bernstein polynomials.
    t = np.linspace(0.0, 1.0, 20001)[:, None]
    u = 1.0 - t
    a, b, c, d = (np.array(p, dtype=float) for p in ((24, 88), (150, 70), (380, 84), (538, 104)))
    cubic = u**3 * a + 3 * u * u * t * b + 3 * u * t * t * c + t**3 * d
    control, bracket = np.array((260.0, 330.0)), np.array((100.0, 500.0))
    quadratic = u * u * d + 2 * u * t * control + t * t * bracket
    whole = np.vstack((cubic, quadratic))
    x, y = whole.T
    area = 0.5 * abs(float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))))
    drawn = sum(segment.area_term for edge in draft.opening.edges for segment in edge.path.segments)
    assert abs(drawn) == pytest.approx(area, rel=1e-7)
    for edge, points in zip(draft.opening.edges, (cubic, quadratic), strict=False):
        length = float(np.hypot(*np.diff(points, axis=0).T).sum())
        assert edge.path.length == pytest.approx(length, abs=1e-4)
    # Lengths of the survey are pulled straight.
    assert draft.survey is not None
    assert draft.survey.lengths[0].value == pytest.approx(math.dist((24, 88), (538, 104)))


def test_lines_that_continue_each_other_become_one_and_kinks_stay() -> None:
    points = [(0, 0), (100, 3), (200, 6), (514, 15.42), (260, 200), (76, 412), (38, 206)]
    text = " ".join(f"{x},{y}" for x, y in points)
    draft = svg(f'<polygon points="{text}"/>')
    assert draft.opening is not None
    assert [len(edge.path.segments) for edge in draft.opening.edges] == [1, 2, 1]


def test_a_handle_of_no_length_and_a_straight_curve_are_no_trouble() -> None:
    draft = svg('<path d="M24 88 C24 88 380 60 538 104 C 538 104 100 500 100 500 L24 88z"/>')
    assert draft.opening is not None
    kinds = [[type(segment) for segment in edge.path.segments] for edge in draft.opening.edges]
    assert kinds == [[Curve], [Line], [Line]]


def test_a_bow_of_the_sheet_bends_a_straight_side_and_clashes_with_a_bent_one() -> None:
    bow = Bow("top-tube", ((Place("top-tube", fraction=0.5), 8.0),), "bows.top-tube")

    def bent(text: str) -> Draft:
        data = traces.svg(text)
        draft = openings.sourced("trace", {"file": "frame.svg"}, frame_svg=data)
        from dataclasses import replace

        return made(draft.evolve(frame=replace(draft.frame, bows=(bow,))))

    opening = bent(PLAIN).opening
    assert opening is not None
    (arc,) = opening.edge("top-tube").path.segments
    assert isinstance(arc, Arc)
    assert arc.sagitta == pytest.approx(8.0)
    curved = '<path d="M24 88 C150 70 380 84 538 104 L100 500z"/>'
    openings.refusal(lambda: bent(curved), "bows.top-tube")


# --------------------------------------------------------------------------------------- which corner


def test_the_seat_is_the_corner_at_the_upper_left() -> None:
    for begin in range(3):
        draft = svg(f'<path d="{path_data((*TRIANGLE[begin:], *TRIANGLE[:begin]))}"/>')
        openings.check_shape(draft, TRIANGLE)
    message = finding(draft, "trace-corners").message
    assert "seat at 24, 88; head at 538, 104; bottom-bracket at 100, 500" in message


def test_four_corners_begin_at_the_seat_too() -> None:
    openings.check_shape(svg(f'<path d="{path_data(FOUR)}"/>', names=FOUR_NAMES), FOUR)


def test_a_trace_of_the_non_drive_side_is_turned_over() -> None:
    text = path_data(tuple((400.0 - x, y) for x, y in TRIANGLE))
    openings.check_shape(svg(f'<path d="{text}"/>', mirrored=True), TRIANGLE)


def test_first_says_which_corner_is_the_first() -> None:
    draft = svg(PLAIN, first=[100, 501])
    openings.check_shape(draft, (TRIANGLE[2], *TRIANGLE[:2]))
    said = openings.refusal(lambda: svg(PLAIN, first=[300, 300]), "sources.trace.first")
    assert "24, 88" in said.valid


def test_first_is_asked_for_where_it_can_not_be_told() -> None:
    names = {"corners": ("a", "b", "c"), "tubes": ("ab", "bc", "ca")}
    openings.refusal(lambda: svg(PLAIN, names=names), "sources.trace.first")
    # Two corners as far to the upper left.
    openings.refusal(lambda: svg('<path d="M100 20L20 100 500 500z"/>'), "sources.trace.first")


def test_too_many_corners_are_listed_with_a_way_out() -> None:
    kinked = ((-76.0, 412.0), (438.0, 396.0), (150.0, 190.0), (0.0, 0.0))
    said = openings.refusal(
        lambda: svg(f'<path d="{path_data(kinked)}"/>', **{"corner-turn": 5}), "sources.trace.file"
    )
    assert "has 4 corners that turn by more than 5°" in said.reason
    assert "250, 310 turns 1" in said.found
    assert "corner-turn = " in said.todo
    better = float(said.todo.partition("corner-turn = ")[2].split()[0])
    draft = svg(f'<path d="{path_data(kinked)}"/>', **{"corner-turn": better})
    assert (
        [corner.name for corner in draft.opening.corners] == list(openings.CORNERS) if draft.opening else ""
    )


def test_too_few_corners_are_listed() -> None:
    said = openings.refusal(lambda: svg(PLAIN, names=FOUR_NAMES), "sources.trace.file")
    assert "has 3 corners" in said.reason
    assert said.valid == "4: seat, head, crown, bottom-bracket"
    rounded = '<rect x="20" y="80" width="500" height="300" rx="40"/>'
    said = openings.refusal(lambda: svg(rounded), "sources.trace.file")
    assert "meet in sharp corners" in said.todo


# --------------------------------------------------------------------------------------- which scale

SIZES: list[tuple[str, float]] = [
    ('width="600mm" height="600mm" viewBox="0 0 600 600"', 1.0),
    ('width="60cm" height="60cm" viewBox="-50 -50 600 600"', 1.0),
    ('width="12in" height="12in" viewBox="0 0 300 300"', 1.016),
    ('width="1440pt" height="1440pt" viewBox="0 0 1000 1000"', 0.508),
    ('width="120pc" height="120pc" viewBox="0 0 1000 1000"', 0.508),
    ('width="2400Q" viewBox="0 0 600 600"', 1.0),
    ('height="600mm" viewBox="0 0 300 600"', 1.0),
    # Evenly scaled into the middle, as both attributes say by default; `slice` fills the whole.
    ('width="600mm" height="900mm" viewBox="0 0 600 600"', 1.0),
    ('width="600mm" height="900mm" viewBox="0 0 600 600" preserveAspectRatio="xMidYMid slice"', 1.5),
    ('width="600mm" height="600mm"', 25.4 / 96.0),
]


@pytest.mark.parametrize(("head", "scale"), SIZES)
def test_an_svg_is_as_large_as_its_size_and_view_box_say(head: str, scale: float) -> None:
    big = tuple((3.0 * x, 3.0 * y) for x, y in TRIANGLE) if scale < 0.3 else TRIANGLE
    draft = svg(f'<path d="{path_data(big)}"/>', head)
    openings.check_shape(draft, tuple((scale * x, scale * y) for x, y in big), 1e-5)


@pytest.mark.parametrize(
    ("unit", "scale"), [(1, 25.4), (2, 304.8), (4, 1.0), (5, 10.0), (6, 1000.0), (10, 914.4), (14, 100.0)]
)
def test_a_dxf_is_as_large_as_its_unit_says(unit: int, scale: float) -> None:
    space = traces.Dxf(unit=unit)
    space.polyline([(x / scale, y / scale, 0.0) for x, y in TRIANGLE])
    openings.check_shape(dxf(space.data()), TRIANGLE, 1e-5)


NO_SCALE = [
    'viewBox="0 0 600 600"',
    'width="600" height="600" viewBox="0 0 600 600"',
    'width="600px" height="600px"',
    'width="100%" height="100%" viewBox="0 0 600 600"',
    "",
]


@pytest.mark.parametrize("head", NO_SCALE)
def test_pixels_are_no_scale_until_somebody_says_so(head: str) -> None:
    openings.refusal(lambda: svg(PLAIN, head), "sources.trace.drawing-unit")
    openings.check_shape(svg(PLAIN, head, **{"drawing-unit": "mm"}), TRIANGLE)
    big = tuple((3.0 * x, 3.0 * y) for x, y in TRIANGLE)
    draft = svg(f'<path d="{path_data(big)}"/>', head, **{"drawing-unit": "px"})
    openings.check_shape(draft, tuple((25.4 / 96.0 * x, 25.4 / 96.0 * y) for x, y in big), 1e-5)


@pytest.mark.parametrize("version", ["R12", "R2000", "R2010", "R2018"])
def test_a_dxf_without_a_unit_is_asked_for_one(version: str) -> None:
    space = traces.Dxf(version, unit=0)
    space.polyline([(x, y, 0.0) for x, y in TRIANGLE])
    said = openings.refusal(lambda: dxf(space.data()), "sources.trace.drawing-unit")
    assert "no unit" in said.found
    openings.check_shape(dxf(space.data(), **{"drawing-unit": "mm"}), TRIANGLE)


def test_a_stated_unit_overrules_the_file_and_says_so() -> None:
    space = traces.Dxf(unit=6)
    space.polyline([(x, y, 0.0) for x, y in TRIANGLE])
    said = openings.refusal(lambda: dxf(space.data()), "sources.trace.file")
    assert "metres" in said.found
    draft = dxf(space.data(), **{"drawing-unit": "mm"})
    openings.check_shape(draft, TRIANGLE)
    assert "though the file says metres" in finding(draft, "trace-scale").message


@pytest.mark.parametrize("scale", [0.05, 1.0, 3.7795, 4000.0])
def test_one_known_length_gives_the_scale(scale: float) -> None:
    small = tuple((x / scale, y / scale) for x, y in TRIANGLE)
    known = {
        "from": "head",
        "to": "bottom-bracket",
        "length": f"{math.dist(TRIANGLE[1], TRIANGLE[2]) / 10} cm",
    }
    draft = svg(f'<path d="{path_data(small)}"/>', "", known=known)
    openings.check_shape(draft, TRIANGLE, 1e-5)
    assert "a second known length would check it" in finding(draft, "trace-scale").message


def test_a_known_length_may_lie_between_other_points() -> None:
    known = [
        {"from": [0, 0], "to": [0, 300], "length": 150},
        {"from": "seat", "to": [538, 104], "length": 257},
    ]
    draft = svg(PLAIN, "", known=known)
    half = tuple((x / 2, y / 2) for x, y in TRIANGLE)
    openings.check_shape(draft, half, 0.2)
    assert "0, 0 to 0, 300 is " in finding(draft, "trace-scale").message


def test_known_lengths_check_a_drawing_that_has_a_scale() -> None:
    top = math.dist(*TRIANGLE[:2])
    draft = svg(PLAIN, known={"from": "seat", "to": "head", "length": top + 3.0})
    openings.check_shape(draft, TRIANGLE)
    assert f"{top:.1f} mm on the drawing" in finding(draft, "trace-scale").message
    said = openings.refusal(
        lambda: svg(PLAIN, known={"from": "seat", "to": "head", "length": 480}), "sources.trace.known"
    )
    assert "480 mm measured" in said.found
    assert f"{top:.1f} mm on the drawing" in said.found
    # With the file's scale set aside the known length has the word.
    draft = svg(PLAIN, known={"from": "seat", "to": "head", "length": 480}, **{"drawing-unit": "none"})
    openings.check_shape(draft, tuple((x * 480 / top, y * 480 / top) for x, y in TRIANGLE), 1e-5)


def test_known_lengths_that_disagree_are_shown_with_their_scales() -> None:
    top, seat = math.dist(*TRIANGLE[:2]), math.dist(TRIANGLE[2], TRIANGLE[0])
    known = [
        {"from": "seat", "to": "head", "length": top},
        {"from": "bottom-bracket", "to": "seat", "length": 1.05 * seat},
    ]
    said = openings.refusal(lambda: svg(PLAIN, "", known=known), "sources.trace.known")
    assert "makes the unit 1 mm" in said.found
    assert "makes the unit 1.05 mm" in said.found
    known[1]["length"] = 1.005 * seat
    assert svg(PLAIN, "", known=known).opening is not None


@pytest.mark.parametrize(
    ("known", "key"),
    [
        ({"from": "saddle", "to": "head", "length": 500}, "known.from"),
        ({"from": "seat", "to": [1], "length": 500}, "known[0].to"),
        ({"from": "seat", "to": [1, True], "length": 500}, "known[0].to"),
        ({"from": "seat", "to": [1, 1e300], "length": 500}, "known[0].to"),
        ({"from": "seat", "to": "head", "length": 0}, "known[0].length"),
        ({"from": "seat", "to": "seat", "length": 500}, "known"),
        ({"from": [24, 88], "to": [25, 88], "length": 1}, "known"),
    ],
)
def test_known_lengths_that_are_none_are_refused(known: dict[str, Any], key: str) -> None:
    openings.refusal(lambda: svg(PLAIN, "", known=[known]), f"sources.trace.{key}")


def test_no_scale_at_all_is_refused() -> None:
    openings.refusal(lambda: svg(PLAIN, **{"drawing-unit": "none"}), "sources.trace.known")


def test_an_opening_of_no_bicycle_is_refused() -> None:
    small = '<path d="M1 1L30 2 5 25z"/>'
    said = openings.refusal(lambda: svg(small), "sources.trace.file")
    assert "mm round it" in said.found
    known = {"from": "seat", "to": "head", "length": 12}
    openings.refusal(lambda: svg(small, "", known=known), "sources.trace.known")


# ------------------------------------------------------------------------------------------- how sure


def test_a_true_size_drawing_has_independent_corners() -> None:
    draft = svg(PLAIN, sigma="0.8 mm")
    chance = np.random.default_rng(5)
    samples = np.array(TRIANGLE) + chance.normal(0.0, 0.8, (40_000, 3, 2))
    openings.check_covariance(draft, samples)


@pytest.mark.parametrize("count", [1, 3])
def test_known_lengths_pass_on_their_errors_and_those_of_their_ends(count: int) -> None:
    """Simulated from the definition: draw with errors, measure with errors, scale by the weighted mean."""
    given = [("seat", "head", 0, 1), ("seat", "bottom-bracket", 0, 2), ("head", "bottom-bracket", 1, 2)][
        :count
    ]
    sigmas = [2.0, 1.0, 0.5][:count]
    lengths = [math.dist(TRIANGLE[i], TRIANGLE[j]) for *_, i, j in given]
    known = [
        {"from": a, "to": b, "length": length, "sigma": sigma}
        for (a, b, *_), length, sigma in zip(given, lengths, sigmas, strict=True)
    ]
    draft = svg(PLAIN, "", known=known, sigma=0.7)
    chance = np.random.default_rng(11)
    drawn = np.array(TRIANGLE) + chance.normal(0.0, 0.7, (60_000, 3, 2))
    logarithm, total = np.zeros(len(drawn)), 0.0
    for (_, _, i, j), length, sigma in zip(given, lengths, sigmas, strict=True):
        weight = length**2 / (sigma**2 + 2 * 0.7**2)
        measured = length + chance.normal(0.0, sigma, len(drawn))
        logarithm += weight * np.log(measured / np.hypot(*(drawn[:, i] - drawn[:, j]).T))
        total += weight
    openings.check_covariance(draft, drawn * np.exp(logarithm / total)[:, None, None])


def test_a_known_length_between_other_points_brings_the_errors_of_those() -> None:
    known = {"from": "seat", "to": [538.0, 300.0], "length": 500.0, "sigma": 1.5}
    draft = svg(PLAIN, "", known=known, sigma=0.9)
    chance = np.random.default_rng(3)
    scale = 500.0 / math.dist((24, 88), (538, 300))
    true = np.array(TRIANGLE) * scale
    drawn = true + chance.normal(0.0, 0.9, (60_000, 3, 2))
    end = np.array((438.0, 200.0)) * scale + chance.normal(0.0, 0.9, (60_000, 2))
    factor = (500.0 + chance.normal(0.0, 1.5, 60_000)) / np.hypot(*(drawn[:, 0] - end).T)
    openings.check_covariance(draft, drawn * factor[:, None, None])


# ------------------------------------------------------------------------------------- joining lines


def test_lines_in_any_order_and_direction_join() -> None:
    chance = random.Random(4)
    points = down(FOUR)
    lines = list(zip(points, [*points[1:], points[0]], strict=True))
    for _ in range(20):
        chance.shuffle(lines)
        drawn = [line if chance.random() < 0.5 else line[::-1] for line in lines]
        text = "".join(f'<line x1="{a}" y1="{b}" x2="{c}" y2="{d}"/>' for (a, b), (c, d) in drawn)
        openings.check_shape(svg(text, names=FOUR_NAMES), FOUR)


def test_small_gaps_are_closed_and_told_of_and_wide_ones_refused() -> None:
    def gap(width: float, **table: Any) -> Draft:
        return svg(f'<path d="M24 88L538 104 100 500 24 {88 + width}"/>', **table)

    openings.check_shape(gap(0.0), TRIANGLE)
    draft = gap(0.4)
    assert "0.40 mm" in finding(draft, "trace-joined").message
    openings.check_shape(draft, TRIANGLE, 0.3)
    said = openings.refusal(lambda: gap(2.5), "sources.trace.file")
    assert "2.5 mm from 24, 88 to 24, 90.5" in said.found
    openings.check_shape(gap(2.5, join=3), TRIANGLE, 1.5)
    openings.refusal(lambda: gap(0.001, join=0), "sources.trace.file")
    # Without a scale the gap is in units, and measured once known lengths have given one.
    known = {"from": "seat", "to": "head", "length": 1543}
    openings.refusal(
        lambda: svg('<path d="M24 88L538 104 100 500 24 88.3"/>', "", known=known), "sources.trace.file"
    )


def test_what_is_drawn_twice_counts_once() -> None:
    points = down(TRIANGLE)
    pairs = list(zip(points, [*points[1:], points[0]], strict=True))
    lines = "".join(
        f'<line x1="{a}" y1="{b}" x2="{c}" y2="{d}"/>' for (a, b), (c, d) in [*pairs, pairs[1][::-1]]
    )
    openings.check_shape(svg(lines), TRIANGLE)
    openings.check_shape(svg(PLAIN + PLAIN), TRIANGLE)


def test_branches_are_named() -> None:
    said = openings.refusal(
        lambda: svg(
            '<path d="M24 88L538 104 100 500 24 88"/><path d="M24 88L200 200"/><path d="M5 5L9 9"/>'.replace(
                'L538 104 100 500 24 88"', 'L538 104"/><path d="M538 104L100 500 24 88"'
            )
        ),
        "sources.trace.file",
    )
    assert "more than two lines meet" in said.reason
    assert "24, 88" in said.found


def test_an_outline_beside_loose_lines_is_found() -> None:
    openings.check_shape(svg(PLAIN + '<path d="M5 5L9 9M300 400h20"/>'), TRIANGLE)


@pytest.mark.parametrize(
    "path",
    [
        "M24 88L538 104 100 500 300 60z",
        "M24 88L538 104 100 500 24 88 538 104 100 500z",
        "M24 88L538 104 100 500L538 104L300 96z",
        "M24 88C800 600 -300 600 538 104L100 500z",
    ],
)
def test_an_outline_that_crosses_itself_is_refused(path: str) -> None:
    said = openings.refusal(lambda: svg(f'<path d="{path}"/>'), "sources.trace.file")
    assert "crosses or touches itself" in said.reason


def test_several_outlines_are_listed_and_one_is_chosen() -> None:
    both = f'<g id="frame">{PLAIN}</g><circle id="boss" cx="200" cy="200" r="5"/>'
    said = openings.refusal(lambda: svg(both), "sources.trace.file")
    assert said.found == 'path 1 (514 × 412); circle "boss" (10 × 10)'
    for element in ("frame", "path 1"):
        openings.check_shape(svg(both, element=element), TRIANGLE)
    openings.refusal(lambda: svg(both, element="boss"), "sources.trace.file")
    said = openings.refusal(lambda: svg(both, element="fork"), "sources.trace.element")
    assert "boss" in said.valid
    openings.refusal(lambda: svg(both, layer="frame"), "sources.trace.layer")


def test_one_line_of_an_outline_chooses_it() -> None:
    lines = "".join(
        f'<line id="l{index}" x1="{a}" y1="{b}" x2="{c}" y2="{d}"/>'
        for index, ((a, b), (c, d)) in enumerate(
            zip(down(TRIANGLE), [*down(TRIANGLE)[1:], down(TRIANGLE)[0]], strict=True)
        )
    )
    circle = '<circle cx="200" cy="200" r="5"/>'
    openings.check_shape(svg(lines + circle, element="l1"), TRIANGLE)


def test_a_tangle_is_refused_at_once() -> None:
    star = "".join(f'<path d="M300 300L{300 + index % 200} {10 + index}"/>' for index in range(600))
    openings.refusal(lambda: svg(star), "sources.trace.file")


def test_another_stage_that_makes_the_opening_is_refused() -> None:
    draft = openings.sourced("trace", {"file": "frame.svg"}, frame_svg=traces.svg(PLAIN))
    once = made(draft)
    openings.refusal(lambda: made(once), "", "recipe")


@pytest.mark.parametrize("name", ["frame.txt", "frame", "frame.dwg"])
def test_other_kinds_of_file_are_refused(name: str) -> None:
    files: dict[str, Any] = {name.replace(".", "_"): b"x"}
    draft = openings.sourced("trace", {"file": name}, **files)
    openings.refusal(lambda: made(draft), "sources.trace.file")


@pytest.mark.parametrize(
    ("table", "key"),
    [
        ({"corner-turn": 0}, "corner-turn"),
        ({"corner-turn": 180}, "corner-turn"),
        ({"join": -1}, "join"),
        ({"sigma": 0}, "sigma"),
        ({"first": [1, "2"]}, "first[1]"),
        ({"drawing-unit": "furlong"}, "drawing-unit"),
        ({"mirored": True}, "mirored"),
    ],
)
def test_mistakes_in_the_table_are_named(table: dict[str, Any], key: str) -> None:
    openings.refusal(lambda: svg(PLAIN, **table), f"sources.trace.{key}")


SHEETS = sorted((Path(__file__).parents[2] / "recipes" / "sources" / "trace").glob("*.frame.toml"))


@pytest.mark.parametrize("path", SHEETS, ids=[path.stem for path in SHEETS])
def test_every_sheet_that_ships_makes_an_opening(path: Path) -> None:
    draft = made(openings.loaded(path))
    assert draft.opening is not None
    assert {level for level, code in openings.codes(draft) if code.startswith("trace-")} == {"note"}


def test_sheets_ship_in_both_formats() -> None:
    files = {draft.frame.sources[0].attachments[0].name[-3:] for draft in map(openings.loaded, SHEETS)}
    assert files == {"dxf", "svg"}
