"""JSON schemas of the files and of options: truthful, short, and for the two files kept beside the models.

`python -m oaktag.recipe.schema` writes `frame.schema.json` and `recipe.schema.json` anew.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from oaktag.recipe.frame_sheet import FrameSheet
from oaktag.recipe.recipe_sheet import RecipeSheet

DIALECT = "https://json-schema.org/draft/2020-12/schema"
COMMITTED: dict[str, tuple[type[BaseModel], str]] = {
    "frame.schema.json": (FrameSheet, "Frame sheet, *.frame.toml"),
    "recipe.schema.json": (RecipeSheet, "Recipe, *.recipe.toml"),
}
"""The files that editors read, with the model and the title of each."""

# Where a validator stands before a limit, pydantic writes the limit under its own name.
_LIMITS = {"gt": "exclusiveMinimum", "ge": "minimum", "lt": "exclusiveMaximum", "le": "maximum"}


def schema_of(model: type[BaseModel]) -> dict[str, Any]:
    """The JSON schema of a model as its file is written: keys with hyphens, limits under standard names.

    Pydantic's titles, which only repeat the keys, are left out, and so is `null`, which TOML doesn't have.
    What isn't a table with keys of its own stands where it is used, not among the definitions.
    """
    raw = model.model_json_schema(by_alias=True)
    definitions: dict[str, Any] = raw.pop("$defs", {})
    schema: dict[str, Any] = _clean(raw, definitions)
    tables = {
        name: _clean(inner, definitions) for name, inner in definitions.items() if "properties" in inner
    }
    return {**schema, "$defs": tables} if tables else schema


def _clean(node: Any, definitions: dict[str, Any]) -> Any:
    if isinstance(node, list):
        return [_clean(entry, definitions) for entry in node]
    if not isinstance(node, dict):
        return node
    reference = str(node.get("$ref", "")).rsplit("/", 1)[-1]
    if reference and "properties" not in definitions[reference]:
        own = {key: value for key, value in node.items() if key != "$ref"}
        return _clean({**definitions[reference], **own}, definitions)
    result: dict[str, Any] = {}
    key: str
    for key, value in node.items():
        if key == "title" or (key == "default" and value is None):
            continue
        if key == "properties":
            result[key] = {name: _clean(inner, definitions) for name, inner in value.items()}
        elif key == "description":
            result[key] = " ".join(value.split())
        elif key in ("default", "enum", "const"):
            result[key] = value
        elif key == "anyOf":
            result[key] = list(_choices(_clean(value, definitions)))
        else:
            result[_LIMITS.get(key, key)] = _clean(value, definitions)
    if len(result.get("anyOf", ())) == 1:
        return {**result.pop("anyOf")[0], **result}
    return result


def _choices(schemas: list[dict[str, Any]]) -> Iterator[dict[str, Any]]:
    for schema in schemas:
        if set(schema) == {"anyOf"}:
            yield from schema["anyOf"]
        elif schema.get("type") != "null":
            yield schema


def committed_text(name: str) -> str:
    """What a committed schema has to contain."""
    model, title = COMMITTED[name]
    return json.dumps({"$schema": DIALECT, "title": title, **schema_of(model)}, indent=2) + "\n"


def main() -> None:
    """Write the committed schemas beside this module."""
    for name in COMMITTED:
        Path(__file__).with_name(name).write_text(committed_text(name), encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
