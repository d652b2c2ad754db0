"""`export.svg`: SVG 1.1, true size: sizes in mm and one user unit to the millimetre."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import groupby
from math import pi
from typing import TYPE_CHECKING, Literal

from oaktag import Draft, Options, StageSpec, hookimpl
from oaktag.geometry import Arc, Line, Path, Point
from oaktag.pattern.drawing import LINE_STYLES, ROLES, Item, LineStyle, Role, Stroke, as_strokes
from oaktag.pattern.sheet import Sheet, draw_piece_sheet, draw_sheet, drawn_pieces
from oaktag.pattern.shown import Shown, page_of
from oaktag.recipe import NonNegativeLength
from oaktag_plugins.exporting.result_file import ResultFile, with_file

if TYPE_CHECKING:
    from jinja2 import Template

TEMPLATE = "pattern.svg.jinja"
READER = "oaktag_plugins.reading.svg:differences_in"

_NOT_IN_A_FILE_NAME = re.compile(r"[^\w.-]+")


class SvgOptions(Options):
    """Options of `export.svg`."""

    file: ResultFile = "pattern.svg"
    """Name of the file, below the result folder."""

    files: Literal["sheet", "pieces", "both"] = "sheet"
    """One file with all pieces, one for every piece, or both."""

    folder: ResultFile = "svg"
    """Folder for the files of single pieces, below the result folder; each is named after its piece."""

    margin: NonNegativeLength = 10.0
    """Empty margin around everything."""


def run(draft: Draft, options: SvgOptions) -> Draft:
    """Draw the pieces and add them as SVG.

    Raises:
        Refusal: an earlier stage made a file of that name.
    """
    if options.files != "pieces":
        draft = with_sheet(draft, options.file, draw_sheet(draft), options.margin)
    if options.files != "sheet":
        taken: set[str] = set()
        for piece in drawn_pieces(draft):
            name = file_name(piece.id, taken)
            sheet = draw_piece_sheet(draft, piece)
            draft = with_sheet(draft, f"{options.folder}/{name}.svg", sheet, options.margin, whole=False)
    return draft


def file_name(piece: str, taken: set[str]) -> str:
    """A piece's id as the name of a file that every system takes; it is added to those taken."""
    stem = _NOT_IN_A_FILE_NAME.sub("-", piece).strip(".-")[:80] or "piece"
    name, number = stem, 1
    while name.casefold() in taken:
        number += 1
        name = f"{stem}-{number}"
    taken.add(name.casefold())
    return name


def with_sheet(draft: Draft, path: str, sheet: Sheet, margin: float, *, whole: bool = True) -> Draft:
    """The draft with a sheet as an SVG file.

    Args:
        draft: that is drawn.
        path: of the file.
        sheet: what it shows.
        margin: around the sheet's bounds, mm.
        whole: whether every piece is on the sheet.

    Raises:
        Refusal: an earlier stage made a file of that name.
    """
    page = page_of(sheet, margin - sheet.bounds.min_x, margin - sheet.bounds.min_y)
    shown = Shown((page,), {role: role for role in ROLES}, whole=whole)
    data = sheet_svg(sheet, margin).encode()
    return with_file(draft, path, "svg", data, shown=shown, reader=READER)


def sheet_svg(sheet: Sheet, margin: float, styles: Mapping[Role, LineStyle] = LINE_STYLES) -> str:
    """A sheet as the text of an SVG file.

    Arcs are arcs and free curves are Bezier curves; y is turned downward in the coordinates themselves, so
    that no transform stands between a number in the file and a millimetre.

    Args:
        sheet: what to draw.
        margin: around the sheet's bounds, mm.
        styles: line weights and dashes by role, mm.
    """
    pen = _Pen(margin - sheet.bounds.min_x, sheet.bounds.max_y + margin)
    pieces = [(_printable(drawing.piece), drawing.name, items) for drawing, items in sheet.placed()]
    groups = [
        {"id": name, "title": _printable(title), "roles": list(_roles(items, pen, styles))}
        for name, title, items in (*pieces, ("", "", sheet.own))
        if items
    ]
    return _template().render(
        width=_number(sheet.bounds.width + 2.0 * margin),
        height=_number(sheet.bounds.height + 2.0 * margin),
        title=_printable(sheet.title),
        groups=groups,
    )


def _roles(items: Iterable[Item], pen: _Pen, styles: Mapping[Role, LineStyle]) -> Iterator[dict[str, object]]:
    """What is drawn of one piece, by its meaning: each role with its style and its path data."""
    strokes: dict[Role, list[Stroke]] = {}
    for stroke in as_strokes(items):
        strokes.setdefault(stroke.role, []).append(stroke)
    for role, group in strokes.items():
        yield {"name": role, "style": styles[role], "data": [pen.data(run) for run in _elements(group)]}


def _elements(strokes: Sequence[Stroke]) -> Iterator[tuple[Stroke, ...]]:
    """Strokes as they become elements: letters that follow each other together, others alone."""
    for lettered, run_of in groupby(strokes, key=lambda stroke: not isinstance(stroke.shape, Path)):
        if lettered:
            yield tuple(run_of)
        else:
            yield from ((stroke,) for stroke in run_of)


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
