"""Options that name a table of the shop's own: found, read once, kept, checked, and every way to fail."""

from __future__ import annotations

import datetime
import hashlib
import json
import math
import os
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import FrozenInstanceError
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import Field, ValidationError, model_validator

from oaktag.recipe import DataFile, Options, PerName, PositiveLength, Problem, problems_of
from oaktag.recipe.data_file import placed
from oaktag.recipe.schema import schema_of

Problems = Callable[[Callable[[], object]], tuple[Problem, ...]]


class Inner(Options):
    """A table with a file in it."""

    file: DataFile


class CutOptions(Options):
    """Options of a stage that reads a table."""

    table: DataFile | None = None
    """The cloth that is in stock."""
    more: tuple[DataFile, ...] = ()
    by_piece: PerName[DataFile] | None = None
    inner: Inner | None = None


class Cloth(Options):
    """One cloth."""

    width: PositiveLength
    """Usable width of the roll."""
    uses: tuple[str, ...] = ()


class Materials(Options):
    """A shop's table of cloth."""

    unit: str = "mm"
    materials: dict[str, Cloth] = Field(default_factory=dict)


SHOP = """\
[materials.canvas]
width = "59 in"

[materials.canvas-2]
width = 900
uses = ["panel", "gusset"]
"""
NAME = "shop.materials.toml"


def options(folder: Path | None, **values: object) -> CutOptions:
    return CutOptions.model_validate(values, context=None if folder is None else {"folder": folder})


def problem(folder: Path, **values: object) -> Problem:
    with pytest.raises(ValidationError) as caught:
        options(folder, **values)
    [found] = problems_of(caught.value, model=CutOptions, data=values, file="a.toml", prefix="stage[0] cut")
    assert found.file == "a.toml"
    assert found.valid
    assert found.todo
    return found


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    """A folder with a shop's table."""
    (tmp_path / NAME).write_bytes(SHOP.encode())
    return tmp_path


def test_the_file_is_read_when_the_options_are(shop: Path) -> None:
    made = options(shop, table=NAME)
    (shop / NAME).unlink()
    assert made.table is not None
    assert made.table.table() == tomllib.loads(SHOP)
    assert made.table.name == NAME
    assert made.table.sha256 == hashlib.sha256(SHOP.encode()).hexdigest()


def test_no_path_of_the_machine_comes_into_the_value(shop: Path) -> None:
    made = options(shop, table=NAME)
    assert str(shop) not in repr(made)
    assert made == options(shop / ".." / shop.name, table=NAME)


def test_without_a_folder_the_path_is_taken_as_it_is(shop: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(shop)
    assert options(None, table=NAME) == options(shop, table=NAME)


@pytest.mark.parametrize("name", ["sub/a.toml", "./sub/a.toml", "sub/../sub/a.toml"])
def test_the_path_may_lead_to_other_folders(name: str, tmp_path: Path) -> None:
    (tmp_path / "sub").mkdir()
    (tmp_path / "sub" / "a.toml").write_text("a = 1\n")
    for folder, written in ((tmp_path, name), (tmp_path / "sub", f"../{name}")):
        made = options(folder, table=written).table
        assert made is not None
        assert (made.name, made.table()) == (written, {"a": 1})


def test_every_call_gives_a_fresh_copy(shop: Path) -> None:
    file = options(shop, table=NAME).table
    assert file is not None
    file.table()["materials"].clear()
    assert file.table() == tomllib.loads(SHOP)
    with pytest.raises(FrozenInstanceError):
        file.name = "other"  # type: ignore[misc]
    assert hash(file) == hash(options(shop, table=NAME).table)


def test_the_files_order_is_kept(tmp_path: Path) -> None:
    (tmp_path / "a.toml").write_text("z = 1\na = 2\nm = 3\n")
    file = options(tmp_path, table="a.toml").table
    assert file is not None
    assert list(file.table()) == ["z", "a", "m"]


def test_files_may_stand_in_lists_and_tables(shop: Path) -> None:
    made = options(
        shop, more=[NAME, NAME], **{"by-piece": {"default": NAME, "strip": NAME}}, inner={"file": NAME}
    )
    assert made.by_piece is not None
    assert made.inner is not None
    found = {*made.more, made.by_piece.get("strip"), made.by_piece.get("any"), made.inner.file}
    assert found == {options(shop, table=NAME).table}


def test_a_value_that_has_been_read_is_taken_as_it_is(shop: Path) -> None:
    file = options(shop, table=NAME).table
    assert CutOptions(table=file).table is file


def test_text_that_knows_its_folder_is_read_from_there(shop: Path, tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    value: Mapping[str, Any] = placed({"default": NAME, "list": [NAME, 5]}, shop)
    assert value == {"default": NAME, "list": [NAME, 5]}
    table = options(shop, table=NAME).table
    made = options(
        elsewhere, table=value["default"], more=value["list"][:1], inner={"file": value["list"][0]}
    )
    assert made.table == made.more[0] == table
    assert made.inner == Inner(file=table)
    assert type(made.table.name) is str
    assert problem(elsewhere, table=NAME).reason == "there is no such data file"


def test_the_schema_of_the_option_is_text() -> None:
    schema = schema_of(CutOptions)
    text = {"type": "string", "minLength": 1}
    assert schema["properties"]["table"] == {**text, "description": "The cloth that is in stock."}
    assert schema["properties"]["more"]["items"] == text
    assert schema["properties"]["by-piece"]["anyOf"][0] == text
    assert json.loads(json.dumps(schema)) == schema


@pytest.mark.parametrize(
    ("value", "reason", "found", "todo"),
    [
        (5, "is not text", "5", "write its name in quotes"),
        ({"a": 1}, "is not text", "{a = 1}", "write its name in quotes"),
        (True, "is not text", "true", "write its name in quotes"),
        ("", "names no file", '""', "write the name of the data file"),
        (".", "names no file", '"."', "write the name of the data file"),
        ("gone.toml", "there is no such data file", '"gone.toml"', "check the path"),
        ("folder", "is no file", '"folder"', "name a data file"),
        (
            f"{NAME}/a",
            f"can't be read: {os.strerror(20)}",
            f'"{NAME}/a"',
            "name a data file that you may read",
        ),
        (f"/{NAME}", "is no path from the folder", f'"/{NAME}"', "write its path from the folder"),
        ("C:\\a.toml", "is no path from the folder", '"C:\\\\a.toml"', "write its path from the folder"),
        ("a\0", "is no path from the folder", '"a\\u0000"', "write its path from the folder"),
    ],
)
def test_a_name_that_leads_nowhere(shop: Path, value: object, reason: str, found: str, todo: str) -> None:
    (shop / "folder").mkdir()
    said = problem(shop, table=value)
    assert said.key == "stage[0] cut.table"
    assert said.reason.startswith(reason)
    assert said.found == found
    assert said.todo.startswith(todo)
    assert problem(shop, inner={"file": value}).key == "stage[0] cut.inner.file"
    assert str(shop) not in str(said)


@pytest.mark.parametrize(
    ("content", "reason", "todo"),
    [
        (b"a = 1\nb = '\xff'\n", "isn't UTF-8 text: byte 0xff on line 2", "save it again as UTF-8"),
        (b"a = \n", "isn't valid TOML: Invalid value (at line 1, column 5)", "correct that line"),
        (b"a = 2026-01-01\n", "holds a date, a time or a number that isn't finite", "write it as text"),
        (b"[a]\nb = [nan]\n", "holds a date, a time or a number that isn't finite", "write it as text"),
    ],
)
def test_a_file_that_cannot_be_used(tmp_path: Path, content: bytes, reason: str, todo: str) -> None:
    (tmp_path / "a.toml").write_bytes(content)
    said = problem(tmp_path, table="a.toml")
    assert (said.key, said.found) == ("stage[0] cut.table", '"a.toml"')
    assert said.reason == f"names a data file that {reason}"
    assert said.todo == todo


# What stands in it


def read(folder: Path, text: str) -> Materials:
    (folder / NAME).write_text(text, encoding="utf-8")
    file = options(folder, table=NAME).table
    assert file is not None
    return file.read(Materials)


def test_the_content_is_validated_by_the_stages_model(tmp_path: Path) -> None:
    made = read(tmp_path, SHOP)
    assert made.materials["canvas"].width == pytest.approx(59 * 25.4)
    assert made.materials["canvas-2"] == Cloth(width=900, uses=("panel", "gusset"))


@pytest.mark.parametrize(("unit", "width"), [("mm", 60), ("cm", 600), ("in", 1524)])
def test_lengths_are_in_the_files_own_unit(tmp_path: Path, unit: str, width: float) -> None:
    made = read(tmp_path, f"unit = '{unit}'\n[materials.canvas]\nwidth = 60\n")
    assert made.materials["canvas"].width == pytest.approx(width)


@pytest.mark.parametrize("unit", ["'ell'", "5", "[1]"])
def test_a_unit_that_is_none_is_left_to_the_model(tmp_path: Path, unit: str, problems_in: Problems) -> None:
    text = f"unit = {unit}\n[materials.canvas]\nwidth = 60\n"
    if unit == "'ell'":
        assert read(tmp_path, text).materials["canvas"].width == 60
    else:
        [said] = problems_in(lambda: read(tmp_path, text))
        assert (said.file, said.key) == (NAME, "unit")


def test_mistakes_in_it_name_the_file_and_the_key_in_it(tmp_path: Path, problems_in: Problems) -> None:
    text = "[materials.canvas]\nwidth = -5\n[materials.felt]\nwidht = 4\n"
    first, second = problems_in(lambda: read(tmp_path, text))
    assert str(first) == (
        f"{NAME}: materials.canvas.width: is too small\n"
        "  found  -5\n"
        "  valid  more than 0\n"
        "  do     correct the value"
    )
    assert (second.file, second.key) == (NAME, "materials.felt.widht")
    assert (second.found, second.valid, second.todo) == ("widht", "width, uses", "did you mean 'width'?")


class CheckedOptions(CutOptions):
    """Options that look into the file at once."""

    @model_validator(mode="after")
    def _content(self) -> CheckedOptions:
        if self.table is not None:
            self.table.read(Materials)
        return self


def test_a_validator_of_the_options_may_read_it(shop: Path, problems_in: Problems) -> None:
    context = {"folder": shop}
    assert CheckedOptions.model_validate({"table": NAME}, context=context).table is not None
    (shop / NAME).write_text("[materials.canvas]\n")
    [said] = problems_in(lambda: CheckedOptions.model_validate({"table": NAME}, context=context))
    assert (said.file, said.key, said.reason) == (NAME, "materials.canvas.width", "is missing")


VALUES = st.recursive(
    st.booleans()
    | st.integers(-(2**63), 2**63 - 1)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=8,
)


@given(tables=st.dictionaries(st.text(), VALUES, max_size=4))
def test_what_was_read_comes_back_as_it_was(tables: dict[str, Any]) -> None:
    file = DataFile(NAME, json.dumps(tables), "00")
    assert file.table() == tables
    assert file.table() is not file.table()


@pytest.mark.parametrize(
    "value",
    [datetime.date(2026, 1, 1), datetime.time(1, 2), datetime.datetime(2026, 1, 1, 1, 2), math.inf],  # noqa: DTZ001 - as TOML has it
)
def test_what_json_does_not_have_is_refused_however_deep(value: object, tmp_path: Path) -> None:
    text = "inf" if value == math.inf else str(value).replace(" ", "T")
    (tmp_path / "a.toml").write_text(f"[[a]]\nb = [{{c = {text}}}]\n")
    assert problem(tmp_path, table="a.toml").reason.endswith("a number that isn't finite")
