"""The slips that hands make when they read and write down a measurement, as a table.

A slip turns the value that was meant into the value that stands on the sheet. Each kind here goes the other
way:
from the written value to every value that may have been meant.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Literal

MM_PER_INCH = 25.4

Unit = Literal["mm", "in", "deg"]


@dataclass(frozen=True, slots=True)
class Numeral:
    """A value as it was most likely written down.

    Attributes:
        value: in mm or degrees.
        unit: `mm` (centimetres have the same digits), `in` or `deg`.
        digits: decimal digits with at most one point; of inches in fractions, the whole inches only.
        fraction: what follows the whole inches, as a fraction of an inch; 0 for everything else.
    """

    value: float
    unit: Unit
    digits: str
    fraction: float = 0.0

    @property
    def scale(self) -> float:
        """Mm or degrees per unit."""
        return MM_PER_INCH if self.unit == "in" else 1.0

    def spelled(self, digits: str) -> float:
        """The value in mm or degrees if these digits had been written in place of `digits`."""
        return (float(digits) + self.fraction) * self.scale


def numerals(value: float, *, angle: bool) -> tuple[Numeral, ...]:
    """Every way in which a value was plausibly written down; at least one.

    Digits can only be swapped in the unit in which they were written. A length with at most two decimals in
    mm may be metric; one of whole 64ths of an inch, or with at most three decimals in inches, may be in
    inches.
    """
    if angle:
        return (Numeral(value, "deg", _decimal(value, 2)),)
    found = []
    if abs(value - round(value, 2)) < 1e-6:
        found.append(Numeral(value, "mm", _decimal(value, 2)))
    inches = value / MM_PER_INCH
    if abs(inches * 64 - round(inches * 64)) < 1e-6:
        whole = math.floor(round(inches * 64) / 64)
        found.append(Numeral(value, "in", str(whole), round(inches * 64) / 64 - whole))
    if abs(inches - round(inches, 3)) < 1e-6 and inches != round(inches):
        found.append(Numeral(value, "in", _decimal(inches, 3)))
    return tuple(found) or (Numeral(value, "mm", _decimal(value, 2)),)


def _decimal(value: float, places: int) -> str:
    text = f"{value:.{places}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _neighbours_swapped(written: Numeral) -> Iterable[float]:
    return _swaps(written, neighbours=True)


def _others_swapped(written: Numeral) -> Iterable[float]:
    return _swaps(written, neighbours=False)


def _swaps(written: Numeral, *, neighbours: bool) -> Iterable[float]:
    places = [index for index, character in enumerate(written.digits) if character != "."]
    for first in range(len(places)):
        for second in range(first + 1, len(places)):
            if (second == first + 1) == neighbours:
                digits = list(written.digits)
                a, b = places[first], places[second]
                digits[a], digits[b] = digits[b], digits[a]
                if digits[0] != "0":
                    yield written.spelled("".join(digits))


def _digit_misread(written: Numeral) -> Iterable[float]:
    for index, character in enumerate(written.digits):
        if character == ".":
            continue
        for digit in "0123456789":
            if digit != character and not (index == 0 and digit == "0" and len(written.digits) > 1):
                yield written.spelled(written.digits[:index] + digit + written.digits[index + 1 :])


def _fraction_misread(written: Numeral) -> Iterable[float]:
    if written.unit == "in" and "." not in written.digits:
        for sixteenths in range(16):
            yield (float(written.digits) + sixteenths / 16) * MM_PER_INCH


def _centimetres(written: Numeral) -> Iterable[float]:
    if written.unit == "mm":
        yield written.value * 10.0
        yield written.value / 10.0


def _inches(written: Numeral) -> Iterable[float]:
    yield written.value * MM_PER_INCH
    yield written.value / MM_PER_INCH


def _inches_for_centimetres(written: Numeral) -> Iterable[float]:
    yield written.value * MM_PER_INCH / 10.0
    yield written.value / (MM_PER_INCH / 10.0)


def _tape_offset(written: Numeral) -> Iterable[float]:
    # Started from a whole mark because the tape's end is worn: 10 mm, or one inch on a tape in inches.
    offset = MM_PER_INCH if written.unit == "in" else 10.0
    yield written.value - offset
    yield written.value + offset


def _complement(written: Numeral) -> Iterable[float]:
    yield 90.0 - written.value


def _supplement(written: Numeral) -> Iterable[float]:
    yield 180.0 - written.value


def _other_side(written: Numeral) -> Iterable[float]:
    yield 360.0 - written.value


@dataclass(frozen=True, slots=True)
class SlipKind:
    """One kind of slip.

    Attributes:
        name: in the maker's words, as it stands in front of a question mark: `swapped digits`.
        lengths: whether it happens to lengths and diagonals.
        angles: whether it happens to angles.
        meant: the values (mm or degrees) that may have been meant, given what was written.
        rarity: added to the kind's price; 0 for a common slip.
        inch_name: its name when the value was written in inches, if that differs.
    """

    name: str
    lengths: bool
    angles: bool
    meant: Callable[[Numeral], Iterable[float]]
    rarity: float = 0.0
    inch_name: str = ""

    def name_in(self, unit: Unit) -> str:
        """The kind's name for a value written in that unit."""
        return self.inch_name if unit == "in" and self.inch_name else self.name


SLIP_KINDS: tuple[SlipKind, ...] = (
    SlipKind("swapped digits", lengths=True, angles=True, meant=_neighbours_swapped),
    SlipKind("swapped digits", lengths=True, angles=True, meant=_others_swapped, rarity=2.0),
    SlipKind(
        "10 mm tape offset", lengths=True, angles=False, meant=_tape_offset, inch_name="1 in tape offset"
    ),
    SlipKind("centimetres for millimetres", lengths=True, angles=False, meant=_centimetres),
    SlipKind("inches for millimetres", lengths=True, angles=False, meant=_inches),
    SlipKind("inches for centimetres", lengths=True, angles=False, meant=_inches_for_centimetres, rarity=2.0),
    SlipKind("complement of the angle", lengths=False, angles=True, meant=_complement),
    SlipKind("supplement of the angle", lengths=False, angles=True, meant=_supplement),
    SlipKind("angle of the other side", lengths=False, angles=True, meant=_other_side, rarity=2.0),
    SlipKind("one digit misread", lengths=True, angles=True, meant=_digit_misread),
    SlipKind("fraction of an inch misread", lengths=True, angles=False, meant=_fraction_misread),
)
"""Every kind that is tried. Where two explain a reading equally well, the earlier one is offered."""


@dataclass(frozen=True, slots=True)
class Explanation:
    """A slip that would bring a reading into line.

    Attributes:
        slip: the kind's name.
        meant: the value that was meant, mm or degrees.
        misfit: squared distance from what the other readings predict, over its variance; its share in chi-
            square.
        price: how little the slip says for itself: twice the logarithm of how many values the kind offers,
            plus its rarity. A kind with many answers hits the right one by chance more often.
    """

    slip: str
    meant: float
    misfit: float
    price: float


def explanations(
    value: float,
    *,
    angle: bool,
    predicted: float,
    sigma: float,
    kinds: tuple[SlipKind, ...] = SLIP_KINDS,
    highest_angle: float = 180.0,
) -> tuple[Explanation, ...]:
    """Every slip that would bring a reading nearer to what the others predict, the best first.

    The order is by `misfit + price`: minus twice the logarithm of the posterior odds if all kinds are equally
    frequent and a kind's answers equally likely.

    Args:
        value: the reading, mm or degrees.
        angle: whether it is an angle.
        predicted: what the other readings say, mm or degrees.
        sigma: standard uncertainty of reading minus prediction.
        kinds: the table to use.
        highest_angle: below which an angle must lie, degrees.
    """
    before = ((value - predicted) / sigma) ** 2
    best: dict[float, Explanation] = {}
    for kind in kinds:
        if not (kind.angles if angle else kind.lengths):
            continue
        names: dict[float, str] = {}
        for written in numerals(value, angle=angle):
            for meant in kind.meant(written):
                if meant > 0.0 and abs(meant - value) > 1e-6 and not (angle and meant >= highest_angle):
                    names.setdefault(round(meant, 6), kind.name_in(written.unit))
        price = kind.rarity + (2.0 * math.log(len(names)) if names else 0.0)
        for meant, name in names.items():
            misfit = ((meant - predicted) / sigma) ** 2
            if misfit < before and (meant not in best or price < best[meant].price):
                best[meant] = Explanation(name, meant, misfit, price)
    return tuple(sorted(best.values(), key=lambda one: (one.misfit + one.price, one.meant)))
