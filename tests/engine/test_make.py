"""One job from files to files."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from oaktag import Draft, Finding, Options, StageSpec
from oaktag.engine import draft_bag, make_bag, result_folder
from oaktag.pattern import Artifact
from oaktag.plugin import InstalledStage, Stages
from oaktag.recipe import InputError

FRAME = 'name = "Demo"\n[lengths]\ntop-tube = 500\n'
RECIPE = """\
name = "card"
version = "1"
[parameters]
words = "dry"
[[stage]]
use = "test.card"
words = "{words}"
"""


class CardOptions(Options):
    """Options."""

    words: str = ""
    """Words."""


def run(draft: Draft, options: CardOptions) -> Draft:
    level = "error" if options.words == "wet" else "note"
    found = Finding(level, "card", options.words)  # type: ignore[arg-type]
    return draft.with_artifact(Artifact("card.txt", "text", options.words.encode())).with_findings([found])


SPEC = StageSpec(
    "test.card", "Do", f"{__name__}:run", f"{__name__}:CardOptions", adds=frozenset({"files", "proof"})
)
STAGES = Stages({"test.card": InstalledStage(SPEC, "test", "test-bags", "1")}, ())


@pytest.fixture
def files(tmp_path: Path) -> tuple[Path, Path]:
    recipe, frame = tmp_path / "my-card.recipe.toml", tmp_path / "demo.frame.toml"
    recipe.write_text(RECIPE)
    frame.write_text(FRAME)
    return recipe, frame


def test_a_job_writes_below_sheet_and_recipe(files: tuple[Path, Path], tmp_path: Path) -> None:
    recipe, frame = files
    job = make_bag(recipe, frame, tmp_path / "out", {"words": "hello"}, stages=STAGES)
    folder = tmp_path / "out" / "demo" / "my-card"
    assert [file.path for file in job.written] == [folder / "card.txt", folder / "pattern.json"]
    assert (folder / "card.txt").read_text() == "hello"
    document = json.loads((folder / "pattern.json").read_bytes())
    assert [entry["path"] for entry in document["files"]] == ["card.txt"]
    assert job.draft.findings[0].message == "hello"


def test_a_job_with_errors_is_written_all_the_same(files: tuple[Path, Path], tmp_path: Path) -> None:
    job = make_bag(*files, tmp_path / "out", {"words": "wet"}, stages=STAGES)
    assert job.draft.has_errors
    assert (tmp_path / "out" / "demo" / "my-card" / "card.txt").exists()


def test_the_same_input_gives_the_same_bytes(files: tuple[Path, Path], tmp_path: Path) -> None:
    first = make_bag(*files, tmp_path / "one", stages=STAGES)
    second = make_bag(*files, tmp_path / "two", stages=STAGES)
    assert [f.path.read_bytes() for f in first.written] == [f.path.read_bytes() for f in second.written]


def test_drafting_writes_nothing(files: tuple[Path, Path], tmp_path: Path) -> None:
    job = draft_bag(*files, stages=STAGES)
    assert job.written == ()
    assert len(list(tmp_path.iterdir())) == 2


def test_mistakes_in_both_files_are_reported_together(files: tuple[Path, Path], tmp_path: Path) -> None:
    recipe, frame = files
    recipe.write_text(RECIPE.replace("test.card", "test.cart"))
    frame.write_text(FRAME.replace("500", "-500"))
    with pytest.raises(InputError) as caught:
        make_bag(recipe, frame, tmp_path / "out", stages=STAGES)
    assert [(p.file, p.key) for p in caught.value.problems] == [
        (str(frame), "lengths.top-tube"),
        (str(recipe), "stage[0] test.cart.use"),
    ]
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("frame", "recipe", "folder"),
    [
        ("a/demo.frame.toml", "b/bag.recipe.toml", "demo/bag"),
        ("demo.toml", "bag.toml", "demo/bag"),
        ("demo", "bag", "demo/bag"),
        ("a.b.frame.toml", "bag-2.recipe.toml", "a.b/bag-2"),
        (".frame.toml", "..recipe.toml", ".frame/..recipe"),
        ("...frame.toml", "...recipe.toml", "...frame/...recipe"),
    ],
)
def test_results_go_to_a_folder_of_sheet_and_recipe_and_never_above_it(
    frame: str, recipe: str, folder: str
) -> None:
    out = Path("out")
    found = result_folder(Path(recipe), Path(frame), out)
    assert found == out / folder
    assert ".." not in found.parts
    assert len(found.parts) == 3


class WorkedOptions(Options):
    """Options."""

    worked: bool = False
    """Whether to show worked numbers."""


def write_worked(draft: Draft, options: WorkedOptions) -> Draft:
    return draft.with_artifact(Artifact("card.txt", "text", str(options.worked).encode()))


@pytest.mark.parametrize("worked", [False, True])
def test_a_job_shows_worked_numbers_on_request(
    files: tuple[Path, Path], tmp_path: Path, worked: bool
) -> None:
    recipe, frame = files
    recipe.write_text('name = "card"\nversion = "1"\n[[stage]]\nuse = "test.card"\n')
    spec = StageSpec("test.card", "Do", f"{__name__}:write_worked", f"{__name__}:WorkedOptions")
    stages = Stages({"test.card": InstalledStage(spec, "test", "test-bags", "1")}, ())
    make_bag(recipe, frame, tmp_path / "out", worked=worked, stages=stages)
    assert (tmp_path / "out" / "demo" / "my-card" / "card.txt").read_text() == str(worked)
