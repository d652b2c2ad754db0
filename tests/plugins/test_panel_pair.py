"""`panel.pair`: two side panels, mirror images of each other."""

from __future__ import annotations

from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING

import pytest

from oaktag.geometry import distance
from oaktag.pattern import Draft
from oaktag_plugins.panel_pair import DRIVE, NON_DRIVE, PairOptions, run

if TYPE_CHECKING:
    from tests.plugins import drafts
else:
    drafts = SimpleNamespace(**run_path(str(Path(__file__).with_name("drafts.py"))))


def paired(**options: object) -> Draft:
    draft = drafts.rounded(drafts.triangle(400.0, 560.0, 55.0, sagittas={"top-tube": 12.0}), 5.0, 20.0)
    return run(draft, PairOptions.model_validate(options))


def test_the_drive_side_is_the_outline() -> None:
    draft = paired()
    assert draft.outline is not None
    assert draft.piece(DRIVE).edges == draft.outline.edges
    assert draft.piece(DRIVE).seam_line.clockwise


def test_the_non_drive_side_is_its_mirror_image_edge_by_edge() -> None:
    draft = paired()
    drive, other = draft.piece(DRIVE), draft.piece(NON_DRIVE)
    assert [edge.name for edge in other.edges] == [edge.name for edge in drive.edges]
    middle = drive.seam_line.bounds.centre[0]
    for edge, image in zip(drive.edges, other.edges, strict=True):
        assert image.length == pytest.approx(edge.length, abs=1e-9)
        for share in (0.0, 0.3, 0.7, 1.0):
            x, y = edge.path.point_at(share * edge.length)
            assert distance(image.path.point_at(share * image.length), (2 * middle - x, y)) < 1e-9
    assert not other.seam_line.clockwise
    assert other.seam_line.area == pytest.approx(-drive.seam_line.area)


def test_both_are_cut_once_from_the_material_and_know_where_up_and_front_are() -> None:
    draft = paired(material="laminate")
    pieces = [draft.piece(DRIVE), draft.piece(NON_DRIVE)]
    assert [(p.material, p.quantity, p.mirrored, p.up) for p in pieces] == [("laminate", 1, 0, 90.0)] * 2
    # Mirrored about an upright line, the front wheel is on the other hand.
    assert [p.front for p in pieces] == [0.0, 180.0]


def test_pieces_that_are_there_already_stay() -> None:
    draft = drafts.rounded(drafts.triangle(400.0, 560.0, 55.0))
    patch = drafts.box("patch", 40.0, 25.0, ("top", "right", "bottom", "left"))
    assert [p.id for p in run(draft.evolve(pieces=(patch,)), PairOptions()).pieces] == [
        "patch",
        DRIVE,
        NON_DRIVE,
    ]
