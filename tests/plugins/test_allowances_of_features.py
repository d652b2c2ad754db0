"""`allowance.by-seam` for what is put on a bag: kinds of seams, hems, bindings, parts, corners, folds."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import pairwise
from math import radians, sin, tan
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag import Refusal
from oaktag.geometry import Arc, Line, Path, Point, Transform, distance
from oaktag.pattern import Draft, Edge, Finish, Hole, Material, Piece, Seam, SeamSide, Stitching
from oaktag.pattern.walk import walk
from oaktag.plugin.kit import example_draft, run_stage
from oaktag.recipe import DataFile, InputError
from oaktag_plugins.allowance_by_seam import AllowanceOptions, run
from oaktag_plugins.drafting import bag

BAG = example_draft(
    "measure.reconcile", "outline.clear", "corners.round", "panel.pair", "gusset.wrap"
).evolve(
    findings=(),
    materials=(
        Material("webbing-20", "webbing", "tape", width=20.0),
        Material("foam-5", "foam", "cloth", thickness=5.0),
        Material("board-08", "board", "cloth", thickness=0.8),
        Material("canvas-500d", "shell", "cloth"),
        Material("binding-22", "binding", "tape", width=22.0),
    ),
)
DRIVE, OTHER = "side-panel-drive", "side-panel-non-drive"


def rectangle(name: str, width: float = 80.0, height: float = 50.0, **more: Any) -> Piece:
    return Piece(name, name, bag.rectangle_edges(width, height), more.pop("material", "shell"), **more)


def finished(piece: Piece, **finish: Finish) -> Piece:
    edges = tuple(replace(edge, finish=finish.get(edge.name, edge.finish)) for edge in piece.edges)
    return piece.evolve(edges=edges)


def clockwise(piece: Piece) -> Piece:
    """The piece with its seam line run the other way round."""
    edges = tuple(replace(edge, path=edge.path.reversed()) for edge in reversed(piece.edges))
    return piece.evolve(edges=edges)


def on_panel(piece: Piece, what: str = "patch", **more: Any) -> Draft:
    middle = BAG.piece(DRIVE).seam_line.bounds.centre
    return bag.sew_on(
        BAG, piece, DRIVE, Transform.translation(middle[0], middle[1] + 60.0), what=what, **more
    )


def with_pieces(*pieces: Piece, seams: tuple[Seam, ...] = (), draft: Draft = BAG) -> Draft:
    return draft.evolve(pieces=(*draft.pieces, *pieces), seams=(*draft.seams, *seams))


def seam(kind: str, a: str, b: str, edge: str = "upper", other: str = "lower", **more: Any) -> Seam:
    return Seam(f"{a}-{b}", SeamSide(a, (edge,)), SeamSide(b, (other,)), kind=kind, **more)  # type: ignore[arg-type]


def allowed(draft: Draft, allowance: Any = 10.0, **options: Any) -> Draft:
    values = {name.replace("_", "-"): value for name, value in options.items()}
    return run(draft, AllowanceOptions.model_validate({"allowance": allowance, **values}))


def shop(**content: Any) -> DataFile:
    return DataFile("shop.seams.toml", json.dumps(content), "00")


def margins(draft: Draft, piece: str) -> dict[str, float]:
    return {edge.name: edge.allowance for edge in draft.piece(piece).edges}


def codes(draft: Draft) -> list[tuple[str, str]]:
    return [(finding.level, finding.code) for finding in draft.findings]


def points_of(piece: Piece) -> list[Point]:
    return [segment.start for segment in piece.outline.segments]


def has(piece: Piece, *wanted: Point) -> bool:
    """Whether the cut line has these corners, in this order or the other, one after the other."""
    found = points_of(piece)
    places = [next((i for i, p in enumerate(found) if distance(p, w) < 1e-6), -1) for w in wanted]
    steps = {(b - a) % len(found) for a, b in pairwise(places)}
    return min(places) >= 0 and (steps <= {1} or steps <= {len(found) - 1})


# How wide.


@pytest.mark.parametrize(
    ("kind", "width"), [("shell", 11.0), ("part", 11.0), ("zipper", 6.0), ("liner", 8.0), ("applied", 10.0)]
)
def test_each_kind_of_seam_has_its_own_allowance(kind: str, width: float) -> None:
    draft = with_pieces(rectangle("one"), rectangle("two"), seams=(seam(kind, "one", "two"),))
    after = allowed(draft, 11.0)
    assert margins(after, "one")["upper"] == margins(after, "two")["lower"] == width
    # What isn't sewn has the default.
    assert margins(after, "one")["lower"] == 11.0


def test_a_shops_table_goes_before_what_ships_and_names_before_both() -> None:
    draft = with_pieces(rectangle("one"), rectangle("two"), seams=(seam("zipper", "one", "two"),))
    table = shop(seams={"zipper": {"allowance": 7}, "shell": {"allowance": 12}})
    assert margins(allowed(draft, table=table), "one")["upper"] == 7.0
    assert margins(allowed(draft, table=table), DRIVE)["top-tube"] == 12.0
    named = {"default": 10.0, "one-two": 5.0, "drive": 9.0}
    assert margins(allowed(draft, named, table=table), "one")["upper"] == 5.0
    assert margins(allowed(draft, named, table=table), DRIVE)["top-tube"] == 9.0
    assert margins(allowed(draft, {**named, "upper": 4.0}, table=table), "one")["upper"] == 4.0
    own = {**named, "upper": 4.0, "one.upper": 3.0}
    assert margins(allowed(draft, own, table=table), "one")["upper"] == 3.0


def test_the_number_of_a_seam_goes_before_its_kind() -> None:
    stitched = seam("zipper", "one", "two", stitching=Stitching("2.04.03", "301", 3.0))
    draft = with_pieces(rectangle("one"), rectangle("two"), seams=(stitched,))
    after = allowed(draft, table=shop(classes={"2.04": 13, "1.01": 4}))
    assert margins(after, "one")["upper"] == 13.0
    assert margins(after, DRIVE)["top-tube"] == 10.0
    sewn = run_stage("seam.stitches", draft)
    assert margins(allowed(sewn, table=shop(classes={"1.01": 4})), DRIVE)["top-tube"] == 4.0


def test_cloth_that_frays_and_caught_webbing_get_more() -> None:
    canvas = rectangle("one", material="canvas-500d")
    draft = with_pieces(canvas, rectangle("two"), seams=(seam("shell", "one", "two"),))
    after = allowed(draft, table=shop(materials={"canvas-500d": 14}))
    assert (margins(after, "one")["upper"], margins(after, "two")["lower"]) == (14.0, 10.0)
    strap = rectangle("strap", 20.0, 90.0, material="webbing-20")
    caught = seam("shell", "one", "strap")
    after = allowed(with_pieces(canvas, strap, seams=(caught,)))
    assert margins(after, "one")["upper"] == 12.0
    assert set(margins(after, "strap").values()) == {0.0}
    assert (
        margins(allowed(with_pieces(canvas, strap, seams=(caught,)), table=shop(webbing=15)), "one")["upper"]
        == 15.0
    )


@pytest.mark.parametrize("material", ["webbing-20", "foam-5", "board-08"])
def test_tape_foam_and_board_are_cut_on_the_seam_line(material: str) -> None:
    piece = rectangle("one", material=material)
    draft = with_pieces(piece)
    after = allowed(draft, {"default": 10.0, "upper": 9.0})
    assert set(margins(after, "one").values()) == {0.0}
    assert after.piece("one").outline.length == pytest.approx(piece.seam_line.length)
    # Only the piece's own edge, named, is more.
    assert margins(allowed(draft, {"default": 10.0, "one.upper": 4.0}), "one")["upper"] == 4.0


def test_what_is_sewn_onto_a_piece_is_turned_in_unless_it_is_tape_or_raw() -> None:
    assert set(margins(allowed(on_panel(rectangle("patch")), 15.0), "patch").values()) == {10.0}
    assert set(margins(allowed(on_panel(rectangle("strap", material="webbing-20"))), "strap").values()) == {
        0.0
    }
    raw = finished(rectangle("patch"), upper="raw", lower="raw", left="raw", right="raw")
    assert set(margins(allowed(on_panel(raw)), "patch").values()) == {0.0}
    layer = allowed(on_panel(rectangle("backing"), kind="layer"), 15.0)
    assert set(margins(layer, "backing").values()) == {10.0}
    # The panel that it lies on keeps its own.
    assert set(margins(layer, DRIVE).values()) == {15.0}


def test_a_layer_has_the_allowance_of_what_it_lies_on() -> None:
    pieces = (rectangle("outer"), rectangle("lining"), rectangle("mate"))
    layer = Seam("lay", SeamSide("outer", ("upper",)), SeamSide("lining", ("upper",)), kind="layer")
    draft = with_pieces(*pieces, seams=(seam("zipper", "outer", "mate"), layer))
    assert margins(allowed(draft), "lining") == {"lower": 10.0, "right": 10.0, "upper": 6.0, "left": 10.0}
    assert margins(allowed(draft), "outer")["upper"] == 6.0


def test_a_facing_gets_more_than_what_it_faces() -> None:
    draft = with_pieces(rectangle("flap"), rectangle("facing", role="facing"))
    assert set(margins(allowed(draft), "facing").values()) == {12.0}
    assert set(margins(allowed(draft, table=shop(facing=0)), "facing").values()) == {10.0}
    assert margins(allowed(draft, {"default": 10.0, "facing.upper": 5.0}), "facing")["upper"] == 5.0


def test_a_part_has_the_allowance_of_the_assembled_pieces_edge() -> None:
    whole = rectangle("yoke", parts=("yoke-upper", "yoke-lower"))
    upper = rectangle("yoke-upper", 80.0, 25.0)
    upper = upper.evolve(edges=tuple(replace(e, of=e.name if e.name != "lower" else "") for e in upper.edges))
    lower = rectangle("yoke-lower", 80.0, 25.0)
    lower = lower.evolve(edges=tuple(replace(e, of=e.name if e.name != "upper" else "") for e in lower.edges))
    parted = seam("part", "yoke-lower", "yoke-upper")
    draft = with_pieces(
        whole, rectangle("mate"), upper, lower, seams=(parted, seam("zipper", "yoke", "mate"))
    )
    after = allowed(draft, {"default": 10.0, "yoke.left": 4.0})
    assert margins(after, "yoke-upper") == {"lower": 10.0, "right": 10.0, "upper": 6.0, "left": 4.0}
    assert margins(after, "yoke-lower") == {"lower": 10.0, "right": 10.0, "upper": 10.0, "left": 4.0}
    assert [edge.of for edge in after.piece("yoke-upper").edges] == ["", "right", "upper", "left"]


@pytest.mark.parametrize(
    ("finish", "width"), [("hem", 20.0), ("bound", 0.0), ("fold", 0.0), ("raw", 0.0), ("", 11.0)]
)
def test_an_edge_that_is_sewn_to_nothing_has_what_becomes_of_it(finish: Finish, width: float) -> None:
    after = allowed(with_pieces(finished(rectangle("one"), upper=finish)), 11.0)
    assert margins(after, "one") == {"lower": 11.0, "right": 11.0, "upper": width, "left": 11.0}
    assert after.piece("one").edge("upper").finish == finish


def test_a_bound_seam_is_narrower_than_its_binding() -> None:
    one = finished(rectangle("one"), upper="bound")
    binding = rectangle("binding", 300.0, 22.0, material="binding-22", role="binding")
    draft = with_pieces(one, rectangle("two"), binding, seams=(seam("shell", "one", "two"),))
    after = allowed(draft)
    assert margins(after, "one")["upper"] == margins(after, "two")["lower"] == 8.0
    assert codes(after) == []
    wide = allowed(draft, {"default": 10.0, "one.upper": 11.0})
    assert codes(wide) == [("warning", "allowance-over-binding")]
    assert "11 mm at upper isn't covered by a binding of 22 mm" in wide.findings[0].message


@given(
    st.dictionaries(
        st.sampled_from(["lower", "right", "upper", "left"]), st.sampled_from(["hem", "bound", "raw", ""])
    ),
    st.floats(1.0, 15.0),
    st.floats(40.0, 200.0),
)
@settings(deadline=None, max_examples=30)
def test_whatever_becomes_of_its_edges_a_piece_is_cut_outside_them_and_its_seams_walk(
    finish: dict[str, Finish], margin: float, width: float
) -> None:
    draft = allowed(on_panel(finished(rectangle("patch", width, 45.0), **finish)), margin)
    piece = draft.piece("patch")
    assert piece.outline.is_simple()
    grown = piece.outline.polygon().buffer(1e-6)
    assert grown.contains(piece.seam_line.polygon())
    for one in draft.seams:
        assert abs(walk(draft, one).difference) < 0.01


# Hems.


def leaning(angle: float, finish: Finish = "hem") -> Piece:
    """A four-sided piece, clockwise, hemmed at the top, whose right side leans by an angle at the top."""
    x = 60.0 / tan(radians(angle))
    corners = ((0.0, 60.0), (150.0, 60.0), (150.0 - x, 0.0), (0.0, 0.0))
    edges = tuple(
        Edge(name, Path((Line(corners[i], corners[(i + 1) % 4]),)), finish=finish if name == "top" else "")
        for i, name in enumerate(("top", "right", "bottom", "left"))
    )
    return Piece("pocket", "pocket", edges, "shell", role="pocket")


@pytest.mark.parametrize("angle", [60.0, 90.0, 115.0])
def test_a_hem_ends_as_the_mirror_image_of_the_piece(angle: float) -> None:
    after = allowed(with_pieces(leaning(angle)), 8.0).piece("pocket")
    along = 150.0 + 8.0 / sin(radians(angle))
    lean = 10.0 / tan(radians(angle))
    # Where the right side's cut line meets the fold, out to the second fold as it comes in, and back.
    if angle != 90.0:
        assert has(after, (along, 80.0), (along - lean, 70.0), (along, 60.0))
    assert any(distance(p, (along - lean, 70.0)) < 1e-6 for p in points_of(after))


def test_a_hems_second_fold_is_marked() -> None:
    for piece in (leaning(60.0), clockwise(finished(rectangle("pocket"), upper="hem"))):
        after = allowed(with_pieces(piece)).piece("pocket")
        (mark,) = after.marks
        assert (mark.kind, mark.text) == ("fold", "hem 10 + 10")
        edge = next(each for each in after.edges if each.finish == "hem")
        ends = (mark.path.start, mark.path.end)
        assert [y - edge.path.start[1] for _, y in ends] == [pytest.approx(10.0)] * 2
        # It goes on to the cut line on both sides.
        assert mark.path.length > edge.length + 10.0
        assert [after.outline.nearest(end)[1] for end in ends] == [pytest.approx(0.0, abs=1e-6)] * 2


def test_a_shop_folds_its_hems_as_wide_as_it_likes() -> None:
    after = allowed(with_pieces(leaning(60.0)), table=shop(hem=25, turn=5)).piece("pocket")
    assert after.edge("top").allowance == 30.0
    assert after.marks[0].text == "hem 25 + 5"
    once = allowed(with_pieces(leaning(60.0)), table=shop(hem=15, turn=0)).piece("pocket")
    assert (once.edge("top").allowance, once.marks) == (15.0, ())
    along = 150.0 + 10.0 / sin(radians(60.0))
    assert has(once, (along - 15.0 / tan(radians(60.0)), 75.0), (along, 60.0))


def test_a_hem_along_a_curve_is_warned_of() -> None:
    arc = Arc.from_sagitta((0.0, 60.0), (150.0, 60.0), 12.0)
    piece = leaning(90.0)
    piece = piece.evolve(edges=(replace(piece.edges[0], path=Path((arc,))), *piece.edges[1:]))
    after = allowed(with_pieces(piece))
    assert ("warning", "hem-curved") in codes(after)
    assert codes(allowed(with_pieces(leaning(90.0)))) == []


# Corners.


def test_corners_are_cut_as_the_recipe_says_for_all_a_piece_or_one_corner() -> None:
    draft = with_pieces(clockwise(rectangle("patch")))
    plain = allowed(draft).piece("patch")
    assert has(plain, (50.0, 35.0))
    clipped = allowed(draft, corners="clipped").piece("patch")
    assert len(clipped.outline.segments) == 8
    assert abs(clipped.outline.area) < abs(plain.outline.area)
    assert allowed(draft, corners={"default": "extended", "patch": "clipped"}).piece("patch") == clipped
    one = allowed(draft, corners={"patch.upper": "clipped"}).piece("patch")
    assert len(one.outline.segments) == 5
    # The upper edge runs to the right.
    assert not has(one, (50.0, 35.0))
    assert has(one, (-50.0, 35.0))


def test_a_square_corner_is_that_of_the_edge_which_ends_or_begins_there() -> None:
    draft = with_pieces(leaning(60.0, ""))
    beyond = 10.0 / sin(radians(60.0))
    ends = allowed(draft, corners={"pocket.top": "square"}).piece("pocket")
    assert has(ends, (150.0 + beyond, 70.0), (150.0 + beyond, 60.0))
    begins = allowed(draft, corners={"pocket.top": "square-next"}).piece("pocket")
    on_line = (150.0 + beyond * 0.5, 60.0 + beyond * sin(radians(60.0)))
    assert any(distance(p, on_line) < 1e-6 for p in points_of(begins))


def test_a_hem_beside_a_hem_is_mitred() -> None:
    piece = finished(clockwise(rectangle("flap")), upper="hem", right="hem")
    after = allowed(with_pieces(piece), clearance=0.0).piece("flap")
    assert has(after, (20.0, 45.0), (60.0, 5.0))


def test_a_corner_that_cannot_have_its_form_is_reported() -> None:
    draft = with_pieces(clockwise(rectangle("patch")))
    narrow = allowed(draft, corners={"patch.upper": "clipped"}, clearance=60.0)
    assert codes(narrow) == [("warning", "corner-form-no-room")]
    assert narrow.findings[0].where == "patch"
    assert narrow.piece("patch").cut_line == allowed(draft).piece("patch").cut_line
    # A form that uses up the side altogether.
    sliver = with_pieces(clockwise(rectangle("patch", 80.0, 3.0)))
    crowded = allowed(sliver, 20.0, corners={"patch": "mitred"}, clearance=0.0)
    assert codes(crowded) == [("warning", "corner-form-no-room")]
    assert codes(allowed(draft, corners="mitred")) == []


def test_round_corners_have_no_form() -> None:
    assert codes(allowed(BAG, corners="clipped")) == []
    same = [piece.cut_line for piece in allowed(BAG, corners={"side-panel-drive": "clipped"}).pieces]
    assert same == [piece.cut_line for piece in allowed(BAG).pieces]


@pytest.mark.parametrize("option", ["allowance", "corners", "fold"])
def test_a_name_that_is_nothing_is_refused(option: str) -> None:
    table = {
        "allowance": {"default": 10.0, "pach.upper": 4.0},
        "corners": {"pach": "clipped"},
        "fold": {"pach": "upper"},
    }
    with pytest.raises(Refusal) as refused:
        allowed(with_pieces(rectangle("patch")), **{"allowance": 10.0, option: table[option]})
    assert refused.value.key.startswith(f"{option}.pach")
    assert "patch" in refused.value.todo


def test_a_mistake_in_the_table_is_found_with_the_options() -> None:
    with pytest.raises(InputError, match="zip"):
        allowed(BAG, table=shop(seams={"zip": {"allowance": 5}}))


# On the fold.


def test_a_symmetrical_piece_may_be_cut_on_the_fold_and_stays_whole() -> None:
    draft = with_pieces(rectangle("patch", 80.0, 50.0))
    after = allowed(draft, fold={"patch": "left"})
    (mark,) = after.piece("patch").marks
    assert mark.kind == "fold"
    assert "fold" in mark.text
    ends = sorted((mark.path.start, mark.path.end))
    assert ends == [pytest.approx((-50.0, 0.0)), pytest.approx((50.0, 0.0))]
    assert after.piece("patch").cut_line == allowed(draft).piece("patch").cut_line
    across = allowed(draft, fold={"patch": "upper"}).piece("patch").marks[0]
    assert {round(x, 6) for x, _ in (across.path.start, across.path.end)} == {0.0}


def test_the_gusset_may_be_cut_on_the_fold_along_its_centre_line() -> None:
    after = allowed(BAG, fold={"gusset": "start"})
    assert codes(after) == []
    mark = after.piece("gusset").marks[-1]
    assert mark.kind == "fold"
    assert mark.path.start[1] == pytest.approx(0.0, abs=1e-9)
    assert mark.path.length == pytest.approx(after.piece("gusset").outline.bounds.width, abs=0.1)


@pytest.mark.parametrize("why", ["shape", "allowance", "hole"])
def test_what_is_not_its_own_mirror_image_is_not_cut_on_the_fold(why: str) -> None:
    piece = leaning(60.0, "") if why == "shape" else rectangle("pocket")
    edge = "top" if why == "shape" else "upper"
    if why == "hole":
        circle = Path(
            (
                Arc((15.0, 0.0), (25.0, 0.0), (20.0, 0.0), 5.0, False),
                Arc((25.0, 0.0), (15.0, 0.0), (20.0, 0.0), 5.0, False),
            )
        )
        piece = piece.evolve(holes=(Hole("port", circle, "port"),))
    margin = {"default": 10.0, "pocket.left": 4.0} if why == "allowance" else 10.0
    after = allowed(with_pieces(piece), margin, fold={"pocket": edge})
    assert codes(after) == [("warning", "fold-unequal")]
    assert after.piece("pocket").marks == ()


def test_an_edge_without_ends_has_no_middle_to_fold_at() -> None:
    half = Arc((10.0, 0.0), (-10.0, 0.0), (0.0, 0.0), 10.0, False)
    circle = Path((half, Arc((-10.0, 0.0), (10.0, 0.0), (0.0, 0.0), 10.0, False)))
    draft = with_pieces(Piece("dot", "dot", (Edge("round", circle),), "shell"))
    with pytest.raises(Refusal, match="no middle"):
        allowed(draft, fold={"dot": "round"})


def test_a_seam_line_that_crosses_itself_is_reported_not_cut() -> None:
    points = ((0.0, 0.0), (60.0, 60.0), (60.0, 0.0), (0.0, 50.0))
    edges = tuple(Edge(f"e{i}", Path((Line(points[i], points[(i + 1) % 4]),))) for i in range(4))
    after = allowed(with_pieces(Piece("bow", "bow", edges, "shell")))
    assert [level for level, _ in codes(after)] == ["error"]
    assert {edge.allowance for edge in after.piece("bow").edges} == {0.0}


def test_the_stage_keeps_its_contract_with_features_and_stitches() -> None:
    draft = run_stage("seam.stitches", on_panel(rectangle("patch")))
    after = run_stage("allowance.by-seam", draft, fold={"patch": "left"}, corners={"patch": "mitred"})
    assert codes(after) == []
    assert OTHER in {piece.id for piece in after.pieces}
