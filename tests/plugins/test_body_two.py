"""`body.two` and `body.join`: two bodies in one opening, apart or sewn together."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag.pattern import Draft, Obstacle, Place, Refusal
from oaktag.pattern.walk import run_path as run_on
from oaktag.pattern.walk import walk
from oaktag.plugin.kit import example_draft, example_frame, run_stage
from oaktag.recipe import InputError

if TYPE_CHECKING:
    from tests.plugins import bodies
else:
    bodies = SimpleNamespace(**run_path(str(Path(__file__).with_name("bodies.py"))))

SETTINGS = settings(deadline=None, derandomize=True, max_examples=8)
JOINED = {"width": {"lower": 50, "upper": 50}}


@SETTINGS
@given(distance=st.floats(95.0, 150.0), gap=st.floats(0.0, 25.0))
def test_both_bodies_sew_and_lie_their_gap_apart(distance: float, gap: float) -> None:
    draft = bodies.two(distance=distance, gap=gap)
    upper, lower = draft.outlines
    assert (upper.body, lower.body) == ("upper", "lower")
    apart = upper.edge("lower").path.nearest(lower.edge("upper").path.start)[1]
    assert apart == pytest.approx(gap, abs=1e-6)
    assert bodies.CLEAR.outline is not None
    strip = gap * (upper.edge("lower").length + lower.edge("upper").length) / 2
    areas = abs(upper.path.area) + abs(lower.path.area)
    assert areas + strip == pytest.approx(abs(bodies.CLEAR.outline.path.area), abs=0.01)
    done = bodies.finished(bodies.wrapped(draft))
    assert bodies.worst(done) < 0.01
    assert not bodies.codes(done, "error")


def test_every_id_begins_with_its_body() -> None:
    done = bodies.wrapped(bodies.two())
    assert [piece.id for piece in done.pieces] == [
        "upper-side-panel-drive",
        "upper-side-panel-non-drive",
        "lower-side-panel-drive",
        "lower-side-panel-non-drive",
        "upper-gusset",
        "lower-gusset",
    ]
    assert [seam.id for seam in done.seams] == [
        f"{body}-{name}" for body in ("upper", "lower") for name in ("drive", "non-drive", "join")
    ]
    for seam in done.seams:
        assert {done.piece(side.piece).body for side in (seam.a, seam.b)} == {seam.id.split("-")[0]}


def test_volumes_are_compartments_and_add_up() -> None:
    done = bodies.finished(bodies.wrapped(bodies.two()))
    assert [part.name for part in done.compartments] == ["upper", "lower"]
    assert done.volume == pytest.approx(sum(part.litres for part in done.compartments))
    whole = bodies.finished(bodies.wrapped(bodies.CLEAR))
    assert whole.compartments == ()
    assert whole.volume is not None
    assert 0.7 * whole.volume < done.volume < whole.volume


def test_each_body_has_a_rear_and_a_bottom() -> None:
    done = bodies.finished(bodies.wrapped(bodies.two()))
    for body in ("upper", "lower"):
        counts = {notch.edge: notch.count for notch in done.piece(f"{body}-side-panel-drive").notches}
        assert sorted(count for count in counts.values() if count > 1) == [2, 3]


def test_a_join_is_made_in_the_body_that_it_lies_on() -> None:
    low, high = {"tube": "seat-tube", "at": 0.35}, {"tube": "seat-tube", "at": 0.85}
    done = bodies.wrapped(bodies.two(), joins=[low, high])
    assert {piece.id for piece in done.pieces if piece.role == "gusset"} == {"upper-gusset", "lower-gusset"}
    for body, at in (("lower", 0.35), ("upper", 0.85)):
        (seam,) = (seam for seam in done.seams if seam.id == f"{body}-drive")
        assert done.opening is not None
        tube = done.opening.edge("seat-tube").path
        start = run_on(done, seam.a).start
        assert tube.nearest(start)[0] == pytest.approx(at * tube.length, abs=1e-6)


def test_obstacles_are_cut_out_of_the_body_that_they_stand_in() -> None:
    boss = Obstacle("boss", Place("seat-tube", 0.0, 70.0), 20.0, 12.0, 4.0, "notch", "obstacles.boss")
    frame = replace(example_frame(), obstacles=(boss,))
    draft = example_draft("measure.reconcile", "outline.clear", frame=frame)
    draft = run_stage("body.two", draft, parallel_to="top-tube", distance=120)
    cut = run_stage("outline.keep-out", draft)
    assert cut.outlines[0] == draft.outlines[0]
    assert cut.outlines[1] != draft.outlines[1]
    assert bodies.codes(cut) == ["obstacle-cut-out"]
    done = run_stage("check.clearance", bodies.wrapped(cut), gap=5)
    assert not bodies.codes(done, "error")
    missed = run_stage("check.clearance", bodies.wrapped(draft), gap=5)
    assert bodies.codes(missed, "error") == ["obstacle-in-the-way"]


def test_a_hole_goes_through_the_gusset_of_one_body() -> None:
    hole = Obstacle("hose", Place("seat-tube", 0.0, 150.0), 12.0, 5.0, 4.0, "hole", "obstacles.hose")
    frame = replace(example_frame(), obstacles=(hole,))
    draft = example_draft("measure.reconcile", "outline.clear", frame=frame)
    done = bodies.wrapped(run_stage("body.two", draft, parallel_to="top-tube", distance=120))
    marked = [piece.id for piece in done.pieces if any(mark.text == "hose" for mark in piece.marks)]
    assert marked == ["lower-gusset"]


def test_clearance_is_that_of_the_nearest_body() -> None:
    done = run_stage("check.clearance", bodies.wrapped(bodies.two()), gap=5)
    assert [finding.where for finding in done.findings if finding.code == "tube-clearance"] == [
        "top-tube",
        "down-tube",
        "seat-tube",
    ]
    assert all("+5.00 mm" in f.message for f in done.findings if f.code == "tube-clearance")
    gone = done.evolve(pieces=tuple(p for p in done.pieces if p.id != "lower-side-panel-drive"))
    assert "clearance-unchecked" in bodies.codes(run_stage("check.clearance", gone, gap=5))


@pytest.mark.parametrize(
    ("options", "key"),
    [
        ({"edges": ["lower", "seat-tube"]}, "edges"),
        ({"edges": ["own", "own"]}, "edges"),
        ({"body": "front"}, "body"),
    ],
)
def test_names_are_refused(options: dict[str, Any], key: str) -> None:
    with pytest.raises(Refusal) as caught:
        bodies.two(**options)
    assert caught.value.key == key


def test_two_bodies_need_two_names() -> None:
    with pytest.raises(InputError, match="one name"):
        bodies.two(names=["bag", "bag"])


def test_a_line_that_misses_leaves_the_bag_whole() -> None:
    draft = bodies.two(distance=900)
    assert draft.outlines == bodies.CLEAR.outlines
    assert bodies.codes(draft, "error") == ["cut-impossible"]


def test_three_bodies_are_cut_one_after_the_other() -> None:
    draft = bodies.two(distance=90, names=["top", "rest"], edges=["below-top", "above-rest"])
    line = {"parallel_to": "top-tube", "distance": 170}
    with pytest.raises(Refusal) as caught:
        run_stage("body.two", draft, **line)
    assert caught.value.key == "body"
    with pytest.raises(Refusal) as caught:
        run_stage("body.two", draft, **line, body="rest", names=["top", "low"])
    assert caught.value.key == "names"
    draft = run_stage("body.two", draft, **line, body="rest", names=["mid", "low"])
    assert [outline.body for outline in draft.outlines] == ["top", "mid", "low"]
    done = bodies.finished(bodies.wrapped(draft))
    assert bodies.worst(done) < 0.01
    assert not bodies.codes(done, "error")
    with pytest.raises(Refusal) as caught:
        run_stage("body.join", done)
    assert caught.value.key == "bodies"
    assert len(run_stage("body.join", done, bodies=["mid", "low"]).seams) == len(done.seams) + 2


def test_front_and_rear_bodies_lie_where_they_are_called() -> None:
    draft = bodies.two(
        parallel_to="seat-tube", distance=160, names=["front", "rear"], edges=["back", "forward"]
    )
    front, rear = (outline.path.bounds.centre[0] for outline in draft.outlines)
    assert [outline.body for outline in draft.outlines] == ["front", "rear"]
    assert front > rear


# Joined.


def joined(draft: Draft, **options: Any) -> Draft:
    """The draft with its two bodies sewn together."""
    return run_stage("body.join", draft, **options)


@SETTINGS
@given(
    distance=st.floats(95.0, 150.0),
    places=st.lists(st.floats(0.2, 0.8), min_size=1, max_size=3, unique_by=lambda x: round(x, 1)),
    others=st.lists(st.floats(0.2, 0.8), min_size=1, max_size=2, unique_by=lambda x: round(x, 1)),
)
def test_joined_gussets_walk_whatever_pieces_they_are_of(
    distance: float, places: list[float], others: list[float]
) -> None:
    joins = [{"tube": "lower", "at": at} for at in places] + [{"tube": "upper", "at": at} for at in others]
    draft = bodies.wrapped(bodies.two(distance=distance), joins=joins, **JOINED)
    done = joined(draft)
    new = done.seams[len(draft.seams) :]
    assert {seam.kind for seam in new} == {"layer"}
    assert bodies.worst(done) < 0.01
    for side in ("drive", "non-drive"):
        lengths = [walk(done, seam).length_a for seam in new if f"upper-lower-{side}" in seam.id]
        assert sum(lengths) == pytest.approx(shared(draft), abs=1e-3)
    proved = run_stage("check.walk-seams", run_stage("notch.match", done, distinguish=False))
    assert not bodies.codes(proved, "error")


def shared(draft: Draft) -> float:
    """Length of the straight run at which the bodies touch, from the rounded outlines by hand."""
    upper, lower = draft.outlines
    mine, other = upper.edge("lower").path, lower.edge("upper").path
    whole = [mine.nearest(point)[0] for point in (other.start, other.end)]
    return float(abs(whole[0] - whole[1]))


def test_a_join_touches_the_same_places_of_both_bodies() -> None:
    draft = bodies.wrapped(bodies.two(), joins=[{"tube": "lower", "at": 0.3}], **JOINED)
    done = joined(draft)
    # Panels of the drive side lie where they are on the bicycle; the others are mirrored, each by itself.
    edge = "drive-side"
    new = [seam for seam in done.seams[len(draft.seams) :] if seam.a.edges == (edge,)]
    assert new
    for seam in new:
        places = []
        for side in (seam.a, seam.b):
            (shell,) = (s for s in draft.seams if s.b.piece == side.piece and s.b.edges == (edge,))
            on_gusset = draft.piece(side.piece).edge(edge).path
            run = run_on(done, side)
            stations = [on_gusset.nearest(point)[0] for point in (run.start, run.end)]
            panel = run_on(draft, shell.a)
            if shell.b.reverse:
                stations = [on_gusset.length - s for s in stations]
            places.append([panel.point_at(min(max(s, 0.0), panel.length)) for s in stations])
        for one, other in zip(*places, strict=True):
            assert one == pytest.approx(other, abs=1e-3)


def test_what_cannot_be_joined_is_found() -> None:
    apart = bodies.wrapped(bodies.two(gap=8), **JOINED)
    assert bodies.codes(joined(apart), "error") == ["join-apart"]
    assert joined(apart).seams == apart.seams
    draft = bodies.wrapped(bodies.two(), **JOINED)
    assert bodies.codes(joined(draft, least=300), "error") == ["join-short"]
    uneven = bodies.wrapped(bodies.two(), width={"lower": 50, "upper": 45})
    assert bodies.codes(joined(uneven), "error") == ["join-width"]
    assert not bodies.codes(joined(uneven, width_tolerance=6), "error")


@pytest.mark.parametrize(
    ("names", "key"), [(["upper", "third"], "bodies[1]"), (["none", "lower"], "bodies[0]")]
)
def test_unknown_bodies_are_refused(names: list[str], key: str) -> None:
    with pytest.raises(Refusal) as caught:
        joined(bodies.wrapped(bodies.two(), **JOINED), bodies=names)
    assert caught.value.key == key


def test_one_body_is_not_joined() -> None:
    with pytest.raises(Refusal) as caught:
        joined(bodies.wrapped(bodies.CLEAR))
    assert caught.value.key == "bodies"
    with pytest.raises(InputError, match="itself"):
        joined(bodies.wrapped(bodies.two(), **JOINED), bodies=["upper", "upper"])
