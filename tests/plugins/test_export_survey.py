"""The drawing of a survey: true size, every reading beside what it is of, nothing on top of anything else."""

from __future__ import annotations

import math
from collections.abc import Iterator
from io import StringIO
from itertools import combinations
from pathlib import Path as File
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import svgelements
from scipy.stats import chi2
from shapely import LineString, Point, Polygon, affinity, box

import oaktag_plugins.export_survey as module
from oaktag.pattern import Draft, Refusal
from oaktag.pattern.lettering import letter_polylines, text_size
from oaktag_plugins.export_survey import SurveyOptions, oaktag_stages, run, survey_sheet
from oaktag_plugins.measure_reconcile import ReconcileOptions
from oaktag_plugins.measure_reconcile import run as reconcile

if TYPE_CHECKING:
    from tests.plugins import openings
else:
    openings = SimpleNamespace(**run_path(str(File(__file__).with_name("openings.py"))))

TRIANGLE = """
[lengths]
top-tube = [518, { value = 538, excluded = "tape caught on the cable stop" }]
down-tube = [611, 612]
seat-tube = 402
[angles]
bottom-bracket = [57.0, 56.8]
head = 40.8
[bows]
top-tube = { rise = -25 }
down-tube = { rise = 30 }
"""
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
"head to bottom-bracket" = 595
[angles]
head = 105
[bows]
down-tube = { rise = 12 }
"""
FIVE = """
corners = ["seat", "head", "crown", "shock", "bottom-bracket"]
tubes = ["top-tube", "head-tube", "down-tube", "shock-mount", "seat-tube"]
[lengths]
top-tube = [520, 521]
head-tube = 100
down-tube = 330
shock-mount = 260
seat-tube = 420
[diagonals]
"seat to crown" = 554
"seat to shock" = 330
[angles]
head = 104.6
shock = 212
bottom-bracket = 49
"""
SHEETS = {"triangle": TRIANGLE, "four": FOUR, "five": FIVE}


@pytest.fixture(params=SHEETS)
def surveyed(request: pytest.FixtureRequest, tmp_path: File) -> Draft:
    return reconcile(openings.sheet(tmp_path, SHEETS[request.param]), ReconcileOptions())


@pytest.fixture
def blocks(monkeypatch: pytest.MonkeyPatch) -> list[tuple[list[str], Polygon]]:
    """The text of the drawings that are made from here on, and the room that it takes."""
    found: list[tuple[list[str], Polygon]] = []

    def recording(lines: list[str], height: float, position: Any, angle: float = 0.0, **more: Any) -> Any:
        wide, tall = text_size(lines, height)
        ax, ay = more.get("anchor", (0.5, 0.5))
        room = box(-ax * wide, -ay * tall, (1 - ax) * wide, (1 - ay) * tall)
        turned = affinity.rotate(room, angle, origin=(0, 0))
        found.append((list(lines), affinity.translate(turned, *position)))
        return letter_polylines(lines, height, position, angle, **more)

    monkeypatch.setattr(module, "letter_polylines", recording)
    return found


def lines_of(draft: Draft) -> Iterator[LineString]:
    """Whatever isn't text."""
    for stroke in survey_sheet(draft, SurveyOptions()).strokes:
        if stroke.role in ("mark", "seam") or (stroke.role == "sheet" and not isinstance(stroke.shape, list)):
            points = stroke.flatten(0.05)
            if stroke.role != "sheet" or len(points) > 60:
                yield LineString(points)


def test_text_lies_on_nothing_and_outside_the_opening(
    surveyed: Draft, blocks: list[tuple[list[str], Polygon]]
) -> None:
    lines = list(lines_of(surveyed))
    diagonals = sum(reading.kind == "diagonal" for reading in surveyed.frame.readings)
    assert len(blocks) == 2 * len(surveyed.frame.corners) + diagonals + 1
    for text, room in blocks:
        assert not any(room.intersects(line) for line in lines), text
    for (one, first), (other, second) in combinations(blocks, 2):
        assert not first.intersects(second), (one, other)
    assert surveyed.opening is not None
    inside = Polygon([point for edge in surveyed.opening.edges for point in edge.path.flatten(0.05)[:-1]])
    for text, room in blocks:
        if " to " not in text[0]:
            assert not room.intersects(inside), text


def test_every_value_and_every_reading_is_written_once(
    surveyed: Draft, blocks: list[tuple[list[str], Polygon]]
) -> None:
    run(surveyed, SurveyOptions())
    lines = [line for text, _ in blocks for line in text]
    survey = surveyed.survey
    assert survey is not None
    for length in survey.lengths:
        assert lines.count(f"{length.of} {length.value:.1f} ± {length.sigma:.1f} mm") == 1
    for angle in survey.angles:
        assert lines.count(f"{angle.of} {angle.value:.2f} ± {angle.sigma:.2f}°") == 1
    for reading in survey.readings:
        unit = "°" if reading.kind == "angle" else " mm"
        assert sum(f"read {reading.value:g}{unit} ({reading.residual:+.2f})" in line for line in lines) == 1
    assert sum("left out: tape caught on the" in line for line in lines) == sum(
        bool(reading.excluded) for reading in survey.readings
    )


def test_the_opening_has_its_true_size(surveyed: Draft) -> None:
    (artifact,) = run(surveyed, SurveyOptions(file="check/opening.svg")).artifacts
    assert (artifact.path, artifact.kind) == ("check/opening.svg", "svg")
    drawing = svgelements.SVG.parse(StringIO(artifact.data.decode()), ppi=25.4)
    marks = [
        element
        for group in drawing.select(lambda found: found.values.get("class") == "mark")
        for element in (group if isinstance(group, svgelements.Group) else ())
    ]
    assert surveyed.opening is not None
    drawn = sorted(mark.length(error=1e-7) for mark in marks)
    assert drawn == pytest.approx(sorted(edge.path.length for edge in surveyed.opening.edges), abs=0.01)


def test_a_bowed_side_has_its_straight_line_too(tmp_path: File) -> None:
    draft = reconcile(openings.sheet(tmp_path, TRIANGLE), ReconcileOptions())
    assert draft.survey is not None
    dashed = [s.path for s in survey_sheet(draft, SurveyOptions()).strokes if s.role == "seam"]
    assert [path.length for path in dashed] == pytest.approx([one.value for one in draft.survey.lengths[:2]])


@pytest.mark.parametrize("enlarged", [10.0, 40.0])
def test_ellipses_hold_a_corner_95_times_in_100(surveyed: Draft, enlarged: float) -> None:
    # A binormal point lies within the ellipse d' C^-1 d = chi-square(0.95, 2) with probability 0.95.
    limit = chi2.ppf(0.95, 2)
    assert limit == pytest.approx(module.CHI_95**2, rel=1e-4)
    opening, survey = surveyed.opening, surveyed.survey
    assert opening is not None
    assert survey is not None
    covariance = np.array(survey.covariance)
    sheet = survey_sheet(surveyed, SurveyOptions(enlarged=enlarged))
    rounds = [s.flatten(0.01) for s in sheet.strokes if s.role == "sheet" and len(s.flatten(0.01)) == 73]
    assert len(rounds) == len(opening.corners) - 1  # all but the first, which is held fixed
    for index, points in enumerate(rounds, start=1):
        block = covariance[2 * index : 2 * index + 2, 2 * index : 2 * index + 2]
        away = (np.array(points) - opening.corners[index].point) / enlarged
        if index == 1:  # the first tube's direction is held fixed: a line
            assert np.max(np.abs(away[:, 1])) < 1e-6
            assert np.max(away[:, 0]) == pytest.approx(math.sqrt(limit * block[0, 0]), rel=1e-3)
        else:
            inside = np.einsum("ki,ij,kj->k", away, np.linalg.inv(block), away)
            assert inside == pytest.approx(np.full(73, limit), rel=1e-3)


def test_a_corner_that_points_inwards_is_named_in_the_hollow(
    tmp_path: File, blocks: list[tuple[list[str], Polygon]]
) -> None:
    draft = reconcile(openings.sheet(tmp_path, FIVE), ReconcileOptions())
    run(draft, SurveyOptions())
    assert draft.opening is not None
    (room,) = [room for text, room in blocks if text[0].startswith("shock 2")]
    hollow = Polygon([draft.opening.corner(name).point for name in ("crown", "shock", "bottom-bracket")])
    assert hollow.contains(room.centroid)
    assert room.distance(Point(draft.opening.corner("shock").point)) < 60


def test_suspects_and_the_verdict_are_written(
    tmp_path: File, blocks: list[tuple[list[str], Polygon]]
) -> None:
    wrong = TRIANGLE.replace("bottom-bracket = [57.0, 56.8]", "bottom-bracket = [57.0, 65.8]")
    draft = reconcile(openings.sheet(tmp_path, wrong), ReconcileOptions())
    run(draft, SurveyOptions())
    lines = [line for text, _ in blocks for line in text]
    assert [line.split(" (")[0] for line in lines if line.endswith("SUSPECT")] == ["read 65.8°"]
    assert any(line.startswith("The readings DISAGREE: chi-square") for line in lines)
    blocks.clear()
    bare = "[lengths]\ntop-tube = 518\ndown-tube = 611\nseat-tube = 402\n"
    run(reconcile(openings.sheet(tmp_path, bare), ReconcileOptions()), SurveyOptions())
    assert "Nothing checks these readings: there is no spare one." in blocks[-1][0]


def test_a_file_of_that_name_is_not_written_over(surveyed: Draft) -> None:
    once = run(surveyed, SurveyOptions())
    with pytest.raises(Refusal) as caught:
        run(once, SurveyOptions())
    assert "survey.svg" in caught.value.found


def test_the_stage_needs_what_it_draws() -> None:
    (spec,) = oaktag_stages()
    assert spec.name == "export.survey"
    assert set(spec.needs) == {"survey", "opening"}
    assert set(spec.adds) == {"files"}
