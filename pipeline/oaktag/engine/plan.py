"""The plan of a run: which stages with which options, all checked before anything runs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from pydantic import BaseModel, ValidationError

from oaktag.pattern import Draft
from oaktag.plugin import InstalledStage, Stages
from oaktag.recipe import InputError, Problem, Recipe, Step, listed, nearest, problems_of, show

GIVEN = frozenset({"readings"})
"""What is there before the first stage."""


@dataclass(frozen=True, slots=True)
class PlannedStep:
    """A stage that is ready to run: its step in the recipe, where it comes from, function and options."""

    step: Step
    stage: InstalledStage
    run: Callable[[Draft, BaseModel], Draft]
    options: BaseModel


@dataclass(frozen=True, slots=True)
class Plan:
    """A recipe that has been checked: every stage is there, in an order that works, with valid options."""

    recipe: Recipe
    steps: tuple[PlannedStep, ...]


def make_plan(recipe: Recipe, stages: Stages) -> Plan:
    """Check a recipe against what is installed.

    Raises:
        InputError: unknown stages, stages in the wrong order, unusable options; one problem for each mistake.
    """
    file = recipe.file.path
    problems = [problem for step in recipe.steps if (problem := _unknown(step, stages, file)) is not None]
    if problems:
        raise InputError(problems)
    problems += _order_problems(recipe, stages)
    steps: list[PlannedStep] = []
    for step in recipe.steps:
        stage = stages.installed[step.use]
        try:
            model = stage.spec.load_options()
            run = stage.spec.load_run()
        except Exception as error:
            reason = (
                f"stage {step.use!r} of {stage.distribution} can't be loaded: {type(error).__name__}: {error}"
            )
            todo = f"install {stage.distribution} again, or tell its author"
            problems.append(Problem(file, step.key, reason, todo=todo))
            continue
        try:
            options = model.model_validate(step.options)
        except ValidationError as error:
            problems += problems_of(error, model=model, data=step.options, file=file, prefix=step.key)
            continue
        steps.append(PlannedStep(step, stage, run, options))
    if problems:
        raise InputError(problems)
    return Plan(recipe, tuple(steps))


def _unknown(step: Step, stages: Stages, file: str) -> Problem | None:
    if step.use in stages.installed:
        return None
    fault = stages.fault_of(step.use)
    if fault is not None:
        return Problem(
            file, f"{step.key}.use", fault.reason, found=show(step.use), todo="then run this again"
        )
    match = nearest(step.use, stages.installed)
    todo = f"did you mean {match!r}?" if match else "install the plugin that supplies it"
    broken = [f for f in stages.faults if not f.stages]
    if broken:
        faults = "; ".join(f"{f.plugin} of {f.distribution} ({f.reason})" for f in broken)
        todo += f" It may belong to a plugin that couldn't be loaded: {faults}"
    return Problem(
        file,
        f"{step.key}.use",
        "there is no such stage",
        found=show(step.use),
        valid=listed(stages.installed),
        todo=todo,
    )


def _order_problems(recipe: Recipe, stages: Stages) -> list[Problem]:
    file = recipe.file.path
    problems: list[Problem] = []
    there: set[str] = set(GIVEN)
    readers: dict[str, str] = {}  # part -> the first stage that has read it
    for position, step in enumerate(recipe.steps):
        spec = stages.installed[step.use].spec
        for part in sorted(spec.needs - there):
            later = [s for s in recipe.steps[position + 1 :] if part in stages.installed[s.use].spec.adds]
            if later:
                todo = f"move it after {later[0].use!r}, which adds the {part}"
            else:
                suppliers = [name for name in stages.suppliers(part) if name != step.use]
                todo = f"put one of these before it: {listed(suppliers)}"
            reason = f"{step.use!r} needs the {part}, which no stage before it adds"
            problems.append(
                Problem(file, step.key, reason, valid=f"after the {part} has been added", todo=todo)
            )
        for part in sorted((spec.adds | spec.changes) & readers.keys()):
            reader = readers[part]
            verb = "adds" if part in spec.adds else "changes"
            reason = f"{step.use!r} {verb} the {part} too late: {reader!r} before it has read them already"
            todo = f"move it before {reader!r}"
            problems.append(Problem(file, step.key, reason, valid=f"before {reader!r}", todo=todo))
        there |= spec.adds
        for part in (spec.needs | spec.uses) - spec.adds - spec.changes:
            readers.setdefault(part, step.use)
    return problems
