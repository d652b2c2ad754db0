"""`check.clearance`: signed least distances of the panels from tubes and obstacles."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path as FilePath
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest

from oaktag.geometry import Path, Transform
from oaktag.pattern import Draft, Finding, Obstacle, Place
from oaktag_plugins.check_clearance import ClearanceOptions, run
from oaktag_plugins.outline_keep_out import KeepOutOptions
from oaktag_plugins.outline_keep_out import run as keep_out
from oaktag_plugins.panel_pair import DRIVE, PairOptions
from oaktag_plugins.panel_pair import run as pair

if TYPE_CHECKING:
    from tests.plugins import drafts
else:
    drafts = SimpleNamespace(**run_path(str(FilePath(__file__).with_name("drafts.py"))))


def peg(treatment: Any = "notch", at: float = 0.5, height: float = 12.0) -> Obstacle:
    return Obstacle("peg", Place("down-tube", fraction=at), 30.0, height, 5.0, treatment, "obstacles[0]")


def panelled(*obstacles: Obstacle, gap: object = 5.0, cut_out: bool = False, **polygon: Any) -> Draft:
    draft = drafts.triangle(400.0, 560.0, 55.0, **polygon)
    draft = drafts.rounded(draft.evolve(frame=replace(draft.frame, obstacles=obstacles)), gap)
    if cut_out:
        draft = keep_out(draft, KeepOutOptions())
    return pair(draft.evolve(findings=()), PairOptions())


def checked(draft: Draft, gap: object = 0.0) -> tuple[Finding, ...]:
    return run(draft.evolve(findings=()), ClearanceOptions.model_validate({"gap": gap})).findings


def told(found: tuple[Finding, ...]) -> list[tuple[str, str, str]]:
    return [(f.level, f.code, f.where) for f in found]


def distance_in(finding: Finding) -> float:
    """The signed distance in a message."""
    found = re.search(r"[+-]\d+\.\d+", finding.message)
    assert found is not None
    return float(found.group())


NOTES = [("note", "tube-clearance", tube) for tube in ("top-tube", "down-tube", "seat-tube")]


@pytest.mark.parametrize("sagittas", [None, {"top-tube": 12.0, "down-tube": -9.0}])
def test_every_tube_is_measured(sagittas: dict[str, float] | None) -> None:
    gaps = {"top-tube": 3.0, "down-tube": 7.5, "seat-tube": 4.0}
    found = checked(panelled(gap=gaps, sagittas=sagittas), gaps)
    assert told(found) == NOTES
    assert [distance_in(f) for f in found] == pytest.approx([3.0, 7.5, 4.0], abs=0.011)


def test_a_gap_that_is_not_kept_is_a_warning_with_its_place() -> None:
    draft = panelled(gap=5.0)
    found = checked(draft, {"default": 5.0, "seat-tube": 6.0})
    assert told(found) == [*NOTES[:2], ("warning", "gap-missed", "seat-tube")]
    assert distance_in(found[2]) == pytest.approx(5.0, abs=0.011)
    assert "from corner bottom-bracket" in found[2].message
    assert "6 mm" in found[2].message


def test_a_panel_that_reaches_into_a_tube_is_an_error_with_how_far() -> None:
    draft = panelled(gap=5.0)
    assert draft.opening is not None
    # Moved 8 mm square to the down tube, towards it: 3 mm past.
    ux, uy = draft.opening.edge("down-tube").path.tangent_at(0.0)
    moved = Transform.translation(-8.0 * uy, 8.0 * ux)
    panel = draft.piece(DRIVE)
    edges = tuple(replace(edge, path=edge.path.transformed(moved)) for edge in panel.edges)
    found = checked(drafts.with_piece(draft, panel.evolve(edges=edges)))
    assert ("error", "tube-in-the-way", "down-tube") in told(found)
    finding = next(f for f in found if f.level == "error")
    assert "3.00 mm into the tube" in finding.message
    assert [f.where for f in found if f.level == "error"] == ["down-tube"]


def test_a_hollow_corner_whose_round_crosses_the_tube_is_found() -> None:
    points = ((0.0, 300.0), (200.0, 150.0), (400.0, 300.0), (400.0, 0.0), (0.0, 0.0))
    draft = drafts.polygon(points)
    small, middle, large = (
        pair(drafts.rounded(draft, 6.0, {"default": 20.0, "corner-1": radius}), PairOptions())
        for radius in (5.0, 20.0, 60.0)
    )
    # Between tubes at 2 asin 0.8 the seam line's corner is 6 / 0.8 mm away, and a round of r is r / 4 nearer.
    assert {f.level for f in checked(small, 6.0)} == {"note"}
    missed = [f for f in checked(middle, 6.0) if f.level != "note"]
    assert {(f.level, f.code, f.where) for f in missed} == {
        ("warning", "gap-missed", "tube-0"),
        ("warning", "gap-missed", "tube-1"),
    }
    assert [distance_in(f) for f in missed] == pytest.approx([7.5 - 5.0] * 2, abs=0.011)
    assert {f.where for f in checked(large) if f.code == "tube-in-the-way"} == {"tube-0", "tube-1"}


def test_an_obstacle_that_nobody_cut_out_is_an_error() -> None:
    found = checked(panelled(peg()))
    assert told(found) == [*NOTES, ("error", "obstacle-in-the-way", "peg")]
    # 12 mm high, seam line at 5 mm: it reaches 7 mm into the panel.
    assert distance_in(found[3]) == pytest.approx(-7.0, abs=0.011)
    assert "outline.keep-out" in found[3].message


def test_an_obstacle_right_across_the_panel_is_measured_in_its_middle() -> None:
    found = checked(panelled(peg(height=900.0)))
    assert distance_in(found[3]) < -14.0


def test_an_obstacle_cut_out_keeps_its_clearance() -> None:
    found = checked(panelled(peg(), cut_out=True))
    assert told(found) == [*NOTES, ("note", "obstacle-clearance", "peg")]
    assert distance_in(found[3]) == pytest.approx(5.0, abs=0.011)


@pytest.mark.parametrize(("gap", "level"), [(16.9, "error"), (17.0, "note")])
def test_the_limit_is_the_clearance(gap: float, level: str) -> None:
    assert checked(panelled(peg(), gap=gap))[3].level == level


def test_a_hole_is_not_in_the_way_and_a_place_off_the_tube_is_said() -> None:
    assert told(checked(panelled(peg("hole")))) == NOTES
    assert told(checked(panelled(peg(at=1.1)))) == [*NOTES, ("error", "obstacle-off-tube", "peg")]


def test_a_gap_of_a_tube_that_is_not_there_is_refused() -> None:
    drafts.refusal(lambda: checked(panelled(), {"default": 5.0, "top-tub": 3.0}), "gap.top-tub")


def test_panels_of_another_kind_are_not_passed_over_in_silence() -> None:
    draft = panelled()
    others = tuple(piece for piece in draft.pieces if piece.id != DRIVE)
    assert told(checked(draft.evolve(pieces=others))) == [("warning", "clearance-unchecked", "")]


def test_the_panel_is_measured_not_the_outline() -> None:
    draft = panelled(gap=5.0)
    wider = panelled(gap=2.0).outline
    assert wider is not None
    assert isinstance(wider.path, Path)
    assert checked(draft.evolve(outlines=(wider,))) == checked(draft)
