"""Bags of one part of the opening, of two bodies, and open ones, for the tests of what makes them."""

from __future__ import annotations

from typing import Any

from oaktag.pattern import Draft
from oaktag.pattern.walk import walk
from oaktag.plugin.kit import example_draft, run_stage

CLEAR = example_draft("measure.reconcile", "outline.clear")
"""The example's outline with its corners still sharp."""


def wrapped(draft: Draft, radius: Any = 20, **wrap: Any) -> Draft:
    """The draft with round corners, panels and gussets; further options are those of `gusset.wrap`."""
    draft = run_stage("panel.pair", run_stage("corners.round", draft, radius=radius))
    return run_stage("gusset.wrap", draft, **wrap)


def finished(draft: Draft) -> Draft:
    """The draft with cut lines and notches, measured and proved."""
    for use in (
        "allowance.by-seam",
        "notch.match",
        "label.block",
        "measure.volume",
        "check.walk-seams",
        "check.assembly",
    ):
        draft = run_stage(use, draft)
    return draft


def worst(draft: Draft) -> float:
    """The largest difference of any seam, mm."""
    return max(abs(walk(draft, seam).difference) for seam in draft.seams)


def codes(draft: Draft, level: str = "") -> list[str]:
    """The codes of a draft's findings, of one level only if it is given."""
    return [finding.code for finding in draft.findings if not level or finding.level == level]


def two(**options: Any) -> Draft:
    """The example cut in two along its top tube."""
    return run_stage("body.two", CLEAR, **{"parallel_to": "top-tube", "distance": 120, **options})
