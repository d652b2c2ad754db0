"""What is installed, and what one stage takes."""

from __future__ import annotations

import json
from typing import Any

import click

from oaktag.cli.table import Table, show_table
from oaktag.plugin import PARTS, Stages
from oaktag.recipe import InputError, Problem, listed, nearest, show


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
        faults = [
            {"plugin": f.plugin, "distribution": f.distribution, "reason": f.reason, "stages": list(f.stages)}
            for f in stages.faults
        ]
        click.echo(json.dumps({"stages": entries, "faults": faults}, indent=2))
        return
    rows = tuple(
        (name, f"{stage.distribution} {stage.version}".strip(), stage.spec.summary)
        for name, stage in stages.installed.items()
    )
    show_table(Table("Stages", ("stage", "from", "what it does"), rows))
    for fault in stages.faults:
        click.echo(
            f"warning: plugin {fault.plugin} of {fault.distribution} can't be used: {fault.reason}", err=True
        )


def explain_stage(stages: Stages, name: str, shows_json: bool) -> None:
    """Print what a stage needs, adds and takes.

    Raises:
        InputError: there is no such stage, or its options can't be loaded.
    """
    stage = stages.installed.get(name)
    if stage is None:
        fault = stages.fault_of(name)
        match = nearest(name, stages.installed)
        todo = f"did you mean {match!r}?" if match else "see `oaktag stages`"
        reason = fault.reason if fault is not None else "there is no such stage"
        raise InputError([Problem("explain", "", reason, show(name), listed(stages.installed), todo)])
    spec = stage.spec
    try:
        model = spec.load_options()
    except Exception as error:
        reason = f"the options of {name!r} can't be loaded: {type(error).__name__}: {error}"
        raise InputError(
            [Problem("explain", "", reason, todo=f"install {stage.distribution} again")]
        ) from error
    schema = model.model_json_schema(by_alias=True)
    options = [_option(key, entry, schema) for key, entry in schema.get("properties", {}).items()]
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
    click.echo(f"{name}: {spec.summary}\nfrom {stage.distribution} {stage.version}\n")
    for kind, found in kinds.items():
        click.echo(f"  {_KINDS[kind]:<14}{listed(found)}")
    click.echo()
    rows = tuple((o["name"], o["default"], o["takes"], o["description"]) for o in options)
    if rows:
        show_table(Table("Options", ("option", "default", "takes", "meaning"), rows))
    else:
        click.echo("It has no options.")


_KINDS = {"needs": "needs", "uses": "uses, if there", "adds": "adds", "changes": "changes"}


def _option(key: str, entry: dict[str, Any], schema: dict[str, Any]) -> dict[str, str]:
    required = key in schema.get("required", [])
    default = entry.get("default")
    if isinstance(default, dict) and set(default) == {"default"}:
        default = default["default"]
    return {
        "name": key,
        "default": "required" if required else "none" if default is None else _toml(default),
        "takes": _takes(entry, schema),
        "description": " ".join(entry.get("description", "").split()),
    }


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
        return _takes(schema["$defs"][entry["$ref"].rsplit("/", 1)[-1]], schema)
    if "anyOf" in entry:
        return " or ".join(t for inner in entry["anyOf"] if (t := _takes(inner, schema)) != "nothing")
    if "enum" in entry:
        return " or ".join(show(value) for value in entry["enum"])
    if "const" in entry:
        return show(entry["const"])
    kind = entry.get("type")
    if kind == "object" and isinstance(entry.get("additionalProperties"), dict):
        inner = _takes(entry["additionalProperties"], schema)
        return f"{inner}, or a table of them by name"
    if kind == "array":
        inner = _takes(entry["items"], schema) if "items" in entry else "values"
        return f"list of {inner}"
    words = {"number": "number", "integer": "whole number", "string": "text", "boolean": "true or false"}
    word = words.get(str(kind), "table" if kind == "object" else "nothing")
    unit = entry.get("unit")
    if unit == "mm":
        word = "length (mm)"
    elif unit:
        word = f"angle ({unit})"
    limits = [
        text.format(entry[name])
        for name, text in (
            ("exclusiveMinimum", "> {:g}"),
            ("minimum", "≥ {:g}"),
            ("exclusiveMaximum", "< {:g}"),
            ("maximum", "≤ {:g}"),
        )
        if name in entry
    ]
    return " ".join([word, *limits])
