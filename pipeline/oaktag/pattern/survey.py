"""The outcome of reconciling readings: adjusted values, their accuracy, and the opening."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from oaktag.geometry import Path, Point
from oaktag.pattern.frame import ReadingKind


@dataclass(frozen=True, slots=True)
class Adjusted:
    """An adjusted length (mm) or angle (degrees) of a tube or corner, with its standard uncertainty."""

    of: str
    value: float
    sigma: float


@dataclass(frozen=True, slots=True)
class ReadingResult:
    """How one reading came out of the adjustment.

    Attributes:
        of: as in `Reading`.
        kind: as in `Reading`.
        value: the reading, mm or degrees.
        sigma: its stated standard uncertainty.
        residual: adjusted minus read, mm or degrees.
        standardised: residual over its own sigma; None when nothing checks the reading (redundancy 0).
        redundancy: 0 (unchecked) to 1 (fully checked by the others).
        key: where the reading stands on the sheet.
        excluded: why the maker left it out by hand; its residual is then what it would have been off by.
    """

    of: str
    kind: ReadingKind
    value: float
    sigma: float
    residual: float
    standardised: float | None
    redundancy: float
    key: str
    excluded: str = ""


@dataclass(frozen=True, slots=True)
class Statistics:
    """The test of the whole adjustment.

    Attributes:
        dof: degrees of freedom, readings minus unknowns.
        variance_factor: weighted square sum of residuals over `dof`; None when `dof` is 0.
        chi_square: weighted square sum of residuals.
        critical: the chi-square value that honest readings pass 95 times in 100; None when `dof` is 0.
        passed: whether `chi_square` is at most `critical`; None when nothing could be tested.
    """

    dof: int
    variance_factor: float | None
    chi_square: float
    critical: float | None
    passed: bool | None


@dataclass(frozen=True, slots=True)
class NextReading:
    """A reading that hasn't been taken, and what it would be worth.

    Attributes:
        kind: as in `Reading`.
        of: as in `Reading`.
        sigma: the standard uncertainty that is assumed for it, mm or degrees.
        perimeter: standard uncertainty of the perimeter with it, mm.
        corner: standard uncertainty of the worst corner with it, mm, in its worst direction.
    """

    kind: ReadingKind
    of: str
    sigma: float
    perimeter: float
    corner: float


@dataclass(frozen=True, slots=True)
class Survey:
    """Everything known from the readings.

    Attributes:
        lengths: one per tube, in the order of the tubes.
        angles: interior angles, one per corner, in the order of the corners.
        perimeter: of the opening.
        readings: in the order of the sheet.
        statistics: the test of the whole.
        covariance: of the corner coordinates (x0, y0, x1, y1, ...) in mm², with the first corner and the
            first tube's direction held fixed.
        next_readings: readings that haven't been taken, the most worthwhile first.
    """

    lengths: tuple[Adjusted, ...]
    angles: tuple[Adjusted, ...]
    perimeter: Adjusted
    readings: tuple[ReadingResult, ...]
    statistics: Statistics
    covariance: tuple[tuple[float, ...], ...]
    next_readings: tuple[NextReading, ...] = ()


@dataclass(frozen=True, slots=True)
class OpeningCorner:
    """A corner of the opening: where it lies (mm) and its interior angle in degrees."""

    name: str
    point: Point
    angle: float


@dataclass(frozen=True, slots=True)
class OpeningEdge:
    """A side of the opening, along the inside of one tube, from its first corner to its second."""

    name: str
    path: Path
    kind: Literal["tube"] = "tube"


@dataclass(frozen=True, slots=True)
class Opening:
    """The polygon inside the tubes, clockwise as seen from the drive side, which faces the reader."""

    corners: tuple[OpeningCorner, ...]
    edges: tuple[OpeningEdge, ...]

    def corner(self, name: str) -> OpeningCorner:
        """The corner of that name; KeyError if there is none."""
        return {corner.name: corner for corner in self.corners}[name]

    def edge(self, name: str) -> OpeningEdge:
        """The side of that name; KeyError if there is none."""
        return {edge.name: edge for edge in self.edges}[name]
