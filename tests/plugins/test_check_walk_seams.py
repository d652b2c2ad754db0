"""`check.walk-seams`: each thing that can be wrong with a seam is found, and nothing else."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag.geometry import Line, Transform
from oaktag.geometry import Path as Outline
from oaktag.pattern import CutRun, Draft, Edge, Finding, Notch, Piece, Seam, SeamSide
from oaktag_plugins.check_walk_seams import WalkOptions, run

if TYPE_CHECKING:
    from tests.plugins import drafts
else:
    drafts = SimpleNamespace(**run_path(str(Path(__file__).with_name("drafts.py"))))

SETTINGS = settings(deadline=None, derandomize=True, max_examples=60)
GOOD: Draft = drafts.base()
TWO_PARTS: Draft = drafts.base(joins=[{"tube": "top-tube", "at": 0.5}, {"tube": "down-tube", "at": 0.5}])


def findings(draft: Draft, **options: float) -> list[Finding]:
    return list(run(draft, WalkOptions.model_validate(options)).findings)


def found(draft: Draft, **options: float) -> set[tuple[str, str]]:
    """Code and place of everything at `error` or `warning`."""
    return {(f.code, f.where) for f in findings(draft, **options) if f.level != "note"}


def stretched(piece: Piece, by: float) -> Piece:
    """A strip made longer by moving everything right of its middle to the right."""

    def moved(path: Outline, middle: float) -> Outline:
        segments = []
        for segment in path.segments:
            (x0, y0), (x1, y1) = segment.start, segment.end
            if min(x0, x1) > middle:
                segments.append(segment.transformed(Transform.translation(by, 0.0)))
            elif max(x0, x1) <= middle:
                segments.append(segment)
            else:
                assert isinstance(segment, Line)
                start = (x0 + by, y0) if x0 > middle else (x0, y0)
                end = (x1 + by, y1) if x1 > middle else (x1, y1)
                segments.append(Line(start, end))
        return Outline(tuple(segments))

    upper = max(piece.edge("non-drive-side").path.segments, key=lambda s: s.length * isinstance(s, Line))
    middle = (upper.start[0] + upper.end[0]) / 2
    return piece.evolve(edges=tuple(replace(e, path=moved(e.path, middle)) for e in piece.edges))


def moved_notch(draft: Draft, piece_id: str, pair: str, by: float) -> Draft:
    piece = draft.piece(piece_id)
    notches = [replace(n, at=n.at + by) if n.pair == pair else n for n in piece.notches]
    assert notches != list(piece.notches)
    return drafts.with_notches(draft, piece_id, notches)


@pytest.mark.parametrize("draft", [GOOD, TWO_PARTS], ids=["one part", "two parts"])
def test_a_good_draft_has_nothing_to_report(draft: Draft) -> None:
    assert findings(draft) == []


def test_a_strip_two_hundredths_too_long_is_found_on_both_its_seams() -> None:
    longer = drafts.with_piece(GOOD, stretched(GOOD.piece("gusset"), 0.02))
    mismatched = [f for f in findings(longer) if f.code == "seam-mismatch"]
    assert [f.where for f in mismatched] == ["drive", "non-drive"]
    assert all(f.level == "error" and "+0.020 mm" in f.message for f in mismatched)
    assert all("side-panel" in f.message and "gusset" in f.message for f in mismatched)


def test_half_of_the_tolerance_is_let_pass_and_a_coarser_one_lets_pass_more() -> None:
    assert found(drafts.with_piece(GOOD, stretched(GOOD.piece("gusset"), 0.005))) == set()
    longer = drafts.with_piece(GOOD, stretched(GOOD.piece("gusset"), 0.02))
    assert found(longer, tolerance=0.03) == set()
    assert found(longer, tolerance=0.015) >= {("seam-mismatch", "drive"), ("seam-mismatch", "non-drive")}


@pytest.mark.parametrize("by", [-0.02, 0.02])
@pytest.mark.parametrize("piece", ["gusset", "side-panel-drive"])
def test_a_notch_two_hundredths_off_is_found(piece: str, by: float) -> None:
    # One that lies inside an edge of either piece, so that it can go both ways.
    pair = "drive:9"
    assert found(moved_notch(GOOD, piece, pair, by)) == {("notch-mismatch", "drive")}
    assert found(moved_notch(GOOD, piece, pair, by / 4)) == set()


def test_a_notch_that_marks_the_join_has_to_lie_there() -> None:
    drive = next(notch for notch in GOOD.piece("side-panel-drive").notches if notch.pair == "drive:1")
    assert drive.edge == "down-tube"
    for by in (-0.02, 0.02):
        assert found(moved_notch(GOOD, "side-panel-drive", "drive:1", by)) == {("notch-unmatched", "drive")}
    for by in (-0.02, 0.02):
        moved = moved_notch(TWO_PARTS, "side-panel-drive", "drive-2:1", by)
        assert {code for code, _ in found(moved)} == {"notch-unmatched"}


@pytest.mark.parametrize("piece", ["gusset", "side-panel-non-drive"])
def test_a_notch_that_is_left_out_is_found(piece: str) -> None:
    kept = [notch for notch in GOOD.piece(piece).notches if notch.pair != "non-drive:4"]
    dropped = drafts.with_notches(GOOD, piece, kept)
    assert found(dropped) == {("notch-unmatched", "non-drive")}
    (finding,) = [f for f in findings(dropped) if f.code == "notch-unmatched"]
    assert "no mate" in finding.message


def test_a_second_notch_of_the_same_pair_is_found() -> None:
    gusset = GOOD.piece("gusset")
    notch = next(notch for notch in gusset.notches if notch.pair == "drive:9")
    twice = drafts.with_notches(GOOD, "gusset", [*gusset.notches, replace(notch, at=notch.at - 20.0)])
    assert "notch-unmatched" in {code for code, _ in found(twice)}


def test_another_count_is_found() -> None:
    gusset = GOOD.piece("gusset")
    other = [replace(n, count=2) if n.pair == "drive:4" else n for n in gusset.notches]
    changed = drafts.with_notches(GOOD, "gusset", other)
    assert found(changed) == {("notch-count", "drive")}
    (finding,) = [f for f in findings(changed) if f.code == "notch-count"]
    assert "1 and 2 nicks" in finding.message


@pytest.mark.parametrize(
    ("notch", "said"),
    [
        (Notch("drive-sid", 10.0, "new"), "which the piece hasn't"),
        (Notch("end", 46.1, "new"), "beyond the edge"),
        (Notch("end", -0.1, "new"), "beyond the edge"),
    ],
)
def test_a_notch_on_no_edge_is_found(notch: Notch, said: str) -> None:
    gusset = GOOD.piece("gusset")
    stray = drafts.with_notches(GOOD, "gusset", [*gusset.notches, notch])
    (finding,) = [f for f in findings(stray) if f.code == "notch-misplaced"]
    assert (finding.level, finding.where) == ("error", "gusset")
    assert said in finding.message


def test_other_allowances_on_the_two_sides_of_a_seam_are_a_warning() -> None:
    wider = drafts.allowed(GOOD, {"default": 10.0, "gusset.drive-side": 12.0})
    (finding,) = findings(wider)
    assert (finding.level, finding.code, finding.where) == ("warning", "allowance-differs", "drive")
    assert "10 and 12 mm" in finding.message


def test_before_there_are_allowances_there_is_nothing_to_compare() -> None:
    plain = drafts.notched(drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5)))
    assert found(plain) == set()


def with_edge(piece: Piece, name: str, path: Outline) -> Piece:
    return piece.evolve(edges=tuple(replace(e, path=path) if e.name == name else e for e in piece.edges))


def test_a_seam_line_that_does_not_close_is_found() -> None:
    panel = GOOD.piece("side-panel-drive")
    last = panel.edges[-1].path
    opened = drafts.with_piece(
        GOOD, with_edge(panel, panel.edges[-1].name, last.between(0.0, last.length - 1))
    )
    codes = found(opened)
    assert ("outline-open", "side-panel-drive") in codes
    assert [f.code for f in findings(opened)].count("outline-open") == 1


def test_a_seam_line_with_a_break_is_found_and_said_where() -> None:
    panel = GOOD.piece("side-panel-drive")
    down = panel.edge("down-tube").path
    broken = drafts.with_piece(GOOD, with_edge(panel, "down-tube", down.between(0.0, down.length - 1.0)))
    codes = found(broken)
    assert ("outline-broken", "side-panel-drive") in codes
    # The seam there can't be walked; the other side's can.
    assert ("seam-broken", "drive") in codes
    assert not {where for _, where in codes} & {"non-drive", "join"}


def test_a_cut_line_that_does_not_close_is_found() -> None:
    panel = GOOD.piece("side-panel-drive")
    *runs, last = panel.cut_line
    short = CutRun(last.edge, last.path.between(0.0, last.path.length - 1.0))
    opened = drafts.with_piece(GOOD, panel.evolve(cut_line=(*runs, short)))
    assert found(opened) == {("outline-open", "side-panel-drive")}
    (finding,) = findings(opened)
    assert "cut line" in finding.message


def crossing(name: str) -> Piece:
    """A piece whose outline crosses itself, like an hourglass."""
    corners = [(0.0, 0.0), (100.0, 0.0), (0.0, 60.0), (100.0, 60.0), (0.0, 0.0)]
    edges = tuple(
        Edge(f"side-{index}", Outline((Line(start, end),)))
        for index, (start, end) in enumerate(pairwise(corners))
    )
    return Piece(name, name, edges, "shell")


def test_an_outline_that_crosses_itself_is_found_once() -> None:
    draft = drafts.bare().evolve(pieces=(crossing("hourglass"),))
    assert [f.code for f in findings(draft) if f.level == "error"] == ["outline-crossing"]


def test_more_turned_over_than_cut_is_found() -> None:
    odd = drafts.with_piece(GOOD, GOOD.piece("gusset").evolve(quantity=1, mirrored=2))
    assert found(odd) == {("quantity-impossible", "gusset")}


def test_an_edge_that_nothing_is_sewn_to_is_noted() -> None:
    patch = drafts.box("patch", 40.0, 25.0, ("top", "right", "bottom", "left"))
    noted = findings(GOOD.evolve(pieces=(*GOOD.pieces, patch)))
    assert [(f.level, f.code, f.where) for f in noted] == [
        ("note", "edge-unsewn", f"patch, {name}") for name in ("top", "right", "bottom", "left")
    ]


@pytest.mark.parametrize(
    ("side", "said"),
    [
        (SeamSide("gusset", ("ende",)), "the edges ende of gusset"),
        (SeamSide("gusset-9", ("end",)), "the edges end of gusset-9"),
    ],
)
def test_a_seam_at_an_edge_that_is_not_there_is_found(side: SeamSide, said: str) -> None:
    seam = Seam("lost", side, SeamSide("gusset", ("start",)))
    (finding,) = [f for f in findings(GOOD.evolve(seams=(*GOOD.seams, seam))) if f.level == "error"]
    assert (finding.code, finding.where) == ("seam-unknown", "lost")
    assert said in finding.message


def eased(ease: float, extra: float) -> Draft:
    """A band and a strip longer by `extra`, notched in proportion, with that much ease declared."""
    length = 240.0
    draft = drafts.banded(length, 40.0, [], [])
    strip = drafts.box("strip", length + extra, 40.0, ("non-drive-side", "end", "drive-side", "start"))
    band = draft.piece("band-non-drive")
    stations = (60.0, 180.0)
    band = band.evolve(notches=tuple(Notch("sewn", at, f"{at:g}") for at in stations))
    share = (length + extra) / length
    strip = strip.evolve(notches=tuple(Notch("non-drive-side", at * share, f"{at:g}") for at in stations))
    seam = Seam("seam", SeamSide(band.id, ("sewn",)), SeamSide("strip", ("non-drive-side",)), ease=ease)
    return draft.evolve(pieces=(band, strip), seams=(seam,))


@given(st.floats(-6.0, 6.0), st.floats(-6.0, 6.0))
@SETTINGS
def test_only_ease_that_is_not_declared_is_a_mismatch(ease: float, extra: float) -> None:
    codes = {code for code, _ in found(eased(ease, extra))}
    assert ("seam-mismatch" in codes) == (abs(extra - ease) > 0.01)
    # At three quarters of the way three quarters of what isn't declared has come together.
    assert ("notch-mismatch" in codes) == (abs(extra - ease) * 0.75 > 0.01)


CHANGES: dict[str, Callable[[Draft], Draft]] = {
    "nothing": lambda draft: draft,
    "seam": lambda draft: drafts.with_piece(draft, stretched(draft.piece("gusset"), 0.05)),
    "notch": lambda draft: moved_notch(draft, "gusset", "drive:9", 0.05),
}


@pytest.mark.parametrize("change", CHANGES)
def test_what_was_reported_before_stays(change: str) -> None:
    before = Finding("note", "earlier", "said by an earlier stage")
    draft = CHANGES[change](GOOD).with_findings([before])
    assert run(draft, WalkOptions()).findings[0] == before
    assert (len(run(draft, WalkOptions()).findings) > 1) == (change != "nothing")
