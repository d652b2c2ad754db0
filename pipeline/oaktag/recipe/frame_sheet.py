"""The frame sheet: one bicycle's readings, `*.frame.toml`."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, NamedTuple

from pydantic import AfterValidator, BeforeValidator, Field, RootModel, ValidationError, model_validator

from oaktag.pattern import Frame, Place, Reading, ReadingKind, TubeWidth
from oaktag.recipe.options import (
    Angle,
    Fraction,
    Length,
    Options,
    PositiveLength,
    check_place,
    place_from,
    refuse_value,
)
from oaktag.recipe.problem import InputError, Problem, listed, meant, problems_of, show
from oaktag.recipe.quantity import ANGLE_UNITS, LENGTH_UNITS
from oaktag.recipe.toml_file import TomlFile, read_toml

if TYPE_CHECKING:
    from pydantic import GetJsonSchemaHandler
    from pydantic_core import CoreSchema

SUFFIX = ".frame.toml"
TRIANGLE_CORNERS = ("seat", "head", "bottom-bracket")
TRIANGLE_TUBES = ("top-tube", "down-tube", "seat-tube")
DIAGONAL_WORD = " to "


class Sigma(NamedTuple):
    """An instrument's standard uncertainty: mm if it measures lengths, degrees if it measures angles."""

    mm: float | None
    degrees: float | None

    def of(self, kind: ReadingKind) -> float | None:
        """The uncertainty of a reading of that kind; None if the instrument doesn't measure it."""
        return self.degrees if kind == "angle" else self.mm


# Common practice, no source: a tape read at its end hook in a workshop, a caliper on a painted tube, a
# digital gauge laid on a tube. Each is a default that the sheet may replace.
DEFAULT_SIGMAS = {"tape": Sigma(1.0, None), "caliper": Sigma(0.2, None), "angle-gauge": Sigma(None, 0.3)}


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


def _size(value: str) -> str:
    return _text(value) if value else value


Text = Annotated[str, AfterValidator(_text)]
"""A line of text that can be printed."""

Name = Annotated[Text, AfterValidator(_name)]
"""Name of a corner or a tube."""


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


InteriorAngle = Annotated[Angle, Field(gt=0, lt=360)]
"""An angle inside the opening; more than 180° at a corner that points inwards."""


class AngleEntry(Options):
    """One reading of an interior angle: a number, or a table with its own instrument."""

    value: InteriorAngle
    """What was read, inside the opening."""
    instrument: str = "angle-gauge"
    """Name of the instrument, as in [instruments]."""


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


class WidthStation(Options):
    """A tube's outside width somewhere along it."""

    width: PositiveLength
    """Outside width of the tube, square to the frame's plane."""
    at: Fraction | None = None
    """Place as a share of the tube's length from its first corner."""
    distance: Length | None = None
    """Place as a distance from the corner named by `from`."""
    from_: str | None = Field(default=None, alias="from")
    """The corner that `distance` is counted from."""

    @model_validator(mode="after")
    def _one_place(self) -> WidthStation:
        check_place(self.at, self.distance, self.from_)
        return self


@dataclass(frozen=True, slots=True)
class _WidthTable:
    """Tells the JSON schema what stands in a tube's table of widths."""

    def __get_pydantic_json_schema__(
        self, core_schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        stations = {"type": "array", "items": handler(WidthStation.__pydantic_core_schema__)}
        width = handler(_Width.__pydantic_core_schema__)
        return {"type": "object", "properties": {"stations": stations}, "additionalProperties": width}


class FrameSheet(Options):
    """A whole frame sheet."""

    format: int = 1
    """Version of the file format."""
    name: Annotated[str, Field(min_length=1, max_length=80), AfterValidator(_text)]
    """What you call this bicycle."""
    size: Annotated[str, Field(max_length=20), AfterValidator(_size)] = ""
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


def load_frame(path: Path) -> tuple[Frame, TomlFile]:
    """Read a frame sheet.

    Raises:
        InputError: one problem for each mistake in it.
    """
    file = read_toml(path, "frame sheet")
    return frame_of(file), file


def frame_of(file: TomlFile) -> Frame:
    """The frame that a sheet describes, in mm and degrees.

    Raises:
        InputError: one problem for each mistake in it.
    """
    return _Reader(file).frame()


class _Reader:
    """Turns one sheet into values and collects what is wrong with it."""

    def __init__(self, file: TomlFile) -> None:
        self.file = file
        self.problems: list[Problem] = []

    def frame(self) -> Frame:
        tables = self.file.tables
        unit = tables.get("unit", "mm")
        if unit not in LENGTH_UNITS:
            # First of all: every other length would be misread.
            self.problem(
                "unit", "there is no such unit", show(unit), listed(LENGTH_UNITS), "write one of these"
            )
            raise InputError(self.problems)
        sheet = self.validated(FrameSheet, self.instruments_aside(tables), "", unit)
        if sheet is None:
            raise InputError(self.problems)
        self.check_polygon(sheet)
        sigmas = self.sigmas(tables.get("instruments", {}), unit)
        readings = [
            *self.readings("length", "lengths", sheet.lengths, sheet.tubes, "tube", sigmas),
            *self.readings(
                "diagonal", "diagonals", sheet.diagonals, self.diagonals(sheet), "diagonal", sigmas
            ),
            *self.readings("angle", "angles", sheet.angles, sheet.corners, "corner", sigmas),
        ]
        widths = self.widths(sheet, unit)
        if self.problems:
            raise InputError(self.problems)
        return Frame(sheet.name, sheet.corners, sheet.tubes, tuple(readings), tuple(widths), sheet.size)

    def problem(self, key: str, reason: str, found: str, valid: str, todo: str) -> None:
        self.problems.append(Problem(self.file.path, key, reason, found, valid, todo))

    def validated(self, model: type[Any], data: object, prefix: str, unit: str) -> Any:
        try:
            return model.model_validate(data, context={"unit": unit})
        except ValidationError as error:
            self.problems += problems_of(error, model=model, data=data, file=self.file.path, prefix=prefix)
            return None

    def value(self, model: type[RootModel[float]], value: object, key: str, unit: str) -> float | None:
        """One number that stands alone; None and a problem if it won't do."""
        read = self.validated(model, value, key, unit)
        return None if read is None else float(read.root)

    @staticmethod
    def instruments_aside(tables: dict[str, Any]) -> dict[str, Any]:
        # An angle gauge's sigma is in degrees, a tape's in the sheet's unit: `sigmas` reads them by use.
        return {key: value for key, value in tables.items() if key != "instruments"}

    def check_polygon(self, sheet: FrameSheet) -> None:
        for key, names in (("corners", sheet.corners), ("tubes", sheet.tubes)):
            twice = sorted({name for name in names if names.count(name) > 1})
            if twice:
                self.problem(
                    key, "a name stands twice", listed(twice), "different names", "rename one of them"
                )
        if len(sheet.corners) < 3:
            self.problem(
                "corners",
                "an opening has three corners or more",
                listed(sheet.corners),
                "three names or more",
                "name every corner, clockwise as seen from the drive side",
            )
        elif len(sheet.tubes) != len(sheet.corners):
            self.problem(
                "tubes",
                "every corner has one tube after it",
                f"{len(sheet.tubes)} tubes, {len(sheet.corners)} corners",
                "as many tubes as corners",
                "name the tube after each corner, clockwise as seen from the drive side",
            )
        if self.problems:
            raise InputError(self.problems)

    def sigmas(self, instruments: object, unit: str) -> dict[str, Sigma]:
        """Every instrument's uncertainty: the defaults, then what the sheet says."""
        result = dict(DEFAULT_SIGMAS)
        if not isinstance(instruments, dict):
            self.problem("instruments", "is not a table", show(instruments), "[instruments]", "write a table")
            return result
        for name, value in instruments.items():
            is_angle = name == "angle-gauge" or (
                isinstance(value, str) and value.strip().endswith(ANGLE_UNITS)
            )
            sigma = self.value(_AngleSigma if is_angle else _LengthSigma, value, f"instruments.{name}", unit)
            if sigma is None:
                # Its readings are in order all the same; one mistake is one problem.
                result.setdefault(name, Sigma(1.0, 1.0))
            else:
                result[name] = Sigma(None, sigma) if is_angle else Sigma(sigma, None)
        return result

    def diagonals(self, sheet: FrameSheet) -> tuple[str, ...]:
        count = len(sheet.corners)
        return tuple(
            f"{first}{DIAGONAL_WORD}{second}"
            for i, first in enumerate(sheet.corners)
            for j, second in enumerate(sheet.corners)
            if (i - j) % count not in (0, 1, count - 1)
        )

    def readings(
        self,
        kind: ReadingKind,
        table: str,
        entries: dict[str, Any],
        known: tuple[str, ...],
        what: str,
        sigmas: dict[str, Sigma],
    ) -> list[Reading]:
        uncertainty = {n: value for n, s in sigmas.items() if (value := s.of(kind)) is not None}
        result: list[Reading] = []
        for name, group in entries.items():
            key = f"{table}.{name}"
            if name not in known:
                valid = (
                    listed(known) if known else "none: every two corners of a triangle are joined by a tube"
                )
                todo = meant(name, known, f"name one of these, or declare the {what} in corners and tubes")
                self.problem(key, f"there is no such {what}", show(name), valid, todo)
                continue
            for index, entry in enumerate(group):
                place = key if len(group) == 1 else f"{key}[{index}]"
                sigma = uncertainty.get(entry.instrument)
                if sigma is None:
                    use = "angles" if kind == "angle" else "lengths"
                    fit = tuple(uncertainty)
                    reason = f"no instrument of that name measures {use}"
                    todo = meant(
                        entry.instrument, fit, "add it to [instruments] with its standard uncertainty"
                    )
                    self.problem(f"{place}.instrument", reason, show(entry.instrument), listed(fit), todo)
                    continue
                result.append(Reading(kind, name, entry.value, sigma, entry.instrument, place))
        return result

    def widths(self, sheet: FrameSheet, unit: str) -> list[TubeWidth]:
        result: list[TubeWidth] = []
        for tube, table in sheet.widths.items():
            key = f"widths.{tube}"
            if tube not in sheet.tubes:
                todo = meant(tube, sheet.tubes, "name one of the tubes")
                self.problem(key, "there is no such tube", show(tube), listed(sheet.tubes), todo)
                continue
            index = sheet.tubes.index(tube)
            ends = (sheet.corners[index], sheet.corners[(index + 1) % len(sheet.corners)])
            for name, value in table.items():
                result += self.width(tube, ends, name, value, f"{key}.{name}", unit)
        return result

    def width(
        self, tube: str, ends: tuple[str, str], name: str, value: object, key: str, unit: str
    ) -> list[TubeWidth]:
        fractions = {ends[0]: 0.0, "middle": 0.5, ends[1]: 1.0}
        if name == "stations":
            if not isinstance(value, list):
                self.problem(
                    key, "is not a list", show(value), "a list of tables", "write [{at = 0.5, width = 50}]"
                )
                return []
            return [
                w
                for i, entry in enumerate(value)
                for w in self.station(tube, ends, entry, f"{key}[{i}]", unit)
            ]
        if name not in fractions:
            known = (*fractions, "stations")
            todo = meant(name, known, "name an end of the tube")
            self.problem(key, "isn't a place on this tube", show(name), listed(known), todo)
            return []
        width = self.value(_Width, value, key, unit)
        return [] if width is None else [TubeWidth(Place(tube, fraction=fractions[name]), width, key)]

    def station(
        self, tube: str, ends: tuple[str, str], entry: object, key: str, unit: str
    ) -> list[TubeWidth]:
        read = self.validated(WidthStation, entry, key, unit)
        if read is None:
            return []
        if read.at is not None:
            return [TubeWidth(Place(tube, fraction=read.at), read.width, key)]
        if read.from_ not in ends:
            todo = meant(read.from_, ends, "name an end of the tube")
            self.problem(f"{key}.from", "isn't an end of this tube", show(read.from_), listed(ends), todo)
            return []
        place = place_from(tube, ends, read.from_, read.distance)
        return [TubeWidth(place, read.width, key)]


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

_Width = RootModel[PositiveLength]
_LengthSigma = RootModel[Annotated[Length, AfterValidator(_of_an_instrument)]]
_AngleSigma = RootModel[Annotated[Angle, Field(gt=0, le=10)]]
