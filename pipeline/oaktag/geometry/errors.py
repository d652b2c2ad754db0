"""Errors of the geometry: what does not exist, and by how much it fails to."""

from __future__ import annotations

from math import floor


class GeometryError(ValueError):
    """A shape that does not exist, or a station that is not on it."""


class OffsetError(GeometryError):
    """The outline has no offset at the distances asked for.

    Attributes:
        part: Index of the part that vanishes or crosses another.
        reason: What is wrong with it, in words.
    """

    def __init__(self, part: int, reason: str) -> None:
        # Both values go to the base class so that the error survives pickling between processes.
        super().__init__(part, reason)
        self.part = part
        self.reason = reason

    def __str__(self) -> str:
        return f"part {self.part}: {self.reason}"


class FilletError(GeometryError):
    """No arc of the radius asked for is tangent to both paths.

    Attributes:
        largest: The largest smaller radius in mm that was found to fit, 0 where none does.
        reason: Why the radius asked for does not fit, in words.
    """

    def __init__(self, largest: float, reason: str) -> None:
        super().__init__(largest, reason)
        self.largest = largest
        self.reason = reason

    def __str__(self) -> str:
        # Rounded down, so that the radius in the message fits.
        return f"{self.reason}; the largest radius that fits is {floor(self.largest * 100.0) / 100.0:.2f} mm"
