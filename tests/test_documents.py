"""What README.md and DEVELOPERS.md show is true."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
import tomllib
from importlib import import_module
from pathlib import Path

import click
import pytest

from oaktag.cli.app import app, run
from oaktag.plugin import load_stages

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
FENCE = re.compile(r"^```(\w+)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
FRAME = ROOT / "recipes" / "frames" / "towpath-3-small.frame.toml"


def blocks(text: str, language: str) -> list[str]:
    return [body for name, body in FENCE.findall(text) if name == language]


def test_the_frame_sheet_and_the_recipe_shown_make_a_bag(tmp_path: Path) -> None:
    sheet, recipe, child = blocks(README, "toml")
    (tmp_path / "my.frame.toml").write_text(sheet, encoding="utf-8")
    (tmp_path / "my-bag.recipe.toml").write_text(recipe, encoding="utf-8")
    arguments = ["make", str(tmp_path / "my-bag.recipe.toml"), "--frame", str(tmp_path / "my.frame.toml")]
    assert run([*arguments, "--out", str(tmp_path / "out"), "--set", "corner-radius=30", "--quiet"]) == 0
    assert (tmp_path / "out" / "my" / "my-bag" / "pattern.pdf").read_bytes().startswith(b"%PDF")
    (tmp_path / "recipes").mkdir()
    base = "recipes/fit-sample.recipe.toml"
    (tmp_path / base).write_bytes((ROOT / base).read_bytes())
    (tmp_path / "zipped.recipe.toml").write_text(child, encoding="utf-8")
    frame = str(tmp_path / "my.frame.toml")
    assert run(["check", str(tmp_path / "zipped.recipe.toml"), "--frame", frame, "--quiet"]) == 0


def test_every_recipe_and_every_stage_is_shown_and_there() -> None:
    named = set(re.findall(r"`([a-z]+\.[a-z-]+)`", README))
    installed = set(load_stages().installed)
    assert {name for name in named if not name.startswith("pattern.")} <= installed
    # What every recipe begins and ends with is shown in the recipes; the rest is found by `oaktag stages`.
    kinds = ("body", "zipper", "strap", "pocket", "work", "export")
    bodies = {name for name in installed if name.split(".")[0] in kinds} - {"export.survey"}
    assert bodies <= named
    shipped = {path.name.removesuffix(".recipe.toml") for path in (ROOT / "recipes").glob("*.recipe.toml")}
    assert shipped == set(
        re.findall(r"`([a-z-]+)`", README.split("| fit sample | finished |")[1].split("## What")[0])
    )


def test_every_command_shown_exists() -> None:
    shown = re.findall(
        r"oaktag ((?:make|check|stages|explain|new|survey|printcheck)\b[^`&\n]*)", README + DEVELOPERS
    )
    assert shown
    for text in shown:
        command: click.Command = app
        for word in shlex.split(text):
            if isinstance(command, click.Group):
                assert word in command.commands, text
                command = command.commands[word]
        assert not isinstance(command, click.Group)


def test_the_files_shown_are_there() -> None:
    for text in (README, DEVELOPERS):
        for path in re.findall(r"(?:\]\(|--frame |make )((?:recipes|tests)/[\w./-]+|[A-Z]+\.md)", text):
            assert (ROOT / path).exists(), path
    core, bundled = DEVELOPERS.split("    plugins/oaktag_plugins/", 1)
    for package, tree in (("oaktag", core), ("oaktag_plugins", bundled)):
        lines = re.findall(r"^      ((?:\w+/ )+)", tree, re.MULTILINE)
        assert lines
        for part in re.findall(r"\w+", " ".join(lines)):
            import_module(f"{package}.{part}")


def test_the_test_command_is_the_one_that_ci_runs() -> None:
    (command,) = re.findall(r"^python3 -m venv \.venv && .*pytest$", README, re.MULTILINE)
    assert command in DEVELOPERS


def test_the_picture_is_what_the_first_command_draws(tmp_path: Path) -> None:
    (words,) = (
        shlex.split(line.split("&& .venv/bin/")[-1])
        for line in README.splitlines()
        if "bin/oaktag make" in line
    )
    arguments = [str(ROOT / word) if word.startswith("recipes/") else word for word in words[1:]]
    assert run([*arguments, "--out", str(tmp_path), "--quiet"]) == 0
    drawn = (tmp_path / "towpath-3-small" / "fit-sample" / "pattern.svg").read_bytes()
    kept = ROOT / "recipes" / "fit-sample.svg"
    assert kept.read_bytes() == drawn, f"copy the new pattern.svg over {kept.name}"


def install(folder: Path, modules: dict[str, str], points: dict[str, str]) -> None:
    """Lay a distribution with stages of its own into a folder."""
    (folder / "my_stages").mkdir()
    (folder / "my_stages" / "__init__.py").touch()
    for name, module in modules.items():
        (folder / "my_stages" / f"{name}.py").write_text(module, encoding="utf-8")
    info = folder / "my_stages-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: my-stages\nVersion: 1.0\n", encoding="utf-8")
    lines = "".join(f"{name} = {value}\n" for name, value in points.items())
    (info / "entry_points.txt").write_text(f"[oaktag]\n{lines}", encoding="utf-8")


def oaktag_in(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "oaktag", *arguments, "--frame", str(FRAME)],
        cwd=folder,
        env={"PYTHONPATH": str(folder), "PATH": ""},
        capture_output=True,
        text=True,
        check=False,
    )


def test_the_exporter_shown_to_developers_is_short_and_reads_its_file_back(tmp_path: Path) -> None:
    _, module = blocks(DEVELOPERS, "python")
    assert len([line for line in module.splitlines() if line.strip()]) < 40
    # What it wrote is damaged here after the fact, to see that its reader isn't blind.
    mirrored = module.replace('f"{number:.4f}"', 'f"{-number:.4f}"')
    assert mirrored != module
    mirrored = mirrored.replace('"export.points"', '"export.mirrored"').replace(
        '"points.tsv"', '"mirrored.tsv"'
    )
    points = {"points": "my_stages.points", "mirrored": "my_stages.mirrored"}
    install(tmp_path, {"points": module, "mirrored": mirrored}, points)
    recipe = (
        (ROOT / "recipes" / "fit-sample.recipe.toml")
        .read_text(encoding="utf-8")
        .split('[[stage]]\nuse = "export.')[0]
    )
    for name in points:
        own = f'[[stage]]\nuse = "export.{name}"\n'
        (tmp_path / f"{name}.recipe.toml").write_text(recipe + own, encoding="utf-8")
    done = oaktag_in(tmp_path, "make", "points.recipe.toml", "--out", "out")
    assert done.returncode == 0, done.stderr
    assert "read-back-" not in done.stdout
    written = tmp_path / "out" / "towpath-3-small" / "points"
    assert sorted(path.name for path in written.iterdir()) == ["pattern.json", "points.tsv"]
    done = oaktag_in(tmp_path, "make", "mirrored.recipe.toml", "--out", "out")
    assert done.returncode == 1
    assert "read-back-differs" in done.stdout
    written = tmp_path / "out" / "towpath-3-small" / "mirrored"
    assert [path.name for path in written.iterdir()] == ["pattern.json"]


def test_the_stage_shown_to_developers_works(tmp_path: Path) -> None:
    module, _ = blocks(DEVELOPERS, "python")
    (entry,) = blocks(DEVELOPERS, "toml")
    install(tmp_path, {"check_narrow": module}, tomllib.loads(entry)["project"]["entry-points"]["oaktag"])
    recipe = (ROOT / "recipes" / "fit-sample.recipe.toml").read_text(encoding="utf-8")
    head, mark, tail = recipe.partition('[[stage]]\nuse = "export.dxf"')
    own = '[[stage]]\nuse = "check.narrow"\nleast = "6 cm"\n\n'
    (tmp_path / "narrow.recipe.toml").write_text(head + own + mark + tail, encoding="utf-8")
    done = oaktag_in(tmp_path, "check", "narrow.recipe.toml")
    assert done.returncode == 0, done.stderr
    assert "gusset-narrow" in done.stdout


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md", "CHANGELOG.md"])
def test_lines_are_short_enough_to_read(name: str) -> None:
    for line in (ROOT / name).read_text(encoding="utf-8").splitlines():
        assert len(line) <= 125 or line.startswith(("|", "python3 -m venv")), line
