"""`export.svg`: the sheet as SVG 1.1, true size: sizes in mm and one user unit to the millimetre."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import groupby
from math import pi
from typing import TYPE_CHECKING

from oaktag import Draft, Options, StageSpec, hookimpl
from oaktag.geometry import Arc, Line, Path, Point
from oaktag.pattern.drawing import LINE_STYLES, LineStyle, Role, Stroke
from oaktag.pattern.sheet import Sheet, draw_sheet, strokes_by_piece
from oaktag.recipe import NonNegativeLength
from oaktag_plugins.exporting.result_file import ResultFile, with_file

if TYPE_CHECKING:
    from jinja2 import Template

TEMPLATE = "pattern.svg.jinja"


class SvgOptions(Options):
    """Options of `export.svg`."""

    file: ResultFile = "pattern.svg"
    """Name of the file, below the result folder."""

    margin: NonNegativeLength = 10.0
    """Empty margin around everything."""


def run(draft: Draft, options: SvgOptions) -> Draft:
    """Draw all pieces on one sheet and add it as SVG.

    Raises:
        Refusal: an earlier stage made a file of that name.
    """
    names = {piece.id: piece.name for piece in draft.pieces}
    text = sheet_svg(draw_sheet(draft), names, options.margin)
    return with_file(draft, options.file, "svg", text.encode())


def sheet_svg(
    sheet: Sheet, names: Mapping[str, str], margin: float, styles: Mapping[Role, LineStyle] = LINE_STYLES
) -> str:
    """A sheet as the text of an SVG file.

    Arcs are arcs and free curves are Bezier curves; y is turned downward in the coordinates themselves, so
    that no transform stands between a number in the file and a millimetre.

    Args:
        sheet: what to draw.
        names: of the pieces, by id.
        margin: around the sheet's bounds, mm.
        styles: line weights and dashes by role, mm.
    """
    pen = _Pen(margin - sheet.bounds.min_x, sheet.bounds.max_y + margin)
    groups = [
        {
            "id": piece,
            "title": _printable(names.get(piece, piece)),
            "lines": [
                {"role": role, "style": styles[role], "d": pen.data(strokes)}
                for role, strokes in _lines(group)
            ],
        }
        for piece, group in strokes_by_piece(sheet.strokes)
    ]
    return _template().render(
        width=_number(sheet.bounds.width + 2.0 * margin),
        height=_number(sheet.bounds.height + 2.0 * margin),
        title=_printable(sheet.title),
        groups=groups,
    )


def _lines(strokes: Sequence[Stroke]) -> Iterator[tuple[Role, tuple[Stroke, ...]]]:
    """Strokes as they become elements: letters of a role that follow each other together, others alone."""
    for (role, lettered), run_of in groupby(
        strokes, key=lambda stroke: (stroke.role, not isinstance(stroke.shape, Path))
    ):
        if lettered:
            yield role, tuple(run_of)
        else:
            yield from ((role, (stroke,)) for stroke in run_of)


@dataclass(frozen=True, slots=True)
class _Pen:
    """Writes strokes as path data: x moved right by `dx`, y measured downward from `top`."""

    dx: float
    top: float

    def data(self, strokes: Sequence[Stroke]) -> str:
        return " ".join(
            self._path(stroke.shape) if isinstance(stroke.shape, Path) else self._polyline(stroke.shape)
            for stroke in strokes
        )

    def _point(self, point: Point) -> str:
        return f"{_number(point[0] + self.dx)} {_number(self.top - point[1])}"

    def _polyline(self, points: Sequence[Point]) -> str:
        # Letters are most of the file; 0.01 mm is enough for them.
        dx, top = self.dx, self.top
        return "M" + " ".join([f"{x + dx:.2f} {top - y:.2f}" for x, y in points])

    def _path(self, path: Path) -> str:
        parts = [f"M{self._point(path.start)}"]
        for segment in path.segments:
            if isinstance(segment, Line):
                parts.append(f"L{self._point(segment.end)}")
            elif isinstance(segment, Arc):
                # A turn to the right stays one on paper: only the axis is turned, not the drawing.
                large, sweep = int(abs(segment.sweep) > pi), int(segment.clockwise)
                radius = f"{segment.radius:.10g}"
                parts.append(f"A{radius} {radius} 0 {large} {sweep} {self._point(segment.end)}")
            else:
                parts.extend(
                    "C" + " ".join([self._point(point) for point in bezier[1:]]) for bezier in segment.beziers
                )
        return "".join(parts) + ("Z" if path.closed else "")


def _number(value: float) -> str:
    """A coordinate to 0.1 µm, without a sign before zero."""
    return f"{round(value, 4) + 0.0:.10g}"


def _printable(text: str) -> str:
    """The text without signs that XML can't hold."""
    return "".join(sign if sign.isprintable() else "?" for sign in text)


@lru_cache(maxsize=1)
def _template() -> Template:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("oaktag_plugins", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    return environment.get_template(TEMPLATE)


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Supply `export.svg`."""
    return (
        StageSpec(
            name="export.svg",
            summary="Draw all pieces on one sheet as SVG, true size",
            run=f"{__name__}:run",
            options=f"{__name__}:SvgOptions",
            needs=frozenset({"panels", "allowances"}),
            uses=frozenset({"gusset", "seams", "notches", "labels", "proof"}),
            adds=frozenset({"files"}),
        ),
    )
