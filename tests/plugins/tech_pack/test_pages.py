"""Tech packs as HTML and PDF: read back, changed, and read back again."""

from __future__ import annotations

import math
import os
import re
import subprocess
import sys
from dataclasses import replace
from io import BytesIO
from itertools import pairwise
from pathlib import Path as File
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING

import pytest
from pydantic import ValidationError

from oaktag import Draft, Finding, Refusal
from oaktag.geometry import Path
from oaktag.pattern import Artifact
from oaktag.pattern.read_back import Difference
from oaktag_plugins import check_read_back
from oaktag_plugins.check_read_back import reader_of
from oaktag_plugins.export_tech_pack import TechPackOptions, run
from oaktag_plugins.reading import tech_pack as reading
from oaktag_plugins.tech_pack.content import FigureBlock, Paragraph, Section, Table, TechPack
from oaktag_plugins.tech_pack.html import html_of, path_data
from oaktag_plugins.tech_pack.pdf import PAPERS, POINTS_PER_MM, pdf_of
from oaktag_plugins.tech_pack.said import everything_in, note_of, read_note, single_spaced

HERE = File(__file__).parent

if TYPE_CHECKING:
    from tests.plugins import drafts
    from tests.plugins.tech_pack import packs
else:
    drafts = SimpleNamespace(**run_path(str(HERE.parent / "drafts.py")))
    packs = SimpleNamespace(**run_path(str(HERE / "packs.py")))

NOTE = note_of(0, worked=False)


@pytest.fixture(scope="module")
def pack() -> TechPack:
    return packs.every_block()


@pytest.fixture(scope="module")
def page(pack: TechPack) -> bytes:
    return html_of(pack, NOTE).encode()


@pytest.fixture(scope="module")
def printed(pack: TechPack) -> bytes:
    return pdf_of(pack, "A4", NOTE)


@pytest.fixture(scope="module")
def draft() -> Draft:
    return drafts.base()


@pytest.fixture(scope="module")
def made(draft: Draft) -> Draft:
    return run(draft, TechPackOptions())


def read(monkeypatch: pytest.MonkeyPatch, pack: TechPack, data: bytes, kind: str) -> list[Difference]:
    """How a file differs from a pack, whatever draft that might come from."""
    monkeypatch.setattr(reading, "tech_pack", lambda _draft, worked: pack)
    reader = reading.differences_in_html if kind == "html" else reading.differences_in_pdf
    return list(reader(drafts.bare(), Artifact(f"tech-pack.{kind}", kind, data)))


# What both say


@pytest.mark.parametrize("kind", ["html", "pdf"])
def test_a_pack_with_everything_reads_back(
    kind: str, pack: TechPack, page: bytes, printed: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert read(monkeypatch, pack, page if kind == "html" else printed, kind) == []


@pytest.mark.parametrize("kind", ["html", "pdf"])
@pytest.mark.parametrize("what", ["title", "fact", "cell", "row", "order", "words of a picture", "section"])
def test_a_file_of_another_pack_is_told_from_it(
    kind: str, what: str, page: bytes, printed: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    differences = read(
        monkeypatch, changed(packs.every_block(), what), page if kind == "html" else printed, kind
    )
    assert differences
    assert all(difference.reason for difference in differences)


def changed(pack: TechPack, what: str) -> TechPack:
    """The pack with one small thing that is different."""
    first, second = pack.sections
    *blocks, picture, table = first.blocks
    assert isinstance(picture, FigureBlock)
    assert isinstance(table, Table)
    if what == "title":
        return replace(pack, title=f"{pack.title}!")
    if what == "fact":
        return replace(pack, facts=(*pack.facts, ("one", "more")))
    if what == "section":
        return replace(pack, sections=(*pack.sections, Section("last", "Last", ())))
    if what == "order":
        blocks[0], blocks[1] = blocks[1], blocks[0]
    if what == "cell":
        table = replace(table, rows=(*table.rows[:-1], (*table.rows[-1][:-1], "other")))
    if what == "row":
        table = replace(table, rows=table.rows[:-1])
    if what == "words of a picture":
        picture = replace(picture, alternative=f"{picture.alternative}, about")
    return replace(pack, sections=(replace(first, blocks=(*blocks, picture, table)), second))


def test_a_real_pack_reads_back(made: Draft) -> None:
    assert [artifact.path for artifact in made.artifacts] == ["tech-pack.html", "tech-pack.pdf"]
    for artifact in made.artifacts:
        assert list(reader_of(artifact)(made, artifact)) == []


def test_findings_of_later_stages_do_not_matter_but_a_changed_draft_does(made: Draft) -> None:
    later = made.with_findings([Finding("note", "told-later", "A later stage has something to say.")])
    other = made.evolve(volume=12.34)
    for artifact in made.artifacts:
        assert list(reader_of(artifact)(later, artifact)) == []
        assert list(reader_of(artifact)(other, artifact)) != []


def test_a_file_cut_short_is_removed(made: Draft) -> None:
    broken = [replace(artifact, data=artifact.data[: len(artifact.data) // 2]) for artifact in made.artifacts]
    after = check_read_back.run(made.evolve(artifacts=tuple(broken)), check_read_back.ReadBackOptions())
    assert after.artifacts == ()
    assert after.has_errors


# HTML


@pytest.mark.parametrize(
    "harm",
    [
        b"<script>1</script>",
        b'<a href="//elsewhere.example">x</a>',
        b'<img src="x.png">',
        b'<p onclick="x()"></p>',
        b"<style>p { background: url(x.png) }</style>",
        b"</table>",
    ],
)
def test_a_page_that_reaches_outside_itself_is_told(
    harm: bytes, pack: TechPack, page: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert read(monkeypatch, pack, page.replace(b"<footer>", harm + b"<footer>"), "html") != []


def test_ids_are_unique_and_every_link_leads_somewhere(page: bytes) -> None:
    text = page.decode()
    ids = re.findall(r'\sid="([^"]*)"', text)
    assert len(ids) == len(set(ids))
    links = re.findall(r'href="#([^"]*)"', text)
    assert len(links) == 3
    assert set(links) <= set(ids)


def test_lines_of_a_figure_are_the_same_in_svg() -> None:
    from svgelements import Path as SvgPath

    for line in packs.FIGURE.lines:
        drawn = SvgPath(path_data(packs.FIGURE, line.shape))
        shape = line.shape if isinstance(line.shape, Path) else Path.polyline(line.shape)
        assert drawn.length(error=1e-6) == pytest.approx(shape.length, abs=0.01)
        box = shape.bounds
        height = packs.FIGURE.height
        wanted = (box.min_x, height - box.max_y, box.max_x, height - box.min_y)
        assert drawn.bbox() == pytest.approx(wanted, abs=0.01)
        assert str(drawn).rstrip().endswith("Z") == shape.closed


def test_control_characters_become_visible() -> None:
    text = html_of(TechPack("a\x00b\x1bc\ud800", (), ()))
    assert "a\ufffdb\ufffdc\ufffd" in text
    assert text.encode()


# PDF


def test_letters_of_three_scripts_are_real_text_in_embedded_type(printed: bytes) -> None:
    import pdfplumber

    with pdfplumber.open(BytesIO(printed), pages=[1, 2]) as document:
        text = "".join(sheet.extract_text() for sheet in document.pages)
        used = {char["fontname"] for sheet in document.pages for char in sheet.chars}
    for word in ("51.5°", "größer", "šev", "őr", "шов", "ραφή", "½"):
        assert word in text
    # A subset's name begins with six letters and a plus sign: ISO 32000-1, 9.6.4.
    assert all(re.fullmatch(r"[A-Z]{6}\+FiraSans-(Regular|SemiBold)", name) for name in used)


def test_pages_have_the_paper_and_numbers_and_bookmarks(pack: TechPack) -> None:
    from pypdfium2 import PdfDocument

    for paper, (width, height) in PAPERS.items():
        document = PdfDocument(pdf_of(pack, paper))
        pages = len(document)
        for number in range(pages):
            sheet = document[number]
            assert sheet.get_size() == pytest.approx(
                (width * POINTS_PER_MM, height * POINTS_PER_MM), abs=0.01
            )
            assert f"Page {number + 1} of {pages}" in single_spaced(sheet.get_textpage().get_text_range())
        titles = [(mark.level, mark.get_title()) for mark in document.get_toc()]
        assert [title for level, title in titles if level == 0] == [
            single_spaced(section.heading) for section in pack.sections
        ]
        assert [title for level, title in titles if level == 1] == [packs.LONG_WORD, "Next"]
        document.close()


def test_a_long_table_repeats_its_headings(pack: TechPack, printed: bytes) -> None:
    from pypdfium2 import PdfDocument

    document = PdfDocument(printed)
    texts = [single_spaced(sheet.get_textpage().get_text_range()) for sheet in document]
    with_rows = [text for text in texts if re.search(r"\brun \d+\b", text)]
    assert len(with_rows) >= 3
    assert all("length, mm" in text for text in with_rows)


def test_nothing_is_drawn_beside_the_page(printed: bytes) -> None:
    from pypdfium2 import PdfDocument

    for sheet in PdfDocument(printed):
        width, height = sheet.get_size()
        for drawn in sheet.get_objects():
            left, bottom, right, top = drawn.get_bounds()
            assert left >= -0.5
            assert bottom >= -0.5
            assert right <= width + 0.5
            assert top <= height + 0.5


def test_figures_are_drawn_true_size_where_there_is_room(printed: bytes) -> None:
    import pdfplumber

    with pdfplumber.open(BytesIO(printed), pages=[1, 2]) as document:
        curves = [curve for sheet in document.pages for curve in sheet.curves]
    dashed = [curve for curve in curves if len(curve["pts"]) == 3]
    panels = [curve for curve in curves if any(operator == "c" for operator, *_ in curve["path"])]
    shape = packs.FIGURE.lines[0].shape
    assert isinstance(shape, Path)
    for curve in panels:
        assert curve["width"] / POINTS_PER_MM == pytest.approx(shape.bounds.width, abs=0.1)
        assert curve["path"][-1][0] == "h"
    assert panels
    assert dashed
    for curve in dashed:
        (x0, y0), (x1, y1), (x2, _) = curve["pts"]
        assert (x2 - x0) / POINTS_PER_MM == pytest.approx(100.0, abs=0.01)
        assert math.hypot(x1 - x0, y1 - y0) / POINTS_PER_MM == pytest.approx(math.hypot(50, 20), abs=0.01)


def test_characters_that_no_type_has_are_named(draft: Draft) -> None:
    strange = draft.evolve(frame=replace(draft.frame, name=f"Demo {packs.BEYOND}"))
    after = run(strange, TechPackOptions())
    (finding,) = [finding for finding in after.findings if finding.code == "characters-left-out"]
    assert "縫 (U+7E2B)" in finding.message
    assert "U+202E" in finding.message
    assert "tech-pack.pdf" in finding.message
    assert packs.BEYOND in after.artifacts[0].data.decode()
    for artifact in after.artifacts:
        assert list(reader_of(artifact)(after, artifact)) == []


# The stage


def test_options_choose_what_is_made(draft: Draft) -> None:
    one = run(draft, TechPackOptions(formats="html", html="a/b.html"))
    assert [artifact.path for artifact in one.artifacts] == ["a/b.html"]
    other = run(draft, TechPackOptions(formats="pdf", paper="Letter"))
    assert [artifact.path for artifact in other.artifacts] == ["tech-pack.pdf"]
    with pytest.raises(ValidationError, match="same name"):
        TechPackOptions(html="x", pdf="x")
    with pytest.raises(Refusal):
        run(one, TechPackOptions(formats="html", html="a/b.html"))


def test_the_same_pack_gives_the_same_bytes(pack: TechPack, page: bytes, printed: bytes) -> None:
    assert html_of(pack, NOTE).encode() == page
    assert pdf_of(pack, "A4", NOTE) == printed


def test_a_note_is_read_as_it_was_written() -> None:
    assert read_note(note_of(7, worked=True)) == (7, True)
    for wrong in ("", "findings=1", "findings=x worked=yes", "findings=1 worked=maybe"):
        with pytest.raises(ValueError):  # noqa: PT011 - what int says, or what the note's reader says
            read_note(wrong)


def test_everything_has_its_place_in_reading_order(pack: TechPack) -> None:
    said = list(everything_in(pack))
    kinds = [one.kind for one in said]
    assert kinds[0] == "title"
    assert kinds.count("cell") == 80 * 4 + 14 + 2 + 4
    for before, after in pairwise(kinds):
        assert before != "kind" or after == "text"
    empty = TechPack("t", (), (Section("s", "h", (Paragraph("p"),)),))
    assert [one.kind for one in everything_in(empty)] == ["title", "section", "text"]


def test_the_hash_seed_changes_nothing() -> None:
    script = (
        "import hashlib, runpy, sys\n"
        "from oaktag_plugins.tech_pack.html import html_of\n"
        "from oaktag_plugins.tech_pack.pdf import pdf_of\n"
        "pack = runpy.run_path(sys.argv[1])['every_block'](rows=5)\n"
        "print(hashlib.sha256(html_of(pack).encode() + pdf_of(pack)).hexdigest())\n"
    )
    digests = {
        subprocess.run(
            [sys.executable, "-c", script, str(HERE / "packs.py")],
            env={**os.environ, "PYTHONHASHSEED": seed, "TZ": zone},
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for seed, zone in (("1", "UTC"), ("2", "Pacific/Auckland"))
    }
    assert len(digests) == 1
