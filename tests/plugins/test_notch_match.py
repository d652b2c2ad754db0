"""`notch.match`: notches as few as do the job, at the same seam lengths on both mates."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag.geometry import distance
from oaktag.pattern import Draft, Seam, SeamSide
from oaktag.pattern.walk import run_path as run_on
from oaktag.pattern.walk import stations, walk
from oaktag_plugins.notch_match import BOTTOM, REAR, Wanted, Why, rooms_for_notch, thinned

if TYPE_CHECKING:
    from tests.plugins import drafts
else:
    drafts = SimpleNamespace(**run_path(str(Path(__file__).with_name("drafts.py"))))

SETTINGS = settings(deadline=None, derandomize=True, max_examples=100)
RADII = {"default": 20.0, "seat": 25.0}
WRAPPED: Draft = drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5), 0.0, RADII)


def on(draft: Draft, piece: str) -> list[tuple[str, float, int]]:
    """Edge, distance along it and count of every notch of a piece, in the order of its edges."""
    order = [edge.name for edge in draft.piece(piece).edges]
    notches = [(n.edge, round(n.at, 3), n.count) for n in draft.piece(piece).notches]
    return sorted(notches, key=lambda n: (order.index(n[0]), n[1]))


def seam_of(draft: Draft, name: str) -> Seam:
    return next(seam for seam in draft.seams if seam.id == name)


def row_of(draft: Draft, name: str) -> list[float]:
    return [station.at for station in stations(draft, seam_of(draft, name).a)]


# Where a seam's shape asks for notches.


def test_the_base_case_has_as_few_as_do_the_job() -> None:
    """At each corner both tangent points and its middle, one at the middle of a straight over 250 mm.

    From memory. That makes 9 for three corners, one each on the top and the seat tube (361.0 and 269.6 mm);
    that of the down tube (466.9 mm) is the join's, where the panel needs one for the strip's ends to find.
    One more on the drive side tells it from the other, one on the join keeps the strip from being twisted.
    """
    draft = drafts.base()
    counts = {piece.id: len(piece.notches) for piece in draft.pieces}
    assert counts == {"side-panel-drive": 13, "side-panel-non-drive": 12, "gusset": 11 + 12 + 2}
    straights = {edge.name: edge.length for edge in draft.piece("side-panel-drive").edges}
    assert [name for name, length in straights.items() if length > 250.0] == list(drafts.TUBES)


def test_each_corner_has_its_tangent_points_and_its_middle() -> None:
    draft = drafts.notched(WRAPPED, distinguish=False)
    panel = draft.piece("side-panel-non-drive")
    for edge in panel.edges:
        if not edge.is_corner:
            continue
        whole = panel.seam_line
        start = whole.nearest(edge.path.start)[0]
        for at in (0.0, edge.length / 2, edge.length):
            place = whole.point_at((start + at) % whole.length)
            near = [
                n for n in panel.notches if distance(panel.edge(n.edge).path.point_at(n.at), place) < 1e-6
            ]
            assert len(near) == 1, (edge.name, at)


def test_the_rear_is_double_and_the_bottom_triple() -> None:
    """Double = rear, triple = bottom: common practice, no source."""
    draft = drafts.notched(WRAPPED)
    for panel in ("side-panel-drive", "side-panel-non-drive"):
        marked = {(edge, count) for edge, _, count in on(draft, panel) if count > 1}
        assert marked == {("corner:seat", REAR), ("corner:bottom-bracket", BOTTOM)}
    assert Counter(count for _, _, count in on(draft, "gusset")) == {1: 21, REAR: 2, BOTTOM: 2}


def test_where_the_lowest_corner_is_the_rearmost_too_another_one_is_the_rear() -> None:
    # A seat tube that leans forward, so that the bottom bracket lies behind the seat.
    widths = [(tube, 0.5, 40.0) for tube in drafts.TUBES]
    draft = drafts.notched(drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5, widths, lean=80.0), 0.0, RADII))
    assert draft.outline is not None
    xs = {edge.name: edge.path.point_at(edge.length / 2)[0] for edge in draft.outline.edges if edge.is_corner}
    assert min(xs, key=lambda name: xs[name]) == "corner:bottom-bracket"
    marked = {(edge, count) for edge, _, count in on(draft, "side-panel-drive") if count > 1}
    assert marked == {("corner:seat", REAR), ("corner:bottom-bracket", BOTTOM)}


def test_a_bag_with_one_round_corner_marks_the_bottom() -> None:
    widths = [(tube, 0.5, 40.0) for tube in drafts.TUBES]
    radius = {"default": 0.0, "bottom-bracket": 20.0}
    draft = drafts.notched(drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5, widths), 0.0, radius))
    assert {count for _, _, count in on(draft, "side-panel-drive")} == {1, BOTTOM}


@pytest.mark.parametrize(("long_run", "middles"), [(269.0, 2), (270.0, 1), (361.5, 0)])
def test_only_a_long_straight_has_a_notch_at_its_middle(long_run: float, middles: int) -> None:
    draft = drafts.notched(WRAPPED, distinguish=False, long_run=long_run)
    panel = draft.piece("side-panel-drive")
    found = [n for n in panel.notches if abs(n.at - panel.edge(n.edge).length / 2) < 1e-6]
    assert len([n for n in found if not panel.edge(n.edge).is_corner]) == middles


def test_the_panel_has_a_notch_where_each_of_the_strips_ends_comes_to_lie() -> None:
    joins = [{"tube": tube, "at": 0.42} for tube in drafts.TUBES]
    draft = drafts.notched(drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5), joins=joins))
    for panel in ("side-panel-drive", "side-panel-non-drive"):
        for tube in drafts.TUBES:
            seam = next(s for s in draft.seams if s.a.piece == panel and s.a.edges[0] == tube)
            assert [at for edge, at, _ in on(draft, panel) if edge == tube].count(round(seam.a.start, 3)) == 1
    # The strip's corners need none.
    for piece in draft.pieces:
        if piece.id.startswith("gusset"):
            for notch in piece.notches:
                assert 1.0 < notch.at < piece.edge(notch.edge).length - 1.0


# Distance.


def wanted(data: st.DataObject) -> list[Wanted]:
    ats = data.draw(st.lists(st.floats(0.1, 299.9), max_size=25))
    reasons: tuple[Why, ...] = ("corner", "tangent", "middle")
    why = st.sampled_from(reasons)
    return [Wanted(at, data.draw(why), data.draw(st.integers(1, 3))) for at in ats]


@given(st.data(), st.booleans())
@SETTINGS
def test_thinning_keeps_the_distance_and_leaves_out_only_what_is_too_near(
    data: st.DataObject, ends: bool
) -> None:
    rank = {"end": 0, "corner": 1, "tangent": 2, "middle": 3}
    asked = wanted(data)
    if ends:
        asked.append(Wanted(0.0, "end"))
    kept = thinned(asked, 300.0, 13.0, ends=ends)

    def apart(one: Wanted, other: Wanted) -> float:
        by = abs(one.at - other.at)
        return min(by, 300.0 - by)

    for one, other in pairwise([*kept, *kept[:1]]):
        assert one is other or apart(one, other) >= 13.0 - 1e-6
    for notch in asked:
        if notch not in kept:
            more_important = [other for other in kept if rank[other.why] <= rank[notch.why]]
            assert any(apart(notch, other) < 13.0 for other in more_important)


def test_the_corners_of_two_pieces_that_meet_are_marks_enough() -> None:
    asked = [Wanted(at, "middle") for at in (5.0, 12.9, 150.0, 287.5)]
    assert [n.at for n in thinned(asked, 300.0, 13.0, ends=True)] == [150.0]
    # On a closed run there are no corners; only the two nearest each other are too near.
    assert [n.at for n in thinned(asked, 300.0, 13.0, ends=False)] == [5.0, 150.0, 287.5]


@pytest.mark.parametrize("away", [75.0, 90.0, 120.0])
def test_room_for_a_further_notch_keeps_the_distance_to_the_join_on_both_its_sides(away: float) -> None:
    joins = [{"tube": "top-tube", "distance": away, "from": "seat"}]
    draft = drafts.notched(
        drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5), 0.0, RADII, joins=joins), distinguish=False
    )
    seam = seam_of(draft, "drive")
    length = run_on(draft, seam.a).length
    rooms = rooms_for_notch(draft, seam, 13.0)
    assert any(length - at < 80.0 for at in rooms)
    for at in rooms:
        assert min(abs(at - other) for other in [*row_of(draft, "drive"), length]) >= 13.0 - 1e-6


def test_of_a_tight_corner_only_the_middle_is_left() -> None:
    # At 92.55° an arc of 10 mm radius is 15.3 mm long: its tangent points are 7.6 mm from its middle.
    widths = [(tube, 0.5, 40.0) for tube in drafts.TUBES]
    draft = drafts.triangle(335.0, 570.0, 51.5, widths)
    tight = drafts.notched(drafts.wrapped(draft, 0.0, {"default": 20.0, "seat": 10.0}), distinguish=False)
    panel = tight.piece("side-panel-drive")
    (at,) = [at for edge, at, _ in on(tight, panel.id) if edge == "corner:seat"]
    assert at == pytest.approx(panel.edge("corner:seat").length / 2, abs=1e-3)
    top, seat = panel.edge("top-tube").length, panel.edge("seat-tube").length
    near = [at for edge, at, _ in on(tight, panel.id) if (edge == "top-tube" and at < 5)]
    near += [at for edge, at, _ in on(tight, panel.id) if edge == "seat-tube" and at > seat - 5]
    assert top > 250
    assert near == []


@pytest.mark.parametrize("at", [0.47, 0.485, 0.5, 0.515, 0.53])
def test_no_notch_is_taken_for_the_one_at_the_join(at: float) -> None:
    # The middle of the down tube's run lies near the join, on the one side of it or on the other.
    joins = [{"tube": "down-tube", "at": at}]
    draft = drafts.notched(drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5), 0.0, RADII, joins=joins))
    for name in ("drive", "non-drive"):
        row = row_of(draft, name)
        length = run_on(draft, seam_of(draft, name).a).length
        assert row[0] == 0.0
        assert all(after - before >= 13.0 - 1e-6 for before, after in pairwise([*row, length]))


@pytest.mark.parametrize("spacing", [8.0, 13.0, 20.0, 30.0])
def test_the_spacing_holds_on_every_run(spacing: float) -> None:
    for joins in ([], [{"tube": tube, "at": 0.45} for tube in drafts.TUBES]):
        draft = drafts.notched(
            drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5), 0.0, RADII, joins=joins), spacing=spacing
        )
        for seam in draft.seams:
            row = row_of(draft, seam.id)
            assert all(after - before >= spacing - 1e-6 for before, after in pairwise(row)), seam.id


# On both mates.


@pytest.mark.parametrize("count", [1, 2, 3])
@pytest.mark.parametrize("sagitta", [0.0, 10.0])
def test_both_mates_have_the_same_notches_at_the_same_seam_lengths(count: int, sagitta: float) -> None:
    joins = [{"tube": tube, "at": 0.45} for tube in drafts.TUBES[:count]]
    draft = drafts.triangle(400.0, 570.0, 51.5, sagittas={"seat-tube": sagitta})
    draft = drafts.notched(drafts.wrapped(draft, 4.0, RADII, joins=joins))
    for seam in draft.seams:
        for pair in walk(draft, seam).pairs:
            assert pair.a is not None
            assert pair.b is not None
            assert pair.b.at == pytest.approx(pair.a.at, abs=0.01)
            assert pair.a.notch.count == pair.b.notch.count


def test_every_notch_lies_on_the_edge_it_names() -> None:
    for joins in (
        [],
        [{"tube": "top-tube", "at": 0.3}],
        [{"tube": tube, "at": 0.6} for tube in drafts.TUBES],
    ):
        draft = drafts.notched(drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5), 3.0, RADII, joins=joins))
        for piece in draft.pieces:
            assert piece.notches
            names = [notch.pair for notch in piece.notches]
            for notch in piece.notches:
                assert 0.0 <= notch.at <= piece.edge(notch.edge).length
                # Once on each mate; the ends of a strip that are joined to each other are both on one piece.
                assert names.count(notch.pair) <= (2 if notch.edge in ("start", "end") else 1)


def test_notches_lie_opposite_each_other_on_the_strip() -> None:
    # As wide and as shaped on both sides, so a line from one to the other is square to the centre line.
    draft = drafts.notched(WRAPPED, distinguish=False)
    gusset = draft.piece("gusset")
    points = {
        side: sorted(gusset.edge(side).path.point_at(n.at) for n in gusset.notches if n.edge == side)
        for side in ("drive-side", "non-drive-side")
    }
    assert len(points["drive-side"]) == 11
    for (x, y), (x2, y2) in zip(points["drive-side"], points["non-drive-side"], strict=True):
        assert x == pytest.approx(x2, abs=1e-5)
        assert y == pytest.approx(-y2, abs=1e-5)


def test_with_ease_the_mates_notches_keep_their_share_of_the_run() -> None:
    length, extra = 300.0, 6.0
    draft = drafts.banded(length, 40.0, [], [])
    longer = drafts.box("strip", length + extra, 40.0, ("non-drive-side", "end", "drive-side", "start"))
    seam = Seam(
        "seam", SeamSide("band-non-drive", ("sewn",)), SeamSide("strip", ("non-drive-side",)), ease=extra
    )
    draft = draft.evolve(pieces=(draft.piece("band-non-drive"), longer), seams=(seam,))
    draft = drafts.notched(draft, distinguish=False, long_run=250.0)
    (pair,) = walk(draft, seam).pairs
    assert pair.a is not None
    assert pair.b is not None
    assert (pair.a.at, pair.b.at) == pytest.approx((150.0, 153.0))
    assert "notch-mismatch" not in drafts.codes(drafts.proved(draft))


# What tells pieces apart.


def test_telling_apart_can_be_left_out_or_limited() -> None:
    plain = drafts.notched(WRAPPED, distinguish=False)
    told = drafts.notched(WRAPPED)
    assert not [n for piece in plain.pieces for n in piece.notches if ":x" in n.pair]
    assert {n.pair for piece in told.pieces for n in piece.notches if ":x" in n.pair} == {
        "drive:x1",
        "join:x2",
    }
    limited = drafts.notched(WRAPPED, most_added=1)
    assert {n.pair for piece in limited.pieces for n in piece.notches if ":x" in n.pair} == {"drive:x1"}
    assert drafts.notched(WRAPPED, most_added=0) == plain


def test_one_notch_tells_the_two_panels_apart() -> None:
    told = drafts.notched(WRAPPED)
    drive, other = set(on(told, "side-panel-drive")), set(on(told, "side-panel-non-drive"))
    assert len(drive - other) == 1
    assert other < drive


@given(st.floats(300, 430), st.floats(420, 620), st.floats(42, 70), st.sampled_from((1, 2, 3)), st.booleans())
@settings(SETTINGS, max_examples=40)
def test_any_frame_comes_out_clean(seat: float, down: float, angle: float, count: int, even: bool) -> None:
    widths: Any = [(tube, 0.5, 42.0) for tube in drafts.TUBES] if even else drafts.WIDTHS
    joins = [{"tube": tube, "at": 0.5} for tube in drafts.TUBES[:count]]
    draft = drafts.wrapped(
        drafts.triangle(seat, down, angle, widths), 4.0, 20.0, joins=joins, slope_limit=0.9
    )
    assert drafts.codes(drafts.proved(drafts.notched(drafts.allowed(draft))), "error") == []
