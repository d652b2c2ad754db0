"""What the program holds a stage to."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from pydantic import model_validator

from oaktag import Draft, Finding, Options, Refusal, StageSpec
from oaktag.geometry import Path
from oaktag.pattern import Artifact, Edge, Piece, Provenance, Seam, SeamSide
from oaktag.plugin import InstalledStage
from oaktag.plugin.contract import ContractError, checked, is_below, problem_of, ready
from oaktag.plugin.kit import example_draft
from oaktag.recipe import DataFile, InputError, Origin, PerName, PositiveLength, Problem, refuse_value


class CardOptions(Options):
    """Options."""

    height: PerName[PositiveLength] = PerName.uniform(5.0)
    """How high."""


def run(draft: Draft, options: CardOptions) -> Draft:
    return draft


def stage(**changes: Any) -> InstalledStage:
    spec = StageSpec("sunny.card", "Write a card", f"{__name__}:run", f"{__name__}:CardOptions")
    return InstalledStage(replace(spec, **changes), "sunny", "sunny-bags", "2.3.0")


def test_a_stage_is_ready_with_its_function_and_its_options() -> None:
    prepared = ready(stage(), {"height": {"default": "1 in"}}, file="a.toml", key="stage[0] sunny.card")
    assert prepared.run is run
    assert isinstance(prepared.options, CardOptions)
    assert prepared.options.height.get("any") == 25.4


def test_bad_options_are_problems_of_the_file_below_the_stages_key() -> None:
    with pytest.raises(InputError) as caught:
        ready(stage(), {"height": -5, "width": 5}, file="a.toml", key="stage[0] sunny.card")
    assert [(p.file, p.key) for p in caught.value.problems] == [
        ("a.toml", "stage[0] sunny.card.height"),
        ("a.toml", "stage[0] sunny.card.width"),
    ]


class ShopOptions(CardOptions):
    """Options."""

    table: DataFile | None = None
    more: PerName[DataFile] | None = None


def test_a_data_file_is_named_from_the_folder_of_the_file_that_its_option_stands_in(tmp_path: Any) -> None:
    for name in ("base", "child"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "shop.toml").write_text(f"of = '{name}'\n")
    base, child = (str(tmp_path / name / "a.toml") for name in ("base", "child"))
    options = {"table": "shop.toml", "more": {"default": "shop.toml"}}
    shop = stage(options=f"{__name__}:ShopOptions")

    def read_from(**laid: str) -> list[str]:
        origins = {name: Origin(file, "stage[0] card") for name, file in laid.items()}
        made = ready(shop, options, file=base, key="stage[0] sunny.card", laid=origins).options
        assert isinstance(made, ShopOptions)
        assert made.table is not None
        assert made.more is not None
        return [file.table()["of"] for file in (made.table, made.more.get("any"))]

    assert read_from() == ["base", "base"]
    assert read_from(table=child) == ["child", "base"]
    assert read_from(more=child) == ["base", "child"]
    assert read_from(table=base, more=child) == ["base", "child"]


def test_bad_options_that_are_laid_over_others_are_problems_of_the_file_that_lays_them() -> None:
    laid = {name: Origin("b/child.toml", "stage[0] card") for name in ("height", "widths", "table")}
    options = {"height": {"default": -5}, "width": 5, "widths": 6, "table": "gone.toml"}
    with pytest.raises(InputError) as caught:
        ready(
            stage(options=f"{__name__}:ShopOptions"),
            options,
            file="a.toml",
            key="stage[2] sunny.card",
            laid=laid,
        )
    assert sorted((p.file, p.key) for p in caught.value.problems) == [
        ("a.toml", "stage[2] sunny.card.width"),
        ("b/child.toml", "stage[0] card.height.default"),
        ("b/child.toml", "stage[0] card.table"),
        ("b/child.toml", "stage[0] card.widths"),
    ]


class PairOptions(Options):
    """Options."""

    least: float = 0.0
    most: float = 1.0

    @model_validator(mode="after")
    def _in_order(self) -> PairOptions:
        if self.least > self.most:
            raise refuse_value("least is more than most", "least below most", "change one of them")
        return self


def test_what_does_not_work_together_is_the_problem_of_the_file_that_lays_over_the_rest() -> None:
    pair, options = stage(options=f"{__name__}:PairOptions"), {"least": 3.0, "most": 2.0}
    for laid, file, key in (
        ({}, "a.toml", "stage[2] sunny.card"),
        ({"least": Origin("b.toml", "stage[0] card")}, "b.toml", "stage[0] card"),
    ):
        with pytest.raises(InputError) as caught:
            ready(pair, options, file="a.toml", key="stage[2] sunny.card", laid=laid)
        [problem] = caught.value.problems
        assert (problem.file, problem.key, problem.reason) == (file, key, "least is more than most")


@pytest.mark.parametrize(
    "changes", [{"run": "no_such_module:run"}, {"options": "builtins:dict"}, {"run": "this_exits:run"}]
)
def test_a_stage_that_cannot_be_loaded_is_a_problem_naming_its_distribution(
    changes: dict[str, str], tmp_path: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "this_exits.py").write_text("raise SystemExit(0)")
    monkeypatch.syspath_prepend(str(tmp_path))
    with pytest.raises(InputError) as caught:
        ready(stage(**changes), {}, file="a.toml", key="stage[0] sunny.card")
    [problem] = caught.value.problems
    assert (problem.file, problem.key) == ("a.toml", "stage[0] sunny.card")
    assert problem.reason == "this stage of sunny-bags can't be loaded"
    assert problem.found
    assert problem.valid
    assert problem.todo == "install sunny-bags again, or tell its authors"


@pytest.mark.parametrize(
    ("source", "key", "file", "shown"),
    [
        ("frame", "lengths.top-tube", "my.frame.toml", "lengths.top-tube"),
        ("recipe", "radius.head", "my.recipe.toml", "stage[2] corners.round.radius.head"),
        ("recipe", "", "my.recipe.toml", "stage[2] corners.round"),
    ],
)
def test_a_refusal_names_the_file_and_the_key_it_is_about(
    source: Any, key: str, file: str, shown: str
) -> None:
    refusal = Refusal("won't do", key=key, source=source, found="5", valid="6", todo="write 6")
    problem = problem_of(
        refusal, frame_file="my.frame.toml", recipe_file="my.recipe.toml", key="stage[2] corners.round"
    )
    assert problem == Problem(file, shown, "won't do", "5", "6", "write 6")


def piece(name: str) -> Piece:
    square = Path.polyline([(0, 0), (0, 10), (10, 10), (10, 0), (0, 0)])
    return Piece(name, name, (Edge("all", square),), "shell")


def seam(name: str) -> Seam:
    side = SeamSide("a", ("all",))
    return Seam(name, side, side)


BEFORE = example_draft().evolve(
    pieces=(piece("a"),),
    seams=(seam("s"),),
    findings=(Finding("error", "first", "One"), Finding("note", "second", "Two")),
    artifacts=(Artifact("a.txt", "text", b"a"),),
)


def test_a_good_draft_goes_through() -> None:
    after = BEFORE.evolve(
        pieces=(piece("b"),), seams=(*BEFORE.seams, seam("t")), artifacts=(Artifact("b/a.txt", "text", b""),)
    ).with_findings([Finding("note", "third", "Three")])
    assert checked(BEFORE, after) is after
    assert checked(BEFORE, BEFORE) is BEFORE


@pytest.mark.parametrize(
    ("after", "reason"),
    [
        (None, "it returned a NoneType, not a Draft"),
        ((BEFORE,), "it returned a tuple, not a Draft"),
        (BEFORE.evolve(findings=()), "it dropped findings of earlier stages"),
        (BEFORE.evolve(findings=BEFORE.findings[::-1]), "it dropped findings of earlier stages"),
        (
            BEFORE.evolve(frame=replace(BEFORE.frame, name="B")),
            "it changed the draft's frame, which no stage may",
        ),
        (BEFORE.evolve(frame_provenance=Provenance("b")), "it changed the draft's frame provenance"),
        (BEFORE.evolve(recipe_provenance=Provenance("b")), "it changed the draft's recipe provenance"),
        (BEFORE.evolve(pieces=(piece("b"), piece("b"))), "it made two pieces of the name 'b'"),
        (BEFORE.evolve(seams=(seam("b"), seam("b"))), "it made two seams of the name 'b'"),
        (BEFORE.evolve(artifacts=(Artifact("b", "", b""),) * 2), "it made two files of the name 'b'"),
        (BEFORE.with_artifact(Artifact("../b", "", b"")), "its file '../b' leads out of the result folder"),
        (BEFORE.with_artifact(Artifact("a.txt/b", "", b"")), "its file 'a.txt' has the name of a folder"),
    ],
)
def test_a_draft_that_no_stage_may_give_back(after: object, reason: str) -> None:
    with pytest.raises(ContractError, match="^" + reason.replace("(", r"\(")):
        checked(BEFORE, after)


@pytest.mark.parametrize(
    ("after", "what", "name"),
    [
        (BEFORE.evolve(pieces=(piece("a"), piece("a"))), "piece", "a"),
        (BEFORE.evolve(seams=(seam("s"), seam("s"))), "seam", "s"),
        (BEFORE.with_artifact(Artifact("a.txt", "", b"")), "file", "a.txt"),
    ],
)
def test_a_recipe_that_makes_a_thing_twice_is_refused(after: Draft, what: str, name: str) -> None:
    with pytest.raises(Refusal, match=f"makes a {what} that an earlier stage has made already") as caught:
        checked(BEFORE, after)
    refusal = caught.value
    assert (refusal.source, refusal.key, refusal.found) == ("recipe", "", f'"{name}"')
    assert refusal.valid
    assert refusal.todo == "remove one of the two stages"


@pytest.mark.parametrize("path", ["a.txt", "a/b.txt", "a/b/c.d.txt", "ä b.txt", "..a", "a..b/c"])
def test_paths_below_the_result_folder(path: str) -> None:
    assert is_below(path)


@pytest.mark.parametrize(
    "path",
    ["", ".", "/", "/a", "..", "../a", "a/../b", "a/..", "a\\b", "\\\\host\\a", "c:a", "c:/a", "a\0b", "//a"],
)
def test_paths_that_lead_out_of_it_on_some_system(path: str) -> None:
    assert not is_below(path)
