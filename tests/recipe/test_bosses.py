"""Bosses on the frame sheet: where each of a row is, and what is wrong with a table."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import jsonschema
import pytest

from oaktag.pattern import BossRow, Draft, Place, Provenance
from oaktag.pattern.document import render, schema
from oaktag.recipe import Problem, load_frame

Write = Callable[[str], Path]
Problems = Callable[[Callable[[], object]], tuple[Problem, ...]]

BOSSES = """\
name = "Demo"
unit = "cm"

[[bosses]]
tube = "down-tube"
distance = 20
from = "bottom-bracket"

[[bosses]]
name = "under the top tube"
tube = "top-tube"
at = 0.4
count = 3
pitch = "50 mm"
thread = "M6"
"""


def test_a_row_has_the_pitch_and_the_thread_of_a_bottle_cage_unless_the_sheet_says_otherwise(
    write: Write,
) -> None:
    # 64 mm: visualfoodie, "Bottle cage"; M5: Wikipedia, "Bottle cage".
    frame, _ = load_frame(write(BOSSES))
    assert frame.bosses == (
        BossRow("bosses on down-tube", Place("down-tube", 1.0, -200.0), 2, 64.0, "M5", "bosses[0]"),
        BossRow("under the top tube", Place("top-tube", 0.4), 3, 50.0, "M6", "bosses[1]"),
    )


def test_the_place_is_the_middle_of_the_row(write: Write) -> None:
    frame, _ = load_frame(write(BOSSES))
    pair, three = frame.bosses
    assert [place.along(600.0) for place in pair.places] == [368.0, 432.0]
    assert [place.along(500.0) for place in three.places] == [150.0, 200.0, 250.0]


def test_they_are_on_record_in_the_pattern(write: Write) -> None:
    frame, _ = load_frame(write(BOSSES))
    written = json.loads(render(Draft(frame, Provenance("demo"), Provenance("test"))))
    jsonschema.validate(written["frame"]["bosses"], {"$defs": schema()["$defs"], "type": "array"})
    first = written["frame"]["bosses"][0]
    validator = jsonschema.Draft202012Validator({**schema()["$defs"]["boss_row"], "$defs": schema()["$defs"]})
    validator.validate(first)
    assert (first["tube"], first["fraction"], first["distance"]) == ("down-tube", 1.0, -200.0)
    assert (first["count"], first["pitch"], first["thread"]) == (2, 64.0, "M5")


@pytest.mark.parametrize(
    ("table", "key", "reason"),
    [
        ('tube = "downtube"\nat = 0.5', "bosses[0].tube", "there is no such tube"),
        ('tube = "down-tube"', "bosses[0]", "has no place"),
        ('tube = "down-tube"\ndistance = 20\nfrom = "seat"', "bosses[0].from", "isn't an end of this tube"),
        (
            'tube = "down-tube"\nat = 0.5\n[[bosses]]\ntube = "down-tube"\nat = 0.1',
            "bosses[1].name",
            "other bosses have this name",
        ),
        ('tube = "down-tube"\nat = 0.5\ncount = 0', "bosses[0].count", "is too small"),
        ('tube = "down-tube"\nat = 0.5\nthread = "m5"', "bosses[0].thread", "isn't one of the known values"),
    ],
)
def test_a_mistake_is_one_problem(
    write: Write, problems_in: Problems, table: str, key: str, reason: str
) -> None:
    path = write(f'name = "Demo"\n[[bosses]]\n{table}\n')
    (problem,) = problems_in(lambda: load_frame(path))
    assert (problem.key, problem.reason) == (key, reason)
    assert problem.todo
