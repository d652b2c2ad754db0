"""A draft made by hand: a rounded panel with a bowed and a free side, a tapered strip and a small patch."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest

from oaktag.geometry import Arc, Curve, Line, Path, Point, Transform, offset_outline, round_corner
from oaktag.pattern import (
    CutRun,
    Draft,
    Edge,
    Finding,
    Finish,
    Fitting,
    Frame,
    Hole,
    Label,
    Mark,
    Notch,
    Piece,
    PlacementLine,
    Provenance,
    Reading,
)


def with_allowances(piece: Piece) -> Piece:
    """The piece with the cut line that its edges' allowances make."""
    paths = offset_outline(
        [edge.path for edge in piece.edges], [edge.allowance for edge in piece.edges], join="mitre"
    )
    runs = tuple(CutRun(edge.name, path) for edge, path in zip(piece.edges, paths, strict=True))
    return piece.evolve(cut_line=runs)


def make_panel() -> Piece:
    seat, head, bracket = (0.0, 400.0), (520.0, 430.0), (130.0, 0.0)
    top = Path((Arc.from_sagitta(seat, head, 12.0),))
    down = Path((Curve.through((head, (400.0, 300.0), (260.0, 138.0), bracket)),))
    seat_tube = Path((Line(bracket, seat),))
    at_head = round_corner(top, down, 25.0, "right")
    at_bracket = round_corner(at_head.second, seat_tube, 30.0, "right")
    at_seat = round_corner(at_bracket.second, at_head.first, 20.0, "right")
    edges = (
        Edge("top-tube", at_seat.second, 10.0),
        Edge("corner:head", Path((at_head.arc,)), 10.0),
        Edge("down-tube", at_bracket.first, 10.0),
        Edge("corner:bottom-bracket", Path((at_bracket.arc,)), 10.0),
        Edge("seat-tube", at_seat.first, 10.0),
        Edge("corner:seat", Path((at_seat.arc,)), 10.0),
    )
    lengths = {edge.name: edge.length for edge in edges}
    return with_allowances(
        Piece(
            id="side-panel-drive",
            name="Side panel, drive side",
            edges=edges,
            material="shell",
            notches=(
                Notch("top-tube", 0.0, "a"),
                Notch("top-tube", lengths["top-tube"] / 2, "b"),
                Notch("corner:head", lengths["corner:head"] / 2, "c"),
                Notch("down-tube", lengths["down-tube"] / 2, "d", 3),
                Notch("seat-tube", lengths["seat-tube"] / 2, "e", 2),
            ),
            marks=(
                Mark("line", Path((Line((60.0, 330.0), (380.0, 348.0)),)), "zipper, visible 8 mm"),
                Mark("fold", Path((Line((90.0, 200.0), (290.0, 200.0)),)), "fold"),
                Mark("centre", Path((Line((150.0, 60.0), (150.0, 180.0)),))),
            ),
            labels=(
                Label(("Side panel, drive side", "shell: cut 1", "90° × 2"), (190.0, 285.0), 5.0),
                Label(("UP ↑",), (60.0, 250.0), 4.0, 90.0),
            ),
            grain=Line((240.0, 215.0), (340.0, 222.0)),
            up=90.0,
            front=0.0,
        )
    )


def make_strip() -> Piece:
    upper: tuple[Point, ...] = ((0.0, 24.0), (500.0, 30.0), (900.0, 36.0), (1250.0, 25.0), (1640.0, 24.0))
    side = Path((Curve.through(upper),))
    other = side.transformed(Transform.rotation(180.0).then(Transform.mirror_x()))
    end = Path((Line((1640.0, 24.0), (1640.0, -24.0)),))
    start = Path((Line((0.0, -24.0), (0.0, 24.0)),))
    return with_allowances(
        Piece(
            id="gusset",
            name="Gusset",
            edges=(
                Edge("non-drive-side", side, 10.0),
                Edge("end", end, 12.0),
                Edge("drive-side", other.reversed(), 10.0),
                Edge("start", start, 12.0),
            ),
            material="shell",
            notches=(
                Notch("non-drive-side", 300.0, "b"),
                Notch("drive-side", 300.0, "b", 2),
                Notch("drive-side", 700.0, "d", 3),
            ),
            labels=(Label(("Gusset", "shell: cut 1"), (820.0, 0.0), 6.0),),
            grain=Line((200.0, 0.0), (400.0, 0.0)),
        )
    )


def make_patch() -> Piece:
    corners: tuple[Point, ...] = ((0.0, 0.0), (40.0, 0.0), (40.0, 25.0), (0.0, 25.0))
    sides = [Path((Line(a, b),)) for a, b in zip(corners, (*corners[1:], corners[0]), strict=True)]
    allowances = (6.0, 3.0, 0.0, 5.0)
    edges = tuple(
        Edge(name, path, allowance)
        for name, path, allowance in zip(("bottom", "right", "top", "left"), sides, allowances, strict=True)
    )
    return with_allowances(
        Piece(
            id="anchor-patch",
            name="Anchor patch",
            edges=edges,
            material="patch",
            quantity=4,
            mirrored=2,
            notches=tuple(Notch(edge.name, edge.length / 2, edge.name) for edge in edges),
            labels=(Label(("patch", "cut 4"), (20.0, 13.0), 4.0),),
        )
    )


def mirrored(piece: Piece, new_id: str) -> Piece:
    """The piece turned over: its edges keep their order and now run the other way round."""
    flip = Transform.mirror_x()
    return with_allowances(
        piece.evolve(
            id=new_id,
            name="Side panel, non-drive side",
            edges=tuple(replace(edge, path=edge.path.transformed(flip)) for edge in piece.edges),
            cut_line=(),
            marks=tuple(replace(mark, path=mark.path.transformed(flip)) for mark in piece.marks),
            labels=tuple(
                replace(label, position=(-label.position[0], label.position[1])) for label in piece.labels
            ),
            grain=None if piece.grain is None else piece.grain.transformed(flip),
            front=180.0,
        )
    )


def make_draft(findings: Sequence[Finding] = ()) -> Draft:
    panel = make_panel()
    return Draft(
        frame=Frame(
            name="Demo all-road",
            corners=("seat", "head", "bottom-bracket"),
            tubes=("top-tube", "down-tube", "seat-tube"),
            readings=(Reading("length", "top-tube", 520.0, 1.0, "tape", "lengths.top-tube"),),
            size="M",
        ),
        frame_provenance=Provenance("demo-m.frame.toml"),
        recipe_provenance=Provenance("fit-sample", "1.0.0"),
        pieces=(panel, mirrored(panel, "side-panel-non-drive"), make_strip(), make_patch()),
        findings=tuple(findings),
    )


@pytest.fixture(scope="session")
def draft() -> Draft:
    return make_draft()


@pytest.fixture(scope="session")
def broken_draft() -> Draft:
    return make_draft([Finding("error", "seam-too-short", "The seam is too short.", "drive")])


def make_furnished() -> Draft:
    """The draft with a piece that has what the others lack: hole, fitting, fold, hem, placement line."""
    draft = make_draft()
    names = ("fold", "hem", "side", "bound")
    corners: tuple[Point, ...] = ((0.0, 120.0), (160.0, 120.0), (160.0, 0.0), (0.0, 0.0))
    finishes: tuple[Finish, ...] = ("fold", "hem", "", "bound")
    edges = tuple(
        Edge(name, Path((Line(a, b),)), allowance, finish=finish)
        for name, a, b, allowance, finish in zip(
            names, corners, (*corners[1:], corners[0]), (0.0, 12.0, 8.0, 0.0), finishes, strict=True
        )
    )
    ring = Path(
        (
            Arc((38.0, 90.0), (22.0, 90.0), (30.0, 90.0), 8.0, clockwise=False),
            Arc((22.0, 90.0), (38.0, 90.0), (30.0, 90.0), 8.0, clockwise=False),
        )
    )
    most = Arc.through((120.0, 30.0), (140.0, 50.0), (120.0, 40.0))
    piece = with_allowances(
        Piece(
            id="pocket",
            name="Pocket ½",
            edges=edges,
            material="shell",
            quantity=3,
            mirrored=1,
            notches=(Notch("side", 60.0, "p", 2), Notch("bound", 50.0, "q")),
            placements=(PlacementLine("strap", Path((Line((20.0, 30.0), (90.0, 30.0)),)), "strap"),),
            holes=(Hole("port", ring, "port"),),
            fittings=(Fitting("snap", "snap-12", (60.0, 70.0), 6.0, "snap"),),
            marks=(Mark("line", Path((most,))),),
            labels=(Label(("pocket ½", "90°"), (80.0, 50.0), 5.0, 30.0),),
            grain=Line((100.0, 90.0), (140.0, 90.0)),
            role="pocket",
        )
    )
    return draft.evolve(pieces=(*draft.pieces, piece))


@pytest.fixture(scope="session")
def furnished() -> Draft:
    return make_furnished()
