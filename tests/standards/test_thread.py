"""Thread against published worked examples.

Sources: apparelscience.com, "measuring actual thread consumption" (401); a worked example of consumption by
unravelling, scribd.com/document/75439238 (401, yards); melgeecrafts, thread for 220 cm of lockstitch;
textiletechinsight.com and textilecalculations.com, formulas per inch of seam.
"""

from __future__ import annotations

import pytest

from oaktag.plugin.kit import example_draft, run_stage
from oaktag_plugins.working.thread import GUIDE, MEASURED, RATIOS, ratio_by_thickness, with_waste


def test_a_chain_stitch_of_100_cm_takes_621_cm_with_its_waste() -> None:
    # 15 cm unravelled: 19.5 cm of needle thread (1.3) and 62.0 cm of looper thread (4.1).
    ratio = RATIOS["401"]
    assert ratio.source == MEASURED
    assert ratio.value == pytest.approx(round(19.5 / 15, 1) + round(62.0 / 15, 1))
    assert with_waste(100 * ratio.value, 0.15) == pytest.approx(621.0)


def test_a_chain_stitch_that_was_unravelled_in_inches() -> None:
    # 3 in of seam: 9 in and 8 in of thread; 1.17 yd of seam.
    net = 1.17 * (9 / 3 + 8 / 3)
    assert net == pytest.approx(6.63, abs=0.005)
    assert with_waste(net, 0.15) == pytest.approx(7.62, abs=0.005)
    # The table's own ratio is the other measurement's; the two lie within a twentieth of each other.
    assert RATIOS["401"].value == pytest.approx(9 / 3 + 8 / 3, rel=0.05)


def test_220_cm_of_lockstitch_take_550_cm() -> None:
    assert RATIOS["301"].source == GUIDE
    assert 220 * RATIOS["301"].value == pytest.approx(550.0)


@pytest.mark.parametrize(
    ("stitch_type", "published"), [("101", 5.0), ("103", 4.5), ("301", 2.5), ("304", 5.5)]
)
def test_ratios_of_the_guide(stitch_type: str, published: float) -> None:
    assert RATIOS[stitch_type].value == published
    assert RATIOS[stitch_type].source == GUIDE


@pytest.mark.parametrize(
    ("stitch_type", "thickness", "stitches", "published"),
    # Thickness in inches, stitches to the inch, inches of thread to an inch of seam.
    [("101", 0.005, 9, 3.09), ("301", 0.01, 10, 2.2)],
)
def test_formula_by_thickness(stitch_type: str, thickness: float, stitches: float, published: float) -> None:
    assert ratio_by_thickness(stitch_type, thickness, stitches) == pytest.approx(published)


def test_the_formula_holds_in_millimetres_as_well() -> None:
    in_inches = ratio_by_thickness("301", 0.01, 10)
    assert ratio_by_thickness("301", 0.254, 10 / 25.4) == pytest.approx(in_inches)
    # A stack of 3.5 mm at 3 stitches to the cm takes 4.1 m to the metre.
    assert ratio_by_thickness("301", 3.5, 0.3) == pytest.approx(4.1)
    assert ratio_by_thickness("504", 3.5, 0.3) is None


def test_the_stage_works_with_the_same_numbers() -> None:
    draft = example_draft("measure.reconcile", "outline.clear", "corners.round", "panel.pair", "gusset.wrap")
    paperwork = run_stage("work.paperwork", draft).paperwork
    assert paperwork is not None
    [row] = paperwork.thread
    [bill] = [row for row in paperwork.bill if row.kind == "thread"]
    assert row.length == pytest.approx(2.5 * row.seam_length / 1000)
    assert bill.gross == pytest.approx(with_waste(row.length, 0.15))
    # 70 g to 1000 m of tex 70.
    assert bill.mass == pytest.approx(row.length * 0.070)
