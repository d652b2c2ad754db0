"""The stage that reconciles readings: what it adds to the draft, what it says, what it refuses."""

from __future__ import annotations

import math
from typing import Any

import pytest
from pydantic import ValidationError

from oaktag.pattern import Draft, Finding, Frame, Provenance, Reading, ReadingKind, Refusal
from oaktag_plugins.measure_reconcile import ReconcileOptions, oaktag_stages, run

TABLES: dict[str, ReadingKind] = {"lengths": "length", "diagonals": "diagonal", "angles": "angle"}
TRIANGLE = (("seat", "head", "bottom-bracket"), ("top-tube", "down-tube", "seat-tube"))
FOUR = (
    ("seat", "head", "crown", "bottom-bracket"),
    ("top-tube", "head-tube", "down-tube", "seat-tube"),
)
LENGTHS = {"seat-tube": 402, "top-tube": 518, "down-tube": 611}
ANGLES = {"bottom-bracket": 57.0, "head": 40.8}


def draft(
    names: tuple[tuple[str, ...], tuple[str, ...]] = TRIANGLE,
    sigmas: tuple[float, float] = (1.0, 0.3),
    **tables: Any,
) -> Draft:
    """A draft with a frame sheet's readings, one table per kind."""
    readings = []
    for table, kind in TABLES.items():
        for of, values in tables.get(table, {}).items():
            group = values if isinstance(values, list) else [values]
            for index, value in enumerate(group):
                key = f"{table}.{of}" + (f"[{index}]" if len(group) > 1 else "")
                instrument, sigma = ("angle-gauge", sigmas[1]) if kind == "angle" else ("tape", sigmas[0])
                readings.append(Reading(kind, of, float(value), sigma, instrument, key))
    return Draft(Frame("Demo", *names, tuple(readings)), Provenance("demo"), Provenance("trial"))


def reconciled(
    names: tuple[tuple[str, ...], tuple[str, ...]] = TRIANGLE,
    sigmas: tuple[float, float] = (1.0, 0.3),
    options: ReconcileOptions | None = None,
    **tables: Any,
) -> Draft:
    return run(draft(names, sigmas, **tables), options or ReconcileOptions())


def finding(result: Draft, code: str) -> Finding:
    (found,) = [one for one in result.findings if one.code == code]
    return found


def codes(result: Draft) -> list[str]:
    return [one.code for one in result.findings]


def refused(names: tuple[tuple[str, ...], tuple[str, ...]] = TRIANGLE, **tables: Any) -> Refusal:
    with pytest.raises(Refusal) as caught:
        run(draft(names, **tables), ReconcileOptions())
    refusal = caught.value
    assert refusal.source == "frame"
    for text in (refusal.reason, refusal.key, refusal.found, refusal.valid, refusal.todo):
        assert text
    return refusal


# ------------------------------------------------------------------------------------------ an honest sheet


def test_a_sheet_that_agrees_adds_survey_and_opening_and_says_nothing() -> None:
    result = reconciled(lengths=LENGTHS, angles=ANGLES)
    assert result.findings == ()
    survey, opening = result.survey, result.opening
    assert survey is not None
    assert opening is not None
    assert [one.of for one in survey.lengths] == list(TRIANGLE[1])
    assert [one.of for one in survey.angles] == list(TRIANGLE[0])
    assert survey.perimeter.value == pytest.approx(sum(one.value for one in survey.lengths))
    assert sum(one.value for one in survey.angles) == pytest.approx(180)
    assert survey.statistics.dof == 2
    assert survey.statistics.passed is True
    assert survey.statistics.critical == pytest.approx(5.9915, abs=1e-4)
    assert survey.statistics.chi_square == pytest.approx(
        sum((r.residual / r.sigma) ** 2 for r in survey.readings)
    )
    assert survey.statistics.variance_factor == pytest.approx(survey.statistics.chi_square / 2)
    assert sum(one.redundancy for one in survey.readings) == pytest.approx(2)
    assert [one.key for one in survey.readings] == [one.key for one in result.frame.readings]


def test_adjusted_values_are_readings_plus_residuals() -> None:
    survey = reconciled(lengths=LENGTHS, angles=ANGLES).survey
    assert survey is not None
    adjusted = {one.of: one.value for one in (*survey.lengths, *survey.angles)}
    for reading in survey.readings:
        assert reading.value + reading.residual == pytest.approx(adjusted[reading.of], abs=1e-9)
        assert reading.standardised == pytest.approx(
            reading.residual / (reading.sigma * math.sqrt(reading.redundancy))
        )


def test_opening_lies_the_right_way_up() -> None:
    result = reconciled(lengths=LENGTHS, angles=ANGLES)
    survey, opening = result.survey, result.opening
    assert survey is not None
    assert opening is not None
    seat, head, bottom = (opening.corner(name).point for name in TRIANGLE[0])
    assert bottom == (0.0, 0.0)
    assert head[1] == pytest.approx(seat[1])
    assert head[0] > seat[0]
    assert seat[1] > 0
    for edge, adjusted in zip(opening.edges, survey.lengths, strict=True):
        assert edge.path.length == pytest.approx(adjusted.value)
    for corner, interior in zip(opening.corners, survey.angles, strict=True):
        assert corner.angle == interior.value
    ends = [(edge.path.start, edge.path.end) for edge in opening.edges]
    assert ends == [(seat, head), (head, bottom), (bottom, seat)]


def test_covariance_holds_the_first_corner_and_the_first_tube() -> None:
    survey = reconciled(lengths=LENGTHS, angles=ANGLES).survey
    assert survey is not None
    rows = survey.covariance
    assert len(rows) == 6
    for fixed in (0, 1, 3):
        assert all(rows[fixed][i] == 0.0 == rows[i][fixed] for i in range(6))
    # The first side is x of the second corner, so its sigma is that coordinate's.
    assert math.sqrt(rows[2][2]) == pytest.approx(survey.lengths[0].sigma)
    for i in range(6):
        assert rows[i] == pytest.approx([row[i] for row in rows])


def test_sigma_of_the_perimeter_is_that_of_the_corners() -> None:
    result = reconciled(lengths=LENGTHS, angles=ANGLES)
    survey, opening = result.survey, result.opening
    assert survey is not None
    assert opening is not None
    points = [corner.point for corner in opening.corners]

    def perimeter(shift: int) -> float:
        moved = [list(point) for point in points]
        moved[shift // 2][shift % 2] += 1e-3
        return sum(math.dist(moved[i], moved[i - 1]) for i in range(3))

    here = sum(math.dist(points[i], points[i - 1]) for i in range(3))
    slope = [(perimeter(shift) - here) / 1e-3 for shift in range(6)]
    variance = sum(slope[i] * slope[j] * survey.covariance[i][j] for i in range(6) for j in range(6))
    assert survey.perimeter.sigma == pytest.approx(math.sqrt(variance), rel=1e-4)
    assert survey.perimeter.sigma < sum(one.sigma for one in survey.lengths)


def test_everything_that_is_kept_is_plain_numbers() -> None:
    survey = reconciled(lengths=LENGTHS, angles=ANGLES).survey
    assert survey is not None
    for reading in survey.readings:
        assert {type(reading.residual), type(reading.standardised), type(reading.redundancy)} == {float}
    assert {type(one.sigma) for one in survey.lengths} == {float}
    assert {type(value) for row in survey.covariance for value in row} == {float}
    assert type(survey.statistics.passed) is bool


def test_readings_of_a_steep_frame() -> None:
    # Common practice, no source: the readings of one frame; 1 mm and 0.5°.
    tables: dict[str, Any] = {
        "lengths": {"seat-tube": 335, "down-tube": 570, "top-tube": 446},
        "angles": {"bottom-bracket": 51.5, "head": 36.0},
    }
    survey = reconciled(sigmas=(1.0, 0.5), **tables).survey
    assert survey is not None
    assert all(one.standardised is not None and abs(one.standardised) < 1 for one in survey.readings)
    alone = reconciled(lengths={"seat-tube": 335, "down-tube": 570}, angles={"bottom-bracket": 51.5}).survey
    assert alone is not None
    assert alone.lengths[0].value == pytest.approx(446.5, abs=0.1)
    assert [one.value for one in alone.angles] == pytest.approx([92.55, 35.95, 51.5], abs=0.01)


def test_the_order_of_the_readings_changes_nothing_but_their_order() -> None:
    forward = reconciled(lengths=LENGTHS, angles=ANGLES).survey
    backward = reconciled(
        lengths=dict(reversed(LENGTHS.items())), angles=dict(reversed(ANGLES.items()))
    ).survey
    assert forward is not None
    assert backward is not None
    assert [one.value for one in forward.lengths] == pytest.approx(
        [one.value for one in backward.lengths], abs=1e-8
    )
    assert forward.statistics.chi_square == pytest.approx(backward.statistics.chi_square, rel=1e-9)


def test_other_openings_work_the_same() -> None:
    sides = {"top-tube": 500, "head-tube": 90, "down-tube": 560, "seat-tube": 400}
    result = reconciled(FOUR, lengths=sides, diagonals={"seat to crown": 530}, angles={"head": 104.6})
    survey, opening = result.survey, result.opening
    assert survey is not None
    assert opening is not None
    assert survey.statistics.passed is True
    assert len(survey.covariance) == 8
    assert min(corner.point[1] for corner in opening.corners) == 0.0
    backward = reconciled(
        FOUR, lengths=sides, diagonals={"crown to seat": 530}, angles={"head": 104.6}
    ).survey
    assert backward is not None
    assert backward.lengths == survey.lengths


# ----------------------------------------------------------------------------------------- nothing to spare


def test_just_enough_readings_are_a_warning_that_names_the_next() -> None:
    result = reconciled(lengths=LENGTHS)
    warning = finding(result, "readings-unchecked")
    assert (warning.level, warning.where) == ("warning", "")
    assert "three readings are just enough" in warning.message
    assert "Read the angle at seat first" in warning.message
    assert result.survey is not None
    statistics = result.survey.statistics
    assert (statistics.dof, statistics.critical, statistics.passed, statistics.variance_factor) == (
        0,
        None,
        None,
        None,
    )
    assert all(one.standardised is None and one.redundancy == 0 for one in result.survey.readings)


def test_readings_that_nothing_checks_are_named_one_by_one() -> None:
    result = reconciled(lengths={**LENGTHS, "seat-tube": [402, 403]})
    warnings = [one for one in result.findings if one.code == "readings-unchecked"]
    assert [one.where for one in warnings] == ["lengths.top-tube", "lengths.down-tube"]
    assert "Nothing checks lengths.top-tube 518 mm" in warnings[0].message


def test_readings_that_are_hardly_checked_say_what_would_go_unseen() -> None:
    warning = finding(reconciled(lengths=LENGTHS, angles={"bottom-bracket": 57.0}), "readings-unchecked")
    assert warning.where == "lengths.seat-tube"
    assert "a slip of less than 70 mm would go unseen" in warning.message


def test_a_side_that_is_hardly_known_is_a_warning() -> None:
    tables: dict[str, Any] = {
        "lengths": {"seat-tube": 402},
        "angles": {"seat": 82.0, "head": 40.8},
    }
    warning = finding(reconciled(**tables), "readings-weak")
    assert (warning.level, warning.where) == ("warning", "lengths.top-tube")
    assert "standard uncertainty is 5.3 mm" in warning.message
    assert "Read the top-tube too: that leaves 1.9 mm" in warning.message
    assert "readings-weak" not in codes(reconciled(options=ReconcileOptions(weak_at=6.0), **tables))


def test_a_convex_shape_that_is_assumed_is_a_warning() -> None:
    # Two sides of 400, two of about 300 and 312, and the angle between the first two: a kite or a dart.
    sides = {"top-tube": 400, "head-tube": 297.3, "down-tube": 323.1, "seat-tube": 400}
    result = reconciled(FOUR, lengths=sides, angles={"seat": 90.0})
    warning = finding(result, "shape-assumed")
    assert warning.level == "warning"
    assert "more than 180° at crown" in warning.message
    assert warning.where == "diagonals.seat to crown"
    assert result.opening is not None
    assert max(corner.angle for corner in result.opening.corners) < 180


# ------------------------------------------------------------------------------------------ a wrong reading


@pytest.mark.parametrize(
    ("lengths", "angles", "where", "words"),
    [
        ({"top-tube": 581}, {}, "lengths.top-tube", "swapped digits? 518 mm makes all five readings agree"),
        ({"seat-tube": 40.2}, {}, "lengths.seat-tube", "centimetres for millimetres? 402 mm makes all five"),
        ({"down-tube": 24.06}, {}, "lengths.down-tube", "inches for millimetres? 611.12 mm"),
        (
            {"down-tube": 621},
            {},
            "lengths.down-tube",
            "10 mm tape offset? 611 mm makes all five readings agree",
        ),
        (
            {"down-tube": 811},
            {},
            "lengths.down-tube",
            "one digit misread? 611 mm makes all five readings agree",
        ),
        (
            {},
            {"bottom-bracket": 75.0},
            "angles.bottom-bracket",
            "swapped digits? 57° makes all five readings agree",
        ),
        ({}, {"head": 49.2}, "angles.head", "complement of the angle? 40.8° makes all five readings agree"),
        ({}, {"head": 139.2}, "angles.head", "supplement of the angle? 40.8° makes all five readings agree"),
    ],
)
def test_a_slip_is_named_with_the_value_that_was_meant(
    lengths: dict[str, float], angles: dict[str, float], where: str, words: str
) -> None:
    result = reconciled(lengths={**LENGTHS, **lengths}, angles={**ANGLES, **angles})
    error = finding(result, "reading-suspect")
    assert (error.level, error.where) == ("error", where)
    assert words in error.message
    assert "The others say" in error.message
    assert (" Or " in error.message) == (words.startswith("10 mm"))
    assert codes(result) == ["reading-suspect"]
    assert result.has_errors


def test_the_shape_is_that_of_the_others_and_the_whole_fails() -> None:
    slip = reconciled(lengths={**LENGTHS, "top-tube": 581}, angles=ANGLES)
    honest = reconciled(lengths={key: LENGTHS[key] for key in ("seat-tube", "down-tube")}, angles=ANGLES)
    assert slip.survey is not None
    assert honest.survey is not None
    assert [one.value for one in slip.survey.lengths] == pytest.approx(
        [one.value for one in honest.survey.lengths], abs=1e-6
    )
    assert slip.survey.statistics.passed is False
    assert slip.survey.statistics.dof == 2
    suspect = next(one for one in slip.survey.readings if one.of == "top-tube")
    assert suspect.residual == pytest.approx(honest.survey.lengths[0].value - 581)
    assert suspect.standardised is not None
    assert suspect.standardised < -20


def test_an_error_that_no_slip_explains_says_what_the_others_say() -> None:
    error = finding(reconciled(lengths={**LENGTHS, "top-tube": 487.4}, angles=ANGLES), "reading-suspect")
    assert error.message.startswith("lengths.top-tube 487.4 mm: the others say 517.0 mm ± 2.2 mm.")
    assert "?" not in error.message


def test_inches_are_shown_as_they_were_written() -> None:
    inches = {"seat-tube": 15.8125, "top-tube": 20.375, "down-tube": 42.0625}
    error = finding(
        reconciled(lengths={key: value * 25.4 for key, value in inches.items()}, angles=ANGLES),
        "reading-suspect",
    )
    assert error.where == "lengths.down-tube"
    assert "1068.39 mm (42 1/16 in): swapped digits? 611.19 mm (24 1/16 in)" in error.message


def test_another_reading_that_would_explain_it_is_mentioned() -> None:
    lengths = {"seat-tube": 403, "top-tube": 532, "down-tube": 611}
    error = finding(reconciled(lengths=lengths, angles=ANGLES), "reading-suspect")
    assert "Less likely, angles.bottom-bracket 57° is the one that is wrong: check that too." in error.message


def test_one_spare_reading_finds_a_contradiction_without_blaming_anyone() -> None:
    error = finding(reconciled(lengths=LENGTHS, angles={"bottom-bracket": 75.0}), "readings-disagree")
    assert (error.level, error.where) == ("error", "")
    for key in ("lengths.seat-tube", "lengths.top-tube", "lengths.down-tube", "angles.bottom-bracket"):
        assert key in error.message
    assert "with one reading to spare it can't be told which is wrong" in error.message
    assert "or read the angle at head to find it" in error.message
    assert "angles.bottom-bracket swapped digits? 57°" in error.message
    # Any digit may be misread: that explains too much to be a hint.
    odd = finding(reconciled(lengths=LENGTHS, angles={"bottom-bracket": 59.0}), "readings-disagree")
    assert "misread" not in odd.message


def test_only_readings_that_check_each_other_are_named_in_a_contradiction() -> None:
    result = reconciled(lengths={**LENGTHS, "seat-tube": [402, 420]})
    error = finding(result, "readings-disagree")
    assert "lengths.seat-tube[0] 402 mm and lengths.seat-tube[1] 420 mm can't all be right" in error.message
    assert "lengths.top-tube" not in error.message
    scatter = finding(result, "readings-scatter")
    assert scatter.level == "warning"
    assert "402 mm and 420 mm" in scatter.message


def test_disagreement_without_a_culprit_points_to_the_worst() -> None:
    result = reconciled(lengths={**LENGTHS, "seat-tube": [402, 406]}, angles=ANGLES)
    error = finding(result, "readings-disagree")
    assert error.where == "lengths.seat-tube[1]"
    assert "none stands out" in error.message
    assert finding(result, "readings-scatter").where == "lengths.seat-tube[1]"
    assert "reading-suspect" not in codes(result)


def test_repeated_readings_that_scatter_are_a_warning_even_if_the_whole_passes() -> None:
    tables: dict[str, Any] = {
        "lengths": {**LENGTHS, "seat-tube": [401, 404]},
        "angles": {**ANGLES, "seat": 82.2},
    }
    result = reconciled(**tables)
    assert result.survey is not None
    assert result.survey.statistics.passed
    warning = finding(result, "readings-scatter")
    # Both are equally far from their mean; the one that the other things contradict more is named.
    apart = {one.key: abs(one.standardised or 0.0) for one in result.survey.readings if one.of == "seat-tube"}
    assert warning.where == max(apart, key=lambda key: apart[key])
    assert codes(result) == ["readings-scatter"]
    assert not codes(reconciled(options=ReconcileOptions(significance=0.01), **tables))


def test_the_odd_one_of_three_is_suspect_and_the_others_do_not_scatter() -> None:
    result = reconciled(lengths={**LENGTHS, "seat-tube": [402, 420, 403]}, angles=ANGLES)
    assert finding(result, "reading-suspect").where == "lengths.seat-tube[1]"
    assert codes(result) == ["reading-suspect"]


def test_two_wrong_readings_are_both_named() -> None:
    lengths = {**LENGTHS, "seat-tube": [402, 402], "top-tube": 581}
    result = reconciled(lengths=lengths, angles={**ANGLES, "seat": 28.0})
    errors = [one for one in result.findings if one.code == "reading-suspect"]
    assert {one.where for one in errors} == {"angles.seat", "lengths.top-tube"}
    assert all("makes six of seven readings agree" in one.message for one in errors)


def test_options_do_something() -> None:
    tables: dict[str, Any] = {"lengths": {**LENGTHS, "top-tube": 525}, "angles": ANGLES}
    assert finding(reconciled(**tables), "reading-suspect").where == "lengths.top-tube"
    shy = reconciled(options=ReconcileOptions(suspect_at=5.0), **tables)
    assert "reading-suspect" not in codes(shy)
    assert finding(shy, "readings-disagree").level == "error"
    lenient = reconciled(options=ReconcileOptions(significance=1e-6), **tables)
    assert codes(lenient) == []
    with pytest.raises(ValidationError):
        ReconcileOptions(significance=0.0)
    with pytest.raises(ValidationError):
        ReconcileOptions.model_validate({"suspect-att": 3})


# ------------------------------------------------------------------------------------------------- refusals


def test_too_few_readings() -> None:
    refusal = refused(lengths={"seat-tube": 402, "top-tube": 518})
    assert refusal.key == "lengths.down-tube"
    assert "two independent" in refusal.found
    assert "three independent" in refusal.valid
    assert refusal.todo == "read the down-tube"
    assert refused().found == "no readings"


def test_angles_alone_have_no_size() -> None:
    refusal = refused(angles={"seat": 82.2, "head": 40.8, "bottom-bracket": 57.0})
    assert refusal.todo == "read the top-tube, the down-tube or the seat-tube"


def test_sides_alone_do_not_fix_four_corners() -> None:
    refusal = refused(FOUR, lengths={"top-tube": 500, "head-tube": 90, "down-tube": 560, "seat-tube": 400})
    assert refusal.key == "diagonals.seat to crown"
    assert "the diagonal seat to crown" in refusal.todo


def test_sides_that_do_not_close() -> None:
    refusal = refused(lengths={**LENGTHS, "top-tube": 158})
    assert refusal.key == "lengths.down-tube"
    assert refusal.found == "611 mm"
    assert "above 244.0 mm and below 560.0 mm" in refusal.valid
    long = refused(
        FOUR,
        lengths={"top-tube": 1500, "head-tube": 90, "down-tube": 560, "seat-tube": 400},
        diagonals={"seat to crown": 530},
    )
    assert (long.key, long.found) == ("lengths.top-tube", "1500 mm")
    assert "below 1050.0 mm" in long.valid


def test_angles_that_come_to_too_much() -> None:
    refusal = refused(lengths={"top-tube": 518}, angles={"head": 140.8, "seat": 82.0})
    assert (refusal.key, refusal.found) == ("angles.head", "140.8°")
    assert "below 98.0°" in refusal.valid
    reflex = refused(lengths=LENGTHS, angles={"head": 200.0})
    assert (reflex.key, reflex.found) == ("angles.head", "200°")


def test_a_side_too_short_to_reach() -> None:
    refusal = refused(lengths={"seat-tube": 302, "top-tube": 518}, angles={"head": 40.8})
    assert refusal.key == "lengths.seat-tube"
    assert "at least 338.5 mm" in refusal.valid


def test_two_triangles() -> None:
    refusal = refused(lengths={"seat-tube": 402, "top-tube": 518}, angles={"head": 40.8})
    assert refusal.key == "lengths.down-tube"
    assert "609.0 mm" in refusal.valid
    assert "175.2 mm" in refusal.valid
    assert "read the down-tube too" in refusal.todo


def test_a_side_that_just_reaches() -> None:
    # At a right angle the two triangles are one, and the down tube hangs by a hair.
    reach = 518 * math.sin(math.radians(40.8))
    refusal = refused(lengths={"seat-tube": reach, "top-tube": 518}, angles={"head": 40.8})
    assert "hardly fix" in refusal.reason or "different shapes" in refusal.reason


def test_repeated_readings_of_an_impossible_side_are_all_shown() -> None:
    refusal = refused(lengths={"seat-tube": [402, 40], "top-tube": 180, "down-tube": 611})
    assert refusal.key == "lengths.down-tube"
    refusal = refused(lengths={"seat-tube": 100, "top-tube": 300, "down-tube": [611, 612]})
    assert refusal.key == "lengths.down-tube[0]"
    assert refusal.found == "611 mm and 612 mm, on average 611.5 mm"


def test_angles_outside_the_opening() -> None:
    refusal = refused(
        FOUR,
        lengths={"top-tube": 500, "head-tube": 90},
        angles={"seat": 285.0, "head": 250.0, "crown": 230.0, "bottom-bracket": 315.0},
    )
    assert "counter-clockwise" in refusal.reason
    assert "angles inside the opening" in refusal.todo


def test_corners_in_the_wrong_order() -> None:
    # A square's distances under the names of a bow tie.
    diagonal = 400 * math.sqrt(2)
    refusal = refused(
        FOUR,
        lengths={"top-tube": diagonal, "head-tube": 400, "down-tube": diagonal, "seat-tube": 400},
        diagonals={"seat to crown": 400, "head to bottom-bracket": 400},
    )
    assert "crossing" in refusal.reason
    assert "order of the corners" in refusal.todo


@pytest.mark.parametrize(
    ("reading", "key"),
    [
        (Reading("length", "chain-stay", 402.0, 1.0, "tape", "lengths.chain-stay"), "lengths.chain-stay"),
        (Reading("angle", "stem", 40.0, 0.3, "gauge", "angles.stem"), "angles.stem"),
        (Reading("diagonal", "seat", 402.0, 1.0, "tape", "diagonals.seat"), "diagonals.seat"),
        (Reading("length", "top-tube", 0.0, 1.0, "tape", "lengths.top-tube"), "lengths.top-tube"),
        (Reading("length", "top-tube", math.nan, 1.0, "tape", "lengths.top-tube"), "lengths.top-tube"),
        (Reading("angle", "head", 360.0, 0.3, "gauge", "angles.head"), "angles.head"),
        (Reading("length", "top-tube", 518.0, 0.0, "tape", "lengths.top-tube"), "instruments.tape"),
    ],
)
def test_readings_that_make_no_sense(reading: Reading, key: str) -> None:
    start = draft(lengths=LENGTHS)
    frame = Frame("Demo", *TRIANGLE, (*start.frame.readings, reading))
    with pytest.raises(Refusal) as caught:
        run(start.evolve(frame=frame), ReconcileOptions())
    assert caught.value.key == key


# ----------------------------------------------------------------------------------------------- the plugin


def test_the_stage_describes_itself() -> None:
    (spec,) = oaktag_stages()
    assert spec.name == "measure.reconcile"
    assert spec.load_run() is run
    assert spec.load_options() is ReconcileOptions
    assert spec.needs == {"readings"}
    assert spec.adds == {"survey", "opening"}


def test_describing_the_stage_imports_no_numpy() -> None:
    import subprocess
    import sys

    code = (
        "import sys, oaktag_plugins.measure_reconcile; print('numpy' in sys.modules, 'scipy' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False False"
