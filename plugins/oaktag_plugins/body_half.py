"""`body.half`: a bag that fills the opening on one side of a line."""

from __future__ import annotations

from oaktag import Draft, Finding, StageSpec, hookimpl
from oaktag.pattern import Outline, Working
from oaktag.recipe import NonNegativeLength, PositiveLength
from oaktag_plugins.drafting.bag import bodies_of
from oaktag_plugins.drafting.bodies import (
    LEAST,
    OPPOSITE,
    Name,
    UncutError,
    cut,
    refuse_edge,
    refuse_rounded,
    short_runs,
    uncut_finding,
    worked_cut,
)
from oaktag_plugins.drafting.cut_line import LineOptions, Side, line_of


class HalfOptions(LineOptions):
    """Options of `body.half`: the line that the bag ends at, and which side of it the bag is on.

    The line is given by `parallel-to` with `distance`, by `parallel-to` with `through` (and `angle`), or by
    `from` with `to`.
    """

    keep: Side = "upper"
    """The side of the line that the bag is on."""
    gap: NonNegativeLength = 0.0
    """Clearance between the line and the bag, such as for a bottle below it."""
    edge: Name | None = None
    """Name of the new edge. An upper half gets a `lower` one if left out, and so on.

    `gusset.wrap` takes its width by this name; its corners are named after it, as in `seat-tube-lower`.
    """
    least: PositiveLength = LEAST
    """Shortest run along a tube that may be left of it; less is an error (common practice, no source)."""
    body: str | None = None
    """The body to cut where there are several; all if left out."""


def run(draft: Draft, options: HalfOptions) -> Draft:
    """Keep what lies on one side of the line.

    Raises:
        Refusal: a name is unknown or taken, a place lies beyond its tube, or the corners are round already.
    """
    refuse_rounded(draft)
    edge = options.edge or OPPOSITE[options.keep]
    refuse_edge(draft, edge, "edge")
    wanted = bodies_of(draft, options.body)
    outlines: list[Outline] = []
    findings: list[Finding] = []
    workings: list[Working] = []
    for outline in draft.outlines:
        if outline.body not in wanted:
            outlines.append(outline)
            continue
        origin, direction = line_of(draft, outline, options)
        try:
            half = cut(outline, origin, direction, options.gap, options.keep, edge, outline.body)
        except UncutError as error:
            outlines.append(outline)
            findings.append(uncut_finding(error, outline.body))
            continue
        outlines.append(half)
        findings += short_runs(half, outline, options.least)
        workings += worked_cut(draft, outline, half, edge, options, "body.half", options.gap)
    return draft.evolve(outlines=tuple(outlines)).with_findings(findings).with_workings(workings)


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="body.half",
            summary="Keep the part of the outline on one side of a line",
            run=f"{__name__}:run",
            options=f"{__name__}:HalfOptions",
            needs=frozenset({"opening", "outline"}),
            changes=frozenset({"outline"}),
        ),
    )
