"""What `export.pdf` writes, read back with pdfplumber, which did not write it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from io import BytesIO
from itertools import pairwise
from math import cos, hypot, sin, tau
from typing import Any

import pdfplumber
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pdfminer.pdftypes import resolve1
from pydantic import ValidationError

from oaktag import Draft
from oaktag.geometry import Arc, Box, Line, Path, Point, distance
from oaktag.pattern import Edge, Piece
from oaktag.pattern.drawing import LINE_STYLES
from oaktag.pattern.sheet import Sheet, draw_piece_sheet, draw_sheet
from oaktag_plugins.export_pdf import PdfOptions, oaktag_stages, run
from oaktag_plugins.exporting.pdf_shapes import ARC_ERROR, arc_beziers

POINTS = 72.0 / 25.4
MARGIN = 10.0


def pdf_of(draft: Draft, **options: Any) -> bytes:
    (artifact,) = run(draft, PdfOptions(**options)).artifacts
    assert (artifact.path, artifact.kind) == ("pattern.pdf", "pdf")
    return artifact.data


@pytest.fixture(scope="module")
def by_piece(draft: Draft) -> Iterator[Any]:
    with pdfplumber.open(BytesIO(pdf_of(draft))) as pdf:
        yield pdf


@pytest.fixture(scope="module")
def whole(draft: Draft) -> Iterator[Any]:
    with pdfplumber.open(BytesIO(pdf_of(draft, pages="sheet"))) as pdf:
        yield pdf


def objects_of(page: Any, weight: float, dashes: Sequence[float] = ()) -> list[list[Any]]:
    """Construction operators of a page's lines of one weight and dash pattern in mm, in the file's order."""
    # The reader scales widths to points but leaves dashes in the page's own unit, which is the millimetre.
    return [
        thing["path"]
        for thing in [*page.curves, *page.lines, *page.rects]
        if abs(thing["linewidth"] / POINTS - weight) < 1e-6
        and [float(length) for length in thing["dash"][0]] == pytest.approx(list(dashes))
    ]


def points_of(operators: Sequence[Any], page: Any, sheet: Sheet, margin: float = MARGIN) -> list[Point]:
    """A path in the sheet's mm, y upward; Bezier curves at 200 places each."""

    def at(point: Point) -> Point:
        x, y = point[0] / POINTS, (float(page.height) - point[1]) / POINTS
        return x - margin + sheet.bounds.min_x, y - margin + sheet.bounds.min_y

    points: list[Point] = []
    for operator, *operands in operators:
        ends = [at(point) for point in operands]
        if operator in ("m", "l"):
            points += ends
        elif operator == "c":
            a, (b, c, d) = points[-1], ends
            for step in range(1, 201):
                t = step / 200
                u = 1.0 - t
                points.append(
                    (
                        u**3 * a[0] + 3 * u * u * t * b[0] + 3 * u * t * t * c[0] + t**3 * d[0],
                        u**3 * a[1] + 3 * u * u * t * b[1] + 3 * u * t * t * c[1] + t**3 * d[1],
                    )
                )
        else:
            assert operator == "h"
            points.append(points[0])
    return points


def assert_same_line(points: Sequence[Point], wanted: Path) -> None:
    assert sum(hypot(b[0] - a[0], b[1] - a[1]) for a, b in pairwise(points)) == pytest.approx(
        wanted.length, abs=0.01
    )
    area = 0.5 * sum(a[0] * b[1] - b[0] * a[1] for a, b in pairwise([*points, points[0]]))
    assert area == pytest.approx(wanted.area, abs=0.01 * wanted.length)
    xs, ys = [x for x, _ in points], [y for _, y in points]
    assert (min(xs), min(ys), max(xs), max(ys)) == pytest.approx(wanted.bounds, abs=0.01)
    assert max(wanted.nearest(point)[1] for point in points[::61]) < 0.01


def assert_page_shows(page: Any, sheet: Sheet) -> None:
    for role in ("cut", "seam"):
        wanted = [stroke.path for stroke in sheet.strokes if stroke.role == role]
        style = LINE_STYLES[role]
        found = objects_of(page, style.weight, style.dashes)
        assert len(found) == len(wanted) > 0
        read = [points_of(operators, page, sheet) for operators in found]
        for path in wanted:
            x, y = path.bounds.centre
            nearest = min(read, key=lambda points: distance(Box.around(points).centre, (x, y)))
            read.remove(nearest)
            assert_same_line(nearest, path)


def test_every_piece_has_a_page_of_its_own_at_true_size(by_piece: Any, draft: Draft) -> None:
    assert len(by_piece.pages) == len(draft.pieces)
    for page, piece in zip(by_piece.pages, draft.pieces, strict=True):
        sheet = draw_piece_sheet(draft, piece)
        assert float(page.width) / POINTS == pytest.approx(sheet.bounds.width + 2 * MARGIN, abs=1e-3)
        assert float(page.height) / POINTS == pytest.approx(sheet.bounds.height + 2 * MARGIN, abs=1e-3)
        assert_page_shows(page, sheet)


def test_one_page_can_show_all(whole: Any, draft: Draft) -> None:
    (page,) = whole.pages
    sheet = draw_sheet(draft)
    assert float(page.width) / POINTS == pytest.approx(sheet.bounds.width + 2 * MARGIN, abs=1e-3)
    assert_page_shows(page, sheet)


def test_scale_squares_are_true(whole: Any, draft: Draft) -> None:
    sheet, (page,) = draw_sheet(draft), whole.pages
    sizes = []
    for operators in objects_of(page, LINE_STYLES["sheet"].weight):
        points = points_of(operators, page, sheet)
        xs, ys = [x for x, _ in points], [y for _, y in points]
        if len({*points}) == 4 and max(xs) - min(xs) > 50.0:
            assert max(xs) - min(xs) == pytest.approx(max(ys) - min(ys), abs=1e-3)
            sizes.append(max(xs) - min(xs))
    assert sorted(sizes) == pytest.approx([100.0, 101.6], abs=1e-3)


def test_notches_folds_and_letters_are_there(by_piece: Any, draft: Draft) -> None:
    page, sheet = by_piece.pages[0], draw_piece_sheet(draft, draft.pieces[0])
    count = Counter(stroke.role for stroke in sheet.strokes)
    notches = [stroke.path for stroke in sheet.strokes if stroke.role == "notch"]
    read = [points_of(operators, page, sheet) for operators in objects_of(page, LINE_STYLES["notch"].weight)]
    assert len(read) == len(notches) == 8
    for points, path in zip(sorted(read), sorted(notches, key=lambda path: path.start), strict=True):
        assert points[0] == pytest.approx(path.start, abs=0.01)
        assert points[1] == pytest.approx(path.end, abs=0.01)
    assert len(objects_of(page, LINE_STYLES["fold"].weight, LINE_STYLES["fold"].dashes)) == 1
    thin = sum(count[role] for role in ("mark", "grain", "text", "sheet"))
    assert len(objects_of(page, LINE_STYLES["text"].weight)) == thin


def test_all_is_black_and_nothing_is_a_font_s(whole: Any) -> None:
    (page,) = whole.pages
    assert page.chars == []
    assert {thing["stroking_color"] for thing in [*page.curves, *page.lines]} <= {0, (0,), (0.0,)}


def test_printers_are_asked_not_to_scale(by_piece: Any, draft: Draft) -> None:
    preferences = resolve1(by_piece.doc.catalog["ViewerPreferences"])
    assert preferences["PrintScaling"].name == "None"
    assert pdf_of(draft).startswith(b"%PDF-1.6")
    assert by_piece.metadata["Title"] == "fit-sample 1.0.0, Demo all-road, size M"
    assert "actual size" in by_piece.metadata["Subject"]


@pytest.mark.parametrize("pages", ["piece", "sheet"])
def test_bookmarks_lead_to_the_pieces(draft: Draft, pages: str) -> None:
    with pdfplumber.open(BytesIO(pdf_of(draft, pages=pages))) as pdf:
        entries = [(title, target) for _, title, target, _, _ in pdf.doc.get_outlines()]
        assert [title for title, _ in entries] == [piece.name for piece in draft.pieces]
        numbers = [page.page_obj.pageid for page in pdf.pages]
        shown = [numbers.index(target[0].objid) for _, target in entries]
        assert shown == ([0, 1, 2, 3] if pages == "piece" else [0, 0, 0, 0])
        for piece, (_, target) in zip(draft.pieces, entries, strict=True):
            _, kind, left, bottom, right, top = target
            assert kind.name == "FitR"
            box = piece.outline.bounds
            assert (right - left) / POINTS == pytest.approx(box.width, abs=0.01)
            assert (top - bottom) / POINTS == pytest.approx(box.height, abs=0.01)


def test_pages_are_compressed(draft: Draft) -> None:
    assert b"/FlateDecode" in pdf_of(draft)
    assert len(pdf_of(draft, pages="sheet")) < 40_000


def test_the_margin_is_as_asked(draft: Draft) -> None:
    with pdfplumber.open(BytesIO(pdf_of(draft, pages="sheet", margin=25.0))) as pdf:
        (page,) = pdf.pages
        sheet = draw_sheet(draft)
        assert float(page.width) / POINTS == pytest.approx(sheet.bounds.width + 50.0, abs=1e-3)
        (first, *_) = [stroke.path for stroke in sheet.strokes if stroke.role == "cut"]
        read = [points_of(operators, page, sheet, 25.0) for operators in objects_of(page, 0.6)]
        assert min(abs(min(points)[0] - first.bounds.min_x) for points in read) < 0.01
    with pytest.raises(ValidationError):
        PdfOptions(margin=-1.0)


def long_strip(length: float) -> Piece:
    corners: list[Point] = [(0.0, 50.0), (length, 50.0), (length, 0.0), (0.0, 0.0)]
    edges = tuple(
        Edge(name, Path((Line(a, b),)))
        for name, a, b in zip("abcd", corners, [*corners[1:], corners[0]], strict=True)
    )
    return Piece(id="strip", name="Strip", edges=edges, material="shell")


@pytest.mark.parametrize("pages", ["piece", "sheet"])
def test_a_page_longer_than_the_format_allows_is_reported(draft: Draft, pages: str) -> None:
    too_long = draft.evolve(pieces=(draft.pieces[0], long_strip(5060.1)))
    after = run(too_long, PdfOptions(pages=pages))
    assert after.artifacts == ()
    (finding,) = after.findings
    assert (finding.level, finding.code) == ("error", "page-too-large")
    assert finding.where == ("strip" if pages == "piece" else "")
    for words in ("5080 mm", "export.svg", "split the piece" if pages == "piece" else 'pages to "piece"'):
        assert words in finding.message
    just = run(draft.evolve(pieces=(long_strip(5059.9),)), PdfOptions(pages=pages))
    assert just.findings == ()
    assert len(just.artifacts) == 1


@given(st.floats(5.0, 5000.0), st.floats(0.05, tau - 0.05), st.floats(0.0, tau), st.booleans())
def test_bezier_curves_stay_on_their_arc(radius: float, sweep: float, start: float, clockwise: bool) -> None:
    end = start - sweep if clockwise else start + sweep
    arc = Arc(
        (7.0 + radius * cos(start), radius * sin(start)),
        (7.0 + radius * cos(end), radius * sin(end)),
        (7.0, 0.0),
        radius,
        clockwise,
    )
    beziers = arc_beziers(arc)
    assert (beziers[0][0], beziers[-1][3]) == (arc.start, arc.end)
    assert sweep / len(beziers) <= tau / 8 + 1e-9
    for before, after in pairwise(beziers):
        assert before[3] == after[0]
    for number, (a, b, c, d) in enumerate(beziers):
        for t in (0.21, 0.5, 0.79):
            u = 1.0 - t
            x, y = (u**3 * a[i] + 3 * u * u * t * b[i] + 3 * u * t * t * c[i] + t**3 * d[i] for i in (0, 1))
            assert abs(hypot(x - 7.0, y) - radius) <= ARC_ERROR
            station = (number + t) / len(beziers) * arc.length
            assert hypot(
                x - arc.point_at(station)[0], y - arc.point_at(station)[1]
            ) < 0.02 * arc.length / len(beziers)


def test_a_source_date_is_honoured(draft: Draft, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1700000000")
    dated = pdf_of(draft, pages="sheet")
    with pdfplumber.open(BytesIO(dated)) as pdf:
        assert pdf.metadata["CreationDate"] == "D:20231114221320Z"
    assert dated == pdf_of(draft, pages="sheet")


def test_the_stage_is_supplied() -> None:
    (spec,) = oaktag_stages()
    assert spec.name == "export.pdf"
    assert spec.load_run() is run
    assert spec.load_options() is PdfOptions
    assert spec.adds == {"files"}
