"""What is cut, bought and done: cut list, bill of materials, thread, labour, cost, operations."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from oaktag import Draft
from oaktag.pattern import BillUnit, Operation, Paperwork
from oaktag.pattern.cut_list import cut_list
from oaktag_plugins.tech_pack.content import Block, Column, FigureBlock, Group, Paragraph, Section, Table
from oaktag_plugins.tech_pack.families import kind_of
from oaktag_plugins.tech_pack.figures_piece import operation_block
from oaktag_plugins.tech_pack.wording import listed_words, number, ranges

_UNITS: dict[BillUnit, str] = {"m2": "m\u00b2", "m": "m", "each": "each"}
_MOST_USERS = 4

Step = tuple[int, Operation]
"""An operation with its number in the list."""


def cut_sections(draft: Draft) -> tuple[Section, ...]:
    """The cut list; worked out here where no stage has."""
    rows = draft.paperwork.cut_list if draft.paperwork is not None else cut_list(draft)
    if not rows:
        return ()
    columns = (
        Column("piece"),
        Column("name"),
        Column("material"),
        Column("to cut", True),
        Column("turned over", True),
        Column("length, mm", True),
        Column("width, mm", True),
        Column("area, cm\u00b2", True),
        Column("remark"),
    )
    table = Table(
        "Cut list",
        columns,
        tuple(
            (
                row.piece,
                row.name,
                row.material,
                str(row.quantity),
                str(row.mirrored),
                number(row.width),
                number(row.height),
                number(row.area / 100.0),
                row.note,
            )
            for row in rows
        ),
    )
    lead = Paragraph("Length along the grain and width across it, at the cut line, of one piece.")
    return (Section("cut-list", "Cut list", (lead, table)),)


def bill_sections(draft: Draft) -> tuple[Section, ...]:
    """Bill of materials, thread, labour, and what it comes to; nothing where no stage worked it out."""
    paperwork = draft.paperwork
    if paperwork is None:
        return ()
    blocks: list[Block] = [_bill(draft, paperwork)]
    if paperwork.thread:
        blocks.append(_thread(paperwork))
    if paperwork.labour:
        blocks.append(_labour(paperwork))
    totals = _totals(paperwork)
    if totals.rows:
        blocks.append(totals)
    return (Section("materials", "Materials, thread, labour and cost", tuple(blocks)),)


def _bill(draft: Draft, paperwork: Paperwork) -> Table:
    rows = []
    for row in paperwork.bill:
        material = draft.material(row.material)
        decimals = 0 if row.unit == "each" else 3
        rows.append(
            (
                row.material,
                row.kind,
                "" if material is None else material.description,
                number(row.net, decimals),
                number(100.0 * row.waste),
                number(row.gross, decimals),
                _UNITS[row.unit],
                "" if row.mass is None else number(row.mass),
                "" if row.cost is None else number(row.cost, 2),
                listed_words(row.used_by, _MOST_USERS),
            )
        )
    columns = (
        Column("material"),
        Column("kind"),
        Column("description"),
        Column("in the bag", True),
        Column("waste, %", True),
        Column("to buy", True),
        Column("unit"),
        Column("mass, g", True),
        Column(f"cost, {paperwork.currency}" if paperwork.currency else "cost", True),
        Column("used by"),
    )
    return Table("Bill of materials", columns, tuple(rows))


def _thread(paperwork: Paperwork) -> Table:
    rows = tuple(
        (
            row.stitch_type,
            number(row.seam_length / 1000.0, 2),
            number(row.ratio, 2),
            number(row.length, 2),
            row.source,
        )
        for row in paperwork.thread
    )
    columns = (
        Column("stitch type"),
        Column("seam, m", True),
        Column("thread per metre of seam, m", True),
        Column("thread, m", True),
        Column("source"),
    )
    return Table("Thread", columns, rows)


def _labour(paperwork: Paperwork) -> Table:
    if not any(row.rate for row in paperwork.labour):
        plain = (Column("kind of work"), Column("standard minutes", True))
        return Table("Labour", plain, tuple((row.kind, number(row.minutes)) for row in paperwork.labour))
    rows = tuple(
        (row.kind, number(row.minutes), number(row.rate, 2), number(row.cost, 2)) for row in paperwork.labour
    )
    money = f", {paperwork.currency}" if paperwork.currency else ""
    columns = (
        Column("kind of work"),
        Column("standard minutes", True),
        Column(f"for an hour{money}", True),
        Column(f"cost{money}", True),
    )
    return Table("Labour", columns, rows)


def _totals(paperwork: Paperwork) -> Table:
    minutes = sum(row.minutes for row in paperwork.labour)
    money = paperwork.currency
    known = (
        ("mass of the bag", paperwork.mass, 0, "g"),
        ("materials", paperwork.material_cost, 2, money),
        ("labour", paperwork.labour_cost or None, 2, money),
        ("work", minutes or None, 0, "minutes"),
    )
    rows = tuple(
        (word, f"{number(value, decimals)} {unit}".strip())
        for word, value, decimals, unit in known
        if value is not None
    )
    return Table("In all", (Column("what"), Column("amount", True)), rows)


# ------------------------------------------------------------------------------------------------ operations


def operation_sections(draft: Draft) -> tuple[Section, ...]:
    """The order of work as a table, then a drawing for every step that sews, hems or marks."""
    if not draft.operations:
        return ()
    steps = [(at, operation) for at, operation in enumerate(draft.operations, 1)]
    numbers = {operation.id: at for at, operation in steps}
    rows = tuple(
        (
            str(at),
            operation.text,
            operation.machine,
            number(operation.length) if operation.length else "",
            number(operation.minutes),
            ranges(sorted(numbers[before] for before in operation.after if before in numbers)),
        )
        for at, operation in steps
    )
    columns = (
        Column("no.", True),
        Column("what to do"),
        Column("with"),
        Column("stitching, mm", True),
        Column("standard minutes", True),
        Column("not before", True),
    )
    blocks: list[Block] = [Table("Order of work", columns, rows)]
    drawings = tuple(_drawings(draft, steps))
    if drawings:
        lead = Paragraph("Thick: the runs that are worked on. Each piece has a scale of its own.")
        blocks.append(Group("Drawings of the operations", (lead, *drawings)))
    return (Section("operations", "Operations", tuple(blocks)),)


def _drawings(draft: Draft, steps: Sequence[Step]) -> Iterator[FigureBlock]:
    """One drawing for steps that do the same to one piece, and for steps on other pieces of its kind."""
    together: dict[tuple[object, ...], list[Step]] = {}
    for step in steps:
        together.setdefault(_same_work(draft, step[1]), []).append(step)
    alike: dict[tuple[object, ...], list[list[Step]]] = {}
    for group in together.values():
        alike.setdefault(_same_kind(draft, group), []).append(group)
    for first, *others in alike.values():
        drawing = operation_block(draft, first, sorted(at for group in others for at, _ in group))
        if drawing is not None:
            yield drawing


def _same_work(draft: Draft, operation: Operation) -> tuple[object, ...]:
    """Steps that are told in one drawing: what is sewn onto one piece is of one role."""
    if operation.seam:
        seam = next(seam for seam in draft.seams if seam.id == operation.seam)
        mate = draft.piece(seam.b.piece)
        if mate.role and seam.kind in ("applied", "zipper"):
            return (operation.kind, seam.kind, seam.a.piece, mate.role)
    elif operation.kind == "fold" and len(operation.pieces) == 1:
        return (operation.kind, operation.pieces[0])
    return (operation.id,)


def _same_kind(draft: Draft, group: Sequence[Step]) -> tuple[object, ...]:
    """Groups of steps that look the same, since their pieces are of the same kinds."""
    words: list[object] = []
    for _, operation in group:
        seam = next((seam for seam in draft.seams if seam.id == operation.seam), None)
        sides = () if seam is None else (seam.a, seam.b)
        words.append(operation.kind)
        words.extend(kind_of(draft.piece(piece)) for piece in operation.pieces)
        for side in sides:
            piece = draft.piece(side.piece)
            names = [line.name for line in piece.placements]
            # Placement lines bear the names of what lies there, which differ from piece to piece.
            words.extend(names.index(edge) if edge in names else edge for edge in side.edges)
    return tuple(words)
