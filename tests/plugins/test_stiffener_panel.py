"""`stiffener.panel`: foam and board."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag import Refusal
from oaktag.pattern import Draft
from oaktag.pattern.walk import walk
from oaktag.plugin.kit import example_draft, run_stage

BAG = example_draft("measure.reconcile", "outline.clear", "corners.round", "panel.pair", "gusset.wrap")
OUTLINE = BAG.outline_of("")
TUBES = ("top-tube", "down-tube", "seat-tube")
SETTINGS = settings(deadline=None, derandomize=True, max_examples=15)


def new_codes(draft: Draft, before: Draft = BAG) -> list[tuple[str, str]]:
    return [(f.level, f.code) for f in draft.findings[len(before.findings) :]]


def check_seams(draft: Draft, before: Draft = BAG) -> int:
    fresh = draft.seams[len(before.seams) :]
    for seam in fresh:
        assert abs(walk(draft, seam).difference) < 1e-6, seam.id
    return len(fresh)


@SETTINGS
@given(st.floats(0.0, 15.0), st.sampled_from(["quilted", "slot"]))
def test_a_panel_s_stiffener_is_parallel_to_the_seam_line(reduction: float, hold: str) -> None:
    draft = run_stage("stiffener.panel", BAG, reduction=reduction, hold=hold)
    assert check_seams(draft) == (2 if hold == "quilted" else 0)
    for side in ("drive", "non-drive"):
        piece = draft.piece(f"stiffener-{side}")
        panel = draft.piece(f"side-panel-{side}").seam_line
        # Steiner's formulas for a parallel curve inside a convex one.
        perimeter, area = panel.length, abs(panel.area)
        assert piece.seam_line.length == pytest.approx(perimeter - 2 * math.pi * reduction)
        assert abs(piece.seam_line.area) == pytest.approx(
            area - perimeter * reduction + math.pi * reduction**2, abs=1e-3
        )
        line = draft.piece(f"side-panel-{side}").placement(piece.id)
        assert (line.face, line.what) == ("inside", "stiffener")
        assert line.covers is not None
        assert line.covers.area == pytest.approx(piece.seam_line.area)
        assert {edge.finish for edge in piece.edges} == {"raw"}


def test_every_edge_has_its_own_reduction() -> None:
    draft = run_stage("stiffener.panel", BAG, pieces=["drive"], reduction={"default": 3, "top-tube": 12})
    inner = draft.piece("stiffener-drive")
    for tube, away in (("top-tube", 12.0), ("down-tube", 3.0), ("seat-tube", 3.0)):
        middle = inner.edge(tube).path.point_at(0.5 * inner.edge(tube).length)
        assert OUTLINE.edge(tube).path.nearest(middle)[1] == pytest.approx(away)


@SETTINGS
@given(st.floats(0.0, 8.0), st.floats(0.0, 20.0))
def test_strips_in_the_gusset_follow_its_taper_and_stop_at_rounds(sides: float, ends: float) -> None:
    reduction = {"default": 3, "gusset": sides, "end": ends}
    draft = run_stage("stiffener.panel", BAG, pieces=["gusset"], material="board-08", reduction=reduction)
    strips = [piece for piece in draft.pieces if piece.role == "stiffener"]
    # The gusset is joined in the middle of the down tube, so the board is broken there.
    assert [piece.id for piece in strips] == [
        "stiffener-gusset-top-tube",
        "stiffener-gusset-down-tube-1",
        "stiffener-gusset-down-tube-2",
        "stiffener-gusset-seat-tube",
    ]
    assert check_seams(draft) == 4
    gusset = draft.piece("gusset")
    for piece in strips:
        inside = gusset.seam_line.polygon().buffer(1e-3)
        assert inside.covers(piece.seam_line.polygon())
        for own, edge in (("non-drive", "non-drive-side"), ("drive", "drive-side")):
            path = piece.edge(own).path
            middle = path.point_at(0.5 * path.length)
            assert gusset.edge(edge).path.nearest(middle)[1] == pytest.approx(sides, abs=1e-6)
    top = strips[0]
    assert top.seam_line.bounds.width == pytest.approx(OUTLINE.edge("top-tube").length - 2 * ends, abs=0.3)


def test_tubes_may_be_named() -> None:
    draft = run_stage("stiffener.panel", BAG, pieces=["gusset"], tubes=["seat-tube"], name="board")
    assert [piece.id for piece in draft.pieces[len(BAG.pieces) :]] == ["board-gusset-seat-tube"]
    with pytest.raises(Refusal, match="no tube"):
        run_stage("stiffener.panel", BAG, pieces=["gusset"], tubes=["seat"])
    with pytest.raises(Refusal, match="no edge"):
        run_stage("stiffener.panel", BAG, reduction={"default": 3, "chain-stay": 3})


def test_a_panel_with_a_zipper_is_stiffened_above_and_below_it() -> None:
    bag = run_stage("zipper.panel", BAG, zipper="zipper-8", parallel_to="top-tube", distance=80, start=40)
    draft = run_stage("stiffener.panel", bag, reduction={"default": 2, "zipper": 9})
    assert check_seams(draft, bag) == 3
    ids = [piece.id for piece in draft.pieces if piece.role == "stiffener"]
    assert ids == ["stiffener-drive-1", "stiffener-drive-2", "stiffener-non-drive"]
    for seam in draft.seams[len(bag.seams) : len(bag.seams) + 2]:
        host, piece = draft.piece(seam.a.piece), draft.piece(seam.b.piece)
        assert host.id in draft.piece("side-panel-drive").parts
        assert host.seam_line.polygon().buffer(1e-6).covers(piece.seam_line.polygon())
        cut = next(edge for edge in host.edges if not edge.of)
        inner = piece.edge(cut.name).path
        assert cut.path.nearest(inner.point_at(0.5 * inner.length))[1] == pytest.approx(9.0)


def test_what_can_not_be_cut_is_said() -> None:
    assert new_codes(run_stage("stiffener.panel", BAG, pieces=["drive"], reduction=300)) == [
        ("error", "stiffener-no-room")
    ]
    draft = run_stage("stiffener.panel", BAG, pieces=["drive"], longest=300)
    assert new_codes(draft) == [("error", "stiffener-too-long")]
    assert new_codes(run_stage("stiffener.panel", BAG, pieces=["drive"])) == []
