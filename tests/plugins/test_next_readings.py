"""What to read next: held to adjusting again with the reading added."""

from __future__ import annotations

import itertools
from dataclasses import replace
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from oaktag.pattern import Draft, NextReading, Reading, Survey
from oaktag_plugins.measure_reconcile import ReconcileOptions, run

if TYPE_CHECKING:
    from tests.plugins import openings
else:
    openings = SimpleNamespace(**run_path(str(Path(__file__).with_name("openings.py"))))

TRIANGLE = "[lengths]\nseat-tube = 402\ntop-tube = 518\ndown-tube = 611\n"
FOUR = """
corners = ["seat", "head", "crown", "bottom-bracket"]
tubes = ["top-tube", "head-tube", "down-tube", "seat-tube"]
[lengths]
top-tube = 500
head-tube = 88
down-tube = 555
seat-tube = 440
[diagonals]
"seat to crown" = 530
[angles]
head = 105
"""
FIVE = """
corners = ["seat", "head", "crown", "shock", "bottom-bracket"]
tubes = ["top-tube", "head-tube", "down-tube", "shock-mount", "seat-tube"]
[instruments]
tape = 1.5
[lengths]
top-tube = [520, { value = 521, instrument = "caliper" }]
head-tube = 100
down-tube = 330
shock-mount = 260
seat-tube = 420
[diagonals]
"seat to crown" = 554
"seat to shock" = 317
[angles]
shock = 212
"""


def surveyed(draft: Draft) -> Survey:
    survey = run(draft, ReconcileOptions()).survey
    assert survey is not None
    return survey


def value_of(survey: Survey, draft: Draft, proposal: NextReading) -> float:
    """What the adjusted opening has there, so that reading it moves nothing."""
    opening = run(draft, ReconcileOptions()).opening
    assert opening is not None
    if proposal.kind == "diagonal":
        first, second = (np.array(opening.corner(name).point) for name in proposal.of.split(" to "))
        return float(np.hypot(*(first - second)))
    table = survey.angles if proposal.kind == "angle" else survey.lengths
    return {one.of: one.value for one in table}[proposal.of]


def worst_corner(survey: Survey) -> float:
    full = np.array(survey.covariance)
    blocks = [full[i : i + 2, i : i + 2] for i in range(0, len(full), 2)]
    return float(np.sqrt(max(np.linalg.eigvalsh(block)[-1] for block in blocks)))


@pytest.mark.parametrize("text", [TRIANGLE, FOUR, FIVE], ids=["triangle", "four", "five"])
def test_proposals_are_what_adjusting_again_gives(text: str, tmp_path: Path) -> None:
    draft = openings.sheet(tmp_path, text)
    survey = surveyed(draft)
    taken: list[tuple[str, str]] = [(reading.kind, reading.of) for reading in draft.frame.readings]
    corners = draft.frame.corners
    pairs = [" to ".join(pair) for pair in itertools.combinations(corners, 2)]
    sides = {frozenset(draft.frame.ends(tube)) for tube in draft.frame.tubes}
    everything: list[tuple[str, str]] = [
        *(("length", tube) for tube in draft.frame.tubes),
        *(("diagonal", pair) for pair in pairs if frozenset(pair.split(" to ")) not in sides),
        *(("angle", corner) for corner in corners),
    ]
    proposed: list[tuple[str, str]] = [(one.kind, one.of) for one in survey.next_readings]
    fresh = [one for one in everything if one not in taken]
    assert set(fresh) <= set(proposed)
    assert len(set(proposed)) == len(proposed)
    now = (survey.perimeter.sigma, worst_corner(survey))
    scores: dict[tuple[str, str], float] = {}
    for kind, of in [*fresh, *(one for one in everything if taken.count(one) == 1)]:
        like = sorted(one.sigma for one in draft.frame.readings if (one.kind == "angle") == (kind == "angle"))
        sigma = float(np.median(like)) if like else 0.3
        proposal = NextReading(kind, of, sigma, 0.0, 0.0)  # type: ignore[arg-type]
        value = value_of(survey, draft, proposal)
        added = Reading(proposal.kind, of, value, sigma, "tape", "added")
        again = surveyed(replace(draft, frame=replace(draft.frame, readings=(*draft.frame.readings, added))))
        scores[kind, of] = (again.perimeter.sigma / now[0] + worst_corner(again) / now[1]) / 2
        if (kind, of) in proposed:
            found = survey.next_readings[proposed.index((kind, of))]
            assert found.sigma == sigma
            assert found.perimeter == pytest.approx(again.perimeter.sigma, rel=1e-6)
            assert found.corner == pytest.approx(worst_corner(again), rel=1e-6)
    in_order = [scores[one] for one in proposed]
    assert in_order == sorted(in_order)
    best = min(scores[one] for one in fresh)
    repeats = {one for one in scores if one not in fresh and scores[one] < best}
    assert set(proposed) == set(fresh) | repeats


def test_a_second_reading_is_proposed_where_it_helps_most(tmp_path: Path) -> None:
    rough = TRIANGLE.replace("402", '{ value = 402, instrument = "string" }')
    angles = "[angles]\nseat = 82.3\nhead = 40.7\nbottom-bracket = 57\n"
    text = f"[instruments]\nstring = 8\nangle-gauge = 5\n{rough}"
    assert surveyed(openings.sheet(tmp_path, text)).next_readings[0].of == "seat-tube"
    # Everything has been read: only second readings are left.
    whole = surveyed(openings.sheet(tmp_path, TRIANGLE + angles)).next_readings
    assert len(whole) == 6
    twice = "[lengths]\n" + "".join(f"{tube} = [{v}, {v}]\n" for tube, v in
        (("seat-tube", 402), ("top-tube", 518), ("down-tube", 611)))  # fmt: skip
    angles = "[angles]\nseat = [82.3, 82.3]\nhead = [40.7, 40.7]\nbottom-bracket = [57, 57]\n"
    assert surveyed(openings.sheet(tmp_path, twice + angles)).next_readings == ()


def test_what_was_left_out_may_be_read_again(tmp_path: Path) -> None:
    text = TRIANGLE + '[angles]\nhead = { value = 60, excluded = "gauge slipped" }\n'
    found = surveyed(openings.sheet(tmp_path, text)).next_readings
    assert "head" in [one.of for one in found]


def test_the_sheets_own_instruments_count_for_what_has_not_been_read(tmp_path: Path) -> None:
    text = "[instruments]\nangle-gauge = 0.7\n" + TRIANGLE
    found = surveyed(openings.sheet(tmp_path, text)).next_readings
    assert {one.sigma for one in found if one.kind == "angle"} == {0.7}
