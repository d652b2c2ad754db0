"""`opening.photo`: the opening from a photograph with a sheet of paper, or known points, in its plane.

Hold a sheet of known size in the plane of the tubes' inner edges, photograph frame and sheet from the side,
and note the pixels of the sheet's corners and of the opening's corners, x to the right and y downward. The
picture itself isn't needed. A sheet that is nearer to the camera than the frame makes the opening too small,
by the share that the difference has of the camera's distance, and no residual shows it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from typing import TYPE_CHECKING, Annotated

from pydantic import Field, model_validator

from oaktag import Draft, Finding, Options, StageSpec, hookimpl
from oaktag.geometry import Arc, Curve, Line, Path, Point, cross, distance, dot, subtract
from oaktag.pattern import Frame
from oaktag.recipe import Length, NonNegativeLength, Number, PositiveLength, listed, refuse_value, show
from oaktag_plugins.sources.homography import FEWEST, MOST, View, ViewError, view_of
from oaktag_plugins.sources.source_table import (
    SourceTable,
    corner_index,
    read_source,
    source_key,
    source_refusal,
)
from oaktag_plugins.surveying.estimate import estimated

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

NAME = "photo"

# Share of honest sets of references that the test of their residuals turns down by chance.
_BY_CHANCE = 0.05
# A side that stands off its straight line by less than this, mm, is straight.
_STRAIGHT = 0.05
_SHEET_CORNERS = ("top left", "top right", "bottom right", "bottom left")
_KEY = source_key(NAME)

Pixel = tuple[Number, Number]
"""A place in the picture, px: x to the right, y downward."""


class PhotoOptions(Options):
    """Options of `opening.photo`."""

    weak_at: PositiveLength = 3.0
    """Warn when a corner has a standard uncertainty above this, along its worst direction."""


class PaperSheet(Options):
    """A sheet of known size in the picture."""

    width: PositiveLength
    """Along its edge that is at the top of the picture."""
    height: PositiveLength
    """Along its edge that is at the side."""
    corners: Annotated[tuple[Pixel, ...], Field(min_length=4, max_length=4)]
    """Its corners in pixels, as seen: top left, top right, bottom right, bottom left."""
    sigma: NonNegativeLength = 0.5
    """Standard uncertainty of its width and height."""


class ReferencePoint(Options):
    """A point whose place in the plane is known."""

    pixel: Pixel
    """Where it is seen."""
    point: tuple[Length, Length]
    """Where it lies: x to the right, y upward; from the sheet's bottom left corner if there is a sheet."""


class OutlinePoint(Options):
    """A corner of the opening, or a point of the side after the corner before it."""

    corner: str | None = None
    """Name of the corner; without it, the point lies on a side that bends."""
    pixel: Pixel
    """Where it is seen."""


class PhotoTable(SourceTable):
    """The table `[sources.photo]`."""

    sheet: PaperSheet | None = None
    """A sheet of known size in the picture."""
    references: tuple[ReferencePoint, ...] = ()
    """Points whose place is known, instead of a sheet or besides."""
    outline: Annotated[tuple[OutlinePoint, ...], Field(min_length=3, max_length=500)]
    """The opening as clicked, corner by corner; points between two corners bend the side between them."""
    sigma_pixel: Annotated[Number, Field(gt=0)] = 1.5
    """Standard uncertainty of either coordinate of a click, px."""
    sigma_reference: NonNegativeLength = 0.5
    """Standard uncertainty of either coordinate of a reference."""
    mirrored: bool = False
    """Whether the picture shows the non-drive side."""

    @model_validator(mode="after")
    def _enough(self) -> PhotoTable:
        count = len(self.references) + (4 if self.sheet is not None else 0)
        if not FEWEST <= count <= MOST:
            raise refuse_value(
                f"has {count} points of known place",
                f"a `sheet`, or {FEWEST} `references` or more, {MOST} in all at most",
                "add the sheet's corners or more references",
            )
        return self


def run(draft: Draft, options: PhotoOptions) -> Draft:
    """Make the opening from `[sources.photo]`.

    Raises:
        Refusal: the table is no good, its references show no plane, or its corners make no opening.
    """
    import numpy as np

    frame = draft.frame
    table = read_source(frame, NAME, PhotoTable)
    references = _References(table)
    view = references.view()
    clicks = _clicks(frame, table)
    order = [*clicks.corners, *(index for side in clicks.sides for index in side)]
    pixels = np.array([table.outline[index].pixel for index in order], dtype=float)
    try:
        found, spread = view.located(pixels, table.sigma_pixel)
    except ViewError as error:
        raise source_refusal(
            f"{_KEY}.outline[{order[error.index or 0]}].pixel",
            "lies beyond the horizon of the sheet's plane",
            found=show(pixels[error.index or 0].tolist()),
            valid="a place where the frame is seen",
            todo="check this pixel, and those of the sheet's corners",
        ) from error
    if table.mirrored:
        turned = np.tile([-1.0, 1.0], len(found))
        found, spread = found * [-1.0, 1.0], turned[:, None] * spread * turned
    inflation = references.inflation(view)
    corners = len(frame.corners)
    covariance = inflation * spread[: 2 * corners, : 2 * corners]
    points = {index: (float(x), float(y)) for index, (x, y) in zip(order, found, strict=True)}
    ends = [points[index] for index in clicks.corners]
    sides = [
        _side(ends[number], [(index, points[index]) for index in between], ends[(number + 1) % corners])
        for number, between in enumerate(clicks.sides)
    ]
    after = estimated(draft, ends, covariance, sides, key=_KEY)
    accuracy = _accuracy(frame, ends, covariance, options.weak_at, references.checked)
    return after.with_findings([*references.findings(view), accuracy])


# ------------------------------------------------------------------------------------------ references


class _References:
    """The points of known place that a table has."""

    def __init__(self, table: PhotoTable) -> None:
        import numpy as np

        self.table = table
        sheet = table.sheet
        names: list[str] = []
        places: list[Point] = []
        pixels: list[Point] = []
        # How the points' coordinates change with the sheet's width and height, and with their own errors.
        rows: list[tuple[float, float]] = []
        if sheet is not None:
            shares = ((0.0, 1.0), (1.0, 1.0), (1.0, 0.0), (0.0, 0.0))
            names += [f"the sheet's corner {corner}" for corner in _SHEET_CORNERS]
            places += [(x * sheet.width, y * sheet.height) for x, y in shares]
            pixels += sheet.corners
            rows += shares
        names += [f"references[{index}]" for index in range(len(table.references))]
        places += [reference.point for reference in table.references]
        pixels += [reference.pixel for reference in table.references]
        self.names = names
        self.points, self.pixels = np.array(places, dtype=float), np.array(pixels, dtype=float)
        size = 2 * len(names)
        self.covariance = np.zeros((size, size))
        if sheet is not None:
            by_size = np.zeros((size, 2))
            for index, (x, y) in enumerate(rows):
                by_size[2 * index, 0], by_size[2 * index + 1, 1] = x, y
            self.covariance = sheet.sigma**2 * by_size @ by_size.T
        own = np.diag([0.0] * (2 * len(rows)) + [table.sigma_reference**2] * (size - 2 * len(rows)))
        self.covariance = self.covariance + own

    @property
    def dof(self) -> int:
        """Degrees of freedom: what is left of the references once the view is fixed."""
        return 2 * len(self.names) - 8

    @property
    def checked(self) -> bool:
        """Whether the references check each other."""
        return self.dof > 0

    def view(self) -> View:
        """How they are seen.

        Raises:
            Refusal: they don't show a plane.
        """
        sheet = self.table.sheet
        if sheet is not None:
            _check_sheet(sheet)
        key = f"{_KEY}.{'references' if self.table.references else 'sheet.corners'}"
        try:
            return view_of(self.points, self.pixels, self.table.sigma_pixel, self.covariance)
        except ViewError as error:
            reason, valid, todo = _VIEW_WORDS[error.kind]
            found = "; ".join(
                f"{name} at {pixel[0]:g}, {pixel[1]:g}"
                for name, pixel in zip(self.names, self.pixels.tolist(), strict=True)
            )
            raise source_refusal(key, reason, found=found, valid=valid, todo=todo) from error

    def _passes(self, view: View) -> bool:
        from oaktag_plugins.surveying.adjustment import chi_square_quantile

        return not self.checked or view.misfit <= chi_square_quantile(1.0 - _BY_CHANCE, self.dof)

    def inflation(self, view: View) -> float:
        """By what variances grow where the references fit worse than their errors allow."""
        return 1.0 if self._passes(view) else view.misfit / self.dof

    def findings(self, view: View) -> list[Finding]:
        """How well the references fit, in pixels and in mm."""
        import numpy as np

        if not self.checked:
            return []
        in_pixels = np.hypot(*view.residuals.T)
        in_plane = np.hypot(*(view.points_of(self.pixels) - self.points).T)
        worst = int(np.argmax(view.deviations))
        root = sqrt(float((in_pixels**2).mean()))
        root_in_plane = sqrt(float((in_plane**2).mean()))
        message = (
            f"{len(self.names)} references: root mean square residual {root:.1f} px, {root_in_plane:.1f} mm; "
            f"{self.names[worst]} stands out most, {in_pixels[worst]:.1f} px, {in_plane[worst]:.1f} mm."
        )
        if self._passes(view):
            return [Finding("note", "photo-references", message, _KEY)]
        message += (
            " That is more than clicks and places explain: look at this one again, and whether all lie in one"
            " plane and the lens bends straight lines. Uncertainties were enlarged to match."
        )
        return [Finding("warning", "photo-references", message, _KEY)]


_FLAT_TODO = "choose points far apart in both directions, no three of them on a line"
_VIEW_WORDS = {
    "flat-plane": (
        "don't fix the view: three of every four points lie on a line, or almost",
        "four points or more, no three of them on a line",
        _FLAT_TODO,
    ),
    "flat-picture": (
        "don't fix the view: three of every four points are seen on a line, or almost",
        "points that are seen far apart in both directions",
        "check the pixels; photograph the frame square on, not from the edge",
    ),
    "mixed": (
        "can't be seen in these places: two of them are mixed up, or a pixel is wrong",
        "pixels of the points they stand with",
        "check the order of the points and their pixels",
    ),
    "mirrored": (
        "are seen the wrong way round",
        "x to the right and y upward in the plane as seen, y downward in pixels",
        "check which way y was counted; for a picture of the non-drive side write mirrored = true",
    ),
}


def _check_sheet(sheet: PaperSheet) -> None:
    """Refuse corners that aren't a sheet's, in their order.

    Raises:
        Refusal: they cross, have an edge in common, or run the other way.
    """
    corners = sheet.corners
    turns = [
        cross(subtract(corners[i], corners[i - 1]), subtract(corners[(i + 1) % 4], corners[i]))
        for i in range(4)
    ]
    seen = listed(
        f"{name} {pixel[0]:g}, {pixel[1]:g}" for name, pixel in zip(_SHEET_CORNERS, corners, strict=True)
    )
    key, valid = f"{_KEY}.sheet.corners", "top left, top right, bottom right, bottom left, as seen"
    # With y downward, clockwise as seen turns to the positive side.
    if all(turn < 0.0 for turn in turns):
        raise source_refusal(
            key,
            "run counter-clockwise",
            found=seen,
            valid=valid,
            todo="list them clockwise as seen, from top left, with y counted downward",
        )
    if any(turn > 0.0 for turn in turns) and any(turn < 0.0 for turn in turns):
        raise source_refusal(
            key,
            "make no sheet: lines between them cross, or one lies inside the others",
            found=seen,
            valid=valid,
            todo="list them in order round the sheet, and check each pixel",
        )


# --------------------------------------------------------------------------------------------- outline


@dataclass(frozen=True, slots=True)
class _Clicks:
    """Indices into the outline: of the frame's corners in order, and of the points along each tube."""

    corners: tuple[int, ...]
    sides: tuple[tuple[int, ...], ...]


def _clicks(frame: Frame, table: PhotoTable) -> _Clicks:
    """Which click is what; the outline may begin at any corner and run either way.

    Raises:
        Refusal: a corner is missing, twice there or unknown, or corners follow each other that no tube joins.
    """
    outline = table.outline
    count = len(frame.corners)
    found: dict[int, int] = {}
    for index, click in enumerate(outline):
        if click.corner is None:
            continue
        key = f"{_KEY}.outline[{index}].corner"
        number = corner_index(frame, click.corner, key)
        if number in found:
            raise source_refusal(
                key,
                "stands here twice",
                found=show(click.corner),
                valid="every corner once",
                todo="remove one of them",
            )
        found[number] = index
    missing = [name for number, name in enumerate(frame.corners) if number not in found]
    if missing:
        raise source_refusal(
            f"{_KEY}.outline",
            f"{'a corner is' if len(missing) == 1 else 'corners are'} missing",
            found=listed(frame.corners[number] for number in found),
            valid=listed(frame.corners),
            todo=f"add {listed(missing)}",
        )
    sides: dict[int, tuple[int, ...]] = {}
    in_order = list(found.items())
    for (number, index), (after, following) in zip(in_order, [*in_order[1:], *in_order[:1]], strict=True):
        between = tuple(
            (index + step) % len(outline) for step in range(1, (following - index) % len(outline))
        )
        if after == (number + 1) % count:
            sides[number] = between
        elif number == (after + 1) % count:
            sides[after] = between[::-1]
        else:
            raise source_refusal(
                f"{_KEY}.outline[{following}].corner",
                f"follows {frame.corners[number]}, and no tube joins these corners",
                found=show(frame.corners[after]),
                valid=f"corners in the order {listed(frame.corners)}",
                todo="list the outline in order round the opening",
            )
    return _Clicks(tuple(found[number] for number in range(count)), tuple(sides[n] for n in range(count)))


def _side(start: Point, between: Sequence[tuple[int, Point]], end: Point) -> Path:
    """One side, straight or through the points clicked along it; they stand with their indices.

    Raises:
        Refusal: the points are out of order, or lie beyond the side; or the side has no length.
    """
    length = distance(start, end)
    if length < _STRAIGHT:
        raise source_refusal(
            f"{_KEY}.outline",
            "two corners lie in one place",
            found=f"{length:.2f} mm between them",
            valid="corners apart from each other",
            todo="check the pixels of the corners",
        )
    chord = Line(start, end)
    if not between:
        return Path((chord,))
    before = 0.0
    for index, point in between:
        along = dot(subtract(point, start), chord.direction)
        if not before < along < length:
            raise source_refusal(
                f"{_KEY}.outline[{index}].pixel",
                "is out of order: a point between two corners lies along the side between them",
                found=f"{along:.1f} mm along the side, after {before:.1f} mm",
                valid=f"above {before:.1f} and below {length:.1f} mm",
                todo="list the points in the order in which they lie, between the corners of their side",
            )
        before = along
    through = [point for _, point in between]
    if max(abs(cross(subtract(point, start), chord.direction)) for point in through) < _STRAIGHT:
        return Path((chord,))
    if len(through) == 1:
        return Path((Arc.through(start, through[0], end),))
    return Path((Curve.through((start, *through, end)),))


# -------------------------------------------------------------------------------------------- accuracy


def corner_sigmas(points: Sequence[Point], covariance: Array) -> list[float]:
    """How well each corner is known, mm, along its worst direction.

    What all corners share, a shift or a turn, is nothing to a bag: it is taken off by the best fit of the
    whole (inner constraints; A. Leick, GPS Satellite Surveying, on minimal constraints, from memory).

    Args:
        points: corners, mm.
        covariance: of their coordinates, mm² (2n, 2n).
    """
    import numpy as np

    count = len(points)
    offsets = np.array(points) - np.mean(points, axis=0)
    shared = np.zeros((2 * count, 3))
    shared[0::2, 0] = shared[1::2, 1] = 1.0
    shared[0::2, 2], shared[1::2, 2] = -offsets[:, 1], offsets[:, 0]
    inner = np.eye(2 * count) - shared @ np.linalg.pinv(shared)
    spread = inner @ covariance @ inner.T
    blocks = [spread[2 * i : 2 * i + 2, 2 * i : 2 * i + 2] for i in range(count)]
    return [sqrt(max(float(np.linalg.eigvalsh(block)[-1]), 0.0)) for block in blocks]


def _accuracy(
    frame: Frame, points: Sequence[Point], covariance: Array, weak_at: float, checked: bool
) -> Finding:
    sigmas = corner_sigmas(points, covariance)
    worst = sigmas.index(max(sigmas))
    message = (
        f"Least sure of the corners is {frame.corners[worst]}, with a standard uncertainty of "
        f"{sigmas[worst]:.1f} mm from the clicks and the sheet's size alone."
    )
    if not checked:
        message += " Four references leave nothing to check them by."
    if sigmas[worst] <= weak_at:
        return Finding("note", "photo-accuracy", message, _KEY)
    message += (
        " Take a larger sheet, or references all round the opening, in the plane of the tubes' inner edges: a"
        " sheet 20 mm nearer to a camera at 2 m makes everything 1 % too small. Keep the camera square on and"
        " far away, without a wide lens, and click in the enlarged picture."
    )
    return Finding("warning", "photo-accuracy", message, _KEY)


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="opening.photo",
            summary="Make the opening from a photograph with a sheet of paper in its plane",
            run=f"{__name__}:run",
            options=f"{__name__}:PhotoOptions",
            needs=frozenset({"readings"}),
            adds=frozenset({"survey", "opening"}),
        ),
    )
