"""`strap.hook-and-loop`: straps round the tubes, through slots in the gusset or sewn onto anchor patches."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Annotated, Literal

from pydantic import Field

from oaktag import Draft, Finding, Options, StageSpec, hookimpl
from oaktag.geometry import Transform
from oaktag.pattern import Hole, Outline, Piece, Place, PlacementLine, Seam, SeamSide
from oaktag.recipe import Length, NonNegativeLength, PerName, PositiveLength, TubePlace
from oaktag_plugins.drafting.bag import (
    GussetSpot,
    SeamPlace,
    bodies_of,
    piece_id,
    rectangle_edges,
    sew_on,
)
from oaktag_plugins.drafting.fastening import (
    StraightRun,
    TubeRound,
    along_words,
    body_at,
    check_tubes,
    finished,
    free_number,
    gap_at,
    length_round,
    measure_of,
    narrowest,
    open_finding,
    rectangle_path,
    run_parts,
    spot_at,
    straight_run,
    straight_runs,
    tube_round,
)

STRAP, PATCH, SLOT = "strap", "anchor-patch", "slot"
BOX_INSET = 2.0
"""From the strap's edges to the stitching of the box with a cross, mm (common practice, no source)."""
PATCH_BEYOND_BOX = 2.5
"""Least that an anchor patch reaches beyond the box with a cross, mm (common practice, no source)."""
LEAST_BETWEEN_SLOTS = 10.0
"""Least cloth between the two slots of a strap, mm (common practice, no source)."""


class StrapOptions(Options):
    """Options of `strap.hook-and-loop`."""

    places: tuple[TubePlace, ...] = ()
    """Where straps go, one by one."""
    evenly: dict[str, Annotated[int, Field(ge=1, le=20)]] | None = None
    """How many straps, by tube, spread evenly over the straight run between the corners' rounds.

    With neither `places` nor `evenly` every tube gets as many as keep to `pitch`, clear of the joins.
    """
    body: str | None = None
    """Which of several bodies gets them; all if left out."""
    material: Annotated[str, Field(min_length=1, max_length=60)] = "hook-and-loop-25"
    """Strap tape with hook on one face and loop on the other."""
    width: PositiveLength | None = None
    """Width of the strap if the table doesn't say; 20 to 25 mm is usual (common practice, no source)."""
    attachment: Literal["patch", "slots"] = "patch"
    """`patch` sews the strap's middle onto an anchor patch outside; `slots` lets it run through two slots."""
    circumference: PerName[PositiveLength] | None = None
    """Round the tube, by tube; if left out the tube is taken as round, as wide as the sheet says."""
    overlap: PositiveLength = 60.0
    """How far the strap laps over itself; no less than its width (joelvonrotz, "Sewing a framebag")."""
    length: PerName[PositiveLength] | None = None
    """Length that straps are cut to, by tube, where stock has to do; what is needed if left out."""
    pitch: PositiveLength = 150.0
    """Farthest that straps along a tube should stand apart (common practice, no source)."""
    patch_material: Annotated[str, Field(min_length=1, max_length=60)] = "shell"
    """What anchor patches are cut from."""
    patch_margin: PositiveLength = 8.0
    """How far the patch reaches beyond the strap along the tube (common practice, no source)."""
    patch_inset: PositiveLength = 3.0
    """Left between the patch and either seam of the gusset (common practice, no source)."""
    slot_ease: Annotated[Length, Field(ge=0.5, le=5.0)] = 1.5
    """How much longer a slot is than the strap is wide; 1 to 2 mm is usual (common practice, no source)."""
    slot_opening: PositiveLength = 3.0
    """Width of a slot (common practice, no source)."""
    slot_inset: PositiveLength = 10.0
    """From either seam of the gusset to the middle of a slot (common practice, no source)."""
    join_room: NonNegativeLength = 15.0
    """Kept clear beside joins and corners where the stage chooses the places (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class _Held:
    """A strap, the patch that holds it, and the room that they have.

    Attributes:
        spot: their middle on the gusset.
        strap: in its own place.
        patch: in its own place.
        width: of the strap, mm.
        half: half the gusset's least width beside the patch, mm.
        across: of the patch across the gusset, mm; 0 or less where it has no room.
    """

    spot: GussetSpot
    strap: Piece
    patch: Piece
    width: float
    half: float
    across: float


@dataclass(frozen=True, slots=True)
class _Wanted:
    """A strap to draft."""

    outline: Outline
    place: Place
    found: SeamPlace

    @property
    def order(self) -> tuple[float, float]:
        """Where its tube begins on the outline, and how far from there it lies, mm; before it below 0."""
        start = 0.0
        for edge in self.outline.edges:
            if edge.name == self.place.tube:
                break
            start += edge.length
        # The round at a tube's first end may be the outline's last edge.
        half = 0.5 * self.outline.path.length
        return start, (self.found.station - start + half) % (2.0 * half) - half


def run(draft: Draft, options: StrapOptions) -> Draft:
    """Draft the straps, the patches that hold them, and what is sewn to what.

    Raises:
        Refusal: a tube, a body or a material isn't there, or a place lies beyond its tube.
    """
    width = measure_of(
        draft, options.material, "width", options.width, form="tape", key="material", option="width"
    )
    for key, named in (("circumference", options.circumference), ("length", options.length)):
        if named is not None:
            check_tubes(named.names, draft.frame.tubes, key)
    wanted = wanted_straps(draft, width, options)
    findings = pitch_findings(wanted, options.pitch)
    rounds: dict[str, list[TubeRound]] = {}
    for strap in wanted:
        spot = spot_at(draft, strap.outline, strap.found.station)
        if spot is None:
            tube = strap.place.tube
            findings.append(open_finding("a strap", strap.outline, strap.found.station, tube))
            continue
        draft, around, said = strapped(draft, strap, spot, width, options)
        findings += said
        rounds.setdefault(strap.place.tube, []).append(around)
    return draft.with_findings([*findings, *round_findings(rounds)])


def wanted_straps(draft: Draft, width: float, options: StrapOptions) -> list[_Wanted]:
    """Every strap, in the order of its body's outline."""
    bodies = bodies_of(draft, options.body)
    wanted: list[_Wanted] = []
    for index, entry in enumerate(options.places):
        key = f"places[{index}]"
        place = entry.place(draft.frame, key)
        outline, found = body_at(draft, bodies, place, key)
        wanted.append(_Wanted(outline, place, found))
    evenly = options.evenly or {}
    check_tubes(evenly, draft.frame.tubes, "evenly")
    for tube, count in evenly.items():
        along = [b for b in bodies if any(run.tube == tube for run in straight_runs(draft.outline_of(b)))]
        for body in along or bodies[:1]:
            outline = draft.outline_of(body)
            stretch = straight_run(outline, tube, f"evenly.{tube}")
            stations = [stretch.start + stretch.length * (k + 0.5) / count for k in range(count)]
            wanted += [on_run(draft, outline, stretch, station) for station in stations]
    room = 0.5 * width + options.patch_margin + options.join_room
    if not options.places and options.evenly is None:
        for body in bodies:
            outline = draft.outline_of(body)
            for stretch in straight_runs(outline):
                if stretch.tube not in draft.frame.tubes:
                    continue  # a lower edge of the bag's own has no tube to go round
                for low, high in run_parts(draft, outline, stretch, 0.0):
                    if high - low < 2.0 * room:
                        continue  # too short for a strap that is clear of corners and joins
                    count = math.ceil((high - low) / options.pitch)
                    stations = [low + (high - low) * (k + 0.5) / count for k in range(count)]
                    wanted += [on_run(draft, outline, stretch, station) for station in stations]
    order = {body: number for number, body in enumerate(bodies)}
    return sorted(wanted, key=lambda one: (order[one.outline.body], one.order))


def on_run(draft: Draft, outline: Outline, stretch: StraightRun, station: float) -> _Wanted:
    """A strap at a seam length on a straight run, with the place on the tube that lies beside it."""
    assert draft.opening is not None
    tube = draft.opening.edge(stretch.tube).path
    along, _ = tube.nearest(outline.path.point_at(station))
    return _Wanted(
        outline,
        Place(stretch.tube, distance=along),
        SeamPlace(station, stretch.tube, station - stretch.start),
    )


def pitch_findings(wanted: list[_Wanted], pitch: float) -> list[Finding]:
    """Neighbours along one tube that stand too far apart."""
    findings: list[Finding] = []
    for first, second in pairwise(wanted):
        if first.outline.body != second.outline.body or first.place.tube != second.place.tube:
            continue
        apart = second.order[1] - first.order[1]
        if apart > pitch + 1e-6:
            message = (
                f"two straps along {first.place.tube} stand {apart:.0f} mm apart; more than {pitch:g} mm "
                "lets the bag sag between them. Add one."
            )
            findings.append(Finding("warning", "strap-pitch", message, first.place.tube))
    return findings


def round_findings(rounds: dict[str, list[TubeRound]]) -> list[Finding]:
    """Say which tubes were taken as round, and which have no width on the sheet."""
    findings: list[Finding] = []
    for tube, known in rounds.items():
        values = sorted(one.circumference for one in known if one.known_from != "option")
        if not values:
            continue
        span = f"{values[0]:.0f} mm"
        if values[-1] - values[0] > 0.5:
            span = f"{values[0]:.0f} to {values[-1]:.0f} mm"
        if any(one.known_from == "gusset" for one in known):
            message = (
                f"the sheet has no width of {tube}; the straps take it as round and as wide as the gusset, "
                f"{span} round. Measure round the tube and give `circumference.{tube}`."
            )
            findings.append(Finding("warning", "circumference-unknown", message, tube))
        else:
            message = (
                f"{tube} is taken as round, {span} round it from the sheet's widths. "
                f"If it isn't, measure round it and give `circumference.{tube}`."
            )
            findings.append(Finding("note", "circumference-assumed", message, tube))
    return findings


def strapped(
    draft: Draft, wanted: _Wanted, spot: GussetSpot, width: float, options: StrapOptions
) -> tuple[Draft, TubeRound, list[Finding]]:
    """One strap with what holds it."""
    assert draft.opening is not None
    outline, place = wanted.outline, wanted.place
    length = draft.opening.edge(place.tube).path.length
    own = {} if options.circumference is None else options.circumference.root
    around = tube_round(draft, place, length, own, 2.0 * spot.half)
    prefix = piece_id(outline.body, f"strap-{place.tube}")
    name = f"{prefix}-{free_number(draft, prefix)}"
    where = along_words(outline, wanted.found.station)
    findings: list[Finding] = []
    if wanted.found.on_corner:
        message = (
            f"a strap lies on a corner, {where}; it slides off the round and puckers the gusset. "
            f"Move it onto the straight of {place.tube}."
        )
        findings.append(Finding("error", "strap-on-corner", message, name))
    reach = 0.5 * width + options.patch_margin
    half = narrowest(spot.piece, spot.x - reach, spot.x + reach)
    span = width - 2.0 * BOX_INSET if options.attachment == "patch" else 2.0 * (half - options.slot_inset)
    needed = length_round(around.radius, max(span, 0.0), gap_at(draft, outline, place, wanted.found))
    cut = needed + options.overlap
    if options.length is not None and (place.tube in options.length.root or "default" in options.length.root):
        cut = options.length.get(place.tube)
    if cut - needed < width - 1e-6:
        message = (
            f"a strap {cut:.0f} mm long laps over itself by {cut - needed:.0f} mm {where}, where it takes "
            f"{needed:.0f} mm to go round; {width:g} mm is the least. "
            f"Cut it {needed + width:.0f} mm long or longer."
        )
        findings.append(Finding("error", "strap-short", message, name))
    number = name.removeprefix(f"{prefix}-")
    strap = Piece(
        id=name,
        name=f"strap {number}, {place.tube}",
        edges=finished(rectangle_edges(cut, width), "raw"),
        material=options.material,
        role=STRAP,
        body=outline.body,
    )
    draft = draft.evolve(pieces=(*draft.pieces, strap))
    # A join or a corner may leave nothing of the room that a patch needs.
    across = 2.0 * (half - options.patch_inset)
    patch_id = name.replace("strap-", "anchor-patch-", 1)
    patch = Piece(
        id=patch_id,
        name=f"anchor patch {number}, {place.tube}",
        edges=rectangle_edges(2.0 * reach, max(across, 1.0)),
        material=options.patch_material,
        role="anchor-patch",
        body=outline.body,
    )
    hold = patched if options.attachment == "patch" else slotted
    draft, narrow = hold(draft, _Held(spot, strap, patch, width, half, across), options)
    if narrow:
        message = (
            f"{narrow} {where}, where the gusset is {2.0 * half:.1f} mm wide. "
            "Use a narrower strap, or make the gusset wider."
        )
        findings.append(Finding("error", "strap-too-wide", message, name))
    return draft, around, findings


def patched(draft: Draft, held: _Held, options: StrapOptions) -> tuple[Draft, str]:
    """Sew a patch onto the gusset's outside and the strap's middle onto the patch, both ends free.

    Returns:
        The draft, and what there is too little room for; empty if it fits.
    """
    host, turned = held.spot.piece.id, Transform.rotation(90.0)
    side = held.width - 2.0 * BOX_INSET
    needed = side + 2.0 * PATCH_BEYOND_BOX
    if held.across > 0.0:
        draft = sew_on(
            draft,
            held.patch,
            host,
            held.spot.to_piece(),
            what=PATCH,
            edges=None,
            face="outside",
            under=(STRAP,),
        )
        box = rectangle_path(side, side)
        sewn = PlacementLine(f"{held.strap.id}:box", box, STRAP, under=(PATCH,))
        line = PlacementLine(
            held.strap.id, box.transformed(turned), STRAP, covers=box.transformed(turned), under=(PATCH,)
        )
        draft = draft.replaced(
            held.strap.evolve(placements=(sewn,)),
            draft.piece(held.patch.id).evolve(placements=(line,)),
        )
        seam = Seam(
            f"{held.strap.id}-on-{held.patch.id}",
            SeamSide(held.patch.id, (line.name,)),
            SeamSide(held.strap.id, (sewn.name,)),
            kind="applied",
        )
        draft = draft.evolve(seams=(*draft.seams, seam))
    ground = rectangle_path(held.width, 2.0 * held.half, (held.spot.x, 0.0))
    draft = with_ground(draft, host, PlacementLine(held.strap.id, ground, STRAP, "outside", ground, (PATCH,)))
    if held.across < needed - 1e-6:
        return draft, (
            f"a strap {held.width:g} mm wide needs an anchor patch {needed:g} mm across "
            f"and gets {max(held.across, 0.0):.1f} mm"
        )
    return draft, ""


def slotted(draft: Draft, held: _Held, options: StrapOptions) -> tuple[Draft, str]:
    """Sew a patch onto the gusset's inside and cut two slots through both, for the strap to run through.

    Returns:
        As `patched`.
    """
    host = held.spot.piece.id
    apart = 2.0 * (held.half - options.slot_inset)
    if held.across > 0.0:
        draft = sew_on(
            draft,
            held.patch,
            host,
            held.spot.to_piece(),
            what=PATCH,
            edges=None,
            face="inside",
            under=(STRAP, SLOT),
        )
    if apart > options.slot_opening + 1e-6 and held.across > apart + options.slot_opening:
        length = held.width + options.slot_ease
        paths = [rectangle_path(length, options.slot_opening, (0.0, side * 0.5 * apart)) for side in (1, -1)]
        names = [f"{held.strap.id}:slot-{number}" for number in (1, 2)]
        own = tuple(Hole(name, path, SLOT) for name, path in zip(names, paths, strict=True))
        through = tuple(
            Hole(name, path.transformed(held.spot.to_piece()), SLOT)
            for name, path in zip(names, paths, strict=True)
        )
        draft = draft.replaced(draft.piece(held.patch.id).evolve(holes=own))
        base = draft.piece(host)
        draft = draft.replaced(base.evolve(holes=(*base.holes, *through)))
        ground = rectangle_path(held.width, apart, (held.spot.x, 0.0))
        line = PlacementLine(held.strap.id, ground, STRAP, "inside", ground, (PATCH, SLOT))
        draft = with_ground(draft, host, line)
    if apart - options.slot_opening < LEAST_BETWEEN_SLOTS - 1e-6:
        return draft, (
            f"the slots of a strap leave {max(apart - options.slot_opening, 0.0):.1f} mm of cloth between "
            f"them ({LEAST_BETWEEN_SLOTS:g} mm is the least)"
        )
    return draft, ""


def with_ground(draft: Draft, host: str, line: PlacementLine) -> Draft:
    """The draft with a line on a piece at which something lies without being sewn there."""
    base = draft.piece(host)
    return draft.replaced(base.evolve(placements=(*base.placements, line)))


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="strap.hook-and-loop",
            summary="Hold the bag to its tubes with hook-and-loop straps, in slots or on anchor patches",
            run=f"{__name__}:run",
            options=f"{__name__}:StrapOptions",
            needs=frozenset({"panels", "gusset", "outline", "opening"}),
            uses=frozenset({"materials"}),
            adds=frozenset({"features"}),
        ),
    )
