"""`opening.chart`: the opening from a geometry chart."""

from __future__ import annotations

import cmath
import math
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import shapely
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from oaktag.geometry import Point
from oaktag.pattern import Draft, Finding
from oaktag_plugins.opening_chart import ChartOptions, run
from oaktag_plugins.sources.bicycle_chart import ChartError, effective_top_tube, inner_corners
from oaktag_plugins.sources.chart_check import contradiction

if TYPE_CHECKING:
    from tests.plugins import openings
else:
    openings = SimpleNamespace(**run_path(str(Path(__file__).with_name("openings.py"))))

SETTINGS = settings(deadline=None, derandomize=True, max_examples=80)

TRIANGLE = ("top-tube", "down-tube", "seat-tube")
QUADRILATERAL = ("top-tube", "head-tube", "down-tube", "seat-tube")
FOUR_CORNERS = ("seat", "head-top", "head-bottom", "bottom-bracket")

# One size of a chart that was published with all of this, in `tests/standards/test_geometry_charts.py`.
CHART: dict[str, Any] = {
    "stack": 573.63,
    "reach": 390.08,
    "seat-angle": 73.5,
    "head-angle": 71.0,
    "head-tube": 147,
    "seat-tube-centre-to-centre": 498,
    "top-tube-below-head-top": 33,
    "down-tube-above-head-bottom": 36,
    "diameters": {"top-tube": 34.9, "down-tube": 38.1, "seat-tube": 31.8, "head-tube": 44},
}
CHECKS: dict[str, Any] = {
    "effective-top-tube": 560,
    "chainstay": 425,
    "bottom-bracket-drop": 65,
    "fork-rake": 45,
    "fork-length": 396,
    "lower-stack": 13,
    "front-centre": 616.25,
    "wheelbase": 1032.81,
}


def draft_of(table: dict[str, Any], tubes: tuple[str, ...] = QUADRILATERAL, unit: str = "mm") -> Draft:
    corners = FOUR_CORNERS if len(tubes) == 4 else openings.CORNERS
    return openings.sourced("chart", table, corners=corners, tubes=tubes, unit=unit)


def made(table: dict[str, Any], tubes: tuple[str, ...] = QUADRILATERAL, unit: str = "mm") -> Draft:
    return run(draft_of(table, tubes, unit), ChartOptions())


def without(table: dict[str, Any], *names: str) -> dict[str, Any]:
    return {name: value for name, value in table.items() if name not in names}


def found(draft: Draft, code: str) -> list[Finding]:
    return [finding for finding in draft.findings if finding.code == code]


def values_of(table: dict[str, Any]) -> dict[str, float]:
    flat = {name: value for name, value in table.items() if name != "diameters"}
    return flat | {f"diameters.{name}": value for name, value in table["diameters"].items()}


# ------------------------------------------------------------------------------------------------- geometry


def hole(values: dict[str, float], tubes: tuple[str, ...]) -> tuple[Point, ...]:
    """The opening as what is left between bars: each axis a bar as wide as its tube and very long."""
    seat = cmath.rect(1.0, math.pi - math.radians(values["seat-angle"]))
    head = cmath.rect(1.0, -math.radians(values["head-angle"]))
    top = complex(values["reach"], values["stack"])
    bottom = top + head * values["head-tube"]
    joint = seat * values["seat-tube-centre-to-centre"]
    under, over = (
        top + head * values["top-tube-below-head-top"],
        bottom - head * values["down-tube-above-head-bottom"],
    )
    ends = {
        "top-tube": (joint, under),
        "head-tube": (top, bottom),
        "down-tube": (over, 0j),
        "seat-tube": (0j, joint),
    }
    bars = []
    for tube in tubes:
        start, end = ends[tube]
        ahead = 3000.0 * (end - start) / abs(end - start)
        line = [((start - ahead).real, (start - ahead).imag), ((end + ahead).real, (end + ahead).imag)]
        bars.append(shapely.LineString(line).buffer(values[f"diameters.{tube}"] / 2.0, cap_style="flat"))
    inside = (joint + under + over + 0j) / 4.0
    around = shapely.box(-2900.0, -2900.0, 2900.0, 2900.0).difference(shapely.union_all(bars))
    (face,) = (
        part for part in shapely.get_parts(around) if part.contains(shapely.Point(inside.real, inside.imag))
    )
    return tuple(face.exterior.coords)


CHARTS = st.fixed_dictionaries(
    {
        "reach": st.floats(350.0, 480.0),
        "stack": st.floats(520.0, 680.0),
        "seat-angle": st.floats(70.0, 78.0),
        "head-angle": st.floats(64.0, 74.0),
        "head-tube": st.floats(95.0, 220.0),
        "seat-tube-centre-to-centre": st.floats(380.0, 560.0),
        "top-tube-below-head-top": st.floats(25.0, 45.0),
        "down-tube-above-head-bottom": st.floats(25.0, 45.0),
        "diameters": st.fixed_dictionaries(
            {tube: st.floats(25.0, 50.0) for tube in ("top-tube", "down-tube", "seat-tube", "head-tube")}
        ),
    }
)


@given(CHARTS, st.sampled_from([TRIANGLE, QUADRILATERAL]))
@SETTINGS
def test_corners_are_those_of_the_hole_between_the_tubes(
    table: dict[str, Any], tubes: tuple[str, ...]
) -> None:
    values = values_of(table)
    try:
        corners = inner_corners(values, tubes)
    except ChartError:
        assume(False)
    shape = shapely.Polygon(corners)
    assume(shape.is_valid and not shape.exterior.is_ccw)
    between = shapely.Polygon(hole(values, tubes))
    # The head tube may swallow its own side; then the hole between four bars is a triangle.
    assume(tubes == TRIANGLE or len(between.exterior.coords) == 5)
    assert shape.symmetric_difference(between).area < 1e-4
    openings.check_shape(made(table, tubes), corners)


def test_an_upright_frame_by_hand() -> None:
    # Level top tube, axes 500 mm up, seat and head angles of 60°: everything from tan 60° = √3.
    root = math.sqrt(3.0)
    table = {
        "stack": 500 + 20 * root / 2,
        "reach": 300,
        "seat-angle": 60,
        "head-angle": 60,
        "head-tube": 120,
        "seat-tube-centre-to-centre": 1000 / root,
        "top-tube-below-head-top": 20,
        "down-tube-above-head-bottom": 40,
        "diameters": {"top-tube": 30, "down-tube": 40, "seat-tube": 36, "head-tube": 44},
    }
    seat, head_top, *_ = inner_corners(values_of(table), QUADRILATERAL)
    # The top tube's underside is 485 up; the seat tube's axis is −485/√3 there, its front 18 / sin 60° ahead.
    assert seat == pytest.approx((-485 / root + 36 / root, 485.0))
    assert head_top == pytest.approx((310 + 15 / root - 44 / root, 485.0))


@pytest.mark.parametrize("first", range(4))
def test_the_opening_may_begin_at_any_corner(first: int) -> None:
    tubes = (*QUADRILATERAL[first:], *QUADRILATERAL[:first])
    corners = inner_corners(values_of(CHART), QUADRILATERAL)
    openings.check_shape(made(CHART, tubes), (*corners[first:], *corners[:first]))


def test_centre_to_top_is_centre_to_centre_and_what_stands_above() -> None:
    table = without(CHART, "seat-tube-centre-to-centre")
    after = made({**table, "seat-tube-centre-to-top": 550, "top-tube-below-seat-top": 52})
    openings.check_shape(after, inner_corners(values_of(CHART), QUADRILATERAL))


def test_a_seat_tube_ahead_of_the_bottom_bracket_shifts_its_side_only() -> None:
    plain = inner_corners(values_of(CHART), QUADRILATERAL)
    ahead = inner_corners({**values_of(CHART), "seat-tube-offset": 20.0}, QUADRILATERAL)
    assert ahead[1:3] != plain[1:3]  # the top tube turns with its end
    slope = math.tan(math.radians(73.5))
    for (x, y), shift in ((plain[3], 0.0), (ahead[3], 20.0), (plain[0], 0.0), (ahead[0], 20.0)):
        # On the line through the seat tube's front: its axis moved by half the diameter, square to it.
        assert x + y / slope == pytest.approx(shift + 15.9 / math.sin(math.radians(73.5)))
    # The effective top tube ends at that axis.
    values = values_of(CHART)
    assert effective_top_tube({**values, "seat-tube-offset": 20.0}) == effective_top_tube(values) - 20.0


def test_tubes_that_meet_nowhere_are_an_error() -> None:
    # The top tube joins the seat tube so low that its axis runs along the down tube's.
    values = values_of(CHART)
    seat = cmath.rect(1.0, math.pi - math.radians(values["seat-angle"]))
    head = cmath.rect(1.0, -math.radians(values["head-angle"]))
    apart = values["head-tube"] - values["top-tube-below-head-top"] - values["down-tube-above-head-bottom"]
    over = complex(values["reach"], values["stack"]) + head * (values["top-tube-below-head-top"] + apart)
    values["seat-tube-centre-to-centre"] = (
        -apart * (head.conjugate() * over).imag / (seat.conjugate() * over).imag
    )
    with pytest.raises(ChartError, match="parallel"):
        inner_corners(values, TRIANGLE)


# --------------------------------------------------------------------------------------------------- accuracy


@pytest.mark.parametrize("tubes", [TRIANGLE, QUADRILATERAL])
def test_stated_uncertainties_are_those_of_many_trials(tubes: tuple[str, ...]) -> None:
    # Rounded to 1 mm and 0.1°, built to ±1 mm and ±0.25°, all rectangular; a caliper of 0.2 mm; one own.
    sigma = dict.fromkeys(values_of(CHART), math.sqrt(1.0 / 12.0 + 1.0 / 3.0))
    sigma |= {"seat-angle": math.sqrt(0.01 / 12.0 + 0.0625 / 3.0)}
    sigma |= {"head-angle": sigma["seat-angle"], "top-tube-below-head-top": 2.0}
    sigma |= {name: 0.2 for name in sigma if name.startswith("diameters.")}
    random = np.random.default_rng(11)
    trials = [
        {
            name: value + sigma[name] * step
            for (name, value), step in zip(values_of(CHART).items(), row, strict=True)
        }
        for row in random.normal(size=(12_000, len(sigma)))
    ]
    samples = np.array([inner_corners(values, tubes) for values in trials])
    table = {**CHART, "top-tube-below-head-top": {"value": 33, "sigma": 2}}
    openings.check_covariance(made(table, tubes), samples, share=0.05)


def test_roundings_and_tolerances_are_the_charts_own() -> None:
    def sigma(**table: Any) -> float:
        survey = made({**CHART, **table}).survey
        assert survey is not None
        return survey.perimeter.sigma

    kinds = ("length-rounding", "angle-rounding", "length-tolerance", "angle-tolerance")
    exact = dict.fromkeys(kinds, 0)
    assert sigma(**{**exact, "diameters": CHART["diameters"]}) < 0.5 < sigma()
    for kind in kinds:
        assert sigma(**{**exact, kind: 0.5}) > sigma(**exact)


def test_what_the_chart_does_not_say_is_assumed_and_counts_as_poorly_known() -> None:
    table = without(
        CHART, "seat-tube-centre-to-centre", "top-tube-below-head-top", "down-tube-above-head-bottom"
    )
    after = made({**table, "seat-tube-centre-to-top": 545.45})
    (finding,) = found(after, "chart-assumed")
    assert finding.level == "note"
    # 30 mm of the seat tube above the top tube, 15 mm of the head tube beyond either: plus half the tubes.
    for text in (
        "top-tube-below-seat-top 47 mm",
        "top-tube-below-head-top 32 mm",
        "down-tube-above-head-bottom 34 mm",
    ):
        assert text in finding.message
    values = values_of(CHART) | {
        "seat-tube-centre-to-centre": 545.45 - 47.45,
        "top-tube-below-head-top": 32.45,
        "down-tube-above-head-bottom": 34.05,
    }
    openings.check_shape(after, inner_corners(values, QUADRILATERAL))
    known = made(CHART)
    assert after.survey is not None
    assert known.survey is not None
    assert not found(known, "chart-assumed")
    assert after.survey.lengths[3].sigma > 10.0 > 2.0 > known.survey.lengths[3].sigma


def test_it_reads_a_chart_in_centimetres_on_a_sheet_in_inches(tmp_path: Path) -> None:
    text = """
        unit = "in"
        corners = ["seat", "head-top", "head-bottom", "bottom-bracket"]
        tubes = ["top-tube", "head-tube", "down-tube", "seat-tube"]
        [sources.chart]
        unit = "cm"
        stack = 57.363
        reach = "390.08 mm"
        seat-angle = "73.5 deg"
        head-angle = 71
        head-tube = 14.7
        seat-tube-centre-to-centre = { value = 49.8, sigma = 0.2 }
        top-tube-below-head-top = 3.3
        down-tube-above-head-bottom = 3.6
        diameters = { top-tube = 3.49, down-tube = 3.81, seat-tube = 3.18, head-tube = 4.4 }
    """
    after = run(openings.sheet(tmp_path, text), ChartOptions())
    openings.check_shape(after, inner_corners(values_of(CHART), QUADRILATERAL))


# -------------------------------------------------------------------------------------------------- the check


def test_a_chart_that_agrees_says_nothing() -> None:
    assert openings.codes(made({**CHART, **CHECKS})) == [("warning", "opening-estimated")]


@pytest.mark.parametrize(
    ("wrong", "level", "where", "parts"),
    [
        # Two conditions share the reach: it alone settles both.
        (
            {"reach": 380.08},
            "error",
            "sources.chart.reach",
            [
                "effective-top-tube 550 mm where it says 560 mm (10.0 mm more)",
                "reach 390.1 mm instead of 380.1 mm",
            ],
        ),
        (
            {"head-angle": 69},
            "error",
            "sources.chart",
            [
                "front-centre 636.9 mm where it says 616.2 mm",
                "head-angle 71° instead of 69°",
                "fork-rake 25.7 mm",
            ],
        ),
        # Only the effective top tube fails: it, or the seat angle, which nothing else checks.
        (
            {"seat-angle": 75.3},
            "error",
            "sources.chart",
            [
                "seat-angle 73.5° instead of 75.3° (swapped digits: 73.5°?)",
                "effective-top-tube 540.6 mm instead of",
            ],
        ),
        # The opening knows nothing of chainstays.
        (
            {"chainstay": 452},
            "warning",
            "sources.chart",
            ["chainstay 425 mm instead of 452 mm (swapped digits: 425 mm?)", "doesn't depend on it"],
        ),
        (
            {"head-tube": 174},
            "error",
            "sources.chart",
            ["head-tube 147 mm instead of 174 mm (swapped digits: 147 mm?)"],
        ),
    ],
)
def test_a_chart_that_contradicts_itself_names_the_value(
    wrong: dict[str, Any], level: str, where: str, parts: list[str]
) -> None:
    (finding,) = found(made({**CHART, **CHECKS, **wrong}), "chart-inconsistent")
    assert (finding.level, finding.where) == (level, where)
    for part in parts:
        assert part in finding.message


def test_a_finer_chart_tells_apart_what_a_coarse_one_cannot() -> None:
    coarse = {**CHART, **CHECKS, "head-angle": 69}
    assert found(made(coarse), "chart-inconsistent")[0].where == "sources.chart"
    fine = {**coarse, "length-rounding": 0.3, "angle-rounding": 0.03}
    (finding,) = found(made(fine), "chart-inconsistent")
    assert finding.where == "sources.chart.head-angle"
    assert "fork-rake" not in finding.message


def test_the_value_that_would_settle_a_chart_settles_it() -> None:
    # Far from linear: with the seat angle 4.5° off, one step of Newton's method doesn't do.
    values = {"stack": 573.63, "reach": 390.08, "seat-angle": 69.0, "effective-top-tube": 560.0}
    wrong = contradiction(values, dict.fromkeys(values, 0.3))
    assert wrong is not None
    assert {one.name for one in wrong.culprits} == set(values)
    for culprit in wrong.culprits:
        settled = values | {culprit.name: culprit.implied}
        assert effective_top_tube(settled) == pytest.approx(settled["effective-top-tube"], abs=1e-6)


def test_two_wrong_values_are_not_laid_at_one_door() -> None:
    wrong = {**CHART, **CHECKS, "effective-top-tube": 580, "wheelbase": 1000}
    (finding,) = found(made(wrong), "chart-inconsistent")
    assert (finding.level, finding.where) == ("error", "sources.chart")
    assert "No single value explains it" in finding.message


def test_a_headset_that_nobody_makes_is_seen_without_its_height() -> None:
    plain = without({**CHART, **CHECKS}, "lower-stack")
    assert not found(made(plain), "chart-inconsistent")
    (finding,) = found(made({**plain, "head-tube": 117}), "chart-inconsistent")
    assert "lower-stack 43 mm where about 8 mm is usual" in finding.message
    assert "head-tube" in finding.message
    # It isn't the chart's, so it can't be wrong in it.
    assert "lower-stack" not in finding.message.partition("settle it")[2]


def test_roundings_are_no_contradiction_but_more_is() -> None:
    near = {**CHART, "effective-top-tube": 561}
    assert not found(made(near), "chart-inconsistent")
    assert found(made({**near, "effective-top-tube": 563}), "chart-inconsistent")
    assert found(made({**near, "length-rounding": 0.01, "angle-rounding": 0}), "chart-inconsistent")


def test_a_chart_without_anything_to_check_is_reported() -> None:
    (finding,) = found(made(CHART), "chart-unchecked")
    assert (finding.level, finding.where) == ("warning", "sources.chart")
    (idle,) = found(
        made({**CHART, "effective-top-tube": 560, "wheelbase": 1033, "fork-rake": 45}), "chart-unchecked"
    )
    assert (idle.level, idle.where) == ("note", "sources.chart.wheelbase")
    assert "bottom-bracket-drop, chainstay" in idle.message


# ------------------------------------------------------------------------------------------ corners, refusals


def test_a_head_tube_that_cuts_off_the_corner_is_reported() -> None:
    (finding,) = found(made(CHART, TRIANGLE), "chart-head-side")
    corners = inner_corners(values_of(CHART), QUADRILATERAL)
    assert (finding.level, finding.where) == ("warning", "head")
    assert f"{math.dist(corners[1], corners[2]):.0f} mm" in finding.message
    # Low down on a short head tube, under stout tubes, nothing is left of its side.
    stout = {**CHART, "head-tube": 80, "diameters": {**CHART["diameters"], "top-tube": 60, "down-tube": 75}}
    assert not found(made(stout, TRIANGLE), "chart-head-side")
    said = openings.refusal(lambda: made(stout), "sources.chart.head-tube")
    assert "top-tube, down-tube, seat-tube" in said.valid


def test_a_shell_that_stands_out_into_the_corner_is_reported() -> None:
    apart = math.hypot(*inner_corners(values_of(CHART), QUADRILATERAL)[3])

    def with_shell(diameter: float) -> list[Finding]:
        diameters = {**CHART["diameters"], "bottom-bracket-shell": diameter}
        return found(made({**CHART, "diameters": diameters}), "chart-shell")

    assert not with_shell(2.0 * apart - 0.1)
    (finding,) = with_shell(2.0 * apart + 6.0)
    assert (finding.level, finding.where) == ("warning", "bottom-bracket")
    assert "by 3.0 mm" in finding.message


@pytest.mark.parametrize(
    ("change", "key", "part"),
    [
        ({"seat-tube-centre-to-top": 545}, "sources.chart", "once"),
        ({"top-tube-below-seat-top": 45}, "sources.chart", "says twice"),
        ({"seat-angle": 17}, "sources.chart.seat-angle", "too small"),
        ({"stack": -5}, "sources.chart.stack", "too small"),
        ({"reech": 5}, "sources.chart.reech", "unknown key"),
        ({"reach": {"value": 390, "sigma": 0}}, "sources.chart.reach.sigma", "too small"),
        ({"diameters": {"top-tube": 30, "seat-tube": 30}}, "sources.chart.diameters.down-tube", "missing"),
        (
            {"diameters": without(CHART["diameters"], "head-tube")},
            "sources.chart.diameters.head-tube",
            "missing",
        ),
        ({"head-tube": 60}, "sources.chart.head-tube", "too short"),
        ({**CHECKS, "chainstay": 60}, "sources.chart.chainstay", "shorter than bottom-bracket-drop"),
        ({**CHECKS, "fork-length": 40}, "sources.chart.fork-length", "shorter than fork-rake"),
        ({"seat-tube-centre-to-centre": 20}, "sources.chart", "cross"),
    ],
)
def test_charts_of_no_bicycle_are_refused(change: dict[str, Any], key: str, part: str) -> None:
    assert part in openings.refusal(lambda: made({**CHART, **change}), key).reason


def test_a_seat_tube_shorter_than_what_stands_above_is_refused() -> None:
    table = without(CHART, "seat-tube-centre-to-centre")
    wrong = {**table, "seat-tube-centre-to-top": 45, "top-tube-below-seat-top": 50}
    said = openings.refusal(lambda: made(wrong), "sources.chart.top-tube-below-seat-top")
    assert "45 mm" in said.valid


@pytest.mark.parametrize(
    "tubes",
    [("top-tube", "seat-tube", "down-tube"), ("top-tube", "fork", "down-tube", "seat-tube")],
)
def test_other_tubes_than_a_diamond_frames_are_refused(tubes: tuple[str, ...]) -> None:
    said = openings.refusal(lambda: made(CHART, tubes), "tubes")
    assert "top-tube, head-tube, down-tube, seat-tube" in said.valid
