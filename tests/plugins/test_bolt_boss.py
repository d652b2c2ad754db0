"""`bolt.boss`: holes at the bosses, bolts, washers and plates, and what is reported."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag import Refusal
from oaktag.pattern import BossRow, Draft, Place
from oaktag.plugin.kit import example_draft, example_frame, run_stage
from oaktag_plugins.drafting.bag import gusset_spot, seam_place
from oaktag_plugins.drafting.fastening import half_width

STAGES = ("measure.reconcile", "outline.clear", "corners.round", "panel.pair", "gusset.wrap")


def with_bosses(*rows: BossRow) -> Draft:
    return example_draft(*STAGES, frame=replace(example_frame(), bosses=rows))


def row(tube: str, at: float, count: int = 2, *, pitch: float = 64.0, name: str = "cage") -> BossRow:
    return BossRow(name, Place(tube, at), count, pitch, "M5", "bosses[0]")


SEAT = with_bosses(row("seat-tube", 0.5))


def bolted(draft: Draft = SEAT, **options: Any) -> Draft:
    return run_stage("bolt.boss", draft, **options)


def codes(draft: Draft, before: Draft = SEAT) -> list[tuple[str, str]]:
    return [(finding.level, finding.code) for finding in draft.findings[len(before.findings) :]]


def test_holes_are_as_far_apart_as_the_bosses_and_beside_them() -> None:
    draft = bolted()
    gusset = draft.piece("gusset")
    first, second = (hole.path.bounds for hole in gusset.holes)
    assert second.centre[0] - first.centre[0] == pytest.approx(64.0, abs=1e-9)
    outline = SEAT.outline_of("")
    middle = gusset_spot(SEAT, outline, seam_place(SEAT, outline, Place("seat-tube", 0.5), "").station)
    assert 0.5 * (first.centre[0] + second.centre[0]) == pytest.approx(middle.x, abs=0.01)
    assert codes(draft) == []
    assert codes(run_stage("check.collisions", draft)) == []


def test_the_first_hole_is_round_and_the_other_a_slot_along_the_tube() -> None:
    first, second = (hole.path for hole in bolted(clearance=0.6, slide=4).piece("gusset").holes)
    assert (first.bounds.width, first.bounds.height) == pytest.approx((5.6, 5.6))
    assert (second.bounds.width, second.bounds.height) == pytest.approx((5.6 + 8.0, 5.6))
    assert second.area == pytest.approx(math.pi * 2.8**2 + 8.0 * 5.6)


def test_every_boss_gets_a_bolt_and_its_washers() -> None:
    fittings = bolted(washers=3).piece("gusset").fittings
    assert [(f.material, f.quantity, f.what) for f in fittings] == [
        ("bolt-m5", 1, "bolt"),
        ("washer-m5", 3, "washer"),
        ("bolt-m5", 1, "bolt"),
        ("washer-m5", 3, "washer"),
    ]
    assert all(f.radius == 5.0 for f in fittings)  # M5 washers are 10 mm across
    assert [f.what for f in bolted(washers=0).piece("gusset").fittings] == ["bolt", "bolt"]


def test_the_plate_stays_inside_the_seams_and_has_the_same_holes() -> None:
    draft = bolted(plate_margin=12, plate_reduction=5)
    gusset, plate = draft.piece("gusset"), draft.piece("backing-plate-seat-tube-1")
    assert plate.material == "board-08"
    assert plate.seam_line.bounds.width == pytest.approx(64.0 + 24.0)
    line = gusset.placement(plate.id)
    assert (line.face, line.what) == ("inside", "backing-plate")
    box = line.path.bounds
    least = min(half_width(gusset, box.min_x + box.width * k / 20) for k in range(21))
    assert plate.seam_line.bounds.height == pytest.approx(2 * (least - 5.0), abs=1e-6)
    for through, own in zip(gusset.holes, plate.holes, strict=True):
        (x, y) = own.path.bounds.centre
        assert (x + box.centre[0], y + box.centre[1]) == pytest.approx(through.path.bounds.centre)
        assert own.path.area == pytest.approx(through.path.area)
    assert all(edge.finish == "raw" for edge in plate.edges)
    assert [piece.id for piece in bolted(plate="").pieces] == [piece.id for piece in SEAT.pieces]


def test_bosses_beyond_the_tube_are_reported_and_left_out() -> None:
    bag = with_bosses(BossRow("cage", Place("seat-tube", 0.0, 20.0), 2, 64.0, "M5", "bosses[0]"))
    draft = bolted(bag)
    assert ("error", "boss-outside") in codes(draft, bag)
    assert len(draft.piece("gusset").holes) == 1


def test_bosses_on_a_tube_that_the_bag_doesnt_follow_are_reported_if_they_are_named() -> None:
    bag = with_bosses(row("seat-tube", 0.5, name="cage"))
    elsewhere = replace(bag.frame, bosses=(*bag.frame.bosses, row("head-tube", 0.5, name="fork")))
    bag = bag.evolve(frame=elsewhere)
    assert codes(bolted(bag), bag) == []
    draft = bolted(bag, bosses=["fork"])
    assert codes(draft, bag) == [("error", "boss-outside")]
    assert draft.piece("gusset").holes == ()


def test_bosses_on_a_corner_are_drafted_and_reported() -> None:
    bag = with_bosses(row("top-tube", 0.04, 1))
    draft = bolted(bag)
    assert codes(draft, bag) == [("error", "boss-on-corner")]
    assert len(draft.piece("gusset").holes) == 1


def test_a_gusset_too_narrow_for_the_washers_is_reported() -> None:
    # It is about 35 mm wide at the seat tube's middle; 4 mm stay free on either side.
    assert codes(bolted(washer_diameter=26)) == []
    draft = bolted(washer_diameter=28)
    assert codes(draft) == [("error", "boss-narrow")] * 2
    assert "take 36.0 mm" in draft.findings[-1].message
    bare = bolted(plate_reduction=16)
    assert codes(bare) == [("error", "boss-narrow")] * 2
    assert all(piece.role != "backing-plate" for piece in bare.pieces)


def test_a_hole_beside_a_join_is_reported_and_the_plate_parted_there() -> None:
    # The gusset is joined at the down tube's middle.
    near = with_bosses(row("down-tube", 0.52, 1))
    assert codes(bolted(near), near) == [("error", "boss-at-join")]
    over = with_bosses(row("down-tube", 0.5))
    draft = bolted(over)
    assert codes(draft, over) == []
    plates = [piece for piece in draft.pieces if piece.role == "backing-plate"]
    assert [len(plate.holes) for plate in plates] == [1, 1]


def test_a_sheet_without_bosses_gets_a_warning() -> None:
    bag = with_bosses()
    draft = bolted(bag)
    assert codes(draft, bag) == [("warning", "boss-none")]
    assert draft.pieces == bag.pieces


def test_what_isnt_there_is_refused() -> None:
    for options, key in (
        ({"bosses": ["page"]}, "bosses[0]"),
        ({"washer": "washer-m6"}, "washer"),
        ({"body": "upper"}, "body"),
    ):
        with pytest.raises(Refusal) as caught:
            bolted(**options)
        assert caught.value.key == key
    thick = with_bosses(replace(row("seat-tube", 0.5), thread="M6"))
    with pytest.raises(Refusal):
        bolted(thick)
    assert codes(bolted(thick, washer_diameter=12), thick) == []
    hole = bolted(thick, washer_diameter=12).piece("gusset").holes[0]
    assert hole.path.bounds.width == pytest.approx(6.5)


@settings(max_examples=25, deadline=None)
@given(
    tube=st.sampled_from(["top-tube", "down-tube", "seat-tube"]),
    at=st.floats(0.3, 0.7),
    count=st.integers(1, 3),
    pitch=st.floats(40.0, 70.0),
)
def test_holes_that_lie_together_are_exactly_at_pitch(tube: str, at: float, count: int, pitch: float) -> None:
    bag = with_bosses(row(tube, at, count, pitch=pitch))
    draft = bolted(bag)
    gusset = draft.piece("gusset")
    plates = [piece for piece in draft.pieces if piece.role == "backing-plate"]
    assert len(gusset.holes) == sum(len(plate.holes) for plate in plates) == count
    middles = [hole.path.bounds.centre[0] for hole in gusset.holes]
    if len(plates) == 1:
        assert middles == [pytest.approx(middles[0] + pitch * k, abs=1e-6) for k in range(count)]
    for hole in gusset.holes:
        assert hole.path.bounds.centre[1] == pytest.approx(0.0)


def test_where_the_gusset_is_left_off_there_is_nothing_to_be_on() -> None:
    opened = run_stage("gusset.wrap", example_draft(*STAGES[:-1], frame=SEAT.frame), open=["seat-tube"])
    draft = bolted(opened)
    found = [(f.level, f.code) for f in draft.findings[len(opened.findings) :]]
    assert set(found) == {("error", "gusset-open")}
    assert draft.pieces == opened.pieces
