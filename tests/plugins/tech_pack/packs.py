"""Tech packs made by hand: every kind of block, long words, long tables, and text that means harm."""

from __future__ import annotations

from oaktag.geometry import Arc, Curve, Line, Path
from oaktag_plugins.tech_pack.content import (
    Block,
    Column,
    FigureBlock,
    Group,
    Listing,
    Paragraph,
    Section,
    Table,
    TechPack,
)
from oaktag_plugins.tech_pack.figure import Figure, FigureLine, FigureText

HARM = "<script>alert(1)</script> & \"quoted\" 'single' </title></style> {{ 7 * 7 }} {% raw %}"
LONG_WORD = "Unterrohrtascheninnenfutterverstaerkungsstreifen" * 4
LETTERS = "θ = 51.5°, Ø 31.8 ± 0.1 mm², größer, šev, őr, шов, ραφή, −3 ≤ x → ½"
BEYOND = "縫\u202e"

FIGURE = Figure(
    120.0,
    60.0,
    (
        FigureLine(
            Path(
                (
                    Line((5.0, 5.0), (100.0, 5.0)),
                    Arc((100.0, 5.0), (100.0, 45.0), (100.0, 25.0), 20.0, clockwise=False),
                    Curve.through(((100.0, 45.0), (50.0, 55.0), (5.0, 40.0))),
                    Line((5.0, 40.0), (5.0, 5.0)),
                )
            ),
            "thick",
            fill="light",
        ),
        FigureLine(((10.0, 10.0), (60.0, 30.0), (110.0, 12.0)), "thin", (2.0, 1.0)),
        FigureLine(Path.polyline(((40.0, 20.0), (44.0, 20.0), (42.0, 24.0)), closed=True), fill="solid"),
    ),
    (
        FigureText("357.3", (50.0, 6.0), 3.0, "centre"),
        FigureText("A & B <top>", (10.0, 50.0)),
        FigureText("θ 51.5°", (20.0, 10.0), 3.5, "right", 78.0),
    ),
)


def every_block(*, rows: int = 80) -> TechPack:
    """A pack with every kind of block."""
    table = Table(
        f"Runs {HARM}",
        (Column("run"), Column("length, mm", True), Column("remark"), Column(LONG_WORD)),
        tuple(
            (
                f"run {number}",
                f"{number * 10.5:.1f}",
                HARM if number % 7 == 0 else "",
                LONG_WORD[: number % 30],
            )
            for number in range(rows)
        ),
    )
    narrow = Table(
        "Without row headings", (Column("a"), Column("b", True)), (("x", "1"),), row_headings=False
    )
    tall = Table("A tall cell", (Column("what"), Column("says")), (("much", "word " * 2500), ("little", "")))
    wide = Table(
        "Many columns",
        tuple(Column(f"column {number}", number % 2 == 0) for number in range(14)),
        (tuple(f"{number * 111.1:.1f}" for number in range(14)),),
    )
    picture = FigureBlock(FIGURE, f"A picture {HARM}", f"A panel 100 mm long, {LETTERS}")
    blocks: tuple[Block, ...] = (
        Paragraph(HARM),
        Paragraph("Mind the needle.", "caution"),
        Paragraph("DO NOT CUT", "error"),
        Paragraph("Look first.", "warning"),
        Paragraph(f"Good to know: {LETTERS}", "note"),
        Listing(("first", LONG_WORD, "third")),
        picture,
        table,
    )
    inner = Group("An operation", (Paragraph("Sew."), picture, narrow))
    return TechPack(
        f"A bag for <Demo> & {LETTERS}",
        (("recipe", "fit-sample"), ("digest", "0123456789abcdef" * 4), ("state", "DO NOT CUT: 2 errors")),
        (
            Section("all", f"All {HARM}", blocks),
            Section("groups", "Groups", (Group(LONG_WORD, (picture, wide, inner)), Group("Next", (tall,)))),
        ),
    )
