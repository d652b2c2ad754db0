"""Ways to say where a straight line cuts a bag: beside a tube, turned from it, or from place to place."""

from __future__ import annotations

from math import radians
from typing import Literal

from pydantic import model_validator

from oaktag import Draft, Options, Refusal
from oaktag.geometry import Path, Point, distance, left_normal, rotate, scale, shifted, subtract, unit
from oaktag.pattern import Outline
from oaktag.recipe import Angle, Length, TubePlace, listed, meant, refuse_value, show
from oaktag_plugins.drafting.bag import place_on, seam_place, straight_edges
from oaktag_plugins.drafting.split import Half, Split

_WAYS = "`parallel-to` with `distance`, `parallel-to` with `through` (and `angle`), or `from` with `to`"
_SAME = 1e-6  # mm; two places no further apart are one

Side = Literal["upper", "lower", "front", "rear"]
"""One side of a line, by where it lies on the bicycle."""


class LineOptions(Options):
    """A straight line across the bag, given in one of three ways.

    `parallel-to` with `distance`; `parallel-to` with `through`, turned by `angle`; or `from` with `to`.
    """

    parallel_to: str | None = None
    """The tube, or the edge of the bag's own, that the line runs along."""
    distance: Length | None = None
    """From that tube's seam line into the bag, square to it.

    Of a tube that bows it is counted from the straight line between the ends of its run, and of one that the
    body doesn't come to from the seam line of the body that does, or from the tube itself.
    """
    through: TubePlace | None = None
    """A place on the seam line that the line goes through."""
    angle: Angle = 0.0
    """Turned from `parallel-to` about that place, counter-clockwise as seen from the drive side."""
    from_: TubePlace | None = None
    """The place on the seam line where the line begins."""
    to: TubePlace | None = None
    """The place on the seam line where the line ends."""

    @model_validator(mode="after")
    def _one_way(self) -> LineOptions:
        beside = self.parallel_to is not None
        between = self.from_ is not None or self.to is not None
        if between and (self.from_ is None or self.to is None):
            raise refuse_value("`from` and `to` go together", "two places", "give both")
        if between and (beside or self.distance is not None or self.through is not None):
            raise refuse_value("gives its line twice", _WAYS, "keep one of them")
        if not between and not beside:
            raise refuse_value("says no line", _WAYS, "give one of them")
        if beside and (self.distance is None) == (self.through is None):
            word = "has no place" if self.distance is None else "gives its place twice"
            raise refuse_value(f"`parallel-to` {word}", "either `distance` or `through`", "give one of them")
        if self.angle != 0.0 and self.through is None:
            raise refuse_value(
                "`angle` needs a place to turn about", "`angle` with `through`", "give `through`"
            )
        return self


def line_of(draft: Draft, outline: Outline, options: LineOptions, key: str = "") -> tuple[Point, Point]:
    """The line as a point on it and a unit direction, in the outline's place (the drive side as seen).

    The direction is that in which the line runs to the front, of an upright line the one that runs up; so
    what lies left of it is the upper, of an upright line the rear part.

    Args:
        draft: has the opening.
        outline: of the body that is cut.
        options: where the line is.
        key: of the options in the recipe, for messages; empty if they are the stage's own.

    Raises:
        Refusal: a name is unknown, a place lies beyond its tube, or both places are one.
    """
    if options.from_ is not None and options.to is not None:
        ends: list[Point] = []
        for name, place in (("from", options.from_), ("to", options.to)):
            here = below(key, name)
            ends.append(
                outline.path.point_at(seam_place(draft, outline, place_on(draft, place, here), here).station)
            )
        if distance(*ends) < _SAME:
            raise Refusal(
                "the line begins and ends at one place",
                key=below(key, "to"),
                source="recipe",
                found=f"({ends[0][0]:.1f}, {ends[0][1]:.1f}) twice",
                valid="two places that lie apart",
                todo="move one of them",
            )
        return ends[0], _forward(unit(subtract(ends[1], ends[0])))
    assert options.parallel_to is not None
    run = _run_along(draft, outline, options.parallel_to, below(key, "parallel-to"))
    along = unit(subtract(run.end, run.start))
    if options.distance is not None:
        # The outline runs clockwise, so the inside is to the right.
        return shifted(run.start, left_normal(along), -options.distance), _forward(along)
    assert options.through is not None
    here = below(key, "through")
    station = seam_place(draft, outline, place_on(draft, options.through, here), here).station
    return outline.path.point_at(station), _forward(rotate(along, radians(options.angle)))


def _run_along(draft: Draft, outline: Outline, name: str, key: str) -> Path:
    """The body's run along a tube, or along an edge of its own.

    Where the body doesn't come to that tube it is another body's run, and where none does the tube's side of
    the opening.
    """
    assert draft.opening is not None
    runs = {edge.name: edge.path for edge in draft.opening.edges}
    for one in (*draft.outlines[::-1], outline):
        runs.update((edge.name, edge.path) for edge in straight_edges(one))
    if name not in runs:
        raise Refusal(
            "there is no such tube",
            key=key,
            source="recipe",
            found=show(name),
            valid=listed(runs),
            todo=meant(name, runs, "name a tube"),
        )
    return runs[name]


def half_of(split: Split, direction: Point, side: Side) -> Half:
    """The half of a cut outline on one side of the line."""
    normal = left_normal(direction)
    part = normal[1] if side in ("upper", "lower") else normal[0]
    left_is_it = (part > 0.0) == (side in ("upper", "front"))
    return split.left if left_is_it else split.right


def below(key: str, name: str) -> str:
    """The key of an option within a table of options."""
    return f"{key}.{name}" if key else name


def _forward(direction: Point) -> Point:
    x, y = direction
    backward = x < -1e-12 or (abs(x) <= 1e-12 and y < 0.0)
    return scale(direction, -1.0) if backward else direction
