"""Walking seams: stations and lengths against points on the pieces."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from runpy import run_path as run_file
from types import SimpleNamespace
from typing import TYPE_CHECKING

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from oaktag.geometry import GeometryError, distance
from oaktag.pattern import Draft, Notch, Piece, Seam, SeamSide
from oaktag.pattern.walk import (
    inner,
    run_closed,
    run_length,
    run_of,
    run_path,
    stations,
    stations_of,
    walk,
)

if TYPE_CHECKING:
    from tests.plugins import drafts
else:
    drafts = SimpleNamespace(**run_file(str(Path(__file__).parents[2] / "plugins" / "drafts.py")))

SETTINGS = settings(deadline=None, derandomize=True, max_examples=200)
SQUARE: Piece = drafts.square(200.0, 30.0, "panel")
NAMES = tuple(edge.name for edge in SQUARE.edges)
ROUND = SQUARE.seam_line.length


def sides() -> st.SearchStrategy[SeamSide]:
    """Runs of the square: whole or part, begun in any edge, either way."""

    def made(first: int, count: int, start: float, share: float | None, reverse: bool) -> SeamSide:
        around = [*NAMES[first:], *NAMES[:first]]
        names = tuple(around if count >= len(NAMES) else around[:count])
        whole = sum(SQUARE.edge(name).length for name in names)
        closed = len(names) == len(NAMES)
        begin = start * SQUARE.edge(names[0]).length
        room = whole if closed else whole - begin
        return SeamSide(
            "panel", names, begin, None if closed and share is None else (share or 1.0) * room, reverse
        )

    return st.builds(
        made,
        st.integers(0, len(NAMES) - 1),
        st.integers(1, len(NAMES) + 3),
        st.floats(0.0, 0.9),
        st.one_of(st.none(), st.floats(0.05, 1.0)),
        st.booleans(),
    )


notches = st.lists(
    st.tuples(st.sampled_from(NAMES), st.floats(0.01, 0.99), st.integers(1, 3)), min_size=1, max_size=6
).map(
    lambda found: tuple(
        Notch(name, share * SQUARE.edge(name).length, f"pair-{index}", count)
        for index, (name, share, count) in enumerate(found)
    )
)


@given(sides(), notches)
@SETTINGS
def test_a_station_is_the_place_on_the_run_where_the_notch_lies(
    side: SeamSide, marks: tuple[Notch, ...]
) -> None:
    piece = SQUARE.evolve(notches=marks)
    run = run_of(piece, side)
    assert run.length == pytest.approx(run_length(piece, side), abs=1e-6)
    assert run.closed == run_closed(piece, side)
    found = stations_of(piece, side)
    for station in found:
        place = piece.edge(station.notch.edge).path.point_at(station.notch.at)
        assert distance(run.point_at(min(max(station.at, 0.0), run.length)), place) < 1e-6
    on_run = {station.notch.pair for station in found}
    for notch in marks:
        away = run.nearest(piece.edge(notch.edge).path.point_at(notch.at))[1]
        assume(not 1e-7 < away < 1e-4)
        assert (notch.pair in on_run) == (away < 1e-6)
    assert [s.at for s in found] == sorted(s.at for s in found)


@given(sides())
@SETTINGS
def test_a_run_against_the_pieces_direction_is_the_same_run_from_its_far_end(side: SeamSide) -> None:
    one, other = run_of(SQUARE, side), run_of(SQUARE, replace(side, reverse=not side.reverse))
    assert one.length == pytest.approx(other.length)
    for share in (0.0, 0.21, 0.5, 0.83, 1.0):
        there = other.point_at(min(other.length, (1 - share) * other.length))
        assert distance(one.point_at(share * one.length), there) < 1e-6


def test_a_run_goes_on_past_the_last_edge_into_the_first() -> None:
    side = SeamSide("panel", NAMES, 60.0, ROUND - 20.0)
    run = run_of(SQUARE, side)
    assert run.length == pytest.approx(ROUND - 20.0)
    assert distance(run.start, SQUARE.seam_line.point_at(60.0)) < 1e-9
    assert distance(run.end, SQUARE.seam_line.point_at(40.0)) < 1e-9


def test_a_run_longer_than_its_edges_cannot_be_walked() -> None:
    with pytest.raises(GeometryError):
        run_of(SQUARE, SeamSide("panel", NAMES[:1], 10.0, SQUARE.edges[0].length))


def test_inner_leaves_out_what_lies_at_an_end() -> None:
    marks = [Notch("side-0", at, f"{at}") for at in (0.0, 5.0, SQUARE.edges[0].length)]
    side = SeamSide("panel", ("side-0",))
    row = stations_of(SQUARE.evolve(notches=tuple(marks)), side)
    assert [s.at for s in row] == pytest.approx([0.0, 5.0, SQUARE.edges[0].length])
    assert [s.at for s in inner(row, SQUARE.edges[0].length)] == [5.0]


def joined(
    upper: list[tuple[float, str]], lower: list[tuple[float, str]], ease: float = 0.0
) -> tuple[Draft, Seam]:
    """A band of 240 mm and a strip of 240 mm sewn to it, each notched by station and pair."""
    draft = drafts.banded(240.0, 40.0, [], [])
    band = draft.piece("band-drive").evolve(notches=tuple(Notch("sewn", at, pair) for at, pair in upper))
    strip = draft.piece("strip")
    strip = strip.evolve(notches=tuple(Notch("drive-side", 240.0 - at, pair) for at, pair in lower))
    seam = Seam("drive", SeamSide(band.id, ("sewn",)), SeamSide("strip", ("drive-side",), reverse=True), ease)
    return draft.evolve(pieces=(band, strip), seams=(seam,)), seam


def test_walking_pairs_notches_by_name_in_the_order_the_seam_meets_them() -> None:
    draft, seam = joined([(180.0, "b"), (60.0, "a")], [(60.5, "a"), (179.0, "b")])
    walked = walk(draft, seam)
    assert (walked.length_a, walked.length_b) == pytest.approx((240.0, 240.0))
    assert [p.pair for p in walked.pairs] == ["a", "b"]
    assert [p.difference for p in walked.pairs] == pytest.approx([0.5, -1.0])


def test_a_notch_without_a_mate_stands_alone() -> None:
    draft, seam = joined([(60.0, "a")], [(100.0, "b")])
    assert [(p.pair, p.a is None, p.b is None, p.difference) for p in walk(draft, seam).pairs] == [
        ("a", False, True, None),
        ("b", True, False, None),
    ]


def test_a_second_notch_of_a_pair_stands_alone_too() -> None:
    draft, seam = joined([(60.0, "a"), (90.0, "a")], [(60.0, "a")])
    assert [(p.pair, p.b is None) for p in walk(draft, seam).pairs] == [("a", False), ("a", True)]


def test_a_notch_at_the_end_of_a_run_meets_the_end_of_the_other() -> None:
    draft, seam = joined([(0.0, "end"), (60.0, "a")], [(60.0, "a")])
    assert [p.pair for p in walk(draft, seam).pairs] == ["a"]


@given(st.floats(-8.0, 8.0))
@settings(SETTINGS, max_examples=30)
def test_declared_ease_is_taken_off_the_difference(ease: float) -> None:
    draft, seam = joined([], [], ease)
    assert walk(draft, seam).difference == pytest.approx(-ease)


def test_both_ways_into_a_piece_are_the_same() -> None:
    draft = drafts.base()
    for seam in draft.seams:
        for side in (seam.a, seam.b):
            piece = draft.piece(side.piece)
            assert run_path(draft, side) == run_of(piece, side)
            assert stations(draft, side) == stations_of(piece, side)


def test_the_seams_of_the_base_case_come_to_the_lengths_worked_by_hand() -> None:
    """Common practice, no source: the three runs and the three arcs add up to 1230.8 mm."""
    draft = drafts.base()
    lengths = {seam.id: walk(draft, seam) for seam in draft.seams}
    for name in ("drive", "non-drive"):
        assert lengths[name].length_a == pytest.approx(1230.8, abs=0.1)
        assert lengths[name].length_b == pytest.approx(lengths[name].length_a, abs=0.01)
    assert lengths["join"].length_a == pytest.approx(46.0, abs=0.01)
    straights = 269.6 + 466.9 + 361.0
    arcs = 20 * (math.pi - math.radians(51.5)) + 20 * (math.pi - math.radians(35.95))
    arcs += 25 * (math.pi - math.radians(92.55))
    assert straights + arcs == pytest.approx(1230.8, abs=0.1)
