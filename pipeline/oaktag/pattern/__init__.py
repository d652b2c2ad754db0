"""What a bag is made of, as immutable values: frame, survey, pieces, seams, findings, draft."""

from __future__ import annotations

from oaktag.pattern.draft import Artifact, Draft, Outline, Provenance
from oaktag.pattern.finding import LEVELS, Finding, Level, Refusal
from oaktag.pattern.frame import (
    Attachment,
    Bow,
    Frame,
    Instrument,
    Obstacle,
    Place,
    Reading,
    ReadingKind,
    Source,
    Treatment,
    TubeWidth,
)
from oaktag.pattern.piece import (
    CORNER_PREFIX,
    CutRun,
    Edge,
    Label,
    Mark,
    MarkKind,
    Notch,
    Piece,
    Seam,
    SeamSide,
)
from oaktag.pattern.survey import (
    Adjusted,
    Opening,
    OpeningCorner,
    OpeningEdge,
    ReadingResult,
    Statistics,
    Survey,
)

__all__ = [
    "CORNER_PREFIX",
    "LEVELS",
    "Adjusted",
    "Artifact",
    "Attachment",
    "Bow",
    "CutRun",
    "Draft",
    "Edge",
    "Finding",
    "Frame",
    "Instrument",
    "Label",
    "Level",
    "Mark",
    "MarkKind",
    "Notch",
    "Obstacle",
    "Opening",
    "OpeningCorner",
    "OpeningEdge",
    "Outline",
    "Piece",
    "Place",
    "Provenance",
    "Reading",
    "ReadingKind",
    "ReadingResult",
    "Refusal",
    "Seam",
    "SeamSide",
    "Source",
    "Statistics",
    "Survey",
    "Treatment",
    "TubeWidth",
]
