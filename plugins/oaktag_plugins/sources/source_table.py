"""Reading a table `[sources.<name>]` of the frame sheet, for the stages that make the opening from one.

Such a stage describes its table as a model derived from `SourceTable`; what is wrong with a table comes out
as one refusal that names the key in the frame sheet.
"""

from __future__ import annotations

from typing import Literal, TypeVar

from pydantic import ValidationError

from oaktag import Options, Refusal
from oaktag.pattern import Frame
from oaktag.recipe import listed, meant, problems_of, show
from oaktag.recipe.quantity import LENGTH_UNITS


class SourceTable(Options):
    """Base of what stands in a table of `[sources]`."""

    unit: Literal["mm", "cm", "in"] | None = None
    """Unit of lengths in this table that name none; the sheet's if left out."""


Table = TypeVar("Table", bound=SourceTable)


def source_key(name: str, *steps: str) -> str:
    """A key of the frame sheet: `sources.chart.head-angle`."""
    return ".".join(("sources", name, *steps))


def source_refusal(key: str, reason: str, *, found: str, valid: str, todo: str) -> Refusal:
    """A refusal of what stands at a key of the frame sheet."""
    return Refusal(reason, key=key, source="frame", found=found, valid=valid, todo=todo)


def unit_of(frame: Frame, table: SourceTable) -> str:
    """The unit of a length in the table that names none: `mm`, `cm` or `in`."""
    return table.unit or frame.unit


def tape_sigma(frame: Frame) -> float:
    """Standard uncertainty in mm of the sheet's tape; 1 mm if the frame has none."""
    return next((i.mm for i in frame.instruments if i.name == "tape" and i.mm is not None), 1.0)


def read_source(frame: Frame, name: str, model: type[Table]) -> Table:
    """The table `[sources.<name>]` of a frame sheet, validated.

    Args:
        frame: from the sheet.
        name: of the table.
        model: what has to stand in it.

    Raises:
        Refusal: the sheet has no such table, or something in it is wrong; of several mistakes the first, and
            the others beside it.
    """
    source = frame.source(name)
    if source is None:
        names = [other.name for other in frame.sources]
        raise source_refusal(
            source_key(name),
            "the frame sheet has no such table",
            found=f"sources: {listed(names)}",
            valid=f"a table [{source_key(name)}]",
            todo=meant(name, names, "add it, or make the opening with another stage"),
        )
    data = source.table()
    own = data.get("unit")
    unit = own if isinstance(own, str) and own in LENGTH_UNITS else frame.unit
    try:
        return model.model_validate(data, context={"unit": unit})
    except ValidationError as error:
        problems = problems_of(error, model=model, data=data, file="", prefix=source_key(name))
    first, *others = problems
    also = "".join(f"; besides, {other.key} {other.reason}" for other in others)
    raise source_refusal(
        first.key, first.reason + also, found=first.found, valid=first.valid, todo=first.todo
    )


def corner_index(frame: Frame, corner: str, key: str) -> int:
    """Which corner of the opening has this name.

    Raises:
        Refusal: none has.
    """
    if corner not in frame.corners:
        raise source_refusal(
            key,
            "the opening has no corner of this name",
            found=show(corner),
            valid=listed(frame.corners),
            todo=meant(corner, frame.corners, "name one of the corners"),
        )
    return frame.corners.index(corner)
