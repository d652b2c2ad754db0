"""Running a plan: one stage after the other, each timed, each with what it changed."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from oaktag.engine.plan import Plan, PlannedStep
from oaktag.pattern import Draft, Finding, Frame, Material, Provenance, Refusal
from oaktag.plugin.contract import checked, problem_of
from oaktag.recipe import DataFile, InputError, Problem, TomlFile


@dataclass(frozen=True, slots=True)
class StepRecord:
    """What one stage did.

    Attributes:
        id: of the step in the recipe.
        use: name of the stage.
        seconds: wall time.
        changes: what it added or changed, in words.
        findings: what it had to say.
    """

    id: str
    use: str
    seconds: float
    changes: tuple[str, ...]
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class RunResult:
    """A finished run: the draft, and one record per stage."""

    draft: Draft
    journal: tuple[StepRecord, ...]


class StageFailure(Exception):  # noqa: N818 - the stage failed, not this program
    """A stage broke in a way that isn't the user's doing; the cause is chained."""

    def __init__(self, stage: str, distribution: str, error: BaseException) -> None:
        super().__init__(
            f"stage {stage!r} of {distribution} failed: {type(error).__name__}: {error}\n"
            "  This is a fault of the stage, not of your files. Run again with --traceback and send what it\n"
            f"  prints to the authors of {distribution}."
        )


def first_draft(
    frame: Frame, frame_file: TomlFile, plan: Plan, materials: tuple[Material, ...] = ()
) -> Draft:
    """The draft before the first stage: what was measured, where the inputs came from, what is on stock."""
    recipe = plan.recipe
    return Draft(
        frame=frame,
        frame_provenance=Provenance(frame.name, "", frame_file.sha256),
        recipe_provenance=Provenance(recipe.name, recipe.version, recipe.sha256),
        tables=tuple(Provenance(table.name, "", table.sha256) for table in tables_of(plan)),
        materials=materials,
    )


def tables_of(plan: Plan) -> tuple[DataFile, ...]:
    """The shop's own tables that options of a plan name, each once, in the order of the stages."""
    found: dict[DataFile, None] = {}
    for planned in plan.steps:
        options = planned.ready.options
        for name in type(options).model_fields:
            value = getattr(options, name)
            if isinstance(value, DataFile):
                found.setdefault(value)
    return tuple(found)


def run_plan(
    plan: Plan, draft: Draft, frame_file: str, watch: Callable[[PlannedStep], None] | None = None
) -> RunResult:
    """Run every stage of a plan.

    Args:
        plan: checked.
        draft: before the first stage.
        frame_file: name of the frame sheet, for messages.
        watch: called before each stage.

    Raises:
        InputError: a stage refused the readings, its options or a data file.
        StageFailure: a stage broke.
    """
    journal: list[StepRecord] = []
    for planned in plan.steps:
        if watch is not None:
            watch(planned)
        began = time.perf_counter()
        try:
            after = checked(draft, planned.ready.run(draft, planned.ready.options))
        except Refusal as refusal:
            at = planned.step.origin(refusal.key)
            problem = problem_of(refusal, frame_file=frame_file, recipe_file=at.file, key=at.key)
            # What an earlier stage left out with an error may be what this one misses.
            raise InputError([*_earlier_errors(plan, journal), problem]) from refusal
        except (InputError, KeyboardInterrupt):
            # A stage that finds a mistake in a data file names that file itself.
            raise
        except BaseException as error:
            # Not only Exception: a library in another language reports its panics above it, and a stage that
            # calls sys.exit would end the whole catalog.
            raise StageFailure(planned.step.use, planned.distribution, error) from error
        seconds = time.perf_counter() - began
        news = after.findings[len(draft.findings) :]
        changes = tuple(describe_changes(draft, after))
        journal.append(StepRecord(planned.step.id, planned.step.use, seconds, changes, news))
        draft = after
    return RunResult(draft, tuple(journal))


def _earlier_errors(plan: Plan, journal: list[StepRecord]) -> Iterable[Problem]:
    """What stages have found so far that says not to cut, as messages, each at its stage in the recipe."""
    for planned, record in zip(plan.steps, journal, strict=False):
        at = planned.step.origin()
        for finding in record.findings:
            if finding.level == "error":
                reason = f"{finding.code} [{finding.where}]" if finding.where else finding.code
                todo = "correct this first: a later stage builds on it"
                yield Problem(at.file, at.key, reason, finding.message, "", todo)


def describe_changes(before: Draft, after: Draft) -> Iterable[str]:
    """What is different between two drafts, in words."""
    for name in ("survey", "opening", "outlines", "materials", "volume", "operations", "paperwork"):
        old, new = getattr(before, name), getattr(after, name)
        if old != new:
            word = "outline" if name == "outlines" else name
            yield f"{'changed' if old else 'added'} the {word}"
    known = {piece.id: piece for piece in before.pieces}
    for piece in after.pieces:
        if piece.id not in known:
            yield f"added piece {piece.id}"
        elif piece != known[piece.id]:
            old_piece = known[piece.id]
            parts = [
                word
                for word in (
                    "edges",
                    "cut_line",
                    "notches",
                    "marks",
                    "labels",
                    "grain",
                    "parts",
                    "placements",
                    "holes",
                    "fittings",
                )
                if getattr(piece, word) != getattr(old_piece, word)
            ]
            what = ", ".join(part.replace("_", " ") for part in parts) or "its data"
            yield f"changed {what} of {piece.id}"
    gone = known.keys() - {piece.id for piece in after.pieces}
    yield from (f"removed piece {name}" for name in sorted(gone))
    if after.seams != before.seams:
        yield f"{len(after.seams)} seams"
    for artifact in after.artifacts[len(before.artifacts) :]:
        yield f"drew {artifact.path}"
