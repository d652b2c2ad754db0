from __future__ import annotations

import itertools
import json
import math
import re
from collections.abc import Callable, Iterator
from functools import lru_cache
from typing import Any

import pytest
import shapely
from jsonschema import Draft202012Validator

from oaktag.geometry import Arc, Curve, Line, Path, offset_outline
from oaktag.pattern import (
    Adjusted,
    Artifact,
    CutRun,
    Draft,
    Edge,
    Finding,
    Frame,
    Label,
    Mark,
    NextReading,
    Notch,
    Opening,
    OpeningCorner,
    OpeningEdge,
    Outline,
    Piece,
    Place,
    Provenance,
    Reading,
    ReadingResult,
    Seam,
    SeamSide,
    Statistics,
    Survey,
    Term,
    TubeWidth,
    Working,
)
from oaktag.pattern.document import DECIMALS, SCHEMA_VERSION, document, render, schema
from oaktag.pattern.drawing import piece_bounds

TOP_LEVEL = [
    "schema", "recipe", "frame", "tables", "survey", "opening", "outline", "outlines", "pieces", "seams",
    "materials", "cut_list", "paperwork", "operations", "layout", "volume_l", "compartments", "workings",
    "findings", "files",
]  # fmt: skip
CORNERS = (("seat", (0.0, 400.0)), ("head", (520.0, 430.0)), ("bottom-bracket", (130.0, -0.0)))
TUBES = ("top-tube", "down-tube", "seat-tube")


def with_allowances(piece: Piece) -> Piece:
    paths = offset_outline([edge.path for edge in piece.edges], [edge.allowance for edge in piece.edges])
    return piece.evolve(
        cut_line=tuple(CutRun(e.name, path) for e, path in zip(piece.edges, paths, strict=True))
    )


@lru_cache(maxsize=1)
def full_draft() -> Draft:
    """A draft with something under every key: a panel with an arc and a free curve, and a strip."""
    seat, head, bracket = (point for _, point in CORNERS)
    sides = (
        Path((Arc.from_sagitta(seat, head, 12.0),)),
        Path((Curve.through((head, (400.0, 300.0), (260.0, 138.0), bracket)),)),
        Path((Line(bracket, seat),)),
    )
    edges = tuple(Edge(tube, side, 10.0) for tube, side in zip(TUBES, sides, strict=True))
    panel = with_allowances(
        Piece(
            id="side-panel-drive",
            name="side panel, drive side",
            edges=edges,
            material="shell",
            notches=(Notch("top-tube", 200.0, "a"), Notch("seat-tube", 200.0, "b", 2)),
            marks=(Mark("fold", Path((Line((150.0, 200.0), (250.0, 200.0)),)), "fold ½"),),
            labels=(Label(("side panel", "1 of 2"), (190.0, 285.0), 5.0, 90.0),),
            grain=Line((100.0, 350.0), (300.0, 360.0)),
            up=90.0,
            front=0.0,
        )
    )
    length = sum(edge.length for edge in edges)
    corners = ((0.0, 25.0), (length, 25.0), (length, -25.0), (0.0, -25.0))
    names = ("non-drive-side", "end", "drive-side", "start")
    strip = with_allowances(
        Piece(
            id="gusset",
            name="gusset",
            edges=tuple(
                Edge(name, Path((Line(a, b),)), 12.0)
                for name, a, b in zip(names, corners, corners[1:] + corners[:1], strict=True)
            ),
            material="shell",
            quantity=3,
            mirrored=1,
        )
    )
    frame = Frame(
        name="Tøwpath 3, size S",
        corners=tuple(name for name, _ in CORNERS),
        tubes=TUBES,
        readings=(
            Reading("length", "top-tube", 523.5, 1.0, "tape", "lengths.top-tube"),
            Reading("angle", "head", 40.8, 0.3, "angle-gauge", "angles.head"),
            Reading("angle", "seat", 38.1, 0.3, "angle-gauge", "angles.seat", "gauge slipped"),
        ),
        widths=(TubeWidth(Place("top-tube", 1.0, -30.0), 41.2, "widths.top-tube.head"),),
        size="S",
    )
    survey = Survey(
        lengths=tuple(Adjusted(tube, side.length, 0.7) for tube, side in zip(TUBES, sides, strict=True)),
        angles=tuple(Adjusted(name, 60.0, 0.2) for name, _ in CORNERS),
        perimeter=Adjusted("perimeter", length, 1.3),
        readings=(
            ReadingResult("top-tube", "length", 523.5, 1.0, -0.4, -0.9, 0.31, "lengths.top-tube"),
            ReadingResult("head", "angle", 40.8, 0.3, 0.0, None, 0.0, "angles.head"),
            ReadingResult("seat", "angle", 38.1, 0.3, 21.9, None, 0.0, "angles.seat", "gauge slipped"),
        ),
        statistics=Statistics(1, 0.81, 0.81, 3.841458820694124, True),
        covariance=tuple(tuple(0.25 if i == j else 0.0 for j in range(6)) for i in range(6)),
        next_readings=(NextReading("diagonal", "seat to head", 1.0, 1.1, 0.4),),
    )
    opening = Opening(
        corners=tuple(OpeningCorner(name, point, 60.0) for name, point in CORNERS),
        edges=tuple(OpeningEdge(tube, side) for tube, side in zip(TUBES, sides, strict=True)),
    )
    return Draft(
        frame=frame,
        frame_provenance=Provenance(frame.name, "", "0f" * 32),
        recipe_provenance=Provenance("fit-sample", "1.2.0", "ab" * 32),
        survey=survey,
        opening=opening,
        outlines=(Outline(edges),),
        pieces=(panel, strip),
        seams=(
            Seam(
                "drive", SeamSide(panel.id, TUBES, 100.0), SeamSide(strip.id, ("drive-side",), reverse=True)
            ),
            Seam(
                "part",
                SeamSide(panel.id, ("seat-tube",), 20.0, 300.0),
                SeamSide(strip.id, ("non-drive-side",), 40.0, 305.0),
                ease=3.0,
            ),
        ),
        findings=(
            Finding("warning", "z-late", "second letter first", "gusset"),
            Finding("note", "a-early", "found as found"),
        ),
        volume=5.4321,
        workings=(
            Working(
                "corner seat: tangent",
                34.6410161514,
                "mm",
                "r / tan(θ / 2)",
                (
                    Term("r", 20.0, "mm", "corners.round: radius"),
                    Term("θ", 60.0, "°", "working: angle at seat"),
                ),
                "corner:seat",
            ),
        ),
        artifacts=(Artifact("pattern.dxf", "dxf", b"0\nEOF\n"),),
    )


@pytest.fixture
def full() -> Draft:
    return full_draft()


@pytest.fixture
def bare() -> Draft:
    frame = Frame("Towpath 3", ("seat", "head", "bottom-bracket"), TUBES, ())
    return Draft(frame, Provenance("Towpath 3"), Provenance("empty"))


@lru_cache(maxsize=1)
def validator() -> Draft202012Validator:
    return Draft202012Validator(schema())


def test_the_schema_is_a_schema() -> None:
    Draft202012Validator.check_schema(schema())
    assert schema()["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert schema()["properties"]["schema"]["const"] == SCHEMA_VERSION


def test_documents_follow_the_schema(full: Draft, bare: Draft) -> None:
    for draft in (full, bare, full.evolve(survey=None), bare.evolve(volume=0.0)):
        validator().validate(document(draft))
        validator().validate(json.loads(render(draft)))


def records(value: Any, where: tuple[Any, ...] = ()) -> Iterator[tuple[tuple[Any, ...], dict[str, Any]]]:
    """Every dictionary of a document with its place."""
    if isinstance(value, dict):
        yield where, value
        for key, item in value.items():
            yield from records(item, (*where, key))
    elif isinstance(value, list):
        for index, item in enumerate(value):
            yield from records(item, (*where, index))


TABLES = {("survey", "lengths"), ("survey", "angles"), ("opening", "corners"), ("opening", "angles")}


def test_no_key_may_be_added_or_missing(full: Draft) -> None:
    whole = document(full)
    tried = 0
    seen: set[tuple[Any, ...]] = set()
    for where, record in records(whole):
        # One record of every sort will do: list items are told apart by their kind alone.
        sort = (*("*" if isinstance(step, int) else step for step in where), record.get("kind"))
        if where in TABLES or sort in seen:
            continue
        seen.add(sort)
        record["colour"] = "red"
        assert not validator().is_valid(whole), where
        del record["colour"]
        for key in list(record):
            taken = record.pop(key)
            assert not validator().is_valid(whole), (*where, key)
            record[key] = taken
            tried += 1
    validator().validate(whole)
    assert tried > 150


def subschemas(value: Any) -> Iterator[dict[str, Any]]:
    if isinstance(value, dict):
        yield value
        for item in value.values():
            yield from subschemas(item)
    elif isinstance(value, list):
        for item in value:
            yield from subschemas(item)


UNIT = re.compile(
    r"\bmm\b|mm²|\b(degrees|litres|no unit|a count|unit of the value|g|[Mm]etres|minutes|currency|unit)\b"
)


def test_every_property_is_described_with_its_unit() -> None:
    described = 0
    for part in subschemas(schema()):
        if part.get("type") == "object":
            assert part["additionalProperties"] is False or isinstance(part["additionalProperties"], dict)
            assert part["description"].endswith(".")
        for name, described_by in part.get("properties", {}).items():
            if "type" not in described_by and not {"$ref", "oneOf", "const", "enum"} & set(described_by):
                continue  # a table of properties that happens to hold one called "properties"
            assert described_by.get("description", "").endswith("."), name
            types = described_by.get("type", ())
            if {"number", "integer"} & set([types] if isinstance(types, str) else types):
                assert UNIT.search(described_by["description"]), name
            described += 1
    assert described > 120


def test_keys_stand_in_their_order(full: Draft) -> None:
    assert list(document(full)) == TOP_LEVEL
    assert list(schema()["properties"]) == TOP_LEVEL
    assert list(json.loads(render(full))) == TOP_LEVEL
    properties = schema()["$defs"]["piece"]["properties"]
    assert list(document(full)["pieces"][0]) == list(properties)


def test_inputs_are_named_with_their_digests(full: Draft) -> None:
    whole = document(full)
    assert whole["recipe"] == {"name": "fit-sample", "version": "1.2.0", "sha256": "ab" * 32}
    assert whole["frame"]["name"] == "Tøwpath 3, size S"
    assert whole["frame"]["sha256"] == "0f" * 32
    assert (
        whole["files"]
        == [
            {
                "path": "pattern.dxf",
                "kind": "dxf",
                "sha256": "28a7a24a42ed1f05deafbe5e3c6ac8ce8aaf8bb0e5a6f2b1d0ed2b53b5a9c2a0",
            }
        ]
        or whole["files"][0]["sha256"] == full.artifacts[0].sha256
    )


def test_survey_and_opening_are_by_name(full: Draft) -> None:
    whole = document(full)
    assert whole["survey"]["lengths"]["seat-tube"] == {
        "value": round(math.hypot(130.0, 400.0), DECIMALS),
        "sigma": 0.7,
    }
    assert whole["survey"]["readings"][1]["standardised"] is None
    assert [reading["excluded"] for reading in whole["survey"]["readings"]] == ["", "", "gauge slipped"]
    assert [reading["excluded"] for reading in whole["frame"]["readings"]] == ["", "", "gauge slipped"]
    assert whole["survey"]["next_readings"] == [
        {"of": "seat to head", "kind": "diagonal", "sigma": 1.0, "perimeter": 1.1, "corner": 0.4}
    ]
    assert whole["survey"]["statistics"]["critical"] == 3.841459
    assert whole["opening"]["corners"] == {
        "seat": [0.0, 400.0],
        "head": [520.0, 430.0],
        "bottom-bracket": [130.0, 0.0],
    }
    assert whole["volume_l"] == 5.4321
    assert whole["workings"] == [
        {
            "name": "corner seat: tangent",
            "value": 34.641016,
            "unit": "mm",
            "formula": "r / tan(θ / 2)",
            "terms": [
                {"symbol": "r", "value": 20.0, "unit": "mm", "source": "corners.round: radius"},
                {"symbol": "θ", "value": 60.0, "unit": "°", "source": "working: angle at seat"},
            ],
            "about": "corner:seat",
            "reference": "",
        }
    ]
    assert [finding["code"] for finding in whole["findings"]] == ["z-late", "a-early"]


def points_of(segments: list[dict[str, Any]]) -> list[tuple[float, float]]:
    """The outline that a stranger would draw from segments, arcs by their centres."""
    points: list[tuple[float, float]] = []
    for segment in segments:
        if segment["kind"] == "line":
            points.append(tuple(segment["start"]))
        elif segment["kind"] == "arc":
            (cx, cy), r = segment["center"], segment["radius"]
            a, b = (math.atan2(y - cy, x - cx) for x, y in (segment["start"], segment["end"]))
            sweep = (a - b if segment["clockwise"] else b - a) % math.tau
            count = max(2, math.ceil(sweep / math.sqrt(8 * 0.001 / r)))
            turn = -sweep / count if segment["clockwise"] else sweep / count
            points += [
                (cx + r * math.cos(a + k * turn), cy + r * math.sin(a + k * turn)) for k in range(count)
            ]
        else:
            points += [(x, y) for x, y in segment["points"][:-1]]
    return points


def ends_of(segment: dict[str, Any]) -> tuple[list[float], list[float]]:
    if segment["kind"] == "curve":
        return segment["points"][0], segment["points"][-1]
    return segment["start"], segment["end"]


@pytest.mark.parametrize("line", ["seam_line", "cut_line"])
def test_a_stranger_can_redraw_every_piece(full: Draft, line: str) -> None:
    for piece, written in zip(full.pieces, document(full)["pieces"], strict=True):
        segments = written[line]
        for before, after in zip(segments[-1:] + segments[:-1], segments, strict=True):
            assert ends_of(before)[1] == pytest.approx(ends_of(after)[0], abs=2e-6)
        kinds = {type(s).__name__.lower() for s in piece.seam_line.segments}
        assert {segment["kind"] for segment in segments} == kinds
        names = dict.fromkeys(segment["edge"] for segment in segments)
        assert list(names) == [edge["name"] for edge in written["edges"]]
        redrawn = shapely.Polygon(points_of(segments))
        assert redrawn.is_valid
        drafted = (piece.seam_line if line == "seam_line" else piece.outline).polygon(0.001)
        assert redrawn.symmetric_difference(drafted).area < 0.01 * drafted.length
        if line == "cut_line":
            assert written["area"] == pytest.approx(redrawn.area, rel=1e-5)
            assert written["perimeter"] == pytest.approx(redrawn.length, rel=1e-5)
            assert written["bounds"] == pytest.approx(redrawn.bounds, abs=0.01)


def test_free_curves_stay_within_a_hundredth_of_a_millimetre(full: Draft) -> None:
    curve = full.pieces[0].edge("down-tube").path
    (written,) = (s for s in document(full)["pieces"][0]["seam_line"] if s["kind"] == "curve")
    points = written["points"]
    assert len(points) > 10
    worst = 0.0
    for (ax, ay), (bx, by) in itertools.pairwise(points):
        for share in (0.0, 0.25, 0.5, 0.75):
            worst = max(worst, curve.nearest((ax + share * (bx - ax), ay + share * (by - ay)))[1])
    assert 0.0 < worst < 0.01


def test_notches_are_given_on_both_lines(full: Draft) -> None:
    panel = full.pieces[0]
    first, second = document(full)["pieces"][0]["notches"]
    assert first["point"] == pytest.approx(panel.edge("top-tube").path.point_at(200.0), abs=1e-6)
    assert math.dist(first["point"], first["cut_point"]) == pytest.approx(10.0, abs=1e-5)
    assert (second["pair"], second["count"], second["at"]) == ("b", 2, 200.0)
    # Square to the straight seat tube, 10 mm out of the panel, which lies to the right of it.
    direction = (400.0 / math.hypot(130, 400), 130.0 / math.hypot(130, 400))
    outward = [b - a for a, b in zip(second["point"], second["cut_point"], strict=True)]
    assert outward == pytest.approx([-10.0 * direction[0], -10.0 * direction[1]], abs=1e-5)
    bare_piece = panel.evolve(cut_line=())
    uncut = document(full.evolve(pieces=(bare_piece, full.pieces[1])))
    assert uncut["pieces"][0]["notches"][0]["cut_point"] is None
    assert uncut["pieces"][0]["area"] == pytest.approx(abs(panel.seam_line.area))


def test_seams_are_walked(full: Draft) -> None:
    whole = document(full)
    lengths = {(p["id"], e["name"]): e["length"] for p in whole["pieces"] for e in p["edges"]}
    drive, part = whole["seams"]
    assert drive["a"]["edges"] == list(TUBES)
    assert (drive["a"]["start"], drive["a"]["reverse"], drive["b"]["reverse"]) == (100.0, False, True)
    assert drive["length_a"] == pytest.approx(sum(lengths["side-panel-drive", tube] for tube in TUBES))
    assert drive["length_b"] == pytest.approx(lengths["gusset", "drive-side"])
    assert drive["difference"] == pytest.approx(0.0, abs=1e-6)
    assert (part["length_a"], part["length_b"], part["ease"], part["difference"]) == (300.0, 305.0, 3.0, 2.0)
    assert part["b"] == {
        "piece": "gusset", "edges": ["non-drive-side"], "start": 40.0, "length": 305.0, "reverse": False,
    }  # fmt: skip


def test_materials_count_every_copy(full: Draft) -> None:
    whole = document(full)
    panel, strip = whole["pieces"]
    assert whole["materials"] == [
        {
            "name": "shell",
            "pieces": ["side-panel-drive", "gusset"],
            "area": pytest.approx(panel["area"] + 3 * strip["area"]),
            "fittings": 0,
            "entry": None,
        }
    ]
    line = whole["cut_list"][1]
    assert (line["piece"], line["quantity"], line["mirrored"]) == ("gusset", 3, 1)
    assert line["height"] == pytest.approx(74.0)
    assert line["width"] == pytest.approx(full.pieces[1].seam_line.bounds.width + 24.0)


def test_the_layout_keeps_pieces_apart(full: Draft) -> None:
    boxes = []
    for piece, place in zip(full.pieces, document(full)["layout"], strict=True):
        assert place["piece"] == piece.id
        box = piece_bounds(piece)
        x, y = place["x"], place["y"]
        boxes.append(shapely.box(box.min_x + x, box.min_y + y, box.max_x + x, box.max_y + y))
    assert boxes[0].distance(boxes[1]) > 1.0
    assert shapely.union_all(boxes).bounds[:2] == pytest.approx((0.0, 0.0), abs=1e-5)


def numbers(value: Any) -> Iterator[float]:
    if isinstance(value, float):
        yield value
    elif isinstance(value, (dict, list)):
        for item in value.values() if isinstance(value, dict) else value:
            yield from numbers(item)


def test_numbers_are_rounded_and_zero_has_no_sign(full: Draft) -> None:
    found = list(numbers(document(full)))
    assert len(found) > 200
    assert all(number == round(number, DECIMALS) for number in found)
    assert not any(number == 0.0 and math.copysign(1.0, number) < 0.0 for number in found)
    assert b"-0.0," not in render(full)


@pytest.mark.parametrize("number", [math.nan, math.inf, -math.inf])
def test_a_number_that_is_none_is_refused(full: Draft, number: float) -> None:
    with pytest.raises(ValueError, match="volume_l of the pattern isn't a finite number"):
        render(full.evolve(volume=number))


def test_the_text_is_plain_and_repeatable(full: Draft) -> None:
    text = render(full)
    assert text == render(full_draft.__wrapped__())
    assert text.endswith(b"}\n")
    assert "Tøwpath 3, size S".encode() in text
    assert json.loads(text) == document(full)
    lines = text.decode().splitlines()
    assert sum('"kind": "arc"' in line and '"center"' in line for line in lines) >= 3
    assert '"corners": ["seat", "head", "bottom-bracket"],' in {line.strip() for line in lines}


@pytest.mark.parametrize(
    ("spoil", "where"),
    [
        (lambda d: d["pieces"][0].update(face="inside"), "face"),
        (lambda d: d["pieces"][0].update(quantity=1.5), "quantity"),
        (lambda d: d["pieces"][0]["seam_line"][0].update(kind="spline"), "kind"),
        (lambda d: d["pieces"][0]["labels"][0].update(position=[1.0]), "position"),
        (lambda d: d["findings"][0].update(level="fatal"), "level"),
        (lambda d: d.update(schema="2.0"), "schema"),
        (lambda d: d["files"][0].update(sha256="abc"), "sha256"),
        (lambda d: d["opening"]["corners"].update(seat="far"), "corners"),
    ],
)
def test_the_schema_refuses_nonsense(
    full: Draft, spoil: Callable[[dict[str, Any]], None], where: str
) -> None:
    whole = document(full)
    spoil(whole)
    assert not validator().is_valid(whole), where
