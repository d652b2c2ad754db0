"""`opening.table`: corners by their coordinates."""

from __future__ import annotations

from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag.geometry import Point
from oaktag.pattern import Draft
from oaktag_plugins.opening_table import TableOptions, run

if TYPE_CHECKING:
    from tests.plugins import openings
else:
    openings = SimpleNamespace(**run_path(str(Path(__file__).with_name("openings.py"))))

SETTINGS = settings(deadline=None, derandomize=True, max_examples=80)

TRIANGLE: tuple[Point, ...] = ((-76.0, 412.0), (438.0, 396.0), (0.0, 0.0))
PLAIN = "corner,x,y\nseat,-76,412\nhead,438,396\nbottom-bracket,0,0\n"


def made(draft: Draft) -> Draft:
    return run(draft, TableOptions())


def inline(points: tuple[Point, ...] = TRIANGLE) -> list[dict[str, Any]]:
    return [{"corner": n, "x": x, "y": y} for n, (x, y) in zip(openings.CORNERS, points, strict=True)]


def from_file(text: str | bytes, **table: Any) -> Draft:
    data = text if isinstance(text, bytes) else text.encode()
    return made(openings.sourced("table", {"file": "corners.csv", **table}, corners_csv=data))


@given(
    openings.polygons(),
    st.sampled_from([(",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ",")]),
    st.sampled_from([("mm", 1.0), ("cm", 10.0), ("in", 25.4)]),
    st.booleans(),
    st.booleans(),
    st.sampled_from(["\n", "\r\n"]),
    st.sampled_from([b"", b"\xef\xbb\xbf"]),
    st.permutations(["corner", "x", "y"]),
)
@SETTINGS
def test_a_csv_file_of_any_kind_gives_the_polygon_back(
    points: tuple[Point, ...],
    signs: tuple[str, str],
    unit: tuple[str, float],
    y_down: bool,
    mirrored: bool,
    line_end: str,
    mark: bytes,
    columns: list[str],
) -> None:
    corners, tubes = openings.names(len(points))
    delimiter, decimal = signs
    lines = [delimiter.join(columns)]
    for name, (x, y) in zip(corners, points, strict=True):
        numbers = ((-x if mirrored else x) / unit[1], (-y if y_down else y) / unit[1])
        cells = {"corner": name}
        cells |= {
            axis: f"{number:.9f}".replace(".", decimal) for axis, number in zip("xy", numbers, strict=True)
        }
        lines.append(delimiter.join(cells[column] for column in columns))
    data = mark + (line_end.join(lines) + line_end).encode()
    table = {"file": "corners.csv", "unit": unit[0], "y-down": y_down, "mirrored": mirrored}
    draft = openings.sourced("table", table, corners=corners, tubes=tubes, corners_csv=data)
    openings.check_shape(made(draft), points)


@given(openings.polygons(), st.booleans(), st.booleans(), st.randoms(use_true_random=False))
@SETTINGS
def test_corners_on_the_sheet_give_the_polygon_back(
    points: tuple[Point, ...], y_down: bool, mirrored: bool, random: Any
) -> None:
    corners, tubes = openings.names(len(points))
    rows = [
        {"corner": name, "x": -x if mirrored else x, "y": -y if y_down else y}
        for name, (x, y) in zip(corners, points, strict=True)
    ]
    random.shuffle(rows)
    table = {"corners": rows, "y-down": y_down, "mirrored": mirrored}
    openings.check_shape(made(openings.sourced("table", table, corners=corners, tubes=tubes)), points)


def test_stated_uncertainties_are_those_of_many_trials() -> None:
    rows = inline()
    rows[1]["sigma"] = 2.5
    random = np.random.default_rng(5)
    samples = np.array(TRIANGLE) + random.normal(size=(20_000, 3, 2)) * np.array([0.7, 2.5, 0.7])[:, None]
    openings.check_covariance(made(openings.sourced("table", {"corners": rows, "sigma": 0.7})), samples)


def test_the_tape_is_what_coordinates_are_good_to_unless_they_say() -> None:
    survey = from_file(PLAIN).survey
    assert survey is not None
    assert survey.lengths[0].sigma == pytest.approx(2.0**0.5)
    half = from_file(PLAIN, sigma=0.5).survey
    assert half is not None
    assert half.lengths[0].sigma == pytest.approx(0.5 * 2.0**0.5)


def test_a_column_of_uncertainties_counts() -> None:
    text = "corner,x,y,sigma\nseat,-76,412,0.3\nhead,438,396,0.4\nbottom-bracket,0,0,\n"
    survey = from_file(text, sigma=2.0).survey
    assert survey is not None
    assert [one.sigma for one in survey.lengths] == pytest.approx(
        [0.5, (0.16 + 4.0) ** 0.5, (0.09 + 4.0) ** 0.5]
    )


def test_repeated_corners_are_averaged_by_their_weights() -> None:
    rows = [
        {"corner": "head", "x": 434, "y": 396, "sigma": 2},
        {"corner": "head", "x": 439, "y": 396, "sigma": 1},
        *(row for row in inline() if row["corner"] != "head"),
    ]
    after = made(openings.sourced("table", {"corners": rows}))
    openings.check_shape(after, TRIANGLE)  # (434 / 4 + 439) / (1 / 4 + 1) = 438


@pytest.mark.parametrize(
    "text",
    [
        "sep=;\nCorner ; X ; Y\nseat;-76;412\nhead;438;396\nbottom-bracket;0;0\n",
        'corner,x,y,\n"seat",-76,412,\n\n , ,,\nhead,438 mm,39.6 cm,\nbottom-bracket,0,0,',
        "x\ty\tcorner\n-76,0\t412\tseat\n438\t396\thead\n0\t0\tbottom-bracket\n",
        "corner;x;y\r\nseat;-76;412\r\nhead;438;15 75/127 in\r\nbottom-bracket;0;0\r\n",
    ],
)
def test_what_spreadsheets_write_is_read(text: str) -> None:
    openings.check_shape(from_file(text), TRIANGLE)


FILE = "sources.table.file"


@pytest.mark.parametrize(
    ("text", "key", "part"),
    [
        ("", FILE, "doesn't name its columns"),
        ("sep=;", FILE, "doesn't name its columns"),
        ("seat,-76,412\n", FILE, "doesn't name its columns"),
        ("corner,x\nseat,1\n", FILE, "doesn't name its columns"),
        (PLAIN.replace("x,y", "x,y,sigmas").replace("412", "412,1"), FILE, "unknown column"),
        (PLAIN.replace("x,y", "x,y,x"), FILE, "column twice"),
        (PLAIN.replace("412", "412,5"), FILE, "line 2 has a cell below no column"),
        (PLAIN.replace("x,y", "x,y,").replace("412", "412,5"), FILE, "line 2 has a cell below no column"),
        ('corner,x,y\nseat,-76,412\nhead,"438,396\n', FILE, "can't be read"),
        (PLAIN.replace("412", "tall"), f"{FILE}, line 2, y", "can't be read as a number"),
        (PLAIN.replace("396", ""), f"{FILE}, line 3, y", "is missing"),
        (PLAIN.replace("396", "nan"), f"{FILE}, line 3, y", "can't be read as a number"),
        (PLAIN.replace("396", '"39,6"'), f"{FILE}, line 3, y", "can't be read as a number"),
        (PLAIN.replace("head", "heat"), f"{FILE}, line 3", "no corner of this name"),
        (PLAIN.replace("head,438,396\n", ""), FILE, "missing"),
        ("corner;x;y\nseat;-7,6;412\nhead;438.5;396\n", FILE, "decimal commas and decimal points"),
        ("corner;x;y\nseat;-1.007,6;412\n", FILE, "decimal commas and decimal points"),
        (PLAIN.replace("head", "h\u00e4nd").encode("latin-1"), FILE, "UTF-8"),
        (PLAIN.encode("utf-16"), FILE, "UTF-8"),
        (PLAIN.replace("412", "-412").replace("396", "-396"), "sources.table", "counter-clockwise"),
    ],
)
def test_bad_files_are_refused(text: str | bytes, key: str, part: str) -> None:
    assert part in openings.refusal(lambda: from_file(text), key).reason


def test_a_decimal_comma_between_commas_is_told_what_to_do() -> None:
    said = openings.refusal(lambda: from_file(PLAIN.replace("412", "412,5")), FILE)
    assert "semicolons" in said.todo


@pytest.mark.parametrize(
    ("table", "key", "part"),
    [
        ({}, "sources.table", "corners once"),
        ({"file": "corners.csv", "corners": inline()}, "sources.table", "corners once"),
        ({"corners": inline()[:2]}, "sources.table.corners", "missing"),
        ({"corners": [{"corner": "seat", "x": 1}]}, "sources.table.corners[0].y", "missing"),
        ({"corners": [{"corner": "set", "x": 1, "y": 1}]}, "sources.table.corners[0].corner", "no corner"),
        ({"corners": inline(), "sigma": 0}, "sources.table.sigma", "too small"),
    ],
)
def test_bad_tables_are_refused(table: dict[str, Any], key: str, part: str) -> None:
    draft = openings.sourced("table", table, corners_csv=PLAIN.encode())
    assert part in openings.refusal(lambda: made(draft), key).reason


def test_repeated_lines_that_lie_apart_are_reported_by_their_line() -> None:
    after = from_file(PLAIN + "seat,-70,412\n")
    (finding,) = [one for one in after.findings if one.code == "readings-scatter"]
    assert finding.where == f"{FILE}, line 2"
    assert "6.0 mm apart" in finding.message


def test_it_reads_a_frame_sheet_with_its_file(tmp_path: Path) -> None:
    draft = openings.sheet(tmp_path, '[sources.table]\nfile = "corners.csv"\n', corners_csv=PLAIN.encode())
    openings.check_shape(made(draft), TRIANGLE)
