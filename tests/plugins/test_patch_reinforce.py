"""`patch.reinforce`: second layers where a bag is stressed."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag import Refusal
from oaktag.geometry import Line, Path, distance
from oaktag.pattern import Draft, PlacementLine
from oaktag.pattern.walk import run_path, walk
from oaktag.plugin.kit import example_draft, run_stage
from oaktag.recipe import InputError

BARE = example_draft("measure.reconcile", "outline.clear", "corners.round", "panel.pair")
BAG = run_stage("gusset.wrap", BARE)
ZIPPED = run_stage("zipper.panel", BAG, zipper="zipper-8", parallel_to="top-tube", distance=70)
OUTLINE = BAG.outline_of("")
SETTINGS = settings(deadline=None, derandomize=True, max_examples=15)


def new_codes(draft: Draft, before: Draft = BAG) -> list[tuple[str, str]]:
    return [(f.level, f.code) for f in draft.findings[len(before.findings) :]]


def check_seams(draft: Draft, before: Draft = BAG) -> list[str]:
    """Walk what has come since; both sides of a layer's seam lie upon each other. Return the kinds."""
    fresh = draft.seams[len(before.seams) :]
    for seam in fresh:
        assert abs(walk(draft, seam).difference) < 1e-6, seam.id
        if seam.kind == "layer":
            a, b = run_path(draft, seam.a), run_path(draft, seam.b)
            for share in (0.0, 0.3, 1.0):
                assert distance(a.point_at(share * a.length), b.point_at(share * b.length)) < 1e-6
    return [seam.kind for seam in fresh]


def new_ids(draft: Draft, before: Draft = BAG) -> list[str]:
    return [piece.id for piece in draft.pieces[len(before.pieces) :]]


@SETTINGS
@given(st.floats(15.0, 150.0), st.floats(0.0, 60.0), st.sampled_from(["seat", "head", "bottom-bracket"]))
def test_a_corner_is_patched_in_panels_and_gusset(reach: float, beyond: float, corner: str) -> None:
    draft = run_stage("patch.reinforce", BAG, where=[], corners=[corner], reach=reach, beyond_round=beyond)
    assert new_codes(draft) == []
    assert new_ids(draft) == [f"patch-drive-{corner}", f"patch-non-drive-{corner}", f"patch-gusset-{corner}"]
    assert sorted(check_seams(draft)) == ["applied"] * 4 + ["layer"] * 4
    middle = OUTLINE.edge(f"corner:{corner}").path
    tip = middle.point_at(0.5 * middle.length)
    for side in ("drive", "non-drive"):
        patch, panel = draft.piece(f"patch-{side}-{corner}"), draft.piece(f"side-panel-{side}")
        assert panel.seam_line.polygon().buffer(1e-3).covers(patch.seam_line.polygon())
        assert patch.seam_line.clockwise == panel.seam_line.clockwise
    inner = draft.piece(f"patch-drive-{corner}").edge("inner").path
    assert inner.nearest(tip)[1] == pytest.approx(reach, abs=1e-6)
    strip = draft.piece(f"patch-gusset-{corner}")
    round_ = OUTLINE.edge(f"corner:{corner}").length
    assert strip.edge("non-drive").length == pytest.approx(round_ + 2 * beyond)
    assert strip.edge("drive").length == pytest.approx(round_ + 2 * beyond)


def test_bottom_and_head_are_found() -> None:
    draft = run_stage("patch.reinforce", BAG, where=["bottom", "head"])
    assert {name.rpartition("drive-")[2] for name in new_ids(draft) if "drive" in name} == {
        "bottom-bracket",
        "head",
    }


@SETTINGS
@given(st.floats(12.0, 110.0), st.floats(0.0, 20.0), st.sampled_from(["drive", "non-drive"]))
def test_zipper_ends_are_patched_up_to_the_edge(reach: float, margin: float, side: str) -> None:
    bag = run_stage("zipper.panel", BAG, zipper="zipper-8", parallel_to="top-tube", distance=70, side=side)
    draft = run_stage("patch.reinforce", bag, where=["zipper-ends"], reach=reach, margin=margin)
    assert new_codes(draft, bag) == []
    names = new_ids(draft, bag)
    assert len(names) == 2
    assert sorted(set(check_seams(draft, bag))) == ["applied", "layer"]
    panel = draft.piece(f"side-panel-{side}")
    zipper = next(line for line in panel.placements if line.what == "zipper")
    assert zipper.covers is not None
    for name, end in zip(names, (zipper.path.start, zipper.path.end), strict=True):
        patch = draft.piece(name)
        assert patch.seam_line.nearest(end)[1] < 1e-6
        assert panel.seam_line.polygon().buffer(1e-3).covers(patch.seam_line.polygon())
        box = patch.seam_line.bounds
        # The zipper is level: the patch is as wide as its strip and both margins, as far as it gets so wide.
        wide = zipper.covers.bounds.height + 2 * margin
        assert box.height <= wide + 1e-6
        assert reach < 75.0 or box.height == pytest.approx(wide, abs=1e-6)


def test_a_zipper_that_ends_at_tabs_has_patches_of_their_own() -> None:
    bag = run_stage(
        "zipper.panel", BAG, zipper="zipper-8", parallel_to="top-tube", distance=70, start=60, end=90
    )
    draft = run_stage("patch.reinforce", bag, where=["zipper-ends"], reach=20)
    assert check_seams(draft, bag) == ["applied", "applied"]
    panel = draft.piece("side-panel-drive")
    zipper = next(line for line in panel.placements if line.what == "zipper")
    for name, end in zip(new_ids(draft, bag), (zipper.path.start, zipper.path.end), strict=True):
        assert panel.placement(name).path.bounds.centre == pytest.approx(end)
        assert draft.piece(name).seam_line.bounds.width == pytest.approx(40.0)


def strapped() -> Draft:
    gusset = BAG.piece("gusset")
    box = Path.polyline([(200.0, -10.0), (225.0, -10.0), (225.0, 10.0), (200.0, 10.0)], True)
    line = PlacementLine("strap-1:box", box, "strap", covers=box)
    other = PlacementLine("pull", Path((Line((300.0, 0.0), (310.0, 0.0)),)), "strap")
    return BAG.replaced(gusset.evolve(placements=(line, other)))


def test_straps_are_patched_behind() -> None:
    bag = strapped()
    draft = run_stage("patch.reinforce", bag, where=["straps"], margin=4)
    assert new_ids(draft, bag) == ["patch-strap-1-box"]
    assert check_seams(draft, bag) == ["applied"]
    line = draft.piece("gusset").placement("patch-strap-1-box")
    assert line.face == "inside"
    assert line.path.bounds == pytest.approx((196.0, -14.0, 229.0, 14.0))
    assert "strap" in line.under


def test_patches_at_places_of_their_own() -> None:
    places = [
        {"at": {"tube": "seat-tube", "at": 0.5}, "width": 60, "height": 20},
        {"on": "non-drive", "spot": {"corner": "head", "distance": 100}, "width": 30, "height": 20},
    ]
    draft = run_stage("patch.reinforce", BAG, where=[], places=places, face="outside")
    assert new_ids(draft) == ["patch-1", "patch-2"]
    assert check_seams(draft) == ["applied", "applied"]
    assert new_codes(draft) == []
    assert draft.piece("gusset").placement("patch-1").path.bounds.width == pytest.approx(60.0)
    assert draft.piece("side-panel-non-drive").placement("patch-2").face == "outside"


def test_what_is_wrong_is_said() -> None:
    assert new_codes(run_stage("patch.reinforce", BAG, where=["straps"])) == [("note", "patch-nothing")]
    draft = run_stage("patch.reinforce", BAG, where=[], corners=["seat"], reach=2000)
    assert new_codes(draft) == [("error", "patch-too-large")] * 2
    draft = run_stage("patch.reinforce", BAG, where=[], corners=["head"], beyond_round=320)
    assert ("error", "patch-at-join") in new_codes(draft)
    assert "applied" in check_seams(draft)
    wide = [{"at": {"tube": "seat-tube", "at": 0.5}, "width": 60, "height": 90}]
    draft = run_stage("patch.reinforce", BAG, where=[], places=wide)
    assert new_codes(draft) == [("error", "patch-over-edge")]
    bare = BAG.evolve(seams=())
    draft = run_stage("patch.reinforce", bare, where=["head"], places=wide)
    assert new_codes(draft, bare) == [("note", "patch-no-gusset"), ("error", "patch-no-gusset")]
    far = run_stage("patch.reinforce", ZIPPED, where=["zipper-ends"], reach=900)
    assert new_codes(far, ZIPPED) == [("error", "patch-too-large")] * 2


def test_names_and_places_that_are_not_there_are_refused() -> None:
    with pytest.raises(Refusal, match="no round"):
        run_stage("patch.reinforce", BAG, where=[], corners=["crank"])
    for place in (
        {"width": 20, "height": 20},
        {"on": "drive", "at": {"tube": "top-tube", "at": 0.5}, "width": 20, "height": 20},
    ):
        with pytest.raises(InputError, match="no place"):
            run_stage("patch.reinforce", BAG, places=[place])
