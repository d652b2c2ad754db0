"""Tables and lines: through rich where a terminal is there, plain text otherwise."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from textwrap import wrap

import click

from oaktag.recipe.problem import printable


@dataclass(frozen=True, slots=True)
class Table:
    """A table to print; columns whose heading starts with `>` are set flush right."""

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def at_terminal() -> bool:
    """Whether somebody reads along."""
    return sys.stdout.isatty()


def show_table(table: Table) -> None:
    """Print one table."""
    if not table.rows:
        return
    if at_terminal():
        _show_rich(table)
    else:
        click.echo("\n".join(plain(table)))


def _printable(table: Table) -> Table:
    """The table with control characters written out: a file's name must not steer a terminal."""
    rows = tuple(tuple(map(printable, row)) for row in table.rows)
    return Table(printable(table.title), table.columns, rows)


def plain(table: Table) -> list[str]:
    """The table as lines of plain text."""
    table = _printable(table)
    heads = [column.lstrip(">") for column in table.columns]
    right = [column.startswith(">") for column in table.columns]
    widths = [max(len(row[i]) for row in (tuple(heads), *table.rows)) for i in range(len(heads))]

    def line(cells: Sequence[str]) -> str:
        parts = [
            cell.rjust(width) if flush else cell.ljust(width)
            for cell, width, flush in zip(cells, widths, right, strict=True)
        ]
        return ("  " + "  ".join(parts)).rstrip()

    body = [line(row) for row in table.rows]
    return [table.title, *([line(heads)] if any(heads) else []), *body, ""]


def _show_rich(table: Table) -> None:
    from rich.box import SIMPLE
    from rich.console import Console
    from rich.table import Table as RichTable
    from rich.text import Text

    table = _printable(table)
    # As Text: a name such as "[red]" or ":bike:" is no markup.
    drawn = RichTable(
        title=Text(table.title),
        title_justify="left",
        title_style="bold",
        box=SIMPLE,
        show_header=any(table.columns),
    )
    for column in table.columns:
        drawn.add_column(
            column.lstrip(">"), justify="right" if column.startswith(">") else "left", overflow="fold"
        )
    for row in table.rows:
        drawn.add_row(*map(Text, row))
    Console().print(drawn)


@dataclass(frozen=True, slots=True)
class Block:
    """One thing with several lines about it, each a word and a text that is wrapped beside it."""

    name: str
    lines: tuple[tuple[str, str], ...]
    depth: int = 0


WIDTH = 100
"""Widest line of wrapped text; longer ones are hard to read."""


def show_blocks(title: str, blocks: Sequence[Block]) -> None:
    """Print blocks below each other, wrapped to the terminal or to `WIDTH` columns."""
    if not at_terminal():
        click.echo("\n".join([title, *(line for block in blocks for line in wrapped(block, WIDTH)), ""]))
        return
    from rich.console import Console
    from rich.text import Text

    console = Console()
    console.print(Text(title, style="bold"))
    for block in blocks:
        name, *lines = wrapped(block, min(console.width, WIDTH))
        console.print(Text(name, style="bold"))
        console.print(Text("\n".join(lines)))
    console.print()


def wrapped(block: Block, width: int) -> list[str]:
    """A block as lines of plain text no wider than `width`, unless a single word is."""
    indent = "  " * (block.depth + 1)
    column = max(len(word) for word, _ in block.lines) + 2
    lines = [indent + block.name]
    for word, text in block.lines:
        first, rest = f"{indent}  {word:<{column}}", indent + "  " + " " * column
        lines += wrap(
            text,
            width=max(width, len(rest) + 20),
            initial_indent=first,
            subsequent_indent=rest,
            break_long_words=False,
            break_on_hyphens=False,
        )
    return lines
