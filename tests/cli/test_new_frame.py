"""A new frame sheet: it loads as it is, in every unit."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from oaktag.cli.app import run
from oaktag.cli.new_frame import render_sheet
from oaktag.recipe import load_frame

Capture = pytest.CaptureFixture[str]


@pytest.mark.parametrize("unit", ["mm", "cm", "in"])
def test_a_new_sheet_loads_in_its_unit(unit: str, tmp_path: Path, capsys: Capture) -> None:
    assert run(["new", "frame", str(tmp_path / "my"), "--unit", unit, "--name", "My 'all-road' \"M\" ½"]) == 0
    path = tmp_path / "my.frame.toml"
    assert capsys.readouterr().out == f"wrote {path}\n"
    frame, file = load_frame(path)
    assert file.tables["unit"] == unit
    assert frame.name == "My 'all-road' \"M\" ½"
    assert len(frame.readings) > 3
    assert {w.place.tube for w in frame.widths} == set(frame.tubes)


def test_the_example_is_the_same_bicycle_in_every_unit(tmp_path: Path) -> None:
    frames = []
    for unit in ("mm", "cm", "in"):
        assert run(["new", "frame", str(tmp_path / unit), "--unit", unit]) == 0
        frames.append(load_frame(tmp_path / f"{unit}.frame.toml")[0])
    assert frames[0].readings == frames[1].readings
    assert frames[0].widths == frames[1].widths
    # A tape in inches is read to the sixteenth, which is 1.6 mm.
    for first, second in zip(frames[0].readings, frames[2].readings, strict=True):
        assert second.value == pytest.approx(first.value, abs=25.4 / 32 + 1e-9)
        assert second.sigma == first.sigma
    for narrow, other in zip(frames[0].widths, frames[2].widths, strict=True):
        assert other.width == pytest.approx(narrow.width, abs=25.4 / 32 + 1e-9)


def test_inches_are_written_as_a_tape_shows_them() -> None:
    tables = tomllib.loads(render_sheet("A", "in"))
    assert tables["lengths"]["seat-tube"] == ["15 13/16 in", "15 13/16 in"]
    assert tables["lengths"]["down-tube"] == "23 3/4 in"


def test_what_stands_in_remarks_is_an_example_that_loads(tmp_path: Path) -> None:
    for unit in ("mm", "cm", "in"):
        text = render_sheet("A", unit)
        lines = [line.removeprefix("# ").strip() for line in text.splitlines() if line.startswith("#")]
        examples = [line for line in lines if line.startswith(("corners = ", "tubes = ", "stations = "))]
        assert len(examples) == 3
        top = "\n".join(examples[:2])
        path = tmp_path / f"{unit}.frame.toml"
        path.write_text(f"{top}\n{text}".replace("[widths.down-tube]", f"[widths.down-tube]\n{examples[2]}"))
        assert len(load_frame(path)[0].widths) == 7


@pytest.mark.parametrize(
    ("given", "written"),
    [
        ("my", "my.frame.toml"),
        ("my.toml", "my.frame.toml"),
        ("my.frame.toml", "my.frame.toml"),
        ("a.b", "a.b.frame.toml"),
    ],
)
def test_the_file_gets_the_suffix_of_frame_sheets(given: str, written: str, tmp_path: Path) -> None:
    assert run(["new", "frame", str(tmp_path / given)]) == 0
    assert [path.name for path in tmp_path.iterdir()] == [written]


def test_a_file_that_is_there_stays_unless_forced(tmp_path: Path, capsys: Capture) -> None:
    path = tmp_path / "my.frame.toml"
    path.write_text("mine")
    assert run(["new", "frame", str(path)]) == 2
    said = capsys.readouterr().err
    assert said.startswith(f"error: {path}: is already there\n")
    assert "--force" in said
    assert path.read_text() == "mine"
    assert run(["new", "frame", str(path), "--force"]) == 0
    assert load_frame(path)[0].name == "My bicycle"


@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("", "is empty"),
        ("x" * 81, "is too long"),
        ("a\nb", "is no line of text"),
        (" a", "is no line of text"),
        ("a\x7f", "is no line of text"),
        ("\udcff", "isn't UTF-8 text"),
    ],
)
def test_a_name_that_cannot_be_one_writes_nothing(
    name: str, reason: str, tmp_path: Path, capsys: Capture
) -> None:
    assert run(["new", "frame", str(tmp_path / "my"), "--name", name]) == 2
    said = capsys.readouterr().err
    assert said.startswith(f"error: --name: {reason}\n")
    assert "\n  do     " in said
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("path", [".", "..", "/", "", "a/.."])
def test_a_folder_is_no_file(
    path: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Capture
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(["new", "frame", path]) == 2
    said = capsys.readouterr().err
    assert ": is a folder\n" in said
    assert "\n  do     name the file, for example " in said
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_is_not_there_or_cannot_be_written(tmp_path: Path, capsys: Capture) -> None:
    (tmp_path / "file").write_text("mine")
    for path in (tmp_path / "no" / "my", tmp_path / "file" / "my"):
        assert run(["new", "frame", str(path)]) == 2
        said = capsys.readouterr().err
        assert said.startswith(f"error: {path}.frame.toml: can't be written\n")
        assert "\n  do     name a file in a folder that you may write to" in said
