"""`divider.wall`: walls across the bag."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag import Refusal
from oaktag.geometry import Line, Path, distance
from oaktag.pattern import Draft, Outline, PlacementLine
from oaktag.pattern.walk import walk
from oaktag.plugin.kit import example_draft, run_stage
from oaktag.recipe import InputError
from oaktag_plugins.drafting.bag import gusset_spot

BARE = example_draft("measure.reconcile", "outline.clear", "corners.round", "panel.pair")
BAG = run_stage("gusset.wrap", BARE)
OUTLINE = BAG.outline_of("")
ACROSS = {"from": {"tube": "top-tube", "at": 0.5}, "to": {"tube": "down-tube", "at": 0.3}}
SETTINGS = settings(deadline=None, derandomize=True, max_examples=15)


def new_codes(draft: Draft, before: Draft = BAG) -> list[tuple[str, str]]:
    return [(f.level, f.code) for f in draft.findings[len(before.findings) :]]


def check_seams(draft: Draft, before: Draft = BAG) -> int:
    """Walk what has come since; return how many seams that is."""
    fresh = draft.seams[len(before.seams) :]
    for seam in fresh:
        walked = walk(draft, seam)
        assert abs(walked.difference) < 1e-6, seam.id
        assert walked.length_a > 1.0
    return len(fresh)


@SETTINGS
@given(st.floats(0.2, 0.8), st.floats(0.2, 0.8), st.sampled_from(["down-tube", "seat-tube"]))
def test_a_sewn_wall_is_the_chord_and_the_widths(first: float, second: float, tube: str) -> None:
    line = {"from": {"tube": "top-tube", "at": first}, "to": {"tube": tube, "at": second}}
    draft = run_stage("divider.wall", BAG, line=line)
    assert check_seams(draft) == 4
    wall = draft.piece("divider")
    chord = draft.piece("side-panel-drive").placement("divider").path
    for end in (chord.start, chord.end):
        assert OUTLINE.path.nearest(end)[1] < 1e-6
    length = distance(chord.start, chord.end)
    for edge in ("drive", "non-drive"):
        assert wall.edge(edge).length == pytest.approx(length, abs=1e-9)
    for edge, end in (("start", chord.start), ("end", chord.end)):
        spot = gusset_spot(draft, OUTLINE, OUTLINE.path.nearest(end)[0])
        assert wall.edge(edge).length == pytest.approx(2.0 * spot.half, abs=1e-6)
    # A symmetrical trapezoid has no other area than this.
    w0, w1 = wall.edge("start").length, wall.edge("end").length
    height = math.sqrt(length**2 - (0.5 * (w1 - w0)) ** 2)
    assert abs(wall.seam_line.area) == pytest.approx(0.5 * (w0 + w1) * height, rel=1e-9)
    assert wall.seam_line.clockwise


def test_the_other_panel_has_the_mirror_image() -> None:
    draft = run_stage("divider.wall", BAG, line=ACROSS)
    x = 2.0 * OUTLINE.path.bounds.centre[0]
    here, there = (
        draft.piece(f"side-panel-{side}").placement("divider").path for side in ("drive", "non-drive")
    )
    for a, b in ((here.start, there.start), (here.end, there.end)):
        assert (x - a[0], a[1]) == pytest.approx(b)
    assert all(
        line.face == "inside" and line.what == "divider"
        for piece in draft.pieces
        for line in piece.placements
    )


@SETTINGS
@given(st.floats(0.0, 60.0), st.floats(0.0, 60.0), st.sampled_from(["sewn", "hook-and-loop"]))
def test_a_wall_may_end_before_the_seam_line(start: float, end: float, hold: str) -> None:
    whole = run_stage("divider.wall", BAG, line=ACROSS).piece("divider")
    draft = run_stage("divider.wall", BAG, line=ACROSS, hold=hold, short={"rear": start, "front": end})
    held = 2 + (start == 0.0) + (end == 0.0)
    assert check_seams(draft) == (held if hold == "sewn" else 2 * held)
    wall = draft.piece("divider")
    chord = draft.piece("side-panel-drive").placement("divider").path
    full = whole.edge("drive").length
    assert chord.length == pytest.approx(full - start - end)
    assert wall.edge("drive").length == pytest.approx(chord.length)
    hemmed = {edge.name for edge in wall.edges if edge.finish == "hem"}
    assert hemmed == {name for name, short in (("start", start), ("end", end)) if short > 0.0}
    # The taper stays that of the whole wall.
    w0, w1 = whole.edge("start").length, whole.edge("end").length
    if end > 0.0:
        assert wall.edge("end").length == pytest.approx(w1 + (w0 - w1) * end / full, abs=1e-6)


def test_which_end_is_short_is_said_by_where_it_lies() -> None:
    for tube in ("top-tube", "seat-tube"):
        line = {"parallel-to": tube, "distance": 110}
        whole = run_stage("divider.wall", BAG, line=line).piece("side-panel-drive").placement("divider").path
        for name, axis, sign in (("upper", 1, 1), ("lower", 1, -1), ("front", 0, 1), ("rear", 0, -1)):
            if whole.start[axis] == pytest.approx(whole.end[axis]):
                continue
            draft = run_stage("divider.wall", BAG, line=line, short={name: 40})
            cut = draft.piece("side-panel-drive").placement("divider").path
            moved = [p for p in (cut.start, cut.end) if whole.nearest(p)[0] not in (0.0, whole.length)]
            moved = [p for p in moved if min(distance(p, whole.start), distance(p, whole.end)) > 1.0]
            assert len(moved) == 1
            other = cut.end if moved[0] == cut.start else cut.start
            assert sign * (moved[0][axis] - other[axis]) > 0.0


def test_free_ends_are_hemmed_and_sewn_to_nothing() -> None:
    draft = run_stage("divider.wall", BAG, line=ACROSS, ends="free")
    assert check_seams(draft) == 2
    assert {e.name for e in draft.piece("divider").edges if e.finish == "hem"} == {"start", "end"}


@SETTINGS
@given(st.floats(0.25, 0.75), st.floats(0.25, 0.75), st.floats(10.0, 25.0), st.floats(0.0, 8.0))
def test_a_loose_wall_has_hook_where_the_bag_has_loop(
    first: float, second: float, width: float, inset: float
) -> None:
    line = {"from": {"tube": "top-tube", "at": first}, "to": {"tube": "down-tube", "at": second}}
    draft = run_stage(
        "divider.wall", BAG, line=line, hold="hook-and-loop", tape_width=width, tape_inset=inset
    )
    assert check_seams(draft) == 8
    wall = draft.piece("divider")
    assert wall.seam_line.is_simple()
    assert wall.seam_line.clockwise
    chord = draft.piece("side-panel-drive").placement("divider").path
    for edge in ("drive", "non-drive", "start", "end"):
        hook, loop = draft.piece(f"divider-hook-{edge}"), draft.piece(f"divider-loop-{edge}")
        assert hook.seam_line.bounds == loop.seam_line.bounds
        assert hook.seam_line.bounds.height == pytest.approx(width)
        base = chord.length if "drive" in edge else wall.edge(edge).length
        assert hook.seam_line.bounds.width == pytest.approx(base - 2.0 * inset, abs=1e-6)
        on_wall = wall.placement(hook.id).covers
        assert on_wall is not None
        assert wall.seam_line.polygon().buffer(0.01).covers(on_wall.polygon())
    # Loop lies along the wall's line, on the same hand on both panels and at both ends.
    for side in ("drive", "non-drive"):
        panel = draft.piece(f"side-panel-{side}")
        line_here = panel.placement("divider").path.segments[0]
        assert isinstance(line_here, Line)
        centre = panel.placement(f"divider-loop-{side}").path.bounds.centre
        hand = 1.0 if side == "drive" else -1.0
        (x0, y0), (dx, dy) = line_here.start, line_here.direction
        aside = (centre[0] - x0) * dy - (centre[1] - y0) * dx
        assert aside == pytest.approx(hand * 0.5 * width, abs=1e-6)


def test_loop_strips_on_the_gusset_lie_on_the_same_hand_as_on_the_panels() -> None:
    draft = run_stage("divider.wall", BAG, line=ACROSS, hold="hook-and-loop", tape_width=20)
    chord = draft.piece("side-panel-drive").placement("divider").path.segments[0]
    assert isinstance(chord, Line)
    for edge, end in (("start", chord.start), ("end", chord.end)):
        station = OUTLINE.path.nearest(end)[0]
        spot = gusset_spot(draft, OUTLINE, station)
        centre = spot.piece.placements  # the piece as it was found
        assert centre is not None
        loop = draft.piece(spot.piece.id).placement(f"divider-loop-{edge}").path.bounds.centre
        assert abs(loop[0] - spot.x) == pytest.approx(10.0)
        ahead = OUTLINE.path.point_at(station + (loop[0] - spot.x))
        aside = (ahead[0] - end[0]) * chord.direction[1] - (ahead[1] - end[1]) * chord.direction[0]
        assert aside > 0.0


def test_the_tape_is_as_wide_as_the_table_has_it() -> None:
    draft = run_stage("divider.wall", BAG, line=ACROSS, hold="hook-and-loop", hook="hook-38", loop="loop-38")
    assert draft.piece("divider-hook-drive").seam_line.bounds.height == pytest.approx(38.0)


def test_several_walls_need_several_names() -> None:
    draft = run_stage("divider.wall", BAG, line=ACROSS)
    line = {"parallel-to": "seat-tube", "distance": 60}
    second = run_stage("divider.wall", draft, name="rear-wall", line=line)
    assert check_seams(second, draft) == 4
    with pytest.raises(Refusal):
        run_stage("divider.wall", draft, line=line)


def test_what_is_wrong_with_a_place_is_said() -> None:
    def codes_of(draft: Draft = BAG, **options: Any) -> list[tuple[str, str]]:
        return new_codes(run_stage("divider.wall", draft, **options), draft)

    assert codes_of(line=ACROSS) == []
    outside = {"parallel-to": "top-tube", "distance": 5000}
    assert codes_of(line=outside) == [("error", "divider-outside")]
    on_corner = {"from": {"tube": "top-tube", "at": 1.0}, "to": {"tube": "seat-tube", "at": 0.5}}
    assert codes_of(line=on_corner) == [("warning", "divider-on-corner")]
    assert codes_of(line=ACROSS, corner_margin=400)[0] == ("warning", "divider-near-corner")
    assert codes_of(line=ACROSS, short={"upper": 2000}) == [("error", "divider-too-short")]
    at_join = {"from": {"tube": "top-tube", "at": 0.5}, "to": {"tube": "down-tube", "at": 0.5}}
    assert ("error", "divider-at-join") in codes_of(line=at_join)
    other = {"from": {"tube": "top-tube", "at": 0.3}, "to": {"tube": "down-tube", "at": 0.1}}
    crossing = run_stage("divider.wall", BAG, name="other", line=other)
    through = {"from": {"tube": "seat-tube", "at": 0.5}, "to": {"tube": "top-tube", "at": 0.6}}
    assert codes_of(crossing, line=through) == [("error", "divider-crosses-divider")]
    loose: dict[str, Any] = {"hold": "hook-and-loop"}
    assert ("error", "divider-tape-short") in codes_of(line=ACROSS, tape_inset=30, **loose)
    near_head = {"from": {"tube": "top-tube", "at": 0.85}, "to": {"tube": "down-tube", "at": 0.25}}
    assert ("error", "divider-tape-over-edge") in codes_of(
        line=near_head, tape_width=60, tape_inset=0, ends="free", **loose
    )


def test_a_wall_across_a_zipper_is_an_error() -> None:
    box = OUTLINE.path.bounds
    y = box.max_y - 60.0
    band = Path.polyline([(box.min_x, y), (box.max_x, y), (box.max_x, y + 20), (box.min_x, y + 20)], True)
    panel = BAG.piece("side-panel-drive")
    line = PlacementLine(
        "zipper:visible", Path((Line((box.min_x, y), (box.max_x, y)),)), "zipper", covers=band
    )
    draft = BAG.replaced(panel.evolve(placements=(line,)))
    crossing = run_stage("divider.wall", draft, line=ACROSS)
    assert new_codes(crossing, draft) == [("error", "divider-crosses-zipper")]
    gusset = BAG.piece("gusset")
    box = gusset.seam_line.bounds
    band = Path.polyline([(0.0, -5.0), (box.max_x, -5.0), (box.max_x, 5.0), (0.0, 5.0)], True)
    line = PlacementLine("zipper:visible", Path((Line((0.0, 0.0), (9.0, 0.0)),)), "zipper", covers=band)
    draft = BAG.replaced(gusset.evolve(placements=(line,)))
    crossing = run_stage("divider.wall", draft, line=ACROSS)
    assert new_codes(crossing, draft) == [("error", "divider-crosses-zipper")] * 2


def test_a_wall_too_short_for_its_taper_is_left_out() -> None:
    from oaktag_plugins.drafting.inside import tapered

    assert tapered(5.0, 20.0, 40.0) is None
    upper = tapered(50.0, 20.0, 40.0)
    assert upper is not None
    assert upper.length == pytest.approx(50.0)


def test_options_that_contradict_are_refused() -> None:
    with pytest.raises(InputError, match="same tape"):
        run_stage("divider.wall", BAG, line=ACROSS, hook="hook-20", loop="hook-20")
    with pytest.raises(Refusal, match="no liner"):
        run_stage("divider.wall", BAG, line=ACROSS, layer="liner")
    with pytest.raises(Refusal, match="no body"):
        run_stage("divider.wall", BAG, line=ACROSS, body="upper")


def test_an_open_gusset_carries_no_end() -> None:
    gusset = BAG.piece("gusset")
    seams = tuple(seam for seam in BAG.seams if gusset.id not in (seam.a.piece, seam.b.piece))
    draft = BAG.evolve(seams=seams)
    assert new_codes(run_stage("divider.wall", draft, line=ACROSS), draft) == [("error", "divider-open-end")]


def test_the_outline_is_left_alone() -> None:
    draft = run_stage("divider.wall", BAG, line=ACROSS)
    assert isinstance(draft.outline, Outline)
    assert draft.outlines == BAG.outlines
