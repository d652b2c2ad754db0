"""What holds between the program and a stage: options are valid before it runs, its draft when it returns."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any

from oaktag.pattern import Draft, Refusal
from oaktag.recipe import InputError, Options, Origin, Problem, problems_of, show
from oaktag.recipe.data_file import placed
from oaktag.recipe.problem import joined
from oaktag.recipe.recipe_file import origin_of

if TYPE_CHECKING:
    from oaktag.plugin.manager import InstalledStage


class ContractError(Exception):
    """A stage that gave back something that no stage may."""


@dataclass(frozen=True, slots=True)
class ReadyStage:
    """A stage that can run: where it comes from, its function, its options."""

    stage: InstalledStage
    run: Callable[[Draft, Options], Draft]
    options: Options


def ready(
    stage: InstalledStage,
    options: Mapping[str, Any],
    *,
    file: str,
    key: str,
    laid: Mapping[str, Origin] | None = None,
) -> ReadyStage:
    """Load a stage and validate its options.

    Args:
        stage: to load.
        options: as TOML gives them.
        file: that the options stand in, as the user named it; data files are named from its folder.
        key: that they stand under.
        laid: where options stand that aren't in that file or not under that key, by name.

    Raises:
        InputError: the stage can't be loaded, or options or the data files that they name are no good; one
            problem for each mistake.
    """
    from pydantic import ValidationError

    model, run = load(stage, file=file, key=key)
    laid = laid or {}
    folder = Path(file).parent
    data = {
        name: value
        if name not in laid or Path(laid[name].file).parent == folder
        else placed(value, Path(laid[name].file).parent)
        for name, value in options.items()
    }
    try:
        return ReadyStage(stage, run, model.model_validate(data, context={"folder": folder}))
    except ValidationError as error:
        found = problems_of(error, model=model, data=options, file=file)
    origins = [origin_of(problem.key, Origin(file, key), laid) for problem in found]
    raise InputError(
        replace(problem, file=origin.file, key=joined(origin.key, problem.key))
        for problem, origin in zip(found, origins, strict=True)
    )


def load(
    stage: InstalledStage, *, file: str, key: str
) -> tuple[type[Options], Callable[[Draft, Options], Draft]]:
    """Import a stage's options and its function.

    Raises:
        InputError: the stage can't be loaded.
    """
    try:
        return stage.spec.load_options(), stage.spec.load_run()
    except (Exception, SystemExit) as error:
        reason = f"this stage of {stage.distribution} can't be loaded"
        found = f"{type(error).__name__}: {error}"
        todo = f"install {stage.distribution} again, or tell its authors"
        raise InputError([Problem(file, key, reason, found, "a stage that can be loaded", todo)]) from error


def problem_of(refusal: Refusal, *, frame_file: str, recipe_file: str, key: str) -> Problem:
    """A stage's refusal as a message.

    Args:
        refusal: what the stage raised.
        frame_file: name of the frame sheet.
        recipe_file: name of the recipe.
        key: of the stage in the recipe.
    """
    in_frame = refusal.source == "frame"
    file, place = (frame_file, refusal.key) if in_frame else (recipe_file, joined(key, refusal.key))
    return Problem(file, place, refusal.reason, refusal.found, refusal.valid, refusal.todo)


def checked(before: Draft, after: object) -> Draft:
    """The draft that a stage gave back, if it is one that the next stage can take.

    Raises:
        ContractError: it is no draft, forgets what earlier stages found or where the draft comes from, has
            two pieces, seams or files of one name, or a file outside the result folder.
        Refusal: it has a piece, a seam or a file twice because an earlier stage has made it already.
    """
    if not isinstance(after, Draft):
        raise ContractError(f"it returned a {type(after).__name__}, not a Draft")
    for name in ("frame", "frame_provenance", "recipe_provenance", "tables"):
        if getattr(after, name) != getattr(before, name):
            raise ContractError(f"it changed the draft's {name.replace('_', ' ')}, which no stage may")
    if after.findings[: len(before.findings)] != before.findings:
        raise ContractError("it dropped findings of earlier stages")
    for artifact in after.artifacts:
        if not is_below(artifact.path):
            raise ContractError(f"its file {artifact.path!r} leads out of the result folder")
    ids = (
        ("piece", [piece.id for piece in before.pieces], [piece.id for piece in after.pieces]),
        ("seam", [seam.id for seam in before.seams], [seam.id for seam in after.seams]),
        ("file", [a.path for a in before.artifacts], [a.path for a in after.artifacts]),
    )
    for what, old, new in ids:
        _refuse_twins(what, old, new)
    folders = {str(parent) for a in after.artifacts for parent in PurePosixPath(a.path).parents}
    for artifact in after.artifacts:
        if str(PurePosixPath(artifact.path)) in folders:
            raise ContractError(f"its file {artifact.path!r} has the name of a folder of other files")
    return after


def is_below(path: str) -> bool:
    """Whether a file's path stays below the result folder, on every system."""
    parts = PurePosixPath(path).parts
    return bool(parts) and path[0] != "/" and ".." not in parts and not set(path) & set("\\:\0")


def _refuse_twins(what: str, old: Iterable[str], new: Iterable[str]) -> None:
    known = set(old)
    for name, count in Counter(new).items():
        if count == 1:
            continue
        if name not in known:
            raise ContractError(f"it made two {what}s of the name {name!r}")
        raise Refusal(
            f"makes a {what} that an earlier stage has made already",
            key="",
            source="recipe",
            found=show(name),
            valid=f"one {what} of each name",
            todo="remove one of the two stages",
        )
