"""`zipper.panel`: halves, tabs and zipper are the panel again, to the last hundredth."""

from __future__ import annotations

from dataclasses import replace
from math import atan2, degrees
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag.geometry import Transform, distance
from oaktag.pattern import Draft, Piece, Refusal
from oaktag.plugin.kit import example_draft, run_stage
from oaktag.recipe import InputError

if TYPE_CHECKING:
    from tests.plugins import zippers
else:
    zippers = SimpleNamespace(**run_path(str(Path(__file__).with_name("zippers.py"))))

BAG = zippers.bag()
SETTINGS = settings(deadline=None, derandomize=True, max_examples=25)
LEFT_OUT = {"zipper-off-panel", "zipper-across-parts", "zipper-longer-than-edge", "zipper-tab-short"}


def height(piece: Piece, zipper: Piece) -> float:
    """Extent of a piece square to a zipper, mm."""
    assert zipper.grain is not None
    (dx, dy) = zipper.grain.direction
    turned = piece.seam_line.transformed(Transform(complex(dx, -dy)))
    return turned.bounds.height


@SETTINGS
@given(
    tube=st.sampled_from(["top-tube", "down-tube", "seat-tube"]),
    distance_=st.floats(5.0, 200.0),
    side=st.sampled_from(["drive", "non-drive"]),
    zipper=st.sampled_from(["zipper-3", "zipper-5", "zipper-8", "zipper-10"]),
    start=st.one_of(st.just(0.0), st.floats(1.0, 90.0)),
    end=st.one_of(st.just(0.0), st.floats(1.0, 90.0)),
)
def test_every_zipper_leaves_the_panel_as_it_was(
    tube: str, distance_: float, side: str, zipper: str, start: float, end: float
) -> None:
    draft = run_stage(
        "zipper.panel",
        BAG,
        parallel_to=tube,
        distance=distance_,
        side=side,
        zipper=zipper,
        start=start,
        end=end,
    )
    zippers.check(draft, BAG)
    if {code for _, code in zippers.codes(draft, BAG)} & LEFT_OUT:
        assert draft.pieces == BAG.pieces
        assert draft.seams == BAG.seams
        return
    whole = draft.piece(f"side-panel-{side}")
    assert len(whole.parts) == 3 + (start > 0) + (end > 0)
    tape = draft.piece(f"zipper-{side}")
    entry = draft.material(zipper)
    assert entry is not None
    strip = 2.0 * (entry.measure("stitch-from-centre") or 0.0)
    halves = [p for p in map(draft.piece, whole.parts) if p.role == "side-panel-part"]
    assert len(halves) == 2
    assert sum(height(half, tape) for half in halves) + strip == pytest.approx(height(whole, tape), abs=1e-6)


@SETTINGS
@given(
    first=st.floats(0.1, 0.9),
    last=st.floats(0.1, 0.9),
    tube=st.sampled_from(["down-tube", "seat-tube"]),
    side=st.sampled_from(["drive", "non-drive"]),
)
def test_zippers_from_place_to_place(first: float, last: float, tube: str, side: str) -> None:
    places = {"from": {"tube": "top-tube", "at": first}, "to": {"tube": tube, "at": last}}
    draft = run_stage("zipper.panel", BAG, side=side, zipper="zipper-5", **places)
    zippers.check(draft, BAG)


def test_a_full_tape_of_37_mm_fills_the_panel_between_the_raw_halves() -> None:
    draft = zippers.panelled(BAG)
    tape, whole = draft.piece("zipper-drive"), draft.piece("side-panel-drive")
    upper, lower = draft.piece("side-panel-drive-upper"), draft.piece("side-panel-drive-lower")
    assert height(tape, tape) == pytest.approx(37.0)
    # 9 mm from the middle to either seam line leave 9.5 mm of tape beneath the cloth on either side.
    assert height(upper, tape) + height(lower, tape) + 18.0 == pytest.approx(height(whole, tape), abs=1e-9)
    under = (height(upper, tape) - 9.5) + 37.0 + (height(lower, tape) - 9.5)
    assert under == pytest.approx(height(whole, tape), abs=1e-9)
    # The middle of the zipper is the line that was asked for.
    top = whole.edge("top-tube").path
    assert tape.grain is not None
    assert top.start[1] - tape.grain.start[1] == pytest.approx(70.0)
    assert height(upper, tape) == pytest.approx(70.0 - 9.0, abs=1e-9)


def test_the_tape_is_drawn_where_it_lies_and_as_long_as_it_is_cut() -> None:
    draft = zippers.panelled(BAG, tape_end=20)
    tape = draft.piece("zipper-drive")
    strip = draft.piece("side-panel-drive").placement("zipper-drive:visible").covers
    assert strip is not None
    assert tape.edge("upper-tape").length == pytest.approx(strip.bounds.width + 40.0)
    assert tape.seam_line.bounds.min_x == pytest.approx(strip.bounds.min_x - 20.0)
    for name in ("upper", "lower"):
        half = draft.piece(f"side-panel-drive-{name}")
        assert tape.placement(name).path.length == pytest.approx(half.edge("zipper-drive").length)
        assert half.edge("zipper-drive").path.nearest(tape.placement(name).path.start)[1] < 1e-9


@pytest.mark.parametrize(
    ("options", "strip"),
    [
        ({}, 18.0),
        ({"visible": 14}, 14.0),
        ({"beside-chain": 4}, 7.5 + 8.0),
        ({"consumed": "21.5 mm"}, 21.5),
        ({"zipper": "shop", "tape-width": 30, "chain-width": 6}, 16.0),
        ({"zipper": "zipper-5", "chain-width": 7, "beside-chain": 5}, 17.0),
    ],
)
def test_what_a_zipper_takes_out_of_the_panel(options: dict[str, Any], strip: float) -> None:
    draft = zippers.panelled(BAG, **options)
    zippers.check(draft, BAG)
    whole, tape = draft.piece("side-panel-drive"), draft.piece("zipper-drive")
    halves = [draft.piece(f"side-panel-drive-{name}") for name in ("upper", "lower")]
    assert height(whole, tape) - sum(height(half, tape) for half in halves) == pytest.approx(strip)


def test_a_panel_may_have_several_zippers() -> None:
    draft = BAG
    for number, at in enumerate((60, 130, 100), 1):
        draft = zippers.panelled(draft, **{"parallel-to": "top-tube", "distance": at, "zipper": "zipper-5"})
        zippers.check(draft, BAG)
        assert sum(piece.role == "zipper" for piece in draft.pieces) == number
    whole = draft.piece("side-panel-drive")
    assert len(whole.parts) == 7
    assert [line.name for line in whole.placements] == [
        "zipper-drive:visible", "zipper-drive-2:visible", "zipper-drive-3:visible",
    ]  # fmt: skip


def test_a_zipper_across_another_is_left_out() -> None:
    one = zippers.panelled(BAG)
    two = run_stage(
        "zipper.panel",
        one,
        **{"from": {"tube": "top-tube", "at": 0.5}, "to": {"tube": "down-tube", "at": 0.6}},
    )
    assert zippers.codes(two, one) == {("error", "zipper-across-parts")}
    assert two.pieces == one.pieces


def test_steep_zippers_have_a_front_and_a_rear() -> None:
    for side in ("drive", "non-drive"):
        draft = run_stage(
            "zipper.panel",
            BAG,
            side=side,
            **{"from": {"tube": "top-tube", "at": 0.5}, "to": {"tube": "down-tube", "at": 0.7}},
        )
        front, rear = (draft.piece(f"side-panel-{side}-{name}") for name in ("front", "rear"))
        ahead = front.seam_line.bounds.centre[0] > rear.seam_line.bounds.centre[0]
        assert ahead is (side == "drive")
        assert "corner:head" in {edge.name for edge in front.edges}


def test_the_upper_half_is_above_on_both_sides() -> None:
    draft = zippers.panelled(zippers.panelled(BAG), side="non-drive")
    for side in ("drive", "non-drive"):
        upper, lower = (draft.piece(f"side-panel-{side}-{name}") for name in ("upper", "lower"))
        assert upper.seam_line.bounds.min_y > lower.seam_line.bounds.max_y
        tape = draft.piece(f"zipper-{side}")
        assert tape.placement("upper").path.start[1] > tape.placement("lower").path.start[1]


def test_tabs_close_the_ends() -> None:
    draft = zippers.panelled(BAG, start=40, end=60, tab_material="webbing-38")
    zippers.check(draft, BAG)
    line = draft.piece("side-panel-drive").placement("zipper-drive:visible").path
    whole = zippers.panelled(BAG).piece("side-panel-drive").placement("zipper-drive:visible").path
    assert distance(line.start, whole.start) == pytest.approx(40.0)
    assert distance(line.end, whole.end) == pytest.approx(60.0)
    for end in ("start", "end"):
        tab = draft.piece(f"zipper-drive-tab-{end}")
        assert (tab.role, tab.material) == ("tab", "webbing-38")
        assert tab.edge("zipper-drive-tape").length == pytest.approx(18.0)
    sewn = {seam.id: (seam.a.piece, seam.b.piece) for seam in draft.seams}
    assert sewn["zipper-drive-tab-start-tape"] == ("zipper-drive-tab-start", "zipper-drive")
    assert sewn["zipper-drive-tab-end-upper"] == ("side-panel-drive-upper", "zipper-drive-tab-end")


@pytest.mark.parametrize(
    ("options", "tabs"),
    [({}, (None, None)), ({"start": 50}, (50.0, None)), ({"end": 50}, (None, 50.0))],
)
def test_a_length_leaves_the_rest_to_tabs(
    options: dict[str, Any], tabs: tuple[float | None, float | None]
) -> None:
    draft = zippers.panelled(BAG, length=300, **options)
    zippers.check(draft, BAG)
    whole = zippers.panelled(BAG).piece("side-panel-drive").placement("zipper-drive:visible").path
    line = draft.piece("side-panel-drive").placement("zipper-drive:visible").path
    assert line.length == pytest.approx(300.0)
    rest = whole.length - 300.0
    start, end = tabs
    wanted = start if start is not None else rest - end if end is not None else 0.5 * rest
    assert distance(line.start, whole.start) == pytest.approx(wanted)


def test_parts_are_cut_along_the_warp_of_the_panel() -> None:
    draft = zippers.panelled(BAG, side="non-drive")
    for name in ("upper", "lower"):
        grain = draft.piece(f"side-panel-non-drive-{name}").grain
        assert grain is not None
        assert abs(grain.direction[1]) < 1e-9
        part = draft.piece(f"side-panel-non-drive-{name}").seam_line
        assert part.contains(grain.start)
        assert part.contains(grain.end)


@pytest.mark.parametrize(("name", "slider"), [("zipper-coated-8", "slider-8"), ("coated-zipper", None)])
def test_a_zipper_of_the_shops_own_takes_the_slider_of_its_gauge(name: str, slider: str | None) -> None:
    eight = BAG.material("zipper-8")
    assert eight is not None
    stocked = BAG.evolve(materials=(*BAG.materials, replace(eight, name=name)))
    draft = zippers.panelled(stocked, zipper=name)
    fittings = [one.material for one in draft.piece(new_zippers(draft)[0]).fittings]
    assert fittings == ([] if slider is None else [slider])
    told = zippers.codes(draft, stocked) & {("note", "slider-unknown")}
    assert bool(told) == (slider is None)


def new_zippers(draft: Draft) -> list[str]:
    return [piece.id for piece in draft.pieces if piece.role == "zipper"]


def test_a_liner_that_is_there_already_stays_closed_and_that_is_said() -> None:
    lined = run_stage("liner.full", BAG, thickness=3)
    late = zippers.panelled(lined)
    assert zippers.codes(late, lined) == {("error", "zipper-behind-liner")}
    early = run_stage("liner.full", zippers.panelled(BAG), thickness=3)
    assert zippers.codes(early, BAG) == {("note", "liner-turn-of-cloth")}


def test_sliders_rest_at_the_closed_end() -> None:
    def rests(**options: Any) -> list[float]:
        draft = zippers.panelled(BAG, **options)
        line = draft.piece("side-panel-drive").placement("zipper-drive:visible").path
        return [distance(line.start, one.point) for one in draft.piece("zipper-drive").fittings]

    length = zippers.panelled(BAG).piece("side-panel-drive").placement("zipper-drive:visible").path.length
    # 3 mm to the seam, a top stop of 5 mm, half of a slider of 15 mm.
    assert rests() == pytest.approx([length - 15.5])
    assert rests(closed_at="start") == pytest.approx([15.5])
    assert rests(sliders=2) == pytest.approx([16.5, length - 15.5])
    draft = zippers.panelled(BAG, zipper="zipper-10")
    assert [one.material for one in draft.piece("zipper-drive").fittings] == ["slider-10"]
    assert zippers.panelled(BAG, slider="slider-10").piece("zipper-drive").fittings[0].material == "slider-10"


def order(draft: Draft) -> str:
    return next(f.message for f in draft.findings if f.code == "zipper-order")


def test_the_note_says_what_to_order() -> None:
    draft = zippers.panelled(BAG, length=250, start=60)
    # Between the tabs 250 mm: stops 5 and 6 mm, 3 mm off each seam; 15 mm of tape under each tab.
    assert order(draft) == (
        "zipper-8, one slider: opening 250.0 mm, 233.0 mm from stop to stop; order at least 305 mm, "
        "buy 350 mm, cut the tape to 280.0 mm"
    )
    assert draft.piece("zipper-drive").edge("upper-tape").length == pytest.approx(280.0)
    assert "buy 320 mm" in order(zippers.panelled(BAG, length=250, start=60, stock=[300, 320, 400]))
    roll = zippers.with_material(BAG, "zipper-8", measures=(("chain-width", 7.5),))
    assert "buy 305 mm" in order(zippers.panelled(roll, length=250, start=60, stop_inset=3))


def test_names_can_be_chosen() -> None:
    draft = zippers.panelled(BAG, name="main")
    assert draft.piece("main").role == "zipper"
    with pytest.raises(Refusal) as refused:
        zippers.panelled(draft, name="main", side="non-drive")
    assert refused.value.key == "name"


@pytest.mark.parametrize(
    ("options", "key"),
    [
        ({"zipper": "zipper-9"}, "zipper"),
        ({"zipper": "canvas-500d"}, "chain-width"),
        ({"slider": "slider-9"}, "slider"),
        ({"body": "upper"}, "body"),
        ({"parallel-to": "chain-stay", "distance": 40}, "parallel-to"),
    ],
)
def test_names_that_there_arent(options: dict[str, Any], key: str) -> None:
    with pytest.raises(Refusal) as refused:
        zippers.panelled(BAG, **options)
    assert refused.value.key == key


@pytest.mark.parametrize(
    "options",
    [
        {"visible": 14, "consumed": 15},
        {"length": 200, "start": 30, "end": 30},
        {"sliders": 3},
        {"distance": 40},
    ],
)
def test_options_that_contradict_each_other(options: dict[str, Any]) -> None:
    with pytest.raises(InputError):
        run_stage(
            "zipper.panel", BAG, **({**zippers.ACROSS, **options} if "distance" not in options else options)
        )


@pytest.mark.parametrize(
    ("options", "found"),
    [
        ({}, set()),
        ({"parallel-to": "top-tube", "distance": -5}, {("error", "zipper-off-panel")}),
        ({"parallel-to": "top-tube", "distance": 4}, {("error", "zipper-off-panel")}),
        ({"length": 500}, {("error", "zipper-longer-than-edge")}),
        ({"start": 300, "end": 200}, {("error", "zipper-longer-than-edge")}),
        ({"end": 5}, {("error", "zipper-tab-short")}),
        ({"parallel-to": "top-tube", "distance": 10, "zipper": "zipper-3"},
         {("warning", "zipper-half-narrow"), ("error", "zipper-on-corner")}),
        ({"parallel-to": "top-tube", "distance": 35, "zipper": "zipper-3"},
         {("error", "zipper-on-corner"), ("warning", "zipper-near-corner")}),
        ({"parallel-to": "top-tube", "distance": 35, "zipper": "zipper-3", "start": 40, "end": 80}, set()),
        ({"parallel-to": "top-tube", "distance": 45, "zipper": "zipper-3"},
         {("warning", "zipper-near-corner")}),
        ({"visible": 36}, {("error", "zipper-tape-narrow")}),
        ({"visible": 30}, {("warning", "zipper-tape-narrow")}),
        ({"visible": 7}, {("error", "zipper-strip-narrow")}),
        ({"stock": [200, 300]}, {("error", "zipper-too-long-for-stock")}),
        ({"length": 30, "sliders": 2}, {("error", "zipper-too-short")}),
        ({"parallel-to": "down-tube", "distance": 90}, {("warning", "zipper-bias")}),
    ],
)  # fmt: skip
def test_findings(options: dict[str, Any], found: set[tuple[str, str]]) -> None:
    draft = zippers.panelled(BAG, **options)
    assert zippers.codes(draft, BAG) == found
    zippers.check(draft, BAG)
    for finding in draft.findings[len(BAG.findings) :]:
        assert any(char.isdigit() for char in finding.message)


def test_a_short_roll_is_too_short() -> None:
    short = zippers.with_material(BAG, "zipper-8", longest=400.0)
    draft = zippers.panelled(short)
    assert zippers.codes(draft, short) == {("error", "zipper-too-long-for-stock")}
    long = zippers.with_material(BAG, "zipper-8", longest=490.0)
    draft = zippers.panelled(long)
    assert zippers.codes(draft, long) == set()
    assert "buy 490 mm" in order(draft)


@pytest.mark.parametrize("side", ["drive", "non-drive"])
def test_obstacles_within_reach_of_the_pull(side: str) -> None:
    near = zippers.bag(zippers.shifter(0.25))
    draft = zippers.panelled(near, side=side)
    assert zippers.codes(draft, near) == {("warning", "zipper-at-obstacle")}
    assert zippers.codes(zippers.panelled(near, side=side, obstacle_reach=0), near) <= {
        ("warning", "zipper-at-obstacle")
    }
    # Of a zipper in the front of the panel only, on either side.
    front = zippers.panelled(near, side=side, start=250)
    assert zippers.codes(front, near) == {("warning", "zipper-at-obstacle")}
    rear = zippers.panelled(near, side=side, end=250)
    assert zippers.codes(rear, near) == set()
    far = zippers.bag(zippers.shifter(0.7))
    assert zippers.codes(zippers.panelled(far, side=side), far) == set()
    message = next(f.message for f in draft.findings if f.code == "zipper-at-obstacle")
    assert "shifter on down-tube" in message


def test_the_bias_is_counted_from_the_grain() -> None:
    panel = BAG.piece("side-panel-drive")
    tube = panel.edge("down-tube").path.segments[0]
    turned = BAG.replaced(panel.evolve(grain=tube))
    assert (
        zippers.codes(zippers.panelled(turned, **{"parallel-to": "down-tube", "distance": 90}), turned)
        == set()
    )
    assert zippers.codes(zippers.panelled(turned), turned) == {("warning", "zipper-bias")}


def test_half_bags_have_zippers_too() -> None:
    half = example_draft("measure.reconcile", "outline.clear")
    half = run_stage("body.half", half, parallel_to="top-tube", distance=150)
    for stage in ("corners.round", "panel.pair", "gusset.wrap"):
        half = run_stage(stage, half)
    lower = [edge.name for edge in half.piece("side-panel-drive").edges if not edge.is_corner]
    assert "lower" in lower
    # Its lower edge has the name of the zipper's lower side.
    draft = zippers.panelled(half, start=50, end=50)
    zippers.check(draft, half)


def test_every_body_gets_its_own() -> None:
    two = example_draft("measure.reconcile", "outline.clear")
    two = run_stage("body.two", two, parallel_to="top-tube", distance=150, gap=10)
    for stage in ("corners.round", "panel.pair", "gusset.wrap"):
        two = run_stage(stage, two)
    names = [outline.body for outline in two.outlines]
    draft = run_stage("zipper.panel", two, name="main", body=names[0], parallel_to="top-tube", distance=70)
    zippers.check(draft, two)
    zipper = draft.piece(f"{names[0]}-main")
    assert zipper.body == names[0]
    assert draft.piece(f"{names[0]}-side-panel-drive").assembled
    assert not draft.piece(f"{names[1]}-side-panel-drive").assembled


def test_the_chain_angle_is_that_of_the_line() -> None:
    draft = run_stage(
        "zipper.panel", BAG, parallel_to="top-tube", through={"tube": "seat-tube", "at": 0.7}, angle=-12
    )
    zippers.check(draft, BAG)
    grain = draft.piece("zipper-drive").grain
    assert grain is not None
    assert degrees(atan2(grain.direction[1], grain.direction[0])) == pytest.approx(-12.0)
