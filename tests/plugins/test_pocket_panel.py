"""`pocket.panel`: the back of a pocket lies at the panel's own edges."""

from __future__ import annotations

from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag.pattern import Refusal
from oaktag.pattern.walk import run_path as seam_run
from oaktag.plugin.kit import run_stage

if TYPE_CHECKING:
    from tests.plugins import zippers
else:
    zippers = SimpleNamespace(**run_path(str(Path(__file__).with_name("zippers.py"))))

BAG = zippers.bag()
SETTINGS = settings(deadline=None, derandomize=True, max_examples=20)


@pytest.mark.parametrize("side", ["drive", "non-drive"])
def test_a_whole_back_is_the_panel(side: str) -> None:
    draft = run_stage("pocket.panel", BAG, side=side)
    zippers.check(draft, BAG)
    back, panel = draft.piece(f"pocket-back-{side}"), draft.piece(f"side-panel-{side}")
    assert back.seam_line == panel.seam_line
    assert (back.material, back.role, back.front) == ("liner", "pocket", panel.front)
    (seam,) = draft.seams[len(BAG.seams) :]
    assert (seam.kind, seam.a.piece, seam.b.piece) == ("layer", panel.id, back.id)


@SETTINGS
@given(
    first=st.tuples(st.sampled_from(["top-tube", "seat-tube", "down-tube"]), st.floats(0.1, 0.9)),
    last=st.tuples(st.sampled_from(["top-tube", "seat-tube", "down-tube"]), st.floats(0.1, 0.9)),
    side=st.sampled_from(["drive", "non-drive"]),
    keep=st.sampled_from(["upper", "lower"]),
)
def test_a_back_below_or_above_a_line(
    first: tuple[str, float], last: tuple[str, float], side: str, keep: str
) -> None:
    if first[0] == last[0]:
        return  # along a tube there is nothing to cut off
    ends = [{"tube": tube, "at": at} for tube, at in (first, last)]
    draft = run_stage("pocket.panel", BAG, side=side, keep=keep, line={"from": ends[0], "to": ends[1]})
    zippers.check(draft, BAG)
    panel, back = draft.piece(f"side-panel-{side}"), draft.piece(f"pocket-back-{side}")
    other = run_stage(
        "pocket.panel",
        BAG,
        side=side,
        keep="upper" if keep == "lower" else "lower",
        line={"from": ends[0], "to": ends[1]},
    ).piece(back.id)
    areas = abs(back.seam_line.area) + abs(other.seam_line.area)
    assert areas == pytest.approx(abs(panel.seam_line.area))
    cut = back.edge(back.id).path
    middle = back.seam_line.polygon().centroid
    # Above the line, or below it, where it passes the middle of the pocket.
    slope = (cut.end[1] - cut.start[1]) / (cut.end[0] - cut.start[0])
    assert (middle.y > cut.start[1] + slope * (middle.x - cut.start[0])) is (keep == "upper")
    for seam in draft.seams[len(BAG.seams) :]:
        a, b = seam_run(draft, seam.a), seam_run(draft, seam.b)
        for share in (0.0, 0.3, 0.8, 1.0):
            ax, ay = a.point_at(share * a.length)
            bx, by = b.point_at(share * b.length)
            assert (ax, ay) == pytest.approx((bx, by), abs=1e-6)


def test_a_run_that_passes_the_start_of_the_outline() -> None:
    # Kept round three corners, from one place of the top tube to another of the same edge.
    cut = {"parallel-to": "top-tube", "through": {"tube": "top-tube", "at": 0.6}, "angle": 60}
    draft = run_stage("pocket.panel", BAG, line=cut, keep="lower")
    zippers.check(draft, BAG)


def test_a_pocket_opens_by_the_panels_zipper() -> None:
    line = {"parallel-to": "top-tube", "distance": 20}
    first = zippers.panelled(BAG, side="non-drive", zipper="zipper-3")
    draft = run_stage("pocket.panel", first, line=line)
    zippers.check(draft, BAG)
    assert zippers.codes(draft, first) == set()
    # In the other order the same.
    after = zippers.panelled(run_stage("pocket.panel", BAG, line=line), side="non-drive", zipper="zipper-3")
    zippers.check(after, BAG)
    assert {piece.id for piece in after.pieces} == {piece.id for piece in draft.pieces}


@pytest.mark.parametrize(
    ("line", "found"),
    [
        ({"parallel-to": "top-tube", "distance": 70}, {("error", "pocket-without-opening")}),
        ({"parallel-to": "top-tube", "distance": -3}, {("error", "pocket-off-panel")}),
        (
            {"from": {"tube": "seat-tube", "at": 0.4}, "to": {"tube": "seat-tube", "at": 0.8}},
            {("error", "pocket-off-panel")},
        ),
    ],
)
def test_findings(line: dict[str, Any], found: set[tuple[str, str]]) -> None:
    one = zippers.panelled(BAG, side="non-drive")
    draft = run_stage("pocket.panel", one, line=line)
    assert zippers.codes(draft, one) == found
    zippers.check(draft, BAG)


def test_names_that_there_arent() -> None:
    with pytest.raises(Refusal) as refused:
        run_stage("pocket.panel", BAG, line={"parallel-to": "chain-stay", "distance": 40})
    assert refused.value.key == "line.parallel-to"
