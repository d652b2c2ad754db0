"""`export.survey`: the opening to scale as SVG, with every reading and what it is off by."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import atan2, ceil, cos, degrees, hypot, radians, sin
from textwrap import shorten
from typing import TYPE_CHECKING, Annotated

from pydantic import Field

from oaktag import Draft, Options, StageSpec, hookimpl
from oaktag.geometry import Box, Line, Path, Point, left_normal, lerp, shifted
from oaktag.pattern import ReadingResult, Survey
from oaktag.pattern.drawing import Stroke
from oaktag.pattern.lettering import letter_polylines, text_size
from oaktag.pattern.sheet import Sheet, sheet_title
from oaktag_plugins.export_svg import with_sheet
from oaktag_plugins.exporting.result_file import ResultFile

if TYPE_CHECKING:
    from numpy import float64
    from numpy.typing import NDArray

CHI_95 = 2.4477
"""Half axes of the 95 % ellipse in sigmas: the root of chi-square 5.991 at 2 degrees of freedom."""

_OFF = 8.0  # from a tube to its text, mm
_CORNER_OFF = 16.0
_DIAGONAL_OFF = 3.0
_MARGIN = 10.0
_DOTS = 2.0  # from one point of a line to the next, to see whether text runs into it, mm
_LONGEST_REASON = 30  # characters

_Place = tuple[Point, float]
"""The middle of a block of text, and how far it is turned, degrees."""


class SurveyOptions(Options):
    """Options of `export.survey`."""

    file: ResultFile = "survey.svg"
    """Name of the file, below the result folder."""
    height: Annotated[float, Field(gt=0, le=20, json_schema_extra={"unit": "mm"})] = 4.0
    """Height of the letters."""
    enlarged: Annotated[float, Field(ge=1, le=1000)] = 10.0
    """How many times larger than life the corners' ellipses are drawn."""


def run(draft: Draft, options: SurveyOptions) -> Draft:
    """Draw the opening at true size with the adjusted values and the readings beside it.

    Raises:
        Refusal: an earlier stage made a file of that name.
    """
    return with_sheet(draft, options.file, survey_sheet(draft, options), _MARGIN, whole=False)


def survey_sheet(draft: Draft, options: SurveyOptions) -> Sheet:
    """The drawing as neutral strokes."""
    opening, survey = draft.opening, draft.survey
    assert opening is not None
    assert survey is not None
    lines = [Stroke("mark", edge.path) for edge in opening.edges]
    lines += [
        Stroke("seam", Path.polyline((edge.path.start, edge.path.end)))
        for edge in opening.edges
        if _rise(edge.path) != (0.0, 0.0)
    ]
    for reading in survey.readings:
        if reading.kind == "diagonal":
            lines.append(Stroke("seam", Path.polyline(_ends(draft, reading))))
    lines += [Stroke("sheet", path) for path in _ellipses(draft, options.enlarged)]
    writing = _Writing(lines, options.height)
    # From what has least choice to what has most: along tubes, along diagonals, at corners and short tubes.
    short = []
    for edge, adjusted in zip(opening.edges, survey.lengths, strict=True):
        text = [
            f"{edge.name} {adjusted.value:.1f} ± {adjusted.sigma:.1f} mm",
            *_readings(draft, "length", edge.name),
        ]
        size = text_size(text, options.height)
        middle = 0.5 * edge.path.length
        outward = left_normal(edge.path.tangent_at(middle))
        upright = _farther(edge.path.point_at(middle), outward, _OFF, size)
        if size[0] > 0.9 * adjusted.value:
            short.append((text, upright))
        else:
            writing.add(text, (*_beside(edge.path, _OFF + 0.5 * size[1]), *upright))
    for reading in survey.readings:
        if reading.kind == "diagonal":
            line = Path.polyline(_ends(draft, reading))
            text = [f"{reading.of}: {_reading(draft, reading)}"]
            away = _DIAGONAL_OFF + 0.5 * text_size(text, options.height)[1]
            writing.add(text, (*_beside(line, away), *_beside(line, -away)))
    for text, places in short:
        writing.add(text, places)
    for index, (corner, adjusted) in enumerate(zip(opening.corners, survey.angles, strict=True)):
        text = [
            f"{corner.name} {adjusted.value:.2f} ± {adjusted.sigma:.2f}°",
            *_readings(draft, "angle", corner.name),
        ]
        before, after = opening.edges[index - 1].path, opening.edges[index].path
        outward = _between(before.tangent_at(before.length), after.tangent_at(0.0))
        size = text_size(text, options.height)
        writing.add(text, _farther(corner.point, outward, _CORNER_OFF, size))
    strokes = [*lines, *writing.strokes]
    box = _box(strokes)
    legend = _legend(draft, survey, options)
    strokes += [
        Stroke("sheet", points)
        for points in letter_polylines(
            legend, options.height, (box.min_x, box.min_y - 15.0), align="left", anchor=(0.0, 1.0)
        )
    ]
    return Sheet(f"Survey: {sheet_title(draft)}", (), (), tuple(strokes), _box(strokes))


# ------------------------------------------------------------------------------------------- room for text


class _Writing:
    """Text that keeps clear of the lines and of the text that is there already."""

    def __init__(self, lines: list[Stroke], height: float) -> None:
        self.height = height
        self.strokes: list[Stroke] = []
        self.taken: list[Point] = [point for line in lines for point in _dots(line.path)]

    def add(self, lines: list[str], places: Sequence[_Place]) -> None:
        """Write at the first place that is clear; at the first of all if none is."""
        wide, tall = text_size(lines, self.height)
        half = (0.5 * (wide + self.height), 0.5 * (tall + self.height))
        position, angle = next((place for place in places if self.clear(place, half)), places[0])
        for points in letter_polylines(lines, self.height, position, angle):
            self.strokes.append(Stroke("text", points))
            self.taken.extend(points)

    def clear(self, place: _Place, half: tuple[float, float]) -> bool:
        """Whether nothing lies in a box with these half sides."""
        (x0, y0), angle = place
        c, s = cos(radians(angle)), sin(radians(angle))
        return not any(
            abs(c * (x - x0) + s * (y - y0)) < half[0] and abs(c * (y - y0) - s * (x - x0)) < half[1]
            for x, y in self.taken
        )


def _dots(path: Path) -> list[Point]:
    """Points along a line, close enough that no text fits between them."""
    count = max(2, ceil(path.length / _DOTS))
    return [path.point_at(path.length * index / count) for index in range(count + 1)]


def _rise(path: Path) -> Point:
    """How far a side stands off the straight line between its ends, mm: least and most, positive outwards."""
    if all(isinstance(segment, Line) for segment in path.segments):
        return 0.0, 0.0
    chord = Line(path.start, path.end)
    outward = left_normal(chord.direction)
    offsets = [(x - chord.start[0]) * outward[0] + (y - chord.start[1]) * outward[1] for x, y in _dots(path)]
    return min(0.0, *offsets), max(0.0, *offsets)


def _beside(path: Path, away: float) -> list[_Place]:
    """Places for text along a side, clear of its bend, from the middle towards the ends."""
    chord = Line(path.start, path.end)
    outward = left_normal(chord.direction)
    angle = degrees(atan2(chord.direction[1], chord.direction[0]))
    if not -90.0 < round(angle, 6) <= 90.0:  # never upside down
        angle += 180.0 if angle <= -90.0 else -180.0
    off = away + (_rise(path)[1] if away > 0.0 else _rise(path)[0])
    return [
        (shifted(lerp(chord.start, chord.end, share), outward, off), angle)
        for share in (0.5, 0.42, 0.58, 0.34, 0.66, 0.26, 0.74)
    ]


def _farther(start: Point, outward: Point, off: float, size: tuple[float, float]) -> list[_Place]:
    """Places for upright text on a ray, from near to far."""
    reach = off + 0.5 * (abs(outward[0]) * size[0] + abs(outward[1]) * size[1])
    return [(shifted(start, outward, reach + 4.0 * step), 0.0) for step in range(30)]


def _between(first: Point, second: Point) -> Point:
    """The direction away from the opening at a corner, half-way between those of its two sides."""
    (ax, ay), (bx, by) = left_normal(first), left_normal(second)
    length = hypot(ax + bx, ay + by)
    # Where the outline turns right back, away from both sides is straight on.
    return ((ax + bx) / length, (ay + by) / length) if length > 1e-6 else first


def _ends(draft: Draft, reading: ReadingResult) -> tuple[Point, Point]:
    assert draft.opening is not None
    first, second = reading.of.split(" to ")
    return draft.opening.corner(first).point, draft.opening.corner(second).point


# --------------------------------------------------------------------------------------------------- words


def _legend(draft: Draft, survey: Survey, options: SurveyOptions) -> list[str]:
    test = survey.statistics
    if not survey.readings:
        verdict = "No reading checks this opening."
    elif test.passed is None or test.critical is None:
        verdict = "Nothing checks these readings: there is no spare one."
    else:
        word = "agree" if test.passed else "DISAGREE"
        numbers = f"chi-square {test.chi_square:.2f}, {test.critical:.2f} allowed, {test.dof} to spare"
        verdict = f"The readings {word}: {numbers}."
    size = f", size {draft.frame.size}" if draft.frame.size else ""
    return [
        f"{draft.frame.name}{size}: opening inside the tubes, true size, drive side facing",
        verdict,
        "In brackets: adjusted minus read. Lengths are straight from corner to corner.",
        f"Ellipses: where a corner lies 95 times in 100, {options.enlarged:g} times enlarged,",
        "with the first corner and the direction of the first tube held fixed.",
    ]


def _readings(draft: Draft, kind: str, name: str) -> list[str]:
    assert draft.survey is not None
    return [
        _reading(draft, reading)
        for reading in draft.survey.readings
        if reading.kind == kind and reading.of == name
    ]


def _reading(draft: Draft, reading: ReadingResult) -> str:
    unit = "°" if reading.kind == "angle" else " mm"
    text = f"read {reading.value:g}{unit} ({reading.residual:+.2f})"
    if reading.excluded:
        return f"{text}, left out: {shorten(reading.excluded, _LONGEST_REASON, placeholder=' …')}"
    suspects = {finding.where for finding in draft.findings if finding.code == "reading-suspect"}
    return f"{text}, SUSPECT" if reading.key in suspects else text


# ------------------------------------------------------------------------------------------------- ellipses


def _ellipses(draft: Draft, enlarged: float) -> Iterator[Path]:
    """The corners' 95 % confidence ellipses, turned into the drawing's axes and enlarged.

    Half axes are the eigenvalues' roots (Ghilani, Adjustment Computations, error ellipses; from memory).
    """
    import numpy as np

    assert draft.opening is not None
    assert draft.survey is not None
    covariance: NDArray[float64] = np.array(draft.survey.covariance)
    first = draft.opening.edges[0].path
    turn = atan2(first.end[1] - first.start[1], first.end[0] - first.start[0])
    rotation = np.array([[cos(turn), -sin(turn)], [sin(turn), cos(turn)]])
    for index, corner in enumerate(draft.opening.corners):
        block = rotation @ covariance[2 * index : 2 * index + 2, 2 * index : 2 * index + 2] @ rotation.T
        values, vectors = np.linalg.eigh(block)
        axes = CHI_95 * enlarged * np.sqrt(np.maximum(values, 0.0))
        if axes[1] < 0.5:
            continue  # held fixed, or too small to see
        points = []
        for step in range(72):
            angle = radians(5.0 * step)
            x, y = vectors @ (axes * np.array([cos(angle), sin(angle)]))
            points.append((corner.point[0] + float(x), corner.point[1] + float(y)))
        yield Path.polyline(points, closed=True)


def _box(strokes: list[Stroke]) -> Box:
    boxes = [
        stroke.shape.bounds if isinstance(stroke.shape, Path) else Box.around(stroke.shape)
        for stroke in strokes
    ]
    box = boxes[0]
    for other in boxes[1:]:
        box = box.union(other)
    return box


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="export.survey",
            summary="Draw the opening to scale with every reading and its residual",
            run=f"{__name__}:run",
            options=f"{__name__}:SurveyOptions",
            needs=frozenset({"survey", "opening"}),
            adds=frozenset({"files"}),
        ),
    )
