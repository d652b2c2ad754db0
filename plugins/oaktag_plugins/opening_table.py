"""`opening.table`: the opening from a table of corner coordinates, in a CSV file or on the frame sheet."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated

from pydantic import Field, ValidationError, model_validator

from oaktag import Draft, Options, StageSpec, hookimpl
from oaktag.pattern import Frame
from oaktag.recipe import Length, PositiveLength, problems_of, refuse_value
from oaktag_plugins.sources.corner_csv import corner_rows
from oaktag_plugins.sources.corner_points import CornerReading, averaged
from oaktag_plugins.sources.source_table import (
    SourceTable,
    corner_index,
    read_source,
    source_key,
    source_refusal,
    tape_sigma,
    unit_of,
)
from oaktag_plugins.surveying.estimate import estimated

NAME = "table"


class TableOptions(Options):
    """Options of `opening.table`: none, what it works with stands on the frame sheet."""


class CornerEntry(Options):
    """One corner."""

    corner: str
    """Name of the corner."""
    x: Length
    """To the front, as the drive side faces you."""
    y: Length
    """Upward."""
    sigma: PositiveLength | None = None
    """Standard uncertainty of either coordinate; the table's if left out."""


class CornerTable(SourceTable):
    """The table `[sources.table]`."""

    file: str | None = None
    """A CSV file beside the sheet with the columns corner, x, y and, if you like, sigma."""
    corners: Annotated[tuple[CornerEntry, ...], Field(min_length=1)] | None = None
    """The corners, in any order; a corner that stands here repeatedly is averaged."""
    sigma: PositiveLength | None = None
    """Standard uncertainty of either coordinate; the tape's if left out."""
    y_down: bool = False
    """Whether y grows downward, as in pictures."""
    mirrored: bool = False
    """Whether the coordinates were taken with the non-drive side facing."""

    @model_validator(mode="after")
    def _one_place(self) -> CornerTable:
        if (self.file is None) == (self.corners is None):
            raise refuse_value("needs its corners once", "either `file`, or `corners`", "give one of them")
        return self


def run(draft: Draft, options: TableOptions) -> Draft:
    """Make the opening from `[sources.table]`.

    Raises:
        Refusal: the table or its file is no good, a corner is missing, or the corners make no opening.
    """
    frame, key = draft.frame, source_key(NAME)
    table = read_source(frame, NAME, CornerTable)
    sigma = table.sigma or tape_sigma(frame)
    across, up = (-1.0 if table.mirrored else 1.0), (-1.0 if table.y_down else 1.0)
    readings: list[CornerReading] = []
    for entry, where in _entries(frame, table, key):
        corner = corner_index(frame, entry.corner, f"{where}.corner" if table.file is None else where)
        own = entry.sigma or sigma
        readings.append(CornerReading(corner, (across * entry.x, up * entry.y), (own, own), where))
    corners = averaged(frame, readings, f"{key}.{'corners' if table.file is None else 'file'}")
    after = estimated(draft, corners.points, corners.covariance, key=key)
    return after.with_findings(corners.findings)


def _entries(frame: Frame, table: CornerTable, key: str) -> Iterator[tuple[CornerEntry, str]]:
    """Every corner, with where it stands."""
    if table.file is None:
        for number, entry in enumerate(table.corners or ()):
            yield entry, f"{key}.corners[{number}]"
        return
    source = frame.source(NAME)
    assert source is not None
    for row in corner_rows(source.attachment(table.file).data, f"{key}.file"):
        where = f"{key}.file, line {row.line}"
        yield _entry(row.cells, unit_of(frame, table), where), where


def _entry(cells: dict[str, str], unit: str, where: str) -> CornerEntry:
    try:
        return CornerEntry.model_validate(cells, context={"unit": unit})
    except ValidationError as error:
        problem = problems_of(error, model=CornerEntry, data=cells, file="")[0]
    raise source_refusal(
        f"{where}, {problem.key}",
        problem.reason,
        found=problem.found,
        valid=problem.valid,
        todo=problem.todo,
    )


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="opening.table",
            summary="Make the opening from a table of corner coordinates",
            run=f"{__name__}:run",
            options=f"{__name__}:TableOptions",
            needs=frozenset({"readings"}),
            adds=frozenset({"survey", "opening"}),
        ),
    )
