"""`check.collisions`: what lies on what, on seams, on joins, on corners."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag.geometry import Line, Path, Transform
from oaktag.pattern import (
    BossRow,
    Draft,
    Edge,
    Finding,
    Fitting,
    Hole,
    Obstacle,
    Piece,
    Place,
    PlacementLine,
)
from oaktag.plugin.kit import example_draft, example_frame, run_stage
from oaktag_plugins.drafting.bag import gusset_spot, rectangle_edges, seam_place, sew_on
from oaktag_plugins.drafting.fastening import circle, rectangle_path, straight_run

STAGES = ("measure.reconcile", "outline.clear", "corners.round", "panel.pair", "gusset.wrap")
BAG = example_draft(*STAGES)
OUTLINE = BAG.outline_of("")
TOP = straight_run(OUTLINE, "top-tube", "tube")
MIDDLE = gusset_spot(BAG, OUTLINE, TOP.start + TOP.length / 2).x
"""Of the top tube's run, on the gusset."""
BESIDE = gusset_spot(BAG, OUTLINE, seam_place(BAG, OUTLINE, Place("top-tube", 0.5), "at").station).x
"""Beside the middle of the top tube itself."""


def checked(draft: Draft, **options: Any) -> list[Finding]:
    return list(run_stage("check.collisions", draft, **options).findings[len(draft.findings) :])


def codes(draft: Draft, **options: Any) -> list[tuple[str, str]]:
    return [(finding.level, finding.code) for finding in checked(draft, **options)]


def cover(
    name: str,
    x: float,
    y: float = 0.0,
    *,
    size: float = 20.0,
    what: str = "patch",
    face: Any = "outside",
    under: tuple[str, ...] = (),
) -> PlacementLine:
    path = rectangle_path(size, size, (x, y))
    return PlacementLine(name, path, what, face, path, under)


def put(piece_id: str, *lines: PlacementLine, draft: Draft = BAG, **more: Any) -> Draft:
    base = draft.piece(piece_id)
    return draft.replaced(base.evolve(placements=(*base.placements, *lines), **more))


def test_a_bag_without_features_has_none() -> None:
    assert codes(BAG) == []


def test_two_covers_on_one_face_collide_with_both_names_and_the_place() -> None:
    draft = put("gusset", cover("one", MIDDLE), cover("other", MIDDLE + 15))
    [finding] = checked(draft)
    assert (finding.level, finding.code, finding.where) == ("error", "collision", "gusset")
    assert "one (patch) and other (patch) lie on each other on gusset, outside" in finding.message
    place = float(finding.message.split("outside, ")[1].split(" mm along top-tube")[0])
    assert place == pytest.approx(TOP.length / 2 + 7.5, abs=3.0)


def test_what_is_made_to_lie_together_doesnt_collide() -> None:
    strap = cover("strap", MIDDLE, what="strap")
    assert codes(put("gusset", strap, cover("patch", MIDDLE, under=("strap",)))) == []
    assert codes(put("gusset", replace(strap, under=("patch",)), cover("patch", MIDDLE))) == []
    # Words that differ in a hyphen only are one.
    words = cover("patch", MIDDLE, what="anchor patch")
    assert codes(put("gusset", replace(strap, under=("anchor-patch",)), words)) == []
    assert codes(put("gusset", strap, cover("inside", MIDDLE, face="inside"))) == []
    assert codes(put("gusset", cover("one:1", MIDDLE), cover("one:2", MIDDLE))) == []


def test_touching_isnt_lying_on_each_other() -> None:
    assert codes(put("gusset", cover("one", MIDDLE), cover("other", MIDDLE + 20))) == []
    assert codes(put("gusset", cover("one", MIDDLE), cover("other", MIDDLE + 19.9))) != []


def test_holes_and_grommets_go_through_both_faces() -> None:
    patch = cover("patch", MIDDLE, face="inside")
    hole = Hole("port", circle((MIDDLE + 8, 0.0), 4.0), "port")
    assert codes(put("gusset", patch, holes=(hole,))) == [("error", "collision")]
    grommet = Fitting("lacing:1", "grommet-8", (MIDDLE + 8, 0.0), 7.0, "grommet")
    assert codes(put("gusset", patch, fittings=(grommet,))) == [("error", "collision")]
    assert codes(put("gusset", replace(patch, under=("grommet",)), fittings=(grommet,))) == []
    assert codes(put("gusset", holes=(hole,), fittings=(grommet,))) == [("error", "collision")]
    own = replace(hole, name="lacing:1")
    assert codes(put("gusset", holes=(own,), fittings=(grommet,))) == []


def test_a_piece_with_holes_of_its_own_is_made_for_those_below() -> None:
    facing = Piece("facing", "facing", rectangle_edges(24.0, 24.0), "shell")
    hole = Hole("port", circle((MIDDLE, 0.0), 4.0), "port")
    for holes, expected in ((((),), [("error", "collision")]), (((hole,),), [])):
        own = tuple(replace(h, path=circle((0.0, 0.0), 4.0)) for h in holes[0])
        draft = put("gusset", holes=(hole,))
        place = Transform.translation(MIDDLE, 0.0)
        draft = sew_on(draft, facing.evolve(holes=own), "gusset", place, what="facing")
        assert codes(draft) == expected


def test_a_line_across_something_is_a_warning() -> None:
    wall = PlacementLine("wall", Path((Line((MIDDLE, -15.0), (MIDDLE, 15.0)),)), "divider")
    other = PlacementLine("second", Path((Line((MIDDLE - 9, 3.0), (MIDDLE + 9, 3.0)),)), "divider")
    assert codes(put("gusset", wall, cover("patch", MIDDLE))) == [("warning", "collision")]
    assert codes(put("gusset", wall, other)) == [("warning", "collision")]
    assert codes(put("gusset", wall, cover("patch", MIDDLE + 11))) == []
    # The second line of something that covers ground is part of it.
    sides = PlacementLine("patch:2", wall.path, "patch")
    assert codes(put("gusset", cover("patch:1", MIDDLE + 30), sides, cover("other", MIDDLE))) == []


def test_what_reaches_over_the_seam_line_is_an_error_with_how_far() -> None:
    [finding] = checked(put("gusset", cover("patch", MIDDLE, 12.0)))
    assert (finding.level, finding.code) == ("error", "over-edge")
    half = gusset_spot(BAG, OUTLINE, TOP.start + TOP.length / 2).half
    assert f"reaches {22.0 - half:.1f} mm over" in finding.message
    panel = BAG.piece("side-panel-drive").seam_line.bounds
    far = put("side-panel-drive", cover("pocket", panel.min_x - 100.0, panel.max_y))
    assert codes(far) == [("error", "over-edge")]
    assert codes(put("gusset", fittings=(Fitting("g", "x", (MIDDLE, half), 5.0, "grommet"),))) == [
        ("error", "over-edge")
    ]


def test_what_is_sewn_or_set_beside_a_seam_leaves_room_to_sew_past() -> None:
    half = gusset_spot(BAG, OUTLINE, TOP.start + TOP.length / 2).half
    grommet = Fitting("g", "grommet-8", (MIDDLE, half - 7.0), 6.0, "grommet")
    assert codes(put("gusset", fittings=(grommet,))) == [("warning", "near-edge")]
    assert codes(put("gusset", fittings=(grommet,)), seam_room=0.5) == []
    patch = Piece("patch", "patch", rectangle_edges(20.0, 20.0), "shell")
    place = Transform.translation(MIDDLE, half - 11.0)
    sewn = sew_on(BAG, patch, "gusset", place, what="patch")
    assert codes(sewn) == [("warning", "near-edge")]
    assert codes(put("gusset", cover("loose", MIDDLE, half - 11.0))) == []


def test_what_ends_in_a_seam_is_caught_in_it() -> None:
    edge = BAG.piece("side-panel-drive").edge("top-tube").path
    assert edge.start[1] == edge.end[1]
    x, y = 0.5 * (edge.start[0] + edge.end[0]), edge.start[1]
    patch = Piece("patch", "patch", rectangle_edges(20.0, 20.0), "shell")
    for below, expected in ((0.0, []), (1.0, [("warning", "near-edge")]), (3.0, [])):
        place = Transform.translation(x, y - 10.0 - below)
        assert codes(sew_on(BAG, patch, "side-panel-drive", place, what="patch")) == expected


def test_a_join_needs_its_room() -> None:
    end = BAG.piece("gusset").seam_line.bounds.max_x
    for beside, expected in ((9.0, [("error", "collision")]), (11.0, [])):
        draft = put("gusset", cover("strap", end - 10.0 - beside, what="strap"))
        assert codes(draft) == expected
        assert codes(draft, join_room=beside - 0.1) == []
    assert codes(put("gusset", cover("board", end - 10.0 - 3.0, what="stiffener"))) == []
    assert codes(put("gusset", cover("strap", end, what="strap"))) == [("error", "over-edge")]


def test_a_strap_drafted_at_a_join_is_found() -> None:
    draft = run_stage("strap.hook-and-loop", BAG, evenly={"down-tube": 3})
    assert {code for _, code in codes(draft)} == {"over-edge"}
    beside = run_stage("strap.hook-and-loop", BAG, places=[{"tube": "down-tube", "at": 0.54}])
    assert {code for _, code in codes(beside)} <= {"collision", "over-edge"}
    assert codes(beside)


def test_what_lies_on_a_corners_round_is_a_warning() -> None:
    edge = OUTLINE.edges[1]
    assert edge.name == "corner:head"
    round_middle = gusset_spot(BAG, OUTLINE, TOP.length + edge.length / 2).x
    [finding] = checked(put("gusset", cover("patch", round_middle)))
    assert (finding.level, finding.code) == ("warning", "on-corner")
    assert "corner head" in finding.message
    begin = gusset_spot(BAG, OUTLINE, TOP.length).x
    assert codes(put("gusset", cover("patch", begin - 10.0))) == []
    assert codes(put("gusset", cover("patch", begin - 9.5))) == [("warning", "on-corner")]
    assert codes(put("gusset", cover("tape", round_middle, what="reflective tape"))) == []


def halved() -> Draft:
    """The drive side's panel as if it were cut in two along an upright line."""
    panel = BAG.piece("side-panel-drive")
    box = panel.seam_line.bounds
    x = box.centre[0]
    left = [(box.min_x, box.min_y), (x, box.min_y), (x, box.max_y), (box.min_x, box.max_y)]
    right = [(x, box.min_y), (box.max_x, box.min_y), (box.max_x, box.max_y), (x, box.max_y)]
    parts = []
    for name, points, inner in (("left", left, 1), ("right", right, 3)):
        edges = tuple(
            Edge(
                f"{name}-{k}",
                Path((Line(points[k], points[(k + 1) % 4]),)),
                of="" if k == inner else "top-tube",
            )
            for k in range(4)
        )
        parts.append(Piece(name, name, edges, "shell"))
    draft = BAG.evolve(pieces=(*BAG.pieces, *parts))
    return draft.replaced(panel.evolve(parts=("left", "right")))


def test_what_lies_across_a_seam_between_parts_is_a_warning() -> None:
    draft = halved()
    box = draft.piece("side-panel-drive").seam_line.bounds
    x, y = box.centre[0], box.max_y - 60.0
    assert codes(put("side-panel-drive", cover("pocket", x, y), draft=draft)) == [("warning", "across-seam")]
    assert codes(put("side-panel-drive", cover("pocket", x + 10.0, y), draft=draft)) == []
    flap = cover("flap", x, y, what="flap", under=("zipper",))
    assert codes(put("side-panel-drive", flap, draft=draft)) == []
    strip = cover("zip:visible", x, y, what="zipper")
    assert codes(put("side-panel-drive", strip, draft=draft)) == []


def test_things_on_the_parts_are_compared_with_those_on_the_whole() -> None:
    draft = halved()
    box = draft.piece("side-panel-drive").seam_line.bounds
    x, y = box.centre[0] + 30.0, box.max_y - 60.0
    draft = put("right", cover("flap", x, y, what="flap"), draft=draft)
    assert codes(draft) == []
    draft = put("side-panel-drive", cover("pocket", x + 5.0, y, what="pocket"), draft=draft)
    assert codes(draft) == [("error", "collision")]


def test_a_strap_over_something_that_goes_through_the_gusset_is_an_error() -> None:
    peg = Obstacle("pump peg", Place("top-tube", 0.5), 12.0, 9.0, 4.0, "hole", "obstacles[0]")
    bag = BAG.evolve(frame=replace(BAG.frame, obstacles=(peg,)))
    for apart, expected in ((18.0, [("error", "collision")]), (22.0, [])):
        found = codes(put("gusset", cover("strap", BESIDE + apart, what="strap"), draft=bag))
        assert found == expected
    assert codes(put("gusset", cover("facing", BESIDE, what="facing"), draft=bag)) == []
    cut_out = bag.evolve(frame=replace(bag.frame, obstacles=(replace(peg, treatment="notch"),)))
    assert codes(put("gusset", cover("strap", BESIDE, what="strap"), draft=cut_out)) == []


def test_a_strap_over_a_boss_is_a_warning_unless_the_bag_is_bolted_there() -> None:
    row = BossRow("cage", Place("top-tube", 0.5), 2, 64.0, "M5", "bosses[0]")
    bag = example_draft(*STAGES, frame=replace(example_frame(), bosses=(row,)))
    found = checked(put("gusset", cover("strap", BESIDE + 32.0, what="strap"), draft=bag))
    assert [(f.level, f.code) for f in found] == [("warning", "collision")]
    assert "cage: boss 2" in found[0].message
    assert codes(put("gusset", cover("strap", BESIDE + 32.0, what="strap", face="inside"), draft=bag)) == []
    bolted = run_stage("bolt.boss", bag)
    assert codes(bolted) == []
    over = put("gusset", cover("strap", BESIDE + 32.0, what="strap"), draft=bolted)
    assert [level for level, code in codes(over) if code == "collision"] == ["error"]


@settings(max_examples=40, deadline=None)
@given(size=st.floats(5.0, 30.0), apart=st.floats(0.0, 60.0), other=st.floats(5.0, 30.0))
def test_moving_apart_clears_it(size: float, apart: float, other: float) -> None:
    def found(distance: float) -> list[tuple[str, str]]:
        return codes(
            put(
                "gusset",
                cover("one", MIDDLE - 50.0, size=size),
                cover("other", MIDDLE - 50.0 + distance, size=other),
            )
        )

    clear = 0.5 * (size + other)
    assert found(clear + apart) == []
    if apart < clear - 0.1:
        assert found(apart) == [("error", "collision")]
