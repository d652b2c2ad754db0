"""Lengths and angles as makers write them."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag.recipe import QuantityError, angle_in_degrees, length_in_mm

BEYOND_FLOAT = 10**400


@pytest.mark.parametrize(
    ("text", "unit", "mm"),
    [
        (523, "mm", 523.0),
        (52.3, "cm", 523.0),
        (20, "in", 508.0),
        ("523", "mm", 523.0),
        ("523 mm", "in", 523.0),
        ("523mm", "in", 523.0),
        ("52.3 cm", "mm", 523.0),
        ("52.3cm", "in", 523.0),
        # 17 9/16 in = 281/16 × 25.4 mm
        ("17 9/16 in", "mm", 446.0875),
        ("17-9/16 in", "mm", 446.0875),
        ("17 - 9/16in", "mm", 446.0875),
        ("17 9/16", "in", 446.0875),
        ("  17  9/16  in ", "mm", 446.0875),
        ("9/16 in", "mm", 14.2875),
        ("9 / 16 in", "mm", 14.2875),
        (".5 in", "mm", 12.7),
        (".5", "mm", 0.5),
        ("5.", "mm", 5.0),
        ("+5 mm", "mm", 5.0),
        ("-5 mm", "mm", -5.0),
        ("- 1 1/2 in", "mm", -38.1),
        ("0", "in", 0.0),
    ],
)
def test_a_length_is_read_in_its_own_unit_or_the_files(text: object, unit: str, mm: float) -> None:
    assert length_in_mm(text, unit) == pytest.approx(mm, rel=0, abs=1e-12)


@pytest.mark.parametrize(
    ("text", "degrees"),
    [(57, 57.0), (57.5, 57.5), ("57.5", 57.5), ("57.5 deg", 57.5), ("57.5°", 57.5), ("-1 1/2 deg", -1.5)],
)
def test_an_angle_is_read_in_degrees(text: object, degrees: float) -> None:
    assert angle_in_degrees(text) == degrees


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("", "can't be read"),
        ("  ", "can't be read"),
        ("mm", "can't be read"),
        ("about 5", "can't be read"),
        ("1,5 cm", "can't be read"),
        ("5 mm 3", "can't be read"),
        ("1 2 in", "can't be read"),
        ("1/2/3 in", "can't be read"),
        ("1.5 1/2 in", "can't be read"),
        ("--5", "can't be read"),
        ("5e3", "can't be read"),
        ("0x10", "can't be read"),
        ("nan", "can't be read"),
        ("inf", "can't be read"),
        ("5 mm\x00", "there is no unit"),
        ("9" * 101, "can't be read"),
        ("9" * 5000, "can't be read"),
        ("1/" + "9" * 5000, "can't be read"),
        ("5 furlong", "there is no unit 'furlong'"),
        ("5 MM", "there is no unit 'MM'"),
        ("5 deg", "there is no unit 'deg'"),
        ('5"', "there is no unit"),
        ("1/0 in", "divides by zero"),
        ("17 9/0 in", "divides by zero"),
        (math.inf, "is not a finite number"),
        (-math.inf, "is not a finite number"),
        (math.nan, "is not a finite number"),
        (BEYOND_FLOAT, "is far too large"),
        (True, "is not a number"),
        (False, "is not a number"),
        (None, "is not a number"),
        ([5], "is not a number"),
        ({"value": 5}, "is not a number"),
    ],
)
def test_what_is_no_length_is_refused_with_what_would_be_one(text: object, reason: str) -> None:
    with pytest.raises(QuantityError, match=reason) as caught:
        length_in_mm(text, "mm")
    assert "a number in mm" in caught.value.valid
    assert "17 9/16 in" in caught.value.valid


@pytest.mark.parametrize("text", ["57 mm", "57 rad", "57 degrees", True, math.nan, BEYOND_FLOAT, "x", [1]])
def test_what_is_no_angle_is_refused(text: object) -> None:
    with pytest.raises(QuantityError) as caught:
        angle_in_degrees(text)
    assert "degrees" in caught.value.valid


def test_an_unknown_unit_is_refused_with_the_known_ones() -> None:
    with pytest.raises(QuantityError) as caught:
        length_in_mm("3 ft", "in")
    assert caught.value.valid.endswith("units: mm, cm, in")


MM = {"mm": Fraction(1), "cm": Fraction(10), "in": Fraction(254, 10)}
UNITS = st.sampled_from(sorted(MM))


@settings(max_examples=200, deadline=None, derandomize=True)
@given(
    whole=st.integers(0, 200),
    under=st.sampled_from([2, 3, 4, 7, 8, 16, 32, 64]),
    data=st.data(),
    unit=UNITS,
    hyphen=st.booleans(),
)
def test_mixed_numbers_keep_their_value(
    whole: int, under: int, data: st.DataObject, unit: str, hyphen: bool
) -> None:
    over = data.draw(st.integers(0, under - 1))
    text = f"{whole}{'-' if hyphen else ' '}{over}/{under} {unit}"
    exact = (whole + Fraction(over, under)) * MM[unit]
    assert abs(Fraction(length_in_mm(text)) - exact) < Fraction(1, 10**9)


@settings(max_examples=200, deadline=None, derandomize=True)
@given(mm=st.floats(0.001, 5000.0), unit=UNITS)
def test_a_length_written_in_any_unit_comes_back(mm: float, unit: str) -> None:
    text = f"{float(Fraction(mm) / MM[unit]):.15f} {unit}"
    assert length_in_mm(text, "in") == pytest.approx(mm, rel=1e-12, abs=1e-9)


@settings(max_examples=100, deadline=None, derandomize=True)
@given(value=st.floats(-1e6, 1e6))
def test_a_number_of_mm_is_taken_exactly(value: float) -> None:
    assert length_in_mm(value, "mm") == value
    assert angle_in_degrees(value) == value


@settings(max_examples=300, deadline=None, derandomize=True)
@given(text=st.text(max_size=30))
def test_any_text_is_read_or_refused_and_nothing_else(text: str) -> None:
    try:
        value = length_in_mm(text)
    except QuantityError:
        return
    assert math.isfinite(value)
