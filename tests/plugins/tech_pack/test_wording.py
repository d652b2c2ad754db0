"""Numbers, names and lists as the tech pack writes them; texts that keep clear of each other."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag.pattern import Term
from oaktag_plugins.tech_pack.figure import FigureText
from oaktag_plugins.tech_pack.sections_proof import put_in
from oaktag_plugins.tech_pack.sketch import Sketch, boxes_overlap, text_box
from oaktag_plugins.tech_pack.wording import (
    counted,
    edge_word,
    in_figure,
    letter_of,
    listed_words,
    number,
    ranges,
    signed,
)


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [(-0.04, 1, "0.0"), (-0.05001, 1, "\u22120.1"), (1234.56, 1, "1234.6"), (0.0049, 2, "0.00"), (7, 0, "7")],
)
def test_numbers_have_a_true_minus_and_no_minus_nought(value: float, decimals: int, text: str) -> None:
    assert number(value, decimals) == text


def test_differences_have_a_sign_unless_they_are_nought() -> None:
    assert [signed(v) for v in (0.25, -0.25, 0.01, -0.01)] == ["+0.2", "\u22120.2", "0.0", "0.0"]


@given(st.integers(0, 20_000))
def test_letters_count_like_numbers_without_a_nought(index: int) -> None:
    name = letter_of(index)
    assert name.isalpha()
    value = 0
    for letter in name:
        value = 26 * value + ord(letter) - ord("A") + 1
    assert value == index + 1


@given(st.lists(st.integers(1, 60), unique=True, max_size=25).map(sorted))
def test_ranges_hold_the_same_numbers(numbers: list[int]) -> None:
    found: list[int] = []
    text = ranges(numbers)
    for part in text.split(", ") if text else []:
        first, *last = part.split(" to ")
        found += range(int(first), int(last[0] if last else first) + 1)
    assert found == numbers
    if len(numbers) > 2 and numbers[-1] - numbers[0] == len(numbers) - 1:
        assert text == f"{numbers[0]} to {numbers[-1]}"


def test_words() -> None:
    assert edge_word("corner:head") == "corner head"
    assert edge_word("top-tube") == "top-tube"
    assert listed_words(["a", "b", "c"], 2) == "a, b and 1 more"
    assert listed_words(["a", "b"], 2) == "a, b"
    assert (counted(1, "boss", "bosses"), counted(2, "boss", "bosses")) == ("1 boss", "2 bosses")
    assert counted(0, "strap") == "0 straps"
    assert in_figure(" a\n b ") == "a b"
    assert len(in_figure("x" * 500)) == 40


def test_numbers_are_put_in_whole_symbol_by_whole_symbol() -> None:
    values = {"r": 2.0, "r1": 10.0, "s": -3.0, "\u03b8": 60.0}
    terms = [Term(symbol, value, "", "") for symbol, value in values.items()]
    formula = "r1 \u00b7 sin(\u03b8) + r \u2212 s / sqrt(r)"
    assert put_in(formula, terms) == "10 \u00b7 sin(60) + 2 \u2212 (\u22123) / sqrt(2)"


@settings(deadline=None, max_examples=40)
@given(
    st.lists(
        st.tuples(st.floats(-15, 15), st.floats(-15, 15), st.integers(1, 9), st.sampled_from((0.0, 35.0))),
        min_size=2,
        max_size=6,
    )
)
def test_labels_keep_clear_of_each_other_while_there_is_room(
    places: list[tuple[float, float, int, float]],
) -> None:
    sketch = Sketch()
    for x, y, length, angle in places:
        sketch.label("x" * length, (x, y), (0.0, 1.0), angle=angle, reach=150.0)
    boxes = [text_box(text) for text in sketch.texts]
    for index, box in enumerate(boxes):
        assert not any(boxes_overlap(box, other) for other in boxes[index + 1 :])


def test_a_label_that_is_not_needed_is_left_out_where_there_is_no_room() -> None:
    sketch = Sketch()
    sketch.text("W" * 40, (0.0, -100.0), 300.0)
    assert not sketch.label("strap", (0.0, 0.0), (0.0, 1.0), must=False)
    assert sketch.label("strap", (0.0, 0.0), (0.0, 1.0))
    assert [text.text for text in sketch.texts[1:]] == ["strap"]


def test_boxes_overlap_only_where_they_do() -> None:
    flat = text_box(FigureText("abcdef", (0.0, 0.0), 4.0, "centre"))
    beside = text_box(FigureText("abcdef", (14.2, 0.0), 4.0, "centre"))
    turned = text_box(FigureText("abcdef", (0.0, 0.0), 4.0, "centre", 90.0))
    above = text_box(FigureText("abcdef", (0.0, 4.1), 4.0, "centre"))
    assert boxes_overlap(flat, turned)
    assert not boxes_overlap(flat, beside)
    assert boxes_overlap(flat, beside, 0.5)
    assert not boxes_overlap(flat, above)
