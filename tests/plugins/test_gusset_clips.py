"""`gusset.clips`: enough clips, where the allowance has to open, short of the stitching."""

from __future__ import annotations

from dataclasses import replace
from math import degrees, pi
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag.geometry import Arc, Line
from oaktag.pattern import Draft, Mark, Obstacle, Outline, Place
from oaktag.pattern.walk import run_of
from oaktag.plugin.kit import example_draft, run_stage
from oaktag_plugins.gusset_clips import clip_count, rounds_of

if TYPE_CHECKING:
    from tests.plugins import drafts
else:
    drafts = SimpleNamespace(**run_path(str(Path(__file__).with_name("drafts.py"))))

SETTINGS = settings(deadline=None, derandomize=True, max_examples=8)


def outline_of(draft: Draft) -> Outline:
    assert draft.outline is not None
    return draft.outline


def bag(radius: Any = 25.0, allowance: Any = 10.0, **wrap: Any) -> Draft:
    return drafts.allowed(drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5), 4.0, radius, **wrap), allowance)


def clipped(draft: Draft, **options: Any) -> tuple[Draft, dict[str, list[Mark]]]:
    """The draft after the stage, and the marks that are new, by piece."""
    after = run_stage("gusset.clips", draft, **options)
    new = {
        piece.id: list(piece.marks[len(draft.piece(piece.id).marks) :])
        for piece in after.pieces
        if piece.marks != draft.piece(piece.id).marks
    }
    return after, new


def told(before: Draft, after: Draft) -> list[tuple[str, str]]:
    return [(found.level, found.code) for found in after.findings[len(before.findings) :]]


@given(
    radius=st.floats(22.0, 60.0),
    allowance=st.floats(5.0, 14.0),
    opening=st.floats(1.0, 4.0),
    tubes=st.lists(st.sampled_from(drafts.TUBES), unique=True, max_size=3),
)
@SETTINGS
def test_both_edges_of_the_gusset_open_by_the_allowance_times_the_angle(
    radius: float, allowance: float, opening: float, tubes: list[str]
) -> None:
    draft = bag(radius, allowance, joins=[{"tube": tube, "at": 0.5} for tube in tubes])
    after, new = clipped(draft, opening=opening)
    assert all(piece.startswith("gusset") for piece in new)
    for side in ("drive", "non-drive"):
        # Every clip's foot, walked along the panel's seam line.
        places: list[float] = []
        for seam in draft.seams:
            if seam.a.piece != f"side-panel-{side}":
                continue
            strip, panel = draft.piece(seam.b.piece), draft.piece(seam.a.piece)
            run, along_panel = run_of(strip, seam.b), run_of(panel, seam.a)
            for mark in new.get(strip.id, []):
                (line,) = mark.path.segments
                assert isinstance(line, Line)
                assert mark.kind == "line"
                assert line.length == pytest.approx(allowance - 3.0, abs=1e-6)
                s, off = run.nearest(line.start)
                if off > 3.0 + 1e-6:
                    continue  # it belongs to the other edge
                assert off == pytest.approx(3.0, abs=1e-6)
                # Square to the seam, and ending on the cut line.
                tangent = run.tangent_at(s)
                dx, dy = line.direction
                assert tangent[0] * dx + tangent[1] * dy == pytest.approx(0.0, abs=1e-5)
                assert strip.outline.nearest(line.end)[1] == pytest.approx(0.0, abs=1e-6)
                assert not strip.seam_line.contains(line.start)
                place = along_panel.point_at(s)
                edge = min(panel.edges, key=lambda edge: edge.path.nearest(place)[1])
                assert edge.is_corner
                places.append(edge.path.nearest(place)[0])
        rounds = [edge for edge in draft.piece(f"side-panel-{side}").edges if edge.is_corner]
        expected = 0
        for edge in rounds:
            (arc,) = edge.path.segments
            assert isinstance(arc, Arc)
            count = clip_count(allowance * abs(arc.sweep), opening, sharp=False)
            # As near to one clip for every opening as an even number comes.
            assert abs(count - allowance * abs(arc.sweep) / opening) <= 1.0 or count == 2
            wanted = [(k + 0.5) * edge.length / count for k in range(count)]
            here = sorted(s for s in places if any(abs(s - at) < 1e-4 for at in wanted))
            assert len(here) >= count
            expected += count
        assert len(places) == expected
    assert [code for level, code in told(draft, after) if level == "note"] == ["clips"] * 3


def test_the_note_says_how_many_and_by_how_much_it_opens() -> None:
    draft = bag()
    after, new = clipped(draft)
    outline = outline_of(draft)
    total = 0
    for finding in after.findings[len(draft.findings) :]:
        (arc,) = outline.edge(finding.where).path.segments
        assert isinstance(arc, Arc)
        count = clip_count(10.0 * abs(arc.sweep), 1.5, sharp=False)
        assert (
            f"open by {10.0 * abs(arc.sweep):.1f} mm round {degrees(abs(arc.sweep)):.0f}°" in finding.message
        )
        assert f"Clips: {count} at gusset drive-side" in finding.message
        assert f"{arc.length / count:.1f} mm apart" in finding.message
        total += 2 * count
    assert total == len(new["gusset"])
    # All three rounds together open by 2π times the allowance.
    assert total == pytest.approx(2 * 2.0 * pi * 10.0 / 1.5, abs=6)


def test_the_middle_of_a_round_stays_free_for_its_notch() -> None:
    draft = drafts.notched(bag())
    _, new = clipped(draft)
    gusset = draft.piece("gusset")
    upper = gusset.edge("non-drive-side").path
    for notch in gusset.notches:
        if notch.edge == "non-drive-side":
            point = upper.point_at(notch.at)
            for mark in new["gusset"]:
                x, y = mark.path.start
                assert ((x - point[0]) ** 2 + (y - point[1]) ** 2) ** 0.5 > 3.2


def test_a_join_in_a_round_shares_its_clips_out() -> None:
    joins = [{"tube": "top-tube", "at": 1.0}]
    draft = drafts.allowed(drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5), 4.0, 40.0, joins=joins))
    after, new = clipped(draft)
    (head,) = (found for found in after.findings if found.code == "clips" and found.where == "corner:head")
    (whole,) = (
        found
        for found in clipped(bag(40.0))[0].findings
        if found.code == "clips" and found.where == "corner:head"
    )
    assert head.message.count(" at gusset ") == 4
    assert whole.message.count(" at gusset ") == 2
    assert len(new["gusset"]) == pytest.approx(len(clipped(bag(40.0))[1]["gusset"]), abs=4)


# Hollow corners.


def notched_panel(*joins: float) -> Draft:
    """A bag whose panels leave out an obstacle, with hollow rounds and outer ones."""
    draft = drafts.triangle(335.0, 570.0, 51.5)
    pump = Obstacle("pump", Place("down-tube", fraction=0.5), 60.0, 30.0, 3.0, "notch", "obstacles[0]")
    draft = draft.evolve(frame=replace(draft.frame, obstacles=(pump,)))
    draft = drafts.rounded(draft, 4.0, 25.0)
    draft = run_stage("outline.keep-out", draft, radius=14)
    for stage, options in (
        ("panel.pair", {}),
        ("gusset.wrap", {"joins": [{"tube": "top-tube", "at": at} for at in joins]}),
        ("allowance.by-seam", {}),
    ):
        draft = run_stage(stage, draft, **options)
    return draft


@pytest.mark.parametrize("joins", [(0.5,), (0.4, 0.6)])
def test_hollow_rounds_are_clipped_on_the_panels_once(joins: tuple[float, ...]) -> None:
    draft = notched_panel(*joins)
    after, new = clipped(draft)
    panel = draft.piece("side-panel-drive")
    bends = rounds_of(panel)
    hollow = [bend for bend in bends if bend.angle < 0.0]
    assert len(hollow) == 2
    assert sum(bend.angle for bend in bends) == pytest.approx(2 * pi, abs=1e-6)
    expected = sum(clip_count(10.0 * -bend.angle, 1.5, sharp=False) for bend in hollow)
    for side in ("side-panel-drive", "side-panel-non-drive"):
        piece = draft.piece(side)
        assert len(new[side]) == expected
        for mark in new[side]:
            assert not piece.seam_line.contains(mark.path.start)
            assert piece.seam_line.nearest(mark.path.start)[1] == pytest.approx(3.0, abs=1e-6)
            assert piece.outline.nearest(mark.path.end)[1] == pytest.approx(0.0, abs=1e-6)
    convex = sum(clip_count(10.0 * bend.angle, 1.5, sharp=False) for bend in bends if bend.angle > 0.0)
    assert sum(len(lines) for name, lines in new.items() if name.startswith("gusset")) == 2 * convex
    assert {code for _, code in told(draft, after)} <= {"clips", "clips-close"}


def test_a_sharp_corner_has_one_clip_at_the_corner() -> None:
    widths = [(tube, share, 40.0) for tube in drafts.TUBES for share in (0.0, 1.0)]
    draft = drafts.allowed(drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5, widths), 0.0, 0.0))
    after, new = clipped(draft)
    assert len(new["gusset"]) == 6
    assert [found.where for found in after.findings[len(draft.findings) :]] == [
        "top-tube to down-tube",
        "down-tube to seat-tube",
        "seat-tube to top-tube",
    ]


# What doesn't go.


def test_an_allowance_too_narrow_for_clips_is_said() -> None:
    draft = bag(allowance=3.0)
    after, new = clipped(draft)
    assert new == {}
    assert told(draft, after) == [("warning", "clip-no-room")] * 3
    assert "3 mm of gusset" in after.findings[-1].message
    assert clipped(draft, short=2)[1]["gusset"]


def test_clips_that_come_close_are_warned_of() -> None:
    draft = bag(radius=12.0, slope_limit=0.9)
    after, _ = clipped(draft)
    assert told(draft, after).count(("warning", "clips-close")) == 3
    assert "clips-close" not in [code for _, code in told(draft, clipped(draft, closest=1)[0])]


def two_bodies() -> Draft:
    draft = example_draft("measure.reconcile", "outline.clear")
    draft = run_stage("body.two", draft, parallel_to="top-tube", distance=140)
    for stage in ("corners.round", "panel.pair", "gusset.wrap", "allowance.by-seam"):
        draft = run_stage(stage, draft)
    return draft


def test_of_two_bodies_each_has_its_own_clips() -> None:
    draft = two_bodies()
    after, new = clipped(draft)
    found = after.findings[len(draft.findings) :]
    places = [finding.where for finding in found if finding.code == "clips"]
    assert sum(place.startswith("upper-") for place in places) == 4
    assert sum(place.startswith("lower-") for place in places) == 3
    assert set(new) == {"upper-gusset", "lower-gusset"}
    assert not any("corner:" in finding.message for finding in found)
    assert set(clipped(draft, body="lower")[1]) == {"lower-gusset"}


def test_one_body_can_be_clipped_by_itself() -> None:
    draft = example_draft(
        "measure.reconcile",
        "outline.clear",
        "corners.round",
        "panel.pair",
        "gusset.wrap",
        "allowance.by-seam",
    )
    assert [code for _, code in told(draft, clipped(draft)[0])].count("clips") == 3
    drafts.refusal(lambda: run_stage("gusset.clips", draft, body="upper"), "body")


@pytest.mark.parametrize(("spread", "count"), [(0.1, 2), (3.0, 2), (22.7, 16), (20.9, 14)])
def test_numbers_of_clips_are_even(spread: float, count: int) -> None:
    assert clip_count(spread, 1.5, sharp=False) == count
    assert clip_count(spread, 1.5, sharp=True) == 1
