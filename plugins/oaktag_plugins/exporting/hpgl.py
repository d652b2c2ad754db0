"""Lines as HP-GL: 40 plotter units to the millimetre, whole numbers, absolute coordinates.

Units after Hewlett-Packard, PCL 5 Printer Language Technical Reference Manual, part II, table 17-7; that
every HP-GL device since the first ones takes the few instructions used here is from memory.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from math import acos, cos, degrees, hypot, radians, sin
from typing import Literal

from oaktag.geometry import Arc, Line, Path, Point
from oaktag.pattern.lettering import Polyline

UNITS_PER_MM = 40.0
GRID_ERROR = 0.5 * 2.0**0.5 / UNITS_PER_MM
"""How far rounding to whole units moves a point at most, mm: 0.018."""
RESOLUTION = 0.025
"""One unit, mm: what any line of a file may be off."""
SMALLEST_CHORD = 0.5
"""Smallest chord angle in degrees that is asked of a plotter; arcs that need a smaller one become chords."""
LARGEST_16_BIT = 32_767
"""Largest coordinate of devices that count in 16 bits: 819 mm."""

Arcs = Literal["native", "flattened"]
Units = tuple[int, int]


@dataclass(frozen=True, slots=True)
class PenLine:
    """One line with the pen that draws it, mm."""

    pen: int
    shape: Path | Polyline


def hpgl(lines: Iterable[PenLine], arcs: Arcs, chord_error: float) -> bytes:
    """Lines as an HP-GL file, in their order.

    Args:
        lines: what to draw; no coordinate is negative.
        arcs: whether arcs are left to the plotter.
        chord_error: largest distance in mm between a curve and the chords drawn for it.
    """
    parts = ["IN;DF;PA;"]
    pen = 0
    for line in lines:
        if line.pen != pen:
            pen = line.pen
            parts.append(f"PU;SP{pen};")
        parts.append(_drawn(line.shape, arcs, chord_error))
    parts.append("PU;SP0;PU0,0;\n")
    return "\n".join(parts).encode("ascii")


def _drawn(shape: Path | Polyline, arcs: Arcs, chord_error: float) -> str:
    if not isinstance(shape, Path):
        return f"PU{_pair(units(shape[0]))};PD{_pairs([units(point) for point in shape[1:]])};"
    at = units(shape.start)
    parts = [f"PU{_pair(at)};"]
    waiting: list[Units] = []
    for segment in shape.segments:
        native = (
            native_arc(segment, at, chord_error) if arcs == "native" and isinstance(segment, Arc) else None
        )
        if native is None:
            chords = [segment.end] if isinstance(segment, Line) else segment.flatten(chord_error)[1:]
            waiting += [units(point) for point in chords]
        else:
            if waiting:
                parts.append(f"PD{_pairs(waiting)};")
                waiting = []
            parts.append(f"PD;{native}")
            # The plotter ends where its own arithmetic takes it, within a unit; the next point is absolute.
        at = units(segment.end)
    # A last point where an arc ended says where that is.
    waiting = waiting or [at]
    parts.append(f"PD{_pairs(waiting)};")
    return "".join(parts)


def native_arc(arc: Arc, start: Units, chord_error: float) -> str | None:
    """The instruction for an arc, or None where whole units would leave it off by more than one of them.

    Args:
        arc: in mm.
        start: where the pen is.
        chord_error: largest distance in mm between the arc and the plotter's chords.
    """
    centre = units(arc.center)
    dx, dy = (start[0] - centre[0]) / UNITS_PER_MM, (start[1] - centre[1]) / UNITS_PER_MM
    sweep = round(degrees(arc.sweep), 3)
    if arc.radius <= chord_error or abs(sweep) < SMALLEST_CHORD:
        return None
    chord = int(20.0 * degrees(acos(1.0 - chord_error / arc.radius))) / 10.0
    if chord < SMALLEST_CHORD:
        return None
    chord = min(chord, abs(sweep))
    for step in range(9):
        turn = radians(sweep) * step / 8.0
        x = centre[0] / UNITS_PER_MM + dx * cos(turn) - dy * sin(turn)
        y = centre[1] / UNITS_PER_MM + dx * sin(turn) + dy * cos(turn)
        wanted = arc.start_angle + arc.sweep * step / 8.0
        off = hypot(
            x - arc.center[0] - arc.radius * cos(wanted), y - arc.center[1] - arc.radius * sin(wanted)
        )
        if off > RESOLUTION - chord_error:
            return None
    return f"AA{_pair(centre)},{sweep:g},{chord:g};"


def units(point: Point) -> Units:
    """A point in plotter units."""
    return round(point[0] * UNITS_PER_MM), round(point[1] * UNITS_PER_MM)


def _pair(place: Units) -> str:
    return f"{place[0]},{place[1]}"


def _pairs(places: Sequence[Units]) -> str:
    return ",".join([f"{x},{y}" for x, y in _without_stops(places)])


def _without_stops(places: Sequence[Units]) -> Iterator[Units]:
    """The places without repetitions, but for a last one that would leave nothing."""
    last: Units | None = None
    for place in places:
        if place != last:
            yield place
        last = place
