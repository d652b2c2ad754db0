"""`zipper.garage`: it covers the slider at rest and sews to the panel exactly."""

from __future__ import annotations

from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag.geometry import Path as Outline
from oaktag.pattern import Draft, Refusal
from oaktag.plugin.kit import run_stage

if TYPE_CHECKING:
    from tests.plugins import zippers
else:
    zippers = SimpleNamespace(**run_path(str(Path(__file__).with_name("zippers.py"))))

BAG = zippers.bag()
SETTINGS = settings(deadline=None, derandomize=True, max_examples=15)


def covers(draft: Draft, host: str, garage: str) -> Outline:
    """What a garage covers on its host."""
    lines = [line for line in draft.piece(host).placements if line.name.split(":")[0] == garage]
    (found,) = (line.covers for line in lines if line.covers is not None)
    return found


@SETTINGS
@given(
    at=st.floats(45.0, 150.0),
    side=st.sampled_from(["drive", "non-drive"]),
    tab=st.one_of(st.just(0.0), st.floats(40.0, 80.0)),
    beside=st.floats(5.0, 12.0),
)
def test_garages_sew_on_exactly(at: float, side: str, tab: float, beside: float) -> None:
    line = {"parallel-to": "top-tube", "distance": at}
    one = zippers.panelled(BAG, side=side, sliders=2, start=tab, end=tab, **line)
    draft = run_stage("zipper.garage", one, at="both", beside=beside)
    zippers.check(draft, BAG)
    host = f"side-panel-{side}"
    outline = draft.piece(host).seam_line
    sliders = draft.piece(f"zipper-{side}").fittings
    for end, slider in zip(("start", "end"), sliders, strict=True):
        name = f"zipper-{side}-garage-{end}"
        if name not in {piece.id for piece in draft.pieces}:
            assert ("error", "garage-no-room") in zippers.codes(draft, one)
            continue
        covered = covers(draft, host, name)
        assert covered.contains(slider.point)
        assert all(outline.contains(point) for point in covered.flatten(0.1))
        piece = draft.piece(name)
        assert (piece.role, [edge.finish for edge in piece.edges].count("hem")) == ("garage", 1)
        # Where the zipper runs into the panel's seam the garage does too.
        layers = [seam for seam in draft.seams if seam.kind == "layer" and seam.b.piece == name]
        assert bool(layers) is (tab == 0.0)


def test_a_garage_between_tabs_is_a_rectangle() -> None:
    one = zippers.panelled(BAG, start=60, end=60)
    draft = run_stage("zipper.garage", one, length=40, over_end=15, beside=7)
    piece = draft.piece("zipper-drive-garage-end")
    assert piece.edge("lower").length == pytest.approx(55.0)
    assert piece.edge("left").length == pytest.approx(18.0 + 14.0)
    seam = next(seam for seam in draft.seams if seam.b.piece == piece.id)
    assert seam.b.edges == ("lower", "right", "upper")
    assert seam.kind == "applied"
    # The mouth, which isn't sewn down, is on the side of the opening's middle.
    both = run_stage("zipper.garage", one, length=40, at="both").piece("side-panel-drive")
    opening = both.placement("zipper-drive:visible").path
    for end, x in (("start", opening.start[0] + 40.0), ("end", opening.end[0] - 40.0)):
        line = both.placement(f"zipper-drive-garage-{end}").path
        assert (line.start[0], line.end[0]) == pytest.approx((x, x))


@SETTINGS
@given(gap=st.floats(0.0, 12.0), end=st.floats(36.0, 45.0), at=st.floats(60.0, 120.0))
def test_the_gap_is_kept_to_a_slanting_edge(gap: float, end: float, at: float) -> None:
    one = zippers.panelled(BAG, end=end, zipper="zipper-3", **{"parallel-to": "top-tube", "distance": at})
    draft = run_stage("zipper.garage", one, end_gap=gap, over_end=30)
    if draft.pieces == one.pieces:
        return
    outline = draft.piece("side-panel-drive").seam_line.polygon()
    covered = covers(draft, "side-panel-drive", "zipper-drive-garage-end").polygon()
    assert outline.exterior.distance(covered) >= gap - 1e-6


def test_garages_on_the_gusset() -> None:
    one = zippers.gusseted(BAG)
    draft = run_stage("zipper.garage", one, at="both", beside=6)
    zippers.check(draft, BAG)
    for end in ("start", "end"):
        assert covers(draft, "gusset", f"zipper-gusset-garage-{end}").bounds.height == pytest.approx(26.0)


@pytest.mark.parametrize(
    ("options", "found"),
    [
        ({}, set()),
        ({"length": 210, "at": "both"}, {("error", "garage-too-long")}),
        ({"length": 12}, {("error", "garage-no-room")}),
        ({"beside": 90}, {("error", "garage-no-room")}),
    ],
)
def test_findings(options: dict[str, Any], found: set[tuple[str, str]]) -> None:
    one = zippers.panelled(BAG)
    draft = run_stage("zipper.garage", one, **options)
    assert zippers.codes(draft, one) == found
    zippers.check(draft, BAG)


def test_a_garage_wider_than_the_gusset_has_no_room() -> None:
    one = zippers.gusseted(BAG)
    draft = run_stage("zipper.garage", one, beside=20)
    assert zippers.codes(draft, one) == {("error", "garage-no-room")}
    assert draft.pieces == one.pieces


def test_names_that_there_arent() -> None:
    with pytest.raises(Refusal) as refused:
        run_stage("zipper.garage", zippers.panelled(BAG), zipper="main")
    assert refused.value.key == "zipper"
