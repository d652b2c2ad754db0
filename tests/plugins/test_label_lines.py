"""The maker's own text on pieces, and text that can't be lettered."""

from __future__ import annotations

from typing import Any

import pytest
from pydantic import ValidationError

from oaktag import Refusal
from oaktag.geometry import Line, Path
from oaktag.pattern import CutRun, Draft, Edge, Frame, Material, Piece, Provenance, Survey
from oaktag.pattern.document import document
from oaktag_plugins import label_block
from oaktag_plugins.label_block import VALUES, BlockOptions

TUBES = ("top-tube", "down-tube", "seat-tube")


def rectangle(piece_id: str, width: float, height: float, **more: Any) -> Piece:
    corners = ((0.0, 0.0), (0.0, height), (width, height), (width, 0.0))
    edges = tuple(
        Edge(f"edge-{i}", Path((Line(a, b),)), 0.0)
        for i, (a, b) in enumerate(zip(corners, corners[1:] + corners[:1], strict=True))
    )
    runs = tuple(CutRun(edge.name, edge.path) for edge in edges)
    return Piece(piece_id, piece_id.replace("-", " "), edges, "shell", cut_line=runs, **more)


def draft_of(*pieces: Piece, name: str = "Demo", survey: Survey | None = None) -> Draft:
    frame = Frame(name, ("seat", "head", "bottom-bracket"), TUBES, (), size="M")
    return Draft(
        frame,
        Provenance(name, "", "1f" * 32),
        Provenance("fit-sample", "1.2.0", "ab" * 32),
        survey=survey,
        materials=(
            Material("shell", "shell", "cloth"),
            Material("tape", "webbing", "tape", width=25.0),
        ),
        pieces=pieces,
    )


def said(draft: Draft, **options: Any) -> dict[str, tuple[str, ...]]:
    done = label_block.run(draft, BlockOptions.model_validate(options))
    directions = {"UP", "FRONT", "GRAIN", "DRIVE SIDE"}
    texts = {
        piece.id: [label.lines for label in piece.labels if not directions.intersection(label.lines)]
        for piece in done.pieces
    }
    return {name: tuple(line for block in blocks for line in block) for name, blocks in texts.items()}


PANEL = rectangle("side-panel-drive", 400.0, 300.0, role="side-panel", quantity=2, mirrored=1)
GUSSET = rectangle("gusset-2", 900.0, 60.0, role="gusset")
PATCH = rectangle("patch", 60.0, 40.0, role="patch")


def test_the_makers_own_lines_stand_on_every_piece() -> None:
    lines = [
        "{{ piece.name }}, {{ number }} of {{ total }}",
        "{{ piece.cut }}",
        "{{ piece.allowances }}",
        "{% if volume_l %}{{ volume_l }} l{% endif %}",
        "{{ frame.name }} {{ frame.size }}, {{ recipe.name }} {{ recipe.version }}",
        "{{ materials|map(attribute='name')|join(', ') }}",
    ]
    assert said(draft_of(PANEL, GUSSET), lines=lines) == {
        "side-panel-drive": (
            "side panel drive, 1 of 2",
            "cut 2: 1 as drawn, 1 turned over",
            "no allowance",
            "Demo M, fit-sample 1.2.0",
            "shell",
        ),
        "gusset-2": (
            "gusset 2, 2 of 2",
            "cut 1 as drawn",
            "no allowance",
            "Demo M, fit-sample 1.2.0",
            "shell",
        ),
    }


def test_lines_are_given_by_piece_role_or_material_and_the_rest_stays_as_usual() -> None:
    lines = {"gusset": ["strip {{ piece.id }}"], "side-panel": ["panel"]}
    texts = said(draft_of(PANEL, GUSSET, PATCH), lines=lines)
    assert texts["gusset-2"] == ("strip gusset-2",)
    assert texts["side-panel-drive"] == ("panel",)
    assert "cut 1" in texts["patch"]
    texts = said(draft_of(PANEL, GUSSET), lines={"shell": ["cloth"], "gusset-2": ["second"]})
    assert (texts["side-panel-drive"], texts["gusset-2"]) == (("cloth",), ("second",))


def test_tape_keeps_its_short_text_unless_it_is_named() -> None:
    tape = rectangle("strap", 300.0, 25.0).evolve(material="tape")
    assert said(draft_of(PANEL, tape), lines=["mine"])["strap"][0] == "strap"
    assert said(draft_of(PANEL, tape), lines={"strap": ["mine"]})["strap"] == ("mine",)


def test_a_small_piece_says_the_first_of_the_lines() -> None:
    lines = ["{{ piece.id }}", *(f"a long line about nothing at all {n}" for n in range(9))]
    done = label_block.run(draft_of(PATCH), BlockOptions.model_validate({"lines": lines}))
    assert done.pieces[0].labels[0].lines[0] == "patch"
    (finding,) = done.findings
    assert finding.code == "label-left-out"
    assert "nothing at all 8" in finding.message


@pytest.mark.parametrize(
    ("lines", "key", "reason"),
    [
        (["{{ piece.name }}", "{{ piece.colour }}"], "lines[1]", "no 'colour' here"),
        ({"gusset": ["{{ survey.perimeter.value }}"]}, "lines.gusset[0]", "isn't known"),
        ({"default": ["{{ 'x' * 10 }}"], "patch": ["x"]}, "lines.default[0]", "can't be used"),
        (["{{ volume_l }}"], "lines", "without any text"),
        ({"gust": ["x"]}, "lines.gust", "no piece, role or material"),
    ],
)
def test_a_line_that_cannot_be_filled_in_names_its_place(lines: Any, key: str, reason: str) -> None:
    with pytest.raises(Refusal, match=reason) as caught:
        label_block.run(draft_of(PANEL, GUSSET, PATCH), BlockOptions.model_validate({"lines": lines}))
    assert caught.value.key == key
    assert caught.value.todo


@pytest.mark.parametrize(
    "options",
    [
        {"lines": ["{{ piece"]},
        {"lines": ["{{ colour }}"]},
        {"lines": {"gusset": ["{{ range(3) }}"]}},
        {"lines": []},
        {"lines": ["x"] * 41},
        {"notes": ["two\nlines"]},
        {"author": "x" * 121},
        {"licence": "\x1b[31m"},
    ],
)
def test_what_can_never_be_lettered_is_refused_with_the_options(options: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        BlockOptions.model_validate(options)


def test_templates_may_name_what_pattern_json_has() -> None:
    assert {*document(draft_of(PANEL)), "piece", "number", "total"} == VALUES


def test_characters_that_cannot_be_lettered_are_found() -> None:
    done = label_block.run(draft_of(PANEL, GUSSET, name="Жук 日本"), BlockOptions())
    (finding,) = [finding for finding in done.findings if finding.code == "letters-missing"]
    assert finding.level == "warning"
    assert finding.where == "side-panel-drive"
    assert "日, 本 can't be written" in finding.message
    assert "'frame: Жук 日本' on side-panel-drive and gusset-2" in finding.message


def test_letters_of_other_alphabets_are_no_finding() -> None:
    done = label_block.run(draft_of(PANEL, name="Жук Ωμέγα Łódź ½"), BlockOptions())
    assert not [finding for finding in done.findings if finding.code == "letters-missing"]
