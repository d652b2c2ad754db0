"""Reading a file before anything in it is looked at."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from pathlib import Path

import pytest

from oaktag.recipe import InputError, Problem, load_frame, load_recipe, read_toml


def problem_of(path: Path) -> Problem:
    with pytest.raises(InputError) as caught:
        read_toml(path, "frame sheet")
    [problem] = caught.value.problems
    assert problem.file == str(path)
    assert problem.found
    assert problem.valid
    assert problem.todo
    return problem


def test_a_file_is_read_with_its_digest_and_its_name_as_given(tmp_path: Path) -> None:
    path = tmp_path / "a.frame.toml"
    path.write_bytes(b'name = "A"\r\n')
    file = read_toml(path, "frame sheet")
    assert file.tables == {"name": "A"}
    assert file.path == str(path)
    assert file.sha256 == hashlib.sha256(b'name = "A"\r\n').hexdigest()


def test_a_byte_order_mark_does_not_matter(tmp_path: Path) -> None:
    path = tmp_path / "a.frame.toml"
    path.write_bytes(b'\xef\xbb\xbfname = "A"\n')
    assert read_toml(path, "frame sheet").tables == {"name": "A"}


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    problem = problem_of(tmp_path / "a.frame.toml")
    assert problem.reason == "there is no such frame sheet"


def test_a_folder_instead_of_a_file(tmp_path: Path) -> None:
    problem = problem_of(tmp_path)
    assert problem.reason == "can't be read"
    assert problem.found == os.strerror(21)


def test_a_path_below_a_file(tmp_path: Path) -> None:
    (tmp_path / "a").write_text("")
    assert problem_of(tmp_path / "a" / "b.toml").reason == "can't be read"


def test_a_file_that_is_not_utf8_says_which_byte_on_which_line(tmp_path: Path) -> None:
    path = tmp_path / "a.frame.toml"
    path.write_bytes('name = "A"\nsize = "größer"\n'.encode("latin-1"))
    problem = problem_of(path)
    assert problem.reason == "isn't UTF-8 text"
    assert problem.found == "byte 0xf6 on line 2"


@pytest.mark.parametrize(
    "text",
    [
        'name = "A',
        "name = A",
        "= 5",
        "[lengths\n",
        "a = 1\na = 2",
        "a = " + "9" * 5000,
        "a = " + "[" * 5000,
        "a = 2026-13-01",
        '{"name": "A"}',
    ],
)
def test_a_file_that_is_not_toml(text: str, tmp_path: Path) -> None:
    path = tmp_path / "a.frame.toml"
    path.write_text(text)
    assert problem_of(path).reason == "isn't valid TOML"


def test_where_toml_is_broken_is_said(tmp_path: Path) -> None:
    path = tmp_path / "a.frame.toml"
    path.write_text('name = "A"\nsize = M\n')
    assert "line 2" in problem_of(path).found


@pytest.mark.parametrize(
    ("value", "reason", "todo"),
    [
        ("2", "was written for a newer version", "install a newer oaktag"),
        ("0", "is no version of the format", "write format = 1"),
        ("-1", "is no version of the format", "write format = 1"),
        ("true", "is no version of the format", "write format = 1"),
        ('"1"', "is no version of the format", "write format = 1"),
        ("1.0", "is no version of the format", "write format = 1"),
        ("[1]", "is no version of the format", "write format = 1"),
    ],
)
@pytest.mark.parametrize("load", [load_frame, load_recipe])
def test_the_format_is_looked_at_before_anything_else(
    load: Callable[[Path], object], value: str, reason: str, todo: str, tmp_path: Path
) -> None:
    path = tmp_path / "a.toml"
    path.write_text(f'unknown = 5\nunit = "ell"\nformat = {value}\n')
    with pytest.raises(InputError) as caught:
        load(path)
    [problem] = caught.value.problems
    assert (problem.key, problem.found, problem.valid) == ("format", value, "1")
    assert problem.reason.startswith(reason)
    assert problem.todo.startswith(todo)
