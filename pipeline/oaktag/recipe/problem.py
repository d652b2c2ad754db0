"""One clear message for one mistake in a file that somebody wrote."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any, get_args

from pydantic import BaseModel, ValidationError


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
        return "\n".join([head, *(f"  {word:<6} {text}" for word, text in rest if text)])


class InputError(Exception):
    """A file that can't be used, or a recipe that can't be planned; holds one problem per mistake."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


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
    """Turn pydantic's errors into problems, one per key.

    Args:
        error: what pydantic raised.
        model: the model that was validated.
        data: what was validated, as read from the file.
        file: as the user named it.
        prefix: put before every key.
    """
    found: dict[str, Problem] = {}
    for detail in error.errors(include_url=False):
        key = prefix + dotted(detail["loc"], data)
        if key in found:
            continue
        found[key] = _problem(detail, model, file, key)
    return list(found.values())


def _problem(detail: Mapping[str, Any], model: type[BaseModel], file: str, key: str) -> Problem:
    kind = detail["type"]
    last = str(detail["loc"][-1]) if detail["loc"] else ""
    if kind == "extra_forbidden":
        known = _keys_at(model, detail["loc"][:-1])
        return Problem(
            file,
            key,
            "unknown key",
            valid=listed(known),
            todo=meant(last, known, "remove it, or write one of these"),
        )
    if kind == "missing":
        return Problem(file, key, "is missing", todo=f"add {last}")
    context = detail.get("ctx") or {}
    value = detail.get("input")
    return Problem(
        file,
        key,
        str(detail["msg"]),
        found="" if isinstance(value, (dict, BaseModel)) else show(value),
        valid=str(context.get("valid", "")) or _expectation(kind, context),
        todo=str(context.get("todo", "")) or "correct the value",
    )


def show(value: object) -> str:
    """A value as it would stand in TOML, short."""
    if isinstance(value, bool):
        return str(value).lower()
    text = f'"{value}"' if isinstance(value, str) else str(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _expectation(kind: str, context: Mapping[str, Any]) -> str:
    words = {
        "greater_than": "more than {gt}",
        "greater_than_equal": "{ge} or more",
        "less_than": "less than {lt}",
        "less_than_equal": "{le} or less",
        "literal_error": "{expected}",
        "bool_type": "true or false",
        "bool_parsing": "true or false",
        "string_type": "text in quotes",
        "list_type": "a list in square brackets",
        "tuple_type": "a list in square brackets",
        "dict_type": "a table",
        "model_type": "a table",
        "int_type": "a whole number",
        "int_from_float": "a whole number",
    }.get(kind, "")
    return words.format_map(context) if words else ""


def _keys_at(model: type[BaseModel], location: Sequence[str | int]) -> list[str]:
    current: type[BaseModel] | None = model
    for step in location:
        if current is None:
            return []
        if isinstance(step, int):
            continue
        for name, field in current.model_fields.items():
            if step in (name, field.alias):
                current = _model_in(field.annotation)
                break
    if current is None:
        return []
    return [field.alias or name for name, field in current.model_fields.items()]


def _model_in(annotation: object) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for argument in get_args(annotation):
        inner = _model_in(argument)
        if inner is not None:
            return inner
    return None
