"""`outline.keep-out`: obstacles on the tubes, cut out of the outline."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, Polygon

from oaktag.geometry import Arc, Line, cross, distance, dot
from oaktag.pattern import Draft, Edge, Obstacle, Outline, Place
from oaktag_plugins.corners_round import RoundOptions
from oaktag_plugins.corners_round import run as round_corners
from oaktag_plugins.drafting.obstacles import bodies
from oaktag_plugins.outline_clear import ClearOptions
from oaktag_plugins.outline_clear import run as clear
from oaktag_plugins.outline_keep_out import KeepOutOptions, run

if TYPE_CHECKING:
    from tests.plugins import drafts
else:
    drafts = SimpleNamespace(**run_path(str(Path(__file__).with_name("drafts.py"))))

SETTINGS = settings(deadline=None, derandomize=True, max_examples=60)


def peg(name: str = "peg", tube: str = "down-tube", at: float = 0.5, **values: Any) -> Obstacle:
    given = {"length": 30.0, "height": 12.0, "clearance": 5.0, "treatment": "notch", **values}
    return Obstacle(name, Place(tube, fraction=at), key="obstacles[0]", **given)


def cleared(*obstacles: Obstacle, gap: float = 5.0, sagittas: Mapping[str, float] | None = None) -> Draft:
    draft = drafts.triangle(400.0, 560.0, 55.0, sagittas=sagittas)
    draft = draft.evolve(frame=replace(draft.frame, obstacles=obstacles))
    return clear(draft, ClearOptions.model_validate({"gap": gap}))


def kept_out(draft: Draft, **options: Any) -> Draft:
    return run(draft, KeepOutOptions.model_validate(options))


def outline_of(draft: Draft) -> Outline:
    assert draft.outline is not None
    return draft.outline


def rectangle(draft: Draft, name: str) -> Polygon:
    """An obstacle's rectangle, by the tube's straight line or from its one bend."""
    assert draft.opening is not None
    obstacle = next(one for one in draft.frame.obstacles if one.name == name)
    side = draft.opening.edge(obstacle.place.tube).path
    x, y = side.point_at(obstacle.place.along(side.length))
    ux, uy = side.tangent_at(obstacle.place.along(side.length))
    half, height = obstacle.length / 2, obstacle.height
    return Polygon(
        [
            (x + along * ux + deep * uy, y + along * uy - deep * ux)
            for along, deep in ((-half, 0.0), (half, 0.0), (half, height), (-half, height))
        ]
    )


def away(draft: Draft, name: str) -> float:
    """Distance of the outline from an obstacle; 0 where they overlap."""
    panel = Polygon(outline_of(draft).path.flatten(0.0005))
    return float(panel.distance(rectangle(draft, name)))


def kinks(edge: Edge) -> float:
    """The greatest turn in radians between two segments of an edge."""
    found = [0.0]
    for one, other in pairwise(edge.path.segments):
        u, v = one.tangent_at(one.length), other.tangent_at(0.0)
        found.append(abs(math.atan2(cross(u, v), dot(u, v))))
    return max(found)


def told(draft: Draft) -> list[tuple[str, str, str]]:
    return [(f.level, f.code, f.where) for f in draft.findings]


def test_a_notch_on_a_straight_tube_is_what_it_is_by_hand() -> None:
    # Floor at 30 + 5 mm, run at 5 mm: 30 mm deep, two rounds of 15 mm and no wall between. The hollow rounds
    # begin at the peg's ends, so the floor is 40 mm long and the notch takes 40 + 4 × 15 mm of the run.
    before = cleared(peg(length=40.0, height=30.0))
    after = kept_out(before)
    was, edge = outline_of(before).edge("down-tube"), outline_of(after).edge("down-tube")
    arcs = [segment for segment in edge.path.segments if isinstance(segment, Arc)]
    assert [arc.radius for arc in arcs] == pytest.approx([15.0] * 4)
    assert [arc.clockwise for arc in arcs] == [True, False, False, True]
    assert sum(abs(arc.sweep) for arc in arcs) == pytest.approx(math.tau, abs=0.3)
    floor = max(
        (s for s in edge.path.segments[2:-2] if isinstance(s, Line)), key=lambda segment: segment.length
    )
    assert floor.length == pytest.approx(40.0)
    assert before.opening is not None
    tube = before.opening.edge("down-tube").path
    assert tube.nearest(floor.start)[1] == pytest.approx(35.0)
    assert tube.nearest(floor.end)[1] == pytest.approx(35.0)
    assert edge.length - was.length == pytest.approx(60.0 + 4 * (math.pi / 2 - 2) * 15.0, abs=0.5)
    assert told(after) == [("note", "obstacle-cut-out", "peg")]
    assert "35.0 mm deep" in after.findings[0].message
    assert "below 15 mm" in after.findings[0].message


def test_a_shallow_notch_takes_no_more_of_the_run_than_two_rounds_need() -> None:
    # 12 mm deep from the run: two rounds of r turn until they have come down d, along √(4 r d − d²).
    before = cleared(peg(height=12.0))
    assert "along 78.0 mm" in kept_out(before).findings[0].message
    assert 30.0 + 2 * math.sqrt(4 * 15.0 * 12.0 - 12.0**2) == pytest.approx(78.0)


def test_a_radius_below_the_clearance_leaves_the_walls_the_clearance_away() -> None:
    after = kept_out(cleared(peg(height=60.0, clearance=12.0)), radius=4.0)
    assert told(after) == [("note", "obstacle-cut-out", "peg")]
    lines = [s for s in outline_of(after).edge("down-tube").path.segments if isinstance(s, Line)]
    body = rectangle(after, "peg")
    for wall in (lines[1], lines[3]):
        assert body.distance(LineString([wall.start, wall.end])) == pytest.approx(12.0)


def test_a_deep_notch_has_square_walls() -> None:
    before = cleared(peg(height=60.0))
    edge = outline_of(kept_out(before)).edge("down-tube")
    lines = [segment for segment in edge.path.segments if isinstance(segment, Line)]
    assert len(lines) == 5
    ahead = lines[0].direction
    for wall in (lines[1], lines[3]):
        assert dot(wall.direction, ahead) == pytest.approx(0.0, abs=1e-9)
        assert wall.length == pytest.approx(60.0 + 5.0 - 5.0 - 30.0)
    # Round the notch: its walls stand 15 mm from the peg, which is more than the clearance.
    was = outline_of(before).edge("down-tube").length
    assert edge.length - was == pytest.approx(2 * 60.0 + 4 * (math.pi / 2 - 2) * 15.0)


def test_the_edge_keeps_its_name_and_its_ends_and_the_others_stay() -> None:
    before = cleared(peg(), peg("boss", "seat-tube", 0.6))
    after = kept_out(before)
    was, now = outline_of(before), outline_of(after)
    assert [edge.name for edge in now.edges] == [edge.name for edge in was.edges]
    assert now.edge("top-tube") == was.edge("top-tube")
    for name in ("down-tube", "seat-tube"):
        assert now.edge(name).path.start == was.edge(name).path.start
        assert distance(now.edge(name).path.end, was.edge(name).path.end) < 1e-9
    assert now.path.clockwise
    assert now.path.is_simple()
    assert abs(now.path.area) < abs(was.path.area)


@given(
    st.sampled_from(["top-tube", "down-tube", "seat-tube"]),
    st.floats(0.35, 0.6),
    st.floats(4.0, 60.0),
    st.floats(1.0, 50.0),
    st.floats(0.0, 14.0),
    st.floats(2.0, 20.0),
    st.floats(0.0, 9.0),
    st.floats(-18.0, 18.0),
)
@SETTINGS
def test_the_seam_line_keeps_the_clearance_whatever_stands_where(
    tube: str,
    at: float,
    length: float,
    height: float,
    clearance: float,
    radius: float,
    gap: float,
    sagitta: float,
) -> None:
    sagittas = {tube: sagitta} if abs(sagitta) > 0.5 else None
    obstacle = peg(tube=tube, at=at, length=length, height=height, clearance=clearance)
    before = cleared(obstacle, gap=gap, sagittas=sagittas)
    after = kept_out(before, radius=radius)
    ((level, code, _),) = told(after)
    # In the middle of a tube there is room for all of these.
    assert (level, code) in (("note", "obstacle-cut-out"), ("note", "obstacle-clear"))
    edge = outline_of(after).edge(tube)
    if code == "obstacle-cut-out":
        assert away(before, "peg") < max(clearance, 1e-9)
        assert away(after, "peg") >= clearance - 0.01
        assert kinks(edge) < 1e-6
        radii = [s.radius for s in edge.path.segments if isinstance(s, Arc) and s.radius < 100.0]
        assert radii == pytest.approx([radius] * 4)
        # No deeper than it has to be.
        assert away(after, "peg") <= clearance + 0.01
    else:
        assert outline_of(after) == outline_of(before)
        assert (away(before, "peg") >= clearance - 0.02) == (code == "obstacle-clear")


@pytest.mark.parametrize("sagitta", [-14.0, 14.0])
def test_a_notch_in_a_bowed_tube_is_tangent_to_it(sagitta: float) -> None:
    after = kept_out(cleared(peg(), sagittas={"down-tube": sagitta}))
    assert told(after) == [("note", "obstacle-cut-out", "peg")]
    edge = outline_of(after).edge("down-tube")
    assert isinstance(edge.path.segments[0], Arc)
    assert kinks(edge) < 1e-6
    assert away(after, "peg") == pytest.approx(5.0, abs=0.01)


def test_corners_are_rounded_after_it() -> None:
    after = kept_out(cleared(peg(at=0.4), sagittas={"top-tube": 12.0}))
    outline = outline_of(round_corners(after, RoundOptions.model_validate({"radius": 25.0})))
    whole = Edge("all", outline.path)
    assert kinks(whole) < 1e-6
    assert outline.path.is_simple()


def test_what_the_gap_already_clears_needs_no_notch() -> None:
    before = cleared(peg(height=2.0, clearance=3.0))
    after = kept_out(before)
    assert told(after) == [("note", "obstacle-clear", "peg")]
    assert outline_of(after) == outline_of(before)
    assert told(kept_out(cleared(peg(height=2.0, clearance=3.2)))) == [("note", "obstacle-cut-out", "peg")]


def test_neighbours_share_a_notch_and_distant_ones_do_not() -> None:
    near = kept_out(cleared(peg("one", at=0.45), peg("two", at=0.55, height=20.0)))
    assert told(near) == [("note", "obstacle-cut-out", "one, two")]
    assert away(near, "two") == pytest.approx(5.0, abs=0.01)
    assert away(near, "one") == pytest.approx(13.0, abs=0.01)
    assert sum(isinstance(s, Arc) for s in outline_of(near).edge("down-tube").path.segments) == 4
    apart = kept_out(cleared(peg("one", at=0.3), peg("two", at=0.6, height=20.0)))
    assert sorted(told(apart)) == [("note", "obstacle-cut-out", "one"), ("note", "obstacle-cut-out", "two")]
    for name in ("one", "two"):
        assert away(apart, name) == pytest.approx(5.0, abs=0.01)
    assert sum(isinstance(s, Arc) for s in outline_of(apart).edge("down-tube").path.segments) == 8


@pytest.mark.parametrize(
    ("obstacle", "options", "said"),
    [
        (peg(at=0.01), {}, "seam line runs along it from"),
        (peg(length=700.0), {}, "seam line runs along it from"),
        (peg(height=330.0), {}, "20 mm is the least"),
        (peg(height=120.0), {"neck": 300.0}, "300 mm is the least"),
        (peg(at=1.2), {}, "lies off the down-tube"),
        (peg("stop", "seat-tube", 0.9), {"radius": 80.0}, "smaller radius"),
    ],
    ids=["near an end", "too long", "too deep", "neck", "off the tube", "radius"],
)
def test_the_impossible_is_an_error_with_numbers_and_leaves_the_outline(
    obstacle: Obstacle, options: dict[str, float], said: str
) -> None:
    before = cleared(obstacle)
    after = kept_out(before, **options)
    assert told(after) == [("error", "obstacle-impossible", obstacle.name)]
    message = after.findings[0].message
    assert said in message
    assert obstacle.name in message
    assert "mm" in message
    assert outline_of(after) == outline_of(before)


def test_one_impossible_obstacle_does_not_stop_the_others() -> None:
    after = kept_out(cleared(peg("fine", at=0.5), peg("far-off", at=0.01)))
    assert sorted(told(after)) == [
        ("error", "obstacle-impossible", "far-off"),
        ("note", "obstacle-cut-out", "fine"),
    ]
    assert away(after, "fine") == pytest.approx(5.0, abs=0.01)


def test_a_hole_is_listed_and_not_cut_out() -> None:
    before = cleared(peg(treatment="hole"))
    after = kept_out(before)
    assert told(after) == [("note", "hole-listed", "peg")]
    assert outline_of(after) == outline_of(before)


def test_no_obstacles_change_nothing() -> None:
    before = cleared()
    assert kept_out(before) == before


def test_radii_go_by_name_and_unknown_names_are_refused() -> None:
    draft = cleared(peg("one", at=0.35, height=40.0), peg("two", "seat-tube", 0.5, height=40.0))
    after = kept_out(draft, radius={"default": 12.0, "two": 18.0})
    for tube, radius in (("down-tube", 12.0), ("seat-tube", 18.0)):
        segments = outline_of(after).edge(tube).path.segments
        assert [s.radius for s in segments if isinstance(s, Arc)] == pytest.approx([radius] * 4)
    said = drafts.refusal(lambda: kept_out(draft, radius={"default": 12.0, "tow": 18.0}), "radius.tow")
    assert "two" in said.todo


def test_bodies_stand_in_order_along_their_tube() -> None:
    draft = cleared(peg("later", at=0.7), peg("earlier", at=0.2), peg("other", "top-tube", 0.5))
    assert draft.opening is not None
    found = bodies(draft.frame.obstacles, draft.opening, "notch")
    assert [body.obstacle.name for body in found] == ["other", "earlier", "later"]
    for body in found:
        assert Polygon(body.corners).equals_exact(rectangle(draft, body.obstacle.name), 1e-9)
