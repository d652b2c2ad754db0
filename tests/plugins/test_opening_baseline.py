"""`opening.baseline`: distances along a line and offsets to its side."""

from __future__ import annotations

import math
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag.geometry import Point
from oaktag.pattern import Draft
from oaktag_plugins.opening_baseline import BaselineOptions, run

if TYPE_CHECKING:
    from tests.plugins import openings
else:
    openings = SimpleNamespace(**run_path(str(Path(__file__).with_name("openings.py"))))

SETTINGS = settings(deadline=None, derandomize=True, max_examples=60)

TRIANGLE: tuple[Point, ...] = ((-76.0, 412.0), (438.0, 396.0), (0.0, 0.0))


def baseline(points: list[dict[str, Any]], **table: Any) -> Draft:
    return openings.sourced("baseline", {"points": points, **table})


def made(draft: Draft) -> Draft:
    return run(draft, BaselineOptions())


def entry(corner: str, along: object, offset: object) -> dict[str, Any]:
    return {"corner": corner, "along": along, "offset": offset}


def entries(points: tuple[Point, ...] = TRIANGLE) -> list[dict[str, Any]]:
    return [entry(name, x, y) for name, (x, y) in zip(openings.CORNERS, points, strict=True)]


@given(
    openings.polygons(),
    st.floats(-math.pi, math.pi),
    st.tuples(st.floats(-600.0, 600.0), st.floats(-600.0, 600.0)),
    st.booleans(),
    st.randoms(use_true_random=False),
)
@SETTINGS
def test_it_finds_the_opening_from_a_line_laid_anywhere(
    points: tuple[Point, ...], direction: float, begin: Point, mirrored: bool, random: Any
) -> None:
    # The line seen from where one stands: from the non-drive side the frame is its mirror image.
    corners, tubes = openings.names(len(points))
    ahead = (math.cos(direction), math.sin(direction))
    rows = []
    for name, (x, y) in zip(corners, points, strict=True):
        dx, dy = (-x if mirrored else x) - begin[0], y - begin[1]
        rows.append(entry(name, dx * ahead[0] + dy * ahead[1], dy * ahead[0] - dx * ahead[1]))
    random.shuffle(rows)
    table = {"points": rows, "mirrored": mirrored}
    openings.check_shape(made(openings.sourced("baseline", table, corners=corners, tubes=tubes)), points)


def test_offsets_are_positive_to_the_left() -> None:
    # Along the top tube to the front, the bottom bracket lies to the right.
    rows = [entry("seat", 0, 0), entry("head", 500, 0), entry("bottom-bracket", 100, -400)]
    openings.check_shape(made(baseline(rows)), ((0.0, 0.0), (500.0, 0.0), (100.0, -400.0)))
    wrong = [entry("seat", 0, 0), entry("head", 500, 0), entry("bottom-bracket", 100, 400)]
    said = openings.refusal(lambda: made(baseline(wrong)), "sources.baseline")
    assert "counter-clockwise" in said.reason
    # Back to front it is the same line.
    back = [entry("head", 0, 0), entry("seat", 500, 0), entry("bottom-bracket", 400, 400)]
    openings.check_shape(made(baseline(back)), ((0.0, 0.0), (500.0, 0.0), (100.0, -400.0)))


@pytest.mark.parametrize("sigmas", [{}, {"sigma-along": 0.6, "sigma-offset": 2.0}])
def test_stated_uncertainties_are_those_of_many_trials(sigmas: dict[str, float]) -> None:
    random = np.random.default_rng(3)
    sigma = np.array([sigmas.get("sigma-along", 1.0), sigmas.get("sigma-offset", 1.0)])
    samples = np.array(TRIANGLE) + random.normal(size=(20_000, 3, 2)) * sigma
    openings.check_covariance(made(baseline(entries(), **sigmas)), samples)


def test_repeated_corners_are_averaged_and_better_known() -> None:
    once = made(baseline(entries()))
    rows = entries()
    for row in entries():
        rows += [{**row, "along": row["along"] + d, "offset": row["offset"] - d} for d in (-0.5, 0.5, 0.0)]
    often = made(baseline(rows))
    openings.check_shape(often, TRIANGLE)
    assert openings.codes(often) == [("warning", "opening-estimated")]
    assert once.survey is not None
    assert often.survey is not None
    for one, four in zip(once.survey.lengths, often.survey.lengths, strict=True):
        assert four.sigma == pytest.approx(one.sigma / 2.0)


def test_repeated_corners_that_lie_apart_are_reported() -> None:
    after = made(baseline([*entries(), entry("head", 438, 390)]))
    (finding,) = [one for one in after.findings if one.code == "readings-scatter"]
    assert (finding.level, finding.where) == ("warning", "sources.baseline.points[1]")
    assert "head was given 2 times, up to 6.0 mm apart" in finding.message
    near = made(baseline([*entries(), entry("head", 438, 394.5)]))
    assert "readings-scatter" not in [finding.code for finding in near.findings]


@pytest.mark.parametrize(
    ("points", "key", "part"),
    [
        (entries()[:2], "sources.baseline.points", "missing"),
        ([*entries(), entry("heat", 1, 1)], "sources.baseline.points[3].corner", "no corner of this name"),
        ([*entries()[:2], {"corner": "seat", "along": 1}], "sources.baseline.points[2].offset", "missing"),
        ([], "sources.baseline.points", "too few"),
    ],
)
def test_bad_tables_are_refused(points: list[dict[str, Any]], key: str, part: str) -> None:
    assert part in openings.refusal(lambda: made(baseline(points)), key).reason


def test_it_reads_a_frame_sheet_in_inches(tmp_path: Path) -> None:
    text = """
        unit = "in"
        [instruments]
        tape = "0.5 mm"
        [sources.baseline]
        points = [
            { corner = "seat", along = 0, offset = "-1 1/2" },
            { corner = "head", along = 20, offset = -1 },
            { corner = "bottom-bracket", along = 4, offset = "-400 mm" },
        ]
    """
    after = made(openings.sheet(tmp_path, text))
    openings.check_shape(after, ((0.0, -38.1), (508.0, -25.4), (101.6, -400.0)))
    assert after.survey is not None
    assert after.survey.lengths[0].sigma == pytest.approx(0.5 * math.sqrt(2.0))
