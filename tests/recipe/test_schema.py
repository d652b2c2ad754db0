"""JSON schemas: fresh, valid, and of one mind with the models."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal

import jsonschema
import pytest
from pydantic import Field, RootModel

import oaktag.recipe
from oaktag.recipe import (
    Angle,
    Fraction,
    InputError,
    Options,
    PerName,
    PositiveLength,
    TubePlace,
    load_frame,
    load_recipe,
)
from oaktag.recipe.schema import COMMITTED, committed_text, schema_of

FOLDER = Path(oaktag.recipe.__file__).parent


@pytest.mark.parametrize("name", COMMITTED)
def test_the_committed_schemas_are_fresh(name: str) -> None:
    committed = (FOLDER / name).read_text(encoding="utf-8")
    assert committed == committed_text(name), f"{name} is stale; run: python -m oaktag.recipe.schema"


@pytest.mark.parametrize("name", COMMITTED)
def test_the_committed_schemas_are_schemas(name: str) -> None:
    jsonschema.Draft202012Validator.check_schema(json.loads(committed_text(name)))


def validator(name: str) -> jsonschema.Draft202012Validator:
    return jsonschema.Draft202012Validator(json.loads(committed_text(name)))


FRAME = 'name = "A"\n'
SHEETS = {
    "": True,
    "unit = 'in'\n": True,
    "[lengths]\ntop-tube = 5\n": True,
    "[lengths]\ntop-tube = '5 1/2 in'\n": True,
    "[lengths]\ntop-tube = [5, '5 cm', {value = 5, instrument = 'tape'}]\n": True,
    "[lengths]\ntop-tube = {value = '5 cm'}\n": True,
    "[angles]\nhead = [41, '41 deg', {value = 41}]\n": True,
    "[instruments]\ntape = '1 mm'\nangle-gauge = 0.3\n": True,
    "[widths.top-tube]\nseat = '3 cm'\nstations = [{at = 0.5, width = 5}]\n": True,
    "colour = 1\n": False,
    "unit = 'ft'\n": False,
    "size = 5\n": False,
    "[lengths]\ntop-tube = []\n": False,
    "[lengths]\ntop-tube = -5\n": False,
    "[lengths]\ntop-tube = true\n": False,
    "[lengths]\ntop-tube = [5, {valeu = 5}]\n": False,
    "[angles]\nhead = 360\n": False,
    "[widths]\ntop-tube = 5\n": False,
    "[widths.top-tube]\nseat = -5\n": False,
    "[widths.top-tube]\nstations = [{at = 1.5, width = 5}]\n": False,
    "[widths.top-tube]\nstations = 5\n": False,
}


@pytest.mark.parametrize(("tail", "is_good"), SHEETS.items())
def test_editors_and_the_program_agree_about_frame_sheets(tail: str, is_good: bool, tmp_path: Path) -> None:
    path = tmp_path / "a.frame.toml"
    path.write_text(FRAME + tail)
    assert validator("frame.schema.json").is_valid(tomllib.loads(FRAME + tail)) == is_good
    assert loads(load_frame, path) == is_good


RECIPES = {
    "": True,
    "id = 'a'\nradius = {default = 5}\n": True,
    "id = 5\n": False,
    "use-2 = 5\n[[stage]]\nid = 'b'\n": False,
}


@pytest.mark.parametrize(("tail", "is_good"), RECIPES.items())
@pytest.mark.parametrize(
    ("head", "head_is_good"), [("", True), ("colour = 1\n", False), ("format = 1\n", True)]
)
def test_editors_and_the_program_agree_about_recipes(
    head: str, head_is_good: bool, tail: str, is_good: bool, tmp_path: Path
) -> None:
    text = f"{head}name = 'a'\nversion = '1'\n[[stage]]\nuse = 'x.y'\n{tail}"
    path = tmp_path / "a.recipe.toml"
    path.write_text(text)
    assert validator("recipe.schema.json").is_valid(tomllib.loads(text)) == (is_good and head_is_good)
    assert loads(load_recipe, path) == (is_good and head_is_good)


CHILDREN = {
    "": True,
    "[parameters]\nradius = 2\n": True,
    "[[stage]]\nid = 'x.y'\nwidth = 2\n": True,
    "[[stage]]\nuse = 'x.y'\n": True,
    "[[stage]]\nuse = 'x.z'\nafter = 'x.y'\n": True,
    "[[stage]]\nuse = 'x.z'\nbefore = 'x.y'\n[[stage]]\nid = 'x.y'\ndrop = true\n": True,
    "[[stage]]\nid = 'x.y'\ndrop = false\n": False,
    "[[stage]]\nid = 'x.y'\ndrop = 'true'\n": False,
    "[[stage]]\nuse = 'x.z'\nafter = ''\n": False,
    "[[stage]]\nuse = 'x.z'\nafter = 5\n": False,
    "stage = []\n": False,
    "stages = []\n": False,
}


@pytest.mark.parametrize(("tail", "is_good"), CHILDREN.items())
def test_editors_and_the_program_agree_about_recipes_with_a_base(
    tail: str, is_good: bool, tmp_path: Path
) -> None:
    base = (
        "name = 'a'\nversion = '1'\n[parameters]\nradius = 1\n[[stage]]\nuse = 'x.y'\nradius = '{radius}'\n"
    )
    (tmp_path / "base.recipe.toml").write_text(base)
    text = f"name = 'b'\nversion = '1'\nbase = 'base.recipe.toml'\n{tail}"
    path = tmp_path / "a.recipe.toml"
    path.write_text(text)
    assert validator("recipe.schema.json").is_valid(tomllib.loads(text)) == is_good
    assert loads(load_recipe, path) == is_good


@pytest.mark.parametrize(
    "tail",
    [
        "",
        "[[stage]]\nid = 'x.y'\n",
        *(f"[[stage]]\nuse = 'x.y'\n{k}\n" for k in ("drop = true", "after = 'a'")),
    ],
)
def test_editors_and_the_program_agree_about_what_goes_only_with_a_base(tail: str, tmp_path: Path) -> None:
    text = f"name = 'b'\nversion = '1'\n{tail}"
    path = tmp_path / "a.recipe.toml"
    path.write_text(text)
    assert not validator("recipe.schema.json").is_valid(tomllib.loads(text))
    assert not loads(load_recipe, path)


def loads(load: Any, path: Path) -> bool:
    try:
        load(path)
    except InputError:
        return False
    return True


class Inner(Options):
    """A table."""

    tube_place: TubePlace | None = None
    """Where it lies."""


class Sample(Options):
    """Options of every kind."""

    radius: PerName[PositiveLength] = PerName.uniform(20.0)
    """By corner."""
    title: Annotated[str, Field(max_length=5)] = "a"
    """A key that is called like pydantic's own word."""
    slant: Annotated[Angle, Field(ge=0, lt=90)] = 0.0
    share: Fraction = 0.5
    between: Literal["held", "linear"] = "held"
    rows: tuple[Inner, ...] = ()
    width: PerName[PositiveLength] | None = None


SAMPLES: list[tuple[dict[str, object], bool]] = [
    ({}, True),
    ({"radius": 5}, True),
    ({"radius": "1 in"}, True),
    ({"radius": {"head": 5, "default": "1 in"}}, True),
    ({"radius": 0}, False),
    ({"radius": {"head": 0}}, False),
    ({"radius": [5]}, False),
    ({"title": "abcde"}, True),
    ({"title": "abcdef"}, False),
    ({"slant": 89}, True),
    ({"slant": 90}, False),
    ({"share": 1}, True),
    ({"share": 1.1}, False),
    ({"share": "1"}, False),
    ({"share": True}, False),
    ({"between": "linear"}, True),
    ({"between": "x"}, False),
    ({"rows": [{"tube-place": {"tube": "a", "at": 0.5}}]}, True),
    ({"rows": [{"tube-place": {"tube": "a", "att": 0.5}}]}, False),
    ({"width": {"head": 5}}, True),
    ({"width": -5}, False),
    ({"colour": 5}, False),
]


@pytest.mark.parametrize(("data", "is_good"), SAMPLES)
def test_the_schema_of_options_agrees_with_their_model(data: dict[str, object], is_good: bool) -> None:
    schema = schema_of(Sample)
    jsonschema.Draft202012Validator.check_schema(schema)
    assert jsonschema.Draft202012Validator(schema).is_valid(data) == is_good
    try:
        Sample.model_validate(data)
    except ValueError:
        assert not is_good
    else:
        assert is_good


def test_a_schema_is_plain_json_without_noise() -> None:
    text = json.dumps(schema_of(Sample))
    assert json.loads(text) == schema_of(Sample)
    assert '"null"' not in text
    assert "PerName" not in text
    assert set(schema_of(Sample)["$defs"]) == {"Inner", "TubePlace"}
    assert schema_of(Sample)["properties"]["radius"]["anyOf"][0] == {
        "type": ["number", "string"],
        "unit": "mm",
        "exclusiveMinimum": 0,
    }
    assert schema_of(Sample)["properties"]["radius"]["description"] == "By corner."


def test_a_schema_of_one_value_is_that_value() -> None:
    assert schema_of(RootModel[PositiveLength])["exclusiveMinimum"] == 0
