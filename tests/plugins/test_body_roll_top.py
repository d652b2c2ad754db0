"""`body.roll-top`: a collar that sews exactly to panels and gusset, and the volume of a bag that is open."""

from __future__ import annotations

from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag.pattern import Draft, Refusal
from oaktag.pattern.assembly import assembly_of
from oaktag.pattern.walk import run_path as run_on
from oaktag.plugin.kit import example_draft, run_stage

if TYPE_CHECKING:
    from tests.plugins import bodies
else:
    bodies = SimpleNamespace(**run_path(str(Path(__file__).with_name("bodies.py"))))

SETTINGS = settings(deadline=None, derandomize=True, max_examples=6)
ROOMY = run_stage("outline.clear", example_draft("measure.reconcile"), gap={"default": 5, "top-tube": 40})


def open_bag(tube: str = "top-tube", **wrap: Any) -> Draft:
    """The example with the gusset left off along a tube."""
    return bodies.wrapped(ROOMY, **{"open": [tube], **wrap})


@SETTINGS
@given(
    tube=st.sampled_from(["top-tube", "down-tube", "seat-tube"]),
    turns=st.integers(1, 5),
    turn=st.floats(26.0, 45.0),
    closure=st.floats(0.0, 60.0),
    add=st.floats(-8.0, 12.0),
)
def test_every_seam_of_the_collar_walks(
    tube: str, turns: int, turn: float, closure: float, add: float
) -> None:
    bag = open_bag(tube, add=add)
    done = run_stage("body.roll-top", bag, tube=tube, turns=turns, turn_height=turn, closure=closure)
    assert bodies.worst(done) < 0.01
    proved = run_stage("check.walk-seams", run_stage("notch.match", done, distinguish=False))
    assert not bodies.codes(proved, "error")
    assert "edge-unsewn" not in bodies.codes(proved)
    (gusset,) = (piece for piece in done.pieces if piece.role == "gusset")
    assert bag.outline is not None
    whole = 0.5 * (gusset.edge("start").length + gusset.edge("end").length) + bag.outline.edge(tube).length
    for side in ("drive", "non-drive"):
        collar = done.piece(f"collar-{side}")
        assert collar.seam_line.bounds.width == pytest.approx(whole, abs=1e-6)
        assert collar.seam_line.bounds.height == pytest.approx(turns * turn + closure)
        assert collar.edge("upper").finish == "hem"


def test_each_half_is_sewn_to_its_own_side_of_the_gusset() -> None:
    """The gusset's drive side lies at y < 0, and the collar meets the panel where the gusset does."""
    done = run_stage("body.roll-top", open_bag())
    for seam in done.seams:
        if seam.a.piece == "gusset" and seam.b.piece.startswith("collar"):
            run = run_on(done, seam.a)
            outer = min if "non-drive" not in seam.b.piece else max
            half = run.length
            assert outer((run.start[1], run.end[1])) == pytest.approx(
                -half if outer is min else half, abs=1e-6
            )
            # The end at the middle is that of the collar's side seam.
            collar = done.piece(seam.b.piece)
            mate = run_on(done, seam.b)
            middle_first = abs(run.start[1]) < 1e-6
            box = collar.seam_line.bounds
            at = mate.start if middle_first else mate.end
            assert min(abs(at[0] - box.min_x), abs(at[0] - box.max_x)) < 1e-6


def test_the_bag_is_told_apart_and_proved() -> None:
    done = bodies.finished(run_stage("body.roll-top", open_bag()))
    assert not bodies.codes(done, "error")
    assert done.volume is not None
    assert "volume-open" in bodies.codes(done)
    closed = bodies.finished(bodies.wrapped(ROOMY))
    assert closed.volume is not None
    # The example's top tube goes straight from end to end, so leaving the strip off changes little.
    assert done.volume == pytest.approx(closed.volume, rel=0.01)
    strips = {f"collar-{side}-lower-{end}" for side in ("drive", "non-drive") for end in ("start", "end")}
    assert not strips & {a.seam for a, _ in assembly_of(done).seams}


def test_where_the_collar_meets_the_gusset_there_are_notches() -> None:
    done = run_stage("notch.match", run_stage("body.roll-top", open_bag()), distinguish=False)
    for side in ("drive", "non-drive"):
        panel, collar = done.piece(f"side-panel-{side}"), done.piece(f"collar-{side}")
        on_panel = [n for n in panel.notches if n.edge == "top-tube"]
        assert any(n.at < 1e-6 for n in on_panel)
        at_end = [n for n in panel.notches if n.edge == "corner:head" and n.at < 1e-6]
        at_end += [n for n in on_panel if abs(n.at - panel.edge("top-tube").length) < 1e-6]
        assert len(at_end) == 1
        places = [collar.edge(n.edge).path.point_at(n.at) for n in collar.notches]
        for corner in (collar.edge("lower").path.start, collar.edge("lower").path.end):
            assert any(abs(x - corner[0]) + abs(y - corner[1]) < 1e-6 for x, y in places)
    middles = {n.edge: n.at for n in done.piece("gusset").notches if n.edge in ("start", "end")}
    gusset = done.piece("gusset")
    assert middles == pytest.approx({name: gusset.edge(name).length / 2 for name in ("start", "end")})


def test_the_mouth_has_a_strip_inside() -> None:
    done = run_stage("body.roll-top", open_bag(), stiffener_material="webbing-25", hem=4)
    strip = done.piece("collar-drive-stiffener")
    assert strip.role == "stiffener"
    assert strip.seam_line.bounds.height == pytest.approx(25.0)
    (line,) = done.piece("collar-drive").placements
    assert line.face == "inside"
    assert line.covers is not None
    box = done.piece("collar-drive").seam_line.bounds
    assert line.covers.bounds.max_y == pytest.approx(box.max_y - 4.0)
    assert line.covers.bounds.width == pytest.approx(box.width - 8.0)
    none = run_stage("body.roll-top", open_bag(), stiffener=0)
    assert not [piece for piece in none.pieces if piece.role == "stiffener"]


def test_several_strips_end_at_the_collar() -> None:
    joins = [{"tube": "down-tube", "at": 0.3}, {"tube": "seat-tube", "at": 0.5}]
    bag = open_bag(joins=joins)
    assert [seam.id for seam in bag.seams if "join" in seam.id] == ["join-1", "join-2"]
    done = run_stage("body.roll-top", bag)
    assert bodies.worst(done) < 0.01
    ends = {seam.a.piece for seam in done.seams if "lower-" in seam.id}
    assert ends == {"gusset-1", "gusset-3"}


def test_the_roll_is_held_against_practice() -> None:
    tight = bodies.wrapped(bodies.CLEAR, open=["top-tube"])
    assert "roll-room" in bodies.codes(run_stage("body.roll-top", tight), "warning")
    bag = open_bag()
    good = run_stage("body.roll-top", bag)
    assert bodies.codes(good) == ["roll-height"]
    assert "roll-turns" in bodies.codes(run_stage("body.roll-top", bag, turns=2), "warning")
    stiff = run_stage("body.roll-top", bag, turn_height=20, turns=4)
    assert "roll-stiffener" in bodies.codes(stiff, "error")


def test_a_collar_needs_an_open_run() -> None:
    for draft, options, key in (
        (bodies.wrapped(ROOMY), {}, "tube"),
        (open_bag(), {"tube": "down-tube"}, "tube"),
        (open_bag(), {"tube": "toptube"}, "tube"),
        (open_bag(), {"body": "upper"}, "body"),
        (run_stage("body.roll-top", open_bag()), {}, "tube"),
    ):
        with pytest.raises(Refusal) as caught:
            run_stage("body.roll-top", draft, **options)
        assert caught.value.key == key


def test_one_of_two_bodies_may_have_a_collar() -> None:
    draft = run_stage("body.two", ROOMY, parallel_to="top-tube", distance=120)
    bag = bodies.wrapped(draft, open=["top-tube"])
    done = run_stage("body.roll-top", bag)
    assert {piece.id for piece in done.pieces if piece.role == "collar"} == {
        "upper-collar-drive",
        "upper-collar-non-drive",
    }
    assert bodies.worst(done) < 0.01


# The gusset that leaves a run open.


def test_an_open_run_has_no_gusset_and_the_strip_ends_at_its_tangent_points() -> None:
    bag = open_bag()
    assert [seam.id for seam in bag.seams] == ["drive", "non-drive"]
    assert bag.outline is not None
    panel = run_on(bag, bag.seams[0].a)
    top = bag.outline.edge("top-tube").path
    assert panel.start == pytest.approx(top.end)
    assert panel.end == pytest.approx(top.start)
    assert panel.length == pytest.approx(bag.outline.path.length - top.length)


@pytest.mark.parametrize(
    ("wrap", "key"),
    [
        ({"open": ["toptube"]}, "open[0]"),
        ({"open": ["top-tube", "down-tube", "seat-tube"]}, "open"),
        ({"open": ["top-tube"], "joins": [{"tube": "top-tube", "at": 0.5}]}, "joins[0]"),
    ],
)
def test_open_runs_are_refused_where_they_leave_no_bag(wrap: dict[str, Any], key: str) -> None:
    with pytest.raises(Refusal) as caught:
        bodies.wrapped(ROOMY, **wrap)
    assert caught.value.key == key


def test_two_open_runs_leave_two_strips() -> None:
    bag = bodies.wrapped(ROOMY, open=["top-tube", "down-tube"])
    assert bag.outline is not None
    strips = [piece for piece in bag.pieces if piece.role == "gusset"]
    spans = sorted(strip.edge("drive-side").length for strip in strips)
    edges = {edge.name: edge.length for edge in bag.outline.edges}
    rest = edges["corner:bottom-bracket"] + edges["seat-tube"] + edges["corner:seat"]
    assert spans == pytest.approx([edges["corner:head"], rest], abs=1e-6)
    assert not [seam for seam in bag.seams if "join" in seam.id]
