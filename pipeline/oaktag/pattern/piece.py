"""One part to cut and what is drawn on it; seams between parts."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

from oaktag.geometry import Line, Path, Point

CORNER_PREFIX = "corner:"


@dataclass(frozen=True, slots=True)
class Edge:
    """A named run of a piece's seam line.

    Attributes:
        name: the tube it follows (`top-tube`), the corner it rounds (`corner:head`), or its part in the piece
            (`drive-side`).
        path: its seam line, mm.
        allowance: margin outside it, mm.
    """

    name: str
    path: Path
    allowance: float = 0.0

    @property
    def is_corner(self) -> bool:
        """Whether it is the round of a corner."""
        return self.name.startswith(CORNER_PREFIX)

    @property
    def length(self) -> float:
        """Seam length in mm."""
        return self.path.length


@dataclass(frozen=True, slots=True)
class CutRun:
    """The part of the cut line that belongs to one edge."""

    edge: str
    path: Path


@dataclass(frozen=True, slots=True)
class Notch:
    """An alignment mark.

    Attributes:
        edge: name of the edge.
        at: seam length in mm from the start of that edge.
        pair: the same on both mates; a notch that meets the end of a run stands alone in its pair.
        count: 1 single, 2 double (rear), 3 triple (bottom).
    """

    edge: str
    at: float
    pair: str
    count: int = 1


MarkKind = Literal["line", "fold", "centre"]


@dataclass(frozen=True, slots=True)
class Mark:
    """A line drawn on a piece, not cut: `line` and `centre` thin, `fold` dash-dot; `text` may stand at it."""

    kind: MarkKind
    path: Path
    text: str = ""


@dataclass(frozen=True, slots=True)
class Label:
    """A block of text on a piece, in single-stroke letters.

    Attributes:
        lines: top to bottom.
        position: the middle of the block, mm.
        height: of a capital letter, mm.
        angle: of the lines, degrees counter-clockwise from x.
    """

    lines: tuple[str, ...]
    position: Point
    height: float
    angle: float = 0.0


@dataclass(frozen=True)
class Piece:
    """One part to cut, drawn with the outside face towards the reader.

    Attributes:
        id: unique in the draft, lower case with hyphens.
        name: in plain words.
        edges: the seam line in order, closed; either orientation.
        material: what it is cut from.
        quantity: how many to cut in all.
        mirrored: how many of these with the pattern turned over.
        cut_line: in order, closed; empty until allowances are there.
        notches: in no particular order.
        marks: lines that aren't cut.
        labels: text.
        grain: the warp's direction, an arrow; None until it is known.
        up: direction in degrees that points up on the bicycle; None where a piece has none.
        front: direction in degrees that points to the front wheel; None where a piece has none.
    """

    id: str
    name: str
    edges: tuple[Edge, ...]
    material: str
    quantity: int = 1
    mirrored: int = 0
    cut_line: tuple[CutRun, ...] = ()
    notches: tuple[Notch, ...] = ()
    marks: tuple[Mark, ...] = ()
    labels: tuple[Label, ...] = ()
    grain: Line | None = None
    up: float | None = None
    front: float | None = None

    @cached_property
    def seam_line(self) -> Path:
        """The whole seam line, closed."""
        return Path(tuple(segment for edge in self.edges for segment in edge.path.segments))

    @cached_property
    def outline(self) -> Path:
        """What is cut: the cut line, or the seam line as long as there are no allowances."""
        if not self.cut_line:
            return self.seam_line
        return Path(tuple(segment for run in self.cut_line for segment in run.path.segments))

    def edge(self, name: str) -> Edge:
        """The edge of that name; KeyError if there is none."""
        return {edge.name: edge for edge in self.edges}[name]

    def evolve(self, **changes: object) -> Piece:
        """The same piece with some attributes replaced."""
        return replace(self, **changes)  # type: ignore[arg-type]


@dataclass(frozen=True, slots=True)
class SeamSide:
    """One side of a seam: a run of one piece's edges.

    Attributes:
        piece: id of the piece.
        edges: names, as they follow each other on the piece.
        start: where the seam begins, mm of seam length from the start of the first edge. Where the edges
            close on themselves the run goes on past the last edge into the first.
        length: how much of it is sewn, mm; None for all of it.
        reverse: the seam runs against the piece's own direction (then `start` is still counted along the
            piece, and the seam begins at the run's far end).
    """

    piece: str
    edges: tuple[str, ...]
    start: float = 0.0
    length: float | None = None
    reverse: bool = False


@dataclass(frozen=True, slots=True)
class Seam:
    """Two runs of edges that are sewn together; `ease` is the declared extra length of side b, mm."""

    id: str
    a: SeamSide
    b: SeamSide
    ease: float = 0.0
