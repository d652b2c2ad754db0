"""Sizes of paper by name or by measure, as an option's value."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from math import ceil
from types import MappingProxyType
from typing import Annotated, Literal

from pydantic import AfterValidator

from oaktag.recipe import refuse_value
from oaktag.recipe.quantity import QuantityError, length_in_mm

PAGE_LIMIT = 5080.0
"""Longest side of a PDF page in mm: 14 400 units of 1/72 in (ISO 32000-1, annex C, from memory)."""

_INCH = 25.4
_LEAST = 100.0

PAPERS: Mapping[str, tuple[float, float]] = MappingProxyType(
    {
        # ISO 216, A series, width x height in mm.
        "A5": (148.0, 210.0),
        "A4": (210.0, 297.0),
        "A3": (297.0, 420.0),
        "A2": (420.0, 594.0),
        "A1": (594.0, 841.0),
        "A0": (841.0, 1189.0),
        # ANSI/ASME Y14.1: A (Letter) to E, in inches; Legal is common practice.
        "Letter": (8.5 * _INCH, 11.0 * _INCH),
        "Legal": (8.5 * _INCH, 14.0 * _INCH),
        "Tabloid": (11.0 * _INCH, 17.0 * _INCH),
        "ANSI C": (17.0 * _INCH, 22.0 * _INCH),
        "ANSI D": (22.0 * _INCH, 34.0 * _INCH),
        "ANSI E": (34.0 * _INCH, 44.0 * _INCH),
    }
)
"""Upright sizes in mm."""

Orientation = Literal["auto", "portrait", "landscape"]
"""How paper lies; `auto` is whatever needs fewer pages."""

_VALID = f'{", ".join(PAPERS)}, or width and height such as "420 x 594 mm"'
_TIMES = re.compile(r"\s*[x×]\s*", re.IGNORECASE)
_UNIT = re.compile(r"\s*([a-z]+)\s*$", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Paper:
    """A size of paper as it lies, mm."""

    name: str
    width: float
    height: float

    def lying(self, orientation: Literal["portrait", "landscape"]) -> Paper:
        """The same paper, upright or on its side."""
        short, long = sorted((self.width, self.height))
        return Paper(self.name, *((short, long) if orientation == "portrait" else (long, short)))

    def orientations(self, wanted: Orientation) -> tuple[Paper, ...]:
        """The ways in which it may lie."""
        upright, lying = self.lying("portrait"), self.lying("landscape")
        return {"portrait": (upright,), "landscape": (lying,), "auto": (upright, lying)}[wanted]


def paper_of(value: str) -> Paper:
    """The paper of a name or of two measures.

    Raises:
        PydanticCustomError: there is no such paper, or it is smaller or larger than can be.
    """
    for name, (width, height) in PAPERS.items():
        if name.casefold() == value.strip().casefold():
            return Paper(name, width, height)
    parts = _TIMES.split(value.strip())
    if len(parts) != 2:
        raise refuse_value("is no size of paper", _VALID)
    unit = _UNIT.search(parts[1])
    if unit and not _UNIT.search(parts[0]):
        parts[0] += f" {unit[1]}"
    try:
        width, height = (length_in_mm(part) for part in parts)
    except QuantityError as error:
        raise refuse_value(f"is no size of paper: a side {error}", _VALID) from None
    if not all(_LEAST <= side <= PAGE_LIMIT for side in (width, height)):
        raise refuse_value(
            "is no size that a page can have", f"sides of {_LEAST:.0f} mm to {PAGE_LIMIT:.0f} mm"
        )
    return Paper(f"{width:g} x {height:g} mm", width, height)


def _checked(value: str) -> str:
    paper_of(value)
    return value


PaperSize = Annotated[str, AfterValidator(_checked)]
"""Paper by its standard name, or width and height such as `420 x 594 mm`; `paper_of` gives its measures."""


def smallest_paper(boxes: Iterable[tuple[float, float]], margin: float) -> str:
    """The smallest standard paper on which one of some boxes fits within a margin, whichever way it lies.

    Args:
        boxes: widths and heights, mm.
        margin: on all sides, mm.

    Returns:
        Its name and measures, or the measures that would do where no standard paper does.
    """
    needed = [sorted((w + 2.0 * margin, h + 2.0 * margin)) for w, h in boxes]
    fitting = [
        (w * h, f"{name} ({w:g} x {h:g} mm)")
        for name, (w, h) in PAPERS.items()
        if any(short <= w and long <= h for short, long in needed)
    ]
    if fitting:
        return min(fitting)[1]
    short, long = min(needed, key=lambda sides: sides[0] * sides[1])
    return f"{ceil(short)} x {ceil(long)} mm"
