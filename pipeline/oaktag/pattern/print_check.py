"""What a printed test square says about the scale of a print.

A length that is read from a ruler lies within the reading's precision of what was read. So each axis has an
interval of scales, printed over true; what follows is interval arithmetic. The print is true where 1 lies in
both; one scale cures it where both have a scale in common; otherwise it was stretched.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

INCH = 25.4
"""mm, by the definition of the international inch."""

TUBE = 600.0
"""Length that an error is explained on, mm: a long tube of a large frame."""

COARSE = 1.0
"""A reading that leaves more than this open on `TUBE`, mm, is called coarse: the usual sigma of a tape."""

SIDES = (10.0, 5000.0)
"""Shortest and longest side that a print is checked on, mm."""

LIMIT = 100.0
"""A print more than so many times too large or too small is no print of the square."""

Verdict = Literal["true", "scaled", "stretched"]
_ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class TestSquare:
    """What was read from the printed square, mm.

    Attributes:
        side: that it should have.
        across: read from left to right.
        up: read from bottom to top.
        reading: how far a reading may be off, to either side.
    """

    side: float
    across: float
    up: float
    reading: float = 0.5

    # A test runner would otherwise take the name for that of a class of tests.
    __test__ = False


@dataclass(frozen=True, slots=True)
class Cause:
    """A slip of printing or of a program, and the scales that it gives.

    Attributes:
        what: happened.
        todo: instead.
        across: printed over true, from left to right.
        up: the same from bottom to top.
    """

    what: str
    todo: str
    across: float
    up: float


@dataclass(frozen=True, slots=True)
class PrintCheck:
    """How a print is wrong and what to do.

    Attributes:
        square: what was read.
        across: scale from left to right, printed over true.
        up: scale from bottom to top.
        uncertain: how far either scale may be off.
        verdict: `true` within the reading, `scaled` the same on both axes, `stretched` differently.
        scale: best single scale, printed over true.
        causes: that explain what was read, the nearest first.
    """

    square: TestSquare
    across: float
    up: float
    uncertain: float
    verdict: Verdict
    scale: float
    causes: tuple[Cause, ...]

    @property
    def print_at(self) -> float:
        """Scale to print at, per cent of the scale at which it was printed."""
        return 100.0 / self.scale

    @property
    def print_between(self) -> tuple[float, float]:
        """Least and largest scale to print at that the readings allow, per cent of the scale that was used.

        Where no single scale allows for both axes, those of the axes themselves.
        """
        low, high = _common(self.across, self.up, self.uncertain)
        low, high = min(low, high), max(low, high)
        return 100.0 / high, 100.0 / low if low > 0.0 else math.inf

    def error_on(self, length: float) -> tuple[float, float]:
        """How much too large a length comes out across and up, mm; negative where too small."""
        return length * (self.across - 1.0), length * (self.up - 1.0)

    def left_on(self, length: float) -> float:
        """What stays off after printing at `print_at`, mm: too large on one axis, too small on the other."""
        return length * abs(self.across - self.up) / (self.across + self.up)

    def open_on(self, length: float) -> float:
        """How far off a length may still be, mm, for all that the readings say."""
        return length * self.uncertain

    @property
    def coarse(self) -> bool:
        """Whether the readings leave more open than a tape does."""
        return self.open_on(TUBE) > COARSE + _ROUNDING

    @property
    def axis_off(self) -> Literal["across", "up"] | None:
        """The axis that is off where the other is true; None where both are off or neither."""
        off = [abs(scale - 1.0) > self.uncertain + _ROUNDING for scale in (self.across, self.up)]
        return None if off[0] == off[1] else ("across" if off[0] else "up")


def check_print(square: TestSquare) -> PrintCheck:
    """Tell what is wrong with a print from its test square.

    Raises:
        ValueError: the side is outside `SIDES`, the print more than `LIMIT` times too large or too small, or
            the reading's precision isn't above 0 and below what was read.
    """
    if not SIDES[0] <= square.side <= SIDES[1]:
        raise ValueError(f"side must lie between {SIDES[0]:g} and {SIDES[1]:g} mm, found {square.side!r}")
    for name, length in (("across", square.across), ("up", square.up)):
        if not square.side / LIMIT <= length <= square.side * LIMIT:
            raise ValueError(f"{name} must be within {LIMIT:g} times the side, found {length!r}")
    if not 0.0 < square.reading < min(square.side, square.across, square.up):
        raise ValueError(f"reading must be above 0 and below what was read, found {square.reading!r}")
    across, up = square.across / square.side, square.up / square.side
    uncertain = square.reading / square.side
    low, high = _common(across, up, uncertain)
    verdict: Verdict = "stretched"
    if all(abs(scale - 1.0) <= uncertain + _ROUNDING for scale in (across, up)):
        verdict = "true"
    elif low <= high + _ROUNDING:
        verdict = "scaled"
    # The mean leaves the same on both axes, too large on the one and too small on the other.
    scale = 0.5 * (across + up)
    causes = () if verdict == "true" else _explaining(square, across, up, uncertain)
    return PrintCheck(square, across, up, uncertain, verdict, scale, causes)


def _common(across: float, up: float, uncertain: float) -> tuple[float, float]:
    """Least and largest scale that both axes allow; the least is the larger one where there is none."""
    return max(across, up) - uncertain, min(across, up) + uncertain


MOST_CAUSES = 3
"""Causes to name: with coarse readings many would do."""


def _explaining(square: TestSquare, across: float, up: float, uncertain: float) -> tuple[Cause, ...]:
    def miss(cause: Cause) -> float:
        return max(abs(across - cause.across), abs(up - cause.up))

    fitting = [c for c in (*_readings(square.side), *CAUSES) if miss(c) <= uncertain + _ROUNDING]
    # Rounded, so that of two causes that are as near the one that stands first is named first.
    return tuple(sorted(fitting, key=lambda cause: round(miss(cause), 6))[:MOST_CAUSES])


def _both(what: str, todo: str, scale: float) -> Cause:
    return Cause(what, todo, scale, scale)


def _readings(side: float) -> tuple[Cause, ...]:
    """Slips of reading: the print is good."""
    four = 4.0 * INCH
    others = [(100.0, "100 mm"), (four, "4 in")]
    return tuple(
        _both(
            f"the {name} square was measured, not this one",
            f"measure again, or say --square {name.replace(' ', '')}",
            other / side,
        )
        for other, name in others
        if math.isclose(side, four if other == 100.0 else 100.0)
    )


# ISO 216 (A3, A4); Letter 8.5 × 11 in, Legal 8.5 × 14 in: width and height of the upright page, mm.
PAPERS = {
    "A4": (210.0, 297.0),
    "A3": (297.0, 420.0),
    "Letter": (8.5 * INCH, 11.0 * INCH),
    "Legal": (8.5 * INCH, 14.0 * INCH),
}

# Edges that printers can't print on, as their manuals and drivers state them: 4 mm (office laser printer),
# 0.166 in (driver of an early laser printer), 0.2 in (a driver's note), 0.25 in (advice for any printer).
EDGES = ((4.0, "4 mm"), (0.166 * INCH, "0.166 in"), (0.2 * INCH, "0.2 in"), (0.25 * INCH, "0.25 in"))

_REFITTED = (
    ("A4", "Letter"),
    ("Letter", "A4"),
    ("Legal", "Letter"),
    ("Legal", "A4"),
    ("A3", "A4"),
    ("A4", "A3"),
)
_NO_FIT = "switch 'fit to page' off: print at 100 %, 'actual size'"


def fit_scale(page: tuple[float, float], paper: tuple[float, float], edge: float = 0.0) -> float:
    """Scale at which "fit to page" prints a page on paper.

    Args:
        page: width and height, mm.
        paper: the same of the paper.
        edge: that isn't printed on, mm, the same on all four sides.
    """
    return min((paper[0] - 2.0 * edge) / page[0], (paper[1] - 2.0 * edge) / page[1])


def _fits() -> tuple[Cause, ...]:
    onto_other = [
        _both(f"'fit to page': a page for {page} on {paper}", _NO_FIT, fit_scale(PAPERS[page], PAPERS[paper]))
        for page, paper in _REFITTED
    ]
    within_edges = [
        _both(
            f"'fit to page': a page for {page} on {paper}, within edges of {words}",
            _NO_FIT,
            fit_scale(PAPERS[page], PAPERS[paper], edge),
        )
        for page, paper in (("A4", "A4"), ("Letter", "Letter"), ("A4", "Letter"), ("Letter", "A4"))
        for edge, words in EDGES
    ]
    stretched = [
        Cause(
            f"'stretch' or 'fill': a page for {page}{turned} on {paper}",
            "print at 100 %, 'actual size', neither stretched nor filled",
            PAPERS[paper][axis] / PAPERS[page][axis],
            PAPERS[paper][1 - axis] / PAPERS[page][1 - axis],
        )
        for page, paper in (("A4", "Letter"), ("Letter", "A4"))
        for axis, turned in ((0, ""), (1, " lying"))
    ]
    return (*onto_other, *within_edges, *stretched)


def _units() -> tuple[Cause, ...]:
    units = "write the unit with each reading; tell the program that opens the file that its unit is mm"
    # CSS: 96 px = 72 pt = 1 in; 72 to the inch is PDF's unit (ISO 32000-1, 8.3.2). 90 px to the inch is what
    # drawing programs had before CSS settled on 96 (from memory).
    per_inch = {
        "points (72 to the inch)": 72.0,
        "pixels of 90 to the inch": 90.0,
        "pixels of 96 to the inch": 96.0,
        "dots of 300 to the inch": 300.0,
    }
    resolutions = [
        _both(
            f"{drawn} taken for {opened}",
            "set the program's resolution to that of the file, or print the PDF instead",
            of_file / of_program,
        )
        for drawn, of_file in per_inch.items()
        for opened, of_program in per_inch.items()
        if of_file != of_program
    ]
    millimetres = [
        cause
        for name, number in per_inch.items()
        for cause in (
            _both(f"mm taken for {name}", units, INCH / number),
            _both(f"{name} taken for mm", units, number / INCH),
        )
    ]
    others = [
        _both("mm taken for inches", units, INCH),
        _both("inches taken for mm, or inches read and no unit given", units, 1.0 / INCH),
        _both("cm taken for inches", units, 2.54),
        _both("inches taken for cm", units, 1.0 / 2.54),
        _both("mm taken for cm", units, 10.0),
        _both("cm taken for mm, or centimetres read and no unit given", units, 0.1),
        # The manual of one HP-GL plotter gives 40.2 units to the mm, all others 40 (0.025 mm).
        _both(
            "a plotter that counts 40.2 units to the mm, not 40",
            "calibrate the plotter, or set its scale",
            40.0 / 40.2,
        ),
    ]
    return (*resolutions, *millimetres, *others)


CAUSES = (*_fits(), *_units())
"""What usually goes wrong, each with the scale that it gives."""
