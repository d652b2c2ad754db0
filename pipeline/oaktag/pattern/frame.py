"""One bicycle as it was measured: corners, tubes, readings, tube widths."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

ReadingKind = Literal["length", "diagonal", "angle"]


@dataclass(frozen=True, slots=True)
class Reading:
    """One measured value with its instrument.

    Attributes:
        kind: `length` of a tube's side of the opening, `diagonal` between two corners, or interior `angle`.
        of: the tube, the corner, or the two corners of a diagonal as `"seat to bottom-bracket"`.
        value: mm for lengths and diagonals, degrees for angles.
        sigma: standard uncertainty, in the unit of `value`; above 0.
        instrument: its name on the frame sheet.
        key: where it stands on the frame sheet, such as `lengths.seat-tube[1]`.
    """

    kind: ReadingKind
    of: str
    value: float
    sigma: float
    instrument: str
    key: str


@dataclass(frozen=True, slots=True)
class Place:
    """A place along a tube: `fraction` of its length plus `distance` in mm, from the tube's first corner."""

    tube: str
    fraction: float = 0.0
    distance: float = 0.0

    def along(self, length: float) -> float:
        """Distance in mm from the tube's first corner when the tube is `length` mm long."""
        return self.fraction * length + self.distance


@dataclass(frozen=True, slots=True)
class TubeWidth:
    """The outside width of a tube in mm, square to the frame's plane, at one place; `key` as on the sheet."""

    place: Place
    width: float
    key: str


@dataclass(frozen=True, slots=True)
class Frame:
    """What the frame sheet says, in mm and degrees.

    Corners run clockwise as seen from the drive side; tube `i` joins corner `i` to corner `i + 1`.

    Attributes:
        name: what the maker calls this bicycle.
        size: the frame size as sold, free text; may be empty.
        corners: names of the opening's corners, at least 3.
        tubes: names of its sides, as many as corners.
        readings: in the sheet's order.
        widths: in the sheet's order.
    """

    name: str
    corners: tuple[str, ...]
    tubes: tuple[str, ...]
    readings: tuple[Reading, ...]
    widths: tuple[TubeWidth, ...] = ()
    size: str = ""

    def ends(self, tube: str) -> tuple[str, str]:
        """Names of the tube's first and second corner."""
        index = self.tubes.index(tube)
        return self.corners[index], self.corners[(index + 1) % len(self.corners)]
