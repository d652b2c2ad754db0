"""Frame sheets: what they mean, and one problem for every kind of mistake."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from oaktag.pattern import Frame, Place, TubeWidth
from oaktag.recipe import Problem, load_frame

Write = Callable[[str], Path]
Problems = Callable[[Callable[[], object]], tuple[Problem, ...]]

SHEET = """\
name = "Demo"
size = "M"

[lengths]
seat-tube = [402, 403]
top-tube = 518
down-tube = 611

[angles]
bottom-bracket = 57.0

[widths.down-tube]
head = 48
bottom-bracket = 56.5
"""

QUAD = """\
name = "Four corners"
corners = ["seat", "head-top", "head-bottom", "bottom-bracket"]
tubes = ["top-tube", "head-tube", "down-tube", "seat-tube"]
[lengths]
top-tube = 500
head-tube = 90
down-tube = 600
seat-tube = 420
"""


@pytest.fixture
def frame(write: Write) -> Callable[[str], Frame]:
    return lambda text: load_frame(write(text))[0]


Read = Callable[[str], Frame]


def test_a_triangle_needs_neither_corners_nor_tubes(frame: Read) -> None:
    read = frame(SHEET)
    assert (read.name, read.size) == ("Demo", "M")
    assert read.corners == ("seat", "head", "bottom-bracket")
    assert read.tubes == ("top-tube", "down-tube", "seat-tube")
    assert read.ends("seat-tube") == ("bottom-bracket", "seat")


def test_readings_keep_the_sheets_order_and_repeated_ones_their_place(frame: Read) -> None:
    readings = frame(SHEET).readings
    assert [(r.key, r.kind, r.of, r.value) for r in readings] == [
        ("lengths.seat-tube[0]", "length", "seat-tube", 402.0),
        ("lengths.seat-tube[1]", "length", "seat-tube", 403.0),
        ("lengths.top-tube", "length", "top-tube", 518.0),
        ("lengths.down-tube", "length", "down-tube", 611.0),
        ("angles.bottom-bracket", "angle", "bottom-bracket", 57.0),
    ]


@pytest.mark.parametrize(("unit", "mm"), [("mm", 1.0), ("cm", 10.0), ("in", 25.4)])
def test_bare_lengths_are_in_the_sheets_unit_and_angles_in_degrees(frame: Read, unit: str, mm: float) -> None:
    read = frame(
        f'unit = "{unit}"\n'
        'name = "A"\n'
        "[lengths]\n"
        "top-tube = [20, '20', '300 mm', '3 1/2 in', {value = 21, instrument = 'caliper'}]\n"
        "[angles]\nhead = [41, '41.5 deg', '42°']\n"
        "[widths.top-tube]\nmiddle = 2\n"
        "stations = [{distance = 3, from = 'head', width = '1 1/2'}]\n"
    )
    lengths = [r.value for r in read.readings if r.kind == "length"]
    assert lengths == pytest.approx([20 * mm, 20 * mm, 300.0, 88.9, 21 * mm])
    assert [r.value for r in read.readings if r.kind == "angle"] == [41.0, 41.5, 42.0]
    assert [w.width for w in read.widths] == pytest.approx([2 * mm, 1.5 * mm])
    assert read.widths[1].place.along(1000.0) == pytest.approx(1000.0 - 3 * mm)


def test_instruments_have_defaults_that_the_sheet_may_replace(frame: Read) -> None:
    tail = "[lengths]\ntop-tube = [500, {value = 501, instrument = 'caliper'}]\n[angles]\nhead = 41\n"
    assert [r.sigma for r in frame('name = "A"\n' + tail).readings] == [1.0, 0.2, 0.3]
    own = "[instruments]\ntape = 2\ncaliper = '0.01 in'\nangle-gauge = 0.5\n"
    assert [r.sigma for r in frame('name = "A"\n' + own + tail).readings] == pytest.approx([2.0, 0.254, 0.5])


def test_a_tapes_sigma_is_in_the_sheets_unit_and_an_angle_gauges_in_degrees(frame: Read) -> None:
    read = frame(
        'name = "A"\nunit = "in"\n'
        "[instruments]\ntape = 0.04\nangle-gauge = 0.5\nlaser = '0.5 mm'\nbevel = '1 deg'\n"
        "[lengths]\ntop-tube = [20, {value = 20, instrument = 'laser'}]\n"
        "[angles]\nhead = [41, {value = 41, instrument = 'bevel'}]\n"
    )
    assert [r.sigma for r in read.readings] == pytest.approx([1.016, 0.5, 0.5, 1.0])
    assert [r.instrument for r in read.readings] == ["tape", "laser", "angle-gauge", "bevel"]


def test_widths_stand_at_corners_in_the_middle_and_at_stations_from_either_end(frame: Read) -> None:
    read = frame(
        'name = "A"\n[widths.down-tube]\nhead = 44\nmiddle = 46\nbottom-bracket = 55\n'
        "stations = [\n"
        "  {at = 0.25, width = 45},\n"
        "  {distance = 20, from = 'head', width = 44.5},\n"
        "  {distance = '2 cm', from = 'bottom-bracket', width = 54},\n"
        "]\n"
    )
    assert read.widths == (
        TubeWidth(Place("down-tube", 0.0), 44.0, "widths.down-tube.head"),
        TubeWidth(Place("down-tube", 0.5), 46.0, "widths.down-tube.middle"),
        TubeWidth(Place("down-tube", 1.0), 55.0, "widths.down-tube.bottom-bracket"),
        TubeWidth(Place("down-tube", 0.25), 45.0, "widths.down-tube.stations[0]"),
        TubeWidth(Place("down-tube", 0.0, 20.0), 44.5, "widths.down-tube.stations[1]"),
        TubeWidth(Place("down-tube", 1.0, -20.0), 54.0, "widths.down-tube.stations[2]"),
    )
    assert [w.place.along(600.0) for w in read.widths] == [0.0, 300.0, 600.0, 150.0, 20.0, 580.0]


def test_an_opening_of_four_corners_has_diagonals(frame: Read) -> None:
    read = frame(
        QUAD
        + '[diagonals]\n"seat to head-bottom" = [550, 551]\n'
        + '"bottom-bracket to head-top" = {value = 700, instrument = "tape"}\n'
        + "[angles]\nseat = 200\n"
    )
    assert [(r.kind, r.of, r.value, r.key) for r in read.readings[4:]] == [
        ("diagonal", "seat to head-bottom", 550.0, "diagonals.seat to head-bottom[0]"),
        ("diagonal", "seat to head-bottom", 551.0, "diagonals.seat to head-bottom[1]"),
        ("diagonal", "bottom-bracket to head-top", 700.0, "diagonals.bottom-bracket to head-top"),
        ("angle", "seat", 200.0, "angles.seat"),
    ]
    assert read.ends("seat-tube") == ("bottom-bracket", "seat")


def altered(old: str, new: str, sheet: str = SHEET) -> str:
    assert old in sheet
    return sheet.replace(old, new, 1)


MISTAKES = [
    # (sheet, key, reason, found, valid, todo)
    (altered("size", "colour"), "colour", "unknown key", "colour", "name, size, unit,", "remove it"),
    (altered("[lengths]", "[lenghts]"), "lenghts", "unknown key", "lenghts", "lengths", "did you mean 'len"),
    (altered('name = "Demo"\n', ""), "name", "is missing", "nothing", "What you call this", "add name"),
    (altered("name", "nmae"), "nmae", "unknown key", "nmae", "name", "did you mean 'name'?"),
    (altered('"Demo"', "5"), "name", "is not text", "5", "text in quotes", "correct"),
    (altered('"Demo"', '""'), "name", "is empty", '""', "some text", "correct"),
    (
        altered('"Demo"', '"a\\u0007b"'),
        "name",
        "is no line of text",
        '"a\\u0007b"',
        "text on one",
        "write it",
    ),
    (altered('"Demo"', f'"{"x" * 81}"'), "name", "is too long", '"xxx', "text of 80 characters", "correct"),
    (altered('"M"', f'"{"x" * 21}"'), "size", "is too long", '"xxx', "text of 20 characters", "correct"),
    (altered('"M"', '"a\\nb"'), "size", "is no line of text", '"a\\nb"', "text on one line", "write it"),
    ('unit = "inch"\n' + SHEET, "unit", "there is no such unit", '"inch"', "mm, cm, in", "write one"),
    ("unit = 5\n" + SHEET, "unit", "there is no such unit", "5", "mm, cm, in", "write one"),
    (
        altered("= 518", '= "518 ft"'),
        "lengths.top-tube",
        "there is no unit 'ft'",
        '"518 ft"',
        "units:",
        "corr",
    ),
    (altered("= 518", "= -518"), "lengths.top-tube", "is too small", "-518", "more than 0", "correct"),
    (altered("= 518", "= 0"), "lengths.top-tube", "is too small", "0", "more than 0", "correct"),
    (
        altered("= 518", "= nan"),
        "lengths.top-tube",
        "is not a finite number",
        "nan",
        "a number in",
        "correct",
    ),
    (altered("= 518", "= true"), "lengths.top-tube", "is not a number", "true", "a number in mm", "correct"),
    (altered("= 518", "= []"), "lengths.top-tube", "has too few entries", "[]", "1 or more", "correct"),
    (
        altered("= 518", "= [518, [519]]"),
        "lengths.top-tube[1]",
        "is not a number",
        "[519]",
        "a number",
        "corr",
    ),
    (altered("403]", '"x"]'), "lengths.seat-tube[1]", "can't be read", '"x"', "a number in mm", "correct"),
    (
        altered("403]", "{valeu = 403}]"),
        "lengths.seat-tube[1].valeu",
        "unknown key",
        "valeu",
        "val",
        "did you",
    ),
    (
        altered("403]", "{}]"),
        "lengths.seat-tube[1].value",
        "is missing",
        "nothing",
        "What was read",
        "add value",
    ),
    (
        altered("403]", '{value = 403, instrument = "tap"}]'),
        "lengths.seat-tube[1].instrument",
        "no instrument of that name measures lengths",
        '"tap"',
        "tape, caliper",
        "did you mean 'tape'?",
    ),
    (
        altered("403]", '{value = 403, instrument = "angle-gauge"}]'),
        "lengths.seat-tube[1].instrument",
        "no instrument of that name measures lengths",
        '"angle-gauge"',
        "tape, caliper",
        "add it to [instruments]",
    ),
    (
        altered("= 57.0", '= {value = 57, instrument = "tape"}'),
        "angles.bottom-bracket.instrument",
        "no instrument of that name measures angles",
        '"tape"',
        "angle-gauge",
        "add it to [instruments]",
    ),
    (altered("= 57.0", "= 0"), "angles.bottom-bracket", "is too small", "0", "more than 0", "correct"),
    (altered("= 57.0", "= 360"), "angles.bottom-bracket", "is too large", "360", "less than 360", "correct"),
    (
        altered("= 57.0", '= "57 mm"'),
        "angles.bottom-bracket",
        "there is no unit",
        '"57 mm"',
        "deg",
        "correct",
    ),
    (
        altered("bottom-bracket = 57.0", "botom-bracket = 57"),
        "angles.botom-bracket",
        "there is no such corner",
        '"botom-bracket"',
        "seat, head, bottom-bracket",
        "did you mean 'bottom-bracket'?",
    ),
    (
        altered("top-tube = 518", "chain-stay = 420"),
        "lengths.chain-stay",
        "there is no such tube",
        '"chain-stay"',
        "top-tube, down-tube, seat-tube",
        "name one of these",
    ),
    ('lengths = 5\nname = "A"\n', "lengths", "is not a table", "5", "a table", "correct"),
    (
        SHEET + "[instruments]\ntape = 0\n",
        "instruments.tape",
        "can't be",
        "0",
        "more than 0, at most 10",
        "write",
    ),
    (SHEET + "[instruments]\ntape = 11\n", "instruments.tape", "can't be", "11", "at most 10 mm", "write"),
    (
        'unit = "in"\n' + SHEET + "[instruments]\ntape = 1\n",
        "instruments.tape",
        "can't be an instrument's standard uncertainty",
        "1",
        "more than 0, at most 10 mm",
        'write how far off a careful reading is, with its unit: "1 mm"',
    ),
    (
        SHEET + "[instruments]\nangle-gauge = 11\n",
        "instruments.angle-gauge",
        "is too large",
        "11",
        "10",
        "corr",
    ),
    (
        SHEET + '[instruments]\nangle-gauge = "1 mm"\n',
        "instruments.angle-gauge",
        "there is no unit 'mm'",
        '"1 mm"',
        "deg",
        "correct",
    ),
    ("instruments = 5\n" + SHEET, "instruments", "is not a table", "5", "[instruments]", "write a table"),
    (
        SHEET + "[diagonals]\n'seat to head' = 5\n",
        "diagonals.seat to head",
        "there is no such diagonal",
        '"seat to head"',
        "none: every two corners of a triangle are joined by a tube",
        "name one of these",
    ),
    (
        QUAD + "[diagonals]\n'seat to head-botom' = 5\n",
        "diagonals.seat to head-botom",
        "there is no such diagonal",
        '"seat to head-botom"',
        "seat to head-bottom",
        "did you mean 'seat to head-bottom'?",
    ),
    (
        altered('"head-top"', '"seat"', QUAD),
        "corners",
        "a name stands twice",
        "seat",
        "different names",
        "rename one",
    ),
    (
        altered('"head-tube"', '"top-tube"', QUAD),
        "tubes",
        "a name stands twice",
        "top-tube",
        "diff",
        "rename",
    ),
    (
        altered('"head-tube", ', "", QUAD),
        "tubes",
        "every corner has one",
        "3 tubes, 4 corners",
        "as many",
        "name",
    ),
    (
        'name = "A"\ncorners = ["a", "b"]\n',
        "corners",
        "an opening has three corners",
        "a, b",
        "three names",
        "name every",
    ),
    (
        'name = "A"\ncorners = "a"\n',
        "corners",
        "is not a list",
        '"a"',
        "a list in square brackets",
        "correct",
    ),
    (altered('"head-top"', "5", QUAD), "corners[1]", "is not text", "5", "text in quotes", "correct"),
    (
        altered('"head-top"', '"middle"', QUAD),
        "corners[1]",
        "has a meaning",
        '"middle"',
        "any name but",
        "call",
    ),
    (
        altered('"head-top"', '"a to b"', QUAD),
        "corners[1]",
        'has " to " in it',
        '"a to b"',
        "text with",
        "write",
    ),
    (altered('"head-top"', '"a.b"', QUAD), "corners[1]", 'has "." in it', '"a.b"', "text without", "write"),
    (altered('"head-tube"', '"a:b"', QUAD), "tubes[1]", 'has ":" in it', '"a:b"', "text without", "write"),
    (altered('"head-tube"', '" a"', QUAD), "tubes[1]", "is no line of text", '" a"', "text on one", "write"),
    (altered('"head-tube"', '""', QUAD), "tubes[1]", "is no line of text", '""', "text on one line", "write"),
    (
        altered("[widths.down-tube]", "[widths.down-tub]"),
        "widths.down-tub",
        "there is no such tube",
        '"down-tub"',
        "top-tube, down-tube, seat-tube",
        "did you mean 'down-tube'?",
    ),
    (
        altered("head = 48", "haed = 48"),
        "widths.down-tube.haed",
        "isn't a place",
        '"haed"',
        "head, mi",
        "did you",
    ),
    (
        altered("head = 48", "seat = 48"),
        "widths.down-tube.seat",
        "isn't a place",
        '"seat"',
        "head, mi",
        "name an",
    ),
    (
        altered("head = 48", "head = -48"),
        "widths.down-tube.head",
        "is too small",
        "-48",
        "more than 0",
        "correct",
    ),
    (
        altered("head = 48", "head = [48]"),
        "widths.down-tube.head",
        "is not a num",
        "[48]",
        "a number",
        "correct",
    ),
    ('widths = 5\nname = "A"\n', "widths", "is not a table", "5", "a table", "correct"),
    (
        'name = "A"\n[widths]\ndown-tube = 48\n',
        "widths.down-tube",
        "is not a table",
        "48",
        "a table",
        "correct",
    ),
    (
        SHEET + "stations = 50\n",
        "widths.down-tube.stations",
        "is not a list",
        "50",
        "a list of tables",
        "write [{at = 0.5, width = 50}]",
    ),
    (
        SHEET + "stations = [{at = 0.5, width = 50}, 50]\n",
        "widths.down-tube.stations[1]",
        "is not a table",
        "50",
        "a table",
        "correct",
    ),
    (
        SHEET + "stations = [{at = 1.5, width = 50}]\n",
        "widths.down-tube.stations[0].at",
        "is too large",
        "1.5",
        "1 or less",
        "correct",
    ),
    (
        SHEET + "stations = [{at = 0.5}]\n",
        "widths.down-tube.stations[0]",
        "needs one measure",
        "",
        "either `width`, or `circumference`",
        "give one of them",
    ),
    (
        SHEET + "stations = [{width = 50}]\n",
        "widths.down-tube.stations[0]",
        "has no place",
        "{width = 50}",
        "either `at`, or `distance` with `from`",
        "give one of them",
    ),
    (
        SHEET + "stations = [{at = 0.5, distance = 20, from = 'head', width = 50}]\n",
        "widths.down-tube.stations[0]",
        "gives its place twice",
        "{at = 0.5, distance = 20",
        "either `at`, or `distance` with `from`",
        "keep one of them",
    ),
    (
        SHEET + "stations = [{distance = 20, width = 50}]\n",
        "widths.down-tube.stations[0]",
        "`distance` and `from` go together",
        "{distance = 20, width = 50}",
        "a distance and a corner's name",
        "give both",
    ),
    (
        SHEET + "stations = [{distance = 20, from = 'heed', width = 50}]\n",
        "widths.down-tube.stations[0].from",
        "isn't an end of this tube",
        '"heed"',
        "head, bottom-bracket",
        "did you mean 'head'?",
    ),
]


@pytest.mark.parametrize(("sheet", "key", "reason", "found", "valid", "todo"), MISTAKES)
def test_every_kind_of_mistake_is_one_problem(
    write: Write,
    problems_in: Problems,
    sheet: str,
    key: str,
    reason: str,
    found: str,
    valid: str,
    todo: str,
) -> None:
    path = write(sheet)
    [problem] = problems_in(lambda: load_frame(path))
    assert problem.file == str(path)
    assert problem.key == key
    assert problem.reason.startswith(reason)
    assert problem.found.startswith(found)
    assert valid in problem.valid
    assert problem.todo.startswith(todo)


def test_an_instrument_that_is_no_good_is_not_reported_again_at_its_readings(
    write: Write, problems_in: Problems
) -> None:
    sheet = "[instruments]\nlaser = 'x'\n[lengths]\ntop-tube = {value = 5, instrument = 'laser'}\n"
    path = write('name = "A"\n' + sheet)
    assert [p.key for p in problems_in(lambda: load_frame(path))] == ["instruments.laser"]


def test_several_mistakes_are_all_reported_at_once(write: Write, problems_in: Problems) -> None:
    path = write(
        'name = "A"\n[instruments]\ntape = 0\n[lengths]\nstay = 5\ntop-tube = {value = 5, instrument = "x"}\n'
        "[angles]\nhub = 5\n[widths.stay]\nhead = 5\n[widths.top-tube]\nhub = 5\nhead = 0\n"
    )
    assert [p.key for p in problems_in(lambda: load_frame(path))] == [
        "instruments.tape",
        "lengths.stay",
        "lengths.top-tube.instrument",
        "angles.hub",
        "widths.stay",
        "widths.top-tube.hub",
        "widths.top-tube.head",
    ]


def test_the_unit_comes_first_since_every_length_depends_on_it(write: Write, problems_in: Problems) -> None:
    path = write('unit = "ft"\nname = 5\n[lengths]\nstay = 0\n')
    assert [p.key for p in problems_in(lambda: load_frame(path))] == ["unit"]


def test_no_message_speaks_of_python(write: Write, problems_in: Problems) -> None:
    words = re.compile(r"\b(dict|tuple|str|string|NoneType|validation|Input should|instance)\b")
    path = write(SHEET)
    for sheet, *_ in MISTAKES:
        path.write_text(sheet, encoding="utf-8")
        for problem in problems_in(lambda: load_frame(path)):
            text = f"{problem.reason} {problem.valid} {problem.todo}"
            assert not words.search(text), text
