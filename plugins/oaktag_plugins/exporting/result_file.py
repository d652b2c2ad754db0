"""The name of a file that an exporter makes, as an option, and the one way to add that file to a draft."""

from __future__ import annotations

from pathlib import PurePosixPath
from typing import TYPE_CHECKING, Annotated

from pydantic import AfterValidator

from oaktag import Draft, Refusal
from oaktag.pattern import Artifact
from oaktag.recipe import refuse_value

if TYPE_CHECKING:
    from oaktag.pattern.shown import Shown

_VALID = 'a path below the result folder, such as "pattern.svg" or "cutter/pattern.svg"'
_TAKEN = "pattern.json"


def _result_file(value: str) -> str:
    path = PurePosixPath(value)
    if not path.parts or path.is_absolute() or ".." in path.parts or value.endswith("/"):
        raise refuse_value("names no file below the result folder", _VALID)
    if not value.isprintable() or any(sign in value for sign in '\\:*?"<>|'):
        raise refuse_value("has a sign that not every system allows in a file's name", _VALID)
    if path.name == _TAKEN:
        raise refuse_value(f"{_TAKEN} is the draft's own file", _VALID)
    return str(path)


ResultFile = Annotated[str, AfterValidator(_result_file)]
"""Path of a file below the result folder, with `/`."""


def with_file(
    draft: Draft,
    path: str,
    kind: str,
    data: bytes,
    *,
    shown: Shown | None = None,
    reader: str = "",
    key: str = "file",
) -> Draft:
    """The draft with one more file.

    Args:
        draft: that the file is made from.
        path: below the result folder.
        kind: what it is.
        data: its bytes.
        shown: what a drawing shows of the draft.
        reader: `module:function` that reads the file back.
        key: of the option that names the file.

    Raises:
        Refusal: an earlier stage made a file of that name.
    """
    if any(artifact.path == path for artifact in draft.artifacts):
        raise Refusal(
            "an earlier stage already makes a file of that name",
            key=key,
            source="recipe",
            found=path,
            valid="a name that no other stage of the recipe uses",
            todo="give one of the stages another file",
        )
    return draft.with_artifact(Artifact(path, kind, data, shown, reader))
