"""Zippers: what they take out of the cloth, how long they are, and where one lies that is sewn in."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import Field, model_validator

from oaktag import Draft, Finding, Options, Refusal
from oaktag.geometry import Line, Path, Point, Transform, cross, dot, shifted, subtract
from oaktag.pattern import Edge, Fitting, Mark, Obstacle, Piece, PlacementLine
from oaktag.recipe import NonNegativeLength, PositiveLength, listed, meant, refuse_value, show
from oaktag_plugins.drafting.assembled import VISIBLE, warp_of
from oaktag_plugins.drafting.bag import piece_id
from oaktag_plugins.drafting.obstacles import CHORD_ERROR, bodies, reach
from oaktag_plugins.drafting.split import split_outline

ROLE = "zipper"
_AT_SEAM = 1e-3  # mm; a zipper that ends so near to an edge runs into its seam
BESIDE_CHAIN = 5.0
"""Between the chain and the cloth, mm, where the table doesn't say (common practice, no source).

One maker has the cloth's edges 8 mm from the middle of a zipper of gauge 5, whose chain is 6 mm wide
(a private sewing diary of 2010).
"""
LEAST_SEWN = 2.0
"""Tape outside the line of stitching below which the stitches tear out, mm (common practice, no source)."""
GOOD_SEWN = 5.0
"""Tape outside the line of stitching that a presser foot wants, mm (common practice, no source)."""

End = Literal["start", "end"]


class MisfitError(Exception):
    """A zipper can't be drafted where it is wanted: a finding's code, and what to tell the maker."""

    def __init__(self, code: str, message: str) -> None:
        super().__init__(message)
        self.code = code
        self.message = message

    def finding(self, where: str) -> Finding:
        """The finding for the piece that the zipper was meant for."""
        return Finding("error", self.code, f"{self.message} The zipper is left out.", where)


class ZipperOptions(Options):
    """What every stage that sews in a zipper lets the maker choose."""

    name: Annotated[str, Field(pattern=r"^[a-z0-9]+(?:-[a-z0-9]+)*$", max_length=40)] | None = None
    """Id of the zipper, by which later stages name it, after its body's where there are several.

    Made from its place if left out.
    """
    zipper: Annotated[str, Field(min_length=1, max_length=60)] = "zipper-8"
    """The zipper, by its name in the material table."""
    tape_width: PositiveLength | None = None
    """Full width of its tape, if the table doesn't say or the supplied zipper differs."""
    chain_width: PositiveLength | None = None
    """Width of the closed chain, if the table doesn't say or the supplied zipper differs."""
    visible: PositiveLength | None = None
    """Width of the strip between the seam lines of the two cloth edges, where the zipper is seen.

    If left out, twice the table's `stitch-from-centre`; where it has none, the chain and 5 mm on either
    side of it (common practice, no source).
    """
    beside_chain: NonNegativeLength | None = None
    """Between chain and cloth on either side, instead of `visible`."""
    consumed: PositiveLength | None = None
    """What a zipper took from seam line to seam line on a sewn trial piece, instead of `visible`."""
    sliders: Annotated[int, Field(ge=1, le=2)] = 1
    """One, or two for a zipper that opens from either end."""
    slider: Annotated[str, Field(min_length=1, max_length=60)] | None = None
    """The slider by its name in the material table; that of the zipper's gauge if left out.

    `zipper-8`, and a shop's own `zipper-coated-8`, take `slider-8`.
    """
    closed_at: End = "end"
    """Where a single slider rests when the zipper is closed."""
    stop_inset: NonNegativeLength = 3.0
    """Between a stop and the seam across the tape, so that no needle hits it (common practice, no source)."""
    tape_end: NonNegativeLength = 15.0
    """Tape beyond the visible strip at either end, caught in the seam (common practice, no source)."""
    spare: NonNegativeLength = 25.0
    """Added to the order, to sew the zipper in long and trim it (common practice, no source: 25 to 50 mm)."""
    stock: tuple[PositiveLength, ...] = ()
    """Lengths that can be bought; if left out, every multiple of the table's `step`."""
    corner_margin: NonNegativeLength = 25.0
    """Kept between the zipper and the round of a corner (common practice, no source: 20 to 30 mm)."""
    obstacle_reach: NonNegativeLength = 30.0
    """How far the pull reaches from the zipper; no obstacle may be as near (common practice, no source)."""
    least_half: NonNegativeLength = 25.0
    """Narrowest cloth beside the zipper that can be handled well (common practice, no source)."""

    @model_validator(mode="after")
    def _one_width(self) -> ZipperOptions:
        ways = [
            f"`{name.replace('_', '-')}`"
            for name in ("visible", "beside_chain", "consumed")
            if getattr(self, name) is not None
        ]
        if len(ways) > 1:
            raise refuse_value(
                f"{' and '.join(ways)} say twice how wide the strip is",
                "one of `visible`, `beside-chain`, `consumed`",
                "keep the one that you measured",
            )
        return self


@dataclass(frozen=True, slots=True)
class Gauge:
    """A zipper's measures, mm; 0 where it has no such thing.

    Attributes:
        name: in the material table.
        tape: full width of the tape.
        chain: width of the closed chain.
        strip: between the seam lines of the cloth on either side.
        slider: length of a slider.
        slider_width: width of a slider.
        top_stop: length of the top stop.
        bottom_stop: length of the bottom stop.
        step: between lengths that can be bought.
        longest: that can be bought; 0 if it comes from a roll.
    """

    name: str
    tape: float
    chain: float
    strip: float
    slider: float
    slider_width: float
    top_stop: float
    bottom_stop: float
    step: float
    longest: float


def gauge_of(draft: Draft, options: ZipperOptions) -> Gauge:
    """The zipper's measures from the material table and the options.

    Raises:
        Refusal: the table has no such zipper or not its measures, and the options don't give them.
    """
    entry = draft.material(options.zipper)
    if entry is None and (options.tape_width is None or options.chain_width is None):
        zippers = [material.name for material in draft.materials if material.kind == ROLE]
        raise Refusal(
            "there is no zipper of this name in the material table",
            key="zipper",
            source="recipe",
            found=show(options.zipper),
            valid=listed(zippers) if zippers else "a zipper of the shop's own table",
            todo=meant(options.zipper, zippers, "name one of them, or give `tape-width` and `chain-width`"),
        )

    def measure(name: str) -> float:
        return (entry.measure(name) if entry is not None else None) or 0.0

    tape = options.tape_width or (entry.width if entry is not None else 0.0)
    chain = options.chain_width or measure("chain-width")
    for key, value in (("tape-width", tape), ("chain-width", chain)):
        if not value:
            raise Refusal(
                f"the material table doesn't say the {key.replace('-', ' ')} of this zipper",
                key=key,
                source="recipe",
                found=show(options.zipper),
                valid="a length",
                todo=f"measure the zipper and give `{key}`, or write it into the table",
            )
    if options.consumed is not None:
        strip = options.consumed
    elif options.visible is not None:
        strip = options.visible
    elif options.beside_chain is None and measure("stitch-from-centre"):
        strip = 2.0 * measure("stitch-from-centre")
    else:
        strip = chain + 2.0 * (BESIDE_CHAIN if options.beside_chain is None else options.beside_chain)
    return Gauge(
        name=options.zipper,
        tape=tape,
        chain=chain,
        strip=strip,
        slider=measure("slider-length"),
        slider_width=measure("slider-width"),
        top_stop=measure("top-stop"),
        bottom_stop=measure("bottom-stop"),
        step=measure("step"),
        longest=entry.longest if entry is not None else 0.0,
    )


@dataclass(frozen=True, slots=True)
class ZipperLengths:
    """How long a zipper is, mm.

    Attributes:
        opening: between the seams that cross it, along its middle.
        finished: from stop to stop, the way that sliders have.
        cut: of the tape, once it is trimmed.
        order: the least to buy.
        stock: what it is cut from: the next length that can be had; None if none is long enough.
    """

    opening: float
    finished: float
    cut: float
    order: float
    stock: float | None


def zipper_lengths(opening: float, extent: float, gauge: Gauge, options: ZipperOptions) -> ZipperLengths:
    """Work out a zipper's lengths.

    Args:
        opening: along the middle of the visible strip, mm.
        extent: of the whole strip along the zipper, mm; longer than the opening where its ends are slanted.
        gauge: of the zipper.
        options: of the stage.
    """
    finished = opening - 2.0 * options.stop_inset - gauge.top_stop - gauge.bottom_stop
    cut = extent + 2.0 * options.tape_end
    order = cut + options.spare
    # Where the order is a whole number of steps to a hair, it isn't one step more.
    stock: float | None = order
    if options.stock:
        stock = min((length for length in options.stock if length >= order - 1e-6), default=None)
    elif gauge.step:
        stock = math.ceil((order - 1e-6) / gauge.step) * gauge.step
    if stock is not None and gauge.longest and stock > gauge.longest + 1e-6:
        stock = gauge.longest if gauge.longest >= order - 1e-6 else None
    return ZipperLengths(opening, finished, cut, order, stock)


def zipper_id(draft: Draft, options: ZipperOptions, body: str, default: str) -> str:
    """The id of a new zipper: its own name, or one made from its place and numbered.

    Raises:
        Refusal: a piece of that name is there already.
    """
    known = {piece.id for piece in draft.pieces}
    if options.name is None:
        number, name = 1, piece_id(body, default)
        while name in known:
            number += 1
            name = piece_id(body, f"{default}-{number}")
        return name
    name = piece_id(body, options.name)
    if name in known:
        raise Refusal(
            "there is a piece of this name already",
            key="name",
            source="recipe",
            found=show(name),
            valid="a name that no piece has",
            todo="choose another name",
        )
    return name


@dataclass(frozen=True, slots=True)
class Strip:
    """Where a zipper is seen on the piece that it is sewn into.

    Attributes:
        centre: the line along its middle, from its start to its end, mm.
        covers: the closed outline of what is seen of it.
        left: the cloth's seam line to the left of the centre line's direction, and what that side is called.
        right: the same to the right.
        ends: lines across it to which tabs or end parts are sewn, by name.
    """

    centre: Line
    covers: Path
    left: tuple[str, Path]
    right: tuple[str, Path]
    ends: Mapping[str, Path]

    @property
    def to_host(self) -> Transform:
        """From a drawing of the zipper along +x, its start at the origin, to its place."""
        (x, y), (dx, dy) = self.centre.start, self.centre.direction
        return Transform.rotation(math.degrees(math.atan2(dy, dx))).then(Transform.translation(x, y))


def tape_piece(
    draft: Draft, piece_id: str, where: str, strip: Strip, gauge: Gauge, options: ZipperOptions, body: str
) -> tuple[Piece, ZipperLengths]:
    """The zipper, drawn where it lies, with the lines at which the cloth is sewn to it.

    Raises:
        Refusal: there is no slider of the name that the options give.
    """
    place = strip.to_host
    box = strip.covers.transformed(place.inverse()).bounds
    lengths = zipper_lengths(strip.centre.length, box.width, gauge, options)
    x0, x1, y = box.min_x - options.tape_end, box.max_x + options.tape_end, 0.5 * gauge.tape
    corners: tuple[Point, ...] = ((x0, -y), (x0, y), (x1, y), (x1, -y))
    names = ("start", f"{strip.left[0]}-tape", "end", f"{strip.right[0]}-tape")
    edges = tuple(
        Edge(
            name,
            Path((Line(corners[index], corners[(index + 1) % 4]),)).transformed(place),
            finish="raw",
        )
        for index, name in enumerate(names)
    )
    lines = (strip.left, strip.right, *strip.ends.items())
    marks: list[Mark] = []
    first, last = _stops(gauge, options)
    for at, stop in (
        (options.stop_inset + first, first),
        (strip.centre.length - options.stop_inset - last, last),
    ):
        if stop:
            half = 0.5 * gauge.chain
            marks.append(Mark("line", Path((Line((at, -half), (at, half)),)).transformed(place), "stop"))
    stock = "" if lengths.stock is None else f", cut from {lengths.stock:.0f} mm"
    piece = Piece(
        id=piece_id,
        name=f"zipper, {where}{stock}",
        edges=edges,
        material=options.zipper,
        marks=tuple(marks),
        grain=strip.centre,
        role=ROLE,
        body=body,
        placements=tuple(PlacementLine(name, path, "seam line") for name, path in lines),
        fittings=_sliders(draft, place, lengths, gauge, options),
        bought=lengths.order if lengths.stock is None else lengths.stock,
    )
    return piece, lengths


def _stops(gauge: Gauge, options: ZipperOptions) -> tuple[float, float]:
    """Lengths of the stops at the zipper's start and end, mm: the slider rests at the top stop."""
    stops = gauge.bottom_stop, gauge.top_stop
    return stops if options.closed_at == "end" else stops[::-1]


def _sliders(
    draft: Draft, place: Transform, lengths: ZipperLengths, gauge: Gauge, options: ZipperOptions
) -> tuple[Fitting, ...]:
    """The sliders where they rest, as far as the material table has them."""
    sliders = [material.name for material in draft.materials if material.kind == "slider"]
    if options.slider is not None and options.slider not in sliders:
        raise Refusal(
            "there is no slider of this name in the material table",
            key="slider",
            source="recipe",
            found=show(options.slider),
            valid=listed(sliders) if sliders else "a slider of the shop's own table",
            todo=meant(options.slider, sliders, "name one of them, or leave it out"),
        )
    # A shop's own `zipper-coated-8` takes the slider of gauge 8.
    own, gauge_number = options.zipper.replace("zipper", "slider", 1), options.zipper.rpartition("-")[2]
    name = options.slider or (own if own in sliders else f"slider-{gauge_number}")
    if name not in sliders:
        return ()
    first, last = _stops(gauge, options)
    low = options.stop_inset + first + 0.5 * gauge.slider
    high = lengths.opening - options.stop_inset - last - 0.5 * gauge.slider
    rests = (low, high) if options.sliders == 2 else (low if options.closed_at == "start" else high,)
    radius = 0.5 * (gauge.slider_width or gauge.chain)
    return tuple(
        Fitting(f"slider-{number}", name, place.apply((x, 0.0)), radius, "slider")
        for number, x in enumerate(rests, 1)
    )


# What is wrong with a zipper


def zipper_findings(
    piece: Piece, lengths: ZipperLengths, gauge: Gauge, options: ZipperOptions
) -> list[Finding]:
    """What is wrong with a zipper wherever it lies, and a note of what to order."""
    found: list[Finding] = []
    sewn = 0.5 * (gauge.tape - gauge.strip)
    if sewn < GOOD_SEWN:
        message = (
            f"{max(sewn, 0.0):.1f} mm of the {gauge.tape:g} mm tape are left outside either line of "
            f"stitching, {GOOD_SEWN:g} mm are wanted: the strip is {gauge.strip:g} mm wide. Make it narrower "
            "(`visible`), or take a zipper with a wider tape."
        )
        level: Literal["error", "warning"] = "error" if sewn < LEAST_SEWN else "warning"
        found.append(Finding(level, "zipper-tape-narrow", message, piece.id))
    if gauge.strip <= gauge.chain:
        message = (
            f"the strip is {gauge.strip:g} mm wide and the chain {gauge.chain:g} mm: the cloth would lie "
            f"over the chain. Make `visible` {gauge.chain + 2 * BESIDE_CHAIN:g} mm or so."
        )
        found.append(Finding("error", "zipper-strip-narrow", message, piece.id))
    needed = options.sliders * gauge.slider
    if lengths.finished <= needed:
        message = (
            f"the opening of {lengths.opening:.1f} mm leaves {lengths.finished:.1f} mm between the stops; "
            f"the sliders alone need {needed:g} mm. Make the zipper longer."
        )
        found.append(Finding("error", "zipper-too-short", message, piece.id))
    if lengths.stock is None:
        most = gauge.longest or max(options.stock, default=0.0)
        message = (
            f"{lengths.order:.0f} mm have to be ordered, and {most:g} mm is the longest that can be had. "
            "Make the opening shorter (`start`, `end`), or buy it off the roll."
        )
        found.append(Finding("error", "zipper-too-long-for-stock", message, piece.id))
        bought = ""
    else:
        bought = f", buy {lengths.stock:.0f} mm"
    sliders = "two sliders" if options.sliders == 2 else "one slider"
    message = (
        f"{gauge.name}, {sliders}: opening {lengths.opening:.1f} mm, {lengths.finished:.1f} mm from stop to "
        f"stop; order at least {lengths.order:.0f} mm{bought}, cut the tape to {lengths.cut:.1f} mm"
    )
    found.append(Finding("note", "zipper-order", message, piece.id))
    if not piece.fittings:
        message = (
            f"the material table has no slider for {gauge.name}, so neither list has one: name it with "
            "`slider`, or add it to the table"
        )
        found.append(Finding("note", "slider-unknown", message, piece.id))
    return found


def half_findings(
    zipper: str, halves: Sequence[tuple[Piece, float]], options: ZipperOptions
) -> list[Finding]:
    """Report cloth beside a zipper that is too narrow to handle; with each half its greatest width, mm."""
    return [
        Finding(
            "warning",
            "zipper-half-narrow",
            f"{half.id} is only {width:.1f} mm wide beside {zipper}; {options.least_half:g} mm is wanted to "
            "handle and topstitch it. Move the zipper, or take a narrower one.",
            zipper,
        )
        for half, width in halves
        if width < options.least_half - 1e-6
    ]


def corner_findings(
    zipper: str, edges: Sequence[Edge], ends: Mapping[str, Sequence[Point]], margin: float
) -> list[Finding]:
    """Report ends of a zipper that lie on the round of a corner, or too near to one.

    Args:
        zipper: its id.
        edges: of the piece that its ends are caught in the seams of.
        ends: points on those edges, by the name of the zipper's end.
        margin: wanted between the zipper and a round, mm.
    """
    found: list[Finding] = []
    for end, points in ends.items():
        places = [_edge_at(edges, point) for point in points]
        round_ = next((edge for edge, _ in places if edge.is_corner), None)
        if round_ is not None:
            corner = round_.name.partition(":")[2]
            message = (
                f"the {end} of the zipper lies on the round at {corner}, {round_.length:.1f} mm of seam "
                f"where no tape can be sewn flat. Move the line, or close the {end} with a tab (`{end}`)."
            )
            found.append(Finding("error", "zipper-on-corner", message, zipper))
            continue
        left, name = min((min(at, edge.length - at), edge.name) for edge, at in places)
        if left < margin - 1e-6:
            message = (
                f"the {end} of the zipper comes to {left:.1f} mm from the corner at the end of {name}; "
                f"{margin:g} mm is wanted. Move the line, or close the {end} with a tab (`{end}`)."
            )
            found.append(Finding("warning", "zipper-near-corner", message, zipper))
    return found


def _edge_at(edges: Sequence[Edge], point: Point) -> tuple[Edge, float]:
    """The edge that a point lies on, and how far along it, mm."""
    _, index, along = min(
        (round(off, 9), index, at)
        for index, edge in enumerate(edges)
        for at, off in (edge.path.nearest(point),)
    )
    return edges[index], along


def obstacle_findings(draft: Draft, zipper: str, strip: Path, margin: float) -> list[Finding]:
    """Report things on the tubes that are too near to a zipper on a side panel.

    Args:
        draft: has the frame and the opening.
        zipper: its id.
        strip: closed outline of what is seen of it, in the opening's place.
        margin: how far the pull reaches, mm.
    """
    import shapely

    assert draft.opening is not None
    seen = strip.polygon(CHORD_ERROR)
    found: list[Finding] = []
    for treatment in ("notch", "hole"):
        for body in bodies(draft.frame.obstacles, draft.opening, treatment):
            near = reach(seen, shapely.MultiPoint(body.corners).convex_hull).distance
            if near < margin - 1e-6:
                found.append(obstacle_finding(zipper, body.obstacle, near, margin))
    return found


def obstacle_finding(zipper: str, obstacle: Obstacle, near: float, margin: float) -> Finding:
    """The finding for an obstacle that is too near."""
    where = f"comes to {near:.1f} mm from" if near > 0 else "lies over"
    message = (
        f"the zipper {where} {obstacle.name} on {obstacle.place.tube}; its pull reaches {margin:g} mm. "
        "Move the zipper, or end it before that."
    )
    return Finding("warning", "zipper-at-obstacle", message, zipper)


def bias_finding(host: Piece, zipper: str, along: Point) -> Finding | None:
    """Report a zipper that runs on the bias of the cloth, where the cloth stretches and the zipper waves.

    Args:
        host: the piece that it is sewn into.
        zipper: its id.
        along: direction of the zipper, in the piece's place.
    """
    warp, named = warp_of(host)
    turned = abs(math.degrees(math.atan2(cross(warp, along), dot(warp, along))))
    angle = min(turned, 180.0 - turned)
    if not BIAS[0] < angle < BIAS[1]:
        return None
    message = (
        f"the zipper runs at {angle:.0f} degrees to {named}: cloth that is cut on the bias stretches and the "
        f"zipper waves. Keep it within {BIAS[0]:g} degrees of warp or weft, or tape the edges first."
    )
    return Finding("warning", "zipper-bias", message, zipper)


BIAS = (20.0, 70.0)
"""Between these angles to the warp, in degrees, cloth is cut on the bias (common practice, no source)."""


# Where a zipper lies that is sewn in already


@dataclass(frozen=True, slots=True)
class SewnZipper:
    """A zipper that is sewn in, as what covers it needs to know it.

    Attributes:
        piece: the zipper.
        host: the assembled piece that it is part of.
        centre: the middle of what is seen of it, from its start to its end, in the host's place.
        covers: closed outline of what is seen of it.
        sides: what lies to its left and to its right, `upper` and `lower` or the like.
        strip: width between the seam lines of the cloth, mm.
    """

    piece: Piece
    host: Piece
    centre: Line
    covers: Path
    sides: tuple[str, str]
    strip: float

    def place(self, along: float, across: float, turn: float = 0.0) -> Transform:
        """From a drawing about the origin, turned by degrees, to a place along and left of the zipper, mm."""
        (x, y), (dx, dy) = self.centre.start, self.centre.direction
        at = (x + along * dx - across * dy, y + along * dy + across * dx)
        angle = math.degrees(math.atan2(dy, dx)) + turn
        return Transform.rotation(angle).then(Transform.translation(*at))

    def in_seam(self, end: End) -> bool:
        """Whether it runs into a seam of the host at that end, with no tab between."""
        tip = self.centre.start if end == "start" else self.centre.end
        return min(edge.path.nearest(tip)[1] for edge in self.host.edges) < _AT_SEAM

    def point(self, along: float, across: float) -> Point:
        """The point at distances along the zipper and to its left, mm."""
        return self.place(along, across).apply((0.0, 0.0))


def sewn_zipper(draft: Draft, wanted: str | None, key: str = "zipper") -> SewnZipper:
    """The zipper that an option names; the only one if it names none.

    Raises:
        Refusal: there is no zipper of this name, or several and none is named.
    """
    known = [piece.id for piece in draft.pieces if piece.role == ROLE]
    name = known[0] if wanted is None and len(known) == 1 else wanted
    if name not in known:
        raise Refusal(
            "there is no zipper of this name" if wanted is not None else "doesn't say which zipper",
            key=key,
            source="recipe",
            found="nothing" if wanted is None else show(wanted),
            valid=listed(known) if known else "a zipper that an earlier stage has sewn in",
            todo=meant(wanted or "", known, "name one, or put the stage that sews it in before this one"),
        )
    piece = draft.piece(name)
    host = draft.assembled_from(name)
    assert host is not None
    seen = host.placement(f"{name}{VISIBLE}")
    assert seen.covers is not None
    centre = Line(seen.path.start, seen.path.end)
    left, right = piece.placements[0], piece.placements[1]
    strip = _apart(left.path.start, centre) + _apart(right.path.start, centre)
    return SewnZipper(piece, host, centre, seen.covers, (left.name, right.name), strip)


def _apart(point: Point, line: Line) -> float:
    """Distance in mm of a point from a line, counted square to it."""
    return abs(cross(line.direction, subtract(point, line.start)))


def visible_line(zipper: str, strip: Strip) -> PlacementLine:
    """The line on the host where a zipper is seen."""
    return PlacementLine(f"{zipper}{VISIBLE}", Path((strip.centre,)), "zipper", covers=strip.covers)


def across(line: Line, at: float, half: float) -> Path:
    """A line across another, from its right to its left, at a distance along it, mm."""
    dx, dy = line.direction
    middle = shifted(line.start, line.direction, at)
    return Path(
        (
            Line(
                (middle[0] + half * dy, middle[1] - half * dx), (middle[0] - half * dy, middle[1] + half * dx)
            ),
        )
    )


def room_along(sewn: SewnZipper, offsets: tuple[float, float], gap: float) -> tuple[float, float]:
    """How far a rectangle beside or over the zipper may reach along it.

    Args:
        sewn: the zipper.
        offsets: of the rectangle's long sides, mm to the left of the zipper's middle.
        gap: kept between it and the host's edges, mm.

    Returns:
        Distances in mm along the zipper, counted from its start.

    Raises:
        SplitError: a long side doesn't fit the host.
    """
    low, high = -math.inf, math.inf
    along = sewn.centre.direction
    # Grown by the gap on every side, so that slanting edges are kept as far off.
    for offset in (max(offsets) + gap, min(offsets) - gap):
        chord = split_outline(sewn.host.edges, sewn.point(0.0, offset), along).left.cut.path
        ends = sorted(dot(subtract(end, sewn.centre.start), along) for end in (chord.start, chord.end))
        low, high = max(low, ends[0] + gap), min(high, ends[1] - gap)
    return low, high
