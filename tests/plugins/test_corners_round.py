"""`corners.round`: arcs tangent to both sides of every corner."""

from __future__ import annotations

import math
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from oaktag.geometry import Arc, cross, dot
from oaktag.pattern import Draft, Outline, Refusal
from oaktag_plugins.corners_round import RoundOptions, run
from oaktag_plugins.outline_clear import ClearOptions
from oaktag_plugins.outline_clear import run as clear

if TYPE_CHECKING:
    from tests.plugins import drafts
else:
    drafts = SimpleNamespace(**run_path(str(Path(__file__).with_name("drafts.py"))))

SETTINGS = settings(deadline=None, derandomize=True, max_examples=60)


def rounded(draft: Draft, radius: object, gap: float = 0.0) -> Draft:
    return run(
        clear(draft, ClearOptions.model_validate({"gap": gap})),
        RoundOptions.model_validate({"radius": radius}),
    )


def outline_of(draft: Draft) -> Outline:
    assert draft.outline is not None
    return draft.outline


def test_the_base_case_comes_out_as_it_is_worked_by_hand() -> None:
    """Common practice, no source: two sides and the angle between them, with the third by the law of cosines.

    Each corner takes t = r / tan(θ / 2) from both its sides and puts an arc of r (π − θ) in their place.
    """
    draft = drafts.triangle(335.0, 570.0, 51.5)
    assert draft.opening is not None
    lengths = [edge.path.length for edge in draft.opening.edges]
    assert lengths == pytest.approx([446.5, 570.0, 335.0], abs=0.05)
    assert [corner.angle for corner in draft.opening.corners] == pytest.approx(
        [92.55, 35.95, 51.5], abs=0.005
    )
    outline = outline_of(rounded(draft, {"default": 20, "seat": 25}))
    lengths_by_name = {edge.name: edge.length for edge in outline.edges}
    assert lengths_by_name == pytest.approx(
        {
            "top-tube": 361.0,
            "corner:head": 50.3,
            "down-tube": 466.9,
            "corner:bottom-bracket": 44.9,
            "seat-tube": 269.6,
            "corner:seat": 38.2,
        },
        abs=0.1,
    )
    assert outline.path.length == pytest.approx(1230.8, abs=0.1)


@given(
    st.floats(300, 450),
    st.floats(300, 600),
    st.floats(40, 100),
    st.tuples(*(st.floats(10, 35) for _ in range(3))),
    st.floats(0, 8),
)
@SETTINGS
def test_tangent_lengths_and_arcs_follow_the_interior_angles(
    seat: float, down: float, angle: float, radii: tuple[float, float, float], gap: float
) -> None:
    draft = clear(drafts.triangle(seat, down, angle), ClearOptions.model_validate({"gap": gap}))
    sharp = {edge.name: edge.length for edge in outline_of(draft).edges}
    assert draft.opening is not None
    angles = {corner.name: math.radians(corner.angle) for corner in draft.opening.corners}
    radius = dict(zip(drafts.CORNERS, radii, strict=True))
    tangents = {name: radius[name] / math.tan(angles[name] / 2) for name in angles}
    for tube in drafts.TUBES:
        assume(sharp[tube] > sum(tangents[corner] for corner in draft.frame.ends(tube)) + 0.1)
    done = outline_of(run(draft, RoundOptions.model_validate({"radius": radius})))
    for tube in drafts.TUBES:
        taken = sum(tangents[corner] for corner in draft.frame.ends(tube))
        assert done.edge(tube).length == pytest.approx(sharp[tube] - taken, abs=1e-6)
    for name in angles:
        arc = done.edge(f"corner:{name}")
        assert arc.length == pytest.approx(radius[name] * (math.pi - angles[name]), abs=1e-6)


def turns(outline: Outline) -> list[float]:
    """The angle in radians between one edge's end and the next one's beginning."""
    found = []
    for edge, after in zip(outline.edges, (*outline.edges[1:], outline.edges[0]), strict=True):
        u, v = edge.path.tangent_at(edge.path.length), after.path.tangent_at(0.0)
        found.append(math.atan2(cross(u, v), dot(u, v)))
    return found


def test_edges_follow_each_other_in_the_order_that_the_rest_relies_on() -> None:
    outline = outline_of(rounded(drafts.triangle(400.0, 560.0, 55.0), 20, 5.0))
    names = [edge.name for edge in outline.edges]
    tubes_and_corners = "top-tube corner:head down-tube corner:bottom-bracket seat-tube corner:seat"
    assert names == tubes_and_corners.split()
    assert outline.path.clockwise


@pytest.mark.parametrize("tube", ["top-tube", "down-tube", "seat-tube"])
@pytest.mark.parametrize("sagitta", [-14.0, 9.0])
def test_the_round_beside_a_bowed_tube_is_tangent_to_it(tube: str, sagitta: float) -> None:
    draft = drafts.triangle(400.0, 560.0, 55.0, sagittas={tube: sagitta})
    outline = outline_of(rounded(draft, {"default": 20, "seat": 30}, 4.0))
    assert max(abs(turn) for turn in turns(outline)) < 1e-6
    for edge in outline.edges:
        if edge.is_corner:
            (arc,) = edge.path.segments
            assert isinstance(arc, Arc)
            assert arc.radius == pytest.approx(30.0 if edge.name == "corner:seat" else 20.0)


def test_a_hollow_corner_is_rounded_the_other_way() -> None:
    points = ((0.0, 300.0), (200.0, 150.0), (400.0, 300.0), (400.0, 0.0), (0.0, 0.0))
    outline = outline_of(rounded(drafts.polygon(points), 20.0))
    assert max(abs(turn) for turn in turns(outline)) < 1e-9
    arcs = {edge.name: edge.path.segments[0] for edge in outline.edges if edge.is_corner}
    assert {name for name, arc in arcs.items() if isinstance(arc, Arc) and not arc.clockwise} == {
        "corner:corner-1"
    }
    assert outline.path.is_simple()


def test_a_corner_of_no_radius_stays_sharp() -> None:
    outline = outline_of(rounded(drafts.triangle(400.0, 560.0, 55.0), {"default": 20, "head": 0}))
    assert "corner:head" not in [edge.name for edge in outline.edges]
    assert sum(abs(turn) > 1e-6 for turn in turns(outline)) == 1


def test_all_corners_may_stay_sharp() -> None:
    draft = drafts.triangle(400.0, 560.0, 55.0)
    assert [edge.name for edge in outline_of(rounded(draft, 0)).edges] == list(drafts.TUBES)


def test_a_tight_corner_is_reported_and_names_itself() -> None:
    draft = rounded(drafts.triangle(400.0, 560.0, 55.0), {"default": 20, "head": 9.9})
    assert [(f.level, f.code, f.where) for f in draft.findings] == [("warning", "corner-tight", "head")]
    assert rounded(drafts.triangle(400.0, 560.0, 55.0), {"default": 20, "head": 10}).findings == ()


def largest_of(said: Refusal) -> float:
    return float(said.valid.split("at most ")[1].split(" mm")[0])


@pytest.mark.parametrize(
    "radius",
    [
        {"default": 20.0, "head": 200.0},
        {"default": 20.0, "bottom-bracket": 160.0},
        {"default": 20.0, "seat": 400.0},
        # Alone at its corner this one fits; it leaves no room for the last corner, which is told so.
        {"seat": 25.0, "bottom-bracket": 30.0, "head": 140.0},
    ],
)
def test_a_radius_that_does_not_fit_is_refused_with_the_largest_that_does(radius: dict[str, float]) -> None:
    draft = drafts.triangle(335.0, 570.0, 51.5)
    with pytest.raises(Refusal) as caught:
        rounded(draft, radius)
    key = caught.value.key
    said = drafts.refusal(lambda: rounded(draft, radius), key)
    corner = said.reason.split("at corner ")[1].split(",")[0]
    assert key == (f"radius.{corner}" if corner in radius else "radius")
    wanted = radius.get(corner, radius.get("default", 0.0))
    assert largest_of(said) < wanted
    rounded(draft, {**radius, corner: largest_of(said)})
    with pytest.raises(Refusal):
        rounded(draft, {**radius, corner: largest_of(said) + 0.12})


def test_two_rounds_that_meet_on_one_side_are_refused() -> None:
    # The seat tube is 335 mm long; at 92.55° and 51.5° the two would take 0.956 r and 2.073 r of it.
    draft = drafts.triangle(335.0, 570.0, 51.5)
    too_large = 335.0 / (0.9563 + 2.0732) + 0.3
    drafts.refusal(
        lambda: rounded(draft, {"default": too_large, "head": 5.0}),
        "radius",
    )
    rounded(draft, {"default": too_large - 0.6, "head": 5.0})


def test_a_radius_of_a_corner_that_is_not_there_is_refused() -> None:
    draft = drafts.triangle(400.0, 560.0, 55.0)
    said = drafts.refusal(lambda: rounded(draft, {"default": 20, "heed": 5}), "radius.heed")
    assert "head" in said.todo
    drafts.refusal(lambda: rounded(draft, {"head": 5}), "radius")


# The gap at the corners.


def gapped(draft: Draft, gap: object, corner_gap: object, radius: object = 20.0) -> Draft:
    options = RoundOptions.model_validate({"radius": radius, "corner-gap": corner_gap})
    return run(clear(draft, ClearOptions.model_validate({"gap": gap})), options)


def nearest_to_corner(draft: Draft, corner: str) -> float:
    """Distance of the seam line from where the tubes meet, from many of its points."""
    assert draft.opening is not None
    place = draft.opening.corner(corner).point
    return min(math.dist(place, point) for point in outline_of(draft).path.flatten(1e-5))


def radius_at(draft: Draft, corner: str) -> float:
    (arc,) = outline_of(draft).edge(f"corner:{corner}").path.segments
    assert isinstance(arc, Arc)
    return arc.radius


def test_a_radius_is_raised_to_the_external_distance_that_the_gap_needs() -> None:
    # Simple circular curve: external distance E = R (1 / cos(Δ/2) − 1) with Δ the turn, here from the corner
    # of the seam line, which lies gap / cos(Δ/2) from the tubes' own.
    draft = drafts.triangle(400.0, 560.0, 55.0)
    assert draft.opening is not None
    half_turn = math.radians(180.0 - draft.opening.corner("seat").angle) / 2
    wanted = 25.0
    radius = (wanted - 5.0 / math.cos(half_turn)) / (1 / math.cos(half_turn) - 1)
    done = gapped(draft, 5.0, {"default": 0.0, "seat": wanted})
    assert radius > 20.0
    assert radius_at(done, "seat") == pytest.approx(radius, rel=1e-12)
    assert radius_at(done, "head") == 20.0
    (finding,) = done.findings
    assert (finding.level, finding.code, finding.where) == ("note", "radius-raised", "seat")
    assert "from 20 to" in finding.message
    assert f"{radius:.1f} mm" in finding.message
    assert "25 mm" in finding.message


@given(
    st.tuples(*(st.floats(2, 12) for _ in range(3))),
    st.floats(5.0, 30.0),
    st.sampled_from(drafts.CORNERS),
    st.floats(5.0, 25.0),
)
@SETTINGS
def test_the_gap_holds_beside_unequal_gaps_and_no_radius_is_raised_for_nothing(
    gaps: tuple[float, float, float], wanted: float, corner: str, radius: float
) -> None:
    draft = drafts.triangle(400.0, 560.0, 55.0)
    by_tube = dict(zip(drafts.TUBES, gaps, strict=True))
    before = gapped(draft, by_tube, 0.0, radius)
    after = gapped(draft, by_tube, {"default": 0.0, corner: wanted}, radius)
    if nearest_to_corner(before, corner) >= wanted:
        assert outline_of(after) == outline_of(before)
        return
    assert nearest_to_corner(after, corner) == pytest.approx(wanted, abs=1e-4)
    assert radius_at(after, corner) > radius
    assert max(abs(turn) for turn in turns(outline_of(after))) < 1e-9


@pytest.mark.parametrize("sagitta", [-14.0, 9.0])
def test_the_gap_holds_beside_a_bowed_tube_and_the_round_is_tangent(sagitta: float) -> None:
    draft = drafts.triangle(400.0, 560.0, 55.0, sagittas={"top-tube": sagitta})
    done = gapped(draft, 4.0, {"default": 0.0, "seat": 30.0, "head": 70.0})
    assert [f.where for f in done.findings] == ["head", "seat"]
    assert nearest_to_corner(done, "seat") == pytest.approx(30.0, abs=1e-4)
    assert nearest_to_corner(done, "head") == pytest.approx(70.0, abs=1e-4)
    assert max(abs(turn) for turn in turns(outline_of(done))) < 1e-6


def test_a_sharp_corner_is_rounded_if_the_gap_asks_for_it() -> None:
    done = gapped(drafts.triangle(400.0, 560.0, 55.0), 5.0, {"default": 0.0, "seat": 15.0}, 0.0)
    assert [edge.name for edge in outline_of(done).edges if edge.is_corner] == ["corner:seat"]
    assert nearest_to_corner(done, "seat") == pytest.approx(15.0, abs=1e-4)


def test_in_a_hollow_corner_the_radius_is_lowered() -> None:
    # The tubes meet at 2 asin 0.8, so the seam line's corner is 6 / 0.8 mm from theirs and a round of r comes
    # r (1 / 0.8 − 1) nearer.
    points = ((0.0, 300.0), (200.0, 150.0), (400.0, 300.0), (400.0, 0.0), (0.0, 0.0))
    draft = drafts.polygon(points)
    done = gapped(draft, 6.0, {"default": 0.0, "corner-1": 4.0}, 60.0)
    assert radius_at(done, "corner-1") == pytest.approx((7.5 - 4.0) / 0.25, abs=1e-6)
    (finding,) = done.findings
    assert (finding.code, finding.where) == ("radius-lowered", "corner-1")
    said = drafts.refusal(
        lambda: gapped(draft, 6.0, {"default": 0.0, "corner-1": 6.1}, 60.0), "corner-gap.corner-1"
    )
    # However sharp, its sides are the tubes' gap away.
    assert "6.0 mm" in said.valid


@pytest.mark.parametrize("sagittas", [None, {"seat-tube": 12.0}])
def test_a_gap_that_no_radius_keeps_is_refused_with_the_largest(sagittas: dict[str, float] | None) -> None:
    draft = drafts.triangle(335.0, 570.0, 51.5, sagittas=sagittas)
    said = drafts.refusal(lambda: gapped(draft, 5.0, {"default": 0.0, "seat": 300.0}), "corner-gap.seat")
    largest = largest_of(said)
    assert 20.0 < largest < 300.0
    drafts.refusal(lambda: gapped(draft, 5.0, {"default": 0.0, "seat": largest + 0.2}), "corner-gap.seat")
    done = gapped(draft, 5.0, {"default": 0.0, "seat": largest}, {"default": 20.0, "bottom-bracket": 0.0})
    assert nearest_to_corner(done, "seat") >= largest - 1e-4
    drafts.refusal(lambda: gapped(draft, 5.0, 300.0), "corner-gap")


def test_a_corner_gap_of_a_corner_that_is_not_there_is_refused() -> None:
    draft = drafts.triangle(400.0, 560.0, 55.0)
    said = drafts.refusal(lambda: gapped(draft, 5.0, {"default": 0.0, "sest": 5.0}), "corner-gap.sest")
    assert "seat" in said.todo


def test_corners_that_are_round_already_are_refused() -> None:
    once = rounded(drafts.triangle(335.0, 570.0, 51.5), 20)
    with pytest.raises(Refusal, match="round already") as caught:
        run(once, RoundOptions())
    assert caught.value.todo.startswith("remove one of them")
