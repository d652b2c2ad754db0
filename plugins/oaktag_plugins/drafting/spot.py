"""Ways to say where on a side panel, or on another flat piece, something lies and how it is turned."""

from __future__ import annotations

from math import atan2, degrees

from pydantic import model_validator

from oaktag import Draft, Options, Refusal
from oaktag.geometry import Path, Point, Transform, left_normal, scale, shifted
from oaktag.pattern import CORNER_PREFIX, Face, Outline, Piece
from oaktag.recipe import Angle, Length, NonNegativeLength, TubePlace, listed, meant, refuse_value, show
from oaktag_plugins.drafting.bag import SidePanel, place_on, seam_place, to_panel


class SpotOptions(Options):
    """A place on a flat piece: beside a tube, in a corner, or in the middle where neither is given."""

    beside: TubePlace | None = None
    """The place on the seam line that `distance` is measured from; the piece lies along that tube."""
    corner: str | None = None
    """The corner that `distance` is measured from, along its bisector."""
    distance: NonNegativeLength = 0.0
    """From the seam line: beside a tube to the piece's nearer edge, in a corner to its middle."""
    angle: Angle = 0.0
    """Turned by, counter-clockwise as seen from the drive side."""
    forward: Length = 0.0
    """Moved along its own lower edge, to the front."""
    upward: Length = 0.0
    """Moved square to its lower edge, up."""

    @model_validator(mode="after")
    def _one_way(self) -> SpotOptions:
        if self.beside is not None and self.corner is not None:
            raise refuse_value("gives its place twice", "`beside` or `corner`", "keep one of them")
        if self.distance > 0.0 and self.beside is None and self.corner is None:
            raise refuse_value(
                "`distance` needs something to measure from", "`beside` or `corner`", "give one of them"
            )
        return self


def spot_on_panel(
    draft: Draft,
    outline: Outline,
    options: SpotOptions,
    size: tuple[float, float],
    side: SidePanel,
    face: Face,
    key: str,
) -> Transform:
    """From a rectangle's own place, about the origin, to its place on a side panel.

    Beside a tube the rectangle lies along it whichever way leaves its upper edge more nearly up.

    Args:
        draft: has the opening.
        outline: of the body.
        options: where it lies.
        size: width and height, mm.
        side: of the panel.
        face: that it lies on; on the inside it is seen from behind.
        key: of the options in the recipe, for messages; empty if they are the stage's own.

    Raises:
        Refusal: there is no such tube, place or corner.
    """
    prefix = f"{key}." if key else ""
    path = outline.path
    turn = 0.0
    if options.beside is not None:
        here = f"{prefix}beside"
        station = seam_place(draft, outline, place_on(draft, options.beside, here), here).station
        tangent = path.tangent_at(station % path.length)
        along = degrees(atan2(tangent[1], tangent[0]))
        turn = (along + 45.0) % 90.0 - 45.0
        across = round((along - turn) / 90.0) % 2
        depth = 0.5 * (size[0] if across else size[1])
        # The outline runs clockwise, so the inside is to the right.
        inward = scale(left_normal(tangent), -1.0)
        middle = shifted(path.point_at(station % path.length), inward, options.distance + depth)
    elif options.corner is not None:
        point, inward = corner_point(outline, options.corner, f"{prefix}corner")
        middle = shifted(point, inward, options.distance)
    else:
        centre = path.polygon(0.05).centroid
        middle = (centre.x, centre.y)
    turn += options.angle
    shift = Transform.translation(options.forward, options.upward)
    place = shift.then(Transform.rotation(turn)).then(Transform.translation(*middle))
    seen = to_panel(draft, side, outline.body)
    # A piece shows its outside: on the far side, or on the inside, the outline's place is seen from behind.
    mirrored = (side == "non-drive") != (face == "inside")
    flip = Transform.mirror_x() if mirrored else Transform.translation(0.0, 0.0)
    return flip.then(place).then(seen)


def spot_on_piece(host: Piece, options: SpotOptions, face: Face) -> Transform:
    """From a rectangle's own place to the middle of a flat piece, its upper edge up as the piece stands."""
    centre = host.seam_line.polygon(0.05).centroid
    turn = (90.0 if host.up is None else host.up) - 90.0 + options.angle
    flip = Transform.mirror_x() if face == "inside" else Transform.translation(0.0, 0.0)
    shift = Transform.translation(options.forward, options.upward)
    return flip.then(shift).then(Transform.rotation(turn)).then(Transform.translation(centre.x, centre.y))


def corner_point(outline: Outline, corner: str, key: str) -> tuple[Point, Point]:
    """The middle of a corner's round, or the tip of a sharp one, and the unit direction into the bag.

    Raises:
        Refusal: there is no such corner.
    """
    names = [edge.name.removeprefix(CORNER_PREFIX) for edge in outline.edges if edge.is_corner]
    if corner not in names:
        raise Refusal(
            "the bag has no round of this name",
            key=key,
            source="recipe",
            found=show(corner),
            valid=listed(names) if names else "no round yet",
            todo=meant(corner, names, "name a rounded corner"),
        )
    round_: Path = outline.edge(f"{CORNER_PREFIX}{corner}").path
    half = 0.5 * round_.length
    return round_.point_at(half), scale(left_normal(round_.tangent_at(half)), -1.0)
