"""`port.hose`: openings for hoses and cables."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag.pattern import Draft
from oaktag.pattern.walk import walk
from oaktag.plugin.kit import example_draft, run_stage
from oaktag.recipe import InputError
from oaktag_plugins.drafting.bag import gusset_spot

BAG = example_draft("measure.reconcile", "outline.clear", "corners.round", "panel.pair", "gusset.wrap")
OUTLINE = BAG.outline_of("")
SETTINGS = settings(deadline=None, derandomize=True, max_examples=15)
SMALL = {"length": 12, "width": 2, "facing_margin": 6, "flap_margin": 3}


def new_codes(draft: Draft, before: Draft = BAG) -> list[tuple[str, str]]:
    return [(f.level, f.code) for f in draft.findings[len(before.findings) :]]


def check_seams(draft: Draft, before: Draft = BAG) -> int:
    fresh = draft.seams[len(before.seams) :]
    for seam in fresh:
        assert abs(walk(draft, seam).difference) < 1e-6, seam.id
    return len(fresh)


@SETTINGS
@given(
    st.floats(6.0, 40.0), st.floats(1.0, 6.0), st.floats(4.0, 15.0), st.floats(0.0, 10.0),
    st.sampled_from(["gusset", "drive", "non-drive"]), st.sampled_from(["along", "across"]),
)  # fmt: skip
def test_facing_and_flap_are_sewn_true(
    length: float, width: float, facing: float, flap: float, on: str, direction: str
) -> None:
    draft = run_stage(
        "port.hose", BAG, on=on, length=length, width=width, facing_margin=facing, flap_margin=flap,
        direction=direction,
    )  # fmt: skip
    assert check_seams(draft) == 2
    host = draft.piece("gusset" if on == "gusset" else f"side-panel-{on}")
    (hole,) = host.holes
    slit = math.pi * width**2 / 4 + (length - width) * width
    assert abs(hole.path.area) == pytest.approx(slit)
    piece = draft.piece("port-facing")
    assert abs(piece.holes[0].path.area) == pytest.approx(slit)
    covers = host.placement("port-facing").covers
    assert covers is not None
    assert covers.polygon().contains(hole.path.polygon())
    assert covers.polygon().exterior.distance(hole.path.polygon()) == pytest.approx(facing, abs=1e-6)
    # Along the strip, or a panel's lower edge, the slit is long.
    box = hole.path.bounds
    assert (box.width > box.height) == (direction == "along")
    assert {e.name for e in draft.piece("port-flap").edges if e.finish == "hem"} == {"lower", "left", "right"}


@pytest.mark.parametrize(("tube", "at"), [("top-tube", 0.5), ("down-tube", 0.3), ("seat-tube", 0.5)])
def test_in_the_gusset_the_flap_is_sewn_at_its_upper_end(tube: str, at: float) -> None:
    draft = run_stage("port.hose", BAG, at={"tube": tube, "at": at}, **SMALL)
    assert new_codes(draft) == []
    hole = draft.piece("gusset").holes[0].path.bounds.centre
    hinge = draft.piece("gusset").placement("port-flap").path
    assert hinge.start[0] == pytest.approx(hinge.end[0])
    ahead = hinge.start[0] - hole[0]
    run = OUTLINE.edge(tube).path
    rise = (run.end[1] - run.start[1]) * ahead
    forward = (run.end[0] - run.start[0]) * ahead
    assert rise > 1.0 or (abs(rise) < 1e-6 and forward > 0.0)


def test_left_to_itself_it_is_at_the_head() -> None:
    draft = run_stage("port.hose", BAG, **SMALL)
    start = sum(edge.length for edge in OUTLINE.edges[:1])
    assert OUTLINE.edges[1].name == "corner:head"
    spot = gusset_spot(draft, OUTLINE, start - 40.0)
    assert draft.piece("gusset").holes[0].path.bounds.centre == pytest.approx((spot.x, 0.0))


def test_a_lined_bag_has_one_in_both_skins() -> None:
    lined = run_stage("liner.full", BAG, thickness=3)
    draft = run_stage("port.hose", lined, name="inner", layer="liner", **SMALL)
    assert new_codes(draft, lined) == []
    assert check_seams(draft, lined) == 2
    assert [piece.id for piece in draft.pieces if piece.holes] == ["liner-gusset", "inner-facing"]
    outer, inner = (
        run_stage("port.hose", lined, on="drive", name="p", layer=layer, **SMALL)
        for layer in ("shell", "liner")
    )
    hole = outer.piece("side-panel-drive").holes[0]
    assert inner.piece("liner-drive").holes[0].path.bounds == pytest.approx(hole.path.bounds)


def test_a_round_hole_without_flap() -> None:
    draft = run_stage(
        "port.hose", BAG, on="drive", length=16, width=16, flap=False, facing_face="outside",
        spot={"corner": "head", "distance": 90},
    )  # fmt: skip
    assert check_seams(draft) == 1
    assert abs(draft.piece("side-panel-drive").holes[0].path.area) == pytest.approx(math.pi * 64)
    assert draft.piece("side-panel-drive").placement("port-facing").face == "outside"


def test_what_is_wrong_is_said() -> None:
    assert new_codes(run_stage("port.hose", BAG, length=60)) == [("error", "port-over-edge")] * 2
    at_corner = run_stage("port.hose", BAG, at={"tube": "top-tube", "at": 1.0}, **SMALL)
    assert new_codes(at_corner) == [("warning", "port-on-corner")]
    near = run_stage("port.hose", BAG, corner_margin=60, **SMALL)
    assert new_codes(near) == [("warning", "port-near-corner")]
    bare = BAG.evolve(seams=())
    assert new_codes(run_stage("port.hose", bare), bare) == [("error", "port-no-gusset")]


def test_the_margin_that_fits_is_told() -> None:
    draft = run_stage("port.hose", BAG, facing_margin=30, flap=False, length=10)
    assert new_codes(draft) == [("error", "port-over-edge")]
    most = float(draft.findings[-1].message.split("opening; ")[1].split(" mm fit")[0])
    assert new_codes(run_stage("port.hose", BAG, facing_margin=most - 0.1, flap=False, length=10)) == []
    more = run_stage("port.hose", BAG, facing_margin=most + 0.2, flap=False, length=10)
    assert new_codes(more) == [("error", "port-over-edge")]


def test_options_that_contradict_are_refused() -> None:
    for options in (
        {"length": 5, "width": 6},
        {"spot": {"corner": "head"}},
        {"on": "drive", "at": {"tube": "top-tube", "at": 0.5}},
    ):
        with pytest.raises(InputError):
            run_stage("port.hose", BAG, **options)
