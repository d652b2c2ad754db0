"""Every order of a recipe's stages is either refused, or gives the same pattern."""

from __future__ import annotations

import random
from dataclasses import replace
from pathlib import Path

import pytest

from oaktag.engine import first_draft, make_plan, run_plan
from oaktag.engine.plan import Plan, order_problems
from oaktag.pattern import Draft
from oaktag.plugin import load_stages
from oaktag.recipe import InputError, Problem, Recipe, load_frame, load_recipe

RECIPES = Path(__file__).parents[3] / "recipes"
STAGES = load_stages()
FRAME, FRAME_FILE = load_frame(RECIPES / "frames" / "towpath-3-small.frame.toml")
WHOLE = load_recipe(RECIPES / "fit-sample.recipe.toml")
# Without the preview picture, which takes as long as all the rest and is planned like the other drawings.
RECIPE = replace(WHOLE, steps=tuple(step for step in WHOLE.steps if step.use != "export.png"))
TRIES = 10_000
RUNS = 3


def drafted(plan: Plan) -> Draft:
    return run_plan(plan, first_draft(FRAME, FRAME_FILE, plan), FRAME_FILE.path).draft


def pattern(draft: Draft) -> object:
    """What has to be the same; the order in which findings and files were made doesn't matter."""
    return (
        draft.survey,
        draft.opening,
        draft.outline,
        draft.pieces,
        draft.seams,
        draft.volume,
        sorted((f.code, f.level, f.where, f.message) for f in draft.findings),
        sorted((a.path, a.sha256) for a in draft.artifacts),
    )


@pytest.fixture(scope="module")
def prefixes() -> list[Draft]:
    """The draft before the first stage, and after each one."""
    plan = make_plan(RECIPE, STAGES)
    drafts = [first_draft(FRAME, FRAME_FILE, plan)]
    for step in plan.steps:
        drafts.append(run_plan(replace(plan, steps=(step,)), drafts[-1], FRAME_FILE.path).draft)
    return drafts


@pytest.fixture(scope="module")
def original(prefixes: list[Draft]) -> object:
    return pattern(prefixes[-1])


def shuffled(source: random.Random) -> Recipe:
    """Now and then all stages anyhow, mostly a few of them moved, so that many orders are let through."""
    steps = list(RECIPE.steps)
    if source.random() < 0.1:
        source.shuffle(steps)
    for _ in range(source.randint(1, 4)):
        steps.insert(source.randrange(len(steps)), steps.pop(source.randrange(len(steps))))
    return replace(RECIPE, steps=tuple(steps))


def test_every_order_is_refused_or_gives_the_same_pattern(original: object) -> None:
    source = random.Random(20260101)
    let_through: dict[tuple[str, ...], Recipe] = {}
    refused = 0
    for _ in range(TRIES):
        recipe = shuffled(source)
        if order_problems(recipe, STAGES):
            refused += 1
        else:
            let_through.setdefault(tuple(step.use for step in recipe.steps), recipe)
    assert refused > TRIES / 10
    assert len(let_through) > 50
    for order in source.sample(sorted(let_through), RUNS):
        assert pattern(drafted(make_plan(let_through[order], STAGES))) == original, order


@pytest.mark.parametrize("moved", range(len(RECIPE.steps)))
def test_a_stage_moved_alone_is_refused_with_one_problem_or_fits_there(moved: int) -> None:
    for place in range(len(RECIPE.steps)):
        steps = list(RECIPE.steps)
        steps.insert(place, steps.pop(moved))
        problems = order_problems(replace(RECIPE, steps=tuple(steps)), STAGES)
        if place == moved:
            assert not problems
        elif problems and place > moved:
            # Moved down past several stages that wait for it: each of them is told, but no stage twice.
            assert len({p.key for p in problems}) == len(problems)
        for problem in problems:
            assert problem.todo.startswith(("move it ", "put before it "))


@pytest.mark.parametrize("gone", range(len(RECIPE.steps)))
def test_a_recipe_without_one_of_its_stages_is_refused_once_or_still_works(gone: int) -> None:
    steps = tuple(step for index, step in enumerate(RECIPE.steps) if index != gone)
    problems = order_problems(replace(RECIPE, steps=steps), STAGES)
    assert len(problems) <= 1
    for problem in problems:
        assert RECIPE.steps[gone].use in problem.todo


@pytest.mark.parametrize(
    "twice", [i for i, s in enumerate(RECIPE.steps) if STAGES.installed[s.use].spec.adds]
)
def test_nothing_is_added_twice_unnoticed(twice: int, prefixes: list[Draft]) -> None:
    """A stage that runs twice in a row is refused, or the second time it adds nothing but findings."""
    step = RECIPE.steps[twice]
    again = replace(step, id=f"{step.id}-2", key=f"stage[{twice + 1}] {step.use}")
    problems: tuple[Problem, ...] = ()
    changes: tuple[str, ...] = ()
    try:
        plan = make_plan(replace(RECIPE, steps=(*RECIPE.steps[: twice + 1], again)), STAGES)
        last = replace(plan, steps=plan.steps[-1:])
        changes = run_plan(last, prefixes[twice + 1], FRAME_FILE.path).journal[0].changes
    except InputError as error:
        problems = error.problems
    assert len(problems) <= 1
    assert all(problem.key.startswith(again.key) for problem in problems)
    assert not [change for change in changes if change.startswith(("added", "removed", "drew"))]
