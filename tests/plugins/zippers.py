"""Bags with zippers for the tests of openings."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from oaktag.pattern import Draft, Material, Obstacle, Place
from oaktag.pattern.walk import walk
from oaktag.plugin.kit import example_draft, example_frame, run_stage

PANELS = ("measure.reconcile", "outline.clear", "corners.round", "panel.pair")
ACROSS: dict[str, Any] = {"parallel-to": "top-tube", "distance": 70}
"""A line that runs well across the example's panels."""


def bag(*obstacles: Obstacle) -> Draft:
    """The example's panels and gusset."""
    frame = replace(example_frame(), obstacles=obstacles)
    return example_draft(*PANELS, "gusset.wrap", frame=frame)


def shifter(fraction: float) -> Obstacle:
    """Something on the down tube that stands 20 mm into the opening, for which a hole is marked."""
    return Obstacle("shifter", Place("down-tube", fraction), 20.0, 20.0, 3.0, "hole", "obstacles[0]")


def panelled(draft: Draft, **options: Any) -> Draft:
    """The draft with a zipper across a panel."""
    lines = {"parallel_to", "from", "parallel-to"}
    return run_stage("zipper.panel", draft, **({} if lines & options.keys() else ACROSS), **options)


def gusseted(draft: Draft, start: float = 0.2, end: float = 0.8, **options: Any) -> Draft:
    """The draft with a narrow zipper along the top tube's run of the gusset."""
    zipper = {"zipper": "zipper-3", **options}
    places = {"from": {"tube": "top-tube", "at": start}, "to": {"tube": "top-tube", "at": end}}
    return run_stage("zipper.gusset", draft, **{**places, **zipper})


def codes(draft: Draft, before: Draft) -> set[tuple[str, str]]:
    """Level and code of what stages had to say since, without the note of what to order."""
    fresh = draft.findings[len(before.findings) :]
    return {(finding.level, finding.code) for finding in fresh if finding.code != "zipper-order"}


def check(draft: Draft, before: Draft) -> None:
    """Walk every seam, hold the old seams to be as they were, and add up the parts."""
    assert [seam.id for seam in before.seams] == [seam.id for seam in draft.seams][: len(before.seams)]
    for seam in draft.seams:
        assert abs(walk(draft, seam).difference) < 1e-6, seam.id
    proved = run_stage("check.parts", draft)
    assert proved.findings == draft.findings
    for piece in draft.pieces:
        assert piece.seam_line.closed
        assert piece.seam_line.is_simple()
        names = [*(edge.name for edge in piece.edges), *(line.name for line in piece.placements)]
        assert len(names) == len(set(names))
    for piece in before.pieces:
        assert draft.piece(piece.id).edges == piece.edges


def with_material(draft: Draft, name: str, **changes: Any) -> Draft:
    """The draft with an entry of its table changed."""
    known = draft.material(name)
    assert known is not None
    changed: Material = replace(known, **changes)
    table = tuple(changed if material.name == name else material for material in draft.materials)
    return draft.evolve(materials=table)
