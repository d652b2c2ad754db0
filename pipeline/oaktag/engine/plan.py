"""The plan of a run: which stages with which options, all checked before anything runs."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from oaktag.engine.write import PATTERN_FILE
from oaktag.plugin import PARTS, Stages
from oaktag.plugin.contract import ReadyStage, load, ready
from oaktag.plugin.spec import Part
from oaktag.recipe import InputError, Options, Problem, Recipe, Step, listed, meant, show

GIVEN: frozenset[Part] = frozenset({"readings"})
"""What is there before the first stage."""

ONE_OF_A_KIND: frozenset[Part] = frozenset({"survey", "opening", "outline", "volume"})
"""Parts that a draft holds once; who adds such a part again throws away what was made of it."""


@dataclass(frozen=True, slots=True)
class PlannedStep:
    """A stage that is ready to run, and its step in the recipe."""

    step: Step
    ready: ReadyStage

    @property
    def distribution(self) -> str:
        """Where the stage comes from."""
        return self.ready.stage.distribution


@dataclass(frozen=True, slots=True)
class Plan:
    """A recipe that has been checked: every stage is there, in an order that works, with valid options."""

    recipe: Recipe
    steps: tuple[PlannedStep, ...]


WORKED = "worked"
"""The option, a boolean, by which a stage shows worked numbers."""


def make_plan(recipe: Recipe, stages: Stages, *, worked: bool = False) -> Plan:
    """Check a recipe against what is installed, and close it with the stages that run without being listed.

    Args:
        recipe: to check.
        stages: what is installed.
        worked: whether every stage with an option `worked` shows worked numbers, whatever the recipe says.

    Raises:
        InputError: unknown stages, stages in the wrong order, unusable options, no stage that shows worked
            numbers; one problem for each mistake.
    """
    problems = [problem for step in recipe.steps if (problem := _unknown(step, stages)) is not None]
    if problems:
        raise InputError(problems)
    recipe = _closed(recipe, stages)
    problems += order_problems(recipe, stages)
    steps: list[PlannedStep] = []
    for step in recipe.steps:
        try:
            stage = stages.installed[step.use]
            prepared = ready(stage, step.options, file=step.file, key=step.key, laid=step.laid)
        except InputError as error:
            problems += error.problems
        else:
            steps.append(PlannedStep(step, prepared))
    if worked and not problems:
        steps, problems = _worked(steps, stages)
    if problems:
        raise InputError(problems)
    return Plan(recipe, tuple(steps))


def _worked(steps: list[PlannedStep], stages: Stages) -> tuple[list[PlannedStep], list[Problem]]:
    """The steps, with worked numbers in those that can show them; and the problem that none can."""
    if not any(_shows_worked(type(step.ready.options)) for step in steps):
        return steps, [_nothing_worked(stages)]
    return [_showing_worked(step) for step in steps], []


def _showing_worked(step: PlannedStep) -> PlannedStep:
    options = step.ready.options
    if not _shows_worked(type(options)):
        return step
    return replace(step, ready=replace(step.ready, options=options.model_copy(update={WORKED: True})))


def _shows_worked(model: type[Options]) -> bool:
    field = model.model_fields.get(WORKED)
    return field is not None and field.annotation is bool


def _nothing_worked(stages: Stages) -> Problem:
    able: list[str] = []
    for name, stage in sorted(stages.installed.items()):
        try:
            model, _ = load(stage, file="command line", key=f"--{WORKED}")
        except InputError:
            continue  # a stage that can't be loaded is no stage to add
        if _shows_worked(model):
            able.append(name)
    valid = (
        f"a recipe with {listed(able)}" if able else f"a stage with an option `{WORKED}`; none is installed"
    )
    todo = f"add a `[[stage]]` with `use = {show(able[0])}`, or " if able else ""
    return Problem(
        "command line",
        f"--{WORKED}",
        "no stage of this recipe shows worked numbers",
        valid=valid,
        todo=f"{todo}leave `--{WORKED}` out: {PATTERN_FILE} has them always",
    )


def _closed(recipe: Recipe, stages: Stages) -> Recipe:
    """The recipe with the stages at its end that nobody has to list."""
    used = {step.use for step in recipe.steps}
    added = GIVEN.union(*(stages.installed[step.use].spec.adds for step in recipe.steps))
    missing = [
        Step(id=name, use=name, options={}, key=name, file=recipe.file.path)
        for name, stage in sorted(stages.installed.items())
        if stage.spec.closes and name not in used and stage.spec.needs <= added
    ]
    return replace(recipe, steps=(*recipe.steps, *missing)) if missing else recipe


def _unknown(step: Step, stages: Stages) -> Problem | None:
    if step.use in stages.installed:
        return None
    file, key, valid = step.file, f"{step.key}.use", listed(stages.installed)
    fault = stages.fault_of(step.use)
    if fault is not None:
        return Problem(file, key, fault.reason, show(step.use), valid, fault.todo)
    todo = meant(step.use, stages.installed, "install the plugin that supplies it")
    broken = [fault for fault in stages.faults if not fault.stages]
    if broken:
        faults = "; ".join(f"{fault.plugin} of {fault.distribution} ({fault.reason})" for fault in broken)
        todo = f"{todo.removesuffix('?')}, or mend the plugin that couldn't be loaded: {faults}"
    return Problem(file, key, "there is no such stage", show(step.use), valid, todo)


def order_problems(recipe: Recipe, stages: Stages) -> list[Problem]:
    """Why the stages of a recipe can't run in this order; one problem for each stage in a wrong place.

    A stage needs parts that an earlier one has added. A part that a stage has read, because it needs it or
    uses it if it is there, may not be added to or changed afterwards: the reader has worked with something
    else.
    """
    problems: list[Problem] = []
    there: set[Part] = set(GIVEN)
    readers: dict[Part, int] = {}  # the first step that has read the part
    excused: set[Part] = set()  # parts that a misplaced step waits for; their makers are where they belong
    for position, step in enumerate(recipe.steps):
        spec = stages.installed[step.use].spec
        made = spec.adds | spec.changes
        missing = _in_order(spec.needs - there)
        late = [part for part in _in_order(made) if part in readers and part not in excused]
        # A stage that uses what it adds builds on the earlier one: an estimate is adjusted with readings.
        again = _in_order(((spec.adds - spec.uses) & there & ONE_OF_A_KIND) - excused)
        if missing:
            problems.append(_too_early(step, missing, recipe.steps[position + 1 :], stages))
            for part in missing:
                excused |= _promised(part, stages)
        elif late:
            reader = recipe.steps[min(readers[part] for part in late)]
            verb = "adds" if set(late) & spec.adds else "changes"
            reason = (
                f"{step.use!r} {verb} the {_all(late)} too late: {reader.use!r} has read {_it(late)} already"
            )
            found, valid = f"after {reader.use!r}", f"before {reader.use!r}"
            todo = f"move it before {reader.use!r}"
            problems.append(Problem(step.file, step.key, reason, found, valid, todo))
        elif again:
            reason = f"{step.use!r} adds the {_all(again)} again, and what was made of {_it(again)} is lost"
            earlier = next(s for s in recipe.steps if set(again) & stages.installed[s.use].spec.adds)
            found, valid = f"{earlier.use!r} before it", "one stage that adds it"
            problems.append(Problem(step.file, step.key, reason, found, valid, "remove one of the two"))
        there |= spec.adds | excused
        if not missing:
            for part in (spec.needs | spec.uses) - made:
                readers.setdefault(part, position)
    return problems


def _promised(part: Part, stages: Stages) -> set[Part]:
    """A part, and what comes with it whichever stage will add it: one missing stage is one problem."""
    adds = [stages.installed[name].spec.adds for name in stages.suppliers(part)]
    return {part} | set(frozenset.intersection(*adds) if adds else ())


def _too_early(step: Step, missing: list[Part], later: tuple[Step, ...], stages: Stages) -> Problem:
    adders = {
        part: next((s for s in later if part in stages.installed[s.use].spec.adds), None) for part in missing
    }
    todo: list[str] = []
    unsupplied = [part for part, adder in adders.items() if adder is None]
    if unsupplied:
        suppliers = [n for part in unsupplied for n in stages.suppliers(part) if n != step.use]
        where = f"a stage that adds the {_all(unsupplied)}"
        known = f": {listed(dict.fromkeys(suppliers))}" if suppliers else "; no installed plugin supplies one"
        todo.append(f"put before it {where}{known}")
    supplied = [adder for adder in adders.values() if adder is not None]
    if supplied:
        last = max(supplied, key=later.index)
        parts = [part for part, adder in adders.items() if adder is not None]
        todo.append(f"move it after {last.use!r}, which adds the {_all(parts)}")
    reason = f"{step.use!r} needs the {_all(missing)}, which no stage before it adds"
    valid = f"after the {_all(missing)} {'has' if _it(missing) == 'it' else 'have'} been added"
    return Problem(step.file, step.key, reason, f"no {' and no '.join(missing)}", valid, "; ".join(todo))


def _in_order(parts: Iterable[Part]) -> list[Part]:
    return sorted(parts, key=PARTS.index)


def _all(parts: list[Part]) -> str:
    return " and the ".join(parts)


def _it(parts: list[Part]) -> str:
    return "it" if len(parts) == 1 and not parts[0].endswith("s") else "them"
