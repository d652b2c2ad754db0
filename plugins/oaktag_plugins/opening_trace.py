"""`opening.trace`: the opening from the outline of a traced drawing, a DXF or an SVG file.

Trace the inside edges of the tubes on card or paper, digitise the trace, and name the file beside the frame
sheet. Its one closed outline is the opening; sides that are drawn as arcs or curves stay so.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import exp, hypot, log, sqrt
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import BeforeValidator, Field, PlainValidator

from oaktag import Draft, Finding, Options, StageSpec, hookimpl
from oaktag.geometry import Path, Point, Transform, distance, subtract, unit
from oaktag.pattern import Frame
from oaktag.recipe import Angle, NonNegativeLength, Number, PositiveLength, listed, refuse_value, show
from oaktag_plugins.sources.source_table import (
    SourceTable,
    corner_index,
    read_source,
    source_key,
    source_refusal,
    tape_sigma,
)
from oaktag_plugins.sources.trace_drawing import Drawing, DrawingError, Joined, Loop, joined
from oaktag_plugins.sources.trace_outline import Turn, outline_of, sides, turns
from oaktag_plugins.surveying.estimate import estimated

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

NAME = "trace"

# Beyond so many sigmas two scales are no longer the same: chance does it once in a thousand.
_SUSPECT = 3.29
# Outside these an opening's way round, mm, is no bicycle's (common practice, no source).
_SHORTEST_WAY, _LONGEST_WAY = 200.0, 10_000.0
# A drawing of unknown scale is taken to be about this large, mm, until known lengths say better.
_ABOUT = 1000.0
# What a drawing of unknown scale is joined by, as a share of its size.
_JOIN_SHARE = 1e-3
# How far `first` may be from a corner, and how clear "upper left" must be, as a share of the outline's size.
_NEAR, _CLEAR = 0.05, 0.05
_MM_PER_UNIT = {"mm": 1.0, "cm": 10.0, "in": 25.4, "px": 25.4 / 96.0}
# A vertex that turns by more, in degrees, is hardly a kink in a tube.
_KINK = 30.0
_MOST_LISTED = 12


class TraceOptions(Options):
    """Options of `opening.trace`: none, what it works with stands on the frame sheet."""


def _place(value: Any) -> str | Point:
    if isinstance(value, str) and value:
        return value
    if isinstance(value, (list, tuple)) and len(value) == 2:
        x, y = value
        if all(isinstance(v, (int, float)) and not isinstance(v, bool) and abs(v) < 1e9 for v in value):
            return float(x), float(y)
    raise refuse_value(
        "is no place on the drawing", "the name of a corner, or [x, y] as the drawing has them", "write one"
    )


DrawingPlace = Annotated[str | tuple[float, float], PlainValidator(_place)]
"""A corner by name, or a point in the drawing's own units and axes."""


class KnownLength(Options):
    """A distance that was measured, to give the drawing its scale or to check it."""

    from_: DrawingPlace = Field(alias="from")
    """Where it begins: the name of a corner, or [x, y] in the drawing's own units and axes."""
    to: DrawingPlace
    """Where it ends."""
    length: PositiveLength
    """What was measured, straight."""
    sigma: PositiveLength | None = None
    """Standard uncertainty of the length; the tape's if left out."""


def _as_list(value: Any) -> Any:
    return [value] if isinstance(value, dict) else value


class TraceTable(SourceTable):
    """The table `[sources.trace]`."""

    file: str = Field(min_length=1)
    """A DXF or SVG file beside the sheet, with one closed outline."""
    layer: str = ""
    """The layer of a DXF file to read alone; every layer that is shown if left out."""
    element: str = ""
    """Which outline, if there are several: the handle of a DXF entity, the id of an SVG shape or group."""
    drawing_unit: Literal["mm", "cm", "in", "px", "none"] | None = None
    """What one unit of the drawing is, if the file doesn't say or says it wrong.

    `none` if it isn't true size: known lengths then give the scale.
    """
    known: Annotated[tuple[KnownLength, ...], BeforeValidator(_as_list)] = ()
    """One or several measured distances: they give the scale, or check it where the file has one."""
    first: tuple[Number, Number] | None = None
    """Where the frame's first corner lies, in the drawing's own units and axes.

    If left out and that corner is called seat, it is the one at the upper left as the drive side faces you.
    """
    corner_turn: Annotated[Angle, Field(gt=0, lt=180)] = 15.0
    """A corner is where the outline turns by more than this."""
    join: NonNegativeLength = 0.5
    """How far ends of lines may be apart and still meet."""
    mirrored: bool = False
    """Whether the trace shows the non-drive side."""
    sigma: PositiveLength = 1.0
    """Standard uncertainty of each coordinate of a corner."""


def run(draft: Draft, options: TraceOptions) -> Draft:
    """Make the opening from `[sources.trace]`.

    Raises:
        Refusal: the table or its file is no good, or the outline in it is no opening of this frame.
    """
    frame = draft.frame
    table = read_source(frame, NAME, TraceTable)
    try:
        trace = _Trace(frame, table, _read(frame, table))
    except DrawingError as error:
        raise source_refusal(
            source_key(NAME, error.key),
            error.reason,
            found=error.found,
            valid=error.valid,
            todo=error.todo,
        ) from error
    points = [side.start for side in trace.sides]
    after = estimated(draft, points, trace.covariance(), trace.sides, key=source_key(NAME))
    return after.with_findings(trace.findings())


def _read(frame: Frame, table: TraceTable) -> Drawing:
    source = frame.source(NAME)
    assert source is not None
    data = source.attachment(table.file).data
    kind = table.file.rpartition(".")[2].lower()
    if kind == "dxf":
        from oaktag_plugins.sources.trace_dxf import read_dxf

        return read_dxf(data, table.layer)
    if kind == "svg":
        from oaktag_plugins.sources.trace_svg import read_svg

        if table.layer:
            raise DrawingError(
                "is for DXF files: an SVG file has no layers",
                found=show(table.layer),
                valid="nothing",
                todo="write the id of the shape or the group as `element` instead",
                key="layer",
            )
        return read_svg(data, table.element)
    raise DrawingError(
        "is no kind of drawing that can be read",
        found=show(table.file),
        valid="a file *.dxf or *.svg",
        todo="save the drawing as one of these",
    )


@dataclass(frozen=True, slots=True)
class _Known:
    """A known length on the drawing.

    Attributes:
        ends: mm, by the scale that the drawing has or is taken to have.
        corners: which corners the ends are; None for an end that is another point.
        length: as measured, mm.
        sigma: its standard uncertainty, mm.
        name: for messages: `seat to head`.
        key: on the frame sheet.
    """

    ends: tuple[Point, Point]
    corners: tuple[int | None, int | None]
    length: float
    sigma: float
    name: str
    key: str

    @property
    def drawn(self) -> float:
        """Its length on the drawing in mm, by the same scale as the ends."""
        return distance(*self.ends)

    def spread(self, point_sigma: float) -> float:
        """Standard uncertainty in mm of the difference between the drawing and the length."""
        return hypot(self.sigma, point_sigma, point_sigma)


class _Trace:
    """One drawing as an opening.

    Attributes:
        sides: in mm, y upward, clockwise, the first starting at the frame's first corner.
    """

    def __init__(self, frame: Frame, table: TraceTable, drawing: Drawing) -> None:
        self.frame, self.table, self.drawing = frame, table, drawing
        stated = table.drawing_unit
        self.true_size = drawing.mm_per_unit if stated is None else _MM_PER_UNIT.get(stated)
        if not drawing.strands:
            raise self._empty()
        if self.true_size is None and not table.known:
            raise self._unscaled()
        self.loop = self._only_loop()
        self.factor = self.true_size or _ABOUT / drawing.size
        placing = Transform.scaling(self.factor)
        # A picture with y downward is a mirror image, and so is one from the other side.
        if drawing.y_down:
            placing = placing.then(Transform.mirror_x()).then(Transform.rotation(180.0))
        if table.mirrored:
            placing = placing.then(Transform.mirror_x())
        self.placing = placing
        path = outline_of(self.loop, placing)
        self.corners = self._in_order(path, self._corners(path))
        self.known = tuple(self._known(index) for index in range(len(table.known)))
        self.growth = self._growth()
        growing = Transform.scaling(self.growth)
        self.sides = tuple(side.transformed(growing) for side in sides(path, self.corners))
        self._check_size()

    # ------------------------------------------------------------------------------- which outline

    def _only_loop(self) -> Loop:
        """The drawing's one closed outline."""
        join = self.table.join
        tolerance = join / self.true_size if self.true_size else _JOIN_SHARE * self.drawing.size
        tolerance = max(tolerance, 1e-9 * self.drawing.size)
        strands, element = self.drawing.strands, self.table.element.casefold()
        found = joined(strands, tolerance)
        if element:
            chosen = [one for one in strands if element in map(str.casefold, one.ids)]
            if not chosen:
                raise self._no_element()
            alone = joined(chosen, tolerance)
            around = tuple(loop for loop in found.loops if element in map(str.casefold, loop.strand.ids))
            # What is chosen is the outline, or else a part of it.
            found = alone if alone.loops or not around else replace(found, loops=around)
        if len(found.loops) == 1:
            return found.loops[0]
        if not found.loops:
            raise self._nothing_closed(found)
        rows = [
            f"{loop.strand.name} ({loop.box.width:.4g} × {loop.box.height:.4g})"
            for loop in found.loops[:_MOST_LISTED]
        ]
        more = len(found.loops) - len(rows)
        raise DrawingError(
            "has several closed outlines",
            found="; ".join(rows) + (f"; and {more} more" if more else ""),
            valid="one",
            todo="write the handle (DXF), the id or the name (SVG) of one as `element`, or its `layer`",
        )

    def _empty(self) -> DrawingError:
        return DrawingError(
            "has no lines",
            found="; ".join(self.drawing.left_out) or "an empty drawing",
            valid="lines, arcs, polylines, curves",
            todo="explode blocks, turn letters and clones into paths, show the layer",
        )

    def _no_element(self) -> DrawingError:
        names = dict.fromkeys(one.name for one in self.drawing.strands)
        listing = list(names)[:_MOST_LISTED]
        return DrawingError(
            "has no line, arc or curve of this name",
            found=show(self.table.element),
            valid="the handle or id of one of " + "; ".join(listing),
            todo="leave `element` out: then the closed outlines are listed",
            key="element",
        )

    def _nothing_closed(self, found: Joined) -> DrawingError:
        if found.branches:
            places = [f"{x:.5g}, {y:.5g}" for x, y in found.branches[:_MOST_LISTED]]
            return DrawingError(
                "has no closed outline: more than two lines meet in a place",
                found=f"at {'; '.join(places)}",
                valid="lines that follow each other once round",
                todo="remove what doesn't belong to the outline, or choose a `layer`",
            )
        gaps = [
            f"{self._wide(distance(start, end))} from {start[0]:.5g}, {start[1]:.5g} to "
            f"{end[0]:.5g}, {end[1]:.5g}"
            for start, end in sorted(found.open_chains, key=lambda ends: distance(*ends))[:_MOST_LISTED]
        ]
        return DrawingError(
            "has no closed outline",
            found=f"gaps: {'; '.join(gaps)}" if gaps else "lines too short to see",
            valid=f"ends of lines that meet to {self.table.join:g} mm",
            todo="close the gap where it was drawn, or write a larger `join`",
        )

    def _wide(self, units: float) -> str:
        return f"{units:.4g} units" if self.true_size is None else f"{units * self.true_size:.4g} mm"

    # ------------------------------------------------------------------------------ which corners

    def _on_drawing(self, point: Point) -> str:
        x, y = self.placing.inverse().apply(point)
        return f"{x:.5g}, {y:.5g}"

    def _corners(self, path: Path) -> tuple[Turn, ...]:
        """The outline's corners, as many as the frame has."""
        vertices = turns(path)
        corners = tuple(turn for turn in vertices if turn.angle > self.table.corner_turn)
        names = self.frame.corners
        if len(corners) == len(names):
            return corners
        sharpest = sorted(vertices, key=lambda turn: -turn.angle)
        rows = [
            f"{self._on_drawing(turn.point)} turns {turn.angle:.0f}°"
            for turn in sharpest[: max(len(corners), len(names))][:_MOST_LISTED]
        ]
        wanted = sharpest[: len(names)]
        weakest = wanted[-1].angle
        following = sharpest[len(names)].angle if len(sharpest) > len(names) else 0.0
        if len(wanted) == len(names) and following < _KINK < weakest:
            better = (weakest + following) / 2
            todo = f"corner-turn = {better:.0f} leaves the {len(names)} sharpest; or draw the corners anew"
        elif len(corners) < len(names):
            todo = "lengthen the sides until they meet in sharp corners, or name fewer under `corners`"
        else:
            todo = "make the sides straight or smooth where they were drawn, or name more under `corners`"
        raise DrawingError(
            f"has {len(corners)} corners that turn by more than {self.table.corner_turn:g}°",
            found="; ".join(rows) or "no vertices",
            valid=f"{len(names)}: {listed(names)}",
            todo=todo,
        )

    def _in_order(self, path: Path, corners: tuple[Turn, ...]) -> tuple[Turn, ...]:
        """The corners, beginning with the frame's first."""
        name = self.frame.corners[0]
        listing = "; ".join(self._on_drawing(turn.point) for turn in corners)
        size = max(path.bounds.width, path.bounds.height)
        if self.table.first is not None:
            place = self.placing.apply(self.table.first)
            away = [distance(turn.point, place) for turn in corners]
            start = away.index(min(away))
            if away[start] > _NEAR * size:
                raise DrawingError(
                    "is near no corner",
                    found=show(self.table.first),
                    valid=f"about one of {listing}",
                    todo=f"write the place of {name}, in the drawing's own units and axes",
                    key="first",
                )
            return corners[start:] + corners[:start]
        if name != "seat":
            raise DrawingError(
                f"is needed to tell which corner is {name}",
                found=f"corners at {listing}",
                valid="[x, y] in the drawing's own units and axes",
                todo=f"write where {name} is",
                key="first",
            )
        heights = [turn.point[1] - turn.point[0] for turn in corners]
        start = heights.index(max(heights))
        second = sorted(heights)[-2]
        if heights[start] - second < _CLEAR * size:
            raise DrawingError(
                f"is needed to tell which corner is {name}: two are as far to the upper left",
                found=f"corners at {listing}",
                valid="[x, y] in the drawing's own units and axes",
                todo=f"write where {name} is",
                key="first",
            )
        return corners[start:] + corners[:start]

    # -------------------------------------------------------------------------------- which scale

    def _unscaled(self) -> DrawingError:
        none = self.table.drawing_unit == "none"
        return DrawingError(
            "says that the drawing has no scale" if none else "is needed: the file doesn't say its scale",
            found='"none", and no known length' if none else self.drawing.scale,
            valid="a unit that is true size (mm, cm, in, px of 1/96 in), or a known length",
            todo='add one, such as known = { from = "seat", to = "head", length = 523 }',
            key="known" if none else "drawing-unit",
        )

    def _known(self, index: int) -> _Known:
        entry = self.table.known[index]
        key = f"known[{index}]" if len(self.table.known) > 1 else "known"
        ends: list[Point] = []
        numbers: list[int | None] = []
        for step, place in (("from", entry.from_), ("to", entry.to)):
            if isinstance(place, str):
                number = corner_index(self.frame, place, source_key(NAME, key, step))
                ends.append(self.corners[number].point)
                numbers.append(number)
            else:
                ends.append(self.placing.apply(place))
                numbers.append(None)
        name = " to ".join(
            p if isinstance(p, str) else f"{p[0]:g}, {p[1]:g}" for p in (entry.from_, entry.to)
        )
        known = _Known(
            (ends[0], ends[1]),
            (numbers[0], numbers[1]),
            entry.length,
            entry.sigma or tape_sigma(self.frame),
            name,
            key,
        )
        if known.drawn < _NEAR * distance(self.corners[0].point, self.corners[1].point):
            raise DrawingError(
                "is too short to give a scale",
                found=name,
                valid="places far apart",
                todo="take a longer distance, such as from corner to corner",
                key=key,
            )
        return known

    def _weights(self) -> list[float]:
        """What each known length counts for the logarithm of the scale; they sum to 1."""
        raw = [(one.length / one.spread(self.table.sigma)) ** 2 for one in self.known]
        return [value / sum(raw) for value in raw]

    def _growth(self) -> float:
        """By what the outline still has to grow; 1 where the drawing is true size."""
        if self.true_size is not None:
            self._check_true_size()
            return 1.0
        weights = self._weights()
        growth = exp(sum(w * log(one.length / one.drawn) for w, one in zip(weights, self.known, strict=True)))
        for weight, one in zip(weights, self.known, strict=True):
            # What is left of a difference once its own share in the mean is taken off.
            spread = one.spread(self.table.sigma) * sqrt(max(1.0 - weight, 0.0))
            if abs(one.drawn * growth - one.length) > _SUSPECT * spread + 1e-9:
                rows = [
                    f"{other.name} {other.length:g} mm makes the unit "
                    f"{self.factor * other.length / other.drawn:.5g} mm"
                    for other in self.known
                ]
                raise DrawingError(
                    "give different scales",
                    found="; ".join(rows),
                    valid="lengths that agree with the drawing's proportions",
                    todo="measure them again, and check which places they lie between",
                    key="known",
                )
        return growth

    def _check_true_size(self) -> None:
        for one in self.known:
            allowed = _SUSPECT * one.spread(self.table.sigma)
            if abs(one.drawn - one.length) > allowed:
                scale = f"{one.drawn:.1f} mm on the drawing ({self._scale_words()})"
                raise DrawingError(
                    "gives another scale than the file",
                    found=f"{one.length:g} mm measured, {scale}",
                    valid=f"{one.drawn:.1f} mm, give or take {allowed:.1f} mm",
                    todo=f"measure {one.name} again; "
                    'if the drawing isn\'t true size, write drawing-unit = "none"',
                    key=one.key,
                )

    def _scale_words(self) -> str:
        stated = self.table.drawing_unit
        return self.drawing.scale if stated is None else f"drawing-unit {stated}"

    def _check_size(self) -> None:
        way = sum(side.length for side in self.sides)
        gap = self.loop.widest_gap * self.factor * self.growth
        if not _SHORTEST_WAY < way < _LONGEST_WAY:
            scaled_by_known = self.true_size is None
            raise DrawingError(
                "makes an opening of a size that no bicycle has",
                found=f"{way:.4g} mm round it, by "
                + ("the known lengths" if scaled_by_known else self._scale_words()),
                valid=f"between {_SHORTEST_WAY:g} and {_LONGEST_WAY:g} mm",
                todo="check the unit: write the right `drawing-unit`, or a known length",
                key="known" if scaled_by_known else "file",
            )
        if gap > self.table.join + 1e-6:
            raise DrawingError(
                "has an outline that doesn't close",
                found=f"a gap of {gap:.2f} mm",
                valid=f"ends of lines that meet to {self.table.join:g} mm",
                todo="close the gap where it was drawn, or write a larger `join`",
            )

    # ---------------------------------------------------------------------------------- how sure

    def covariance(self) -> NDArray[np.float64]:
        """Of the corners' coordinates in mm², (2n, 2n).

        The corners have independent errors. Where known lengths give the scale, their errors come in, and so
        do those of the places between which they were measured: with the relative change of scale
        dk/k = sum of w (dL/L - u (de_to - de_from)/L), every corner x moves by x dk/k besides.
        """
        import numpy as np

        points = np.array([side.start for side in self.sides])
        coordinates = points.size
        jacobian = np.eye(coordinates)
        variances = [self.table.sigma**2] * coordinates
        if self.true_size is None:
            growth = np.zeros(coordinates)
            others: list[float] = []
            for weight, one in zip(self._weights(), self.known, strict=True):
                along = unit(subtract(one.ends[1], one.ends[0]))
                for number, sign in zip(one.corners, (1.0, -1.0), strict=True):
                    for axis in (0, 1):
                        change = weight * sign * along[axis] / one.length
                        if number is None:
                            others.append(change)
                            variances.append(self.table.sigma**2)
                        else:
                            growth[2 * number + axis] += change
                others.append(weight / one.length)
                variances.append(one.sigma**2)
            jacobian = np.hstack((jacobian, np.zeros((coordinates, len(others)))))
            jacobian += np.outer(points.ravel(), np.concatenate((growth, others)))
        return np.asarray(jacobian @ np.diag(variances) @ jacobian.T)

    def findings(self) -> list[Finding]:
        """What the maker should look at: which corner is which, the scale, what was closed or left out."""
        key = source_key(NAME)
        rows = [
            f"{name} at {self._on_drawing(turn.point)}"
            for name, turn in zip(self.frame.corners, self.corners, strict=True)
        ]
        found = [Finding("note", "trace-corners", f"On the drawing: {'; '.join(rows)}.", key)]
        found.append(Finding("note", "trace-scale", self._scale_message(), key))
        gap = self.loop.widest_gap * self.factor * self.growth
        if gap > 0.01:
            message = f"Gaps in the outline were closed, the widest of {gap:.2f} mm."
            found.append(Finding("note", "trace-joined", message, key))
        if self.drawing.left_out:
            message = f"Not read from the drawing: {', '.join(self.drawing.left_out)}."
            found.append(Finding("note", "trace-left-out", message, key))
        return found

    def _scale_message(self) -> str:
        checks = "; ".join(
            f"{one.name} is {one.drawn * self.growth:.1f} mm on the drawing, {one.length:g} mm measured"
            for one in self.known
        )
        if self.true_size is not None:
            words = f"The drawing is taken as true size: {self._scale_words()}"
            stated = self.table.drawing_unit
            if stated is not None and self.drawing.mm_per_unit not in (None, self.true_size):
                words += f", though the file says {self.drawing.scale}"
            return f"{words}; {checks}." if checks else f"{words}. No known length checks it."
        scale = f"One unit of the drawing is {self.factor * self.growth:.5g} mm"
        if len(self.known) == 1:
            return f"{scale}, by {self.known[0].name} alone: a second known length would check it."
        return f"{scale}, by known lengths: {checks}."


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="opening.trace",
            summary="Make the opening from the outline of a traced drawing, DXF or SVG",
            run=f"{__name__}:run",
            options=f"{__name__}:TraceOptions",
            needs=frozenset({"readings"}),
            adds=frozenset({"survey", "opening"}),
        ),
    )
