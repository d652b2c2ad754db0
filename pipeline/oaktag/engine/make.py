"""One job: a recipe and a frame sheet in, a proved pattern and its files out."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from oaktag.engine.plan import PlannedStep, make_plan
from oaktag.engine.run import RunResult, first_draft, run_plan
from oaktag.engine.survey import SURVEY, survey_recipe
from oaktag.engine.write import PATTERN_FILE, WrittenFile, write_artifacts
from oaktag.pattern import Artifact, Draft, Frame
from oaktag.plugin import Stages, load_stages
from oaktag.recipe import InputError, Problem, Recipe, load_frame, load_recipe
from oaktag.recipe.frame_sheet import SUFFIX as FRAME_SUFFIX
from oaktag.recipe.recipe_file import SUFFIX as RECIPE_SUFFIX


@dataclass(frozen=True, slots=True)
class Job:
    """A finished job: the draft, the journal of its stages, and the files that were written."""

    result: RunResult
    written: tuple[WrittenFile, ...] = ()

    @property
    def draft(self) -> Draft:
        """The finished draft."""
        return self.result.draft


def draft_bag(
    recipe: Path,
    frame: Path,
    settings: Mapping[str, Any] | None = None,
    *,
    worked: bool = False,
    stages: Stages | None = None,
    watch: Callable[[PlannedStep], None] | None = None,
) -> Job:
    """Do everything but write the files.

    Args:
        recipe: to follow.
        frame: the sheet.
        settings: parameters of the recipe to override.
        worked: whether stages that can show worked numbers do so.
        stages: what is installed.
        watch: called before each stage.

    Raises:
        InputError: a file can't be used, the recipe can't be planned, or a stage refused what it was given.
        StageFailure: a stage broke.
    """
    return _draft(frame, lambda _, __: load_recipe(recipe, settings), stages, watch, worked=worked)


def survey_frame(
    frame: Path,
    recipe: Path | None = None,
    out: Path | None = None,
    *,
    stages: Stages | None = None,
    watch: Callable[[PlannedStep], None] | None = None,
) -> Job:
    """Make the opening of a frame and draw it, without a bag.

    Args:
        frame: the sheet.
        recipe: whose stages make the opening; None for those that the sheet itself asks for.
        out: where `<sheet>/survey/` is written; None to write nothing.
        stages: what is installed.
        watch: called before each stage.

    Raises:
        InputError: a file can't be used, there is no such stage, or a stage refused what it was given.
        StageFailure: a stage broke.
    """
    job = _draft(
        frame,
        lambda sheet, installed: survey_recipe(
            sheet, installed, None if recipe is None else load_recipe(recipe)
        ),
        stages,
        watch,
    )
    return job if out is None else _written(job, out / stem(frame, FRAME_SUFFIX) / SURVEY)


def _draft(
    frame: Path,
    get_recipe: Callable[[Frame | None, Stages], Recipe],
    stages: Stages | None,
    watch: Callable[[PlannedStep], None] | None,
    *,
    worked: bool = False,
) -> Job:
    problems = _epoch_problems()
    sheet: Frame | None = None
    installed = stages or load_stages()
    try:
        sheet, frame_file = load_frame(frame)
    except InputError as error:
        problems += error.problems
    try:
        plan = make_plan(get_recipe(sheet, installed), installed, worked=worked)
    except InputError as error:
        problems += error.problems
    if problems or sheet is None:
        raise InputError(problems)
    draft = first_draft(sheet, frame_file, plan, installed.materials)
    return Job(run_plan(plan, draft, frame_file.path, watch))


def _epoch_problems() -> list[Problem]:
    # Exporters date their files by it (reproducible-builds.org); said here once, before any of them runs.
    found = os.environ.get("SOURCE_DATE_EPOCH", "")
    if not found or (found.isascii() and found.isdigit() and int(found) < 2**32):
        return []
    return [
        Problem(
            "environment",
            "SOURCE_DATE_EPOCH",
            "is no date",
            found=found,
            valid="whole seconds since 1970, below 4294967296",
            todo="correct it, or unset it",
        )
    ]


def make_bag(
    recipe: Path,
    frame: Path,
    out: Path,
    settings: Mapping[str, Any] | None = None,
    *,
    worked: bool = False,
    stages: Stages | None = None,
    watch: Callable[[PlannedStep], None] | None = None,
) -> Job:
    """Draft a bag and write `out/<sheet>/<recipe>/`.

    Args:
        recipe: to follow.
        frame: the sheet.
        out: where results belong.
        settings: parameters of the recipe to override.
        worked: whether stages that can show worked numbers do so.
        stages: what is installed.
        watch: called before each stage.

    Raises:
        InputError: as `draft_bag`, or the folder can't be written to.
        StageFailure: a stage broke.
    """
    job = draft_bag(recipe, frame, settings, worked=worked, stages=stages, watch=watch)
    return _written(job, result_folder(recipe, frame, out))


def _written(job: Job, folder: Path) -> Job:
    from oaktag.pattern.document import render
    from oaktag.pattern.read_document import document_differences

    document = Artifact(PATTERN_FILE, "pattern", render(job.draft))
    # Its digests are of the finished files, so no stage can read it back.
    wrong = "; ".join(
        f"{difference.where}: {difference.reason}".removeprefix(": ")
        for difference in document_differences(job.draft, document.data)
    )
    if wrong:
        raise RuntimeError(f"{PATTERN_FILE} differs from the draft, so nothing was written: {wrong}")
    return Job(job.result, write_artifacts(folder, [*job.draft.artifacts, document]))


def result_folder(recipe: Path, frame: Path, out: Path) -> Path:
    """Where the results of a job belong."""
    return out / stem(frame, FRAME_SUFFIX) / stem(recipe, RECIPE_SUFFIX)


def stem(path: Path, suffix: str) -> str:
    """The file's name without the suffix of its kind, as the name of a folder."""
    name = path.name.removesuffix(suffix)
    return path.stem if name in (path.name, "", ".", "..") else name
