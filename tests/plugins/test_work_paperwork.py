"""`work.paperwork`: amounts by hand for small drafts, what the table doesn't know, options, refusals."""

from __future__ import annotations

from dataclasses import replace
from math import cos, pi, sin
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag.geometry import Line, Path, Transform
from oaktag.pattern import (
    BillRow,
    Draft,
    Edge,
    Fitting,
    Material,
    Operation,
    Paperwork,
    Piece,
    Refusal,
    Seam,
    SeamSide,
    Stitching,
)
from oaktag.pattern.cut_list import CARD, cut_row
from oaktag.plugin.kit import example_draft, run_stage
from oaktag_plugins.drafting.bag import rectangle_edges
from oaktag_plugins.working.thread import ESTIMATE, FORMULA

CLOTH = Material("cloth", "shell", "cloth", mass=200.0, price=10.0, width=1000.0, grain=True)
TAPE = Material("tape", "webbing", "tape", mass=20.0, price=2.0, width=25.0)
ZIPPER = Material("zip", "zipper", "tape", mass=30.0, price=3.0, width=37.0, measures=(("step", 50.0),))
GROMMET = Material("grommet", "grommet", "each", mass=1.5, price=0.2)
BOARD = Material("card", "card", "cloth", mass=250.0, price=1.0, width=500.0)
THREAD = Material("thread-tex-70", "thread", "tape", mass=0.07, price=0.01)
TABLE = (CLOTH, TAPE, ZIPPER, GROMMET, BOARD, THREAD)


def rectangle(piece_id: str, width: float, height: float, material: str = "cloth", **changes: Any) -> Piece:
    return Piece(piece_id, piece_id, rectangle_edges(width, height), material).evolve(**changes)


def draft_of(*pieces: Piece, seams: tuple[Seam, ...] = (), table: tuple[Material, ...] = TABLE) -> Draft:
    return example_draft().evolve(pieces=pieces, seams=seams, materials=table)


def paper(draft: Draft, **options: Any) -> Paperwork:
    found = run_stage("work.paperwork", draft, **options).paperwork
    assert found is not None
    return found


def bill(draft: Draft, **options: Any) -> dict[str, BillRow]:
    return {row.material: row for row in paper(draft, **options).bill}


def findings(draft: Draft, **options: Any) -> dict[str, tuple[str, str]]:
    found = run_stage("work.paperwork", draft, **options).findings
    return {f.code: (f.level, f.message) for f in found}


def test_cloth_is_paid_by_the_running_metre_with_its_waste() -> None:
    row = bill(draft_of(rectangle("panel", 500.0, 400.0, quantity=2)))["cloth"]
    assert (row.unit, row.net, row.waste) == ("m2", pytest.approx(0.4), 0.15)
    assert row.gross == pytest.approx(0.46)
    assert row.mass == pytest.approx(80.0)
    assert row.cost == pytest.approx(4.6)
    assert row.used_by == ("panel",)


def test_tape_is_counted_by_its_length_however_it_lies() -> None:
    strap = rectangle("strap", 300.0, 25.0, "tape", quantity=2)
    turned = strap.evolve(
        edges=tuple(Edge(e.name, e.path.transformed(Transform.rotation(33.0))) for e in strap.edges)
    )
    for piece in (strap, turned):
        row = bill(draft_of(piece))["tape"]
        assert (row.unit, row.net) == ("m", pytest.approx(0.6))
        assert row.gross == pytest.approx(0.63)
        assert row.cost == pytest.approx(1.26)
        assert "tape-width-differs" not in findings(draft_of(piece))


def test_tape_that_is_shorter_than_wide_is_still_cut_to_length() -> None:
    row = cut_row(rectangle("loop", 25.0, 18.0, "tape"), TAPE)
    assert (row.width, row.height) == (pytest.approx(18.0), pytest.approx(25.0))
    unknown = cut_row(rectangle("loop", 18.0, 25.0, "tape"), replace(TAPE, width=0.0))
    assert (unknown.width, unknown.height) == (pytest.approx(25.0), pytest.approx(18.0))


def test_a_slanted_end_of_tape_is_cut_from_its_longest_side() -> None:
    corners = ((0.0, 0.0), (200.0, 0.0), (225.0, 25.0), (0.0, 25.0))
    edges = tuple(
        Edge(f"e{k}", Path((Line(corners[k], corners[(k + 1) % 4]),)).transformed(Transform.rotation(-70.0)))
        for k in range(4)
    )
    row = cut_row(Piece("strap", "strap", edges, "tape"), TAPE)
    assert (row.width, row.height) == (pytest.approx(225.0), pytest.approx(25.0))
    # Cloth without a grain lies as it is drawn.
    assert cut_row(Piece("strap", "strap", edges, "cloth"), CLOTH).width != pytest.approx(225.0, abs=1.0)


@settings(deadline=None, max_examples=30)
@given(
    length=st.floats(50.0, 900.0),
    width=st.floats(10.0, 45.0),
    angle=st.floats(-180.0, 180.0),
    quantity=st.integers(1, 5),
)
def test_amounts_dont_depend_on_how_a_piece_is_turned(
    length: float, width: float, angle: float, quantity: int
) -> None:
    a, (w, h) = angle * pi / 180.0, (length / 2, width / 2)
    corners = [
        (x * w * cos(a) - y * h * sin(a), x * w * sin(a) + y * h * cos(a))
        for x, y in ((-1, -1), (1, -1), (1, 1), (-1, 1))
    ]
    edges = tuple(Edge(f"e{k}", Path((Line(corners[k], corners[(k + 1) % 4]),))) for k in range(4))
    piece = Piece("strap", "strap", edges, "tape", quantity=quantity)
    entry = replace(TAPE, width=width)
    row = bill(draft_of(piece, table=(entry,)))["tape"]
    assert row.net == pytest.approx(quantity * max(length, width) / 1e3)
    assert row.mass == pytest.approx(row.net * 20.0)
    as_cloth = bill(draft_of(piece.evolve(material="cloth"), table=(CLOTH,)))["cloth"]
    assert as_cloth.net == pytest.approx(quantity * length * width / 1e6)


@pytest.mark.parametrize("bought", [425.0, 450.0, 600.0])
def test_a_zipper_is_bought_as_long_as_its_piece_says(bought: float) -> None:
    zipper = rectangle("zip", 425.0, 37.0, "zip").evolve(bought=bought)
    row = bill(draft_of(zipper))["zip"]
    assert row.net == pytest.approx(0.425)
    assert row.gross == pytest.approx(bought / 1e3)
    assert row.net * (1 + row.waste) == pytest.approx(row.gross)
    assert row.cost == pytest.approx(3.0 * bought / 1e3)


def test_a_recipes_own_stock_of_zippers_reaches_the_bill() -> None:
    bag = example_draft("measure.reconcile", "outline.clear", "corners.round", "panel.pair")
    zipped = run_stage("zipper.panel", bag, parallel_to="top-tube", distance=70, stock=[480, 700])
    [row] = [row for row in run_stage("work.paperwork", zipped).paperwork.bill if row.kind == "zipper"]
    assert row.gross in (pytest.approx(0.48), pytest.approx(0.7))


def test_two_zippers_are_each_bought_whole() -> None:
    row = bill(draft_of(rectangle("zip", 410.0, 37.0, "zip", quantity=2).evolve(bought=450.0)))["zip"]
    assert row.gross == pytest.approx(0.9)


def test_fittings_are_counted_for_every_piece_and_bought_whole() -> None:
    fittings = tuple(
        Fitting(f"g{k}", "grommet", (float(k), 0.0), 5.0, "grommet", quantity=2) for k in range(3)
    )
    draft = draft_of(rectangle("flap", 100.0, 50.0, quantity=2, fittings=fittings))
    row = bill(draft, waste={"grommet": 0.1})["grommet"]
    assert (row.unit, row.net, row.gross) == ("each", 12.0, 14.0)
    assert row.waste == pytest.approx(14 / 12 - 1)
    assert row.mass == pytest.approx(18.0)
    assert row.cost == pytest.approx(2.8)
    assert row.used_by == ("flap.g0", "flap.g1", "flap.g2")
    assert bill(draft)["grommet"].gross == 12.0


def test_a_template_is_cut_from_card_and_weighs_nothing_in_the_bag() -> None:
    whole = rectangle("whole", 200.0, 100.0, parts=("half",))
    draft = draft_of(whole, rectangle("half", 100.0, 100.0))
    found = paper(draft)
    rows = {row.material: row for row in found.bill}
    assert rows[CARD].net == pytest.approx(0.02)
    assert rows[CARD].gross == rows[CARD].net
    assert rows["cloth"].net == pytest.approx(0.01)
    assert found.mass == pytest.approx(0.01 * 200.0)
    assert found.material_cost == pytest.approx(0.02 / 0.5 * 1.0 + 0.0115 / 1.0 * 10.0)
    assert [row.material for row in found.cut_list] == [CARD, "cloth"]
    # Of whatever the parts are made; its edges are hemmed as edges of its parts.
    hemmed = tuple(replace(edge, finish="hem") for edge in whole.edges)
    taped = draft.replaced(whole.evolve(material="tape", edges=hemmed))
    assert bill(taped)[CARD].net == pytest.approx(0.02)
    assert paper(taped).thread == ()
    # Whether the card's weight is known is of no account.
    unweighed = draft.evolve(materials=(CLOTH, replace(BOARD, mass=0.0)))
    assert "mass-unknown" not in findings(unweighed)
    assert paper(draft.evolve(materials=(CLOTH,))).mass == pytest.approx(2.0)


@pytest.mark.parametrize(
    ("given_waste", "share"),
    [
        ({}, 0.15),
        ({"cloth": 0.2}, 0.2),
        ({"cloth": 0.2, "shell": 0.3}, 0.3),
        ({"canvas": 0.0, "shell": 0.3}, 0.0),
    ],
)
def test_the_narrower_name_of_waste_wins(given_waste: dict[str, float], share: float) -> None:
    table = (replace(CLOTH, name="canvas"),)
    row = bill(draft_of(rectangle("panel", 500.0, 400.0, "canvas"), table=table), waste=given_waste)["canvas"]
    assert row.waste == share
    assert row.gross == pytest.approx(0.2 * (1 + share))


def test_waste_of_something_that_there_isnt_is_refused() -> None:
    with pytest.raises(Refusal) as caught:
        paper(draft_of(rectangle("panel", 500.0, 400.0)), waste={"cloht": 0.2})
    assert caught.value.key == "waste.cloht"
    assert "cloth" in caught.value.todo


def seam_of(stitching: Stitching | None, seam_id: str = "seam") -> Seam:
    return Seam(
        seam_id,
        SeamSide("one", ("upper",)),
        SeamSide("two", ("lower",), reverse=True),
        stitching=stitching,
    )


PAIR = (rectangle("one", 400.0, 100.0), rectangle("two", 400.0, 100.0))


def test_thread_is_counted_by_type_of_stitch_and_for_every_row() -> None:
    seams = (
        seam_of(Stitching("1.01", "301", 3.0, rows=2)),
        seam_of(Stitching("1.01", "504", 3.0), "edge"),
        seam_of(None, "other"),
    )
    rows = {row.stitch_type: row for row in paper(draft_of(*PAIR, seams=seams)).thread}
    assert rows["301"].seam_length == pytest.approx(1200.0)
    assert rows["301"].length == pytest.approx(3.0)
    assert rows["504"].length == pytest.approx(14 * 0.4)
    assert rows["504"].source == ESTIMATE
    own = {row.stitch_type: row for row in paper(draft_of(*PAIR, seams=seams), ratio={"504": 12.5}).thread}
    assert (own["504"].ratio, own["504"].source) == (12.5, "the recipe")
    row = bill(draft_of(*PAIR, seams=seams))["thread-tex-70"]
    assert row.net == pytest.approx(3.0 + 5.6)
    assert row.gross == pytest.approx(8.6 * 1.15)
    assert row.used_by == ("seam", "edge", "other")


def test_hems_take_thread_unless_a_seam_is_sewn_there() -> None:
    one, two = PAIR
    hemmed = one.evolve(
        quantity=2,
        edges=tuple(
            replace(edge, finish="hem" if edge.name in ("upper", "lower") else "") for edge in one.edges
        ),
    )
    [row] = paper(draft_of(hemmed, two, seams=(seam_of(None),)), stitch_type="304").thread
    # The seam's 400 mm and twice the lower hem; the upper edge is sewn.
    assert row.seam_length == pytest.approx(400.0 + 2 * 400.0)
    assert row.ratio == 5.5


def test_thread_by_the_thickness_that_is_sewn_through() -> None:
    seams = (seam_of(Stitching("1.01", "301", 10 / 3)), seam_of(Stitching("1.01", "504", 3.0), "edge"))
    rows = {row.stitch_type: row for row in paper(draft_of(*PAIR, seams=seams), sewn_thickness=3.5).thread}
    # 3.5 mm at 3 stitches to the cm: 4.1 m to the metre.
    assert rows["301"].ratio == pytest.approx(4.1)
    assert rows["301"].source == FORMULA
    assert rows["504"].ratio == 14.0


def test_a_stitch_of_unknown_thread_is_told() -> None:
    draft = draft_of(*PAIR, seams=(seam_of(Stitching("1.01", "607", 3.0)),))
    level, message = findings(draft)["thread-unknown"]
    assert level == "note"
    assert "607" in message
    assert paper(draft).thread == ()
    assert "thread-unknown" not in findings(draft, ratio={"607": 32})


def test_labour_is_minutes_by_kind_and_its_rate() -> None:
    operations = (
        Operation("a", "cut", "Cut.", minutes=10.0),
        Operation("b", "sew", "Sew.", minutes=20.0),
        Operation("c", "sew", "Sew.", minutes=25.0),
    )
    draft = draft_of(*PAIR).evolve(operations=operations)
    found = paper(draft, rate={"default": 24, "sew": 40}, currency="EUR")
    assert [(row.kind, row.minutes, row.rate) for row in found.labour] == [
        ("cut", 10.0, 24.0),
        ("sew", 45.0, 40.0),
    ]
    assert found.labour_cost == pytest.approx(4.0 + 30.0)
    assert found.currency == "EUR"
    with pytest.raises(Refusal) as caught:
        paper(draft, rate={"default": 24, "sow": 40})
    assert caught.value.key == "rate.sow"


def test_a_material_that_isnt_in_the_table_is_told_once_with_its_pieces() -> None:
    draft = draft_of(rectangle("panel", 500.0, 400.0, "felt"), rectangle("flap", 100.0, 50.0, "felt"))
    level, message = findings(draft)["material-unknown"]
    assert level == "note"
    assert "panel, flap" in message
    assert "assign" in message
    found = paper(draft)
    row = next(row for row in found.bill if row.material == "felt")
    assert (row.unit, row.net, row.mass, row.cost) == ("m2", pytest.approx(0.205), None, None)
    assert (found.mass, found.material_cost) == (None, None)
    fitting = Fitting("g", "rivet", (0.0, 0.0), 3.0, "rivet")
    assert bill(draft_of(rectangle("panel", 50.0, 40.0, fittings=(fitting,))))["rivet"].unit == "each"


def test_what_the_table_doesnt_say_is_told() -> None:
    bare = replace(CLOTH, mass=0.0, price=None)
    found = findings(draft_of(rectangle("panel", 500.0, 400.0), table=(bare,)))
    assert found["mass-unknown"][0] == found["price-unknown"][0] == "note"
    assert "cloth" in found["mass-unknown"][1]
    assert "price of cloth" in found["price-unknown"][1]
    narrow = replace(CLOTH, width=0.0)
    assert (
        "usable width of cloth"
        in (findings(draft_of(rectangle("panel", 500.0, 400.0), table=(narrow,)))["price-unknown"][1])
    )
    both = draft_of(
        rectangle("panel", 500.0, 400.0),
        rectangle("strap", 300.0, 25.0, "tape"),
        table=(narrow, replace(TAPE, price=None)),
    )
    assert "price of tape; of cloth the usable width" in findings(both)["price-unknown"][1]
    whole = findings(draft_of(rectangle("panel", 500.0, 400.0)))
    assert whole == {}


def test_a_piece_as_wide_as_no_tape_is_told() -> None:
    found = findings(draft_of(rectangle("strap", 300.0, 20.0, "tape")))
    level, message = found["tape-width-differs"]
    assert level == "warning"
    assert "20.0 mm" in message
    assert "25 mm" in message


def test_a_piece_longer_than_can_be_had_is_told() -> None:
    table = (replace(CLOTH, longest=450.0),)
    level, message = findings(draft_of(rectangle("panel", 500.0, 400.0), table=table))["longer-than-stock"]
    assert level == "warning"
    assert "500.0 mm" in message
    assert "450 mm" in message
    assert "longer-than-stock" not in findings(draft_of(rectangle("panel", 440.0, 400.0), table=table))


def test_a_bare_sample_has_its_paperwork_without_any_option() -> None:
    draft = example_draft("measure.reconcile", "outline.clear", "corners.round", "panel.pair", "gusset.wrap")
    draft = run_stage("materials.table", draft, assign={"shell": "fit-sample-cloth"})
    found = paper(run_stage("work.operations", draft))
    area = sum(abs(piece.outline.area) for piece in draft.pieces) / 1e6
    around = draft.piece("side-panel-drive").seam_line.length
    length = 2 * around + draft.piece("gusset").edge("end").length
    assert found.mass == pytest.approx(area * 150.0 + 2.5 * length / 1e3 * 0.07)
    assert found.material_cost is None
    assert found.labour_cost == 0.0
