"""The report of a bag with features: order of work, what to buy, what it weighs and costs."""

from __future__ import annotations

from contextlib import redirect_stdout
from functools import cache
from io import StringIO
from pathlib import Path

import pytest

from oaktag.cli.app import run

RECIPES = Path(__file__).parents[3] / "recipes"
FRAME = str(RECIPES / "frames" / "towpath-3-small.frame.toml")
SHOP = """\
base = "{base}"
name = "priced"
version = "1"

[[stage]]
id = "materials.table"
table = "{table}"
assign = {{ shell = "shop-canvas", liner = "ripstop-70d" }}

[[stage]]
id = "work.paperwork"
rate = 30
currency = "EUR"
"""


@cache
def report(recipe: Path) -> str:
    with redirect_stdout(StringIO()) as told:
        assert run(["check", str(recipe), "--frame", FRAME]) == 0
    return told.getvalue()


def table(text: str, title: str, heads: int = 1) -> list[str]:
    return text.split(f"\n{title}", 1)[1].split("\n\n", 1)[0].splitlines()[1 + heads :]


def test_the_order_of_work_ends_with_a_look_over_the_whole() -> None:
    work = table(report(RECIPES / "half-bag.recipe.toml"), "Order of work")
    assert [row.split()[0] for row in work] == [str(number) for number in range(1, len(work) + 1)]
    assert "Cut the template" in work[0]
    assert "Turn the bag right side out" in work[-2]
    assert "Measure the bag" in work[-1]


def test_templates_are_told_from_pieces_of_cloth() -> None:
    drafted = table(report(RECIPES / "half-bag.recipe.toml"), "Drafted: pieces")
    cut = {row.split()[0]: row for row in drafted}
    assert "card (template)" in cut["side-panel-drive"]
    assert "card" not in cut["side-panel-non-drive"]


def test_without_prices_no_cost_is_told() -> None:
    text = report(RECIPES / "half-bag.recipe.toml")
    sums = " ".join(table(text, "In all", 0))
    assert "mass" in sums
    assert "materials" not in sums
    assert "labour" not in sums
    assert all(len(row.split()) <= 5 for row in table(text, "Bill of materials"))


def test_prices_and_a_rate_give_a_cost(tmp_path: Path) -> None:
    for name in ("half-bag", "half-bag-sample", "fit-sample"):
        (tmp_path / f"{name}.recipe.toml").write_bytes((RECIPES / f"{name}.recipe.toml").read_bytes())
    shop = "example-shop.materials.toml"
    (tmp_path / shop).write_bytes((RECIPES / "tables" / shop).read_bytes())
    priced = tmp_path / "priced.recipe.toml"
    priced.write_text(SHOP.format(base="half-bag.recipe.toml", table=shop))
    text = report(priced)
    sums = {row.split()[0]: row for row in table(text, "In all", 0)}
    assert "EUR" in sums["labour"]
    minutes = float(sums["work"].split()[1])
    assert float(sums["labour"].split()[1]) == pytest.approx(minutes * 30 / 60, abs=0.3)
    bill = {row.split()[0]: row.split() for row in table(text, "Bill of materials")}
    assert float(bill["shell"][-1]) > 0.0
