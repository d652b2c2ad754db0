"""A tech pack as PDF: real text in embedded type, pictures as vectors, bookmarks."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import lru_cache
from io import BytesIO
from typing import TYPE_CHECKING, Any, Literal, NamedTuple
from xml.sax.saxutils import escape

from oaktag.geometry import Arc, Line, Path, Point
from oaktag_plugins.exporting.pdf_shapes import arc_beziers
from oaktag_plugins.tech_pack.content import Block, FigureBlock, Listing, Paragraph, Table, TechPack
from oaktag_plugins.tech_pack.figure import Figure, FigureText
from oaktag_plugins.tech_pack.fonts import BOLD, REGULAR, carried, written
from oaktag_plugins.tech_pack.said import single_spaced

if TYPE_CHECKING:
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.pdfgen.canvas import Canvas
    from reportlab.platypus import Flowable

POINTS_PER_MM = 72.0 / 25.4
"""User space is 1/72 in: ISO 32000-1, 8.3.2."""

PaperName = Literal["A4", "Letter"]
PAPERS: dict[PaperName, tuple[float, float]] = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
"""Width and height in mm: ISO 216; ANSI/ASME Y14.1."""

_SIDE, _TOP, _BOTTOM = 16.0, 20.0, 16.0  # margins, mm
_WIDTHS = {"thick": 0.7, "medium": 0.35, "thin": 0.18}  # mm, of the series of ISO 128-2
_TINT = 0.87
_TALLEST_ROW = 120.0  # mm; a table with a taller row is set as running text, which any page can break
_TALLEST_FIGURE = 210.0  # mm
_WIDEST_WORD = 45.0  # mm; longer words are broken before their column is widened
_PAD = 1.1  # mm on both sides of a cell
_ROOM = 35.0  # mm; with less of it left a heading goes to the next page
_LEADING = 2  # a figure among so many first blocks stays with their heading
_PAGE_COUNT = "page-count"


def pdf_of(pack: TechPack, paper: PaperName = "A4", note: str = "") -> bytes:
    """A tech pack as the bytes of a PDF file, the same for the same pack.

    Args:
        pack: what it says.
        paper: of its pages.
        note: among the document's keywords, for programs that read it back.
    """
    from reportlab.platypus import SimpleDocTemplate

    carried()
    width, height = (POINTS_PER_MM * side for side in PAPERS[paper])
    title = written(single_spaced(pack.title))
    buffer = BytesIO()
    document = SimpleDocTemplate(
        buffer,
        pagesize=(width, height),
        leftMargin=_SIDE * POINTS_PER_MM,
        rightMargin=_SIDE * POINTS_PER_MM,
        topMargin=_TOP * POINTS_PER_MM,
        bottomMargin=_BOTTOM * POINTS_PER_MM,
        title=title,
        author="",
        subject="Tech pack",
        creator="oaktag",
        keywords=note,  # type: ignore[arg-type]  # text, as PDF has it; the stubs ask for a list
        lang=pack.language,
        invariant=1,
        displayDocTitle=True,
    )

    def head(canvas: Canvas, _: object) -> None:
        _running_head(canvas, title, width, height)

    # The frame has a padding of 6 points on all sides.
    setter = _Setter(width - 2.0 * _SIDE * POINTS_PER_MM - 12.0)
    document.build(setter.pack(pack), onFirstPage=head, onLaterPages=head)
    return buffer.getvalue()


def _running_head(canvas: Canvas, title: str, width: float, height: float) -> None:
    canvas.saveState()
    canvas.setFont(REGULAR, 8)
    base, left = height - 12.0 * POINTS_PER_MM, _SIDE * POINTS_PER_MM + 6.0
    right = width - left
    canvas.drawString(left, base, _fitted(title, right - left - 70.0))
    canvas.drawRightString(right - 12.0, base, f"Page {canvas.getPageNumber()} of")
    canvas.translate(right - 10.0, base)
    canvas.doForm(_PAGE_COUNT)  # made on the last page, when it is known
    canvas.translate(10.0 - right, -base)
    canvas.setLineWidth(0.5)
    canvas.line(left, base - 4.0, right, base - 4.0)
    canvas.restoreState()


def _fitted(text: str, width: float) -> str:
    """As much of a text as there is room for."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    if stringWidth(text, REGULAR, 8) <= width:
        return text
    while text and stringWidth(f"{text}\u2026", REGULAR, 8) > width:
        text = text[:-1]
    return f"{text}\u2026"


class _Setter:
    """Turns what a pack says into what the library breaks into pages.

    Args:
        width: of the column, points.
    """

    def __init__(self, width: float) -> None:
        self.width = width
        self.styles = _styles()
        self._keys = 0

    def pack(self, pack: TechPack) -> list[Flowable]:
        """The whole pack."""
        flow: list[Flowable] = [self._text(pack.title, "title")]
        if pack.facts:
            flow.append(self._facts(pack.facts))
        for section in pack.sections:
            flow += self._heading(section.heading, 0, section.blocks)
            flow += self._blocks(section.blocks, 1)
        flow.append(_flowables().page_count())
        return flow

    def _text(self, text: str, style: str) -> Flowable:
        from reportlab.platypus import Paragraph as Set

        return Set(escape(written(single_spaced(text))), self.styles[style])

    def _heading(self, text: str, level: int, below: Sequence[Block]) -> list[Flowable]:
        """A heading, on the next page if there is no room for what belongs to it."""
        from reportlab.platypus import CondPageBreak

        self._keys += 1
        room = _ROOM * POINTS_PER_MM
        for block in below[:_LEADING]:
            if isinstance(block, FigureBlock):
                room += block.figure.height * _scale(block.figure, self.width)
                break
        mark = _flowables().bookmark(written(single_spaced(text)) or "\u2013", f"h{self._keys}", level)
        return [CondPageBreak(room), mark, self._text(text, f"heading{min(level, 2)}")]

    def _blocks(self, blocks: Iterable[Block], level: int) -> Iterator[Flowable]:
        for block in blocks:
            if isinstance(block, Paragraph):
                yield from self._paragraph(block)
            elif isinstance(block, Listing):
                for item in block.items:
                    yield self._text(item, "item")
            elif isinstance(block, Table):
                yield from self._table(block)
            elif isinstance(block, FigureBlock):
                yield self._figure(block)
            else:
                yield from self._heading(block.heading, level, block.blocks)
                yield from self._blocks(block.blocks, level + 1)

    def _paragraph(self, block: Paragraph) -> Iterator[Flowable]:
        if block.kind == "plain":
            yield self._text(block.text, "plain")
            return
        from reportlab.platypus import Paragraph as Set

        kind, text = block.kind.capitalize(), escape(written(single_spaced(block.text)))
        style = self.styles["error" if block.kind == "error" else "said"]
        yield Set(f'<font name="{BOLD}">{kind}</font>&nbsp; {text}', style)

    def _figure(self, block: FigureBlock) -> Flowable:
        from reportlab.platypus import KeepTogether

        picture = _flowables().picture(block, self.width)
        return KeepTogether([picture, self._text(block.caption, "caption")])

    def _facts(self, facts: Iterable[tuple[str, str]]) -> Flowable:
        from reportlab.platypus import Table as Set

        rows = [[self._text(name, "fact"), self._text(value, "cell")] for name, value in facts]
        first = 38.0 * POINTS_PER_MM
        style = [("VALIGN", (0, 0), (-1, -1), "TOP"), *_padding(0.5)]
        return Set(rows, [first, self.width - first], style=style, splitInRow=1, hAlign="LEFT")

    def _table(self, table: Table) -> Iterator[Flowable]:
        from reportlab.platypus import Table as Set

        widths = self._columns(table)
        numbers = ["-number" if column.numeric else "" for column in table.columns]
        head = [
            self._text(column.heading, f"column{number}")
            for column, number in zip(table.columns, numbers, strict=True)
        ]
        rows = [
            [
                self._cell(cell, width, f"cell{number}")
                for cell, width, number in zip(row, widths, numbers, strict=True)
            ]
            for row in table.rows
        ]
        tallest = max(
            (
                cell.wrap(width - 2.0 * _PAD * POINTS_PER_MM, 1e6)[1]
                for row in rows
                for cell, width in zip(row, widths, strict=True)
                if not isinstance(cell, str)
            ),
            default=0.0,
        )
        caption = self._text(table.caption, "table-caption")
        if not table.columns or tallest > _TALLEST_ROW * POINTS_PER_MM:
            yield caption
            yield from head
            for row in table.rows:
                yield from (self._text(cell, "item") for cell in row)
            return
        titled = [caption, *[""] * (len(head) - 1)]
        yield Set(
            [titled, head, *rows],
            widths,
            repeatRows=2,
            hAlign="LEFT",
            spaceBefore=6,
            spaceAfter=8,
            style=[
                ("SPAN", (0, 0), (-1, 0)),
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("VALIGN", (0, 1), (-1, 1), "BOTTOM"),
                ("LINEBELOW", (0, 1), (-1, 1), 1.0, (0, 0, 0)),
                ("LINEBELOW", (0, 2), (-1, -1), 0.35, (0.6, 0.6, 0.6)),
                ("FONT", (0, 2), (-1, -1), REGULAR, _CELL, 1.3 * _CELL),
                *(
                    ("ALIGN", (index, 2), (index, -1), "RIGHT")
                    for index, column in enumerate(table.columns)
                    if column.numeric
                ),
                *_padding(0.7),
            ],
        )

    def _cell(self, text: str, width: float, style: str) -> str | Flowable:
        """The text of a cell; only what has to be broken into lines is set as a paragraph, which is slow."""
        from reportlab.pdfbase.pdfmetrics import stringWidth

        line = written(single_spaced(text))
        if stringWidth(line, REGULAR, _CELL) <= width - 2.0 * _PAD * POINTS_PER_MM:
            return line
        return self._text(text, style)

    def _columns(self, table: Table) -> list[float]:
        """Widths of columns in points: as wide as their texts where there is room, else shared out."""
        from reportlab.pdfbase.pdfmetrics import stringWidth

        least: list[float] = []
        most: list[float] = []
        pad, widest = 2.0 * _PAD * POINTS_PER_MM + 0.5, _WIDEST_WORD * POINTS_PER_MM
        for index, column in enumerate(table.columns):
            texts = [written(single_spaced(row[index])) for row in table.rows]
            lines = [
                *((text, REGULAR) for text in texts),
                (written(single_spaced(column.heading)), BOLD),
            ]
            whole = [stringWidth(text, font, _CELL) for text, font in lines]
            words = [stringWidth(word, font, _CELL) for text, font in lines for word in text.split()]
            least.append(min(max(words, default=0.0), widest) + pad)
            most.append(max([*whole, 0.0]) + pad)
        if sum(most) <= self.width:
            return most
        if sum(least) >= self.width:
            return [width * self.width / sum(least) for width in least]
        # Columns that need little more get all of it; those with long texts share what is left.
        spare, widths = self.width - sum(least), list(least)
        order = sorted(range(len(least)), key=lambda index: most[index] - least[index])
        for left, index in zip(range(len(order), 0, -1), order, strict=True):
            more = min(most[index] - least[index], spare / left)
            widths[index] += more
            spare -= more
        return widths


def _padding(above: float) -> list[Any]:  # commands of a table's style, as the library takes them
    sides, level = _PAD * POINTS_PER_MM, above * POINTS_PER_MM
    whole = ((0, 0), (-1, -1))
    return [
        ("LEFTPADDING", *whole, sides),
        ("RIGHTPADDING", *whole, sides),
        ("TOPPADDING", *whole, level),
        ("BOTTOMPADDING", *whole, level),
    ]


_CELL = 8.0  # points


def _styles() -> dict[str, ParagraphStyle]:
    from reportlab.lib.enums import TA_RIGHT
    from reportlab.lib.styles import ParagraphStyle

    common: dict[str, Any] = {"splitLongWords": 1, "allowWidows": 0, "allowOrphans": 0}

    def style(name: str, size: float, font: str = REGULAR, **more: Any) -> ParagraphStyle:
        return ParagraphStyle(name, fontName=font, fontSize=size, leading=1.3 * size, **common, **more)

    gray = (0.25, 0.25, 0.25)
    number: dict[str, Any] = {"alignment": TA_RIGHT}
    said: dict[str, Any] = {"leftIndent": 8, "rightIndent": 8}
    return {
        "title": style("title", 18, BOLD, spaceAfter=8),
        "heading0": style("heading0", 14, BOLD, spaceBefore=14, spaceAfter=5),
        "heading1": style("heading1", 11, BOLD, spaceBefore=10, spaceAfter=4),
        "heading2": style("heading2", 9.5, BOLD, spaceBefore=8, spaceAfter=3),
        "plain": style("plain", 9.5, spaceAfter=5),
        "item": style("item", 9.5, leftIndent=8, spaceAfter=2),
        "said": style("said", 9.5, spaceAfter=5, **said),
        "error": style(
            "error",
            9.5,
            borderWidth=1.2,
            borderColor=(0, 0, 0),
            borderPadding=4,
            spaceBefore=6,
            **said,
            spaceAfter=10,
        ),
        "caption": style("caption", 8.5, textColor=gray, spaceBefore=2, spaceAfter=8),
        "fact": style("fact", _CELL, textColor=gray),
        "table-caption": style("table-caption", 9, BOLD),
        "column": style("column", _CELL, BOLD),
        "column-number": style("column-number", _CELL, BOLD, **number),
        "cell": style("cell", _CELL),
        "cell-number": style("cell-number", _CELL, **number),
    }


class _Flowables(NamedTuple):
    bookmark: Callable[[str, str, int], Flowable]
    picture: Callable[[FigureBlock, float], Flowable]
    page_count: Callable[[], Flowable]


@lru_cache(maxsize=1)
def _flowables() -> _Flowables:
    """Classes of our own that the library sets among its own; made here so that it isn't imported before."""
    from reportlab.platypus import Flowable

    class Bookmark(Flowable):
        """A place that the outline leads to."""

        def __init__(self, text: str, key: str, level: int) -> None:
            super().__init__()
            self.text, self.key, self.level = text, key, level

        def wrap(self, _width: float, _height: float) -> tuple[float, float]:
            return 0.0, 0.0

        def draw(self) -> None:
            self.canv.bookmarkHorizontal(self.key, 0, 24)
            self.canv.addOutlineEntry(self.text, self.key, self.level, closed=self.level > 0)

    class Picture(Flowable):
        """A figure, as large as it is meant or as the page allows."""

        def __init__(self, block: FigureBlock, width: float) -> None:
            super().__init__()
            self.block = block
            self.scale = _scale(block.figure, width)

        def wrap(self, _width: float, _height: float) -> tuple[float, float]:
            return self.block.figure.width * self.scale, self.block.figure.height * self.scale + 6.0

        def draw(self) -> None:
            _draw_figure(self.canv, self.block.figure, single_spaced(self.block.alternative), self.scale)

    class Count(Flowable):
        """Says how many pages there are, once the last one is reached."""

        def wrap(self, _width: float, _height: float) -> tuple[float, float]:
            return 0.0, 0.0

        def draw(self) -> None:
            pages = self.canv.getPageNumber()
            self.canv.beginForm(_PAGE_COUNT, 0, -3, 30, 10)
            self.canv.setFont(REGULAR, 8)
            self.canv.drawString(0, 0, str(pages))
            self.canv.endForm()

    return _Flowables(Bookmark, Picture, Count)


def _scale(figure: Figure, width: float) -> float:
    """Points to a millimetre of a figure: true size, or less where the page is too small."""
    return min(POINTS_PER_MM, width / figure.width, _TALLEST_FIGURE * POINTS_PER_MM / figure.height)


def _draw_figure(canvas: Canvas, figure: Figure, alternative: str, scale: float) -> None:
    """Draw a figure from (0, 0), with its words for those who can't see it (ISO 32000-1, 14.9.3)."""
    canvas.saveState()
    canvas.addLiteral(f"/Figure <</Alt <FEFF{alternative.encode('utf-16-be').hex().upper()}>>> BDC")
    # From here on a unit is a millimetre on the figure.
    canvas.scale(scale, scale)
    canvas.setLineJoin(1)
    for line in figure.lines:
        width = _WIDTHS[line.weight]
        dashes = " ".join(f"{length:g}" for length in line.dashes)
        canvas.addLiteral(f"{width:g} w [{dashes}] 0 d {_TINT if line.fill == 'light' else 0:g} g")
        canvas.addLiteral(f"{_operators(line.shape)} {'S' if line.fill == 'none' else 'B'}")
    canvas.setFillGray(0.0)
    for text in figure.texts:
        _draw_text(canvas, text)
    canvas.addLiteral("EMC")
    canvas.restoreState()


def _draw_text(canvas: Canvas, text: FigureText) -> None:
    said = written(single_spaced(text.text))
    if not said:
        return
    canvas.saveState()
    canvas.translate(*text.position)
    canvas.rotate(text.angle)
    canvas.setFont(REGULAR, text.size)
    draw = {"left": canvas.drawString, "centre": canvas.drawCentredString, "right": canvas.drawRightString}
    draw[text.align](0.0, 0.0, said)
    canvas.restoreState()


def _operators(shape: Path | tuple[Point, ...]) -> str:
    """A shape as path construction operators (ISO 32000-1, 8.5.2)."""
    if not isinstance(shape, Path):
        return " l ".join(_point(point) for point in shape).replace("l", "m", 1) + " l"
    parts = [f"{_point(shape.start)} m"]
    for segment in shape.segments:
        if isinstance(segment, Line):
            parts.append(f"{_point(segment.end)} l")
            continue
        beziers = arc_beziers(segment) if isinstance(segment, Arc) else segment.beziers
        parts.extend(" ".join(_point(point) for point in bezier[1:]) + " c" for bezier in beziers)
    if shape.closed:
        parts.append("h")
    return " ".join(parts)


def _point(point: Point) -> str:
    return f"{point[0]:.3f} {point[1]:.3f}"
