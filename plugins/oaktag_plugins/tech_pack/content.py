"""What a tech pack says, as values that know neither HTML nor PDF."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from oaktag_plugins.tech_pack.figure import Figure

ParagraphKind = Literal["plain", "caution", "error", "warning", "note"]


@dataclass(frozen=True, slots=True)
class Paragraph:
    """Running text, and what it is for the reader."""

    text: str
    kind: ParagraphKind = "plain"


@dataclass(frozen=True, slots=True)
class Listing:
    """Points, one below the other."""

    items: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Column:
    """The heading of a column, and whether numbers stand in it."""

    heading: str
    numeric: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """A table.

    Attributes:
        caption: what it shows.
        columns: from left to right.
        rows: top to bottom, each with as many cells as there are columns.
        row_headings: whether the first cell of a row is its heading.
    """

    caption: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[str, ...], ...]
    row_headings: bool = True


@dataclass(frozen=True, slots=True)
class FigureBlock:
    """A picture, what is written below it, and what it says in words for those who can't see it."""

    figure: Figure
    caption: str
    alternative: str


@dataclass(frozen=True, slots=True)
class Group:
    """A subsection with a heading of its own: a piece, an operation."""

    heading: str
    blocks: tuple[Block, ...]


Block = Paragraph | Listing | Table | FigureBlock | Group


@dataclass(frozen=True, slots=True)
class Section:
    """A section.

    Attributes:
        id: unique in the pack, lower case with hyphens; links point to it.
        heading: in plain words.
        blocks: in order.
    """

    id: str
    heading: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True)
class TechPack:
    """The whole.

    Attributes:
        title: of the bag and its bicycle.
        facts: what it belongs to, name and value: recipe, version, frame, size, digests, state.
        sections: in order; those that have nothing to say are left out.
        language: of all texts, a BCP 47 tag.
    """

    title: str
    facts: tuple[tuple[str, str], ...]
    sections: tuple[Section, ...]
    language: str = "en"
