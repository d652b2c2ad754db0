"""Tables of `[sources]`: what is wrong with one comes out as one refusal that names its key."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING

import pytest

from oaktag.pattern import Instrument
from oaktag.plugin import PARTS, StageSpec
from oaktag.recipe import Length, PositiveLength
from oaktag_plugins import opening_baseline, opening_chart, opening_table
from oaktag_plugins.sources.source_table import SourceTable, corner_index, read_source, tape_sigma, unit_of

if TYPE_CHECKING:
    from tests.plugins import openings
else:
    openings = SimpleNamespace(**run_path(str(Path(__file__).with_name("openings.py"))))

SOURCES = Path(__file__).parents[2] / "recipes" / "sources"
SHEETS = [
    path for name in ("baseline", "chart", "table") for path in sorted((SOURCES / name).glob("*.frame.toml"))
]


class Demo(SourceTable):
    """A table for these tests."""

    reach_out: PositiveLength
    """How far."""
    shift: Length = 0.0
    """How far to the side."""


def read(table: dict[str, object], unit: str = "mm") -> Demo:
    return read_source(openings.sourced("demo", table, unit=unit).frame, "demo", Demo)


@pytest.mark.parametrize(
    ("table", "sheet", "value"),
    [
        ({"reach-out": 2}, "mm", 2.0),
        ({"reach-out": 2}, "in", 50.8),
        ({"reach-out": 2, "unit": "cm"}, "in", 20.0),
        ({"reach-out": "2 1/2 in", "unit": "cm"}, "mm", 63.5),
    ],
)
def test_lengths_are_in_the_unit_of_the_table_or_else_of_the_sheet(
    table: dict[str, object], sheet: str, value: float
) -> None:
    assert read(table, sheet).reach_out == pytest.approx(value)
    frame = openings.sourced("demo", table, unit=sheet).frame
    assert unit_of(frame, read(table, sheet)) == table.get("unit", sheet)


def test_a_missing_table_names_those_that_are_there() -> None:
    frame = openings.sourced("dem", {}).frame
    said = openings.refusal(lambda: read_source(frame, "demo", Demo), "sources.demo")
    assert "dem" in said.found
    assert "dem" in said.todo


@pytest.mark.parametrize(
    ("table", "key", "part"),
    [
        ({}, "sources.demo.reach-out", "is missing"),
        ({"reach-out": -1}, "sources.demo.reach-out", "too small"),
        ({"reach-out": "two"}, "sources.demo.reach-out", "can't be read"),
        ({"reach-out": 1, "shft": 2}, "sources.demo.shft", "unknown key"),
        ({"reach-out": 1, "unit": "ft"}, "sources.demo.unit", "known values"),
    ],
)
def test_a_mistake_is_refused_by_its_key(table: dict[str, object], key: str, part: str) -> None:
    assert part in openings.refusal(lambda: read(table), key).reason


def test_several_mistakes_are_one_refusal() -> None:
    said = openings.refusal(lambda: read({"reach-out": -1, "shift": "x"}), "sources.demo.reach-out")
    assert "besides, sources.demo.shift" in said.reason


def test_an_unknown_corner_is_refused_with_the_nearest() -> None:
    frame = openings.bare(3).frame
    assert corner_index(frame, "corner-1", "x") == 1
    assert "corner-1" in openings.refusal(lambda: corner_index(frame, "cornr-1", "x"), "x").todo


def test_the_tape_is_the_sheets_or_else_one_good_to_a_millimetre() -> None:
    frame = openings.bare(3).frame
    assert tape_sigma(replace(frame, instruments=(Instrument("tape", 0.4, None),))) == 0.4
    assert tape_sigma(replace(frame, instruments=())) == 1.0


STAGES = [
    spec for module in (opening_baseline, opening_chart, opening_table) for spec in module.oaktag_stages()
]


@pytest.mark.parametrize("spec", STAGES, ids=[spec.name for spec in STAGES])
def test_each_stage_makes_the_opening_from_its_own_table(spec: StageSpec) -> None:
    assert spec.name.startswith("opening.")
    assert spec.needs == {"readings"}
    assert spec.adds == {"survey", "opening"} <= set(PARTS)
    run, options = spec.load_run(), spec.load_options()()
    table = f"sources.{spec.name.removeprefix('opening.')}"
    openings.refusal(lambda: run(openings.sourced("none", {}), options), table)


@pytest.mark.parametrize("path", SHEETS, ids=[path.stem for path in SHEETS])
def test_every_sheet_that_ships_makes_an_opening_without_errors(path: Path) -> None:
    draft = openings.loaded(path)
    (spec,) = (spec for spec in STAGES if draft.frame.source(spec.name.removeprefix("opening.")))
    after = spec.load_run()(draft, spec.load_options()())
    assert after.opening is not None
    assert not after.has_errors
    assert after.survey is not None
    assert max(length.sigma for length in after.survey.lengths) < 6.0
