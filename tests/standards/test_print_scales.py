"""Scales of the usual slips of printing against published sizes and units."""

from __future__ import annotations

import pytest

from oaktag.pattern.print_check import PAPERS, TestSquare, check_print, fit_scale

# ISO 216: A3 297 × 420, A4 210 × 297 mm. Letter 8.5 × 11 in = 215.9 × 279.4 mm, Legal 8.5 × 14 in (the
# package `papersize`).
SIZES = {"A3": (297.0, 420.0), "A4": (210.0, 297.0), "Letter": (215.9, 279.4), "Legal": (215.9, 355.6)}


def test_papers_have_their_published_sizes() -> None:
    for name, size in SIZES.items():
        assert PAPERS[name] == pytest.approx(size, abs=1e-9)


def test_fit_to_page_takes_the_tighter_side() -> None:
    assert fit_scale(SIZES["A4"], SIZES["Letter"]) == pytest.approx(279.4 / 297.0)
    assert fit_scale(SIZES["Letter"], SIZES["A4"]) == pytest.approx(210.0 / 215.9)
    # ISO 216: the next size of the A series has half the area, so its sides are larger by the root of 2.
    assert fit_scale(SIZES["A3"], SIZES["A4"]) == pytest.approx(2.0**-0.5, abs=1e-3)
    # Office laser printers leave 4 mm on every side: 202 mm of an A4's width.
    assert fit_scale(SIZES["A4"], SIZES["A4"], 4.0) == pytest.approx(202.0 / 210.0)


@pytest.mark.parametrize(
    ("scale", "words"),
    [
        (0.9407, "'fit to page': a page for A4 on Letter"),
        (0.9727, "'fit to page': a page for Letter on A4"),
        (0.9619, "'fit to page': a page for A4 on A4, within edges of 4 mm"),
        (0.7071, "'fit to page': a page for A3 on A4"),
        # CSS: 1 in = 96 px = 72 pt; PDF's unit is 1/72 in (ISO 32000-1, 8.3.2).
        (0.75, "points (72 to the inch) taken for pixels of 96 to the inch"),
        (1.333333, "pixels of 96 to the inch taken for points (72 to the inch)"),
        (0.9375, "pixels of 90 to the inch taken for pixels of 96 to the inch"),
        (1.066667, "pixels of 96 to the inch taken for pixels of 90 to the inch"),
        (4.166667, "dots of 300 to the inch taken for points (72 to the inch)"),
        (0.24, "points (72 to the inch) taken for dots of 300 to the inch"),
        # 1 px = 25.4/96 mm = 0.2646 mm, 1 pt = 0.3528 mm; 1 mm = 3.779528 px = 2.834646 pt.
        (0.264583, "mm taken for pixels of 96 to the inch"),
        (3.779528, "pixels of 96 to the inch taken for mm"),
        (0.352778, "mm taken for points (72 to the inch)"),
        (2.834646, "points (72 to the inch) taken for mm"),
        # The international inch, 25.4 mm.
        (25.4, "mm taken for inches"),
        (0.03937, "inches taken for mm, or inches read and no unit given"),
        (2.54, "cm taken for inches"),
        (0.393701, "inches taken for cm"),
    ],
)
def test_the_usual_slips_are_named_from_their_scales(scale: float, words: str) -> None:
    causes = check_print(TestSquare(100.0, 100.0 * scale, 100.0 * scale, 0.02)).causes
    assert causes[0].what == words
    # A coarse reading still has it.
    coarse = check_print(TestSquare(100.0, 100.0 * scale, 100.0 * scale, 0.5)).causes
    assert words in [cause.what for cause in coarse]


@pytest.mark.parametrize(
    ("sizes", "words"),
    [
        ((215.9 / 210.0, 279.4 / 297.0), "'stretch' or 'fill': a page for A4 on Letter"),
        ((279.4 / 297.0, 215.9 / 210.0), "'stretch' or 'fill': a page for A4 lying on Letter"),
        ((210.0 / 215.9, 297.0 / 279.4), "'stretch' or 'fill': a page for Letter on A4"),
    ],
)
def test_a_page_stretched_to_another_paper_is_named(sizes: tuple[float, float], words: str) -> None:
    check = check_print(TestSquare(100.0, 100.0 * sizes[0], 100.0 * sizes[1]))
    assert (check.verdict, [cause.what for cause in check.causes]) == ("stretched", [words])
