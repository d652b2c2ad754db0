"""Tables and lines: through rich where a terminal is there, plain text otherwise."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass

import click


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


def plain(table: Table) -> list[str]:
    """The table as lines of plain text."""
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
    from rich.markup import escape
    from rich.table import Table as RichTable

    drawn = RichTable(
        title=table.title,
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
        drawn.add_row(*(escape(cell) for cell in row))
    Console().print(drawn)
