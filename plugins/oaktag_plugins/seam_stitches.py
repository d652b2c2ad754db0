"""`seam.stitches`: how every seam is sewn, by seam class, stitch type, stitch length and rows."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated

from pydantic import Field, model_validator

from oaktag import Draft, Finding, Options, Refusal, StageSpec, hookimpl
from oaktag.pattern import Seam
from oaktag.recipe import DataFile, listed, meant, show
from oaktag_plugins.drafting.seam_classes import (
    STITCH_TYPES,
    SeamStitches,
    SeamTable,
    completed,
    is_overedge,
    name_of_seam,
    on_line,
    stitching,
    table_over,
)


class StitchesOptions(Options):
    """Options of `seam.stitches`."""

    table: DataFile | None = None
    """The shop's own table of seams; what it leaves out is as shipped (common practice, no source)."""
    seams: dict[Annotated[str, Field(min_length=1)], SeamStitches] = Field(default_factory=dict)
    """Single seams that are sewn otherwise, by their ids."""

    @model_validator(mode="after")
    def _readable(self) -> StitchesOptions:
        # So that a mistake in the table is found before any stage runs.
        if self.table is not None:
            self.table.read(SeamTable)
        return self


def run(draft: Draft, options: StitchesOptions) -> Draft:
    """Say of every seam how it is sewn.

    Raises:
        Refusal: an option names a seam that isn't there.
    """
    known = [seam.id for seam in draft.seams]
    for name in options.seams:
        if name not in known:
            raise Refusal(
                "there is no seam of this name",
                key=f"seams.{name}",
                source="recipe",
                found=show(name),
                valid=listed(known),
                todo=meant(name, known, "name one of the seams, or remove it"),
            )
    table = table_over(None if options.table is None else options.table.read(SeamTable))
    seams: list[Seam] = []
    findings: list[Finding] = []
    for seam in draft.seams:
        rule = table.seams[name_of_seam(draft, seam)]
        if seam.id in options.seams:
            rule = completed(options.seams[seam.id], rule)
        sewn = stitching(rule)
        seams.append(replace(seam, stitching=sewn))
        inside = [side for side in (seam.a, seam.b) if on_line(draft.piece(side.piece), side)]
        if inside and is_overedge(sewn.stitch_type):
            message = (
                f"stitch {sewn.stitch_type} ({STITCH_TYPES[sewn.stitch_type]}) is formed round an edge, but"
                f" {inside[0].edges[0]} lies within {inside[0].piece}: sew it with a lockstitch, 301, or a"
                " chain stitch, 401"
            )
            findings.append(Finding("error", "stitch-needs-edge", message, seam.id))
    return draft.evolve(seams=tuple(seams)).with_findings(findings)


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="seam.stitches",
            summary="Say how every seam is sewn: seam class, stitch type, stitch length, rows",
            run=f"{__name__}:run",
            options=f"{__name__}:StitchesOptions",
            needs=frozenset({"seams"}),
            uses=frozenset({"features", "gusset", "panels", "materials"}),
            adds=frozenset({"stitches"}),
        ),
    )
