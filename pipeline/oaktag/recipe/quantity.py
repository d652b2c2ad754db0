"""Lengths and angles as makers write them: `523`, `"52.3 cm"`, `"17 9/16 in"`, `"57.5 deg"`."""

from __future__ import annotations

import math
import re
from fractions import Fraction

MM_PER_UNIT: dict[str, Fraction] = {
    "mm": Fraction(1),
    "cm": Fraction(10),
    "in": Fraction(254, 10),  # exact by definition of the international inch
}
LENGTH_UNITS = tuple(MM_PER_UNIT)
ANGLE_UNITS = ("deg", "°")

_NUMBER = r"(?:\d+(?:\.\d*)?|\.\d+)"
_QUANTITY = re.compile(
    rf"""^\s*(?P<sign>[+-]?)\s*
    (?:(?:(?P<whole>\d+)(?:\s+|\s*-\s*))?(?P<over>\d+)\s*/\s*(?P<under>\d+)|(?P<decimal>{_NUMBER}))
    \s*(?P<unit>[^\d\s.+/-][^\d\s]*)?\s*$""",
    re.VERBOSE,
)


class QuantityError(ValueError):
    """Text that is no length or no angle; `valid` says what would be."""

    def __init__(self, reason: str, valid: str) -> None:
        super().__init__(reason)
        self.valid = valid


def length_in_mm(value: object, unit: str = "mm") -> float:
    """A length in mm.

    Args:
        value: a number in `unit`, or text with its own unit: `"52.3 cm"`, `"17 9/16 in"`, `"17-9/16 in"`.
        unit: of numbers and of text that names none: `mm`, `cm` or `in`.

    Raises:
        QuantityError: not a finite number, not a quantity, or an unknown unit.
    """
    valid = f'a number in {unit}, or text with a unit such as "523 mm", "52.3 cm", "17 9/16 in"'
    number, named = _parse(value, valid, LENGTH_UNITS)
    return _float(number * MM_PER_UNIT[named or unit], valid)


def angle_in_degrees(value: object) -> float:
    """An angle in degrees from a number or text such as `"57.5 deg"` or `"57.5°"`.

    Raises:
        QuantityError: not a finite number, not a quantity, or an unknown unit.
    """
    valid = 'a number of degrees, or text such as "57.5 deg"'
    number, _ = _parse(value, valid, ANGLE_UNITS)
    return _float(number, valid)


def _float(number: Fraction, valid: str) -> float:
    try:
        return float(number)
    except OverflowError:
        raise QuantityError("is far too large", valid) from None


def _parse(value: object, valid: str, units: tuple[str, ...]) -> tuple[Fraction, str | None]:
    if isinstance(value, bool) or not isinstance(value, (int, float, str)):
        raise QuantityError("is not a number", valid)
    if isinstance(value, (int, float)):
        if isinstance(value, float) and not math.isfinite(value):
            raise QuantityError("is not a finite number", valid)
        return Fraction(value), None
    # No reading has a hundred digits, and Python refuses to turn some thousands of them into a number.
    match = _QUANTITY.match(value) if len(value) <= 100 else None
    if match is None:
        raise QuantityError("can't be read as a number with a unit", valid)
    if match["decimal"] is not None:
        number = Fraction(match["decimal"])
    elif int(match["under"]) == 0:
        raise QuantityError("divides by zero", valid)
    else:
        number = int(match["whole"] or 0) + Fraction(int(match["over"]), int(match["under"]))
    unit = match["unit"]
    if unit is not None and unit not in units:
        raise QuantityError(f"there is no unit {unit!r} here", f"{valid}; units: {', '.join(units)}")
    return (-number if match["sign"] == "-" else number), unit
