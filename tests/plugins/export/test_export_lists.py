"""Lists as CSV, read with Python's csv module, which didn't write them."""

from __future__ import annotations

import csv
from dataclasses import replace
from io import StringIO

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from oaktag import Draft
from oaktag.pattern import BillRow, Operation, Paperwork
from oaktag.pattern.cut_list import cut_list
from oaktag_plugins.check_read_back import ReadBackOptions
from oaktag_plugins.check_read_back import run as read_back
from oaktag_plugins.export_lists import ListsOptions, csv_text, run


@pytest.fixture(scope="module")
def worked(draft: Draft) -> Draft:
    bill = (
        BillRow(
            "shell, coated", "cloth", "m2", 0.5, 0.15, 0.575, 120.0, None, ("side-panel-drive", "gusset")
        ),
        BillRow("zipper", "zipper", "each", 1.0, 0.0, 1.0, None, 4.5, ("zipper",)),
    )
    operations = (
        Operation("mark", "mark", 'Mark "A", then B', ("gusset",), minutes=1.25),
        Operation("sew", "sew", "Sew", ("gusset",), "seam-1", ("mark",), 812.4, 3.0, "lockstitch"),
    )
    paper = Paperwork(cut_list(draft), bill, (), (), None, None, 0.0, "EUR")
    return draft.evolve(paperwork=paper, operations=operations)


def rows_of(draft: Draft, path: str) -> list[list[str]]:
    (artifact,) = [artifact for artifact in draft.artifacts if artifact.path == path]
    return list(csv.reader(StringIO(artifact.data.decode(), newline=""), strict=True))


def test_the_cut_list_has_a_row_for_every_piece(draft: Draft) -> None:
    after = run(draft, ListsOptions())
    assert [artifact.kind for artifact in after.artifacts] == ["cut-list"]
    headings, *rows = rows_of(after, "cut-list.csv")
    assert [row[0] for row in rows] == [piece.id for piece in draft.pieces]
    for row, piece, wanted in zip(rows, draft.pieces, cut_list(draft), strict=True):
        named = dict(zip(headings, row, strict=True))
        assert named["material"] == piece.material
        assert int(named["quantity"]) == piece.quantity
        assert float(named["length mm"]) == pytest.approx(wanted.width, abs=0.051)
        assert float(named["width mm"]) == pytest.approx(wanted.height, abs=0.051)


def test_bill_and_order_of_work_are_there_where_the_draft_has_them(worked: Draft) -> None:
    after = run(worked, ListsOptions())
    assert [artifact.path for artifact in after.artifacts] == [
        "cut-list.csv",
        "bill-of-materials.csv",
        "order-of-work.csv",
    ]
    assert rows_of(after, "bill-of-materials.csv")[1:] == [
        ["shell, coated", "cloth", "m2", "0.5000", "15", "0.5750", "120.0", "", "side-panel-drive; gusset"],
        ["zipper", "zipper", "each", "1.0000", "0", "1.0000", "", "4.50", "zipper"],
    ]
    assert rows_of(after, "order-of-work.csv")[1:] == [
        ["1", "mark", 'Mark "A", then B', "gusset", "", "", "", "1.25", ""],
        ["2", "sew", "Sew", "gusset", "seam-1", "1", "812", "3.00", "lockstitch"],
    ]
    assert read_back(after, ReadBackOptions()) == after


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (b"gusset", b"gussets"),
        (b"\r\n", b",\r\n"),
        (b"0.5000", b"0.6000"),
        (b'"shell, coated"', b"shell, coated"),
    ],
)
def test_a_damaged_list_goes(worked: Draft, old: bytes, new: bytes) -> None:
    after = run(worked, ListsOptions())
    bad = tuple(replace(artifact, data=artifact.data.replace(old, new, 1)) for artifact in after.artifacts)
    checked = read_back(after.evolve(artifacts=bad), ReadBackOptions())
    assert len(checked.artifacts) < 3
    assert {finding.code for finding in checked.findings[len(worked.findings) :]} == {"read-back-differs"}


@given(st.lists(st.lists(st.text(), min_size=2, max_size=4), max_size=5))
def test_any_text_comes_back(rows: list[list[str]]) -> None:
    read = list(csv.reader(StringIO(csv_text(rows), newline=""), strict=True))
    assert [[cell.removeprefix("'") for cell in row] for row in read] == [
        [cell.removeprefix("'") for cell in row] for row in rows
    ]


@pytest.mark.parametrize("cell", ["=1+1", "@sum(A1)", "+x", "-x", "\tx"])
def test_no_cell_is_a_formula(cell: str) -> None:
    ((read, number),) = csv.reader(StringIO(csv_text([(cell, "-1.5")]), newline=""))
    assert (read, number) == (f"'{cell}", "-1.5")


def test_lists_need_different_files() -> None:
    with pytest.raises(ValidationError, match="same file"):
        ListsOptions(bill="cut-list.csv")
