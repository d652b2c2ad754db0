"""Pages with pieces on them as a PDF file: every piece is drawn once and placed as often as it is shown."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from io import BytesIO
from math import cos, radians, sin
from typing import TYPE_CHECKING, Any

from oaktag import Draft
from oaktag.geometry import Box
from oaktag.pattern.cut_list import CARD
from oaktag.pattern.drawing import LINE_STYLES, ROLES, LineStyle, Role
from oaktag.pattern.sheet import Placement, Sheet, drawn_pieces
from oaktag.pattern.shown import Page, Shown
from oaktag_plugins.exporting.pdf_shapes import item_operators

if TYPE_CHECKING:
    from pikepdf import Object, OutlineItem, Pdf

POINTS_PER_MM = 72.0 / 25.4
"""User space is 1/72 in: ISO 32000-1, 8.3.2."""

READER = "oaktag_plugins.reading.pdf:differences_in"
SUBJECT = "True size, mm. Print at actual size and check the scale squares."

_SLACK = 5.0  # mm around a piece's drawing that its form may still paint: more than half a line's weight


@dataclass(frozen=True, slots=True)
class PdfPage:
    """One page.

    Attributes:
        page: what it shows.
        width: of the page, mm.
        height: of the page, mm.
        label: what viewers call the page; empty for its number.
    """

    page: Page
    width: float
    height: float
    label: str = ""


@dataclass(frozen=True, slots=True)
class Bookmark:
    """A line in the viewer's list of contents: where it leads, in mm on the page."""

    title: str
    page: int
    box: Box


def line_key(style: LineStyle) -> str:
    """What a line in a PDF file is known by, since it has no other name: its weight and its dashes in mm."""
    dashes = "-".join(f"{length:.3g}" for length in style.dashes)
    return f"{style.weight:.3g} mm {f'dashed {dashes}' if dashes else 'solid'}"


def shown_by(pages: Iterable[PdfPage], styles: Mapping[Role, LineStyle] = LINE_STYLES) -> Shown:
    """What a file with these pages shows."""
    return Shown(tuple(page.page for page in pages), {role: line_key(styles[role]) for role in ROLES})


def material_layers(draft: Draft) -> dict[str, str]:
    """The layer of each piece: what it is cut from."""
    return {piece.id: CARD if piece.assembled else piece.material for piece in drawn_pieces(draft)}


def bookmarks_of(draft: Draft, page: PdfPage, number: int) -> list[Bookmark]:
    """A bookmark for every piece on a page, to its outline."""
    marks: list[Bookmark] = []
    for placement in page.page.placements:
        piece = draft.piece(placement.piece)
        outline = piece.outline.transformed(placement.transform)
        marks.append(Bookmark(piece.name, number, outline.bounds))
    return marks


def pdf_file(
    title: str,
    sheets: Iterable[Sheet],
    pages: Sequence[PdfPage],
    *,
    subject: str = SUBJECT,
    styles: Mapping[Role, LineStyle] = LINE_STYLES,
    layers: Mapping[str, str] | None = None,
    bookmarks: Iterable[Bookmark] = (),
    white_on_black: bool = False,
) -> bytes:
    """Write pages as PDF 1.6, which printers are asked not to scale.

    Args:
        title: of the document.
        sheets: whose drawings the pages place.
        pages: in order.
        subject: of the document.
        styles: line weights and dashes by role, mm.
        layers: by piece the name of its layer (optional content group); None for no layers.
        bookmarks: in order.
        white_on_black: whether lines are white and pages filled with black.
    """
    from pikepdf import Dictionary, Name, ObjectStreamMode, Pdf, Stream

    pdf = Pdf.new()
    pen = f"0 J 1 j {1 if white_on_black else 0} G"
    forms: dict[str, Object] = {}
    for sheet in sheets:
        for drawing in sheet.drawings:
            if drawing.piece not in forms:
                # A form inherits the page's colour and joins, but not every reader knows that.
                operators = f"{pen}\n{item_operators(drawing.items, styles)}"
                form: Any = Stream(pdf, operators.encode())
                form.Type, form.Subtype = Name.XObject, Name.Form
                form.BBox = [round(edge, 3) for edge in drawing.bounds.expanded(_SLACK)]
                forms[drawing.piece] = pdf.make_indirect(form)
    groups = _layer_groups(pdf, layers or {})
    for page in pages:
        blank = pdf.add_blank_page(page_size=(page.width * POINTS_PER_MM, page.height * POINTS_PER_MM)).obj
        used = list(dict.fromkeys(placement.piece for placement in page.page.placements))
        names = {piece: f"P{number}" for number, piece in enumerate(used)}
        blank.Resources = Dictionary(XObject=Dictionary({f"/{names[piece]}": forms[piece] for piece in used}))
        on = {layer: f"L{number}" for number, layer in enumerate(groups)}
        if groups:
            blank.Resources.Properties = Dictionary({f"/{on[layer]}": groups[layer] for layer in groups})
        tags = {piece: on[layer] for piece, layer in (layers or {}).items()}
        content = _content(page, names, tags, styles, pen, white_on_black=white_on_black)
        blank.Contents = pdf.make_indirect(Stream(pdf, content.encode()))
    if any(page.label for page in pages):
        numbers: list[object] = []
        for number, page in enumerate(pages):
            numbers += [number, Dictionary(P=page.label)]
        pdf.Root.PageLabels = Dictionary(Nums=numbers)
    pdf.Root.ViewerPreferences = Dictionary(PrintScaling=Name("/None"))
    with pdf.open_outline() as outline:
        outline.root.extend(_outline_item(mark) for mark in bookmarks)
    pdf.docinfo = pdf.make_indirect(Dictionary(_information(title, subject)))
    buffer = BytesIO()
    # Ids come from the content, and dates are only written when they are asked for.
    pdf.save(
        buffer,
        deterministic_id=True,
        min_version="1.6",
        object_stream_mode=ObjectStreamMode.generate,
        compress_streams=True,
    )
    return buffer.getvalue()


def _layer_groups(pdf: Pdf, layers: Mapping[str, str]) -> dict[str, Object]:
    """An optional content group for every layer, all of them on (ISO 32000-1, 8.11)."""
    from pikepdf import Array, Dictionary, Name

    groups: dict[str, Object] = {
        layer: pdf.make_indirect(Dictionary(Type=Name.OCG, Name=layer))
        for layer in dict.fromkeys(layers.values())
    }
    if groups:
        every = list(groups.values())
        pdf.Root.OCProperties = Dictionary(
            OCGs=Array(every), D=Dictionary(Order=Array(every), ON=Array(every), Name="Materials")
        )
    return groups


def _content(
    page: PdfPage,
    names: Mapping[str, str],
    tags: Mapping[str, str],
    styles: Mapping[Role, LineStyle],
    pen: str,
    *,
    white_on_black: bool,
) -> str:
    """A page's operators. From the first line on a unit is a millimetre, also for weights and dashes."""
    parts = [f"{POINTS_PER_MM:.9f} 0 0 {POINTS_PER_MM:.9f} 0 0 cm {pen}"]
    if white_on_black:
        parts.append(f"0 g 0 0 {page.width:.4f} {page.height:.4f} re f")
    if page.page.placements:
        parts.append("q")
        window = page.page.window
        if window is not None:
            parts.append(
                f"{window.min_x:.4f} {window.min_y:.4f} {window.width:.4f} {window.height:.4f} re W n"
            )
        for placement in page.page.placements:
            # The piece's id travels as marked content, so that a reader knows whose lines they are.
            named = placement.piece.encode().hex()
            parts.append(f"/Piece <</ID <{named}>>> BDC")
            draw = f"q {_matrix(placement)} cm /{names[placement.piece]} Do Q"
            tag = tags.get(placement.piece)
            parts.append(f"/OC /{tag} BDC {draw} EMC" if tag else draw)
            parts.append("EMC")
        parts.append("Q")
    parts.append(item_operators(page.page.own, styles))
    return "\n".join(parts)


def _matrix(placement: Placement) -> str:
    c, s = cos(radians(placement.angle)), sin(radians(placement.angle))
    return f"{c:.9f} {s:.9f} {-s:.9f} {c:.9f} {placement.dx:.4f} {placement.dy:.4f}"


def _outline_item(mark: Bookmark) -> OutlineItem:
    from pikepdf import OutlineItem

    left, bottom, right, top = (round(edge * POINTS_PER_MM, 4) for edge in mark.box)
    return OutlineItem(mark.title, mark.page, "FitR", left=left, bottom=bottom, right=right, top=top)


def _information(title: str, subject: str) -> dict[str, str]:
    entries = {"/Title": title, "/Subject": subject, "/Creator": "oaktag", "/Producer": "oaktag"}
    epoch = os.environ.get("SOURCE_DATE_EPOCH")
    if epoch:
        entries["/CreationDate"] = f"{datetime.fromtimestamp(int(epoch), UTC):D:%Y%m%d%H%M%SZ}"
    return entries
