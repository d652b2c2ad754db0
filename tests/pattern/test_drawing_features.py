"""Drawing what is put on a piece: placement lines and their names, holes, fittings, folds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag.geometry import Arc, Box, Line, Path, Point, offset_outline
from oaktag.pattern import CutRun, Edge, Finish, Fitting, Hole, Label, Mark, Piece, PlacementLine
from oaktag.pattern.drawing import Stroke, draw_piece, line_labels, piece_bounds
from oaktag.pattern.lettering import text_size

NAMES = ("top", "right", "bottom", "left")


def block(
    width: float = 200.0, height: float = 100.0, allowance: float | Sequence[float] = 10.0, **finish: Finish
) -> Piece:
    """A rectangle, clockwise from the upper left, with its cut line."""
    corners: list[Point] = [(0.0, height), (width, height), (width, 0.0), (0.0, 0.0)]
    margins = [allowance] * 4 if isinstance(allowance, float) else list(allowance)
    edges = tuple(
        Edge(name, Path((Line(corners[i], corners[(i + 1) % 4]),)), margins[i], finish=finish.get(name, ""))
        for i, name in enumerate(NAMES)
    )
    paths = offset_outline([edge.path for edge in edges], margins)
    runs = tuple(CutRun(edge.name, path) for edge, path in zip(edges, paths, strict=True))
    return Piece("block", "Block", edges, "shell", cut_line=runs)


def box_path(x0: float, y0: float, x1: float, y1: float) -> Path:
    return Path.polyline(((x0, y0), (x1, y0), (x1, y1), (x0, y1)), closed=True)


def circle(x: float, y: float, r: float) -> Path:
    left, right = (x - r, y), (x + r, y)
    return Path((Arc(left, right, (x, y), r, False), Arc(right, left, (x, y), r, False)))


def strap(x0: float, y0: float, x1: float, y1: float, name: str = "strap-1", **more: Any) -> PlacementLine:
    outline = box_path(x0, y0, x1, y1)
    return PlacementLine(name, outline, more.pop("what", "strap"), covers=outline, **more)


def of(strokes: Sequence[Stroke], role: str) -> list[Stroke]:
    return [stroke for stroke in strokes if stroke.role == role]


def box_of(strokes: Sequence[Stroke]) -> Box:
    return Box.around(point for stroke in strokes for point in stroke.flatten(0.01))


def rectangle(label: Label) -> shapely.Polygon:
    width, height = text_size(label.lines, label.height)
    x, y = label.position
    flat = shapely.box(x - width / 2, y - height / 2, x + width / 2, y + height / 2)
    return shapely.affinity.rotate(flat, label.angle, origin=(x, y))


# Placement lines and their names.


def test_a_placement_line_is_thin_and_never_cut() -> None:
    line = strap(60.0, 40.0, 140.0, 60.0)
    strokes = draw_piece(block().evolve(placements=(line,)))
    assert [stroke.path for stroke in of(strokes, "mark")] == [line.path]
    assert len(of(strokes, "cut")) == 1
    open_line = PlacementLine(
        "divider", Path((Line((10.0, 30.0), (10.0, 80.0)),)), "divider", covers=line.path
    )
    both = draw_piece(block().evolve(placements=(open_line,)))
    assert [stroke.path for stroke in of(both, "mark")] == [open_line.path, line.path]


def test_the_name_stands_inside_what_is_covered_if_it_fits() -> None:
    (label,) = line_labels(block().evolve(placements=(strap(60.0, 40.0, 140.0, 60.0),)))
    assert label.lines == ("strap",)
    assert label.angle == 0.0
    assert shapely.box(60.0, 40.0, 140.0, 60.0).contains(rectangle(label))
    # Below 3 mm and what it keeps from lines on both sides it stands outside.
    (outside,) = line_labels(block().evolve(placements=(strap(60.0, 40.0, 140.0, 44.0),)))
    assert not shapely.box(60.0, 40.0, 140.0, 44.0).intersects(rectangle(outside))


def test_what_lies_on_the_inside_says_so() -> None:
    placement = strap(60.0, 40.0, 140.0, 60.0, face="inside")
    assert [label.lines for label in line_labels(block().evolve(placements=(placement,)))] == [
        ("strap, inside",)
    ]


def test_runs_of_one_piece_have_one_name_at_the_level_run() -> None:
    upright = PlacementLine(
        "pocket:1", Path((Line((40.0, 85.0), (40.0, 20.0)),)), "pocket", covers=box_path(40, 20, 150, 85)
    )
    level = PlacementLine("pocket:2", Path((Line((40.0, 20.0), (150.0, 20.0)),)), "pocket")
    (label,) = line_labels(block().evolve(placements=(upright, level)))
    assert label.angle == 0.0
    assert label.position[0] == pytest.approx(95.0)
    assert 20.0 < label.position[1] < 30.0


def test_a_line_too_short_for_its_name_has_none() -> None:
    assert line_labels(block().evolve(placements=(strap(60.0, 40.0, 65.0, 45.0),))) == ()


def test_a_name_without_room_is_left_out() -> None:
    piece = block(60.0, 6.0).evolve(placements=(strap(0.0, 0.0, 60.0, 6.0),))
    assert line_labels(piece) == ()
    assert of(draw_piece(piece), "text") == []


def test_a_name_goes_where_nothing_is_in_its_way() -> None:
    placement = strap(60.0, 40.0, 140.0, 60.0)
    plain = block().evolve(placements=(placement,))
    (usual,) = line_labels(plain)
    ways: list[Piece] = [
        plain.evolve(holes=(Hole("port", circle(*usual.position, 3.0), "port"),)),
        plain.evolve(fittings=(Fitting("drain", "grommet-8", usual.position, 5.0, "grommet"),)),
        plain.evolve(
            marks=(Mark("line", Path((Line((usual.position[0], 0.0), (usual.position[0], 90.0)),))),)
        ),
        plain.evolve(labels=(Label(("x",), usual.position, 5.0),)),
        plain.evolve(grain=Line((20.0, usual.position[1]), (180.0, usual.position[1]))),
    ]
    for piece in ways:
        moved = line_labels(piece)
        assert moved != (usual,)
        for label in moved:
            assert piece.seam_line.polygon().contains(rectangle(label))
            assert rectangle(label).distance(shapely.Point(usual.position)) > 0.5


@given(
    st.lists(
        st.tuples(
            st.floats(-20.0, 180.0), st.floats(-20.0, 90.0), st.floats(8.0, 90.0), st.floats(4.0, 60.0)
        ),
        min_size=1,
        max_size=5,
    )
)
@settings(deadline=None, max_examples=40)
def test_names_lie_within_the_piece_and_clear_of_all_lines(
    boxes: list[tuple[float, float, float, float]],
) -> None:
    placements = tuple(
        strap(x, y, x + w, y + h, f"strap-{number}") for number, (x, y, w, h) in enumerate(boxes, 1)
    )
    piece = block().evolve(
        placements=placements, fittings=(Fitting("f", "bolt-m5", (100.0, 50.0), 4.0, "bolt"),)
    )
    shapes = [rectangle(label) for label in line_labels(piece)]
    seam = piece.seam_line.polygon()
    for index, shape in enumerate(shapes):
        assert seam.contains(shape)
        assert all(not shape.intersects(shapely.LineString(line.path.flatten(0.1))) for line in placements)
        assert all(not shape.intersects(other) for other in shapes[:index])
    assert box_of(draw_piece(piece)).width <= piece_bounds(piece).width + 1e-6


# Holes and fittings.


def test_a_hole_is_cut_and_a_fitting_is_a_cross() -> None:
    hole = Hole("port", circle(50.0, 50.0, 8.0), "port")
    fitting = Fitting("drain", "grommet-8", (150.0, 50.0), 6.0, "grommet")
    strokes = draw_piece(block().evolve(holes=(hole,), fittings=(fitting,)))
    assert [box_of([stroke]) for stroke in of(strokes, "hole")] == [Box(42.0, 42.0, 58.0, 58.0)]
    across, up = of(strokes, "mark")
    assert (across.path.start, across.path.end) == ((144.0, 50.0), (156.0, 50.0))
    assert (up.path.start, up.path.end) == ((150.0, 44.0), (150.0, 56.0))


def test_the_box_around_a_piece_holds_everything_that_is_on_it() -> None:
    piece = block(allowance=0.0).evolve(
        holes=(Hole("port", circle(0.0, 50.0, 30.0), "port"),),
        fittings=(Fitting("drain", "grommet-8", (200.0, 50.0), 25.0, "grommet"),),
        placements=(strap(20.0, -40.0, 120.0, 20.0),),
    )
    assert piece_bounds(piece) == Box(-30.0, -40.0, 225.0, 100.0)


# Folds.


def test_an_edge_on_the_fold_is_not_cut() -> None:
    piece = block(allowance=[10.0, 10.0, 0.0, 10.0], bottom="fold")
    strokes = draw_piece(piece)
    (cut,) = of(strokes, "cut")
    ends = {cut.path.start, cut.path.end}
    assert ends == {(210.0, 0.0), (-10.0, 0.0)}
    assert cut.path.length == pytest.approx(220.0 + 2 * 110.0)
    (fold,) = of(strokes, "fold")
    # It goes through the allowances beside it.
    assert fold.path.length == pytest.approx(220.0)
    (seam,) = of(strokes, "seam")
    assert seam.path.length == pytest.approx(200.0 + 2 * 100.0)


@pytest.mark.parametrize("first", range(4))
def test_wherever_the_outline_begins_the_fold_is_left_out(first: int) -> None:
    piece = block(allowance=[10.0, 10.0, 0.0, 10.0], bottom="fold")
    turned = piece.evolve(
        edges=piece.edges[first:] + piece.edges[:first],
        cut_line=piece.cut_line[first:] + piece.cut_line[:first],
    )
    (cut,) = of(draw_piece(turned), "cut")
    assert cut.path.length == pytest.approx(440.0)
    (seam,) = of(draw_piece(turned), "seam")
    assert seam.path.length == pytest.approx(400.0)


def test_two_folds_leave_two_cuts() -> None:
    piece = block(allowance=[0.0, 10.0, 0.0, 10.0], top="fold", bottom="fold")
    strokes = draw_piece(piece)
    assert [stroke.path.length for stroke in of(strokes, "cut")] == [pytest.approx(100.0)] * 2
    assert [stroke.path.length for stroke in of(strokes, "fold")] == [pytest.approx(220.0)] * 2


def test_without_a_cut_line_the_fold_is_the_seam_line() -> None:
    piece = block(bottom="fold").evolve(cut_line=())
    strokes = draw_piece(piece)
    assert of(strokes, "cut") == []
    assert [stroke.path for stroke in of(strokes, "fold")] == [piece.edge("bottom").path]


def test_a_hem_is_folded_at_the_seam_line_and_cut_outside_it() -> None:
    piece = block(allowance=[20.0, 10.0, 10.0, 10.0], top="hem")
    strokes = draw_piece(piece)
    assert [stroke.path for stroke in of(strokes, "cut")] == [piece.outline]
    assert [stroke.path for stroke in of(strokes, "fold")] == [piece.edge("top").path]
    assert [stroke.path.length for stroke in of(strokes, "seam")] == [pytest.approx(400.0)]
    plain = replace(piece.edge("top"), finish="")
    assert of(draw_piece(piece.evolve(edges=(plain, *piece.edges[1:]))), "fold") == []
