"""`allowance.by-seam`: which allowance counts where, and the cut lines that follow."""

from __future__ import annotations

import math
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag.geometry import Arc, distance
from oaktag.pattern import Draft, Piece

if TYPE_CHECKING:
    from tests.plugins import drafts
else:
    drafts = SimpleNamespace(**run_path(str(Path(__file__).with_name("drafts.py"))))

SETTINGS = settings(deadline=None, derandomize=True, max_examples=40)
PLAIN: Draft = drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5))
TWO_PARTS: Draft = drafts.wrapped(
    drafts.triangle(335.0, 570.0, 51.5),
    joins=[{"tube": "top-tube", "at": 0.5}, {"tube": "down-tube", "at": 0.5}],
)


def allowance(draft: Draft, piece: str, edge: str) -> float:
    return draft.piece(piece).edge(edge).allowance


def away(piece: Piece, edge: str) -> list[float]:
    """How far the middle part of an edge's cut line is from its seam line, mm."""
    (run,) = (run for run in piece.cut_line if run.edge == edge)
    seam = piece.edge(edge).path
    points = [seam.point_at(share * seam.length) for share in (0.3, 0.5, 0.7)]
    return [run.path.nearest(point)[1] for point in points]


def test_one_allowance_for_all_lies_that_far_outside_every_edge() -> None:
    draft = drafts.allowed(PLAIN, 10.0)
    for piece in draft.pieces:
        assert [run.edge for run in piece.cut_line] == [edge.name for edge in piece.edges]
        assert piece.outline.closed
        assert piece.outline.clockwise == piece.seam_line.clockwise
        assert abs(piece.outline.area) > abs(piece.seam_line.area)
        for edge in piece.edges:
            assert edge.allowance == 10.0
            assert away(piece, edge.name) == pytest.approx([10.0] * 3, abs=1e-4)


@given(st.floats(3.0, 20.0), st.floats(10.0, 35.0))
@SETTINGS
def test_a_rounded_panels_cut_line_is_longer_by_two_pi_times_the_allowance(
    margin: float, radius: float
) -> None:
    """Steiner: the parallel of a convex outline is longer by 2 π d; 62.8 mm at 10 mm.

    With rounded corners no mitre is needed, so the cut line is that parallel.
    """
    draft = drafts.allowed(drafts.wrapped(drafts.isosceles(400.0, 50.0), 0.0, radius), margin)
    for panel in ("side-panel-drive", "side-panel-non-drive"):
        piece = draft.piece(panel)
        assert piece.outline.length - piece.seam_line.length == pytest.approx(math.tau * margin, abs=1e-6)
        grown = abs(piece.outline.area) - abs(piece.seam_line.area)
        assert grown == pytest.approx(piece.seam_line.length * margin + math.pi * margin**2, abs=1e-3)
    if margin == 10.0:
        assert math.tau * margin == pytest.approx(62.8, abs=0.05)


def test_the_cut_line_of_the_base_case_is_62_8_mm_longer() -> None:
    panel = drafts.allowed(PLAIN).piece("side-panel-drive")
    assert panel.outline.length - panel.seam_line.length == pytest.approx(62.8, abs=0.05)


def test_arcs_stay_arcs_about_the_same_centre() -> None:
    panel = drafts.allowed(PLAIN, 7.0).piece("side-panel-drive")
    for edge, run in zip(panel.edges, panel.cut_line, strict=True):
        if edge.is_corner:
            (inner,), (outer,) = edge.path.segments, run.path.segments
            assert isinstance(inner, Arc)
            assert isinstance(outer, Arc)
            assert distance(inner.center, outer.center) < 1e-9
            assert outer.radius == pytest.approx(inner.radius + 7.0)


# Which of several names counts.


@pytest.mark.parametrize(
    ("table", "expected"),
    [
        ({"default": 10.0}, 10.0),
        ({"default": 10.0, "drive": 8.0}, 8.0),
        ({"default": 10.0, "drive": 8.0, "top-tube": 7.0}, 7.0),
        ({"default": 10.0, "drive": 8.0, "top-tube": 7.0, "side-panel-drive.top-tube": 6.0}, 6.0),
        ({"side-panel-drive.top-tube": 6.0, "top-tube": 7.0, "drive": 8.0, "default": 10.0}, 6.0),
        ({"default": 10.0, "side-panel-non-drive.top-tube": 6.0}, 10.0),
        ({"default": 10.0, "non-drive": 8.0}, 10.0),
        ({"default": 10.0, "drive": 0.0}, 0.0),
    ],
)
def test_the_narrower_name_wins(table: dict[str, float], expected: float) -> None:
    assert allowance(drafts.allowed(PLAIN, table), "side-panel-drive", "top-tube") == expected


def test_a_seams_name_stands_for_both_its_sides_and_an_edges_for_every_piece() -> None:
    draft = drafts.allowed(PLAIN, {"default": 10.0, "drive": 8.0, "join": 12.0, "seat-tube": 6.0})
    assert allowance(draft, "gusset", "drive-side") == 8.0
    assert allowance(draft, "side-panel-drive", "corner:head") == 8.0
    assert allowance(draft, "gusset", "non-drive-side") == 10.0
    assert allowance(draft, "gusset", "start") == allowance(draft, "gusset", "end") == 12.0
    assert allowance(draft, "side-panel-drive", "seat-tube") == 6.0
    assert allowance(draft, "side-panel-non-drive", "seat-tube") == 6.0


def test_without_a_default_every_edge_needs_a_name() -> None:
    everything = {"drive": 8.0, "non-drive": 9.0, "join": 12.0}
    assert allowance(drafts.allowed(PLAIN, everything), "side-panel-non-drive", "top-tube") == 9.0
    said = drafts.refusal(lambda: drafts.allowed(PLAIN, {"drive": 8.0, "join": 12.0}), "allowance")
    assert "side-panel-non-drive, top-tube" in said.reason


def test_seams_that_share_an_edge_have_to_agree_about_it() -> None:
    apart = {"default": 10.0, "drive-1": 8.0, "drive-2": 9.0}
    said = drafts.refusal(lambda: drafts.allowed(TWO_PARTS, apart), "allowance.drive-1")
    assert "drive-1 8 mm" in said.found
    assert "drive-2 9 mm" in said.found
    assert "side-panel-drive." in said.todo
    # Named by its edge there is no question.
    named = {**apart, "side-panel-drive.top-tube": 8.5, "side-panel-drive.down-tube": 8.5}
    draft = drafts.allowed(TWO_PARTS, named)
    assert allowance(draft, "side-panel-drive", "top-tube") == 8.5
    assert allowance(draft, "gusset-1", "drive-side") == 8.0
    same = drafts.allowed(TWO_PARTS, {"default": 10.0, "drive-1": 8.0, "drive-2": 8.0})
    assert allowance(same, "side-panel-drive", "top-tube") == 8.0


@pytest.mark.parametrize(
    ("name", "meant"),
    [("top-tub", "top-tube"), ("drives", "drive"), ("side-panel-drive.top-tub", "side-panel-drive.top-tube")],
)
def test_a_name_that_is_nothing_is_refused_with_the_nearest(name: str, meant: str) -> None:
    said = drafts.refusal(lambda: drafts.allowed(PLAIN, {"default": 10.0, name: 5.0}), f"allowance.{name}")
    assert meant in said.todo


# Corners of the cut line.


def test_where_neighbours_differ_and_run_on_straight_there_is_a_step_square_to_the_seam() -> None:
    draft = drafts.allowed(PLAIN, {"default": 10.0, "side-panel-drive.top-tube": 16.0})
    panel = draft.piece("side-panel-drive")
    assert away(panel, "top-tube") == pytest.approx([16.0] * 3, abs=1e-6)
    assert away(panel, "corner:head") == pytest.approx([10.0] * 3, abs=1e-6)
    runs = {run.edge: run.path for run in panel.cut_line}
    # The step belongs to the earlier edge: from 16 to 10 mm at the tangent point, in line with the normal.
    joint = panel.edge("corner:head").path.start
    assert distance(runs["corner:head"].start, joint) == pytest.approx(10.0)
    step = runs["top-tube"].segments[-1]
    assert step.length == pytest.approx(6.0)
    assert distance(step.start, joint) == pytest.approx(16.0)
    assert panel.outline.length - panel.seam_line.length > math.tau * 10.0 + 11.9


def test_an_edge_without_an_allowance_is_cut_on_its_seam_line() -> None:
    draft = drafts.allowed(PLAIN, {"default": 10.0, "join": 0.0})
    gusset = draft.piece("gusset")
    assert away(gusset, "end") == pytest.approx([0.0] * 3, abs=1e-9)
    assert gusset.outline.bounds.width == pytest.approx(gusset.seam_line.bounds.width, abs=1e-6)


@pytest.mark.parametrize(("limit", "reach"), [(1.0, 10.0), (2.0, 20.0), (3.0, 30.0), (10.0, 32.39)])
def test_a_sharp_corner_reaches_no_further_than_the_limit(limit: float, reach: float) -> None:
    # At 35.95° a mitre reaches 10 / sin(17.975°) = 32.4 mm from the corner.
    draft = drafts.wrapped(
        drafts.isosceles(400.0, 35.95, 46.0), 0.0, {"default": 20.0, "bottom-bracket": 0.0}
    )
    panel = drafts.allowed(draft, 10.0, reach_limit=limit).piece("side-panel-drive")
    corner = panel.edge("down-tube").path.end
    runs = {run.edge: run.path for run in panel.cut_line}
    ends = [*runs["down-tube"].segments[-2:], *runs["seat-tube"].segments[:2]]
    farthest = max(
        abs(point[1] - corner[1])
        for segment in ends
        for point in (segment.start, segment.end)
        if distance(point, corner) < 40.0
    )
    assert farthest == pytest.approx(reach, abs=0.02)


def test_a_reach_limit_below_one_is_no_option() -> None:
    with pytest.raises(ValueError, match="reach-limit"):
        drafts.allowed(PLAIN, 10.0, reach_limit=0.9)


HOLLOW = ((0.0, 330.0), (430.0, 360.0), (300.0, 190.0), (360.0, 40.0), (60.0, 0.0))


def hollow(radius: Any) -> Draft:
    widths = [(f"tube-{index}", 0.5, 42.0) for index in range(5)]
    return drafts.wrapped(drafts.polygon(HOLLOW, widths), 0.0, radius)


def test_an_allowance_wider_than_a_hollow_corners_radius_is_drawn_as_wide_as_fits() -> None:
    radius = {"default": 20.0, "corner-2": 9.0}
    draft = drafts.allowed(hollow(radius), 10.0)
    found = [finding for finding in draft.findings if finding.where == "side-panel-drive"]
    assert [(finding.level, finding.code) for finding in found] == [("error", "allowance-over-radius")]
    message = found[0].message
    assert "corner:corner-2 with 10 mm" in message
    assert "At most 8.9 mm fit" in message
    panel = draft.piece("side-panel-drive")
    assert panel.outline.is_simple()
    less = ("tube-1", "corner:corner-2", "tube-2")
    for edge in panel.edges:
        assert edge.allowance == (pytest.approx(8.9) if edge.name in less else 10.0)
        assert (f'"side-panel-drive.{edge.name}" = 8.9' in message) == (edge.name in less)
    assert away(panel, "corner:corner-2") == pytest.approx([8.9] * 3, abs=1e-6)
    # What it says to write helps.
    table = {"default": 10.0} | {
        f"{side}.{name}": 8.9 for side in ("side-panel-drive", "side-panel-non-drive") for name in less
    }
    helped = drafts.allowed(hollow(radius), table)
    assert drafts.codes(helped, "error") == []
    assert helped.piece("side-panel-drive").cut_line == panel.cut_line


@given(st.floats(3.0, 19.0), st.floats(3.0, 25.0))
@settings(SETTINGS, max_examples=12)
def test_what_fits_in_a_hollow_corner_is_just_below_its_radius(radius: float, margin: float) -> None:
    draft = drafts.allowed(hollow({"default": 20.0, "corner-2": radius}), margin)
    panel = draft.piece("side-panel-drive")
    drawn = panel.edge("corner:corner-2").allowance
    if margin < radius - 0.01:
        assert drafts.codes(draft, "error") == []
        assert drawn == margin
    elif margin > radius + 0.01:
        assert drafts.codes(draft, "error").count("allowance-over-radius") == 2
        assert radius - 0.25 <= drawn <= radius
        assert panel.outline.is_simple()


def test_a_hollow_corner_that_is_wide_enough_gets_its_parallel() -> None:
    panel = drafts.allowed(hollow(20.0), 10.0).piece("side-panel-drive")
    (run,) = (run for run in panel.cut_line if run.edge == "corner:corner-2")
    (arc,) = run.path.segments
    assert isinstance(arc, Arc)
    assert arc.radius == pytest.approx(10.0)
    assert panel.outline.length - panel.seam_line.length == pytest.approx(math.tau * 10.0, abs=1e-6)


def test_two_hollow_edges_that_run_into_each_other_get_what_has_room() -> None:
    # A notch 30 mm wide in the side of the opening: allowances of 16 mm would overlap in it.
    points = (
        (0.0, 300.0),
        (185.0, 300.0),
        (185.0, 200.0),
        (215.0, 200.0),
        (215.0, 300.0),
        (400.0, 300.0),
        (400.0, 0.0),
        (0.0, 0.0),
    )
    widths = [("tube-0", 0.5, 42.0)]
    draft = drafts.wrapped(drafts.polygon(points, widths), joins=[{"tube": "tube-6", "at": 0.5}], radius=0.0)
    narrow = drafts.allowed(draft, 16.0)
    assert drafts.codes(narrow, "error") == ["allowance-overlap"] * 2
    panel = narrow.piece("side-panel-drive")
    assert panel.outline.is_simple()
    assert min(edge.allowance for edge in panel.edges) == pytest.approx(14.9)
    assert all("part " not in finding.message for finding in narrow.findings)
    assert drafts.allowed(draft, 14.0).piece("side-panel-drive").outline.is_simple()
