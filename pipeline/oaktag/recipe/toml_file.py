"""Reading a TOML file: bytes, digest, text, tables, and the format that it was written for."""

from __future__ import annotations

import hashlib
import tomllib
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from stat import S_ISREG
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


class Unreadable(Exception):  # noqa: N818 - the file is at fault, not this program
    """Why a file can't be read as TOML.

    Args:
        reason: why, to be said of the file.
        found: what was found.
        valid: what could be there.
        todo: what to do about it.
        inside: whether the mistake stands in the file itself; otherwise in the name that led to it.
    """

    def __init__(self, reason: str, found: str, valid: str, todo: str, *, inside: bool) -> None:
        super().__init__(reason)
        self.reason = reason
        self.found = found
        self.valid = valid
        self.todo = todo
        self.inside = inside


def read_toml(path: Path, what: str) -> TomlFile:
    """Read a file and check the format it was written for, before anything else in it.

    Args:
        path: of the file.
        what: what it should be, for messages: `frame sheet`, `recipe`.

    Raises:
        InputError: it can't be read, isn't UTF-8, isn't TOML, or is of a newer format.
    """
    try:
        file = read_tables(path, what)
    except Unreadable as error:
        raise InputError(
            [Problem(str(path), "", error.reason, error.found, error.valid, error.todo)]
        ) from None
    check_format(file)
    return file


def read_tables(path: Path, what: str) -> TomlFile:
    """Read a TOML file of any format.

    Args:
        path: of the file.
        what: what it should be, for messages.

    Raises:
        Unreadable: it can't be read, isn't UTF-8 or isn't TOML.
    """
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        raise Unreadable(
            f"there is no such {what}", "nothing", f"a {what}", "check the path", inside=False
        ) from None
    except OSError as error:
        found, todo = error.strerror or str(error), f"name a {what} that you may read"
        raise Unreadable("can't be read", found, f"a {what}", todo, inside=False) from None
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        found = f"byte 0x{data[error.start]:02x} on line {line}"
        raise Unreadable(
            "isn't UTF-8 text", found, "TOML in UTF-8", "save it again as UTF-8", inside=True
        ) from None
    try:
        tables = tomllib.loads(text.removeprefix("\ufeff"))
    except (ValueError, RecursionError) as error:
        # Besides its own error (a ValueError) the parser lets through Python's limits on digits and depth.
        raise Unreadable(
            "isn't valid TOML", str(error), "TOML 1.0", "correct that line", inside=True
        ) from None
    return TomlFile(str(path), tables, hashlib.sha256(data).hexdigest())


def read_beside(folder: Path, name: str, what: str) -> TomlFile:
    """Read the TOML file that another file names by its path from that file's folder.

    Args:
        folder: of the file that names it.
        name: as it is written there, with `/`.
        what: what it should be, for messages.

    Raises:
        Unreadable: the name leads to no file from here, or as `read_tables`.
    """
    relative = PurePosixPath(name)
    valid = f"the path of a {what} from the folder of this file, with /"
    if not relative.parts:
        raise Unreadable("names no file", show(name), valid, f"write the name of the {what}", inside=False)
    if relative.is_absolute() or set(name) & set("\\:\0"):
        # What holds on one computer only must not come into what is made from it.
        todo = "write its path from the folder of this file"
        raise Unreadable("is no path from the folder of this file", show(name), valid, todo, inside=False)
    path = folder.joinpath(*relative.parts)
    try:
        is_file = S_ISREG(path.stat().st_mode)
    except OSError:
        is_file = True  # or none at all; reading it says why
    if not is_file:
        raise Unreadable("is no file", show(name), valid, f"name a {what}", inside=False)
    try:
        return read_tables(path, what)
    except Unreadable as error:
        if error.inside:
            raise
        # Said of a name, what the system found belongs to the reason.
        reason = error.reason if error.found == "nothing" else f"{error.reason}: {error.found}"
        raise Unreadable(reason, show(name), valid, error.todo, inside=False) from None


def check_format(file: TomlFile) -> None:
    """Refuse a file that was written for another version of the format.

    Raises:
        InputError: it was.
    """
    found = file.tables.get("format", FORMAT)
    is_version = isinstance(found, int) and not isinstance(found, bool)
    if not is_version or not 1 <= found <= FORMAT:
        newer = is_version and found > FORMAT
        reason = "was written for a newer version of this program" if newer else "is no version of the format"
        valid = f"1 to {FORMAT}" if FORMAT > 1 else "1"
        todo = "install a newer oaktag" if newer else f"write format = {FORMAT}, or leave it out"
        raise InputError([Problem(file.path, "format", reason, show(found), valid, todo)])
