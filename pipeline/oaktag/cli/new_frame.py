"""A commented frame sheet to be filled in beside the bicycle."""

from __future__ import annotations

import hashlib
import tomllib
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

from oaktag.recipe import InputError, Problem, TomlFile, frame_of
from oaktag.recipe.frame_sheet import SUFFIX
from oaktag.recipe.quantity import MM_PER_UNIT

TEMPLATE = "new.frame.toml.jinja"


def write_sheet(path: Path, name: str, unit: str, force: bool) -> Path:
    """Write the sheet; a name without the suffix of frame sheets gets it.

    Raises:
        InputError: the file is already there, it can't be written, or the name can't be one.
    """
    if not path.name or path.name == "..":
        todo = f"name the file, for example {path / ('my' + SUFFIX)}"
        raise InputError([Problem(str(path), "", "is a folder", "no file name", f"NAME{SUFFIX}", todo)])
    if not path.name.endswith(SUFFIX):
        path = path.with_name(f"{path.name.removesuffix('.toml')}{SUFFIX}")
    data = checked(render_sheet(name, unit), str(path))
    try:
        with path.open("wb" if force else "xb") as stream:
            stream.write(data)
    except FileExistsError:
        todo = "choose another name, or write over it with --force"
        raise InputError(
            [Problem(str(path), "", "is already there", "a file", "the name of a new file", todo)]
        ) from None
    except OSError as error:
        reason, todo = "can't be written", "name a file in a folder that you may write to"
        raise InputError(
            [Problem(str(path), "", reason, error.strerror or str(error), "a file in a folder", todo)]
        ) from None
    return path


def checked(text: str, path: str) -> bytes:
    """The sheet's bytes, once it has been read as `make` will read it.

    Raises:
        InputError: the name can't be one.
    """
    # A shell may hand over bytes that aren't text.
    data = text.encode("utf-8", errors="surrogateescape")
    try:
        sheet = data.decode("utf-8")
    except UnicodeDecodeError:
        todo = "write the name in UTF-8"
        raise InputError([Problem("--name", "", "isn't UTF-8 text", "other bytes", "text", todo)]) from None
    try:
        frame_of(TomlFile(path, tomllib.loads(sheet), hashlib.sha256(data).hexdigest()))
    except InputError as error:
        raise InputError(replace(problem, file="--name", key="") for problem in error.problems) from None
    return data


def render_sheet(name: str, unit: str) -> str:
    """The text of a sheet for a triangle, with example readings in a unit."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    def length(mm: float) -> str:
        if unit == "in":
            # To the sixteenth, as a tape in inches is read.
            whole, part = divmod(Fraction(round(Fraction(mm) / MM_PER_UNIT["in"] * 16), 16), 1)
            return f"{whole}" if part == 0 else f'"{whole} {part} in"'
        return f"{mm / float(MM_PER_UNIT[unit]):g}"

    environment = Environment(
        loader=PackageLoader("oaktag.cli", "templates"),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        autoescape=False,
    )
    environment.filters["length"] = length
    environment.filters["text"] = _toml_text
    return environment.get_template(TEMPLATE).render(name=name, unit=unit)


def _toml_text(value: str) -> str:
    import json

    # A JSON string is a TOML basic string, as long as DEL is escaped as well.
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
