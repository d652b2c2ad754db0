"""`strap.hook-and-loop`: places, lengths, patches, slots, and what is reported."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag import Refusal
from oaktag.pattern import Draft, Place
from oaktag.pattern.document import document
from oaktag.pattern.walk import walk
from oaktag.plugin.kit import example_draft, example_frame, run_stage
from oaktag.recipe import load_frame
from oaktag_plugins.drafting.bag import gusset_spot
from oaktag_plugins.drafting.fastening import length_round, straight_run

STAGES = ("measure.reconcile", "outline.clear", "corners.round", "panel.pair", "gusset.wrap")
BAG = example_draft(*STAGES)
OUTLINE = BAG.outline_of("")


def strapped(draft: Draft = BAG, **options: Any) -> Draft:
    return run_stage("strap.hook-and-loop", draft, **options)


def codes(draft: Draft) -> list[tuple[str, str]]:
    return [
        (finding.level, finding.code)
        for finding in draft.findings[len(BAG.findings) :]
        if finding.code != "circumference-assumed"
    ]


def check_walks(draft: Draft) -> None:
    for seam in draft.seams:
        assert abs(walk(draft, seam).difference) < 0.01, seam.id


def test_without_places_every_tube_gets_as_many_as_the_pitch_asks_for() -> None:
    draft = strapped()
    straps = [piece.id for piece in draft.pieces if piece.role == "strap"]
    for tube, count in (("top-tube", 3), ("down-tube", 4), ("seat-tube", 3)):
        assert [name for name in straps if tube in name] == [f"strap-{tube}-{n + 1}" for n in range(count)]
    assert codes(draft) == []
    assert codes(run_stage("check.collisions", draft)) == []
    check_walks(draft)
    document(draft)


def test_evenly_spreads_them_over_the_straight_run() -> None:
    draft = strapped(evenly={"top-tube": 3, "seat-tube": 2})
    for tube, count in (("top-tube", 3), ("seat-tube", 2)):
        run = straight_run(OUTLINE, tube, "evenly")
        for number in range(count):
            spot = gusset_spot(BAG, OUTLINE, run.start + run.length * (number + 0.5) / count)
            covers = draft.piece("gusset").placement(f"strap-{tube}-{number + 1}").covers
            assert covers is not None
            assert covers.bounds.centre == pytest.approx((spot.x, 0.0), abs=1e-6)
            assert covers.bounds.width == pytest.approx(25.0)


def test_a_strap_is_what_goes_round_and_an_overlap() -> None:
    draft = strapped(places=[{"tube": "down-tube", "at": 0.3}], overlap=70)
    assert BAG.opening is not None
    tube = BAG.opening.edge("down-tube").path
    _, gap = OUTLINE.edge("down-tube").path.nearest(tube.point_at(0.3 * tube.length))
    radius = (46.0 + 0.3 * (52.0 - 46.0)) / 2
    around = length_round(radius, 21.0, gap)  # the box of stitching stays 2 mm inside either edge
    strap = draft.piece("strap-down-tube-1")
    assert strap.seam_line.bounds.width == pytest.approx(around + 70.0, abs=1e-6)
    assert strap.seam_line.bounds.width > math.tau * radius + 70.0
    assert strap.seam_line.bounds.height == 25.0
    assert strap.material == "hook-and-loop-25"
    assert all(edge.finish == "raw" for edge in strap.edges)


def test_a_circumference_that_was_measured_goes_before_the_widths() -> None:
    place = [{"tube": "down-tube", "at": 0.3}]
    wide = strapped(places=place, circumference={"down-tube": 200})
    narrow = strapped(places=place, circumference=150)
    lengths = [d.piece("strap-down-tube-1").seam_line.bounds.width for d in (wide, narrow)]
    assert 45.0 < lengths[0] - lengths[1] < 55.0
    assert "circumference-assumed" not in [finding.code for finding in wide.findings]
    assumed = [f for f in strapped(places=place).findings if f.code == "circumference-assumed"]
    assert [(f.level, f.where) for f in assumed] == [("note", "down-tube")]
    assert f"{math.pi * 47.8:.0f} mm round" in assumed[0].message


def test_a_patch_is_sewn_all_round_and_the_strap_onto_it_by_a_box() -> None:
    draft = strapped(places=[{"tube": "top-tube", "at": 0.5}])
    seams = {seam.id: seam for seam in draft.seams[len(BAG.seams) :]}
    assert set(seams) == {
        "anchor-patch-top-tube-1-on-gusset",
        "strap-top-tube-1-on-anchor-patch-top-tube-1",
    }
    box = walk(draft, seams["strap-top-tube-1-on-anchor-patch-top-tube-1"])
    assert box.length_a == pytest.approx(4 * 21.0)
    patch = draft.piece("anchor-patch-top-tube-1")
    around = walk(draft, seams["anchor-patch-top-tube-1-on-gusset"])
    assert around.length_a == pytest.approx(patch.seam_line.length)
    assert patch.seam_line.bounds.width == pytest.approx(25.0 + 2 * 8.0)
    line = draft.piece("gusset").placement("anchor-patch-top-tube-1")
    assert (line.what, line.face) == ("anchor-patch", "outside")
    # It stays 3 mm inside either seam of a gusset that is about 38 mm wide there.
    assert patch.seam_line.bounds.height == pytest.approx(38.0 - 6.0, abs=0.5)


def test_slots_are_cut_through_gusset_and_patch_at_the_same_places() -> None:
    draft = strapped(places=[{"tube": "down-tube", "at": 0.3}], attachment="slots")
    gusset, patch = draft.piece("gusset"), draft.piece("anchor-patch-down-tube-1")
    assert [hole.what for hole in gusset.holes] == ["slot", "slot"]
    x, _ = gusset.placement("anchor-patch-down-tube-1").path.bounds.centre
    for through, own in zip(gusset.holes, patch.holes, strict=True):
        assert through.path.bounds.width == pytest.approx(26.5)  # the strap's width and 1.5 mm
        assert through.path.bounds.height == pytest.approx(3.0)
        (ax, ay), (bx, by) = through.path.bounds.centre, own.path.bounds.centre
        assert (ax - x, ay) == pytest.approx((bx, by), abs=1e-6)
    assert gusset.placement("anchor-patch-down-tube-1").face == "inside"
    assert len(draft.seams) == len(BAG.seams) + 1  # nothing holds the strap but its slots
    assert codes(run_stage("check.collisions", draft)) == []
    check_walks(draft)


def test_a_strap_on_a_corner_is_drafted_and_reported() -> None:
    draft = strapped(places=[{"tube": "top-tube", "at": 0.01}])
    assert ("error", "strap-on-corner") in codes(draft)
    assert draft.piece("strap-top-tube-1").placements
    check_walks(draft)


def test_straps_too_far_apart_are_reported_with_their_distance() -> None:
    draft = strapped(evenly={"down-tube": 2})
    run = straight_run(OUTLINE, "down-tube", "evenly")
    [finding] = [f for f in draft.findings if f.code == "strap-pitch"]
    assert finding.level == "warning"
    assert f"{run.length / 2:.0f} mm apart" in finding.message
    assert codes(strapped(evenly={"down-tube": 2}, pitch=run.length / 2 + 1)) == []


def test_a_strap_on_the_round_before_its_tube_comes_first() -> None:
    # That round is the outline's last edge, and the tube its first.
    draft = strapped(places=[{"tube": "top-tube", "at": 0.25}, {"tube": "top-tube", "at": 0.0}])
    assert codes(draft) == [("error", "strap-on-corner")]
    [corner] = [finding for finding in draft.findings if finding.code == "strap-on-corner"]
    assert corner.where == "strap-top-tube-1"


def test_a_strap_too_wide_for_the_gusset_is_reported_either_way() -> None:
    place = [{"tube": "seat-tube", "at": 0.5}]
    wide = strapped(places=place, material="webbing-38")
    assert codes(wide) == [("error", "strap-too-wide")]
    assert "39 mm across and gets" in wide.findings[-2].message
    check_walks(wide)
    tight = strapped(places=place, attachment="slots", slot_inset=14)
    assert codes(tight) == [("error", "strap-too-wide")]
    nothing = strapped(places=place, attachment="slots", slot_inset=20)
    assert codes(nothing) == [("error", "strap-too-wide")]
    assert nothing.piece("gusset").holes == ()
    bare = strapped(places=place, patch_inset=30)
    assert codes(bare) == [("error", "strap-too-wide")]
    assert all(piece.role != "anchor-patch" for piece in bare.pieces)
    for draft in (tight, nothing, bare):
        check_walks(draft)


def test_a_strap_that_stock_makes_too_short_is_reported_with_what_is_needed() -> None:
    place = [{"tube": "top-tube", "at": 0.5}]
    needed = strapped(places=place, overlap=25).piece("strap-top-tube-1").seam_line.bounds.width
    assert codes(strapped(places=place, length=needed)) == []
    short = strapped(places=place, length={"top-tube": needed - 5})
    assert codes(short) == [("error", "strap-short")]
    [finding] = [f for f in short.findings if f.code == "strap-short"]
    assert "by 20 mm" in finding.message
    assert f"Cut it {needed:.0f} mm long" in finding.message
    assert short.piece("strap-top-tube-1").seam_line.bounds.width == pytest.approx(needed - 5)
    assert codes(strapped(places=place, overlap=20)) == [("error", "strap-short")]


def test_a_tube_without_a_width_is_taken_from_the_gusset_with_a_warning() -> None:
    frame = example_frame()
    bare = replace(frame, widths=tuple(w for w in frame.widths if w.place.tube != "seat-tube"))
    draft = strapped(example_draft(*STAGES, frame=bare), places=[{"tube": "seat-tube", "at": 0.5}])
    found = [(f.level, f.code) for f in draft.findings if f.code.startswith("circumference")]
    assert found == [("warning", "circumference-unknown")]


def test_two_stages_number_their_straps_on() -> None:
    draft = strapped(strapped(evenly={"top-tube": 2}), evenly={"top-tube": 1}, attachment="slots")
    assert [p.id for p in draft.pieces if p.role == "strap"] == [f"strap-top-tube-{n}" for n in (1, 2, 3)]
    check_walks(draft)


@pytest.mark.parametrize(
    ("options", "key", "reason"),
    [
        ({"evenly": {"toptube": 2}}, "evenly.toptube", "no such tube"),
        ({"circumference": {"toptube": 120}}, "circumference.toptube", "no such tube"),
        ({"places": [{"tube": "toptube", "at": 0.5}]}, "places[0].tube", "no such tube"),
        ({"body": "upper"}, "body", "no body of this name"),
        ({"material": "tape-9"}, "material", "isn't in the material table"),
        ({"material": "canvas-500d"}, "material", "is cloth, not tape"),
    ],
)
def test_what_isnt_there_is_refused(options: dict[str, Any], key: str, reason: str) -> None:
    with pytest.raises(Refusal, match=reason) as caught:
        strapped(**options)
    assert caught.value.key == key


def test_a_shop_may_use_tape_that_the_table_lacks() -> None:
    draft = strapped(places=[{"tube": "top-tube", "at": 0.5}], material="tape-9", width=22)
    assert draft.piece("strap-top-tube-1").seam_line.bounds.height == 22.0


@settings(max_examples=25, deadline=None)
@given(
    tube=st.sampled_from(["top-tube", "down-tube", "seat-tube"]),
    at=st.floats(0.0, 1.0),
    width=st.floats(10.0, 50.0),
    attachment=st.sampled_from(["patch", "slots"]),
)
def test_wherever_a_strap_is_asked_for_its_seams_walk(
    tube: str, at: float, width: float, attachment: str
) -> None:
    draft = strapped(places=[{"tube": tube, "at": at}], width=width, attachment=attachment)
    check_walks(draft)
    strap = draft.piece(f"strap-{tube}-1")
    assert strap.seam_line.bounds.height == pytest.approx(width)
    on_corner = ("error", "strap-on-corner") in codes(draft)
    along = Place(tube, at)
    assert on_corner == (not inside_run(along))


def inside_run(place: Place) -> bool:
    assert BAG.opening is not None
    tube = BAG.opening.edge(place.tube).path
    own = OUTLINE.edge(place.tube).path
    point = tube.point_at(place.along(tube.length))
    _, away = own.nearest(point)
    rounds = [edge.path.nearest(point)[1] for edge in OUTLINE.edges if edge.is_corner]
    return away <= min(rounds) + 1e-9


FRAMES = sorted((Path(__file__).parents[2] / "recipes" / "frames").glob("*.frame.toml"))


@pytest.mark.parametrize("sheet", FRAMES, ids=lambda sheet: sheet.name)
def test_places_that_the_stage_chooses_are_good_on_every_sheet(sheet: Path) -> None:
    draft = strapped(example_draft(*STAGES, frame=load_frame(sheet)[0]))
    assert [piece for piece in draft.pieces if piece.role == "strap"]
    found = run_stage("check.collisions", draft).findings
    assert [f for f in found if f.code.startswith(("strap", "collision", "over", "on-", "near"))] == []
    check_walks(draft)


def test_where_the_gusset_is_left_off_there_is_nothing_to_be_on() -> None:
    opened = run_stage("gusset.wrap", example_draft(*STAGES[:-1]), open=["top-tube"])
    draft = strapped(opened, places=[{"tube": "top-tube", "at": 0.5}])
    found = [(f.level, f.code) for f in draft.findings[len(opened.findings) :]]
    assert set(found) == {("error", "gusset-open")}
    assert draft.pieces == opened.pieces
    chosen = strapped(opened)
    straps = [piece.id for piece in chosen.pieces if piece.role == "strap"]
    assert straps
    assert not [name for name in straps if "top-tube" in name]
    check_walks(chosen)


def test_of_two_bodies_a_place_belongs_to_the_nearer() -> None:
    draft = example_draft("measure.reconcile", "outline.clear")
    draft = run_stage("body.two", draft, parallel_to="top-tube", distance=150)
    for stage in ("corners.round", "panel.pair", "gusset.wrap"):
        draft = run_stage(stage, draft)
    places = [{"tube": "down-tube", "at": 0.2}, {"tube": "down-tube", "at": 0.7}]
    both = strapped(draft, places=places)
    straps = [piece for piece in both.pieces if piece.role == "strap"]
    assert [(strap.id, strap.body) for strap in straps] == [
        ("upper-strap-down-tube-1", "upper"),
        ("lower-strap-down-tube-1", "lower"),
    ]
    check_walks(both)
    lower = strapped(draft, evenly={"down-tube": 2}, body="lower")
    assert {piece.body for piece in lower.pieces if piece.role == "strap"} == {"lower"}
    with pytest.raises(Refusal, match="doesn't run along this tube"):
        strapped(draft, places=[{"tube": "top-tube", "at": 0.5}], body="lower")
