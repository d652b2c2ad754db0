"""What holds for every recipe that ships, on every frame sheet that ships."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from itertools import pairwise
from pathlib import Path
from runpy import run_path as run_file
from types import SimpleNamespace
from typing import TYPE_CHECKING

import jsonschema
import pytest

from oaktag import Draft
from oaktag.engine.plan import make_plan
from oaktag.engine.run import first_draft, run_plan
from oaktag.pattern.document import document, schema
from oaktag.pattern.walk import run_path, walk
from oaktag.plugin import load_stages
from oaktag.recipe import load_frame, load_recipe

ROOT = Path(__file__).parents[2]

if TYPE_CHECKING:
    from tests import formulas
else:
    formulas = SimpleNamespace(**run_file(str(ROOT / "tests" / "formulas.py")))

RECIPES = sorted((ROOT / "recipes").glob("*.recipe.toml"))
FRAMES = sorted((ROOT / "recipes" / "frames").glob("*.frame.toml"))
STAGES = load_stages()
SEAM = 0.01  # mm; two sides of a seam may differ by no more
AREA = 0.01  # mm²


@cache
def drafted(recipe: Path, frame: Path, without: tuple[str, ...] = ()) -> Draft:
    """The finished draft, without its files, which other tests read back."""
    read = load_recipe(recipe)
    steps = tuple(
        step for step in read.steps if not step.use.startswith("export.") and step.id not in without
    )
    plan = make_plan(replace(read, steps=steps), STAGES)
    sheet, file = load_frame(frame)
    return run_plan(plan, first_draft(sheet, file, plan, STAGES.materials), file.path).draft


JOBS = [(recipe, frame) for recipe in RECIPES for frame in FRAMES]
NAMES = [f"{recipe.name.split('.')[0]}-{frame.name.split('.')[0]}" for recipe, frame in JOBS]


@pytest.fixture(params=JOBS, ids=NAMES)
def draft(request: pytest.FixtureRequest) -> Draft:
    return drafted(*request.param)


def test_every_seam_walks_to_a_hundredth_of_a_millimetre(draft: Draft) -> None:
    assert draft.seams
    for seam in draft.seams:
        walked = walk(draft, seam)
        assert abs(walked.difference) <= SEAM, seam.id
        assert walked.length_a > 0.0
        # Measured once more by the chords of both runs, which know nothing of how lengths are computed.
        a, b = (chords(run_path(draft, side).flatten(1e-4)) for side in (seam.a, seam.b))
        assert abs(b - a - seam.ease) <= 2 * SEAM, seam.id


def chords(points: Sequence[tuple[float, float]]) -> float:
    return sum(((x1 - x0) ** 2 + (y1 - y0) ** 2) ** 0.5 for (x0, y0), (x1, y1) in pairwise(points))


def test_nothing_says_not_to_cut(draft: Draft) -> None:
    assert [finding for finding in draft.findings if finding.level == "error"] == []


def test_the_draft_is_written_as_the_schema_says(draft: Draft) -> None:
    jsonschema.Draft202012Validator(schema()).validate(document(draft))


def test_every_worked_number_comes_out_on_a_pocket_calculator(draft: Draft) -> None:
    assert len(draft.workings) > 20
    assert [said for said in map(formulas.wrong, draft.workings) if said] == []


def test_every_worked_number_goes_back_to_readings_options_and_earlier_ones(draft: Draft) -> None:
    assert formulas.unfounded(draft) == []
    sources = {term.source.partition(":")[0] for working in draft.workings for term in working.terms}
    assert {"reading", "working"} <= sources


def test_every_run_between_straight_tubes_is_worked_out(draft: Draft) -> None:
    unworked = formulas.unworked(draft)
    if draft.frame.bows:
        # What runs along a curve has no formula for a pocket calculator; what goes past it has.
        assert 0 < len(unworked) < 24
        assert not any("gusset" in said or "all round" in said for said in unworked)
    else:
        assert unworked == []


def test_parts_and_visible_strips_add_up_to_what_they_are_assembled_to(draft: Draft) -> None:
    for piece in draft.pieces:
        if not piece.assembled:
            continue
        parts = [draft.piece(part) for part in piece.parts]
        cloth = sum(abs(part.seam_line.area) for part in parts if part.role != "zipper")
        strips = sum(
            abs(line.covers.area)
            for line in piece.placements
            if line.name.endswith(":visible") and line.covers is not None
        )
        assert abs(cloth + strips - abs(piece.seam_line.area)) <= AREA, piece.id


def test_every_piece_is_inside_its_cut_line(draft: Draft) -> None:
    for piece in draft.pieces:
        assert piece.cut_line, piece.id
        assert abs(piece.outline.area) >= abs(piece.seam_line.area) - 1e-6, piece.id


def test_every_material_is_known_or_a_plain_name(draft: Draft) -> None:
    unknown = {piece.material for piece in draft.pieces if draft.material(piece.material) is None}
    assert unknown <= {"shell", "fit sample cloth"}


FINISHED = {
    "full-bag": "fit-sample",
    "divided-bag": "fit-sample",
    "half-bag": "half-bag-sample",
    "two-bags": "two-bags-sample",
    "roll-top": "roll-top-sample",
}
"""Finished bags and the fit samples that they are built on."""


def test_every_sample_has_its_finished_bag() -> None:
    samples = {recipe.name.split(".")[0] for recipe in RECIPES if "sample" in recipe.name}
    assert samples == set(FINISHED.values())
    for name, sample in FINISHED.items():
        bases = [Path(base.path).name for base in load_recipe(recipe_named(name)).bases]
        assert f"{sample}.recipe.toml" in bases


@pytest.mark.parametrize("frame", FRAMES, ids=lambda frame: frame.name.split(".")[0])
@pytest.mark.parametrize("name", FINISHED)
def test_features_change_no_run_of_the_samples_seams(name: str, frame: Path) -> None:
    """What was corrected on the sewn sample must hold for the bag: that is what a sample is for."""
    sample, bag = drafted(recipe_named(FINISHED[name]), frame), drafted(recipe_named(name), frame)
    assert len(bag.pieces) > len(sample.pieces)
    sewn = {seam.id: (seam.a, seam.b, seam.ease, seam.kind) for seam in bag.seams}
    for seam in sample.seams:
        assert sewn[seam.id] == (seam.a, seam.b, seam.ease, seam.kind)
    for piece in sample.pieces:
        runs = [(edge.name, edge.path) for edge in bag.piece(piece.id).edges]
        assert runs == [(edge.name, edge.path) for edge in piece.edges], piece.id


def recipe_named(name: str) -> Path:
    return ROOT / "recipes" / f"{name}.recipe.toml"


def test_nothing_is_left_to_warn_about(draft: Draft) -> None:
    assert [finding for finding in draft.findings if finding.level == "warning"] == []
