"""What is installed, and what one stage takes."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

import click

from oaktag.cli.table import Block, Table, show_blocks, show_table
from oaktag.plugin import PARTS, Stages
from oaktag.plugin.contract import load
from oaktag.recipe import InputError, Problem, listed, meant, show
from oaktag.recipe.problem import printable
from oaktag.recipe.schema import schema_of


def show_stages(stages: Stages, shows_json: bool) -> None:
    """Print every stage with its distribution, and every plugin that can't be used with the reason."""
    if shows_json:
        entries = [
            {
                "name": name,
                "summary": stage.spec.summary,
                "plugin": stage.plugin,
                "distribution": stage.distribution,
                "version": stage.version,
            }
            for name, stage in stages.installed.items()
        ]
        faults = [asdict(fault) for fault in stages.faults]
        click.echo(json.dumps({"stages": entries, "faults": faults}, indent=2))
        return
    rows = tuple(
        (name, f"{stage.distribution} {stage.version}".strip(), stage.spec.summary)
        for name, stage in stages.installed.items()
    )
    show_table(Table("Stages", ("stage", "from", "what it does"), rows))
    for fault in stages.faults:
        text = f"warning: plugin {fault.plugin} of {fault.distribution} can't be used: {fault.reason}"
        click.echo(f"{printable(text)}\n  do     {printable(fault.todo)}", err=True)


def explain_stage(stages: Stages, name: str, shows_json: bool) -> None:
    """Print what a stage needs, adds and takes.

    Raises:
        InputError: there is no such stage, or its options can't be loaded.
    """
    stage = stages.installed.get(name)
    if stage is None:
        fault = stages.fault_of(name)
        reason = "there is no such stage" if fault is None else fault.reason
        todo = meant(name, stages.installed, "see `oaktag stages`") if fault is None else fault.todo
        raise InputError([Problem("explain", "", reason, show(name), listed(stages.installed), todo)])
    spec = stage.spec
    model, _ = load(stage, file="explain", key=name)
    schema = schema_of(model)
    options = _options(schema, schema)
    kinds = {kind: [part for part in PARTS if part in getattr(spec, kind)] for kind in _KINDS}
    if shows_json:
        head = {
            "name": name,
            "summary": spec.summary,
            "distribution": stage.distribution,
            "version": stage.version,
        }
        click.echo(json.dumps({**head, **kinds, "options": options, "schema": schema}, indent=2))
        return
    click.echo(f"{name}: {spec.summary}\nfrom {stage.distribution} {stage.version}".rstrip() + "\n")
    width = max(map(len, _KINDS.values())) + 2
    for kind, found in kinds.items():
        click.echo(f"  {_KINDS[kind]:<{width}}{listed(found)}")
    click.echo()
    if options:
        show_blocks("Options", list(_blocks(options)))
    else:
        click.echo("It has no options.")


_KINDS = {"needs": "needs", "uses": "uses if there", "adds": "adds", "changes": "changes"}


def _options(table: dict[str, Any], schema: dict[str, Any]) -> list[dict[str, Any]]:
    """What may stand in a table, one entry for each key."""
    required = table.get("required", [])
    return [_option(key, entry, key in required, schema) for key, entry in table["properties"].items()]


def _option(key: str, entry: dict[str, Any], required: bool, schema: dict[str, Any]) -> dict[str, Any]:
    default = entry.get("default")
    if isinstance(default, dict) and set(default) == {"default"}:
        default = default["default"]
    option: dict[str, Any] = {
        "name": key,
        "default": "required" if required else "none" if default is None else _toml(default),
        "takes": _takes(entry, schema),
        "description": entry.get("description", ""),
    }
    inner = _inner_table(entry, schema)
    return option if inner is None else {**option, "keys": _options(inner, schema)}


def _blocks(options: list[dict[str, Any]], depth: int = 0) -> Iterator[Block]:
    for option in options:
        words = (("takes", "takes"), ("default", "default"), ("meaning", "description"))
        lines = tuple((word, str(option[key])) for word, key in words if option[key])
        yield Block(option["name"], lines, depth)
        yield from _blocks(option.get("keys", []), depth + 1)


def _inner_table(entry: dict[str, Any], schema: dict[str, Any]) -> dict[str, Any] | None:
    """The table with keys of its own that an option takes, alone, in a list or by name."""
    if "$ref" in entry:
        table: dict[str, Any] = schema["$defs"][entry["$ref"].rsplit("/", 1)[-1]]
        return table
    for choice in (*entry.get("anyOf", ()), entry.get("items"), _by_name(entry)):
        if isinstance(choice, dict) and (table_inside := _inner_table(choice, schema)) is not None:
            return table_inside
    return None


def _toml(value: object) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{name} = {_toml(inner)}" for name, inner in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(_toml(inner) for inner in value) + "]"
    if isinstance(value, float):
        return f"{value:g}"
    return show(value)


def _takes(entry: dict[str, Any], schema: dict[str, Any]) -> str:
    if "$ref" in entry:
        return "table"
    if "anyOf" in entry:
        one, *others = entry["anyOf"]
        if others == [{"type": "object", "additionalProperties": one}]:
            return f"{_takes(one, schema)}, or a table of them by name"
        return " or ".join(_takes(inner, schema) for inner in entry["anyOf"])
    if "enum" in entry:
        return " or ".join(show(value) for value in entry["enum"])
    if "const" in entry:
        return show(entry["const"])
    kind = entry.get("type", "anything")
    if kind == "object" and (by_name := _by_name(entry)) is not None:
        return f"table by name, each {_takes(by_name, schema)}"
    if kind == "array":
        inner = _takes(entry["items"], schema) if "items" in entry else "value"
        return "list of tables" if inner == "table" else f"list, each {inner}"
    if "unit" in entry:
        word = "length (mm)" if entry["unit"] == "mm" else f"angle ({entry['unit']})"
    else:
        kinds = [str(one) for one in (kind if isinstance(kind, list) else [kind])]
        word = " or ".join(_TYPES.get(one, one) for one in kinds)
    limits = [text.format(entry[name]) for name, text in _LIMITS if name in entry]
    return f"{word} {' and '.join(limits)}".rstrip()


def _by_name(entry: dict[str, Any]) -> dict[str, Any] | None:
    """What a table takes under every name, also where a name has to look in a certain way."""
    choices = (entry.get("additionalProperties"), *entry.get("patternProperties", {}).values())
    return next((choice for choice in choices if isinstance(choice, dict)), None)


_TYPES = {
    "number": "number",
    "integer": "whole number",
    "string": "text",
    "boolean": "true or false",
    "object": "table",
}
_LIMITS = (
    ("exclusiveMinimum", "> {:g}"),
    ("minimum", "≥ {:g}"),
    ("exclusiveMaximum", "< {:g}"),
    ("maximum", "≤ {:g}"),
)
