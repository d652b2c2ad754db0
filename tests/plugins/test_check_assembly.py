"""`check.assembly`: what it says about a bag that can be sewn wrongly."""

from __future__ import annotations

import re
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING

import pytest

from oaktag.pattern import Draft, Finding
from oaktag_plugins.check_assembly import AssemblyOptions, run

if TYPE_CHECKING:
    from tests.plugins import drafts
else:
    drafts = SimpleNamespace(**run_path(str(Path(__file__).with_name("drafts.py"))))

LENGTH, WIDTH = 240.0, 40.0
WIDTHS_EVEN = [(tube, share, 46.0) for tube in drafts.TUBES for share in (0.0, 1.0)]


def findings(draft: Draft, **options: float) -> tuple[Finding, ...]:
    return run(draft, AssemblyOptions.model_validate(options)).findings


@pytest.mark.parametrize("count", [0, 1, 2, 3])
@pytest.mark.parametrize(
    "draft",
    [
        drafts.triangle(335.0, 570.0, 51.5),
        drafts.triangle(335.0, 570.0, 51.5, WIDTHS_EVEN),
        drafts.isosceles(400.0, 50.0),
        drafts.isosceles(400.0, 60.0, 30.0),
    ],
    ids=["base", "even widths", "isosceles", "equilateral and narrow"],
)
def test_a_bag_as_it_is_notched_by_default_is_clean(draft: Draft, count: int) -> None:
    joins = [{"tube": tube, "at": 0.5} for tube in drafts.TUBES[:count]]
    assert findings(drafts.notched(drafts.wrapped(draft, joins=joins))) == ()


def test_a_finding_is_an_error_at_its_seam_and_says_what_lies_how_against_what() -> None:
    marks = [(30.0, 1), (100.0, 2)]
    found = findings(drafts.banded(LENGTH, WIDTH, marks, marks))
    assert {(f.level, f.code) for f in found} == {("error", "assembly-ambiguous")}
    (drive,) = [f for f in found if f.message.startswith("strip fits upside down against band-drive")]
    assert drive.where == "drive"
    assert "all notches meet" in drive.message
    assert "Add a single notch on sewn of band-drive, " in drive.message
    assert drive.message.endswith("and its mate on strip.")


def test_taking_a_notch_that_tells_apart_away_brings_the_finding_back() -> None:
    draft = drafts.base()
    assert findings(draft) == ()
    back = findings(drafts.without_pair(draft, "drive:x1"))
    assert {f.where for f in back} == {"drive", "non-drive"}
    assert any("gusset fits upside down against side-panel-drive" in f.message for f in back)
    (twist,) = findings(drafts.without_pair(draft, "join:x2"))
    assert twist.where == "join"
    assert "gusset fits turned round against gusset" in twist.message


def test_what_can_be_begun_elsewhere_says_how_far_off() -> None:
    quarter = (4 * 140.0 + 2 * 3.141592653589793 * 30.0) / 4
    draft = drafts.ring_on_square([(quarter * index, 1) for index in range(4)])
    said = [f.message for f in findings(draft) if "ring fits shifted" in f.message]
    assert [message.split(" mm from where")[0].split(", ")[-1] for message in said] == ["187", "374", "561"]


def test_a_piece_in_place_of_another_names_both_seams() -> None:
    found = findings(drafts.without_pair(drafts.base(), "drive:x1"))
    (swap,) = [f for f in found if "in place of another" in f.message]
    assert swap.where == "drive"
    assert "side-panel-non-drive fits in place of another piece (its run for seam non-drive)" in swap.message


def test_the_tolerances_decide_what_a_sewer_could_miss() -> None:
    draft = drafts.banded(LENGTH, WIDTH, [(30.0, 1)], [(34.0, 1)])
    assert not [f for f in findings(draft) if f.message.startswith("strip")]
    assert [f for f in findings(draft, **{"notch-tolerance": 4.5}) if f.message.startswith("strip")]
    # A strip 2 mm longer than its bands is eased on without notice, unless the tolerance is finer.
    longer = drafts.strip(LENGTH + 2.0, WIDTH, [(30.0, 1)], [(30.0, 1)])
    eased = drafts.with_piece(drafts.banded(LENGTH, WIDTH, [(30.0, 1)], [(30.0, 1)]), longer)
    assert [f for f in findings(eased) if f.message.startswith("strip")]
    assert not [f for f in findings(eased, **{"length-tolerance": 1.0}) if f.message.startswith("strip")]


def test_the_spacing_of_a_proposed_notch_is_kept() -> None:
    marks = [(80.0, 1), (160.0, 1)]
    draft = drafts.banded(LENGTH, WIDTH, marks, marks)
    for spacing, some in ((13.0, True), (30.0, True), (35.0, True), (75.0, False)):
        said = [re.search(r"([\d.]+) mm from the start", f.message) for f in findings(draft, spacing=spacing)]
        places = [float(match[1]) for match in said if match]
        assert bool(places) == some
        assert all(min(abs(at - taken) for taken, _ in marks) >= spacing for at in places)
    assert all("no room" in f.message for f in findings(draft, spacing=75.0))


def test_what_was_reported_before_stays() -> None:
    before = Finding("note", "earlier", "said by an earlier stage")
    draft = drafts.without_pair(drafts.base(), "join:x2").with_findings([before])
    assert [f.code for f in findings(draft)] == ["earlier", "assembly-ambiguous"]
