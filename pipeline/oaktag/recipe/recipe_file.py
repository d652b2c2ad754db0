"""The recipe: the list of stages that makes a bag from an opening, `*.recipe.toml`."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from oaktag.recipe.options import Options, refuse_value
from oaktag.recipe.problem import InputError, Problem, listed, meant, problems_of, show
from oaktag.recipe.toml_file import TomlFile, read_toml

SUFFIX = ".recipe.toml"
_REFERENCE = re.compile(r"\{([^{}]*)\}")


class StageEntry(BaseModel):
    """One `[[stage]]`: which stage, under what id; every other key is an option of that stage."""

    model_config = ConfigDict(extra="allow", frozen=True, use_attribute_docstrings=True)

    use: Annotated[str, Field(min_length=1)]
    """Name of the stage."""
    id: str = ""
    """Unique in the recipe; the stage's name if it isn't given."""

    @property
    def options(self) -> dict[str, Any]:
        """The stage's own keys, as written."""
        return dict(self.model_extra or {})


def _stages(value: object) -> object:
    if isinstance(value, dict):
        raise refuse_value(
            "is one table", "a [[stage]] for every stage", "write it with two brackets: [[stage]]"
        )
    return value


class RecipeSheet(Options):
    """The envelope of a recipe; each stage's options are validated by that stage's own model."""

    format: int = 1
    """Version of the file format."""
    name: Annotated[str, Field(pattern=r"^[a-z0-9]+(?:[-.][a-z0-9]+)*$", max_length=60)]
    """Name of the recipe: lower-case letters and digits, with hyphens or dots between them."""
    version: Annotated[str, Field(pattern=r"^[0-9]+(?:\.[0-9]+){0,2}$")]
    """Revision of the recipe, such as 1.2.0; printed on every piece."""
    description: str = ""
    """What it makes."""
    parameters: dict[str, Any] = Field(default_factory=dict)
    """Values that options may name as "{parameter}"; a catalog or the command line may override them."""
    stage: Annotated[tuple[StageEntry, ...], Field(min_length=1), BeforeValidator(_stages)]
    """The stages, in order."""


@dataclass(frozen=True, slots=True)
class Step:
    """One stage of a recipe with its parameters filled in.

    Attributes:
        id: unique in the recipe.
        use: name of the stage.
        options: as TOML gives them, not yet validated.
        key: where it stands in the file, for messages.
    """

    id: str
    use: str
    options: Mapping[str, Any]
    key: str


@dataclass(frozen=True, slots=True)
class Recipe:
    """A recipe as it will be planned.

    Attributes:
        name: of the recipe.
        version: its revision.
        description: what it makes.
        steps: in order.
        file: where it was read.
    """

    name: str
    version: str
    description: str
    steps: tuple[Step, ...]
    file: TomlFile


def load_recipe(path: Path, settings: Mapping[str, Any] | None = None) -> Recipe:
    """Read a recipe and fill in its parameters.

    Args:
        path: of the recipe.
        settings: parameters to override.

    Raises:
        InputError: one problem for each mistake in it.
    """
    return recipe_of(read_toml(path, "recipe"), settings or {})


def recipe_of(file: TomlFile, settings: Mapping[str, Any]) -> Recipe:
    """The recipe in a file that has been read.

    Raises:
        InputError: one problem for each mistake in it.
    """
    try:
        sheet = RecipeSheet.model_validate(file.tables)
    except ValidationError as error:
        raise InputError(problems_of(error, model=RecipeSheet, data=file.tables, file=file.path)) from None
    problems = [
        Problem(
            file.path,
            f"parameters.{name}",
            "this recipe has no such parameter",
            found=f"--set {name}={_as_text(settings[name])}",
            valid=listed(sheet.parameters),
            todo=meant(name, sheet.parameters, "set one of these"),
        )
        for name in settings
        if name not in sheet.parameters
    ]
    parameters = {**sheet.parameters, **settings}
    used: set[str] = set()
    steps: list[Step] = []
    ids: dict[str, str] = {}
    for index, entry in enumerate(sheet.stage):
        key = f"stage[{index}] {entry.use}"
        step_id = entry.id or entry.use
        if step_id in ids:
            problems.append(
                Problem(
                    file.path,
                    f"{key}.id",
                    "two stages have one id",
                    found=show(step_id),
                    valid="an id that no other stage has",
                    todo=f'give this one an id of its own: id = "{step_id}-2"',
                )
            )
        ids[step_id] = key
        filler = _Filler(file.path, parameters)
        options = filler.fill(entry.options, key)
        problems += filler.problems
        used |= filler.used
        steps.append(Step(step_id, entry.use, options, key))
    problems += [
        Problem(
            file.path,
            f"parameters.{name}",
            "no stage uses this parameter",
            found=show(sheet.parameters[name]),
            valid="a parameter that an option names",
            todo=f'use it in an option as "{{{name}}}", or remove it',
        )
        for name in sheet.parameters
        if name not in used
    ]
    if problems:
        raise InputError(problems)
    return Recipe(sheet.name, sheet.version, sheet.description, tuple(steps), file)


class _Filler:
    """Replaces `"{name}"` by the parameter's value; inside longer text by its text."""

    def __init__(self, file: str, parameters: Mapping[str, Any]) -> None:
        self.file = file
        self.parameters = parameters
        self.problems: list[Problem] = []
        self.used: set[str] = set()

    def fill(self, value: Any, key: str) -> Any:
        if isinstance(value, dict):
            return {name: self.fill(inner, f"{key}.{name}") for name, inner in value.items()}
        if isinstance(value, list):
            return [self.fill(inner, f"{key}[{index}]") for index, inner in enumerate(value)]
        if not isinstance(value, str):
            return value
        whole = _REFERENCE.fullmatch(value)
        if whole is not None:
            return self.look_up(whole[1], key, value)
        return _REFERENCE.sub(lambda match: self.text_of(match[1], key, value), value)

    def text_of(self, name: str, key: str, found: str) -> str:
        value = self.look_up(name, key, found)
        if isinstance(value, (dict, list)):
            reason = f"the parameter {name!r} is a {'table' if isinstance(value, dict) else 'list'}"
            valid = "a number or text, where it stands within longer text"
            self.problems.append(Problem(self.file, key, reason, show(found), valid, "use it by itself"))
        return _as_text(value)

    def look_up(self, name: str, key: str, found: str) -> Any:
        self.used.add(name)
        if name in self.parameters:
            return self.parameters[name]
        self.problems.append(
            Problem(
                self.file,
                key,
                f"there is no parameter {name!r}",
                found=show(found),
                valid=listed(self.parameters),
                todo=meant(name, self.parameters, "add it to [parameters]"),
            )
        )
        return found


def _as_text(value: object) -> str:
    """A parameter's value as it is written into text."""
    return value if isinstance(value, str) else show(value)


def parse_setting(text: str) -> tuple[str, Any]:
    """A `NAME=VALUE` of the command line; the value is read as TOML where it is that, as text otherwise.

    Raises:
        InputError: there is no name or no `=`.
    """
    name, equals, value = text.partition("=")
    name = name.strip()
    if not equals or not name:
        raise InputError(
            [
                Problem(
                    "--set",
                    "",
                    "isn't a name and a value",
                    found=show(text),
                    valid="NAME=VALUE",
                    todo="write for example --set corner-radius=25",
                )
            ]
        )
    try:
        tables = tomllib.loads(f"value = {value}")
    except (ValueError, RecursionError):
        # Besides its own error (a ValueError) the parser lets through Python's limits on digits and depth.
        return name, value.strip()
    # Text with a line break can hold a second key; then it isn't one value.
    return name, tables["value"] if len(tables) == 1 else value.strip()
