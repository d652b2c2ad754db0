"""Exporters broken on purpose: sheets that differ from the draft in one way, for files that must be caught.

An exporter that draws one of these instead of the draft's own sheet writes a file that must be refused.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from types import ModuleType
from typing import Any

import pytest

from oaktag import Draft, Finding
from oaktag.geometry import Line, Path, Transform
from oaktag.pattern.drawing import Item, Role, Stroke, Text, as_strokes
from oaktag.pattern.sheet import PieceDrawing, Sheet, draw_sheet
from oaktag_plugins.check_read_back import ReadBackOptions
from oaktag_plugins.check_read_back import run as read_back

Breaking = Callable[[Sheet], Sheet]


def _of_pieces(change: Callable[[PieceDrawing], Iterable[Item]]) -> Breaking:
    """A sheet whose pieces are drawn otherwise."""

    def changed(sheet: Sheet) -> Sheet:
        drawings = [replace(drawing, items=tuple(change(drawing))) for drawing in sheet.drawings]
        return replace(sheet, drawings=tuple(drawings))

    return changed


def _of_first_piece(change: Callable[[PieceDrawing], Iterable[Item]]) -> Breaking:
    def changed(sheet: Sheet) -> Sheet:
        first, *others = sheet.drawings
        return replace(sheet, drawings=(replace(first, items=tuple(change(first))), *others))

    return changed


def _transformed(items: Iterable[Item], transform: Transform) -> list[Item]:
    return [
        Stroke(stroke.role, stroke.path.transformed(transform), stroke.piece) for stroke in as_strokes(items)
    ]


def _mirrored(drawing: PieceDrawing) -> list[Item]:
    return _transformed(drawing.items, Transform.mirror_x(drawing.bounds.centre[0]))


def _without_first(is_one: Callable[[Item], bool]) -> Callable[[PieceDrawing], list[Item]]:
    def fewer(drawing: PieceDrawing) -> list[Item]:
        number = next(index for index, item in enumerate(drawing.items) if is_one(item))
        return [item for index, item in enumerate(drawing.items) if index != number]

    return fewer


def _with_line(drawing: PieceDrawing) -> list[Item]:
    x, y = drawing.bounds.centre
    return [*drawing.items, Stroke("cut", Path((Line((x, y), (x + 7.0, y)),)), drawing.piece)]


def _moved_by(distance: float) -> Breaking:
    def changed(sheet: Sheet) -> Sheet:
        first, *others = sheet.placements
        return replace(sheet, placements=(first.shifted(distance, 0.0), *others))

    return changed


def _misspelt(drawing: PieceDrawing) -> list[Item]:
    return [
        replace(item, lines=tuple(f"{line}s" for line in item.lines)) if isinstance(item, Text) else item
        for item in drawing.items
    ]


def _in_roles_of_each_other(one: Role, other: Role) -> Callable[[PieceDrawing], list[Item]]:
    swapped: Mapping[Role, Role] = {one: other, other: one}

    def changed(drawing: PieceDrawing) -> list[Item]:
        return [replace(item, role=swapped.get(item.role, item.role)) for item in drawing.items]

    return changed


def _without_last_piece(sheet: Sheet) -> Sheet:
    return replace(sheet, drawings=sheet.drawings[:-1], placements=sheet.placements[:-1])


POINTS_FOR_MILLIMETRES = 25.4 / 72.0

BREAKINGS: Mapping[str, Breaking] = {
    "points for millimetres": _of_pieces(
        lambda drawing: _transformed(drawing.items, Transform.scaling(POINTS_FOR_MILLIMETRES))
    ),
    "one per cent too large": _of_pieces(
        lambda drawing: _transformed(drawing.items, Transform.scaling(1.01))
    ),
    "mirrored pieces": _of_pieces(_mirrored),
    "a notch too few": _of_first_piece(_without_first(lambda item: item.role == "notch")),
    "a text too few": _of_first_piece(_without_first(lambda item: isinstance(item, Text))),
    "other text": _of_first_piece(_misspelt),
    "no seam line": _of_first_piece(_without_first(lambda item: item.role == "seam")),
    "cut and seam line in each other's place": _of_first_piece(_in_roles_of_each_other("cut", "seam")),
    "notches as grain": _of_first_piece(_in_roles_of_each_other("notch", "grain")),
    "a cut too many": _of_first_piece(_with_line),
    "a cut line twice": _of_first_piece(lambda drawing: [drawing.items[0], *drawing.items]),
    "a piece too few": _without_last_piece,
}
"""Ways in which what is drawn may differ from the draft."""

MISPLACED: Breaking = _moved_by(0.2)
"""A piece that lies 0.2 mm beside where it should: no fault of the pattern, but one of the file."""


def broken_run(
    monkeypatch: pytest.MonkeyPatch, module: ModuleType, breaking: Breaking, draft: Draft, options: Any
) -> Draft:
    """What an exporter makes of a draft while it draws a sheet that is broken."""
    with monkeypatch.context() as patch:
        patch.setattr(module, "draw_sheet", lambda *given, **named: breaking(draw_sheet(*given, **named)))
        result: Draft = module.run(draft, options)
    return result


def caught(draft: Draft) -> list[Finding]:
    """The errors that reading all files of a draft back ends in; a file that has one is removed."""
    after = read_back(draft, ReadBackOptions())
    errors = [finding for finding in after.findings[len(draft.findings) :] if finding.level == "error"]
    assert bool(errors) is (after.artifacts != draft.artifacts)
    return errors


def with_bytes(draft: Draft, old: bytes, new: bytes, count: int = 1) -> Draft:
    """The draft with other bytes in its last file."""
    *others, last = draft.artifacts
    assert old in last.data
    return draft.evolve(artifacts=(*others, replace(last, data=last.data.replace(old, new, count))))
