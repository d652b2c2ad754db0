"""Stations: places on a segment or path, given by the arc length from its start in mm."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

from .errors import GeometryError

#: Ends closer than this many mm are the same place; stations may pass an end by as much.
TOLERANCE = 1e-6

#: The shortest segment in mm; anything shorter has no direction that means something.
SHORTEST = 1e-9


class Immutable:
    """Base of the frozen shapes: derived values are cached on the object and never travel with it.

    Pickles hold the fields alone, so equal shapes have equal pickles whatever has been asked of them.
    """

    def __getstate__(self) -> dict[str, Any]:
        return {field.name: getattr(self, field.name) for field in fields(self)}  # type: ignore[arg-type]


def on_length(s: float, length: float) -> float:
    """Return the station moved onto [0, length] if it is at most `TOLERANCE` off.

    Raises:
        GeometryError: If it is further off or not a number.
    """
    if 0.0 <= s <= length:
        return s
    if -TOLERANCE <= s < 0.0:
        return 0.0
    if length < s <= length + TOLERANCE:
        return length
    raise GeometryError(f"station {s!r} is not on the length from 0 to {length!r} mm")


def inner(s: float, length: float) -> float:
    """Return the station if it divides the length into two parts.

    Raises:
        GeometryError: If it is at an end or beyond.
    """
    if SHORTEST < s < length - SHORTEST:
        return s
    raise GeometryError(f"station {s!r} does not divide the length from 0 to {length!r} mm in two")


def span(s0: float, s1: float, length: float) -> tuple[float, float]:
    """Return both stations moved onto [0, length].

    Raises:
        GeometryError: If one is off the length, or nothing lies between them in this order.
    """
    first, last = on_length(s0, length), on_length(s1, length)
    if last - first <= SHORTEST:
        raise GeometryError(f"nothing lies between stations {s0!r} and {s1!r} mm, in this order")
    return first, last
