"""Tables and blocks as plain text."""

from __future__ import annotations

import pytest

from oaktag.cli import table
from oaktag.cli.table import Block, Table, plain, show_blocks, show_table, wrapped


def test_columns_are_as_wide_as_their_widest_cell_and_numbers_flush_right() -> None:
    seams = Table("Seams", ("seam", ">length"), (("drive", "9.5"), ("join", "1173.5")))
    assert plain(seams) == [
        "Seams",
        "  seam   length",
        "  drive     9.5",
        "  join   1173.5",
        "",
    ]


def test_a_table_without_headings_has_no_line_for_them() -> None:
    assert plain(Table("Written", ("", ""), (("a", "b"),))) == ["Written", "  a  b", ""]


@pytest.mark.parametrize("text", ["[red]a[/red]", ":bike:", "[link=a]", "\\[a]", "{a}"])
def test_signs_that_rich_gives_a_meaning_to_are_shown_as_they_are(
    text: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(table, "at_terminal", lambda: True)
    show_table(Table(f"title {text}", ("a", "b"), ((f"cell {text}", "b"),)))
    show_blocks(f"blocks {text}", [Block(f"name {text}", (("word", f"line {text}"),))])
    said = capsys.readouterr().out
    for place in ("title", "cell", "blocks", "name", "line"):
        assert f"{place} {text}" in said


def test_a_table_without_rows_is_not_shown(capsys: pytest.CaptureFixture[str]) -> None:
    show_table(Table("Seams", ("seam",), ()))
    assert capsys.readouterr().out == ""


def test_long_cells_are_never_broken_in_plain_text() -> None:
    path = "/a/" + "very-long-name/" * 20 + "pattern.json"
    assert plain(Table("Written", ("", ""), ((path, "pattern"),)))[1] == f"  {path}  pattern"


def test_blocks_are_wrapped_beside_their_word() -> None:
    block = Block(
        "gap", (("takes", "length"), ("meaning", "How far the bag keeps from the tube all round")), 1
    )
    assert wrapped(block, 40) == [
        "    gap",
        "      takes    length",
        "      meaning  How far the bag keeps",
        "               from the tube all round",
    ]


def test_a_word_longer_than_the_line_stays_whole() -> None:
    word = "x" * 60
    assert wrapped(Block("gap", (("default", word),)), 40) == ["  gap", f"    default  {word}"]


def test_a_line_has_room_for_some_words_however_narrow_the_terminal() -> None:
    lines = wrapped(Block("gap", (("meaning", "How far the bag keeps from the tube"),)), 5)
    assert max(map(len, lines)) <= 33
    assert len(lines) == 3
