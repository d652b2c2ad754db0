"""How often a slip on a frame sheet is found, and how often it is placed on the right reading.

Run as a script it prints a table. Every sheet is a made-up triangle with three sides and three angles read,
with normal errors of the instruments' sigmas; then one reading gets one slip larger than five sigma.
"""

from __future__ import annotations

import argparse
import math
import random
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from oaktag_plugins.surveying.adjustment import Thing, angle, side
from oaktag_plugins.surveying.polygon_survey import Readings, SurveyError, reconcile

TAPE, GAUGE = 1.0, 0.3
TAPE_STEP, GAUGE_STEP = 1.0, 0.1
THINGS = (side(0, 3), side(1, 3), side(2, 3), angle(0), angle(1), angle(2))


def honest_values(source: random.Random) -> list[float]:
    """Readings of a random main triangle: top, down, seat tube; angles at seat, head, bottom bracket."""
    top, seat = source.uniform(420.0, 580.0), source.uniform(280.0, 520.0)
    at_seat = math.radians(source.uniform(58.0, 92.0))
    down = math.sqrt(top * top + seat * seat - 2.0 * top * seat * math.cos(at_seat))
    at_head = math.acos((top * top + down * down - seat * seat) / (2.0 * top * down))
    exact = [top, down, seat, *map(math.degrees, (at_seat, at_head, math.pi - at_seat - at_head))]
    # Rounding to the instrument's last figure is part of its sigma, not on top of it.
    noise = [math.sqrt(TAPE**2 - TAPE_STEP**2 / 12.0)] * 3 + [math.sqrt(GAUGE**2 - GAUGE_STEP**2 / 12.0)] * 3
    read = [value + source.gauss(0.0, sigma) for value, sigma in zip(exact, noise, strict=True)]
    return [round(value / TAPE_STEP) * TAPE_STEP for value in read[:3]] + [
        round(value, 1) for value in read[3:]
    ]


def _text(value: float, is_angle: bool) -> str:
    return f"{value:.1f}" if is_angle else f"{value:.0f}"


def _swapped(value: float, is_angle: bool, source: random.Random) -> float:
    text = list(_text(value, is_angle))
    places = [index for index, character in enumerate(text) if character != "."]
    first = source.randrange(len(places) - 1)
    a, b = places[first], places[first + 1]
    text[a], text[b] = text[b], text[a]
    return float("".join(text))


def _misread(value: float, is_angle: bool, source: random.Random) -> float:
    text = list(_text(value, is_angle))
    place = source.choice([index for index, character in enumerate(text) if character != "."])
    text[place] = source.choice([digit for digit in "0123456789" if digit != text[place]])
    return float("".join(text))


Slip = Callable[[float, bool, random.Random], float]
LENGTH_SLIPS: dict[str, Slip] = {
    "swapped digits": _swapped,
    "one digit misread": _misread,
    "cm for mm": lambda value, _, source: value / 10.0 if source.random() < 0.5 else value * 10.0,
    "inch for mm": lambda value, _, __: round(value / 25.4, 1),
    "10 mm tape offset": lambda value, _, source: value + source.choice((-10.0, 10.0)),
}
ANGLE_SLIPS: dict[str, Slip] = {
    "swapped digits": _swapped,
    "one digit misread": _misread,
    "complement": lambda value, _, __: round(90.0 - value, 1),
    "supplement": lambda value, _, __: round(180.0 - value, 1),
}


@dataclass
class Tally:
    """Counts by kind of slip."""

    sheets: Counter[str] = field(default_factory=Counter)
    detected: Counter[str] = field(default_factory=Counter)
    placed: Counter[str] = field(default_factory=Counter)
    alone: Counter[str] = field(default_factory=Counter)
    offered: Counter[str] = field(default_factory=Counter)

    def share(self, part: Counter[str], whole: Counter[str], kind: str | None = None) -> float:
        """Part over whole, of one kind or of all."""
        top, bottom = (part[kind], whole[kind]) if kind else (part.total(), whole.total())
        return top / bottom if bottom else math.nan


@dataclass
class Study:
    """What came of slips and of honest sheets."""

    tally: Tally
    honest: int
    honest_failing: int
    honest_accused: int


def readings_of(values: list[float]) -> Readings:
    """Readings with the study's instruments."""
    things: tuple[Thing, ...] = THINGS
    return Readings(3, things, np.array(values), np.array([TAPE] * 3 + [GAUGE] * 3))


def study(sheets: int, seed: int) -> Study:
    """Look at so many sheets, each once as it is and once with a slip."""
    source = random.Random(seed)
    result = Study(Tally(), sheets, 0, 0)
    tally = result.tally
    for _ in range(sheets):
        values = honest_values(source)
        outcome = reconcile(readings_of(values))
        result.honest_failing += not outcome.passed
        result.honest_accused += bool(outcome.suspects)
        while True:
            index = source.randrange(6)
            kinds = LENGTH_SLIPS if index < 3 else ANGLE_SLIPS
            kind = source.choice(list(kinds))
            written = kinds[kind](values[index], index >= 3, source)
            sigma = TAPE if index < 3 else GAUGE
            possible = written > 0.0 and (index < 3 or written < 180.0)
            if possible and abs(written - values[index]) > 5.0 * sigma:
                break
        tally.sheets[kind] += 1
        slipped = [*values]
        slipped[index] = written
        try:
            outcome = reconcile(readings_of(slipped))
        except SurveyError:
            # Refused outright: found, but not placed.
            tally.detected[kind] += 1
            continue
        if outcome.passed:
            continue
        tally.detected[kind] += 1
        if outcome.suspects and outcome.suspects[0].index == index:
            tally.placed[kind] += 1
            tally.alone[kind] += len(outcome.suspects) == 1
            offered = outcome.suspects[0].explanations
            # Written to a tenth of an inch, a length is known to 1.3 mm; otherwise as it was before the slip.
            same = 1.3 if kind == "inch for mm" else 0.01
            tally.offered[kind] += bool(offered) and abs(offered[0].meant - values[index]) < same
    return result


def table(result: Study) -> str:
    """The study as text."""
    tally = result.tally
    lines = [f"{'slip':<22}{'sheets':>8}{'detected':>10}{'placed':>10}{'alone':>10}{'value offered':>15}"]
    for kind in [*sorted(tally.sheets), None]:
        sheets = tally.sheets[kind] if kind else tally.sheets.total()
        lines.append(
            f"{kind or 'all':<22}{sheets:>8}{tally.share(tally.detected, tally.sheets, kind):>10.1%}"
            f"{tally.share(tally.placed, tally.detected, kind):>10.1%}"
            f"{tally.share(tally.alone, tally.detected, kind):>10.1%}"
            f"{tally.share(tally.offered, tally.placed, kind):>15.1%}"
        )
    failing, accused = result.honest_failing / result.honest, result.honest_accused / result.honest
    lines += [
        "placed: of the detected, the right reading accused first; alone: and no other with it;",
        "value offered: of the placed, the first slip offered is the one that was made",
        f"honest sheets: {result.honest}; whole test failed: {failing:.1%}; a reading accused: {accused:.1%}",
    ]
    return "\n".join(lines)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sheets", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    print(table(study(arguments.sheets, arguments.seed)))
