"""`export.surface`: the sewn bag as a closed surface, to look at in a viewer of 3D models."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from oaktag import Draft, Finding, Options, StageSpec, hookimpl
from oaktag.recipe import PositiveLength
from oaktag_plugins.drafting.sewn_surface import SPACING, TOLERANCE, bodies_named, sewn_body, surface_parts
from oaktag_plugins.exporting.gltf import glb
from oaktag_plugins.exporting.result_file import ResultFile, with_file
from oaktag_plugins.exporting.stl import stl

READER = "oaktag_plugins.reading.surface:differences_in"

BAG = "bag"
"""What the body of a bag that has one is called in a file."""

Format = Literal["glb", "stl"]


class SurfaceOptions(Options):
    """Options of `export.surface`."""

    file: ResultFile = "surface"
    """Name of the files below the result folder, without the ending that says the format."""

    formats: Annotated[tuple[Format, ...], Field(min_length=1)] = ("glb", "stl")
    """`glb`: binary glTF 2.0, in metres as that standard has it. `stl`: binary STL, in mm."""

    spacing: PositiveLength = SPACING
    """Largest distance between neighbouring places of the surface; halved where the tolerance asks for it."""

    tolerance: Annotated[float, Field(gt=0, lt=0.01)] = TOLERANCE
    """Share of the volume by which the surface's volume may be off."""


def run(draft: Draft, options: SurfaceOptions) -> Draft:
    """Add the surface of every body; a note says of which there is none.

    Raises:
        Refusal: an earlier stage made a file of one of the names.
    """
    bodies = []
    findings: list[Finding] = []
    for name in bodies_named(draft):
        sewn = sewn_body(draft, name, options.spacing, options.tolerance)
        if isinstance(sewn, str):
            message = f"the surface of the sewn bag isn't drawn: {sewn}"
            findings.append(Finding("note", "surface-not-drawn", message, name))
        else:
            bodies.append((name or BAG, surface_parts(sewn)))
    changed = draft.with_findings(findings)
    if not bodies:
        return changed
    title = ", ".join(filter(None, (draft.recipe_provenance.name, draft.frame_provenance.name)))
    for kind in dict.fromkeys(options.formats):
        if kind == "glb":
            data = glb(bodies, title)
        else:
            data = stl([part for _, parts in bodies for part in parts], title)
        changed = with_file(changed, f"{options.file}.{kind}", kind, data, reader=READER)
    return changed


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Supply `export.surface`."""
    return (
        StageSpec(
            name="export.surface",
            summary="Write the sewn bag as a closed surface, binary glTF and STL",
            run=f"{__name__}:run",
            options=f"{__name__}:SurfaceOptions",
            needs=frozenset({"panels", "gusset", "seams"}),
            uses=frozenset({"volume"}),
            adds=frozenset({"files"}),
        ),
    )
