"""`tape.reflective`: strips of tape on the outside."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag import Refusal
from oaktag.pattern import Draft
from oaktag.pattern.walk import walk
from oaktag.plugin.kit import example_draft, run_stage
from oaktag.recipe import InputError

BAG = example_draft("measure.reconcile", "outline.clear", "corners.round", "panel.pair", "gusset.wrap")
OUTLINE = BAG.outline_of("")
LINE = {"parallel-to": "top-tube", "distance": 60}
SETTINGS = settings(deadline=None, derandomize=True, max_examples=15)


def new_codes(draft: Draft, before: Draft = BAG) -> list[tuple[str, str]]:
    return [(f.level, f.code) for f in draft.findings[len(before.findings) :]]


def check_seams(draft: Draft, before: Draft = BAG) -> int:
    fresh = draft.seams[len(before.seams) :]
    for seam in fresh:
        assert abs(walk(draft, seam).difference) < 1e-6, seam.id
    return len(fresh)


@SETTINGS
@given(
    st.sampled_from(["top-tube", "down-tube", "seat-tube"]), st.floats(25.0, 120.0),
    st.floats(5.0, 25.0), st.floats(0.0, 30.0),
)  # fmt: skip
def test_a_strip_is_as_long_as_the_panel_has_room(
    tube: str, distance: float, width: float, margin: float
) -> None:
    line = {"parallel-to": tube, "distance": distance}
    draft = run_stage("tape.reflective", BAG, line=line, width=width, end_margin=margin)
    assert new_codes(draft) == []
    assert check_seams(draft) == 2
    shapes = []
    for side in ("drive", "non-drive"):
        panel = draft.piece(f"side-panel-{side}")
        placed = panel.placement(f"reflective-{side}")
        assert placed.covers is not None
        assert (placed.face, placed.what) == ("outside", "reflective-tape")
        shape = placed.covers.polygon()
        shapes.append(shape)
        assert panel.seam_line.polygon().buffer(0.02).covers(shape)
        # Beside its tube both long edges lie at their distances.
        run = panel.edge(tube).path
        away = [run.nearest(segment.point_at(0.5 * segment.length))[1] for segment in placed.covers.segments]
        assert min(away) == pytest.approx(distance - 0.5 * width, abs=1e-6)
        # Longer by a little more than the margins it would not fit.
        box = draft.piece(f"reflective-{side}").seam_line.bounds
        more = run_stage(
            "tape.reflective", BAG, line=line, width=width, end_margin=0, length=box.width + 2 * margin + 1.0
        )
        assert ("error", "tape-over-edge") in new_codes(more)
    assert shapes[0].area == pytest.approx(shapes[1].area)


@SETTINGS
@given(st.floats(5.0, 20.0), st.floats(0.0, 30.0), st.floats(-4.0, 4.0))
def test_strips_run_along_the_gusset_between_rounds_and_joins(
    width: float, margin: float, across: float
) -> None:
    draft = run_stage(
        "tape.reflective", BAG, on=["gusset"], tubes=["seat-tube", "down-tube"],
        width=width, end_margin=margin, across=across,
    )  # fmt: skip
    assert new_codes(draft) == []
    assert check_seams(draft) == 3
    ids = ["seat-tube", "down-tube-1", "down-tube-2"]
    pieces = [draft.piece(f"reflective-gusset-{name}") for name in ids]
    lengths = [piece.seam_line.bounds.width for piece in pieces]
    assert lengths[0] == pytest.approx(OUTLINE.edge("seat-tube").length - 2 * margin, abs=0.2)
    assert sum(lengths[1:]) == pytest.approx(OUTLINE.edge("down-tube").length - 4 * margin, abs=0.2)
    for piece in pieces:
        box = draft.piece("gusset").placement(piece.id).path.bounds
        assert box.centre[1] == pytest.approx(across)


def test_the_tape_is_as_wide_as_the_table_has_it() -> None:
    draft = run_stage("tape.reflective", BAG, line=LINE, on=["drive"], material="reflective-tape-10")
    assert draft.piece("reflective-drive").seam_line.bounds.height == pytest.approx(10.0)
    draft = run_stage("tape.reflective", BAG, line=LINE, on=["drive"], material="shiny")
    assert draft.piece("reflective-drive").seam_line.bounds.height == pytest.approx(25.0)


def test_what_is_wrong_is_said() -> None:
    def codes_of(**options: object) -> list[tuple[str, str]]:
        return new_codes(run_stage("tape.reflective", BAG, **{"on": ["drive"], "line": LINE, **options}))

    assert codes_of(line={"parallel-to": "top-tube", "distance": 5}) == [("error", "tape-outside")]
    assert codes_of(end_margin=300) == [("error", "tape-short")]
    room = run_stage("tape.reflective", BAG, on=["drive"], line=LINE, end_margin=0)
    length = room.piece("reflective-drive").seam_line.bounds.width
    assert codes_of(length=length - 5) == [("warning", "tape-long")]
    wide = run_stage("tape.reflective", BAG, on=["gusset"], tubes=["seat-tube"], width=60)
    assert new_codes(wide) == [("error", "tape-over-edge")]


def test_places_have_to_be_given() -> None:
    for options in ({}, {"on": ["gusset"]}):
        with pytest.raises(InputError):
            run_stage("tape.reflective", BAG, **options)
    with pytest.raises(Refusal, match="no tube"):
        run_stage("tape.reflective", BAG, on=["gusset"], tubes=["seat"])
