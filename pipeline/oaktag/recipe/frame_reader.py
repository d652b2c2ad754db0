"""Turning a frame sheet into a frame: names checked against each other, everything in mm and degrees."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from pathlib import Path, PurePosixPath
from typing import Any

from pydantic import RootModel, ValidationError

from oaktag.pattern import (
    Attachment,
    BossRow,
    Bow,
    Frame,
    Instrument,
    Obstacle,
    Place,
    Reading,
    ReadingKind,
    Source,
    TubeWidth,
)
from oaktag.recipe.frame_sheet import (
    DEFAULT_CLEARANCES,
    DEFAULT_INSTRUMENTS,
    DIAGONAL_WORD,
    AngleSigma,
    BossTable,
    BowTable,
    FrameSheet,
    InstrumentName,
    LengthSigma,
    ObstacleTable,
    TubeStation,
    TubeWidthEntry,
    WidthNumber,
    WidthStation,
)
from oaktag.recipe.options import place_from
from oaktag.recipe.problem import InputError, Problem, listed, meant, problems_of, show
from oaktag.recipe.quantity import ANGLE_UNITS, LENGTH_UNITS
from oaktag.recipe.toml_file import TomlFile, read_toml

LARGEST_ATTACHMENT = 20_000_000
"""Bytes; a traced outline has a few thousand."""


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
        self.unit = "mm"
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
        self.unit = unit
        sheet = self.validated(FrameSheet, self.instruments_aside(tables), "")
        if sheet is None:
            raise InputError(self.problems)
        self.check_polygon(sheet)
        instruments = self.instruments(tables.get("instruments", {}))
        readings = [
            *self.readings("length", "lengths", sheet.lengths, sheet.tubes, "tube", instruments),
            *self.readings(
                "diagonal", "diagonals", sheet.diagonals, self.diagonals(sheet), "diagonal", instruments
            ),
            *self.readings("angle", "angles", sheet.angles, sheet.corners, "corner", instruments),
        ]
        frame = Frame(
            name=sheet.name,
            corners=sheet.corners,
            tubes=sheet.tubes,
            readings=tuple(readings),
            widths=tuple(self.widths(sheet)),
            size=sheet.size,
            unit=unit,
            instruments=tuple(instruments.values()),
            bows=tuple(self.bows(sheet)),
            obstacles=tuple(self.obstacles(sheet)),
            bosses=tuple(self.bosses(sheet)),
            sources=tuple(self.sources(sheet)),
        )
        if self.problems:
            raise InputError(self.problems)
        return frame

    def problem(self, key: str, reason: str, found: str, valid: str, todo: str) -> None:
        self.problems.append(Problem(self.file.path, key, reason, found, valid, todo))

    def validated(self, model: type[Any], data: object, prefix: str) -> Any:
        try:
            return model.model_validate(data, context={"unit": self.unit})
        except ValidationError as error:
            self.problems += problems_of(error, model=model, data=data, file=self.file.path, prefix=prefix)
            return None

    def value(self, model: type[RootModel[float]], value: object, key: str) -> float | None:
        """One number that stands alone; None and a problem if it won't do."""
        read = self.validated(model, value, key)
        return None if read is None else float(read.root)

    @staticmethod
    def instruments_aside(tables: dict[str, Any]) -> dict[str, Any]:
        # An angle gauge's sigma is in degrees, a tape's in the sheet's unit: `instruments` reads them by use.
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

    def instruments(self, table: object) -> dict[str, Instrument]:
        """Every instrument by name: the defaults, then what the sheet says."""
        result = {instrument.name: instrument for instrument in DEFAULT_INSTRUMENTS}
        if not isinstance(table, dict):
            self.problem("instruments", "is not a table", show(table), "[instruments]", "write a table")
            return result
        for name, value in table.items():
            if self.validated(InstrumentName, name, "instruments") is None:
                continue
            is_angle = name == "angle-gauge" or (
                isinstance(value, str) and value.strip().endswith(ANGLE_UNITS)
            )
            sigma = self.value(AngleSigma if is_angle else LengthSigma, value, f"instruments.{name}")
            if sigma is None:
                # Its readings are in order all the same; one mistake is one problem.
                result.setdefault(name, Instrument(name, 1.0, 1.0))
            else:
                result[name] = Instrument(name, None if is_angle else sigma, sigma if is_angle else None)
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
        instruments: dict[str, Instrument],
    ) -> list[Reading]:
        uncertainty = {n: value for n, i in instruments.items() if (value := i.of(kind)) is not None}
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
                result.append(
                    Reading(kind, name, entry.value, sigma, entry.instrument, place, entry.excluded)
                )
        return result

    def known_tube(self, tube: str, sheet: FrameSheet, key: str) -> bool:
        """Whether there is such a tube; a problem if there isn't."""
        if tube in sheet.tubes:
            return True
        todo = meant(tube, sheet.tubes, "name one of the tubes")
        self.problem(key, "there is no such tube", show(tube), listed(sheet.tubes), todo)
        return False

    @staticmethod
    def ends(tube: str, sheet: FrameSheet) -> tuple[str, str]:
        index = sheet.tubes.index(tube)
        return sheet.corners[index], sheet.corners[(index + 1) % len(sheet.corners)]

    def place(self, tube: str, sheet: FrameSheet, entry: TubeStation, key: str) -> Place | None:
        """Where an entry lies on a tube; None and a problem if its corner isn't an end of it."""
        if entry.at is not None:
            return Place(tube, fraction=entry.at)
        ends = self.ends(tube, sheet)
        if entry.from_ not in ends:
            todo = meant(str(entry.from_), ends, "name an end of the tube")
            self.problem(f"{key}.from", "isn't an end of this tube", show(entry.from_), listed(ends), todo)
            return None
        return place_from(tube, ends, entry.from_, entry.distance or 0.0)

    def widths(self, sheet: FrameSheet) -> Iterator[TubeWidth]:
        for tube, table in sheet.widths.items():
            key = f"widths.{tube}"
            if not self.known_tube(tube, sheet, key):
                continue
            for name, value in table.items():
                yield from self.width(tube, sheet, name, value, f"{key}.{name}")

    def width(self, tube: str, sheet: FrameSheet, name: str, value: object, key: str) -> Iterator[TubeWidth]:
        first, second = self.ends(tube, sheet)
        fractions = {first: 0.0, "middle": 0.5, second: 1.0}
        if name == "stations":
            if not isinstance(value, list):
                self.problem(
                    key, "is not a list", show(value), "a list of tables", "write [{at = 0.5, width = 50}]"
                )
                return
            for index, entry in enumerate(value):
                station = self.validated(WidthStation, entry, f"{key}[{index}]")
                place = None if station is None else self.place(tube, sheet, station, f"{key}[{index}]")
                if place is not None:
                    yield TubeWidth(place, station.outside(), f"{key}[{index}]")
            return
        if name not in fractions:
            known = (*fractions, "stations")
            todo = meant(name, known, "name an end of the tube")
            self.problem(key, "isn't a place on this tube", show(name), listed(known), todo)
            return
        if isinstance(value, dict):
            entry = self.validated(TubeWidthEntry, value, key)
            width = None if entry is None else entry.outside()
        else:
            width = self.value(WidthNumber, value, key)
        if width is not None:
            yield TubeWidth(Place(tube, fraction=fractions[name]), width, key)

    def bows(self, sheet: FrameSheet) -> Iterator[Bow]:
        for tube, table in sheet.bows.items():
            key = f"bows.{tube}"
            if self.known_tube(tube, sheet, key):
                yield Bow(tube, tuple(self.bow_offsets(tube, sheet, table, key)), key)

    def bow_offsets(
        self, tube: str, sheet: FrameSheet, table: BowTable, key: str
    ) -> Iterator[tuple[Place, float]]:
        if table.rise is not None:
            yield Place(tube, fraction=0.5), table.rise
        for index, offset in enumerate(table.offsets or ()):
            place = self.place(tube, sheet, offset, f"{key}.offsets[{index}]")
            if place is not None:
                yield place, offset.rise

    def obstacles(self, sheet: FrameSheet) -> Iterator[Obstacle]:
        names = [entry.name for entry in sheet.obstacles]
        for index, entry in enumerate(sheet.obstacles):
            key = f"obstacles[{index}]"
            if names.index(entry.name) < index:
                reason = "another obstacle has this name"
                self.problem(
                    f"{key}.name", reason, show(entry.name), "a name of its own", "rename one of them"
                )
            elif self.known_tube(entry.tube, sheet, f"{key}.tube"):
                yield from self.obstacle(entry, sheet, key)

    def obstacle(self, entry: ObstacleTable, sheet: FrameSheet, key: str) -> Iterator[Obstacle]:
        place = self.place(entry.tube, sheet, entry, key)
        if place is not None:
            clearance = DEFAULT_CLEARANCES[entry.kind] if entry.clearance is None else entry.clearance
            yield Obstacle(entry.name, place, entry.length, entry.height, clearance, entry.treatment, key)

    def bosses(self, sheet: FrameSheet) -> Iterator[BossRow]:
        names = [entry.title for entry in sheet.bosses]
        for index, entry in enumerate(sheet.bosses):
            key = f"bosses[{index}]"
            if names.index(entry.title) < index:
                reason = "other bosses have this name"
                self.problem(
                    f"{key}.name", reason, show(entry.title), "a name of their own", "give them another name"
                )
            elif self.known_tube(entry.tube, sheet, f"{key}.tube"):
                yield from self.boss_row(entry, sheet, key)

    def boss_row(self, entry: BossTable, sheet: FrameSheet, key: str) -> Iterator[BossRow]:
        place = self.place(entry.tube, sheet, entry, key)
        if place is not None:
            yield BossRow(entry.title, place, entry.count, entry.pitch, entry.thread, key)

    def sources(self, sheet: FrameSheet) -> Iterator[Source]:
        for name, table in sheet.sources.items():
            key = f"sources.{name}"
            try:
                text = json.dumps(table, sort_keys=True, ensure_ascii=False, allow_nan=False)
            except (TypeError, ValueError):
                reason = "holds a date, a time or a number that isn't finite"
                self.problem(
                    key, reason, "such a value", "text, finite numbers, lists, tables", "write it as text"
                )
                continue
            files = (self.attachment(value, place) for place, value in files_in(table, key))
            yield Source(name, text, tuple(file for file in files if file is not None))

    def attachment(self, name: object, key: str) -> Attachment | None:
        """The bytes of a file beside the sheet; None and a problem if it can't be had."""
        valid = "the name of a file beside this sheet, or in a folder below it, with /"
        if not isinstance(name, str) or not name or not name.isprintable():
            self.problem(key, "names no file", show(name), valid, "write the file's name in quotes")
            return None
        relative = PurePosixPath(name)
        if relative.is_absolute() or ".." in relative.parts or "\\" in name or ":" in name:
            self.problem(
                key, "leads away from this sheet", show(name), valid, "put the file beside the sheet"
            )
            return None
        path = Path(self.file.path).parent.joinpath(*relative.parts)
        try:
            if path.stat().st_size > LARGEST_ATTACHMENT:
                valid = f"at most {LARGEST_ATTACHMENT // 1_000_000} MB"
                self.problem(key, "is too large", show(name), valid, "make it smaller")
                return None
            data = path.read_bytes()
        except OSError as error:
            reason = f"can't be read: {error.strerror or error}"
            self.problem(key, reason, show(name), valid, "check the name")
            return None
        return Attachment(name, data, hashlib.sha256(data).hexdigest())


def files_in(table: object, key: str) -> Iterator[tuple[str, object]]:
    """Every value of a key `file` in a table, however deep, with its own key."""
    if isinstance(table, dict):
        for name, value in table.items():
            if name == "file":
                yield f"{key}.file", value
            else:
                yield from files_in(value, f"{key}.{name}")
    elif isinstance(table, list):
        for index, value in enumerate(table):
            yield from files_in(value, f"{key}[{index}]")
