"""Trying every wrong way to sew: what is found is compared with strips and rings moved about as points."""

from __future__ import annotations

import cmath
import math
import re
from collections.abc import Callable, Sequence
from pathlib import Path
from runpy import run_path as run_file
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag.geometry import Point, distance
from oaktag.pattern import Draft, Notch, Piece
from oaktag.pattern.assembly import (
    END_MARGIN,
    WrongWay,
    assembly_of,
    distinguishing_stations,
    row,
    wrong_ways,
    wrong_ways_of,
)
from oaktag.pattern.walk import run_path
from oaktag_plugins import check_assembly, notch_match

if TYPE_CHECKING:
    from tests.plugins import drafts
else:
    drafts = SimpleNamespace(**run_file(str(Path(__file__).parents[2] / "plugins" / "drafts.py")))

Marks = list[tuple[float, int]]
SETTINGS = settings(deadline=None, derandomize=True, max_examples=150)
LENGTH, WIDTH = 240.0, 40.0


def ways(draft: Draft, **tolerances: float) -> tuple[WrongWay, ...]:
    return wrong_ways(draft, **{"length_tolerance": 3.0, "notch_tolerance": 3.0, **tolerances})


def of(found: Sequence[WrongWay], piece: str) -> set[tuple[str, str]]:
    return {(way.seam, way.way) for way in found if way.piece == piece}


def points_of(piece: Piece) -> list[tuple[Point, int]]:
    """Where the notches of a piece lie on the table, with their counts."""
    return [(piece.edge(notch.edge).path.point_at(notch.at), notch.count) for notch in piece.notches]


def covers(first: Sequence[tuple[Point, int]], second: Sequence[tuple[Point, int]], tolerance: float) -> bool:
    """Whether two sets of marks lie on each other."""
    left = list(second)
    for point, count in first:
        near = [other for other in left if other[1] == count and distance(other[0], point) <= tolerance]
        if not near:
            return False
        left.remove(near[0])
    return not left


MOVES: dict[str, Callable[[Point], Point]] = {
    # How a strip about y = 0 can be put back on its own place on the table.
    "turned round": lambda p: (LENGTH - p[0], p[1]),
    "upside down": lambda p: (p[0], -p[1]),
    "upside down and turned round": lambda p: (LENGTH - p[0], -p[1]),
}


def moved_about(piece: Piece) -> set[tuple[str, str]]:
    """Seams and ways in which a strip's notches meet the bands', by moving its points on the table.

    The bands carry the notches that the strip has when it lies as it should.
    """
    marks = points_of(piece)
    found: set[tuple[str, str]] = set()
    for way, move in MOVES.items():
        moved = [(move(point), count) for point, count in marks]
        for seam, below in (("drive", True), ("non-drive", False)):
            there = [mark for mark in moved if (mark[0][1] < 0) == below]
            should = [mark for mark in marks if (mark[0][1] < 0) == below]
            if covers(should, there, 1e-6):
                found.add((seam, way))
    return found


@st.composite
def rows_of_marks(draw: st.DrawFn) -> tuple[Marks, Marks]:
    """Two rows of notches on a strip, often equal, often symmetrical."""

    def one() -> Marks:
        stations = draw(st.sets(st.integers(1, 11), max_size=4))
        return [(20.0 * at, draw(st.sampled_from((1, 1, 1, 2)))) for at in sorted(stations)]

    upper = one()
    if draw(st.booleans()):
        upper = sorted({(round(LENGTH - at, 6), count) for at, count in upper} | set(upper))
        upper = [mark for index, mark in enumerate(upper) if index == 0 or upper[index - 1][0] != mark[0]]
    return upper, upper if draw(st.booleans()) else one()


@given(rows_of_marks())
@SETTINGS
def test_a_strip_fits_wrongly_just_where_its_points_do(marks: tuple[Marks, Marks]) -> None:
    draft = drafts.banded(LENGTH, WIDTH, *marks)
    assert of(ways(draft), "strip") == moved_about(draft.piece("strip"))


@given(rows_of_marks())
@SETTINGS
def test_bands_change_places_just_where_their_rows_are_equal_or_mirrored(marks: tuple[Marks, Marks]) -> None:
    upper, lower = marks
    mirrored = sorted((round(LENGTH - at, 6), count) for at, count in upper)
    found = [way for way in ways(drafts.banded(LENGTH, WIDTH, upper, lower)) if way.piece.startswith("band")]
    swaps = [way for way in found if way.against.startswith("band")]
    assert len(swaps) == (upper == lower) + (mirrored == lower)


def test_equal_notches_on_both_long_edges_let_a_strip_lie_upside_down() -> None:
    marks = [(30.0, 1), (100.0, 2)]
    found = ways(drafts.banded(LENGTH, WIDTH, marks, marks))
    assert of(found, "strip") == {("drive", "upside down"), ("non-drive", "upside down")}


def test_a_count_tells_notches_apart() -> None:
    draft = drafts.banded(LENGTH, WIDTH, [(30.0, 1)], [(30.0, 2)])
    assert of(ways(draft), "strip") == set()


def test_a_notch_is_told_apart_just_beyond_the_tolerance() -> None:
    near = drafts.banded(LENGTH, WIDTH, [(30.0, 1)], [(32.9, 1)])
    far = drafts.banded(LENGTH, WIDTH, [(30.0, 1)], [(33.1, 1)])
    assert of(ways(near), "strip") == {("drive", "upside down"), ("non-drive", "upside down")}
    assert of(ways(far), "strip") == set()
    assert of(ways(far, notch_tolerance=3.2), "strip") == of(ways(near), "strip")


def test_runs_of_other_lengths_are_not_mistaken_for_each_other() -> None:
    marks = [(30.0, 1)]
    draft = drafts.banded(LENGTH, WIDTH, marks, marks)
    longer = drafts.banded(LENGTH + 4.0, WIDTH, marks, marks)
    # The drive side's long edge, and the band sewn to it, 4 mm longer than the other's.
    edges = (draft.piece("strip").edges[0], *longer.piece("strip").edges[1:])
    uneven = drafts.with_piece(longer, longer.piece("strip").evolve(edges=edges))
    uneven = drafts.with_piece(uneven, draft.piece("band-non-drive"))
    assert of(ways(longer), "strip") == {("drive", "upside down"), ("non-drive", "upside down")}
    assert of(ways(uneven), "strip") == set()
    assert of(ways(uneven, length_tolerance=4.5), "strip") == of(ways(longer), "strip")


# Rings: on a circle of the ring's length, notches are points; a shift is a rotation, a turn a reflection.


def on_circle(at: float, length: float) -> complex:
    return cmath.rect(length / math.tau, math.tau * at / length)


def round_and_round(marks: Marks, length: float) -> set[tuple[bool, int]]:
    """Turns and shifts in mm that put a ring's notches on themselves, by trying every millimetre."""
    points = [(on_circle(at, length), count) for at, count in marks]
    found: set[tuple[bool, int]] = set()
    for turned in (False, True):
        for step in range(round(length)):
            spin = cmath.rect(1.0, math.tau * step / length)
            moved = [((p.conjugate() if turned else p) * spin, count) for p, count in points]
            if step == 0 and not turned:
                continue
            plain = [((p.real, p.imag), count) for p, count in points]
            if covers(plain, [((p.real, p.imag), count) for p, count in moved], 1e-6):
                found.add((turned, step))
    return found


@given(st.sets(st.integers(0, 11), min_size=1, max_size=6), st.data())
@settings(SETTINGS, max_examples=40)
def test_a_ring_fits_wrongly_just_where_its_points_do(stations: set[int], data: st.DataObject) -> None:
    # A square with round corners and a seam line of exactly 720 mm: 4 (side − 2 r) + 2 π r.
    radius = 30.0
    side = 180.0 + 2 * radius - math.tau * radius / 4
    count = st.sampled_from((1, 1, 1, 1, 2))
    marks = [(60.0 * at, data.draw(count)) for at in sorted(stations)]
    draft = drafts.ring_on_square(marks, side=side, radius=radius)
    assert draft.piece("panel").seam_line.length == pytest.approx(720.0, abs=1e-9)
    found = {(way.way == "turned round", round(way.shift) % 720) for way in ways(draft)}
    assert found == round_and_round(marks, 720.0)


def test_a_ring_on_a_rounded_square_can_be_shifted_by_one_notch() -> None:
    quarter = (4 * 140.0 + math.tau * 30.0) / 4
    draft = drafts.ring_on_square([(quarter * index, 1) for index in range(4)])
    found = ways(draft)
    shifted = sorted(way.shift for way in found if way.way == "shifted")
    assert shifted == pytest.approx([quarter, 2 * quarter, 3 * quarter], abs=1e-6)
    assert sum(way.way == "turned round" for way in found) == 4
    # One notch more, off every line of symmetry, and it fits in one way only.
    assert ways(drafts.ring_on_square([*((quarter * index, 1) for index in range(4)), (60.0, 1)])) == ()


def test_a_ring_whose_notches_miss_by_less_than_the_tolerance_still_slides_into_place() -> None:
    quarter = (4 * 140.0 + math.tau * 30.0) / 4
    off = [0.0, quarter + 2.5, 2 * quarter - 2.5, 3 * quarter]
    found = ways(drafts.ring_on_square([(at, 1) for at in off]))
    assert any(way.way == "shifted" for way in found)
    far = [0.0, quarter + 9.0, 2 * quarter - 9.0, 3 * quarter]
    assert not any(way.way == "shifted" for way in ways(drafts.ring_on_square([(at, 1) for at in far])))


def test_a_ring_without_a_notch_can_begin_anywhere() -> None:
    found = ways(drafts.ring_on_square([]))
    assert [way.way for way in found] == ["shifted", "turned round"]
    assert found[0].shift > 0


# What the stages draft.


def closed_with_twist(found: Sequence[WrongWay]) -> list[WrongWay]:
    return [way for way in found if way.seam == "join" and way.way == "turned round"]


def test_a_strip_may_be_closed_with_a_twist_until_its_ends_are_notched() -> None:
    plain = drafts.notched(drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5)), distinguish=False)
    assert len(closed_with_twist(ways(plain))) == 1
    told = drafts.notched(drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5)))
    assert not closed_with_twist(ways(told))
    # Half a turn about its middle must put the notch of one end away from that of the other.
    gusset = told.piece("gusset")
    ends = {name: gusset.edge(name) for name in ("start", "end")}
    at = {notch.edge: notch.at for notch in gusset.notches if notch.edge in ends}
    height = {name: ends[name].path.point_at(at[name])[1] for name in ends}
    assert height["start"] == pytest.approx(height["end"], abs=1e-6)
    assert abs(height["start"] + height["end"]) > 3.0


def test_a_panel_that_is_its_own_mirror_image_can_be_turned_round() -> None:
    # Joined at the middle of the top tube, the mirror line, and notched alike on both sides of it.
    draft = drafts.wrapped(drafts.isosceles(400.0, 50.0), joins=[{"tube": "top-tube", "at": 0.5}])
    plain = drafts.notched(draft, distinguish=False)
    turned = [way for way in ways(plain) if way.way == "turned round" and way.seam != "join"]
    # The rear is marked with a double notch, so it takes away that mark to make the two sides alike.
    assert turned == []
    for piece in plain.pieces:
        single = (Notch(n.edge, n.at, n.pair, 1) for n in piece.notches)
        plain = drafts.with_notches(plain, piece.id, single)
    turned = [way for way in ways(plain) if way.way == "turned round" and way.seam != "join"]
    assert [(way.seam, way.piece) for way in turned] == [("drive", "gusset"), ("non-drive", "gusset")]


JOINS: dict[str, list[dict[str, Any]]] = {
    "one": [],
    "two": [{"tube": "top-tube", "at": 0.5}, {"tube": "down-tube", "at": 0.5}],
    "three": [{"tube": tube, "at": 0.4} for tube in ("top-tube", "down-tube", "seat-tube")],
}


def equal_halves() -> Draft:
    """A rhombus with equal widths, joined at the middles of two opposite sides: two equal gusset parts."""
    points = ((-240.0, 0.0), (0.0, 180.0), (240.0, 0.0), (0.0, -180.0))
    widths = [(f"tube-{index}", share, 46.0) for index in range(4) for share in (0.0, 1.0)]
    joins = [{"tube": "tube-0", "at": 0.5}, {"tube": "tube-2", "at": 0.5}]
    return drafts.wrapped(drafts.polygon(points, widths), 0.0, 25.0, joins=joins)


def as_single(draft: Draft) -> Draft:
    for piece in draft.pieces:
        draft = drafts.with_notches(draft, piece.id, [Notch(n.edge, n.at, n.pair, 1) for n in piece.notches])
    return draft


def test_two_equal_gusset_parts_can_take_each_others_place() -> None:
    plain = as_single(drafts.notched(equal_halves(), distinguish=False))
    swapped = {
        (way.seam, way.piece, way.place)
        for way in ways(plain)
        if way.way == "in place of another" and way.piece.startswith("gusset-")
    }
    assert ("drive-1", "gusset-2", "drive-2") in swapped
    assert ("drive-2", "gusset-1", "drive-1") in swapped
    told = drafts.notched(equal_halves())
    assert ways(told) == ()


def test_a_ring_of_parts_can_be_shifted_so_that_its_joints_lie_elsewhere() -> None:
    # Long straights: a notch at the middle of every side, so the joints look like any of them.
    side = 320.0
    points = ((0.0, side), (side, side), (side, 0.0), (0.0, 0.0))
    widths = [(f"tube-{index}", share, 46.0) for index in range(4) for share in (0.0, 1.0)]
    joins = [{"tube": "tube-0", "at": 0.5}, {"tube": "tube-2", "at": 0.5}]
    plain = drafts.notched(
        drafts.wrapped(drafts.polygon(points, widths), joins=joins), distinguish=False, long_run=200.0
    )
    shifts = [way for way in ways(as_single(plain)) if way.piece == "gusset-1, gusset-2" and way.shift > 1.0]
    quarter = plain.outline.path.length / 4 if plain.outline is not None else 0.0
    straight = [way.shift for way in shifts if way.way == "shifted" and way.seam == "drive-1"]
    assert straight == pytest.approx([quarter, 3 * quarter], abs=1e-6)
    told = drafts.notched(drafts.wrapped(drafts.polygon(points, widths), joins=joins), long_run=200.0)
    assert ways(told) == ()


def bags() -> list[tuple[str, Draft]]:
    """Bags that are easily sewn wrongly: as wide all round, and their own mirror images."""
    equilateral = drafts.isosceles(400.0, 60.0)
    side = 300.0
    square = ((0.0, side), (side, side), (side, 0.0), (0.0, 0.0))
    widths = [(f"tube-{index}", share, 46.0) for index in range(4) for share in (0.0, 1.0)]
    found = [
        (f"{name} {count}", drafts.wrapped(draft, joins=joins))
        for name, draft in (
            ("base", drafts.triangle(335.0, 570.0, 51.5)),
            ("isosceles", drafts.isosceles(400.0, 50.0)),
            ("equilateral", equilateral),
        )
        for count, joins in JOINS.items()
    ]
    found.append(
        ("square", drafts.wrapped(drafts.polygon(square, widths), joins=[{"tube": "tube-0", "at": 0.5}]))
    )
    found.append(("rhombus two", equal_halves()))
    return found


BAGS = bags()


@pytest.mark.parametrize("draft", [draft for _, draft in BAGS], ids=[name for name, _ in BAGS])
def test_the_added_notches_leave_no_wrong_way_and_none_is_needless(draft: Draft) -> None:
    plain = drafts.notched(draft, distinguish=False)
    assert ways(plain), "without them there must be something to mistake, or the test shows nothing"
    told = drafts.notched(draft)
    assert ways(told) == ()
    assert drafts.codes(drafts.proved(told), "error") == []
    added = {notch.pair for piece in told.pieces for notch in piece.notches if ":x" in notch.pair}
    assert added
    for pair in added:
        assert ways(drafts.without_pair(told, pair)), f"{pair} is needless"


def test_a_notch_that_later_ones_make_needless_is_taken_off_again() -> None:
    # The two rows are told apart neither from each other nor, the upper one, from itself turned round. A
    # notch on the lower one settles the first; the one on the upper one that settles the second does both.
    draft = drafts.banded(LENGTH, WIDTH, [(118.8, 1)], [(118.2, 1)])
    assert of(ways(draft), "strip") == {
        ("drive", "upside down"),
        ("non-drive", "upside down"),
        ("drive", "upside down and turned round"),
        ("non-drive", "upside down and turned round"),
        ("non-drive", "turned round"),
    }
    told = notch_match.distinguished(draft, notch_match.MatchOptions())
    assert not [way for way in ways(told) if way.piece == "strip"]
    added = [notch for notch in told.piece("strip").notches if ":x" in notch.pair]
    assert [notch.edge for notch in added] == ["non-drive-side"]


ADVICE = re.compile(r"Add a single notch on (\S+) of (\S+), ([\d.]+) mm from the start of that edge")


@pytest.mark.parametrize("draft", [draft for _, draft in BAGS], ids=[name for name, _ in BAGS])
def test_the_notch_that_a_finding_proposes_prevents_what_it_reports(draft: Draft) -> None:
    plain = drafts.notched(draft, distinguish=False)
    wrong = ways(plain)
    findings = [f for f in drafts.proved(plain).findings if f.code == "assembly-ambiguous"]
    assert len(findings) == len(wrong)
    for way, finding in zip(wrong, findings, strict=True):
        said = ADVICE.search(finding.message)
        assert said is not None, finding.message
        edge, piece, at = said[1], said[2], float(said[3])
        seams = [s for s in plain.seams if s.a.piece == piece and edge in s.a.edges]
        seam = next(s for s in seams if s.id in (way.seam, way.place) and covers_place(plain, s.id, edge, at))
        noted = notch_match.notched(plain, seam, [(station_on(plain, seam.id, edge, at), 1, "new")])
        assert drafts.codes(drafts.proved(noted)).count("notch-mismatch") == 0
        same = (way.seam, way.piece, way.way, way.against, way.place)
        left = [(w.seam, w.piece, w.way, w.against, w.place) for w in ways(noted)]
        assert same not in left


def test_a_notch_is_proposed_only_after_it_has_been_tried() -> None:
    # A third of the way along is where a notch is tried first; to a careless eye it is too near the middle.
    draft = drafts.banded(100.0, WIDTH, [], [])
    options = check_assembly.AssemblyOptions(notch_tolerance=40.0)
    turned = [
        f for f in check_assembly.run(draft, options).findings if "fits turned round against" in f.message
    ]
    places = [float(said[3]) for f in turned if (said := ADVICE.search(f.message))]
    assert places
    assert all(abs(2 * at - 100.0) > 40.0 for at in places)


def station_on(draft: Draft, seam_id: str, edge: str, at: float) -> float:
    """The station on a seam's side a of a place on one of its edges, found by its point."""
    seam = next(seam for seam in draft.seams if seam.id == seam_id)
    point = draft.piece(seam.a.piece).edge(edge).path.point_at(at)
    return run_path(draft, seam.a).nearest(point)[0]


def covers_place(draft: Draft, seam_id: str, edge: str, at: float) -> bool:
    seam = next(seam for seam in draft.seams if seam.id == seam_id)
    point = draft.piece(seam.a.piece).edge(edge).path.point_at(at)
    return run_path(draft, seam.a).nearest(point)[1] < 1e-6


def test_where_there_is_no_room_the_finding_says_so() -> None:
    marks = [(20.0, 1)]
    draft = drafts.banded(40.0, WIDTH, marks, marks)
    findings = check_assembly.run(draft, check_assembly.AssemblyOptions(spacing=19.0)).findings
    assert findings
    assert all("no room" in finding.message and "by hand" in finding.message for finding in findings)


# The strip as it is cut, moved about as a whole: points on the table, not stations on an edge.


@pytest.mark.parametrize("between", ["held", "linear", "monotone-cubic"])
def test_a_told_strip_put_back_wrongly_shows_its_marks_beside_their_places(between: str) -> None:
    widths = [(tube, share, 46.0) for tube in drafts.TUBES for share in (0.0, 1.0)]
    draft = drafts.wrapped(drafts.triangle(400.0, 560.0, 50.0, widths), between=between)
    told, plain = drafts.notched(draft), drafts.notched(draft, distinguish=False)

    def meets(notched: Draft, move: Callable[[Point], Point]) -> bool:
        marks = points_of(notched.piece("gusset"))
        return covers(marks, [(move(point), count) for point, count in marks], 3.0)

    length = plain.piece("gusset").seam_line.bounds.max_x
    upside_down = lambda p: (p[0], -p[1])  # noqa: E731
    assert meets(plain, upside_down)
    for move in (upside_down, lambda p: (length - p[0], p[1]), lambda p: (length - p[0], -p[1])):
        assert not meets(told, move)


# Values.


def test_an_assembly_with_a_notch_is_that_of_the_draft_with_the_notch() -> None:
    for draft in (drafts.base(), drafts.base(joins=JOINS["two"])):
        for seam in draft.seams:
            at = 0.37 * row(draft, seam, "a").length
            noted = notch_match.notched(draft, seam, [(at, 2, "new")])
            one, other = assembly_of(noted), assembly_of(draft).notched(seam.id, at, 2)
            for pair, own in zip(one.seams, other.seams, strict=True):
                for a, b in zip(pair, own, strict=True):
                    assert [n[1] for n in a.notches] == [n[1] for n in b.notches]
                    assert [n[0] for n in a.notches] == pytest.approx([n[0] for n in b.notches], abs=1e-6)
            for ring, own_ring in zip(one.rings, other.rings, strict=True):
                for a, b in ((ring.outline, own_ring.outline), (ring.ring, own_ring.ring)):
                    assert [n[1] for n in a.notches] == [n[1] for n in b.notches]
                    assert [n[0] for n in a.notches] == pytest.approx([n[0] for n in b.notches], abs=1e-6)
            assert wrong_ways_of(one, length_tolerance=3.0, notch_tolerance=3.0) == wrong_ways_of(
                other, length_tolerance=3.0, notch_tolerance=3.0
            )


def test_a_run_turned_twice_is_the_run() -> None:
    draft = drafts.base()
    for seam in draft.seams:
        for side in ("a", "b"):
            one = row(draft, seam, side)
            again = one.turned().turned()
            assert [n[0] for n in again.notches] == pytest.approx([n[0] for n in one.notches], abs=1e-9)
            assert [n[1] for n in again.notches] == [n[1] for n in one.notches]


@given(
    st.floats(20.0, 400.0),
    st.lists(st.floats(-20.0, 420.0), max_size=6),
    st.floats(5.0, 20.0),
)
@SETTINGS
def test_stations_that_distinguish_keep_their_distance_and_are_off_the_middle(
    length: float, taken: list[float], spacing: float
) -> None:
    for at in distinguishing_stations(length, taken, spacing):
        assert END_MARGIN - 1e-6 <= at <= length - END_MARGIN + 1e-6
        assert all(abs(at - other) >= spacing - 1e-6 for other in taken)
        assert abs(at - (length - at)) > 3.0
