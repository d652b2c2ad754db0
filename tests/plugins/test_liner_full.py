"""`liner.full`: the inner bag."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag import Refusal
from oaktag.geometry import Line, Path
from oaktag.pattern import Draft, Edge, PlacementLine, Seam, SeamSide
from oaktag.pattern.walk import run_path, walk
from oaktag.plugin.kit import example_draft, run_stage
from oaktag.recipe import InputError
from oaktag_plugins.drafting.split import split_outline

BARE = example_draft("measure.reconcile", "outline.clear", "corners.round", "panel.pair")
BAG = run_stage("gusset.wrap", BARE)
IN_THREE = run_stage(
    "gusset.wrap",
    BARE,
    between="monotone-cubic",
    joins=[
        {"tube": "down-tube", "at": 0.5},
        {"tube": "top-tube", "at": 0.3},
        {"tube": "seat-tube", "at": 0.6},
    ],
)
SETTINGS = settings(deadline=None, derandomize=True, max_examples=15)


def new_codes(draft: Draft, before: Draft = BAG) -> list[tuple[str, str]]:
    return [(f.level, f.code) for f in draft.findings[len(before.findings) :]]


def check_seams(draft: Draft, before: Draft = BAG) -> list[str]:
    """Walk what has come since; return the kinds of these seams."""
    fresh = draft.seams[len(before.seams) :]
    for seam in fresh:
        assert abs(walk(draft, seam).difference) < 1e-4, seam.id
    return [seam.kind for seam in fresh]


@SETTINGS
@given(st.floats(0.0, 9.0), st.sampled_from([BAG, IN_THREE]))
def test_the_liner_is_shorter_by_a_whole_turn_of_cloth(thickness: float, bag: Draft) -> None:
    draft = run_stage("liner.full", bag, thickness=thickness)
    kinds = check_seams(draft, bag)
    strips = [piece for piece in draft.pieces if piece.id.startswith("liner-gusset")]
    assert kinds == ["liner"] * (3 * len(strips))
    outline = bag.outline_of("")
    panel = draft.piece("liner-drive")
    shorter = outline.path.length - panel.seam_line.length
    assert shorter == pytest.approx(2.0 * math.pi * thickness, abs=1e-6)
    for edge in outline.edges:
        lost = edge.length - panel.edge(edge.name).length
        turn = 0.0
        if edge.is_corner:
            a, b = edge.path.tangent_at(0.0), edge.path.tangent_at(edge.length)
            turn = math.acos(max(-1.0, min(1.0, a[0] * b[0] + a[1] * b[1])))
        assert lost == pytest.approx(turn * thickness, abs=1e-6)


@SETTINGS
@given(st.floats(0.0, 9.0), st.floats(0.0, 1.0), st.sampled_from([BAG, IN_THREE]))
def test_its_gusset_is_narrower_by_both_sides(thickness: float, share: float, bag: Draft) -> None:
    draft = run_stage("liner.full", bag, thickness=thickness)
    shells = [piece for piece in bag.pieces if piece.role == "gusset"]
    strips = [piece for piece in draft.pieces if piece.id.startswith("liner-gusset")]
    assert len(shells) == len(strips)
    for shell, strip in zip(shells, strips, strict=True):
        for end in ("start", "end"):
            assert strip.edge(end).length == pytest.approx(shell.edge(end).length - 2 * thickness, abs=1e-6)
        upper, lower = strip.edge("non-drive").path, strip.edge("drive").path
        (x, y), (x2, y2) = upper.point_at(share * upper.length), lower.point_at((1 - share) * lower.length)
        assert (x2, y2) == pytest.approx((x, -y), abs=1e-6)
    # At the same place of the same edge of the outline the width is the shell's less both thicknesses.
    shell_seams = [s for s in bag.seams if s.kind == "shell" and s.b.edges == ("non-drive-side",)]
    liner_seams = [s for s in draft.seams if s.kind == "liner" and s.b.edges == ("non-drive",)]
    outline, inner = bag.outline_of(""), draft.piece("liner-drive")
    place, here = place_of(outline.edges, shell_seams[0].a, share)
    width = width_at(bag, shell_seams[0], here)
    there = station_of(inner.edges, place) - station_of_side(inner.edges, liner_seams[0].a)
    there %= inner.seam_line.length
    assert width_at(draft, liner_seams[0], there) == pytest.approx(width - 2 * thickness, abs=2e-3)


def station_of_side(edges: Sequence[Edge], side: SeamSide) -> float:
    return station_of(edges, (side.edges[0], 0.0)) + side.start


def station_of(edges: Sequence[Edge], place: tuple[str, float]) -> float:
    total = 0.0
    for edge in edges:
        if edge.name == place[0]:
            return total + place[1] * edge.length
        total += edge.length
    raise AssertionError(place)


def place_of(edges: Sequence[Edge], side: SeamSide, share: float) -> tuple[tuple[str, float], float]:
    """The edge and the share of it, at a share of a side's run; and mm from the run's start."""
    whole = sum(edge.length for edge in edges)
    along = share * (whole if side.length is None else side.length)
    at = (station_of_side(edges, side) + along) % whole
    for edge in edges:
        if at <= edge.length:
            return (edge.name, at / edge.length), along
        at -= edge.length
    raise AssertionError


def width_at(draft: Draft, seam: Seam, along: float) -> float:
    path = run_path(draft, seam.b)
    return 2.0 * path.point_at(min(along, path.length))[1]


def test_the_other_panel_is_the_mirror_image() -> None:
    draft = run_stage("liner.full", BAG, thickness=4)
    a, b = draft.piece("liner-drive"), draft.piece("liner-non-drive")
    assert a.seam_line.area == pytest.approx(-b.seam_line.area)
    assert a.seam_line.bounds == pytest.approx(b.seam_line.bounds)


def test_the_thickness_comes_from_the_table() -> None:
    draft = run_stage("liner.full", BAG, layers=["canvas-500d", "foam-5"])
    thickness = sum(m.thickness for m in BAG.materials if m.name in ("canvas-500d", "foam-5"))
    shorter = BAG.outline_of("").path.length - draft.piece("liner-drive").seam_line.length
    assert shorter == pytest.approx(2 * math.pi * thickness)
    assert f"{thickness:g} mm inside" in draft.findings[-2].message


def test_without_a_known_thickness_it_is_refused() -> None:
    pieces = tuple(piece.evolve(material="oilcloth") for piece in BAG.pieces)
    with pytest.raises(Refusal, match="isn't known") as caught:
        run_stage("liner.full", BAG.evolve(pieces=pieces))
    assert caught.value.key == "thickness"
    pieces = tuple(piece.evolve(material="canvas-500d") for piece in BAG.pieces)
    draft = run_stage("liner.full", BAG.evolve(pieces=pieces))
    assert draft.piece("liner-drive").seam_line.length < BAG.outline_of("").path.length
    with pytest.raises(InputError, match="twice"):
        run_stage("liner.full", BAG, thickness=3, layers=["foam-3"])


def test_what_can_not_be_drafted_is_said() -> None:
    assert new_codes(run_stage("liner.full", BAG, thickness=25)) == [("error", "liner-no-room")]
    narrow = run_stage(
        "gusset.wrap", BARE, width={"top-tube": 12, "default": 12, "down-tube": 12, "seat-tube": 12}
    )
    draft = run_stage("liner.full", narrow, thickness=7)
    assert new_codes(draft, narrow) == [("error", "liner-too-narrow")]
    assert len(draft.pieces) == len(narrow.pieces)
    assert new_codes(run_stage("liner.full", BAG, thickness=3)) == [
        ("note", "liner-turn-of-cloth"),
        ("note", "liner-not-caught"),
    ]


def test_a_round_that_all_but_vanishes_is_too_fast_a_change() -> None:
    bag = run_stage("gusset.wrap", BARE, add=40, widest=200, widest_upper_rear=200)
    draft = run_stage("liner.full", bag, thickness=19.9)
    assert new_codes(draft, bag) == [("error", "liner-too-narrow")]
    assert "too fast" in draft.findings[-1].message
    assert new_codes(run_stage("liner.full", bag, thickness=10), bag)[0][1] == "liner-turn-of-cloth"


ZIPPER = {"zipper": "zipper-8", "parallel_to": "top-tube", "distance": 60}


@pytest.mark.parametrize("side", ["drive", "non-drive"])
def test_a_zipper_catches_the_liner(side: str) -> None:
    bag = run_stage("zipper.panel", BAG, side=side, **ZIPPER)
    draft = run_stage("liner.full", bag, thickness=4)
    kinds = check_seams(draft, bag)
    assert kinds.count("layer") == 2
    whole = draft.piece(f"liner-{side}")
    assert whole.parts == (f"liner-{side}-1", f"liner-{side}-2")
    parts = [draft.piece(name) for name in whole.parts]
    strip = next(line.covers for line in whole.placements if line.what == "zipper")
    assert strip is not None
    areas = sum(abs(part.seam_line.area) for part in parts) + abs(strip.area)
    assert areas == pytest.approx(abs(whole.seam_line.area), abs=1e-3)
    for part in parts:
        assert part.seam_line.closed
        assert {edge.of for edge in part.edges} <= {edge.name for edge in whole.edges} | {""}
        seam = next(s for s in draft.seams if s.kind == "layer" and s.b.piece == part.id)
        # Sewn edges lie upon each other, and the shell's half is the one on the same side.
        for end in ("start", "end"):
            a, b = (getattr(run_path(draft, one), end) for one in (seam.a, seam.b))
            assert a == pytest.approx(b, abs=1e-6)
        shell = draft.piece(seam.a.piece).seam_line.polygon()
        assert shell.intersection(part.seam_line.polygon()).area == pytest.approx(
            part.seam_line.polygon().area, abs=0.5
        )
    assert "liner-not-caught" not in {finding.code for finding in draft.findings}
    assert draft.piece("liner-non-drive" if side == "drive" else "liner-drive").parts == ()


def test_a_zipper_outside_of_the_liner_is_an_error() -> None:
    bag = run_stage("zipper.panel", BAG, zipper="zipper-3", parallel_to="top-tube", distance=10)
    draft = run_stage("liner.full", bag, thickness=10)
    assert ("error", "liner-zipper") in new_codes(draft, bag)
    assert draft.piece("liner-drive").parts == ()


def test_two_zippers_cut_the_liner_in_three() -> None:
    bag = run_stage("zipper.panel", BAG, **ZIPPER)
    bag = run_stage("zipper.panel", bag, parallel_to="top-tube", distance=150, zipper="zipper-5")
    draft = run_stage("liner.full", bag, thickness=3)
    assert check_seams(draft, bag).count("layer") == 4
    assert len(draft.piece("liner-drive").parts) == 3
    proof = run_stage("check.parts", draft)
    assert [f for f in proof.findings if f.code.startswith("parts") and f.level == "error"] == []


def test_a_panel_sewn_together_from_parts_catches_one_liner_with_both() -> None:
    bag = run_stage("zipper.panel", BAG, **ZIPPER)
    upper = bag.piece("side-panel-drive-upper")
    cut = next(edge for edge in upper.edges if edge.name.startswith("zipper"))
    x = cut.path.point_at(0.4 * cut.path.length)[0]
    split = split_outline(upper.edges, (x, 0.0), (0.0, 1.0))
    halves = [
        upper.evolve(id=f"{upper.id}-{name}", edges=half.edges)
        for name, half in (("left", split.left), ("right", split.right))
    ]
    host = bag.piece("side-panel-drive")
    parts = tuple(part for part in host.parts if part != upper.id) + tuple(half.id for half in halves)
    seams = [seam for seam in bag.seams if upper.id not in (seam.a.piece, seam.b.piece)]
    old = next(s for s in bag.seams if s.kind == "zipper" and upper.id in (s.a.piece, s.b.piece))
    for half in halves:
        for side in (old.a, old.b):
            if side.piece == upper.id:
                here = replace(side, piece=half.id)
                there = old.b if side is old.a else old.a
                seams.append(Seam(f"z-{half.id}", here, there, kind="zipper"))
    left, right = (SeamSide(half.id, ("cut",)) for half in halves)
    seams.append(Seam("yoke", left, replace(right, reverse=True), kind="part"))
    pieces = tuple(p for p in bag.pieces if p.id != upper.id)
    bag = bag.evolve(pieces=(*pieces, *halves), seams=tuple(seams)).replaced(host.evolve(parts=parts))
    draft = run_stage("liner.full", bag, thickness=3)
    assert check_seams(draft, bag).count("layer") == 3
    assert len(draft.piece("liner-drive").parts) == 2


def test_tabs_at_a_zipper_leave_the_liner_whole_beside_them() -> None:
    bag = run_stage("zipper.panel", BAG, start=50, end=90, **ZIPPER)
    draft = run_stage("liner.full", bag, thickness=3)
    assert check_seams(draft, bag).count("layer") == 2
    assert len(draft.piece("liner-drive").parts) == 2


def test_a_zipper_in_the_gusset_is_left_to_the_hand() -> None:
    strip = BAG.piece("gusset")
    x = strip.seam_line.bounds.centre[0]
    band = Path.polyline([(x, -5.0), (x + 90, -5.0), (x + 90, 5.0), (x, 5.0)], True)
    line = PlacementLine("zipper:visible", Path((Line((x, 0.0), (x + 90, 0.0)),)), "zipper", covers=band)
    draft = run_stage("liner.full", BAG.replaced(strip.evolve(placements=(line,))), thickness=3)
    assert ("warning", "liner-gusset-zipper") in new_codes(draft)
