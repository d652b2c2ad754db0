"""`lacing.row`: rows of grommets along a tube or along an edge of a piece, and the cord that laces them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from oaktag import Draft, Finding, Options, Refusal, StageSpec, hookimpl
from oaktag.geometry import GeometryError, Line, Path, Point, Transform, left_normal, shifted
from oaktag.pattern import Edge, Fitting, Hole, Outline, Piece, Place
from oaktag.recipe import NonNegativeLength, PositiveLength, listed, meant, refuse_value, show
from oaktag_plugins.drafting.bag import (
    NON_DRIVE_EDGE,
    GussetSpot,
    SeamPlace,
    bodies_of,
    gusset_starts,
    piece_id,
    rectangle_edges,
    sew_on,
)
from oaktag_plugins.drafting.fastening import (
    StraightRun,
    along_words,
    bought,
    circle,
    finished,
    free_number,
    gap_at,
    length_round,
    measure_of,
    open_finding,
    spot_at,
    straight_run,
    straight_runs,
    together,
    tube_round,
)

GROMMET, STRIP, CORD = "grommet", "patch", "cord"
USUAL_PITCH = 40.0
"""The pitch that the stage comes nearest to if it is left to it, mm (common practice, no source)."""
BETWEEN_FLANGES = 4.0
"""Least cloth between the flanges of two grommets, mm (common practice, no source)."""
FITS_TO = 0.1
"""A pitch that misses the end of the row by no more, in mm, fits."""

Rows = Literal["both", "drive", "non-drive", "centre"]


class RowOptions(Options):
    """Options of `lacing.row`."""

    tube: Annotated[str, Field(min_length=1)] = "top-tube"
    """The tube that the gusset is laced to."""
    rows: Rows = "centre"
    """A row along either seam of the gusset, along one of them, or along its `centre`."""
    piece: str | None = None
    """Instead of the gusset: the piece that gets the row, such as a flap."""
    edge: str | None = None
    """The edge of that piece that the row runs along."""
    body: str | None = None
    """Which of several bodies gets the rows; all along that tube if left out."""
    grommet: Annotated[str, Field(min_length=1, max_length=60)] = "grommet-8"
    """Name in the material table."""
    hole: PositiveLength | None = None
    """Diameter of the hole to cut for one if the table doesn't say."""
    flange: PositiveLength | None = None
    """Outside diameter of one if the table doesn't say."""
    inset: PositiveLength = 14.0
    """From the seam line to the grommets' middles (common practice, no source)."""
    first_inset: NonNegativeLength = 20.0
    """From the start of the straight run to the first grommet's middle (common practice, no source)."""
    last_inset: NonNegativeLength = 20.0
    """From the last grommet's middle to the end of the straight run (common practice, no source)."""
    count: Annotated[int, Field(ge=2, le=100)] | None = None
    """How many grommets a row has, spread evenly."""
    pitch: PositiveLength | None = None
    """From one grommet to the next; with neither this nor `count` what fits and comes nearest to 40 mm."""
    strip_material: Annotated[str, Field(min_length=1, max_length=60)] = "shell"
    """What the reinforcement strip behind the grommets is cut from."""
    strip_margin: PositiveLength = 4.0
    """How far the strip reaches beyond the grommets' flanges (common practice, no source)."""
    cord: Annotated[str, Field(max_length=60)] = "cord-3"
    """Name in the material table; empty for no cord."""
    cord_diameter: PositiveLength | None = None
    """Diameter of the cord if the table doesn't say."""
    lap: PositiveLength | None = None
    """What one lap of the cord takes; round the tube if left out. On another piece no cord without it."""
    tail: NonNegativeLength = 200.0
    """Left at either end of the cord to tie it (common practice, no source)."""

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.count is not None and self.pitch is not None:
            raise refuse_value("says how many twice", "either `count`, or `pitch`", "keep one of them")
        if (self.piece is None) != (self.edge is None):
            raise refuse_value("`piece` and `edge` go together", "a piece and its edge", "give both")
        return self


@dataclass(frozen=True, slots=True)
class _Spacing:
    """Where the grommets of a row are, mm along its run."""

    stations: tuple[float, ...]
    pitch: float


@dataclass(frozen=True, slots=True)
class _Grommet:
    """Sizes of a grommet, mm."""

    hole: float
    flange: float


def run(draft: Draft, options: RowOptions) -> Draft:
    """Set the grommets, sew reinforcement behind them, cut the cord.

    Raises:
        Refusal: a tube, a body, a piece, an edge or a material isn't there.
    """
    sizes = _Grommet(
        *(
            measure_of(draft, options.grommet, measure, given, form="each", key="grommet", option=measure)
            for measure, given in (("hole", options.hole), ("flange", options.flange))
        )
    )
    if options.piece is not None and options.edge is not None:
        return along_edge(draft, options.piece, options.edge, sizes, options)
    bodies = bodies_of(draft, options.body)
    with_tube = [b for b in bodies if any(r.tube == options.tube for r in straight_runs(draft.outline_of(b)))]
    for body in with_tube or bodies[:1]:
        draft = along_tube(draft, draft.outline_of(body), sizes, options)
    return draft


def spacing(
    length: float, sizes: _Grommet, options: RowOptions, where: str
) -> tuple[_Spacing, list[Finding]]:
    """Places along a run of a length in mm, and what is wrong with them; none if there is no room for two."""
    span = length - options.first_inset - options.last_inset
    findings: list[Finding] = []
    if span <= 0.0:
        message = (
            f"a row along {where} has {max(length, 0.0):.1f} mm and loses "
            f"{options.first_inset + options.last_inset:g} mm at its ends: nothing is left. "
            "Make `first-inset` and `last-inset` smaller."
        )
        return _Spacing((), 0.0), [Finding("error", "lacing-run-short", message, where)]
    if options.pitch is None:
        gaps = (options.count or 1 + max(1, round(span / USUAL_PITCH))) - 1
        pitch = span / gaps
    else:
        pitch = options.pitch
        gaps = math.floor(span / pitch + 1e-9)
        nearest = round(span / pitch)
        if abs(nearest * pitch - span) <= FITS_TO:
            gaps = nearest
        else:
            fits = [f"{span / n:.2f} mm ({n + 1} grommets)" for n in (gaps, gaps + 1) if n >= 1]
            message = (
                f"a pitch of {pitch:g} mm doesn't fit the {span:.1f} mm from the first to the last grommet "
                f"along {where}: {span - gaps * pitch:.1f} mm are left over. {' or '.join(fits)} fits."
            )
            findings.append(Finding("warning", "lacing-pitch", message, where))
    if pitch < sizes.flange + BETWEEN_FLANGES - 1e-9 and gaps > 0:
        message = (
            f"grommets {pitch:.1f} mm apart along {where} with flanges of {sizes.flange:g} mm leave less "
            f"than {BETWEEN_FLANGES:g} mm of cloth between them. Use fewer, or smaller ones."
        )
        findings.append(Finding("error", "lacing-close", message, where))
    return _Spacing(tuple(options.first_inset + pitch * k for k in range(gaps + 1)), pitch), findings


def along_tube(draft: Draft, outline: Outline, sizes: _Grommet, options: RowOptions) -> Draft:
    """The rows of one body's gusset along a tube."""
    stretch = straight_run(outline, options.tube, "tube")
    places, findings = spacing(stretch.length, sizes, options, options.tube)
    if not places.stations:
        return draft.with_findings(findings)
    prefix = piece_id(outline.body, f"lacing-{options.tube}")
    number = free_number(draft, prefix)
    found = [spot_at(draft, outline, stretch.start + station) for station in places.stations]
    spots = [spot for spot in found if spot is not None]
    if len(spots) < len(found):
        station = stretch.start + places.stations[found.index(None)]
        findings.append(open_finding("a grommet", outline, station, options.tube))
    if not spots:
        return draft.with_findings(findings)
    broad = sizes.flange + 2.0 * options.strip_margin
    findings += room_findings(outline, spots, broad, options)
    sides = {"both": (1, -1), "non-drive": (1,), "drive": (-1,), "centre": (0,)}[options.rows]
    for side in sides:
        row = f"{prefix}-{number}"
        number += 1
        points = [(spot.x, side * (spot.half - options.inset)) for spot in spots]
        for part, indices in enumerate(together(spots), 1):
            host = spots[indices[0]].piece.id
            draft = set_grommets(draft, host, row, [(k + 1, points[k]) for k in indices], sizes, options)
            ends = (spots[indices[0]].station, spots[indices[-1]].station)
            band = gusset_band(draft, outline, host, ends, side, broad, options.inset)
            strip_id = row.replace("lacing-", "lacing-strip-", 1) + (f"-part-{part}" if part > 1 else "")
            draft = sewn_strip(draft, host, strip_id, band, points, sizes, options)
    draft = corded(draft, outline, stretch, spots, places, prefix, options)
    return draft.with_findings(findings)


def room_findings(
    outline: Outline, spots: Sequence[GussetSpot], broad: float, options: RowOptions
) -> list[Finding]:
    """Whether rows and strips have room across the gusset."""
    tightest = min(spots, key=lambda spot: spot.half)
    half = tightest.half
    lowest = {"both": 0.0, "centre": -half}.get(options.rows, -half)
    needs = {
        "both": options.inset + 0.5 * broad <= half - lowest + 1e-9 and options.inset >= 0.5 * broad - 1e-9,
        "centre": broad <= 2.0 * half + 1e-9,
    }.get(
        options.rows,
        options.inset + 0.5 * broad <= 2.0 * half + 1e-9 and options.inset >= 0.5 * broad - 1e-9,
    )
    if needs:
        return []
    middle = "along its middle" if options.rows == "centre" else f"{options.inset:g} mm from its seam"
    rows = "two rows" if options.rows == "both" else "a row"
    message = (
        f"{rows} of grommets {middle} with strips {broad:g} mm broad don't fit on the gusset, which is "
        f"{2.0 * half:.1f} mm wide {along_words(outline, tightest.station)}. "
        "Use smaller grommets, one row along the middle, or another inset."
    )
    return [Finding("error", "lacing-narrow", message, options.tube)]


def set_grommets(
    draft: Draft,
    host: str,
    row: str,
    points: Sequence[tuple[int, Point]],
    sizes: _Grommet,
    options: RowOptions,
) -> Draft:
    """Holes and grommets on a piece, numbered as they follow each other in the row."""
    base = draft.piece(host)
    holes = tuple(Hole(f"{row}:{n}", circle(point, 0.5 * sizes.hole), GROMMET) for n, point in points)
    fittings = tuple(
        Fitting(f"{row}:{n}", options.grommet, point, 0.5 * sizes.flange, GROMMET) for n, point in points
    )
    return draft.replaced(base.evolve(holes=(*base.holes, *holes), fittings=(*base.fittings, *fittings)))


def gusset_band(
    draft: Draft,
    outline: Outline,
    host: str,
    ends: tuple[float, float],
    side: int,
    broad: float,
    inset: float,
) -> tuple[Path, Path]:
    """Both long edges of a strip of the gusset along a row, in the order of x: the upper and the lower.

    They are the gusset's own sewn edge, moved across the strip, and so stay as far from it all along.
    """
    strip = draft.piece(host)
    begin = next(start for piece, start in gusset_starts(draft, outline) if piece.id == host)
    upper = strip.edge(NON_DRIVE_EDGE).path
    whole = outline.path.length
    low = max((ends[0] - begin) % whole - 0.5 * broad, 0.0)
    high = min((ends[1] - begin) % whole + 0.5 * broad, upper.length)
    if side == 0:
        x0, x1 = upper.point_at(low)[0], upper.point_at(high)[0]
        y = 0.5 * broad
        return Path((Line((x0, y), (x1, y)),)), Path((Line((x0, -y), (x1, -y)),))
    base = upper.between(low, high)
    outer = base.transformed(Transform.translation(0.0, 0.5 * broad - inset))
    inner = base.transformed(Transform.translation(0.0, -0.5 * broad - inset))
    if side == 1:
        return outer, inner
    over = Transform.mirror_x().then(Transform.rotation(180.0))
    return inner.transformed(over), outer.transformed(over)


def sewn_strip(
    draft: Draft,
    host: str,
    strip_id: str,
    band: tuple[Path, Path],
    points: Sequence[Point],
    sizes: _Grommet,
    options: RowOptions,
) -> Draft:
    """A strip between two long edges, sewn onto the inside all round, with holes for the grommets on it."""
    upper, lower = band
    middle = upper.bounds.union(lower.bounds).centre
    home = Transform.translation(-middle[0], -middle[1])
    upper, lower = upper.transformed(home), lower.transformed(home)
    edges = (
        Edge("upper", upper),
        Edge("end", Path((Line(upper.end, lower.end),))),
        Edge("lower", lower.reversed()),
        Edge("start", Path((Line(lower.start, upper.start),))),
    )
    strip = Piece(
        id=strip_id,
        name=strip_id.replace("-", " "),
        edges=edges,
        material=options.strip_material,
        role="patch",
        body=draft.piece(host).body,
    )
    own = [home.apply(point) for point in points]
    through = [point for point in own if strip.seam_line.contains(point)]
    strip = strip.evolve(
        holes=tuple(
            Hole(f"{strip_id}:{n}", circle(p, 0.5 * sizes.hole), GROMMET) for n, p in enumerate(through, 1)
        )
    )
    return sew_on(draft, strip, host, home.inverse(), what=STRIP, edges=None, face="inside", under=(GROMMET,))


def corded(
    draft: Draft,
    outline: Outline,
    stretch: StraightRun,
    spots: Sequence[GussetSpot],
    places: _Spacing,
    prefix: str,
    options: RowOptions,
) -> Draft:
    """The cord of a row along a tube: a lap round the tube at every grommet, each a pitch further on."""
    if not options.cord:
        return draft
    assert draft.opening is not None
    total = 0.0
    tube = None if stretch.tube not in draft.frame.tubes else draft.opening.edge(stretch.tube).path
    for spot in spots:
        lap = options.lap
        if lap is None and tube is not None:
            station = spot.station
            along, _ = tube.nearest(outline.path.point_at(station))
            place = Place(stretch.tube, distance=along)
            around = tube_round(draft, place, tube.length, {}, 2.0 * spot.half)
            gap = gap_at(draft, outline, place, SeamPlace(station, stretch.tube, station - stretch.start))
            across = 2.0 * (spot.half - options.inset) if options.rows == "both" else 0.0
            lap = length_round(around.radius, max(across, 0.0), gap)
        total += 0.0 if lap is None else math.hypot(lap, places.pitch)
    return with_cord(draft, prefix, outline.body, total, options)


def with_cord(draft: Draft, prefix: str, body: str, laps: float, options: RowOptions) -> Draft:
    """The draft with the cord as a piece that is only cut to length."""
    if laps <= 0.0:
        return draft
    bought(draft, options.cord, "cord", "tape")
    wide = measure_of(
        draft, options.cord, "width", options.cord_diameter, form="tape", key="cord", option="cord-diameter"
    )
    name = prefix.replace("lacing-", "cord-", 1)
    number = free_number(draft, name)
    cord = Piece(
        id=f"{name}-{number}",
        name=f"lacing cord {number}, {name.split('cord-', 1)[1]}",
        edges=finished(rectangle_edges(laps + 2.0 * options.tail, wide), "raw"),
        material=options.cord,
        role=CORD,
        body=body,
    )
    return draft.evolve(pieces=(*draft.pieces, cord))


def along_edge(draft: Draft, host: str, edge: str, sizes: _Grommet, options: RowOptions) -> Draft:
    """A row along an edge of any piece.

    Raises:
        Refusal: there is no such piece, or no such edge on it.
    """
    ids = [piece.id for piece in draft.pieces]
    if host not in ids:
        raise Refusal(
            "there is no such piece",
            key="piece",
            source="recipe",
            found=show(host),
            valid=listed(ids),
            todo=meant(host, ids, "name one of the pieces"),
        )
    base = draft.piece(host)
    names = [one.name for one in base.edges]
    if edge not in names:
        raise Refusal(
            f"{host} has no such edge",
            key="edge",
            source="recipe",
            found=show(edge),
            valid=listed(names),
            todo=meant(edge, names, "name one of its edges"),
        )
    path = base.edge(edge).path
    where = f"{edge} of {host}"
    places, findings = spacing(path.length, sizes, options, where)
    if not places.stations:
        return draft.with_findings(findings)
    # The inside of a piece lies to the left of an outline that runs counter-clockwise.
    inwards = -1.0 if base.seam_line.clockwise else 1.0
    points = [
        shifted(path.point_at(s), left_normal(path.tangent_at(s)), inwards * options.inset)
        for s in places.stations
    ]
    prefix = f"lacing-{host}-{edge}".replace(":", "-")
    row = f"{prefix}-{free_number(draft, prefix)}"
    draft = set_grommets(draft, host, row, list(enumerate(points, 1)), sizes, options)
    broad = sizes.flange + 2.0 * options.strip_margin
    low = max(places.stations[0] - 0.5 * broad, 0.0)
    high = min(places.stations[-1] + 0.5 * broad, path.length)
    try:
        outer, inner = (
            Path(tuple(s.offset(inwards * away) for s in path.between(low, high).segments))
            for away in (options.inset - 0.5 * broad, options.inset + 0.5 * broad)
        )
    except GeometryError:
        message = (
            f"the reinforcement strip can't follow {where}: its bends are too sharp for a strip {broad:g} mm "
            f"broad {options.inset:g} mm from it. Cut one by hand, or choose a straighter edge."
        )
        findings.append(Finding("error", "lacing-strip", message, host))
    else:
        strip_id = row.replace("lacing-", "lacing-strip-", 1)
        draft = sewn_strip(draft, host, strip_id, (outer, inner), points, sizes, options)
    if options.cord and options.lap is not None:
        laps = len(points) * math.hypot(options.lap, places.pitch)
        draft = with_cord(draft, prefix, base.body, laps, options)
    elif options.cord:
        message = f'the row along {where} has no cord: say what one lap of it takes (`lap`), or `cord = ""`'
        findings.append(Finding("note", "lacing-cord", message, host))
    return draft.with_findings(findings)


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="lacing.row",
            summary="Set rows of grommets along a tube or an edge, reinforced, with the cord that laces them",
            run=f"{__name__}:run",
            options=f"{__name__}:RowOptions",
            needs=frozenset({"panels", "gusset", "outline", "opening"}),
            uses=frozenset({"materials"}),
            adds=frozenset({"features"}),
        ),
    )
