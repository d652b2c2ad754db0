"""`bolt.boss`: bolt the bag to the frame's bosses, through the gusset and a backing plate inside."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Annotated

from pydantic import Field

from oaktag import Draft, Finding, Options, Refusal, StageSpec, hookimpl
from oaktag.geometry import Transform
from oaktag.pattern import BossRow, Fitting, Hole, Outline, Piece, Place, PlacementLine
from oaktag.recipe import NonNegativeLength, PositiveLength, listed, meant, show
from oaktag_plugins.drafting.bag import GussetSpot, SeamPlace, bodies_of, piece_id, seam_place
from oaktag_plugins.drafting.fastening import (
    along_words,
    ends_of,
    finished,
    free_number,
    gap_at,
    measure_of,
    narrowest,
    open_finding,
    rounded_rectangle_edges,
    rounded_slot,
    spot_at,
    straight_runs,
    together,
)

BOLT, WASHER, PLATE = "bolt", "washer", "backing-plate"
PLATE_ROUND = 5.0
"""Radius of a backing plate's corners, mm: sharp ones wear through the cloth (common practice, no source)."""


class BossOptions(Options):
    """Options of `bolt.boss`."""

    bosses: tuple[str, ...] = ()
    """Names of rows of bosses on the frame sheet; all along the bag's tubes if left out."""
    body: str | None = None
    """Which of several bodies is bolted on; the nearest to each boss if left out."""
    bolt: str | None = None
    """Name in the material table; by its thread if left out: `bolt-m5`."""
    washer: str | None = None
    """Name in the material table; by the bolt's thread if left out: `washer-m5`."""
    washer_diameter: PositiveLength | None = None
    """Outside diameter of a washer if the table doesn't say."""
    washers: Annotated[int, Field(ge=0, le=4)] = 2
    """Washers to a bolt: one under its head inside, one against the frame (common practice, no source)."""
    clearance: NonNegativeLength = 0.5
    """How much wider a hole is than its bolt (common practice, no source)."""
    slide: NonNegativeLength = 3.0
    """How far a bolt can move either way in every hole but the first (common practice, no source)."""
    plate: Annotated[str, Field(max_length=60)] = "board-08"
    """What the backing plate is cut from; empty for none."""
    plate_margin: PositiveLength = 15.0
    """How far the plate reaches beyond the outermost bosses (common practice, no source)."""
    plate_reduction: PositiveLength = 4.0
    """How far the plate stays inside the gusset's seams (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class _Boss:
    """A boss in its place."""

    number: int
    found: SeamPlace
    spot: GussetSpot


def run(draft: Draft, options: BossOptions) -> Draft:
    """Cut holes at the bosses, set bolts and washers, back them with plates.

    Raises:
        Refusal: a row of bosses, a body or a material isn't there.
    """
    bodies = bodies_of(draft, options.body)
    rows = wanted_rows(draft, options)
    findings: list[Finding] = []
    followed = {run.tube for body in bodies for run in straight_runs(draft.outline_of(body))}
    used = 0
    for row in rows:
        if row.place.tube not in followed:
            if options.bosses:
                message = (
                    f"{row.name}: the bag doesn't run along {row.place.tube}, so it can't be bolted on there."
                )
                findings.append(Finding("error", "boss-outside", message, row.name))
            continue
        used += 1
        draft, said = bolted(draft, row, bodies, options)
        findings += said
    if not used and not findings:
        message = (
            "the frame sheet has no bosses on the tubes that the bag runs along, so nothing is bolted on. "
            "Add them to the sheet (`[[bosses]]`), or hold the bag in another way."
        )
        findings.append(Finding("warning", "boss-none", message))
    return draft.with_findings(findings)


def wanted_rows(draft: Draft, options: BossOptions) -> tuple[BossRow, ...]:
    """The rows of bosses that are bolted to, as the sheet has them."""
    known = {row.name: row for row in draft.frame.bosses}
    for index, name in enumerate(options.bosses):
        if name not in known:
            raise Refusal(
                "the frame sheet has no bosses of this name",
                key=f"bosses[{index}]",
                source="recipe",
                found=show(name),
                valid=listed(known) if known else "none: the sheet has no [[bosses]]",
                todo=meant(name, known, "name one of them, or add it to the sheet"),
            )
    return tuple(row for row in draft.frame.bosses if not options.bosses or row.name in options.bosses)


def bolted(
    draft: Draft, row: BossRow, bodies: tuple[str, ...], options: BossOptions
) -> tuple[Draft, list[Finding]]:
    """One row of bosses."""
    assert draft.opening is not None
    length = draft.opening.edge(row.place.tube).path.length
    findings: list[Finding] = []
    inside: list[tuple[int, Place]] = []
    for number, place in enumerate(row.places, 1):
        along = place.along(length)
        if 0.0 <= along <= length:
            inside.append((number, place))
        else:
            message = (
                f"{row.name}: boss {number} lies {along:.1f} mm along {row.place.tube}, "
                f"which is {length:.1f} mm long. Correct its place or the pitch on the frame sheet."
            )
            findings.append(Finding("error", "boss-outside", message, row.name))
    if not inside:
        return draft, findings
    outline = nearest_body(draft, bodies, row)
    places = [(number, seam_place(draft, outline, place, "bosses")) for number, place in inside]
    bosses: list[_Boss] = []
    for number, found in places:
        spot = spot_at(draft, outline, found.station)
        if spot is None:
            findings.append(open_finding(f"{row.name}: a bolt", outline, found.station, row.name))
        else:
            bosses.append(_Boss(number, found, spot))
    if not bosses:
        return draft, findings
    bosses = at_pitch(bosses, row.pitch)
    thread = float(row.thread.removeprefix("M"))
    bolt = options.bolt or f"bolt-{row.thread.lower()}"
    washer = options.washer or f"washer-{row.thread.lower()}"
    outside = (
        measure_of(
            draft,
            washer,
            "outside",
            options.washer_diameter,
            form="each",
            key="washer",
            option="washer-diameter",
        )
        if options.washers
        else 2.0 * thread
    )
    prefix = piece_id(outline.body, f"bosses-{row.place.tube}")
    name = f"{prefix}-{free_number(draft, prefix)}"
    hole = thread + options.clearance
    needed = max(outside, hole) + (2.0 * options.plate_reduction if options.plate else 0.0)
    for boss in bosses:
        host = draft.piece(boss.spot.piece.id)
        slide = 0.0 if boss is bosses[0] else 2.0 * options.slide
        cut = rounded_slot((boss.spot.x, 0.0), hole + slide, hole)
        one = f"{name}:{boss.number}"
        middle = (boss.spot.x, 0.0)
        fittings = [Fitting(f"{one}:bolt", bolt, middle, 0.5 * max(outside, hole), BOLT)]
        if options.washers:
            fittings.append(Fitting(f"{one}:washer", washer, middle, 0.5 * outside, WASHER, options.washers))
        draft = draft.replaced(
            host.evolve(holes=(*host.holes, Hole(one, cut, BOLT)), fittings=(*host.fittings, *fittings))
        )
        findings += boss_findings(outline, row, boss, needed, hole + slide, options)
    if options.plate:
        for part, indices in enumerate(together([boss.spot for boss in bosses]), 1):
            plate_id = name.replace("bosses-", "backing-plate-", 1) + (f"-part-{part}" if part > 1 else "")
            draft = backed(draft, [bosses[k] for k in indices], bosses[0], plate_id, hole, options)
    return draft, findings


def nearest_body(draft: Draft, bodies: tuple[str, ...], row: BossRow) -> Outline:
    """The body that comes nearest to the middle of a row of bosses."""
    assert draft.opening is not None
    length = draft.opening.edge(row.place.tube).path.length
    middle = Place(row.place.tube, distance=min(max(row.place.along(length), 0.0), length))
    along = [
        draft.outline_of(body)
        for body in bodies
        if any(run.tube == row.place.tube for run in straight_runs(draft.outline_of(body)))
    ]
    return min(along, key=lambda o: gap_at(draft, o, middle, seam_place(draft, o, middle, "bosses")))


def at_pitch(bosses: list[_Boss], pitch: float) -> list[_Boss]:
    """Bosses on one straight stretch of the gusset, exactly as far apart along its middle as on the frame.

    Where the width changes, the sewn edge is a little longer than the middle, and places were found along it.
    """
    if len(bosses) < 2 or any(boss.found.on_corner for boss in bosses):
        return bosses
    if len({boss.found.edge for boss in bosses}) > 1 or len(together([boss.spot for boss in bosses])) > 1:
        return bosses
    if any(
        abs(b.found.station - a.found.station - pitch * (b.number - a.number)) > 0.5
        for a, b in pairwise(bosses)
    ):
        return bosses  # a bent tube: the seam there is longer or shorter than the straight pitch
    middle = sum(boss.spot.x for boss in bosses) / len(bosses)
    number = sum(boss.number for boss in bosses) / len(bosses)
    moved: list[_Boss] = []
    for boss in bosses:
        x = middle + (boss.number - number) * pitch
        spot = GussetSpot(boss.spot.piece, x, boss.spot.half, boss.spot.station)
        moved.append(_Boss(boss.number, boss.found, spot))
    return moved


def boss_findings(
    outline: Outline, row: BossRow, boss: _Boss, needed: float, long: float, options: BossOptions
) -> list[Finding]:
    """What is wrong at one boss."""
    where = along_words(outline, boss.found.station)
    findings: list[Finding] = []
    if boss.found.on_corner:
        message = (
            f"{row.name}: boss {boss.number} meets the bag {where}, where the gusset bends and a plate can't "
            "lie flat. Make that corner's radius smaller, or leave the bosses out."
        )
        findings.append(Finding("error", "boss-on-corner", message, row.name))
    width = 2.0 * boss.spot.half
    if width < needed - 1e-6:
        message = (
            f"{row.name}: the washer and its room take {needed:.1f} mm, and the gusset is {width:.1f} mm "
            f"wide {where}. Use smaller washers, or make the gusset wider."
        )
        findings.append(Finding("error", "boss-narrow", message, row.name))
    low, high = ends_of(boss.spot.piece)
    room = min(boss.spot.x - low, high - boss.spot.x) - max(0.5 * long, 0.0)
    if room < options.plate_margin - 1e-6:
        message = (
            f"{row.name}: the hole of boss {boss.number} comes to {room:.1f} mm from a join of the gusset; "
            f"{options.plate_margin:g} mm is wanted. Move the join (`joins` of the gusset)."
        )
        findings.append(Finding("error", "boss-at-join", message, row.name))
    return findings


def backed(
    draft: Draft, bosses: list[_Boss], first: _Boss, plate_id: str, hole: float, options: BossOptions
) -> Draft:
    """A plate inside the gusset, held by the bolts; as broad as the narrowest place along it allows."""
    host = draft.piece(bosses[0].spot.piece.id)
    low, high = bosses[0].spot.x - options.plate_margin, bosses[-1].spot.x + options.plate_margin
    broad = 2.0 * (narrowest(host, low, high) - options.plate_reduction)
    if broad <= hole:
        return draft  # nothing of it is left beside the holes, which `boss-narrow` says
    middle = 0.5 * (low + high)
    home = Transform.translation(-middle, 0.0)
    holes = tuple(
        Hole(
            f"{plate_id}:{boss.number}",
            rounded_slot(
                (boss.spot.x - middle, 0.0), hole + (0.0 if boss is first else 2.0 * options.slide), hole
            ),
            BOLT,
        )
        for boss in bosses
    )
    plate = Piece(
        id=plate_id,
        name=plate_id.replace("-", " "),
        edges=finished(rounded_rectangle_edges(high - low, broad, PLATE_ROUND), "raw"),
        material=options.plate,
        role="backing-plate",
        body=host.body,
        holes=holes,
    )
    ground = plate.seam_line.transformed(home.inverse())
    line = PlacementLine(plate_id, ground, PLATE, "inside", ground, (BOLT, WASHER))
    draft = draft.evolve(pieces=(*draft.pieces, plate))
    return draft.replaced(host.evolve(placements=(*host.placements, line)))


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="bolt.boss",
            summary="Bolt the bag to the frame's bosses, with washers and a backing plate",
            run=f"{__name__}:run",
            options=f"{__name__}:BossOptions",
            needs=frozenset({"panels", "gusset", "outline", "opening"}),
            uses=frozenset({"materials"}),
            adds=frozenset({"features"}),
        ),
    )
