"""`drain.grommet`: where water gathers."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag import Refusal
from oaktag.geometry import Arc, Path
from oaktag.pattern import Draft
from oaktag.pattern.walk import walk
from oaktag.plugin.kit import example_draft, run_stage
from oaktag_plugins.drafting.bag import gusset_spot
from oaktag_plugins.drain_grommet import lowest

BARE = example_draft("measure.reconcile", "outline.clear", "corners.round", "panel.pair")
BAG = run_stage("gusset.wrap", BARE)
OUTLINE = BAG.outline_of("")
ON_TUBE = {"tube": "down-tube", "at": 0.8}
SETTINGS = settings(deadline=None, derandomize=True, max_examples=25)


def new_codes(draft: Draft, before: Draft = BAG) -> list[tuple[str, str]]:
    return [(f.level, f.code) for f in draft.findings[len(before.findings) :]]


@SETTINGS
@given(st.floats(-25.0, 25.0))
def test_no_place_of_the_outline_lies_lower(slope: float) -> None:
    path = OUTLINE.path
    turn = math.radians(slope)

    def height(s: float) -> float:
        x, y = path.point_at(s)
        return x * math.sin(turn) + y * math.cos(turn)

    found = height(lowest(path, slope))
    assert found <= min(height(path.length * k / 4000) for k in range(4000)) + 1e-9


def test_on_a_circle_it_is_straight_below_the_centre() -> None:
    circle = Path(
        (
            Arc((-50.0, 0.0), (50.0, 0.0), (0.0, 0.0), 50.0, True),
            Arc((50.0, 0.0), (-50.0, 0.0), (0.0, 0.0), 50.0, True),
        )
    )
    assert circle.point_at(lowest(circle, 0.0)) == pytest.approx((0.0, -50.0), abs=1e-6)
    tilted = circle.point_at(lowest(circle, 30.0))
    assert tilted == pytest.approx((-25.0, -50.0 * math.cos(math.pi / 6)), abs=1e-6)


def test_hole_fitting_and_patch_lie_on_the_centre_line_there() -> None:
    draft = run_stage("drain.grommet", BAG)
    spot = gusset_spot(draft, OUTLINE, lowest(OUTLINE.path, 0.0))
    gusset = draft.piece("gusset")
    (hole,), (fitting,) = gusset.holes, gusset.fittings
    assert fitting.point == pytest.approx((spot.x, 0.0))
    assert hole.path.bounds.centre == pytest.approx((spot.x, 0.0))
    assert abs(hole.path.area) == pytest.approx(math.pi * 16.0)
    assert fitting.radius == pytest.approx(7.75)
    patch = draft.piece("drain-patch")
    assert patch.seam_line.bounds.width == pytest.approx(15.5 + 16.0)
    assert patch.holes[0].path.bounds.width == pytest.approx(8.0)
    (seam,) = draft.seams[len(BAG.seams) :]
    assert abs(walk(draft, seam).difference) < 1e-9
    assert gusset.placement("drain-patch").face == "inside"


def test_a_place_may_be_given() -> None:
    draft = run_stage("drain.grommet", BAG, at=ON_TUBE, patch_margin=0, grommet="eyelet-4")
    assert new_codes(draft) == []
    assert [piece.id for piece in draft.pieces] == [piece.id for piece in BAG.pieces]
    assert draft.piece("gusset").fittings[0].radius == pytest.approx(4.0)


def test_a_lined_bag_is_drained_in_both_skins() -> None:
    lined = run_stage("liner.full", BAG, thickness=3)
    draft = run_stage("drain.grommet", run_stage("drain.grommet", lined), name="inner", layer="liner")
    strip = draft.piece("liner-gusset")
    inner = draft.piece("liner-drive").seam_line
    station = lowest(inner, 0.0)
    assert strip.fittings[0].point[1] == pytest.approx(0.0)
    begin = next(s for s in draft.seams if s.b.piece == strip.id and s.b.edges == ("non-drive",)).a
    start = begin.start
    for edge in draft.piece("liner-drive").edges:
        if edge.name == begin.edges[0]:
            break
        start += edge.length
    upper = strip.edge("non-drive").path
    x = upper.point_at((station - start) % inner.length)[0]
    assert strip.fittings[0].point[0] == pytest.approx(x)
    with pytest.raises(Refusal, match="no liner"):
        run_stage("drain.grommet", BAG, layer="liner")


def test_what_is_wrong_is_said() -> None:
    assert new_codes(run_stage("drain.grommet", BAG, patch_margin=0)) == [("warning", "drain-on-corner")]
    assert ("error", "drain-patch-over-edge") in new_codes(run_stage("drain.grommet", BAG, patch_margin=30))
    wide = run_stage("drain.grommet", BAG, at=ON_TUBE, hole=40, flange=70, patch_margin=0)
    assert new_codes(wide) == [("error", "drain-too-wide")]
    joined = run_stage("drain.grommet", BAG, at={"tube": "down-tube", "at": 0.5}, patch_margin=0)
    assert new_codes(joined) == [("error", "drain-at-join")]
    bare = BAG.evolve(seams=())
    assert new_codes(run_stage("drain.grommet", bare), bare) == [("error", "drain-no-gusset")]


def test_a_grommet_without_measures_is_refused() -> None:
    with pytest.raises(Refusal, match="no hole") as caught:
        run_stage("drain.grommet", BAG, grommet="rivet")
    assert "grommet-8" in caught.value.valid
    draft = run_stage("drain.grommet", BAG, grommet="rivet", hole=5, flange=9, at=ON_TUBE, patch_margin=0)
    assert draft.piece("gusset").fittings[0].material == "rivet"


def test_it_goes_through_a_stiffener_too() -> None:
    stiff = run_stage("stiffener.panel", BAG, pieces=["gusset"], reduction=4)
    draft = run_stage("drain.grommet", stiff, at=ON_TUBE, patch_margin=0)
    assert new_codes(draft, stiff) == []
    (hole,) = draft.piece("stiffener-gusset-down-tube-1").holes
    assert hole.path.bounds == pytest.approx(draft.piece("gusset").holes[0].path.bounds)
    assert [p.id for p in draft.pieces if p.holes] == ["gusset", "stiffener-gusset-down-tube-1"]
    large = run_stage("drain.grommet", stiff, at=ON_TUBE, patch_margin=0, hole=44, flange=45)
    assert ("error", "hole-at-stiffener") in new_codes(large, stiff)
