"""Whatever a user gets wrong is one message with file, key, reason and what to do; nothing is written."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from oaktag.cli.app import run

RECIPES = Path(__file__).parents[3] / "recipes"
FRAME = (RECIPES / "frames" / "towpath-3-small.frame.toml").read_text(encoding="utf-8")
RECIPE = (RECIPES / "fit-sample.recipe.toml").read_text(encoding="utf-8")


def altered(text: str, *changes: tuple[str, str]) -> str:
    for old, new in changes:
        assert text.count(old) >= 1, old
        text = text.replace(old, new, 1)
    return text


def reordered(text: str, use: str, before: str) -> str:
    """The recipe with one stage moved before another."""
    head, *stages = text.split("[[stage]]\n")
    moved = next(stage for stage in stages if f'"{use}"' in stage)
    stages.remove(moved)
    place = next(index for index, stage in enumerate(stages) if f'"{before}"' in stage)
    stages.insert(place, moved)
    return "[[stage]]\n".join([head, *(stage.rstrip("\n") + "\n\n" for stage in stages)])


def stage(use: str, key: str = "", recipe: str = RECIPE) -> str:
    """How a message names a stage of the recipe, or a key of it."""
    uses = [line.split('"')[1] for line in recipe.splitlines() if line.startswith("use = ")]
    return f"stage[{uses.index(use)}] {use}{'.' + key if key else ''}"


WITHOUT_ROUNDING = altered(RECIPE, ('"corners.round"', '"corners.rounds"'))
ROUNDED_LATE = reordered(RECIPE, "corners.round", "gusset.wrap")
WITHOUT_GUSSET = altered(
    RECIPE, ('[[stage]]\nuse = "gusset.wrap"\nbetween = "held"\nmaterial = "fit sample cloth"\n', "")
)


@dataclass(frozen=True)
class Case:
    """One mistake, and what has to be said about it; `at` is the file that it is in."""

    at: str
    key: str
    says: tuple[str, ...]
    todo: str
    frame: str | bytes = FRAME
    recipe: str | bytes = RECIPE
    arguments: tuple[str, ...] = ()
    arrange: Callable[[Path], None] = field(default=lambda folder: None)


def folder_for_frame(folder: Path) -> None:
    (folder / "demo.frame.toml").unlink()
    (folder / "demo.frame.toml").mkdir()


def folder_for_recipe(folder: Path) -> None:
    (folder / "bag.recipe.toml").unlink()
    (folder / "bag.recipe.toml").mkdir()


ONLY_TWO = """\
name = "Two lengths"
[lengths]
top-tube = 476
down-tube = 524
"""

CASES = {
    "an impossible triangle": Case(
        "frame",
        "lengths.top-tube",
        ("these readings don't make a triangle", "1476 mm", "below 876.0 mm"),
        "read the top-tube again",
        frame=altered(FRAME, ("top-tube = 476", "top-tube = 1476"), ("[352, 353]", "352")).split("[angles]")[
            0
        ],
    ),
    "a missing reading": Case(
        "frame",
        "lengths.seat-tube",
        ("don't fix the shape of the opening", "three independent readings"),
        "read the seat-tube",
        frame=ONLY_TWO,
    ),
    "a radius that doesn't fit": Case(
        "recipe",
        stage("corners.round", "radius"),
        ("doesn't fit at corner", "500 mm", "at most"),
        "make the radius",
        arguments=("--set", "corner-radius=500"),
    ),
    "a gap that swallows the opening": Case(
        "recipe",
        stage("outline.clear", "gap"),
        ("the gap swallows the opening", "400 mm", "less than"),
        "make the gap smaller",
        arguments=("--set", "gap=400"),
    ),
    "an unknown key in the sheet": Case(
        "frame",
        "lengths.top-tub",
        ("there is no such tube", "top-tub", "top-tube, down-tube, seat-tube"),
        "did you mean 'top-tube'?",
        frame=altered(FRAME, ("top-tube = 476", "top-tub = 476")),
    ),
    "an unknown key in the recipe": Case(
        "recipe",
        stage("corners.round", "radios"),
        ("unknown key", "radios", "radius"),
        "did you mean 'radius'?",
        recipe=altered(RECIPE, ('radius = "{corner-radius}"', 'radios = "{corner-radius}"')),
    ),
    "an unknown stage": Case(
        "recipe",
        stage("corners.rounds", "use", WITHOUT_ROUNDING),
        ("there is no such stage", "corners.rounds", "corners.round, "),
        "did you mean 'corners.round'?",
        recipe=WITHOUT_ROUNDING,
    ),
    "stages in the wrong order": Case(
        "recipe",
        stage("corners.round", "", ROUNDED_LATE),
        ("changes the outline too late", "'panel.pair'"),
        "move it before 'panel.pair'",
        recipe=ROUNDED_LATE,
    ),
    "a stage that is left out": Case(
        "recipe",
        stage("notch.match", "", WITHOUT_GUSSET),
        ("needs the", "which no stage before it adds"),
        "put before it a stage that adds",
        recipe=WITHOUT_GUSSET,
    ),
    "a negative width": Case(
        "frame",
        "widths.down-tube.head",
        ("is too small", "-44", "more than 0"),
        "correct the value",
        frame=altered(FRAME, ("head = 44", "head = -44")),
    ),
    "a unit that doesn't exist": Case(
        "frame",
        "unit",
        ("there is no such unit", '"inches"', "mm, cm, in"),
        "write one of these",
        frame=altered(FRAME, ('unit = "mm"', 'unit = "inches"')),
    ),
    "a value in a unit that doesn't exist": Case(
        "frame",
        "lengths.top-tube",
        ("there is no unit 'ell' here", '"1 ell"', "units: mm, cm, in"),
        "correct the value",
        frame=altered(FRAME, ("top-tube = 476", 'top-tube = "1 ell"')),
    ),
    "a sheet that isn't TOML": Case(
        "frame", "", ("isn't valid TOML", "line 3"), "correct that line", frame='name = "A"\n\n[lengths\n'
    ),
    "a recipe that isn't TOML": Case(
        "recipe", "", ("isn't valid TOML", "line 1"), "correct that line", recipe="name: demo\n"
    ),
    "a sheet that isn't UTF-8": Case(
        "frame",
        "",
        ("isn't UTF-8 text", "byte 0xe9 on line 2"),
        "save it again",
        frame=b'name = "A"\nsize = "\xe9"',
    ),
    "a recipe that isn't UTF-8": Case(
        "recipe", "", ("isn't UTF-8 text", "byte 0xff on line 1"), "save it again", recipe=b"\xff\xfe\x00"
    ),
    "a folder instead of a sheet": Case(
        "frame", "", ("can't be read", "Is a directory"), "name a frame sheet", arrange=folder_for_frame
    ),
    "a folder instead of a recipe": Case(
        "recipe", "", ("can't be read", "Is a directory"), "name a recipe", arrange=folder_for_recipe
    ),
    "a sheet that isn't there": Case(
        "frame",
        "",
        ("there is no such frame sheet",),
        "check the path",
        arrange=lambda folder: (folder / "demo.frame.toml").unlink(),
    ),
    "a recipe that isn't there": Case(
        "recipe",
        "",
        ("there is no such recipe",),
        "check the path",
        arrange=lambda folder: (folder / "bag.recipe.toml").unlink(),
    ),
    "a sheet for a newer program": Case(
        "frame", "format", ("newer version", "7"), "install a newer oaktag", frame="format = 7\n" + FRAME
    ),
    "a setting of an unknown parameter": Case(
        "recipe",
        "parameters.corner-radios",
        ("this recipe has no such parameter", "--set corner-radios=5", "gap, corner-radius, allowance"),
        "did you mean 'corner-radius'?",
        arguments=("--set", "corner-radios=5"),
    ),
    "a setting without an equals sign": Case(
        "--set",
        "",
        ("isn't a name and a value", '"corner-radius"', "NAME=VALUE"),
        "write for example --set",
        arguments=("--set", "corner-radius"),
    ),
    "a setting of the wrong kind": Case(
        "recipe",
        stage("corners.round", "radius"),
        ("can't be read as a number with a unit", '"wide"'),
        "correct the value",
        arguments=("--set", "corner-radius=wide"),
    ),
    "a setting for a corner that isn't there": Case(
        "recipe",
        stage("corners.round", "radius.haed"),
        ("there is no corner of this name", '"haed"', "head, bottom-bracket, seat, default"),
        "did you mean 'head'?",
        arguments=("--set", "corner-radius={default = 20, haed = 25}"),
    ),
}


@pytest.fixture
def prepared(tmp_path: Path) -> Callable[[Case], tuple[list[str], dict[str, str]]]:
    def prepare(case: Case) -> tuple[list[str], dict[str, str]]:
        files = {"frame": tmp_path / "demo.frame.toml", "recipe": tmp_path / "bag.recipe.toml"}
        for path, content in zip(files.values(), (case.frame, case.recipe), strict=True):
            path.write_bytes(content.encode() if isinstance(content, str) else content)
        case.arrange(tmp_path)
        named = {name: str(path) for name, path in files.items()} | {"--set": "--set"}
        out = str(tmp_path / "out")
        return [named["recipe"], "--frame", named["frame"], "--out", out, *case.arguments], named

    return prepare


Prepare = Callable[[Case], tuple[list[str], dict[str, str]]]


@pytest.mark.parametrize("case", CASES.values(), ids=CASES.keys())
def test_one_mistake_is_one_message(
    case: Case, prepared: Prepare, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments, files = prepared(case)
    before = sorted(tmp_path.rglob("*"))

    assert run(["make", *arguments]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.count("error: ") == 1, said.err
    assert said.err.startswith(f"error: {files[case.at]}: {case.key}"), said.err
    for words in case.says:
        assert words in said.err
    assert f"\n  do     {case.todo}" in said.err
    assert "Traceback" not in said.err
    assert sorted(tmp_path.rglob("*")) == before

    assert run(["make", *arguments, "--json"]) == 2
    told = capsys.readouterr()
    assert told.err == ""
    report = json.loads(told.out)
    assert report["exit_code"] == 2
    [problem] = report["problems"]
    assert problem["file"] == files[case.at]
    assert problem["key"].startswith(case.key)
    assert problem["reason"]
    assert problem["found"]
    assert problem["valid"]
    assert problem["todo"].startswith(case.todo)
    assert sorted(tmp_path.rglob("*")) == before


def test_an_output_folder_that_cannot_be_written(
    prepared: Prepare, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    case = Case("--out", "", (), "")
    arguments, _ = prepared(case)
    (tmp_path / "out").write_text("a file that is in the way")
    before = sorted(tmp_path.rglob("*"))
    assert run(["make", *arguments]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.count("error: ") == 1
    assert said.err.startswith("error: --out: the results can't be written: Not a directory\n")
    assert f"  found  {tmp_path / 'out' / 'demo' / 'bag'}\n" in said.err
    assert "  do     name another folder with --out\n" in said.err
    assert sorted(tmp_path.rglob("*")) == before


def test_mistakes_in_both_files_are_told_in_one_go(
    prepared: Prepare, capsys: pytest.CaptureFixture[str]
) -> None:
    frame = altered(FRAME, ("head = 44", "head = -44"), ("top-tube = 476", "top-tub = 476"))
    recipe = altered(RECIPE, ('"corners.round"', '"corners.rounds"'))
    arguments, _ = prepared(Case("frame", "", (), "", frame=frame, recipe=recipe))
    assert run(["check", *arguments[:3]]) == 2
    assert capsys.readouterr().err.count("error: ") == 3
