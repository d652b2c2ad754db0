"""Worked numbers of the stages, put into a pocket calculator to the last digit."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from runpy import run_path as run_file
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from oaktag import Draft, Refusal
from oaktag.pattern import Bow, Frame, Place, Provenance, Reading, ReadingKind, Term, Working, WorkingSheet
from oaktag_plugins import (
    body_half,
    body_two,
    liner_full,
    measure_reconcile,
    measure_volume,
    stiffener_panel,
    zipper_panel,
)
from oaktag_plugins.surveying.worked_opening import opening_workings

if TYPE_CHECKING:
    from tests import formulas
    from tests.plugins import drafts
else:
    drafts = SimpleNamespace(**run_file(str(Path(__file__).with_name("drafts.py"))))
    formulas = SimpleNamespace(**run_file(str(Path(__file__).parents[1] / "formulas.py")))

SETTINGS = settings(deadline=None, derandomize=True, max_examples=60)
EXACT = 1e-5  # mm or degrees; terms with twelve decimals


def proved(draft: Draft) -> Draft:
    """The draft, whose workings all come out and go back to what is there."""
    for working in draft.workings:
        found = formulas.by_hand(working, decimals=12)
        assert abs(found - working.value) <= EXACT, (working, found)
        assert formulas.wrong(working, tolerance=0.05) == ""
    assert formulas.unfounded(draft) == []
    return draft


def named(draft: Draft, name: str) -> Working:
    (found,) = (working for working in draft.workings if working.name == name)
    return found


# The calculator of the tests


@pytest.mark.parametrize(
    ("formula", "value"),
    [
        ("2 + 3 · 4 − 6 / 3", 12.0),
        ("8 / 4 / 2", 1.0),
        ("10 − 4 − 3", 3.0),
        ("sqrt(a · a + b · b)", 5.0),
        ("sin(30) + cos(60) + tan(45)", 2.0),
        ("acos(0) + asin(1)", 180.0),
        ("2 · (a − (b − 3))", 4.0),
        ("π", math.pi),
    ],
)
def test_the_calculator_knows_school_arithmetic(formula: str, value: float) -> None:
    assert formulas.evaluate(formula, {"a": 3.0, "b": 4.0}) == pytest.approx(value)


@pytest.mark.parametrize("formula", ["a +", "(a", "a b", "sin a", "c · 2", "a ^ 2", "a * b", ")"])
def test_the_calculator_takes_nothing_else(formula: str) -> None:
    with pytest.raises(ValueError, match=re.escape(formula)):
        formulas.evaluate(formula, {"a": 3.0, "b": 4.0})


def test_a_wrong_working_is_seen() -> None:
    terms = (Term("r", 20.0, "mm", "corners.round: radius"), Term("θ", 60.0, "°", "corner"))
    good = Working("tangent", 34.641016, "mm", "r / tan(θ / 2)", terms)
    assert formulas.wrong(good) == ""
    for bad in (
        Working("tangent", 34.741016, "mm", good.formula, terms),
        Working("tangent", 34.641016, "mm", "r / tan(60 / 2)", terms),
        Working("tangent", 34.641016, "mm", good.formula, terms[::-1]),
        Working("tangent", 34.641016, "mm", good.formula, (Term("r", 20.0, "mm", ""), terms[1])),
    ):
        assert formulas.wrong(bad) != ""


# The sheet that stages write on


def test_a_number_goes_on_with_the_last_working_of_the_same_thing_and_value() -> None:
    sheet = WorkingSheet(())
    sheet.add("one", 10.0, "mm", "a", [Term("a", 10.0, "mm", "here")], "top-tube")
    sheet.add("two", 10.0, "mm", "a", [Term("a", 10.0, "mm", "here")], "top-tube")
    assert sheet.term("L", 10.0, "mm", "else", "top-tube").source == "working: two"
    assert sheet.term("L", 10.0, "mm", "else", "seat-tube", "top-tube").source == "working: two"
    # What has changed since isn't what was worked out, nor is the same number of another unit or thing.
    assert sheet.term("L", 10.1, "mm", "else", "top-tube").source == "else"
    assert sheet.term("L", 10.0, "°", "else", "top-tube").source == "else"
    assert sheet.term("L", 10.0, "mm", "else", "seat-tube").source == "else"
    later = WorkingSheet(sheet.new)
    assert later.source(10.0, "mm", "top-tube") == "working: two"
    later.add("two", 1.0, "mm", "a", [Term("a", 1.0, "mm", "here")])
    later.add("two", 2.0, "mm", "a", [Term("a", 2.0, "mm", "here")])
    assert [working.name for working in later.new] == ["two (2)", "two (3)"]


# Readings

CORNERS, TUBES = ("seat", "head", "bottom-bracket"), ("top-tube", "down-tube", "seat-tube")


def reconciled(
    readings: Sequence[tuple[ReadingKind, str, float]],
    corners: tuple[str, ...] = CORNERS,
    tubes: tuple[str, ...] = TUBES,
    bows: tuple[Bow, ...] = (),
) -> Draft:
    """A frame's readings, adjusted, with what was worked out."""
    made = tuple(
        Reading(kind, of, value, 0.3 if kind == "angle" else 1.0, "tape", f"{kind}s.{of}[{index}]")
        for index, (kind, of, value) in enumerate(readings)
    )
    frame = Frame("Demo", corners, tubes, made, bows=bows)
    return measure_reconcile.run(
        Draft(frame, Provenance("demo"), Provenance("test")), measure_reconcile.ReconcileOptions()
    )


@pytest.mark.parametrize(
    ("readings", "formula"),
    [
        ([("length", "top-tube", 500), ("length", "down-tube", 600), ("length", "seat-tube", 400)], "acos"),
        ([("length", "top-tube", 500), ("angle", "seat", 75), ("length", "seat-tube", 400)], "cos(θ)"),
        ([("length", "top-tube", 500), ("angle", "seat", 75), ("angle", "head", 45)], "sin(β) / sin(α)"),
        ([("length", "top-tube", 500), ("angle", "seat", 75), ("angle", "bottom-bracket", 60)], "180 − α1"),
        ([("length", "top-tube", 400), ("angle", "seat", 75), ("length", "down-tube", 600)], "asin"),
    ],
)  # fmt: skip
def test_a_triangle_without_spare_readings_is_solved_by_its_rules(
    readings: list[tuple[ReadingKind, str, float]], formula: str
) -> None:
    draft = proved(reconciled(readings))
    assert {w.about for w in draft.workings} >= {*CORNERS, *TUBES}
    assert any(formula in working.formula for working in draft.workings)
    assert not any(term.source.startswith("measure.reconcile") for w in draft.workings for term in w.terms)


def test_of_two_angles_with_one_sine_that_of_the_shape_is_worked_out() -> None:
    whole = reconciled(
        [("length", "top-tube", 300), ("length", "down-tube", 520), ("length", "seat-tube", 400)]
    )
    assert whole.survey is not None
    assert whole.opening is not None
    angles = {angle.of: angle.value for angle in whole.survey.angles}
    assert angles["seat"] > 90.0
    readings = (
        Reading("length", "top-tube", 300.0, 1.0, "tape", "lengths.top-tube"),
        Reading("length", "down-tube", 520.0, 1.0, "tape", "lengths.down-tube"),
        Reading("angle", "bottom-bracket", angles["bottom-bracket"], 0.3, "gauge", "angles.bottom-bracket"),
    )
    frame = replace(whole.frame, readings=readings)
    workings = opening_workings((), frame, whole.survey, whole.opening, ())
    proved(whole.evolve(frame=frame, workings=workings))
    (seat,) = (working for working in workings if working.about == "seat")
    assert (seat.value, seat.formula) == (angles["seat"], "180 − asin(b · sin(α) / a)")


@pytest.mark.parametrize("rise", [9.0, -14.0])
def test_a_bow_with_one_rise_is_an_arc_with_a_formula(rise: float) -> None:
    lengths: list[tuple[ReadingKind, str, float]] = [
        ("length", "top-tube", 500), ("length", "down-tube", 600), ("length", "seat-tube", 400),
    ]  # fmt: skip
    draft = reconciled(
        lengths, bows=(Bow("down-tube", ((Place("down-tube", 0.5), rise),), "bows.down-tube"),)
    )
    proved(draft)
    along = named(draft, "down-tube, along its bow")
    assert draft.opening is not None
    assert along.value == draft.opening.edge("down-tube").path.length
    assert 600.0 < along.value < 602.0
    aside = Bow("down-tube", ((Place("down-tube", 0.3), rise),), "bows.down-tube")
    names = [working.name for working in proved(reconciled(lengths, bows=(aside,))).workings]
    assert not any("bow" in name or "radius" in name for name in names)


def test_spare_readings_have_their_mean_and_a_correction_by_least_squares() -> None:
    lengths: list[tuple[ReadingKind, str, float]] = [
        ("length", "top-tube", 500.0), ("length", "top-tube", 502.0), ("length", "down-tube", 600.0),
        ("length", "seat-tube", 400.0), ("angle", "seat", 83.0),
    ]  # fmt: skip
    draft = proved(reconciled(lengths))
    mean = named(draft, "top-tube, mean of the readings")
    assert (mean.value, mean.formula) == (501.0, "(r1 + r2) / 2")
    top = named(draft, "top-tube, corner to corner")
    assert top.formula == "m + v"
    assert [term.source for term in top.terms] == [
        "working: top-tube, mean of the readings",
        "measure.reconcile: correction, from least squares",
    ]
    assert draft.survey is not None
    assert top.value == draft.survey.lengths[0].value


def test_readings_of_different_instruments_are_weighted() -> None:
    readings = (
        Reading("length", "top-tube", 500.0, 1.0, "tape", "lengths.top-tube[0]"),
        Reading("length", "top-tube", 503.0, 0.5, "rule", "lengths.top-tube[1]"),
        Reading("length", "down-tube", 600.0, 1.0, "tape", "lengths.down-tube"),
        Reading("length", "seat-tube", 400.0, 1.0, "tape", "lengths.seat-tube[0]"),
        Reading("length", "seat-tube", 480.0, 1.0, "tape", "lengths.seat-tube[1]", "tape kinked"),
    )
    draft = Draft(Frame("Demo", CORNERS, TUBES, readings), Provenance("demo"), Provenance("test"))
    draft = proved(measure_reconcile.run(draft, measure_reconcile.ReconcileOptions()))
    # (1 · 500 + 4 · 503) / 5
    assert named(draft, "top-tube, mean of the readings").value == pytest.approx(502.4)
    # What the maker left out is put in nowhere.
    sources = [term.source for working in draft.workings for term in working.terms]
    assert not any("seat-tube[1]" in source for source in sources)
    assert any("seat-tube[0]" in source for source in sources)


def test_a_suspect_reading_is_put_in_nowhere() -> None:
    slip: list[tuple[ReadingKind, str, float]] = [
        ("length", "top-tube", 532.0), ("length", "down-tube", 604.0), ("length", "seat-tube", 402.0),
        ("angle", "seat", 80.28), ("angle", "head", 41.0), ("angle", "bottom-bracket", 58.6),
    ]  # fmt: skip
    draft = proved(reconciled(slip))
    assert "reading-suspect" in [finding.code for finding in draft.findings]
    sources = [term.source for working in draft.workings for term in working.terms]
    assert not any(source.startswith("reading: lengths.top-tube") for source in sources)
    assert {w.about for w in draft.workings} >= {*CORNERS, *TUBES}


QUADRILATERAL = ("seat", "head-top", "head-bottom", "bottom-bracket")
FOUR_TUBES = ("top-tube", "head-tube", "down-tube", "seat-tube")


@pytest.mark.parametrize("bottom", [(470.0, 290.0), (260.0, 290.0)], ids=["convex", "hollow"])
@pytest.mark.parametrize("with_diagonals", [True, False])
def test_a_quadrilateral_is_worked_out_from_diagonals_angles_or_coordinates(
    bottom: tuple[float, float], with_diagonals: bool
) -> None:
    points = [(-120.0, 400.0), (430.0, 390.0), bottom, (0.0, 0.0)]

    def apart(first: int, second: int) -> float:
        return math.dist(points[first], points[second])

    readings: list[tuple[ReadingKind, str, float]] = [
        ("length", tube, apart(index, (index + 1) % 4)) for index, tube in enumerate(FOUR_TUBES[:3])
    ]
    if with_diagonals:
        readings += [
            ("diagonal", "head-bottom to seat", apart(0, 2)),
            ("diagonal", "bottom-bracket to head-top", apart(1, 3)),
            # Without it the shape without a hollow corner would be taken.
            ("angle", "bottom-bracket", drafts.interior_angle(points, 3)),
        ]
    else:
        readings += [
            ("angle", "head-top", drafts.interior_angle(points, 1)),
            ("angle", "head-bottom", drafts.interior_angle(points, 2)),
        ]
    draft = proved(reconciled(readings, QUADRILATERAL, FOUR_TUBES))
    assert {w.about for w in draft.workings} >= {*QUADRILATERAL, *FOUR_TUBES}
    assert any("x2 − x1" in working.formula for working in draft.workings)
    assert named(draft, "seat-tube, corner to corner").value == pytest.approx(apart(3, 0), abs=1e-6)


# The outline and the gusset


@st.composite
def bags(draw: st.DrawFn) -> Draft:
    """Fit samples in random triangles and quadrilaterals, hollow ones among them."""
    gap = draw(st.floats(0.0, 15.0))
    names = CORNERS
    if draw(st.booleans()):
        widths = [
            (tube, at, draw(st.floats(30.0, 60.0))) for tube in TUBES for at in ((0.0, 1.0), (0.5,))[
                draw(st.booleans())
            ]
        ]  # fmt: skip
        draft = drafts.triangle(
            draw(st.floats(300.0, 420.0)), draw(st.floats(480.0, 640.0)), draw(st.floats(45.0, 65.0)), widths
        )
    else:
        names = QUADRILATERAL
        x, y = draw(st.floats(220.0, 480.0)), draw(st.floats(200.0, 310.0))
        widths = [(tube, at, draw(st.floats(40.0, 50.0))) for tube in FOUR_TUBES for at in (0.0, 1.0)]
        draft = drafts.polygon(
            [(-120.0, 400.0), (430.0, 390.0), (x, y), (0.0, 0.0)], widths, corners=names, tubes=FOUR_TUBES
        )
    radius: dict[str, Any] = {name: draw(st.floats(11.0, 30.0)) for name in names}
    between = draw(st.sampled_from(["held", "linear"]))
    try:
        made: Draft = drafts.allowed(
            drafts.wrapped(draft, gap, radius, between=between, add=draw(st.sampled_from([0.0, 3.5]))),
            draw(st.sampled_from([8.0, 10.0])),
        )
    except Refusal:
        assume(False)
    return made


@SETTINGS
@given(bags())
def test_every_run_of_a_bag_between_straight_tubes_is_worked_out(draft: Draft) -> None:
    proved(draft)
    assert formulas.unworked(draft) == []
    panel = draft.piece("side-panel-drive")
    cut = [working for working in draft.workings if working.about == "side-panel-drive cut line"]
    # A round that bends outwards has no such rule: the allowance may be more than its radius.
    bulges = any(corner.angle > 180.0 for corner in draft.opening.corners) if draft.opening else True
    assert [working.value for working in cut] == ([] if bulges else [panel.outline.length])


def test_a_run_between_gaps_is_what_a_drawing_gives() -> None:
    draft = proved(drafts.rounded(drafts.triangle(400.0, 600.0, 55.0), {"default": 5.0, "down-tube": 12.0}))
    taken = named(draft, "seat-tube: taken off at bottom-bracket")
    # A point 5 mm beside the one and 12 mm beside the other of two lines at 55°.
    assert taken.value == pytest.approx(
        (12.0 + 5.0 * math.cos(math.radians(55))) / math.sin(math.radians(55))
    )
    assert [(term.symbol, term.value) for term in taken.terms[:2]] == [("n", 12.0), ("g", 5.0)]


def test_along_a_bow_nothing_is_worked_out_that_has_no_formula() -> None:
    draft = drafts.triangle(400.0, 600.0, 55.0, sagittas={"down-tube": 10.0})
    draft = proved(drafts.allowed(drafts.wrapped(draft, 5.0)))
    abouts = {working.about for working in draft.workings}
    assert {"corner:seat", "side-panel", "gusset length"} <= abouts
    assert not {"down-tube", "corner:head", "corner:bottom-bracket"} & abouts
    total = next(working for working in draft.workings if working.about == "side-panel")
    assert "outline: down-tube, as drafted" in [term.source for term in total.terms]


def test_joins_leave_parts_of_runs() -> None:
    joins = [{"tube": "down-tube", "at": 0.4}, {"tube": "down-tube", "at": 0.6}]
    draft = proved(drafts.wrapped(drafts.triangle(400.0, 600.0, 55.0), 5.0, joins=joins))
    assert formulas.unworked(draft) == []
    short = named(draft, "gusset-1: sewn length")
    assert [term.source for term in short.terms] == ["gusset.wrap: down-tube, from or to a join"]
    assert len(named(draft, "gusset-2: sewn length").terms) == 7


# Bodies


@pytest.mark.parametrize("keep", ["upper", "lower"])
@pytest.mark.parametrize("gap", [0.0, 8.0])
def test_a_half_bag_beside_a_tube_is_worked_out(keep: str, gap: float) -> None:
    options = body_half.HalfOptions.model_validate(
        {"parallel-to": "top-tube", "distance": 130.0, "keep": keep, "gap": gap}
    )
    draft = drafts.outline_clear.run(drafts.triangle(400.0, 600.0, 55.0), drafts.outline_clear.ClearOptions())
    draft = proved(body_half.run(draft, options))
    abouts = {working.about for working in draft.workings}
    edge = "lower" if keep == "upper" else "upper"
    assert {edge, f"down-tube-{edge}" if keep == "upper" else f"seat-tube-{edge}"} <= abouts
    outline = draft.outline
    assert outline is not None
    for one in outline.edges:
        worked = formulas.about(draft.workings, one.name)
        assert worked.value == pytest.approx(one.length, abs=1e-9)


def test_two_bags_share_the_gap_or_have_the_ends_of_the_line() -> None:
    base = drafts.outline_clear.run(drafts.triangle(400.0, 600.0, 55.0), drafts.outline_clear.ClearOptions())
    beside = {"parallel-to": "top-tube", "distance": 130.0, "gap": 10.0}
    draft = proved(body_two.run(base, body_two.TwoOptions.model_validate(beside)))
    assert [named(draft, f"{name}: square to top-tube").value for name in ("upper-lower", "lower-upper")] == [
        125.0,
        135.0,
    ]
    across = {"from": {"tube": "seat-tube", "at": 0.5}, "to": {"tube": "down-tube", "at": 0.4}}
    draft = proved(body_two.run(base, body_two.TwoOptions.model_validate(across)))
    assert named(draft, "upper-lower, as it is cut").formula.startswith("sqrt")


# What is made of them


def test_layers_zippers_and_volumes() -> None:
    widths = [(tube, at, 46.0) for tube in TUBES for at in (0.0, 1.0)]
    draft = drafts.wrapped(drafts.triangle(400.0, 600.0, 55.0, widths), 5.0)
    draft = measure_volume.run(draft, measure_volume.VolumeOptions())
    volume = named(draft, "volume")
    assert draft.volume is not None
    assert volume.value == draft.volume
    draft = stiffener_panel.run(draft, stiffener_panel.StiffenerOptions())
    stiffener = named(draft, "stiffener-drive: all round")
    assert stiffener.value == pytest.approx(draft.piece("stiffener-drive").seam_line.length)
    draft = proved(liner_full.run(draft, liner_full.LinerOptions(thickness=4.0)))
    liner = named(draft, "liner: seam line all round")
    assert liner.terms[0].value - liner.value == pytest.approx(8.0 * math.pi)
    assert named(draft, "liner: corner:seat").value == draft.piece("liner-drive").edge("corner:seat").length
    zipped = {
        "name": "main", "zipper": "any", "tape-width": 30.0, "chain-width": 6.0, "consumed": 16.0,
        "parallel-to": "top-tube", "distance": 90.0, "start": 30.0, "end": 40.0,
    }  # fmt: skip
    draft = zipper_panel.run(
        drafts.wrapped(drafts.triangle(400.0, 600.0, 55.0, widths), 5.0),
        zipper_panel.PanelZipperOptions.model_validate(zipped),
    )
    draft = proved(draft)
    assert named(draft, "main: taken off either part").value == 8.0
    opening = named(draft, "main: length between the tabs")
    assert opening.formula == "c − a − b"


def test_a_gusset_that_tapers_has_no_volume_for_a_pocket_calculator() -> None:
    draft = drafts.wrapped(drafts.triangle(400.0, 600.0, 55.0), 5.0)
    draft = measure_volume.run(draft, measure_volume.VolumeOptions())
    assert draft.volume is not None
    assert not any(working.unit == "l" for working in draft.workings)
