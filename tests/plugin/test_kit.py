"""The kit that plugin authors test with."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from oaktag import Draft, Finding, Options, Refusal, StageSpec
from oaktag.geometry import Path
from oaktag.pattern import (
    Artifact,
    Edge,
    Hole,
    Label,
    Notch,
    Outline,
    Piece,
    PlacementLine,
    Seam,
    SeamSide,
    Stitching,
)
from oaktag.plugin import InstalledStage, PluginFault, Stages, kit
from oaktag.plugin.kit import ContractError, example_draft, example_frame, run_stage
from oaktag.recipe import InputError, Length, PerName

SQUARE = Path.polyline([(0, 0), (0, 10), (10, 10), (10, 0), (0, 0)])
SEAM = Seam("s", SeamSide("b", ("e",)), SeamSide("b", ("e",)))


class HemOptions(Options):
    """Options."""

    hem_width: PerName[Length] = PerName.uniform(5.0)
    """How wide."""
    from_: str = "seat"
    """Where it begins."""
    layers: tuple[float, ...] = ()
    """Layers."""
    does: str = "outline"
    """What the stage does."""


def outline(draft: Draft, options: HemOptions) -> Draft:
    width = options.hem_width.get("top-tube")
    note = Finding("note", "hem", f"{width:g} {options.from_} {options.layers}")
    return draft.evolve(outlines=(Outline((Edge("top-tube", SQUARE, width),)),)).with_findings([note])


def misbehave(draft: Draft, options: HemOptions) -> Any:
    """Everything that a stage may do wrong, by name."""
    ways: dict[str, Callable[[], object]] = {
        "outline": lambda: outline(draft, options),
        "nothing": lambda: None,
        "refuse": lambda: refuse(),
        "piece": lambda: draft.evolve(pieces=(*draft.pieces, Piece("b", "b", (Edge("e", SQUARE),), "shell"))),
        "seam-line": lambda: on_piece(draft, edges=(Edge("e", SQUARE.reversed()),)),
        "notch": lambda: on_piece(draft, notches=(Notch("e", 5.0, "a"),)),
        "label": lambda: on_piece(draft, labels=(Label(("a",), (0, 0), 5.0),)),
        "placement": lambda: on_piece(draft, placements=(PlacementLine("a", SQUARE, "patch"),)),
        "hole": lambda: on_piece(draft, holes=(Hole("a", SQUARE, "port"),)),
        "parts": lambda: on_piece(draft, parts=("c",)),
        "seam": lambda: draft.evolve(seams=(SEAM,)),
        "stitching": lambda: draft.evolve(seams=(replace(SEAM, stitching=Stitching("1.01", "301", 3.0)),)),
        "volume": lambda: draft.evolve(volume=5.0),
        "file": lambda: draft.with_artifact(Artifact("a.txt", "text", b"")),
        "findings": lambda: draft.with_findings([Finding("note", "a", "A")]),
    }
    return ways[options.does]()


def refuse() -> None:
    raise Refusal("won't do", key="does", source="recipe", found="refuse", valid="outline", todo="don't")


def on_piece(draft: Draft, **changes: object) -> Draft:
    return draft.evolve(pieces=tuple(piece.evolve(**changes) for piece in draft.pieces))


@pytest.fixture(autouse=True)
def installed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Four stages, and a fifth that is lost."""

    def stage(name: str, run: str, **parts: frozenset[str]) -> tuple[str, InstalledStage]:
        spec = StageSpec(name, "Hem", f"{__name__}:{run}", f"{__name__}:HemOptions", **parts)  # type: ignore[arg-type]
        return name, InstalledStage(spec, "hem", "hem-bags", "1")

    stages = dict(
        [
            stage("hem.outline", "outline", adds=frozenset({"outline"})),
            stage("hem.features", "misbehave", needs=frozenset({"panels"}), adds=frozenset({"features"})),
            stage("hem.panels", "misbehave", needs=frozenset({"outline"}), adds=frozenset({"panels"})),
            stage("hem.labels", "misbehave", needs=frozenset({"panels"}), adds=frozenset({"labels"})),
            stage("hem.check", "misbehave", adds=frozenset({"proof"})),
        ]
    )
    lost = PluginFault("lost", "lost-bags", "it rained", "dry it", ("hem.lost",))
    monkeypatch.setattr(kit, "_stages", lambda: Stages(stages, (lost,)))


def test_a_stage_runs_in_five_lines() -> None:
    draft = example_draft()
    after = run_stage("hem.outline", draft, hem_width="1 in")
    assert after.outline is not None
    assert after.outline.edges[0].allowance == 25.4
    assert draft.outline is None


def test_options_are_those_of_toml() -> None:
    options = {"hem_width": {"default": 5, "top-tube": 7}, "from_": "head", "layers": [1, 2]}
    after = run_stage("hem.outline", example_draft(), **options)
    assert after.findings[-1].message == "7 head (1.0, 2.0)"


@pytest.mark.parametrize("value", [None, object(), {"a": None}, [object()], PerName.uniform(5.0)])
def test_what_toml_cannot_hold_is_refused(value: object) -> None:
    with pytest.raises(TypeError, match=r"hem_width.*: TOML can't hold a"):
        run_stage("hem.outline", example_draft(), hem_width=value)


def test_bad_options_are_told_as_a_user_would_be_told() -> None:
    with pytest.raises(InputError) as caught:
        run_stage("hem.outline", example_draft(), hem_widht=5, layers="x")
    assert [(p.file, p.key, p.todo) for p in caught.value.problems] == [
        ("run_stage", "hem.outline.layers", "correct the value"),
        ("run_stage", "hem.outline.hem-widht", "did you mean 'hem-width'?"),
    ]


@pytest.mark.parametrize(
    ("use", "reason", "todo"),
    [
        ("hem.outlin", "there is no such stage", "did you mean 'hem.outline'?"),
        ("wing.span", "there is no such stage", "install the plugin: pip install -e ."),
        ("hem.lost", "it rained", "dry it"),
    ],
)
def test_a_stage_that_is_not_installed(use: str, reason: str, todo: str) -> None:
    with pytest.raises(InputError) as caught:
        run_stage(use, example_draft())
    [problem] = caught.value.problems
    assert (problem.reason, problem.todo) == (reason, todo)
    assert problem.found == f'"{use}"'
    assert "hem.outline" in problem.valid


def test_a_draft_without_what_the_stage_needs_is_refused_naming_who_supplies_it() -> None:
    with pytest.raises(InputError) as caught:
        run_stage("hem.panels", example_draft(), does="piece")
    [problem] = caught.value.problems
    assert problem.key == "hem.panels"
    assert problem.reason == "needs the outline, which the draft doesn't have"
    assert problem.todo == "run one of these before it: hem.outline"


def test_a_refusal_comes_through_as_it_is() -> None:
    with pytest.raises(Refusal) as caught:
        run_stage("hem.panels", example_draft("hem.outline"), does="refuse")
    assert (caught.value.key, caught.value.todo) == ("does", "don't")


@pytest.mark.parametrize(
    ("use", "does"),
    [
        ("hem.panels", "piece"),
        ("hem.panels", "seam-line"),
        ("hem.panels", "notch"),
        ("hem.panels", "label"),
        ("hem.panels", "findings"),
        ("hem.labels", "label"),
        ("hem.features", "placement"),
        ("hem.features", "hole"),
        ("hem.features", "parts"),
        ("hem.features", "seam"),
        ("hem.check", "findings"),
    ],
)
def test_a_stage_may_touch_what_it_says(use: str, does: str) -> None:
    draft = run_stage("hem.panels", example_draft("hem.outline"), does="piece")
    run_stage(use, draft.evolve(pieces=()) if does == "piece" else draft, does=does)


@pytest.mark.parametrize(
    ("use", "does", "reason"),
    [
        ("hem.panels", "volume", "hem.panels changes the draft's volume, but names the volume under neither"),
        ("hem.panels", "outline", "hem.panels changes the draft's outlines, but names the outline"),
        ("hem.labels", "notch", "hem.labels changes the notches of b, but names the notches"),
        ("hem.labels", "seam-line", "hem.labels changes the seam line of b, but names the panels"),
        ("hem.check", "file", "hem.check changes the draft's artifacts, but names the files"),
        ("hem.check", "label", "hem.check changes the labels of b, but names the labels"),
        ("hem.labels", "placement", "hem.labels changes the placements of b, but names the features"),
        ("hem.labels", "parts", "hem.labels changes the parts of b, but names the features"),
        ("hem.labels", "seam", "hem.labels changes the draft's seams, but names the seams"),
        ("hem.features", "volume", "hem.features changes the draft's volume, but names the volume"),
        ("hem.check", "nothing", "it returned a NoneType, not a Draft"),
    ],
)
def test_a_stage_that_touches_more_than_it_says_breaks_its_contract(use: str, does: str, reason: str) -> None:
    draft = run_stage("hem.panels", example_draft("hem.outline"), does="piece")
    with pytest.raises(ContractError, match="^" + reason):
        run_stage(use, draft, does=does, hem_width=9)


def test_how_a_seam_is_sewn_is_another_matter_than_what_it_joins() -> None:
    draft = run_stage("hem.panels", example_draft("hem.outline"), does="piece").evolve(seams=(SEAM,))
    with pytest.raises(ContractError, match="changes how seams are sewn, but names the stitches"):
        run_stage("hem.features", draft, does="stitching")


def test_adding_a_piece_is_no_matter_of_labels() -> None:
    draft = run_stage("hem.panels", example_draft("hem.outline"), does="piece")
    renamed = draft.evolve(pieces=(draft.pieces[0].evolve(id="a"),))
    with pytest.raises(ContractError, match=r"hem\.labels adds or removes pieces, but names the panels"):
        run_stage("hem.labels", renamed, does="piece")


def test_the_example_frame_is_a_triangle_with_spare_readings_and_cannot_be_changed() -> None:
    frame = example_frame()
    assert len(frame.corners) == len(frame.tubes) == 3
    assert len(frame.readings) > 3
    assert [(w.place.tube, w.key) for w in frame.widths][2:4] == [
        ("down-tube", "widths.down-tube.head"),
        ("down-tube", "widths.down-tube.bottom-bracket"),
    ]
    with pytest.raises(dataclasses.FrozenInstanceError):
        setattr(frame, "name", "B")  # noqa: B010 - the type checker knows that it is read-only
    assert frame == example_frame()


def test_another_frame_may_take_the_examples_place() -> None:
    frame = dataclasses.replace(example_frame(), name="Other")
    assert example_draft("hem.outline", frame=frame).frame.name == "Other"
