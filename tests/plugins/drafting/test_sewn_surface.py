"""The sewn bag's surface: volumes that are known exactly, its edge, and its projection."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag import Draft
from oaktag.geometry import Arc, Line, Path
from oaktag.plugin.kit import example_draft
from oaktag_plugins.drafting.harmonic_volume import harmonic_volume
from oaktag_plugins.drafting.sewn_surface import (
    MeshError,
    SewnBody,
    hiding_bodies,
    projected,
    sewn_body,
    surface_outline,
    surface_over,
    surface_parts,
)

TRIANGLE = Path.polyline(((-166.0, 389.0), (352.0, 389.0), (0.0, 0.0)), closed=True)
"""Clockwise, sharp corners."""

STADIUM = Path(
    (
        Line((0.0, 0.0), (200.0, 0.0)),
        Arc((200.0, 0.0), (200.0, 100.0), (200.0, 50.0), 50.0, False),
        Line((200.0, 100.0), (0.0, 100.0)),
        Arc((0.0, 100.0), (0.0, 0.0), (0.0, 50.0), 50.0, False),
    )
)
"""Counter-clockwise, round ends."""

BOTH = pytest.mark.parametrize(
    "around", [TRIANGLE, STADIUM, STADIUM.reversed()], ids=["sharp", "round", "cw"]
)


def along(around: Path, plane: Callable[[float, float], float]) -> Callable[[float], float]:
    return lambda s: plane(*around.point_at(s % around.length))


@pytest.fixture(scope="module")
def draft() -> Draft:
    return example_draft(
        "measure.reconcile", "outline.clear", "corners.round", "panel.pair", "gusset.wrap", "measure.volume"
    )


@BOTH
def test_a_bag_of_one_width_is_a_prism(around: Path) -> None:
    body = surface_over(around, lambda _: 60.0)
    assert body.volume == pytest.approx(60.0 * abs(around.area), rel=1e-7 if around is TRIANGLE else 2e-4)
    assert set(body.widths.tolist()) == {60.0}


@BOTH
def test_a_linear_width_is_met_everywhere(around: Path) -> None:
    def plane(x: float, y: float) -> float:
        return 50.0 + 0.04 * x - 0.03 * y

    body = surface_over(around, along(around, plane))
    wanted = [plane(x, y) for x, y in body.places.tolist()]
    assert body.widths == pytest.approx(wanted, abs=3e-4)


@BOTH
def test_the_edge_follows_arcs_and_goes_round_once(around: Path) -> None:
    body = surface_over(around, lambda _: 40.0, chord_error=0.02)
    edge = body.edge.places
    steps = np.roll(edge, -1, axis=0) - edge
    middles = edge + 0.5 * steps
    assert max(around.nearest((x, y))[1] for x, y in middles.tolist()) <= 0.02
    assert np.linalg.norm(steps, axis=1).max() <= 12.0
    assert np.linalg.norm(steps, axis=1).sum() == pytest.approx(around.length, rel=1e-3)
    # Unit normals lean on neither end by more than the run turns, and point out of the bag.
    out = np.column_stack([steps[:, 1], -steps[:, 0]]) / np.linalg.norm(steps, axis=1)[:, None]
    cosines = np.einsum("rec,rc->re", body.edge.normals, out)
    assert cosines.min() > math.cos(math.radians(12.0))
    area = 0.5 * float(
        (edge[:, 0] * np.roll(edge, -1, 0)[:, 1] - edge[:, 1] * np.roll(edge, -1, 0)[:, 0]).sum()
    )
    assert area == pytest.approx(abs(around.area), rel=1e-3)


def closed(body: SewnBody) -> bool:
    """Whether every side of a triangle is met by another that runs against it, told by coordinates alone."""
    runs: dict[tuple[tuple[float, ...], ...], int] = {}
    for part in surface_parts(body):
        for corners in part.vertices[part.triangles].tolist():
            for a, b in zip(corners, (*corners[1:], corners[0]), strict=True):
                key, turn = ((tuple(a), tuple(b)), 1) if a < b else ((tuple(b), tuple(a)), -1)
                runs[key] = runs.get(key, 0) + turn
    return not any(runs.values())


@settings(max_examples=8, deadline=None)
@given(st.lists(st.floats(20.0, 90.0), min_size=4, max_size=4), st.floats(15.0, 49.0))
def test_any_widths_make_a_closed_surface_of_the_same_volume(widths: list[float], radius: float) -> None:
    around = Path(
        (
            Line((0.0, 0.0), (300.0, 0.0)),
            Arc((300.0, 0.0), (300.0 + radius, radius), (300.0, radius), radius, False),
            Line((300.0 + radius, radius), (120.0, 260.0)),
            Line((120.0, 260.0), (0.0, 0.0)),
        )
    )
    stations = [*around.joints, around.length]

    def width(s: float) -> float:
        return float(np.interp(s, stations, [*widths, widths[0]]))

    body = surface_over(around, width, spacing=10.0)
    assert closed(body)
    assert body.volume == pytest.approx(harmonic_volume(around, width, tolerance=1e-3).value, rel=3e-3)
    # The maximum principle: nowhere in the panel wider or narrower than along its edge.
    assert body.widths.max() <= max(widths) + 1e-4
    assert body.widths.min() >= min(widths) - 1e-4


def test_a_narrow_neck_gets_more_places() -> None:
    left = ((100, 52), (100, 100), (0, 100), (0, 0), (100, 0), (100, 48))
    right = ((200, 48), (200, 0), (300, 0), (300, 100), (200, 100), (200, 52))
    neck = Path.polyline((*left, *right), closed=True)
    body = surface_over(neck, lambda _: 30.0, spacing=30.0)
    assert closed(body)
    assert body.volume == pytest.approx(30.0 * neck.area, rel=1e-9)


def test_a_panel_that_touches_itself_is_refused() -> None:
    pinched = Path.polyline(((0, 0), (100, 0), (50, 50), (100, 100), (0, 100), (50, 50)), closed=True)
    with pytest.raises(MeshError, match="too narrow"):
        surface_over(pinched, lambda _: 30.0)


def test_a_run_without_gusset_is_a_part_of_its_own() -> None:
    body = surface_over(TRIANGLE, lambda _: 40.0, opens=[(0.0, TRIANGLE.segments[0].length)])
    names = [part.name for part in surface_parts(body)]
    assert names == ["side-panel-drive", "side-panel-non-drive", "gusset", "opening"]
    opening = surface_parts(body)[3]
    assert set(opening.vertices[:, 1].tolist()) == {389.0}
    assert np.ptp(opening.vertices[:, 0]) == pytest.approx(518.0)
    assert opening.normals.tolist() == [[0.0, 1.0, 0.0]] * len(opening.normals)
    assert 389.0 not in surface_parts(body)[2].vertices[:, 1].reshape(-1, 4).min(axis=1)
    assert closed(body)


def test_a_draft_gives_its_volume(draft: Draft) -> None:
    assert draft.volume is not None
    body = sewn_body(draft)
    assert isinstance(body, SewnBody)
    assert body.volume / 1e6 == pytest.approx(draft.volume, rel=1e-3)
    assert body.panel == "side-panel-drive"


def test_what_has_no_gusset_says_so(draft: Draft) -> None:
    assert "no panel is sewn" in str(sewn_body(draft.evolve(seams=())))
    assert surface_outline(draft.evolve(seams=())) == ()


def test_lines_are_both_edges_and_one_across_for_every_edge(draft: Draft) -> None:
    lines = surface_outline(draft)
    panel = draft.piece("side-panel-drive")
    assert len(lines) == 2 + len(panel.edges)
    drive, non_drive, *across = lines
    assert drive[0] == drive[-1]
    assert non_drive == tuple((x, y, -z) for x, y, z in drive)
    for line, edge in zip(across, panel.edges, strict=True):
        (x, y, z), end = line
        assert end == (x, y, -z)
        assert (x, y) == pytest.approx(edge.path.start, abs=1e-4)


AXES = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))


@pytest.mark.parametrize(
    ("azimuth", "elevation", "wanted"),
    [
        (0.0, 0.0, [(1, 0), (0, 1), (0, 0)]),  # the drive side
        (90.0, 0.0, [(0, 0), (0, 1), (-1, 0)]),  # from the front: the drive side is to the left
        (0.0, 90.0, [(1, 0), (0, 0), (0, -1)]),  # from above: the drive side is nearest
    ],
)
def test_views(azimuth: float, elevation: float, wanted: list[tuple[int, int]]) -> None:
    found = projected([((0.0, 0.0, 0.0), axis) for axis in AXES], azimuth, elevation)
    assert [line[1] for line in found] == [pytest.approx(point, abs=1e-12) for point in wanted]


def test_from_the_drive_side_the_other_panel_is_hidden() -> None:
    body = surface_over(TRIANGLE, lambda _: 60.0)
    before = ((0.0, 300.0, 31.0), (20.0, 300.0, 31.0))
    behind = ((0.0, 300.0, -30.0), (20.0, 300.0, -30.0))
    beside = ((0.0, 500.0, -30.0), (20.0, 500.0, -30.0))
    through = ((300.0, 300.0, -30.0), (500.0, 300.0, -30.0))
    seen = projected([before, behind, beside, through], 0.0, 0.0, [body])
    assert [line[0] for line in seen[:2]] == [(0.0, 300.0), (0.0, 500.0)]
    # The panel's edge at that height lies where the down tube is.
    assert seen[2][0][0] == pytest.approx(352.0 * 300.0 / 389.0, abs=33.0)
    assert seen[2][-1] == (500.0, 300.0)
    assert len(projected([behind], 0.0, 0.0)) == 1


def test_a_round_end_is_outlined_where_it_turns_away() -> None:
    body = surface_over(STADIUM, lambda _: 60.0)
    seen = projected([((0.0, 0.0, 30.0), (1.0, 0.0, 30.0))], 0.0, 30.0, [body])
    # Seen from above, the gusset turns away half-way round both ends, 30 mm long on the picture.
    assert len(seen) == 3
    for line, x in zip(sorted(seen[1:]), (-50.0, 250.0), strict=True):
        assert line[0][0] == pytest.approx(x, abs=0.01)
        assert line[-1][0] == pytest.approx(x, abs=0.01)
        assert abs(line[-1][1] - line[0][1]) == pytest.approx(30.0)


def test_bodies_that_hide_are_those_of_the_draft(draft: Draft) -> None:
    assert hiding_bodies(draft)[0].volume == pytest.approx(1e6 * (draft.volume or 0.0), rel=0.01)
