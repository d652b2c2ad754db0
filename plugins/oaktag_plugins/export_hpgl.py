"""`export.hpgl`: for pen plotters, drag knives and lasers that take HP-GL, 40 units to the millimetre."""

from __future__ import annotations

from math import ceil
from pathlib import PurePosixPath
from typing import Annotated

from pydantic import Field, model_validator

from oaktag import Draft, Finding, Options, StageSpec, hookimpl
from oaktag.geometry import Box, GeometryError, Line, OffsetError, Path, Transform
from oaktag.pattern.drawing import ROLES, Item, Role, Stroke, Text, as_strokes, moved, piece_bounds
from oaktag.pattern.lettering import Polyline
from oaktag.pattern.read_back import items_on
from oaktag.pattern.sheet import Placement, Sheet, draw_sheets
from oaktag.pattern.shown import Page, Shown, ToolPath
from oaktag.recipe import NonNegativeLength, PositiveLength, refuse_value
from oaktag_plugins.exporting.hpgl import (
    GRID_ERROR,
    LARGEST_16_BIT,
    RESOLUTION,
    UNITS_PER_MM,
    Arcs,
    PenLine,
    hpgl,
)
from oaktag_plugins.exporting.result_file import ResultFile, with_file
from oaktag_plugins.exporting.tool_path import (
    begun_on_a_straight,
    ends_of,
    lead_in_point,
    offset_for_kerf,
    overcut_end,
    shortest_travel,
    turned_round,
)

READER = "oaktag_plugins.reading.hpgl:differences_in"

DRAWN, CUT = 1, 2
_PENS: dict[Role, int] = {role: CUT if role in ("cut", "hole", "notch") else DRAWN for role in ROLES}
# What is drawn comes before what is cut, and what is cut within a piece before its outline: a piece that has
# been cut out may shift.
_ORDER: tuple[frozenset[Role], ...] = (
    frozenset({"sheet", "text", "grain", "mark", "seam", "fold"}),
    frozenset({"notch", "hole"}),
    frozenset({"cut"}),
)
_CROSS = 4.0  # mm, arm of an alignment mark
_MARK_TEXT = 4.0

Pen = Annotated[int, Field(ge=0, le=255)]


class HpglOptions(Options):
    """Options of `export.hpgl`."""

    file: ResultFile = "pattern.plt"
    """Name of the file, below the result folder; of several frames each has its number in it."""

    pens: dict[Role, Pen] = Field(default_factory=dict)
    """Pen by meaning, 0 to leave it out; unless told pen 2 has cut lines, holes, notches, pen 1 the rest."""

    width: PositiveLength = 900.0
    """How far the bed reaches across the feed (y)."""

    length: PositiveLength | None = None
    """How far it reaches along the feed (x), with longer patterns split into frames; no limit for a roll."""

    overlap: PositiveLength = 20.0
    """How much of a frame its neighbour repeats; the alignment marks lie in the middle of it."""

    margin: NonNegativeLength = 5.0
    """Distance from the edges of the bed."""

    gap: NonNegativeLength = 20.0
    """Distance between pieces."""

    arcs: Arcs = "native"
    """Arcs as the plotter's own, or `flattened` to chords for one that draws none."""

    chord_error: Annotated[PositiveLength, Field(ge=0.001, le=0.5)] = 0.005
    """Largest distance between a curve and the chords drawn for it."""

    overcut: Annotated[NonNegativeLength, Field(le=10.0)] = 0.0
    """How far a knife cuts on past the place where it began; about 1 mm (common practice, no source)."""

    lead_in: Annotated[NonNegativeLength, Field(le=20.0)] = 0.0
    """Length of a straight cut in the waste that leads to the place where an outline or a hole begins."""

    kerf: Annotated[NonNegativeLength, Field(le=5.0)] = 0.0
    """Width that a laser burns away: outlines grow, holes shrink by half of it. Measure a test square."""

    @model_validator(mode="after")
    def _possible(self) -> HpglOptions:
        if self.length is not None and self.length < 2.0 * self.overlap:
            raise refuse_value(
                f"frames of {self.length:g} mm can't overlap by {self.overlap:g} mm",
                "a length of at least twice the overlap",
                "make frames longer, or the overlap smaller",
            )
        if self.lead_in and self.lead_in > 0.5 * self.gap:
            raise refuse_value(
                f"a lead-in of {self.lead_in:g} mm doesn't fit between pieces {self.gap:g} mm apart",
                "a lead-in of at most half the gap",
                "make the gap larger, or the lead-in shorter",
            )
        return self

    @property
    def layers(self) -> dict[Role, str]:
        """The pen of every meaning that is drawn."""
        pens = {**_PENS, **self.pens}
        return {role: str(pens[role]) for role in ROLES if pens[role]}

    @property
    def tool(self) -> ToolPath | None:
        """What is done to cut lines for the tool's sake."""
        tool = ToolPath(self.kerf, self.overcut, self.lead_in)
        return None if tool == ToolPath() else tool


def run(draft: Draft, options: HpglOptions) -> Draft:
    """Lay the pieces on the bed, split what is longer into frames, and add each frame as a file.

    Raises:
        Refusal: an earlier stage made a file of that name.
    """
    (sheet,) = draw_sheets(draft, gap=options.gap, width=options.width - 2.0 * options.margin, turn=True)
    high = sheet.bounds.width + 2.0 * options.margin
    if high > options.width + 1e-6:
        return draft.with_findings([_too_wide(draft, sheet, options)])
    whole = along_the_feed(sheet, options.margin)
    pages = frames(whole, sheet.bounds.height + 2.0 * options.margin, options)
    if len(pages) > 1 and options.tool is not None:
        return draft.with_findings([_split_for_a_tool(options)])
    findings: list[Finding] = []
    reach = max(
        (page.window or Box(0.0, 0.0, sheet.bounds.height + 2.0 * options.margin, high)).max_x
        for page in pages
    )
    if max(reach, high) * UNITS_PER_MM > LARGEST_16_BIT:
        message = (
            f"{options.file} reaches to {max(reach, high):.0f} mm: devices that count in 16 bits end at"
            " 819 mm; for one of those set length (and width) to 800 mm or less, to have it split into frames"
        )
        findings.append(Finding("note", "beyond-16-bit", message))
    chord_error = options.chord_error
    for number, page in enumerate(pages, start=1):
        lines, unmoved = tool_lines(draft, page, options)
        data = hpgl(lines, options.arcs, chord_error)
        tolerance = max(RESOLUTION, GRID_ERROR + chord_error)
        shown = Shown((page,), options.layers, tolerance=tolerance, whole=len(pages) == 1, tool=options.tool)
        path = options.file if len(pages) == 1 else numbered(options.file, number)
        draft = with_file(draft, path, "hpgl", data, shown=shown, reader=READER)
        findings += unmoved
    return draft.with_findings(dict.fromkeys(findings))


def _split_for_a_tool(options: HpglOptions) -> Finding:
    message = (
        f"{options.file} isn't made: frames of {options.length:g} mm split lines, and a line that is split"
        " can't have kerf, lead-in or overcut; make length larger, or leave these out"
    )
    return Finding("error", "tool-needs-whole-lines", message)


def numbered(path: str, number: int) -> str:
    """The name of one of several files."""
    whole = PurePosixPath(path)
    return str(whole.with_name(f"{whole.stem}-{number}{whole.suffix}"))


def _too_wide(draft: Draft, sheet: Sheet, options: HpglOptions) -> Finding:
    room = options.width - 2.0 * options.margin
    narrow = {piece.id: min(piece_bounds(piece).width, piece_bounds(piece).height) for piece in draft.pieces}
    widest = max((p.piece for p in sheet.placements), key=lambda name: narrow[name], default="")
    needed = sheet.bounds.width + 2.0 * options.margin
    where = widest if widest and narrow[widest] > room else ""
    what = f"{widest} is {narrow[widest]:.0f} mm wide" if where else "the title doesn't fit"
    return Finding(
        "error",
        "bed-too-narrow",
        f"{options.file} isn't made: a bed {options.width:g} mm wide leaves {room:g} mm and {what}; set width"
        f" to {ceil(needed)} mm or more, or split the piece",
        where,
    )


def along_the_feed(sheet: Sheet, margin: float) -> Page:
    """A sheet turned clockwise by a quarter: its length lies along the feed, in the bed's coordinates."""
    turn = Transform.rotation(-90.0).then(
        Transform.translation(margin - sheet.bounds.min_y, margin + sheet.bounds.max_x)
    )
    placements = []
    for placement in sheet.placements:
        x, y = turn.apply((placement.dx, placement.dy))
        placements.append(Placement(placement.piece, x, y, (placement.angle - 90.0) % 360.0))
    return Page(tuple(placements), tuple(moved(item, turn) for item in sheet.own))


def frames(page: Page, length: float, options: HpglOptions) -> list[Page]:
    """A page cut across the feed into frames that fit the bed, with alignment marks where they overlap.

    A mark has the same letter and number on both frames: the letter is that of the joint.
    """
    if options.length is None or length <= options.length:
        return [page]
    step = options.length - options.overlap
    count = ceil((length - options.overlap) / step - 1e-9)
    marks: list[Item] = []
    for joint in range(1, count):
        x = joint * step + 0.5 * options.overlap
        for number, share in enumerate((0.1, 0.9), start=1):
            marks += alignment_mark(x, share * options.width, f"{joint_name(joint)}{number}")
    result = []
    for number in range(count):
        shift = Transform.translation(-number * step, 0.0)
        placements = tuple(placement.shifted(-number * step, 0.0) for placement in page.placements)
        own = tuple(moved(item, shift) for item in (*page.own, *marks))
        result.append(Page(placements, own, Box(0.0, 0.0, options.length, options.width)))
    return result


def joint_name(number: int) -> str:
    """A, B ... Z, AA, AB ... for 1, 2 ..."""
    name = ""
    while number:
        number, letter = divmod(number - 1, 26)
        name = chr(65 + letter) + name
    return name


def alignment_mark(x: float, y: float, name: str) -> list[Item]:
    """A cross with its name above it."""
    return [
        Stroke("sheet", Path((Line((x - _CROSS, y), (x + _CROSS, y)),))),
        Stroke("sheet", Path((Line((x, y - _CROSS), (x, y + _CROSS)),))),
        Text("sheet", (name,), _MARK_TEXT, (x, y + _CROSS + _MARK_TEXT)),
    ]


def tool_lines(draft: Draft, page: Page, options: HpglOptions) -> tuple[list[PenLine], list[Finding]]:
    """Everything on a page in the order in which it is drawn, and what couldn't be offset for the kerf."""
    layers = options.layers
    findings: list[Finding] = []
    lines: list[PenLine] = []
    place = (0.0, 0.0)
    strokes = [stroke for stroke in as_strokes(items_on(draft, page)) if stroke.role in layers]
    for roles in _ORDER:
        for pen in sorted({int(layers[role]) for role in roles if role in layers}):
            shapes: list[Path | Polyline] = []
            for stroke in strokes:
                if stroke.role in roles and int(layers[stroke.role]) == pen:
                    shape, finding = _for_tool(stroke, options)
                    findings += [finding] if finding is not None else []
                    shapes += clipped(shape, page.window, options.chord_error)
            # A closed line, and one that has a lead-in, is always drawn in its own direction.
            fixed = [isinstance(shape, Path) and _is_outline(shape, options) for shape in shapes]
            ends = [
                (shape.start, shape.start) if keep and isinstance(shape, Path) else ends_of(shape)
                for shape, keep in zip(shapes, fixed, strict=True)
            ]
            travel = shortest_travel(ends, place)
            for index, back in zip(travel.order, travel.reversed, strict=True):
                shape = turned_round(shapes[index]) if back and not fixed[index] else shapes[index]
                lines.append(PenLine(pen, shape))
                place = ends_of(shape)[1]
    return lines, findings


def _is_outline(path: Path, options: HpglOptions) -> bool:
    return path.closed or (options.tool is not None and path.length > 2.0 * path.bounds.width)


def _for_tool(stroke: Stroke, options: HpglOptions) -> tuple[Path | Polyline, Finding | None]:
    """A stroke as the tool cuts it, and what is to be said of one that can't be offset."""
    shape, finding = stroke.shape, None
    if options.tool is None or stroke.role not in ("cut", "hole") or not isinstance(shape, Path):
        return shape, None
    hole = stroke.role == "hole"
    if not shape.closed:
        message = "an open line: it stands in the file as drafted, without kerf, lead-in and overcut"
        return shape, Finding("note", "line-not-closed", message, stroke.piece)
    if options.kerf:
        try:
            shape = offset_for_kerf(shape, (-0.5 if hole else 0.5) * options.kerf)
        except (GeometryError, OffsetError) as error:
            what = "a hole" if hole else "the outline"
            message = (
                f"{what} can't be moved by half a kerf of {options.kerf:g} mm: {error}; use a smaller kerf"
            )
            finding = Finding("error", "kerf-too-wide", message, stroke.piece)
    shape = begun_on_a_straight(shape)
    segments = list(shape.segments)
    if options.lead_in:
        segments.insert(0, Line(lead_in_point(shape, options.lead_in, hole=hole), shape.start))
    if options.overcut:
        segments += overcut_end(shape, options.overcut).segments
    return Path(tuple(segments)), finding


def clipped(shape: Path | Polyline, window: Box | None, chord_error: float) -> list[Path | Polyline]:
    """What of a line can be seen in a window: all of it, nothing, or the pieces inside as chords."""
    if window is None:
        return [shape]
    box = shape.bounds if isinstance(shape, Path) else Box.around(shape)
    if window.union(box) == window:
        return [shape]
    if not window.overlaps(box, 0.0):
        return []
    from shapely import LineString, get_parts
    from shapely import box as rectangle

    points = shape.flatten(chord_error) if isinstance(shape, Path) else shape
    inside = get_parts(LineString(points).intersection(rectangle(*window)))
    return [tuple(part.coords) for part in inside if len(part.coords) > 1]


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Supply `export.hpgl`."""
    return (
        StageSpec(
            name="export.hpgl",
            summary="Write HP-GL for pen plotters, drag knives and lasers, true size",
            run=f"{__name__}:run",
            options=f"{__name__}:HpglOptions",
            needs=frozenset({"panels", "allowances"}),
            uses=frozenset({"gusset", "seams", "features", "notches", "labels", "proof"}),
            adds=frozenset({"files"}),
        ),
    )
