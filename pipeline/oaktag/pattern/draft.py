"""The draft: everything known about the bag so far. Each stage takes one and returns a new one."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

from oaktag.geometry import Path
from oaktag.pattern.finding import Finding
from oaktag.pattern.frame import Frame
from oaktag.pattern.material import Material
from oaktag.pattern.paperwork import Compartment, Operation, Paperwork
from oaktag.pattern.piece import Edge, Piece, Seam
from oaktag.pattern.survey import Opening, Survey
from oaktag.pattern.working import Working

if TYPE_CHECKING:
    from oaktag.pattern.shown import Shown


@dataclass(frozen=True, slots=True)
class Provenance:
    """Where an input came from: its name, its version (empty if it has none), the SHA-256 of its bytes."""

    name: str
    version: str = ""
    sha256: str = ""


@dataclass(frozen=True, slots=True)
class Outline:
    """The side panel's seam line as it is drafted, clockwise as seen from the drive side.

    Attributes:
        edges: in order.
        body: which of several bodies it is of; empty where a bag has one.
    """

    edges: tuple[Edge, ...]
    body: str = ""

    @property
    def path(self) -> Path:
        """The whole outline, closed."""
        return Path(tuple(segment for edge in self.edges for segment in edge.path.segments))

    def edge(self, name: str) -> Edge:
        """The edge of that name; KeyError if there is none."""
        return {edge.name: edge for edge in self.edges}[name]


@dataclass(frozen=True)
class Artifact:
    """A file to be written.

    Attributes:
        path: below the result folder, with `/`.
        kind: what it is, a word: `dxf`, `pdf`.
        data: its bytes.
        shown: what of the draft a drawing shows, and where; None where it shows no pieces.
        reader: `module:function` that reads the file back and yields how it differs from the draft:
            `(Draft, Artifact) -> Iterable[Difference]`. Empty if nothing reads such files.
    """

    path: str
    kind: str
    data: bytes
    shown: Shown | None = None
    reader: str = ""

    @cached_property
    def sha256(self) -> str:
        """SHA-256 of the bytes, hexadecimal."""
        return hashlib.sha256(self.data).hexdigest()


@dataclass(frozen=True)
class Draft:
    """Everything known about the bag so far; immutable.

    Attributes:
        frame: what was measured.
        frame_provenance: the frame sheet's file.
        recipe_provenance: the recipe's file.
        tables: the shop's own tables that options of the recipe name.
        survey: the reconciled readings.
        opening: the polygon inside the tubes.
        outlines: the side panel's seam line, gap taken off; one for each body.
        materials: the material table, by name in order.
        pieces: parts to cut.
        seams: what is sewn to what.
        findings: what stages and checks have to say.
        volume: litres inside; None until it has been computed.
        compartments: what of it is where, if it is divided.
        operations: what is sewn in which order; empty until it has been worked out.
        paperwork: cut list, bill of materials, cost; None until they have been worked out.
        workings: how computed lengths came about, in the order in which they were computed.
        artifacts: files to be written.
    """

    frame: Frame
    frame_provenance: Provenance
    recipe_provenance: Provenance
    tables: tuple[Provenance, ...] = ()
    survey: Survey | None = None
    opening: Opening | None = None
    outlines: tuple[Outline, ...] = ()
    materials: tuple[Material, ...] = ()
    pieces: tuple[Piece, ...] = ()
    seams: tuple[Seam, ...] = ()
    findings: tuple[Finding, ...] = ()
    volume: float | None = None
    compartments: tuple[Compartment, ...] = ()
    operations: tuple[Operation, ...] = ()
    paperwork: Paperwork | None = None
    workings: tuple[Working, ...] = ()
    artifacts: tuple[Artifact, ...] = ()

    @property
    def outline(self) -> Outline | None:
        """The outline of a bag that has one body, the first of several; None until there is one."""
        return self.outlines[0] if self.outlines else None

    def outline_of(self, body: str) -> Outline:
        """The outline of a body; KeyError if there is none."""
        return {outline.body: outline for outline in self.outlines}[body]

    def material(self, name: str) -> Material | None:
        """The entry of that name in the material table, if there is one."""
        return next((material for material in self.materials if material.name == name), None)

    def assembled_from(self, piece_id: str) -> Piece | None:
        """The assembled piece that a piece is a part of, if it is one."""
        return next((piece for piece in self.pieces if piece_id in piece.parts), None)

    def replaced(self, *pieces: Piece) -> Draft:
        """The same draft with pieces in the place of those of the same id, which must be there."""
        new = {piece.id: piece for piece in pieces}
        unknown = new.keys() - {piece.id for piece in self.pieces}
        if unknown:
            raise KeyError(sorted(unknown)[0])
        return replace(self, pieces=tuple(new.get(piece.id, piece) for piece in self.pieces))

    def piece(self, piece_id: str) -> Piece:
        """The piece of that id; KeyError if there is none."""
        return {piece.id: piece for piece in self.pieces}[piece_id]

    def evolve(self, **changes: object) -> Draft:
        """The same draft with some attributes replaced."""
        return replace(self, **changes)  # type: ignore[arg-type]

    def with_findings(self, findings: Iterable[Finding]) -> Draft:
        """The same draft with more findings."""
        return replace(self, findings=(*self.findings, *findings))

    def with_workings(self, workings: Iterable[Working]) -> Draft:
        """The same draft with more worked numbers."""
        return replace(self, workings=(*self.workings, *workings))

    def with_artifact(self, artifact: Artifact) -> Draft:
        """The same draft with one more file to be written."""
        return replace(self, artifacts=(*self.artifacts, artifact))

    @property
    def has_errors(self) -> bool:
        """Whether any finding says not to cut."""
        return any(finding.level == "error" for finding in self.findings)
