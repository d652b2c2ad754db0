"""`gusset.wrap`: one strip, or several, that follows the tubes' widths and sews to both panels exactly."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import Annotated, Literal

from pydantic import Field

from oaktag import Draft, Finding, Options, Refusal, StageSpec, hookimpl
from oaktag.geometry import Arc, Line, Path, Point, Transform
from oaktag.pattern import CORNER_PREFIX, Edge, Mark, Outline, Piece, Seam, SeamSide
from oaktag.recipe import (
    Length,
    NonNegativeLength,
    PerName,
    PositiveLength,
    TubePlace,
    listed,
    meant,
    show,
)
from oaktag_plugins.drafting.bag import (
    DRIVE_EDGE,
    END_EDGE,
    GUSSET,
    NON_DRIVE_EDGE,
    PANEL,
    START_EDGE,
    piece_id,
    place_on,
    seam_place,
    straight_edges,
)
from oaktag_plugins.drafting.gusset_limits import WIDEST, WidthLimits, belly_findings, width_findings
from oaktag_plugins.drafting.gusset_width import (
    TubeRun,
    WidthProfile,
    around_seam,
    held_knots,
    linear_knots,
    monotone_knots,
    profile_through,
    sewn_edge,
    with_belly,
    without_doubles,
)
from oaktag_plugins.drafting.obstacles import Body, bodies
from oaktag_plugins.drafting.strips import (
    Room,
    edge_at,
    join_rooms,
    main_edge,
    panel_run,
    split_evenly,
    tube_joins,
)
from oaktag_plugins.drafting.worked_gusset import gusset_workings

_ALONG = 0.8  # cosine from which a run goes to the front, or up
_ARROW_FROM, _ARROW_LENGTH, _ARROW_HEAD, _ARROW_BELOW = 10.0, 25.0, 5.0, 8.0
DEFAULT_JOIN = "down-tube"
"""The tube at whose middle the strip is joined if the recipe doesn't say (common practice, no source)."""

_STEEPEST = 0.95  # half the width, mm per mm of seam; nearly all of the seam then goes sideways
_SHORTEST = 1e-6  # mm; between two open runs that meet there is no gusset

Between = Literal["held", "linear", "monotone-cubic"]
Strips = Literal["one", "per-tube"]
MaterialName = Annotated[str, Field(min_length=1, max_length=60)]
_CLEAR = 3.0
"""Kept between a join that the stage places and the next round, mm (common practice, no source)."""


class WrapOptions(Options):
    """Options of `gusset.wrap`."""

    between: Between = "held"
    """How the width goes between stations.

    `held`: straight between a tube's own stations, held beyond them, and blended inside the corners;
    `linear`: straight along the seam from station to station; `monotone-cubic`: smooth, without overshoot.
    """
    add: Length = 0.0
    """Added to every width of the sheet."""
    width: PerName[PositiveLength] | None = None
    """A width instead of the sheet's, by tube; `default` is for tubes that the sheet has no width of.

    An edge of the bag's own, such as the lower edge of a half bag, gets its width by its name. Without one
    the gusset goes straight there between its neighbours' widths.
    """
    belly: PerName[NonNegativeLength] | None = None
    """How much wider the gusset swells along a tube, mm at the middle of its run, nothing at its ends.

    One value for all tubes, or by tube; tubes that aren't named swell by nothing unless there is a `default`.
    """
    strips: Strips = "one"
    """`one` strip all round, or `per-tube`: one for every tube, joined just before every corner."""
    join_distance: NonNegativeLength = 20.0
    """How far before the point where a corner's round begins such strips are joined, mm of seam.

    20 mm is common practice (no source).
    """
    joins: tuple[TubePlace, ...] = ()
    """Where the strip is joined; several places make several pieces.

    If left out as `strips` says; one strip is joined at the middle of the down tube.
    """
    longest: PositiveLength | None = None
    """Longest strip that can be cut, its ends' allowances among it; longer ones are split evenly.

    The material's own longest piece counts too, if the material table has it.
    """
    end_allowance: NonNegativeLength = 10.0
    """Allowance that is counted at either end of a strip when it is held against the longest, mm."""
    open: tuple[str, ...] = ()
    """Tubes along which the bag has no gusset, such as the mouth of a roll-top bag.

    The strip ends there where the straight run begins. Unless `joins` says so it isn't joined anywhere else.
    """
    slope_limit: Annotated[float, Field(gt=0, lt=1)] = 0.5
    """How fast half the width may change, mm per mm of seam; steeper, and the strip puckers."""
    widest: PerName[PositiveLength] | None = None
    """Widest that legs, heels and cranks let the bag be, for all or by tube.

    If left out 75 mm, and 60 mm along the seat tube (common practice, no source; every rider differs).
    """
    widest_upper_rear: PositiveLength = 55.0
    """Widest in the bag's rear third above half its height, where knees pass (common practice, no source)."""
    crank_width: PositiveLength | None = None
    """Inside distance of the crank arms; within 100 mm of the bottom bracket the bag stays 20 mm below it."""
    material: PerName[MaterialName] = PerName[MaterialName].uniform("shell")
    """What the gusset is cut from, for all or by tube: a strip goes by the tube that it mostly runs along."""


def run(draft: Draft, options: WrapOptions) -> Draft:
    """Develop the gusset and say what it is sewn to.

    Raises:
        Refusal: no width is known, a width or a place can't be used, or the width changes too fast.
    """
    check_names(draft, options)
    findings = unused_width(draft, options)
    for outline in draft.outlines:
        draft, told = wrapped(draft, outline, options)
        findings += told
    return draft.with_findings(findings)


def wrapped(draft: Draft, outline: Outline, options: WrapOptions) -> tuple[Draft, list[Finding]]:
    """The draft with the gusset of one body, and what there is to say about it."""
    length = outline.path.length
    runs, findings = tube_runs(draft, outline, options)
    profile = width_profile(runs, length, options)
    check_slopes(profile, outline, options)
    limits = WidthLimits(
        tube_limits(draft, options), options.widest_upper_rear, options.crank_width, options.open
    )
    findings += width_findings(draft, outline, profile, limits)
    profile, told = bellied(draft, outline, profile, options, limits)
    findings += told
    holes = hole_stations(draft, outline)
    rooms = join_rooms(
        outline,
        [(at, 0.5 * body.obstacle.length + body.obstacle.clearance) for body, at in holes],
        _CLEAR,
        options.open,
    )
    cuts, told = join_stations(draft, outline, options, rooms)
    findings += told
    added, told = split_stations(draft, outline, options, rooms, cuts)
    findings += told
    spans, joined = strip_spans(outline, sorted([*cuts, *added]), options)
    findings += material_findings(draft, outline, profile, spans, options)
    pieces: list[Piece] = []
    seams: list[Seam] = []
    strips: list[tuple[Piece, float, float]] = []
    drilled = 0
    for index, (begin, end) in enumerate(spans):
        number = f"-{index + 1}" if len(spans) > 1 else ""
        name = piece_id(outline.body, f"{GUSSET}{number}")
        material = options.material.get(main_edge(outline, begin, end))
        piece = strip(name, profile, begin, end, outline, material, index, len(spans))
        here = [(body, at) for body, s in holes if (at := (s - begin) % length) < end - begin]
        drilled += len(here)
        findings += [finding for body, at in here for finding in hole_findings(piece, body, at)]
        piece = piece.evolve(
            marks=(*piece.marks, *(m for body, at in here for m in hole_marks(piece, body, at)))
        )
        pieces.append(piece)
        strips.append((piece, begin, end))
        edges, offset, span = panel_run(outline, begin, end - begin)
        for side, edge, reverse in (("drive", DRIVE_EDGE, True), ("non-drive", NON_DRIVE_EDGE, False)):
            a = SeamSide(piece_id(outline.body, f"{PANEL}-{side}"), edges, offset, span)
            b = SeamSide(piece.id, (edge,), reverse=reverse)
            seams.append(Seam(piece_id(outline.body, f"{side}{number}"), a, b))
    for index, (before, after) in enumerate(joined, 1):
        number = f"-{index}" if len(joined) > 1 else ""
        a = SeamSide(pieces[before].id, (END_EDGE,))
        b = SeamSide(pieces[after].id, (START_EDGE,), reverse=True)
        seams.append(Seam(piece_id(outline.body, f"join{number}"), a, b))
    if drilled < len(holes):
        message = (
            f"a hole is wanted through the gusset where it is left off ({listed(options.open)}): "
            "move what goes through it, or close the bag there"
        )
        findings.append(Finding("error", "hole-at-opening", message, outline.body))
    workings = gusset_workings(
        draft.workings, outline, runs, profile, strips, draft.frame.widths, options.add
    )
    changed = draft.evolve(pieces=(*draft.pieces, *pieces), seams=(*draft.seams, *seams))
    return changed.with_workings(workings), findings


def check_names(draft: Draft, options: WrapOptions) -> None:
    """Refuse widths, bellies, materials and open runs of edges that there aren't."""
    own = [edge.name for outline in draft.outlines for edge in straight_edges(outline)]
    known = list(dict.fromkeys([*draft.frame.tubes, *own]))
    options.material.require(known, "material", "tube")
    for key, names, valid in (
        ("width", () if options.width is None else options.width.names, [*known, "default"]),
        ("belly", () if options.belly is None else options.belly.names, [*known, "default"]),
        ("open", options.open, list(dict.fromkeys(own))),
    ):
        for index, name in enumerate(names):
            if name not in valid:
                raise Refusal(
                    "there is no such tube",
                    key=f"{key}[{index}]" if key == "open" else f"{key}.{name}",
                    source="recipe",
                    found=show(name),
                    valid=listed(valid),
                    todo=meant(name, valid, "name a tube, or remove it"),
                )
    for outline in draft.outlines:
        if all(edge.name in options.open for edge in straight_edges(outline)):
            raise Refusal(
                "the gusset is left off at every tube",
                key="open",
                source="recipe",
                found=listed(options.open),
                valid="at least one tube with a gusset",
                todo="remove one of them",
            )


def unused_width(draft: Draft, options: WrapOptions) -> list[Finding]:
    """Say that a default width of the recipe is used nowhere."""
    frame, named = draft.frame, options.width
    if named is None or "default" not in named.root:
        return []
    measured = {width.place.tube for width in frame.widths}
    on_bag = [edge.name for outline in draft.outlines for edge in straight_edges(outline)]
    bare = any(name not in measured and name not in named.names for name in on_bag if name in frame.tubes)
    if bare or not set(frame.tubes) - set(named.names):
        return []
    message = (
        f"the recipe's width of {named.root['default']:g} mm isn't used: the sheet has the tubes' own; "
        "name a tube in `width` to overrule the sheet there"
    )
    return [Finding("note", "width-unused", message)]


def strip_spans(
    outline: Outline, cuts: Sequence[float], options: WrapOptions
) -> tuple[list[tuple[float, float]], list[tuple[int, int]]]:
    """Where the pieces of the gusset begin and end along the outline, and which ends are joined.

    Args:
        outline: of the body.
        cuts: seam lengths of the joins, in order, mm; at least one unless a run is open.
        options: says which runs are open.

    Returns:
        Seam lengths in mm, the second counted on past the outline's whole where needed; pairs of indices, the
        end of the one piece joined to the start of the other.
    """
    length = outline.path.length
    gaps: list[tuple[float, float]] = []
    start = 0.0
    for edge in outline.edges:
        if edge.name in options.open:
            gaps.append((start, start + edge.length))
        start += edge.length
    if not gaps:
        spans = list(pairwise([*cuts, cuts[0] + length]))
        return spans, [(index, (index + 1) % len(spans)) for index in range(len(spans))]
    spans, joined = [], []
    for (_, begin), (end, _) in zip(gaps, [*gaps[1:], (gaps[0][0] + length, 0.0)], strict=True):
        if end - begin < _SHORTEST:
            continue
        inside = sorted(begin + (cut - begin) % length for cut in cuts)
        stations = [begin, *(cut for cut in inside if cut < end), end]
        joined += [(len(spans) + index, len(spans) + index + 1) for index in range(len(stations) - 2)]
        spans += pairwise(stations)
    return spans, joined


def tube_runs(draft: Draft, outline: Outline, options: WrapOptions) -> tuple[list[TubeRun], list[Finding]]:
    """Every tube's run on the outline with the widths along it."""
    frame = draft.frame
    named = options.width
    runs: list[TubeRun] = []
    start = 0.0
    for edge in outline.edges:
        if not edge.is_corner:
            measured = any(width.place.tube == edge.name for width in frame.widths)
            is_tube = edge.name in frame.tubes
            by_default = named is not None and is_tube and not measured and edge.name not in named.names
            if named is not None and (edge.name in named.names or (by_default and "default" in named.root)):
                own = named.get(edge.name)
                stations: tuple[tuple[float, float], ...] = ((start, own), (start + edge.length, own))
            elif is_tube:
                stations = measured_stations(draft, outline, edge, start, options.add)
            else:
                stations = ()
            runs.append(TubeRun(edge.name, start, start + edge.length, stations))
        start += edge.length
    bare = [run.tube for run in runs if not run.stations]
    if len(bare) == len(runs):
        raise Refusal(
            "no tube's width is known, so the gusset has none",
            key="widths",
            source="frame",
            found="no width",
            valid=f"a table such as [widths.{frame.tubes[0]}]",
            todo="measure each tube's outside width at both ends, or give the stage a width",
        )
    findings: list[Finding] = []
    for tube in bare:
        why = (
            f"the sheet has no width of {tube}"
            if tube in frame.tubes
            else f"{tube} is an edge of the bag's own, and `width` doesn't name it"
        )
        message = f"{why}; the gusset goes straight there between its neighbours' widths"
        findings.append(Finding("note", "width-assumed", message, piece_id(outline.body, tube)))
    return runs, findings


def measured_stations(
    draft: Draft, outline: Outline, edge: Edge, start: float, add: float
) -> tuple[tuple[float, float], ...]:
    """The sheet's widths of one tube as stations (s, width) on its run.

    Where the bag leaves the tube, at an edge of its own, the width there is that between the tube's stations
    on either side; elsewhere a station beyond the run's end is that of the end.

    Args:
        draft: has the frame and its opening.
        outline: of the body.
        edge: the tube's run on the outline.
        start: seam length where the run begins, mm.
        add: added to every width, mm.

    Raises:
        Refusal: a station lies beyond the tube, or nothing is left of a width.
    """
    assert draft.opening is not None
    side = draft.opening.edge(edge.name).path
    points: dict[float, tuple[float, float]] = {}
    widths: list[tuple[float, float]] = []
    for station in draft.frame.widths:
        if station.place.tube != edge.name:
            continue
        along = station.place.along(side.length)
        if not -1e-6 <= along <= side.length + 1e-6:
            raise Refusal(
                f"lies beyond the end of {edge.name}",
                key=station.key,
                source="frame",
                found=f"{along:.1f} mm from corner {draft.frame.ends(edge.name)[0]}",
                valid=f"0 to {side.length:.1f} mm",
                todo="correct the distance",
            )
        width = station.width + add
        if width <= 0:
            raise Refusal(
                "nothing is left of the width",
                key="add",
                source="recipe",
                found=f"{station.width:g} mm and {add:g} mm",
                valid=f"more than {-station.width:g} mm",
                todo="add more, or measure the tube again",
            )
        widths.append((along, width))
    low, high = left_tube_at(draft, outline, edge)
    if widths and low is not None:
        widths = [(along, width) for along, width in widths if along > low] + [
            (low, value_between(widths, low))
        ]
    if widths and high is not None:
        widths = [(along, width) for along, width in widths if along < high] + [
            (high, value_between(widths, high))
        ]
    for along, width in widths:
        s, off = edge.path.nearest(side.point_at(min(max(along, 0.0), side.length)))
        # Several stations may meet at the end of a run: the nearest to the run speaks for it.
        key = round(start + s, 6)
        if key not in points or off < points[key][0]:
            points[key] = (off, width)
    return tuple((s, width) for s, (_, width) in sorted(points.items()))


def left_tube_at(draft: Draft, outline: Outline, edge: Edge) -> tuple[float | None, float | None]:
    """Where a tube's run begins and ends short of its corners, mm along the tube; None if it doesn't."""
    assert draft.opening is not None
    side = draft.opening.edge(edge.name).path
    names = [one.name for one in straight_edges(outline)]
    at, tubes = names.index(edge.name), draft.frame.tubes
    before, after = tubes[tubes.index(edge.name) - 1], tubes[(tubes.index(edge.name) + 1) % len(tubes)]
    low = side.nearest(edge.path.start)[0] if names[at - 1] != before else None
    high = side.nearest(edge.path.end)[0] if names[(at + 1) % len(names)] != after else None
    return low, high


def value_between(points: Sequence[tuple[float, float]], at: float) -> float:
    """The value at a place, straight between the points on either side and held beyond the outermost."""
    ordered = sorted(points)
    for (s0, w0), (s1, w1) in pairwise(ordered):
        if s0 <= at <= s1:
            return w0 + (w1 - w0) * (at - s0) / (s1 - s0) if s1 > s0 else w0
    return ordered[0][1] if at < ordered[0][0] else ordered[-1][1]


def width_profile(runs: Sequence[TubeRun], length: float, options: WrapOptions) -> WidthProfile:
    """The width all along the seam."""
    points = around_seam(runs, length)
    if options.between == "linear":
        knots = linear_knots(points, length)
    elif options.between == "monotone-cubic":
        knots = monotone_knots(points, length)
    else:
        knots = without_doubles(held_knots(runs, length), length)
    return profile_through(knots, length)


def check_slopes(profile: WidthProfile, outline: Outline, options: WrapOptions) -> None:
    """Refuse a width that changes faster than the limit."""
    for piece in profile.pieces:
        station, slope = piece.steepest()
        if slope / 2 > options.slope_limit:
            where = edge_at(outline, station)[0].name
            raise Refusal(
                f"the width changes too fast at {where}",
                key="slope-limit",
                source="recipe",
                found=f"half of it by {slope / 2:.2f} mm per mm of seam",
                valid=f"at most {options.slope_limit:g}",
                todo="measure the widths there again, use a larger radius, or raise the limit",
            )


def tube_limits(draft: Draft, options: WrapOptions) -> PerName[PositiveLength]:
    """The widest that the gusset may be along each tube.

    Raises:
        Refusal: a limit names an unknown tube.
    """
    own = [edge.name for body in draft.outlines for edge in straight_edges(body)]
    known = dict.fromkeys([*draft.frame.tubes, *own])
    return WIDEST if options.widest is None else options.widest.require(known, "widest", "tube")


def bellied(
    draft: Draft, outline: Outline, profile: WidthProfile, options: WrapOptions, limits: WidthLimits
) -> tuple[WidthProfile, list[Finding]]:
    """The width with its bellies, and where one is more than legs and cranks, or the strip itself, allow."""
    if options.belly is None:
        return profile, []
    findings: list[Finding] = []
    swollen = profile
    start = 0.0
    for edge in outline.edges:
        begin, end = start, start + edge.length
        start = end
        name = edge.name
        if edge.is_corner or name in options.open or not {name, "default"} & options.belly.root.keys():
            continue
        add = options.belly.get(name)
        if add <= 0.0:
            continue
        wider = with_belly(swollen, begin, end, add)
        station, slope = max(
            (piece.steepest() for piece in wider.pieces if piece.s0 < end and piece.s1 > begin),
            key=lambda found: found[1],
        )
        if slope / 2 > options.slope_limit:
            left_out = slope / 2 >= _STEEPEST
            message = (
                f"a belly of {add:g} mm makes half the width change by {slope / 2:.2f} mm per mm of seam "
                f"{station - begin:.0f} mm along {name}, where {options.slope_limit:g} is the limit: "
                "the strip puckers there. Ask for a smaller belly."
                + (" This one can't be drawn, and is left out." if left_out else "")
            )
            findings.append(Finding("error", "belly-steep", message, name))
            if left_out:
                continue
        swollen = wider
        findings += belly_findings(draft, outline, profile, (begin, end), name, add, limits)
    return swollen, findings


def hole_stations(draft: Draft, outline: Outline) -> list[tuple[Body, float]]:
    """Obstacles that go through the gusset, each with its seam length."""
    assert draft.opening is not None
    found: list[tuple[Body, float]] = []
    for body in bodies(draft.frame.obstacles, draft.opening, "hole"):
        tube = body.obstacle.place.tube
        if nearest_outline(draft, tube, body.foot) is not outline:
            continue
        names = [edge.name for edge in outline.edges]
        at = names.index(tube)
        nearest: list[tuple[float, float]] = []
        start = 0.0
        for index, edge in enumerate(outline.edges):
            # Beside a tube's end the seam line is already in the round.
            if index == at or (edge.is_corner and (index - at) % len(names) in (1, len(names) - 1)):
                s, off = edge.path.nearest(body.foot)
                nearest.append((off, start + s))
            start += edge.length
        found.append((body, min(nearest)[1]))
    return found


def nearest_outline(draft: Draft, tube: str, point: Point) -> Outline | None:
    """The body that comes nearest to a place on a tube; None if none runs along that tube."""
    along = [one for one in draft.outlines if any(edge.name == tube for edge in one.edges)]
    return min(along, key=lambda one: one.edge(tube).path.nearest(point)[1], default=None)


def hole_marks(piece: Piece, body: Body, along: float) -> tuple[Mark, ...]:
    """A circle about the hole on the strip's centre line, a cross in its middle, the obstacle's name.

    Args:
        piece: of the gusset.
        body: what goes through it.
        along: seam length from the piece's start, mm.
    """
    upper = piece.edge(NON_DRIVE_EDGE).path
    x, half = upper.point_at(along)
    radius = 0.5 * body.obstacle.length
    if radius >= min(half, x, upper.end[0] - x):
        return ()  # it would leave the piece, which is an error of its own
    bottom, top = (x, -radius), (x, radius)
    # Begun at the bottom, so that the name stands above the top.
    circle = Path((Arc(bottom, top, (x, 0.0), radius, True), Arc(top, bottom, (x, 0.0), radius, True)))
    arm = 0.5 * radius
    return (
        Mark("line", circle, body.obstacle.name),
        Mark("centre", Path((Line((x - arm, 0.0), (x + arm, 0.0)),))),
        Mark("centre", Path((Line((x, -arm), (x, arm)),))),
    )


def hole_findings(piece: Piece, body: Body, along: float) -> list[Finding]:
    """What is wrong with a hole: too near to a join, or too wide for the strip."""
    obstacle = body.obstacle
    upper = piece.edge(NON_DRIVE_EDGE).path
    radius, width = 0.5 * obstacle.length, 2 * upper.point_at(along)[1]
    wanted = obstacle.length + 2 * obstacle.clearance
    left = min(along, upper.length - along) - radius
    findings: list[Finding] = []
    if left < obstacle.clearance - 1e-6:
        message = (
            f"the hole for {obstacle.name} comes to {left:.1f} mm from a join of {piece.id}; "
            f"{obstacle.clearance:g} mm is wanted. Move the join (`joins`)."
        )
        findings.append(Finding("error", "hole-at-join", message, obstacle.name))
    if width < wanted - 1e-6:
        message = (
            f"the hole for {obstacle.name} and its clearance take {wanted:g} mm, "
            f"and the gusset is {width:.1f} mm wide there. Cut it out of the panels instead "
            '(`treatment = "notch"`), or make the gusset wider.'
        )
        findings.append(Finding("error", "hole-too-wide", message, obstacle.name))
    return findings


def join_stations(
    draft: Draft, outline: Outline, options: WrapOptions, rooms: Sequence[Room]
) -> tuple[list[float], list[Finding]]:
    """Seam lengths of a body's joins, in order, and what there is to say about them."""
    asked, findings = asked_joins(draft, outline, options)
    if asked:
        return sorted(asked), findings
    if options.strips == "per-tube":
        found = tube_joins(outline, rooms, options.join_distance, options.open)
        for join in found:
            off = abs(join.station - join.wanted)
            if off > _SHORTEST:
                message = (
                    f"the strips are joined {off:.1f} mm away from where `join-distance` has it, clear "
                    "of rounds and of what goes through the gusset: there is no more room"
                )
                findings.append(Finding("note", "join-moved", message, join.tube))
        if found:
            return sorted(join.station for join in found), findings
    if any(edge.name in options.open for edge in outline.edges):
        return [], findings
    return [default_join(draft, outline)], findings


def asked_joins(draft: Draft, outline: Outline, options: WrapOptions) -> tuple[list[float], list[Finding]]:
    """Seam lengths of the joins that the recipe asks for on a body, and which of them lie in a corner.

    Raises:
        Refusal: a join lies on no tube of the bag, or two lie at one place.
    """
    stations: list[float] = []
    findings: list[Finding] = []
    for index, join in enumerate(options.joins):
        key = f"joins[{index}]"
        place = place_on(draft, join, key)
        if place.tube in options.open:
            raise Refusal(
                "the gusset is left off there",
                key=key,
                source="recipe",
                found=show(place.tube),
                valid=f"another tube than {listed(options.open)}",
                todo="move the join, or remove it",
            )
        side = tube_path(draft, place.tube)
        point = side.point_at(min(max(place.along(side.length), 0.0), side.length))
        if nearest_outline(draft, place.tube, point) not in (outline, None):
            continue
        spot = seam_place(draft, outline, place, key)
        if any(abs(spot.station - other) < 1.0 for other in stations):
            raise Refusal(
                "two joins lie at one place",
                key=key,
                source="recipe",
                found=f"{spot.edge}, {spot.along:.1f} mm from the start of its run",
                valid="joins that lie apart",
                todo="move one of them, or remove it",
            )
        run = outline.edge(spot.edge)
        if run.is_corner or not 1.0 < spot.along < run.length - 1.0:
            where = run.name if run.is_corner else f"an end of {run.name}"
            message = (
                f"the join {place.along(side.length):.0f} mm along {place.tube} is in a corner, at {where}: "
                "the allowances of both seams pile up there, and the strip won't go round. Move it onto the "
                f"straight run of {place.tube}, {outline.edge(place.tube).length:.0f} mm long."
            )
            findings.append(Finding("error", "join-on-corner", message, run.name))
        stations.append(spot.station)
    return stations, findings


def default_join(draft: Draft, outline: Outline) -> float:
    """Seam length of a strip's only join: the middle of the down tube, or without one of the longest run."""
    tubes = straight_edges(outline)
    longest = max(tubes, key=lambda edge: edge.length).name
    name = DEFAULT_JOIN if any(edge.name == DEFAULT_JOIN for edge in tubes) else longest
    run = outline.edge(name).path
    side = tube_path(draft, name)
    along = run.nearest(side.point_at(side.length / 2))[0]
    # Of a tube that the bag leaves half-way the middle may lie elsewhere than the run.
    if not 1.0 < along < run.length - 1.0:
        along = run.length / 2
    start = 0.0
    for edge in outline.edges:
        if edge.name == name:
            break
        start += edge.length
    return start + along


def split_stations(
    draft: Draft, outline: Outline, options: WrapOptions, rooms: Sequence[Room], cuts: Sequence[float]
) -> tuple[list[float], list[Finding]]:
    """Seam lengths of further joins, so that no strip is longer than what it can be cut from.

    Args:
        draft: has the material table.
        outline: of the body.
        options: of the stage.
        rooms: where there may be joins.
        cuts: seam lengths of the other joins, in order, mm.
    """
    whole = outline.path.length
    added: list[float] = []
    findings: list[Finding] = []
    for begin, end in strip_spans(outline, cuts, options)[0]:
        name = options.material.get(main_edge(outline, begin, end))
        longest = longest_of(draft, options, name)
        if longest is None:
            continue
        room = longest - 2.0 * options.end_allowance
        found = split_evenly(begin, end, room, rooms, whole)
        told = (
            f"a strip of {end - begin:.0f} mm, with {options.end_allowance:g} mm of allowance at either end, "
            f"is longer than the {longest:g} mm that can be cut of {name}"
        )
        if found is None:
            message = f"{told}, and there is no room for joins that would make it short enough: set `joins`"
            findings.append(Finding("error", "strip-too-long", message, outline.body))
        elif found:
            places = listed([f"{along:.0f} mm along {edge.name}" for edge, along in _places(outline, found)])
            message = f"{told}: it is made of {len(found) + 1}, joined {places} (from where the run begins)"
            findings.append(Finding("note", "strip-split", message, outline.body))
            added += (station % whole for station in found)
    return added, findings


def _places(outline: Outline, stations: Sequence[float]) -> list[tuple[Edge, float]]:
    return [edge_at(outline, station) for station in stations]


def longest_of(draft: Draft, options: WrapOptions, name: str) -> float | None:
    """The longest strip that can be cut of a material, mm; None if it may be as long as it likes."""
    material = draft.material(name)
    own = () if material is None or material.longest <= 0.0 else (material.longest,)
    wanted = () if options.longest is None else (options.longest,)
    return min((*own, *wanted), default=None)


def material_findings(
    draft: Draft,
    outline: Outline,
    profile: WidthProfile,
    spans: Sequence[tuple[float, float]],
    options: WrapOptions,
) -> list[Finding]:
    """Say of a strip that its material is too narrow, and of a material that no strip is cut from it."""
    findings: list[Finding] = []
    mains = [main_edge(outline, begin, end) for begin, end in spans]
    for (begin, end), main in zip(spans, mains, strict=True):
        name = options.material.get(main)
        material = draft.material(name)
        width = max(piece.greatest() for piece in profile.between(begin, end))
        if material is not None and 0.0 < material.width < width:
            message = (
                f"the strip along {main} is {width:.1f} mm wide and {name} only {material.width:g} mm: "
                "take another material, or make the gusset narrower"
            )
            findings.append(Finding("error", "strip-too-wide", message, main))
    here = {edge.name for edge in straight_edges(outline)}
    for name in options.material.names:
        if name in here and name not in mains and name not in options.open:
            message = (
                f"{options.material.get(name)} isn't used: no strip runs mostly along {name}. "
                'Let every tube have its own strip (`strips = "per-tube"`), or set `joins`.'
            )
            findings.append(Finding("warning", "material-unused", message, name))
    return findings


def tube_path(draft: Draft, name: str) -> Path:
    """A tube's side of the opening, or a body's own edge of that name."""
    assert draft.opening is not None
    if name in draft.frame.tubes:
        return draft.opening.edge(name).path
    return next(one.edge(name).path for one in draft.outlines if any(e.name == name for e in one.edges))


def strip(
    id_: str,
    profile: WidthProfile,
    start: float,
    end: float,
    outline: Outline,
    material: str,
    index: int,
    count: int,
) -> Piece:
    """One piece of the gusset, between two seam lengths."""
    upper = sewn_edge(profile.between(start, end))
    # Half a turn of the mirror image: y becomes -y, and the edge runs back towards -x.
    lower = upper.transformed(Transform.mirror_x().then(Transform.rotation(180.0))).reversed()
    edges = (
        Edge(NON_DRIVE_EDGE, upper),
        Edge(END_EDGE, Path((Line(upper.end, lower.start),))),
        Edge(DRIVE_EDGE, lower),
        Edge(START_EDGE, Path((Line(lower.end, upper.start),))),
    )
    part = f", part {index + 1}" if count > 1 else ""
    return Piece(
        id=id_,
        name=f"{outline.body} gusset{part}".strip(),
        edges=edges,
        material=material,
        role=GUSSET,
        body=outline.body,
        marks=(*tube_marks(upper, start, end, outline), *way_marks(upper, start, end, outline)),
    )


def tube_marks(upper: Path, start: float, end: float, outline: Outline) -> list[Mark]:
    """Lines across the strip where the panel's edges meet, each named after the one that begins there."""
    length = outline.path.length
    marks: list[Mark] = []
    station = 0.0
    for edge in outline.edges:
        along = (station - start) % length
        if 1e-6 < along < end - start - 1e-6:
            x, y = upper.point_at(along)
            marks.append(Mark("line", Path((Line((x, -y), (x, y)),)), edge.name.removeprefix(CORNER_PREFIX)))
        station += edge.length
    return sorted(marks, key=lambda mark: mark.path.start)


def way_marks(upper: Path, start: float, end: float, outline: Outline) -> list[Mark]:
    """Arrows along the strip where it runs to the front wheel and where it runs up."""
    length = outline.path.length
    marks: list[Mark] = []
    for word, (dx, dy) in (("FRONT", (1.0, 0.0)), ("UP", (0.0, 1.0))):
        station, best = 0.0, None
        for edge in outline.edges:
            (ax, ay), (bx, by) = edge.path.start, edge.path.end
            span = math.hypot(bx - ax, by - ay)
            share = ((bx - ax) * dx + (by - ay) * dy) / span if span else 0.0
            if not edge.is_corner and share > _ALONG and (best is None or share > best[0]):
                best = (share, station)
            station += edge.length
        if best is None:
            continue
        along = (best[1] - start) % length
        if along + _ARROW_FROM + _ARROW_LENGTH > end - start:
            continue  # the run begins on another part of the gusset
        x, _ = upper.point_at(along + _ARROW_FROM)
        y = upper.point_at(along)[1] - _ARROW_BELOW
        tip = (x + _ARROW_LENGTH, y)
        upper_barb, lower_barb = ((tip[0] - _ARROW_HEAD, y + side * _ARROW_HEAD / 2) for side in (1, -1))
        # The shaft by itself, so that the word stands above its middle.
        marks.append(Mark("line", Path.polyline([(x, y), tip]), word))
        marks.append(Mark("line", Path.polyline([upper_barb, tip, lower_barb])))
    return marks


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="gusset.wrap",
            summary="Develop the gusset from the tubes' widths, its sewn edges as long as the panels'",
            run=f"{__name__}:run",
            options=f"{__name__}:WrapOptions",
            needs=frozenset({"panels", "outline", "opening"}),
            uses=frozenset({"materials"}),
            adds=frozenset({"gusset", "seams"}),
        ),
    )
