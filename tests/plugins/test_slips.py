"""The table of slips: what was written leads back to what was meant."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from oaktag_plugins.surveying.slips import SLIP_KINDS, Explanation, Numeral, SlipKind, explanations, numerals


def best(value: float, predicted: float, *, angle: bool = False, sigma: float = 1.5) -> Explanation:
    return explanations(value, angle=angle, predicted=predicted, sigma=sigma)[0]


@pytest.mark.parametrize(
    ("written", "meant", "slip"),
    [
        (532.0, 523.0, "swapped digits"),
        (581.0, 518.0, "swapped digits"),
        (53.2, 52.3, "swapped digits"),
        (325.0, 523.0, "swapped digits"),
        (528.0, 518.0, "10 mm tape offset"),
        (508.4, 518.4, "10 mm tape offset"),
        (51.8, 518.0, "centimetres for millimetres"),
        (5180.0, 518.0, "centimetres for millimetres"),
        (20.4, 518.16, "inches for millimetres"),
        (13157.2, 518.0, "inches for millimetres"),
        (203.9, 517.906, "inches for centimetres"),
        (418.0, 518.0, "one digit misread"),
        (513.0, 518.0, "one digit misread"),
        (19 * 25.4, 18 * 25.4, "1 in tape offset"),
        ((20 + 3 / 8) * 25.4, (20 + 5 / 8) * 25.4, "fraction of an inch misread"),
        ((24 + 3 / 16) * 25.4, (42 + 3 / 16) * 25.4, "swapped digits"),
        ((24 + 3 / 16) * 25.4, (23 + 3 / 16) * 25.4, "1 in tape offset"),
    ],
)
def test_lengths(written: float, meant: float, slip: str) -> None:
    found = best(written, meant, sigma=0.5)
    assert found.slip == slip
    assert found.meant == pytest.approx(meant, abs=1e-5)


@pytest.mark.parametrize(
    ("written", "meant", "slip"),
    [
        (75.0, 57.0, "swapped digits"),
        (33.0, 57.0, "complement of the angle"),
        (123.0, 57.0, "supplement of the angle"),
        (51.0, 57.0, "one digit misread"),
        (57.3, 53.7, "swapped digits"),
    ],
)
def test_angles(written: float, meant: float, slip: str) -> None:
    found = best(written, meant, angle=True, sigma=0.2)
    assert found.slip == slip
    assert found.meant == pytest.approx(meant)


def test_angle_of_the_other_side_needs_room_for_it() -> None:
    wide = explanations(135.0, angle=True, predicted=225.0, sigma=0.3, highest_angle=360.0)
    assert wide[0].slip == "angle of the other side"
    assert all(one.meant < 180 for one in explanations(135.0, angle=True, predicted=225.0, sigma=0.3))


def test_a_slip_with_many_answers_must_fit_better() -> None:
    # 522 fits best, but any digit may be misread; two digits can be swapped in two ways.
    found = explanations(532.0, angle=False, predicted=522.3, sigma=2.0)
    assert [one.meant for one in found[:2]] == [522.0, 523.0]
    assert found[0].slip == "10 mm tape offset"
    misread = next(one for one in explanations(582.0, angle=False, predicted=522.0, sigma=2.0))
    assert misread.price == pytest.approx(2 * math.log(26))


def test_nothing_is_offered_that_is_farther_off() -> None:
    for one in explanations(520.0, angle=False, predicted=523.0, sigma=1.0):
        assert abs(one.meant - 523) < 3


def test_the_table_can_be_extended() -> None:
    doubled = SlipKind("doubled", lengths=True, angles=False, meant=lambda written: (written.value / 2,))
    found = explanations(1036.0, angle=False, predicted=518.0, sigma=1.0, kinds=(*SLIP_KINDS, doubled))
    assert (found[0].slip, found[0].meant) == ("doubled", 518.0)
    assert not explanations(30.0, angle=True, predicted=15.0, sigma=1.0, kinds=(doubled,))


@given(st.integers(100, 999), st.sampled_from([kind for kind in SLIP_KINDS if kind.lengths]))
def test_what_is_meant_by_what_was_meant_holds_what_was_written(value: int, kind: SlipKind) -> None:
    # Swapping, misreading, changing units and offsets all go both ways.
    (written,) = [one for one in numerals(float(value), angle=False) if one.unit == "mm"]
    for meant in kind.meant(written):
        if kind.name == "one digit misread" and meant < 100:
            continue
        back = [other for one in numerals(meant, angle=False) for other in kind.meant(one)]
        assert any(other == pytest.approx(value) for other in back)


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (523.0, [("mm", "523", 0.0)]),
        (523.5, [("mm", "523.5", 0.0)]),
        (500.0, [("mm", "500", 0.0)]),
        ((17 + 9 / 16) * 25.4, [("in", "17", 9 / 16)]),
        (17.123 * 25.4, [("in", "17.123", 0.0)]),
        # 20 inches are 508 mm: it may have been written either way.
        (508.0, [("mm", "508", 0.0), ("in", "20", 0.0)]),
        (17.5 * 25.4, [("mm", "444.5", 0.0), ("in", "17", 0.5), ("in", "17.5", 0.0)]),
        (math.pi * 100, [("mm", "314.16", 0.0)]),
    ],
)
def test_how_a_length_was_written(value: float, expected: list[tuple[str, str, float]]) -> None:
    found = numerals(value, angle=False)
    assert [(one.unit, one.digits) for one in found] == [(unit, digits) for unit, digits, _ in expected]
    assert [one.fraction for one in found] == pytest.approx([fraction for _, _, fraction in expected])


def test_how_an_angle_was_written() -> None:
    assert numerals(57.0, angle=True) == (Numeral(57.0, "deg", "57"),)
    assert numerals(40.85, angle=True)[0].digits == "40.85"
