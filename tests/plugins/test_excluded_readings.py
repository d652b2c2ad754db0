"""Readings that were left out by hand: they stay on record and change nothing."""

from __future__ import annotations

import math
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING

import pytest

from oaktag.geometry import Arc, Curve, Line, distance
from oaktag.pattern import Draft, Finding, Refusal
from oaktag_plugins.measure_reconcile import ReconcileOptions, run

if TYPE_CHECKING:
    from tests.plugins import openings
else:
    openings = SimpleNamespace(**run_path(str(Path(__file__).with_name("openings.py"))))

ANGLES = "[angles]\nbottom-bracket = 57.0\nhead = 40.8\n"
LENGTHS = "[lengths]\nseat-tube = 402\ntop-tube = {}\ndown-tube = 611\n"
WRONG = '{ value = 538, excluded = "tape caught on a stop" }'


def reconciled(tmp_path: Path, text: str) -> Draft:
    return run(openings.sheet(tmp_path, text), ReconcileOptions())


def finding(result: Draft, code: str) -> Finding:
    (found,) = [one for one in result.findings if one.code == code]
    return found


def test_an_excluded_reading_stays_on_record_and_changes_nothing(tmp_path: Path) -> None:
    with_it = reconciled(tmp_path, LENGTHS.format(f"[518, {WRONG}]") + ANGLES)
    without = reconciled(tmp_path, LENGTHS.format("518") + ANGLES)
    assert with_it.survey is not None
    assert without.survey is not None
    assert with_it.opening == without.opening
    assert with_it.survey.statistics == without.survey.statistics
    assert with_it.survey.covariance == without.survey.covariance
    left_out = with_it.survey.readings[2]
    assert (left_out.key, left_out.excluded) == ("lengths.top-tube[1]", "tape caught on a stop")
    assert (left_out.value, left_out.standardised, left_out.redundancy) == (538.0, None, 0.0)
    assert left_out.residual == pytest.approx(with_it.survey.lengths[0].value - 538.0)
    assert [one.excluded for one in with_it.survey.readings] == ["", "", "tape caught on a stop", "", "", ""]
    others = [one for one in with_it.survey.readings if not one.excluded]
    assert [one.residual for one in others] == [one.residual for one in without.survey.readings]
    note = finding(with_it, "reading-excluded")
    assert (note.level, note.where) == ("note", "lengths.top-tube[1]")
    assert "lengths.top-tube[1] 538 mm is left out: tape caught on a stop." in note.message
    assert "The opening has 517.8 mm ± 0.9 mm there" in note.message
    assert not with_it.has_errors


def test_an_excluded_angle_goes_the_short_way_round(tmp_path: Path) -> None:
    angles = '[angles]\nhead = { value = 350, excluded = "read outside" }\nbottom-bracket = 57.0\n'
    survey = reconciled(tmp_path, LENGTHS.format("518") + angles).survey
    assert survey is not None
    (left_out,) = [one for one in survey.readings if one.excluded]
    assert left_out.residual == pytest.approx(survey.angles[1].value + 10.0, abs=1e-9)


def test_readings_that_are_all_left_out_are_too_few(tmp_path: Path) -> None:
    text = LENGTHS.format(WRONG)
    with pytest.raises(Refusal) as caught:
        reconciled(tmp_path, text)
    assert caught.value.found == "readings lengths.seat-tube, lengths.down-tube: two independent"
    assert caught.value.todo.startswith("read the top-tube")


@pytest.mark.parametrize(
    ("unit", "factor", "written"), [("mm", 1.0, "538"), ("cm", 10.0, "53.8"), ("in", 25.4, "21.1811")]
)
def test_a_suspect_says_how_to_leave_it_out_and_that_works(
    unit: str, factor: float, written: str, tmp_path: Path
) -> None:
    lengths = {"seat-tube": 402, "down-tube": 611, "top-tube": 538}
    rows = {tube: f"{value / factor:.4f}" for tube, value in lengths.items()}

    def text(**changed: str) -> str:
        table = {**rows, **changed}
        return f'unit = "{unit}"\n[lengths]\n' + "".join(f"{k} = {v}\n" for k, v in table.items()) + ANGLES

    error = finding(reconciled(tmp_path, text()), "reading-suspect")
    entry = f'{{ value = {written}, excluded = "why" }}'
    assert f"and correct it or leave it out: {entry}." in error.message
    again = reconciled(tmp_path, text(**{"top-tube": entry}))
    assert again.survey is not None
    assert again.survey.statistics.passed is True
    assert not again.has_errors
    (left_out,) = [one for one in again.survey.readings if one.excluded]
    assert left_out.value == pytest.approx(538, abs=2e-3)


def test_sides_bend_as_the_sheet_says_between_corners_a_chord_apart(tmp_path: Path) -> None:
    bows = (
        "[bows.down-tube]\nrise = 12\n[bows.seat-tube]\noffsets = ["
        "{ distance = 100, from = 'bottom-bracket', rise = -4 }, "
        "{ distance = 150, from = 'seat', rise = -7 }]\n"
    )
    bent = reconciled(tmp_path, LENGTHS.format("518") + ANGLES + bows)
    straight = reconciled(tmp_path, LENGTHS.format("518") + ANGLES)
    assert bent.opening is not None
    assert bent.survey is not None
    assert straight.opening is not None
    assert bent.opening.corners == straight.opening.corners
    assert bent.survey == straight.survey
    top, down, seat = (edge.path.segments for edge in bent.opening.edges)
    assert [type(side[0]) for side in (top, down, seat)] == [Line, Arc, Curve]
    for edge, length in zip(bent.opening.edges, bent.survey.lengths, strict=True):
        assert distance(edge.path.start, edge.path.end) == pytest.approx(length.value)
    # Rise and chord give the arc's length: 2 r asin(c / 2 r), r = (c² / 4 + h²) / 2 h (Machinery's Handbook).
    chord = bent.survey.lengths[1].value
    radius = (chord**2 / 4 + 12**2) / 24
    assert bent.opening.edges[1].path.length == pytest.approx(2 * radius * math.asin(chord / (2 * radius)))
