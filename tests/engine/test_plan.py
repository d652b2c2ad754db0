"""Plans: which orders of stages work, and what is said about those that don't."""

from __future__ import annotations

from dataclasses import replace
from itertools import permutations

import pytest

from oaktag import Draft, Options, StageSpec
from oaktag.engine import Plan, make_plan
from oaktag.plugin import InstalledStage, PluginFault, Stages
from oaktag.recipe import InputError, Number, Origin, Problem, Recipe, Step, TomlFile


class SewOptions(Options):
    """Options."""

    width: Number = 5.0
    """How wide."""


def run(draft: Draft, options: SewOptions) -> Draft:
    return draft


def stage(name: str, **parts: str) -> InstalledStage:
    """A stage; its parts as text: `needs="outline panels"`."""
    sets = {kind: frozenset(text.split()) for kind, text in parts.items()}
    spec = StageSpec(name, "Do", f"{__name__}:run", f"{__name__}:SewOptions", **sets)  # type: ignore[arg-type]
    return InstalledStage(spec, "sew", "sew-bags", "1")


STAGES = Stages(
    {
        s.spec.name: s
        for s in (
            stage("sew.survey", needs="readings", adds="survey opening"),
            stage("sew.clear", needs="opening", adds="outline"),
            stage("sew.round", needs="outline", changes="outline"),
            stage("sew.panel", needs="outline", adds="panels"),
            stage("sew.patch", needs="outline", adds="panels"),
            stage("sew.margin", needs="panels", adds="allowances"),
            stage("sew.letter", needs="panels allowances", uses="notches", adds="labels"),
            stage("sew.notch", needs="panels", adds="notches"),
            stage("sew.draw", needs="panels allowances", uses="labels notches proof", adds="files"),
            stage("sew.prove", needs="allowances", adds="proof"),
            stage("sew.weigh", needs="volume", adds="proof"),
            stage("sew.wrap", needs="panels", adds="gusset seams"),
            stage("sew.stitch", needs="seams", adds="proof"),
            stage("sew.tape", needs="gusset", adds="proof"),
        )
    },
    (
        PluginFault("lost", "lost-bags", "it rained", "dry it", ("sew.lost",)),
        PluginFault("wet", "wet-bags", "ImportError: no umbrella", "install wet-bags again"),
    ),
)


def recipe(*uses: str, **options: object) -> Recipe:
    steps = tuple(
        Step(f"{use}-{i}", use, options if i == 0 else {}, f"stage[{i}] {use}", "demo.recipe.toml")
        for i, use in enumerate(uses)
    )
    return Recipe("demo", "1", "", steps, TomlFile("demo.recipe.toml", {}, "0"))


def plan(*uses: str, **options: object) -> Plan:
    return make_plan(recipe(*(f"sew.{use}" for use in uses), **options), STAGES)


def problems(*uses: str, **options: object) -> list[Problem]:
    with pytest.raises(InputError) as caught:
        plan(*uses, **options)
    for problem in caught.value.problems:
        assert problem.file == "demo.recipe.toml"
        assert problem.reason
        assert problem.found
        assert problem.valid
        assert problem.todo
    return list(caught.value.problems)


GOOD = ("survey", "clear", "round", "panel", "margin", "notch", "letter", "prove", "draw")


def test_a_plan_keeps_the_recipes_order_with_functions_and_options() -> None:
    made = plan("survey", "clear", width=7)
    assert [step.step.use for step in made.steps] == ["sew.survey", "sew.clear"]
    assert made.steps[0].ready.run is run
    assert made.steps[0].ready.options == SewOptions(width=7)
    assert made.steps[1].ready.options == SewOptions()
    assert made.steps[0].distribution == "sew-bags"


@pytest.mark.parametrize(
    "order",
    [
        GOOD,
        ("survey",),
        ("survey", "clear", "round", "round"),
        ("survey", "clear", "panel", "patch"),
        ("survey", "clear", "panel", "margin", "draw", "draw"),
        ("survey", "clear", "panel", "margin", "letter", "draw"),
        ("survey", "clear", "panel", "margin", "notch", "letter", "prove", "prove", "draw"),
    ],
)
def test_orders_that_work(order: tuple[str, ...]) -> None:
    assert len(plan(*order).steps) == len(order)


@pytest.mark.parametrize(
    ("order", "place", "reason", "todo"),
    [
        (
            ("clear", "survey"),
            "stage[0] sew.clear",
            "'sew.clear' needs the opening, which no stage before it adds",
            "move it after 'sew.survey', which adds the opening",
        ),
        (
            ("survey", "round"),
            "stage[1] sew.round",
            "'sew.round' needs the outline, which no stage before it adds",
            "put before it a stage that adds the outline: sew.clear",
        ),
        (
            ("survey", "weigh"),
            "stage[1] sew.weigh",
            "'sew.weigh' needs the volume, which no stage before it adds",
            "put before it a stage that adds the volume; no installed plugin supplies one",
        ),
        (
            ("survey", "clear", "draw", "panel", "margin", "letter"),
            "stage[2] sew.draw",
            "'sew.draw' needs the panels and the allowances, which no stage before it adds",
            "move it after 'sew.margin', which adds the panels and the allowances",
        ),
        (
            ("survey", "clear", "draw", "panel"),
            "stage[2] sew.draw",
            "'sew.draw' needs the panels and the allowances, which no stage before it adds",
            "put before it a stage that adds the allowances: sew.margin; move it after 'sew.panel'",
        ),
        (
            ("survey", "clear", "panel", "round"),
            "stage[3] sew.round",
            "'sew.round' changes the outline too late: 'sew.panel' has read it already",
            "move it before 'sew.panel'",
        ),
        (
            ("survey", "clear", "panel", "margin", "letter", "notch"),
            "stage[5] sew.notch",
            "'sew.notch' adds the notches too late: 'sew.letter' has read them already",
            "move it before 'sew.letter'",
        ),
        (
            ("survey", "clear", "panel", "margin", "draw", "letter", "notch"),
            "stage[5] sew.letter",
            "'sew.letter' adds the labels too late: 'sew.draw' has read them already",
            "move it before 'sew.draw'",
        ),
        (
            ("survey", "clear", "panel", "margin", "patch"),
            "stage[4] sew.patch",
            "'sew.patch' adds the panels too late: 'sew.margin' has read them already",
            "move it before 'sew.margin'",
        ),
        (
            ("survey", "clear", "round", "clear"),
            "stage[3] sew.clear",
            "'sew.clear' adds the outline again, and what was made of it is lost",
            "remove one of the two",
        ),
        (
            ("survey", "survey"),
            "stage[1] sew.survey",
            "'sew.survey' adds the survey and the opening again, and what was made of them is lost",
            "remove one of the two",
        ),
    ],
)
def test_a_stage_in_the_wrong_place_is_named_with_where_it_belongs(
    order: tuple[str, ...], place: str, reason: str, todo: str
) -> None:
    problem = problems(*order)[0]
    assert (problem.key, problem.reason) == (place, reason)
    assert problem.todo.startswith(todo)


@pytest.mark.parametrize(
    "order",
    [
        ("clear", "survey", "round", "panel"),
        ("survey", "round", "clear", "panel"),
        ("survey", "clear", "draw", "panel", "margin", "notch", "letter", "prove"),
        ("weigh", "survey", "clear"),
        ("survey", "round", "panel", "clear"),
        ("survey", "clear", "panel", "notch", "stitch", "tape"),
        ("clear", "round", "panel", "margin", "draw"),  # nothing surveys
        ("survey", "panel", "clear", "round", "margin"),
    ],
)
def test_one_stage_in_the_wrong_place_is_one_problem(order: tuple[str, ...]) -> None:
    assert len(problems(*order)) == 1


def test_every_order_is_refused_or_reads_only_what_is_finished() -> None:
    """By brute force: in an order that is let through no stage reads a part before its makers have run."""
    names = ("survey", "clear", "round", "panel", "margin", "notch", "letter")
    specs = {name: STAGES.installed[f"sew.{name}"].spec for name in names}
    let_through = 0
    for order in permutations(names):
        good = all(
            not (part in specs[first].needs | specs[first].uses and part in specs[second].adds)
            and not (part in specs[first].needs - specs[first].changes and part in specs[second].changes)
            for i, first in enumerate(order)
            for second in order[i + 1 :]
            for part in ("survey", "opening", "outline", "panels", "allowances", "notches", "labels")
        )
        try:
            plan(*order)
        except InputError:
            assert not good, order
        else:
            assert good, order
            let_through += 1
    assert let_through == 2  # margin and notch may change places


@pytest.mark.parametrize(
    ("use", "reason", "todo"),
    [
        ("pannel", "there is no such stage", "did you mean 'sew.panel', or mend the plugin that couldn't be"),
        ("qqqqqqqqqq", "there is no such stage", "install the plugin that supplies it, or mend the plugin"),
        ("lost", "it rained", "dry it"),
    ],
)
def test_an_unknown_stage_is_named_with_the_nearest_and_with_what_is_broken(
    use: str, reason: str, todo: str
) -> None:
    [problem] = problems("survey", use)
    assert problem.key == f"stage[1] sew.{use}.use"
    assert problem.reason == reason
    assert problem.found == f'"sew.{use}"'
    assert problem.valid.startswith("sew.survey, sew.clear")
    assert problem.todo.startswith(todo)
    assert ("wet of wet-bags (ImportError: no umbrella)" in problem.todo) == (use != "lost")


def test_an_unknown_stage_alone_is_reported_since_nothing_else_can_be_known() -> None:
    assert [p.key for p in problems("round", "unknwon", "survey")] == ["stage[1] sew.unknwon.use"]


def test_options_and_order_are_checked_together() -> None:
    found = problems("clear", "survey", width="x", colour=5)
    assert [p.key for p in found] == [
        "stage[0] sew.clear",
        "stage[0] sew.clear.width",
        "stage[0] sew.clear.colour",
    ]


def test_every_problem_names_the_file_in_which_its_stage_stands() -> None:
    steps = (
        Step("clear", "sew.clear", {"width": "x"}, "stage[0] sew.clear", "base.recipe.toml"),
        Step("survey", "sew.survey", {"colour": 5}, "stage[0] sew.survey", "child.recipe.toml"),
        Step(
            "panel",
            "sew.panel",
            {"width": "y", "colour": 6},
            "stage[1] sew.panel",
            "base.recipe.toml",
            {"colour": Origin("child.recipe.toml", "stage[1] panel")},
        ),
        Step("again", "sew.clear", {}, "stage[2] sew.clear", "child.recipe.toml"),
    )
    with pytest.raises(InputError) as caught:
        make_plan(replace(recipe(), steps=steps), STAGES)
    assert [(p.file, p.key) for p in caught.value.problems] == [
        ("base.recipe.toml", "stage[0] sew.clear"),
        ("child.recipe.toml", "stage[2] sew.clear"),
        ("base.recipe.toml", "stage[0] sew.clear.width"),
        ("child.recipe.toml", "stage[0] sew.survey.colour"),
        ("base.recipe.toml", "stage[1] sew.panel.width"),
        ("child.recipe.toml", "stage[1] panel.colour"),
    ]


def test_an_unknown_stage_is_the_mistake_of_its_own_file() -> None:
    step = Step("a", "sew.pannel", {}, "stage[3] sew.pannel", "base.recipe.toml")
    with pytest.raises(InputError) as caught:
        make_plan(replace(recipe(), steps=(step,)), STAGES)
    [problem] = caught.value.problems
    assert (problem.file, problem.key) == ("base.recipe.toml", "stage[3] sew.pannel.use")


def test_a_stage_that_cannot_be_loaded_is_the_recipes_problem_before_anything_runs() -> None:
    broken = STAGES.installed["sew.survey"].spec.__class__(
        "sew.survey", "Do", "no_such_module:run", f"{__name__}:SewOptions"
    )
    stages = Stages({"sew.survey": InstalledStage(broken, "sew", "sew-bags", "1")}, ())
    with pytest.raises(InputError, match="this stage of sew-bags can't be loaded"):
        make_plan(recipe("sew.survey"), stages)


def with_closer(**more: str) -> Stages:
    """The stages, and one that closes every recipe that makes files."""
    closer = stage("sew.count", needs="files", **more)
    closes = replace(closer, spec=replace(closer.spec, closes=True))
    return replace(STAGES, installed={**STAGES.installed, "sew.count": closes})


DRAWN = ("sew.survey", "sew.clear", "sew.panel", "sew.margin", "sew.draw")


def test_a_closing_stage_runs_last_without_being_listed() -> None:
    made = make_plan(recipe(*DRAWN), with_closer())
    assert [planned.step.use for planned in made.steps] == [*DRAWN, "sew.count"]
    assert made.steps[-1].ready.options == SewOptions()


def test_a_closing_stage_runs_once_where_it_is_listed() -> None:
    made = make_plan(recipe(*DRAWN, "sew.count"), with_closer())
    assert [planned.step.use for planned in made.steps] == [*DRAWN, "sew.count"]
    with pytest.raises(InputError, match="adds the files too late"):
        make_plan(recipe(*DRAWN, "sew.count", "sew.draw"), with_closer())


def test_a_closing_stage_stays_away_where_nothing_adds_what_it_needs() -> None:
    made = make_plan(recipe(*DRAWN[:-1]), with_closer())
    assert [planned.step.use for planned in made.steps] == [*DRAWN[:-1]]


class ShowOptions(Options):
    """Options."""

    worked: bool = False
    """Whether to show worked numbers."""


class MisledOptions(Options):
    """Options."""

    worked: str = "hard"
    """How."""


def with_shows() -> Stages:
    """The stages, one that shows worked numbers, one whose option of that name is another matter."""
    shows = {
        name: replace(
            stage(name, needs="panels", adds="files"),
            spec=replace(stage(name, needs="panels", adds="files").spec, options=f"{__name__}:{model}"),
        )
        for name, model in (("sew.show", "ShowOptions"), ("sew.mislead", "MisledOptions"))
    }
    return replace(STAGES, installed={**STAGES.installed, **shows})


SHOWN = ("sew.survey", "sew.clear", "sew.panel", "sew.mislead", "sew.show")


def test_worked_numbers_are_asked_of_every_stage_that_shows_them() -> None:
    made = make_plan(recipe(*SHOWN, "sew.show"), with_shows(), worked=True)
    assert [step.ready.options for step in made.steps[3:]] == [
        MisledOptions(),
        ShowOptions(worked=True),
        ShowOptions(worked=True),
    ]
    assert make_plan(recipe(*SHOWN), with_shows()).steps[-1].ready.options == ShowOptions()


def test_where_no_stage_shows_worked_numbers_the_one_to_add_is_named() -> None:
    with pytest.raises(InputError) as caught:
        make_plan(recipe(*SHOWN[:-1]), with_shows(), worked=True)
    (problem,) = caught.value.problems
    assert (problem.file, problem.key) == ("command line", "--worked")
    assert "sew.show" in problem.valid
    assert "sew.show" in problem.todo
    assert "mislead" not in str(problem)
    with pytest.raises(InputError, match="none is installed"):
        make_plan(recipe(*SHOWN[:3]), STAGES, worked=True)
    # What is wrong with the recipe comes first.
    with pytest.raises(InputError, match="width"):
        make_plan(recipe(*SHOWN[:3], width="wide"), STAGES, worked=True)
