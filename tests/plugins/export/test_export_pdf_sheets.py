"""`export.pdf` on paper and rolls, `export.projector`, and what reading both back catches."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import replace
from io import BytesIO
from itertools import pairwise
from types import ModuleType
from typing import Any

import pdfplumber
import pikepdf
import pytest
from pydantic import ValidationError

from oaktag import Draft
from oaktag.pattern import Artifact
from oaktag_plugins import export_pdf, export_pdf_tiles, export_projector
from oaktag_plugins.exporting import pdf_file
from oaktag_plugins.exporting.paper import paper_of, smallest_paper
from oaktag_plugins.reading.pdf import differences_in

POINTS = 72.0 / 25.4


def made(draft: Draft, module: ModuleType, **options: Any) -> Draft:
    (spec,) = module.oaktag_stages()
    after: Draft = spec.load_run()(draft, spec.load_options()(**options))
    return after


def file_of(draft: Draft, module: ModuleType = export_pdf, **options: Any) -> Artifact:
    after = made(draft, module, **options)
    assert after.findings == draft.findings
    (artifact,) = after.artifacts
    assert list(differences_in(draft, artifact)) == []
    return artifact


def sizes_of(artifact: Artifact) -> list[tuple[float, float]]:
    with pdfplumber.open(BytesIO(artifact.data)) as pdf:
        return [(float(page.width) / POINTS, float(page.height) / POINTS) for page in pdf.pages]


# Paper and rolls


@pytest.mark.parametrize("orientation", ["portrait", "landscape", "auto"])
def test_sheets_of_paper_have_its_size(draft: Draft, orientation: str) -> None:
    artifact = file_of(draft, paper="1000 x 1900 mm", orientation=orientation)
    for size in sizes_of(artifact):
        assert sorted(size) == pytest.approx([1000.0, 1900.0], abs=1e-3)
        if orientation != "auto":
            assert (size[0] > size[1]) is (orientation == "landscape")
    assert sum(len(page.placements) for page in artifact.shown.pages) == 4  # type: ignore[union-attr]


def test_a_roll_is_as_wide_as_it_is_and_as_long_as_it_has_to_be(draft: Draft) -> None:
    ((width, height),) = sizes_of(file_of(draft, roll=914))
    assert width == pytest.approx(914.0, abs=1e-3)
    assert 1660.0 < height < 5080.0


def test_a_piece_that_fits_no_sheet_is_named_with_what_would_do(draft: Draft) -> None:
    after = made(draft, export_pdf, paper="A1")
    assert after.artifacts == ()
    (finding,) = after.findings
    assert (finding.level, finding.code, finding.where) == ("error", "sheet-too-small", "gusset")
    box = re.search(r"(\d+) x (\d+) mm, which", finding.message)
    assert box is not None
    assert int(box[1]) > 1640
    # What is named does do, and five millimetres less don't.
    least = re.search(r"would do is (\d+) x (\d+) mm", finding.message)
    assert least is not None
    gusset = draft.evolve(pieces=(draft.piece("gusset"),))
    short, long = int(least[1]), int(least[2])
    assert made(gusset, export_pdf, paper=f"{short} x {long} mm").findings == ()
    for smaller in (f"{short - 5} x {long} mm", f"{short} x {long - 5} mm"):
        assert made(gusset, export_pdf, paper=smaller).artifacts == ()


def test_a_roll_that_is_too_narrow_is_reported(draft: Draft) -> None:
    after = made(draft, export_pdf, roll=250)
    assert after.artifacts == ()
    (finding,) = after.findings
    assert finding.code == "sheet-too-small"
    width = re.search(r"a roll (\d+) mm wide, or", finding.message)
    assert width is not None
    assert made(draft, export_pdf, roll=int(width[1])).findings == ()


def test_every_material_can_have_its_sheet_and_its_layer(draft: Draft) -> None:
    artifact = file_of(draft, by_material=True, layers=True)
    assert artifact.shown is not None
    placed = [{draft.piece(p.piece).material for p in page.placements} for page in artifact.shown.pages]
    assert placed == [{"shell"}, {"patch"}]
    with pikepdf.open(BytesIO(artifact.data)) as pdf:
        assert [str(group.Name) for group in pdf.Root.OCProperties.OCGs] == ["shell", "patch"]


@pytest.mark.parametrize(
    "options",
    [
        {"paper": "A0", "roll": 914},
        {"paper": "A0", "pages": "piece"},
        {"orientation": "portrait"},
        {"paper": "B52"},
        {"roll": 50},
    ],
)
def test_options_that_contradict_each_other_are_refused(options: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        export_pdf.PdfOptions(**options)


def test_paper_has_names_or_measures() -> None:
    assert paper_of("a4").lying("landscape").width == 297.0
    assert (paper_of("24 x 36 in").width, paper_of("24x36in").height) == pytest.approx((609.6, 914.4))
    assert paper_of("420 mm × 594 mm").height == 594.0
    assert paper_of("420x594").width == 420.0
    assert smallest_paper([(190.0, 277.0)], 10.0).startswith("A4")
    assert smallest_paper([(277.1, 190.0)], 10.0).startswith("Legal")
    assert smallest_paper([(2000.0, 100.0)], 10.0) == "120 x 2020 mm"


# Projector


@pytest.mark.parametrize("dark", [False, True])
def test_a_projector_gets_heavy_lines_and_a_grid(draft: Draft, dark: bool) -> None:
    artifact = file_of(draft, export_projector, weight=2.0, dark=dark)
    with pdfplumber.open(BytesIO(artifact.data)) as pdf:
        (page,) = pdf.pages
        things = [*page.curves, *page.lines, *page.rects]
        stroked = [thing for thing in things if thing["stroke"]]
        weights = {round(thing["linewidth"] / POINTS, 3) for thing in stroked}
        assert weights == {2.0, 1.333, 0.6}
        assert {thing["stroking_color"] for thing in stroked} <= ({1, (1,)} if dark else {0, (0,)})
        filled = [thing for thing in things if thing["fill"]]
        assert len(filled) == int(dark)
        level = sorted(
            {round(t["top"], 3) for t in stroked if t["width"] > 1000.0 * POINTS and t["height"] == 0}
        )
        gaps = {round((b - a) / POINTS, 2) for a, b in pairwise(level)}
        assert gaps == {50.0}


def test_a_grid_can_be_left_out_but_not_be_tiny(draft: Draft) -> None:
    assert len(file_of(draft, export_projector, grid=0).data) < len(file_of(draft, export_projector).data)
    with pytest.raises(ValidationError):
        export_projector.ProjectorOptions(grid=4.0)


# Files that are broken on purpose


def content_of(pdf: pikepdf.Pdf) -> list[pikepdf.Object]:
    """The streams of all pages and pieces."""
    streams = [page.obj.Contents for page in pdf.pages]
    forms = {form.objgen: form for page in pdf.pages for form in page.obj.Resources.XObject.values()}
    return [*streams, *forms.values()]


def rewritten(
    change: Callable[[bytes], bytes], where: Callable[[pikepdf.Pdf], Iterable[Any]] = content_of
) -> Any:
    """Change the operators of a file's streams."""

    def broken(data: bytes) -> bytes:
        with pikepdf.open(BytesIO(data)) as pdf:
            before = [stream.read_bytes() for stream in where(pdf)]
            after = [change(text) for text in before]
            assert before != after
            for stream, text in zip(where(pdf), after, strict=True):
                stream.write(text)
            buffer = BytesIO()
            pdf.save(buffer)
            return buffer.getvalue()

    return broken


def without_page(data: bytes) -> bytes:
    with pikepdf.open(BytesIO(data)) as pdf:
        del pdf.pages[1]
        buffer = BytesIO()
        pdf.save(buffer)
        return buffer.getvalue()


def smaller_paper(data: bytes) -> bytes:
    with pikepdf.open(BytesIO(data)) as pdf:
        box = pdf.pages[0].mediabox
        pdf.pages[0].mediabox = [0, 0, float(box[2]) - 60.0, box[3]]
        buffer = BytesIO()
        pdf.save(buffer)
        return buffer.getvalue()


def first_paths_dropped(role_weight: bytes) -> Callable[[bytes], bytes]:
    """Drop the first subpath after a weight is set."""
    return lambda text: re.sub(rb"(?m)^(" + role_weight + rb" w \[[^\n]*\n)[^\n]*\n", rb"\1", text, count=1)


SCALE = rb"2\.834645669 0 0 2\.834645669 0 0 cm"
BREAKS: dict[str, Callable[[bytes], bytes]] = {
    "mm written as points": rewritten(lambda text: re.sub(SCALE, b"1 0 0 1 0 0 cm", text)),
    "one per cent too large": rewritten(lambda text: re.sub(SCALE, b"2.863 0 0 2.863 0 0 cm", text)),
    "wider than high": rewritten(lambda text: re.sub(SCALE, b"2.84 0 0 2.834645669 0 0 cm", text)),
    "pieces mirrored": rewritten(
        lambda text: text.replace(b"q 1.000000000 0.000000000", b"q -1.000000000 0.000000000")
    ),
    "a notch missing": rewritten(first_paths_dropped(rb"0\.35")),
    "cut and seam swapped": rewritten(
        lambda text: (
            text.replace(b"0.6 w [] 0 d", b"?")
            .replace(b"0.25 w [5 2.5] 0 d", b"0.6 w [] 0 d")
            .replace(b"?", b"0.25 w [5 2.5] 0 d")
        )
    ),
    "dashes gone": rewritten(lambda text: text.replace(b"[5 2.5]", b"[]")),
    "dashes too long": rewritten(lambda text: text.replace(b"[5 2.5]", b"[10 5]")),
    "a line too many": rewritten(lambda text: text + b"\n0.6 w [] 0 d 70 70 m 90 90 l S"),
    "another piece's name": rewritten(
        lambda text: text.replace(b"gusset".hex().encode(), b"strap".hex().encode())
    ),
    "light grey": rewritten(lambda text: text.replace(b"0 G", b"0.8 G")),
    "a page missing": without_page,
    "paper too small": smaller_paper,
}


@pytest.mark.parametrize("name", BREAKS)
@pytest.mark.parametrize("module", [export_pdf, export_pdf_tiles], ids=["full", "tiles"])
def test_broken_files_are_caught(draft: Draft, name: str, module: ModuleType) -> None:
    artifact = file_of(draft, module)
    broken = replace(artifact, data=BREAKS[name](artifact.data))
    assert list(differences_in(draft, broken))


@pytest.mark.parametrize("module", [export_pdf, export_pdf_tiles, export_projector])
def test_a_writer_that_mixes_up_styles_is_caught(
    draft: Draft, module: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    right = pdf_file.item_operators

    def wrong(items: Any, styles: Any) -> str:
        return right(items, {**styles, "cut": styles["seam"], "seam": styles["cut"]})

    monkeypatch.setattr(pdf_file, "item_operators", wrong)
    after = made(draft, module)
    assert list(differences_in(draft, after.artifacts[0]))
