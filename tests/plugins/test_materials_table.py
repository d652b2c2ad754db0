"""`materials.table`: the table that ships, the shop's own laid over it, plain names, every mistake."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import pytest

from oaktag.pattern import NO_SOURCE, Draft, Material, Refusal
from oaktag.plugin.kit import example_draft, run_stage
from oaktag.recipe import InputError, Problem
from oaktag_plugins.materials_common import oaktag_materials
from oaktag_plugins.materials_table import TableOptions

EXAMPLE = Path(__file__).parents[2] / "recipes" / "tables" / "example-shop.materials.toml"
CANVAS = Material("canvas-500d", "shell", "cloth", mass=250.0, width=1480.0, grain=True, source="weighed")
ZIPPER = Material("zipper-8", "zipper", "tape", mass=28.0, width=37.0, measures=(("step", 50.0),))


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path / "shop.materials.toml"


def stocked(*materials: Material) -> Draft:
    return example_draft().evolve(materials=materials or (CANVAS, ZIPPER))


def after(shop: Path, text: str, **options: object) -> Draft:
    shop.write_text(text, encoding="utf-8")
    return run_stage("materials.table", stocked(), table=shop.name, **options)


def problems(shop: Path, text: str) -> list[Problem]:
    with pytest.raises(InputError) as caught:
        after(shop, text)
    found = caught.value.problems
    assert all(problem.valid and problem.todo for problem in found)
    return list(found)


def test_every_material_that_ships_says_where_its_values_come_from() -> None:
    for material in oaktag_materials():
        assert material.source
        assert material.price is None, "prices are a shop's own"
        assert material.mass > 0
        assert (material.form == "each") == (material.width == 0) or material.kind == "thread"


@pytest.mark.parametrize(
    ("name", "ratio"),
    [("laminate-210d", 5.1 * 33.9057), ("thread-tex-70", 70 / 1000), ("board-08", 0.8 * 0.95 * 1000)],
)
def test_masses_that_follow_from_a_definition(name: str, ratio: float) -> None:
    # 1 oz/yd² is 28.349523 g over 0.83612736 m².
    assert pytest.approx(28.349523125 / 0.83612736, abs=1e-4) == 33.9057
    [material] = [material for material in oaktag_materials() if material.name == name]
    assert material.mass == pytest.approx(ratio, abs=0.05)


def test_the_full_tape_of_a_number_8_zipper_is_37_mm() -> None:
    [zipper] = [material for material in oaktag_materials() if material.name == "zipper-8"]
    assert zipper.width == 37.0
    assert zipper.width > 2 * (zipper.measure("stitch-from-centre") or 0.0) > zipper.measure("chain-width")  # type: ignore[operator]


def test_a_draft_begins_with_what_ships() -> None:
    names = {material.name for material in example_draft().materials}
    assert {material.name for material in oaktag_materials()} <= names


def test_without_options_nothing_changes() -> None:
    assert run_stage("materials.table", stocked()).materials == (CANVAS, ZIPPER)


def test_an_entry_changes_only_what_it_says(shop: Path) -> None:
    text = '[materials.canvas-500d]\nprice = 12.5\nwidth = "58 in"\n'
    canvas = after(shop, text).material("canvas-500d")
    assert canvas == replace(CANVAS, price=12.5, width=1473.2)


def test_measures_are_added_to_those_that_are_there(shop: Path) -> None:
    zipper = after(shop, 'unit = "cm"\n[materials.zipper-8.measures]\nchain-width = 0.72\n').material(
        "zipper-8"
    )
    assert zipper is not None
    assert zipper.measure("step") == 50.0
    assert zipper.measure("chain-width") == pytest.approx(7.2)


def test_a_new_entry_stands_after_the_others(shop: Path) -> None:
    draft = after(shop, '[materials.felt]\nkind = "liner"\nform = "cloth"\nmass = 90\n')
    assert [material.name for material in draft.materials] == ["canvas-500d", "zipper-8", "felt"]
    assert draft.materials[-1] == Material("felt", "liner", "cloth", mass=90.0, source=NO_SOURCE)


def test_an_entry_may_begin_with_another_of_the_shop(shop: Path) -> None:
    text = (
        '[materials.dyed]\nlike = "heavy"\nprice = 9\n'
        '[materials.heavy]\nlike = "canvas-500d"\nmass = 400\n[materials.heavy.measures]\nply = 2\n'
    )
    draft = after(shop, text)
    dyed = draft.material("dyed")
    assert dyed == replace(CANVAS, name="dyed", mass=400.0, price=9.0, measures=(("ply", 2.0),))
    assert draft.material("canvas-500d") == CANVAS


def test_an_entry_may_be_like_the_one_that_ships_under_its_name(shop: Path) -> None:
    assert after(shop, '[materials.zipper-8]\nlike = "zipper-8"\nprice = 3\n').material(
        "zipper-8"
    ) == replace(ZIPPER, price=3.0)


def test_plain_names_stand_for_entries_of_the_shop_too(shop: Path) -> None:
    text = '[materials.canvas-500d]\nprice = 12.5\ndescription = "dyed"\n'
    draft = after(shop, text, assign={"shell": "canvas-500d", "fit sample cloth": "canvas-500d"})
    assert draft.material("shell") == replace(
        CANVAS, name="shell", price=12.5, description="canvas-500d: dyed"
    )
    assert draft.material("fit sample cloth") is not None


def test_a_plain_name_goes_before_an_entry_of_that_name() -> None:
    draft = run_stage("materials.table", stocked(), assign={"zipper-8": "canvas-500d"})
    assert [material.name for material in draft.materials] == ["canvas-500d", "zipper-8"]
    assert draft.material("zipper-8") == replace(CANVAS, name="zipper-8", description="canvas-500d")


def test_an_unknown_material_is_refused_with_the_one_that_was_meant() -> None:
    with pytest.raises(Refusal) as caught:
        run_stage("materials.table", stocked(), assign={"shell": "canvas-50d"})
    assert caught.value.key == "assign.shell"
    assert "canvas-500d" in caught.value.todo
    assert "zipper-8" in caught.value.valid


@pytest.mark.parametrize(
    ("text", "key", "reason"),
    [
        ("[materials.felt]\nmass = 3\n", "materials.felt.form", "is missing"),
        ('[materials.felt]\nform = "cloth"\n', "materials.felt.kind", "is missing"),
        ('[materials.felt]\nlike = "felt"\n', "materials.felt.like", "goes in a circle"),
        ('[materials.felt]\nlike = "canvas-500"\n', "materials.felt.like", "no material of this name"),
        (
            '[materials.a]\nlike = "b"\n[materials.b]\nlike = "a"\n',
            "materials.b.like",
            "goes in a circle",
        ),
        ("[materials.zipper-8]\nprize = 3\n", "materials.zipper-8.prize", "unknown key"),
        ("[materials.zipper-8]\nprice = -1\n", "materials.zipper-8.price", "too small"),
        ('[materials.zipper-8]\nwidth = "37 yards"\n', "materials.zipper-8.width", "yards"),
        ('unit = "yd"\n', "", "unit"),
        ("format = 2\n", "format", "too large"),
    ],
)
def test_a_mistake_names_the_file_and_the_key(shop: Path, text: str, key: str, reason: str) -> None:
    found = problems(shop, text)
    assert [problem.file for problem in found] == [shop.name] * len(found)
    assert key in [problem.key for problem in found]
    assert any(reason in problem.reason for problem in found)


def test_a_mistake_is_found_before_any_stage_runs(shop: Path) -> None:
    shop.write_text("[materials.zipper-8]\nprize = 3\n", encoding="utf-8")
    with pytest.raises(InputError, match="prize"):
        TableOptions.model_validate({"table": shop.name}, context={"folder": shop.parent})


def test_every_mistake_is_told_at_once(shop: Path) -> None:
    found = problems(shop, '[materials.a]\nlike = "x"\n[materials.b]\nmass = 3\n')
    assert [problem.key for problem in found] == ["materials.a.like", "materials.b.form"]


def test_the_example_that_ships_prices_only_what_is_there(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(EXAMPLE.parent)
    draft = run_stage("materials.table", example_draft(), table=EXAMPLE.name)
    written = tomllib.loads(EXAMPLE.read_text(encoding="utf-8"))["materials"]
    new = {name for name, entry in written.items() if "like" in entry}
    assert set(written) - new <= {material.name for material in oaktag_materials()}
    for name, entry in written.items():
        material = draft.material(name)
        assert material is not None
        assert material.price == entry["price"]
