"""Guards the study of slips."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

SCRIPT = Path(__file__).with_name("survey_blunders.py")


@pytest.fixture(scope="module")
def survey_blunders() -> ModuleType:
    spec = importlib.util.spec_from_file_location("survey_blunders", SCRIPT)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["survey_blunders"] = module
    spec.loader.exec_module(module)
    return module


def test_slips_are_found_placed_and_explained(survey_blunders: ModuleType) -> None:
    result = survey_blunders.study(500, seed=2024)
    tally = result.tally
    assert tally.sheets.total() == 500
    assert tally.share(tally.detected, tally.sheets) >= 0.99
    assert tally.share(tally.placed, tally.detected) >= 0.97
    assert tally.share(tally.offered, tally.placed) >= 0.80
    assert result.honest_accused / result.honest < 0.02
    # The whole test turns down 5 %; 500 sheets scatter by 1 % about that.
    assert 0.02 <= result.honest_failing / result.honest <= 0.08


def test_the_table_is_printed(survey_blunders: ModuleType) -> None:
    text = survey_blunders.table(survey_blunders.study(12, seed=1))
    assert "detected" in text
    assert text.splitlines()[-1].startswith("honest sheets: 12;")
