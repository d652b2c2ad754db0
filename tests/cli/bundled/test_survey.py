"""`oaktag survey` with the stages that ship: reports, exit codes, files."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from oaktag.cli.app import run
from oaktag.pattern.document import schema

RECIPES = Path(__file__).parents[3] / "recipes"
GOOD = """\
name = "Demo"
[lengths]
top-tube = [518, { value = 538, excluded = "tape caught on a stop" }]
down-tube = 611
seat-tube = 402
[angles]
head = 40.8
"""
FOUR = """\
name = "Demo"
corners = ["seat", "head", "crown", "bottom-bracket"]
tubes = ["top-tube", "head-tube", "down-tube", "seat-tube"]
[lengths]
"""
SUSPECT = GOOD.replace("head = 40.8", "head = 40.8\nbottom-bracket = 75.0")


@pytest.fixture
def sheet(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "demo.frame.toml"
    path.write_text(GOOD, encoding="utf-8")
    return path


def said(capsys: pytest.CaptureFixture[str]) -> tuple[str, str]:
    captured = capsys.readouterr()
    return captured.out, captured.err


def files_below(folder: Path) -> list[str]:
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())


def test_a_good_sheet_is_reported_and_drawn(
    sheet: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["survey", str(sheet)]) == 0
    out, err = said(capsys)
    assert err == ""
    for words in (
        "Measured: Demo",
        "Readings: they agree (chi-square",
        "excluded: tape caught on a stop",
        "Worth reading next",
        "as it is",
        "angle seat",
        "note: reading-excluded [lengths.top-tube[1]]",
        "survey.svg",
    ):
        assert words in out
    assert files_below(tmp_path / "out") == ["demo/survey/pattern.json", "demo/survey/survey.svg"]
    assert (tmp_path / "out/demo/survey/survey.svg").read_text(encoding="utf-8").startswith("<?xml")


def test_quiet_says_only_what_is_wrong(sheet: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["survey", str(sheet), "--quiet"]) == 0
    assert "Measured" not in said(capsys)[0]
    sheet.write_text(SUSPECT, encoding="utf-8")
    assert run(["survey", str(sheet), "--quiet"]) == 1
    out, err = said(capsys)
    assert "Measured" not in out + err
    assert "error: reading-suspect [angles.bottom-bracket]" in err
    assert 'leave it out: { value = 75, excluded = "why" }' in err


def document(text: str) -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads(text)
    return loaded


def test_json_is_what_pattern_json_has(
    sheet: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["survey", str(sheet), "--json", "--out", "elsewhere"]) == 0
    out, err = said(capsys)
    assert err == ""
    report = document(out)
    assert list(report) == [
        "exit_code", "schema", "frame", "survey", "opening", "findings", "files"
    ]  # fmt: skip
    assert report["exit_code"] == 0
    whole = document((tmp_path / "elsewhere/demo/survey/pattern.json").read_text(encoding="utf-8"))
    assert list(Draft202012Validator(schema()).iter_errors(whole)) == []
    for key in ("schema", "frame", "survey", "opening", "findings"):
        assert report[key] == whole[key]
    survey = report["survey"]
    assert len(survey["covariance"]) == 6
    assert [reading["excluded"] for reading in survey["readings"]] == [
        "", "tape caught on a stop", "", "", ""
    ]  # fmt: skip
    perimeters = [one["perimeter"] for one in survey["next_readings"]]
    assert len(perimeters) >= 2
    assert all(perimeter < survey["perimeter"]["sigma"] for perimeter in perimeters)
    written = [Path(file["path"]).as_posix() for file in report["files"]]
    assert written == ["elsewhere/demo/survey/survey.svg", "elsewhere/demo/survey/pattern.json"]


def test_json_of_a_suspect_carries_the_exit_code(sheet: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sheet.write_text(SUSPECT, encoding="utf-8")
    assert run(["survey", str(sheet), "--json"]) == 1
    report = document(said(capsys)[0])
    assert report["exit_code"] == 1
    assert [one["code"] for one in report["findings"] if one["level"] == "error"] == ["reading-suspect"]
    assert report["survey"]["statistics"]["passed"] is False


@pytest.mark.parametrize(
    ("text", "key", "words"),
    [
        (GOOD.split("seat-tube")[0], "lengths.seat-tube", "don't fix the shape"),
        (GOOD.replace("611", "1611").split("[angles]")[0], "lengths.down-tube", "don't make a triangle"),
        (GOOD.replace("head = 40.8", "had = 40.8"), "angles.had", "there is no such corner"),
        (
            GOOD.replace("[angles]", '[diagonals]\n"seat to head" = 518\n[angles]'),
            "diagonals.seat to head",
            "there is no such diagonal",
        ),
        (
            # A square's distances under the names of a bow tie.
            FOUR + "top-tube = 566\nhead-tube = 400\ndown-tube = 566\nseat-tube = 400\n"
            '[diagonals]\n"seat to crown" = 400\n"head to bottom-bracket" = 400\n',
            "lengths.top-tube",
            "sides of the opening come out crossing each other",
        ),
        (
            FOUR + "top-tube = 500\nhead-tube = 90\n[angles]\nseat = 285\nhead = 250\ncrown = 230\n"
            "bottom-bracket = 315\n",
            "angles.head",
            "the corners come out counter-clockwise",
        ),
        (
            FOUR + 'top-tube = 500\n[diagonals]\n"seat to pedal" = 400\n',
            "diagonals.seat to pedal",
            "there is no such diagonal",
        ),
    ],
)
def test_nothing_is_written_on_bad_input(
    text: str, key: str, words: str, sheet: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sheet.write_text(text, encoding="utf-8")
    assert run(["survey", str(sheet)]) == 2
    out, err = said(capsys)
    assert out == ""
    assert "demo.frame.toml" in err
    assert key in err
    assert words in err
    assert "\n  do " in err
    assert "Traceback" not in err
    assert files_below(tmp_path) == ["demo.frame.toml"]
    assert run(["survey", str(sheet), "--json"]) == 2
    problems = document(said(capsys)[0])["problems"]
    assert [problem["key"] for problem in problems] == [key]
    assert files_below(tmp_path) == ["demo.frame.toml"]


def test_a_sheet_that_is_not_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["survey", str(tmp_path / "none.frame.toml"), "--out", str(tmp_path / "out")]) == 2
    assert "none.frame.toml" in said(capsys)[1]
    assert files_below(tmp_path) == []


def test_a_recipe_says_how_the_opening_is_made(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    chart = RECIPES / "sources" / "chart"
    arguments = [
        str(chart / "towpath-11-chart.frame.toml"), "--recipe", str(chart / "from-chart.recipe.toml")
    ]  # fmt: skip
    assert run(["survey", *arguments, "--out", str(tmp_path)]) == 0
    out, _ = said(capsys)
    assert "opening-estimated" in out
    assert "Readings:" not in out  # none was taken
    assert files_below(tmp_path) == [
        "towpath-11-chart/survey/pattern.json", "towpath-11-chart/survey/survey.svg"
    ]  # fmt: skip
    whole = document((tmp_path / "towpath-11-chart/survey/pattern.json").read_text(encoding="utf-8"))
    assert whole["pieces"] == []
    assert whole["opening"] is not None


def test_a_recipe_that_cannot_be_planned_writes_nothing(
    sheet: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    recipe = tmp_path / "bad.recipe.toml"
    recipe.write_text('name = "bad"\nversion = "1"\n[[stage]]\nuse = "measure.recon"\n', encoding="utf-8")
    assert run(["survey", str(sheet), "--recipe", str(recipe)]) == 2
    assert "measure.recon" in said(capsys)[1]
    assert files_below(tmp_path) == ["bad.recipe.toml", "demo.frame.toml"]


CHART = (RECIPES / "sources" / "chart" / "towpath-11-chart.frame.toml").read_text(encoding="utf-8")


def surveyed(path: Path, text: str, capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    path.write_text(text, encoding="utf-8")
    assert run(["survey", str(path), "--json"]) == 0
    told: dict[str, Any] = json.loads(capsys.readouterr().out)
    return told


def test_a_chart_is_surveyed_alone_and_then_with_readings(
    sheet: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    alone = surveyed(sheet, CHART, capsys)
    assert alone["survey"]["readings"] == []
    top = alone["survey"]["lengths"]["top-tube"]
    head = alone["survey"]["lengths"]["head-tube"]
    readings = f"[lengths]\ntop-tube = {top['value'] + 1:.0f}\nhead-tube = {head['value'] + 2:.0f}\n"
    both = surveyed(sheet, CHART.replace("[sources.chart]", readings + "[sources.chart]"), capsys)
    assert {reading["key"] for reading in both["survey"]["readings"]} == {
        "lengths.top-tube",
        "lengths.head-tube",
    }
    # The reading of a millimetre says more of the head tube than the chart does.
    after = both["survey"]["lengths"]["head-tube"]
    assert after["sigma"] < 1.0 < head["sigma"]
    assert abs(after["value"] - (head["value"] + 2)) < 1.0
    assert both["survey"]["perimeter"]["sigma"] < alone["survey"]["perimeter"]["sigma"]
    assert "estimate-adjusted" in {finding["code"] for finding in both["findings"]}
