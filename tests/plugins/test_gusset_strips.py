"""`gusset.wrap`: strips by tube, strips that are too long, materials by tube, bellies."""

from __future__ import annotations

import re
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

from oaktag.geometry import Line
from oaktag.geometry import Path as SeamLine
from oaktag.pattern import Draft, Edge, Finding, Material, Obstacle, Outline, Piece, Place
from oaktag.pattern.walk import walk
from oaktag.plugin.kit import example_draft, run_stage
from oaktag_plugins.drafting.bag import gusset_spot, gusset_starts
from oaktag_plugins.drafting.gusset_width import (
    WidthProfile,
    belly_share,
    linear_knots,
    profile_through,
    with_belly,
)
from oaktag_plugins.drafting.strips import Room, join_rooms, main_edge, nearest_room, split_evenly

if TYPE_CHECKING:
    from tests.plugins import drafts
else:
    drafts = SimpleNamespace(**run_path(str(Path(__file__).with_name("drafts.py"))))

SETTINGS = settings(deadline=None, derandomize=True, max_examples=10)


def outline_of(draft: Draft) -> Outline:
    assert draft.outline is not None
    return draft.outline


def gussets(draft: Draft) -> list[Piece]:
    return [piece for piece in draft.pieces if piece.role == "gusset"]


def bag(gap: float = 4.0, radius: float = 25.0, **wrap: Any) -> Draft:
    return drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5), gap, radius, **wrap)


def seams_agree(draft: Draft) -> None:
    for seam in draft.seams:
        assert abs(walk(draft, seam).difference) < 0.01, seam.id


def joins(draft: Draft) -> list[tuple[str, float, float]]:
    """Where the strips begin: the outline's edge, and how far it is from both ends of that edge."""
    outline = outline_of(draft)
    found: list[tuple[str, float, float]] = []
    for _, begin in gusset_starts(draft, outline):
        at = begin
        for edge in outline.edges:
            if at < edge.length - 1e-6:
                found.append((edge.name, at, edge.length - at))
                break
            at -= edge.length
    return found


def only(draft: Draft, code: str) -> Finding:
    (finding,) = (found for found in draft.findings if found.code == code)
    return finding


# Strips by tube.


@pytest.mark.parametrize("distance", [10.0, 20.0, 45.0])
def test_strips_by_tube_are_joined_so_far_before_every_corner(distance: float) -> None:
    draft = bag(strips="per-tube", join_distance=distance)
    assert sorted(name for name, _, _ in joins(draft)) == sorted(drafts.TUBES)
    assert all(left == pytest.approx(distance, abs=1e-6) for _, _, left in joins(draft))
    assert len(gussets(draft)) == 3
    seams_agree(drafts.notched(drafts.allowed(draft)))
    assert "join-moved" not in drafts.codes(draft)


def test_joins_of_the_recipe_go_before_strips_by_tube() -> None:
    draft = bag(strips="per-tube", joins=[{"tube": "top-tube", "at": 0.5}])
    assert [name for name, _, _ in joins(draft)] == ["top-tube"]


def test_a_run_too_short_for_the_distance_is_joined_as_far_back_as_there_is_room() -> None:
    draft = bag(strips="per-tube", join_distance=400.0)
    moved = [found.where for found in draft.findings if found.code == "join-moved"]
    assert sorted(moved) == ["seat-tube", "top-tube"]
    assert all(before >= 3.0 - 1e-6 and after >= 3.0 - 1e-6 for _, before, after in joins(draft))
    message = next(f.message for f in draft.findings if f.code == "join-moved" and f.where == "seat-tube")
    _, before, after = next(join for join in joins(draft) if join[0] == "seat-tube")
    assert before == pytest.approx(3.0, abs=1e-6)
    assert f"{400.0 - after:.1f} mm away" in message
    seams_agree(draft)


def test_strips_by_tube_end_where_the_bag_is_open() -> None:
    draft = bag(strips="per-tube", open=["top-tube"])
    names = [name for name, _, _ in joins(draft)]
    # The strip begins where the top tube's run ends; the seat tube's leads to the opening, and has no join.
    assert names == ["corner:head", "down-tube"]
    seams_agree(draft)


def bored(at: float, length: float = 12.0, clearance: float = 4.0, **wrap: Any) -> Draft:
    draft = drafts.triangle(335.0, 570.0, 51.5)
    hole = Obstacle("drain", Place("down-tube", fraction=at), length, 5.0, clearance, "hole", "obstacles[0]")
    frame = draft.frame
    return drafts.wrapped(draft.evolve(frame=replace(frame, obstacles=(hole,))), 4.0, 25.0, **wrap)


def test_joins_that_the_stage_places_keep_clear_of_holes() -> None:
    plain = bag(strips="per-tube")
    outline = outline_of(plain)
    run = outline.edge("down-tube")
    assert plain.opening is not None
    side = plain.opening.edge("down-tube").path
    at = side.nearest(run.path.point_at(run.length - 20.0))[0] / side.length
    draft = bored(at, strips="per-tube")
    assert "hole-at-join" not in drafts.codes(draft)
    assert only(draft, "join-moved").where == "down-tube"
    left = next(left for name, _, left in joins(draft) if name == "down-tube")
    # To the near side of the hole: half its length and its clearance away.
    assert abs(left - 20.0) == pytest.approx(6.0 + 4.0, abs=1e-6)


# Materials.


def test_every_strip_is_cut_from_the_material_of_its_tube() -> None:
    draft = bag(strips="per-tube", material={"default": "shell", "down-tube": "canvas-1000d"})
    outline = outline_of(draft)
    found = {}
    for piece, begin in gusset_starts(draft, outline):
        middle = begin + 0.5 * piece.edge("non-drive-side").length
        found[gusset_spot(draft, outline, middle % outline.path.length).piece.id] = piece.material
        name = main_edge(outline, begin, begin + piece.edge("non-drive-side").length)
        assert piece.material == ("canvas-1000d" if name == "down-tube" else "shell")
    assert sorted(found.values()) == ["canvas-1000d", "shell", "shell"]


def test_a_material_that_no_strip_gets_is_said() -> None:
    draft = bag(material={"default": "shell", "seat-tube": "canvas-1000d"})
    finding = only(draft, "material-unused")
    assert (finding.level, finding.where) == ("warning", "seat-tube")
    assert {piece.material for piece in gussets(draft)} == {"shell"}


def test_materials_of_unknown_tubes_and_without_a_default_are_refused() -> None:
    drafts.refusal(lambda: bag(material={"default": "shell", "seat-tub": "x"}), "material.seat-tub")
    drafts.refusal(lambda: bag(material={"seat-tube": "x"}), "material")


def test_a_strip_wider_than_its_material_is_an_error() -> None:
    draft = drafts.panelled(drafts.triangle(335.0, 570.0, 51.5), 4.0, 25.0)
    draft = draft.evolve(materials=(Material("shell", "webbing", "tape", width=50.0),))
    wide = only(run_stage("gusset.wrap", draft), "strip-too-wide")
    assert (wide.level, wide.where) == ("error", "down-tube")
    assert "55.0 mm wide and shell only 50 mm" in wide.message


# Strips that are too long.


@given(longest=st.floats(150.0, 900.0), allowance=st.floats(0.0, 20.0), gap=st.floats(0.0, 8.0))
@SETTINGS
def test_no_strip_is_longer_than_the_longest(longest: float, allowance: float, gap: float) -> None:
    draft = bag(gap, longest=longest, end_allowance=allowance)
    outline = outline_of(draft)
    lengths = [piece.edge("drive-side").length for piece in gussets(draft)]
    assume("strip-too-long" not in drafts.codes(draft))
    assert max(lengths) + 2.0 * allowance <= longest + 1e-3
    # As few as do, but for what the rounds force.
    fewest = int(np.ceil(outline.path.length / (longest - 2.0 * allowance)))
    assert fewest <= len(lengths) <= fewest + 3
    for name, before, after in joins(draft):
        assert not name.startswith("corner:")
        assert min(before, after) >= 3.0 - 1e-6
    finding = only(draft, "strip-split")
    assert f"made of {len(lengths)}" in finding.message
    seams_agree(draft)


def test_the_note_says_where_every_join_is() -> None:
    draft = bag(longest=600.0)
    told = only(draft, "strip-split").message
    places = [(float(at), name) for at, name in re.findall(r"(\d+) mm along ([a-z-]+)", told)]
    found = [(before, name) for name, before, _ in joins(draft)]
    # All but the one at the middle of the down tube, which is there anyway.
    assert len(places) == len(found) - 1
    for at, name in places:
        assert any(name == other and abs(at - before) <= 0.5 for before, other in found)


def test_the_materials_own_longest_piece_counts() -> None:
    draft = drafts.panelled(drafts.triangle(335.0, 570.0, 51.5), 4.0, 25.0)
    draft = draft.evolve(materials=(Material("shell", "board", "cloth", longest=700.0),))
    after = run_stage("gusset.wrap", draft, end_allowance=0)
    assert max(piece.edge("drive-side").length for piece in gussets(after)) <= 700.0 + 1e-3
    assert "longer than the 700 mm that can be cut of shell" in only(after, "strip-split").message
    assert len(gussets(run_stage("gusset.wrap", draft, longest=400))) > len(gussets(after))


def test_a_strip_that_cannot_be_short_enough_is_an_error_and_left_whole() -> None:
    draft = bag(radius=60.0, longest=60.0)
    assert only(draft, "strip-too-long").level == "error"
    assert len(gussets(draft)) == 1
    seams_agree(draft)


def test_short_strips_are_left_alone() -> None:
    assert len(gussets(bag(longest=2000.0))) == 1
    assert "strip-split" not in drafts.codes(bag(longest=2000.0))


def test_every_body_has_strips_of_its_own() -> None:
    draft = example_draft("measure.reconcile", "outline.clear")
    draft = run_stage("body.two", draft, parallel_to="top-tube", distance=140)
    for stage in ("corners.round", "panel.pair"):
        draft = run_stage(stage, draft)
    after = run_stage("gusset.wrap", draft, strips="per-tube", belly={"lower": 6.0, "down-tube": 4.0})
    for body, count in (("upper", 4), ("lower", 3)):
        assert sum(piece.body == body for piece in gussets(after)) == count
    seams_agree(after)
    long = run_stage("gusset.wrap", draft, longest=500)
    assert {f.where for f in long.findings if f.code == "strip-split"} == {"upper", "lower"}
    seams_agree(long)


# Rooms.


def line_outline(*lengths: float) -> Outline:
    """A zigzag of edges, enough of an outline to measure seam lengths along it."""
    edges: list[Edge] = []
    x = 0.0
    for index, length in enumerate(lengths):
        edges.append(Edge(f"edge-{index}", SeamLine((Line((x, 0.0), (x + length, 0.0)),))))
        x += length
    return Outline(tuple(edges))


def test_rooms_are_what_is_left_between_ends_and_holes() -> None:
    rooms = join_rooms(line_outline(100.0, 50.0, 4.0), [(40.0, 10.0), (101.0, 9.0)], 5.0, without=("edge-2",))
    assert rooms == (Room("edge-0", 5.0, 30.0), Room("edge-0", 50.0, 92.0), Room("edge-1", 110.0, 145.0))
    # A hole near the end of the outline reaches past its start.
    assert join_rooms(line_outline(100.0), [(98.0, 20.0)], 5.0) == (Room("edge-0", 18.0, 78.0),)


def test_the_nearest_room_counts_stations_as_they_are_asked_for() -> None:
    rooms = (Room("a", 10.0, 20.0), Room("b", 60.0, 70.0))
    assert nearest_room(rooms, 15.0, 100.0) == 15.0
    assert nearest_room(rooms, 30.0, 100.0) == 20.0
    assert nearest_room(rooms, 98.0, 100.0) == 110.0
    assert nearest_room(rooms, 165.0, 100.0) == 165.0
    assert nearest_room((), 15.0, 100.0) is None


@given(
    length=st.floats(100.0, 2000.0),
    longest=st.floats(60.0, 800.0),
    holes=st.lists(st.tuples(st.floats(0.0, 2000.0), st.floats(1.0, 30.0)), max_size=5),
)
@SETTINGS
def test_a_split_is_even_where_nothing_is_in_the_way(
    length: float, longest: float, holes: list[tuple[float, float]]
) -> None:
    outline = line_outline(length)
    rooms = join_rooms(outline, holes, 0.0)
    found = split_evenly(0.0, length, longest, rooms, length)
    if not holes:
        count = int(np.ceil(length / longest - 1e-9))
        assert found == pytest.approx([length * k / count for k in range(1, count)])
    if found is not None:
        stations = [0.0, *found, length]
        assert all(0.0 < b - a <= longest + 1e-5 for a, b in pairwise(stations))
        for at in found:
            assert all(abs(at - hole) >= reach - 1e-6 for hole, reach in holes)


# Bellies.


def base(length: float = 900.0) -> WidthProfile:
    return profile_through(linear_knots([(0.0, 40.0), (350.0, 55.0), (600.0, 47.0)], length), length)


@given(start=st.floats(0.0, 500.0), span=st.floats(60.0, 400.0), add=st.floats(0.5, 30.0))
@SETTINGS
def test_a_belly_adds_its_share_and_nothing_at_the_ends(start: float, span: float, add: float) -> None:
    plain, end = base(), start + span
    wider = with_belly(plain, start, end, add)
    assert wider.pieces[0].s0 == plain.pieces[0].s0
    assert wider.pieces[-1].s1 == plain.pieces[-1].s1
    for before, after in pairwise(wider.pieces):
        assert after.s0 == pytest.approx(before.s1)
        assert after.width(after.s0) == pytest.approx(before.width(before.s1), abs=1e-8)
    for s in np.linspace(0.0, 899.0, 120):
        share = belly_share(float(s), start, end)
        assert wider.width(float(s)) == pytest.approx(plain.width(float(s)) + add * share, abs=1e-8)
    assert belly_share(0.5 * (start + end), start, end) == 1.0
    # No kink where it begins, where it is widest and where it ends.
    for s in (start, 0.5 * (start + end), end):
        if min(abs(s - knot) for knot in (0.0, 350.0, 600.0)) > 1.0 and s < 899.0:
            step = 1e-3
            left = wider.width(s) - wider.width(s - step)
            right = wider.width(s + step) - wider.width(s)
            assert left == pytest.approx(right, abs=1e-6)


@given(
    belly=st.dictionaries(st.sampled_from(drafts.TUBES), st.floats(0.0, 20.0), min_size=1),
    between=st.sampled_from(["held", "linear", "monotone-cubic"]),
)
@SETTINGS
def test_a_bag_with_bellies_is_as_much_wider_and_sews_together(belly: dict[str, float], between: str) -> None:
    plain, draft = bag(between=between), bag(between=between, belly=belly)
    outline = outline_of(draft)
    station = 0.0
    for edge in outline.edges:
        wider = (
            gusset_spot(draft, outline, station + 0.5 * edge.length).half
            - gusset_spot(plain, outline, station + 0.5 * edge.length).half
        )
        assert 2.0 * wider == pytest.approx(belly.get(edge.name, 0.0), abs=1e-5)
        station += edge.length
    seams_agree(draft)
    assert "belly-steep" not in drafts.codes(draft)


def test_one_belly_for_all_tubes() -> None:
    draft = bag(belly=8.0)
    outline = outline_of(draft)
    station = 0.0
    for edge in outline.edges:
        wide = gusset_spot(draft, outline, station + 0.5 * edge.length).half
        plain = gusset_spot(bag(), outline, station + 0.5 * edge.length).half
        assert 2.0 * (wide - plain) == pytest.approx(0.0 if edge.is_corner else 8.0, abs=1e-5)
        station += edge.length


def test_a_belly_past_the_limit_is_told_the_largest_that_keeps_it() -> None:
    draft = bag(belly={"down-tube": 30.0}, widest=70.0, widest_upper_rear=70.0)
    finding = only(draft, "belly-over-limit")
    assert (finding.level, finding.where) == ("warning", "down-tube")
    told = re.search(r"(\d+\.\d) mm is the largest", finding.message)
    assert told is not None
    most = float(told[1])
    assert 10.0 < most < 30.0
    kept = bag(belly={"down-tube": most}, widest=70.0, widest_upper_rear=70.0)
    assert "belly-over-limit" not in drafts.codes(kept)
    past = bag(belly={"down-tube": most + 0.2}, widest=70.0, widest_upper_rear=70.0)
    assert "belly-over-limit" in drafts.codes(past)


def test_a_tube_at_its_limit_has_no_room_for_a_belly() -> None:
    draft = bag(belly={"down-tube": 5.0}, widest=40.0, widest_upper_rear=70.0)
    assert "no room for a belly" in only(draft, "belly-over-limit").message
    assert "width-over-limit" in drafts.codes(draft)


def test_a_steep_belly_is_an_error_and_one_that_cannot_be_drawn_is_left_out() -> None:
    steep = bag(belly={"seat-tube": 130.0}, widest=500.0, widest_upper_rear=500.0)
    assert only(steep, "belly-steep").level == "error"
    seams_agree(steep)
    far = bag(belly={"seat-tube": 400.0}, widest=999.0, widest_upper_rear=999.0)
    assert "is left out" in only(far, "belly-steep").message
    outline = outline_of(far)
    for s in np.linspace(0.0, outline.path.length, 50, endpoint=False):
        plain = gusset_spot(bag(), outline, float(s)).half
        assert gusset_spot(far, outline, float(s)).half == pytest.approx(plain, abs=1e-6)


def test_bellies_of_unknown_tubes_are_refused() -> None:
    drafts.refusal(lambda: bag(belly={"seat-tub": 5.0}), "belly.seat-tub")
