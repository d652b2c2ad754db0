"""One part to cut and what is drawn on it; seams between parts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

from oaktag.geometry import Line, Path, Point

CORNER_PREFIX = "corner:"

Finish = Literal["", "hem", "bound", "fold", "raw"]
"""What becomes of an edge that is sewn to nothing: turned in and sewn down, covered by a binding, no edge at
all but the line on which the cloth is folded before it is cut, or left as it is cut."""


@dataclass(frozen=True, slots=True)
class Edge:
    """A named run of a piece's seam line.

    Attributes:
        name: the tube it follows (`top-tube`), the corner it rounds (`corner:head`), or its part in the piece
            (`drive-side`).
        path: its seam line, mm.
        allowance: margin outside it, mm.
        of: on a part of an assembled piece, the edge of that piece which it is a run of.
        finish: what becomes of it where no seam is sewn at it.
    """

    name: str
    path: Path
    allowance: float = 0.0
    of: str = ""
    finish: Finish = ""

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


Face = Literal["outside", "inside"]
"""A side of the cloth, as it lies in the finished bag."""


@dataclass(frozen=True, slots=True)
class PlacementLine:
    """A line on a piece, not at its edge, to which another piece is sewn or at which something lies.

    Attributes:
        name: unique among the piece's edges and placement lines.
        path: along which it is sewn, open or closed, mm.
        what: what lies there, a word or two of the trade: `strap`, `zipper`, `pocket`, `divider`.
        face: on which side of the cloth.
        covers: the closed outline of what it covers; None if it covers no more than its line.
        under: what else may lie in the same place, such as the strap on a patch; words as in `what`.
    """

    name: str
    path: Path
    what: str
    face: Face = "outside"
    covers: Path | None = None
    under: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Hole:
    """Something cut out within a piece: its name on the piece, a closed outline in mm, and what for."""

    name: str
    path: Path
    what: str


@dataclass(frozen=True, slots=True)
class Fitting:
    """A bought part that is set into a piece: grommet, bolt, snap.

    Attributes:
        name: unique on the piece.
        material: what it is, by its name in the material table.
        point: its middle, mm.
        radius: of what it covers, mm.
        what: a word of the trade: `grommet`, `bolt`.
        quantity: how many of that material are used there.
    """

    name: str
    material: str
    point: Point
    radius: float
    what: str
    quantity: int = 1


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
        role: what it is in a bag: `side-panel`, `gusset`, `strap`; empty if a stage doesn't say.
        body: which of several bodies it belongs to; empty where a bag has one.
        parts: ids of the pieces that are sewn together to make this one. They are drawn where they lie on it.
            Its own outline is then a template to trim the whole to, cut from card.
        placements: lines within it to which others are sewn.
        holes: cut out within it.
        fittings: bought parts set into it.
        bought: length that is bought to cut one from, mm; 0 where any length can be had.
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
    role: str = ""
    body: str = ""
    parts: tuple[str, ...] = ()
    placements: tuple[PlacementLine, ...] = ()
    holes: tuple[Hole, ...] = ()
    fittings: tuple[Fitting, ...] = ()
    bought: float = 0.0

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

    def placement(self, name: str) -> PlacementLine:
        """The placement line of that name; KeyError if there is none."""
        return {line.name: line for line in self.placements}[name]

    @cached_property
    def sewing_lines(self) -> Mapping[str, Path]:
        """Every line at which something can be sewn to the piece: edges and placement lines, by name."""
        lines = {edge.name: edge.path for edge in self.edges}
        lines.update((line.name, line.path) for line in self.placements)
        return lines

    @property
    def assembled(self) -> bool:
        """Whether it is made of other pieces and so isn't cut from cloth itself."""
        return bool(self.parts)

    def evolve(self, **changes: object) -> Piece:
        """The same piece with some attributes replaced."""
        return replace(self, **changes)  # type: ignore[arg-type]


@dataclass(frozen=True, slots=True)
class SeamSide:
    """One side of a seam: a run of one piece's edges.

    Attributes:
        piece: id of the piece.
        edges: names, as they follow each other on the piece; or one placement line.
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
class Stitching:
    """How a seam is sewn.

    Attributes:
        seam_class: after ISO 4916, such as `1.01`.
        stitch_type: after ISO 4915, such as `301`.
        stitch_length: mm.
        rows: of stitching.
    """

    seam_class: str
    stitch_type: str
    stitch_length: float
    rows: int = 1


SeamKind = Literal["shell", "part", "zipper", "applied", "layer", "liner"]
"""What a seam joins: the bag's own panels and gussets; parts of an assembled piece; a piece and a zipper's
tape; something onto a placement line; one piece flat upon another, edge to edge; the inner bag's pieces."""


@dataclass(frozen=True, slots=True)
class Seam:
    """Two runs of edges that are sewn together.

    Attributes:
        id: unique in the draft.
        a: the one side.
        b: the side that is sewn on.
        ease: declared extra length of side b, mm.
        kind: what it joins.
        stitching: how it is sewn; None until that is known.
    """

    id: str
    a: SeamSide
    b: SeamSide
    ease: float = 0.0
    kind: SeamKind = "shell"
    stitching: Stitching | None = None
