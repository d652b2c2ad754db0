"""`loop.webbing`: webbing along a tube, bartacked at a pitch so that it makes loops, or loops one by one."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from oaktag import Draft, Finding, Options, StageSpec, hookimpl
from oaktag.geometry import Line, Path
from oaktag.pattern import Face, Outline, Piece, PlacementLine, Seam, SeamSide
from oaktag.recipe import Length, NonNegativeLength, PositiveLength, refuse_value
from oaktag_plugins.drafting.bag import bodies_of, gusset_spot, piece_id, rectangle_edges
from oaktag_plugins.drafting.fastening import (
    StraightRun,
    along_words,
    finished,
    free_number,
    measure_of,
    narrowest,
    rectangle_path,
    run_parts,
    straight_run,
    straight_runs,
)

LOOP = "loop"
USUAL_PITCH = 38.0
"""From one bartack to the next if the recipe doesn't say, mm: 1 1/2 in (common practice, no source)."""
LEAST_LOOP = 20.0
"""Least between two bartacks for a strap to pass, mm (common practice, no source)."""


class LoopOptions(Options):
    """Options of `loop.webbing`."""

    tube: Annotated[str, Field(min_length=1)] = "down-tube"
    """The tube that the webbing runs along."""
    body: str | None = None
    """Which of several bodies gets it; all along that tube if left out."""
    style: Literal["chain", "loops"] = "chain"
    """`chain` is one webbing with a bartack at every pitch; `loops` are single ones at that pitch."""
    face: Face = "outside"
    """Side of the gusset that it is sewn to."""
    material: Annotated[str, Field(min_length=1, max_length=60)] = "webbing-25"
    """Name in the material table."""
    width: PositiveLength | None = None
    """Width of the webbing if the table doesn't say."""
    across: Length = 0.0
    """How far it lies off the gusset's middle, mm, positive towards the non-drive side."""
    pitch: PositiveLength | None = None
    """From one bartack of a chain to the next, or from one loop to the next; 38 mm, or 150 mm for loops
    (common practice, no source)."""
    count: Annotated[int, Field(ge=1, le=100)] | None = None
    """How many loops; as many as there is room for if left out."""
    opening: PositiveLength = 38.0
    """Between the two bartacks of a single loop (common practice, no source)."""
    slack: NonNegativeLength = 5.0
    """Webbing in a loop beyond what lies under it, for a strap to pass (common practice, no source)."""
    tab: PositiveLength = 12.0
    """Webbing beyond the outermost bartacks, turned under (common practice, no source)."""
    end_inset: NonNegativeLength = 20.0
    """Kept free at either end of the straight run (common practice, no source)."""
    join_room: NonNegativeLength = 15.0
    """Kept free on either side of a join of the gusset (common practice, no source)."""

    @model_validator(mode="after")
    def _room(self) -> Self:
        if self.style == "loops" and self.pitch is not None and self.pitch < self.opening + 2 * self.tab:
            raise refuse_value(
                "is too small for loops side by side",
                f"{self.opening + 2 * self.tab:g} mm or more: the opening and two tabs",
                "make the pitch larger, or use a chain",
            )
        return self


@dataclass(frozen=True, slots=True)
class _Webbing:
    """One length of webbing: the seam lengths of its bartacks along the outline, mm."""

    tacks: tuple[float, ...]


def run(draft: Draft, options: LoopOptions) -> Draft:
    """Lay the webbing, and sew it down with bartacks.

    Raises:
        Refusal: a tube, a body or the material isn't there.
    """
    width = measure_of(
        draft, options.material, "width", options.width, form="tape", key="material", option="width"
    )
    bodies = bodies_of(draft, options.body)
    with_tube = [b for b in bodies if any(r.tube == options.tube for r in straight_runs(draft.outline_of(b)))]
    for body in with_tube or bodies[:1]:
        draft = along_tube(draft, draft.outline_of(body), width, options)
    return draft


def along_tube(draft: Draft, outline: Outline, width: float, options: LoopOptions) -> Draft:
    """The webbing of one body along a tube."""
    stretch = straight_run(outline, options.tube, "tube")
    wanted, findings = webbings(draft, outline, stretch, options)
    prefix = piece_id(outline.body, f"webbing-{options.tube}")
    for webbing in wanted:
        name = f"{prefix}-{free_number(draft, prefix)}"
        draft, half = sewn(draft, outline, webbing, name, width, options)
        off = abs(options.across)
        if 0.5 * width > half - off + 1e-6:
            where = along_words(outline, webbing.tacks[0])
            message = (
                f"webbing {width:g} mm wide, {off:g} mm off the gusset's middle, reaches over its seam: "
                f"the gusset is {2 * half:.1f} mm wide {where}. "
                "Use narrower webbing, or move it to the middle."
            )
            findings.append(Finding("error", "loop-too-wide", message, name))
    return draft.with_findings(findings)


def webbings(
    draft: Draft, outline: Outline, stretch: StraightRun, options: LoopOptions
) -> tuple[list[_Webbing], list[Finding]]:
    """Where webbing lies: in the middle of each part of a run between joins; and what is wrong with it."""
    pitch = options.pitch or (USUAL_PITCH if options.style == "chain" else 150.0)
    findings: list[Finding] = []
    loop = pitch if options.style == "chain" else options.opening
    if loop < LEAST_LOOP - 1e-9:
        larger = "pitch" if options.style == "chain" else "opening"
        message = (
            f"loops {loop:g} mm long along {options.tube} are too short for a strap; "
            f"{LEAST_LOOP:g} mm is the least. Make the {larger} larger."
        )
        findings.append(Finding("warning", "loop-short", message, options.tube))
    low_end = stretch.start + options.end_inset
    high_end = stretch.start + stretch.length - options.end_inset
    parts = [
        (max(low, low_end), min(high, high_end))
        for low, high in run_parts(draft, outline, stretch, options.join_room)
    ]
    # A single loop takes its opening, and every other a pitch more; a loop of a chain takes a pitch.
    lone = (0.0, 0) if options.style == "chain" else (options.opening, 1)
    most = [
        max(0, math.floor((high - low - 2.0 * options.tab - lone[0]) / pitch + 1e-9) + lone[1])
        for low, high in parts
    ]
    counts = shares(options.count, most)
    asked = sum(most) if options.count is None else options.count
    if sum(counts) < asked or asked == 0:
        message = (
            f"{asked or 'no'} loops at a pitch of {pitch:g} mm along {options.tube}: there is room for "
            f"{sum(counts)} on {sum(max(high - low, 0.0) for low, high in parts):.0f} mm "
            "beside joins and ends. Use a smaller pitch, fewer loops, or smaller insets."
        )
        findings.append(Finding("error", "loop-run-short", message, options.tube))
    found: list[_Webbing] = []
    for (low, high), count in zip(parts, counts, strict=True):
        if count <= 0:
            continue
        middle = 0.5 * (low + high)
        if options.style == "chain":
            found.append(_Webbing(tuple(middle + pitch * (k - 0.5 * count) for k in range(count + 1))))
        else:
            at = [middle + pitch * (k - 0.5 * (count - 1)) for k in range(count)]
            found += [_Webbing((s - 0.5 * options.opening, s + 0.5 * options.opening)) for s in at]
    if options.style == "chain" and len(found) > 1:
        message = (
            f"the webbing along {options.tube} is cut into {len(found)}, "
            "so that no loop lies on a join of the gusset"
        )
        findings.append(Finding("note", "loop-parted", message, options.tube))
    return found, findings


def shares(count: int | None, most: Sequence[int]) -> list[int]:
    """How many loops each part of a run gets: all that it has room for, or its share of a count."""
    if count is None:
        return list(most)
    given = [0] * len(most)
    for _ in range(min(count, sum(most))):
        # The part that is least full takes the next one.
        index = min(
            (k for k in range(len(most)) if given[k] < most[k]), key=lambda k: (given[k] + 1) / most[k]
        )
        given[index] += 1
    return given


def sewn(
    draft: Draft, outline: Outline, webbing: _Webbing, name: str, width: float, options: LoopOptions
) -> tuple[Draft, float]:
    """One length of webbing, sewn to the gusset by its bartacks.

    Returns:
        The draft, and half the gusset's least width under the webbing, mm.
    """
    first = gusset_spot(draft, outline, webbing.tacks[0])
    host = draft.piece(first.piece.id)
    at = [gusset_spot(draft, outline, s).x for s in webbing.tacks]
    own = [0.0]
    for before, after in pairwise(at):
        own.append(own[-1] + after - before + options.slack)
    length = own[-1] + 2.0 * options.tab
    home = [options.tab + s - 0.5 * length for s in own]

    def tack(x: float, y: float) -> Path:
        return Path((Line((x, y - 0.5 * width), (x, y + 0.5 * width)),))

    ground = rectangle_path(
        at[-1] - at[0] + 2.0 * options.tab, width, (0.5 * (at[0] + at[-1]), options.across)
    )
    on_host: list[PlacementLine] = []
    on_webbing: list[PlacementLine] = []
    seams: list[Seam] = []
    for number, (there, here) in enumerate(zip(at, home, strict=True), 1):
        tag = f"{name}:{number}"
        covers = ground if number == 1 else None
        on_host.append(PlacementLine(tag, tack(there, options.across), LOOP, options.face, covers))
        on_webbing.append(PlacementLine(f"tack-{number}", tack(here, 0.0), "bartack", "outside"))
        a, b = SeamSide(host.id, (tag,)), SeamSide(name, (f"tack-{number}",))
        seams.append(Seam(f"{tag}-on-{host.id}", a, b, kind="applied"))
    piece = Piece(
        id=name,
        name=name.replace("-", " "),
        edges=finished(rectangle_edges(length, width), "raw"),
        material=options.material,
        role="loop",
        body=outline.body,
        placements=tuple(on_webbing),
    )
    draft = draft.evolve(pieces=(*draft.pieces, piece), seams=(*draft.seams, *seams))
    draft = draft.replaced(host.evolve(placements=(*host.placements, *on_host)))
    return draft, narrowest(host, at[0] - options.tab, at[-1] + options.tab)


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="loop.webbing",
            summary="Sew webbing along a tube with bartacks, as a chain of loops or loop by loop",
            run=f"{__name__}:run",
            options=f"{__name__}:LoopOptions",
            needs=frozenset({"panels", "gusset", "outline"}),
            uses=frozenset({"materials"}),
            adds=frozenset({"features"}),
        ),
    )
