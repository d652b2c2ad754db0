from __future__ import annotations

import string
import unicodedata
from collections.abc import Sequence
from math import cos, inf, nan, radians, sin

import pytest
from hypothesis import given
from hypothesis import strategies as st

from oaktag.geometry import Box, Path, Point
from oaktag.pattern.lettering import LINE_SPACING, letter, letter_polylines, text_size, unwritable

ACCENTED = (
    "ÀÁÂÃÄÅÇÈÉÊËÌÍÎÏÑÒÓÔÕÖÙÚÛÜÝàáâãäåçèéêëìíîïñòóôõöùúûüýÿ"
    "ĀāĂăĄąĆćČčĎďĒēĖėĘęĚěĞğĪīĮįŁłŃńŇňŐőŘřŚśŞşŠšŤťŮůŰűŹźŻżŽžȘșȚț"
)
SIGNS = "°×÷±·–—−→←↑↓µØø½¼¾⅓⅔⅛⅜⅝⅞¹²³ıȷĐđ"
SPELT = {
    "“": '"',
    "’": "'",
    "…": "...",
    "ß": "ss",
    "Æ": "AE",
    "œ": "oe",
    "‑": "-",
    "ﬁ": "fi",
    "≤": "<=",
}

texts = st.text(alphabet=st.sampled_from(string.printable[:95] + ACCENTED + SIGNS + "漢🚲"), max_size=12)
blocks = st.lists(texts, min_size=1, max_size=4)
heights = st.floats(0.5, 50.0)


def ink(strokes: Sequence[Sequence[Point]]) -> Box:
    return Box.around(point for stroke in strokes for point in stroke)


def flat(text: str) -> tuple[tuple[Point, ...], ...]:
    return letter_polylines((text,), 21.0, (0.0, 0.0), align="left", anchor=(0.0, 0.0))


def test_a_capital_is_as_high_as_asked_and_stands_around_the_position() -> None:
    box = ink(letter_polylines(("H",), 5.0, (30.0, 40.0)))
    assert box.height == pytest.approx(5.0)
    assert box.centre == pytest.approx((30.0, 40.0))


def test_letters_are_those_of_the_package() -> None:
    from HersheyFonts import HersheyFonts

    text = "Side panel 12.5, cut (2) @ 3/8 & more?"
    font = HersheyFonts()
    font.load_default_font("rowmans")
    theirs = [[(float(x), 9.0 - y) for x, y in stroke] for stroke in font.strokes_for_text(text)]
    left, bottom = ink(theirs).min_x, min(0.0, ink(theirs).min_y)
    ours = flat(text)
    assert len(ours) == len(theirs)
    for mine, their in zip(ours, theirs, strict=True):
        assert list(mine) == [pytest.approx((x - left, y - bottom)) for x, y in their]


@given(blocks, heights, st.floats(-180.0, 180.0), st.sampled_from(["left", "centre", "right"]))
def test_all_ink_lies_in_the_block(lines: list[str], height: float, angle: float, align: str) -> None:
    width, tall = text_size(lines, height)
    strokes = letter_polylines(lines, height, (100.0, -20.0), angle, align=align)  # type: ignore[arg-type]
    c, s = cos(radians(angle)), sin(radians(angle))
    turned_back = [
        [((x - 100.0) * c + (y + 20.0) * s, (y + 20.0) * c - (x - 100.0) * s) for x, y in stroke]
        for stroke in strokes
    ]
    if not turned_back:
        assert width == 0.0
        return
    box = ink(turned_back)
    assert box.width == pytest.approx(width, abs=1e-6)
    assert max(abs(box.min_x), abs(box.max_x)) <= 0.5 * width + 1e-6
    assert max(abs(box.min_y), abs(box.max_y)) <= 0.5 * tall + 1e-6


@given(blocks, heights)
def test_the_block_grows_with_the_letters(lines: list[str], height: float) -> None:
    width, tall = text_size(lines, height)
    assert text_size(lines, 2.0 * height) == pytest.approx((2.0 * width, 2.0 * tall))
    assert tall >= height * (1.0 + LINE_SPACING * (len(lines) - 1)) - 1e-9


@pytest.mark.parametrize(("align", "edge"), [("left", 0.0), ("right", 1.0), ("centre", 0.5)])
def test_lines_lie_as_asked(align: str, edge: float) -> None:
    width, _ = text_size(("HHHH", "H"), 4.0)
    strokes = letter_polylines(("HHHH", "H"), 4.0, (0.0, 0.0), align=align, anchor=(0.0, 0.0))  # type: ignore[arg-type]
    short = ink([stroke for stroke in strokes if max(y for _, y in stroke) < 4.0 + 1e-9])
    assert short.min_x + edge * short.width == pytest.approx(edge * width)


@pytest.mark.parametrize("anchor", [(0.0, 0.0), (1.0, 0.0), (0.0, 1.0), (0.25, 0.75)])
def test_the_anchor_goes_to_the_position(anchor: Point) -> None:
    width, tall = text_size(("HE", "EH"), 3.0)
    box = ink(letter_polylines(("HE", "EH"), 3.0, (7.0, 8.0), anchor=anchor))
    assert (box.min_x, box.min_y) == pytest.approx((7.0 - anchor[0] * width, 8.0 - anchor[1] * tall))


def test_paths_are_the_same_strokes() -> None:
    paths = letter(("Gusset 2", "é"), 6.0, (1.0, 2.0), 30.0)
    points = letter_polylines(("Gusset 2", "é"), 6.0, (1.0, 2.0), 30.0)
    assert all(isinstance(path, Path) for path in paths)
    assert [path.flatten(1.0) for path in paths] == [
        tuple(pytest.approx(point) for point in stroke) for stroke in points
    ]


@pytest.mark.parametrize("character", [*string.printable[:95].replace(" ", ""), *ACCENTED, *SIGNS])
def test_every_known_character_has_a_shape_of_its_own(character: str) -> None:
    assert flat(character)
    assert (flat(character) == flat("?")) is (character == "?")


@pytest.mark.parametrize("character", [sign for sign in ACCENTED if unicodedata.decomposition(sign)])
def test_an_accent_is_added_to_its_letter(character: str) -> None:
    taken_apart = unicodedata.normalize("NFD", character)
    base, accent = taken_apart[0], taken_apart[1]
    below = unicodedata.combining(accent) < 230  # canonical combining class 230: above
    bare = flat("ı" if base == "i" and not below else base)
    assert len(flat(character)) > len(bare)
    assert ink(flat(character)).height > ink(bare).height
    assert flat(base + accent) == flat(character)


def test_small_letters_with_accents_are_higher_than_without() -> None:
    for plain, accented in zip("aeounc", "áêöűňć", strict=True):
        bare, dressed = ink(flat(plain)), ink(flat(accented))
        assert dressed.max_y > bare.max_y + 3.0


@pytest.mark.parametrize("text", ["漢", "🚲", "€", "\n", "\x00", "\u20d7"])
def test_what_cannot_be_drawn_is_a_question_mark(text: str) -> None:
    assert flat(text) == flat("?")


def test_an_unknown_accent_is_not_lost() -> None:
    assert flat("x\u20d7") == flat("x?")


@pytest.mark.parametrize(("sign", "spelt"), SPELT.items())
def test_some_signs_are_spelt(sign: str, spelt: str) -> None:
    assert flat(sign) == flat(spelt)


ALPHABETS = {
    "Russian": "абвгдеёжзийклмнопрстуфхцчшщъыьэюя",
    "Ukrainian": "абвгґдеєжзиіїйклмнопрстуфхцчшщьюя",
    "Belarusian": "абвгдеёжзійклмнопрстуўфхцчшыьэюя",
    "Bulgarian": "абвгдежзийклмнопрстуфхцчшщъьюя",
    "Serbian": "абвгдђежзијклљмнњопрстћуфхцчџш",
    "Macedonian": "абвгдѓежзѕијклљмнњопрстќуфхцчџш",
    "Greek": "αβγδεζηθικλμνξοπρστυφχψωάέήίόύώϊϋΐΰ",
}


@pytest.mark.parametrize("letters", ALPHABETS.values(), ids=ALPHABETS)
def test_every_letter_of_an_alphabet_has_a_shape_of_its_own(letters: str) -> None:
    both = [*letters, *(letters.upper() if "ΐ" not in letters else letters[:-2].upper())]
    assert not any(unwritable(letter) for letter in both)
    assert len({flat(letter) for letter in both}) == len(both)
    assert flat("?") not in {flat(letter) for letter in both}


def rise(letter: str) -> tuple[float, float]:
    """Bottom and top of a letter's ink above the line on which an H stands."""
    stems = len(flat("H"))
    strokes = flat(f"H{letter}")
    line = ink(strokes[:stems]).min_y
    box = ink(strokes[stems:])
    return box.min_y - line, box.max_y - line


@pytest.mark.parametrize("letter", [*"ЖБДЯЮЭФЩ", *"ΓΔΘΞΨΩ", *"жядлшю"])
def test_letters_of_other_alphabets_fit_the_latin_ones(letter: str) -> None:
    bottom, top = rise(letter)
    assert top == pytest.approx(21.0 if letter.isupper() else 14.0, abs=1.0)
    assert -5.0 <= bottom <= 0.0
    assert text_size((letter,), 5.0)[0] < text_size(("WW",), 5.0)[0]


def test_final_sigma_hangs_below_the_line() -> None:
    assert rise("ς")[0] < -3.0 <= rise("σ")[0]


@pytest.mark.parametrize(
    ("text", "signs"),
    [
        ("Side panel 2½ Łódź", ()),
        ("Жук und 日本, 日", ("日", "本")),
        ("bag 👜\u200d🔧", ("👜", "\u200d", "🔧")),
        ("㍻ ㎏ ﬁ", ("㍻",)),
        ("x\u20d7 \n", ("\u20d7", "\n")),
        ("", ()),
    ],
)
def test_it_says_what_it_cannot_write(text: str, signs: tuple[str, ...]) -> None:
    assert unwritable(text) == signs


@given(st.text(max_size=8))
def test_what_is_writable_has_no_question_marks(text: str) -> None:
    if not unwritable(text) and text.strip():
        spelt = unicodedata.normalize("NFKC", text)
        assert "?" in spelt or not _has(flat(text), flat("?"))
    elif unwritable(text):
        assert _has(flat(text), flat("?"))


def _has(strokes: tuple[tuple[Point, ...], ...], others: tuple[tuple[Point, ...], ...]) -> bool:
    """Whether strokes have the others among them, wherever these stand."""

    def shapes(lines: tuple[tuple[Point, ...], ...]) -> list[tuple[Point, ...]]:
        return [
            tuple((round(x - line[0][0], 6), round(y - line[0][1], 6)) for x, y in line) for line in lines
        ]

    return set(shapes(others)) <= set(shapes(strokes))


def test_a_fraction_is_not_read_as_part_of_the_number() -> None:
    assert flat("17½") != flat("171/2")
    assert text_size(("17½",), 5.0)[0] < text_size(("171/2",), 5.0)[0]
    assert ink(flat("⅜")).height <= 21.0


def test_the_degree_sign_is_a_ring_at_the_top() -> None:
    (ring,) = flat("°")
    assert ring[0] == ring[-1]
    assert min(y for _, y in ring) > 10.0


def test_hyphen_and_minus_differ() -> None:
    assert text_size(("-",), 5.0)[0] < text_size(("–",), 5.0)[0] <= text_size(("−",), 5.0)[0]


def test_neighbouring_lines_stay_clear() -> None:
    strokes = letter_polylines(("gjpqy(]|Çşț", "ÉÅŰŽÑŐ|"), 21.0, (0.0, 0.0))
    upper = ink(letter_polylines(("gjpqy(]|Çşț",), 21.0, (0.0, 0.0)))
    count = len(flat("gjpqy(]|Çşț"))
    assert ink(strokes[:count]).height == pytest.approx(upper.height)
    assert ink(strokes[:count]).min_y > ink(strokes[count:]).max_y


def test_a_blank_line_takes_its_place() -> None:
    assert text_size(("H", "", "H"), 10.0)[1] == pytest.approx(10.0 + 2.0 * LINE_SPACING * 10.0)
    assert letter_polylines(("", " "), 10.0, (0.0, 0.0)) == ()


@pytest.mark.parametrize("height", [0.0, -1.0, nan, inf])
def test_letters_need_a_height(height: float) -> None:
    with pytest.raises(ValueError, match="higher than 0"):
        text_size(("H",), height)


@pytest.mark.parametrize("lines", [(), "H"])
def test_a_block_needs_lines(lines: Sequence[str]) -> None:
    with pytest.raises(ValueError, match="at least one line"):
        letter(lines, 5.0, (0.0, 0.0))
