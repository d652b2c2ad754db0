"""Turning a frame sheet into a frame: names checked against each other, everything in mm and degrees."""

from __future__ import annotations


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
