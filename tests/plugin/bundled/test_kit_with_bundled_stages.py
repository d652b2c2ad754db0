"""The kit together with the stages that ship: a whole bag, each stage held to what it says of itself."""

from __future__ import annotations

import doctest
from pathlib import Path

import pytest

from oaktag.plugin import kit
from oaktag.plugin.kit import example_draft, run_stage
from oaktag.recipe import load_recipe

RECIPES = sorted((Path(__file__).parents[3] / "recipes").glob("*.recipe.toml"))


def test_the_example_in_the_kits_description_runs() -> None:
    tried = doctest.testmod(kit)
    assert tried.attempted == 4
    assert tried.failed == 0


@pytest.mark.parametrize("path", RECIPES, ids=lambda path: path.name)
def test_every_stage_touches_only_what_it_says(path: Path) -> None:
    draft = example_draft()
    for step in load_recipe(path).steps:
        draft = run_stage(step.use, draft, **dict(step.options))
    assert not draft.has_errors
