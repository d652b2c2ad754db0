"""`lacing.row`: grommets at a pitch, strips behind them, cord, and what is reported."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag import Refusal
from oaktag.geometry import distance
from oaktag.pattern import Draft
from oaktag.pattern.document import document
from oaktag.pattern.sheet import draw_sheet
from oaktag.pattern.walk import walk
from oaktag.plugin.kit import example_draft, run_stage
from oaktag.recipe import InputError
from oaktag_plugins.drafting.bag import gusset_spot
from oaktag_plugins.drafting.fastening import half_width, length_round, straight_run

STAGES = ("measure.reconcile", "outline.clear", "corners.round", "panel.pair", "gusset.wrap")
BAG = example_draft(*STAGES)
OUTLINE = BAG.outline_of("")


def laced(draft: Draft = BAG, **options: Any) -> Draft:
    return run_stage("lacing.row", draft, **options)


def codes(draft: Draft) -> list[tuple[str, str]]:
    return [(finding.level, finding.code) for finding in draft.findings[len(BAG.findings) :]]


def check_walks(draft: Draft) -> None:
    for seam in draft.seams:
        assert abs(walk(draft, seam).difference) < 0.01, seam.id


def test_left_to_itself_it_comes_near_to_the_usual_pitch_and_fits() -> None:
    draft = laced()
    run = straight_run(OUTLINE, "top-tube", "tube")
    fittings = draft.piece("gusset").fittings
    gaps = [b.point[0] - a.point[0] for a, b in pairwise(fittings)]
    pitch = (run.length - 40.0) / (len(fittings) - 1)
    assert abs(pitch - 40.0) < 3.0
    assert gaps == [pytest.approx(pitch, abs=0.01)] * len(gaps)
    for fitting, along in ((fittings[0], 20.0), (fittings[-1], run.length - 20.0)):
        assert fitting.point[0] == pytest.approx(gusset_spot(BAG, OUTLINE, run.start + along).x)
    assert codes(draft) == []
    assert codes(run_stage("check.collisions", draft)) == []
    check_walks(draft)


def test_every_grommet_has_its_hole_on_the_gusset_and_on_the_strip() -> None:
    draft = laced(count=7, grommet="grommet-6")
    gusset, strip = draft.piece("gusset"), draft.piece("lacing-strip-top-tube-1")
    assert len(gusset.fittings) == len(gusset.holes) == len(strip.holes) == 7
    place = gusset.placement(strip.id).path.bounds.centre
    for fitting, hole, own in zip(gusset.fittings, gusset.holes, strip.holes, strict=True):
        assert (fitting.material, fitting.radius) == ("grommet-6", 6.5)
        assert hole.path.bounds.width == pytest.approx(6.0)
        assert hole.path.bounds.centre == pytest.approx(fitting.point, abs=1e-9)
        (x, y) = own.path.bounds.centre
        assert (x + place[0], y + place[1]) == pytest.approx(fitting.point, abs=1e-9)
    # 4 mm beyond the flanges all round.
    assert strip.seam_line.bounds.height == pytest.approx(13.0 + 8.0)
    assert draft.seams[-1].kind == "applied"
    assert gusset.placement(strip.id).face == "inside"


def test_rows_along_the_seams_stay_as_far_from_them_all_along() -> None:
    draft = laced(tube="down-tube", rows="both", grommet="eyelet-4", inset=11, count=6)
    gusset = draft.piece("gusset")
    assert len(gusset.fittings) == 12
    for number, fitting in enumerate(gusset.fittings):
        x, y = fitting.point
        assert half_width(gusset, x) - abs(y) == pytest.approx(11.0, abs=1e-6)
        assert (y > 0.0) == (number < 6)  # the non-drive side's row comes first
    check_walks(draft)
    one = laced(tube="down-tube", rows="drive", grommet="eyelet-4", inset=11, count=6)
    assert all(fitting.point[1] < 0.0 for fitting in one.piece("gusset").fittings)


def test_a_row_over_a_join_has_a_strip_on_either_side() -> None:
    draft = laced(tube="down-tube", count=8)
    strips = [piece for piece in draft.pieces if piece.role == "patch"]
    assert [len(strip.holes) for strip in strips] == [4, 4]
    assert len(draft.piece("gusset").holes) == 8
    check_walks(draft)


def test_a_pitch_that_doesnt_fit_is_drafted_and_answered_with_those_that_do() -> None:
    run = straight_run(OUTLINE, "top-tube", "tube")
    span = run.length - 40.0
    draft = laced(pitch=45)
    assert codes(draft) == [("warning", "lacing-pitch")]
    gaps = math.floor(span / 45)
    assert len(draft.piece("gusset").fittings) == gaps + 1
    message = draft.findings[-1].message
    for n in (gaps, gaps + 1):
        assert f"{span / n:.2f} mm ({n + 1} grommets)" in message
        fitting = laced(pitch=round(span / n, 2))
        assert codes(fitting) == []
        assert len(fitting.piece("gusset").fittings) == n + 1


def test_grommets_too_close_together_are_reported() -> None:
    run = straight_run(OUTLINE, "top-tube", "tube")
    # grommet-8 has a flange of 15.5 mm, and 4 mm of cloth is the least.
    most = math.floor((run.length - 40.0) / 19.5)
    assert codes(laced(count=most + 1)) == []
    assert codes(laced(count=most + 2)) == [("error", "lacing-close")]


def test_rows_without_room_across_the_gusset_are_reported() -> None:
    assert codes(laced(rows="both", count=6)) == [("error", "lacing-narrow")]
    assert codes(laced(rows="drive", count=6, inset=8)) == [("error", "lacing-narrow")]
    assert codes(laced(count=6, strip_margin=12)) == [("error", "lacing-narrow")]
    assert "36.2 mm wide 20 mm along top-tube" in laced(rows="both", count=6).findings[-1].message


def test_a_run_that_the_insets_use_up_gets_nothing_but_a_finding() -> None:
    draft = laced(first_inset=220, last_inset=220)
    assert codes(draft) == [("error", "lacing-run-short")]
    assert draft.pieces == BAG.pieces


def test_the_cord_goes_round_the_tube_at_every_grommet() -> None:
    draft = laced(count=5, tail=100)
    cord = draft.piece("cord-top-tube-1")
    run = straight_run(OUTLINE, "top-tube", "tube")
    pitch = (run.length - 40.0) / 4
    gap = OUTLINE.edge("top-tube").path.start[1]
    assert BAG.opening is not None
    gap = BAG.opening.edge("top-tube").path.start[1] - gap
    # From 36 to 40 mm wide: the laps are about those at the middle.
    lap = math.hypot(length_round(19.0, 0.0, gap), pitch)
    assert cord.seam_line.bounds.width == pytest.approx(5 * lap + 200.0, rel=0.005)
    assert cord.material == "cord-3"
    own = laced(count=5, tail=100, lap=150).piece("cord-top-tube-1")
    assert own.seam_line.bounds.width == pytest.approx(5 * math.hypot(150.0, pitch) + 200.0)
    assert all(piece.role != "cord" for piece in laced(cord="").pieces)


def test_a_row_may_run_along_an_edge_of_any_piece() -> None:
    draft = laced(piece="side-panel-drive", edge="top-tube", count=5)
    panel = draft.piece("side-panel-drive")
    edge = panel.edge("top-tube").path
    for fitting in panel.fittings:
        assert edge.nearest(fitting.point)[1] == pytest.approx(14.0)
        assert panel.seam_line.contains(fitting.point)
    assert codes(draft) == [("note", "lacing-cord")]
    check_walks(draft)
    assert codes(laced(piece="side-panel-drive", edge="top-tube", count=5, cord="")) == []
    corded = laced(piece="side-panel-non-drive", edge="down-tube", count=5, lap=80)
    assert codes(corded) == []
    assert corded.pieces[-1].role == "cord"
    other = corded.piece("side-panel-non-drive")
    assert all(other.seam_line.contains(fitting.point) for fitting in other.fittings)


def test_a_strip_that_cant_follow_the_edge_is_left_out_with_an_error() -> None:
    draft = laced(piece="gusset", edge="drive-side", count=6, cord="")
    assert codes(draft) == [("error", "lacing-strip")]
    assert len(draft.piece("gusset").fittings) == 6
    assert all(piece.role != "patch" for piece in draft.pieces)


@pytest.mark.parametrize(
    ("options", "key"),
    [
        ({"tube": "toptube"}, "tube"),
        ({"grommet": "grommet-7"}, "grommet"),
        ({"cord": "cord-4"}, "cord"),
        ({"piece": "flap", "edge": "lower"}, "piece"),
        ({"piece": "gusset", "edge": "lower"}, "edge"),
    ],
)
def test_what_isnt_there_is_refused(options: dict[str, Any], key: str) -> None:
    with pytest.raises(Refusal) as caught:
        laced(**options)
    assert caught.value.key == key


@pytest.mark.parametrize("options", [{"count": 5, "pitch": 40}, {"piece": "gusset"}, {"edge": "end"}])
def test_options_that_contradict_each_other_are_refused(options: dict[str, Any]) -> None:
    with pytest.raises(InputError):
        laced(**options)


@settings(max_examples=25, deadline=None)
@given(
    tube=st.sampled_from(["top-tube", "down-tube", "seat-tube"]),
    rows=st.sampled_from(["both", "drive", "non-drive", "centre"]),
    count=st.integers(2, 14),
    inset=st.floats(8.0, 20.0),
)
def test_every_strip_walks_and_has_the_grommets_of_its_row(
    tube: str, rows: str, count: int, inset: float
) -> None:
    draft = laced(tube=tube, rows=rows, count=count, inset=inset)
    check_walks(draft)
    holes = sum(len(piece.holes) for piece in draft.pieces if piece.role == "patch")
    assert holes == len(draft.piece("gusset").fittings) == count * (2 if rows == "both" else 1)
    for one, other in pairwise(draft.piece("gusset").fittings[:count]):
        assert distance(one.point, other.point) > 0.0


def test_where_the_gusset_is_left_off_there_is_nothing_to_be_on() -> None:
    opened = run_stage("gusset.wrap", example_draft(*STAGES[:-1]), open=["top-tube"])
    draft = laced(opened)
    found = [(f.level, f.code) for f in draft.findings[len(opened.findings) :]]
    assert set(found) == {("error", "gusset-open")}
    assert draft.pieces == opened.pieces


def test_cord_is_not_drawn() -> None:
    laced = run_stage("lacing.row", BAG)
    [cord] = [piece for piece in laced.pieces if piece.role == "cord"]
    drawn = {placement.piece for placement in draw_sheet(laced).placements}
    assert drawn == {piece.id for piece in laced.pieces} - {cord.id}
    listed = document(laced)
    assert {place["piece"] for place in listed["layout"]} == drawn
    assert cord.id in {row["piece"] for row in listed["cut_list"]}
