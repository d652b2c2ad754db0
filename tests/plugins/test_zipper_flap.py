"""`zipper.flap`: it covers the zipper and sews to the panel exactly."""

from __future__ import annotations

from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag.pattern import Draft, Refusal
from oaktag.plugin.kit import run_stage

if TYPE_CHECKING:
    from tests.plugins import zippers
else:
    zippers = SimpleNamespace(**run_path(str(Path(__file__).with_name("zippers.py"))))

BAG = zippers.bag()
SETTINGS = settings(deadline=None, derandomize=True, max_examples=12)


def covered(draft: Draft, zipper: str, host: str) -> float:
    """Share of the zipper's strip that lies under the flap."""
    piece = draft.piece(host)
    flap, strip = piece.placement(f"{zipper}-flap").covers, piece.placement(f"{zipper}:visible").covers
    assert flap is not None
    assert strip is not None
    seen = strip.polygon()
    return float(flap.polygon().intersection(seen).area / seen.area)


@SETTINGS
@given(
    at=st.floats(45.0, 150.0),
    side=st.sampled_from(["drive", "non-drive"]),
    ends=st.sampled_from(["hem", "seam"]),
    height=st.floats(25.0, 45.0),
    angle=st.floats(-15.0, 15.0),
)
def test_flaps_sew_on_exactly(at: float, side: str, ends: str, height: float, angle: float) -> None:
    through = {"tube": "seat-tube", "distance": at, "from": "seat"}
    with_zipper = run_stage(
        "zipper.panel", BAG, parallel_to="top-tube", through=through, angle=angle, side=side
    )
    draft = run_stage("zipper.flap", with_zipper, ends=ends, height=height)
    zippers.check(draft, BAG)
    if any(code == "flap-no-room" for _, code in zippers.codes(draft, with_zipper)):
        assert draft.pieces == with_zipper.pieces
        return
    host, flap = f"side-panel-{side}", draft.piece(f"zipper-{side}-flap")
    assert flap.role == "flap"
    outline = draft.piece(host).seam_line
    covers = draft.piece(host).placement(flap.id).covers
    assert covers is not None
    assert all(outline.contains(point) for point in covers.flatten(0.1))
    # It is sewn above the zipper and hangs down over it.
    line = draft.piece(host).placement(flap.id).path
    upper = draft.piece(f"zipper-{side}").placement("upper").path
    assert min(line.start[1], line.end[1]) > min(upper.start[1], upper.end[1])
    if ends == "seam" and height > 21.0:
        assert covered(draft, f"zipper-{side}", host) == pytest.approx(1.0, abs=1e-4)


def test_the_hemmed_flap_goes_past_the_ends_of_the_opening() -> None:
    one = zippers.panelled(BAG, start=60, end=60)
    draft = run_stage("zipper.flap", one, over_end=12)
    flap = draft.piece("zipper-drive-flap")
    opening = draft.piece("side-panel-drive").placement("zipper-drive:visible").path.length
    assert flap.edge("upper").length == pytest.approx(opening + 24.0)
    assert flap.edge("left").length == pytest.approx(30.0)
    assert [edge.finish for edge in flap.edges] == ["hem", "hem", "", "hem"]
    assert covered(draft, "zipper-drive", "side-panel-drive") == pytest.approx(1.0)


def test_a_flap_goes_as_far_as_its_zipper() -> None:
    for options, hems in (({}, 1), ({"start": 40}, 3)):
        one = zippers.panelled(BAG, **options)
        draft = run_stage("zipper.flap", one)
        flap = draft.piece("zipper-drive-flap")
        assert [edge.finish for edge in flap.edges].count("hem") == hems
        layers = [seam for seam in draft.seams if seam.kind == "layer"]
        assert len(layers) == (0 if options else 2)
        assert run_stage("zipper.flap", one, ends="hem" if options else "seam").pieces == draft.pieces


def test_a_flap_along_the_gusset() -> None:
    one = zippers.gusseted(BAG)
    for side, sign in (("non-drive", 1.0), ("drive", -1.0)):
        draft = run_stage("zipper.flap", one, sewn_to=side, height=20)
        zippers.check(draft, BAG)
        assert covered(draft, "zipper-gusset", "gusset") == pytest.approx(1.0)
        line = draft.piece("gusset").placement("zipper-gusset-flap").path
        assert line.start[1] == pytest.approx(sign * 10.0)
    assert run_stage("zipper.flap", one, height=20).piece("gusset") == run_stage(
        "zipper.flap", one, height=20, sewn_to="non-drive"
    ).piece("gusset")


@pytest.mark.parametrize(
    ("options", "found"),
    [
        ({}, set()),
        ({"height": 20}, {("warning", "flap-too-low")}),
        ({"height": 21}, set()),
        ({"inset": 70, "ends": "hem"}, {("error", "flap-no-room"), ("warning", "flap-too-low")}),
        ({"end_gap": 200, "ends": "hem"}, {("error", "flap-no-room")}),
        ({"inset": 70, "ends": "seam", "height": 90}, {("error", "flap-no-room")}),
    ],
)
def test_findings(options: dict[str, Any], found: set[tuple[str, str]]) -> None:
    one = zippers.panelled(BAG)
    draft = run_stage("zipper.flap", one, **options)
    assert zippers.codes(draft, one) == found
    zippers.check(draft, BAG)


@pytest.mark.parametrize(
    ("options", "key"),
    [({"zipper": "main"}, "zipper"), ({"sewn_to": "front"}, "sewn-to")],
)
def test_names_that_there_arent(options: dict[str, Any], key: str) -> None:
    with pytest.raises(Refusal) as refused:
        run_stage("zipper.flap", zippers.panelled(BAG), **options)
    assert refused.value.key == key


def test_which_zipper_has_to_be_said_where_there_are_two() -> None:
    two = zippers.panelled(zippers.panelled(BAG), side="non-drive")
    with pytest.raises(Refusal, match="doesn't say which zipper"):
        run_stage("zipper.flap", two)
    draft = run_stage("zipper.flap", two, zipper="zipper-non-drive")
    assert draft.piece("side-panel-non-drive").placement("zipper-non-drive-flap")
    with pytest.raises(Refusal, match="no seam at its ends"):
        run_stage("zipper.flap", zippers.gusseted(BAG), ends="seam")
