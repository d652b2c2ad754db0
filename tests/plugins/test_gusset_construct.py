"""`gusset.construct`: turned, bound and folded seams, and what the layers between shell and liner take up."""

from __future__ import annotations

import re
from dataclasses import replace
from math import tau
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag.geometry import distance
from oaktag.pattern import Draft, Finding
from oaktag.pattern.walk import run_closed, run_of, walk
from oaktag.pattern.walk import run_path as sewn_run
from oaktag.plugin.kit import example_draft, run_stage

if TYPE_CHECKING:
    from tests.plugins import drafts
else:
    drafts = SimpleNamespace(**run_path(str(Path(__file__).with_name("drafts.py"))))

SETTINGS = settings(deadline=None, derandomize=True, max_examples=8)
TABLE = example_draft().materials
PANELS = {"drive": "side-panel-drive", "non-drive": "side-panel-non-drive"}


def bag(radius: Any = 25.0, **wrap: Any) -> Draft:
    draft = drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5), 4.0, radius, **wrap)
    assert isinstance(draft, Draft)
    return draft.evolve(materials=TABLE)


def constructed(draft: Draft, **options: Any) -> tuple[Draft, dict[str, Finding]]:
    after = run_stage("gusset.construct", draft, **options)
    return after, {found.code: found for found in after.findings[len(draft.findings) :]}


def seams_agree(draft: Draft) -> None:
    for seam in draft.seams:
        assert abs(walk(draft, seam).difference) < 0.01, seam.id


# Bound.


@given(
    tubes=st.lists(st.sampled_from(drafts.TUBES), unique=True, max_size=3),
    share=st.floats(0.2, 0.8),
    lap=st.floats(0.0, 30.0),
    per_tube=st.booleans(),
)
@SETTINGS
def test_a_binding_is_as_long_as_the_seam_and_its_lap(
    tubes: list[str], share: float, lap: float, per_tube: bool
) -> None:
    wrap: dict[str, Any] = {"joins": [{"tube": tube, "at": share} for tube in tubes]}
    if per_tube:
        wrap["strips"] = "per-tube"
    draft = bag(**wrap)
    after, found = constructed(draft, construction="bound", lap=lap)
    for side, panel in PANELS.items():
        binding = after.piece(f"binding-{side}")
        around = draft.piece(panel).seam_line.length
        box = binding.seam_line.bounds
        assert (box.width, box.height) == (pytest.approx(around + (lap if lap > 1e-6 else 0.0)), 22.0)
        (seam,) = (seam for seam in after.seams if seam.b.piece == binding.id)
        assert (seam.kind, seam.ease) == ("layer", 0.0)
        assert run_closed(after.piece(panel), seam.a)
        # It begins on a straight run, past the gusset's join.
        begin = sewn_run(after, seam.a).start
        at = min((edge for edge in after.piece(panel).edges), key=lambda edge: edge.path.nearest(begin)[1])
        assert not at.is_corner
        assert all(
            distance(begin, sewn_run(after, shell.a).start) > 12.0
            for shell in draft.seams
            if shell.a.piece == panel
        )
        assert (binding.role, binding.material, binding.body) == ("binding", "binding-22", "")
        (fold,) = (mark for mark in binding.marks if mark.kind == "fold")
        assert fold.path.length == pytest.approx(box.width)
    seams_agree(after)
    assert set(found) == {"construction"}
    assert "class 3.01" in found["construction"].message


def test_bound_edges_say_so_and_only_those() -> None:
    after, _ = constructed(bag(), construction="bound")
    for panel in PANELS.values():
        assert {edge.finish for edge in after.piece(panel).edges} == {"bound"}
    gusset = after.piece("gusset")
    assert {edge.name: edge.finish for edge in gusset.edges} == {
        "non-drive-side": "bound",
        "drive-side": "bound",
        "start": "",
        "end": "",
    }


def test_the_other_stages_take_it_for_a_bound_seam() -> None:
    draft, _ = constructed(bag(), construction="bound")
    for stage in ("seam.stitches", "allowance.by-seam", "notch.match", "label.block", "work.operations"):
        draft = run_stage(stage, draft)
    for seam in draft.seams:
        assert seam.stitching is not None
        bound = seam.id.endswith("drive")
        assert (seam.stitching.seam_class == "3.01") is bound, seam.id
    assert draft.piece("side-panel-drive").edges[0].allowance == 8.0
    assert draft.piece("binding-drive").edges[0].allowance == 0.0
    assert any("Bind" in step.text for step in draft.operations)
    assert [found for found in draft.findings if found.level == "error"] == []


def test_a_bag_that_is_open_at_a_tube_is_bound_up_to_the_opening() -> None:
    after, _ = constructed(bag(open=["top-tube"]), construction="bound")
    panel = after.piece("side-panel-drive")
    (seam,) = (seam for seam in after.seams if seam.b.piece == "binding-drive")
    run = sewn_run(after, seam.a)
    assert run.length == pytest.approx(panel.seam_line.length - panel.edge("top-tube").length, abs=1e-6)
    assert distance(run.start, panel.edge("top-tube").path.end) < 1e-6
    # There is nothing to lap over, and the top tube's edge isn't bound.
    assert after.piece("binding-drive").seam_line.bounds.width == pytest.approx(run.length)
    assert panel.edge("top-tube").finish == ""
    seams_agree(after)


def test_of_two_bodies_each_has_its_own_bindings() -> None:
    draft = example_draft("measure.reconcile", "outline.clear")
    draft = run_stage("body.two", draft, parallel_to="top-tube", distance=140)
    for stage in ("corners.round", "panel.pair", "gusset.wrap"):
        draft = run_stage(stage, draft)
    after, _ = constructed(draft, construction="bound")
    names = [piece.id for piece in after.pieces if piece.role == "binding"]
    assert names == [
        f"{body}-binding-{side}" for body in ("upper", "lower") for side in ("drive", "non-drive")
    ]
    seams_agree(after)
    after, _ = constructed(draft, construction="bound", body="lower")
    assert {piece.body for piece in after.pieces if piece.role == "binding"} == {"lower"}
    assert {edge.finish for edge in after.piece("upper-side-panel-drive").edges} == {""}


def test_two_openings_make_two_bindings() -> None:
    after, _ = constructed(bag(open=["top-tube", "seat-tube"]), construction="bound")
    names = [piece.id for piece in after.pieces if piece.role == "binding"]
    # One along the down tube, one round the corner between the two open tubes.
    assert names == [f"binding-{side}-{number}" for side in ("drive", "non-drive") for number in (1, 2)]
    seams_agree(after)


def test_the_runs_on_parts_of_a_panel_are_bound_too() -> None:
    draft = run_stage("zipper.panel", bag(), parallel_to="top-tube", distance=70)
    whole = next(piece for piece in draft.pieces if piece.assembled)
    after, _ = constructed(draft, construction="bound")
    for part in whole.parts:
        for edge in after.piece(part).edges:
            assert (edge.finish == "bound") == bool(edge.of), (part, edge.name)
    seams_agree(after)


def test_a_tape_that_covers_too_little_is_warned_of() -> None:
    draft = bag().evolve(
        materials=tuple(
            replace(material, name="shell", thickness=0.5) if material.name == "canvas-500d" else material
            for material in TABLE
        )
    )
    # 2·8 mm of allowance, 2·0.5 mm of cloth, 3 mm of foam, 2 mm to spare.
    after, found = constructed(draft, construction="bound", caught=["foam-3"], tape=22.0)
    assert "binding-narrow" not in found
    _, found = constructed(draft, construction="bound", caught=["foam-3"], tape=21.9)
    finding = found["binding-narrow"]
    assert finding.level == "warning"
    assert "22.0 mm" in finding.message
    most = re.search(r"at most (\d+\.\d) mm", finding.message)
    assert most is not None
    assert float(most[1]) == pytest.approx(0.5 * (21.9 - 1.0 - 3.0 - 2.0), abs=0.06)
    _, found = constructed(draft, construction="bound", tape=2.0)
    assert found["binding-narrow"].message.endswith("Take a wider tape.")
    assert {piece.seam_line.bounds.height for piece in after.pieces if piece.role == "binding"} == {22.0}


def test_a_tape_of_unknown_width_is_refused() -> None:
    said = drafts.refusal(lambda: constructed(bag(), construction="bound", binding="binding-23"), "binding")
    assert "binding-22" in said.valid
    drafts.refusal(lambda: constructed(bag().evolve(materials=()), construction="bound"), "binding")


# Folded and turned.


def test_folded_panels_get_a_fold_line_along_the_seam() -> None:
    draft = bag(joins=[{"tube": tube, "at": 0.5} for tube in drafts.TUBES])
    after, found = constructed(draft, construction="folded")
    assert "2.04" in found["construction"].message
    for panel in PANELS.values():
        piece = after.piece(panel)
        folds = [mark for mark in piece.marks if mark.kind == "fold"]
        assert sum(mark.path.length for mark in folds) == pytest.approx(piece.seam_line.length)
        for mark in folds:
            for share in (0.0, 0.3, 0.9):
                point = mark.path.point_at(share * mark.path.length)
                assert piece.seam_line.nearest(point)[1] < 1e-6
    assert after.piece("gusset-1").marks == draft.piece("gusset-1").marks
    assert after.seams == draft.seams


def test_a_turned_bag_is_as_it_was() -> None:
    draft = bag()
    after, found = constructed(draft)
    assert after.pieces == draft.pieces
    assert after.seams == draft.seams
    assert set(found) == {"construction"}
    assert "class 1.01" in found["construction"].message


# Turn of cloth.


@given(thickness=st.floats(0.5, 12.0))
@SETTINGS
def test_a_liner_is_a_whole_turn_shorter(thickness: float) -> None:
    _, found = constructed(bag(), thickness=thickness)
    message = found["turn-of-cloth"].message
    whole = re.search(r"a liner is (\d+\.\d) mm shorter all round", message)
    parts = re.findall(r"(\d+\.\d) mm at ([a-z-]+)", message)
    assert whole is not None
    assert float(whole[1]) == pytest.approx(tau * thickness, abs=0.051)
    assert {name for _, name in parts} == {"seat", "head", "bottom-bracket"}
    assert sum(float(part) for part, _ in parts) == pytest.approx(tau * thickness, abs=0.16)
    assert "turn-too-tight" not in found


def test_layers_come_from_the_table_unless_the_thickness_is_given() -> None:
    _, found = constructed(bag(), layers=["foam-3", "board-08"])
    assert "3.8 mm thick" in found["turn-of-cloth"].message
    _, found = constructed(bag(), layers=["foam-3"], thickness=5)
    assert "5 mm thick" in found["turn-of-cloth"].message
    drafts.refusal(lambda: constructed(bag(), layers=["foam-33"]), "layers[0]")
    drafts.refusal(lambda: constructed(bag(), construction="bound", caught=["foam-33"]), "caught[0]")


def test_a_round_that_the_layers_fill_is_warned_of() -> None:
    _, found = constructed(bag(radius={"default": 25.0, "head": 12.0}, slope_limit=0.9), thickness=12.0)
    assert found["turn-too-tight"].where == "corner:head"
    _, found = constructed(bag(radius={"default": 25.0, "head": 12.0}, slope_limit=0.9), thickness=11.9)
    assert "turn-too-tight" not in found


def test_an_unknown_body_is_refused() -> None:
    drafts.refusal(lambda: constructed(bag(), body="upper"), "body")


def test_runs_of_bindings_are_walked_by_their_pieces_too() -> None:
    after, _ = constructed(bag(), construction="bound")
    for seam in after.seams:
        if seam.kind == "layer":
            panel, binding = after.piece(seam.a.piece), after.piece(seam.b.piece)
            assert run_of(panel, seam.a).length == pytest.approx(run_of(binding, seam.b).length, abs=1e-6)
