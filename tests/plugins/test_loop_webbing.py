"""`loop.webbing`: chains and single loops, their bartacks, and what is reported."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag import Refusal
from oaktag.pattern import Draft
from oaktag.pattern.walk import walk
from oaktag.plugin.kit import example_draft, run_stage
from oaktag.recipe import InputError

BAG = example_draft("measure.reconcile", "outline.clear", "corners.round", "panel.pair", "gusset.wrap")


def looped(**options: Any) -> Draft:
    return run_stage("loop.webbing", BAG, **options)


def codes(draft: Draft) -> list[tuple[str, str]]:
    return [(finding.level, finding.code) for finding in draft.findings[len(BAG.findings) :]]


def check_walks(draft: Draft) -> None:
    for seam in draft.seams:
        assert abs(walk(draft, seam).difference) < 0.01, seam.id


def test_a_chain_has_a_bartack_at_every_pitch_and_slack_in_every_loop() -> None:
    draft = looped(tube="top-tube", count=4, pitch=40, slack=6, tab=15)
    webbing, gusset = draft.piece("webbing-top-tube-1"), draft.piece("gusset")
    tacks = [line for line in gusset.placements if line.what == "loop"]
    assert len(tacks) == len(webbing.placements) == 5
    there = [line.path.bounds.centre[0] for line in tacks]
    own = [line.path.bounds.centre[0] for line in webbing.placements]
    assert [b - a for a, b in pairwise(there)] == [pytest.approx(40.0, abs=0.01)] * 4
    assert [b - a for a, b in pairwise(own)] == [pytest.approx(46.0, abs=0.01)] * 4
    assert webbing.seam_line.bounds.width == pytest.approx(4 * 46.0 + 2 * 15.0, abs=0.05)
    assert own[0] - webbing.seam_line.bounds.min_x == pytest.approx(15.0)
    assert webbing.material == "webbing-25"
    for line in tacks:
        assert line.path.length == pytest.approx(25.0)
    covers = tacks[0].covers
    assert covers is not None
    assert covers.bounds.width == pytest.approx(4 * 40.0 + 2 * 15.0, abs=0.05)
    assert codes(draft) == []
    assert codes(run_stage("check.collisions", draft)) == []
    check_walks(draft)


def test_a_chain_over_a_join_is_parted_there() -> None:
    draft = looped()
    assert codes(draft) == [("note", "loop-parted")]
    chains = [piece for piece in draft.pieces if piece.role == "loop"]
    assert len(chains) == 2
    assert codes(run_stage("check.collisions", draft)) == codes(draft)
    check_walks(draft)


def test_single_loops_are_pieces_of_their_own() -> None:
    draft = looped(tube="top-tube", style="loops", count=3, pitch=120, opening=50, slack=0, face="inside")
    loops = [piece for piece in draft.pieces if piece.role == "loop"]
    assert [len(loop.placements) for loop in loops] == [2, 2, 2]
    for loop in loops:
        assert loop.seam_line.bounds.width == pytest.approx(50.0 + 2 * 12.0, abs=0.01)
    lines = [line for line in draft.piece("gusset").placements if line.covers is not None]
    middles = [line.covers.bounds.centre[0] for line in lines if line.covers is not None]
    assert [b - a for a, b in pairwise(middles)] == [pytest.approx(120.0, abs=0.02)] * 2
    assert {line.face for line in lines} == {"inside"}
    check_walks(draft)


def test_webbing_off_the_middle_lies_there() -> None:
    draft = looped(tube="top-tube", count=2, across=4, material="webbing-20")
    for line in draft.piece("gusset").placements:
        assert line.path.bounds.centre[1] == pytest.approx(4.0)
    assert codes(draft) == []


def test_more_loops_than_there_is_room_for_are_reported_with_those_that_fit() -> None:
    draft = looped(tube="seat-tube", count=30)
    assert codes(draft) == [("error", "loop-run-short")]
    [finding] = draft.findings[len(BAG.findings) :]
    fits = int(finding.message.split("there is room for ")[1].split(" ")[0])
    assert len(draft.piece("webbing-seat-tube-1").placements) == fits + 1
    assert codes(looped(tube="seat-tube", count=fits)) == []
    assert codes(looped(tube="seat-tube", count=fits + 1)) == [("error", "loop-run-short")]
    nothing = looped(tube="seat-tube", end_inset=165)
    assert codes(nothing) == [("error", "loop-run-short")]
    assert nothing.pieces == BAG.pieces


def test_webbing_that_reaches_over_the_seam_is_reported_by_both() -> None:
    draft = looped(tube="seat-tube", count=3, across=6)
    assert codes(draft) == [("error", "loop-too-wide")]
    assert ("error", "over-edge") in codes(run_stage("check.collisions", draft))
    assert codes(looped(tube="seat-tube", count=3, across=4)) == []


def test_loops_too_short_for_a_strap_are_reported() -> None:
    assert codes(looped(tube="top-tube", pitch=19, count=3)) == [("warning", "loop-short")]
    assert codes(looped(tube="top-tube", pitch=20, count=3)) == []
    assert codes(looped(tube="top-tube", style="loops", opening=19, count=2)) == [("warning", "loop-short")]


def test_what_isnt_there_or_cant_be_is_refused() -> None:
    for options, key in (({"tube": "toptube"}, "tube"), ({"material": "webbing-26"}, "material")):
        with pytest.raises(Refusal) as caught:
            looped(**options)
        assert caught.value.key == key
    with pytest.raises(InputError, match="too small for loops side by side"):
        looped(style="loops", pitch=50)


@settings(max_examples=25, deadline=None)
@given(
    tube=st.sampled_from(["top-tube", "down-tube", "seat-tube"]),
    style=st.sampled_from(["chain", "loops"]),
    pitch=st.floats(62.0, 90.0),
    count=st.integers(1, 9),
    slack=st.floats(0.0, 20.0),
)
def test_as_many_loops_are_there_as_asked_for_or_fit(
    tube: str, style: str, pitch: float, count: int, slack: float
) -> None:
    draft = looped(tube=tube, style=style, pitch=pitch, count=count, slack=slack)
    check_walks(draft)
    loops = sum(len(piece.placements) - 1 for piece in draft.pieces if piece.role == "loop")
    if ("error", "loop-run-short") in codes(draft):
        assert loops < count
    else:
        assert loops == count
    collisions = codes(run_stage("check.collisions", draft))
    assert not [code for _, code in collisions if code in ("over-edge", "collision")]
