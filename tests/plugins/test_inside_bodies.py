"""What is put inside and outside of bags that have two bodies, or are open at the top."""

from __future__ import annotations

from typing import Any

import pytest

from oaktag.pattern import Draft
from oaktag.pattern.walk import walk
from oaktag.plugin.kit import example_draft, run_stage

STAGES: tuple[tuple[str, dict[str, Any]], ...] = (
    ("stiffener.panel", {"pieces": ["drive", "non-drive", "gusset"]}),
    ("liner.full", {"thickness": 3}),
    ("divider.wall", {"line": {"parallel-to": "seat-tube", "distance": 120}, "layer": "liner"}),
    ("pocket.patch", {"width": 40, "height": 25}),
    ("port.hose", {"length": 8, "facing_margin": 5, "flap_margin": 3}),
    ("drain.grommet", {"patch_margin": 5}),
    ("patch.reinforce", {"reach": 30}),
    ("tape.reflective", {"on": ["gusset"], "tubes": ["down-tube"]}),
)


def two_bodies() -> Draft:
    draft = example_draft("measure.reconcile", "outline.clear")
    draft = run_stage("body.two", draft, parallel_to="top-tube", distance=150, gap=20)
    draft = run_stage("corners.round", draft, radius=15)
    return run_stage("gusset.wrap", run_stage("panel.pair", draft))


def check_walks(draft: Draft) -> None:
    for seam in draft.seams:
        assert abs(walk(draft, seam).difference) < 1e-4, seam.id


def test_every_stage_works_on_both_bodies() -> None:
    draft = two_bodies()
    for use, options in STAGES:
        before = {piece.id for piece in draft.pieces}
        draft = run_stage(use, draft, **options)
        fresh = {piece.id for piece in draft.pieces} - before
        assert {name.partition("-")[0] for name in fresh} == {"upper", "lower"}, use
        assert {piece.body for piece in draft.pieces if piece.id in fresh} == {"upper", "lower"}
    check_walks(draft)
    draft = run_stage("measure.compartments", run_stage("measure.volume", draft))
    assert [one.name for one in draft.compartments] == [
        "upper, in front of upper-divider",
        "upper, behind upper-divider",
        "lower, in front of lower-divider",
        "lower, behind lower-divider",
    ]
    assert sum(one.litres for one in draft.compartments) == pytest.approx(draft.volume, rel=1e-3)


def test_every_stage_works_on_one_body_alone() -> None:
    draft = two_bodies()
    for use, options in STAGES:
        before = {piece.id for piece in draft.pieces}
        draft = run_stage(use, draft, body="lower", **options)
        fresh = {piece.id for piece in draft.pieces} - before
        assert {name.partition("-")[0] for name in fresh} == {"lower"}, use
    check_walks(draft)


def test_a_bag_that_is_open_at_the_top() -> None:
    draft = example_draft("measure.reconcile", "outline.clear", "corners.round", "panel.pair")
    draft = run_stage("body.roll-top", run_stage("gusset.wrap", draft, open=["top-tube"]))
    before = len(draft.findings)
    for use, options in STAGES[:3]:
        if use != "divider.wall":
            draft = run_stage(use, draft, **options)
    line = {"from": {"tube": "seat-tube", "at": 0.5}, "to": {"tube": "down-tube", "at": 0.4}}
    draft = run_stage("divider.wall", draft, line=line)
    assert [finding.level for finding in draft.findings[before:]] == ["note", "note"]
    check_walks(draft)
    assert [p.id for p in draft.pieces if p.id.startswith("liner-gusset")] == ["liner-gusset"]
    assert not any(seam.id.startswith("liner-join") for seam in draft.seams)
    shut = run_stage("divider.wall", draft, line={"parallel-to": "seat-tube", "distance": 150}, name="other")
    assert shut.findings[-1].code == "divider-open-end"
