"""`export.survey`: the opening to scale as SVG, with every reading and what it is off by."""

from __future__ import annotations

from collections.abc import Iterator
from math import atan2, cos, degrees, hypot, radians, sin
from typing import TYPE_CHECKING, Annotated

from pydantic import Field

from oaktag import Draft, Options, StageSpec, hookimpl
from oaktag.geometry import Box, Path, Point
from oaktag.pattern import OpeningCorner, ReadingResult, Survey
from oaktag.pattern.drawing import Sheet, Stroke, sheet_title
from oaktag.pattern.lettering import letter_polylines, text_size
from oaktag_plugins.export_svg import sheet_svg
from oaktag_plugins.result_file import ResultFile, with_file

if TYPE_CHECKING:
    from numpy import float64
    from numpy.typing import NDArray

CHI_95 = 2.4477
"""Half axes of the 95 % ellipse in sigmas: the root of chi-square 5.991 at 2 degrees of freedom."""

_OFF = 8.0  # from a tube to its text, mm
_CORNER_OFF = 16.0
_MARGIN = 10.0


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
    return with_file(
        draft, options.file, "svg", sheet_svg(survey_sheet(draft, options), {}, _MARGIN).encode()
    )


def survey_sheet(draft: Draft, options: SurveyOptions) -> Sheet:
    """The drawing as neutral strokes."""
    opening, survey = draft.opening, draft.survey
    assert opening is not None
    assert survey is not None
    strokes = [Stroke("mark", edge.path) for edge in opening.edges]
    around = Path(tuple(segment for edge in opening.edges for segment in edge.path.segments))
    for edge, adjusted in zip(opening.edges, survey.lengths, strict=True):
        middle = 0.5 * edge.path.length
        x, y = edge.path.point_at(middle)
        tx, ty = edge.path.tangent_at(middle)
        lines = [
            f"{edge.name} {adjusted.value:.1f} ± {adjusted.sigma:.1f} mm",
            *_readings(survey, "length", edge.name),
        ]
        # The outside lies to the left, as the opening runs clockwise.
        away = _OFF + 0.5 * text_size(lines, options.height)[1]
        strokes += _text(lines, options.height, (x - away * ty, y + away * tx), degrees(atan2(ty, tx)))
    for corner, adjusted in zip(opening.corners, survey.angles, strict=True):
        lines = [
            f"{corner.name} {adjusted.value:.2f} ± {adjusted.sigma:.2f}°",
            *_readings(survey, "angle", corner.name),
        ]
        wide, tall = text_size(lines, options.height)
        ox, oy = _outward(corner, around.bounds.centre)
        away = _CORNER_OFF + abs(ox) * 0.5 * wide + abs(oy) * 0.5 * tall
        strokes += _text(
            lines, options.height, (corner.point[0] + away * ox, corner.point[1] + away * oy), 0.0
        )
    for reading in survey.readings:
        if reading.kind == "diagonal":
            strokes += _diagonal(draft, reading, options.height)
    strokes += [Stroke("sheet", path) for path in _ellipses(draft, options.enlarged)]
    box = _box(strokes)
    legend = _legend(draft, survey, options)
    strokes += [
        Stroke("sheet", points)
        for points in letter_polylines(
            legend, options.height, (box.min_x, box.min_y - 15.0), align="left", anchor=(0.0, 1.0)
        )
    ]
    return Sheet(f"Survey: {sheet_title(draft)}", tuple(strokes), (), _box(strokes))


def _legend(draft: Draft, survey: Survey, options: SurveyOptions) -> list[str]:
    test = survey.statistics
    if test.passed is None or test.critical is None:
        verdict = "Nothing checks these readings: there is no spare one."
    else:
        word = "agree" if test.passed else "DISAGREE"
        numbers = f"chi-square {test.chi_square:.2f}, {test.critical:.2f} allowed, {test.dof} to spare"
        verdict = f"The readings {word}: {numbers}."
    size = f", size {draft.frame.size}" if draft.frame.size else ""
    return [
        f"{draft.frame.name}{size}: opening inside the tubes, true size, drive side facing",
        verdict,
        "In brackets: adjusted minus read.",
        f"Ellipses: where a corner lies 95 times in 100, {options.enlarged:g} times enlarged,",
        "with the first corner and the direction of the first tube held fixed.",
    ]


def _readings(survey: Survey, kind: str, name: str) -> list[str]:
    return [_reading(reading) for reading in survey.readings if reading.kind == kind and reading.of == name]


def _reading(reading: ReadingResult) -> str:
    unit = "°" if reading.kind == "angle" else " mm"
    return f"read {reading.value:g}{unit} ({reading.residual:+.2f})"


def _text(lines: list[str], height: float, position: Point, angle: float) -> Iterator[Stroke]:
    if not -90.0 < angle <= 90.0:
        angle += 180.0 if angle <= -90.0 else -180.0
    for points in letter_polylines(lines, height, position, angle):
        yield Stroke("label", points)


def _diagonal(draft: Draft, reading: ReadingResult, height: float) -> Iterator[Stroke]:
    assert draft.opening is not None
    first, second = (draft.opening.corner(name).point for name in reading.of.split(" to "))
    yield Stroke("seam", Path.polyline((first, second)))
    angle = atan2(second[1] - first[1], second[0] - first[0])
    middle = (0.5 * (first[0] + second[0]), 0.5 * (first[1] + second[1]))
    away = 3.0 + 0.5 * height
    place = (middle[0] - away * sin(angle), middle[1] + away * cos(angle))
    yield from _text([f"{reading.of}: {_reading(reading)}"], height, place, degrees(angle))


def _outward(corner: OpeningCorner, centre: Point) -> Point:
    dx, dy = corner.point[0] - centre[0], corner.point[1] - centre[1]
    length = hypot(dx, dy) or 1.0
    return dx / length, dy / length


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
