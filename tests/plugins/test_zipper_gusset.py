"""`zipper.gusset`: end parts, half strips and zipper are the gusset again."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag.pattern import Place, Refusal
from oaktag.plugin.kit import example_draft, example_frame, run_stage

if TYPE_CHECKING:
    from tests.plugins import zippers
else:
    zippers = SimpleNamespace(**run_path(str(Path(__file__).with_name("zippers.py"))))

BAG = zippers.bag()
BARE = example_draft(*zippers.PANELS)
PARTED = run_stage(
    "gusset.wrap", BARE, joins=[{"tube": "down-tube", "at": 0.5}, {"tube": "seat-tube", "at": 0.5}]
)
SETTINGS = settings(deadline=None, derandomize=True, max_examples=20)


@SETTINGS
@given(
    first=st.floats(0.05, 0.95),
    last=st.floats(0.05, 0.95),
    tubes=st.sampled_from([("top-tube", "top-tube"), ("seat-tube", "top-tube"), ("seat-tube", "seat-tube")]),
    zipper=st.sampled_from(["zipper-3", "zipper-5", "zipper-8"]),
    visible=st.floats(10.0, 45.0),
)
def test_every_zipper_leaves_the_gusset_as_it_was(
    first: float, last: float, tubes: tuple[str, str], zipper: str, visible: float
) -> None:
    places = {"from": {"tube": tubes[0], "at": first}, "to": {"tube": tubes[1], "at": last}}
    draft = run_stage("zipper.gusset", BAG, zipper=zipper, visible=visible, **places)
    zippers.check(draft, BAG)
    if any("is left out" in finding.message for finding in draft.findings):
        assert draft.pieces == BAG.pieces
        assert draft.seams == BAG.seams
        return
    whole = draft.piece("gusset")
    assert whole.parts == (
        "gusset-start", "gusset-end", "gusset-non-drive", "gusset-drive", "zipper-gusset",
    )  # fmt: skip
    tape, strip = draft.piece("zipper-gusset"), whole.placement("zipper-gusset:visible")
    for side in ("non-drive", "drive"):
        half = draft.piece(f"gusset-{side}")
        length = half.edge("zipper-gusset").length
        assert length == pytest.approx(strip.path.length)
        assert length == pytest.approx(tape.placement(side).path.length)


def test_the_zipper_lies_in_the_middle() -> None:
    draft = zippers.gusseted(BAG)
    zippers.check(draft, BAG)
    assert zippers.codes(draft, BAG) == set()
    tape, whole = draft.piece("zipper-gusset"), draft.piece("gusset")
    assert tape.seam_line.bounds.centre[1] == pytest.approx(0.0)
    assert tape.seam_line.bounds.height == pytest.approx(25.0)
    upper, lower = (draft.piece(f"gusset-{side}") for side in ("non-drive", "drive"))
    assert upper.seam_line.bounds.min_y == pytest.approx(7.0)
    assert upper.seam_line.bounds.max_y == pytest.approx(-lower.seam_line.bounds.min_y)
    # An end of the gusset's end part is sewn to both halves and the tape: 7 mm each way from the middle.
    cut = draft.piece("gusset-start").edge("zipper-gusset-start").length
    runs = [seam.a.length for seam in draft.seams if seam.a.piece == "gusset-start" and seam.a.length]
    assert len(runs) == 3
    assert sum(runs) == pytest.approx(cut)
    assert min(runs, key=lambda run: abs(run - 14.0)) == pytest.approx(14.0)
    assert whole.edges == BAG.piece("gusset").edges


def test_it_begins_where_it_is_asked_to() -> None:
    outline = BAG.outline_of("")
    draft = zippers.gusseted(BAG, 0.3, 0.7)
    assert draft.opening is not None
    tube = draft.opening.edge("top-tube").path
    wanted = [outline.path.nearest(tube.point_at(share * tube.length))[0] for share in (0.3, 0.7)]
    half = draft.piece("gusset-non-drive")
    outer = next(edge for edge in half.edges if edge.of == "non-drive-side")
    assert outer.length == pytest.approx(wanted[1] - wanted[0])


def test_two_zippers_in_one_strip() -> None:
    one = zippers.gusseted(BAG)
    places = {"from": {"tube": "seat-tube", "at": 0.2}, "to": {"tube": "seat-tube", "at": 0.8}}
    two = run_stage("zipper.gusset", one, zipper="zipper-3", **places)
    zippers.check(two, BAG)
    assert len(two.piece("gusset").parts) == 9
    across = run_stage(
        "zipper.gusset", one, zipper="zipper-3", **{**places, "to": {"tube": "top-tube", "at": 0.5}}
    )
    assert zippers.codes(across, one) == {("error", "zipper-across-parts")}
    assert across.pieces == one.pieces
    within = zippers.gusseted(one, 0.3, 0.6)
    assert zippers.codes(within, one) == {("error", "zipper-across-parts")}


def test_a_zipper_from_join_to_join_needs_no_end_parts() -> None:
    places = {"from": {"tube": "down-tube", "at": 0.5}, "to": {"tube": "seat-tube", "at": 0.5}}
    draft = run_stage("zipper.gusset", PARTED, zipper="zipper-3", **places)
    zippers.check(draft, PARTED)
    parts = draft.piece("gusset-1").parts
    assert len(parts) == 3
    assert {edge.of for edge in draft.piece(parts[0]).edges} >= {"start", "end"}
    assert {code for _, code in zippers.codes(draft, PARTED)} == {"zipper-near-join", "zipper-on-corner"}


@pytest.mark.parametrize(
    ("places", "options", "found"),
    [
        (("top-tube", 0.2, "down-tube", 0.9), {}, {("error", "zipper-over-join")}),
        (("top-tube", 0.5, "top-tube", 0.5), {}, {("error", "zipper-too-short")}),
        (("top-tube", 0.5, "top-tube", 0.54), {}, {("error", "zipper-too-short")}),
        (("top-tube", 0.2, "top-tube", 0.8), {"visible": 40}, {("error", "zipper-wider-than-gusset")}),
        (("top-tube", 0.2, "top-tube", 0.8), {"visible": 24},
         {("error", "zipper-tape-narrow"), ("warning", "zipper-half-narrow")}),
        (("seat-tube", 0.4, "top-tube", 0.6), {}, {("warning", "zipper-on-corner")}),
        (("top-tube", 0.1, "top-tube", 0.6), {}, {("warning", "zipper-near-corner")}),
        (("top-tube", 0.2, "top-tube", 0.93), {}, {("warning", "zipper-on-corner")}),
        (("down-tube", 0.48, "down-tube", 0.8), {}, {("error", "zipper-over-join")}),
        (("down-tube", 0.52, "down-tube", 0.8), {}, {("warning", "zipper-near-join")}),
    ],
)  # fmt: skip
def test_findings(
    places: tuple[str, float, str, float], options: dict[str, Any], found: set[tuple[str, str]]
) -> None:
    tube, at, to, end = places
    ends = {"from": {"tube": tube, "at": at}, "to": {"tube": to, "at": end}}
    draft = run_stage("zipper.gusset", BAG, zipper="zipper-3", **{**ends, **options})
    assert zippers.codes(draft, BAG) == found
    zippers.check(draft, BAG)
    for finding in draft.findings[len(BAG.findings) :]:
        assert len(finding.message) > 40


def test_a_gusset_that_is_left_off_has_no_zipper() -> None:
    bag = run_stage("gusset.wrap", BARE, open=["top-tube"])
    draft = zippers.gusseted(bag)
    assert zippers.codes(draft, bag) == {("error", "zipper-off-gusset")}


@pytest.mark.parametrize(("at", "level"), [(0.6, "error"), (0.765, "error"), (0.79, "warning"), (0.84, None)])
def test_holes_and_pulls(at: float, level: str | None) -> None:
    bag = zippers.bag(zippers.shifter(at))
    places = {"from": {"tube": "down-tube", "at": 0.55}, "to": {"tube": "down-tube", "at": 0.75}}
    draft = run_stage("zipper.gusset", bag, zipper="zipper-3", corner_margin=0, **places)
    found = zippers.codes(draft, bag)
    assert found == (set() if level is None else {(level, "zipper-at-obstacle")})


@pytest.mark.parametrize(("body", "found"), [("upper", {("error", "zipper-at-obstacle")}), ("lower", set())])
def test_a_thing_on_the_frame_is_in_the_way_of_its_own_body_alone(
    body: str, found: set[tuple[str, str]]
) -> None:
    peg = replace(zippers.shifter(0.5), place=Place("top-tube", 0.5))
    frame = replace(example_frame(), obstacles=(peg,))
    clear = example_draft("measure.reconcile", "outline.clear", frame=frame)
    cut = {"from": {"tube": "seat-tube", "at": 0.5}, "to": {"tube": "down-tube", "at": 0.5}}
    draft = run_stage("body.two", clear, gap=10, **cut)
    for use in ("corners.round", "panel.pair", "gusset.wrap"):
        draft = run_stage(use, draft)
    edge = {"upper": "top-tube", "lower": "upper"}[body]
    places = {"from": {"tube": edge, "at": 0.15}, "to": {"tube": edge, "at": 0.85}}
    zipped = run_stage("zipper.gusset", draft, body=body, zipper="zipper-3", **places)
    told = zippers.codes(zipped, draft)
    assert {code for code in told if code[1] == "zipper-at-obstacle"} == found


def test_names_that_there_arent() -> None:
    with pytest.raises(Refusal) as refused:
        run_stage(
            "zipper.gusset",
            BAG,
            **{"from": {"tube": "chain-stay", "at": 0.5}, "to": {"tube": "top-tube", "at": 0.8}},
        )
    assert refused.value.key == "from.tube"
