"""The tables of `oaktag survey`."""

from __future__ import annotations

import math

import pytest

from oaktag.cli.report import measured
from oaktag.cli.survey import MOST_NEXT, corner_sigma, next_readings
from oaktag.cli.table import plain
from oaktag.pattern import (
    Adjusted,
    Draft,
    Frame,
    NextReading,
    Provenance,
    ReadingResult,
    Statistics,
    Survey,
)

# The corners' blocks: none, along x only, and one of eigenvalues 4 and 1 turned by 30°.
TURNED = ((3.25, 0.75 * math.sqrt(3)), (0.75 * math.sqrt(3), 1.75))
COVARIANCE = (
    (0.0,) * 6,
    (0.0,) * 6,
    (0.0, 0.0, 0.81, 0.0, 0.1, 0.2),
    (0.0,) * 6,
    (0.0, 0.0, 0.1, 0.0, *TURNED[0]),
    (0.0, 0.0, 0.2, 0.0, *TURNED[1]),
)


def survey(*following: NextReading, readings: tuple[ReadingResult, ...] = ()) -> Survey:
    return Survey(
        lengths=tuple(Adjusted(tube, 500.0, 0.9) for tube in ("a", "b", "c")),
        angles=tuple(Adjusted(corner, 60.0, 0.2) for corner in ("x", "y", "z")),
        perimeter=Adjusted("perimeter", 1500.0, 1.234),
        readings=readings,
        statistics=Statistics(1, 0.5, 0.5, 3.84, True),
        covariance=COVARIANCE,
        next_readings=following,
    )


def test_a_corner_is_known_as_well_as_in_its_worst_direction() -> None:
    found = [corner_sigma(survey(), index) for index in range(3)]
    assert found == pytest.approx([0.0, 0.9, 2.0])


def test_what_to_read_next_starts_from_what_is_known() -> None:
    table = next_readings(
        survey(NextReading("diagonal", "x to z", 1.0, 0.75, 0.5), NextReading("angle", "y", 0.3, 1.0, 1.96))
    )
    assert table.rows == (
        ("as it is", "", "± 1.23", "± 2.00"),
        ("diagonal x to z", "± 1 mm", "± 0.75", "± 0.50"),
        ("angle y", "± 0.3°", "± 1.00", "± 1.96"),
    )


def test_only_the_most_worthwhile_are_shown_and_nothing_if_there_is_nothing() -> None:
    many = [NextReading("length", f"tube-{index}", 1.0, 1.0, 1.0) for index in range(MOST_NEXT + 5)]
    assert [row[0] for row in next_readings(survey(*many)).rows[1:]] == [
        f"length tube-{index}" for index in range(MOST_NEXT)
    ]
    assert next_readings(survey()).rows == ()


def test_an_excluded_reading_says_why_and_is_not_called_unchecked() -> None:
    reason = "the tape caught on the cable stop and I only saw it afterwards, when packing"
    readings = (
        ReadingResult("a", "length", 500.0, 1.0, 0.1, 0.4, 0.25, "lengths.a[0]"),
        ReadingResult("a", "length", 531.0, 1.0, -31.0, None, 0.0, "lengths.a[1]", reason),
        ReadingResult("b", "length", 500.0, 1.0, 0.0, None, 0.0, "lengths.b"),
    )
    draft = Draft(
        Frame("Demo", ("x", "y", "z"), ("a", "b", "c"), ()),
        Provenance("demo"),
        Provenance("survey"),
        survey=survey(readings=readings),
    )
    table = measured(draft)[1]
    assert [row[3] for row in table.rows] == [
        "+0.40",
        "excluded: the tape caught on the cable stop and …",
        "unchecked",
    ]
    assert [row[4] for row in table.rows] == ["25 %", "", "0 %"]
    assert max(map(len, plain(table))) < 110
