"""Units and paper against published values: what the files say a millimetre is."""

from __future__ import annotations

from io import BytesIO, StringIO

import pdfplumber
import pytest
import svgelements

from oaktag.geometry import Line, Path, Point
from oaktag.pattern import CutRun, Draft, Edge, Frame, Piece, Provenance
from oaktag_plugins import export_dxf, export_pdf, export_svg

# ISO 216 A series, width × height in mm: the package `papersize` and the same table in gr8design.sk.
ISO_216 = {"A0": (841, 1189), "A1": (594, 841), "A2": (420, 594), "A3": (297, 420), "A4": (210, 297)}


def draft_with(width: float, height: float) -> Draft:
    """One rectangle without allowances or text, so that nothing but it decides how large a sheet is."""
    corners: list[Point] = [(0.0, height), (width, height), (width, 0.0), (0.0, 0.0)]
    edges = tuple(
        Edge(name, Path((Line(a, b),)))
        for name, a, b in zip("abcd", corners, [*corners[1:], corners[0]], strict=True)
    )
    runs = tuple(CutRun(edge.name, edge.path) for edge in edges)
    return Draft(
        frame=Frame("Demo", ("a", "b", "c"), ("ab", "bc", "ca"), ()),
        frame_provenance=Provenance("demo.frame.toml"),
        recipe_provenance=Provenance("demo", "1.0.0"),
        pieces=(Piece(id="sheet", name="Sheet", edges=edges, material="card", cut_line=runs),),
    )


def pdf_boxes(data: bytes) -> list[tuple[float, float]]:
    """Width and height in points of the closed lines on the first page."""
    with pdfplumber.open(BytesIO(data)) as pdf:
        return [(float(thing["width"]), float(thing["height"])) for thing in pdf.pages[0].rects]


def test_pdf_user_space_is_a_seventy_second_of_an_inch() -> None:
    # The default unit is 1/72 in (ISO 32000-1, 8.3.2): A4 is 595.2756 × 841.8898 points.
    width, height = ISO_216["A4"]
    data = export_pdf.run(draft_with(width, height), export_pdf.PdfOptions()).artifacts[0].data
    largest = max(pdf_boxes(data))
    assert largest == pytest.approx((595.2756, 841.8898), abs=5e-4)
    assert b"/UserUnit" not in data


def test_pdf_pages_end_at_14400_units() -> None:
    # 14 400 units of 1/72 in are 200 in, or 5080 mm (ISO 32000-1, annex C, from memory).
    assert export_pdf.PAGE_LIMIT == 14_400 / 72 * 25.4


def test_an_svg_inch_is_96_pixels() -> None:
    # 1 in = 96 px = 2.54 cm = 72 pt, one px being SVG's user unit (A. Bellamy-Royds and others, Using SVG
    # with CSS3 and HTML5, guide to units): a millimetre is 3.779527559 px.
    width, height = ISO_216["A3"]
    text = export_svg.run(draft_with(width, height), export_svg.SvgOptions()).artifacts[0].data.decode()
    drawing = svgelements.SVG.parse(StringIO(text), ppi=96.0)
    (cut,) = next(
        e for e in drawing.elements() if isinstance(e, svgelements.Group) and e.values.get("class") == "cut"
    )
    left, top, right, bottom = cut.bbox()
    assert right - left == pytest.approx(width * 3.779527559, rel=1e-6)
    assert bottom - top == pytest.approx(height * 3.779527559, rel=1e-6)


def test_dxf_says_millimetres_and_metric() -> None:
    # $INSUNITS 4 = millimetres (6 = metres), $MEASUREMENT 1 = metric: ezdxf's documentation, "DXF Units".
    width, height = ISO_216["A2"]
    text = export_dxf.run(draft_with(width, height), export_dxf.DxfOptions()).artifacts[0].data.decode()
    lines = text.splitlines()
    tags = list(zip((int(code) for code in lines[0::2]), lines[1::2], strict=True))
    values = {name: tags[place + 1] for place, (code, name) in enumerate(tags) if code == 9}
    assert values["$INSUNITS"] == (70, "4")
    assert values["$MEASUREMENT"] == (70, "1")
    xs = [float(value) for code, value in tags[tags.index((2, "ENTITIES")) :] if code in (10, 11)]
    assert max(xs) == pytest.approx(width)


def test_scale_squares_are_100_mm_and_four_international_inches() -> None:
    # The international inch is 25.4 mm exactly (agreement of 1959, from memory): 4 in = 101.6 mm, 288 points.
    data = export_pdf.run(draft_with(10.0, 10.0), export_pdf.PdfOptions()).artifacts[0].data
    squares = sorted(width for width, height in pdf_boxes(data) if width > 100.0)
    assert squares == pytest.approx([283.4645669, 288.0], abs=5e-4)


def test_the_usual_margin_is_one_that_printers_can_print() -> None:
    # Unprintable edges as printers' manuals state them: 4 mm (office laser), 4.2 mm (0.166 in, an early laser
    # printer's driver), 6.7 mm (inkjet, foot of A4).
    for options in (export_pdf.PdfOptions(), export_svg.SvgOptions()):
        assert options.margin >= 6.7
