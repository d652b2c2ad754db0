"""`work.operations`: every rule of the order by a small draft, unsewable drafts, times, bags at random."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations, pairwise
from pathlib import Path as FilePath
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag.geometry import Line, Path, Transform
from oaktag.pattern import (
    Draft,
    Edge,
    Fitting,
    Hole,
    Material,
    Operation,
    Piece,
    PlacementLine,
    Refusal,
    Seam,
    SeamSide,
    Stitching,
)
from oaktag.plugin.kit import example_draft, run_stage
from oaktag_plugins.drafting.bag import rectangle_edges, sew_on
from oaktag_plugins.work_operations import HANDLING

if TYPE_CHECKING:
    from tests.plugins import drafts
else:
    drafts = SimpleNamespace(**run_path(str(FilePath(__file__).with_name("drafts.py"))))

SIDES = ("upper", "right", "lower", "left")
FLAT = example_draft("measure.reconcile", "outline.clear", "corners.round", "panel.pair")
BAG = run_stage("gusset.wrap", FLAT)
DRIVE, NON_DRIVE = "side-panel-drive", "side-panel-non-drive"


def ops(draft: Draft, **options: Any) -> tuple[Operation, ...]:
    return run_stage("work.operations", draft, **options).operations


def order(draft: Draft) -> list[str]:
    return [operation.id for operation in ops(draft)]


def codes(draft: Draft) -> dict[str, str]:
    after = run_stage("work.operations", draft)
    return {f.code: f.message for f in after.findings[len(draft.findings) :]}


def follows(found: list[str], *names: str) -> bool:
    """Whether operations come in this order, among others."""
    places = [found.index(name) for name in names]
    return places == sorted(places)


def linked(draft: Draft, *names: str) -> bool:
    """Whether each of these operations has to be done before the next one, by links alone."""
    after = {operation.id: operation.after for operation in ops(draft)}

    def needs(later: str, earlier: str) -> bool:
        return any(name == earlier or needs(name, earlier) for name in after[later])

    return all(needs(later, earlier) for earlier, later in pairwise(names))


def patch(piece_id: str, role: str = "patch", **changes: Any) -> Piece:
    return Piece(piece_id, piece_id, rectangle_edges(30.0, 20.0), "shell", role=role).evolve(**changes)


def at(x: float = 200.0, y: float = 0.0) -> Transform:
    return Transform.translation(x, y)


def pair(*pieces: Piece, seams: tuple[Seam, ...]) -> Draft:
    """A draft of a few pieces that are no bag."""
    draft: Draft = drafts.bare()
    return draft.evolve(pieces=pieces, seams=seams)


def box(piece_id: str, **changes: Any) -> Piece:
    piece: Piece = drafts.box(piece_id, 200.0, 100.0, SIDES)
    return piece.evolve(**changes)


def line(name: str, what: str = "patch", **changes: Any) -> PlacementLine:
    path = Path((Line((50.0, 0.0), (150.0, 0.0)),))
    return replace(PlacementLine(name, path, what), **changes)


# Rules


def test_a_join_comes_before_the_long_seams_that_run_across_it() -> None:
    assert order(BAG) == ["cut-shell", "sew-join", "sew-drive", "sew-non-drive", "inspect"]


def test_every_join_of_a_gusset_in_parts_comes_before_the_seams_beside_it() -> None:
    joins = [{"tube": tube, "at": 0.5} for tube in ("top-tube", "down-tube", "seat-tube")]
    draft = run_stage("gusset.wrap", FLAT, joins=joins)
    found = order(draft)
    for number in (1, 2, 3):
        last = max(found.index(f"sew-join-{n}") for n in (1, 2, 3))
        assert last < found.index(f"sew-drive-{number}")
        assert last < found.index(f"sew-non-drive-{number}")
    by_id = {operation.id: operation for operation in ops(draft)}
    # One seam ends in the run of two others; each of these knows it, directly or by another join.
    assert set(by_id["sew-drive-1"].after) == {"sew-join-1", "sew-join-3"}


def test_where_three_pieces_meet_in_a_corner_no_seam_has_to_be_the_first() -> None:
    pieces = [box(name) for name in ("a", "b", "c")]
    seams = [
        Seam("ab", SeamSide("a", ("upper",)), SeamSide("b", ("left",), reverse=True)),
        Seam("ac", SeamSide("a", ("left",)), SeamSide("c", ("upper",), reverse=True)),
        Seam("bc", SeamSide("b", ("upper",)), SeamSide("c", ("left",), reverse=True)),
    ]
    draft = pair(*pieces, seams=tuple(seams))
    assert "operations-cycle" not in codes(draft)
    for operation in ops(draft):
        if operation.seam:
            assert set(operation.after) <= {"cut-shell", "sew-ab", "sew-ac"}


def test_what_is_sewn_onto_a_piece_comes_before_its_edges() -> None:
    draft = sew_on(BAG, patch("badge"), "gusset", at(), what="patch")
    assert linked(draft, "cut-shell", "mark-gusset", "sew-badge-on-gusset", "sew-join", "sew-drive")
    # It could be caught in the first side.
    assert linked(draft, "sew-drive", "check", "sew-non-drive")


def test_small_things_are_finished_before_they_are_sewn_on() -> None:
    strap = patch("tab")
    draft = sew_on(BAG, patch("badge"), "gusset", at(), what="patch")
    draft = sew_on(draft, strap, "badge", Transform.translation(0.0, 0.0), what="strap")
    assert linked(draft, "sew-tab-on-badge", "sew-badge-on-gusset", "sew-join")


def test_what_lies_beneath_is_sewn_first_wherever_it_stands_in_the_draft() -> None:
    draft = sew_on(BAG, patch("tab"), "gusset", at(), what="strap")
    draft = sew_on(draft, patch("badge"), "gusset", at(), what="patch", under=("strap",))
    assert linked(draft, "sew-badge-on-gusset", "sew-tab-on-gusset")
    apart = sew_on(BAG, patch("tab"), "gusset", at(), what="strap")
    apart = sew_on(apart, patch("badge"), "gusset", at(400.0), what="patch", under=("strap",))
    assert follows(order(apart), "sew-tab-on-gusset", "sew-badge-on-gusset")
    behind = sew_on(BAG, patch("tab"), "gusset", at(), what="strap", face="inside")
    behind = sew_on(behind, patch("badge"), "gusset", at(), what="patch", under=("strap",))
    assert not linked(behind, "sew-badge-on-gusset", "sew-tab-on-gusset")
    # Each may lie on the other: then neither has to be the first.
    either = sew_on(BAG, patch("tab"), "gusset", at(), what="strap", under=("patch",))
    either = sew_on(either, patch("badge"), "gusset", at(), what="patch", under=("strap",))
    assert "operations-cycle" not in codes(either)
    assert follows(order(either), "sew-tab-on-gusset", "sew-badge-on-gusset")


def test_hems_come_before_the_seams_beside_them() -> None:
    sides = [("left", "lower", "right")]
    ring = rectangle_edges(80.0, 60.0)
    by_name = {edge.name: edge for edge in ring}
    pocket = patch("pocket").evolve(
        edges=tuple(
            replace(by_name[name], finish="hem" if name == "upper" else "")
            for name in ("left", "lower", "right", "upper")
        )
    )
    draft = sew_on(BAG, pocket, DRIVE, at(), what="pocket", edges=sides)
    assert linked(draft, "hem-pocket.upper", "sew-pocket-on-side-panel-drive", "sew-drive")
    twice = draft.replaced(draft.piece("pocket").evolve(quantity=2))
    for pockets, count in ((draft, 1), (twice, 2)):
        hem = next(operation for operation in ops(pockets) if operation.id == "hem-pocket.upper")
        assert (hem.kind, hem.length) == ("fold", pytest.approx(80.0 * count))


def test_holes_are_cut_through_what_is_sewn_on_and_fittings_are_set_into_the_holes() -> None:
    draft = sew_on(BAG, patch("facing"), "gusset", at(), what="facing")
    circle = Path.polyline([(198.0, -2.0), (202.0, -2.0), (200.0, 2.0)], closed=True)
    gusset = draft.piece("gusset")
    draft = draft.replaced(
        gusset.evolve(
            holes=(Hole("drain", circle, "drain"),),
            fittings=(
                Fitting("drain", "grommet-8", (200.0, 0.0), 8.0, "grommet"),
                Fitting("boss", "bolt-m5", (300.0, 0.0), 5.0, "bolt", quantity=2),
            ),
        )
    )
    assert linked(
        draft, "sew-facing-on-gusset", "holes-gusset", "set-gusset-grommet-8", "sew-join", "sew-non-drive"
    )
    # What goes in on the bicycle waits until the bag is done.
    assert linked(draft, "inspect", "mount-gusset-bolt-m5")
    mount = ops(draft)[-1]
    assert "2 × bolt-m5" in mount.text


def assembled() -> Draft:
    """A cover of two parts, with a badge on it, sewn to a rim."""
    cover = box("cover", parts=("one", "two"), placements=(line("badge"),))
    half: Piece = drafts.box("one", 100.0, 100.0, SIDES)
    one = half.evolve(
        edges=tuple(replace(edge, of="" if edge.name == "right" else edge.name) for edge in half.edges)
    )
    two = half.evolve(
        id="two",
        edges=tuple(
            Edge(
                e.name,
                e.path.transformed(Transform.translation(100.0, 0.0)),
                of="" if e.name == "left" else e.name,
            )
            for e in half.edges
        ),
    )
    return pair(
        cover,
        box("rim"),
        one,
        two,
        patch("badge"),
        seams=(
            Seam("to-rim", SeamSide("cover", ("upper",)), SeamSide("rim", ("lower",), reverse=True)),
            Seam("badge", SeamSide("cover", ("badge",)), SeamSide("badge", ("upper",)), kind="applied"),
            Seam(
                "middle", SeamSide("one", ("right",)), SeamSide("two", ("left",), reverse=True), kind="part"
            ),
        ),
    )


def test_parts_are_sewn_together_and_trimmed_before_the_whole_is_worked_on() -> None:
    draft = assembled()
    assert linked(draft, "cut-card", "trim-cover", "mark-cover", "sew-badge", "sew-to-rim")
    assert linked(draft, "cut-shell", "sew-middle", "trim-cover")
    texts = {operation.id: operation.text for operation in ops(assembled())}
    assert "templates" in texts["cut-card"]
    assert "cover" not in texts["cut-shell"]


def test_a_layer_is_basted_before_the_seam_that_catches_it() -> None:
    names = tuple(edge.name for edge in BAG.piece(DRIVE).edges)
    foam = BAG.piece(DRIVE).evolve(id="foam", role="stiffener")
    layer = Seam("foam", SeamSide(DRIVE, names), SeamSide("foam", names), kind="layer")
    draft = BAG.evolve(pieces=(*BAG.pieces, foam), seams=(*BAG.seams, layer))
    by_id = {operation.id: operation for operation in ops(draft)}
    assert "sew-foam" in by_id["sew-drive"].after
    assert by_id["sew-foam"].kind == "baste"
    slow = {o.id: o.minutes for o in ops(draft, basting_speed=500, handling={"baste": 0})}
    assert slow["sew-foam"] == pytest.approx(by_id["sew-foam"].length / 500)


def test_a_binding_covers_the_seam_once_it_is_sewn_even_the_last_one() -> None:
    names = tuple(edge.name for edge in BAG.piece(NON_DRIVE).edges)
    tape = BAG.piece(NON_DRIVE).evolve(id="tape", role="binding", name="binding")
    layer = Seam("bind", SeamSide(NON_DRIVE, names), SeamSide("tape", names), kind="layer")
    draft = BAG.evolve(pieces=(*BAG.pieces, tape), seams=(layer, *BAG.seams))
    by_id = {operation.id: operation for operation in ops(draft)}
    assert linked(draft, "sew-non-drive", "sew-bind", "inspect")
    assert by_id["sew-bind"].kind == "sew"
    assert codes(draft).keys() == {"no-opening"}


def test_the_panel_with_the_zipper_is_sewn_last_and_the_bag_is_turned_through_it() -> None:
    zipper = patch("zip", role="zipper", name="zipper")
    drive = BAG.piece(DRIVE).evolve(parts=("zip",))
    draft = BAG.evolve(pieces=(*(drive if p.id == DRIVE else p for p in BAG.pieces), zipper))
    by_id = {operation.id: operation for operation in ops(draft)}
    assert linked(draft, "sew-non-drive", "sew-drive", "turn", "inspect")
    assert "Open zip first" in by_id["sew-drive"].text
    assert "Open" not in by_id["sew-non-drive"].text
    assert "open zip " in by_id["turn"].text
    assert codes(draft) == {}


def test_the_zipper_of_a_pocket_with_a_back_of_its_own_is_no_way_into_the_bag() -> None:
    zipper = patch("zip", role="zipper")
    drive = BAG.piece(DRIVE).evolve(parts=("zip",))
    names = tuple(edge.name for edge in drive.edges)
    back = BAG.piece(DRIVE).evolve(id="back", role="pocket")
    layer = Seam("back", SeamSide(DRIVE, names), SeamSide("back", names), kind="layer")
    draft = BAG.replaced(drive)
    draft = draft.evolve(pieces=(*draft.pieces, zipper, back), seams=(*draft.seams, layer))
    assert linked(draft, "sew-drive", "sew-non-drive")
    assert codes(draft).keys() == {"no-opening"}
    # A back that is split by the zipper itself, as a liner is, leaves the way open.
    split = draft.replaced(back.evolve(parts=("dot",)))
    split = split.evolve(pieces=(*split.pieces, patch("dot")))
    assert linked(split, "sew-non-drive", "sew-drive", "turn")


def test_a_slider_is_put_onto_the_zipper_before_cloth_is_sewn_to_it() -> None:
    slider = Fitting("slider", "slider-8", (100.0, 0.0), 6.0, "slider")
    zipper = box("zip", role="zipper", placements=(line("left", "seam line"),), fittings=(slider,))
    seam = Seam("to-zip", SeamSide("cloth", ("upper",)), SeamSide("zip", ("left",)), kind="zipper")
    draft = pair(zipper, box("cloth"), seams=(seam,))
    assert linked(draft, "set-zip-slider-8", "sew-to-zip")
    assert "mark-zip" not in order(draft)
    assert ops(draft)[1].machine == "by hand"


def test_a_layer_in_parts_is_trimmed_with_the_cloth_that_holds_them_together() -> None:
    draft = assembled()
    lining = box("lining", parts=("under-one", "under-two"))
    halves = [draft.piece(name).evolve(id=f"under-{name}", name=name) for name in ("one", "two")]
    caught = [
        Seam(f"catch-{name}", SeamSide(name, (edge,)), SeamSide(f"under-{name}", (edge,)), kind="layer")
        for name, edge in (("one", "right"), ("two", "left"))
    ]
    draft = draft.evolve(pieces=(lining, *draft.pieces, *halves), seams=(*draft.seams, *caught))
    assert linked(draft, "sew-catch-one", "sew-middle", "trim-cover", "trim-lining")


def test_a_sewer_finishes_small_pieces_then_panels_then_the_gusset() -> None:
    draft = sew_on(BAG, patch("tab"), "gusset", at(), what="patch")
    draft = sew_on(draft, patch("badge"), NON_DRIVE, at(), what="patch")
    draft = sew_on(draft, patch("flash"), DRIVE, at(), what="patch")
    draft = sew_on(draft, patch("dot"), "tab", Transform.translation(0.0, 0.0), what="patch")
    assert [name for name in order(draft) if name.startswith("sew-")] == [
        "sew-dot-on-tab",
        f"sew-flash-on-{DRIVE}",
        f"sew-badge-on-{NON_DRIVE}",
        "sew-tab-on-gusset",
        "sew-join",
        "sew-drive",
        "sew-non-drive",
    ]


def test_a_liner_is_sewn_before_the_shell_is_closed() -> None:
    draft = run_stage("liner.full", BAG, thickness=3)
    liner = [seam.id for seam in draft.seams if seam.kind == "liner"]
    assert liner
    assert all(linked(draft, f"sew-{seam}", "sew-non-drive") for seam in liner)
    first = [o.id for o in ops(draft) if o.id.startswith("sew-")]
    assert follows(first, f"sew-{liner[-1]}", "sew-drive")


# What can't be sewn


def test_two_pieces_that_are_each_sewn_onto_the_other() -> None:
    draft = pair(
        box("a", placements=(line("on-a"),)),
        box("b", placements=(line("on-b"),)),
        seams=(
            Seam("first", SeamSide("a", ("on-a",)), SeamSide("b", ("upper",)), kind="applied"),
            Seam("second", SeamSide("b", ("on-b",)), SeamSide("a", ("upper",)), kind="applied"),
        ),
    )
    after = run_stage("work.operations", draft)
    [finding] = [f for f in after.findings if f.code == "operations-cycle"]
    assert finding.level == "error"
    assert "sew-first" in finding.message
    assert "sew-second" in finding.message
    assert {"sew-first", "sew-second"} <= {operation.id for operation in after.operations}


def test_a_pocket_that_can_only_be_sewn_in_once_the_bag_is_closed() -> None:
    # The whole bag is a template's parts, and the pocket belongs onto the whole.
    whole = box("whole", parts=(DRIVE, NON_DRIVE, "gusset"), placements=(line("pocket", face="inside"),))
    pocket = patch("pocket")
    seam = Seam("pocket", SeamSide("whole", ("pocket",)), SeamSide("pocket", ("upper",)), kind="applied")
    draft = BAG.evolve(pieces=(*BAG.pieces, whole, pocket), seams=(*BAG.seams, seam))
    after = run_stage("work.operations", draft)
    [finding] = [f for f in after.findings if f.code == "seam-left-inside"]
    assert (finding.level, finding.where) == ("error", "pocket")
    assert "operations-cycle" not in {f.code for f in after.findings}


def test_a_bag_without_an_opening_is_said_to_have_none() -> None:
    assert "leave the seams outside" in codes(BAG)["no-opening"]
    opened = BAG.evolve(seams=tuple(seam for seam in BAG.seams if seam.id != "join"))
    assert "no-opening" not in codes(opened)
    found = order(opened)
    assert follows(found, "sew-non-drive", "turn", "inspect")
    assert "open edge" in ops(opened)[found.index("turn")].text


# Times and words


def test_minutes_are_length_over_speed_and_handling() -> None:
    stitched = BAG.evolve(
        seams=tuple(replace(seam, stitching=Stitching("1.01", "401", 3.0, rows=2)) for seam in BAG.seams)
    )
    by_id = {
        operation.id: operation
        for operation in ops(stitched, sewing_speed=600, cutting_speed=1000, handling={"sew": 2, "cut": 0.25})
    }
    length = BAG.piece(DRIVE).seam_line.length
    sewn = by_id["sew-drive"]
    assert sewn.length == pytest.approx(2 * length)
    assert sewn.minutes == pytest.approx(2 * length / 600 + 2)
    assert sewn.machine == "multi-thread chain stitch 401"
    outline = sum(piece.outline.length for piece in BAG.pieces)
    assert by_id["cut-shell"].minutes == pytest.approx(outline / 1000 + 3 * 0.25)
    assert by_id["inspect"].minutes == HANDLING["inspect"]
    assert ops(BAG)[1].machine == "lockstitch 301"


def test_tape_is_cut_to_length_by_the_piece() -> None:
    tape = Material("tape", "webbing", "tape", mass=1.0, width=20.0)
    strap = patch("strap", material="tape", quantity=3)
    ring = Seam(
        "ring", SeamSide("strap", ("left",)), SeamSide("strap", ("right",), reverse=True), kind="part"
    )
    cut = ops(pair(strap, seams=(ring,)).evolve(materials=(tape,)))[0]
    assert cut.minutes == pytest.approx(3 * HANDLING["cut"])
    assert cut.machine == "scissors"
    assert "3 × strap to length" in cut.text


def test_the_shop_has_its_own_minutes() -> None:
    by_id = {operation.id: operation for operation in ops(BAG, minutes={"sew-join": 7.5})}
    assert by_id["sew-join"].minutes == 7.5
    with pytest.raises(Refusal) as caught:
        ops(BAG, minutes={"sew-joint": 7.5})
    assert caught.value.key == "minutes.sew-joint"
    assert "sew-join" in caught.value.todo


def test_every_operation_has_a_sentence_a_machine_and_ids_of_its_own() -> None:
    draft = sew_on(BAG, patch("badge"), "gusset", at(), what="patch")
    found = ops(draft)
    assert len({operation.id for operation in found}) == len(found)
    pieces = {piece.id for piece in draft.pieces}
    for operation in found:
        assert operation.text.endswith(".")
        assert operation.machine
        assert operation.minutes > 0
        assert set(operation.pieces) <= pieces
    assert {operation.seam for operation in found if operation.seam} == {seam.id for seam in draft.seams}


# The whole at random

SPOTS = st.tuples(st.sampled_from(["gusset-1", DRIVE, NON_DRIVE]), st.floats(100.0, 400.0), st.booleans())


@settings(deadline=None, max_examples=12)
@given(
    joins=st.lists(
        st.sampled_from(["top-tube", "down-tube", "seat-tube"]), min_size=2, max_size=3, unique=True
    ),
    spots=st.lists(SPOTS, max_size=5),
    hole=st.booleans(),
    liner=st.booleans(),
)
def test_in_any_bag_everything_flat_comes_before_what_closes_it(
    joins: list[str], spots: list[tuple[str, float, bool]], hole: bool, liner: bool
) -> None:
    draft = run_stage("gusset.wrap", FLAT, joins=[{"tube": tube, "at": 0.5} for tube in joins])
    for number, (host, x, on_top) in enumerate(spots):
        name = f"badge-{number}"
        draft = sew_on(draft, patch(name), host, at(x), what="patch", under=("strap",))
        if on_top:
            draft = sew_on(draft, patch(f"tab-{number}"), name, Transform.translation(0.0, 0.0), what="strap")
    if hole:
        cut = Path.polyline([(0.0, 0.0), (5.0, 0.0), (0.0, 5.0)], closed=True)
        draft = draft.replaced(draft.piece(DRIVE).evolve(holes=(Hole("port", cut, "port"),)))
    if liner:
        draft = run_stage("liner.full", draft, thickness=3)
    found = ops(draft)
    place = {operation.id: index for index, operation in enumerate(found)}
    # Independently of how it was worked out: every link is kept, every seam is sewn once and lies flat.
    for operation in found:
        assert all(place[earlier] < place[operation.id] for earlier in operation.after)
    assert sorted(o.seam for o in found if o.seam) == sorted(seam.id for seam in draft.seams)
    sewn = {o.seam: place[o.id] for o in found if o.seam}
    lines = {(piece.id, one.name) for piece in draft.pieces for one in piece.placements}
    for one, other in combinations(draft.seams, 2):
        for flat, edge in ((one, other), (other, one)):
            hosts = {side.piece for side in (flat.a, flat.b) if (side.piece, side.edges[0]) in lines}
            edges = {side.piece for side in (edge.a, edge.b) if (side.piece, side.edges[0]) not in lines}
            if hosts & edges:
                assert sewn[flat.id] < sewn[edge.id]
    last = max((seam for seam in draft.seams if seam.kind == "shell"), key=lambda seam: sewn[seam.id])
    assert all(sewn[seam.id] < sewn[last.id] for seam in draft.seams if seam.kind != "shell")
    for seam in draft.seams:
        if seam.id.startswith("join"):
            beside = {seam.a.piece, seam.b.piece}
            for other in draft.seams:
                if other.kind == "shell" and other.b.piece in beside and not other.id.startswith("join"):
                    assert sewn[seam.id] < sewn[other.id]
    # The same draft gives the same order.
    assert ops(draft) == found
