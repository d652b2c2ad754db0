from __future__ import annotations

import math
from dataclasses import replace
from itertools import combinations

import pytest
import shapely
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from pydantic import ValidationError
from shapely.geometry.base import BaseGeometry

from oaktag import Refusal
from oaktag.geometry import Arc, Line, OffsetError, Path, Point, Transform, offset_outline, round_corner
from oaktag.pattern import (
    CutRun,
    Draft,
    Edge,
    Fitting,
    Frame,
    Hole,
    Label,
    Mark,
    Material,
    Notch,
    Piece,
    PlacementLine,
    Provenance,
)
from oaktag.pattern.drawing import draw_piece, line_labels
from oaktag.pattern.lettering import letter
from oaktag_plugins import label_block
from oaktag_plugins.drafting.label_room import Rectangle, Room
from oaktag_plugins.label_block import (
    BlockOptions,
    allowance_text,
    arrangements,
    grain_direction,
    letter_piece,
    oaktag_stages,
    quantity_text,
    readable,
    text_of,
)

STRIP_EDGES = ("non-drive-side", "end", "drive-side", "start")
TUBES = ("top-tube", "down-tube", "seat-tube")
TRIANGLE = ((-160.0, 380.0), (340.0, 380.0), (0.0, 0.0))
L_SHAPE = ((0.0, 120.0), (380.0, 120.0), (380.0, 400.0), (500.0, 400.0), (500.0, 0.0), (0.0, 0.0))


def polygon_piece(
    points: tuple[Point, ...],
    names: tuple[str, ...] = (),
    piece_id: str = "divider",
    allowance: float = 10.0,
    front: float | None = None,
    up: float | None = None,
) -> Piece:
    edges = tuple(
        Edge(name, Path((Line(a, b),)), allowance)
        for name, a, b in zip(
            names or [f"edge-{i}" for i in range(len(points))], points, points[1:] + points[:1], strict=True
        )
    )
    return with_cut_line(Piece(piece_id, piece_id.replace("-", " "), edges, "shell", front=front, up=up))


def with_cut_line(piece: Piece) -> Piece:
    paths = offset_outline([edge.path for edge in piece.edges], [edge.allowance for edge in piece.edges])
    runs = tuple(CutRun(edge.name, path) for edge, path in zip(piece.edges, paths, strict=True))
    return piece.evolve(cut_line=runs)


def panel(mirrored: bool = False) -> Piece:
    """A rounded triangle with notches."""
    sides = [Path((Line(a, b),)) for a, b in zip(TRIANGLE, TRIANGLE[1:] + TRIANGLE[:1], strict=True)]
    arcs: list[Arc] = []
    for i in range(3):
        fillet = round_corner(sides[i], sides[(i + 1) % 3], 22.0, "right")
        sides[i], sides[(i + 1) % 3] = fillet.first, fillet.second
        arcs.append(fillet.arc)
    edges = []
    for tube, side, corner, arc in zip(TUBES, sides, ("head", "bottom-bracket", "seat"), arcs, strict=True):
        edges += [Edge(tube, side, 10.0), Edge(f"corner:{corner}", Path((arc,)), 10.0)]
    piece = Piece("side-panel-drive", "side panel, drive side", tuple(edges), "shell", front=0.0, up=90.0)
    if mirrored:
        mirror = Transform.mirror_x()
        piece = piece.evolve(
            id="side-panel-non-drive",
            name="side panel, non-drive side",
            edges=tuple(Edge(e.name, e.path.transformed(mirror), e.allowance) for e in edges),
            front=180.0,
        )
    return with_cut_line(piece).evolve(
        notches=(Notch("top-tube", 150.0, "a"), Notch("down-tube", 200.0, "b", 3))
    )


def strip(width: float = 33.0, length: float = 1300.0, marks: tuple[Mark, ...] = ()) -> Piece:
    h = 0.5 * width
    corners = ((0.0, h), (length, h), (length, -h), (0.0, -h))
    return polygon_piece(corners, STRIP_EDGES, "gusset").evolve(marks=marks)


def cross_mark(x: float, text: str, half: float = 16.5) -> Mark:
    return Mark("line", Path((Line((x, -half), (x, half)),)), text)


def draft_of(*pieces: Piece, size: str = "M", version: str = "1.2.0") -> Draft:
    frame = Frame("Demo all-road, size M", ("seat", "head", "bottom-bracket"), TUBES, (), size=size)
    return Draft(
        frame,
        Provenance(frame.name, "", "1f2e3d4c" + "0" * 56),
        Provenance("fit-sample", version, "ab" * 32),
        pieces=pieces,
    )


LONG_TEXT = BlockOptions(
    notes=("Ärmel-Nähte vorher heften, 90° × 2",),
    author="Demo Workshop",
    licence="Copy it, change it, sell what you sew from it, and say where the pattern comes from.",
)
SHAPES = {
    "panel": panel(),
    "mirrored panel": panel(mirrored=True),
    "narrow strip": strip(),
    "strip with marks": strip(
        marks=tuple(cross_mark(x, f"corner {x:g}") for x in (150.0, 520.0, 610.0, 1100.0))
    ),
    "wide short strip": strip(60.0, 320.0),
    "L": polygon_piece(L_SHAPE, front=0.0, up=90.0),
    "sliver": polygon_piece(((0.0, 0.0), (500.0, 70.0), (500.0, 0.0)), front=0.0, up=90.0),
    "patch": polygon_piece(((0.0, 70.0), (95.0, 70.0), (95.0, 0.0), (0.0, 0.0))),
    "steep strip": polygon_piece(((0.0, 0.0), (160.0, 260.0), (195.0, 240.0), (35.0, -20.0))),
    "bare facing": polygon_piece(
        ((0.0, 36.0), (300.0, 36.0), (300.0, 0.0), (0.0, 0.0)), allowance=0.0
    ).evolve(notches=(Notch("edge-0", 150.0, "a", 2), Notch("edge-2", 100.0, "b"))),
}


def ink(label: Label) -> shapely.MultiLineString:
    return shapely.MultiLineString(
        [path.flatten(0.05) for path in letter(label.lines, label.height, label.position, label.angle)]
    )


def lettered(piece: Piece, options: BlockOptions = LONG_TEXT) -> tuple[Piece, tuple[str, ...]]:
    draft = draft_of(piece)
    return letter_piece(piece, text_of(draft, piece, 1, options), grain_direction(piece, options), options)


def assert_clear(before: Piece, after: Piece, margin: float) -> None:
    """Whatever was put on the piece lies inside its seam line and apart from everything else there."""
    seam = before.seam_line.polygon(0.01)
    inside = seam.buffer(-margin + 0.02)
    others = shapely.union_all(
        [shapely.LineString(s.flatten(0.01)) for s in draw_piece(before) if s.role not in ("cut", "seam")]
    )
    new_labels = after.labels[len(before.labels) :]
    new_marks = after.marks[len(before.marks) :]
    things: list[BaseGeometry] = [ink(label) for label in new_labels]
    things += [shapely.LineString(mark.path.flatten(0.05)) for mark in new_marks]
    assert after.grain is not None
    things.append(shapely.LineString([after.grain.start, after.grain.end]))
    for thing in things:
        assert inside.covers(thing)
        assert others.is_empty or others.distance(thing) > margin - 0.1
    for one, other in combinations(things, 2):
        assert one.convex_hull.distance(other.convex_hull) > 0.8


@pytest.mark.parametrize("name", SHAPES)
def test_everything_is_inside_and_apart(name: str) -> None:
    before = SHAPES[name]
    after, missing = lettered(before)
    assert missing == ()
    assert_clear(before, after, LONG_TEXT.margin)
    for label in after.labels:
        assert -90.0 < label.angle <= 90.0
        assert LONG_TEXT.smallest <= label.height <= LONG_TEXT.height
    assert len({label.height for label in after.labels}) == 1


@settings(max_examples=40, deadline=None)
@given(
    radii=st.lists(st.floats(25.0, 260.0), min_size=3, max_size=9),
    turn=st.floats(0.0, 6.3),
    height=st.floats(2.5, 12.0),
    margin=st.floats(0.5, 8.0),
    front=st.sampled_from([0.0, 180.0, 37.0, None]),
)
def test_any_outline_is_lettered_inside(
    radii: list[float], turn: float, height: float, margin: float, front: float | None
) -> None:
    n = len(radii)
    points = tuple(
        (r * math.cos(turn - math.tau * i / n), r * math.sin(turn - math.tau * i / n))
        for i, r in enumerate(radii)
    )
    try:
        before = polygon_piece(points, front=front, up=None if front is None else front + 90.0)
    except OffsetError:
        assume(False)
    options = BlockOptions(height=height, margin=margin, licence="Keep this line with the pattern.")
    draft = label_block.run(draft_of(before), options)
    (after,) = draft.pieces
    if draft.findings:
        assert [(f.level, f.code, f.where) for f in draft.findings] == [
            ("warning", "label-too-large", "divider")
        ]
        assert all(label.height == options.smallest for label in after.labels)
    else:
        assert_clear(before, after, margin)
        words = " ".join(line for label in after.labels for line in label.lines)
        for line in text_of(draft_of(before), before, 1, options):
            assert line.replace(" ", "") in words.replace(" ", "")
    assert after.grain is not None
    assert (
        before.seam_line.polygon()
        .buffer(0.1)
        .covers(shapely.LineString([after.grain.start, after.grain.end]))
    )


def test_text_says_what_the_cutter_needs() -> None:
    piece = panel().evolve(quantity=2, mirrored=1)
    draft = draft_of(strip(), piece)
    assert text_of(draft, piece, 2, LONG_TEXT) == (
        "side panel, drive side",
        "piece 2 of 2",
        "cut 2: 1 as drawn, 1 turned over",
        "material: shell",
        "OUTSIDE FACE",
        "allowance 10 mm included",
        "frame: Demo all-road, size M",
        "recipe: fit-sample 1.2.0",
        "frame sheet 1f2e3d4c",
        "Ärmel-Nähte vorher heften, 90° × 2",
        "by Demo Workshop",
        "Copy it, change it, sell what you sew from it, and say where the pattern comes from.",
    )


def test_what_is_unknown_is_left_out() -> None:
    draft = draft_of(panel(), size="54 cm", version="").evolve(frame_provenance=Provenance("x"))
    lines = text_of(draft, draft.pieces[0], 1, BlockOptions())
    assert lines[-3:] == ("frame: Demo all-road, size M", "size: 54 cm", "recipe: fit-sample")


@pytest.mark.parametrize(
    ("quantity", "mirrored", "text"),
    [
        (1, 0, "cut 1 as drawn"),
        (2, 1, "cut 2: 1 as drawn, 1 turned over"),
        (2, 2, "cut 2 turned over"),
        (4, 1, "cut 4: 3 as drawn, 1 turned over"),
    ],
)
def test_quantity(quantity: int, mirrored: int, text: str) -> None:
    assert quantity_text(quantity, mirrored) == text


def test_allowances() -> None:
    def edges(*allowances: float) -> tuple[Edge, ...]:
        names = ("drive-side", "end", "corner:head", "start")
        lengths = (900.0, 40.0, 30.0, 40.0)
        return tuple(
            Edge(name, Path((Line((0.0, 0.0), (length, 0.0)),)), allowance)
            for name, length, allowance in zip(names, lengths, allowances, strict=True)
        )

    assert allowance_text(edges(10, 10, 10, 10)) == "allowance 10 mm included"
    assert allowance_text(edges(0, 0, 0, 0)) == "no allowance"
    assert allowance_text(edges(10, 12.5, 10, 12.5)) == "allowance included: 10 mm, end and start 12.5 mm"
    assert (
        allowance_text(edges(10, 12, 0, 12))
        == "allowance included: 10 mm, corner head 0 mm, end and start 12 mm"
    )
    assert (
        allowance_text(edges(8, 12, 12, 12)) == "allowance included: 8 mm, end, corner head and start 12 mm"
    )


@pytest.mark.parametrize("height", [4.0, 6.0, 9.0])
def test_a_panel_has_letters_of_the_wanted_height(height: float) -> None:
    after, _ = lettered(panel(), BlockOptions(height=height))
    assert {label.height for label in after.labels} == {height}
    assert {label.angle for label in after.labels} == {0.0}


def test_letters_are_as_large_as_the_piece_lets_them_be() -> None:
    heights = [lettered(strip(width, 400.0))[0].labels[0].height for width in (26.0, 33.0, 44.0, 110.0)]
    assert heights == sorted(heights)
    assert 2.5 <= heights[0] < heights[1] < heights[3] == 6.0


def test_columns_stand_side_by_side_on_common_baselines() -> None:
    after, _ = lettered(strip())
    block = [label for label in after.labels if label.lines not in (("GRAIN",), ("DRIVE SIDE",))]
    assert len(block) > 3
    words = [line for label in block for line in label.lines]
    assert words[:2] == ["gusset", "piece 1 of 1"]
    assert " ".join(words[-2:]).endswith("say where the pattern comes from.")
    for one, other in combinations(block, 2):
        assert one.position[0] < other.position[0]
        assert ink(one).bounds[2] < ink(other).bounds[0]
    # A line without accents or tails ends at its baseline.
    flat = [label for label in block if not set("".join(label.lines[-1:])) & set("gjpqyÄ,()")]
    rows = len(block[0].lines)
    bottoms = {round(ink(label).bounds[1], 6) for label in flat if len(label.lines) == rows}
    assert len(flat) > 1
    assert len(bottoms) == 1


def arrow_of(after: Piece, text: str) -> tuple[Point, Point]:
    """Tail and tip of the arrow nearest to a text."""
    (label,) = (label for label in after.labels if label.lines == (text,))
    mark = min(after.marks, key=lambda m: shapely.LineString(m.path.flatten(0.1)).distance(ink(label)))
    first = mark.path.segments[0]
    return first.start, first.end


@pytest.mark.parametrize(
    ("front", "up"),
    [(0.0, 90.0), (180.0, 90.0), (30.0, 120.0), (-150.0, -60.0), (90.0, 180.0), (359.9999999999, 90.0)],
)
def test_arrows_point_to_the_front_and_up(front: float, up: float) -> None:
    after, missing = lettered(panel().evolve(front=front, up=up))
    assert missing == ()
    for text, direction in (("FRONT", front), ("UP", up)):
        (x0, y0), (x1, y1) = arrow_of(after, text)
        length = math.hypot(x1 - x0, y1 - y0)
        assert length > 10.0
        assert (x1 - x0) / length == pytest.approx(math.cos(math.radians(direction)), abs=1e-9)
        assert (y1 - y0) / length == pytest.approx(math.sin(math.radians(direction)), abs=1e-9)


@pytest.mark.parametrize("width", [24.0, 33.0, 40.0, 60.0, 90.0])
@pytest.mark.parametrize("marks", [(), (40.0, 300.0, 650.0, 690.0, 1000.0)])
def test_a_strip_names_its_drive_side(width: float, marks: tuple[float, ...]) -> None:
    before = strip(width, marks=tuple(cross_mark(x, "seat", width / 2) for x in marks))
    after, missing = lettered(before)
    assert missing == ()
    (label,) = (label for label in after.labels if label.lines == ("DRIVE SIDE",))
    assert label.angle == 0.0
    # The drive side's edge has the lower y; the word is never in the other half.
    assert -0.5 * width + 4.0 - 0.02 <= ink(label).bounds[1]
    assert ink(label).bounds[3] <= 0.01


def test_the_drive_side_is_named_on_its_half_though_the_other_is_nearer() -> None:
    lines = tuple(Mark("line", Path((Line((150.0, y), (1150.0, y)),))) for y in (-10.0, -20.0))
    after, missing = lettered(strip(60.0, marks=lines))
    assert missing == ()
    (label,) = (label for label in after.labels if label.lines == ("DRIVE SIDE",))
    assert ink(label).bounds[3] <= 0.01
    assert not 150.0 < label.position[0] < 1150.0


def test_a_panel_has_no_drive_edge() -> None:
    assert not any(label.lines == ("DRIVE SIDE",) for label in lettered(panel())[0].labels)


LINES = (
    "side panel, drive side",
    "piece 1 of 3",
    "allowance included: 10 mm, end and start 12 mm",
    "bicycle 3",
)


def test_a_line_stays_in_one_column() -> None:
    seen = 0
    for columns in arrangements(LINES, split=False):
        for column in columns:
            text = " ".join(column.lines)
            assert any(text == " ".join(LINES[i:j]) for i in range(4) for j in range(i + 1, 5))
        assert " ".join(row for column in columns for row in column.lines) == " ".join(LINES)
        seen += 1
    assert seen > 5
    whole = {tuple(column.lines for column in columns) for columns in arrangements(LINES, split=False)}
    torn = {tuple(column.lines for column in columns) for columns in arrangements(LINES, split=True)}
    assert torn - whole


def test_a_number_stays_with_its_unit() -> None:
    rows = {row for columns in arrangements(LINES, False) for column in columns for row in column.lines}
    assert len(rows) > 6
    for row in rows:
        assert not row.startswith(("mm", "1 ", "3", "12"))
        assert "\u00a0" not in row


def test_the_first_lines_stay_when_there_is_no_room() -> None:
    tiny = polygon_piece(((0.0, 30.0), (44.0, 30.0), (44.0, 0.0), (0.0, 0.0)), piece_id="tab")
    draft = label_block.run(draft_of(panel(), tiny), LONG_TEXT)
    (finding,) = draft.findings
    assert (finding.level, finding.code, finding.where) == ("warning", "label-too-large", "tab")
    assert "letters of 2.5 mm leave no room on tab for 'material: shell', 'OUTSIDE FACE'" in finding.message
    assert "'piece 2 of 2'" not in finding.message
    after = draft.pieces[1]
    words = [line for label in after.labels for line in label.lines]
    assert words[:2] == ["tab", "piece 2 of 2"]
    assert_clear(tiny, after, 4.0)
    (whole,) = label_block.run(draft_of(panel()), LONG_TEXT).pieces
    assert {line for label in whole.labels for line in label.lines} >= {"UP", "FRONT", "GRAIN"}


def test_a_piece_too_small_for_a_letter_still_has_a_grain() -> None:
    dot = polygon_piece(((0.0, 9.0), (30.0, 9.0), (30.0, 0.0), (0.0, 0.0)), piece_id="dot")
    draft = label_block.run(draft_of(dot), BlockOptions())
    (after,) = draft.pieces
    assert after.labels == ()
    assert "'dot', 'piece 1 of 1'" in draft.findings[0].message
    assert after.grain is not None
    assert after.grain.length > 10.0
    assert dot.seam_line.polygon().contains(shapely.LineString([after.grain.start, after.grain.end]))


def test_what_a_piece_carries_already_stays_and_is_avoided() -> None:
    zipper = Mark("centre", Path((Line((-90.0, 300.0), (250.0, 300.0)),)), "zipper")
    own = Label(("by hand",), (20.0, 200.0), 8.0, 30.0)
    before = panel().evolve(marks=(zipper,), labels=(own,))
    after, missing = lettered(before)
    assert missing == ()
    assert after.marks[0] == zipper
    assert after.labels[0] == own
    assert_clear(before, after, LONG_TEXT.margin)


def test_lettering_twice_gives_the_same() -> None:
    draft = draft_of(*SHAPES.values())
    assert label_block.run(draft, LONG_TEXT) == label_block.run(draft, LONG_TEXT)


# Grain


def grain_of(piece: Piece, **options: object) -> float:
    after = label_block.run(draft_of(piece), BlockOptions.model_validate(options)).pieces[0]
    assert after.grain is not None
    (x0, y0), (x1, y1) = after.grain.start, after.grain.end
    return math.degrees(math.atan2(y1 - y0, x1 - x0)) % 360.0


def test_warp_runs_along_the_top_tube_or_the_strip() -> None:
    assert grain_of(panel()) == pytest.approx(0.0, abs=1e-9)
    assert grain_of(panel(mirrored=True)) == pytest.approx(180.0, abs=1e-9)
    assert grain_of(strip()) == pytest.approx(0.0, abs=1e-9)
    assert grain_of(SHAPES["steep strip"]) == pytest.approx(math.degrees(math.atan2(260.0, 160.0)))


def test_grain_may_be_given_by_edge_or_angle_for_a_piece_or_material() -> None:
    (x0, y0), (x1, y1) = panel().edge("down-tube").path.start, panel().edge("down-tube").path.end
    down = math.degrees(math.atan2(y1 - y0, x1 - x0)) % 360.0
    assert grain_of(panel(), **{"grain-along": "down-tube"}) == pytest.approx(down)
    assert grain_of(panel(), **{"grain-along": {"shell": "down-tube"}}) == pytest.approx(down)
    assert grain_of(panel(), **{"grain-angle": {"shell": 45}}) == pytest.approx(45.0)
    assert grain_of(panel(), **{"grain-angle": "-30 deg"}) == pytest.approx(330.0)
    particular = {
        "grain-angle": {"shell": 45, "side-panel-drive": 10},
        "grain-along": {"default": "down-tube"},
    }
    assert grain_of(panel(), **particular) == pytest.approx(10.0)
    part = strip().evolve(id="gusset-2")
    assert grain_of(part, **{"grain-angle": {"gusset": 90}}) == pytest.approx(90.0)
    assert grain_of(part, **{"grain-angle": {"gusset": 90, "gusset-2": 80}}) == pytest.approx(80.0)


def test_a_default_edge_is_for_the_pieces_that_have_it() -> None:
    options = BlockOptions.model_validate({"grain-along": "seat-tube"})
    draft = label_block.run(draft_of(panel(), strip()), options)
    first, second = (piece.grain for piece in draft.pieces)
    assert first is not None
    assert second is not None
    assert abs(first.start[1] - first.end[1]) > 20.0
    assert second.start[1] == pytest.approx(second.end[1])


@pytest.mark.parametrize(
    ("options", "key", "todo"),
    [
        ({"grain-along": {"gussett": "start"}}, "grain-along.gussett", "did you mean 'gusset'?"),
        ({"grain-angle": {"lining": 3}}, "grain-angle.lining", "name a piece or a material, or remove it"),
        ({"grain-along": {"gusset": "top-tube"}}, "grain-along.gusset", "name an edge of the piece"),
        ({"grain-along": "top-tubes"}, "grain-along", "did you mean 'top-tube'?"),
        (
            {"grain-along": {"gusset": "start"}, "grain-angle": {"gusset": 3}},
            "grain-along.gusset",
            "remove grain-along.gusset or grain-angle.gusset",
        ),
    ],
)
def test_grain_that_no_piece_can_follow_is_refused(options: dict[str, object], key: str, todo: str) -> None:
    with pytest.raises(Refusal) as refused:
        label_block.run(draft_of(panel(), strip()), BlockOptions.model_validate(options))
    assert (refused.value.key, refused.value.source, refused.value.todo) == (key, "recipe", todo)
    assert refused.value.found
    assert refused.value.valid


def test_options_are_checked() -> None:
    options = BlockOptions.model_validate({"height": "1/4 in", "smallest": 3, "notes": ["baste"]})
    assert (options.height, options.notes) == (6.35, ("baste",))
    with pytest.raises(ValidationError, match="letters can't be 4 mm high and at least 5 mm"):
        BlockOptions.model_validate({"height": 4, "smallest": 5})
    with pytest.raises(ValidationError):
        BlockOptions.model_validate({"heigth": 4})


def test_every_option_is_described() -> None:
    for field in BlockOptions.model_fields.values():
        assert field.description


@given(st.floats(-1000, 1000))
def test_letters_never_stand_on_their_heads(angle: float) -> None:
    turned = readable(angle)
    assert -90.0 < turned <= 90.0
    assert abs(math.sin(math.radians(turned - angle))) < 1e-7


@settings(max_examples=60, deadline=None)
@given(
    width=st.floats(5.0, 60.0),
    height=st.floats(3.0, 30.0),
    angle=st.floats(-89.0, 90.0),
    hole=st.tuples(st.floats(60, 140), st.floats(60, 140)),
)
def test_room_is_found_where_there_is_some(
    width: float, height: float, angle: float, hole: tuple[float, float]
) -> None:
    free = shapely.box(0.0, 0.0, 200.0, 200.0).difference(shapely.Point(hole).buffer(30.0))
    room = Room(free)
    # It can always lie in a corner that the hole is far from.
    assume(math.hypot(width, height) < 60.0)
    found = room.find(width, height, angle, hole)
    assert found is not None
    assert free.covers(found.polygon())
    assert found.polygon().area == pytest.approx(width * height)
    left = room.without(found, 2.0)
    again = left.find(width, height, angle, hole)
    if again is not None:
        assert again.polygon().distance(found.polygon()) > 1.99
    assert room.find(290.0, 2.0, angle, hole) is None
    assert room.find(2.0, 290.0, angle, hole) is None


def test_a_rectangle_lies_as_near_as_it_can_to_where_it_is_wished() -> None:
    room = Room(shapely.box(0.0, 0.0, 100.0, 60.0))
    found = room.find(20.0, 10.0, 0.0, (1000.0, 30.0))
    assert found is not None
    assert found.middle == pytest.approx((90.0, 30.0), abs=1.3)
    assert Room(shapely.Polygon()).find(1.0, 1.0, 0.0, (0.0, 0.0)) is None
    turned = Rectangle((10.0, 5.0), 4.0, 2.0, 90.0)
    assert turned.place(2.0, 1.0) == pytest.approx((9.0, 7.0))


def test_a_slit_finer_than_any_lattice_is_seen() -> None:
    slit = shapely.box(99.93, 0.0, 99.97, 180.0)
    room = Room(shapely.box(0.0, 0.0, 200.0, 200.0).difference(slit))
    for place in (92.0, 97.0, 101.0, 105.0):
        found = room.find(30.0, 20.0, 0.0, (place, 90.0))
        assert found is not None
        assert found.polygon().distance(slit) > 0.0


@pytest.mark.parametrize("x", [20.0, 280.0])
def test_both_arms_of_a_hollow_piece_are_used(x: float) -> None:
    hollow = shapely.box(0.0, 0.0, 300.0, 300.0).difference(shapely.box(60.0, 60.0, 240.0, 400.0))
    found = Room(hollow).find(30.0, 40.0, 0.0, (x, 200.0))
    assert found is not None
    assert found.middle == pytest.approx((x, 200.0), abs=5.0)


def test_the_stage_describes_itself() -> None:
    (spec,) = oaktag_stages()
    assert spec.name == "label.block"
    assert spec.load_run() is label_block.run
    assert spec.load_options() is BlockOptions
    assert sorted(spec.needs) == ["allowances", "panels"]
    assert sorted(spec.adds) == ["labels"]


# Small pieces, and what is sewn on.

TAPE = Material("webbing-20", "webbing", "tape", width=20.0)


def box(width: float, height: float, role: str, name: str = "strap-1", **more: object) -> Piece:
    """A rectangle without an allowance about the origin."""
    x, y = width / 2, height / 2
    points = ((-x, y), (x, y), (x, -y), (-x, -y))
    return polygon_piece(points, piece_id=name, allowance=0.0).evolve(role=role, **more)


def words_of(piece: Piece) -> list[str]:
    return [line for label in piece.labels for line in label.lines]


@pytest.mark.parametrize("width", [60.0, 90.0, 300.0])
@pytest.mark.parametrize("height", [10.0, 20.0, 25.0])
@pytest.mark.parametrize("upright", [False, True])
def test_a_strap_says_which_it_is_how_many_and_of_what_along_itself(
    width: float, height: float, upright: bool
) -> None:
    piece = box(height, width, "strap") if upright else box(width, height, "strap")
    turned = 2 if width > 60.0 else 0
    piece = piece.evolve(material="webbing-20", quantity=4, mirrored=turned)
    draft = label_block.run(draft_of(piece).evolve(materials=(TAPE,)), BlockOptions())
    (after,) = draft.pieces
    assert draft.findings == ()
    text = [label for label in after.labels if label.lines != ("GRAIN",)]
    assert " ".join(words_of(after.evolve(labels=tuple(text)))) == (
        "strap-1 cut 4, 2 turned over webbing-20" if turned else "strap-1 cut 4 webbing-20"
    )
    assert {label.angle for label in text} == {90.0 if upright else 0.0}
    assert all(2.5 <= label.height <= 6.0 for label in text)
    inside = piece.seam_line.polygon().buffer(-0.99)
    assert all(inside.contains(ink(label)) for label in after.labels)


def test_a_small_patch_says_less_and_a_large_one_everything() -> None:
    small, large = box(40.0, 36.0, "patch", "patch-1"), box(200.0, 150.0, "patch", "patch-2")
    draft = label_block.run(draft_of(small, large), BlockOptions())
    assert draft.findings == ()
    assert words_of(draft.pieces[0]) == ["patch-1", "cut 1", "shell"]
    assert {"material: shell", "OUTSIDE FACE", "recipe: fit-sample 1.2.0"} <= set(words_of(draft.pieces[1]))


def test_a_piece_too_small_for_its_name_is_a_note() -> None:
    draft = label_block.run(draft_of(box(9.0, 4.0, "loop")), BlockOptions())
    (finding,) = draft.findings
    assert (finding.level, finding.code, finding.where) == ("note", "label-left-out", "strap-1")
    assert "'strap-1', 'cut 1', 'shell'" in finding.message
    assert draft.pieces[0].labels == ()
    assert draft.pieces[0].grain is not None
    # Somewhat larger, the name is there and the rest is missing.
    draft = label_block.run(draft_of(box(20.0, 6.0, "loop", "loop")), BlockOptions())
    assert words_of(draft.pieces[0]) == ["loop"]
    assert "'loop'" not in draft.findings[0].message


def test_a_panel_too_small_for_its_text_stays_a_warning() -> None:
    draft = label_block.run(draft_of(box(40.0, 36.0, "side-panel", "tiny")), BlockOptions())
    assert [(finding.level, finding.code) for finding in draft.findings] == [("warning", "label-too-large")]


def test_an_assembled_piece_is_a_template() -> None:
    whole = panel().evolve(parts=("upper", "lower"), role="side-panel")
    (after,) = label_block.run(draft_of(whole), BlockOptions()).pieces
    words = words_of(after)
    assert "TEMPLATE, cut from card" in words
    assert "trim the sewn parts to it" in words
    assert not any(word.startswith(("material", "cut 1")) for word in words)
    small = box(40.0, 36.0, "flap", "flap").evolve(parts=("a", "b"))
    (after,) = label_block.run(draft_of(small), BlockOptions()).pieces
    assert words_of(after) == ["flap", "TEMPLATE", "card"]


def test_a_piece_on_the_fold_says_so() -> None:
    whole = panel()
    edges = (replace(whole.edges[0], finish="fold"), *whole.edges[1:])
    (after,) = label_block.run(draft_of(whole.evolve(edges=edges)), BlockOptions()).pieces
    assert "cut on the fold" in words_of(after)
    small = box(40.0, 36.0, "flap", "flap")
    edges = (replace(small.edges[0], finish="fold"), *small.edges[1:])
    (after,) = label_block.run(draft_of(small.evolve(edges=edges)), BlockOptions()).pieces
    assert "cut 1 on the fold" in " ".join(words_of(after))


def covered(piece: Piece, x0: float, y0: float, x1: float, y1: float) -> Piece:
    outline = Path.polyline(((x0, y0), (x1, y0), (x1, y1), (x0, y1)), closed=True)
    return piece.evolve(placements=(PlacementLine("pocket", outline, "pocket", covers=outline),))


def test_letters_keep_off_what_is_sewn_on_holes_and_fittings() -> None:
    hole = Path(
        (
            Arc((80.0, 340.0), (120.0, 340.0), (100.0, 340.0), 20.0, False),
            Arc((120.0, 340.0), (80.0, 340.0), (100.0, 340.0), 20.0, False),
        )
    )
    piece = covered(panel(), -60.0, 180.0, 90.0, 300.0).evolve(
        holes=(Hole("port", hole, "port"),),
        fittings=(Fitting("drain", "grommet-8", (160.0, 250.0), 9.0, "grommet"),),
    )
    after, missing = letter_piece(
        piece, text_of(draft_of(piece), piece, 1, BlockOptions()), 0.0, BlockOptions()
    )
    assert missing == ()
    taken = shapely.union_all(
        [
            shapely.box(-60.0, 180.0, 90.0, 300.0),
            shapely.Point(100.0, 340.0).buffer(20.0),
            shapely.Point(160.0, 250.0).buffer(9.0),
        ]
    )
    for label in after.labels:
        assert ink(label).distance(taken) > 3.9
    for label in line_labels(after):
        assert all(not ink(label).convex_hull.intersects(ink(other)) for other in after.labels)


def test_letters_lie_on_what_is_sewn_on_where_there_is_no_room_beside_it() -> None:
    piece = covered(box(200.0, 120.0, "side-panel", "panel"), -99.0, -59.0, 99.0, 59.0)
    draft = label_block.run(draft_of(piece), BlockOptions())
    assert draft.findings == ()
    assert "material: shell" in words_of(draft.pieces[0])
