"""One bicycle as it was measured: corners, tubes, readings, widths, bows, what is on the tubes."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import Any, Literal

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
        excluded: why the maker left it out by hand; empty if it counts.
    """

    kind: ReadingKind
    of: str
    value: float
    sigma: float
    instrument: str
    key: str
    excluded: str = ""


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
class Bow:
    """How a tube bends: how far its inner side stands off the straight line between its corners.

    Attributes:
        tube: name of the tube.
        offsets: places along the straight line, and mm off it there; positive is away from the opening. One
            at the middle makes an arc, several a smooth curve.
        key: as on the sheet.
    """

    tube: str
    offsets: tuple[tuple[Place, float], ...]
    key: str


Treatment = Literal["notch", "hole"]


@dataclass(frozen=True, slots=True)
class Obstacle:
    """Something on a tube that the bag has to leave room for.

    Attributes:
        name: what the maker calls it.
        place: its middle, along the tube.
        length: along the tube, mm.
        height: how far it stands out into the opening, mm.
        clearance: left around it, mm.
        treatment: `notch` cuts it out of the outline; `hole` is marked on the gusset, where it goes through.
        key: as on the sheet.
    """

    name: str
    place: Place
    length: float
    height: float
    clearance: float
    treatment: Treatment
    key: str


@dataclass(frozen=True, slots=True)
class BossRow:
    """Threaded bosses in a row along a tube, such as the two that a bottle cage is bolted to.

    Attributes:
        name: what the maker calls them.
        place: the middle of the row, along the tube.
        count: how many there are.
        pitch: from one to the next, mm.
        thread: as on the bolt: `M5`.
        key: as on the sheet.
    """

    name: str
    place: Place
    count: int
    pitch: float
    thread: str
    key: str

    @property
    def places(self) -> tuple[Place, ...]:
        """Each boss, from the one nearest to the tube's first corner."""
        first = self.place.distance - 0.5 * self.pitch * (self.count - 1)
        return tuple(
            Place(self.place.tube, self.place.fraction, first + self.pitch * index)
            for index in range(self.count)
        )


@dataclass(frozen=True, slots=True)
class Instrument:
    """An instrument's standard uncertainty: mm if it measures lengths, degrees if it measures angles."""

    name: str
    mm: float | None
    degrees: float | None

    def of(self, kind: ReadingKind) -> float | None:
        """The uncertainty of a reading of that kind; None if the instrument doesn't measure it."""
        return self.degrees if kind == "angle" else self.mm


@dataclass(frozen=True)
class Attachment:
    """A file that a sheet names, as it was read: its name as written, its bytes, their SHA-256."""

    name: str
    data: bytes = field(repr=False)
    sha256: str


@dataclass(frozen=True, slots=True)
class Source:
    """Data for a stage that makes the opening in another way than from readings, `[sources.<name>]`.

    Attributes:
        name: as on the sheet; the stage knows which it wants.
        text: the table as canonical JSON, so that it can't be changed; the stage validates it.
        attachments: the files that its keys `file` name.
    """

    name: str
    text: str
    attachments: tuple[Attachment, ...] = ()

    def table(self) -> dict[str, Any]:
        """A fresh copy of the table."""
        table: dict[str, Any] = json.loads(self.text)
        return table

    def attachment(self, name: str) -> Attachment:
        """The file of that name; KeyError if there is none."""
        return {attachment.name: attachment for attachment in self.attachments}[name]


@dataclass(frozen=True, slots=True)
class Frame:
    """What the frame sheet says, in mm and degrees.

    Corners run clockwise as seen from the drive side; tube `i` joins corner `i` to corner `i + 1`.

    Attributes:
        name: what the maker calls this bicycle.
        size: the frame size as sold, free text; may be empty.
        unit: of numbers in `sources` that name none: `mm`, `cm` or `in`.
        instruments: by which readings were taken.
        bows: tubes that aren't straight.
        obstacles: what the bag has to leave room for.
        bosses: what a bag can be bolted to.
        sources: data for stages that make the opening in another way.
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
    unit: str = "mm"
    instruments: tuple[Instrument, ...] = ()
    bows: tuple[Bow, ...] = ()
    obstacles: tuple[Obstacle, ...] = ()
    bosses: tuple[BossRow, ...] = ()
    sources: tuple[Source, ...] = ()

    def ends(self, tube: str) -> tuple[str, str]:
        """Names of the tube's first and second corner."""
        index = self.tubes.index(tube)
        return self.corners[index], self.corners[(index + 1) % len(self.corners)]

    def source(self, name: str) -> Source | None:
        """The source of that name, if the sheet has it."""
        return next((source for source in self.sources if source.name == name), None)
