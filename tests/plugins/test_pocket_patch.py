"""`pocket.patch`: pockets on panels and walls."""

from __future__ import annotations

import math

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from shapely import LineString

from oaktag import Refusal
from oaktag.geometry import Path
from oaktag.pattern import Draft
from oaktag.pattern.walk import walk
from oaktag.plugin.kit import example_draft, run_stage
from oaktag.recipe import InputError

BAG = example_draft("measure.reconcile", "outline.clear", "corners.round", "panel.pair", "gusset.wrap")
OUTLINE = BAG.outline_of("")
WALLED = run_stage(
    "divider.wall",
    BAG,
    line={"from": {"tube": "top-tube", "at": 0.5}, "to": {"tube": "down-tube", "at": 0.5}},
)
SETTINGS = settings(deadline=None, derandomize=True, max_examples=12)


def new_codes(draft: Draft, before: Draft = BAG) -> list[tuple[str, str]]:
    return [(f.level, f.code) for f in draft.findings[len(before.findings) :]]


def check_seams(draft: Draft, before: Draft = BAG) -> int:
    fresh = draft.seams[len(before.seams) :]
    for seam in fresh:
        assert abs(walk(draft, seam).difference) < 1e-6, seam.id
        assert seam.kind == "applied"
    return len(fresh)


def covers_of(draft: Draft, host: str, what: str = "pocket") -> Path:
    covers = [line.covers for line in draft.piece(host).placements if line.what == what and line.covers]
    assert len(covers) == 1
    return covers[0]


@SETTINGS
@given(
    st.floats(40.0, 140.0), st.floats(30.0, 90.0), st.integers(0, 4), st.floats(2.0, 12.0),
    st.sampled_from(["drive", "non-drive"]), st.sampled_from(["inside", "outside"]), st.floats(-30.0, 30.0),
)  # fmt: skip
def test_three_sides_are_sewn_down_and_the_fourth_is_hemmed(
    width: float, height: float, pleats: int, depth: float, on: str, face: str, angle: float
) -> None:
    assume(pleats * depth < height)
    draft = run_stage(
        "pocket.patch", BAG, on=on, face=face, width=width, height=height,
        pleats=pleats, pleat_depth=depth, spot={"angle": angle},
    )  # fmt: skip
    assert check_seams(draft) == (3 if pleats else 1)
    pocket = draft.piece("pocket")
    assert pocket.edge("upper").finish == "hem"
    assert pocket.edge("upper").length == pytest.approx(width)
    assert pocket.edge("lower").length == pytest.approx(width + 2 * pleats * depth)
    assert pocket.edge("left").length == pytest.approx(height)
    assert sum(seam.ease for seam in draft.seams) == pytest.approx(2 * pleats * depth)
    covers = covers_of(draft, f"side-panel-{on}")
    assert abs(covers.area) == pytest.approx(width * height)
    assert len(pocket.marks) == 3 * pleats
    for mark in pocket.marks:
        assert pocket.seam_line.polygon().buffer(1e-6).covers(LineString(mark.path.flatten(1.0)))
    # The opening is up, whichever side it is seen from.
    lines = draft.piece(f"side-panel-{on}").placements
    sewn = Path(tuple(s for line in lines for s in line.path.segments))
    turn = math.radians(angle)
    up = (-math.sin(turn) * (1 if on == "drive" else -1), math.cos(turn))
    heights = [x * up[0] + y * up[1] for x, y in (sewn.start, sewn.end)]
    assert heights[0] == pytest.approx(heights[1])
    assert heights[0] > covers.bounds.centre[0] * up[0] + covers.bounds.centre[1] * up[1]


@SETTINGS
@given(
    st.sampled_from(["top-tube", "down-tube", "seat-tube"]), st.floats(5.0, 40.0),
    st.sampled_from(["drive", "non-drive"]),
)  # fmt: skip
def test_beside_a_tube_it_lies_along_it_at_the_distance(tube: str, distance: float, on: str) -> None:
    spot = {"beside": {"tube": tube, "at": 0.5}, "distance": distance}
    draft = run_stage("pocket.patch", BAG, on=on, width=60, height=40, spot=spot)
    host = draft.piece(f"side-panel-{on}")
    covers = covers_of(draft, host.id)
    run = host.edge(tube).path
    nearest = sorted(run.nearest(segment.start)[1] for segment in covers.segments)
    assert nearest[0] == pytest.approx(distance, abs=1e-6)
    assert nearest[1] == pytest.approx(distance, abs=1e-6)
    assert host.seam_line.contains(covers.bounds.centre)


def test_both_sides_have_mirror_images() -> None:
    spot = {"corner": "bottom-bracket", "distance": 70, "forward": 8, "upward": 5, "angle": 20}
    covers = [
        covers_of(
            run_stage("pocket.patch", BAG, on=on, face=face, width=50, height=30, spot=spot),
            f"side-panel-{on}",
        )
        for on, face in (("drive", "inside"), ("drive", "outside"), ("non-drive", "inside"))
    ]
    x = 2 * OUTLINE.path.bounds.centre[0]
    assert covers[0].polygon().symmetric_difference(covers[1].polygon()).area < 1e-6
    mirrored = Path.polyline([(x - s.start[0], s.start[1]) for s in covers[2].segments], True)
    assert covers[0].polygon().symmetric_difference(mirrored.polygon()).area < 1e-6


def test_a_pocket_on_a_wall_opens_upward() -> None:
    draft = run_stage("pocket.patch", WALLED, on="divider", face="outside", width=30, height=60)
    assert check_seams(draft, WALLED) == 1
    wall = draft.piece("divider")
    sewn = wall.placement("pocket").path
    assert wall.up is not None
    sign = 1.0 if wall.up == 0.0 else -1.0
    assert sewn.start[0] == pytest.approx(sewn.end[0])
    assert sign * (sewn.start[0] - sewn.bounds.centre[0]) > 20.0
    draft = run_stage("pocket.patch", WALLED, on="divider", face="inside", width=30, height=60)
    assert check_seams(draft, WALLED) == 1
    assert draft.piece("divider").placement("pocket").face == "inside"


def test_a_bound_opening() -> None:
    draft = run_stage("pocket.patch", BAG, width=60, height=40, top="bound")
    assert draft.piece("pocket").edge("upper").finish == "bound"


@SETTINGS
@given(st.floats(60.0, 330.0), st.floats(40.0, 200.0))
def test_one_that_does_not_fit_is_told_what_does(width: float, height: float) -> None:
    draft = run_stage("pocket.patch", BAG, width=width, height=height)
    covers = covers_of(draft, "side-panel-drive")
    inside = draft.piece("side-panel-drive").seam_line.polygon().buffer(0.02).covers(covers.polygon())
    found = new_codes(draft)
    assert found == ([] if inside else [("error", "pocket-over-edge")])
    if not inside:
        told = draft.findings[-1].message.split("about this middle is ")[1].split(". Move")[0]
        for size in told.split(" or "):
            w, h = (float(part) for part in size.removesuffix(" mm").split(" × "))
            assert new_codes(run_stage("pocket.patch", BAG, width=w - 0.5, height=h - 0.5)) == []


def test_what_can_not_be_sewn_is_said() -> None:
    assert new_codes(run_stage("pocket.patch", BAG, width=900, height=40)) == [
        ("error", "pocket-wider-than-panel")
    ]
    draft = run_stage("pocket.patch", BAG, width=60, height=40, pleats=8, pleat_depth=10)
    assert new_codes(draft) == [("error", "pocket-pleats")]
    assert len(draft.pieces) == len(BAG.pieces)
    away = run_stage("pocket.patch", BAG, width=60, height=40, spot={"upward": 500})
    assert "none fits here" in away.findings[-1].message


def test_names_that_are_not_there_are_refused() -> None:
    for options, match in (
        ({"on": "divider"}, "no such piece"),
        ({"layer": "liner"}, "no liner"),
        ({"spot": {"corner": "crank"}}, "no round"),
        ({"body": "upper"}, "no body"),
    ):
        with pytest.raises(Refusal, match=match):
            run_stage("pocket.patch", BAG, width=60, height=40, **options)
    for spot in (
        {"corner": "seat", "beside": {"tube": "top-tube", "at": 0.5}},
        {"distance": 20},
    ):
        with pytest.raises(InputError):
            run_stage("pocket.patch", BAG, width=60, height=40, spot=spot)
    with pytest.raises(InputError, match="no depth"):
        run_stage("pocket.patch", BAG, width=60, height=40, pleats=1, pleat_depth=0)


def test_on_the_inside_it_is_seen_from_behind() -> None:
    for on in ("drive", "non-drive"):
        for face, sign in (("outside", 1.0), ("inside", -1.0)):
            draft = run_stage("pocket.patch", BAG, on=on, face=face, width=60, height=40, pleats=1)
            panel = draft.piece(f"side-panel-{on}")
            left, right = (panel.placement(f"pocket:{edge}").path.start[0] for edge in ("left", "right"))
            assert sign * (right - left) == pytest.approx(60.0)
