"""Holding what was read against the draft: a right file passes, and every way of being wrong is seen."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag.geometry import Arc, Box, Line, Path, Point, offset_outline
from oaktag.pattern import CutRun, Draft, Edge, Frame, Hole, Label, Notch, Piece, Provenance
from oaktag.pattern.drawing import ROLES, Text, as_strokes, moved, piece_items
from oaktag.pattern.read_back import Difference, Found, FoundLine, FoundText, differences
from oaktag.pattern.sheet import Placement, draw_sheet, draw_sheets
from oaktag.pattern.shown import Page, Shown, page_of

LAYERS = {role: role.upper() for role in ROLES}


def piece(name: str, width: float, height: float) -> Piece:
    """A rectangle with one round corner, a hole, notches and a label."""
    r = 20.0
    corner = Arc((width - r, height), (width, height - r), (width - r, height - r), r, True)
    edges = (
        Edge("top", Path((Line((0.0, height), (width - r, height)),)), 8.0),
        Edge("corner:round", Path((corner,)), 8.0),
        Edge("right", Path((Line((width, height - r), (width, 0.0)),)), 8.0),
        Edge("bottom", Path((Line((width, 0.0), (0.0, 0.0)),)), 8.0),
        Edge("left", Path((Line((0.0, 0.0), (0.0, height)),)), 8.0),
    )
    paths = offset_outline([edge.path for edge in edges], [edge.allowance for edge in edges])
    circle = Path((Arc((35.0, 20.0), (25.0, 20.0), (30.0, 20.0), 5.0, True),
                   Arc((25.0, 20.0), (35.0, 20.0), (30.0, 20.0), 5.0, True)))  # fmt: skip
    return Piece(
        id=name,
        name=name.title(),
        edges=edges,
        material="shell",
        cut_line=tuple(CutRun(edge.name, path) for edge, path in zip(edges, paths, strict=True)),
        notches=(Notch("top", 30.0, "a", 2), Notch("right", 30.0, "b")),
        labels=(Label((name.title(), "cut 1"), (0.5 * width, 0.5 * height), 5.0),),
        holes=(Hole("port", circle, "port"),),
    )


DRAFT = Draft(
    frame=Frame("Demo", ("a", "b", "c"), ("ab", "bc", "ca"), ()),
    frame_provenance=Provenance("demo.frame.toml"),
    recipe_provenance=Provenance("demo", "1.0.0"),
    pieces=(piece("panel", 200.0, 120.0), piece("strip", 260.0, 60.0)),
)


def shown_of(draft: Draft = DRAFT, **more: object) -> Shown:
    sheet = draw_sheet(draft)
    return replace(Shown((page_of(sheet, 10.0, 300.0),), LAYERS), **more)  # type: ignore[arg-type]


def file_of(draft: Draft, shown: Shown, *, named: bool = True, chord_error: float = 0.0007) -> Found:
    """What a faultless reader finds in a faultless file."""
    lines, texts, pieces = [], [], []
    for number, page in enumerate(shown.pages):
        groups = [
            (place.piece, [moved(item, place.transform) for item in piece_items(draft.piece(place.piece))])
            for place in page.placements
        ]
        pieces += [name for name, _ in groups]
        for name, items in [*groups, ("", list(page.own))]:
            for item in items:
                if isinstance(item, Text) and shown.lettering == "text":
                    texts += [
                        FoundText(shown.layers[item.role], line, place, item.height, item.angle, name, number)
                        for line, place in zip(item.lines, item.line_positions(), strict=True)
                    ]
                else:
                    lines += [
                        FoundLine(shown.layers[stroke.role], stroke.flatten(chord_error), name, number)
                        for stroke in as_strokes([item])
                    ]
    return Found(tuple(lines), tuple(texts), tuple(pieces) if named else None, len(shown.pages))


def mapped(found: Found, change: Callable[[Point], Point]) -> Found:
    lines = tuple(replace(line, points=tuple(change(point) for point in line.points)) for line in found.lines)
    return replace(found, lines=lines)


@pytest.mark.parametrize("named", [True, False])
@pytest.mark.parametrize("lettering", ["strokes", "text"])
def test_a_right_file_has_no_differences(named: bool, lettering: str) -> None:
    shown = shown_of(lettering=lettering)
    assert differences(DRAFT, shown, file_of(DRAFT, shown, named=named)) == ()


def without(found: Found, layer: str, count: int = 1) -> Found:
    """The file less the first lines of a layer."""
    lines = list(found.lines)
    for line in [line for line in lines if line.layer == layer][:count]:
        lines.remove(line)
    return replace(found, lines=tuple(lines))


def swapped(found: Found, one: str, other: str) -> Found:
    names = {one: other, other: one}
    return replace(
        found, lines=tuple(replace(line, layer=names.get(line.layer, line.layer)) for line in found.lines)
    )


def extra(found: Found) -> Found:
    line = FoundLine("CUT", ((50.0, 320.0), (90.0, 320.0)), "panel")
    return replace(found, lines=(*found.lines, line))


def doubled(found: Found) -> Found:
    (cut, *_) = [line for line in found.lines if line.layer == "CUT"]
    return replace(found, lines=(*found.lines, cut))


def one_piece_moved(found: Found) -> Found:
    lines = tuple(
        replace(line, points=tuple((x + 0.02, y) for x, y in line.points)) if line.piece == "strip" else line
        for line in found.lines
    )
    return replace(found, lines=lines)


FAULTS: dict[str, Callable[[Found], Found]] = {
    "points as millimetres": lambda found: mapped(found, lambda p: (p[0] * 25.4 / 72, p[1] * 25.4 / 72)),
    "a little too small": lambda found: mapped(found, lambda p: (p[0] * 0.999, p[1] * 0.999)),
    "wider than high": lambda found: mapped(found, lambda p: (p[0] * 1.001, p[1])),
    "mirrored": lambda found: mapped(found, lambda p: (500.0 - p[0], p[1])),
    "upside down": lambda found: mapped(found, lambda p: (p[0], 900.0 - p[1])),
    "without a notch": lambda found: without(found, "NOTCH"),
    "without a hole": lambda found: without(found, "HOLE"),
    "without a letter's stroke": lambda found: without(found, "TEXT"),
    "without any seam line": lambda found: without(found, "SEAM", 9),
    "layers swapped": lambda found: swapped(found, "CUT", "SEAM"),
    "a layer of another name": lambda found: swapped(found, "SEAM", "X"),
    "a line too many": extra,
    "a line twice": doubled,
    "a piece 0.02 mm off": one_piece_moved,
    "a piece too few": lambda found: replace(found, pieces=("panel",)),
    "a piece twice": lambda found: replace(found, pieces=("panel", "strip", "strip")),
    "a page too many": lambda found: replace(found, pages=2),
    "nothing": lambda found: replace(found, lines=()),
}  # fmt: skip


@pytest.mark.parametrize("fault", FAULTS)
def test_every_fault_is_found(fault: str) -> None:
    shown = shown_of()
    assert differences(DRAFT, shown, FAULTS[fault](file_of(DRAFT, shown)))


ONLY_WITH_NAMES = {"a piece too few", "a piece twice"}


@pytest.mark.parametrize("fault", [fault for fault in FAULTS if fault not in ONLY_WITH_NAMES])
def test_faults_are_found_where_a_format_names_no_pieces(fault: str) -> None:
    shown = shown_of()
    right = file_of(DRAFT, shown)
    assert differences(DRAFT, shown, replace(FAULTS[fault](right), pieces=None))


def test_a_wrong_scale_is_called_that() -> None:
    shown = shown_of()
    wrong = FAULTS["points as millimetres"](file_of(DRAFT, shown))
    assert differences(DRAFT, shown, wrong) == (Difference("everything is drawn at 0.3528 of its true size"),)


def test_a_file_in_inches_says_so() -> None:
    shown = shown_of(scale=1.0 / 25.4)
    right = mapped(file_of(DRAFT, shown), lambda p: (p[0] / 25.4, p[1] / 25.4))
    assert differences(DRAFT, shown, right) == ()
    assert differences(DRAFT, shown_of(), right)


def changed_text(found: Found, **changes: object) -> Found:
    first, *rest = found.texts
    return replace(found, texts=(replace(first, **changes), *rest))  # type: ignore[arg-type]


def moved_by(dx: float, point: Point) -> Point:
    return (point[0] + dx, point[1])


TEXT_FAULTS: dict[str, Callable[[Found], Found]] = {
    "missing": lambda found: replace(found, texts=found.texts[1:]),
    "too many": lambda found: replace(found, texts=(*found.texts, found.texts[0])),
    "other words": lambda found: changed_text(found, text="cut 2"),
    "moved": lambda found: changed_text(found, position=moved_by(0.02, found.texts[0].position)),
    "smaller": lambda found: changed_text(found, height=4.9),
    "turned": lambda found: changed_text(found, angle=1.0),
    "on another piece": lambda found: changed_text(found, piece="strip"),
    "on another layer": lambda found: changed_text(found, layer="CUT"),
}  # fmt: skip


@pytest.mark.parametrize("fault", TEXT_FAULTS)
def test_every_fault_of_text_is_found(fault: str) -> None:
    shown = shown_of(lettering="text")
    assert differences(DRAFT, shown, TEXT_FAULTS[fault](file_of(DRAFT, shown)))


def test_a_piece_that_nobody_placed_is_missed() -> None:
    shown = shown_of()
    (page,) = shown.pages
    less = replace(shown, pages=(replace(page, placements=page.placements[:1]),))
    right = file_of(DRAFT, less)
    assert differences(DRAFT, less, right) == (Difference("the piece isn't drawn", "strip"),)
    assert differences(DRAFT, replace(less, whole=False), right) == ()


def tiled(width: float, *, lost: bool = False) -> Shown:
    sheet = draw_sheet(DRAFT)
    pages = []
    left = sheet.bounds.min_x
    while left < sheet.bounds.max_x:
        window = Box(0.0, 0.0, width, sheet.bounds.height)
        pages.append(page_of(sheet, -left, -sheet.bounds.min_y, window))
        left += width - 10.0
    if lost:
        del pages[1]
    return Shown(tuple(pages), LAYERS)


def test_pages_are_held_to_what_can_be_seen_on_them() -> None:
    shown = tiled(100.0)
    assert len(shown.pages) > 2
    right = file_of(DRAFT, shown, named=False)
    assert differences(DRAFT, shown, right) == ()
    # What lies outside the window may be in the file or not.
    inside = replace(
        right, lines=tuple(line for line in right.lines if any(-1.0 <= x <= 101.0 for x, _ in line.points))
    )
    assert len(inside.lines) < len(right.lines)
    seen = [line for line in right.lines if Box.around(line.points).overlaps(Box(0, 0, 100, 1e4), 0.0)]
    assert differences(DRAFT, shown, replace(right, lines=tuple(seen))) == ()
    assert differences(DRAFT, shown, FAULTS["without any seam line"](right))


def test_a_lost_page_is_missed() -> None:
    shown = tiled(100.0, lost=True)
    found = differences(DRAFT, shown, file_of(DRAFT, shown, named=False))
    assert found == (Difference("part of the piece is on no page", "panel"),)


@settings(max_examples=25, deadline=None)
@given(angle=st.sampled_from([0.0, 90.0, 180.0, 33.0]), dx=st.floats(-500, 500), dy=st.floats(-500, 500))
def test_turned_and_moved_pieces_are_found_where_they_lie(angle: float, dx: float, dy: float) -> None:
    page = Page((Placement("panel", dx, dy, angle), Placement("strip", 1000.0, 0.0)))
    shown = Shown((page,), LAYERS)
    assert differences(DRAFT, shown, file_of(DRAFT, shown)) == ()
    other = replace(
        shown,
        pages=(replace(page, placements=(Placement("panel", dx, dy, angle + 0.1), page.placements[1])),),
    )
    assert differences(DRAFT, other, file_of(DRAFT, shown))  # fmt: skip


def test_chord_errors_within_the_tolerance_pass() -> None:
    coarse = file_of(DRAFT, shown_of(), chord_error=0.045)
    assert differences(DRAFT, shown_of(tolerance=0.05), coarse) == ()
    assert differences(DRAFT, shown_of(tolerance=0.02), coarse)


def test_sheets_are_limited_and_pieces_turned() -> None:
    wide = draw_sheets(DRAFT, width=200.0, turn=True)
    assert [(place.piece, place.angle) for place in wide[0].placements] == [("panel", 90.0), ("strip", 90.0)]
    assert wide[0].bounds.width <= 230.0
    several = draw_sheets(DRAFT, width=300.0, height=420.0)
    assert [[place.piece for place in sheet.placements] for sheet in several] == [["panel"], ["strip"]]
    assert all(sheet.bounds.height <= 420.0 for sheet in several)
    assert [sheet.title.rpartition(", ")[2] for sheet in several] == ["sheet 1 of 2", "sheet 2 of 2"]
    changed = DRAFT.replaced(DRAFT.pieces[1].evolve(material="liner"))
    materials = draw_sheets(changed, by_material=True)
    assert [(sheet.material, len(sheet.placements)) for sheet in materials] == [("shell", 1), ("liner", 1)]
