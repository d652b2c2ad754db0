"""`pattern.json` is read back before it is written."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest

from oaktag import Draft
from oaktag.pattern import Finding
from oaktag.pattern.document import render
from oaktag.pattern.read_document import document_differences


def test_a_right_document_has_no_differences(draft: Draft) -> None:
    assert list(document_differences(draft, render(draft))) == []


def scale(document: Any) -> None:
    document["pieces"][1]["cut_line"][0]["end"][0] *= 1.001


def bend(document: Any) -> None:
    arc = next(s for s in document["pieces"][0]["seam_line"] if s["kind"] == "arc")
    arc["clockwise"] = not arc["clockwise"]


def widen(document: Any) -> None:
    arc = next(s for s in document["pieces"][0]["seam_line"] if s["kind"] == "arc")
    arc["radius"] += 0.02


def straighten(document: Any) -> None:
    curve = next(s for s in document["pieces"][0]["seam_line"] if s["kind"] == "curve")
    curve["points"][len(curve["points"]) // 2][0] += 0.1


def drop_segment(document: Any) -> None:
    del document["pieces"][0]["cut_line"][2]


def drop_notch(document: Any) -> None:
    del document["pieces"][0]["notches"][0]


def drop_piece(document: Any) -> None:
    del document["pieces"][-1]


def count(document: Any) -> None:
    document["pieces"][0]["quantity"] += 1


def silence(document: Any) -> None:
    document["findings"].clear()


FAULTS: tuple[Callable[[Any], None], ...] = (
    scale,
    bend,
    widen,
    straighten,
    drop_segment,
    drop_notch,
    drop_piece,
    count,
    silence,
)


@pytest.mark.parametrize("fault", FAULTS)
def test_a_wrong_document_is_seen(draft: Draft, fault: Callable[[Any], None]) -> None:
    warned = draft.with_findings([Finding("warning", "demo", "A message")])
    document = json.loads(render(warned))
    fault(document)
    assert list(document_differences(warned, json.dumps(document).encode()))


def test_what_is_no_document_raises(draft: Draft) -> None:
    with pytest.raises(ValueError, match="EOF"):
        list(document_differences(draft, b'{"pieces": ['))
