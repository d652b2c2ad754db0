"""`seam.stitches`: how each kind of seam is sewn, and what a shop may say about it."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from oaktag import Refusal
from oaktag.geometry import Transform
from oaktag.pattern import Draft, Finish, Piece, Seam, SeamSide, Stitching
from oaktag.plugin.kit import example_draft, run_stage
from oaktag.recipe import DataFile, InputError
from oaktag_plugins.allowance_by_seam import AllowanceOptions
from oaktag_plugins.drafting import bag, seam_classes
from oaktag_plugins.drafting.seam_classes import (
    SEAM_CLASSES,
    SEAM_LETTERS,
    SHIPPED,
    STITCH_CLASSES,
    STITCH_TYPES,
    SeamClass,
    SeamRule,
    SeamTable,
    StitchType,
    class_name,
    is_overedge,
    name_of_seam,
    table_over,
)
from oaktag_plugins.seam_stitches import StitchesOptions, run

BAG = example_draft("measure.reconcile", "outline.clear", "corners.round", "panel.pair", "gusset.wrap")
DRIVE = "side-panel-drive"


def rectangle(name: str, width: float = 60.0, height: float = 30.0, **more: Any) -> Piece:
    return Piece(name, name, bag.rectangle_edges(width, height), more.pop("material", "shell"), **more)


def finished(piece: Piece, **finish: Finish) -> Piece:
    edges = tuple(replace(edge, finish=finish.get(edge.name, "")) for edge in piece.edges)
    return piece.evolve(edges=edges)


def with_patch(piece: Piece, what: str = "patch", draft: Draft = BAG, **more: Any) -> Draft:
    middle = draft.piece(DRIVE).seam_line.bounds.centre
    place = Transform.translation(middle[0], middle[1] + 60.0)
    return bag.sew_on(draft, piece, DRIVE, place, what=what, **more)


def with_seam(kind: str, a: Piece, b: Piece, edge: str = "upper") -> Draft:
    seam = Seam(f"{a.id}-{b.id}", SeamSide(a.id, (edge,)), SeamSide(b.id, ("lower",)), kind=kind)  # type: ignore[arg-type]
    return BAG.evolve(pieces=(*BAG.pieces, a, b), seams=(*BAG.seams, seam))


def table(**content: Any) -> DataFile:
    return DataFile("shop.seams.toml", json.dumps(content), "00")


def sewn(draft: Draft, seam: str, **options: Any) -> Stitching:
    after = run(draft, StitchesOptions.model_validate(options))
    (found,) = (one for one in after.seams if one.id == seam)
    assert found.stitching is not None
    return found.stitching


def test_every_seam_of_a_bag_is_sewn_somehow_and_nothing_else_changes() -> None:
    after = run_stage("seam.stitches", BAG)
    assert all(seam.stitching == Stitching("1.01", "301", 3.0, 2) for seam in after.seams)
    assert [replace(seam, stitching=None) for seam in after.seams] == list(BAG.seams)
    assert after.evolve(seams=BAG.seams) == BAG


@pytest.mark.parametrize("kind", ["shell", "part", "zipper", "liner", "layer", "applied"])
def test_each_kind_of_seam_has_its_own_rule(kind: str) -> None:
    draft = with_seam(kind, rectangle("one"), rectangle("two"))
    rule = SHIPPED.seams[kind]  # type: ignore[index]
    expected = (rule.seam_class, rule.stitch_type, rule.stitch_length, rule.rows)
    found = sewn(draft, "one-two")
    assert (found.seam_class, found.stitch_type, found.stitch_length, found.rows) == expected


def test_tape_raw_edges_and_bindings_are_sewn_in_their_own_way() -> None:
    assert name_of_seam(with_patch(rectangle("patch")), _last(with_patch(rectangle("patch")))) == "applied"
    tape = with_patch(rectangle("strap", material="webbing-20"))
    assert sewn(tape, f"strap-on-{DRIVE}").seam_class == "2.01"
    raw = with_patch(finished(rectangle("patch"), upper="raw", lower="raw"))
    assert name_of_seam(raw, _last(raw)) == "raw"
    bound = with_seam("shell", finished(rectangle("one"), upper="bound"), rectangle("two"))
    assert sewn(bound, "one-two").seam_class == "3.01"
    # A raw edge beside a main seam says nothing about that seam.
    shell = with_seam("shell", finished(rectangle("one"), upper="raw"), rectangle("two"))
    assert sewn(shell, "one-two").seam_class == "1.01"


def _last(draft: Draft) -> Seam:
    return draft.seams[-1]


def test_a_shops_table_and_single_seams_go_before_what_ships() -> None:
    shop = table(seams={"shell": {"stitch-type": 401, "rows": 1}})
    first, second = BAG.seams[0].id, BAG.seams[1].id
    assert sewn(BAG, first, table=shop) == Stitching("1.01", "401", 3.0, 1)
    options = {"table": shop, "seams": {second: {"seam-class": "1.06", "stitch-length": "4 mm"}}}
    assert sewn(BAG, second, **options) == Stitching("1.06", "401", 4.0, 1)
    assert sewn(BAG, first, **options) == Stitching("1.01", "401", 3.0, 1)


def test_lengths_in_a_table_are_of_its_unit() -> None:
    shop = table(unit="in", seams={"shell": {"stitch-length": 0.125}})
    assert sewn(BAG, BAG.seams[0].id, table=shop).stitch_length == pytest.approx(3.175)


def test_a_seam_that_is_not_there_is_refused_with_the_nearest() -> None:
    name = BAG.seams[0].id
    with pytest.raises(Refusal) as refused:
        run(BAG, StitchesOptions.model_validate({"seams": {name + "x": {"rows": 1}}}))
    assert refused.value.key == f"seams.{name}x"
    assert repr(name) in refused.value.todo


@pytest.mark.parametrize("stitch", ["504", "514", "516"])
def test_an_overedge_stitch_needs_an_edge(stitch: str) -> None:
    draft = with_patch(rectangle("patch"))
    seam = _last(draft)
    after = run(draft, StitchesOptions.model_validate({"seams": {seam.id: {"stitch-type": stitch}}}))
    (finding,) = [one for one in after.findings if one.code == "stitch-needs-edge"]
    assert (finding.level, finding.where) == ("error", seam.id)
    assert f"stitch {stitch}" in finding.message
    # At an edge it is in its place, and a lockstitch anywhere.
    shell = {"seams": {BAG.seams[0].id: {"stitch-type": stitch}}}
    for good in (shell, {}):
        done = run(draft, StitchesOptions.model_validate(good))
        assert not any(one.code == "stitch-needs-edge" for one in done.findings)


# The vocabulary.


@pytest.mark.parametrize(
    ("code", "says"),
    [
        ("SSa", 'write "1.01"'),
        ("SSa-2", 'write "1.01"'),
        ("lsc", 'write "2.04"'),
        ("OSa", "letter code of ASTM D6193"),
        ("9.01", "no seam class"),
        ("1.1", "no seam class"),
        ("101", "no seam class"),
        (1.01, "in quotes"),
        (True, "no seam class"),
    ],
)
def test_what_is_no_seam_class_is_refused(code: object, says: str) -> None:
    with pytest.raises(ValidationError) as refused:
        TypeAdapter(SeamClass).validate_python(code)
    error = refused.value.errors()[0]
    assert says in error["msg"] + error["ctx"]["todo"]
    assert "ISO 4916" in error["ctx"]["valid"]


@pytest.mark.parametrize("code", ["310", "999", 30, 301.0, True, "lockstitch", None])
def test_what_is_no_stitch_type_is_refused(code: object) -> None:
    with pytest.raises(ValidationError) as refused:
        TypeAdapter(StitchType).validate_python(code)
    assert "301" in refused.value.errors()[0]["ctx"]["valid"]


def test_a_stitch_type_may_be_a_number() -> None:
    assert TypeAdapter(StitchType).validate_python(301) == "301"


def test_letters_lead_to_numbers_that_are_valid() -> None:
    for letters, number in SEAM_LETTERS.items():
        assert TypeAdapter(SeamClass).validate_python(number) == number
        assert letters[:2] in {"SS", "LS", "BS", "FS", "EF"}
    assert {class_name(SEAM_LETTERS[name]) for name in ("SSa", "LSc", "BSa", "FSa", "EFb")} == {
        "superimposed",
        "lapped",
        "bound",
        "flat",
        "edge finishing",
    }


def test_every_stitch_type_is_of_a_known_class() -> None:
    assert set(SEAM_CLASSES) == set(range(1, 9))
    for code, name in STITCH_TYPES.items():
        assert int(code) // 100 * 100 in STITCH_CLASSES
        assert is_overedge(code) == ("overedge" in name or "safety" in name)


# A shop's table.


def test_a_table_is_laid_over_what_ships() -> None:
    shop = table(
        seams={"zipper": {"allowance": 7}, "shell": {"allowance": 12}}, classes={"3.01": 6}, webbing=14
    ).read(SeamTable)
    both = table_over(shop)
    assert both.allowance("zipper") == 7.0
    assert both.seams["zipper"].seam_class == SHIPPED.seams["zipper"].seam_class
    assert both.allowance("shell") == 12.0
    assert (both.webbing, both.hem, both.facing) == (14.0, SHIPPED.hem, SHIPPED.facing)
    assert both.allowance_of_class("3.01.02") == both.allowance_of_class("3.01") == 6.0
    assert both.allowance_of_class("3.02") is None
    assert table_over(None) == SHIPPED


@pytest.mark.parametrize(
    ("content", "key"),
    [
        ({"seams": {"zip": {"rows": 1}}}, "seams.zip"),
        ({"seams": {"zipper": {"row": 1}}}, "seams.zipper.row"),
        ({"seams": {"zipper": {"seam-class": "SSa"}}}, "seams.zipper.seam-class"),
        ({"seams": {"zipper": {"stitch-type": "999"}}}, "seams.zipper.stitch-type"),
        ({"seams": {"zipper": {"stitch-length": 0}}}, "seams.zipper.stitch-length"),
        ({"classes": {"SSa": 6}}, "classes"),
        ({"unit": "furlong"}, "unit"),
        ({"hem": -1}, "hem"),
    ],
)
def test_a_mistake_in_a_table_is_found_with_the_options(content: dict[str, Any], key: str) -> None:
    with pytest.raises(InputError) as refused:
        StitchesOptions.model_validate({"table": table(**content)})
    (problem,) = refused.value.problems
    assert problem.file == "shop.seams.toml"
    assert problem.key.startswith(key) or key in problem.reason


rules = st.builds(
    SeamRule,
    seam_class=st.none() | st.sampled_from(["1.01", "2.02", "3.01.01"]),
    stitch_type=st.none() | st.sampled_from(sorted(STITCH_TYPES)),
    stitch_length=st.none() | st.floats(1.0, 6.0),
    rows=st.none() | st.integers(1, 4),
    allowance=st.none() | st.floats(0.0, 20.0),
)


@given(rules, rules)
@settings(deadline=None, max_examples=50)
def test_a_rule_keeps_what_it_says_and_takes_the_rest(rule: SeamRule, under: SeamRule) -> None:
    both = seam_classes.completed(rule, under)
    for name in SeamRule.model_fields:
        said = getattr(rule, name)
        assert getattr(both, name) == (getattr(under, name) if said is None else said)


def test_a_rule_that_leaves_something_out_sews_nothing() -> None:
    with pytest.raises(ValueError, match="complete"):
        seam_classes.stitching(SeamRule(seam_class="1.01"))


def test_the_example_of_a_shops_table_can_be_used_by_both_stages() -> None:
    folder = Path(__file__).parents[2] / "recipes" / "tables"
    for model in (StitchesOptions, AllowanceOptions):
        options = model.model_validate({"table": "example-shop.seams.toml"}, context={"folder": folder})
        assert options.table is not None
        read = table_over(options.table.read(SeamTable))
        assert read.seams["liner"].stitch_type == "516"
        assert read.seams["zipper"].seam_class == SHIPPED.seams["zipper"].seam_class
        assert (read.allowance("zipper"), read.hem, read.turn) == (7.0, 12.0, 8.0)
