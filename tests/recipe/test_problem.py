"""One typo gives one message, in the words of the file."""

from __future__ import annotations

from typing import Annotated, Any, Literal

import pytest
from pydantic import Field, ValidationError

from oaktag.recipe import (
    Fraction,
    Length,
    Number,
    Options,
    PerName,
    PositiveLength,
    Problem,
    TubePlace,
    listed,
    meant,
    nearest,
    problems_of,
    refuse_value,
    show,
)


class Row(Options):
    """A table in a list."""

    kind: Literal["straight", "bowed"] = "straight"
    """How it runs."""
    long_name: Annotated[str, Field(min_length=1, max_length=5)] = "a"
    """What it is called."""
    inner: TubePlace | None = None
    """Where it lies."""
    code: Annotated[str, Field(min_length=2)] = "aa"
    """Two letters."""


class Model(Options):
    """Everything that a stage's options may hold."""

    width: PositiveLength
    """How wide it is."""
    radius: PerName[PositiveLength] = PerName.uniform(20.0)
    """By corner."""
    rows: Annotated[tuple[Row, ...], Field(max_length=3)] = ()
    """Rows."""
    by_name: dict[str, list[Row]] = Field(default_factory=dict)
    """Rows by name."""
    count: Annotated[int, Field(ge=1, le=9)] = 1
    """How many."""
    share: Fraction = 0.5
    """A share."""
    factor: Annotated[Number, Field(gt=0, lt=1)] = 0.5
    """A factor."""
    flag: bool = False
    """Whether."""
    code: Annotated[str, Field(pattern="^[a-z]+$")] = "a"
    """Lower-case letters."""
    plain: float = 1.0
    """Any number."""
    needed: Annotated[tuple[str, ...], Field(min_length=1)] = ("a",)
    """At least one."""


def problems(data: Any, prefix: str = "stage[0] some.stage") -> list[Problem]:
    with pytest.raises(ValidationError) as caught:
        Model.model_validate(data)
    return problems_of(caught.value, model=Model, data=data, file="a.toml", prefix=prefix)


ROW_KEYS = "kind, long-name, inner, code"


@pytest.mark.parametrize(
    ("data", "key", "reason", "found", "valid", "todo"),
    [
        ({"widht": 5}, "widht", "unknown key", "widht", "width, radius,", "did you mean 'width'?"),
        ({}, "width", "is missing", "nothing", "How wide it is.", "add width"),
        ({"width": 0}, "width", "is too small", "0", "more than 0", "correct"),
        ({"width": "5 ft"}, "width", "there is no unit 'ft' here", '"5 ft"', "units: mm, cm, in", "correct"),
        ({"width": True}, "width", "is not a number", "true", "a number in mm", "correct"),
        ({"width": [5]}, "width", "is not a number", "[5]", "a number in mm", "correct"),
        ({"width": 5, "radius": -1}, "radius", "is too small", "-1", "more than 0", "correct"),
        ({"width": 5, "radius": {"head": 0}}, "radius.head", "is too small", "0", "more than 0", "correct"),
        (
            {"width": 5, "rows": [{}, {"kind": "bowd"}]},
            "rows[1].kind",
            "isn't one of the known values",
            '"bowd"',
            '"straight" or "bowed"',
            "did you mean 'bowed'?",
        ),
        (
            {"width": 5, "rows": [{"knd": "bowed"}]},
            "rows[0].knd",
            "unknown key",
            "knd",
            ROW_KEYS,
            "did you mean 'kind'?",
        ),
        (
            {"width": 5, "rows": [{"qqqq": 1}]},
            "rows[0].qqqq",
            "unknown key",
            "qqqq",
            ROW_KEYS,
            "remove it, or write one of these",
        ),
        (
            {"width": 5, "by-name": {"kind": [{"long_nam": "a"}]}},
            "by-name.kind[0].long_nam",
            "unknown key",
            "long_nam",
            ROW_KEYS,
            "did you mean 'long-name'?",
        ),
        (
            {"width": 5, "rows": [{"inner": {"tube": "down-tube", "at": 2}}]},
            "rows[0].inner.at",
            "is too large",
            "2",
            "1 or less",
            "correct",
        ),
        (
            {"width": 5, "rows": [{"inner": {"tube": "down-tube"}}]},
            "rows[0].inner",
            "has no place",
            '{tube = "down-tube"}',
            "either `at`, or `distance` with `from`",
            "give one of them",
        ),
        (
            {"width": 5, "rows": [{"inner": {"at": 0.5}}]},
            "rows[0].inner.tube",
            "is missing",
            "nothing",
            "Name of the tube.",
            "add tube",
        ),
        ({"width": 5, "rows": 3}, "rows", "is not a list", "3", "a list in square", "correct"),
        ({"width": 5, "rows": [3]}, "rows[0]", "is not a table", "3", "a table", "correct"),
        ({"width": 5, "rows": [{}] * 4}, "rows", "has too many entries", "[{}, {}", "3 at most", "correct"),
        ({"width": 5, "needed": []}, "needed", "has too few entries", "[]", "1 or more", "correct"),
        ({"width": 5, "by-name": 3}, "by-name", "is not a table", "3", "a table", "correct"),
        ({"width": 5, "count": 1.5}, "count", "is not a whole number", "1.5", "a whole number", "correct"),
        ({"width": 5, "count": "x"}, "count", "is not a whole number", '"x"', "a whole number", "correct"),
        ({"width": 5, "count": []}, "count", "is not a whole number", "[]", "a whole number", "correct"),
        ({"width": 5, "count": 0}, "count", "is too small", "0", "1 or more", "correct"),
        ({"width": 5, "count": 10}, "count", "is too large", "10", "9 or less", "correct"),
        ({"width": 5, "share": True}, "share", "is not a number", "true", "a number", "correct"),
        ({"width": 5, "share": "0.5"}, "share", "is not a number", '"0.5"', "a number", "correct"),
        ({"width": 5, "share": 10**400}, "share", "is not a finite", "1000", "a finite", "correct"),
        ({"width": 5, "share": float("nan")}, "share", "is not a finite", "nan", "a finite", "correct"),
        ({"width": 5, "share": -0.1}, "share", "is too small", "-0.1", "0 or more", "correct"),
        ({"width": 5, "factor": 1}, "factor", "is too large", "1", "less than 1", "correct"),
        ({"width": 5, "flag": "x"}, "flag", "is neither true nor", '"x"', "true or false", "correct"),
        ({"width": 5, "flag": []}, "flag", "is neither true nor", "[]", "true or false", "correct"),
        ({"width": 5, "code": 5}, "code", "is not text", "5", "text in quotes", "correct"),
        ({"width": 5, "code": "A1"}, "code", "isn't written as", '"A1"', "Lower-case letters.", "correct"),
        ({"width": 5, "plain": "x"}, "plain", "is not a number", '"x"', "a number", "correct"),
        ({"width": 5, "plain": []}, "plain", "is not a number", "[]", "a number", "correct"),
        (
            {"width": 5, "rows": [{"long-name": ""}]},
            "rows[0].long-name",
            "is empty",
            '""',
            "some text",
            "correct",
        ),
        (
            {"width": 5, "rows": [{"code": "a"}]},
            "rows[0].code",
            "is too short",
            '"a"',
            "text of 2 characters or more",
            "correct",
        ),
        (
            {"width": 5, "rows": [{"long-name": "abcdef"}]},
            "rows[0].long-name",
            "is too long",
            '"abcdef"',
            "text of 5 characters at most",
            "correct",
        ),
    ],
)
def test_one_mistake_is_one_problem_with_all_that_is_needed_to_correct_it(
    data: dict[str, Any], key: str, reason: str, found: str, valid: str, todo: str
) -> None:
    [problem] = problems(data)
    assert problem.file == "a.toml"
    assert problem.key == f"stage[0] some.stage.{key}"
    assert problem.reason.startswith(reason)
    assert problem.found.startswith(found)
    assert valid in problem.valid
    assert problem.todo.startswith(todo)


def test_a_whole_table_that_is_none_names_the_key_it_stands_under() -> None:
    assert [p.key for p in problems(5)] == ["stage[0] some.stage"]
    assert [p.key for p in problems(5, prefix="")] == [""]


def test_several_mistakes_are_several_problems_in_the_models_order() -> None:
    found = problems({"width": 0, "count": 0, "rows": [{"kind": "x"}, {"kind": "y"}], "colour": 1}, prefix="")
    assert [p.key for p in found] == ["width", "rows[0].kind", "rows[1].kind", "count", "colour"]


def test_a_misspelt_key_hides_no_other_missing_one() -> None:
    found = problems({"rows": [{"inner": {"tbe": "down-tube", "at": 0.5}}]}, prefix="")
    assert [p.key for p in found] == ["width", "rows[0].inner.tbe"]


def test_a_reason_may_hold_braces() -> None:
    class Braces(Options):
        value: Length

        @classmethod
        def refuse(cls) -> None:
            raise refuse_value("can't be {this}", "{that}", "write {these}")

    with pytest.raises(Exception, match=r"can't be \{this\}") as caught:
        Braces.refuse()
    assert caught.value.context == {  # type: ignore[attr-defined]
        "reason": "can't be {this}",
        "valid": "{that}",
        "todo": "write {these}",
    }


def test_a_problem_is_shown_on_one_line_for_each_of_its_parts() -> None:
    problem = Problem("a.toml", "lengths.top-tube", "is too small", "0", "more than 0", "measure it")
    assert str(problem).splitlines() == [
        "a.toml: lengths.top-tube: is too small",
        "  found  0",
        "  valid  more than 0",
        "  do     measure it",
    ]
    assert str(Problem("a.toml", "", "isn't UTF-8 text")) == "a.toml: isn't UTF-8 text"


def test_what_a_file_says_cannot_steer_the_terminal() -> None:
    shown = str(Problem("a.toml", "x\ny", "\x1b[31mred", found=show("a\nb\x1b[0m\x9b"), todo="correct it"))
    assert shown.count("\n") == 2
    assert "\x1b" not in shown
    assert "\x9b" not in shown


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (True, "true"),
        (5, "5"),
        (2.5, "2.5"),
        ('a"b', '"a\\"b"'),
        ("5 µm", '"5 µm"'),
        ([1, "a", False], '[1, "a", false]'),
        ({"at": 0.5, "tube": "x"}, '{at = 0.5, tube = "x"}'),
        ("a" * 70, '"' + "a" * 56 + "..."),
    ],
)
def test_values_are_shown_as_in_toml(value: object, shown: str) -> None:
    assert show(value) == shown


def test_a_number_that_python_does_not_write_out_is_shown_all_the_same() -> None:
    assert show(16**5000) == "0x1" + "0" * 54 + "..."


def test_the_nearest_name_is_meant() -> None:
    known = ("top-tube", "down-tube", "seat-tube")
    assert nearest("top_tube", known) == "top-tube"
    assert nearest("DOWN-TUBE", known) == "down-tube"
    assert nearest("wheel", known) is None
    assert meant("seat-tub", known, "name a tube") == "did you mean 'seat-tube'?"
    assert meant("wheel", known, "name a tube") == "name a tube"
    assert listed(()) == "none"
