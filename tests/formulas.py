"""A pocket calculator for the formulas of worked numbers, which knows nothing of how they were computed."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping

from oaktag.pattern import Draft, Working

FUNCTIONS: Mapping[str, Callable[[float], float]] = {
    "sqrt": math.sqrt,
    "sin": lambda x: math.sin(math.radians(x)),
    "cos": lambda x: math.cos(math.radians(x)),
    "tan": lambda x: math.tan(math.radians(x)),
    "asin": lambda x: math.degrees(math.asin(x)),
    "acos": lambda x: math.degrees(math.acos(x)),
}
TOKEN = re.compile(r"\s*(?:(?P<number>\d+(?:\.\d+)?)|(?P<name>[^\W\d_]\d*[a-z]*|[a-z]+)|(?P<sign>[-+−·/()]))")


class FormulaError(ValueError):
    """A formula that isn't written in the grammar."""


def tokens(formula: str) -> list[str]:
    """The formula's numbers, names and signs."""
    found: list[str] = []
    at, text = 0, formula.rstrip()
    while at < len(text):
        match = TOKEN.match(text, at)
        if match is None:
            raise FormulaError(f"{formula}: what is {text[at:]!r}?")
        found.append(match.group().strip())
        at = match.end()
    return found


def symbols(formula: str) -> list[str]:
    """The symbols that a formula uses, in the order in which it names them first."""
    names = [token for token in tokens(formula) if token[0].isalpha()]
    return list(dict.fromkeys(name for name in names if name not in FUNCTIONS and name != "π"))


def evaluate(formula: str, values: Mapping[str, float]) -> float:
    """The value of a formula: + and − bind least, then · and /, from left to right; angles in degrees."""
    calculator = _Calculator(formula, values)
    value = calculator.sum()
    if calculator.left:
        raise FormulaError(f"{formula}: what is {' '.join(calculator.left)!r} at the end?")
    return value


class _Calculator:
    def __init__(self, formula: str, values: Mapping[str, float]) -> None:
        self.left = tokens(formula)
        self.formula = formula
        self.values = values

    def take(self, *wanted: str) -> str:
        if self.left and (not wanted or self.left[0] in wanted):
            return self.left.pop(0)
        if wanted:
            return ""
        raise FormulaError(f"{self.formula}: something is missing at the end")

    def sum(self) -> float:
        value = self.product()
        while sign := self.take("+", "−"):
            other = self.product()
            value = value + other if sign == "+" else value - other
        return value

    def product(self) -> float:
        value = self.single()
        while sign := self.take("·", "/"):
            other = self.single()
            value = value * other if sign == "·" else value / other
        return value

    def single(self) -> float:
        token = self.take()
        if token == "(":
            return self.bracket()
        if token in FUNCTIONS:
            if not self.take("("):
                raise FormulaError(f"{self.formula}: {token} needs brackets")
            return FUNCTIONS[token](self.bracket())
        if token == "π":
            return math.pi
        if token in self.values:
            return self.values[token]
        if token[0].isdigit():
            return float(token)
        raise FormulaError(f"{self.formula}: what is {token!r}?")

    def bracket(self) -> float:
        value = self.sum()
        if not self.take(")"):
            raise FormulaError(f"{self.formula}: a bracket isn't closed")
        return value


def by_hand(working: Working, decimals: int = 4) -> float:
    """What a maker gets who puts in the terms as they are printed."""
    return evaluate(working.formula, {term.symbol: round(term.value, decimals) for term in working.terms})


def wrong(working: Working, tolerance: float = 0.05) -> str:
    """How a working is wrong in itself, empty if it isn't."""
    named = [term.symbol for term in working.terms]
    if named != symbols(working.formula):
        return f"{working.name}: {working.formula} has the terms {named}"
    if any(not term.source.strip() for term in working.terms) or not working.name.strip():
        return f"{working.name}: a term without a source"
    found = by_hand(working)
    if not abs(found - working.value) <= tolerance:
        return f"{working.name}: {working.formula} is {found}, not {working.value}"
    return ""


def about(workings: Iterable[Working], of: str, unit: str = "mm") -> Working:
    """The last working about something."""
    return [working for working in workings if working.about == of and working.unit == unit][-1]


def unfounded(draft: Draft) -> list[str]:
    """Terms whose source isn't there, or has another value."""
    read = {reading.key: (reading.value, reading.instrument) for reading in draft.frame.readings}
    widths = {width.key: width.width for width in draft.frame.widths}
    rises = {bow.key: abs(rise) for bow in draft.frame.bows for _, rise in bow.offsets}
    earlier: dict[str, Working] = {}
    found: list[str] = []
    for working in draft.workings:
        for term in working.terms:
            told = f"{working.name}: {term.symbol} = {term.value} from {term.source}"
            if term.source.startswith("working: "):
                source = earlier.get(term.source.removeprefix("working: "))
                if source is None or abs(source.value - term.value) > 1e-6 or source.unit != term.unit:
                    found.append(told)
            elif term.source.startswith("reading: "):
                key, _, instrument = term.source.removeprefix("reading: ").partition(", ")
                if instrument and read.get(key) != (term.value, instrument):
                    found.append(told)
                if not instrument and {**widths, **rises}.get(key) != term.value:
                    found.append(told)
        if working.name in earlier:
            found.append(f"{working.name}: twice")
        earlier[working.name] = working
    return found


def unworked(draft: Draft) -> list[str]:
    """Runs of side panels, and sewn edges of gussets, that no working ends in."""
    worked = {(w.about, round(w.value, 5)) for w in draft.workings if w.unit == "mm"}
    found: list[str] = []
    for piece in draft.pieces:
        body = f"{piece.body}-" if piece.body else ""
        if piece.role == "side-panel":
            wanted = [(f"{body}{edge.name}", edge.length) for edge in piece.edges]
            wanted.append((f"{body}side-panel", piece.seam_line.length))
        elif piece.role == "gusset":
            sides = ("drive-side", "non-drive-side")
            wanted = [(f"{piece.id} length", piece.edge(side).length) for side in sides]
        else:
            continue
        # Two roundings, as one number may lie on the border between two.
        found += [
            f"{piece.id}: {of} {length:.4f}"
            for of, length in wanted
            if not {(of, round(length + step, 5)) for step in (-5e-6, 0.0, 5e-6)} & worked
        ]
    return found
