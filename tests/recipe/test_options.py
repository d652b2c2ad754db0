"""Types that options are made of."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from oaktag.pattern import Frame, Place, Refusal
from oaktag.recipe import Angle, Length, Options, PerName, PositiveLength, TubePlace

FRAME = Frame("Demo", ("seat", "head", "bottom-bracket"), ("top-tube", "down-tube", "seat-tube"), readings=())


class Sizes(Options):
    """Some options."""

    corner_radius: PerName[PositiveLength] = PerName.uniform(20.0)
    slant: Angle = 0.0
    reach: Length = 0.0


def test_one_value_stands_for_all_names() -> None:
    sizes = Sizes.model_validate({"corner-radius": "2 cm"})
    assert sizes.corner_radius.names == ()
    assert sizes.corner_radius.get("head") == 20.0


def test_a_table_gives_each_name_its_own_value_and_the_others_the_default() -> None:
    sizes = Sizes.model_validate({"corner-radius": {"default": 20, "head": "1 in"}})
    assert sizes.corner_radius.names == ("head",)
    assert sizes.corner_radius.get("head") == 25.4
    assert sizes.corner_radius.get("seat") == 20.0


def test_a_table_without_a_default_has_no_value_for_other_names() -> None:
    radius = Sizes.model_validate({"corner-radius": {"head": 25}}).corner_radius
    assert radius.get("head") == 25.0
    with pytest.raises(KeyError):
        radius.get("seat")


def test_a_name_that_does_not_exist_is_refused_with_the_nearest() -> None:
    radius = Sizes.model_validate({"corner-radius": {"default": 20, "haed": 25}}).corner_radius
    with pytest.raises(Refusal, match="there is no corner of this name") as caught:
        radius.require(FRAME.corners, "corner-radius", "corner")
    refusal = caught.value
    assert (refusal.source, refusal.key, refusal.found) == ("recipe", "corner-radius.haed", '"haed"')
    assert refusal.valid == "seat, head, bottom-bracket, default"
    assert refusal.todo == "did you mean 'head'?"


@pytest.mark.parametrize("table", [{}, {"seat": 20, "head": 25}])
def test_a_name_without_a_value_is_refused(table: dict[str, int]) -> None:
    radius = Sizes.model_validate({"corner-radius": table}).corner_radius
    with pytest.raises(Refusal, match="no value for corner") as caught:
        radius.require(FRAME.corners, "corner-radius", "corner")
    assert caught.value.key == "corner-radius"
    assert caught.value.todo.endswith("or a default")


def test_a_complete_table_needs_no_default() -> None:
    table = {"seat": 20, "head": 25, "bottom-bracket": 30}
    radius = Sizes.model_validate({"corner-radius": table}).corner_radius
    assert radius.require(FRAME.corners, "corner-radius", "corner") is radius


def test_names_in_toml_have_hyphens_and_no_underscore_at_the_end() -> None:
    class Words(Options):
        corner_radius: float = 0.0
        from_: str = ""

    assert Words.model_validate({"corner-radius": 5, "from": "seat"}).from_ == "seat"
    assert set(Words.model_json_schema()["properties"]) == {"corner-radius", "from"}


def test_options_cannot_be_changed() -> None:
    sizes = Sizes()
    with pytest.raises(ValidationError, match="frozen"):
        setattr(sizes, "slant", 3.0)  # noqa: B010 - the type checker knows that it is read-only


def test_a_length_without_a_unit_is_in_mm_and_an_angle_in_degrees() -> None:
    sizes = Sizes.model_validate({"slant": "3 deg", "reach": 5})
    assert (sizes.slant, sizes.reach) == (3.0, 5.0)


@pytest.mark.parametrize(
    ("table", "place"),
    [
        ({"tube": "down-tube", "at": 0.25}, Place("down-tube", fraction=0.25)),
        ({"tube": "down-tube", "at": 0}, Place("down-tube")),
        (
            {"tube": "down-tube", "distance": "5 cm", "from": "head"},
            Place("down-tube", fraction=0.0, distance=50.0),
        ),
        (
            {"tube": "down-tube", "distance": 50, "from": "bottom-bracket"},
            Place("down-tube", fraction=1.0, distance=-50.0),
        ),
    ],
)
def test_a_place_is_a_share_of_the_tube_or_a_distance_from_an_end(
    table: dict[str, object], place: Place
) -> None:
    assert TubePlace.model_validate(table).place(FRAME, "join") == place


def test_a_distance_lands_at_the_same_point_from_both_ends() -> None:
    first = TubePlace.model_validate({"tube": "top-tube", "distance": 120, "from": "seat"})
    second = TubePlace.model_validate({"tube": "top-tube", "distance": 380, "from": "head"})
    assert first.place(FRAME, "join").along(500.0) == second.place(FRAME, "join").along(500.0) == 120.0


@pytest.mark.parametrize(
    ("table", "reason"),
    [
        ({"tube": "top-tube"}, "has no place"),
        ({"tube": "top-tube", "at": 0.5, "distance": 5}, "gives its place twice"),
        ({"tube": "top-tube", "at": 0.5, "from": "seat"}, "gives its place twice"),
        ({"tube": "top-tube", "at": 0.5, "distance": 5, "from": "seat"}, "gives its place twice"),
        ({"tube": "top-tube", "distance": 5}, "go together"),
        ({"tube": "top-tube", "from": "seat"}, "go together"),
    ],
)
def test_half_a_place_and_two_places_are_refused(table: dict[str, object], reason: str) -> None:
    with pytest.raises(ValidationError, match=reason):
        TubePlace.model_validate(table)


@pytest.mark.parametrize(
    ("table", "key", "found", "valid", "todo"),
    [
        (
            {"tube": "down-tub", "at": 0.5},
            "join.tube",
            '"down-tub"',
            "top-tube, down-tube, seat-tube",
            "did you mean 'down-tube'?",
        ),
        (
            {"tube": "top-tube", "distance": 5, "from": "heda"},
            "join.from",
            '"heda"',
            "seat, head",
            "did you mean 'head'?",
        ),
        (
            {"tube": "top-tube", "distance": 5, "from": "bottom-bracket"},
            "join.from",
            '"bottom-bracket"',
            "seat, head",
            "name an end of the tube",
        ),
    ],
)
def test_a_place_on_no_tube_is_refused(
    table: dict[str, object], key: str, found: str, valid: str, todo: str
) -> None:
    with pytest.raises(Refusal) as caught:
        TubePlace.model_validate(table).place(FRAME, "join")
    refusal = caught.value
    assert (refusal.source, refusal.key) == ("recipe", key)
    assert (refusal.found, refusal.valid, refusal.todo) == (found, valid, todo)
