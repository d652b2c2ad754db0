"""`check.parts`: parts that don't add up to the piece are found, each in its own way."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING

import pytest

from oaktag.geometry import Path as Outline
from oaktag.geometry import Transform
from oaktag.pattern import Draft, Edge, Piece
from oaktag.plugin.kit import run_stage

if TYPE_CHECKING:
    from tests.plugins import zippers
else:
    zippers = SimpleNamespace(**run_path(str(Path(__file__).with_name("zippers.py"))))

BAG = zippers.bag()
WHOLE = zippers.gusseted(zippers.panelled(BAG, start=40))
UPPER = "side-panel-drive-upper"


def found(draft: Draft) -> set[str]:
    """Codes of what the check reports, all of it errors."""
    fresh = run_stage("check.parts", draft).findings[len(draft.findings) :]
    assert all(finding.level == "error" for finding in fresh)
    return {finding.code for finding in fresh}


def changed(piece: Piece, edge: str, path: Outline) -> Piece:
    """The piece with another run of seam line; it needn't close any more."""
    return piece.evolve(edges=tuple(replace(e, path=path) if e.name == edge else e for e in piece.edges))


def moved(piece: Piece, dx: float, dy: float) -> Piece:
    """The piece drawn elsewhere."""
    shift = Transform.translation(dx, dy)
    return piece.evolve(edges=tuple(replace(e, path=e.path.transformed(shift)) for e in piece.edges))


def test_what_fits_is_left_alone() -> None:
    assert found(BAG) == set()
    assert found(WHOLE) == set()


def test_a_part_that_isnt_there() -> None:
    pieces = tuple(piece for piece in WHOLE.pieces if piece.id != UPPER)
    assert found(WHOLE.evolve(pieces=pieces)) == {"parts-missing"}


def test_a_part_that_is_left_out() -> None:
    whole = WHOLE.piece("side-panel-drive")
    less = WHOLE.replaced(whole.evolve(parts=tuple(part for part in whole.parts if part != UPPER)))
    assert found(less) == {"parts-area", "parts-edge"}


def test_a_part_that_lies_elsewhere() -> None:
    assert found(WHOLE.replaced(moved(WHOLE.piece(UPPER), 0.0, 3.0))) == {"parts-edge"}
    # Down over the strip, and off its edges.
    assert found(WHOLE.replaced(moved(WHOLE.piece(UPPER), 0.0, -3.0))) == {"parts-edge", "parts-overlap"}


def test_a_strip_that_is_wider_than_what_was_cut_out() -> None:
    whole = WHOLE.piece("gusset")
    line = whole.placement("zipper-gusset:visible")
    assert line.covers is not None
    box = line.covers.bounds
    wide = Outline.polyline(
        [(box.min_x, -9.0), (box.min_x, 9.0), (box.max_x, 9.0), (box.max_x, -9.0)], closed=True
    )
    placements = tuple(replace(p, covers=wide) if p.name == line.name else p for p in whole.placements)
    assert found(WHOLE.replaced(whole.evolve(placements=placements))) == {"parts-area", "parts-overlap"}


def test_a_part_with_a_shorter_edge() -> None:
    upper = WHOLE.piece(UPPER)
    top = upper.edge("top-tube").path
    short = Outline.polyline([top.start, top.point_at(0.5 * top.length)])
    back = Outline.polyline([top.point_at(0.5 * top.length), top.end])
    edges: list[Edge] = []
    for edge in upper.edges:
        if edge.name != "top-tube":
            edges.append(edge)
            continue
        edges += [replace(edge, path=short), Edge("loose", back)]
    assert found(WHOLE.replaced(upper.evolve(edges=tuple(edges)))) == {"parts-edge"}


def test_a_part_of_an_edge_that_there_isnt() -> None:
    upper = WHOLE.piece(UPPER)
    edges = tuple(replace(e, of="chain-stay") if e.name == "top-tube" else e for e in upper.edges)
    draft = WHOLE.replaced(upper.evolve(edges=edges))
    assert found(draft) == {"parts-edge"}
    assert any("chain-stay" in f.message for f in run_stage("check.parts", draft).findings)


@pytest.mark.parametrize(("tolerance", "codes"), [(0.01, {"parts-edge"}), (0.1, set())])
def test_the_tolerance(tolerance: float, codes: set[str]) -> None:
    draft = WHOLE.replaced(moved(WHOLE.piece(UPPER), 0.0, 0.02))
    fresh = run_stage("check.parts", draft, tolerance=tolerance).findings[len(draft.findings) :]
    assert {finding.code for finding in fresh} == codes
