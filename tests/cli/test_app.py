"""Commands, exit codes, and what goes where."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from oaktag.cli import app as command_line
from oaktag.cli.app import run

Job = Callable[..., list[str]]
Capture = pytest.CaptureFixture[str]
MAIN = "from oaktag.cli import main; main()"


@pytest.mark.parametrize(("words", "code"), [("dry", 0), ("wet", 1), ("boom", 3), ("stop", 130)])
def test_exit_codes_of_a_job(job: Job, words: str, code: int, capsys: Capture, tmp_path: Path) -> None:
    assert run(["make", *job(words)]) == code
    said = capsys.readouterr()
    assert "Traceback" not in said.err
    assert (tmp_path / "out").exists() == (code < 2)


def test_exit_code_of_bad_input(job: Job, capsys: Capture, tmp_path: Path) -> None:
    arguments = job()
    (tmp_path / "demo.frame.toml").write_text("unit = 5")
    assert run(["make", *arguments]) == 2
    assert capsys.readouterr().err.startswith(f"error: {tmp_path / 'demo.frame.toml'}: unit: ")


@pytest.mark.parametrize(
    ("arguments", "reason"),
    [
        (["make"], "Missing argument 'RECIPE'"),
        (["make", "a.toml"], "Missing option '--frame'"),
        (["make", "a.toml", "--frame", "b.toml", "--colour"], "No such option"),
        (["make", "a.toml", "c.toml", "--frame", "b.toml"], "unexpected extra argument"),
        (["mak"], "No such command 'mak'"),
        (["new", "bicycle"], "No such command 'bicycle'"),
        (["new", "frame", "a", "--unit", "ell"], "'ell' is not one of 'mm', 'cm', 'in'"),
        (["explain"], "Missing argument 'STAGE'"),
    ],
)
def test_exit_code_of_a_wrong_command(arguments: list[str], reason: str, capsys: Capture) -> None:
    assert run(arguments) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert reason in said.err
    assert "--help" in said.err
    assert run([*arguments, "--json"]) == 2
    told = capsys.readouterr()
    assert told.err == ""
    report = json.loads(told.out)
    assert report["exit_code"] == 2
    assert len(report["problems"]) == 1
    assert report["problems"][0]["file"] == "command line"
    assert report["problems"][0]["todo"].endswith("--help")


def test_a_wrong_command_as_json_says_what_is_wrong(capsys: Capture) -> None:
    assert run(["make", "--json"]) == 2
    [problem] = json.loads(capsys.readouterr().out)["problems"]
    assert problem["reason"] == "Missing argument 'RECIPE'."
    assert problem["todo"] == "see oaktag make --help"


@pytest.mark.parametrize("arguments", [["--help"], ["-h"], ["make", "--help"], ["new", "frame", "-h"]])
def test_help_is_no_failure(arguments: list[str], capsys: Capture) -> None:
    assert run(arguments) == 0
    said = capsys.readouterr()
    assert said.out.startswith("Usage: oaktag")
    assert said.err == ""


def test_help_names_the_exit_codes(capsys: Capture) -> None:
    assert run(["--help"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert (
        "0 done; 1 the pattern has findings at 'error'; 2 the input can't be used; 3 something broke" in text
    )


def test_the_version_is_that_of_the_distribution(capsys: Capture) -> None:
    from importlib.metadata import version

    assert run(["--version"]) == 0
    assert capsys.readouterr().out == f"oaktag {version('oaktag')}\n"


@pytest.mark.parametrize(("words", "code"), [("dry", 0), ("wet", 1)])
@pytest.mark.parametrize("command", ["make", "check"])
def test_the_report_as_json(job: Job, words: str, code: int, command: str, capsys: Capture) -> None:
    arguments = job(words, "--json")
    if command == "check":
        del arguments[3:5]
    assert run([command, *arguments]) == code
    said = capsys.readouterr()
    assert said.err == ""
    report = json.loads(said.out)
    assert report["exit_code"] == code
    assert [f["code"] for f in report["findings"]] == ["card", "card", "card-wet"][: 2 + code]
    assert [s["use"] for s in report["stages"]] == ["test.card"]
    assert report["frame"]["name"] == "Demo"
    assert report["recipe"]["version"] == "1"
    assert [Path(f["path"]).name for f in report["files"]] == (
        ["card.txt", "pattern.json"] if command == "make" else []
    )


def test_failures_as_json(job: Job, capsys: Capture, tmp_path: Path) -> None:
    assert run(["make", *job("boom", "--json")]) == 3
    said = capsys.readouterr()
    assert said.err == ""
    report = json.loads(said.out)
    assert report["exit_code"] == 3
    assert report["failure"].startswith("stage 'test.card' of test-bags failed: RuntimeError: it burst")

    arguments = job("dry", "--json")
    (tmp_path / "demo.frame.toml").write_text('name = "A"\nunit = "ell"\n')
    assert run(["make", *arguments]) == 2
    said = capsys.readouterr()
    assert said.err == ""
    report = json.loads(said.out)
    assert report["exit_code"] == 2
    assert report["problems"] == [
        {
            "file": str(tmp_path / "demo.frame.toml"),
            "key": "unit",
            "reason": "there is no such unit",
            "found": '"ell"',
            "valid": "mm, cm, in",
            "todo": "write one of these",
        }
    ]


def test_quiet_leaves_findings_and_problems_on_standard_error(job: Job, capsys: Capture) -> None:
    assert run(["make", *job("wet", "--quiet")]) == 1
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.splitlines() == [
        "  error: card-wet [card]: the card is wet",
        "  warning: card [gusset]: a warning",
    ]


def test_the_report_says_what_was_found_and_written(job: Job, capsys: Capture, tmp_path: Path) -> None:
    assert run(["make", *job("wet")]) == 1
    said = capsys.readouterr()
    assert said.err == ""
    assert "Found: 1 error" in said.out
    assert "  note: card: a note" in said.out
    assert f"  {tmp_path / 'out' / 'demo' / 'card' / 'card.txt'}" in said.out
    assert "DO NOT CUT" in said.out


def test_check_writes_nothing(job: Job, tmp_path: Path) -> None:
    arguments = job()
    before = sorted(tmp_path.iterdir())
    assert run(["check", *arguments[:3], *arguments[5:]]) == 0
    assert sorted(tmp_path.iterdir()) == before


def test_where_a_failure_came_from_is_shown_when_asked_for(job: Job, capsys: Capture) -> None:
    assert run(["make", *job("boom")]) == 3
    plain = capsys.readouterr().err
    assert plain.startswith("error: stage 'test.card' of test-bags failed: RuntimeError: it burst\n")
    assert "Traceback" not in plain
    assert run(["make", *job("boom", "--traceback")]) == 3
    shown = capsys.readouterr().err
    assert "Traceback" in shown
    assert shown.endswith(plain)


def test_a_fault_of_the_program_is_no_fault_of_the_user(
    job: Job, monkeypatch: pytest.MonkeyPatch, capsys: Capture
) -> None:
    import oaktag.engine

    def broken(*arguments: Any, **options: Any) -> None:
        raise ZeroDivisionError("by zero")

    monkeypatch.setattr(oaktag.engine, "make_bag", broken)
    assert run(["make", *job()]) == 3
    assert capsys.readouterr().err.startswith("error: oaktag failed: ZeroDivisionError: by zero\n")


def test_an_interrupt_says_so_and_nothing_else(job: Job, capsys: Capture) -> None:
    assert run(["make", *job("stop")]) == 130
    assert "".join(capsys.readouterr().err.split()) == "stopped"


def test_several_settings_and_the_last_of_one_name_wins(job: Job, tmp_path: Path) -> None:
    assert run(["make", *job("dry", "--set", "words=late")]) == 0
    assert (tmp_path / "out" / "demo" / "card" / "card.txt").read_text() == "late"


def in_process_of_its_own(*arguments: str, **options: Any) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, *arguments], text=True, timeout=120, check=False, **options)


@pytest.mark.parametrize("arguments", [["--help"], ["stages", "--json"]])
def test_a_reader_who_has_gone_is_no_failure(arguments: list[str]) -> None:
    reading, writing = os.pipe()
    os.close(reading)
    try:
        done = in_process_of_its_own("-c", MAIN, *arguments, stdout=writing, stderr=subprocess.PIPE)
    finally:
        os.close(writing)
    assert (done.returncode, done.stderr) == (0, "")


def test_a_reader_who_has_gone_does_not_hide_the_jobs_exit_code(
    job: Job, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    reading, writing = os.pipe()
    os.close(reading)
    with os.fdopen(writing, "w", closefd=True) as gone:
        monkeypatch.setattr(sys, "stdout", gone)
        assert run(["make", *job("wet")]) == 1
        monkeypatch.undo()
    assert (tmp_path / "out" / "demo" / "card" / "card.txt").exists()


HEAVY = (
    "cairosvg",
    "ezdxf",
    "jinja2",
    "numpy",
    "pluggy",
    "pydantic",
    "reportlab",
    "rich",
    "scipy",
    "shapely",
    "oaktag.engine",
    "oaktag.pattern",
    "oaktag.recipe",
)


def test_help_imports_nothing_but_click() -> None:
    code = f"""
import sys
from oaktag.cli.app import run
for arguments in (["--help"], ["make", "--help"], ["new", "frame", "--help"], ["--version"], ["mak"]):
    run(arguments)
print([name for name in {HEAVY!r} if name in sys.modules], file=sys.stderr)
"""
    done = in_process_of_its_own("-c", code, capture_output=True)
    assert done.stderr.splitlines()[-1] == "[]"


def test_the_public_door_imports_what_is_used_only() -> None:
    code = f"import oaktag, sys; print([name for name in {HEAVY!r} if name in sys.modules])"
    assert in_process_of_its_own("-c", code, capture_output=True).stdout == "[]\n"


def test_every_command_is_described() -> None:
    for command in command_line.app.commands.values():
        assert command.help
        for parameter in command.params:
            if parameter.param_type_name == "option":
                assert getattr(parameter, "help", None), f"{command.name} {parameter.name}"
