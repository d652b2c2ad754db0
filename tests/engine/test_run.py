"""Running a plan: the journal, refusals, failures."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from oaktag import Draft, Finding, Options, Refusal
from oaktag.engine import Plan, StageFailure, first_draft, run_plan
from oaktag.geometry import Path
from oaktag.pattern import Artifact, Edge, Label, Notch, Outline, Piece, Seam, SeamSide
from oaktag.plugin.contract import ContractError
from oaktag.plugin.kit import example_draft, example_frame
from oaktag.recipe import DataFile, InputError, Origin, Step, TomlFile

SQUARE = Path.polyline([(0, 0), (0, 10), (10, 10), (10, 0)], closed=True)
PlanOf = Callable[..., Plan]


def outline(draft: Draft, options: Any) -> Draft:
    return draft.evolve(outlines=(Outline((Edge("top-tube", SQUARE),)),)).with_findings(
        [Finding("note", "a", "A")]
    )


def wider(draft: Draft, options: Any) -> Draft:
    return draft.evolve(outlines=(Outline((Edge("top-tube", SQUARE, 5.0),)),))


def panels(draft: Draft, options: Any) -> Draft:
    pieces = tuple(Piece(name, name, (Edge("all", SQUARE),), "shell") for name in ("front", "back"))
    side = SeamSide("front", ("all",))
    return draft.evolve(pieces=pieces, seams=(Seam("s", side, side),))


def details(draft: Draft, options: Any) -> Draft:
    front = draft.piece("front").evolve(
        notches=(Notch("all", 5.0, "a"),), labels=(Label(("a",), (0, 0), 5.0),)
    )
    return draft.evolve(pieces=(front,), volume=2.5).with_findings(
        [Finding("error", "b", "B"), Finding("warning", "c", "C")]
    )


def renamed(draft: Draft, options: Any) -> Draft:
    return draft.evolve(pieces=(draft.piece("front").evolve(material="liner"),))


def files(draft: Draft, options: Any) -> Draft:
    return draft.with_artifact(Artifact("a.txt", "text", b"a")).with_artifact(Artifact("b.txt", "text", b"b"))


def nothing(draft: Draft, options: Any) -> Draft:
    return draft


def test_the_journal_says_what_each_stage_did(plan_of: PlanOf) -> None:
    runs = (outline, wider, panels, details, renamed, files, nothing)
    seen: list[str] = []
    result = run_plan(
        plan_of(*runs), example_draft(), "my.frame.toml", lambda planned: seen.append(planned.step.use)
    )
    assert seen == [f"test.{run.__name__}" for run in runs] == [record.use for record in result.journal]
    assert [record.id for record in result.journal] == [f"step-{index}" for index in range(7)]
    assert [record.changes for record in result.journal] == [
        ("added the outline",),
        ("changed the outline",),
        ("added piece front", "added piece back", "1 seams"),
        ("added the volume", "changed notches, labels of front", "removed piece back"),
        ("changed its data of front",),
        ("drew a.txt", "drew b.txt"),
        (),
    ]
    assert [[f.code for f in record.findings] for record in result.journal] == [
        ["a"],
        [],
        [],
        ["b", "c"],
        [],
        [],
        [],
    ]
    assert all(record.seconds >= 0 for record in result.journal)
    assert [f.code for f in result.draft.findings] == ["a", "b", "c"]
    assert result.draft.has_errors


def test_the_first_draft_knows_where_it_comes_from(plan_of: PlanOf) -> None:
    draft = first_draft(example_frame(), TomlFile("my.frame.toml", {}, "11"), plan_of(nothing))
    assert draft.frame == example_frame()
    assert (draft.frame_provenance.name, draft.frame_provenance.sha256) == ("Example", "11")
    recipe = draft.recipe_provenance
    assert (recipe.name, recipe.version, recipe.sha256) == ("demo", "1.0", "00")
    assert not draft.pieces
    assert draft.survey is None


@pytest.mark.parametrize(
    ("source", "key", "file", "shown"),
    [
        ("frame", "lengths.top-tube", "my.frame.toml", "lengths.top-tube"),
        ("recipe", "radius.head", "demo.recipe.toml", "stage[1] test.refuse.radius.head"),
        ("recipe", "", "demo.recipe.toml", "stage[1] test.refuse"),
    ],
)
def test_a_refusal_becomes_a_problem_of_the_right_file_and_key(
    plan_of: PlanOf, source: Any, key: str, file: str, shown: str
) -> None:
    def refuse(draft: Draft, options: Any) -> Draft:
        raise Refusal("won't do", key=key, source=source, found="5", valid="6", todo="write 6")

    with pytest.raises(InputError) as caught:
        run_plan(plan_of(nothing, refuse), example_draft(), "my.frame.toml")
    [problem] = caught.value.problems
    assert (problem.file, problem.key) == (file, shown)
    assert (problem.reason, problem.found, problem.valid, problem.todo) == ("won't do", "5", "6", "write 6")
    assert isinstance(caught.value.__cause__, Refusal)


@pytest.mark.parametrize(
    ("key", "file", "shown"),
    [
        ("radius.head", "base.recipe.toml", "stage[4] corners.radius.head"),
        ("gap.head", "child.recipe.toml", "stage[0] corners.gap.head"),
        ("gap[1]", "child.recipe.toml", "stage[0] corners.gap[1]"),
        ("gaps", "base.recipe.toml", "stage[4] corners.gaps"),
        ("", "child.recipe.toml", "stage[0] corners"),
    ],
)
def test_a_refusal_names_the_recipe_or_the_base_in_which_the_option_stands(
    plan_of: PlanOf, key: str, file: str, shown: str
) -> None:
    def refuse(draft: Draft, options: Any) -> Draft:
        raise Refusal("won't do", key=key, source="recipe", found="5", valid="6", todo="write 6")

    laid = {"gap": Origin("child.recipe.toml", "stage[0] corners")}
    step = Step("corners", "test.refuse", {}, "stage[4] corners", "base.recipe.toml", laid)
    plan = plan_of(refuse)
    plan = replace(plan, steps=(replace(plan.steps[0], step=step),))
    with pytest.raises(InputError) as caught:
        run_plan(plan, example_draft(), "my.frame.toml")
    [problem] = caught.value.problems
    assert (problem.file, problem.key) == (file, shown)


def test_a_refusal_brings_along_what_was_left_out_with_an_error_before(plan_of: PlanOf) -> None:
    def leave_out(draft: Draft, options: Any) -> Draft:
        told = [
            Finding("warning", "wavy", "it waves"),
            Finding("error", "too-long", "it is left out", "zipper"),
        ]
        return draft.with_findings(told)

    def refuse(draft: Draft, options: Any) -> Draft:
        raise Refusal("is missing", key="zipper", source="recipe", found="5", valid="6", todo="write 6")

    with pytest.raises(InputError) as caught:
        run_plan(plan_of(leave_out, refuse), example_draft(), "my.frame.toml")
    first, second = caught.value.problems
    assert (first.reason, first.found) == ("too-long [zipper]", "it is left out")
    assert first.key == "stage[0] test.leave_out"
    assert (second.reason, second.todo) == ("is missing", "write 6")


def test_a_mistake_that_a_stage_finds_in_a_data_file_is_the_users_message(plan_of: PlanOf) -> None:
    class Shop(Options):
        cloth: str

    def read(draft: Draft, options: Any) -> Draft:
        DataFile("shop.toml", '{"cloth": 5}', "00").read(Shop)
        return draft

    with pytest.raises(InputError) as caught:
        run_plan(plan_of(read), example_draft(), "my.frame.toml")
    [problem] = caught.value.problems
    assert (problem.file, problem.key, problem.reason) == ("shop.toml", "cloth", "is not text")


def test_the_first_draft_tells_recipes_apart_whose_bases_differ(plan_of: PlanOf) -> None:
    file, plan = TomlFile("my.frame.toml", {}, "11"), plan_of(nothing)
    digests = set()
    for bases in ((), ("01",), ("02",), ("02", "01")):
        recipe = replace(plan.recipe, bases=tuple(TomlFile("base", {}, digest) for digest in bases))
        draft = first_draft(example_frame(), file, replace(plan, recipe=recipe))
        digests.add(draft.recipe_provenance.sha256)
    assert len(digests) == 4


class Panic(BaseException):
    """What a library in another language raises above Exception."""


@pytest.mark.parametrize(
    "error", [ZeroDivisionError("by zero"), AssertionError(), Panic("oh"), SystemExit(0)]
)
def test_a_stage_that_breaks_is_named_with_its_distribution_and_the_cause(
    plan_of: PlanOf, error: BaseException
) -> None:
    def fail(draft: Draft, options: Any) -> Draft:
        raise error

    with pytest.raises(StageFailure) as caught:
        run_plan(plan_of(nothing, fail), example_draft(), "my.frame.toml")
    assert caught.value.__cause__ is error
    message = str(caught.value)
    assert message.startswith(f"stage 'test.fail' of test-bags failed: {type(error).__name__}: {error}")
    assert "not of your files" in message
    assert "--traceback" in message


def test_an_interrupt_is_no_failure_of_the_stage(plan_of: PlanOf) -> None:
    def wait(draft: Draft, options: Any) -> Draft:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run_plan(plan_of(wait), example_draft(), "my.frame.toml")


@pytest.mark.parametrize("answer", [None, (), "draft", Draft])
def test_a_stage_has_to_give_back_a_draft(plan_of: PlanOf, answer: object) -> None:
    def answers(draft: Draft, options: Any) -> Any:
        return answer

    with pytest.raises(StageFailure, match=f"it returned a {type(answer).__name__}, not a Draft") as caught:
        run_plan(plan_of(answers), example_draft(), "my.frame.toml")
    assert isinstance(caught.value.__cause__, ContractError)


def test_a_stage_may_not_hide_what_others_found(plan_of: PlanOf) -> None:
    def hide(draft: Draft, options: Any) -> Draft:
        return draft.evolve(findings=())

    with pytest.raises(StageFailure, match="it dropped findings of earlier stages"):
        run_plan(plan_of(outline, hide), example_draft(), "my.frame.toml")


def test_making_a_file_twice_is_the_recipes_problem(plan_of: PlanOf) -> None:
    with pytest.raises(InputError) as caught:
        run_plan(plan_of(files, files), example_draft(), "my.frame.toml")
    [problem] = caught.value.problems
    assert (problem.file, problem.key) == ("demo.recipe.toml", "stage[1] test.files")
    assert problem.reason == "makes a file that an earlier stage has made already"
    assert problem.found == '"a.txt"'
