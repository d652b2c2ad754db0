"""`DataFile`: an option that names a table of the shop's own, read before any stage runs."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from pydantic import BaseModel, ValidationError, ValidationInfo
from pydantic_core import core_schema

from oaktag.recipe.options import refuse_value
from oaktag.recipe.plain_text import faulty_texts
from oaktag.recipe.problem import InputError, problems_of, show
from oaktag.recipe.quantity import LENGTH_UNITS
from oaktag.recipe.toml_file import Unreadable, read_beside

if TYPE_CHECKING:
    from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler

WHAT = "data file"

Model = TypeVar("Model", bound=BaseModel)


@dataclass(frozen=True, slots=True)
class DataFile:
    """A TOML file that an option names, as it was read when the options were validated.

    As an option it is written `table: DataFile | None = None`; in TOML it is the file's path from the folder
    of the recipe that the option stands in, `table = "shop.materials.toml"`. So the stage itself reads no
    file. Content of a known shape is checked together with the options, by `read` in a validator of them.

    Attributes:
        name: as written in the recipe; never a path of this machine.
        tables: the content as JSON, so that it can't be changed.
        sha256: of the file's bytes, hexadecimal.
    """

    name: str
    tables: str = field(repr=False)
    sha256: str

    def table(self) -> dict[str, Any]:
        """A fresh copy of the content, in the file's order."""
        table: dict[str, Any] = json.loads(self.tables)
        return table

    def read(self, model: type[Model]) -> Model:
        """The content, validated; lengths without a unit are of the file's own `unit`, else mm.

        Args:
            model: of the whole file.

        Raises:
            InputError: something in it is wrong; one problem for each mistake, naming
                this file and the key in it.
        """
        data = self.table()
        unit = data.get("unit")
        context = {"unit": unit if isinstance(unit, str) and unit in LENGTH_UNITS else "mm"}
        try:
            return model.model_validate(data, context=context)
        except ValidationError as error:
            raise InputError(problems_of(error, model=model, data=data, file=self.name)) from None

    @classmethod
    def __get_pydantic_core_schema__(
        cls, source: Any, handler: GetCoreSchemaHandler
    ) -> core_schema.CoreSchema:
        """Read the file that is named."""
        return core_schema.with_info_plain_validator_function(_data_file)

    @classmethod
    def __get_pydantic_json_schema__(
        cls, schema: core_schema.CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        """In the file it is text."""
        return {"type": "string", "minLength": 1}


class _PlacedText(str):
    """Text of an option that stands in another folder than the rest of its stage."""

    folder: Path


def placed(value: Any, folder: Path) -> Any:
    """An option's value, of which every text knows the folder of the file that it is written in."""
    if isinstance(value, Mapping):
        return {name: placed(inner, folder) for name, inner in value.items()}
    if isinstance(value, list):
        return [placed(inner, folder) for inner in value]
    if not isinstance(value, str):
        return value
    text = _PlacedText(value)
    text.folder = folder
    return text


def _data_file(value: object, info: ValidationInfo) -> DataFile:
    if isinstance(value, DataFile):
        return value
    if not isinstance(value, str):
        raise refuse_value("is not text", f"the path of a {WHAT}, in quotes", "write its name in quotes")
    if isinstance(value, _PlacedText):
        folder = value.folder
    else:
        folder = info.context.get("folder", Path()) if isinstance(info.context, dict) else Path()
    name = str(value)
    try:
        file = read_beside(folder, name, WHAT)
    except Unreadable as error:
        reason = f"names a {WHAT} that {error.reason}: {error.found}" if error.inside else error.reason
        raise refuse_value(reason, error.valid, error.todo) from None
    try:
        tables = json.dumps(file.tables, ensure_ascii=False, allow_nan=False)
    except (TypeError, ValueError):
        raise refuse_value(
            f"names a {WHAT} that holds a date, a time or a number that isn't finite",
            "text, finite numbers, lists, tables",
            "write it as text",
        ) from None
    for key, text, reason, valid in faulty_texts(file.tables, ""):
        where = f"at {key}, " if key else ""
        raise refuse_value(
            f"names a {WHAT} in which, {where}{show(text)} {reason}", valid, "correct the text"
        )
    return DataFile(name, tables, file.sha256)
