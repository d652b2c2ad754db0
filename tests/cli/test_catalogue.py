"""The lists of stages and the explanation of one."""

from __future__ import annotations

import json

import pytest

from oaktag.cli.app import run
from oaktag.plugin import Stages

Capture = pytest.CaptureFixture[str]


def test_stages_are_listed_with_their_distribution_and_broken_plugins_apart(
    stages: Stages, capsys: Capture
) -> None:
    assert run(["stages"]) == 0
    said = capsys.readouterr()
    assert [line.split() for line in said.out.splitlines()[2:4]] == [
        ["test.card", "test-bags", "1.5", "Write", "a", "card"],
        ["test.plain", "test-bags", "1.5", "Do", "nothing"],
    ]
    assert said.err.splitlines() == [
        "warning: plugin rainy of rainy-bags can't be used: ImportError: no\\u001b[31m umbrella",
        "  do     dry it",
    ]


def test_stages_as_json(stages: Stages, capsys: Capture) -> None:
    assert run(["stages", "--json"]) == 0
    said = capsys.readouterr()
    assert said.err == ""
    listed = json.loads(said.out)
    assert listed["stages"][0] == {
        "name": "test.card",
        "summary": "Write a card",
        "plugin": "test",
        "distribution": "test-bags",
        "version": "1.5",
    }
    assert listed["faults"][0]["stages"] == ["rainy.card"]


def test_a_stage_is_explained_within_100_columns(stages: Stages, capsys: Capture) -> None:
    assert run(["explain", "test.card"]) == 0
    text = capsys.readouterr().out
    assert max(map(len, text.splitlines())) <= 100
    assert text.splitlines() == [
        "test.card: Write a card",
        "from test-bags 1.5",
        "",
        "  needs          readings",
        "  uses if there  none",
        "  adds           proof, files",
        "  changes        none",
        "",
        "Options",
        "  words",
        "    takes    text",
        '    default  "dry"',
        "    meaning  What stands on the card; `wet` is an error, and a few others do worse. This text is so",
        "             long that it has to be wrapped when it is shown.",
        "  copies",
        "    takes    whole number",
        "    default  1",
        "    meaning  How many.",
        "",
    ]


def test_a_stage_without_options_says_so(stages: Stages, capsys: Capture) -> None:
    assert run(["explain", "test.plain"]) == 0
    assert capsys.readouterr().out.endswith("\nIt has no options.\n")


def test_a_stage_is_explained_as_json_with_its_schema(stages: Stages, capsys: Capture) -> None:
    assert run(["explain", "test.card", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["name"] == "test.card"
    assert told["needs"] == ["readings"]
    assert told["adds"] == ["proof", "files"]
    assert [option["name"] for option in told["options"]] == ["words", "copies"]
    assert told["options"][1]["takes"] == "whole number"
    assert set(told["schema"]["properties"]) == {"words", "copies"}


@pytest.mark.parametrize(
    ("name", "reason", "todo"),
    [
        ("test.cart", "there is no such stage", "did you mean 'test.card'?"),
        ("wing.span", "there is no such stage", "see `oaktag stages`"),
        ("rainy.card", "ImportError: no\\u001b[31m umbrella", "dry it"),
    ],
)
def test_a_stage_that_is_not_there_cannot_be_explained(
    stages: Stages, name: str, reason: str, todo: str, capsys: Capture
) -> None:
    assert run(["explain", name]) == 2
    assert capsys.readouterr().err.splitlines() == [
        f"error: explain: {reason}",
        f'  found  "{name}"',
        "  valid  test.card, test.plain",
        f"  do     {todo}",
    ]
