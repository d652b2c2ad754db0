"""Reading a recipe: its base's stages and its own, with parameters filled in."""

from __future__ import annotations

import hashlib
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from oaktag.recipe.inheritance import Entry, Origin, inherited_entries, own_entries
from oaktag.recipe.plain_text import faulty_texts
from oaktag.recipe.problem import InputError, Problem, listed, meant, problems_of, show
from oaktag.recipe.recipe_sheet import RecipeSheet
from oaktag.recipe.toml_file import TomlFile, Unreadable, check_format, read_beside, read_toml

SUFFIX = ".recipe.toml"
# `{parameter}`, but not what stands in a template's braces: `{{ piece.name }}`, `{% if ... %}`, `{# ... #}`.
_REFERENCE = re.compile(r"\{\{.*?\}\}|\{%.*?%\}|\{#.*?#\}|\{([^{}]*)\}", re.DOTALL)


@dataclass(frozen=True, slots=True)
class Step:
    """One stage of a recipe with its parameters filled in.

    Attributes:
        id: unique in the recipe.
        use: name of the stage.
        options: as TOML gives them, not yet validated.
        key: where it stands in its file, for messages.
        file: that it stands in, as the user named it: the recipe, or one of its bases.
        laid: of options that a recipe has laid over those of its base, by name: the `[[stage]]` there.
    """

    id: str
    use: str
    options: Mapping[str, Any]
    key: str
    file: str
    laid: Mapping[str, Origin] = field(default_factory=dict)

    def origin(self, key: str = "") -> Origin:
        """Which `[[stage]]` of which file is at fault.

        Args:
            key: of an option, dotted; empty for several together. What doesn't work together is the fault
                of whoever laid something over the rest.
        """
        return origin_of(key, Origin(self.file, self.key), self.laid)


def origin_of(key: str, own: Origin, laid: Mapping[str, Origin]) -> Origin:
    """Where an option's `[[stage]]` stands, as `Step.origin`.

    Args:
        key: of the option, dotted; empty for several together.
        own: where the stage itself stands.
        laid: where options stand that are laid over its own.
    """
    if not key:
        return [own, *laid.values()][-1]
    inside = (
        origin for name, origin in laid.items() if key == name or key.startswith((f"{name}.", f"{name}["))
    )
    return next(inside, own)


@dataclass(frozen=True, slots=True)
class Recipe:
    """A recipe as it will be planned.

    Attributes:
        name: of the recipe.
        version: its revision.
        description: what it makes.
        steps: in order.
        file: where it was read.
        bases: the recipe that it is built on, that one's base, and so on.
    """

    name: str
    version: str
    description: str
    steps: tuple[Step, ...]
    file: TomlFile
    bases: tuple[TomlFile, ...] = ()

    @property
    def sha256(self) -> str:
        """SHA-256 of the recipe, hexadecimal, different if anything in it or in its bases is.

        With bases it is taken over the digests of all files, one per line, the recipe's first.
        """
        if not self.bases:
            return self.file.sha256
        digests = "\n".join(file.sha256 for file in (self.file, *self.bases))
        return hashlib.sha256(digests.encode()).hexdigest()


def load_recipe(path: Path, settings: Mapping[str, Any] | None = None) -> Recipe:
    """Read a recipe and its bases, and fill in the parameters.

    Args:
        path: of the recipe.
        settings: parameters to override.

    Raises:
        InputError: one problem for each mistake in it.
    """
    return recipe_of(read_toml(path, "recipe"), settings or {})


def recipe_of(file: TomlFile, settings: Mapping[str, Any]) -> Recipe:
    """The recipe in a file that has been read; its bases are read beside it.

    Raises:
        InputError: one problem for each mistake in it.
    """
    levels = _levels(file)
    sheet = levels[0][1]
    entries: list[Entry] = []
    for level in levels[:0:-1]:
        entries, problems = _merged(entries, level)
        if problems:
            raise InputError(problems)
    entries, own_problems = _merged(entries, levels[0])
    parameters = {name: value for _, level in reversed(levels) for name, value in level.parameters.items()}
    problems = [
        Problem(
            file.path,
            f"parameters.{name}",
            "this recipe has no such parameter",
            found=_setting(name, settings),
            valid=listed(parameters),
            todo=meant(name, parameters, "set one of these"),
        )
        for name in settings
        if name not in parameters
    ]
    filler = _Filler({**parameters, **settings})
    steps = tuple(filler.step(entry) for entry in entries)
    problems += filler.problems + own_problems
    unused = parameters.keys() - filler.used
    if own_problems:
        # A stage that something is wrong with may not be among the steps, but its parameters have a use.
        unused -= {name for entry in sheet.stage for name in _references(entry.options)}
    problems += _unused(levels, settings, unused)
    if problems:
        raise InputError(problems)
    description = next((level.description for _, level in levels if level.description), "")
    return Recipe(sheet.name, sheet.version, description, steps, file, tuple(base for base, _ in levels[1:]))


_Level = tuple[TomlFile, RecipeSheet]


def _levels(file: TomlFile) -> list[_Level]:
    """A recipe and its bases, each as it is written; the recipe first."""
    levels: list[_Level] = []
    seen: list[Path] = []
    while True:
        try:
            sheet = RecipeSheet.model_validate(file.tables)
        except ValidationError as error:
            raise InputError(
                problems_of(error, model=RecipeSheet, data=file.tables, file=file.path)
            ) from None
        levels.append((file, sheet))
        if sheet.base is None:
            return levels
        seen.append(Path(file.path).resolve())
        base = _base(file, sheet.base)
        place = Path(base.path).resolve()
        if place in seen:
            circle = [Path(f.path).name for f, _ in levels[seen.index(place) :]]
            reason = f"goes round in a circle: {' → '.join([*circle, circle[0]])}"
            valid, todo = "a recipe that isn't built on this one", "take `base` out of one of them"
            raise InputError([Problem(file.path, "base", reason, show(sheet.base), valid, todo)])
        file = base


def _base(file: TomlFile, name: str) -> TomlFile:
    folder = Path(file.path).parent
    try:
        base = read_beside(folder, name, "recipe")
    except Unreadable as error:
        named, key = (str(folder / name), "") if error.inside else (file.path, "base")
        raise InputError([Problem(named, key, error.reason, error.found, error.valid, error.todo)]) from None
    check_format(base)
    return base


def _merged(inherited: list[Entry], level: _Level) -> tuple[list[Entry], list[Problem]]:
    file, sheet = level
    if sheet.base is None:
        return own_entries(sheet.stage, file.path)
    return inherited_entries(inherited, sheet.stage, file.path)


def _unused(levels: list[_Level], settings: Mapping[str, Any], unused: Iterable[str]) -> Iterator[Problem]:
    """What is wrong with parameters that no stage uses, in the order in which they are written.

    A parameter goes with the stages of a base that are dropped or replaced; nothing is wrong with that.
    """
    left = set(unused)
    (file, sheet), *bases = levels
    mentioned = {name for _, base in bases for entry in base.stage for name in _references(entry.options)}
    for declaring, level in levels:
        for name in level.parameters:
            if name not in left:
                continue
            left.remove(name)
            key, valid = f"parameters.{name}", "a parameter that an option names"
            if level is not sheet and name in settings:
                reason, todo = "no stage that is left uses this parameter", "leave it out"
                yield Problem(file.path, key, reason, _setting(name, settings), valid, todo)
            elif level is sheet or name not in mentioned:
                reason, value = "no stage uses this parameter", level.parameters[name]
                todo = f'use it in an option as "{{{name}}}", or remove it'
                yield Problem(declaring.path, key, reason, show(value), valid, todo)


def _setting(name: str, settings: Mapping[str, Any]) -> str:
    return f"--set {name}={_as_text(settings[name])}"


def _references(value: object) -> Iterator[str]:
    """Names of the parameters that a value names."""
    if isinstance(value, dict):
        value = list(value.values())
    if isinstance(value, list):
        for inner in value:
            yield from _references(inner)
    elif isinstance(value, str):
        yield from (match[1] for match in _REFERENCE.finditer(value) if match[1] is not None)


class _Filler:
    """Replaces `"{name}"` by the parameter's value; inside longer text by its text."""

    def __init__(self, parameters: Mapping[str, Any]) -> None:
        self.file = ""  # that the option stands in which is being filled
        self.parameters = parameters
        self.problems: list[Problem] = []
        self.used: set[str] = set()

    def step(self, entry: Entry) -> Step:
        options: dict[str, Any] = {}
        for name, value in entry.options.items():
            origin = entry.laid.get(name, entry.origin)
            self.file = origin.file
            options[name] = self.fill(value, f"{origin.key}.{name}")
            for key, text, reason, valid in faulty_texts(options[name], f"{origin.key}.{name}"):
                self.problems.append(Problem(self.file, key, reason, show(text), valid, "correct the text"))
        return Step(entry.id, entry.use, options, entry.origin.key, entry.origin.file, entry.laid)

    def fill(self, value: Any, key: str) -> Any:
        if isinstance(value, dict):
            return {name: self.fill(inner, f"{key}.{name}") for name, inner in value.items()}
        if isinstance(value, list):
            return [self.fill(inner, f"{key}[{index}]") for index, inner in enumerate(value)]
        if not isinstance(value, str):
            return value
        whole = _REFERENCE.fullmatch(value)
        if whole is not None and whole[1] is not None:
            return self.look_up(whole[1], key, value)
        return _REFERENCE.sub(
            lambda match: match[0] if match[1] is None else self.text_of(match[1], key, value), value
        )

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
