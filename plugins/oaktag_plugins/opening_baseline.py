"""`opening.baseline`: the opening from distances along one line and offsets to its side.

Lay a straight-edge across the frame, anywhere and in any direction, and read for every corner how far along
the edge it lies (at the foot of a square) and how far to the side.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from oaktag import Draft, Options, StageSpec, hookimpl
from oaktag.recipe import Length, PositiveLength
from oaktag_plugins.sources.corner_points import CornerReading, averaged
from oaktag_plugins.sources.source_table import SourceTable, corner_index, read_source, source_key, tape_sigma
from oaktag_plugins.surveying.estimate import estimated

NAME = "baseline"


class BaselineOptions(Options):
    """Options of `opening.baseline`: none, what it works with stands on the frame sheet."""


class BaselinePoint(Options):
    """One corner, as read from the straight-edge."""

    corner: str
    """Name of the corner."""
    along: Length
    """Distance along the line, to the foot of the square."""
    offset: Length
    """Distance to the side; positive to the left, looking the way the distances grow."""


class BaselineTable(SourceTable):
    """The table `[sources.baseline]`."""

    points: Annotated[tuple[BaselinePoint, ...], Field(min_length=1)]
    """The corners, in any order; a corner that stands here repeatedly is averaged."""
    sigma_along: PositiveLength | None = None
    """Standard uncertainty of a distance along the line; the tape's if left out."""
    sigma_offset: PositiveLength | None = None
    """Standard uncertainty of an offset; the tape's if left out."""
    mirrored: bool = False
    """Whether left and right were told apart standing on the non-drive side."""


def run(draft: Draft, options: BaselineOptions) -> Draft:
    """Make the opening from `[sources.baseline]`.

    Raises:
        Refusal: the table is no good, a corner is missing, or the corners make no opening.
    """
    frame, key = draft.frame, source_key(NAME)
    table = read_source(frame, NAME, BaselineTable)
    tape = tape_sigma(frame)
    sigma = (table.sigma_along or tape, table.sigma_offset or tape)
    readings: list[CornerReading] = []
    for number, entry in enumerate(table.points):
        where = f"{key}.points[{number}]"
        # Seen from the other side, left of the line is still upward once the line runs the other way.
        along = -entry.along if table.mirrored else entry.along
        corner = corner_index(frame, entry.corner, f"{where}.corner")
        readings.append(CornerReading(corner, (along, entry.offset), sigma, where))
    corners = averaged(frame, readings, f"{key}.points")
    after = estimated(draft, corners.points, corners.covariance, key=key)
    return after.with_findings(corners.findings)


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="opening.baseline",
            summary="Make the opening from distances along a line and offsets to its side",
            run=f"{__name__}:run",
            options=f"{__name__}:BaselineOptions",
            needs=frozenset({"readings"}),
            adds=frozenset({"survey", "opening"}),
        ),
    )
