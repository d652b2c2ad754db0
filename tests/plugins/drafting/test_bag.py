"""Finding places on a bag and sewing things on flat."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from oaktag import Refusal
from oaktag.geometry import Transform, distance
from oaktag.pattern import Piece, Place
from oaktag.pattern.document import document, schema
from oaktag.pattern.walk import run_path, walk
from oaktag.plugin.kit import example_draft, run_stage
from oaktag_plugins.drafting.bag import (
    bodies_of,
    gusset_spot,
    gusset_starts,
    gussets,
    panel,
    piece_id,
    rectangle_edges,
    seam_place,
    sew_on,
    to_panel,
)

BARE = example_draft("measure.reconcile", "outline.clear", "corners.round", "panel.pair")
WHOLE = run_stage("gusset.wrap", BARE)
IN_THREE = run_stage(
    "gusset.wrap",
    BARE,
    joins=[
        {"tube": "down-tube", "at": 0.5},
        {"tube": "top-tube", "at": 0.3},
        {"tube": "seat-tube", "at": 0.6},
    ],
)
OUTLINE = WHOLE.outline_of("")
TUBES = ("top-tube", "down-tube", "seat-tube")


@given(st.sampled_from(TUBES), st.floats(0.0, 1.0))
def test_a_place_is_where_the_bag_comes_nearest(tube: str, share: float) -> None:
    assert WHOLE.opening is not None
    side = WHOLE.opening.edge(tube).path
    place = seam_place(WHOLE, OUTLINE, Place(tube, share), "at")
    assert place.edge == tube or place.on_corner
    point = OUTLINE.path.point_at(place.station % OUTLINE.path.length)
    assert distance(point, OUTLINE.edge(place.edge).path.point_at(place.along)) < 1e-6
    away = distance(point, side.point_at(share * side.length))
    assert away <= OUTLINE.edge(tube).path.nearest(side.point_at(share * side.length))[1] + 1e-6


def test_the_middle_of_a_tube_lies_straight_and_its_ends_on_rounds() -> None:
    for tube in TUBES:
        assert seam_place(WHOLE, OUTLINE, Place(tube, 0.5), "at").edge == tube
        for end in (0.0, 1.0):
            assert seam_place(WHOLE, OUTLINE, Place(tube, end), "at").on_corner


@pytest.mark.parametrize(
    ("place", "reason"),
    [
        (Place("chain-stay", 0.5), "the bag doesn't run along this tube"),
        (Place("top-tube", 0.0, -3.0), "lies beyond the end of top-tube"),
        (Place("top-tube", 1.0, 3.0), "lies beyond the end of top-tube"),
    ],
)
def test_a_place_that_isnt_there_is_refused(place: Place, reason: str) -> None:
    with pytest.raises(Refusal, match=reason) as caught:
        seam_place(WHOLE, OUTLINE, place, "places[0]")
    assert caught.value.key == "places[0]"


@pytest.mark.parametrize("draft", [WHOLE, IN_THREE], ids=["one strip", "three strips"])
@given(station=st.floats(0.0, 3000.0))
def test_a_spot_on_the_gusset_lies_on_the_panels_seam(draft: object, station: float) -> None:
    bag = WHOLE if draft is WHOLE else IN_THREE
    spot = gusset_spot(bag, OUTLINE, station)
    [seam] = [s for s in bag.seams if s.b.piece == spot.piece.id and s.b.edges == ("non-drive-side",)]
    begin = {piece.id: start for piece, start in gusset_starts(bag, OUTLINE)}[spot.piece.id]
    along = (station - begin) % OUTLINE.path.length
    sewn = run_path(bag, seam.b)
    assert distance(sewn.point_at(min(along, sewn.length)), (spot.x, spot.half)) < 1e-6
    on_panel = run_path(bag, seam.a).point_at(min(along, sewn.length))
    mirrored = to_panel(bag, "non-drive").apply(OUTLINE.path.point_at(station % OUTLINE.path.length))
    assert distance(on_panel, mirrored) < 1e-5


def test_pieces_are_found_by_what_they_are() -> None:
    assert [piece.id for piece in gussets(IN_THREE)] == ["gusset-1", "gusset-2", "gusset-3"]
    assert panel(WHOLE, "drive").id == "side-panel-drive"
    assert panel(WHOLE, "non-drive").id == "side-panel-non-drive"
    assert piece_id("", "gusset") == "gusset"
    assert piece_id("upper", "gusset") == "upper-gusset"
    assert bodies_of(WHOLE, None) == ("",)
    with pytest.raises(Refusal, match="no body of this name"):
        bodies_of(WHOLE, "upper")


@given(
    width=st.floats(5.0, 60.0),
    height=st.floats(5.0, 60.0),
    turn=st.floats(-180.0, 180.0),
    three=st.booleans(),
)
def test_what_is_sewn_on_is_as_long_as_its_line(
    width: float, height: float, turn: float, three: bool
) -> None:
    patch = Piece("patch", "patch", rectangle_edges(width, height), "shell")
    place = Transform.rotation(turn).then(Transform.translation(80.0, 3.0))
    edges = [("left",), ("lower",), ("right",)] if three else None
    bag = sew_on(WHOLE, patch, "gusset", place, what="patch", edges=edges, under=("strap",))
    new = bag.seams[len(WHOLE.seams) :]
    assert len(new) == (3 if three else 1)
    for seam in new:
        walked = walk(bag, seam)
        assert seam.kind == "applied"
        assert abs(walked.difference) < 1e-9
    lines = bag.piece("gusset").placements
    assert [line.covers is not None for line in lines] == [True] + [False] * (len(lines) - 1)
    assert lines[0].covers is not None
    assert abs(lines[0].covers.area) == pytest.approx(width * height)
    assert bag.piece("gusset").edges == WHOLE.piece("gusset").edges


def test_a_draft_with_features_is_written_as_its_schema_says() -> None:
    import jsonschema

    patch = Piece("patch", "patch", rectangle_edges(30.0, 20.0), "shell", role="patch")
    bag = sew_on(WHOLE, patch, "gusset", Transform.translation(80.0, 0.0), what="patch")
    whole = document(bag)
    jsonschema.validate(whole, schema())
    [line] = next(piece for piece in whole["pieces"] if piece["id"] == "gusset")["placements"]
    assert (line["name"], line["what"], line["length"], line["on"]) == ("patch", "patch", 100.0, "outside")
    assert whole["seams"][-1]["kind"] == "applied"
