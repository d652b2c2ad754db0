"""Places on straight runs, room across the gusset, the way round a tube."""

from __future__ import annotations

import math

import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag import Refusal
from oaktag.geometry import Path
from oaktag.pattern import Material, Place
from oaktag.plugin.kit import example_draft, run_stage
from oaktag_plugins.drafting.bag import gusset_spot, gussets
from oaktag_plugins.drafting.fastening import (
    along_words,
    body_at,
    check_tubes,
    circle,
    free_number,
    half_width,
    length_round,
    measure_of,
    narrowest,
    rounded_rectangle_edges,
    rounded_slot,
    run_parts,
    seam_length_at,
    straight_run,
    straight_runs,
    together,
    tube_round,
)

BAG = example_draft("measure.reconcile", "outline.clear", "corners.round", "panel.pair", "gusset.wrap")
OUTLINE = BAG.outline_of("")


@settings(deadline=None, max_examples=50)
@given(radius=st.floats(8.0, 50.0), span=st.floats(0.0, 90.0), gap=st.floats(0.0, 20.0))
def test_a_band_is_as_long_as_the_hull_round_tube_and_span(radius: float, span: float, gap: float) -> None:
    tube = shapely.Point(0.0, 0.0).buffer(radius, quad_segs=2000)
    below = -radius - gap
    # A segment of no length isn't one.
    flat = shapely.LineString([(-0.5 * span, below), (0.5 * span + 1e-9, below)])
    hull = shapely.union_all([tube, flat]).convex_hull
    assert length_round(radius, span, gap) == pytest.approx(hull.length, rel=1e-6, abs=1e-3)


def test_a_band_about_the_tube_alone_is_its_circumference() -> None:
    assert length_round(23.0, 0.0, 0.0) == pytest.approx(math.tau * 23.0)


def test_runs_and_rounds_make_the_outline() -> None:
    runs = straight_runs(OUTLINE)
    assert [run.tube for run in runs] == ["top-tube", "down-tube", "seat-tube"]
    rounds = sum(edge.length for edge in OUTLINE.edges if edge.is_corner)
    assert sum(run.length for run in runs) + rounds == pytest.approx(OUTLINE.path.length)
    for run in runs:
        assert OUTLINE.path.point_at(run.start) == pytest.approx(OUTLINE.edge(run.tube).path.start)
    with pytest.raises(Refusal, match="doesn't run along this tube"):
        straight_run(OUTLINE, "chain-stay", "tube")


def test_a_join_parts_a_run_and_keeps_its_room() -> None:
    top, down, _ = straight_runs(OUTLINE)
    assert run_parts(BAG, OUTLINE, top, 15.0) == [(top.start, top.start + top.length)]
    (low, first), (second, high) = run_parts(BAG, OUTLINE, down, 15.0)
    assert (low, high) == (down.start, down.start + down.length)
    assert second - first == pytest.approx(30.0)
    ends = [gusset_spot(BAG, OUTLINE, s) for s in (first, second)]
    [strip] = gussets(BAG)
    assert strip.seam_line.bounds.max_x - ends[0].x == pytest.approx(15.0, abs=0.1)
    assert ends[1].x - strip.seam_line.bounds.min_x == pytest.approx(15.0, abs=0.1)
    assert together(ends) == ((0,), (1,))
    assert together([gusset_spot(BAG, OUTLINE, s) for s in (low, first)]) == ((0, 1),)


@settings(deadline=None, max_examples=50)
@given(st.floats(0.0, 1.0))
def test_seam_lengths_and_places_along_the_strip_are_inverse(share: float) -> None:
    [strip] = gussets(BAG)
    upper = strip.edge("non-drive-side").path
    x, y = upper.point_at(share * upper.length)
    assert seam_length_at(strip, x) == pytest.approx(share * upper.length, abs=1e-6)
    assert half_width(strip, x) == pytest.approx(y, abs=1e-6)


@settings(deadline=None, max_examples=50)
@given(low=st.floats(0.0, 1.0), high=st.floats(0.0, 1.0))
def test_the_narrowest_place_is_no_wider_than_any_between(low: float, high: float) -> None:
    [strip] = gussets(BAG)
    end = strip.seam_line.bounds.max_x
    low, high = sorted((low * end, low * end + 40.0 * high))
    least = narrowest(strip, low, high)
    seen = [half_width(strip, low + (high - low) * k / 40) for k in range(41)]
    assert least <= min(seen) + 0.02
    assert least >= min(seen) - 0.02


def test_a_tube_is_as_far_round_as_its_widths_say() -> None:
    # Down tube: 46 mm at the head, 52 mm at the bottom bracket.
    half_way = tube_round(BAG, Place("down-tube", 0.5), 600.0, {}, 99.0)
    assert (half_way.circumference, half_way.known_from) == (pytest.approx(math.pi * 49.0), "round")
    assert half_way.radius == pytest.approx(24.5)
    for share, width in ((0.0, 46.0), (1.0, 52.0)):
        assert tube_round(BAG, Place("down-tube", share), 600.0, {}, 99.0).radius == pytest.approx(width / 2)
    own = tube_round(BAG, Place("down-tube", 0.5), 600.0, {"down-tube": 170.0, "default": 120.0}, 99.0)
    assert (own.circumference, own.known_from) == (170.0, "option")
    assert tube_round(BAG, Place("top-tube", 0.5), 500.0, {"default": 120.0}, 9.0).circumference == 120.0
    unknown = tube_round(BAG, Place("head-tube", 0.5), 90.0, {}, 40.0)
    assert (unknown.circumference, unknown.known_from) == (pytest.approx(math.pi * 40.0), "gusset")


def test_a_measure_comes_from_the_option_or_the_table() -> None:
    def width(name: str, given: float | None = None) -> float:
        return measure_of(BAG, name, "width", given, form="tape", key="material", option="width")

    assert width("webbing-38") == 38.0
    assert width("webbing-38", 40.0) == 40.0
    assert width("unheard-of", 21.0) == 21.0
    hole = measure_of(BAG, "grommet-8", "hole", None, form="each", key="grommet", option="hole")
    assert hole == 8.0
    with pytest.raises(Refusal, match="isn't in the material table") as caught:
        width("webbing-83")
    assert caught.value.todo == "did you mean 'webbing-38'?"
    with pytest.raises(Refusal, match="is cloth, not tape"):
        width("canvas-500d")
    bare = BAG.evolve(materials=(Material("plain", "webbing", "tape"),))
    with pytest.raises(Refusal, match="has no width in the table"):
        measure_of(bare, "plain", "width", None, form="tape", key="material", option="width")


def test_numbers_go_on_from_what_is_there() -> None:
    assert free_number(BAG, "strap-top-tube") == 1
    more = run_stage("strap.hook-and-loop", BAG, evenly={"top-tube": 2})
    assert free_number(more, "strap-top-tube") == 3
    assert free_number(more, "strap-down-tube") == 1


def test_tubes_that_arent_there_are_refused() -> None:
    check_tubes(["top-tube", "default"], BAG.frame.tubes, "evenly")
    with pytest.raises(Refusal, match="no such tube") as caught:
        check_tubes(["toptube"], BAG.frame.tubes, "evenly")
    assert caught.value.key == "evenly.toptube"
    with pytest.raises(Refusal):
        body_at(BAG, ("",), Place("chain-stay", 0.5), "places[0]")
    two = BAG.evolve(outlines=(OUTLINE, OUTLINE.__class__(OUTLINE.edges, "other")))
    with pytest.raises(Refusal, match="no body runs along this tube"):
        body_at(two, ("", "other"), Place("chain-stay", 0.5), "places[0]")


@settings(deadline=None, max_examples=50)
@given(width=st.floats(20.0, 200.0), height=st.floats(20.0, 200.0), radius=st.floats(1.0, 9.0))
def test_round_shapes_have_the_area_that_geometry_says(width: float, height: float, radius: float) -> None:
    edges = rounded_rectangle_edges(width, height, radius)
    path = Path(tuple(segment for edge in edges for segment in edge.path.segments))
    assert path.closed
    assert path.area == pytest.approx(width * height - (4.0 - math.pi) * radius**2)
    slot = rounded_slot((3.0, 4.0), width, radius)
    assert slot.area == pytest.approx((width - radius) * radius + math.pi * radius**2 / 4)
    assert slot.bounds.centre == pytest.approx((3.0, 4.0))
    assert rounded_slot((3.0, 4.0), radius, radius).area == pytest.approx(math.pi * radius**2 / 4)
    assert circle((1.0, 2.0), radius).area == pytest.approx(math.pi * radius**2)


def test_places_are_named_by_tube_or_corner() -> None:
    assert along_words(OUTLINE, 100.0) == "100 mm along top-tube"
    after = OUTLINE.edges[0].length + 5.0
    assert along_words(OUTLINE, after) == "5 mm along the round of the corner head"
    assert along_words(OUTLINE, OUTLINE.path.length + 100.0) == "100 mm along top-tube"
