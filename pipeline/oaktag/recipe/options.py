"""Types for the options of a stage; schema, reference and messages all come from them."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING, Annotated, Any, Generic, TypeVar

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    JsonValue,
    RootModel,
    ValidationInfo,
    model_validator,
)
from pydantic_core import PydanticCustomError

from oaktag.pattern import Frame, Place, Refusal
from oaktag.recipe.problem import listed, meant, show
from oaktag.recipe.quantity import QuantityError, angle_in_degrees, length_in_mm

if TYPE_CHECKING:
    from pydantic import GetJsonSchemaHandler
    from pydantic_core import CoreSchema


def kebab(name: str) -> str:
    """A Python name as it stands in TOML; the underscore that sets it apart from Python's own words goes."""
    return name.removesuffix("_").replace("_", "-")


class Options(BaseModel):
    """Base of every stage's options: immutable, no unknown keys, `snake_case` here, `kebab-case` in TOML."""

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        alias_generator=kebab,
        populate_by_name=True,
        use_attribute_docstrings=True,
    )


def refuse_value(reason: str, valid: str = "", todo: str = "") -> PydanticCustomError:
    """An error for a validator to raise; `valid` and `todo` reach the user's message."""
    return PydanticCustomError("refused", "{reason}", {"reason": reason, "valid": valid, "todo": todo})


def _length(value: object, info: ValidationInfo) -> float:
    unit = info.context.get("unit", "mm") if isinstance(info.context, dict) else "mm"
    try:
        return length_in_mm(value, unit)
    except QuantityError as error:
        raise refuse_value(str(error), error.valid) from None


def _angle(value: object) -> float:
    try:
        return angle_in_degrees(value)
    except QuantityError as error:
        raise refuse_value(str(error), error.valid) from None


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise refuse_value("is not a number", "a number")
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise refuse_value("is not a finite number", "a finite number")
    return number


Number = Annotated[float, BeforeValidator(_number)]
"""A number without a unit: neither text nor true or false, which pydantic alone would take."""

OR_TEXT: list[JsonValue] = ["number", "string"]
"""The JSON schema's types of a quantity: it may stand as text too, which pydantic can't know."""

Length = Annotated[float, BeforeValidator(_length), Field(json_schema_extra={"type": OR_TEXT, "unit": "mm"})]
"""A length in mm; in a file a number or text with a unit."""

PositiveLength = Annotated[Length, Field(gt=0)]
"""A length above zero."""

NonNegativeLength = Annotated[Length, Field(ge=0)]
"""A length of zero or more."""

Angle = Annotated[
    float, BeforeValidator(_angle), Field(json_schema_extra={"type": OR_TEXT, "unit": "degrees"})
]
"""An angle in degrees."""

Fraction = Annotated[Number, Field(ge=0, le=1)]
"""A share from 0 to 1."""

T = TypeVar("T")


class PerName(RootModel[dict[str, T]], Generic[T]):
    """One value for all, or a table of values by name (of a tube, corner, edge or piece).

    In TOML either `radius = 20` or `radius = { default = 20, head = 25 }`.
    """

    model_config = ConfigDict(frozen=True)

    @model_validator(mode="before")
    @classmethod
    def _one_for_all(cls, value: Any) -> Any:
        return value if isinstance(value, dict) else {"default": value}

    @classmethod
    def __get_pydantic_json_schema__(
        cls, core_schema: CoreSchema, handler: GetJsonSchemaHandler, /
    ) -> dict[str, Any]:
        schema = handler(core_schema)
        table = handler.resolve_ref_schema(schema)
        by_name = {"type": "object", "additionalProperties": table.pop("additionalProperties")}
        table.clear()
        table["anyOf"] = [by_name["additionalProperties"], by_name]
        return schema

    @classmethod
    def uniform(cls, value: T) -> PerName[T]:
        """The same value for every name."""
        return cls.model_validate({"default": value})

    @property
    def names(self) -> tuple[str, ...]:
        """Names that have a value of their own."""
        return tuple(name for name in self.root if name != "default")

    def get(self, name: str) -> T:
        """The value for a name: its own, else the default; KeyError if there is neither."""
        return self.root[name] if name in self.root else self.root["default"]

    def require(self, known: Iterable[str], key: str, what: str) -> PerName[T]:
        """Refuse names that don't exist, and a table that leaves a name without a value.

        Args:
            known: every name that may stand in the table.
            key: of the option, for the message.
            what: what the names are, for the message: `tube`, `corner`.

        Raises:
            Refusal: a name is unknown, or has neither a value of its own nor a default.
        """
        names = tuple(known)
        for name in self.names:
            if name not in names:
                raise Refusal(
                    f"there is no {what} of this name",
                    key=f"{key}.{name}",
                    source="recipe",
                    found=show(name),
                    valid=listed([*names, "default"]),
                    todo=meant(name, names, f"name a {what}, or remove it"),
                )
        missing = [name for name in names if name not in self.root]
        if missing and "default" not in self.root:
            raise Refusal(
                f"no value for {what} {missing[0]!r}",
                key=key,
                source="recipe",
                found=f"values for {listed(self.names)}",
                valid=listed([*names, "default"]),
                todo=f"add {missing[0]}, or a default",
            )
        return self


class TubePlace(Options):
    """A place along a tube: a share of its length, or a distance from one of its ends."""

    tube: str = Field(min_length=1)
    """Name of the tube."""
    at: Fraction | None = None
    """Place as a share of the tube's length from its first corner."""
    distance: Length | None = None
    """Place as a distance from the corner named by `from`."""
    from_: str | None = Field(default=None, alias="from")
    """The corner that `distance` is counted from."""

    @model_validator(mode="after")
    def _one_place(self) -> TubePlace:
        check_place(self.at, self.distance, self.from_)
        return self

    def place(self, frame: Frame, key: str) -> Place:
        """The place on that frame's tube.

        Args:
            frame: has the tubes.
            key: of the option, for the message.

        Raises:
            Refusal: there is no such tube, or the corner isn't an end of it.
        """
        if self.tube not in frame.tubes:
            raise Refusal(
                "there is no such tube",
                key=f"{key}.tube",
                source="recipe",
                found=show(self.tube),
                valid=listed(frame.tubes),
                todo=meant(self.tube, frame.tubes, "name one of the tubes"),
            )
        if self.at is not None:
            return Place(self.tube, fraction=self.at)
        ends = frame.ends(self.tube)
        if self.from_ not in ends:
            raise Refusal(
                "isn't an end of this tube",
                key=f"{key}.from",
                source="recipe",
                found=show(self.from_),
                valid=listed(ends),
                todo=meant(str(self.from_), ends, "name an end of the tube"),
            )
        return place_from(self.tube, ends, self.from_, self.distance or 0.0)


def check_place(at: float | None, distance: float | None, from_: str | None) -> None:
    """Refuse a place that is given in no way, in two, or by half."""
    if at is not None and (distance is not None or from_ is not None):
        raise refuse_value(
            "gives its place twice", "either `at`, or `distance` with `from`", "keep one of them"
        )
    if at is None and distance is None and from_ is None:
        raise refuse_value("has no place", "either `at`, or `distance` with `from`", "give one of them")
    if (distance is None) != (from_ is None):
        raise refuse_value("`distance` and `from` go together", "a distance and a corner's name", "give both")


def place_from(tube: str, ends: tuple[str, str], corner: str, distance: float) -> Place:
    """The place at a distance in mm from one of a tube's ends, which is named by its corner."""
    return Place(tube, 0.0, distance) if corner == ends[0] else Place(tube, 1.0, -distance)
