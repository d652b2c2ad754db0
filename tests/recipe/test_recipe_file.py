"""Recipes: parameters, ids, settings of the command line, and one problem for every kind of mistake."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from oaktag.recipe import InputError, Problem, load_recipe, parse_setting

Write = Callable[[str], Path]
Problems = Callable[[Callable[[], object]], tuple[Problem, ...]]

RECIPE = """\
name = "demo"
version = "1.2"
description = "A demo"

[parameters]
radius = 25
material = "shell"

[[stage]]
use = "corners.round"
radius = "{radius}"

[[stage]]
use = "panel.pair"
id = "panels"
material = "{material}"
note = "r {radius} mm in {material}"
places = [{ at = "{radius}" }, "{material}"]
"""


def test_a_recipe_has_a_name_a_version_and_stages_in_order(write: Write) -> None:
    recipe = load_recipe(write(RECIPE))
    assert (recipe.name, recipe.version, recipe.description) == ("demo", "1.2", "A demo")
    assert [(s.id, s.use, s.key) for s in recipe.steps] == [
        ("corners.round", "corners.round", "stage[0] corners.round"),
        ("panels", "panel.pair", "stage[1] panel.pair"),
    ]


def test_a_parameter_alone_keeps_its_type_and_within_text_becomes_text(write: Write) -> None:
    first, second = load_recipe(write(RECIPE)).steps
    assert first.options == {"radius": 25}
    assert second.options == {
        "material": "shell",
        "note": "r 25 mm in shell",
        "places": [{"at": 25}, "shell"],
    }


@pytest.mark.parametrize("value", [5, 2.5, True, "1 in", [1, 2], {"default": 5, "head": 7}])
def test_a_parameter_may_be_anything(write: Write, value: object) -> None:
    first, _ = load_recipe(
        write(RECIPE.replace('note = "r {radius} mm in {material}"\n', "")), {"radius": value}
    ).steps
    assert first.options == {"radius": value}


@pytest.mark.parametrize(("value", "text"), [(True, "true"), (2.5, "2.5"), ("x y", "x y"), (7, "7")])
def test_parameters_stand_in_text_as_in_toml(write: Write, value: object, text: str) -> None:
    _, second = load_recipe(write(RECIPE), {"radius": value}).steps
    assert second.options["note"] == f"r {text} mm in shell"


@pytest.mark.parametrize(("value", "what"), [([1], "a list"), ({"a": 1}, "a table")])
def test_a_table_cannot_stand_within_text(
    write: Write, problems_in: Problems, value: object, what: str
) -> None:
    path = write(RECIPE)
    [problem] = problems_in(lambda: load_recipe(path, {"radius": value}))
    assert problem.key == "stage[1] panel.pair.note"
    assert problem.reason == f"the parameter 'radius' is {what}"
    assert problem.found == '"r {radius} mm in {material}"'
    assert problem.valid
    assert problem.todo == "use it by itself"


def test_settings_override_parameters_and_the_recipe_itself_stays(write: Write) -> None:
    path = write(RECIPE)
    assert load_recipe(path, {"radius": 30}).steps[0].options == {"radius": 30}
    assert load_recipe(path).steps[0].options == {"radius": 25}


def test_a_setting_of_an_unknown_parameter_is_refused_with_the_nearest(
    write: Write, problems_in: Problems
) -> None:
    path = write(RECIPE)
    [problem] = problems_in(lambda: load_recipe(path, {"raduis": 30}))
    assert (problem.file, problem.key) == (str(path), "parameters.raduis")
    assert problem.reason == "this recipe has no such parameter"
    assert problem.found == "--set raduis=30"
    assert problem.valid == "radius, material"
    assert problem.todo == "did you mean 'radius'?"


@pytest.mark.parametrize(
    ("text", "name", "value"),
    [
        ("radius=25", "radius", 25),
        ("radius = 25.5", "radius", 25.5),
        ("radius=1 in", "radius", "1 in"),
        ('radius="1 in"', "radius", "1 in"),
        ("radius=17 9/16 in", "radius", "17 9/16 in"),
        ("on=true", "on", True),
        ("radius={default = 5, head = 7}", "radius", {"default": 5, "head": 7}),
        ("places=[1, 2]", "places", [1, 2]),
        ("note=a=b", "note", "a=b"),
        ("note=", "note", ""),
        ("note=" + "[" * 5000, "note", "[" * 5000),
        ("note=" + "9" * 5000, "note", "9" * 5000),
        ("note=5\nother=6", "note", "5\nother=6"),
        ("corner-radius=25", "corner-radius", 25),
    ],
)
def test_a_setting_is_read_as_toml_where_it_is_that(text: str, name: str, value: Any) -> None:
    found_name, found = parse_setting(text)
    assert found_name == name
    assert found == value
    assert type(found) is type(value)


@pytest.mark.parametrize("text", ["radius", "=25", " = 25", ""])
def test_a_setting_needs_a_name_and_an_equals_sign(text: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_setting(text)
    [problem] = caught.value.problems
    assert problem.file == "--set"
    assert problem.found == f'"{text}"'
    assert problem.valid == "NAME=VALUE"
    assert "--set corner-radius=25" in problem.todo


def altered(old: str, new: str) -> str:
    assert old in RECIPE
    return RECIPE.replace(old, new, 1)


MISTAKES = [
    # (recipe, key, reason, found, valid, todo)
    (altered('name = "demo"\n', ""), "name", "is missing", "nothing", "Name of the recipe", "add name"),
    (
        altered('"demo"', '"Demo Bag"'),
        "name",
        "isn't written as",
        '"Demo Bag"',
        "lower-case letters",
        "correct",
    ),
    (
        altered('"demo"', '"../demo"'),
        "name",
        "isn't written as",
        '"../demo"',
        "lower-case letters",
        "correct",
    ),
    (altered('"demo"', '"a\\n"'), "name", "isn't written as", '"a\\n"', "lower-case letters", "correct"),
    (altered('"1.2"', "1.2"), "version", "is not text", "1.2", "text in quotes", "correct"),
    (altered('"1.2"', '"v1"'), "version", "isn't written as", '"v1"', "such as 1.2.0", "correct"),
    (
        altered("version", "verison"),
        "verison",
        "unknown key",
        "verison",
        "version",
        "did you mean 'version'?",
    ),
    (
        altered("[parameters]", "[parameter]"),
        "parameter",
        "unknown key",
        "parameter",
        "parameters",
        "did you",
    ),
    ('name = "a"\nversion = "1"\n', "stage", "is missing", "nothing", "The stages, in order.", "add stage"),
    ('name = "a"\nversion = "1"\nstage = []\n', "stage", "has too few", "[]", "1 or more", "correct"),
    ('name = "a"\nversion = "1"\nstage = 5\n', "stage", "is not a list", "5", "a list", "correct"),
    ('name = "a"\nversion = "1"\nstage = [5]\n', "stage[0]", "is not a table", "5", "a table", "correct"),
    (
        'name = "a"\nversion = "1"\n[stage]\nuse = "x.y"\n',
        "stage",
        "is one table",
        '{use = "x.y"}',
        "a [[stage]] for every stage",
        "write it with two brackets",
    ),
    (
        'name = "a"\nversion = "1"\n[[stages]]\nuse = "x.y"\n',
        "stages",
        "unknown key",
        "stages",
        "stage",
        "did you mean 'stage'?",
    ),
    (altered('use = "panel.pair"\n', ""), "stage[1].use", "is missing", "nothing", "Name of the", "add use"),
    (altered('"panel.pair"', "5"), "stage[1].use", "is not text", "5", "text in quotes", "correct"),
    (altered('"panel.pair"', '""'), "stage[1].use", "is empty", '""', "some text", "correct"),
    (altered('"panels"', "5"), "stage[1].id", "is not text", "5", "text in quotes", "correct"),
    (
        altered('id = "panels"', 'id = "corners.round"'),
        "stage[1] panel.pair.id",
        "two stages have one id",
        '"corners.round"',
        "an id that no other stage has",
        'give this one an id of its own: id = "corners.round-2"',
    ),
    (
        altered('"{material}"\nnote', '"{materiel}"\nnote'),
        "stage[1] panel.pair.material",
        "there is no parameter 'materiel'",
        '"{materiel}"',
        "radius, material",
        "did you mean 'material'?",
    ),
    (
        altered("mm in {material}", "mm in {}"),
        "stage[1] panel.pair.note",
        "there is no parameter ''",
        '"r {radius} mm in {}"',
        "radius, material",
        "add it to [parameters]",
    ),
    (
        altered('at = "{radius}"', 'at = "{where}"'),
        "stage[1] panel.pair.places[0].at",
        "there is no parameter 'where'",
        '"{where}"',
        "radius, material",
        "add it to [parameters]",
    ),
    (
        altered("radius = 25\n", "radius = 25\nspare = 5\n"),
        "parameters.spare",
        "no stage uses this parameter",
        "5",
        "a parameter that an option names",
        'use it in an option as "{spare}", or remove it',
    ),
]


@pytest.mark.parametrize(("text", "key", "reason", "found", "valid", "todo"), MISTAKES)
def test_every_kind_of_mistake_is_one_problem(
    write: Write,
    problems_in: Problems,
    text: str,
    key: str,
    reason: str,
    found: str,
    valid: str,
    todo: str,
) -> None:
    path = write(text)
    [problem] = problems_in(lambda: load_recipe(path))
    assert problem.file == str(path)
    assert problem.key == key
    assert problem.reason.startswith(reason)
    assert problem.found.startswith(found)
    assert valid in problem.valid
    assert problem.todo.startswith(todo)


def test_a_stage_may_stand_twice_under_two_ids(write: Write) -> None:
    second = '[[stage]]\nuse = "panel.pair"\nid = "more-panels"\n'
    steps = load_recipe(write(RECIPE + second)).steps
    assert [s.id for s in steps] == ["corners.round", "panels", "more-panels"]


def test_several_mistakes_are_all_reported_at_once(write: Write, problems_in: Problems) -> None:
    text = altered("radius = 25\n", "radius = 25\nspare = 5\n").replace('"{material}"', '"{m}"')
    path = write(text + '[[stage]]\nuse = "panel.pair"\nid = "panels"\n')
    assert [p.key for p in problems_in(lambda: load_recipe(path, {"wrong": 1}))] == [
        "parameters.wrong",
        "stage[1] panel.pair.material",
        "stage[1] panel.pair.places[1]",
        "stage[2] panel.pair.id",
        "parameters.spare",
    ]
