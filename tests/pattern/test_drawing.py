from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import cos, hypot, pi, sin

import pytest
from hypothesis import given
from hypothesis import strategies as st

from oaktag.geometry import (
    Arc,
    Box,
    GeometryError,
    Line,
    Path,
    Point,
    Transform,
    distance,
    offset_outline,
)
from oaktag.pattern import (
    CutRun,
    Draft,
    Edge,
    Finding,
    Frame,
    Label,
    Mark,
    Notch,
    Piece,
    Provenance,
)
from oaktag.pattern.drawing import (
    LINE_STYLES,
    ROLES,
    Stroke,
    Text,
    as_strokes,
    draw_piece,
    label_bounds,
    moved,
    notch_cut_point,
    notch_point,
    notch_ticks,
    piece_bounds,
    piece_items,
)
from oaktag.pattern.sheet import Placement, Sheet, arrange, draw_piece_sheet, draw_sheet, strokes_by_piece


def with_cut_line(piece: Piece) -> Piece:
    paths = offset_outline([edge.path for edge in piece.edges], [edge.allowance for edge in piece.edges])
    runs = [CutRun(edge.name, path) for edge, path in zip(piece.edges, paths, strict=True)]
    return piece.evolve(cut_line=tuple(runs))


def block(
    width: float = 200.0, height: float = 100.0, allowance: float | Sequence[float] = 10.0, **more: object
) -> Piece:
    """A rectangle, clockwise from the upper left, with its cut line."""
    corners: list[Point] = [(0.0, height), (width, height), (width, 0.0), (0.0, 0.0)]
    margins = [allowance] * 4 if isinstance(allowance, float) else list(allowance)
    edges = tuple(
        Edge(name, Path((Line(a, b),)), margin)
        for name, a, b, margin in zip(
            ("top", "right", "bottom", "left"), corners, corners[1:] + corners[:1], margins, strict=True
        )
    )
    return with_cut_line(Piece(id="block", name="Block", edges=edges, material="shell")).evolve(**more)


def stadium(radius: float = 30.0, allowance: float = 10.0) -> Piece:
    """Two straight edges joined by half circles, clockwise; all joints are smooth."""
    upper, lower = Line((0.0, radius), (100.0, radius)), Line((100.0, -radius), (0.0, -radius))
    edges = (
        Edge("upper", Path((upper,)), allowance),
        Edge("corner:right", Path((Arc(upper.end, lower.start, (100.0, 0.0), radius, True),)), allowance),
        Edge("lower", Path((lower,)), allowance),
        Edge("corner:left", Path((Arc(lower.end, upper.start, (0.0, 0.0), radius, True),)), allowance),
    )
    return with_cut_line(Piece(id="stadium", name="Stadium", edges=edges, material="shell"))


def turned_over(piece: Piece) -> Piece:
    """The piece mirrored: the seam line keeps the order of its edges and runs the other way round."""
    flip = Transform.mirror_x()
    return piece.evolve(
        edges=tuple(replace(edge, path=edge.path.transformed(flip)) for edge in piece.edges),
        cut_line=tuple(replace(run, path=run.path.transformed(flip)) for run in piece.cut_line),
    )


def draft_of(*pieces: Piece, findings: Sequence[Finding] = (), size: str = "M") -> Draft:
    return Draft(
        frame=Frame("Demo all-road", ("a", "b", "c"), ("ab", "bc", "ca"), (), size=size),
        frame_provenance=Provenance("demo.frame.toml"),
        recipe_provenance=Provenance("fit-sample", "1.0.0"),
        pieces=pieces,
        findings=tuple(findings),
    )


def box_of(strokes: Sequence[Stroke]) -> Box:
    return Box.around(point for stroke in strokes for point in stroke.flatten(0.01))


def inside(inner: Box, outer: Box) -> bool:
    return all(
        (
            outer.min_x - 1e-6 <= inner.min_x,
            outer.min_y - 1e-6 <= inner.min_y,
            inner.max_x <= outer.max_x + 1e-6,
            inner.max_y <= outer.max_y + 1e-6,
        )
    )


# Notches


@pytest.mark.parametrize("mirror", [False, True])
@pytest.mark.parametrize(
    ("edge", "at", "seam", "outward"),
    [
        ("top", 50.0, (50.0, 100.0), (0.0, 1.0)),
        ("right", 30.0, (200.0, 70.0), (1.0, 0.0)),
        ("bottom", 0.0, (200.0, 0.0), (0.0, -1.0)),
        ("left", 100.0, (0.0, 100.0), (-1.0, 0.0)),
    ],
)
def test_a_notch_is_cut_straight_out_from_the_seam(
    edge: str, at: float, seam: Point, outward: Point, mirror: bool
) -> None:
    piece = turned_over(block()) if mirror else block()
    sign = -1.0 if mirror else 1.0
    notch = Notch(edge, at, "a")
    assert notch_point(piece, notch) == pytest.approx((sign * seam[0], seam[1]))
    cut = (sign * (seam[0] + 10.0 * outward[0]), seam[1] + 10.0 * outward[1])
    assert notch_cut_point(piece, notch) == pytest.approx(cut)


@given(st.floats(0.0, 1.0), st.booleans())
def test_on_an_arc_the_notch_lies_on_its_radius(share: float, mirror: bool) -> None:
    piece = turned_over(stadium()) if mirror else stadium()
    sign = -1.0 if mirror else 1.0
    notch = Notch("corner:right", share * pi * 30.0, "a")
    angle = 0.5 * pi - share * pi
    seam = (sign * (100.0 + 30.0 * cos(angle)), 30.0 * sin(angle))
    cut = (sign * (100.0 + 40.0 * cos(angle)), 40.0 * sin(angle))
    assert notch_point(piece, notch) == pytest.approx(seam, abs=1e-6)
    assert notch_cut_point(piece, notch) == pytest.approx(cut, abs=1e-6)


def test_a_notch_beside_a_deep_hem_keeps_to_its_own_allowance() -> None:
    piece = block(allowance=(3.0, 40.0, 3.0, 40.0))
    assert notch_cut_point(piece, Notch("top", 200.0, "a")) == pytest.approx((200.0, 103.0))


@pytest.mark.parametrize("allowance", [10.0, 0.0])
def test_across_a_narrow_gap_the_notch_takes_the_nearer_cut_line(allowance: float) -> None:
    left, gap, right = (
        ((0.0, 90.0), (40.0, 90.0)),
        ((40.0, 30.0), (70.0, 30.0)),
        ((70.0, 90.0), (110.0, 90.0)),
    )
    points: tuple[Point, ...] = (*left, *gap, *right, (110.0, 0.0), (0.0, 0.0))
    edges = tuple(
        Edge(f"edge-{number}", Path((Line(a, b),)), allowance if number == 1 else 10.0)
        for number, (a, b) in enumerate(zip(points, (*points[1:], points[0]), strict=True))
    )
    piece = with_cut_line(Piece(id="yoke", name="Yoke", edges=edges, material="shell"))
    assert notch_cut_point(piece, Notch("edge-1", 30.0, "a")) == pytest.approx((40.0 + allowance, 60.0))
    assert notch_cut_point(piece, Notch("edge-3", 30.0, "a")) == pytest.approx((60.0, 60.0))


def test_without_a_cut_line_a_notch_stays_on_the_seam() -> None:
    piece = block().evolve(cut_line=())
    notch = Notch("top", 50.0, "a")
    assert notch_cut_point(piece, notch) == notch_point(piece, notch)


def test_where_the_normal_misses_the_cut_line_the_nearest_point_is_taken() -> None:
    piece = block()
    away = Transform.translation(0.0, 500.0)
    piece = piece.evolve(
        cut_line=tuple(replace(run, path=run.path.transformed(away)) for run in piece.cut_line)
    )
    assert notch_cut_point(piece, Notch("top", 50.0, "a")) == pytest.approx((50.0, 490.0))


def test_a_notch_off_its_edge_is_refused() -> None:
    with pytest.raises(GeometryError):
        notch_point(block(), Notch("top", 201.0, "a"))
    with pytest.raises(KeyError):
        notch_point(block(), Notch("nowhere", 1.0, "a"))


@pytest.mark.parametrize(
    ("allowance", "depth"),
    [(20.0, 3.0), (10.0, 3.0), (6.0, 3.0), (5.0, 2.0), (4.0, 1.0), (3.9, 1.95), (2.0, 1.0), (1.0, 0.5)],
)
def test_a_tick_is_no_deeper_than_the_allowance_allows(allowance: float, depth: float) -> None:
    piece = block(allowance=allowance)
    (tick,) = notch_ticks(piece, Notch("top", 50.0, "a"))
    assert tick.role == "notch"
    assert tick.path.start == pytest.approx((50.0, 100.0 + allowance))
    assert tick.path.end == pytest.approx((50.0, 100.0 + allowance - depth))


@pytest.mark.parametrize("piece", [block(allowance=0.0), block(allowance=0.8), block().evolve(cut_line=())])
def test_where_nothing_can_be_nicked_the_notch_is_a_mark_inside(piece: Piece) -> None:
    (tick,) = notch_ticks(piece, Notch("top", 50.0, "a"))
    assert tick.role == "mark"
    assert tick.path.start == pytest.approx((50.0, 100.0))
    assert tick.path.end == pytest.approx((50.0, 98.0))


@given(st.floats(0.0, 1.0), st.integers(1, 3), st.booleans())
def test_ticks_stand_square_to_the_seam_six_millimetres_apart(share: float, count: int, mirror: bool) -> None:
    piece = turned_over(stadium()) if mirror else stadium()
    edge = piece.edge("corner:right")
    ticks = notch_ticks(piece, Notch(edge.name, share * edge.length, "a", count))
    assert len(ticks) == count
    stations = []
    for tick in ticks:
        assert piece.outline.nearest(tick.path.start)[1] < 1e-6
        s, away = piece.seam_line.nearest(tick.path.end)
        assert away == pytest.approx(7.0, abs=1e-6)
        tangent = piece.seam_line.tangent_at(s)
        direction = tick.path.tangent_at(0.0)
        assert abs(direction[0] * tangent[0] + direction[1] * tangent[1]) < 1e-6
        stations.append(s)
    middle = 100.0 + share * edge.length
    wanted = [middle + (number - 0.5 * (count - 1)) * 6.0 for number in range(count)]
    assert stations == pytest.approx(wanted, abs=1e-5)


def test_ticks_do_not_pass_a_corner_of_the_piece() -> None:
    piece = block()
    (only,) = notch_ticks(piece, Notch("top", 200.0, "a", 2))
    assert only.path.start == pytest.approx((197.0, 110.0))
    two = notch_ticks(piece, Notch("top", 0.0, "a", 3))
    assert [tick.path.start[0] for tick in two] == pytest.approx([0.0, 6.0])


# Pieces


def full_block() -> Piece:
    return block(
        notches=(Notch("top", 100.0, "a"), Notch("left", 50.0, "b", 2)),
        marks=(
            Mark("line", Path((Line((20.0, 30.0), (180.0, 30.0)),)), "zipper"),
            Mark("fold", Path((Line((20.0, 50.0), (180.0, 50.0)),))),
        ),
        labels=(Label(("Block", "cut 2"), (100.0, 75.0), 5.0),),
        grain=Line((20.0, 15.0), (80.0, 15.0)),
    )


def test_a_piece_is_drawn_with_every_kind_of_line() -> None:
    piece = full_block()
    strokes = draw_piece(piece)
    roles = [stroke.role for stroke in strokes]
    assert {*roles} == {*ROLES} - {"sheet", "hole"}
    assert all(stroke.piece == "block" for stroke in strokes)
    by_role = {role: [stroke for stroke in strokes if stroke.role == role] for role in ROLES}
    assert [stroke.path for stroke in by_role["cut"]] == [piece.outline]
    assert [stroke.path for stroke in by_role["seam"]] == [piece.seam_line]
    assert [stroke.path for stroke in by_role["mark"]] == [piece.marks[0].path]
    assert [stroke.path for stroke in by_role["fold"]] == [piece.marks[1].path]
    assert len(by_role["notch"]) == 3
    assert by_role["grain"][0].path.end == (80.0, 15.0)


def test_without_a_cut_line_only_the_seam_is_drawn() -> None:
    strokes = draw_piece(full_block().evolve(cut_line=()))
    assert not [stroke for stroke in strokes if stroke.role in ("cut", "notch")]
    assert len([stroke for stroke in strokes if stroke.role == "seam"]) == 1


def test_the_grain_line_has_its_head_at_its_end() -> None:
    shaft, head = [stroke.path for stroke in draw_piece(full_block()) if stroke.role == "grain"]
    assert shaft == Path((Line((20.0, 15.0), (80.0, 15.0)),))
    points = head.flatten(1.0)
    assert points[1] == (80.0, 15.0)
    assert points[0][0] == pytest.approx(points[2][0])
    assert 72.0 < points[0][0] < 80.0
    assert points[0][1] + points[2][1] == pytest.approx(30.0)


@pytest.mark.parametrize("reverse", [False, True])
def test_text_of_a_mark_stands_above_its_line_and_upright(reverse: bool) -> None:
    line = Line((180.0, 30.0), (20.0, 30.0)) if reverse else Line((20.0, 30.0), (180.0, 30.0))
    piece = block(marks=(Mark("line", Path((line,)), "L"),))
    stem, foot = [stroke.flatten(1.0) for stroke in draw_piece(piece) if stroke.role == "text"]
    assert [y for _, y in stem] == pytest.approx([35.0, 32.0])
    assert foot[1][0] > foot[0][0]


def test_a_moved_piece_is_the_same_drawing_moved() -> None:
    move = Placement("block", 300.0, -40.0, 90.0).transform
    there = as_strokes([moved(item, move) for item in piece_items(full_block())])
    for stroke, image in zip(draw_piece(full_block()), there, strict=True):
        assert (stroke.role, stroke.piece) == (image.role, image.piece)
        for point, other in zip(stroke.flatten(0.01), image.flatten(0.01), strict=True):
            assert move.apply(point) == pytest.approx(other)


@given(st.floats(-180.0, 180.0))
def test_bounds_hold_everything_drawn(angle: float) -> None:
    label = Label(("a label wider than the piece", "gy"), (150.0, 90.0), 9.0, angle)
    arrow = Line((150.0, 50.0), (210.0, 50.0))
    piece = full_block().evolve(labels=(label,), grain=arrow)
    assert inside(box_of(draw_piece(piece)), piece_bounds(piece))
    letters = [stroke for stroke in draw_piece(piece.evolve(marks=())) if stroke.role == "text"]
    assert inside(box_of(letters), label_bounds(label))


def test_lines_differ_by_weight_and_dashes_alone() -> None:
    cut, seam, fold, thin = (LINE_STYLES[role] for role in ("cut", "seam", "fold", "mark"))
    assert cut.weight > 2.0 * max(
        style.weight for role, style in LINE_STYLES.items() if role not in ("cut", "hole", "notch")
    )
    assert not cut.dashes
    assert len(seam.dashes) == 2
    assert len(fold.dashes) == 4
    assert not thin.dashes
    assert {*LINE_STYLES} == {*ROLES}


# Sheets

sizes = st.tuples(st.floats(5.0, 900.0), st.floats(5.0, 900.0))


@given(st.lists(sizes, max_size=8), st.floats(0.0, 50.0), st.floats(100.0, 2000.0))
def test_pieces_on_a_sheet_keep_their_distance(
    extents: list[tuple[float, float]], gap: float, width: float
) -> None:
    pieces = [block(w, h, 5.0, id=f"piece-{number}", name="x") for number, (w, h) in enumerate(extents)]
    placements = arrange(pieces, gap, width)
    assert [placement.piece for placement in placements] == [piece.id for piece in pieces]
    boxes = []
    for piece, place in zip(pieces, placements, strict=True):
        box = piece_bounds(piece)
        boxes.append(
            Box(box.min_x + place.dx, box.min_y + place.dy, box.max_x + place.dx, box.max_y + place.dy)
        )
    for number, box in enumerate(boxes):
        assert box.min_x > -1e-6
        assert box.min_y > -1e-6
        assert box.max_x <= max(width, box.width) + 1e-6
        assert not any(box.overlaps(other, gap - 1e-6) for other in boxes[:number])
    if boxes:
        assert min(box.min_x for box in boxes) == pytest.approx(0.0, abs=1e-6)
        assert min(box.min_y for box in boxes) == pytest.approx(0.0, abs=1e-6)
    assert arrange(pieces, gap, width) == placements


def test_a_short_piece_joins_a_tall_one() -> None:
    tall, long, small = block(100.0, 400.0), block(900.0, 60.0, id="long"), block(50.0, 30.0, id="small")
    first, _, last = arrange((tall, long, small), 20.0, 1000.0)
    assert last.dy == pytest.approx(first.dy)
    assert last.dx > first.dx


@pytest.mark.parametrize(("gap", "width"), [(-1.0, 100.0), (1.0, 0.0)])
def test_a_layout_needs_room(gap: float, width: float) -> None:
    with pytest.raises(ValueError, match="a layout needs"):
        arrange((block(),), gap, width)


def written_on(sheet: Sheet) -> list[str]:
    return [line for item in sheet.items if isinstance(item, Text) for line in item.lines]


def squares(sheet: Sheet) -> list[float]:
    boxes = [
        stroke.path.bounds for stroke in sheet.strokes if isinstance(stroke.shape, Path) and not stroke.piece
    ]
    assert all(box.width == pytest.approx(box.height) for box in boxes)
    return [box.width for box in boxes]


def test_a_sheet_shows_all_pieces_title_and_scale_squares() -> None:
    other = stadium()
    sheet = draw_sheet(draft_of(full_block(), other))
    written = written_on(sheet)
    assert sheet.title == "fit-sample 1.0.0, Demo all-road, size M"
    assert [piece for piece, _ in strokes_by_piece(sheet.strokes)] == ["block", "stadium", ""]
    assert squares(sheet) == pytest.approx([100.0, 101.6])
    assert {"fit-sample 1.0.0", "Demo all-road, size M", "true size, mm", "drawn from pattern.json"} < {
        *written
    }
    assert {"100 mm", "4 in"} < {*written}
    assert not [line for line in written if "CUT" in line]
    assert inside(box_of(sheet.strokes), sheet.bounds)
    own = [stroke for stroke in sheet.strokes if not stroke.piece]
    assert {stroke.role for stroke in own} == {"sheet"}
    assert box_of(own).max_y < box_of([stroke for stroke in sheet.strokes if stroke.piece]).min_y
    cut = next(stroke for stroke in sheet.strokes if stroke.piece == "stadium" and stroke.role == "cut")
    place = next(place for place in sheet.placements if place.piece == "stadium")
    assert cut.path.start == pytest.approx(
        (other.outline.start[0] + place.dx, other.outline.start[1] + place.dy)
    )


@pytest.mark.parametrize(
    ("levels", "words"),
    [
        (["error"], "DO NOT CUT: 1 error, see pattern.json"),
        (["error", "warning", "error"], "DO NOT CUT: 2 errors, see pattern.json"),
        (["warning", "note"], None),
    ],
)
def test_errors_forbid_cutting_on_the_sheet_itself(levels: list[str], words: str | None) -> None:
    findings = [Finding(level, "code", "message") for level in levels]  # type: ignore[arg-type]
    sheet = draw_sheet(draft_of(block(), findings=findings))
    written = written_on(sheet)
    assert [*dict.fromkeys(line for line in written if "DO NOT CUT" in line)] == ([words] if words else [])
    # Bold is the same line written three times.
    assert written.count(words or "DO NOT CUT") == (3 if words else 0)
    assert inside(box_of(sheet.strokes), sheet.bounds)


def test_text_on_a_sheet_never_overlaps() -> None:
    draft = draft_of(block(), findings=[Finding("error", "code", "message")])
    boxes: dict[tuple[str, ...], Box] = {}
    for item in draw_piece_sheet(draft, draft.pieces[0]).own:
        if isinstance(item, Text):
            box = box_of(list(item.strokes()))
            boxes[item.lines] = boxes.get(item.lines, box).union(box)
    assert len(boxes) == 5
    for lines, box in boxes.items():
        assert not [other for other in boxes if other != lines and boxes[other].overlaps(box, 2.0)]


def test_a_piece_has_a_sheet_of_its_own() -> None:
    draft = draft_of(full_block(), stadium())
    sheet = draw_piece_sheet(draft, draft.pieces[1])
    assert sheet.title == "fit-sample 1.0.0, Demo all-road, size M: Stadium"
    assert [place.piece for place in sheet.placements] == ["stadium"]
    assert {stroke.piece for stroke in sheet.strokes} == {"stadium", ""}
    assert "Stadium (stadium)" in written_on(sheet)
    same = draft.pieces[1].evolve(id="gusset", name="gusset")
    assert "gusset" in written_on(draw_piece_sheet(draft, same))
    assert squares(sheet) == pytest.approx([100.0, 101.6])
    assert inside(box_of(sheet.strokes), sheet.bounds)


@pytest.mark.parametrize(
    ("size", "shown"), [("M", "Demo all-road, size M"), ("", "Demo all-road"), ("all-road", "Demo all-road")]
)
def test_the_title_names_the_size_once(size: str, shown: str) -> None:
    assert draw_sheet(draft_of(size=size)).title == f"fit-sample 1.0.0, {shown}"


def test_a_draft_without_pieces_still_has_a_sheet() -> None:
    sheet = draw_sheet(draft_of())
    assert sheet.placements == ()
    assert inside(box_of(sheet.strokes), sheet.bounds)


def test_a_stroke_of_points_is_a_path_too() -> None:
    points: tuple[Point, ...] = ((0.0, 0.0), (3.0, 4.0), (3.0, 5.0))
    stroke = Stroke("text", points)
    assert stroke.path == Path.polyline(points)
    assert stroke.flatten(1.0) == points
    assert stroke.path.length == pytest.approx(distance(*points[:2]) + hypot(0.0, 1.0))
