"""`opening.photo`: the opening from clicks in a photograph, and how far it can be trusted."""

from __future__ import annotations

import math
from collections.abc import Sequence
from copy import deepcopy
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from oaktag.geometry import Arc, Curve, Line, Point
from oaktag.pattern import Draft, Finding
from oaktag_plugins.opening_photo import PhotoOptions, corner_sigmas, run
from oaktag_plugins.sources.homography import ViewError, spread_of, view_of

if TYPE_CHECKING:
    from tests.plugins import openings
else:
    openings = SimpleNamespace(**run_path(str(Path(__file__).with_name("openings.py"))))

Array = NDArray[np.float64]

# mm in the plane, y upward; the sheet of A4 paper (ISO 216) leans into the triangle.
TRIANGLE: tuple[Point, ...] = ((-76.0, 412.0), (438.0, 396.0), (0.0, 0.0))
SHEET: tuple[Point, ...] = ((0.0, 210.0), (297.0, 210.0), (297.0, 0.0), (0.0, 0.0))
AROUND: tuple[Point, ...] = ((-120.0, 440.0), (480.0, 430.0), (500.0, -30.0), (-110.0, -20.0), (180.0, 450.0))
OPENING = tuple((x + 20.0, y - 110.0) for x, y in TRIANGLE)


def names(count: int) -> tuple[str, ...]:
    return tuple(openings.CORNERS if count == 3 else openings.names(count)[0])


class Camera:
    """A pinhole camera before the plane of the frame."""

    def __init__(
        self, tilt: float = 0.12, pan: float = -0.2, roll: float = 0.04, far: float = 2600.0
    ) -> None:
        (a, b), (c, d), (e, f) = ((math.cos(angle), math.sin(angle)) for angle in (tilt, pan, roll))
        turn = (
            np.diag([1.0, -1.0, 1.0])
            @ np.array([[1, 0, 0], [0, a, -b], [0, b, a]])
            @ np.array([[c, 0, d], [0, 1, 0], [-d, 0, c]])
            @ np.array([[e, -f, 0], [f, e, 0], [0, 0, 1]])
        )
        self.turn, self.far = turn, far

    def __call__(self, points: Sequence[Point] | Array) -> Array:
        """Pixels of points."""
        flat = np.asarray(points, dtype=float) - (180.0, 160.0)
        space = flat @ self.turn[:, :2].T + (0.0, 0.0, self.far)
        return np.asarray(3400.0 * space[:, :2] / space[:, 2:] + (2000.0, 1500.0))


CAMERA = Camera()


def table(camera: Camera = CAMERA, points: Sequence[Point] = OPENING, **more: Any) -> dict[str, Any]:
    """A table with exact clicks; `sigma_pixel` for sigma-pixel."""
    outline = [
        {"corner": name, "pixel": pixel}
        for name, pixel in zip(names(len(points)), camera(points).tolist(), strict=True)
    ]
    sheet = {"width": 297, "height": 210, "corners": camera(SHEET).tolist()}
    return {
        "sheet": sheet,
        "outline": outline,
        **{key.replace("_", "-"): value for key, value in more.items()},
    }


def references(points: Sequence[Point], pixels: Array) -> list[dict[str, Any]]:
    return [{"point": list(p), "pixel": q} for p, q in zip(points, pixels.tolist(), strict=True)]


def photo(values: dict[str, Any], options: dict[str, Any] | None = None, **frame: Any) -> Draft:
    return run(openings.sourced("photo", values, **frame), PhotoOptions.model_validate(options or {}))


def refused(values: dict[str, Any], key: str, **frame: Any) -> Any:
    return openings.refusal(lambda: photo(values, **frame), f"sources.photo{key}")


def finding(draft: Draft, code: str) -> Finding:
    (found,) = [one for one in draft.findings if one.code == code]
    return found


# ------------------------------------------------------------------------------------------- the same shape

POSES = st.builds(
    Camera, st.floats(-0.6, 0.6), st.floats(-0.6, 0.6), st.floats(-3.0, 3.0), st.floats(2000.0, 4000.0)
)


@given(openings.polygons(), POSES, st.data(), st.booleans(), st.booleans())
@settings(deadline=None, derandomize=True, max_examples=80)
def test_any_opening_comes_out_whatever_the_camera_does(
    points: tuple[Point, ...], camera: Camera, data: st.DataObject, backwards: bool, mirrored: bool
) -> None:
    shown = tuple((-x, y) for x, y in points) if mirrored else points
    values = table(camera, shown, mirrored=mirrored)
    # The sheet is held in the picture's own way up: its corners are named as seen.
    sheet = camera(SHEET)
    assume(math.hypot(*(sheet[1] - sheet[0])) > 50.0)
    outline = values["outline"]
    begin = data.draw(st.integers(0, len(points) - 1))
    outline = outline[begin:] + outline[:begin]
    values["outline"] = outline[::-1] if backwards else outline
    corners, tubes = (openings.CORNERS, openings.TUBES) if len(points) == 3 else openings.names(len(points))
    openings.check_shape(photo(values, corners=corners, tubes=tubes), points, 1e-5)


def test_lengths_are_in_the_unit_of_the_sheet() -> None:
    values = table()
    values["sheet"] |= {"width": 297 / 25.4, "height": "21 cm"}
    openings.check_shape(photo(values, unit="in"), TRIANGLE, 1e-6)
    values["sheet"]["width"] = 29.7
    openings.check_shape(photo({**values, "unit": "cm"}, unit="in"), TRIANGLE, 1e-6)


def test_references_do_instead_of_a_sheet() -> None:
    values = table()
    del values["sheet"]
    values["references"] = references(AROUND, CAMERA(AROUND))
    openings.check_shape(photo(values), TRIANGLE, 1e-6)
    values["references"] = values["references"][:4]
    openings.check_shape(photo(values), TRIANGLE, 1e-6)


def test_references_count_from_the_bottom_left_corner_of_the_sheet() -> None:
    values = table(references=references(AROUND[:2], CAMERA(AROUND[:2])))
    openings.check_shape(photo(values), TRIANGLE, 1e-6)


def bent(*points: Point, after: int = 0, **more: Any) -> dict[str, Any]:
    """A table with clicks along the side after a corner."""
    values = table(**more)
    clicks = [{"pixel": pixel} for pixel in CAMERA([(x + 20.0, y - 110.0) for x, y in points]).tolist()]
    values["outline"][after + 1 : after + 1] = clicks
    return values


def test_a_click_between_two_corners_bends_their_side() -> None:
    opening = photo(bent((180.0, 412.0))).opening
    assert opening is not None
    (arc,) = opening.edge("top-tube").path.segments
    assert isinstance(arc, Arc)
    # The circle through three points of the plane: radius = product of the sides over four times the area.
    a, b, c = (-76.0, 412.0), (180.0, 412.0), (438.0, 396.0)
    area = 0.5 * abs((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]))
    assert arc.radius == pytest.approx(math.dist(a, b) * math.dist(b, c) * math.dist(c, a) / 4.0 / area)
    assert arc.clockwise
    # On the last side, which closes the outline, and clicked the other way round.
    values = bent((-50.0, 200.0), after=2)
    for outline in (values["outline"], values["outline"][::-1]):
        opening = photo({**values, "outline": outline}).opening
        assert opening is not None
        (arc,) = opening.edge("seat-tube").path.segments
        assert isinstance(arc, Arc)
        assert arc.clockwise
        assert isinstance(opening.edge("top-tube").path.segments[0], Line)


def test_several_clicks_make_a_curve_through_all_of_them() -> None:
    through = [(50.0, 414.0), (180.0, 415.0), (300.0, 409.0)]
    values = bent(*through)
    opening = photo(values).opening
    assert opening is not None
    (curve,) = opening.edge("top-tube").path.segments
    assert isinstance(curve, Curve)
    start, end = np.array(TRIANGLE[0]), np.array(TRIANGLE[1])
    ahead = (end - start) / math.dist(start, end)
    for point in through:
        step = np.array(point) - start
        along, off = step @ ahead, ahead[0] * step[1] - ahead[1] * step[0]
        assert curve.nearest((float(along) + curve.start[0], float(off) + curve.start[1]))[1] < 1e-6
    values["outline"].reverse()
    again = photo(values).opening
    assert again is not None
    assert again.edge("top-tube").path.length == pytest.approx(curve.length)


def test_clicks_on_the_straight_line_leave_it_straight() -> None:
    opening = photo(bent((181.0, 404.0))).opening
    assert opening is not None
    assert isinstance(opening.edge("top-tube").path.segments[0], Line)


@pytest.mark.parametrize(
    "points", [[(300.0, 409.0), (50.0, 414.0)], [(-100.0, 430.0)], [(460.0, 380.0)], [(50.0, 414.0)] * 2]
)
def test_clicks_out_of_order_are_refused(points: list[Point]) -> None:
    said = refused(bent(*points), f".outline[{len(points)}].pixel")
    assert "mm along the side" in said.found


# ------------------------------------------------------------------------------------------------ how sure


def solved(points: Array, pixels: Array) -> Array:
    """Homographies (k, 3, 3) from pixels to points by the eight linear equations of four points (k, 4, 2)."""
    count = len(pixels)
    rows, right = np.zeros((count, 8, 8)), np.zeros((count, 8))
    for index in range(4):
        u, v = pixels[:, index, 0], pixels[:, index, 1]
        for axis in (0, 1):
            row = rows[:, 2 * index + axis]
            value = points[:, index, axis]
            row[:, 3 * axis], row[:, 3 * axis + 1], row[:, 3 * axis + 2] = u, v, 1.0
            row[:, 6], row[:, 7] = -value * u, -value * v
            right[:, 2 * index + axis] = value
    found = np.linalg.solve(rows, right[..., None])[..., 0]
    return np.asarray(np.concatenate((found, np.ones((count, 1))), axis=1).reshape(count, 3, 3))


@pytest.mark.parametrize(("pixel", "size"), [(0.4, 0.0), (0.4, 0.6)])
def test_the_stated_uncertainty_is_that_of_many_photographs(pixel: float, size: float) -> None:
    """Simulated: sheets of slightly other sizes, clicked with errors, taken for the nominal size."""
    values = table(sigma_pixel=pixel)
    values["sheet"]["sigma"] = size
    draft = photo(values)
    chance, count = np.random.default_rng(7), 40_000
    shares = np.array([(0.0, 1.0), (1.0, 1.0), (1.0, 0.0), (0.0, 0.0)])
    sheets = shares * (np.array([297.0, 210.0]) + chance.normal(0.0, size, (count, 1, 2)))
    clicks = np.stack([CAMERA(sheet) for sheet in sheets]) + chance.normal(0.0, pixel, (count, 4, 2))
    back = solved(np.broadcast_to(np.array(SHEET), (count, 4, 2)), clicks)
    corners = CAMERA(OPENING) + chance.normal(0.0, pixel, (count, 3, 2))
    found = np.concatenate((corners, np.ones((count, 3, 1))), axis=2) @ back.transpose(0, 2, 1)
    openings.check_covariance(draft, found[..., :2] / found[..., 2:], 0.05)


def test_the_stated_uncertainty_holds_for_many_references_too() -> None:
    places = (*AROUND, *SHEET)
    values = table(references=references(places[:5], CAMERA(places[:5])), sigma_pixel=0.5)
    values["sigma-reference"], values["sheet"]["sigma"] = 0.3, 0.2
    draft = photo(values)
    chance = np.random.default_rng(13)
    own = np.zeros((18, 18))
    shares = np.array([(0.0, 1.0), (1.0, 1.0), (1.0, 0.0), (0.0, 0.0)])
    by_size = np.zeros((8, 2))
    by_size[0::2, 0], by_size[1::2, 1] = shares.T
    own[:8, :8] = 0.2**2 * by_size @ by_size.T
    own[8:, 8:] = 0.3**2 * np.eye(10)
    points = np.array([*SHEET, *AROUND])
    root = np.linalg.cholesky(own + 1e-12 * np.eye(18))
    found = []
    for _ in range(800):
        moved = points + (root @ chance.normal(size=18)).reshape(9, 2)
        view = view_of(points, CAMERA(moved) + chance.normal(0.0, 0.5, (9, 2)), 0.5, own)
        found.append(view.points_of(CAMERA(OPENING) + chance.normal(0.0, 0.5, (3, 2))))
    openings.check_covariance(draft, np.array(found), 0.12)


def test_chi_square_of_honest_references_is_what_it_should_be() -> None:
    """Mean and variance of the weighted square sum are its degrees of freedom, and twice those."""
    chance = np.random.default_rng(17)
    points = np.array([*SHEET, *AROUND])
    own = np.diag(chance.uniform(0.05, 0.5, 18))
    sums = []
    for _ in range(400):
        moved = points + (np.sqrt(own) @ chance.normal(size=18)).reshape(9, 2)
        sums.append(view_of(points, CAMERA(moved) + chance.normal(0.0, 0.5, (9, 2)), 0.5, own).misfit)
    assert np.mean(sums) == pytest.approx(10.0, abs=3.29 * math.sqrt(20.0 / 400))
    assert np.var(sums) == pytest.approx(20.0, rel=0.3)


def test_a_shift_and_a_turn_of_the_whole_do_not_count_against_a_corner() -> None:
    shared = np.zeros((6, 3))
    shared[0::2, 0] = shared[1::2, 1] = 1.0
    x, y = np.array(TRIANGLE).T
    shared[0::2, 2], shared[1::2, 2] = -y, x
    own = np.diag([0.04] * 6)
    assert corner_sigmas(TRIANGLE, shared @ shared.T) == pytest.approx([0.0] * 3, abs=1e-5)
    assert corner_sigmas(TRIANGLE, own + shared @ shared.T) == pytest.approx(corner_sigmas(TRIANGLE, own))
    assert max(corner_sigmas(TRIANGLE, own)) < 0.2


def test_a_picture_of_the_other_side_says_as_much() -> None:
    """The same picture seen in a mirror shows the non-drive side: same opening, same uncertainty."""
    values = table(mirrored=True)
    for click in values["outline"]:
        click["pixel"][0] = 4000.0 - click["pixel"][0]
    values["sheet"]["corners"] = [
        [4000.0 - values["sheet"]["corners"][index][0], values["sheet"]["corners"][index][1]]
        for index in (1, 0, 3, 2)
    ]
    other, plain = photo(values), photo(table())
    openings.check_shape(other, TRIANGLE, 1e-6)
    assert other.survey is not None
    assert plain.survey is not None
    assert np.array(other.survey.covariance) == pytest.approx(np.array(plain.survey.covariance), abs=1e-6)


def test_accuracy_is_a_note_until_it_is_worse_than_the_recipe_allows() -> None:
    draft = photo(table(sigma_pixel=0.7))
    note = finding(draft, "photo-accuracy")
    assert note.level == "note"
    assert "nothing to check them by" in note.message
    worst = float(note.message.partition("uncertainty of ")[2].split()[0])
    assert 0.5 < worst < 3.0
    warning = finding(photo(table(sigma_pixel=0.7), {"weak-at": worst / 2}), "photo-accuracy")
    assert warning.level == "warning"
    assert "larger sheet" in warning.message
    blurred = finding(photo(table(sigma_pixel=6)), "photo-accuracy")
    assert blurred.level == "warning"


def test_a_smaller_sheet_is_less_sure() -> None:
    large = finding(photo(table()), "photo-accuracy").message
    values = table()
    card = [(100.0 + 85.6 * x, 100.0 + 54.0 * y) for x, y in ((0, 1), (1, 1), (1, 0), (0, 0))]
    values["sheet"] = {"width": 85.6, "height": 54.0, "corners": CAMERA(card).tolist()}
    small = finding(photo(values), "photo-accuracy")
    assert small.level == "warning"
    sigmas = [float(message.partition("uncertainty of ")[2].split()[0]) for message in (large, small.message)]
    assert sigmas[1] > 3.0 * sigmas[0]


def test_references_that_agree_are_noted_and_one_that_does_not_is_named() -> None:
    pixels = CAMERA(AROUND) + np.random.default_rng(1).normal(0.0, 1.0, (5, 2))
    values = table(references=references(AROUND, pixels))
    good = photo(values)
    note = finding(good, "photo-references")
    assert note.level == "note"
    assert "9 references: root mean square residual" in note.message
    wrong = deepcopy(values)
    wrong["references"][2]["pixel"][0] += 60.0
    bad = photo(wrong)
    warning = finding(bad, "photo-references")
    assert warning.level == "warning"
    assert "references[2]" in warning.message
    assert good.survey is not None
    assert bad.survey is not None
    points = np.array([*SHEET, *AROUND])
    # Its own residual need not be the largest.
    view = view_of(
        points,
        np.array([*wrong["sheet"]["corners"], *(r["pixel"] for r in wrong["references"])]),
        1.5,
        0.25 * np.eye(18),
    )
    assert int(np.argmax(view.deviations)) == 6
    # Variances grow by the whole's misfit, so that the mistake is not taken for accuracy.
    assert bad.survey.perimeter.sigma > 5.0 * good.survey.perimeter.sigma


# ------------------------------------------------------------------------------------------ what is refused


def with_sheet(corners: Any, **more: Any) -> dict[str, Any]:
    values = table(**more)
    values["sheet"]["corners"] = corners
    return values


def test_corners_of_the_sheet_out_of_order_are_refused() -> None:
    a, b, c, d = CAMERA(SHEET).tolist()
    for corners in ([a, c, b, d], [b, a, c, d], [a, b, d, c]):
        assert "cross" in refused(with_sheet(corners), ".sheet.corners").reason
    assert "counter-clockwise" in refused(with_sheet([d, c, b, a]), ".sheet.corners").reason
    # One inside the triangle of the others.
    inside = [(p + q + r) / 3 for p, q, r in zip(a, b, d, strict=True)]
    refused(with_sheet([a, b, inside, d]), ".sheet.corners")


@pytest.mark.parametrize(
    "corners",
    [
        [[0, 0], [100, 0], [200, 0], [300, 0]],
        [[0, 0], [100, 0], [200, 0.5], [50, 0.4]],
        [[100, 100]] * 4,
        [[0, 0], [0, 0], [100, 100], [0, 100]],
        [[0, 0], [200, 0], [100, 1], [0, 100]],
    ],
)
def test_corners_on_a_line_are_refused(corners: list[list[float]]) -> None:
    refused(with_sheet(corners), ".sheet.corners")


def test_references_that_fix_no_view_are_refused() -> None:
    values = table()
    del values["sheet"]

    def of(points: Sequence[Point], pixels: Array) -> dict[str, Any]:
        return {**values, "references": references(points, pixels)}

    line = [(0.0, 0.0), (100.0, 50.0), (200.0, 100.0), (300.0, 150.0), (10.0, 90.0)]
    assert "on a line" in refused(of(line, CAMERA(line)), ".references").reason
    pixels = CAMERA(AROUND)
    assert "seen on a line" in refused(of(AROUND, pixels * (1.0, 0.0)), ".references").reason
    crossed = pixels[[0, 2, 1, 3, 4]]
    assert "mixed up" in refused(of(AROUND[:4], crossed[:4]), ".references").reason
    assert "wrong way round" in refused(of(AROUND, pixels * (1.0, -1.0)), ".references").reason
    refused(of(AROUND[:3], pixels[:3]), "")
    many = [(10.0 * (index % 5), 12.0 * (index // 5)) for index in range(30)]
    refused(of(many, CAMERA(many)), "")


def test_a_click_beyond_the_horizon_is_refused() -> None:
    steep = Camera(tilt=1.2, far=2600.0)
    values = table(steep)
    values["outline"][1]["pixel"] = [2000.0, -50_000.0]
    said = refused(values, ".outline[1].pixel")
    assert "horizon" in said.reason


def test_corners_that_run_the_other_way_are_refused_with_a_hint() -> None:
    values = table(points=tuple((-x, y) for x, y in OPENING))
    said = refused(values, "")
    assert "counter-clockwise" in said.reason
    assert "side of the bicycle" in said.todo


def test_corners_missing_twice_or_unknown_are_refused() -> None:
    values = table()
    values["outline"][1]["corner"] = "seat"
    refused(values, ".outline[1].corner")
    values["outline"][1]["corner"] = "hed"
    assert "head" in refused(values, ".outline[1].corner").todo
    del values["outline"][1]["corner"]
    assert "add head" in refused(values, ".outline").todo
    values = table()
    values["outline"][1]["pixel"] = values["outline"][0]["pixel"]
    refused(values, ".outline")


def test_corners_that_no_tube_joins_are_refused() -> None:
    points = ((0.0, 400.0), (400.0, 400.0), (400.0, 0.0), (0.0, 0.0))
    corners, tubes = openings.names(4)
    values = table(points=points)
    outline = values["outline"]
    values["outline"] = [outline[0], outline[2], outline[1], outline[3]]
    refused(values, ".outline[1].corner", corners=corners, tubes=tubes)


@pytest.mark.parametrize(
    ("change", "key"),
    [
        ({"sigma-pixel": 0}, ".sigma-pixel"),
        ({"sigma-reference": -1}, ".sigma-reference"),
        ({"outline": []}, ".outline"),
        ({"sheet": {"width": 297, "height": 210, "corners": [[1, 2]] * 3}}, ".sheet.corners"),
        ({"sheet": {"width": 0, "height": 210, "corners": [[1, 2]] * 4}}, ".sheet.width"),
        ({"shet": {}}, ".shet"),
    ],
)
def test_mistakes_in_the_table_are_named(change: dict[str, Any], key: str) -> None:
    refused({**table(), **change}, key)


def test_the_spread_of_points_is_that_of_their_best_four() -> None:
    square = np.array([(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)])
    # Every triangle in a square has half its longest side as height.
    assert spread_of(square) == pytest.approx(0.5)
    assert spread_of(np.vstack((square, [(0.5, 0.0), (0.2, 0.0)]))) == pytest.approx(0.5)
    assert spread_of(np.array([(0.0, 0.0), (1.0, 1.0), (2.0, 2.0), (0.0, 1.0)])) == pytest.approx(
        0.0, abs=1e-12
    )


def test_a_view_needs_four_references() -> None:
    three = np.array(SHEET[:3])
    with pytest.raises(ValueError, match="4 to 24 references"):
        view_of(three, CAMERA(three), 1.0, np.zeros((6, 6)))
    same = np.zeros((4, 2))
    with pytest.raises(ViewError):
        view_of(same, same, 1.0, np.zeros((8, 8)))


SHEETS = sorted((Path(__file__).parents[2] / "recipes" / "sources" / "photo").glob("*.frame.toml"))


@pytest.mark.parametrize("path", SHEETS, ids=[path.stem for path in SHEETS])
def test_every_sheet_that_ships_makes_an_opening(path: Path) -> None:
    draft = run(openings.loaded(path), PhotoOptions())
    assert draft.opening is not None
    assert {level for level, code in openings.codes(draft) if code.startswith("photo-")} == {"note"}
