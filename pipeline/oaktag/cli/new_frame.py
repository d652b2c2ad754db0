"""A commented frame sheet to be filled in beside the bicycle."""

from __future__ import annotations

from pathlib import Path

from oaktag.recipe import InputError, Problem
from oaktag.recipe.frame_sheet import SUFFIX
from oaktag.recipe.quantity import MM_PER_UNIT

TEMPLATE = "new.frame.toml.jinja"


def write_sheet(path: Path, name: str, unit: str, force: bool) -> Path:
    """Write the sheet; a name without the suffix of frame sheets gets it.

    Raises:
        InputError: the file is already there, or it can't be written.
    """
    if not path.name.endswith(SUFFIX):
        path = path.with_name(f"{path.name.removesuffix('.toml')}{SUFFIX}")
    text = render_sheet(name, unit)
    try:
        with path.open("w" if force else "x", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
    except FileExistsError:
        todo = "choose another name, or write over it with --force"
        raise InputError([Problem(str(path), "", "is already there", todo=todo)]) from None
    except OSError as error:
        reason = f"can't be written: {error.strerror or error}"
        raise InputError(
            [Problem(str(path), "", reason, todo="name a file in a folder that you may write to")]
        ) from None
    return path


def render_sheet(name: str, unit: str) -> str:
    """The text of a sheet for a triangle, with example readings in a unit."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    def length(mm: float) -> str:
        if unit == "in":
            eighths = round(mm / 25.4 * 8)
            whole, part = divmod(eighths, 8)
            return f"{whole}" if part == 0 else f'"{whole} {part}/8 in"'
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
