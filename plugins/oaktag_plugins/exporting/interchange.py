"""What a pattern-interchange file says of a piece, after ASTM D6673.

ASTM D6673-10, "Sewn Products Pattern Data Interchange - Data Format" (withdrawn 2019), is a DXF file in 7-bit
ASCII in which every piece is a block. Its table of layers and its text fields stand here from memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import atan2, degrees, radians

from oaktag import Draft
from oaktag.geometry import Path, Point, cross, dot
from oaktag.pattern import Piece
from oaktag.pattern.cut_list import CARD
from oaktag.pattern.drawing import Role, Stroke, notch_ticks

BOUNDARY, TURN_POINTS, CURVE_POINTS, NOTCHES, MIRROR, GRAIN = "1", "2", "3", "4", "6", "7"
INTERNAL, CUT_OUTS, DRILL_HOLES, SEWING, ANNOTATION = "8", "11", "13", "14", "15"
"""Numbers of layers, from memory."""

LAYERS: dict[Role, str] = {
    "hole": CUT_OUTS,
    "seam": SEWING,
    "fold": INTERNAL,
    "mark": INTERNAL,
    "text": ANNOTATION,
}
"""Layers of what is drawn as in any other file. A fold at which the cloth lies double is the mirror line."""

UNITS = {"metric": 1.0, "english": 25.4}
"""Length of a unit in mm."""

LEAST_TURN = 1.0
"""Where a boundary turns by more degrees than that, it has a turn point."""


@dataclass(frozen=True, slots=True)
class NotchPoint:
    """A nick: where it begins on the boundary, how deep it is in mm, its direction in degrees."""

    point: Point
    depth: float
    angle: float


def notch_points(piece: Piece) -> tuple[NotchPoint, ...]:
    """The nicks of a piece. Those of edges that aren't nicked are internal lines."""
    return tuple(
        NotchPoint(tick.path.start, tick.path.length, _direction(tick.path))
        for notch in piece.notches
        for tick in notch_ticks(piece, notch)
        if tick.role == "notch"
    )


def _direction(path: Path) -> float:
    x, y = path.tangent_at(0.0)
    return degrees(atan2(y, x)) % 360.0


def boundary_points(path: Path, chord_error: float) -> Iterator[tuple[Point, bool]]:
    """The vertices of a closed boundary, and whether it turns a corner there.

    Args:
        path: closed.
        chord_error: of arcs and free curves, mm.
    """
    before = path.segments[-1]
    for segment in path.segments:
        arriving, leaving = before.tangent_at(before.length), segment.tangent_at(0.0)
        yield (
            segment.start,
            abs(atan2(cross(arriving, leaving), dot(arriving, leaving))) > radians(LEAST_TURN),
        )
        for point in segment.flatten(chord_error)[1:-1]:
            yield point, False
        before = segment


def is_mirror_line(piece: Piece, stroke: Stroke) -> bool:
    """Whether a stroke is the fold at which the cloth lies double when the piece is cut."""
    return (
        stroke.role == "fold"
        and any(edge.finish == "fold" for edge in piece.edges)
        and all(segment in piece.outline.segments for segment in stroke.path.segments)
    )


def piece_fields(draft: Draft, piece: Piece) -> tuple[tuple[str, str], ...]:
    """What is said of a piece, from memory: names of the fields and their text.

    The two quantities are those cut as drawn and those cut with the pattern turned over.
    """
    return (
        ("PIECE NAME", piece.id),
        ("SIZE", size(draft)),
        ("QUANTITY", f"{piece.quantity - piece.mirrored},{piece.mirrored}"),
        ("MATERIAL", CARD if piece.assembled else piece.material),
        ("CATEGORY", piece.role or "piece"),
        ("ANNOTATION", piece.name),
    )


def style_fields(draft: Draft, units: str, author: str, date: str = "") -> tuple[tuple[str, str], ...]:
    """What is said of the whole, from memory: names of the fields and their text.

    Args:
        draft: the bag.
        units: `metric` or `english`.
        author: of the file; left out if empty.
        date: of the file; left out if empty.
    """
    recipe = draft.recipe_provenance
    fields = (
        ("ASTM/D13", "D6673-10"),
        ("AUTHOR", author),
        ("CREATION DATE", date),
        ("STYLE NAME", f"{recipe.name} {recipe.version}".strip()),
        ("SAMPLE SIZE", size(draft)),
        ("UNITS", units.upper()),
    )
    return tuple((name, text) for name, text in fields if text)


def size(draft: Draft) -> str:
    """The size that a bag has: that of its frame, or the frame's name."""
    return draft.frame.size or draft.frame.name
