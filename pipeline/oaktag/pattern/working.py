"""Worked numbers: how a length was computed, with everything that it was computed from."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Term:
    """One number that is put into a formula.

    Attributes:
        symbol: as the formula writes it.
        value: in the formula's unit.
        unit: `mm`, `°`, `l`, or empty for a bare number.
        source: where it comes from, in words: a reading with its instrument (`reading: top-tube, tape`), an
            option (`corners.round: radius`), or the name of an earlier working (`working: opening of head`).
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
        formula: with the terms' symbols, in plain signs: `r / tan(θ / 2)`; angles in degrees.
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
