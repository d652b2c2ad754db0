"""How wide legs, heels and cranks let a gusset be, and where it is wider."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import ceil, floor

from oaktag import Draft, Finding
from oaktag.geometry import distance
from oaktag.pattern import Outline
from oaktag.recipe import PerName, PositiveLength
from oaktag_plugins.drafting.bag import straight_edges
from oaktag_plugins.drafting.gusset_width import WidthProfile, belly_share

WIDEST = PerName[PositiveLength].model_validate({"default": 75.0, "seat-tube": 60.0})
"""Widest that the gusset may be by tube, mm, if the recipe doesn't say (common practice, no source)."""
NEAR_CRANKS = 100.0
"""So near to the bottom bracket, in mm, the crank arms pass the bag (common practice, no source)."""
CRANK_ROOM = 10.0
"""Kept between the bag and either crank arm, mm (common practice, no source)."""
_BOTTOM_BRACKET = "bottom-bracket"
_RIDE = "Ride and check: legs, heels and cranks must clear; every rider differs."
_SAMPLE = 2.0  # mm of seam between widths that are held against a limit


@dataclass(frozen=True, slots=True)
class WidthLimits:
    """What limits the gusset's width.

    Attributes:
        widest: by tube, mm; has a value for every straight edge.
        upper_rear: in the bag's rear third above half its height, mm.
        crank_width: inside distance of the crank arms, mm; None if it isn't known.
        open: names of edges along which no gusset runs.
    """

    widest: PerName[PositiveLength]
    upper_rear: float
    crank_width: float | None = None
    open: tuple[str, ...] = ()

    @property
    def crank(self) -> float | None:
        """Widest beside the cranks, mm."""
        return None if self.crank_width is None else self.crank_width - 2.0 * CRANK_ROOM

    def least(self, outline: Outline) -> float:
        """The narrowest limit that could hold anywhere on an outline, mm."""
        least = min(self.upper_rear, *(self.widest.get(edge.name) for edge in straight_edges(outline)))
        return least if self.crank is None else min(least, self.crank)


@dataclass(frozen=True, slots=True)
class LimitHere:
    """The widest that the gusset may be at one place.

    Attributes:
        station: seam length along the outline, mm.
        limit: mm.
        where: what sets it: a tube, a corner, a part of the bag.
        place: in words.
    """

    station: float
    limit: float
    where: str
    place: str


def limits_along(
    draft: Draft, outline: Outline, limits: WidthLimits, only: str | None = None
) -> Iterator[LimitHere]:
    """What limits the width, every few millimetres along a seam.

    Args:
        draft: has the opening.
        outline: of the body.
        limits: of the width.
        only: name of the edge to look at; None for all of them.
    """
    assert draft.opening is not None
    bottom = bottom_corner(draft)
    axle = draft.opening.corner(bottom).point
    box = outline.path.bounds
    start = 0.0
    for index, edge in enumerate(outline.edges):
        if edge.name in limits.open or only not in (None, edge.name):
            start += edge.length
            continue
        around = (outline.edges[index - 1], edge, outline.edges[(index + 1) % len(outline.edges)])
        # A round belongs to both its tubes.
        own = [one for one in (around if edge.is_corner else (edge,)) if not one.is_corner]
        most = max(limits.widest.get(one.name) for one in own)
        count = max(1, ceil(edge.length / _SAMPLE))
        for along in (edge.length * k / count for k in range(count + 1)):
            point, place = edge.path.point_at(along), f"{along:.0f} mm along {edge.name}"
            yield LimitHere(start + along, most, edge.name, place)
            if point[0] < box.min_x + box.width / 3 and point[1] > box.min_y + box.height / 2:
                yield LimitHere(start + along, limits.upper_rear, "upper rear", place)
            if limits.crank is not None and distance(point, axle) < NEAR_CRANKS:
                yield LimitHere(start + along, limits.crank, bottom, place)
        start += edge.length


def bottom_corner(draft: Draft) -> str:
    """The corner at the cranks: the bottom bracket, or the lowest where none is called so."""
    assert draft.opening is not None
    corners = {corner.name: corner.point for corner in draft.opening.corners}
    if _BOTTOM_BRACKET in corners:
        return _BOTTOM_BRACKET
    return min(corners, key=lambda name: corners[name][1])


def width_findings(
    draft: Draft, outline: Outline, profile: WidthProfile, limits: WidthLimits
) -> list[Finding]:
    """Say where the gusset is wider than legs, heels and cranks allow."""
    if max(piece.greatest() for piece in profile.pieces) <= limits.least(outline):
        return []
    bottom = bottom_corner(draft)
    worst: dict[str, tuple[float, float, LimitHere]] = {}
    for here in limits_along(draft, outline, limits):
        width = profile.width(here.station)
        over = width - here.limit
        if over > 1e-6 and (here.where not in worst or over > worst[here.where][0]):
            worst[here.where] = over, width, here
    findings: list[Finding] = []
    for where, (_, width, here) in worst.items():
        cranks = f", {CRANK_ROOM:g} mm inside either crank arm" if where == bottom else ""
        message = (
            f"the gusset is {width:.1f} mm wide {here.place}; "
            f"{here.limit:g} mm is the limit there{cranks}. {_RIDE}"
        )
        findings.append(Finding("warning", "width-over-limit", message, where))
    return findings


def belly_findings(
    draft: Draft,
    outline: Outline,
    profile: WidthProfile,
    run: tuple[float, float],
    name: str,
    add: float,
    limits: WidthLimits,
) -> list[Finding]:
    """Say of a belly that it is more than legs and cranks allow, and how much they do.

    Args:
        draft: has the opening.
        outline: of the body.
        profile: the width without it.
        run: seam lengths of the tube's run, mm.
        name: of the tube.
        add: the belly, mm.
        limits: of the width.
    """
    tightest: tuple[float, float, LimitHere] | None = None
    if max(piece.greatest() for piece in profile.pieces) + add <= limits.least(outline):
        return []
    for here in limits_along(draft, outline, limits, name):
        share = belly_share(here.station, *run)
        if share <= 0.0:
            continue
        width = profile.width(here.station)
        room = max(0.0, here.limit - width) / share
        if width + add * share > here.limit + 1e-6 and (tightest is None or room < tightest[0]):
            tightest = room, width + add * share, here
    if tightest is None:
        return []
    room, width, here = tightest
    most = floor(10.0 * room + 1e-6) / 10.0
    kept = f"{most:.1f} mm is the largest that keeps it" if most > 0.0 else "there is no room for a belly"
    message = (
        f"a belly of {add:g} mm along {name} makes the gusset {width:.1f} mm wide {here.place}; "
        f"{here.limit:g} mm is the limit there: {kept}. {_RIDE}"
    )
    return [Finding("warning", "belly-over-limit", message, name)]
