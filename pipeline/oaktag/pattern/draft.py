"""The draft: everything known about the bag so far. Each stage takes one and returns a new one."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property

from oaktag.geometry import Path
from oaktag.pattern.finding import Finding
from oaktag.pattern.frame import Frame
from oaktag.pattern.piece import Edge, Piece, Seam
from oaktag.pattern.survey import Opening, Survey


@dataclass(frozen=True, slots=True)
class Provenance:
    """Where an input came from: its name, its version (empty if it has none), the SHA-256 of its bytes."""

    name: str
    version: str = ""
    sha256: str = ""


@dataclass(frozen=True, slots=True)
class Outline:
    """The side panel's seam line as it is drafted, clockwise as seen from the drive side."""

    edges: tuple[Edge, ...]

    @property
    def path(self) -> Path:
        """The whole outline, closed."""
        return Path(tuple(segment for edge in self.edges for segment in edge.path.segments))

    def edge(self, name: str) -> Edge:
        """The edge of that name; KeyError if there is none."""
        return {edge.name: edge for edge in self.edges}[name]


@dataclass(frozen=True)
class Artifact:
    """A file to be written: its path below the result folder (with `/`), what it is, its bytes."""

    path: str
    kind: str
    data: bytes

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
        survey: the reconciled readings.
        opening: the polygon inside the tubes.
        outline: the side panel's seam line, gap taken off.
        pieces: parts to cut.
        seams: what is sewn to what.
        findings: what stages and checks have to say.
        volume: litres inside; None until it has been computed.
        artifacts: files to be written.
    """

    frame: Frame
    frame_provenance: Provenance
    recipe_provenance: Provenance
    survey: Survey | None = None
    opening: Opening | None = None
    outline: Outline | None = None
    pieces: tuple[Piece, ...] = ()
    seams: tuple[Seam, ...] = ()
    findings: tuple[Finding, ...] = ()
    volume: float | None = None
    artifacts: tuple[Artifact, ...] = ()

    def piece(self, piece_id: str) -> Piece:
        """The piece of that id; KeyError if there is none."""
        return {piece.id: piece for piece in self.pieces}[piece_id]

    def evolve(self, **changes: object) -> Draft:
        """The same draft with some attributes replaced."""
        return replace(self, **changes)  # type: ignore[arg-type]

    def with_findings(self, findings: Iterable[Finding]) -> Draft:
        """The same draft with more findings."""
        return replace(self, findings=(*self.findings, *findings))

    def with_artifact(self, artifact: Artifact) -> Draft:
        """The same draft with one more file to be written."""
        return replace(self, artifacts=(*self.artifacts, artifact))

    @property
    def has_errors(self) -> bool:
        """Whether any finding says not to cut."""
        return any(finding.level == "error" for finding in self.findings)
