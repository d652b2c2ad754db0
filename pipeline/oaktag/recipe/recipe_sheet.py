"""The recipe as it is written, `*.recipe.toml`: its envelope; the options of stages have their own models."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field
from pydantic.config import JsonDict

from oaktag.recipe.options import Options, refuse_value

WITH_BASE = ("drop", "before", "after")
"""Keys of a stage that only a recipe with a base has."""


def _true(value: object) -> object:
    if value is not True:
        raise refuse_value("can only be true", "true", "write drop = true, or remove the line")
    return value


def _printable(value: str) -> str:
    if not value.isprintable():
        raise refuse_value(
            "has control characters or a line break in it", "text that can be printed", "write it on one line"
        )
    return value


LONGEST_ID = 60
LONGEST_VERSION = 30
LONGEST_DESCRIPTION = 500


class StageEntry(BaseModel):
    """One `[[stage]]`: which stage, under what id; every other key is an option of that stage.

    In a recipe with a base it changes, replaces, drops or inserts one of the base's stages.
    """

    model_config = ConfigDict(extra="allow", frozen=True, use_attribute_docstrings=True)

    use: Annotated[str, Field(min_length=1)] | None = None
    """Name of the stage."""
    id: Annotated[str, Field(max_length=LONGEST_ID), AfterValidator(_printable)] = ""
    """Unique in the recipe; the stage's name if it isn't given."""
    drop: Annotated[Literal[True], BeforeValidator(_true)] | None = None
    """Leaves out the base's stage of this id."""
    before: Annotated[str, Field(min_length=1)] | None = None
    """Inserts the stage before the one of that id."""
    after: Annotated[str, Field(min_length=1)] | None = None
    """Inserts the stage after the one of that id."""

    @property
    def options(self) -> dict[str, Any]:
        """The stage's own keys, as written."""
        return dict(self.model_extra or {})

    @property
    def written(self) -> list[str]:
        """Every key that is written."""
        return [name for name in type(self).model_fields if name in self.model_fields_set] + [*self.options]


def _stages(value: object) -> object:
    if isinstance(value, dict):
        raise refuse_value(
            "is one table", "a [[stage]] for every stage", "write it with two brackets: [[stage]]"
        )
    return value


_WITHOUT_BASE: JsonDict = {
    "required": ["stage"],
    "properties": {
        "stage": {"items": {"required": ["use"], "properties": dict.fromkeys(WITH_BASE, False)}},
    },
}


class RecipeSheet(Options):
    """The envelope of a recipe; each stage's options are validated by that stage's own model."""

    # What holds only without a base is told to editors here, and to people by `inheritance.own_entries`.
    model_config = ConfigDict(json_schema_extra={"if": {"required": ["base"]}, "else": _WITHOUT_BASE})

    format: int = 1
    """Version of the file format."""
    name: Annotated[str, Field(pattern=r"^[a-z0-9]+(?:[-.][a-z0-9]+)*$", max_length=60)]
    """Name of the recipe: lower-case letters and digits, with hyphens or dots between them."""
    version: Annotated[str, Field(pattern=r"^[0-9]+(?:\.[0-9]+){0,2}$", max_length=LONGEST_VERSION)]
    """Revision of the recipe, such as 1.2.0; printed on every piece."""
    description: Annotated[str, Field(max_length=LONGEST_DESCRIPTION), AfterValidator(_printable)] = ""
    """What it makes; the base's if it isn't given."""
    base: Annotated[str, Field(min_length=1)] | None = None
    """The recipe that this one is built on: its path from the folder of this one, with /."""
    parameters: dict[str, Any] = Field(default_factory=dict)
    """Values that options may name as "{parameter}"; a catalog or the command line may override them."""
    stage: Annotated[tuple[StageEntry, ...], BeforeValidator(_stages)] = Field(
        default_factory=tuple, min_length=1
    )
    """The stages, in order."""
