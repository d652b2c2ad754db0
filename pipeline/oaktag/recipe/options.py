"""Types for the options of a stage; schema, reference and messages all come from them."""

from __future__ import annotations

from typing import Annotated, Any, Generic, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, RootModel, ValidationInfo, model_validator
from pydantic_core import PydanticCustomError

from oaktag.recipe.quantity import QuantityError, angle_in_degrees, length_in_mm


def kebab(name: str) -> str:
    """A Python name as it stands in TOML."""
    return name.replace("_", "-")


class Options(BaseModel):
    """Base of every stage's options: immutable, no unknown keys, `snake_case` here and `kebab-case` in TOML."""

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        alias_generator=kebab,
        populate_by_name=True,
        use_attribute_docstrings=True,
    )


def refuse_value(reason: str, valid: str = "", todo: str = "") -> PydanticCustomError:
    """An error for a validator to raise; `valid` and `todo` reach the user's message."""
    return PydanticCustomError("refused", "{reason}", {"reason": reason, "valid": valid, "todo": todo})  # type: ignore[arg-type]


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


Length = Annotated[float, BeforeValidator(_length), Field(json_schema_extra={"unit": "mm"})]
"""A length in mm; in a file a number or text with a unit."""

PositiveLength = Annotated[Length, Field(gt=0)]
"""A length above zero."""

NonNegativeLength = Annotated[Length, Field(ge=0)]
"""A length of zero or more."""

Angle = Annotated[float, BeforeValidator(_angle), Field(json_schema_extra={"unit": "degrees"})]
"""An angle in degrees."""

Fraction = Annotated[float, Field(ge=0, le=1, strict=False)]
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
    def uniform(cls, value: T) -> PerName[T]:
        """The same value for every name."""
        return cls.model_validate({"default": value})

    @property
    def names(self) -> tuple[str, ...]:
        """Names that have a value of their own."""
        return tuple(name for name in self.root if name != "default")

    def get(self, name: str, otherwise: T | None = None) -> T | None:
        """The value for a name: its own, else the default, else `otherwise`."""
        return self.root.get(name, self.root.get("default", otherwise))  # type: ignore[arg-type]
