"""A stranger's plugin through the command line, beside broken ones: what works goes on working."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Good = Callable[[str], str]

BROKEN = {
    "rainy": "import no_such_library",
    "windy": "from oaktag import hookimpl\n@hookimpl\ndef oaktag_stage():\n    return ()\n",
    "foggy": "def oaktag_stages():\n    return ()\n",
    "snowy": "import sys\nsys.exit(9)",
    "dusty": """
        from oaktag import StageSpec, hookimpl

        @hookimpl
        def oaktag_stages():
            return (StageSpec("dusty.card", "Write", "a:b", "a:B", needs=frozenset({"panel"})),)
        """,
}


@pytest.fixture
def recipe(tmp_path: Path) -> Callable[..., Path]:
    def written(use: str, *lines: str) -> Path:
        path = tmp_path / "card.recipe.toml"
        head = 'name = "card"\nversion = "1"\n[[stage]]\n'
        path.write_text(head + "\n".join([f'use = "{use}"', *lines]) + "\n")
        return path

    return written


def test_a_strangers_stage_is_listed_explained_and_run(
    site: Any, good: Good, frame: Path, recipe: Callable[..., Path], tmp_path: Path
) -> None:
    site.install("sunny-bags", {"sunny": ("sunny_card", good("sunny.card"))})

    listed = site.run_apart("stages")
    assert listed.returncode == 0
    assert "sunny.card" in listed.stdout
    assert "sunny-bags 2.3.0" in listed.stdout

    explained = site.run_apart("explain", "sunny.card")
    assert explained.returncode == 0
    assert "Write a card that goes with the bag" in explained.stdout
    assert "length (mm) > 0, or a table of them by name" in explained.stdout

    path = recipe("sunny.card", 'words = "mind the rain"', "height = { default = 5, card = 7 }")
    made = site.run_apart("make", str(path), "--frame", str(frame), "--out", str(tmp_path / "out"))
    assert made.returncode == 0, made.stderr
    folder = tmp_path / "out" / "demo" / "card"
    assert (folder / "card.txt").read_text() == "Demo: mind the rain, 7 mm"
    assert {file["path"] for file in json.loads((folder / "pattern.json").read_bytes())["files"]} == {
        "card.txt"
    }


def test_a_strangers_options_and_refusals_are_told_like_any_others(
    site: Any, good: Good, frame: Path, recipe: Callable[..., Path], tmp_path: Path
) -> None:
    site.install("sunny-bags", {"sunny": ("sunny_card", good("sunny.card"))})
    path = recipe("sunny.card", "wrods = 5", "height = -1")
    told = site.run("make", str(path), "--frame", str(frame), "--out", str(tmp_path / "out"))
    assert told.returncode == 2
    assert f"error: {path}: stage[0] sunny.card.wrods: unknown key" in told.stderr
    assert "did you mean 'words'?" in told.stderr
    assert f"error: {path}: stage[0] sunny.card.height: is too small" in told.stderr

    path = recipe("sunny.card", 'words = "no"')
    told = site.run("make", str(path), "--frame", str(frame), "--out", str(tmp_path / "out"))
    assert told.returncode == 2
    assert told.stderr.splitlines() == [
        f"error: {path}: stage[0] sunny.card.words: a card can't say no",
        "  found  no",
        "  valid  more",
        "  do     say why",
    ]
    assert not (tmp_path / "out").exists()


def test_broken_plugins_stop_nobody_who_does_not_need_them(
    site: Any, good: Good, frame: Path, recipe: Callable[..., Path], tmp_path: Path
) -> None:
    site.install("sunny-bags", {"sunny": ("sunny_card", good("sunny.card"))})
    for name, source in BROKEN.items():
        site.install(f"{name}-bags", {name: (f"{name}_card", source)})

    helped = site.run_apart("--help")
    assert helped.returncode == 0
    assert helped.stderr == ""

    listed = site.run("stages")
    assert listed.returncode == 0
    assert "sunny.card" in listed.stdout
    for name in BROKEN:
        assert f"warning: plugin {name} of {name}-bags can't be used: " in listed.stderr
        assert f"install {name}-bags again, or tell its authors" in listed.stderr
    assert "Traceback" not in listed.stderr

    programs = json.loads(site.run("stages", "--json").stdout)
    assert "sunny.card" in [stage["name"] for stage in programs["stages"]]
    assert {fault["plugin"] for fault in programs["faults"]} >= set(BROKEN)

    path = recipe("sunny.card")
    made = site.run("make", str(path), "--frame", str(frame), "--out", str(tmp_path / "out"), "--quiet")
    assert (made.returncode, made.stdout, made.stderr) == (0, "", "")
    assert (tmp_path / "out" / "demo" / "card" / "card.txt").exists()


@pytest.mark.parametrize(
    ("use", "told"),
    [
        ("rainy.card", "rainy of rainy-bags (ModuleNotFoundError: No module named 'no_such_library')"),
        ("dusty.card", "stage 'dusty.card' names the unknown part 'panel'"),
    ],
)
def test_a_recipe_that_needs_a_broken_plugin_is_refused_with_the_reason(
    site: Any,
    frame: Path,
    recipe: Callable[..., Path],
    tmp_path: Path,
    use: str,
    told: str,
) -> None:
    name = use.split(".", maxsplit=1)[0]
    site.install(f"{name}-bags", {name: (f"{name}_card", BROKEN[name])})
    path = recipe(use)
    made = site.run("make", str(path), "--frame", str(frame), "--out", str(tmp_path / "out"))
    assert made.returncode == 2
    assert f"error: {path}: stage[0] {use}.use: " in made.stderr
    assert told in made.stderr
    assert "  do     " in made.stderr
    assert made.stderr.count("error: ") == 1
    assert not (tmp_path / "out").exists()


def test_two_plugins_of_one_name_are_refused_when_a_recipe_needs_one(
    site: Any, good: Good, frame: Path, recipe: Callable[..., Path], tmp_path: Path
) -> None:
    site.install("sunny-bags", {"card": ("sunny_card", good("sunny.card"))})
    site.install("rainy-bags", {"card": ("rainy_card", good("rainy.card"))})
    path = recipe("sunny.card")
    made = site.run("make", str(path), "--frame", str(frame), "--out", str(tmp_path / "out"))
    assert made.returncode == 2
    assert "two plugins are named 'card', from rainy-bags and sunny-bags" in made.stderr
    assert "do     uninstall one of them" in made.stderr
    told = site.run("explain", "sunny.card")
    assert told.returncode == 2
    assert "two plugins are named 'card', from rainy-bags and sunny-bags" in told.stderr
    assert "do     uninstall one of them" in told.stderr


def test_a_stage_that_cannot_be_loaded_or_breaks_names_its_distribution(
    site: Any, good: Good, frame: Path, recipe: Callable[..., Path], tmp_path: Path
) -> None:
    source = good("sunny.card")
    cases = [
        ("run", '{__name__}:run"', '{__name__}:draw"', 2, "ImportError: module 'sunny_run' has no 'draw'"),
        ("options", '{__name__}:CardOptions"', 'builtins:dict"', 2, "isn't derived from oaktag.Options"),
        ("raise", "text = f", "raise RuntimeError('wet')\n        text = f", 3, "RuntimeError: wet"),
        ("exit", "text = f", "raise SystemExit(0)\n        text = f", 3, "SystemExit: 0"),
        ("none", "return draft.with", "draft.with", 3, "it returned a NoneType, not a Draft"),
        ("path", '"card.txt"', '"../card.txt"', 3, "'../card.txt' leads out of the result folder"),
    ]
    for name, old, new, _, _ in cases:
        assert old in source
        text = source.replace(old, new).replace("sunny.card", f"sunny.{name}")
        site.install(f"sunny-{name}", {name: (f"sunny_{name}", text)})
    for name, _, _, code, told in cases:
        path = recipe(f"sunny.{name}")
        made = site.run("make", str(path), "--frame", str(frame), "--out", str(tmp_path / "out"))
        assert made.returncode == code, name
        assert told in made.stderr
        assert f"sunny-{name}" in made.stderr
        assert "Traceback" not in made.stderr
        assert not (tmp_path / "out").exists()
