"""Worked numbers: how a length was computed, with everything that it was computed from."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

WORKING = "working: "
"""What the source of a number that was worked out before begins with; the working's name follows."""
READING = "reading: "
"""What the source of a reading begins with; its key on the frame sheet follows, and its instrument."""
SAME = 1e-6
"""Two numbers in mm or degrees that differ by no more are one."""


@dataclass(frozen=True, slots=True)
class Term:
    """One number that is put into a formula.

    Attributes:
        symbol: as the formula writes it.
        value: in the formula's unit.
        unit: `mm`, `mm²`, `°`, `l`, or empty for a bare number.
        source: where it comes from, in words: a reading with its key and its instrument (`reading:
            lengths.top-tube, tape`), an option (`corners.round: radius`), or the name of an earlier working
            (`working: angle at head`).
    """

    symbol: str
    value: float
    unit: str
    source: str


@dataclass(frozen=True, slots=True)
class Working:
    """One computed number that a pocket calculator can check.

    Attributes:
        name: what was computed, unique in the draft.
        value: the result, as the draft holds it.
        unit: of the result: `mm`, `°`, `l`.
        formula: in the plain signs + − · / ( ) sqrt sin cos tan acos asin π, whole numbers and the terms'
            symbols: `r / tan(θ / 2)`; angles in degrees.
        terms: the numbers put in, in the order in which the formula names them.
        about: what the number is of: a piece, an edge, a corner; empty if the name says it.
        reference: where the formula comes from, if a publication gives it.
    """

    name: str
    value: float
    unit: str
    formula: str
    terms: tuple[Term, ...]
    about: str = ""
    reference: str = ""


Part = tuple[float, tuple[str, ...], str]
"""A part of a sum: its value; what it is of, as for `WorkingSheet.source`; where it comes from otherwise."""


class WorkingSheet:
    """Worked numbers as a stage writes them down, each of which may go on with an earlier one.

    A number goes on with an earlier one if that was about the same thing and came to the same value: what
    another stage has changed in the meantime isn't mistaken for what was worked out before.

    Args:
        earlier: the workings that the draft has already.

    Attributes:
        new: what has been added, in order.
    """

    def __init__(self, earlier: Iterable[Working]) -> None:
        self.new: list[Working] = []
        self._names: set[str] = set()
        self._about: dict[tuple[str, str], list[Working]] = {}
        for working in earlier:
            self._note(working)

    def _note(self, working: Working) -> None:
        self._names.add(working.name)
        self._about.setdefault((working.about, working.unit), []).append(working)

    def source(self, value: float, unit: str, *about: str) -> str:
        """The source of a number that was worked out before, empty if it wasn't.

        Args:
            value: the number.
            unit: as in `Working`.
            about: what it is of, as in `Working`; the first that has such a number is taken.
        """
        for name in about:
            for working in reversed(self._about.get((name, unit), ())):
                if abs(working.value - value) <= SAME:
                    return f"{WORKING}{working.name}"
        return ""

    def term(self, symbol: str, value: float, unit: str, otherwise: str, *about: str) -> Term:
        """A number to put into a formula.

        Args:
            symbol: as in `Term`.
            value: as in `Term`.
            unit: as in `Term`.
            otherwise: where it comes from if it wasn't worked out before.
            about: what it is of, as in `source`.
        """
        return Term(symbol, value, unit, self.source(value, unit, *about) or otherwise)

    def add(
        self,
        name: str,
        value: float,
        unit: str,
        formula: str,
        terms: Iterable[Term],
        about: str = "",
        reference: str = "",
    ) -> None:
        """Write down a working; a name that is taken gets a number. Arguments as in `Working`."""
        unique, number = name, 1
        while unique in self._names:
            number += 1
            unique = f"{name} ({number})"
        working = Working(unique, value, unit, formula, tuple(terms), about, reference)
        self._note(working)
        self.new.append(working)

    def add_sum(self, name: str, value: float, unit: str, parts: Iterable[Part], about: str = "") -> None:
        """Write down a sum.

        Args:
            name: as in `Working`.
            value: as in `Working`.
            unit: as in `Working`, of the parts too.
            parts: what is added up.
            about: as in `Working`.
        """
        terms = [
            self.term(f"a{number}", part, unit, otherwise, *of)
            for number, (part, of, otherwise) in enumerate(parts, 1)
        ]
        self.add(name, value, unit, " + ".join(term.symbol for term in terms), terms, about)
