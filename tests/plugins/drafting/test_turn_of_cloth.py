"""Turn of cloth: what a layer inside another loses, bend by bend and as a whole."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from math import pi, sqrt, tau

import pytest
from hypothesis import given
from hypothesis import strategies as st

from oaktag import Refusal
from oaktag.geometry import Arc, Curve, Line, OffsetError, Path
from oaktag.pattern import Edge, Material, Outline
from oaktag.plugin.kit import example_draft, run_stage
from oaktag_plugins.drafting.turn_of_cloth import (
    inset,
    layers_thickness,
    reduction,
    turning,
    whole_reduction,
)

CLEAR = example_draft("measure.reconcile", "outline.clear")


def rounded(radius: float) -> Outline:
    outline = run_stage("corners.round", CLEAR, radius=radius).outline
    assert outline is not None
    return outline


ROUNDED = rounded(20.0)


@given(thickness=st.floats(0.1, 15.0), turned=st.booleans())
def test_each_round_loses_its_angle_times_the_thickness_and_all_of_them_a_whole_turn(
    thickness: float, turned: bool
) -> None:
    outline = ROUNDED
    if turned:
        outline = Outline(tuple(replace(e, path=e.path.reversed()) for e in reversed(outline.edges)))
    inner = inset(outline, thickness)
    bends = {bend.name: bend for bend in reduction(outline, thickness)}
    assert set(bends) == {edge.name for edge in outline.edges if edge.is_corner}
    for edge in outline.edges:
        lost = edge.length - inner.edge(edge.name).length
        if edge.is_corner:
            (arc,) = edge.path.segments
            assert isinstance(arc, Arc)
            assert bends[edge.name].angle == pytest.approx(arc.length / arc.radius)
            assert lost == pytest.approx(arc.length / arc.radius * thickness, abs=1e-6)
            assert bends[edge.name].reduction == pytest.approx(lost, abs=1e-6)
        else:
            assert lost == pytest.approx(0.0, abs=1e-6)
    assert sum(bend.reduction for bend in bends.values()) == pytest.approx(tau * thickness, abs=1e-6)
    assert outline.path.length - inner.path.length == pytest.approx(whole_reduction(thickness), abs=1e-6)


def test_three_millimetres_of_foam_take_18_85_mm_off_the_lining() -> None:
    """2π·3 mm, however the outline is shaped."""
    assert whole_reduction(3.0) == pytest.approx(18.85, abs=0.005)
    assert ROUNDED.path.length - inset(ROUNDED, 3.0).path.length == pytest.approx(18.85, abs=0.005)


@given(thickness=st.floats(0.1, 5.0))
def test_a_sharp_corner_loses_what_its_two_sides_are_cut_back(thickness: float) -> None:
    outline = CLEAR.outline
    assert outline is not None
    inner = inset(outline, thickness)
    bends = reduction(outline, thickness)
    assert len(bends) == len(outline.edges)
    assert sum(bend.angle for bend in bends) == pytest.approx(tau)
    lost = outline.path.length - inner.path.length
    assert sum(bend.reduction for bend in bends) == pytest.approx(lost, abs=1e-6)
    assert lost > whole_reduction(thickness)


def hollow(*, clockwise: bool = True) -> Outline:
    """A square whose upper right corner is taken out by a hollow round."""
    points = ((0.0, 0.0), (0.0, 200.0), (100.0, 200.0), (200.0, 100.0), (200.0, 0.0))
    edges = (
        Edge("left", Path((Line(points[0], points[1]),))),
        Edge("top", Path((Line(points[1], points[2]),))),
        Edge("hollow", Path((Arc(points[2], points[3], (200.0, 200.0), 100.0, False),))),
        Edge("right", Path((Line(points[3], points[4]),))),
        Edge("bottom", Path((Line(points[4], points[0]),))),
    )
    if not clockwise:
        edges = tuple(replace(edge, path=edge.path.reversed()) for edge in reversed(edges))
    return Outline(edges)


@pytest.mark.parametrize("clockwise", [True, False])
def test_a_hollow_bend_gives_what_a_convex_one_takes(clockwise: bool) -> None:
    outline = hollow(clockwise=clockwise)
    bends = {bend.name: bend for bend in reduction(outline, 4.0)}
    assert bends["hollow"].angle == pytest.approx(-pi / 2)
    assert bends["hollow"].reduction == pytest.approx(-4.0 * pi / 2)
    inner = inset(outline, 4.0)
    # Its sharp ends are cut off by the straight edges' parallels, so it is compared as a whole arc.
    (arc,) = inner.edge("hollow").path.segments
    assert isinstance(arc, Arc)
    assert arc.radius == pytest.approx(104.0)


def test_a_kink_inside_an_edge_counts_as_a_sharp_corner() -> None:
    edges = (
        Edge("roof", Path.polyline([(0.0, 0.0), (100.0, 100.0), (200.0, 0.0)])),
        Edge("floor", Path((Line((200.0, 0.0), (0.0, 0.0)),))),
    )
    outline = Outline(edges)
    inner = inset(outline, 5.0)
    total = sum(bend.reduction for bend in reduction(outline, 5.0))
    assert total == pytest.approx(outline.path.length - inner.path.length, abs=1e-6)
    assert total == pytest.approx(10.0 * (1.0 + 2.0 * (1.0 + sqrt(2.0))))


def test_a_free_curve_turns_through_the_angle_between_its_tangents() -> None:
    curve = Curve.through([(0.0, 0.0), (50.0, 30.0), (100.0, 0.0), (120.0, -60.0)])
    path = Path((curve,))
    steps = [curve.tangent_at(curve.length * k / 2000) for k in range(2001)]
    summed = sum(a[0] * b[1] - a[1] * b[0] for a, b in pairwise(steps))
    assert turning(path) == pytest.approx(summed, abs=1e-5)
    assert turning(path.reversed()) == pytest.approx(-turning(path))


def test_a_round_that_is_no_larger_than_the_layers_leaves_nothing() -> None:
    outline = rounded(5.0)
    assert inset(outline, 4.0).path.length < outline.path.length
    with pytest.raises(OffsetError) as caught:
        inset(outline, 6.0)
    assert outline.edges[caught.value.part].is_corner


def test_no_thickness_changes_nothing() -> None:
    assert inset(ROUNDED, 0.0) is ROUNDED
    assert all(bend.reduction == 0.0 for bend in reduction(ROUNDED, 0.0))


def test_layers_add_up_by_the_table() -> None:
    draft = CLEAR.evolve(
        materials=(
            Material("outer", "shell", "cloth", thickness=0.5),
            Material("soft", "foam", "cloth", thickness=3.0),
            Material("bare", "shell", "cloth"),
        )
    )
    assert layers_thickness(draft, ("outer", "soft", "outer"), "layers") == pytest.approx(4.0)
    assert layers_thickness(draft, (), "layers") == 0.0
    for names, key in ((("outer", "sofd"), "layers[1]"), (("bare",), "layers[0]")):
        with pytest.raises(Refusal) as caught:
            layers_thickness(draft, names, "layers")
        assert (caught.value.key, caught.value.source) == (key, "recipe")
    with pytest.raises(Refusal):
        layers_thickness(draft.evolve(materials=()), ("outer",), "layers")
