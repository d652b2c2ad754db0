"""HP-GL, read by ezdxf's plotter and by hp2xx, neither of which wrote it."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from math import dist, hypot
from pathlib import Path as FilePath
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING

import dxfgrabber
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from oaktag import Draft
from oaktag.geometry import Arc, Box, Path
from oaktag.pattern import Artifact, Hole
from oaktag.pattern.drawing import ROLES, as_strokes
from oaktag.pattern.read_back import items_on
from oaktag_plugins.check_read_back import ReadBackOptions
from oaktag_plugins.check_read_back import run as read_back
from oaktag_plugins.export_hpgl import HpglOptions, joint_name, run
from oaktag_plugins.exporting.hpgl import GRID_ERROR, PenLine, hpgl, native_arc, units
from oaktag_plugins.exporting.tool_path import ends_of, nearest_neighbours, shortest_travel, travel_length
from oaktag_plugins.reading.hpgl import pen_lines

if TYPE_CHECKING:
    from tests import programs
else:
    programs = SimpleNamespace(**run_path(str(FilePath(__file__).parents[2] / "programs.py")))


def circle(x: float, y: float, r: float) -> Path:
    left, right = (x - r, y), (x + r, y)
    return Path((Arc(left, right, (x, y), r, True), Arc(right, left, (x, y), r, True)))


@pytest.fixture(scope="module")
def holed(draft: Draft) -> Draft:
    piece = draft.pieces[0]
    return draft.replaced(piece.evolve(holes=(Hole("port", circle(250.0, 330.0, 9.0), "port"),)))


def proved(draft: Draft) -> bool:
    """Whether every file is read back without a difference."""
    return read_back(draft, ReadBackOptions()).artifacts == draft.artifacts


@pytest.fixture(scope="module")
def plotted(holed: Draft) -> Artifact:
    (artifact,) = run(holed, HpglOptions()).artifacts
    return artifact


@pytest.mark.parametrize(
    "options",
    [
        {},
        {"arcs": "flattened", "chord_error": 0.05},
        {"length": 300.0, "overlap": 15.0},
        {"pens": {"seam": 3, "text": 0}},
        {"overcut": 1.0},
        {"lead_in": 4.0},
        {"kerf": 0.3},
        {"kerf": 0.2, "overcut": 1.5, "lead_in": 2.0},
    ],
)
def test_every_form_is_the_draft_s(holed: Draft, options: dict[str, object]) -> None:
    after = run(holed, HpglOptions(**options))  # type: ignore[arg-type]
    assert after.artifacts
    assert not after.has_errors
    assert proved(after)


def scaled(data: bytes, factor: float) -> bytes:
    return re.sub(
        rb"(P[UD])([\d,]+)",
        lambda m: m[1] + b",".join(b"%d" % round(int(n) * factor) for n in m[2].split(b",")),
        data,
    )


def mirrored(data: bytes) -> bytes:
    def flip(match: re.Match[bytes]) -> bytes:
        numbers = [int(number) for number in match[2].split(b",")]
        numbers[0::2] = [60_000 - x for x in numbers[0::2]]
        return match[1] + b",".join(b"%d" % number for number in numbers)

    return re.sub(rb"(P[UD])([\d,]+)", flip, data)


def without_a_notch(data: bytes) -> bytes:
    """The file less the first line of the cutting pen, which is a notch or a hole."""
    head, mark, cut = data.partition(b"SP2;\n")
    return head + mark + cut.partition(b"\n")[2]


FAULTS: dict[str, Callable[[bytes], bytes]] = {
    "7475A units": lambda data: scaled(data, 40.2 / 40.0),
    "points": lambda data: scaled(data, 25.4 / 72.0),
    "mirrored": mirrored,
    "pens swapped": lambda data: data.replace(b"SP1", b"SP9").replace(b"SP2", b"SP1").replace(b"SP9", b"SP2"),
    "unknown pen": lambda data: data.replace(b"SP2", b"SP3"),
    "a notch less": without_a_notch,
    "cut twice": lambda data: data.replace(b"PU;SP0", data.splitlines()[-2] + b"\nPU;SP0"),
    "truncated": lambda data: data[: len(data) // 2],
    "text instead": lambda data: b"hello",
    "unknown instruction": lambda data: data.replace(b"PA;", b"PA;FA0,0;"),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_every_fault_is_found(plotted: Artifact, holed: Draft, fault: str) -> None:
    data = FAULTS[fault](plotted.data)
    assert data != plotted.data
    bad = holed.evolve(artifacts=(replace(plotted, data=data),))
    assert not proved(bad)


@pytest.mark.parametrize("pair", [({"kerf": 0.2}, {"kerf": 0.3}), ({"kerf": 0.0}, {"kerf": 0.3})])
def test_another_kerf_is_found(holed: Draft, pair: tuple[dict[str, float], dict[str, float]]) -> None:
    (written,) = run(holed, HpglOptions(**pair[0])).artifacts  # type: ignore[arg-type]
    (asked,) = run(holed, HpglOptions(**pair[1])).artifacts  # type: ignore[arg-type]
    assert not proved(holed.evolve(artifacts=(replace(asked, data=written.data),)))


def test_only_whole_numbers_that_no_device_refuses(plotted: Artifact) -> None:
    text = plotted.data.decode("ascii")
    assert text.startswith("IN;DF;PA;")
    assert "-" not in re.sub(r"AA\d+,\d+,-", "AA", text)
    assert set(re.findall(r"[A-Z]{2}", text)) == {"IN", "DF", "PA", "PU", "PD", "SP", "AA"}
    assert text.endswith("PU;SP0;PU0,0;\n")


def test_what_is_drawn_comes_first_and_what_is_inside_before_its_outline(
    plotted: Artifact, holed: Draft
) -> None:
    assert plotted.shown is not None
    (page,) = plotted.shown.pages
    lines = list(pen_lines(plotted.data))
    assert [line.layer for line in lines] == sorted(line.layer for line in lines)
    cut = [shapely.LineString(line.points) for line in lines if line.layer == "2"]
    outlines = [line.is_ring and line.length > 60.0 for line in cut]
    assert sum(outlines) == len(holed.pieces)
    assert outlines == sorted(outlines)
    wanted = [
        stroke for stroke in as_strokes(items_on(holed, page)) if stroke.role in ("notch", "hole", "cut")
    ]
    assert len(cut) == len(wanted)


def test_travel_is_short(plotted: Artifact, holed: Draft) -> None:
    assert plotted.shown is not None
    strokes = list(as_strokes(items_on(holed, plotted.shown.pages[0])))
    unsorted = (0.0, 0.0), 0.0
    for stroke in strokes:
        start, end = ends_of(stroke.shape)
        unsorted = end, unsorted[1] + dist(unsorted[0], start)
    lines = list(pen_lines(plotted.data))
    moved = sum(dist(a.points[-1], b.points[0]) for a, b in pairwise(lines))
    assert moved < 0.85 * unsorted[1]


def test_arcs_are_the_plotter_s_unless_told(plotted: Artifact, holed: Draft) -> None:
    assert plotted.data.count(b"AA") >= 8
    (flat,) = run(holed, HpglOptions(arcs="flattened")).artifacts
    assert b"AA" not in flat.data


points = st.tuples(st.floats(0, 800), st.floats(0, 800))


@given(start=points, end=points, share=st.floats(0.02, 3.0), clockwise=st.booleans())
def test_a_native_arc_stays_within_a_unit(
    start: tuple[float, float], end: tuple[float, float], share: float, clockwise: bool
) -> None:
    width = dist(start, end)
    if width < 1.0:
        return
    arc = Arc.from_sagitta(start, end, share * width * (0.5 if clockwise else -0.5))
    said = native_arc(arc, units(arc.start), 0.005)
    if said is None:
        return
    if min(arc.bounds.min_x, arc.bounds.min_y, arc.center[0], arc.center[1]) < 0.0:
        return
    (line,) = pen_lines(hpgl([PenLine(1, Path((arc,)))], "native", 0.005))
    off = [abs(dist(point, arc.center) - arc.radius) for point in line.points]
    assert max(off) <= 0.025 + 1e-9
    assert dist(line.points[-1], arc.end) <= GRID_ERROR + 1e-9


@settings(max_examples=25, deadline=None)
@given(st.lists(st.tuples(points, points), min_size=1, max_size=60))
def test_an_order_has_every_line_once_and_is_no_longer_than_the_nearest_neighbours(
    lines: list[tuple[tuple[float, float], tuple[float, float]]],
) -> None:
    travel = shortest_travel(lines)
    assert sorted(travel.order) == list(range(len(lines)))
    assert travel == shortest_travel(lines)
    greedy = nearest_neighbours(lines)
    assert travel_length(lines, travel) <= travel_length(lines, greedy) + 1e-6
    # Each next line of that is one of the nearest.
    place, left = (0.0, 0.0), set(range(len(lines)))
    for line, back in zip(greedy.order, greedy.reversed, strict=True):
        nearest = min(dist(place, lines[other][end]) for other in left for end in (0, 1))
        assert dist(place, lines[line][back]) == pytest.approx(nearest, abs=1e-6)
        place = lines[line][not back]
        left.remove(line)


def test_a_knife_goes_past_its_start_and_comes_from_the_waste(holed: Draft) -> None:
    (artifact,) = run(holed, HpglOptions(overcut=2.0, lead_in=5.0)).artifacts
    assert artifact.shown is not None
    (page,) = artifact.shown.pages
    strokes = [s for s in as_strokes(items_on(holed, page)) if s.role in ("cut", "hole")]
    cut = [line.points for line in pen_lines(artifact.data) if line.layer == "2" and len(line.points) > 4]
    assert len(cut) == len(strokes)
    for stroke in strokes:
        shape = shapely.Polygon(stroke.flatten(0.001))
        line = min(cut, key=lambda points: shapely.LineString(points).hausdorff_distance(shape.exterior))
        first = shapely.Point(line[0])
        assert dist(line[0], line[1]) == pytest.approx(5.0, abs=0.03)
        assert shape.contains(first) is (stroke.role == "hole")
        # At 30 degrees to a straight line; the inside of a round hole is nearer.
        least = 1.0 if stroke.role == "hole" else 2.4
        assert least < shape.exterior.distance(first) < 2.6
        assert shapely.LineString(line[1:]).length == pytest.approx(shape.length + 2.0, abs=0.2)


def test_frames_overlap_and_carry_the_same_marks(holed: Draft) -> None:
    after = run(holed, HpglOptions(length=300.0, overlap=15.0))
    assert [artifact.path for artifact in after.artifacts] == [
        f"pattern-{number}.plt" for number in range(1, len(after.artifacts) + 1)
    ]
    assert len(after.artifacts) > 2
    marks = []
    for artifact in after.artifacts:
        lines = list(pen_lines(artifact.data))
        box = Box.around(point for line in lines for point in line.points)
        assert box.min_x >= 0.0
        assert box.max_x <= 300.0
        crosses = {
            (round(a[0] + b[0], 2) / 2, round(a[1] + b[1], 2) / 2)
            for a, b in (line.points for line in lines if len(line.points) == 2)
            if hypot(a[0] - b[0], a[1] - b[1]) == pytest.approx(8.0)
        }
        marks.append(crosses)
    for left, right in pairwise(marks):
        shared = {(x - 285.0, y) for x, y in left if x > 200.0} & right
        assert shared == {(7.5, 90.0), (7.5, 810.0)}
    # Without the second of them part of the pattern is missing.
    less = after.evolve(artifacts=(after.artifacts[0], *after.artifacts[2:]))
    assert read_back(less, ReadBackOptions()).has_errors


def test_joints_are_named_like_columns() -> None:
    assert [joint_name(number) for number in (1, 2, 26, 27, 52, 53)] == ["A", "B", "Z", "AA", "AZ", "BA"]


@pytest.mark.parametrize(
    ("options", "code"),
    [({"width": 200.0}, "bed-too-narrow"), ({"length": 300.0, "kerf": 0.2}, "tool-needs-whole-lines")],
)
def test_what_cannot_be_is_said_and_makes_no_file(holed: Draft, options: dict[str, float], code: str) -> None:
    after = run(holed, HpglOptions(**options))  # type: ignore[arg-type]
    assert after.artifacts == ()
    (finding,) = after.findings[len(holed.findings) :]
    assert (finding.level, finding.code) == ("error", code)


def test_a_kerf_wider_than_a_hole_is_an_error(holed: Draft) -> None:
    piece = holed.pieces[0]
    small = holed.replaced(piece.evolve(holes=(Hole("eyelet", circle(250.0, 330.0, 1.0), "eyelet"),)))
    after = run(small, HpglOptions(kerf=3.0))
    assert [finding.code for finding in after.findings if finding.level == "error"] == ["kerf-too-wide"]


@pytest.mark.parametrize(
    "options",
    [{"length": 30.0}, {"lead_in": 15.0}, {"pens": {"cut": 300}}, {"pens": {"stitch": 1}}, {"kerf": -1.0}],
)
def test_impossible_options_are_refused(options: dict[str, object]) -> None:
    with pytest.raises(ValidationError):
        HpglOptions(**options)  # type: ignore[arg-type]


def test_every_role_has_a_pen_unless_it_is_left_out() -> None:
    assert set(HpglOptions().layers) == {*ROLES}
    assert set(HpglOptions(pens={"text": 0}).layers) == {*ROLES} - {"text"}


def test_the_same_bytes_in_every_process(holed: Draft, plotted: Artifact, tmp_path: FilePath) -> None:
    import pickle

    (tmp_path / "draft").write_bytes(pickle.dumps(holed))
    code = (
        "import pickle, sys; from oaktag_plugins.export_hpgl import HpglOptions, run;"
        f"draft = pickle.load(open({str(tmp_path / 'draft')!r}, 'rb'));"
        "sys.stdout.buffer.write(run(draft, HpglOptions()).artifacts[0].data)"
    )
    for seed in ("1", "2"):
        done = subprocess.run(
            [sys.executable, "-c", code], env={"PYTHONHASHSEED": seed}, capture_output=True, check=True
        )
        assert done.stdout == plotted.data


@pytest.mark.parametrize("arcs", ["native", "flattened"])
def test_hp2xx_draws_the_same_lines(holed: Draft, tmp_path: FilePath, arcs: str) -> None:
    name = programs.program("hp2xx")
    (artifact,) = run(holed, HpglOptions(arcs=arcs)).artifacts
    (tmp_path / "a.plt").write_bytes(artifact.data)
    command = [name, "-q", "-t", "-m", "dxf", "-f", str(tmp_path / "a.dxf"), str(tmp_path / "a.plt")]
    subprocess.run(command, check=True, capture_output=True)
    drawn = dxfgrabber.readfile(str(tmp_path / "a.dxf"))
    lines = [(line.start[:2], line.end[:2]) for line in drawn.entities if line.dxftype == "LINE"]
    read = list(pen_lines(artifact.data))
    wanted = [pair for line in read for pair in pairwise(line.points)]
    # It sets an origin of its own.
    ours = Box.around(point for pair in wanted for point in pair)
    theirs = Box.around(point for pair in lines for point in pair)
    assert (theirs.width, theirs.height) == pytest.approx((ours.width, ours.height), abs=0.03)
    dx, dy = ours.min_x - theirs.min_x, ours.min_y - theirs.min_y
    assert sum(dist(a, b) for a, b in lines) == pytest.approx(sum(dist(a, b) for a, b in wanted), rel=1e-4)
    tree = shapely.STRtree(shapely.linestrings(wanted))
    ends = shapely.points([(x + dx, y + dy) for pair in lines for x, y in pair])
    _, off = tree.query_nearest(ends, return_distance=True, all_matches=False)
    assert max(off) < 0.05  # its file has six digits
