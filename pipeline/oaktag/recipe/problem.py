"""One clear message for one mistake in a file that somebody wrote."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from types import UnionType
from typing import Annotated, Any, Union, get_args, get_origin

from pydantic import BaseModel, RootModel, ValidationError
from pydantic.fields import FieldInfo


@dataclass(frozen=True, slots=True)
class Problem:
    """A mistake: where, what was found, why it won't do, what would, and what to do.

    Attributes:
        file: as the user named it.
        key: dotted, as it stands in the file; empty for the file as a whole.
        reason: why it can't be used.
        found: what stands there; may be empty.
        valid: what could stand there; may be empty.
        todo: what to do; never empty.
    """

    file: str
    key: str
    reason: str
    found: str = ""
    valid: str = ""
    todo: str = ""

    def __str__(self) -> str:
        """The message as it is shown."""
        head = f"{self.file}: {self.key}: {self.reason}" if self.key else f"{self.file}: {self.reason}"
        rest = [("found", self.found), ("valid", self.valid), ("do", self.todo)]
        return "\n".join(map(printable, [head, *(f"  {word:<6} {text}" for word, text in rest if text)]))


class InputError(Exception):
    """A file that can't be used, or a recipe that can't be planned; holds one problem per mistake."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


def printable(text: str) -> str:
    """Text with its control characters written out: what a file says must not steer a terminal."""
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in text)


def nearest(name: str, known: Iterable[str]) -> str | None:
    """The known name that was most likely meant, or None."""
    matches = get_close_matches(name.lower(), sorted(known), n=1, cutoff=0.6)
    return matches[0] if matches else None


def meant(name: str, known: Iterable[str], otherwise: str) -> str:
    """What to do about an unknown name: the nearest known one, or `otherwise`."""
    match = nearest(name, known)
    return f"did you mean {match!r}?" if match else otherwise


def listed(names: Iterable[str]) -> str:
    """Names in a row; `none` if there are none."""
    return ", ".join(names) or "none"


def dotted(location: Sequence[str | int], data: object) -> str:
    """A pydantic location as a key of the file: `lengths.seat-tube[1]`.

    Steps that the data doesn't have (a scalar that stands for a table) are left out.
    """
    text = ""
    for step in location:
        if isinstance(step, int):
            if not isinstance(data, list):
                break
            text += f"[{step}]"
            data = data[step] if step < len(data) else None
        else:
            if data is not None and not isinstance(data, Mapping):
                break
            text += f".{step}" if text else step
            data = data.get(step) if isinstance(data, Mapping) else None
    return text


def problems_of(
    error: ValidationError, *, model: type[BaseModel], data: object, file: str, prefix: str = ""
) -> list[Problem]:
    """Turn pydantic's errors into problems, one per mistake.

    Args:
        error: what pydantic raised.
        model: the model that was validated.
        data: what was validated, as read from the file.
        file: as the user named it.
        prefix: the key that `data` stands under; empty for a whole file.
    """
    details = error.errors(include_url=False)
    misspelt = {place for detail in details if (place := _meant_place(model, detail)) is not None}
    inside = {detail["loc"][:depth] for detail in details for depth in range(len(detail["loc"]))}
    found: dict[str, Problem] = {}
    for detail in details:
        # The same mistake twice: the missing key is there, misspelt; the missing entries are no good.
        if detail["type"] == "missing" and detail["loc"] in misspelt:
            continue
        if detail["type"] == "too_short" and detail["loc"] in inside:
            continue
        key = joined(prefix, dotted(detail["loc"], data))
        if key not in found:
            found[key] = _problem(detail, model, file, key)
    return list(found.values())


def joined(*keys: str) -> str:
    """Keys one below the other, as one dotted key; empty ones are left out."""
    return ".".join(key for key in keys if key)


def show(value: object) -> str:
    """A value as it would stand in TOML, short."""
    text = _toml(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _toml(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, (list, tuple)):
        return f"[{', '.join(map(_toml, value))}]"
    if isinstance(value, Mapping):
        return f"{{{', '.join(f'{name} = {_toml(inner)}' for name, inner in value.items())}}}"
    # Python writes no decimal number of more than some thousand digits.
    return hex(value) if isinstance(value, int) and value.bit_length() > 4096 else str(value)


def _meant_place(model: type[BaseModel], detail: Mapping[str, Any]) -> tuple[str | int, ...] | None:
    """Where an unknown key would have to stand if it is only misspelt."""
    if detail["type"] != "extra_forbidden":
        return None
    *place, last = detail["loc"]
    match = nearest(str(last), _keys(_type_at(model, place)))
    return None if match is None else (*place, match)


def _problem(detail: Mapping[str, Any], model: type[BaseModel], file: str, key: str) -> Problem:
    kind, place = detail["type"], detail["loc"]
    last = str(place[-1]) if place else ""
    if kind == "extra_forbidden":
        known = _keys(_type_at(model, place[:-1]))
        todo = meant(last, known, "remove it, or write one of these")
        return Problem(file, key, "unknown key", last, listed(known), todo)
    if kind == "missing":
        return Problem(file, key, "is missing", "nothing", _meaning(model, place), f"add {last}")
    context = detail.get("ctx") or {}
    if kind == "refused":
        reason, valid, todo = str(detail["msg"]), str(context["valid"]), str(context["todo"])
    else:
        if kind in ("too_short", "too_long") and isinstance(detail["input"], str):
            kind = f"string_{kind}"
        if kind == "string_too_short" and context["min_length"] == 1:
            kind = "string_empty"
        reason, valid = _WORDS.get(kind, (str(detail["msg"]), ""))
        valid, todo = valid.format_map(_Shown(context)), ""
    value = detail.get("input")
    if kind == "literal_error":
        known = re.findall(r"'([^']*)'", str(context.get("expected", "")))
        valid = " or ".join(map(show, known))
        todo = meant(str(value), known, "write one of these")
    return Problem(
        file,
        key,
        reason,
        found="" if isinstance(value, BaseModel) else show(value),
        valid=valid or _meaning(model, place),
        todo=todo or "correct the value",
    )


# Pydantic's own words speak of Python's types; people who write TOML don't.
_WORDS: dict[str, tuple[str, str]] = {
    "greater_than": ("is too small", "more than {gt}"),
    "greater_than_equal": ("is too small", "{ge} or more"),
    "less_than": ("is too large", "less than {lt}"),
    "less_than_equal": ("is too large", "{le} or less"),
    "literal_error": ("isn't one of the known values", ""),
    "bool_type": ("is neither true nor false", "true or false"),
    "bool_parsing": ("is neither true nor false", "true or false"),
    "string_type": ("is not text", "text in quotes"),
    "string_too_short": ("is too short", "text of {min_length} characters or more"),
    "string_empty": ("is empty", "some text"),
    "string_too_long": ("is too long", "text of {max_length} characters at most"),
    "string_pattern_mismatch": ("isn't written as it should be", ""),
    "list_type": ("is not a list", "a list in square brackets"),
    "tuple_type": ("is not a list", "a list in square brackets"),
    "too_short": ("has too few entries", "{min_length} or more"),
    "too_long": ("has too many entries", "{max_length} at most"),
    "dict_type": ("is not a table", "a table"),
    "model_type": ("is not a table", "a table"),
    "model_attributes_type": ("is not a table", "a table"),
    "int_type": ("is not a whole number", "a whole number"),
    "int_parsing": ("is not a whole number", "a whole number"),
    "int_from_float": ("is not a whole number", "a whole number"),
    "float_type": ("is not a number", "a number"),
    "float_parsing": ("is not a number", "a number"),
    "finite_number": ("is not a finite number", "a finite number"),
}


class _Shown(dict[str, Any]):
    """What an error was raised with, numbers written short."""

    def __getitem__(self, key: str) -> str:
        value = super().__getitem__(key)
        return f"{value:g}" if isinstance(value, float) else str(value)


def _meaning(model: type[BaseModel], place: Sequence[str | int]) -> str:
    """What the model says that a key means; of the innermost key that it says anything of."""
    meaning = ""
    current: object = model
    for step in place:
        field = _field(current, step)
        if field is not None and field.description:
            meaning = " ".join(field.description.split())
        current = _inside(current, step)
    return meaning


def _keys(annotation: object) -> list[str]:
    model = _model(annotation)
    return [] if model is None else [field.alias or name for name, field in model.model_fields.items()]


def _type_at(annotation: object, place: Iterable[str | int]) -> object:
    for step in place:
        annotation = _inside(annotation, step)
    return annotation


def _inside(annotation: object, step: str | int) -> object:
    """The type of what stands at one step inside a type; None if the type doesn't say."""
    if (field := _field(annotation, step)) is not None:
        return field.annotation
    for choice in _choices(annotation):
        origin, arguments = get_origin(choice), get_args(choice)
        if isinstance(origin, type) and issubclass(origin, Mapping) and len(arguments) == 2:
            return arguments[1]
        if isinstance(step, int) and isinstance(origin, type) and arguments:
            return arguments[0]
    return None


def _field(annotation: object, step: str | int) -> FieldInfo | None:
    model = _model(annotation)
    if model is not None:
        for name, field in model.model_fields.items():
            if step in (name, field.alias):
                return field
    return None


def _model(annotation: object) -> type[BaseModel] | None:
    models = [t for t in _choices(annotation) if isinstance(t, type) and issubclass(t, BaseModel)]
    return models[0] if models else None


def _choices(annotation: object) -> list[object]:
    """The plain types that a type stands for: without `Annotated`, unions and root models around them."""
    if isinstance(annotation, type) and issubclass(annotation, RootModel):
        return _choices(annotation.model_fields["root"].annotation)
    if get_origin(annotation) is Annotated:
        return _choices(get_args(annotation)[0])
    if get_origin(annotation) in (Union, UnionType):
        return [choice for member in get_args(annotation) for choice in _choices(member)]
    return [annotation]
