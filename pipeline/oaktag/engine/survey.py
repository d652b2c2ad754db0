"""The short recipe that makes an opening and draws it, without a bag."""

from __future__ import annotations

from dataclasses import replace

from oaktag.pattern import Frame
from oaktag.plugin import Stages
from oaktag.recipe import Recipe, Step, TomlFile

SURVEY = "survey"
"""Name of the short recipe, and of its folder of results."""

SOURCE_STAGE = "opening."
"""A sheet's table `[sources.trace]` is read by the stage `opening.trace`."""

ADJUST = "measure.reconcile"
DRAW = "export.survey"


def survey_recipe(frame: Frame | None, stages: Stages, recipe: Recipe | None = None) -> Recipe:
    """The stages that make a frame's opening, then the drawing of it.

    Args:
        frame: the sheet; None if it couldn't be read.
        stages: what is installed.
        recipe: from which to take the stages; without one they are those that the sheet's sources ask for,
            and the adjustment of its readings.
    """
    if recipe is not None:
        steps = recipe.steps[: _first_user(recipe, stages)]
        return replace(recipe, steps=(*steps, _step(DRAW, recipe.file)))
    sources = frame.sources if frame is not None else ()
    uses = [*(f"{SOURCE_STAGE}{source.name}" for source in sources), ADJUST, DRAW]
    file = TomlFile(f"oaktag {SURVEY}", {}, "")
    return Recipe(SURVEY, "1", "", tuple(_step(use, file) for use in uses), file)


def _first_user(recipe: Recipe, stages: Stages) -> int:
    """Position of the first stage that takes the opening as it is."""
    for position, step in enumerate(recipe.steps):
        stage = stages.installed.get(step.use)
        if stage is not None and "opening" in stage.spec.needs - stage.spec.adds - stage.spec.changes:
            return position
    return len(recipe.steps)


def _step(use: str, file: TomlFile) -> Step:
    return Step(use, use, {}, use, file.path)
