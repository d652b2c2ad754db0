from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import csr_array
from scipy.sparse.linalg import spsolve

from oaktag.geometry import Arc, Curve, Line, Path, Point, Transform
from oaktag.pattern import Draft, Edge, Frame, Piece, Provenance, Seam, SeamSide
from oaktag_plugins import measure_volume
from oaktag_plugins.drafting.harmonic_volume import LADDER, fit_width, harmonic_volume, sample_boundary
from oaktag_plugins.measure_volume import VolumeOptions, gusset_sides, oaktag_stages, seam_width

TRIANGLE = ((-166.0, 389.0), (352.0, 389.0), (0.0, 0.0))
L_SHAPE = ((0.0, 120.0), (380.0, 120.0), (380.0, 400.0), (500.0, 400.0), (500.0, 0.0), (0.0, 0.0))
U_SHAPE = (
    *((0.0, 360.0), (160.0, 360.0), (160.0, 150.0), (270.0, 150.0), (270.0, 360.0)),
    *((430.0, 360.0), (430.0, 0.0), (0.0, 0.0)),
)
PENTAGON = ((20.0, 300.0), (500.0, 330.0), (520.0, 0.0), (450.0, -80.0), (0.0, 0.0))
SLIVER = ((500.0, 60.0), (500.0, 0.0), (0.0, 0.0))


def rounded(corners: tuple[Point, ...], radius: float) -> Path:
    """The clockwise polygon with every corner rounded, from the start of its first straight."""
    points = [complex(*corner) for corner in corners]
    ends: list[tuple[complex, complex, complex, float]] = []
    for before, corner, after in zip(points[-1:] + points[:-1], points, points[1:] + points[:1], strict=True):
        u, v = (corner - before) / abs(corner - before), (after - corner) / abs(after - corner)
        turn = math.atan2((v / u).imag, (v / u).real)
        reach = radius * math.tan(abs(turn) / 2)
        start = corner - reach * u
        ends.append((start, corner + reach * v, start + 1j * u * math.copysign(radius, turn), turn))
    segments: list[Line | Arc] = []
    for (_, start, _, _), (end, arc_end, centre, turn) in zip(ends, ends[1:] + ends[:1], strict=True):
        segments.append(Line((start.real, start.imag), (end.real, end.imag)))
        arc = ((end.real, end.imag), (arc_end.real, arc_end.imag), (centre.real, centre.imag))
        segments.append(Arc(*arc, radius, turn < 0))
    return Path(tuple(segments))


def from_joint_to_joint(path: Path, widths: tuple[float, ...]) -> Callable[[float], float]:
    """Linear along every segment, kinked at every joint."""
    stations = [*path.joints, path.length]
    values = [widths[i % len(widths)] for i in range(len(path.joints))]
    return lambda s: float(np.interp(s, stations, [*values, values[0]]))


def by_finite_differences(path: Path, width: Callable[[float], float], step: float) -> float:
    """Volume by Laplace's equation on a square grid, arms cut short at the boundary.

    Shortley and Weller's scheme (J. Appl. Phys. 9, 1938; from memory), an error of second order in the step.
    """
    polygon = path.polygon(0.002)
    shapely.prepare(polygon)
    ring = np.asarray(polygon.exterior.coords, dtype=float)
    box = path.bounds
    xs = np.arange(box.min_x + 0.31 * step, box.max_x, step)
    ys = np.arange(box.min_y + 0.47 * step, box.max_y, step)
    grid_x, grid_y = np.meshgrid(xs, ys, indexing="ij")
    inside = np.asarray(shapely.contains_xy(polygon, grid_x, grid_y), dtype=bool)
    number = np.full(inside.shape, -1)
    number[inside] = np.arange(inside.sum())
    rows: list[int] = []
    columns: list[int] = []
    values: list[float] = []
    right = np.zeros(int(inside.sum()))

    def boundary(x: float, y: float, dx: int, dy: int) -> tuple[float, float]:
        """Distance to the boundary in a direction, and the width there."""
        along, across = (0, 1) if dx else (1, 0)
        here = (x, y)
        a, b = ring[:-1], ring[1:]
        crosses = np.flatnonzero((a[:, across] <= here[across]) != (b[:, across] <= here[across]))
        share = (here[across] - a[crosses, across]) / (b[crosses, across] - a[crosses, across])
        at = a[crosses, along] + share * (b[crosses, along] - a[crosses, along])
        away = (at - here[along]) * (dx + dy)
        distance = float(away[away > 0].min())
        s, _ = path.nearest((x + dx * distance, y + dy * distance))
        return max(distance, 1e-6 * step), width(s)

    for i, j in zip(*np.nonzero(inside), strict=True):
        k = int(number[i, j])
        arms: dict[tuple[int, int], tuple[float, int, float]] = {}
        for dx, dy in ((1, 0), (-1, 0), (0, 1), (0, -1)):
            p, q = i + dx, j + dy
            if 0 <= p < len(xs) and 0 <= q < len(ys) and inside[p, q]:
                arms[dx, dy] = (step, int(number[p, q]), 0.0)
            else:
                distance, value = boundary(float(xs[i]), float(ys[j]), dx, dy)
                arms[dx, dy] = (min(distance, step), -1, value)
        diagonal = 0.0
        for one, other in (((1, 0), (-1, 0)), ((0, 1), (0, -1))):
            whole = arms[one][0] + arms[other][0]
            for direction in (one, other):
                length, neighbour, value = arms[direction]
                factor = 2.0 / (length * whole)
                diagonal += factor
                if neighbour >= 0:
                    rows.append(k)
                    columns.append(neighbour)
                    values.append(-factor)
                else:
                    right[k] += factor * value
        rows.append(k)
        columns.append(k)
        values.append(diagonal)
    matrix = csr_array((values, (rows, columns)), shape=(len(right), len(right)))
    # The mean over the grid is that over the panel but for the rim, where cells are cut.
    mean = float(spsolve(matrix.tocsc(), right).mean())
    return mean * abs(path.area)


SHAPES = {
    "triangle": rounded(TRIANGLE, 20.0),
    "L": rounded(L_SHAPE, 25.0),
    "U": rounded(U_SHAPE, 25.0),
    "pentagon": rounded(PENTAGON, 30.0),
    "sliver": rounded(SLIVER, 12.0),
}
WIDTHS = (38.0, 52.0, 66.0, 45.0, 60.0, 41.0, 57.0, 48.0, 63.0, 40.0, 55.0, 44.0)


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("turned", [False, True])
def test_a_constant_width_gives_area_times_width(shape: str, turned: bool) -> None:
    path = SHAPES[shape].reversed() if turned else SHAPES[shape]
    volume = harmonic_volume(path, lambda s: 52.0)
    assert volume.value == pytest.approx(abs(path.area) * 52.0, rel=1e-12)
    assert volume.bound < 1e-9 * volume.value


@settings(max_examples=40, deadline=None)
@given(
    shape=st.sampled_from([TRIANGLE, L_SHAPE, PENTAGON, SLIVER]),
    a=st.floats(40, 80),
    bx=st.floats(-0.05, 0.05),
    by=st.floats(-0.05, 0.05),
)
def test_a_linear_width_gives_area_times_width_at_the_centroid(
    shape: tuple[Point, ...], a: float, bx: float, by: float
) -> None:
    path = Path.polyline(shape, closed=True)
    polygon = shapely.Polygon(shape)

    def width(s: float) -> float:
        x, y = path.point_at(min(s, path.length))
        return a + bx * x + by * y

    expected = polygon.area * (a + bx * polygon.centroid.x + by * polygon.centroid.y)
    volume = harmonic_volume(path, width)
    assert volume.value == pytest.approx(expected, rel=1e-10)
    assert volume.bound < 1e-9 * volume.value


def test_a_quadratic_harmonic_width_gives_its_integral() -> None:
    # ∫∫ x² − y² over a rectangle from (0, 0) to (a, b) is ab(a² − b²)/3.
    a, b = 400.0, 250.0
    path = Path.polyline(((0.0, 0.0), (0.0, b), (a, b), (a, 0.0)), closed=True)

    def width(s: float) -> float:
        x, y = path.point_at(min(s, path.length))
        return 50.0 + 1e-4 * (x * x - y * y)

    expected = 50.0 * a * b + 1e-4 * a * b * (a * a - b * b) / 3.0
    assert harmonic_volume(path, width).value == pytest.approx(expected, rel=1e-11)


@pytest.mark.parametrize("shape", SHAPES)
def test_agrees_with_finite_differences(shape: str) -> None:
    path = SHAPES[shape]
    width = from_joint_to_joint(path, WIDTHS)
    volume = harmonic_volume(path, width)
    assert volume.bound < 0.005 * volume.value
    step = {"sliver": 1.0}.get(shape, 4.0)
    assert by_finite_differences(path, width, step) == pytest.approx(volume.value, rel=4e-3)


@pytest.mark.parametrize("shape", SHAPES)
def test_every_bound_holds(shape: str) -> None:
    path = SHAPES[shape].reversed()
    boundary = sample_boundary(path, from_joint_to_joint(path, WIDTHS), ())
    fits = [fit_width(boundary, degree, poles) for degree, poles in LADDER]
    truth = fits[-1]
    assert truth.bound < 0.003 * truth.value
    for fit in fits:
        assert abs(fit.value - truth.value) <= fit.bound + truth.bound
    assert fits[0].bound > fits[2].bound > fits[4].bound


@settings(max_examples=8, deadline=None)
@given(
    widths=st.lists(st.floats(20, 90), min_size=1, max_size=8).map(tuple),
    shape=st.sampled_from(["triangle", "L", "pentagon", "sliver"]),
)
def test_the_volume_lies_between_narrowest_and_widest(widths: tuple[float, ...], shape: str) -> None:
    path = SHAPES[shape]
    volume = harmonic_volume(path, from_joint_to_joint(path, widths))
    area = abs(path.area)
    assert min(widths) * area - volume.bound - 1e-3 <= volume.value
    assert volume.value <= max(widths) * area + volume.bound + 1e-3


def test_a_bowed_side_is_followed() -> None:
    bowed = Path(
        (
            Curve.through([(0.0, 0.0), (-25.0, 150.0), (0.0, 300.0)]),
            Line((0.0, 300.0), (400.0, 300.0)),
            Line((400.0, 300.0), (0.0, 0.0)),
        )
    )
    volume = harmonic_volume(bowed, lambda s: 50.0)
    assert volume.value == pytest.approx(50.0 * abs(bowed.area), rel=1e-9)


def strip(piece_id: str, length: float, width: float, end_width: float, rise: float = 0.0) -> Piece:
    """A strip with sewn edges of one length, from one width to another, off its centre line by `rise`."""
    up, up_end = 0.5 * width, 0.5 * end_width
    x = math.sqrt(length**2 - (up_end - up) ** 2)
    corners = ((0.0, up + rise), (x, up_end + rise), (x, rise - up_end), (0.0, rise - up))
    names = ("non-drive-side", "end", "drive-side", "start")
    edges = tuple(
        Edge(name, Path((Line(a, b),)))
        for name, a, b in zip(names, corners, corners[1:] + corners[:1], strict=True)
    )
    return Piece(piece_id, piece_id, edges, "shell")


def bag(widths: tuple[float, ...], start: float = 200.0) -> Draft:
    """A rounded triangle with a gusset of equal parts from `start` on, one from each width to the next."""
    path = SHAPES["triangle"]
    names = ("down-tube", "corner:bottom-bracket", "seat-tube", "corner:seat", "top-tube", "corner:head")
    edges = tuple(
        Edge(name, Path((segment,)))
        for name, segment in zip(names[4:] + names[:4], path.segments, strict=True)
    )
    panel = Piece("side-panel-drive", "side panel, drive side", edges, "shell")
    part = path.length / len(widths)
    strips = [
        strip(f"gusset-{i + 1}", part, width, end_width)
        for i, (width, end_width) in enumerate(zip(widths, widths[1:] + widths[:1], strict=True))
    ]
    seams = [
        Seam(
            f"drive-{i + 1}",
            SeamSide(panel.id, tuple(edge.name for edge in edges), (start + i * part) % path.length, part),
            SeamSide(piece.id, ("drive-side",), reverse=True),
        )
        for i, piece in enumerate(strips)
    ]
    frame = Frame("Demo", ("seat", "head", "bottom-bracket"), ("top-tube", "down-tube", "seat-tube"), ())
    return Draft(
        frame, Provenance("Demo"), Provenance("bare"), pieces=(panel, *strips), seams=tuple(seams[::-1])
    )


@pytest.mark.parametrize("widths", [(50.0,), (50.0, 50.0), (50.0, 50.0, 50.0)])
def test_a_draft_gets_its_litres(widths: tuple[float, ...]) -> None:
    draft = measure_volume.run(bag(widths), VolumeOptions())
    assert draft.volume == pytest.approx(50.0 * abs(SHAPES["triangle"].area) / 1e6, rel=1e-9)
    (finding,) = draft.findings
    assert (finding.level, finding.code) == ("note", "volume-computed")
    assert finding.message.startswith(f"computed, not filled: {draft.volume:.1f} l")


def test_widths_are_read_where_they_are_sewn() -> None:
    draft = bag((40.0, 60.0, 50.0), start=200.0)
    sides = gusset_sides(draft)
    assert not isinstance(sides, str)
    path, width, joints = seam_width(draft, sides)
    third = path.length / 3
    drawn = SHAPES["triangle"]
    # The run that is found first is the last strip's: the seams are listed backwards.
    for s, expected in (
        (0.0, 50.0),
        (0.25 * third, 47.5),
        (third, 40.0),
        (1.5 * third, 50.0),
        (2.1 * third, 59.0),
        (2.9 * third, 51.0),
    ):
        assert width(s) == pytest.approx(expected, abs=1e-6)
        assert path.point_at(s) == pytest.approx(
            drawn.point_at((200.0 + s + 2 * third) % path.length), abs=1e-6
        )
    assert joints == pytest.approx((0.0, third, 2 * third))


def test_a_sudden_change_of_width_is_told() -> None:
    draft = bag((30.0, 70.0))
    half = SHAPES["triangle"].length / 2
    strips = (strip("gusset-1", half, 30.0, 30.0), strip("gusset-2", half, 70.0, 70.0))
    draft = measure_volume.run(draft.evolve(pieces=(draft.pieces[0], *strips)), VolumeOptions())
    assert [(f.level, f.code) for f in draft.findings] == [("warning", "volume-uncertain")]
    area = abs(SHAPES["triangle"].area) / 1e6
    assert draft.volume is not None
    assert 30.0 * area < draft.volume < 70.0 * area


def test_without_a_gusset_there_is_no_volume() -> None:
    draft = bag((50.0,))
    draft = measure_volume.run(draft.evolve(seams=()), VolumeOptions())
    assert draft.volume is None
    assert [f.code for f in draft.findings] == ["volume-not-computed"]


def test_an_open_gusset_has_no_volume() -> None:
    draft = bag((50.0, 50.0, 50.0))
    for gone in range(3):
        seams = tuple(seam for i, seam in enumerate(draft.seams) if i != gone)
        assert gusset_sides(draft.evolve(seams=seams)) == "the gusset doesn't go all round the panel"


def test_a_lopsided_strip_has_no_volume() -> None:
    draft = bag((50.0,))
    pieces = (draft.pieces[0], strip("gusset-1", SHAPES["triangle"].length, 50.0, 50.0, rise=3.0))
    assert "symmetrical" in str(gusset_sides(draft.evolve(pieces=pieces)))


def test_two_panels_on_one_side_have_no_volume() -> None:
    draft = bag((50.0, 50.0))
    other = draft.pieces[0].evolve(id="side-panel-upper")
    seams = (draft.seams[0], Seam("x", SeamSide(other.id, draft.seams[1].a.edges), draft.seams[1].b))
    found = gusset_sides(draft.evolve(pieces=(*draft.pieces, other), seams=seams))
    assert found == "the drive side is made of 2 panels"


def test_the_sides_of_a_seam_may_be_named_either_way_round() -> None:
    draft = bag((50.0, 44.0))
    turned = draft.evolve(seams=tuple(Seam(seam.id, seam.b, seam.a) for seam in draft.seams))
    assert gusset_sides(turned) == gusset_sides(draft)


def test_moving_the_bag_changes_nothing() -> None:
    path = SHAPES["pentagon"]
    width = from_joint_to_joint(path, WIDTHS)
    moved = path.transformed(Transform.rotation(33.0).then(Transform.translation(4000.0, -900.0)))
    assert harmonic_volume(moved, width).value == pytest.approx(harmonic_volume(path, width).value, rel=1e-8)


def test_the_stage_describes_itself() -> None:
    (spec,) = oaktag_stages()
    assert spec.name == "measure.volume"
    assert spec.load_run() is measure_volume.run
    assert spec.load_options() is VolumeOptions
