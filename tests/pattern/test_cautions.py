"""Which cautions apply to a draft."""

from __future__ import annotations

import pytest

from oaktag.geometry import Line, Path, Point
from oaktag.pattern import Draft, Edge, Fitting, Frame, Material, Piece, Provenance
from oaktag.pattern.cautions import CAUTIONS, cautions_for

ALWAYS = ["clearance", "first ride", "rules"]
TO_CUT = ["rubbing", "cutting and sewing", "lasers"]
HELD = ["straps", "frame"]


def piece(role: str = "side-panel", material: str = "shell", *fittings: Fitting) -> Piece:
    corners: list[Point] = [(0.0, 50.0), (50.0, 50.0), (50.0, 0.0), (0.0, 0.0)]
    edges = tuple(
        Edge(name, Path((Line(a, b),)))
        for name, a, b in zip("abcd", corners, [*corners[1:], corners[0]], strict=True)
    )
    return Piece("one", "One", edges, material, role=role, fittings=fittings)


def draft(*pieces: Piece) -> Draft:
    materials = (
        Material("shell", "shell", "cloth"),
        Material("band", "webbing", "tape"),
        Material("screw-5", "bolt", "each"),
    )
    frame = Frame("Demo", ("a", "b", "c"), ("ab", "bc", "ca"), ())
    return Draft(frame, Provenance("demo"), Provenance("demo"), materials=materials, pieces=pieces)


@pytest.mark.parametrize(
    ("pieces", "more"),
    [
        ((), []),
        ((piece(),), TO_CUT),
        ((piece("strap"),), TO_CUT + HELD),
        ((piece("loop", "band"),), TO_CUT + HELD),
        ((piece("cord"),), TO_CUT + HELD),
        ((piece("", "band"),), TO_CUT + HELD),
        ((piece("", "unknown"),), TO_CUT),
        # Webbing that stiffens an edge is sewn in from end to end.
        ((piece("stiffener", "band"),), TO_CUT),
        ((piece("gusset", "shell", Fitting("x", "hardware", (9.0, 9.0), 3.0, "bolt")),), [*TO_CUT, "bolts"]),
        ((piece("gusset", "shell", Fitting("x", "screw-5", (9.0, 9.0), 3.0, "")),), [*TO_CUT, "bolts"]),
        ((piece("gusset", "shell", Fitting("x", "eye", (9.0, 9.0), 3.0, "grommet")),), TO_CUT),
    ],
)
def test_what_the_draft_has_decides(pieces: tuple[Piece, ...], more: list[str]) -> None:
    found = [caution.topic for caution in cautions_for(draft(*pieces))]
    assert sorted(found) == sorted(ALWAYS + more)
    order = [caution.topic for caution in CAUTIONS]
    assert found == sorted(found, key=order.index)


def test_each_is_short_enough_for_a_line_and_says_more_at_length() -> None:
    assert len({caution.topic for caution in CAUTIONS}) == len(CAUTIONS) <= 9
    for caution in CAUTIONS:
        assert len(caution.short) <= 104
        assert len(caution.text) > len(caution.short)
        assert caution.short.endswith(".")


@pytest.mark.parametrize(
    ("topic", "words"),
    [
        ("clearance", "lock to lock, crank, suspension, cable, leg, heel, wheel, brake, battery"),
        ("first ride", "slow, short"),
        ("straps", "buckles, loose end, wheels"),
        ("frame", "carbon, frame's maker"),
        ("bolts", "thread, tighter"),
        ("rubbing", "paint, film"),
        ("cutting and sewing", "blades, needle, fumes, PVC"),
        (
            "lasers",
            "PVC, vinyl, imitation leather, coated cloth, nylon, polyurethane, polyester, polyethylene",
        ),
        (
            "lasers",
            "self-adhesive, carbon fibre, hydrogen chloride, hydrogen cyanide, formaldehyde, data sheet",
        ),
        ("rules", "Local rules, mechanic, braking, steering, No standard, none is claimed"),
    ],
)
def test_nothing_that_has_to_be_said_is_left_out(topic: str, words: str) -> None:
    (caution,) = (caution for caution in CAUTIONS if caution.topic == topic)
    for word in words.split(", "):
        assert word in caution.text, word
