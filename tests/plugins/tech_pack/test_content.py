"""The tech pack's content against the draft: nothing missing, numbers equal, pictures readable."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields, replace
from pathlib import Path as File
from runpy import run_path as run_file
from types import SimpleNamespace
from typing import Any

import pytest

from oaktag.geometry import Path, Transform
from oaktag.pattern import (
    BossRow,
    Draft,
    Finding,
    Labour,
    NextReading,
    Obstacle,
    Paperwork,
    Piece,
    Place,
    Provenance,
    Statistics,
)
from oaktag.pattern.cautions import cautions_for
from oaktag.pattern.walk import walk
from oaktag.plugin.kit import example_draft, example_frame, run_stage
from oaktag_plugins.drafting.bag import rectangle_edges
from oaktag_plugins.tech_pack.build import tech_pack
from oaktag_plugins.tech_pack.content import (
    Block,
    FigureBlock,
    Group,
    Listing,
    Paragraph,
    Section,
    Table,
    TechPack,
)
from oaktag_plugins.tech_pack.families import families, kind_of
from oaktag_plugins.tech_pack.sections_proof import verdict
from oaktag_plugins.tech_pack.sketch import boxes_overlap, text_box
from oaktag_plugins.tech_pack.wording import edge_word

CALCULATOR = SimpleNamespace(**run_file(str(File(__file__).parents[2] / "formulas.py")))

BOSSES = BossRow("bottle cage", Place("down-tube", fraction=0.5), 2, 64.0, "M5", "bosses[0]")
PEG = Obstacle("pump peg", Place("top-tube", distance=180.0), 22.0, 9.0, 5.0, "notch", "obstacles[0]")


def finished(draft: Draft) -> Draft:
    for use in (
        "seam.stitches",
        "allowance.by-seam",
        "notch.match",
        "measure.volume",
        "work.operations",
        "check.walk-seams",
    ):
        draft = run_stage(use, draft)
    return run_stage("work.paperwork", draft)


def full_bag() -> Draft:
    frame = replace(example_frame(), bosses=(BOSSES,), obstacles=(PEG,))
    draft = example_draft("measure.reconcile", "outline.clear", frame=frame)
    draft = run_stage("corners.round", draft, radius=25)
    draft = run_stage("materials.table", draft, assign={"shell": "canvas-500d", "liner": "ripstop-70d"})
    draft = run_stage("gusset.wrap", run_stage("panel.pair", draft, material="shell"), material="shell")
    zipper = {"parallel_to": "top-tube", "distance": 80, "start": 35, "end": 35}
    draft = run_stage("zipper.panel", draft, name="main-zipper", side="drive", zipper="zipper-8", **zipper)
    draft = run_stage("strap.hook-and-loop", draft)
    tape: dict[str, Any] = {"length": 100, "material": "reflective-tape-10"}
    draft = run_stage("tape.reflective", draft, line={"parallel-to": "down-tube", "distance": 45}, **tape)
    draft = finished(run_stage("patch.reinforce", draft, where=["bottom"]))
    table = Provenance("shop", "3", "ab" * 32)
    return run_stage("export.svg", draft.evolve(tables=(table,)))


def two_bags() -> Draft:
    draft = example_draft("measure.reconcile", "outline.clear")
    draft = run_stage("body.two", draft, parallel_to="top-tube", distance=120)
    draft = run_stage("panel.pair", run_stage("corners.round", draft, radius=20))
    return finished(run_stage("gusset.wrap", draft))


def fit_sample() -> Draft:
    draft = example_draft("measure.reconcile", "outline.clear", "corners.round")
    return run_stage("gusset.wrap", run_stage("panel.pair", draft))


@pytest.fixture(scope="module")
def full() -> Draft:
    return full_bag()


@pytest.fixture(scope="module")
def pack(full: Draft) -> TechPack:
    return tech_pack(full, worked=True)


@pytest.fixture(scope="module", params=[full_bag, two_bags, fit_sample], ids=["full", "two", "sample"])
def each(request: pytest.FixtureRequest) -> tuple[Draft, TechPack]:
    draft = request.param()
    return draft, tech_pack(draft, worked=True)


def section(pack: TechPack, name: str) -> Section:
    return {section.id: section for section in pack.sections}[name]


def blocks(pack: TechPack | Section | Group) -> Iterator[Block]:
    """Every block, those within groups too."""
    for part in pack.sections if isinstance(pack, TechPack) else pack.blocks:
        if isinstance(part, Section):
            yield from blocks(part)
            continue
        yield part
        if isinstance(part, Group):
            yield from blocks(part)


def tables(part: TechPack | Section) -> dict[str, Table]:
    return {block.caption: block for block in blocks(part) if isinstance(block, Table)}


def table(pack: TechPack, name: str, caption: str) -> Table:
    return tables(section(pack, name))[caption]


def figures(part: TechPack | Section) -> list[FigureBlock]:
    return [block for block in blocks(part) if isinstance(block, FigureBlock)]


def texts(part: TechPack | Section) -> str:
    return "\n".join(block.text for block in blocks(part) if isinstance(block, Paragraph))


def as_number(text: str) -> float:
    return float(text.replace("\u2212", "-"))


# ------------------------------------------------------------------------------------------------- the whole


def test_sections_come_in_order_with_ids_of_their_own(pack: TechPack) -> None:
    assert [part.id for part in pack.sections] == [
        "bag",
        "cautions",
        "findings",
        "gusset-width",
        "sewn",
        "volume",
        "pieces",
        "seams",
        "cut-list",
        "materials",
        "operations",
        "points-of-measure",
        "measured",
        "worked",
        "revision",
    ]


def test_what_a_draft_does_not_know_is_left_out() -> None:
    draft = example_draft()
    names = [part.id for part in tech_pack(draft, worked=True).sections]
    assert names == ["cautions", "revision"]
    assert "worked" not in [part.id for part in tech_pack(fit_sample(), worked=False).sections]


def test_every_row_has_a_cell_for_every_column(each: tuple[Draft, TechPack]) -> None:
    for block in blocks(each[1]):
        if isinstance(block, Table):
            assert block.rows
            assert {len(row) for row in block.rows} == {len(block.columns)}


def test_captions_headings_and_row_headings_tell_apart(each: tuple[Draft, TechPack]) -> None:
    pack = each[1]
    captions = [block.caption for block in blocks(pack) if isinstance(block, Table)]
    headings = [block.heading for block in blocks(pack) if isinstance(block, Group)]
    assert len(set(captions)) == len(captions)
    assert len(set(headings)) == len(headings)


def test_no_block_is_empty(each: tuple[Draft, TechPack]) -> None:
    for block in blocks(each[1]):
        if isinstance(block, Paragraph):
            assert block.text.strip()
        elif isinstance(block, Listing):
            assert all(item.strip() for item in block.items)
        elif isinstance(block, Group):
            assert block.blocks


def test_the_same_draft_gives_the_same_pack(full: Draft, pack: TechPack) -> None:
    assert tech_pack(full, worked=True) == pack


def test_facts_name_recipe_frame_and_state(full: Draft, pack: TechPack) -> None:
    facts = dict(pack.facts)
    assert facts["recipe"] == full.recipe_provenance.name
    assert facts["version"] == "1.0.0"
    assert (facts["frame"], facts["size"]) == ("Example", "M")
    assert facts["state"].startswith("no errors found")
    bad = full.with_findings((Finding("error", "x", "bad"), Finding("error", "y", "worse")))
    assert dict(tech_pack(bad, worked=False).facts)["state"] == "DO NOT CUT: 2 errors"


# --------------------------------------------------------------------------------------------------- the bag


def test_the_opening_and_every_run_of_the_outline_are_there(each: tuple[Draft, TechPack]) -> None:
    draft, pack = each
    assert draft.opening is not None
    assert draft.survey is not None
    rows = table(pack, "bag", "The opening inside the tubes").rows
    assert [row[0] for row in rows] == [edge.name for edge in draft.opening.edges]
    assert [as_number(row[2]) for row in rows] == [
        pytest.approx(edge.path.length, abs=0.051) for edge in draft.opening.edges
    ]
    assert [as_number(row[3]) for row in rows] == [
        pytest.approx(length.sigma, abs=0.051) for length in draft.survey.lengths
    ]
    runs = {row[0]: row for row in table(pack, "bag", "The side panel's seam line").rows}
    for outline in draft.outlines:
        for edge in outline.edges:
            row = runs[f"{outline.body} {edge_word(edge.name)}".strip()]
            assert as_number(row[1]) == pytest.approx(edge.length, abs=0.051)
            assert bool(row[2]) == (edge.name in draft.frame.tubes)
            if row[2]:
                assert as_number(row[2]) == pytest.approx(5.0, abs=0.051)  # outline.clear's gap
            if edge.is_corner and len(edge.path.segments) == 1:
                assert as_number(row[3]) > 0.0


def test_straps_bosses_and_obstacles_are_told_with_their_places(full: Draft, pack: TechPack) -> None:
    assert full.opening is not None
    rows = {row[0]: row for row in table(pack, "bag", "On the tubes").rows}
    lengths = {edge.name: edge.path.length for edge in full.opening.edges}
    assert rows["pump peg"][1:3] == ("top-tube", "180.0")
    middle = 0.5 * lengths["down-tube"]
    places = [as_number(text) for text in rows["bottle cage"][2].split(", ")]
    assert places == [pytest.approx(middle - 32.0, abs=0.051), pytest.approx(middle + 32.0, abs=0.051)]
    straps = [piece.id for piece in full.pieces if piece.role == "strap"]
    assert straps
    for strap in straps:
        assert rows[strap][1] in strap  # strap-top-tube-1 is on the top tube
        assert 0.0 < as_number(rows[strap][2]) < lengths[rows[strap][1]]
    told = figures(section(pack, "bag"))[0].alternative
    assert f"{len(straps)} straps" in told
    assert all(f"{name} {length:.1f} mm" in told for name, length in lengths.items())


def test_straps_stand_across_from_where_they_are_sewn() -> None:
    # A strap's place from the gusset is that of the placement line's middle, carried to the tube.
    draft = run_stage("strap.hook-and-loop", fit_sample(), places=[{"tube": "top-tube", "at": 0.5}])
    rows = {row[0]: row for row in table(tech_pack(draft, worked=False), "bag", "On the tubes").rows}
    assert draft.opening is not None
    half = 0.5 * draft.opening.edge("top-tube").path.length
    assert as_number(rows["strap-top-tube-1"][2]) == pytest.approx(half, abs=0.2)


def test_the_width_plot_tells_least_and_most_width(full: Draft, pack: TechPack) -> None:
    plot = figures(section(pack, "gusset-width"))[0]
    widths = [2.0 * abs(y) for _, y in full.piece("gusset").edge("drive-side").path.flatten(0.001)]
    assert f"least {min(widths):.1f} mm" in plot.alternative
    assert f"most {max(widths):.1f} mm" in plot.alternative
    for edge in full.outlines[0].edges:
        assert edge_word(edge.name) in plot.alternative
    # The heavy line is as high as its least and its most width are apart, on the scale of the axis.
    curve = next(line for line in plot.figure.lines if line.weight == "thick")
    ys = [y for _, y in points(curve.shape)]
    labels = {text.text: text.position for text in plot.figure.texts}
    per_mm = (labels["50"][1] - labels["40"][1]) / 10.0
    assert (max(ys) - min(ys)) / per_mm == pytest.approx(max(widths) - min(widths), abs=0.1)


def test_the_sewn_bag_is_as_large_as_its_panels(full: Draft, pack: TechPack) -> None:
    drawing = figures(section(pack, "sewn"))[0]
    box = full.piece("side-panel-drive").seam_line.bounds
    assert f"{box.width:.1f} mm long, {box.height:.1f} mm high" in drawing.alternative
    assert len(drawing.figure.lines) > 5


def test_two_bodies_have_a_plot_each_and_litres_each() -> None:
    draft = two_bags()
    pack = tech_pack(draft, worked=False)
    assert len(figures(section(pack, "gusset-width"))) == 2
    rows = table(pack, "volume", "Compartments").rows
    assert [row[0] for row in rows] == [part.name for part in draft.compartments]
    assert draft.volume is not None
    assert f"{draft.volume:.1f} l" in texts(section(pack, "volume"))


# --------------------------------------------------------------------------------------------- pieces, seams


def test_every_piece_and_every_run_is_there(each: tuple[Draft, TechPack]) -> None:
    draft, pack = each
    pieces = section(pack, "pieces")
    by_caption = tables(pieces)
    assert sum(isinstance(block, Group) for block in pieces.blocks) == len(families(draft))
    for kind in families(draft):
        if len(kind) == 1:
            piece = kind[0]
            rows = by_caption[f"Runs of {piece.id}"].rows
            for row, edge in zip(rows, piece.edges, strict=True):
                assert row[0].split(" ", 1)[1] == edge_word(edge.name)
                assert as_number(row[1]) == pytest.approx(edge.length, abs=0.051)
                assert as_number(row[2]) == pytest.approx(edge.allowance, abs=0.051)
                assert row[4] == str(sum(notch.edge == edge.name for notch in piece.notches))
        else:
            rows = by_caption[f"Seam lengths, from {kind[0].id}"].rows
            for row, piece in zip(rows, kind, strict=True):
                assert piece.id in row[0]
                lengths = [as_number(cell) for cell in row[2:-1]]
                assert lengths == [pytest.approx(edge.length, abs=0.051) for edge in piece.edges]
                assert as_number(row[-1]) == pytest.approx(abs(piece.outline.area) / 100.0, abs=0.051)


def test_what_lies_on_a_piece_is_listed(full: Draft, pack: TechPack) -> None:
    listed = tables(section(pack, "pieces"))
    panel = full.piece("side-panel-drive")
    names = [row[0] for row in listed["On side-panel-drive"].rows]
    assert names == [line.name for line in panel.placements]


def test_a_piece_is_drawn_with_the_letters_and_lengths_of_its_runs(full: Draft, pack: TechPack) -> None:
    groups = {b.heading: b for b in section(pack, "pieces").blocks if isinstance(b, Group)}
    drawing = next(b for b in groups["gusset (gusset)"].blocks if isinstance(b, FigureBlock))
    length = full.piece("gusset").edge("drive-side").length
    words = {text.text for text in drawing.figure.texts}
    assert {f"A {length:.1f}", f"C {length:.1f}"} <= words
    assert len(words) == 4
    panel = next(
        b for b in groups["side panel, drive side (side-panel-drive)"].blocks if isinstance(b, FigureBlock)
    )
    assert f"A top-tube {full.piece('side-panel-drive').edge('top-tube').length:.1f} mm" in panel.alternative


def test_pieces_of_one_kind_stand_together_and_mirrored_ones_do_not(full: Draft) -> None:
    kinds = {kind[0].role: kind for kind in families(full) if len(kind) > 1}
    straps = tuple(piece for piece in full.pieces if piece.role == "strap")
    assert kinds["strap"] == straps
    for kind in families(full):
        assert len({piece.front for piece in kind}) == 1
    assert sorted(piece.id for kind in families(full) for piece in kind) == sorted(p.id for p in full.pieces)


def test_a_kind_has_one_hand_one_finish_and_one_material() -> None:
    edges = rectangle_edges(40.0, 20.0)
    patch = Piece("patch-1", "patch", edges, "shell", role="patch", front=0.0)
    assert kind_of(patch) == kind_of(patch.evolve(id="patch-2", edges=rectangle_edges(60.0, 20.0)))
    bound = tuple(replace(edge, finish="bound") for edge in edges)
    others = {
        "front": 180.0,
        "material": "liner",
        "role": "tab",
        "role_": "",
        "edges": bound,
        "body": "upper",
    }
    for name, value in others.items():
        assert kind_of(patch) != kind_of(patch.evolve(id="patch-2", **{name.rstrip("_"): value}))
    mirrored = Transform.mirror_x()
    turned = tuple(replace(edge, path=edge.path.transformed(mirrored)) for edge in edges)
    assert kind_of(patch) != kind_of(patch.evolve(id="patch-2", edges=turned))


def test_every_seam_is_there_with_both_lengths(each: tuple[Draft, TechPack]) -> None:
    draft, pack = each
    rows = table(pack, "seams", "Seams").rows
    assert [row[0] for row in rows] == [seam.id for seam in draft.seams]
    for row, seam in zip(rows, draft.seams, strict=True):
        walked = walk(draft, seam)
        assert row[1].startswith(seam.a.piece)
        assert row[2].startswith(seam.b.piece)
        assert as_number(row[3]) == pytest.approx(walked.length_a, abs=0.051)
        assert as_number(row[4]) == pytest.approx(walked.length_b, abs=0.051)
        assert as_number(row[5]) == pytest.approx(seam.ease, abs=0.051)
        assert as_number(row[6]) == pytest.approx(walked.difference, abs=0.0051)
        assert row[7] == str(len(walked.pairs))
        if seam.stitching is not None:
            assert row[9].startswith(f"{seam.stitching.seam_class}, {seam.stitching.stitch_type}")


def test_a_seam_that_does_not_fit_shows_its_difference(full: Draft) -> None:
    join = next(seam for seam in full.seams if seam.id == "join")
    seams = tuple(replace(s, ease=1.25) if s is join else s for s in full.seams)
    rows = {r[0]: r for r in table(tech_pack(full.evolve(seams=seams), worked=False), "seams", "Seams").rows}
    assert rows["join"][5:7] == ("1.2", "\u22121.25")


# ------------------------------------------------------------------------------------------------------ work


def test_cut_list_bill_and_thread_are_the_drafts(full: Draft, pack: TechPack) -> None:
    paperwork = full.paperwork
    assert paperwork is not None
    cut = table(pack, "cut-list", "Cut list").rows
    assert [(row[0], row[2], row[3]) for row in cut] == [
        (row.piece, row.material, str(row.quantity)) for row in paperwork.cut_list
    ]
    assert [as_number(row[5]) for row in cut] == [
        pytest.approx(row.width, abs=0.051) for row in paperwork.cut_list
    ]
    bill = table(pack, "materials", "Bill of materials").rows
    assert [row[0] for row in bill] == [row.material for row in paperwork.bill]
    for row, told in zip(paperwork.bill, bill, strict=True):
        assert as_number(told[5]) == pytest.approx(row.gross, abs=0.501 if row.unit == "each" else 0.000501)
        assert as_number(told[4]) == pytest.approx(100.0 * row.waste, abs=0.051)
    thread = table(pack, "materials", "Thread").rows
    assert [as_number(row[3]) for row in thread] == [
        pytest.approx(row.length, abs=0.0051) for row in paperwork.thread
    ]


def test_money_is_shown_only_where_it_is_known(full: Draft, pack: TechPack) -> None:
    assert [c.heading for c in table(pack, "materials", "Labour").columns] == [
        "kind of work",
        "standard minutes",
    ]
    assert full.paperwork is not None
    rows = tuple(replace(row, rate=30.0, cost=row.minutes * 0.5) for row in full.paperwork.labour)
    paid = replace(full.paperwork, labour=rows, labour_cost=sum(r.cost for r in rows), currency="EUR")
    told = tech_pack(full.evolve(paperwork=paid), worked=False)
    labour = table(told, "materials", "Labour")
    assert [as_number(row[3]) for row in labour.rows] == [pytest.approx(r.cost, abs=0.0051) for r in rows]
    totals = {row[0]: row[1] for row in table(told, "materials", "In all").rows}
    assert totals["labour"] == f"{paid.labour_cost:.2f} EUR"
    assert isinstance(rows[0], Labour)
    assert isinstance(paid, Paperwork)


def test_every_operation_is_there_in_order_after_what_it_waits_for(full: Draft, pack: TechPack) -> None:
    rows = table(pack, "operations", "Order of work").rows
    assert [row[0] for row in rows] == [str(at) for at in range(1, len(full.operations) + 1)]
    for row, operation in zip(rows, full.operations, strict=True):
        assert row[1] == operation.text
        assert as_number(row[4]) == pytest.approx(operation.minutes, abs=0.051)
        if operation.length:
            assert as_number(row[3]) == pytest.approx(operation.length, abs=0.051)
        waits = numbers_in(row[5])
        assert all(at < int(row[0]) for at in waits)
        assert len(waits) == len(operation.after)


def test_every_operation_that_sews_is_drawn(full: Draft, pack: TechPack) -> None:
    drawings = figures(section(pack, "operations"))
    told: set[int] = set()
    for drawing in drawings:
        told |= set(numbers_in(drawing.caption.split(".")[0].split(" ", 1)[1]))
        if "Likewise " in drawing.caption:
            told |= set(numbers_in(drawing.caption.split("Likewise ")[1].split(", on other")[0]))
        assert any(line.weight == "thick" for line in drawing.figure.lines)
    sewing = {at for at, operation in enumerate(full.operations, 1) if operation.seam}
    assert sewing <= told
    # All that is sewn onto the gusset in the same way is in one drawing.
    patches = [at for at, op in enumerate(full.operations, 1) if op.seam.startswith("anchor-patch-")]
    shown = [numbers_in(d.caption.split(".")[0].split(" ", 1)[1]) for d in drawings]
    assert patches in shown
    assert len(drawings) < len(sewing)


def numbers_in(text: str) -> list[int]:
    """`4 to 7, 9` as numbers."""
    found: list[int] = []
    for part in text.split(", ") if text else []:
        first, *last = part.split(" to ")
        found += range(int(first), int(last[0] if last else first) + 1)
    return found


# ----------------------------------------------------------------------------------------------------- proof


def test_points_of_measure_leave_room_to_write(full: Draft, pack: TechPack) -> None:
    points_of = table(pack, "points-of-measure", "Points of measure").rows
    by_name = {row[0]: row for row in points_of}
    assert len(by_name) == len(points_of)
    for edge in full.outlines[0].edges:
        if not edge.is_corner:
            row = by_name[f"finished edge along {edge.name}"]
            assert row[1:] == (f"{edge.length:.1f} mm", "\u00b1 3 mm", "", "")
        assert by_name[f"gusset's width where {edge_word(edge.name)} begins"][2] == "\u00b1 2 mm"
    notches = table(pack, "points-of-measure", "Notches, from the start of their run").rows
    assert len(notches) == sum(
        len(piece.notches) for piece in full.pieces if piece.role in ("side-panel", "gusset")
    )
    assert {row[2] for row in notches} == {"\u00b1 1.5 mm"}
    assert "common practice, no source" in texts(section(pack, "points-of-measure"))


def test_the_gussets_width_is_measured_where_runs_begin(full: Draft, pack: TechPack) -> None:
    # A tube's width is held from its end on the sheet to where its run begins or ends on the panel.
    rows = {row[0]: row[1] for row in table(pack, "points-of-measure", "Points of measure").rows}
    assert rows["gusset's width where top-tube begins"].startswith("36.")
    assert rows["gusset's width where corner bottom-bracket begins"] == "52.0 mm"
    assert rows["gusset's width where down-tube begins"] == "46.0 mm"


def test_every_reading_is_there_with_how_it_is_checked(full: Draft, pack: TechPack) -> None:
    survey = full.survey
    assert survey is not None
    rows = table(pack, "measured", "Readings").rows
    assert len(rows) == len(survey.readings)
    for row, reading in zip(rows, survey.readings, strict=True):
        assert reading.key in row[0]
        assert as_number(row[1].split()[0].rstrip("\u00b0")) == reading.value
        assert as_number(row[5]) == pytest.approx(reading.residual, abs=0.0051)
        assert "checked" in row[7]
        assert row[2] in ("tape", "angle-gauge")
    adjusted = table(pack, "measured", "Adjusted values").rows
    assert len(adjusted) == len(survey.lengths) + len(survey.angles) + 1
    assert texts(section(pack, "measured")).startswith("The readings agree")


def test_what_the_readings_say_is_told_in_words(full: Draft) -> None:
    survey = full.survey
    assert survey is not None
    clash = replace(survey, statistics=Statistics(2, 9.0, 18.0, 5.99, passed=False))
    assert "DISAGREE" in verdict(clash)
    alone = replace(survey, statistics=Statistics(0, None, 0.0, None, None))
    assert verdict(alone) == "Nothing checks these readings: there is no spare one."
    first = survey.readings[0]
    odd = (replace(first, standardised=None), replace(first, excluded="bumped"), *survey.readings[2:])
    suspect = Finding("warning", "reading-suspect", "odd", survey.readings[2].key)
    more = replace(survey, readings=odd, next_readings=(NextReading("diagonal", "a to b", 1.0, 0.5, 0.25),))
    pack = tech_pack(full.evolve(survey=more).with_findings((suspect,)), worked=False)
    told = [row[7] for row in table(pack, "measured", "Readings").rows]
    assert told[:2] == ["not checked by any other", "left out by hand: bumped"]
    assert told[2].startswith("SUSPECT")
    listing = next(b for b in section(pack, "measured").blocks if isinstance(b, Listing))
    assert "diagonal a to b" in listing.items[0]


def test_every_finding_is_there_under_its_level(full: Draft) -> None:
    more = (Finding("error", "gap", "too small", "top-tube"), Finding("warning", "odd", "look"))
    draft = full.with_findings(more)
    found = section(tech_pack(draft, worked=False), "findings")
    assert [block.heading for block in found.blocks if isinstance(block, Group)] == [
        "Errors",
        "Warnings",
        "Notes",
    ]
    told = [(b.kind, b.text) for b in blocks(found) if isinstance(b, Paragraph) and b.kind != "plain"]
    assert ("error", "gap [top-tube]: too small") in told
    assert ("warning", "odd: look") in told
    assert len(told) == len(draft.findings)


def test_every_caution_that_applies_is_told(full: Draft, pack: TechPack) -> None:
    told = [b.text for b in section(pack, "cautions").blocks if isinstance(b, Paragraph)]
    assert len(told) == len(cautions_for(full))
    assert all(caution.text in text for caution, text in zip(cautions_for(full), told, strict=True))


def test_every_working_is_there_and_a_pocket_calculator_agrees(full: Draft, pack: TechPack) -> None:
    rows = {int(row[0]): row for caption in tables(section(pack, "worked")).values() for row in caption.rows}
    assert sorted(rows) == list(range(1, len(full.workings) + 1))
    for at, working in enumerate(full.workings, 1):
        _, name, formula, put_in, result, source = rows[at]
        assert name.startswith(working.name)
        assert formula == working.formula
        assert as_number(result.rstrip("\u00b0").split()[0]) == pytest.approx(working.value, abs=0.0051)
        minus = put_in.replace("(\u2212", "(0 \u2212")
        assert CALCULATOR.symbols(minus) == []
        assert CALCULATOR.evaluate(minus, {}) == pytest.approx(working.value, abs=0.05)
        assert all(f"{term.symbol} = " in source for term in working.terms)


def test_revision_lists_what_went_in(full: Draft, pack: TechPack) -> None:
    made = {row[0]: row[1:] for row in table(pack, "revision", "Made from").rows}
    assert made["shop's table"] == ("shop", "3", "ab" * 32)
    assert made["recipe"][:2] == (full.recipe_provenance.name, "1.0.0")


# -------------------------------------------------------------------------------------------------- pictures


def points(shape: object) -> tuple[tuple[float, float], ...]:
    """A line's points; the content's own pictures have no curves."""
    assert isinstance(shape, tuple)
    return shape


def test_pictures_lie_within_their_paper(each: tuple[Draft, TechPack]) -> None:
    for block in figures(each[1]):
        figure = block.figure
        assert 0.0 < figure.width <= 150.0, block.caption
        assert 0.0 < figure.height <= 190.0, block.caption
        corners = [corner for text in figure.texts for corner in text_box(text)]
        for x, y in (*corners, *(point for line in figure.lines for point in points(line.shape))):
            assert -0.02 <= x <= figure.width + 0.02, block.caption
            assert -0.02 <= y <= figure.height + 0.02, block.caption


def test_texts_in_pictures_keep_clear_of_each_other(each: tuple[Draft, TechPack]) -> None:
    for block in figures(each[1]):
        boxes = [(text.text, text_box(text)) for text in block.figure.texts]
        for index, (first, box) in enumerate(boxes):
            for second, other in boxes[index + 1 :]:
                assert not boxes_overlap(box, other), f"{block.caption}: {first} and {second}"


def test_every_picture_says_in_words_what_it_shows(each: tuple[Draft, TechPack]) -> None:
    blocks_of = figures(each[1])
    alternatives = [block.alternative for block in blocks_of]
    assert all(len(text) > 40 for text in alternatives)
    assert all(any(sign.isdigit() for sign in text) for text in alternatives)
    assert all(block.caption and block.caption != block.alternative for block in blocks_of)
    assert len(set(alternatives)) == len(alternatives)


def test_long_and_hostile_names_stay_within_their_pictures() -> None:
    names = ("a" * 10_000, "<b>&\"'</b>\x07", "\u8eca\u67b6 \u202e back")
    frame = replace(example_frame(), name=names[1], corners=names, tubes=tuple(f"{n} tube" for n in names))
    sheet = example_frame()
    new = dict(zip((*sheet.corners, *sheet.tubes), (*names, *frame.tubes), strict=True))
    frame = replace(
        frame,
        readings=tuple(replace(r, of=new[r.of]) for r in sheet.readings),
        widths=tuple(replace(w, place=replace(w.place, tube=new[w.place.tube])) for w in sheet.widths),
    )
    draft = example_draft("measure.reconcile", "outline.clear", "corners.round", frame=frame)
    draft = run_stage("gusset.wrap", run_stage("panel.pair", draft))
    pack = tech_pack(draft, worked=True)
    rows = table(pack, "bag", "The opening inside the tubes").rows
    assert [row[0] for row in rows] == list(frame.tubes)
    for block in figures(pack):
        assert block.figure.width < 400.0
        assert all(len(text.text) <= 40 for text in block.figure.texts)


def test_a_draft_with_bare_pieces_alone_is_told_too() -> None:
    whole = fit_sample()
    draft = Draft(whole.frame, whole.frame_provenance, whole.recipe_provenance, pieces=whole.pieces)
    names = [part.id for part in tech_pack(draft, worked=True).sections]
    assert names == ["cautions", "pieces", "cut-list", "points-of-measure", "revision"]
    assert {field.name for field in fields(Piece)} >= {"placements", "holes"}
    assert all(isinstance(piece.outline, Path) for piece in draft.pieces)
