"""How the lengths and angles of an opening come from the readings, in numbers that a maker can check.

What was read is the mean of its readings and a correction from the adjustment, which no pocket calculator
gives; everything else follows from that by the rules of triangles, or from the corners' coordinates.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from math import asin, degrees, isclose, radians, sin

from oaktag.geometry import Arc, Point, distance
from oaktag.pattern import Bow, Frame, Opening, Reading, Survey, Term, Working, WorkingSheet
from oaktag.pattern.working import READING, SAME
from oaktag_plugins.drafting.worked_outline import DISTANCE, PYTHAGORAS, coordinate_terms

COSINES = "law of cosines (Euclid, Elements, book II, propositions 12 and 13)"
SINES = "law of sines"
ANGLE_SUM = "sum of the angles of a polygon (Euclid, Elements, book I, proposition 32)"
CHORDS = "chord, rise and radius of a circle (Euclid, Elements, book III, proposition 35)"
LEAST_SQUARES = "measure.reconcile: correction, from least squares"

_FLAT = radians(0.5)
"""Nearer to 0° or 180° an angle can't be told from its cosine with four decimals."""


def opening_workings(
    earlier: Collection[Working], frame: Frame, survey: Survey, opening: Opening, without: Collection[str]
) -> tuple[Working, ...]:
    """How every side and every angle of an opening was computed.

    Args:
        earlier: the workings that there are already.
        frame: whose readings were reconciled.
        survey: their outcome.
        opening: likewise.
        without: keys of readings that were left out of the shape.
    """
    shape = _Shape(WorkingSheet(earlier), frame, survey, opening)
    groups: dict[tuple[str, str], list[Reading]] = {}
    for reading in frame.readings:
        if not reading.excluded and reading.key not in without:
            groups.setdefault((reading.kind, reading.of), []).append(reading)
    for group in groups.values():
        shape.read(group)
    shape.complete()
    sides = [(side.value, (side.of,), "measure.reconcile") for side in survey.lengths]
    shape.sheet.add_sum(
        "perimeter of the opening, corner to corner", survey.perimeter.value, "mm", sides, "opening"
    )
    for bow in frame.bows:
        path = opening.edge(bow.tube).path
        if len(path.segments) == 1 and isinstance(path.segments[0], Arc):
            _along_bow(shape.sheet, bow, shape.sides[bow.tube], path.length)
    return tuple(shape.sheet.new)


def _along_bow(sheet: WorkingSheet, bow: Bow, chord: float, length: float) -> None:
    """How long a tube is along an arc with a rise at its middle, and how large the arc's radius is."""
    place, offset = bow.offsets[0]
    if abs(place.along(chord) - 0.5 * chord) > SAME or abs(offset) >= 0.5 * chord:
        return  # that isn't the rise at its middle, or the arc is more than half a circle
    of = f"radius of {bow.tube}"
    # Which way it bends doesn't matter to either.
    rise = abs(offset)
    terms = [
        sheet.term("c", chord, "mm", f"measure.reconcile: {bow.tube}", bow.tube),
        Term("h", rise, "mm", f"{READING}{bow.key}"),
    ]
    radius = chord**2 / (8.0 * rise) + rise / 2.0
    sheet.add(f"{bow.tube}: radius", radius, "mm", "c · c / (8 · h) + h / 2", terms, of, CHORDS)
    terms = [sheet.term("r", radius, "mm", "measure.reconcile", of), terms[0]]
    formula = "r · π / 90 · asin(c / (2 · r))"
    sheet.add(f"{bow.tube}, along its bow", length, "mm", formula, terms, bow.tube, CHORDS)


class _Shape:
    """What is known of the opening so far; distances by both their corners, angles by their corner."""

    def __init__(self, sheet: WorkingSheet, frame: Frame, survey: Survey, opening: Opening) -> None:
        self.sheet = sheet
        self.frame = frame
        self.count = len(frame.corners)
        self.points: list[Point] = [opening.corner(name).point for name in frame.corners]
        self.angles: Mapping[str, float] = {angle.of: angle.value for angle in survey.angles}
        self.sides: Mapping[str, float] = {side.of: side.value for side in survey.lengths}
        self.distances: set[frozenset[int]] = set()
        self.corners: set[int] = set()

    # What things are called and measure

    def of(self, first: int, second: int) -> str:
        for index, tube in enumerate(self.frame.tubes):
            if {first, second} == {index, (index + 1) % self.count}:
                return tube
        return " to ".join(self.frame.corners[index] for index in sorted((first, second)))

    def length(self, first: int, second: int) -> float:
        of = self.of(first, second)
        return self.sides.get(of) or distance(self.points[first], self.points[second])

    def distance_term(self, symbol: str, first: int, second: int) -> Term:
        of, value = self.of(first, second), self.length(first, second)
        return self.sheet.term(symbol, value, "mm", f"measure.reconcile: {of}", of)

    def angle_term(self, symbol: str, corner: int) -> Term:
        name = self.frame.corners[corner]
        return self.sheet.term(symbol, self.angles[name], "°", f"measure.reconcile: angle at {name}", name)

    def add_distance(
        self, first: int, second: int, formula: str, terms: Collection[Term], reference: str
    ) -> None:
        of = self.of(first, second)
        name = f"{of}, corner to corner" if of in self.sides else f"diagonal {of}"
        self.distances.add(frozenset((first, second)))
        self.sheet.add(name, self.length(first, second), "mm", formula, terms, of, reference)

    def add_angle(self, corner: int, formula: str, terms: Collection[Term], reference: str) -> None:
        name = self.frame.corners[corner]
        self.corners.add(corner)
        self.sheet.add(f"angle at {name}", self.angles[name], "°", formula, terms, name, reference)

    # From the readings

    def read(self, group: list[Reading]) -> None:
        """The mean of one thing's readings and the adjustment's correction."""
        first = group[0]
        unit = "°" if first.kind == "angle" else "mm"
        if first.kind == "angle":
            corner = self.frame.corners.index(first.of)
            of, adjusted = first.of, self.angles[first.of]
            ends = (corner, corner)
        else:
            if first.kind == "length":
                index = self.frame.tubes.index(first.of)
                ends = (index, (index + 1) % self.count)
            else:
                begin, _, end = first.of.partition(" to ")
                ends = (self.frame.corners.index(begin), self.frame.corners.index(end))
            of, adjusted = self.of(*ends), self.length(*ends)
        mean = first.value
        if len(group) > 1:
            mean = sum(r.value / r.sigma**2 for r in group) / sum(1.0 / r.sigma**2 for r in group)
            self._mean(group, of, mean, unit)
            start = self.sheet.term("m", mean, unit, "measure.reconcile: mean", of)
        else:
            start = Term("m", mean, unit, reading_source(first))
        correction = adjusted - mean
        terms = [start]
        formula = "m"
        if abs(correction) > SAME:
            formula, terms = "m + v", [start, Term("v", correction, unit, LEAST_SQUARES)]
        if first.kind == "angle":
            self.add_angle(ends[0], formula, terms, "")
        else:
            self.add_distance(*ends, formula, terms, "")

    def _mean(self, group: list[Reading], of: str, mean: float, unit: str) -> None:
        name = f"{'angle at ' if unit == '°' else ''}{of}, mean of the readings"
        read = [Term(f"r{n}", r.value, unit, reading_source(r)) for n, r in enumerate(group, 1)]
        if all(isclose(reading.sigma, group[0].sigma) for reading in group):
            total = " + ".join(term.symbol for term in read)
            self.sheet.add(name, mean, unit, f"({total}) / {len(read)}", read, of)
            return
        # By hand a weight of 1 / σ² is awkward: the weights are relative to the first reading's.
        weights = [
            Term(f"p{n}", (group[0].sigma / r.sigma) ** 2, "", f"measure.reconcile: weight of {r.instrument}")
            for n, r in enumerate(group, 1)
        ]
        pairs = list(zip(weights, read, strict=True))
        over = " + ".join(f"{weight.symbol} · {term.symbol}" for weight, term in pairs)
        under = " + ".join(weight.symbol for weight in weights)
        terms = [one for pair in pairs for one in pair]
        self.sheet.add(name, mean, unit, f"({over}) / ({under})", terms, of, "weighted mean (GUM, annex H.5)")

    # From each other

    def complete(self) -> None:
        """Work out what wasn't read."""
        rules: tuple[Callable[[], bool], ...] = (
            self._by_angle_sum,
            self._by_side_angle_side,
            self._by_three_sides,
            self._by_sines,
            self._by_coordinates,
        )
        while any(rule() for rule in rules):
            pass

    def _missing_sides(self) -> list[tuple[int, int]]:
        ends = [(index, (index + 1) % self.count) for index in range(self.count)]
        return [pair for pair in ends if frozenset(pair) not in self.distances]

    def _by_angle_sum(self) -> bool:
        missing = [corner for corner in range(self.count) if corner not in self.corners]
        if len(missing) != 1:
            return False
        others = [corner for corner in range(self.count) if corner in self.corners]
        terms = [self.angle_term(f"α{n}", corner) for n, corner in enumerate(others, 1)]
        formula = " − ".join([str(180 * (self.count - 2)), *(term.symbol for term in terms)])
        self.add_angle(missing[0], formula, terms, ANGLE_SUM)
        return True

    def _by_three_sides(self) -> bool:
        """An angle from both its sides and the distance across."""
        for corner in range(self.count):
            before, after = (corner - 1) % self.count, (corner + 1) % self.count
            pairs = [(before, corner), (corner, after), (before, after)]
            angle = self.angles[self.frame.corners[corner]]
            if (
                corner in self.corners
                or abs(sin(radians(angle))) < _FLAT
                or any(frozenset(pair) not in self.distances for pair in pairs)
            ):
                continue
            terms = [self.distance_term(symbol, *pair) for symbol, pair in zip("abc", pairs, strict=True)]
            formula = "acos((a · a + b · b − c · c) / (2 · a · b))"
            self.add_angle(corner, formula if angle < 180.0 else f"360 − {formula}", terms, COSINES)
            return True
        return False

    def _by_side_angle_side(self) -> bool:
        """In a triangle, a side from the two others and the angle between them."""
        if self.count != 3:
            return False
        for first, second in self._missing_sides():
            apex = 3 - first - second
            pairs = [(apex, first), (apex, second)]
            if apex in self.corners and all(frozenset(pair) in self.distances for pair in pairs):
                terms = [self.distance_term(symbol, *pair) for symbol, pair in zip("ab", pairs, strict=True)]
                formula = "sqrt(a · a + b · b − 2 · a · b · cos(θ))"
                self.add_distance(first, second, formula, [*terms, self.angle_term("θ", apex)], COSINES)
                return True
        return False

    def _by_sines(self) -> bool:
        """In a triangle, a side from another and both angles; or an angle from two sides and an angle."""
        if self.count != 3:
            return False
        known = [c for c in range(3) if c in self.corners and self._opposite(c) in self.distances]
        for corner in known:
            first, second = sorted(self._opposite(corner))
            for other in (first, second):
                across = sorted(self._opposite(other))
                have_side, have_angle = self._opposite(other) in self.distances, other in self.corners
                if have_angle and not have_side:
                    terms = [
                        self.distance_term("a", first, second),
                        self.angle_term("β", other),
                        self.angle_term("α", corner),
                    ]
                    self.add_distance(across[0], across[1], "a · sin(β) / sin(α)", terms, SINES)
                    return True
                if have_side and not have_angle:
                    self._angle_by_sines(corner, other, (first, second), (across[0], across[1]))
                    return True
        return False

    def _angle_by_sines(
        self, corner: int, other: int, opposite: tuple[int, int], across: tuple[int, int]
    ) -> None:
        terms = [
            self.distance_term("b", *across),
            self.angle_term("α", corner),
            self.distance_term("a", *opposite),
        ]
        sine = self.length(*across) * sin(radians(self.angles[self.frame.corners[corner]]))
        acute = degrees(asin(min(1.0, sine / self.length(*opposite))))
        # Two angles have this sine; the shape says which it is.
        is_acute = abs(acute - self.angles[self.frame.corners[other]]) < 1e-3
        formula = "asin(b · sin(α) / a)"
        self.add_angle(other, formula if is_acute else f"180 − {formula}", terms, SINES)

    def _opposite(self, corner: int) -> frozenset[int]:
        return frozenset(range(3)) - {corner}

    def _by_coordinates(self) -> bool:
        """A side, or the distance across an angle, from its corners' coordinates."""
        wanted = self._missing_sides()
        for corner in range(self.count):
            across = ((corner - 1) % self.count, (corner + 1) % self.count)
            flat = abs(sin(radians(self.angles[self.frame.corners[corner]]))) < _FLAT
            if corner not in self.corners and not flat and frozenset(across) not in self.distances:
                wanted.append(across)
        if not wanted:
            return False
        first, second = wanted[0]
        names = [self.frame.corners[index] for index in (first, second)]
        terms = coordinate_terms(
            self.points[first],
            self.points[second],
            (f"measure.reconcile: corner {names[0]}", f"measure.reconcile: corner {names[1]}"),
        )
        self.add_distance(first, second, DISTANCE, terms, PYTHAGORAS)
        return True


def reading_source(reading: Reading) -> str:
    """A reading as the source of a term."""
    return f"{READING}{reading.key}, {reading.instrument}"
