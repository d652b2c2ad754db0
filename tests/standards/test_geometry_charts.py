"""What a geometry chart says twice, checked on published charts.

Definitions (stack, reach, effective top tube, bottom bracket drop) as in a bicycle magazine's "How to read a
bike geometry table" (road.cc, read as a copy). Charts are published ones, read as the data of a public
collection of bicycle geometries (GitHub, smopucilowski/bikegeo) and one-line examples from two web logs;
brands are withheld. Two of the charts hold blunders of their publishers, which the check has to find.
"""

from __future__ import annotations

import pytest

from oaktag_plugins.sources.bicycle_chart import effective_top_tube, front_centre, lower_stack, wheelbase
from oaktag_plugins.sources.chart_check import Contradiction, contradiction

Size = dict[str, float]


def chart(common: Size, **columns: str) -> dict[str, Size]:
    """Sizes by name from columns as charts print them: `390|400|410`."""
    cells = {name.replace("_", "-"): text.split("|") for name, text in columns.items()}
    return {
        size: common | {name: float(column[i]) for name, column in cells.items() if name != "size"}
        for i, size in enumerate(cells["size"])
    }


A = chart(
    {"chainstay": 425, "bottom-bracket-drop": 65, "fork-length": 396, "fork-rake": 45},
    size="48|50|52|54|56|58|61",
    effective_top_tube="520|527.65|535|545|560|580|605",
    seat_angle="75|74.5|74|74|73.5|73|73",
    head_angle="69.5|69.5|70|70|71|72|72",
    reach="384.22|383.74|382.43|385.69|390.08|399.10|413.92",
    stack="506.74|518.92|532.08|555.57|573.63|591.71|624.99",
    head_tube="82|95|107|132|147|162|197",
    front_centre="600.95|605|603.83|615.58|616.25|620.96|646.47",
    wheelbase="1017.42|1021.5|1020.32|1032.13|1032.81|1037.55|1063.19",
)
B = chart(
    {"chainstay": 445, "bottom-bracket-drop": 70, "fork-length": 483, "fork-rake": 45},
    size="xs|sm|md|lg|xl",
    effective_top_tube="520|540|565|590|620",
    seat_angle="74|74|73|73|73",
    head_angle="68.5|69|69|69|69",
    stack="594|615|643.1|671.1|689.7",
    reach="349.7|352|368.4|384.8|409.1",
    head_tube="90|110|140|140|190",
    wheelbase="1045|1061|1077|1104|1136",
)
C = chart(
    {"bottom-bracket-drop": 85, "fork-length": 390},
    size="48|52|54|56|58|61|64",
    stack="569|574|592|613|639|662|678",
    reach="360|367|373|379|385|392|401",
    effective_top_tube="524|532|549|561|575|589|609",
    seat_angle="74|74|73.5|73.5|73.5|73.5|73",
    head_angle="70.8|71|71.9|72.5|72.5|72.8|73",
    head_tube="140|145|158|178|205|228|244",
    fork_rake="55|55|50|50|50|50|50",
    chainstay="419|519|421|421|421|421|423",
    front_centre="593|599|597|604|618|629|641",
    wheelbase="997|1004|1004|1011|1025|1036|1049",
)
D = chart(
    {"seat-angle": 74, "bottom-bracket-drop": 69, "chainstay": 410, "fork-rake": 44},
    size="48|52|54|56|58|61",
    stack="507|519|538|559|588|609",
    reach="375|380|385|395|400|405",
    effective_top_tube="520|529|539|555|569|580",
    head_angle="72.25|73|73|73.5|73.5|74",
    front_centre="566|568|579|590|603|609",
    wheelbase="966|968|979|990|1004|1010",
)
CHARTS = {"A": A, "B": B, "C": C, "D": D}
BLUNDERS = {("B", "sm"), ("B", "lg"), ("C", "52")}
HONEST = [(name, size) for name, sizes in CHARTS.items() for size in sizes if (name, size) not in BLUNDERS]
ROUNDING = 0.5 / 3.0**0.5
# A headset's lower half, the charts' own being unknown: common practice, no source.
USUAL = {"lower-stack": 8.0}


def checked(values: Size) -> Contradiction | None:
    """The check as `opening.chart` makes it of a chart rounded to 1 mm and 0.1°."""
    sigmas = dict.fromkeys(values, ROUNDING) | {"seat-angle": ROUNDING / 10, "head-angle": ROUNDING / 10}
    if "fork-length" in values:
        return contradiction(USUAL | values, sigmas | {"lower-stack": 5.0}, ["lower-stack"])
    return contradiction(values, sigmas)


@pytest.mark.parametrize("size", A)
def test_chart_a_agrees_to_a_twentieth_of_a_millimetre(size: str) -> None:
    values = A[size]
    assert effective_top_tube(values) == pytest.approx(values["effective-top-tube"], abs=0.05)
    assert front_centre(values) == pytest.approx(values["front-centre"], abs=0.05)
    assert wheelbase(values) == pytest.approx(values["wheelbase"], abs=0.05)
    # The fork's length, measured straight from axle to crown, leaves the same headset below all seven.
    assert lower_stack(values) == pytest.approx(13.0, abs=0.05)


@pytest.mark.parametrize(("name", "size"), [key for key in HONEST if key[0] != "A"])
def test_charts_in_whole_millimetres_agree_to_their_rounding(name: str, size: str) -> None:
    values = CHARTS[name][size]
    assert effective_top_tube(values) == pytest.approx(values["effective-top-tube"], abs=1.0)
    assert wheelbase(values) == pytest.approx(values["wheelbase"], abs=1.5)
    if "front-centre" in values:
        assert front_centre(values) == pytest.approx(values["front-centre"], abs=0.8)


@pytest.mark.parametrize(("name", "size"), HONEST)
def test_the_check_passes_every_honest_size(name: str, size: str) -> None:
    assert checked(CHARTS[name][size]) is None


def test_a_misprinted_reach_is_named_with_the_value_that_two_others_ask_for() -> None:
    wrong = checked(B["sm"])
    assert wrong is not None
    assert {one.name: one.given - one.computed for one in wrong.misfits} == pytest.approx(
        {"effective-top-tube": 11.7, "wheelbase": 12.1}, abs=0.1
    )
    (culprit,) = wrong.culprits
    assert culprit.name == "reach"
    assert culprit.implied == pytest.approx(363.7, abs=0.3)


def test_a_misprinted_head_tube_shows_in_the_headset() -> None:
    assert lower_stack(B["lg"]) == pytest.approx(40.2, abs=0.05)
    assert lower_stack(B["lg"] | {"head-tube": 170}) == pytest.approx(10.2, abs=0.05)
    for size in ("xs", "sm", "md", "xl"):
        assert lower_stack(B[size]) == pytest.approx(10.1, abs=0.2)
    wrong = checked(B["lg"])
    assert wrong is not None
    assert [one.name for one in wrong.misfits] == ["lower-stack"]
    likeliest = wrong.culprits[0]
    assert (likeliest.name, likeliest.given) == ("head-tube", 140)
    assert likeliest.slip is not None
    assert likeliest.slip.meant == 170


def test_a_misprinted_chainstay_is_named_beside_the_wheelbase() -> None:
    assert wheelbase(C["52"]) == pytest.approx(1105.5, abs=0.05)
    wrong = checked(C["52"])
    assert wrong is not None
    assert [one.name for one in wrong.misfits] == ["wheelbase"]
    # Nothing else in the chart tells these two apart.
    meant = {one.name: one.slip.meant for one in wrong.culprits if one.slip is not None}
    assert meant["chainstay"] == 419
    assert set(meant) == {"chainstay", "wheelbase"}


@pytest.mark.parametrize(
    ("stack", "reach", "seat_angle", "stated", "tolerance"),
    [
        (614, 475, 78.184, 603, 1.0),  # chart E, its seat angle at the height of its saddle
        (630, 420, 73, 612.6, 0.05),  # worked by hand to "610" where it was published
    ],
)
def test_single_effective_top_tubes(
    stack: float, reach: float, seat_angle: float, stated: float, tolerance: float
) -> None:
    values = {"stack": stack, "reach": reach, "seat-angle": seat_angle}
    assert effective_top_tube(values) == pytest.approx(stated, abs=tolerance)
