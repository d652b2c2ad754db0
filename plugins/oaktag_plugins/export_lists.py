"""`export.lists`: cut list, bill of materials and order of work as CSV, for spreadsheets."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from types import MappingProxyType

from pydantic import model_validator

from oaktag import Draft, Options, StageSpec, hookimpl
from oaktag.pattern.cut_list import cut_list
from oaktag.recipe import refuse_value
from oaktag_plugins.exporting.result_file import ResultFile, with_file

READER = "oaktag_plugins.reading.lists:differences_in"

Row = tuple[str, ...]
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


class ListsOptions(Options):
    """Options of `export.lists`."""

    cut_list: ResultFile = "cut-list.csv"
    """File of the cut list."""

    bill: ResultFile = "bill-of-materials.csv"
    """File of the bill of materials, if the recipe works it out (`work.paperwork`)."""

    operations: ResultFile = "order-of-work.csv"
    """File of the order of work, if the recipe works it out (`work.operations`)."""

    @property
    def paths(self) -> dict[str, str]:
        """The files by option, in the order of `LISTS`."""
        return {"cut-list": self.cut_list, "bill": self.bill, "operations": self.operations}

    @model_validator(mode="after")
    def _different(self) -> ListsOptions:
        if len({*self.paths.values()}) < len(self.paths):
            raise refuse_value("two lists have the same file", "three different names", "rename one of them")
        return self


def run(draft: Draft, options: ListsOptions) -> Draft:
    """Add the lists that the draft has.

    Raises:
        Refusal: an earlier stage made a file of one of the names.
    """
    for (kind, rows_of), (key, path) in zip(LISTS.items(), options.paths.items(), strict=True):
        rows = rows_of(draft)
        if len(rows) > 1:
            draft = with_file(draft, path, kind, csv_text(rows).encode(), reader=READER, key=key)
    return draft


def cut_rows(draft: Draft) -> list[Row]:
    """The cut list as text, its headings first; of a strip of tape the length is what to cut off."""
    rows: list[Row] = [
        ("piece", "name", "material", "quantity", "mirrored", "length mm", "width mm", "area mm2", "note")
    ]
    rows += [
        (
            row.piece,
            row.name,
            row.material,
            str(row.quantity),
            str(row.mirrored),
            f"{row.width:.1f}",
            f"{row.height:.1f}",
            f"{row.area:.0f}",
            row.note,
        )
        for row in cut_list(draft)
    ]
    return rows


def bill_rows(draft: Draft) -> list[Row]:
    """The bill of materials as text, its headings first; what isn't known is left empty."""
    paper = draft.paperwork
    if paper is None:
        return []
    rows: list[Row] = [
        (
            "material",
            "kind",
            "unit",
            "net",
            "waste %",
            "to buy",
            "mass g",
            f"cost {paper.currency}",
            "used by",
        )
    ]
    rows += [
        (
            row.material,
            row.kind,
            row.unit,
            f"{row.net:.4f}",
            f"{100.0 * row.waste:g}",
            f"{row.gross:.4f}",
            "" if row.mass is None else f"{row.mass:.1f}",
            "" if row.cost is None else f"{row.cost:.2f}",
            "; ".join(row.used_by),
        )
        for row in paper.bill
    ]
    return rows


def work_rows(draft: Draft) -> list[Row]:
    """The order of work as text, its headings first."""
    number = {operation.id: str(index) for index, operation in enumerate(draft.operations, start=1)}
    rows: list[Row] = [
        ("number", "work", "what to do", "pieces", "seam", "after", "mm", "minutes", "machine")
    ]
    rows += [
        (
            number[operation.id],
            operation.kind,
            operation.text,
            "; ".join(operation.pieces),
            operation.seam,
            " ".join(number[before] for before in operation.after if before in number),
            f"{operation.length:.0f}" if operation.length else "",
            f"{operation.minutes:.2f}",
            operation.machine,
        )
        for operation in draft.operations
    ]
    return rows


LISTS: Mapping[str, Callable[[Draft], list[Row]]] = MappingProxyType(
    {"cut-list": cut_rows, "bill": bill_rows, "order-of-work": work_rows}
)
"""Kinds of lists, and what is in each."""


def csv_text(rows: Iterable[Sequence[str]]) -> str:
    """Rows as CSV (RFC 4180).

    A spreadsheet takes a cell that begins like a formula for one and would run it; an apostrophe before it,
    which spreadsheets don't show, makes it text.
    """
    return "".join(",".join(quoted(cell) for cell in row) + "\r\n" for row in rows)


def quoted(cell: str) -> str:
    """A cell as it is written."""
    if cell.startswith(_FORMULA) and not _is_number(cell):
        cell = f"'{cell}"
    if any(sign in cell for sign in ',"\r\n') or cell != cell.strip():
        return '"' + cell.replace('"', '""') + '"'
    return cell


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Supply `export.lists`."""
    return (
        StageSpec(
            name="export.lists",
            summary="Write the cut list, the bill of materials and the order of work as CSV",
            run=f"{__name__}:run",
            options=f"{__name__}:ListsOptions",
            needs=frozenset({"panels", "allowances"}),
            uses=frozenset({"gusset", "features", "operations", "paperwork", "labels", "proof"}),
            adds=frozenset({"files"}),
        ),
    )
