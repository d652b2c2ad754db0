"""From the command line: recipes with a base, stages that read a shop's table, and nonsense for both."""

from __future__ import annotations

import hashlib
import json
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from pydantic import model_validator

import oaktag.engine.make
from oaktag import Draft, Finding, Options, StageSpec
from oaktag.cli.app import run
from oaktag.engine.survey import survey_recipe
from oaktag.plugin import InstalledStage, Stages
from oaktag.recipe import DataFile, PositiveLength, load_recipe

Capture = pytest.CaptureFixture[str]


class Shop(Options):
    """What stands in the table."""

    cloth: dict[str, PositiveLength]


class ClothOptions(Options):
    """Options."""

    table: DataFile | None = None
    """The cloth in stock."""

    @model_validator(mode="after")
    def _content(self) -> ClothOptions:
        if self.table is not None:
            self.table.read(Shop)
        return self


def cloth(draft: Draft, options: ClothOptions) -> Draft:
    if options.table is None:
        return draft
    widths = options.table.read(Shop).cloth
    return draft.with_findings(
        [Finding("note", "cloth", f"{name} {width:g} mm") for name, width in widths.items()]
    )


@pytest.fixture
def folder(stages: Stages, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A base, a recipe in another folder that is built on it, and a table beside each."""
    sys.modules.setdefault("oaktag_test_cloth", sys.modules[__name__])
    spec = StageSpec("test.cloth", "List cloth", "oaktag_test_cloth:cloth", "oaktag_test_cloth:ClothOptions")
    installed = Stages(
        {**stages.installed, "test.cloth": InstalledStage(spec, "test", "test-bags", "1.5")}, ()
    )
    monkeypatch.setattr(oaktag.engine.make, "load_stages", lambda: installed)
    monkeypatch.chdir(tmp_path)
    for name in ("bases", "mine"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "shop.toml").write_text(f'[cloth]\n{name} = "4 in"\n')
    (tmp_path / "bases" / "base.recipe.toml").write_text(BASE)
    (tmp_path / "mine" / "bag.recipe.toml").write_text(BAG)
    (tmp_path / "demo.frame.toml").write_text('name = "Demo"\n[lengths]\ntop-tube = 500\n')
    return tmp_path


BASE = """\
name = "base"
version = "1"
[parameters]
words = "dry"
[[stage]]
use = "test.card"
words = "{words}"
[[stage]]
use = "test.cloth"
table = "shop.toml"
"""
BAG = 'name = "bag"\nversion = "2"\nbase = "../bases/base.recipe.toml"\n'
DROPPED = '[[stage]]\nid = "test.cloth"\ndrop = true\n'
INSERTED = '[[stage]]\nid = "late"\nuse = "test.cloth"\nafter = "test.card"\ntable = "shop.toml"\n'
CHECK = ["check", "mine/bag.recipe.toml", "--frame", "demo.frame.toml"]


def notes(capsys: Capture) -> list[str]:
    return [f["message"] for f in json.loads(capsys.readouterr().out)["findings"] if f["code"] == "cloth"]


@pytest.mark.parametrize(
    ("more", "note"),
    [
        ("", "bases 101.6 mm"),
        ('[[stage]]\nid = "test.cloth"\ntable = "shop.toml"\n', "mine 101.6 mm"),
        ('[[stage]]\nuse = "test.cloth"\ntable = "../bases/shop.toml"\n', "bases 101.6 mm"),
        (DROPPED + INSERTED, "mine 101.6 mm"),
    ],
)
def test_a_table_is_named_from_the_folder_of_its_option(
    folder: Path, capsys: Capture, more: str, note: str
) -> None:
    (folder / "mine" / "bag.recipe.toml").write_text(BAG + more)
    assert run([*CHECK, "--json"]) == 0
    assert notes(capsys) == [note]


def test_pattern_json_tells_recipes_apart_whose_bases_differ(folder: Path, capsys: Capture) -> None:
    digests = []
    for text in (BASE, BASE + "# sewn once\n"):
        (folder / "bases" / "base.recipe.toml").write_text(text)
        assert run(["make", *CHECK[1:], "--out", "out", "--quiet"]) == 0
        pattern = json.loads((folder / "out" / "demo" / "bag" / "pattern.json").read_text())
        digests.append(pattern["recipe"]["sha256"])
    assert len(set(digests)) == 2
    assert str(folder) not in json.dumps(pattern)


def test_pattern_json_names_the_tables_of_the_shop(folder: Path) -> None:
    (folder / "mine" / "bag.recipe.toml").write_text(BAG + DROPPED + INSERTED)
    assert run(["make", *CHECK[1:], "--out", "out", "--quiet"]) == 0
    pattern = json.loads((folder / "out" / "demo" / "bag" / "pattern.json").read_text())
    digest = hashlib.sha256((folder / "mine" / "shop.toml").read_bytes()).hexdigest()
    assert pattern["tables"] == [{"name": "shop.toml", "sha256": digest}]


def test_settings_reach_the_base(folder: Path, capsys: Capture) -> None:
    assert run([*CHECK, "--set", "words=wet", "--json"]) == 1


def write(path: str, text: str | bytes) -> Callable[[], None]:
    return lambda: void(Path(path).write_bytes(text if isinstance(text, bytes) else text.encode()))


def void(_: object) -> None:
    return None


def circle() -> None:
    Path("bases/base.recipe.toml").write_text(BASE.replace('"1"', '"1"\nbase = "../mine/bag.recipe.toml"'))


MINE, BASES = "mine/bag.recipe.toml", "mine/../bases/base.recipe.toml"
NONSENSE = {
    "no base": (write(MINE, BAG.replace("base.r", "bse.r")), MINE, "base", "there is no such recipe"),
    "a folder for a base": (write(MINE, BAG.replace("/base.recipe.toml", "")), MINE, "base", "is no file"),
    "a picture for a base": (write(BASES, b"\x89PNG\r\n\x1a\n"), BASES, "", "isn't UTF-8 text"),
    "prose for a base": (write(BASES, "Cut twice."), BASES, "", "isn't valid TOML"),
    "a table for a base": (
        write(BASES, 'name = "cloth"\nversion = "1"\n[stage]\ncloth = 5\n'),
        BASES,
        "stage",
        "is one table",
    ),
    "a circle": (circle, BASES, "base", "goes round in a circle: bag.recipe.toml → base.recipe.toml → bag"),
    "itself": (
        write(MINE, BAG.replace("../bases/base.recipe.toml", "bag.recipe.toml")),
        MINE,
        "base",
        "goes round in a circle: bag.recipe.toml → bag.recipe.toml",
    ),
    "a bad option of the base": (
        write(BASES, BASE + "colour = 5\n"),
        BASES,
        "stage[1] test.cloth.colour",
        "unknown key",
    ),
    "a bad option laid over": (
        write(MINE, BAG + '[[stage]]\nid = "test.card"\ncopies = "two"\n'),
        MINE,
        "stage[0] test.card.copies",
        "is not a whole number",
    ),
    "an unknown stage of the base": (
        write(BASES, BASE.replace("test.cloth", "test.clath")),
        BASES,
        "stage[1] test.clath.use",
        "there is no such stage",
    ),
    "an unknown stage inserted": (
        write(MINE, BAG + '[[stage]]\nuse = "test.clath"\nafter = "test.card"\n'),
        MINE,
        "stage[0] test.clath.use",
        "there is no such stage",
    ),
    "an unknown id": (
        write(MINE, BAG + '[[stage]]\nid = "test.crad"\ndrop = true\n'),
        MINE,
        "stage[0] test.crad.id",
        "there is no stage with this id",
    ),
    "no table": (
        write(BASES, BASE.replace("shop.toml", "shoq.toml")),
        BASES,
        "stage[1] test.cloth.table",
        "there is no such data file",
    ),
    "no table, laid over": (
        write(MINE, BAG + '[[stage]]\nid = "test.cloth"\ntable = "shoq.toml"\n'),
        MINE,
        "stage[0] test.cloth.table",
        "there is no such data file",
    ),
    "prose for a table": (
        write("bases/shop.toml", "Canvas, mostly."),
        BASES,
        "stage[1] test.cloth.table",
        "names a data file that isn't valid TOML",
    ),
    "a mistake in the table": (
        write("bases/shop.toml", "[cloth]\ncanvas = -4\n"),
        "shop.toml",
        "cloth.canvas",
        "is too small",
    ),
    "an unknown key in the table": (
        write("bases/shop.toml", "[cloth]\n[clothes]\n"),
        "shop.toml",
        "clothes",
        "unknown key",
    ),
}


@pytest.mark.parametrize(("spoil", "file", "key", "reason"), NONSENSE.values(), ids=NONSENSE)
def test_nonsense_is_one_message_with_the_file_in_which_it_stands(
    folder: Path, capsys: Capture, spoil: Callable[[], None], file: str, key: str, reason: str
) -> None:
    spoil()
    assert run([*CHECK, "--json"]) == 2
    [problem] = json.loads(capsys.readouterr().out)["problems"]
    assert (problem["file"], problem["key"]) == (file, key)
    assert problem["reason"].startswith(reason)
    assert problem["found"]
    assert problem["valid"]
    assert problem["todo"]
    assert run(CHECK) == 2
    said = capsys.readouterr()
    assert said.err.startswith(f"error: {file}: {f'{key}: ' if key else ''}{reason}")
    assert said.err.count("error:") == 1
    assert "Traceback" not in said.err


def test_a_survey_with_the_stages_of_a_recipe_keeps_its_bases(folder: Path) -> None:
    recipe = load_recipe(Path(MINE))
    made = survey_recipe(None, Stages({}, ()), recipe)
    assert made.steps[:-1] == recipe.steps
    assert made.steps[-1].file == MINE
    assert made.sha256 == recipe.sha256 != recipe.file.sha256
