"""The tech pack of a draft."""

from __future__ import annotations

from oaktag import Draft
from oaktag_plugins.tech_pack.content import TechPack
from oaktag_plugins.tech_pack.sections_bag import (
    bag_sections,
    piece_sections,
    seam_sections,
    surface_sections,
    volume_sections,
    width_sections,
)
from oaktag_plugins.tech_pack.sections_proof import (
    caution_sections,
    facts,
    finding_sections,
    measure_sections,
    revision_sections,
    survey_sections,
    worked_sections,
)
from oaktag_plugins.tech_pack.sections_work import bill_sections, cut_sections, operation_sections


def tech_pack(draft: Draft, *, worked: bool) -> TechPack:
    """Everything that the draft knows, in the order in which a maker needs it.

    Args:
        draft: of any bag; sections of what it doesn't know are left out.
        worked: whether every computed number is shown with its formula.
    """
    size = f", size {draft.frame.size}" if draft.frame.size else ""
    sections = (
        *bag_sections(draft),
        *caution_sections(draft),
        *finding_sections(draft),
        *width_sections(draft),
        *surface_sections(draft),
        *volume_sections(draft),
        *piece_sections(draft),
        *seam_sections(draft),
        *cut_sections(draft),
        *bill_sections(draft),
        *operation_sections(draft),
        *measure_sections(draft),
        *survey_sections(draft),
        *(worked_sections(draft) if worked else ()),
        *revision_sections(draft),
    )
    return TechPack(f"{draft.recipe_provenance.name} for {draft.frame.name}{size}", facts(draft), sections)
