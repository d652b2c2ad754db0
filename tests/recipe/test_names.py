"""Names that can't stand on pieces, in tables or in files are refused where they are written."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest

from oaktag.recipe import Problem, load_frame, load_recipe

Write = Callable[[str], Path]
Problems = Callable[[Callable[[], object]], tuple[Problem, ...]]

SHEET = """
name = {name}
size = {size}
[instruments]
{instrument} = 1
[lengths]
seat-tube = 400
top-tube = 520
down-tube = 600
[[obstacles]]
name = {obstacle}
tube = "top-tube"
at = 0.5
length = 20
height = 5
[sources.trace]
file = {file}
"""
RECIPE = """
name = "demo"
version = {version}
description = {description}
[[stage]]
use = "panel.pair"
id = {id}
note = {note}
"""
CONTROL = (r'"\u001b[31m"', r'"a\nb"', r'"\u0000"', r'"\u202egnp"', r'"a\u2028b"', r'"\u007f"')


def sheet(**values: str) -> str:
    usual = dict.fromkeys(("name", "size", "obstacle", "instrument"), '"x"')
    return SHEET.format(**{**usual, "file": '"a.toml"', **values})


def recipe(**values: str) -> str:
    return RECIPE.format(**{"version": '"1.2"', "description": '"x"', "id": '"x"', "note": '"x"', **values})


def test_usual_names_are_read(write: Write) -> None:
    assert load_frame(write(sheet(name='"Жук <b> [red] %s / .. CON 👜"')))[0].name.endswith("👜")
    assert load_recipe(write(recipe())).description == "x"


@pytest.mark.parametrize("value", CONTROL)
@pytest.mark.parametrize(
    ("key", "where"),
    [
        ("name", "name"),
        ("size", "size"),
        ("obstacle", "obstacles[0].name"),
        ("instrument", "instruments"),
        ("file", "sources.trace.file"),
    ],
)
def test_control_characters_are_refused_on_a_sheet(
    key: str, where: str, value: str, write: Write, problems_in: Problems
) -> None:
    (problem,) = problems_in(lambda: load_frame(write(sheet(**{key: value}))))
    assert problem.key == where
    assert problem.todo
    assert all(line.isprintable() for line in str(problem).split("\n"))


@pytest.mark.parametrize(
    ("key", "where", "limit"),
    [
        ("name", "name", 80),
        ("size", "size", 20),
        ("obstacle", "obstacles[0].name", 120),
        ("instrument", "instruments", 60),
    ],
)
def test_names_have_a_greatest_length_on_a_sheet(
    key: str, where: str, limit: int, write: Write, problems_in: Problems
) -> None:
    load_frame(write(sheet(**{key: f'"{"n" * limit}"'})))
    for length in (limit + 1, 10_000):
        path = write(sheet(**{key: f'"{"n" * length}"'}))
        (problem,) = problems_in(partial(load_frame, path))
        assert problem.key == where
        assert str(limit) in str(problem)
        assert len(str(problem)) < 600


@pytest.mark.parametrize("kind", ["corners", "tubes"])
@pytest.mark.parametrize("name", [*CONTROL, f'"{"n" * 61}"'])
def test_corners_and_tubes_have_names_that_can_be_printed(
    kind: str, name: str, write: Write, problems_in: Problems
) -> None:
    (problem,) = problems_in(lambda: load_frame(write(f'name = "x"\n{kind} = [{name}, "b", "c"]\n')))
    assert problem.key == f"{kind}[0]"


@pytest.mark.parametrize("value", CONTROL)
@pytest.mark.parametrize("key", ["description", "id"])
def test_control_characters_are_refused_in_a_recipe(
    key: str, value: str, write: Write, problems_in: Problems
) -> None:
    (problem,) = problems_in(lambda: load_recipe(write(recipe(**{key: value}))))
    assert problem.key.endswith(key)
    assert "control characters" in problem.reason
    assert all(line.isprintable() for line in str(problem).split("\n"))


@pytest.mark.parametrize(
    ("key", "sign", "limit"), [("description", "n", 500), ("id", "n", 60), ("version", "1", 30)]
)
def test_text_has_a_greatest_length_in_a_recipe(
    key: str, sign: str, limit: int, write: Write, problems_in: Problems
) -> None:
    load_recipe(write(recipe(**{key: f'"{sign * limit}"'})))
    (problem,) = problems_in(lambda: load_recipe(write(recipe(**{key: f'"{sign * (limit + 1)}"'}))))
    assert str(limit) in str(problem)


@pytest.mark.parametrize(
    "text", ["{{ piece.name }}", "{% if piece.a %}b{% endif %}", "{# a #}", '{{ {"a": 1}.a }}', "{{a}}{{b}}"]
)
def test_what_stands_in_the_braces_of_a_template_is_no_parameter(text: str, write: Write) -> None:
    (step,) = load_recipe(write(recipe(note=f"'{text}'"))).steps
    assert step.options["note"] == text


def test_a_parameter_stands_beside_a_template(write: Write) -> None:
    text = recipe(note="'{{ piece.name }} from {shop}{% if a %}!{% endif %}'") + '[parameters]\nshop = "us"\n'
    (step,) = load_recipe(write(text)).steps
    assert step.options["note"] == "{{ piece.name }} from us{% if a %}!{% endif %}"
