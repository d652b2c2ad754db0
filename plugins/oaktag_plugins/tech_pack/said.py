"""Everything that a tech pack says, in reading order: what a page must say, and what one is found to say."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import zip_longest
from typing import Literal, NamedTuple

from oaktag.pattern.read_back import Difference
from oaktag_plugins.tech_pack.content import Block, FigureBlock, Listing, Paragraph, Table, TechPack

SaidKind = Literal[
    "title",
    "fact",
    "value",
    "section",
    "subsection",
    "kind",
    "text",
    "item",
    "caption",
    "column",
    "cell",
    "picture",
    "in picture",
    "below picture",
]
_SHOWN = 60  # characters of a text that a difference quotes


class Said(NamedTuple):
    """One thing that a page says: what it is there, and its text with single spaces."""

    kind: SaidKind
    text: str


def everything_in(pack: TechPack) -> Iterator[Said]:
    """Every text of a tech pack, in order; empty ones too, such as a cell to be filled in."""
    yield _said("title", pack.title)
    for name, value in pack.facts:
        yield _said("fact", name)
        yield _said("value", value)
    for section in pack.sections:
        yield _said("section", section.heading)
        yield from _in_blocks(section.blocks)


def _in_blocks(blocks: Iterable[Block]) -> Iterator[Said]:
    for block in blocks:
        if isinstance(block, Paragraph):
            if block.kind != "plain":
                yield _said("kind", block.kind.capitalize())
            yield _said("text", block.text)
        elif isinstance(block, Listing):
            yield from (_said("item", item) for item in block.items)
        elif isinstance(block, Table):
            yield _said("caption", block.caption)
            yield from (_said("column", column.heading) for column in block.columns)
            yield from (_said("cell", cell) for row in block.rows for cell in row)
        elif isinstance(block, FigureBlock):
            yield _said("picture", block.alternative)
            yield from (_said("in picture", text.text) for text in block.figure.texts)
            yield _said("below picture", block.caption)
        else:
            yield _said("subsection", block.heading)
            yield from _in_blocks(block.blocks)


def _said(kind: SaidKind, text: str) -> Said:
    return Said(kind, single_spaced(text))


def single_spaced(text: str) -> str:
    """A text with one space for every run of white space, and none at its ends."""
    return " ".join(text.split())


def first_difference(wanted: Iterable[Said], found: Iterable[Said]) -> Iterator[Difference]:
    """Where two packs first part; nothing if they say the same."""
    section = ""
    for ours, theirs in zip_longest(wanted, found):
        if ours is not None and ours.kind == "section":
            section = ours.text
        if ours == theirs:
            continue
        where = f" in the section {section!r}" if section else ""
        yield Difference(f"it says {_quoted(theirs)}{where}, not {_quoted(ours)}")
        return


def _quoted(said: Said | None) -> str:
    if said is None:
        return "no more"
    return f"{shortened(said.text)!r} ({said.kind})"


def shortened(text: str) -> str:
    """A text short enough to be quoted."""
    return text if len(text) <= _SHOWN else f"{text[: _SHOWN - 1]}\u2026"


def note_of(findings: int, *, worked: bool) -> str:
    """What a page carries out of sight: how many findings there were when it was made, and its option."""
    return f"findings={findings} worked={'yes' if worked else 'no'}"


def read_note(note: str) -> tuple[int, bool]:
    """The count of findings, and whether computed numbers are worked out.

    Raises:
        ValueError: it is no such note.
    """
    values = dict(part.split("=", 1) for part in note.split() if "=" in part)
    if values.keys() != {"findings", "worked"} or values["worked"] not in ("yes", "no"):
        raise ValueError(f"{note!r} isn't what a tech pack says of itself")
    return int(values["findings"]), values["worked"] == "yes"
