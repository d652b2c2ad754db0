"""The values of a pattern: immutable, complete, and honest about what they don't have."""

from __future__ import annotations

import hashlib
import pickle
from collections.abc import Callable
from dataclasses import FrozenInstanceError
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING

import pytest

import oaktag.pattern
from oaktag.geometry import GeometryError, Line
from oaktag.geometry import Path as Outline
from oaktag.pattern import (
    LEVELS,
    Artifact,
    CutRun,
    Draft,
    Edge,
    Finding,
    Notch,
    Piece,
    Place,
    Refusal,
    SeamSide,
    TubeWidth,
)

if TYPE_CHECKING:
    from tests.plugins import drafts
else:
    drafts = SimpleNamespace(**run_path(str(Path(__file__).parents[2] / "plugins" / "drafts.py")))

DRAFT: Draft = drafts.base()


@pytest.mark.parametrize(
    ("value", "attribute"),
    [
        (DRAFT, "pieces"),
        (DRAFT.pieces[0], "notches"),
        (DRAFT.pieces[0].edges[0], "allowance"),
        (DRAFT.seams[0], "ease"),
        (DRAFT.seams[0].a, "start"),
        (DRAFT.frame, "name"),
        (Notch("top-tube", 1.0, "a"), "at"),
        (Finding("note", "code", "message"), "level"),
        (Artifact("a.txt", "text", b""), "data"),
    ],
)
def test_nothing_can_be_changed_in_place(value: object, attribute: str) -> None:
    with pytest.raises(FrozenInstanceError):
        setattr(value, attribute, None)


def test_what_the_package_promises_is_there() -> None:
    assert len(set(oaktag.pattern.__all__)) == len(oaktag.pattern.__all__)
    for name in oaktag.pattern.__all__:
        assert getattr(oaktag.pattern, name) is not None


@pytest.mark.parametrize(
    "look",
    [
        lambda: DRAFT.piece("gusset-9"),
        lambda: DRAFT.pieces[0].edge("top-tub"),
        lambda: DRAFT.outline and DRAFT.outline.edge("top-tub"),
        lambda: DRAFT.opening and DRAFT.opening.edge("top-tub"),
        lambda: DRAFT.opening and DRAFT.opening.corner("heed"),
    ],
)
def test_what_is_not_there_is_a_key_error(look: Callable[[], object]) -> None:
    with pytest.raises(KeyError):
        look()


def test_looking_up_by_name() -> None:
    assert DRAFT.piece("gusset").id == "gusset"
    assert DRAFT.piece("gusset").edge("end").name == "end"
    assert DRAFT.outline is not None
    assert DRAFT.outline.edge("corner:head").is_corner
    assert not DRAFT.outline.edge("top-tube").is_corner
    assert DRAFT.frame.ends("down-tube") == ("head", "bottom-bracket")
    assert DRAFT.frame.ends("seat-tube") == ("bottom-bracket", "seat")


def test_a_change_makes_another_value_and_leaves_the_first() -> None:
    piece = DRAFT.piece("gusset")
    other = piece.evolve(material="foam")
    assert (piece.material, other.material) == ("shell", "foam")
    assert other.evolve(material="shell") == piece
    assert DRAFT.evolve(volume=4.2).volume == 4.2
    assert DRAFT.volume is None
    with pytest.raises(TypeError):
        piece.evolve(colour="red")


def test_a_derived_value_follows_the_change() -> None:
    piece = DRAFT.piece("gusset")
    assert piece.seam_line.length > 0
    shorter = piece.evolve(edges=piece.edges[:1])
    assert shorter.seam_line.length == pytest.approx(piece.edges[0].length)
    uncut = piece.evolve(cut_line=())
    assert uncut.outline == uncut.seam_line
    assert piece.outline != piece.seam_line


def test_edges_that_do_not_follow_each_other_make_no_seam_line() -> None:
    first, _, third, *_ = DRAFT.piece("gusset").edges
    with pytest.raises(GeometryError):
        _ = Piece("broken", "broken", (first, third), "shell").seam_line


def test_findings_and_artifacts_are_added_at_the_end() -> None:
    first, second = Finding("note", "a", "first"), Finding("error", "b", "second", "gusset")
    draft = DRAFT.with_findings([first]).with_findings(iter([second]))
    assert draft.findings[-2:] == (first, second)
    files = [Artifact("a.dxf", "dxf", b"1"), Artifact("b.svg", "svg", b"2")]
    assert DRAFT.with_artifact(files[0]).with_artifact(files[1]).artifacts == tuple(files)


@pytest.mark.parametrize("level", LEVELS)
def test_only_an_error_says_not_to_cut(level: str) -> None:
    finding = Finding(level, "code", "message")  # type: ignore[arg-type]
    assert DRAFT.with_findings([finding]).has_errors == (level == "error")
    assert not DRAFT.has_errors


def test_an_artifacts_hash_is_that_of_its_bytes() -> None:
    data = b"0\nSECTION\n"
    assert Artifact("a.dxf", "dxf", data).sha256 == hashlib.sha256(data).hexdigest()


def test_a_place_along_a_tube() -> None:
    assert Place("top-tube", fraction=0.25).along(400.0) == 100.0
    assert Place("top-tube", distance=30.0).along(400.0) == 30.0
    # Counted back from the second corner.
    assert Place("top-tube", fraction=1.0, distance=-30.0).along(400.0) == 370.0


def test_values_are_equal_by_what_they_hold_and_travel_between_processes() -> None:
    assert drafts.base() == DRAFT
    _ = [piece.outline.length for piece in DRAFT.pieces]
    assert pickle.loads(pickle.dumps(DRAFT)) == DRAFT
    assert TubeWidth(Place("top-tube"), 30.0, "k") == TubeWidth(Place("top-tube"), 30.0, "k")
    assert len({SeamSide("a", ("b",)), SeamSide("a", ("b",))}) == 1


def test_an_edge_knows_its_length_and_that_it_rounds_a_corner() -> None:
    edge = Edge("corner:head", Outline((Line((0.0, 0.0), (3.0, 4.0)),)))
    assert (edge.length, edge.is_corner, edge.allowance) == (5.0, True, 0.0)
    assert CutRun("corner:head", edge.path).path.length == 5.0


def test_a_refusal_says_everything_it_was_given() -> None:
    said = Refusal(
        "too wide", key="gap", source="recipe", found="90 mm", valid="less than 80 mm", todo="make it smaller"
    )
    assert str(said) == said.reason == "too wide"
    assert (said.key, said.source, said.found) == ("gap", "recipe", "90 mm")
    assert (said.valid, said.todo) == ("less than 80 mm", "make it smaller")
