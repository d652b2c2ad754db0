"""The frame sheet: one bicycle's readings, `*.frame.toml`."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, RootModel, model_validator

from oaktag.pattern import Instrument, Treatment
from oaktag.recipe.options import (
    Angle,
    Fraction,
    Length,
    NonNegativeLength,
    Options,
    PositiveLength,
    check_place,
    refuse_value,
)
from oaktag.recipe.problem import listed, show

if TYPE_CHECKING:
    from pydantic import GetJsonSchemaHandler
    from pydantic_core import CoreSchema

SUFFIX = ".frame.toml"
TRIANGLE_CORNERS = ("seat", "head", "bottom-bracket")
TRIANGLE_TUBES = ("top-tube", "down-tube", "seat-tube")
DIAGONAL_WORD = " to "


# Common practice, no source: a tape read at its end hook in a workshop, a caliper on a painted tube, a
# digital gauge laid on a tube. Each is a default that the sheet may replace.
DEFAULT_INSTRUMENTS = (
    Instrument("tape", 1.0, None),
    Instrument("caliper", 0.2, None),
    Instrument("angle-gauge", None, 0.3),
)

# Left around an obstacle of a kind, mm (common practice, no source): what moves or must be reached gets more.
DEFAULT_CLEARANCES = {"boss": 3.0, "cable-stop": 6.0, "guide": 6.0, "pump": 5.0, "shock": 12.0, "other": 5.0}


# Words that stand beside the names of corners and tubes in some table.
RESERVED = ("default", "middle", "stations")
# `piece.edge`, `corner:head` and "head to seat" are made of names.
SEPARATORS = (".", ":", DIAGONAL_WORD)


def _name(value: str) -> str:
    if value in RESERVED:
        raise refuse_value(
            "has a meaning of its own", f"any name but {listed(RESERVED)}", "call it otherwise"
        )
    apart = next((sign for sign in SEPARATORS if sign in value), None)
    if apart is not None:
        raise refuse_value(
            f"has {show(apart)} in it, which keeps names apart",
            f"text without {' '.join(map(show, SEPARATORS))}",
            "write a hyphen instead",
        )
    return value


def _text(value: str) -> str:
    if not value or value != value.strip() or not value.isprintable():
        raise refuse_value(
            "is no line of text", "text on one line, without spaces at its ends", "write it on one line"
        )
    return value


def _text_or_none(value: str) -> str:
    return _text(value) if value else value


LONGEST_TEXT = 120
LONGEST_NAME = 60
"""Characters: a name stands in tables and on pieces, where a longer one can't be read."""

Text = Annotated[str, Field(max_length=LONGEST_TEXT), AfterValidator(_text)]
"""A line of text that can be printed."""

Name = Annotated[str, Field(max_length=LONGEST_NAME), AfterValidator(_text), AfterValidator(_name)]
"""Name of a corner or a tube."""


Reason = Annotated[str, Field(max_length=200), AfterValidator(_text_or_none)]
"""A line of text, or none."""


def _as_reading(value: Any) -> Any:
    return value if isinstance(value, dict) else {"value": value}


def _as_list(value: Any) -> Any:
    return value if isinstance(value, list) else [value]


class LengthEntry(Options):
    """One reading of a length: a number, or a table with its own instrument."""

    value: PositiveLength
    """What was read, corner to corner along the inside of the tube."""
    instrument: str = "tape"
    """Name of the instrument, as in [instruments]."""
    excluded: Reason = ""
    """Why this reading is left out; it stays on record."""


InteriorAngle = Annotated[Angle, Field(gt=0, lt=360)]
"""An angle inside the opening; more than 180° at a corner that points inwards."""


class AngleEntry(Options):
    """One reading of an interior angle: a number, or a table with its own instrument."""

    value: InteriorAngle
    """What was read, inside the opening."""
    instrument: str = "angle-gauge"
    """Name of the instrument, as in [instruments]."""
    excluded: Reason = ""
    """Why this reading is left out; it stays on record."""


@dataclass(frozen=True, slots=True)
class _OrValue:
    """Tells the JSON schema that a bare value may stand for the table."""

    value: type[RootModel[float]]

    def __get_pydantic_json_schema__(
        self, core_schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        return {"anyOf": [handler(self.value.__pydantic_core_schema__), handler(core_schema)]}


@dataclass(frozen=True, slots=True)
class _OrOne:
    """Tells the JSON schema that one entry may stand for the list."""

    def __get_pydantic_json_schema__(
        self, core_schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        readings = handler(core_schema)
        return {"anyOf": [readings["items"], readings]}


LengthReadings = Annotated[
    list[Annotated[LengthEntry, BeforeValidator(_as_reading), _OrValue(RootModel[PositiveLength])]],
    Field(min_length=1),
    BeforeValidator(_as_list),
    _OrOne(),
]
AngleReadings = Annotated[
    list[Annotated[AngleEntry, BeforeValidator(_as_reading), _OrValue(RootModel[InteriorAngle])]],
    Field(min_length=1),
    BeforeValidator(_as_list),
    _OrOne(),
]


class TubeStation(Options):
    """A place along one tube."""

    at: Fraction | None = None
    """Place as a share of the tube's length from its first corner."""
    distance: Length | None = None
    """Place as a distance from the corner named by `from`."""
    from_: str | None = Field(default=None, alias="from")
    """The corner that `distance` is counted from."""

    @model_validator(mode="after")
    def _one_place(self) -> Self:
        check_place(self.at, self.distance, self.from_)
        return self


class TubeWidthEntry(Options):
    """A tube's outside width, or what is measured round a round tube."""

    width: PositiveLength | None = None
    """Outside width of the tube, square to the frame's plane, whatever its shape."""
    circumference: PositiveLength | None = None
    """Round a tube with a round section: a tape does where no caliper reaches."""

    @model_validator(mode="after")
    def _one_measure(self) -> Self:
        if (self.width is None) == (self.circumference is None):
            raise refuse_value("needs one measure", "either `width`, or `circumference`", "give one of them")
        return self

    def outside(self) -> float:
        """Outside width in mm."""
        return self.width if self.width is not None else (self.circumference or 0.0) / math.pi


class WidthStation(TubeStation, TubeWidthEntry):
    """A tube's outside width somewhere along it."""


class BowOffset(TubeStation):
    """How far a tube stands off the straight line between its corners, at one place along that line."""

    rise: Length
    """Off the straight line; positive is away from the opening."""


class BowTable(Options):
    """How a tube bends: one rise at its middle, or offsets along it."""

    rise: Length | None = None
    """Off the straight line at the middle; positive is away from the opening. Makes an arc."""
    offsets: Annotated[tuple[BowOffset, ...], Field(min_length=1)] | None = None
    """Several places along the straight line. Makes a smooth curve through them."""

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if (self.rise is None) == (self.offsets is None):
            raise refuse_value("needs one bend", "either `rise`, or `offsets`", "give one of them")
        return self


class ObstacleTable(TubeStation):
    """Something on a tube that the bag has to leave room for."""

    name: Text
    """What you call it."""
    kind: Literal["boss", "cable-stop", "guide", "pump", "shock", "other"] = "other"
    """What it is; sets the clearance if none is given."""
    tube: str
    """The tube that it stands on."""
    length: PositiveLength
    """Its length along the tube."""
    height: PositiveLength
    """How far it stands out into the opening."""
    clearance: NonNegativeLength | None = None
    """Left around it; by kind if it isn't given: 3 mm at a boss, 6 at cables, 12 at a shock."""
    treatment: Treatment = "notch"
    """`notch` cuts it out of the outline; `hole` marks it on the gusset, where it goes through."""


BOSS_PITCH = 64.0
"""From one bottle boss to the next, mm (visualfoodie, "Bottle cage"; the thread is M5 x 0.8 in Wikipedia's
"Bottle cage")."""


class BossTable(TubeStation):
    """Threaded bosses in a row along a tube; the place is the middle of the row."""

    name: Reason = ""
    """What you call them; `bosses on` and the tube's name if you don't say."""
    tube: str
    """The tube that they are in."""
    count: Annotated[int, Field(ge=1, le=6)] = 2
    """How many there are."""
    pitch: PositiveLength = BOSS_PITCH
    """From the middle of one to the middle of the next; 64 mm is usual."""
    thread: Literal["M4", "M5", "M6"] = "M5"
    """Of the bolts; M5 is usual."""

    @property
    def title(self) -> str:
        """What they are called."""
        return self.name or f"bosses on {self.tube}"


@dataclass(frozen=True, slots=True)
class _WidthTable:
    """Tells the JSON schema what stands in a tube's table of widths."""

    def __get_pydantic_json_schema__(
        self, core_schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        stations = {"type": "array", "items": handler(WidthStation.__pydantic_core_schema__)}
        width = handler(WidthNumber.__pydantic_core_schema__)
        table = handler(TubeWidthEntry.__pydantic_core_schema__)
        either = {"anyOf": [width, table]}
        return {"type": "object", "properties": {"stations": stations}, "additionalProperties": either}


class FrameSheet(Options):
    """A whole frame sheet."""

    format: int = 1
    """Version of the file format."""
    name: Annotated[str, Field(min_length=1, max_length=80), AfterValidator(_text)]
    """What you call this bicycle."""
    size: Annotated[str, Field(max_length=20), AfterValidator(_text_or_none)] = ""
    """The frame size as sold."""
    unit: Literal["mm", "cm", "in"] = "mm"
    """Unit of every length that names none of its own."""
    corners: tuple[Name, ...] = TRIANGLE_CORNERS
    """Corners of the opening, clockwise as seen from the drive side."""
    tubes: tuple[Name, ...] = TRIANGLE_TUBES
    """The tube after each corner."""
    instruments: dict[str, Length] = Field(default_factory=dict)
    """Standard uncertainty of each instrument, one sigma: a length, or degrees for the angle gauge."""
    lengths: dict[str, LengthReadings] = Field(default_factory=dict)
    """Inside lengths by tube, corner to corner; a list is repeated readings."""
    diagonals: dict[str, LengthReadings] = Field(default_factory=dict)
    """Lengths between corners that no tube joins, as "corner to corner"."""
    angles: dict[str, AngleReadings] = Field(default_factory=dict)
    """Interior angles by corner, degrees."""
    widths: dict[str, Annotated[dict[str, Any], _WidthTable()]] = Field(default_factory=dict)
    """Outside widths by tube: at its corners, at its `middle`, or at `stations`."""
    bows: dict[str, BowTable] = Field(default_factory=dict)
    """Tubes that aren't straight, by tube."""
    obstacles: tuple[ObstacleTable, ...] = ()
    """What the bag has to leave room for."""
    bosses: tuple[BossTable, ...] = ()
    """Rows of threaded bosses that the bag can be bolted to."""
    sources: dict[str, dict[str, Any]] = Field(default_factory=dict)
    """Data for stages that make the opening in another way than from readings, by name."""


def _of_an_instrument(value: float) -> float:
    if not 0 < value <= WORST_SIGMA:
        raise refuse_value(
            "can't be an instrument's standard uncertainty",
            f"more than 0, at most {WORST_SIGMA:g} mm",
            'write how far off a careful reading is, with its unit: "1 mm"',
        )
    return value


WORST_SIGMA = 10.0
"""An instrument worse than this, in mm, is most likely a number of mm on a sheet in inches."""

InstrumentName = RootModel[Annotated[str, Field(max_length=LONGEST_NAME), AfterValidator(_text)]]
WidthNumber = RootModel[PositiveLength]
LengthSigma = RootModel[Annotated[Length, AfterValidator(_of_an_instrument)]]
AngleSigma = RootModel[Annotated[Angle, Field(gt=0, le=10)]]
