"""The kit that tests a plugin: an example frame, and one stage run as a recipe would run it.

Example:
    >>> from oaktag.plugin.kit import example_draft, run_stage
    >>> draft = example_draft("measure.reconcile", "outline.clear")
    >>> draft = run_stage("corners.round", draft, radius={"default": 20, "head": "1 in"})
    >>> [edge.name for edge in draft.outline.edges][:2]
    ['top-tube', 'corner:head']
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from typing import Any

from oaktag.pattern import Draft, Frame, Place, Provenance, Reading, Seam, TubeWidth
from oaktag.plugin.contract import ContractError, checked, ready
from oaktag.plugin.manager import InstalledStage, Stages, load_stages
from oaktag.plugin.spec import PARTS, Part
from oaktag.recipe import InputError, Problem, listed, meant, show
from oaktag.recipe.options import kebab

__all__ = ["ContractError", "example_draft", "example_frame", "run_stage"]

HERE = "run_stage"
"""What messages name instead of a file."""


def example_frame() -> Frame:
    """A made-up bicycle: a triangle with spare readings that agree, and a down tube that gets wider."""
    corners, tubes = ("seat", "head", "bottom-bracket"), ("top-tube", "down-tube", "seat-tube")
    lengths = {"top-tube": 523.0, "down-tube": 604.0, "seat-tube": 402.0}
    angles = {"bottom-bracket": 58.5, "head": 41.0}
    widths = {"top-tube": (36.0, 40.0), "down-tube": (46.0, 52.0), "seat-tube": (36.0, 34.0)}
    return Frame(
        name="Example",
        size="M",
        corners=corners,
        tubes=tubes,
        readings=(
            *(Reading("length", of, value, 1.0, "tape", f"lengths.{of}") for of, value in lengths.items()),
            *(
                Reading("angle", of, value, 0.3, "angle-gauge", f"angles.{of}")
                for of, value in angles.items()
            ),
        ),
        widths=tuple(
            TubeWidth(Place(tube, fraction=float(end)), width, f"widths.{tube}.{corners[(index + end) % 3]}")
            for index, tube in enumerate(tubes)
            for end, width in enumerate(widths[tube])
        ),
    )


def example_draft(*uses: str, frame: Frame | None = None) -> Draft:
    """A draft to begin a test with.

    Args:
        *uses: names of installed stages that have run already, each with its default options.
        frame: another frame than the example.

    Raises:
        InputError: as `run_stage`.
        Refusal: as `run_stage`.
    """
    draft = Draft(
        frame or example_frame(),
        Provenance("example"),
        Provenance("example", "1.0.0"),
        materials=_stages().materials,
    )
    for use in uses:
        draft = run_stage(use, draft)
    return draft


def run_stage(use: str, draft: Draft, /, **options: Any) -> Draft:
    """Run one installed stage and check that it keeps its contract.

    Args:
        use: name of the stage, as recipes use it.
        draft: before it.
        **options: as TOML would give them: numbers, text, lists, tables; `slope_limit` for `slope-limit`.

    Returns:
        The draft after it.

    Raises:
        InputError: the stage isn't installed or can't be loaded, options are no good, or the draft lacks
            a part that the stage needs; what a user would be told.
        Refusal: the stage refused what it was given; its `key` is below the stage's own options.
        ContractError: the stage broke its contract, such as changing a part that its description hides.
        TypeError: an option is something that TOML can't hold.
    """
    stages = _stages()
    stage = _installed(use, stages)
    as_toml = {kebab(name): _toml_value(value, name) for name, value in options.items()}
    prepared = ready(stage, as_toml, file=HERE, key=use)
    _check_needs(stage, draft, stages)
    after = checked(draft, prepared.run(draft, prepared.options))
    for part, reason in touched(draft, after).items():
        named_by = {part} | (_WHOLE_PIECES if part in _ON_PIECES else frozenset())
        if not named_by & (stage.spec.adds | stage.spec.changes):
            raise ContractError(f"{use} {reason}, but names the {part} under neither adds nor changes")
    return after


@cache
def _stages() -> Stages:
    # Looking through everything that is installed takes longer than most stages.
    return load_stages()


def _installed(use: str, stages: Stages) -> InstalledStage:
    if use in stages.installed:
        return stages.installed[use]
    fault = stages.fault_of(use)
    reason = "there is no such stage" if fault is None else fault.reason
    todo = (
        meant(use, stages.installed, "install the plugin: pip install -e .") if fault is None else fault.todo
    )
    raise InputError([Problem(HERE, "use", reason, show(use), listed(stages.installed), todo)])


def _toml_value(value: object, name: str) -> object:
    if isinstance(value, dict):
        return {str(key): _toml_value(inner, f"{name}.{key}") for key, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [_toml_value(inner, name) for inner in value]
    if isinstance(value, (bool, int, float, str)):
        return value
    raise TypeError(
        f"{name}: TOML can't hold a {type(value).__name__}; give a number, text, a list or a table"
    )


_THERE: dict[Part, Callable[[Draft], object]] = {
    "survey": lambda draft: draft.survey,
    "opening": lambda draft: draft.opening,
    "outline": lambda draft: draft.outline,
    "panels": lambda draft: draft.pieces,
    "seams": lambda draft: draft.seams,
    "allowances": lambda draft: any(piece.cut_line for piece in draft.pieces),
    "notches": lambda draft: any(piece.notches for piece in draft.pieces),
    "labels": lambda draft: any(piece.labels for piece in draft.pieces),
    "stitches": lambda draft: any(seam.stitching for seam in draft.seams),
    "operations": lambda draft: draft.operations,
    "paperwork": lambda draft: draft.paperwork,
    "files": lambda draft: draft.artifacts,
}
"""How to see that a part is there; the others leave no trace of their own."""


def _check_needs(stage: InstalledStage, draft: Draft, stages: Stages) -> None:
    for part in PARTS:
        if part in stage.spec.needs and part in _THERE and not _THERE[part](draft):
            reason = f"needs the {part}, which the draft doesn't have"
            valid = f"a draft that has the {part}"
            todo = f"run one of these before it: {listed(stages.suppliers(part))}"
            raise InputError([Problem(HERE, stage.spec.name, reason, "nothing", valid, todo)])


_ON_PIECES: frozenset[Part] = frozenset({"panels", "seams", "features", "allowances", "notches", "labels"})
_WHOLE_PIECES: frozenset[Part] = frozenset({"panels", "gusset", "features"})
"""Whoever makes or remakes whole pieces brings along all that is on them."""


def touched(before: Draft, after: Draft) -> dict[Part, str]:
    """The parts that are different between two drafts, each with what was done to it."""
    found: dict[Part, str] = {}
    attributes: tuple[tuple[Part, str], ...] = (
        ("survey", "survey"),
        ("opening", "opening"),
        ("outline", "outlines"),
        ("materials", "materials"),
        ("volume", "volume"),
        ("operations", "operations"),
        ("paperwork", "paperwork"),
        ("files", "artifacts"),
    )
    for part, name in attributes:
        if getattr(after, name) != getattr(before, name):
            found[part] = f"changes the draft's {name}"
    if _unstitched(after) != _unstitched(before):
        found["seams"] = "changes the draft's seams"
    elif after.seams != before.seams:
        found["stitches"] = "changes how seams are sewn"
    known = {piece.id: piece for piece in before.pieces}
    if known.keys() != {piece.id for piece in after.pieces}:
        found["panels"] = "adds or removes pieces"
    on_pieces: tuple[tuple[Part, str], ...] = (
        ("panels", "seam_line"),
        ("allowances", "cut_line"),
        ("notches", "notches"),
        ("labels", "labels"),
        ("features", "parts"),
        ("features", "placements"),
        ("features", "holes"),
        ("features", "fittings"),
    )
    for piece in after.pieces:
        for part, name in on_pieces:
            if piece.id in known and getattr(piece, name) != getattr(known[piece.id], name):
                found.setdefault(part, f"changes the {name.replace('_', ' ')} of {piece.id}")
    return found


def _unstitched(draft: Draft) -> list[Seam]:
    return [replace(seam, stitching=None) for seam in draft.seams]
