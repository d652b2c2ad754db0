"""Reading a TOML file: bytes, digest, text, tables, and the format that it was written for."""

from __future__ import annotations

import hashlib
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from oaktag.recipe.problem import InputError, Problem, show

FORMAT = 1
"""The version of the file formats that this program reads."""


@dataclass(frozen=True, slots=True)
class TomlFile:
    """A file as it was read: its name as the user gave it, its tables, the SHA-256 of its bytes."""

    path: str
    tables: dict[str, Any]
    sha256: str


def read_toml(path: Path, what: str) -> TomlFile:
    """Read a file and check the format it was written for, before anything else in it.

    Args:
        path: of the file.
        what: what it should be, for messages: `frame sheet`, `recipe`.

    Raises:
        InputError: it can't be read, isn't UTF-8, isn't TOML, or is of a newer format.
    """
    name = str(path)
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        reason, todo = f"there is no such {what}", "check the path"
        raise InputError([Problem(name, "", reason, "nothing", f"a {what}", todo)]) from None
    except OSError as error:
        reason, todo = "can't be read", f"name a {what} that you may read"
        raise InputError(
            [Problem(name, "", reason, error.strerror or str(error), f"a {what}", todo)]
        ) from None
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise InputError(
            [
                Problem(
                    name,
                    "",
                    "isn't UTF-8 text",
                    found=f"byte 0x{data[error.start]:02x} on line {line}",
                    valid="TOML in UTF-8",
                    todo="save it again as UTF-8",
                )
            ]
        ) from None
    try:
        tables = tomllib.loads(text.removeprefix("\ufeff"))
    except (ValueError, RecursionError) as error:
        # Besides its own error (a ValueError) the parser lets through Python's limits on digits and depth.
        raise InputError(
            [Problem(name, "", "isn't valid TOML", str(error), "TOML 1.0", "correct that line")]
        ) from None
    _check_format(name, tables)
    return TomlFile(name, tables, hashlib.sha256(data).hexdigest())


def _check_format(name: str, tables: dict[str, Any]) -> None:
    found = tables.get("format", FORMAT)
    is_version = isinstance(found, int) and not isinstance(found, bool)
    if not is_version or not 1 <= found <= FORMAT:
        newer = is_version and found > FORMAT
        reason = "was written for a newer version of this program" if newer else "is no version of the format"
        valid = f"1 to {FORMAT}" if FORMAT > 1 else "1"
        todo = "install a newer oaktag" if newer else f"write format = {FORMAT}, or leave it out"
        raise InputError([Problem(name, "format", reason, show(found), valid, todo)])
