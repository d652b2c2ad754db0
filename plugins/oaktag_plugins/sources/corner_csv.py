"""Reading a CSV file of corners, as spreadsheets and drawing programs write it."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from oaktag.recipe import listed, meant, show
from oaktag_plugins.sources.source_table import source_refusal

NEEDED = ("corner", "x", "y")
COLUMNS = (*NEEDED, "sigma")
# In this order: a comma may also be a decimal sign.
_DELIMITERS = (";", "\t", ",")


@dataclass(frozen=True, slots=True)
class CornerRow:
    """One line of the file: its number, and its cells by column; a number has a decimal point."""

    line: int
    cells: dict[str, str]


def corner_rows(data: bytes, key: str) -> tuple[CornerRow, ...]:
    """The corners in a CSV file.

    Columns are separated by commas, semicolons or tabs, whichever makes the first line name them. Between
    semicolons or tabs a number may have a decimal comma.

    Args:
        data: the file, UTF-8.
        key: that names the file on the frame sheet, for messages.

    Raises:
        Refusal: it is no such file.
    """
    lines = _lines(data, key)
    # Some spreadsheets write a first line "sep=;".
    skipped = 1 if lines[0].strip().lower().startswith("sep=") else 0
    header = lines[skipped] if skipped < len(lines) else ""
    delimiter = next((sign for sign in _DELIMITERS if set(NEEDED) <= set(_names(header, sign))), None)
    if delimiter is None:
        raise source_refusal(
            key,
            "doesn't name its columns",
            found=show(header.strip()),
            valid='a first line "corner,x,y", separated by commas, semicolons or tabs',
            todo="write that line above the corners",
        )
    columns = _names(header, delimiter)
    _check_columns(columns, key)
    body = [
        (line, _row(cells, columns, line, key))
        for line, cells in _cells(lines[skipped + 1 :], delimiter, skipped + 1, key)
    ]
    if delimiter != ",":
        _check_decimals(body, key)
        body = [(line, {name: _pointed(name, cell) for name, cell in row.items()}) for line, row in body]
    return tuple(CornerRow(line, row) for line, row in body)


def _lines(data: bytes, key: str) -> list[str]:
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise source_refusal(
            key,
            "isn't text in UTF-8",
            found=f"a byte that can't be, number {error.start + 1}",
            valid="a CSV file in UTF-8",
            todo="save it as CSV UTF-8",
        ) from None
    return text.splitlines(keepends=True) or [""]


def _names(header: str, delimiter: str) -> list[str]:
    try:
        cells = next(csv.reader([header], delimiter=delimiter), [])
    except csv.Error:
        return []
    return [cell.strip().lower() for cell in cells]


def _check_columns(columns: Sequence[str], key: str) -> None:
    for name in filter(None, columns):
        if name not in COLUMNS:
            raise source_refusal(
                key,
                "has an unknown column",
                found=show(name),
                valid=listed(COLUMNS),
                todo=meant(name, COLUMNS, "remove the column"),
            )
        if columns.count(name) > 1:
            raise source_refusal(
                key,
                "names a column twice",
                found=listed(columns),
                valid="every column once",
                todo=f"keep one column {name}",
            )


def _cells(lines: Sequence[str], delimiter: str, before: int, key: str) -> Iterator[tuple[int, list[str]]]:
    """Number and cells of every line that isn't empty; `before` lines stand above them in the file."""
    reader = csv.reader(lines, delimiter=delimiter, strict=True)
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                yield reader.line_num + before, [cell.strip() for cell in cells]
    except csv.Error as error:
        raise source_refusal(
            key,
            f"line {reader.line_num + before} can't be read",
            found=str(error),
            valid="cells without stray quotation marks",
            todo="save the file again as CSV",
        ) from None


def _row(cells: Sequence[str], columns: Sequence[str], line: int, key: str) -> dict[str, str]:
    named = dict(zip(columns, cells, strict=False))
    if len(cells) > len(columns) or named.get(""):
        raise source_refusal(
            key,
            f"line {line} has a cell below no column's name",
            found=listed(cells),
            valid=listed(filter(None, columns)),
            todo="if numbers have decimal commas, separate columns by semicolons",
        )
    return {name: cell for name, cell in named.items() if cell}


def _check_decimals(body: Sequence[tuple[int, dict[str, str]]], key: str) -> None:
    """Refuse a file in which a comma may be a decimal sign or stand between thousands."""
    seen: dict[str, str] = {}
    for line, row in body:
        for name, cell in row.items():
            if name != "corner":
                seen |= {sign: f"{cell} in line {line}" for sign in ",." if sign in cell}
    if len(seen) > 1:
        raise source_refusal(
            key,
            "has decimal commas and decimal points",
            found=listed(map(show, seen.values())),
            valid="one decimal sign, and none between thousands",
            todo="write every number the same way",
        )


def _pointed(name: str, cell: str) -> str:
    return cell if name == "corner" else cell.replace(",", ".")
