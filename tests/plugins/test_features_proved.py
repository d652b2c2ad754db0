"""Notches and proofs of bags with things on them: what takes part in them, and what isn't a fault."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING

import pytest

from oaktag.geometry import Transform
from oaktag.pattern import Draft, Material, Piece, Seam, SeamKind, SeamSide
from oaktag.pattern.assembly import assembly_of, notched_seams
from oaktag_plugins.check_walk_seams import WalkOptions, run
from oaktag_plugins.drafting.bag import rectangle_edges, sew_on

if TYPE_CHECKING:
    from tests.plugins import drafts
else:
    drafts = SimpleNamespace(**run_path(str(Path(__file__).with_name("drafts.py"))))

WRAPPED: Draft = drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5))
PATCH = Piece("patch", "patch", rectangle_edges(30.0, 20.0), "shell", role="patch")


def patched(draft: Draft = WRAPPED, piece: Piece = PATCH) -> Draft:
    """The draft with a patch in the middle of the drive side's panel."""
    middle = draft.piece("side-panel-drive").seam_line.bounds.centre
    return sew_on(draft, piece, "side-panel-drive", Transform.translation(*middle), what="patch")


def codes(draft: Draft) -> list[str]:
    return [finding.code for finding in run(draft, WalkOptions()).findings]


def with_seams(draft: Draft, *seams: Seam) -> Draft:
    return draft.evolve(seams=(*draft.seams, *seams))


def test_what_is_sewn_on_flat_is_not_notched_and_not_confused() -> None:
    draft = patched()
    assert [seam.id for seam in notched_seams(draft)] == ["drive", "non-drive", "join"]
    done = drafts.notched(draft)
    plain = drafts.notched(WRAPPED)
    assert done.piece("patch").notches == ()
    for piece in plain.pieces:
        assert done.piece(piece.id).notches == piece.notches
    assert {a.seam for a, _ in assembly_of(done).seams} == {"drive", "non-drive", "join"}
    assert codes(drafts.allowed(done)) == []


@pytest.mark.parametrize(
    ("kind", "notched"),
    [
        ("shell", True),
        ("part", True),
        ("liner", True),
        ("zipper", False),
        ("layer", False),
        ("applied", False),
    ],
)
def test_kinds_of_seam_that_are_notched(kind: SeamKind, notched: bool) -> None:
    twins = tuple(replace(PATCH, id=name) for name in ("one", "two"))
    seam = Seam("s", SeamSide("one", ("upper",)), SeamSide("two", ("lower",)), kind=kind)
    draft = drafts.bare().evolve(pieces=twins, seams=(seam,))
    assert (notched_seams(draft) == (seam,)) == notched


def test_runs_of_different_kinds_are_not_taken_for_each_other() -> None:
    twins = tuple(replace(PATCH, id=name) for name in ("one", "two", "three", "four"))
    seams = (
        Seam("s", SeamSide("one", ("upper",)), SeamSide("two", ("upper",))),
        Seam("t", SeamSide("three", ("upper",)), SeamSide("four", ("upper",)), kind="liner"),
    )
    draft = drafts.bare().evolve(pieces=twins, seams=seams)
    ways = drafts.check_assembly.wrong_ways(draft, length_tolerance=3.0, notch_tolerance=3.0)
    assert ways
    assert all(way.place == way.seam for way in ways)
    same = draft.evolve(seams=(seams[0], replace(seams[1], kind="shell")))
    more = drafts.check_assembly.wrong_ways(same, length_tolerance=3.0, notch_tolerance=3.0)
    assert any(way.place != way.seam for way in more)


def test_a_placement_line_is_known_and_others_are_not() -> None:
    draft = patched()
    assert "seam-unknown" not in codes(draft)
    lost = draft.evolve(
        pieces=tuple(
            piece.evolve(placements=()) if piece.id == "side-panel-drive" else piece for piece in draft.pieces
        )
    )
    assert "seam-unknown" in codes(lost)


def test_a_patch_of_another_size_than_its_line_is_found() -> None:
    draft = patched()
    larger = draft.replaced(PATCH.evolve(edges=rectangle_edges(31.0, 20.0)))
    assert "seam-mismatch" in codes(larger)


@pytest.mark.parametrize("finish", ["hem", "bound", "fold", "raw", ""])
def test_an_edge_that_is_finished_need_not_be_sewn(finish: str) -> None:
    edges = tuple(replace(edge, finish=finish) for edge in PATCH.edges)
    draft = drafts.bare().evolve(pieces=(PATCH.evolve(edges=edges),))
    assert ("edge-unsewn" in codes(draft)) == (finish == "")


def test_an_edge_of_a_part_is_sewn_with_the_whole() -> None:
    panel = WRAPPED.piece("side-panel-drive")
    part = panel.evolve(
        id="part", edges=tuple(replace(edge, of=edge.name) for edge in panel.edges), role="side-panel-part"
    )
    draft = WRAPPED.evolve(pieces=(*WRAPPED.pieces, part)).replaced(panel.evolve(parts=("part",)))
    assert "edge-unsewn" not in codes(draft)
    alone = WRAPPED.evolve(pieces=(*WRAPPED.pieces, part))
    assert codes(alone).count("edge-unsewn") == len(panel.edges)
    unsewn = draft.evolve(seams=tuple(seam for seam in draft.seams if seam.id != "drive"))
    # The gusset's edge, the panel's and the part's.
    assert codes(unsewn).count("edge-unsewn") == 1 + 2 * len(panel.edges)


def test_a_run_may_be_sewn_twice_and_notched_once() -> None:
    done = drafts.allowed(drafts.notched(WRAPPED))
    panel = done.piece("side-panel-drive")
    lining = panel.evolve(id="lining", notches=(), role="liner")
    names = tuple(edge.name for edge in panel.edges)
    twice = done.evolve(pieces=(*done.pieces, lining))
    for kind in ("layer", "liner"):
        seam = Seam("lining", SeamSide(panel.id, names), SeamSide("lining", names), kind=kind)
        assert "notch-unmatched" not in codes(with_seams(twice, seam))
    # A notch that meets none in any seam is still a fault.
    gusset = done.piece("gusset")
    lone = gusset.evolve(notches=gusset.notches[1:])
    assert "notch-unmatched" in codes(with_seams(twice.replaced(lone), seam))


def test_a_tape_has_no_allowance_to_differ() -> None:
    webbing = Material("webbing", "webbing", "tape", width=20.0)
    twins = (
        PATCH.evolve(id="one", edges=tuple(replace(edge, allowance=8.0) for edge in PATCH.edges)),
        PATCH.evolve(id="two", material="webbing"),
    )
    seam = Seam("s", SeamSide("one", ("upper",)), SeamSide("two", ("upper",)))
    draft = drafts.bare().evolve(pieces=twins, seams=(seam,))
    cut = drafts.allowed(draft, {"default": 8.0, "two.upper": 0.0, "one.upper": 8.0})
    assert "allowance-differs" in codes(cut)
    assert "allowance-differs" not in codes(cut.evolve(materials=(webbing,)))
