"""Every recipe with every frame sheet, through the command line and the files that come out."""

from __future__ import annotations

import hashlib
import json
import math
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from shapely.geometry import Polygon

from oaktag.cli.app import run
from oaktag.pattern.document import schema

ROOT = Path(__file__).parents[2]
RECIPES = sorted((ROOT / "recipes").glob("*.recipe.toml"))
FRAMES = sorted((ROOT / "recipes" / "frames").glob("*.frame.toml"))
SIMPLEST = ROOT / "recipes" / "fit-sample.recipe.toml"
# The bare sample on every sheet, every other recipe on one; tests/registry drafts every pair.
JOBS = [(SIMPLEST, frame) for frame in FRAMES]
JOBS += [(recipe, FRAMES[i % len(FRAMES)]) for i, recipe in enumerate(RECIPES) if recipe != SIMPLEST]
# Sheets that need a stage of their own to make the opening stand beside a recipe that has it.
JOBS += [
    (recipe, frame)
    for folder in sorted((ROOT / "recipes" / "sources").iterdir())
    for recipe in sorted(folder.glob("*.recipe.toml"))
    for frame in sorted(folder.glob("*.frame.toml"))
]
NAMES = [f"{recipe.name}-{frame.name}" for recipe, frame in JOBS]

Made = tuple[Path, dict[str, Any]]


@pytest.fixture(scope="module", params=JOBS, ids=NAMES)
def made(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Made:
    recipe, frame = request.param
    out = tmp_path_factory.mktemp("out")
    assert run(["make", str(recipe), "--frame", str(frame), "--out", str(out), "--quiet"]) == 0
    folder = out / frame.name.removesuffix(".frame.toml") / recipe.name.removesuffix(".recipe.toml")
    return folder, json.loads((folder / "pattern.json").read_bytes())


def segment_length(segment: dict[str, Any]) -> float:
    if segment["kind"] == "line":
        return math.dist(segment["start"], segment["end"])
    if segment["kind"] == "arc":
        (cx, cy), (sx, sy), (ex, ey) = segment["center"], segment["start"], segment["end"]
        turn = math.atan2(ey - cy, ex - cx) - math.atan2(sy - cy, sx - cx)
        turn = -turn if segment["clockwise"] else turn
        return segment["radius"] * (turn % math.tau)
    return sum(math.dist(a, b) for a, b in zip(segment["points"], segment["points"][1:], strict=False))


def piece_of(document: dict[str, Any], name: str) -> dict[str, Any]:
    return next(piece for piece in document["pieces"] if piece["id"] == name)


def edge_lengths(piece: dict[str, Any]) -> dict[str, float]:
    lengths: dict[str, float] = {}
    for segment in piece["seam_line"]:
        lengths[segment["edge"]] = lengths.get(segment["edge"], 0.0) + segment_length(segment)
    return lengths


def seam_row(document: dict[str, Any], side: dict[str, Any]) -> tuple[float, dict[str, tuple[float, int]]]:
    """Length of a seam's side and its notches' stations, worked out from the document alone."""
    piece = piece_of(document, side["piece"])
    lengths = edge_lengths(piece)
    for line in piece["placements"]:
        lengths[line["name"]] = sum(segment_length(segment) for segment in line["line"])
    total = sum(lengths[name] for name in side["edges"])
    length = total if side["length"] is None else side["length"]
    closed = {edge["name"] for edge in piece["edges"]} == set(side["edges"])
    row: dict[str, tuple[float, int]] = {}
    start = 0.0
    for name in side["edges"]:
        for notch in piece["notches"]:
            if notch["edge"] != name:
                continue
            along = start + notch["at"] - side["start"]
            along = along % total if closed else along
            if -1e-6 < along < length + 1e-6:
                row[notch["pair"]] = (length - along if side["reverse"] else along, notch["count"])
        start += lengths[name]
    return length, row


def test_the_document_obeys_its_schema(made: Made) -> None:
    jsonschema.Draft202012Validator(schema()).validate(made[1])


def test_edges_are_as_long_as_their_segments(made: Made) -> None:
    for piece in made[1]["pieces"]:
        lengths = edge_lengths(piece)
        for edge in piece["edges"]:
            assert lengths[edge["name"]] == pytest.approx(edge["length"], abs=0.01)


def test_outlines_close_and_enclose_what_is_stated(made: Made) -> None:
    for piece in made[1]["pieces"]:
        for key in ("seam_line", "cut_line"):
            segments = piece[key]
            ends = [
                (s["start"], s["end"]) if s["kind"] != "curve" else (s["points"][0], s["points"][-1])
                for s in segments
            ]
            for (_, end), (start, _) in zip(ends, [*ends[1:], ends[0]], strict=True):
                assert math.dist(end, start) < 1e-5
        cut = Polygon([point for s in piece["cut_line"] for point in flat(s)])
        assert cut.is_valid
        # A free curve is given by points within 0.005 mm of it.
        assert cut.area == pytest.approx(piece["area"], abs=0.005 * piece["perimeter"])
        assert cut.bounds == pytest.approx(piece["bounds"], abs=0.01)
        assert cut.contains(Polygon([point for s in piece["seam_line"] for point in flat(s)]))


def flat(segment: dict[str, Any]) -> list[tuple[float, float]]:
    if segment["kind"] == "line":
        return [tuple(segment["start"])]
    if segment["kind"] == "curve":
        return [tuple(point) for point in segment["points"][:-1]]
    (cx, cy), (sx, sy) = segment["center"], segment["start"]
    sweep = segment_length(segment) / segment["radius"] * (-1 if segment["clockwise"] else 1)
    first = math.atan2(sy - cy, sx - cx)
    return [
        (
            cx + segment["radius"] * math.cos(first + sweep * i / 256),
            cy + segment["radius"] * math.sin(first + sweep * i / 256),
        )
        for i in range(256)
    ]


def test_seams_and_notches_agree_to_a_hundredth_of_a_millimetre(made: Made) -> None:
    document = made[1]
    assert document["seams"]
    for seam in document["seams"]:
        length_a, row_a = seam_row(document, seam["a"])
        length_b, row_b = seam_row(document, seam["b"])
        assert abs(length_b - length_a - seam["ease"]) < 0.01
        assert seam["length_a"] == pytest.approx(length_a, abs=0.01)
        assert seam["length_b"] == pytest.approx(length_b, abs=0.01)
        if seam["kind"] not in ("shell", "part", "liner"):
            continue  # sewn to a drawn line, a tape or flat upon another: their notches belong to other seams
        shared = row_a.keys() & row_b.keys()
        lone = [
            at
            for row, length in ((row_a, length_a), (row_b, length_b))
            for p, (at, _) in row.items()
            if p not in shared
            for at in [min(at, length - at)]
        ]
        assert all(at < 1e-6 for at in lone)
        for pair in shared:
            share = row_a[pair][0] / length_a
            assert abs(row_b[pair][0] - row_a[pair][0] - share * seam["ease"]) < 0.01
            assert row_a[pair][1] == row_b[pair][1]


def test_every_pair_of_notches_has_two_mates_or_meets_an_end(made: Made) -> None:
    pairs: dict[str, int] = {}
    for piece in made[1]["pieces"]:
        for notch in piece["notches"]:
            pairs[notch["pair"]] = pairs.get(notch["pair"], 0) + 1
    assert set(pairs.values()) <= {1, 2}
    assert sum(count == 2 for count in pairs.values()) >= 10


def test_files_are_listed_with_their_digests(made: Made) -> None:
    folder, document = made
    listed = {entry["path"] for entry in document["files"]}
    assert listed | {"pattern.json"} == {
        path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()
    }
    for entry in document["files"]:
        assert hashlib.sha256((folder / entry["path"]).read_bytes()).hexdigest() == entry["sha256"]


def test_nothing_is_left_to_warn_about(made: Made) -> None:
    # An opening that no reading checks is an honest warning of a sheet from a chart or a table alone.
    expected = {"opening-estimated", "readings-weak"} if made[1]["survey"]["readings"] == [] else set()
    assert [f for f in made[1]["findings"] if f["level"] != "note" and f["code"] not in expected] == []


def test_check_says_the_same_and_writes_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    recipe, frame = JOBS[0]
    assert run(["check", str(recipe), "--frame", str(frame), "--json"]) == 0
    report = json.loads(capsys.readouterr().out)
    assert report["files"] == []
    assert list(tmp_path.iterdir()) == []


def test_what_is_bent_in_the_way_or_attached_is_on_record(tmp_path: Path) -> None:
    recipe = str(ROOT / "recipes" / "fit-sample.recipe.toml")
    frame = str(ROOT / "recipes" / "frames" / "towpath-16-pump.frame.toml")
    assert run(["make", recipe, "--frame", frame, "--out", str(tmp_path), "--quiet"]) == 0
    folder = tmp_path / "towpath-16-pump" / "fit-sample"
    kept = json.loads((folder / "pattern.json").read_bytes())["frame"]
    assert kept["bows"] == [
        {
            "tube": "down-tube",
            "offsets": [{"fraction": 0.5, "distance": 0.0, "rise": 9.0}],
            "key": "bows.down-tube",
        }
    ]
    (peg,) = kept["obstacles"]
    assert (peg["name"], peg["tube"], peg["distance"], peg["clearance"]) == (
        "pump peg",
        "top-tube",
        190.0,
        5.0,
    )

    folder = ROOT / "recipes" / "sources" / "table"
    (recipe_path,), (frame_path,) = folder.glob("*.recipe.toml"), folder.glob("*.frame.toml")
    assert run(["make", str(recipe_path), "--frame", str(frame_path), "--out", str(tmp_path), "--quiet"]) == 0
    (document,) = tmp_path.glob("towpath-10-table/*/pattern.json")
    (attached,) = json.loads(document.read_bytes())["frame"]["attachments"]
    assert attached["sha256"] == hashlib.sha256((folder / attached["name"]).read_bytes()).hexdigest()
