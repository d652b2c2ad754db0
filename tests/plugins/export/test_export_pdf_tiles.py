"""What `export.pdf-tiles` writes: few pages, none of them empty, that show everything and fit together."""

from __future__ import annotations

from collections.abc import Iterator
from io import BytesIO
from itertools import islice, pairwise
from math import hypot
from typing import Any

import pdfplumber
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pdfminer.pdftypes import resolve1
from pydantic import ValidationError

from oaktag import Draft
from oaktag.geometry import Box, Point
from oaktag.pattern.sheet import draw_sheets
from oaktag_plugins.export_pdf_tiles import PdfTilesOptions, oaktag_stages, run
from oaktag_plugins.exporting.page_marks import registrations
from oaktag_plugins.exporting.paper import paper_of
from oaktag_plugins.exporting.tiling import Tile, Tiling, tile_pieces

POINTS = 72.0 / 25.4


def tiled(draft: Draft, **options: Any) -> Any:
    (artifact,) = run(draft, PdfTilesOptions(**options)).artifacts
    assert artifact.kind == "pdf"
    return artifact


def tiling_of(draft: Draft, paper: str = "A4", orientation: Any = "auto", **sizes: float) -> Tiling:
    sizes = {"margin": 10.0, "overlap": 10.0, "gap": 10.0} | sizes
    (sheet,) = draw_sheets(draft)
    return tile_pieces(draft, sheet.drawings, paper_of(paper).orientations(orientation), **sizes)


@pytest.fixture(scope="module")
def file(draft: Draft) -> Any:
    return tiled(draft)


@pytest.fixture(scope="module")
def pages(file: Any) -> Iterator[Any]:
    with pdfplumber.open(BytesIO(file.data)) as pdf:
        yield pdf


def lines_on(page: Any, weight: float) -> list[list[Point]]:
    """The ends of a page's lines of one weight, in mm from its lower left; curves by their ends alone."""
    found: list[list[Point]] = []
    for thing in [*page.curves, *page.lines, *page.rects]:
        if abs(thing["linewidth"] / POINTS - weight) > 1e-6:
            continue
        points: list[Point] = []
        for _, *operands in thing["path"]:
            if operands:
                x, y = operands[-1]
                points.append((x / POINTS, (float(page.height) - y) / POINTS))
        found.append(points)
    return found


def test_a_page_is_the_paper_and_nothing_is_lost_or_turned(draft: Draft, pages: Any) -> None:
    tiling = tiling_of(draft)
    width, height = sorted((210.0, 297.0), reverse=tiling.paper.width > tiling.paper.height)
    for page in pages.pages:
        assert [float(edge) / POINTS for edge in page.mediabox] == pytest.approx(
            [0, 0, width, height], abs=1e-3
        )
        assert page.page_obj.rotate == 0
    assert resolve1(pages.doc.catalog["ViewerPreferences"])["PrintScaling"].name == "None"
    labels = [tile.label for tile in tiling.tiles]
    # The reader counts on for ever.
    named = list(islice(pages.doc.get_page_labels(), len(pages.pages)))
    assert named[-len(labels) :] == labels


@pytest.mark.parametrize("paper", ["A4", "A3", "Letter", "Legal", "300 x 310 mm"])
def test_the_orientation_with_fewer_pages_is_taken(draft: Draft, paper: str) -> None:
    both = [len(tiling_of(draft, paper, way).tiles) for way in ("portrait", "landscape")]
    assert len(tiling_of(draft, paper).tiles) == min(both)


def test_labels_are_letters_for_columns_and_numbers_for_rows() -> None:
    found = [
        Tile(row, column).label for row, column in ((0, 0), (2, 1), (0, 25), (11, 26), (0, 51), (0, 702))
    ]
    assert found == ["A1", "B3", "Z1", "AA12", "AZ1", "AAA1"]


@settings(max_examples=25, deadline=None)
@given(
    st.sampled_from(["A4", "A3", "Letter", "Legal", "250 x 320 mm"]),
    st.sampled_from(["portrait", "landscape", "auto"]),
    st.floats(6.0, 20.0),
    st.floats(6.0, 50.0),
    st.floats(0.0, 30.0),
)
def test_every_point_is_printed_and_neighbours_overlap(
    draft: Draft, paper: str, orientation: str, margin: float, overlap: float, gap: float
) -> None:
    tiling = tiling_of(draft, paper, orientation, margin=margin, overlap=overlap, gap=gap)
    frames = {tile: tiling.frame(tile) for tile in tiling.tiles}
    window = tiling.window
    for tile, frame in frames.items():
        assert (frame.width, frame.height) == pytest.approx((window.width, window.height))
        dx, dy = tiling.offset(tile)
        moved = (frame.min_x + dx, frame.min_y + dy, frame.max_x + dx, frame.max_y + dy)
        assert moved == pytest.approx(window)
        beside = tiling.neighbour(tile, 1, 0)
        if beside is not None:
            assert frame.max_x - frames[beside].min_x == pytest.approx(overlap)
        below = tiling.neighbour(tile, 0, 1)
        if below is not None:
            assert frames[below].max_y - frame.min_y == pytest.approx(overlap)
    boxes: list[Box] = []
    for placement in tiling.placements:
        piece = draft.piece(placement.piece)
        outline = piece.outline.transformed(placement.transform)
        boxes.append(outline.bounds)
        mine = [tile for tile in tiling.tiles if placement.piece in tiling.pieces[tile]]
        for x, y in outline.flatten(0.05):
            assert any(
                f.min_x - 1e-6 <= x <= f.max_x + 1e-6 and f.min_y - 1e-6 <= y <= f.max_y + 1e-6
                for f in (frames[tile] for tile in mine)
            )
    for number, box in enumerate(boxes):
        assert not any(box.overlaps(other, gap - 1e-6) for other in boxes[number + 1 :])


def test_no_page_is_empty_and_none_that_is_needed_is_left_out(draft: Draft) -> None:
    from shapely import box, union_all

    tiling = tiling_of(draft)
    pieces = [
        draft.piece(placement.piece).outline.transformed(placement.transform).polygon(0.01)
        for placement in tiling.placements
    ]
    area = union_all(pieces)
    cells = {
        Tile(row, column): box(*tiling.cell(Tile(row, column)))
        for row in range(tiling.rows)
        for column in range(tiling.columns)
    }
    covered = {tile for tile, cell in cells.items() if cell.intersection(area).area > 1.0}
    touched = {tile for tile, cell in cells.items() if cell.intersects(area)}
    assert covered <= {*tiling.tiles} <= touched
    assert union_all([cells[tile] for tile in tiling.tiles]).intersection(area).area == pytest.approx(
        area.area
    )


def test_the_search_isn_t_beaten_by_plain_columns(draft: Draft) -> None:
    # Pieces below each other on a sheet as wide as the longest: what a hand would do first.
    tiling = tiling_of(draft, gap=10.0)
    (sheet,) = draw_sheets(draft)
    width, height = tiling.cell_size
    tall = sum(drawing.bounds.height + 10.0 for drawing in sheet.drawings)
    wide = max(drawing.bounds.width for drawing in sheet.drawings)
    assert len(tiling.tiles) <= -(-wide // width) * -(-tall // height)


def test_pages_fit_together_by_their_marks(draft: Draft, pages: Any) -> None:
    """Every page is moved to its neighbours by the rings that both print; the result is the whole pattern."""
    tiling = tiling_of(draft)
    fronts = len(pages.pages) - len(tiling.tiles)
    rings: dict[Tile, list[Point]] = {}
    cuts: dict[Tile, list[list[Point]]] = {}
    for tile, page in zip(tiling.tiles, pages.pages[fronts:], strict=True):
        rings[tile] = [centre for line in lines_on(page, 0.18) if (centre := ring(line))]
        cuts[tile] = lines_on(page, 0.6)
        assert len(rings[tile]) == len(registrations(tiling, tile))
    place = {tiling.tiles[0]: tiling.offset(tiling.tiles[0])}
    waiting = [tiling.tiles[0]]
    joined: list[float] = []
    while waiting:
        tile = waiting.pop()
        for right, down in ((1, 0), (0, 1), (-1, 0), (0, -1)):
            other = tiling.neighbour(tile, right, down)
            if other is None or other in place:
                continue
            # The same two rings, at the opposite edge of the other page.
            here = edge_rings(rings[tile], tiling, right, down)
            there = edge_rings(rings[other], tiling, -right, -down)
            assert len(here) == len(there) == 2
            shifts = [(t[0] - h[0], t[1] - h[1]) for h, t in zip(here, there, strict=True)]
            joined.append(hypot(shifts[0][0] - shifts[1][0], shifts[0][1] - shifts[1][1]))
            place[other] = (place[tile][0] + shifts[0][0], place[tile][1] + shifts[0][1])
            waiting.append(other)
    assert max(joined) < 0.1
    assert len(place) > 1
    for tile, (dx, dy) in place.items():
        assert (dx, dy) == pytest.approx(tiling.offset(tile), abs=0.1)
        for points in cuts[tile]:
            back = [(x - dx, y - dy) for x, y in points]
            nearest = min(
                max(outline.nearest(point)[1] for point in back)
                for outline in (
                    draft.piece(p.piece).outline.transformed(p.transform) for p in tiling.placements
                )
            )
            assert nearest < 0.1


def ring(points: list[Point]) -> Point | None:
    """The centre of a registration ring among lines that are known by the ends of their curves."""
    xs, ys = [x for x, _ in points], [y for _, y in points]
    wide, high = max(xs) - min(xs), max(ys) - min(ys)
    if abs(wide - 5.0) > 0.01 or abs(high - 5.0) > 0.01 or len(points) < 6:
        return None
    centre = (0.5 * (max(xs) + min(xs)), 0.5 * (max(ys) + min(ys)))
    round_ = all(abs(hypot(x - centre[0], y - centre[1]) - 2.5) < 0.01 for x, y in points)
    return centre if round_ else None


def edge_rings(rings: list[Point], tiling: Tiling, right: int, down: int) -> list[Point]:
    inner = tiling.window.expanded(-0.5 * tiling.overlap)
    if right:
        x = inner.max_x if right > 0 else inner.min_x
        return sorted(point for point in rings if abs(point[0] - x) < 1.0)
    y = inner.min_y if down > 0 else inner.max_y
    return sorted(point for point in rings if abs(point[1] - y) < 1.0)


def test_both_pages_at_a_seam_print_the_same_marks(draft: Draft) -> None:
    tiling = tiling_of(draft)
    seen: dict[str, set[Point]] = {}
    count: dict[str, int] = {}
    for tile in tiling.tiles:
        for mark in registrations(tiling, tile):
            seen.setdefault(mark.name, set()).add(mark.point)
            count[mark.name] = count.get(mark.name, 0) + 1
            frame = tiling.frame(tile).expanded(-2.5)
            assert frame.min_x <= mark.point[0] <= frame.max_x
            assert frame.min_y <= mark.point[1] <= frame.max_y
    assert {len(points) for points in seen.values()} == {1}
    assert {*count.values()} == {2}


def test_the_first_page_has_square_rules_and_map(draft: Draft, pages: Any, file: Any) -> None:
    page = pages.pages[0]
    lines = lines_on(page, 0.18)
    sizes = []
    for points in lines:
        xs, ys = [x for x, _ in points], [y for _, y in points]
        if len(points) >= 4 and max(xs) - min(xs) == pytest.approx(max(ys) - min(ys), abs=1e-3):
            sizes.append(max(xs) - min(xs))
    assert any(size == pytest.approx(100.0, abs=1e-3) for size in sizes)
    assert any(size == pytest.approx(101.6, abs=1e-3) for size in sizes)
    level = max(abs(b[0] - a[0]) for line in lines for a, b in pairwise(line) if a[1] == b[1])
    upright = max(abs(b[1] - a[1]) for line in lines for a, b in pairwise(line) if a[0] == b[0])
    tiling = tiling_of(draft)
    assert level > tiling.window.width - 20.0
    assert upright > tiling.window.height - 20.0
    words = " ".join(
        line
        for page in file.shown.pages[:2]
        for item in page.own
        if hasattr(item, "lines")
        for line in item.lines
    )
    for said in (
        "100 %",
        "oaktag printcheck",
        *(piece.name for piece in draft.pieces),
        tiling.tiles[-1].label,
    ):
        assert said in words


def test_a_pattern_with_errors_says_so_on_every_page(broken_draft: Draft) -> None:
    for page in tiled(broken_draft).shown.pages:
        texts = [line for item in page.own if hasattr(item, "lines") for line in item.lines]
        if page.placements:
            assert any("DO NOT CUT" in line for line in texts)


def test_materials_can_be_layers_all_of_them_on(draft: Draft) -> None:
    with pdfplumber.open(BytesIO(tiled(draft, layers=True).data)) as pdf:
        layers = resolve1(pdf.doc.catalog["OCProperties"])
        names = [resolve1(group)["Name"].decode() for group in resolve1(layers["OCGs"])]
        assert sorted(names) == ["patch", "shell"]
        assert len(resolve1(resolve1(layers["D"])["ON"])) == 2
        used = b"".join(content.get_data() for page in pdf.pages[1:] for content in page.page_obj.contents)
        assert used.count(b"/OC /L0 BDC") > 0 < used.count(b"/OC /L1 BDC")
    with pdfplumber.open(BytesIO(tiled(draft).data)) as pdf:
        assert "OCProperties" not in pdf.doc.catalog


def test_paper_without_room_for_the_first_page_is_an_error(draft: Draft) -> None:
    after = run(draft, PdfTilesOptions(paper="A5"))
    assert after.artifacts == ()
    (finding,) = after.findings
    assert (finding.level, finding.code) == ("error", "sheet-too-small")
    assert "A5" in finding.message
    assert "Letter" in finding.message


@pytest.mark.parametrize(
    "options",
    [{"margin": 5.9}, {"overlap": 5.0}, {"paper": "A7½"}, {"paper": "20 x 30 mm"}, {"paper": "2 x 3 x 4 in"}],
)
def test_options_that_can_t_be_are_refused(options: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        PdfTilesOptions(**options)


def test_the_stage_is_supplied() -> None:
    (spec,) = oaktag_stages()
    assert spec.name == "export.pdf-tiles"
    assert spec.load_run() is run
    assert spec.load_options() is PdfTilesOptions
