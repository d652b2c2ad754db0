"""A made-up plan of stages that are plain functions."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from oaktag import Draft, Options, StageSpec
from oaktag.engine import Plan, PlannedStep
from oaktag.plugin import InstalledStage
from oaktag.plugin.contract import ReadyStage
from oaktag.recipe import Recipe, Step, TomlFile

Run = Callable[[Draft, Any], Any]


@pytest.fixture
def plan_of() -> Callable[..., Plan]:
    """A plan that runs functions one after the other."""

    def made(*runs: Run) -> Plan:
        steps = []
        for index, run in enumerate(runs):
            use = f"test.{run.__name__}"
            stage = InstalledStage(StageSpec(use, "Do", "a:b", "a:B"), "test", "test-bags", "1")
            step = Step(f"step-{index}", use, {}, f"stage[{index}] {use}", "demo.recipe.toml")
            steps.append(PlannedStep(step, ReadyStage(stage, run, Options())))
        file = TomlFile("demo.recipe.toml", {}, "00")
        return Plan(Recipe("demo", "1.0", "", tuple(s.step for s in steps), file), tuple(steps))

    return made
