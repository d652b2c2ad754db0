"""What holds for every installed stage, whoever wrote it."""

from __future__ import annotations

import inspect
import json

import pytest
from pydantic import ValidationError

from oaktag.cli.app import run
from oaktag.plugin import PARTS, InstalledStage, load_stages
from oaktag.recipe import Options, problems_of

STAGES = load_stages()


@pytest.fixture(params=sorted(STAGES.installed))
def stage(request: pytest.FixtureRequest) -> InstalledStage:
    return STAGES.installed[request.param]


def test_no_plugin_is_broken() -> None:
    assert STAGES.faults == ()


def test_a_summary_is_one_short_line(stage: InstalledStage) -> None:
    summary = stage.spec.summary
    assert summary
    assert summary[0].isupper()
    assert len(summary) <= 100
    assert "\n" not in summary
    assert not summary.endswith(".")


def test_it_does_something(stage: InstalledStage) -> None:
    spec = stage.spec
    assert spec.adds | spec.changes or spec.closes
    assert (spec.needs | spec.uses | spec.adds | spec.changes) <= frozenset(PARTS)
    assert not spec.needs & spec.uses


def test_its_function_takes_a_draft_and_options(stage: InstalledStage) -> None:
    function = stage.spec.load_run()
    assert list(inspect.signature(function).parameters) == ["draft", "options"]
    assert function.__doc__


def test_every_option_is_described_and_has_a_default_or_says_what_to_give(stage: InstalledStage) -> None:
    model = stage.spec.load_options()
    assert issubclass(model, Options)
    assert model.model_config.get("frozen")
    assert model.model_config.get("extra") == "forbid"
    for name, field in model.model_fields.items():
        assert field.description, name
    try:
        defaults = model()
    except ValidationError as error:
        # Nobody can say for the maker where a wall stands or how wide a pocket is.
        for problem in problems_of(error, model=model, data={}, file="x.recipe.toml"):
            assert problem.reason, problem
            assert problem.valid, problem
            assert problem.todo, problem
    else:
        assert not any(field.is_required() for field in model.model_fields.values())
        assert model.model_validate(defaults.model_dump(by_alias=True)) == defaults


def test_explain_shows_every_option(stage: InstalledStage, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["explain", stage.spec.name]) == 0
    plain = capsys.readouterr().out
    assert run(["explain", stage.spec.name, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    for option in told["options"]:
        assert option["name"] in plain
        assert option["takes"] not in ("", "nothing")
        assert option["takes"] != "table" or option["keys"]
    assert {option["name"] for option in told["options"]} == {
        field.alias or name for name, field in stage.spec.load_options().model_fields.items()
    }
