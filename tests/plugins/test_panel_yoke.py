"""`panel.yoke`: parts that are the panel again, and seams that stay true when a part is cut again."""

from __future__ import annotations

from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag.geometry import Transform
from oaktag.pattern import Draft, Piece, Refusal
from oaktag.plugin.kit import example_draft, run_stage
from oaktag_plugins.drafting.bag import rectangle_edges, sew_on

if TYPE_CHECKING:
    from tests.plugins import bodies
else:
    bodies = SimpleNamespace(**run_path(str(Path(__file__).with_name("bodies.py"))))

BAG = example_draft("measure.reconcile", "outline.clear", "corners.round", "panel.pair", "gusset.wrap")
SETTINGS = settings(deadline=None, derandomize=True, max_examples=12)
ACROSS = {"parallel-to": "top-tube", "distance": 90}
DOWN = {"parallel-to": "top-tube", "through": {"tube": "top-tube", "at": 0.5}, "angle": 90}
HOSTS = ("side-panel-drive", "side-panel-non-drive")


def yoked(*lines: dict[str, Any], draft: Draft = BAG, **options: Any) -> Draft:
    return run_stage("panel.yoke", draft, lines=list(lines), **options)


def proved(draft: Draft) -> Draft:
    for use in ("notch.match", "check.walk-seams", "check.parts"):
        draft = run_stage(use, draft, **({"distinguish": False} if use == "notch.match" else {}))
    return draft


def add_up(draft: Draft, host: str) -> None:
    """The parts are the whole: in area, and along every edge."""
    whole = draft.piece(host)
    parts = [draft.piece(part) for part in whole.parts]
    area = sum(abs(part.seam_line.area) for part in parts)
    assert area == pytest.approx(abs(whole.seam_line.area), abs=0.01)
    for edge in whole.edges:
        runs = [one.length for part in parts for one in part.edges if one.of == edge.name]
        assert sum(runs) == pytest.approx(edge.length, abs=1e-6)


@SETTINGS
@given(
    lines=st.lists(
        st.one_of(
            st.builds(
                lambda tube, distance: {"parallel-to": tube, "distance": distance},
                st.sampled_from(["top-tube", "down-tube", "seat-tube"]),
                st.floats(20.0, 150.0),
            ),
            st.builds(
                lambda at, angle: {
                    "parallel-to": "top-tube",
                    "through": {"tube": "top-tube", "at": at},
                    "angle": angle,
                },
                st.floats(0.2, 0.8),
                st.floats(50.0, 130.0),
            ),
        ),
        min_size=1,
        max_size=3,
    )
)
def test_parts_add_up_and_sew_whatever_the_lines(lines: list[dict[str, Any]]) -> None:
    done = yoked(*lines)
    assert bodies.worst(done) < 0.01
    assert {"yoke-on-corner", "yoke-narrow", "yoke-off-panel"} >= set(bodies.codes(done)) - {"width-assumed"}
    for host in HOSTS:
        assert done.piece(host).edges == BAG.piece(host).edges
        if done.piece(host).assembled:
            add_up(done, host)
    assert done.seams[: len(BAG.seams)] == BAG.seams
    assert "edge-unsewn" not in bodies.codes(proved(done))


def test_one_line_makes_an_upper_and_a_lower_part() -> None:
    done = yoked(ACROSS, material={"lower": "canvas-1000d"})
    for host in HOSTS:
        assert done.piece(host).parts == (f"{host}-upper", f"{host}-lower")
        upper, lower = (done.piece(part) for part in done.piece(host).parts)
        assert upper.seam_line.bounds.centre[1] > lower.seam_line.bounds.centre[1]
        assert (upper.material, lower.material) == ("shell", "canvas-1000d")
        (seam,) = (seam for seam in done.seams if seam.id == f"{host}-yoke")
        assert (seam.kind, seam.a.piece, seam.b.piece) == ("part", upper.id, lower.id)
    # The same places on both panels.
    a, b = (abs(done.piece(f"{host}-upper").seam_line.area) for host in HOSTS)
    assert a == pytest.approx(b)


def test_front_and_rear_are_the_same_on_both_panels() -> None:
    done = yoked(DOWN)
    box = done.piece("side-panel-drive").seam_line.bounds
    front = done.piece("side-panel-drive-front").seam_line
    assert front.bounds.centre[0] > box.centre[0]
    mirror = Transform.mirror_x(box.centre[0])
    other = done.piece("side-panel-non-drive-front").seam_line.transformed(mirror)
    assert other.bounds.min_x == pytest.approx(front.bounds.min_x)
    assert abs(other.area) == pytest.approx(abs(front.area))


def test_a_later_line_cuts_the_seam_that_it_crosses() -> None:
    done = yoked(ACROSS, DOWN, side="drive")
    parts = set(done.piece("side-panel-drive").parts)
    assert parts == {f"side-panel-drive-{v}-{h}" for v in ("upper", "lower") for h in ("front", "rear")}
    assert not done.piece("side-panel-non-drive").assembled
    across = [seam for seam in done.seams if seam.id.startswith("side-panel-drive-yoke")]
    assert {(seam.a.piece, seam.b.piece) for seam in across} == {
        (f"side-panel-drive-upper-{h}", f"side-panel-drive-lower-{h}") for h in ("front", "rear")
    }
    (before,) = (seam for seam in yoked(ACROSS, side="drive").seams if seam.id == "side-panel-drive-yoke")
    length = bodies.walk(yoked(ACROSS, side="drive"), before).length_a
    assert sum(bodies.walk(done, seam).length_a for seam in across) == pytest.approx(length, abs=1e-6)
    assert not bodies.codes(proved(done), "error")


def test_one_part_alone_may_be_cut() -> None:
    done = yoked(ACROSS, {**DOWN, "within": "upper"})
    assert set(done.piece("side-panel-drive").parts) == {
        f"side-panel-drive-{name}" for name in ("upper-front", "upper-rear", "lower")
    }
    runs = [seam for seam in done.seams if seam.b.piece == "side-panel-drive-lower"]
    # One edge of the lower part is sewn to two: each to its own run of it.
    lengths = [bodies.walk(done, seam).length_b for seam in runs]
    assert sum(lengths) == pytest.approx(done.piece("side-panel-drive-lower").edge("yoke").length)
    add_up(done, "side-panel-drive")
    assert not bodies.codes(proved(done), "error")


def test_a_zipper_stays_true_when_the_part_beside_it_is_cut() -> None:
    zipped = run_stage(
        "zipper.panel", BAG, side="drive", parallel_to="top-tube", distance=60, zipper="zipper-8"
    )
    whole = zipped.piece("side-panel-drive")
    lower = next(part for part in whole.parts if part.endswith("lower"))
    within = lower.removeprefix(f"{whole.id}-")
    done = yoked({**DOWN, "within": within}, draft=zipped, side="drive")
    assert bodies.worst(done) < 0.01
    assert len([seam for seam in done.seams if seam.kind == "zipper"]) == 1 + len(
        [seam for seam in zipped.seams if seam.kind == "zipper"]
    )
    across = yoked(DOWN, draft=zipped, side="drive")
    assert "yoke-across-zipper" in bodies.codes(across, "error")
    assert across.pieces == zipped.pieces


def test_what_is_on_a_part_goes_to_the_part_that_has_it() -> None:
    first = yoked(ACROSS, side="drive")
    patch = Piece("patch", "patch", rectangle_edges(30.0, 30.0), "shell", role="patch")
    box = first.piece("side-panel-drive-upper").seam_line.bounds
    beside = Transform.translation(box.centre[0] - 90.0, box.max_y - 45.0)
    with_patch = sew_on(first, patch, "side-panel-drive-upper", beside, what="patch")
    done = yoked(DOWN, draft=with_patch, side="drive")
    assert [line.name for line in done.piece("side-panel-drive-upper-rear").placements] == ["patch"]
    assert bodies.worst(done) < 0.01
    middle = yoked(DOWN, side="drive").piece("side-panel-drive-front").edge("yoke").path.point_at(30.0)
    under = sew_on(first, patch, "side-panel-drive-upper", Transform.translation(*middle), what="patch")
    left = yoked({**DOWN, "within": "upper"}, draft=under, side="drive")
    assert "yoke-under-feature" in bodies.codes(left, "error")
    assert left.pieces == under.pieces


@pytest.mark.parametrize(
    ("line", "code", "level"),
    [
        ({"parallel-to": "top-tube", "distance": 900}, "yoke-off-panel", "error"),
        ({"parallel-to": "top-tube", "distance": 21}, "yoke-narrow", "error"),
        ({"parallel-to": "top-tube", "distance": 8}, "yoke-on-corner", "warning"),
    ],
)
def test_bad_lines_are_found(line: dict[str, Any], code: str, level: str) -> None:
    assert code in bodies.codes(yoked(line), level)


@pytest.mark.parametrize(
    ("lines", "options", "key"),
    [
        ([{**ACROSS, "within": "upper"}], {}, "lines[0].within"),
        ([ACROSS, {**DOWN, "within": "front"}], {}, "lines[1].within"),
        ([{"parallel-to": "toptube", "distance": 9}], {}, "lines[0].parallel-to"),
        ([ACROSS], {"material": {"middle": "shell"}}, "material.middle"),
        ([ACROSS], {"body": "upper"}, "body"),
    ],
)
def test_unknown_names_are_refused(lines: list[dict[str, Any]], options: dict[str, Any], key: str) -> None:
    with pytest.raises(Refusal) as caught:
        yoked(*lines, **options)
    assert caught.value.key == key
