"""What the bag is: in the frame, its gusset's width along the seam, what it holds, its pieces and seams."""

from __future__ import annotations

from collections.abc import Sequence

from oaktag import Draft
from oaktag.geometry import Arc
from oaktag.pattern import Edge, Piece, Seam, SeamSide
from oaktag.pattern.walk import walk
from oaktag_plugins.tech_pack.content import Block, Column, Group, Listing, Paragraph, Section, Table
from oaktag_plugins.tech_pack.families import families
from oaktag_plugins.tech_pack.figures_bag import bag_block, gap_at_middle, strap_places
from oaktag_plugins.tech_pack.figures_piece import piece_block
from oaktag_plugins.tech_pack.figures_surface import surface_block
from oaktag_plugins.tech_pack.figures_width import width_block
from oaktag_plugins.tech_pack.wording import counted, edge_word, letter_of, listed_words, mm, number, signed

FINISHES = {"": "", "hem": "hem", "bound": "bound", "fold": "on the fold", "raw": "raw"}
SEAM_KINDS = {
    "shell": "shell",
    "part": "parts of a piece",
    "zipper": "zipper",
    "applied": "sewn on",
    "layer": "flat, edge to edge",
    "liner": "liner",
}


def bag_sections(draft: Draft) -> tuple[Section, ...]:
    """The bag in the frame; nothing without an opening."""
    drawing = bag_block(draft)
    if drawing is None:
        return ()
    blocks: list[Block] = [drawing, _tubes(draft), _corners(draft)]
    if draft.outlines:
        blocks.append(_runs(draft))
    things = _things(draft)
    if things.rows:
        blocks.append(things)
    return (Section("bag", "The bag in the frame", tuple(blocks)),)


def _tubes(draft: Draft) -> Table:
    assert draft.opening is not None
    sigmas = {} if draft.survey is None else {a.of: a.sigma for a in draft.survey.lengths}
    rows = []
    for edge in draft.opening.edges:
        ends = draft.frame.ends(edge.name) if edge.name in draft.frame.tubes else ("", "")
        sigma = sigmas.get(edge.name)
        widths = [number(w.width) for w in draft.frame.widths if w.place.tube == edge.name]
        rows.append(
            (
                edge.name,
                " to ".join(end for end in ends if end),
                number(edge.path.length),
                "" if sigma is None else number(sigma),
                listed_words(widths),
            )
        )
    columns = (
        Column("tube"),
        Column("from corner to corner"),
        Column("inside length, mm", True),
        Column("one sigma, mm", True),
        Column("widths measured, mm", True),
    )
    return Table("The opening inside the tubes", columns, tuple(rows))


def _corners(draft: Draft) -> Table:
    assert draft.opening is not None
    sigmas = {} if draft.survey is None else {a.of: a.sigma for a in draft.survey.angles}
    rows = tuple(
        (
            corner.name,
            number(corner.angle, 2),
            number(sigmas[corner.name], 2) if corner.name in sigmas else "",
        )
        for corner in draft.opening.corners
    )
    columns = (Column("corner"), Column("angle, degrees", True), Column("one sigma, degrees", True))
    return Table("The opening's corners", columns, rows)


def _runs(draft: Draft) -> Table:
    """Every run of every outline, with the gap to its tube and the radius of its round."""
    rows = []
    for outline in draft.outlines:
        for edge in outline.edges:
            gap = None if draft.opening is None else gap_at_middle(draft.opening, edge)
            rows.append(
                (
                    f"{outline.body} {edge_word(edge.name)}".strip(),
                    number(edge.length),
                    "" if gap is None else number(gap),
                    _radius(edge),
                )
            )
        whole = f"{outline.body} all round".strip()
        rows.append((whole, number(outline.path.length), "", ""))
    columns = (
        Column("run"),
        Column("seam length, mm", True),
        Column("gap to the tube, mm", True),
        Column("radius, mm", True),
    )
    return Table("The side panel's seam line", columns, tuple(rows))


def _radius(edge: Edge) -> str:
    if len(edge.path.segments) == 1 and isinstance(edge.path.segments[0], Arc):
        return number(edge.path.segments[0].radius)
    return ""


def _things(draft: Draft) -> Table:
    """What is on the tubes, from each tube's first corner."""
    assert draft.opening is not None
    lengths = {edge.name: edge.path.length for edge in draft.opening.edges}
    rows = [
        (strap.name, strap.tube, number(strap.along), "strap on the gusset") for strap in strap_places(draft)
    ]
    for row in draft.frame.bosses:
        places = listed_words(number(p.along(lengths[p.tube])) for p in row.places if p.tube in lengths)
        rows.append(
            (row.name, row.place.tube, places, f"{counted(row.count, 'boss', 'bosses')}, {row.thread}")
        )
    for thing in draft.frame.obstacles:
        at = number(thing.place.along(lengths[thing.place.tube])) if thing.place.tube in lengths else ""
        size = (
            f"{number(thing.length)} long, {number(thing.height)} high, {number(thing.clearance)} left free"
        )
        rows.append((thing.name, thing.place.tube, at, f"kept clear of ({thing.treatment}): {size}"))
    columns = (
        Column("what"),
        Column("tube"),
        Column("middle, mm from the tube's first corner", True),
        Column("remark"),
    )
    return Table("On the tubes", columns, tuple(rows))


def width_sections(draft: Draft) -> tuple[Section, ...]:
    """The gusset's width along the seam, one plot for each body that has a gusset all round."""
    bodies = [outline.body for outline in draft.outlines]
    plots = [plot for plot in (width_block(draft, body) for body in bodies) if plot is not None]
    return (Section("gusset-width", "Width along the gusset", tuple(plots)),) if plots else ()


def surface_sections(draft: Draft) -> tuple[Section, ...]:
    """The sewn bag as it stands in space."""
    drawing = surface_block(draft)
    return () if drawing is None else (Section("sewn", "The sewn bag", (drawing,)),)


def volume_sections(draft: Draft) -> tuple[Section, ...]:
    """What the bag holds, whole and by compartment."""
    if draft.volume is None:
        return ()
    blocks: list[Block] = [Paragraph(f"The bag holds {number(draft.volume)} l, computed, not filled.")]
    if draft.compartments:
        rows = tuple((part.name, number(part.litres)) for part in draft.compartments)
        blocks.append(Table("Compartments", (Column("part"), Column("litres", True)), rows))
    return (Section("volume", "What it holds", tuple(blocks)),)


# ---------------------------------------------------------------------------------------------------- pieces


def piece_sections(draft: Draft) -> tuple[Section, ...]:
    """Every piece, those of one kind together."""
    if not draft.pieces:
        return ()
    groups = tuple(
        _one(draft, kind[0]) if len(kind) == 1 else _several(draft, kind) for kind in families(draft)
    )
    lead = Paragraph(
        "Pieces are drawn with the outside of the cloth towards the reader. Letters stand at the runs of the"
        " seam line and name the rows or columns of the tables. No drawing here is a pattern: none is to"
        " scale."
    )
    return (Section("pieces", "Pieces", (lead, *groups)),)


def _one(draft: Draft, piece: Piece) -> Group:
    blocks: list[Block] = [
        Paragraph(_about(draft, piece)),
        piece_block(piece),
        _edges(draft, piece),
    ]
    if piece.placements or piece.holes or piece.fittings:
        blocks.append(_on_piece(piece))
    return Group(f"{piece.name} ({piece.id})", tuple(blocks))


def _about(draft: Draft, piece: Piece) -> str:
    box = piece.outline.bounds
    hand = f", {piece.mirrored} of them with the pattern turned over" if piece.mirrored else ""
    made = (
        f"Sewn together from {listed_words(piece.parts)}; cut its template once from card and trim to it."
        if piece.assembled
        else f"Cut {piece.quantity} from {_material(draft, piece.material)}{hand}."
    )
    notches = f", {counted(len(piece.notches), 'notch', 'notches')}" if piece.notches else ""
    return (
        f"{made} {number(box.width)} by {mm(box.height)}, area of one"
        f" {number(abs(piece.outline.area) / 100.0)} cm\u00b2{notches}."
    )


def _material(draft: Draft, name: str) -> str:
    material = draft.material(name)
    if material is None or not material.description:
        return name or "any cloth"
    return f"{name} ({material.description})"


def _edges(draft: Draft, piece: Piece) -> Table:
    seams = _seams_at(draft)
    rows = tuple(
        (
            f"{letter_of(index)} {edge_word(edge.name)}",
            number(edge.length),
            number(edge.allowance),
            FINISHES[edge.finish],
            str(sum(notch.edge == edge.name for notch in piece.notches)),
            listed_words(seams.get((piece.id, edge.name), ()), 4),
        )
        for index, edge in enumerate(piece.edges)
    )
    columns = (
        Column("run"),
        Column("seam length, mm", True),
        Column("allowance, mm", True),
        Column("finish"),
        Column("notches", True),
        Column("seams"),
    )
    return Table(f"Runs of {piece.id}", columns, rows)


def _on_piece(piece: Piece) -> Table:
    rows = [(line.name, line.what, f"{line.face}, {mm(line.path.length)} long") for line in piece.placements]
    for hole in piece.holes:
        box = hole.path.bounds
        rows.append((hole.name, hole.what, f"hole, {number(box.width)} by {mm(box.height)}"))
    rows += [(f.name, f.what, f"{f.quantity} \u00d7 {f.material}") for f in piece.fittings]
    return Table(f"On {piece.id}", (Column("name"), Column("what"), Column("remark")), tuple(rows))


def _several(draft: Draft, kind: Sequence[Piece]) -> Group:
    """Pieces of one kind: one drawing, and a table with the lengths of each."""
    first = kind[0]
    allowances = listed_words(
        f"{letter_of(i)} {edge_word(edge.name)} {mm(edge.allowance)}"
        + (f" ({FINISHES[edge.finish]})" if edge.finish else "")
        for i, edge in enumerate(first.edges)
    )
    columns = (
        Column("piece"),
        Column("to cut", True),
        *(Column(f"{letter_of(i)}, mm", True) for i in range(len(first.edges))),
        Column("area, cm\u00b2", True),
    )
    rows = tuple(
        (
            f"{piece.name} ({piece.id})",
            f"{piece.quantity}" + (f", {piece.mirrored} turned over" if piece.mirrored else ""),
            *(number(edge.length) for edge in piece.edges),
            number(abs(piece.outline.area) / 100.0),
        )
        for piece in kind
    )
    blocks: tuple[Block, ...] = (
        Paragraph(
            f"{len(kind)} pieces of one kind, cut from {_material(draft, first.material)};"
            f" {first.name} is drawn. Allowances: {allowances}."
        ),
        piece_block(first, lengths=False),
        Table(f"Seam lengths, from {first.id}", columns, rows),
    )
    return Group(f"{first.role.replace('-', ' ')}: {len(kind)} pieces", blocks)


def _seams_at(draft: Draft) -> dict[tuple[str, str], list[str]]:
    found: dict[tuple[str, str], list[str]] = {}
    for seam in draft.seams:
        for side in (seam.a, seam.b):
            for edge in side.edges:
                names = found.setdefault((side.piece, edge), [])
                if seam.id not in names:
                    names.append(seam.id)
    return found


# ----------------------------------------------------------------------------------------------------- seams


def seam_sections(draft: Draft) -> tuple[Section, ...]:
    """Every seam with both lengths as they are walked, and how it is sewn."""
    if not draft.seams:
        return ()
    rows = tuple(_seam_row(draft, seam) for seam in draft.seams)
    columns = (
        Column("seam"),
        Column("side a"),
        Column("side b"),
        Column("length a, mm", True),
        Column("length b, mm", True),
        Column("ease, mm", True),
        Column("difference, mm", True),
        Column("notch pairs", True),
        Column("kind"),
        Column("stitching"),
    )
    blocks: list[Block] = [
        Paragraph("Both sides are walked along their seam lines. The difference is b less a less the ease."),
        Table("Seams", columns, rows),
    ]
    remarks = []
    if any(seam.stitching for seam in draft.seams):
        remarks.append(
            "Stitching: seam class after ISO 4916, stitch type after ISO 4915, stitch length, rows."
        )
    if any(seam.ease for seam in draft.seams):
        remarks.append("Ease is extra length of side b. Spread it evenly along the seam.")
    if remarks:
        blocks.append(Listing(tuple(remarks)))
    return (Section("seams", "Seams", tuple(blocks)),)


def _seam_row(draft: Draft, seam: Seam) -> tuple[str, ...]:
    walked = walk(draft, seam)
    stitching = ""
    if seam.stitching is not None:
        s = seam.stitching
        rows = f", {s.rows} rows" if s.rows > 1 else ""
        stitching = f"{s.seam_class}, {s.stitch_type}, {mm(s.stitch_length)}{rows}"
    return (
        seam.id,
        _side(draft, seam.a),
        _side(draft, seam.b),
        number(walked.length_a),
        number(walked.length_b),
        number(seam.ease),
        signed(walked.difference, 2),
        str(len(walked.pairs)),
        SEAM_KINDS[seam.kind],
        stitching,
    )


def _side(draft: Draft, side: SeamSide) -> str:
    piece = draft.piece(side.piece)
    if len(side.edges) == len(piece.edges) > 1:
        return f"{piece.id}: all round"
    return f"{piece.id}: {listed_words(edge_word(edge) for edge in side.edges)}"
