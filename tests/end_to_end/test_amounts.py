"""Every amount of the cut list and the bill, worked out again from the pattern's document alone.

Nothing of the program helps here: outlines are flattened from the segments in the document and measured with
shapely; thread, mass, cost and rounding follow from the document's own table of materials.
"""

from __future__ import annotations

import json
import math
from collections import defaultdict
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from shapely import affinity
from shapely.geometry import Polygon

from oaktag.engine.make import first_draft
from oaktag.engine.plan import make_plan
from oaktag.engine.run import run_plan
from oaktag.pattern.document import render
from oaktag.plugin import load_stages
from oaktag.plugin.kit import run_stage
from oaktag.recipe import load_frame, load_recipe

ROOT = Path(__file__).parents[2]
TABLES = ROOT / "recipes" / "tables"
SHOP = "example-shop.materials.toml"
STAGES = load_stages()
JOBS = [
    (recipe, frame)
    for recipe in sorted((ROOT / "recipes").glob("*.recipe.toml"))
    for frame in sorted((ROOT / "recipes" / "frames").glob("*.frame.toml"))
]
JOBS += [
    (recipe, frame)
    for folder in sorted((ROOT / "recipes" / "sources").iterdir())
    for recipe in sorted(folder.glob("*.recipe.toml"))
    for frame in sorted(folder.glob("*.frame.toml"))
]
ASSIGN = {"shell": "shop-canvas", "liner": "ripstop-70d", "fit sample cloth": "fit-sample-cloth"}
# 10 to 15 % for piece goods on a published cost sheet for bags, 15 % for thread in a published example.
SHARES = {"cloth": 0.15, "tape": 0.05, "each": 0.0}
SHARE_OF_KIND = {"thread": 0.15, "zipper": 0.0, "card": 0.0}

Json = dict[str, Any]


@pytest.fixture(scope="module", params=JOBS, ids=[f"{r.stem}-{f.stem}" for r, f in JOBS])
def document(request: pytest.FixtureRequest) -> Json:
    """The document of a bag with priced materials and with every list."""
    recipe_path, frame_path = request.param
    frame, frame_file = load_frame(frame_path)
    plan = make_plan(load_recipe(recipe_path), STAGES)
    # Files to cut and print from have nothing to do with amounts; the shop's table takes the recipe's place.
    slow = ("export.", "work.", "label.")
    kept = tuple(step for step in plan.steps if not step.step.use.startswith(slow))
    plan = replace(plan, steps=kept)
    draft = run_plan(plan, first_draft(frame, frame_file, plan, STAGES.materials), "a frame").draft
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(TABLES)
        stock = draft.evolve(materials=STAGES.materials)
        table = run_stage("materials.table", stock, table=SHOP, assign=ASSIGN).materials
    draft = run_stage("work.operations", draft.evolve(materials=table))
    draft = run_stage("work.paperwork", draft, rate={"default": 30, "inspect": 36}, currency="EUR")
    loaded: Json = json.loads(render(draft))
    return loaded


def points_of(segment: Json) -> list[tuple[float, float]]:
    """Points along a segment, without its end."""
    if segment["kind"] == "line":
        return [tuple(segment["start"])]
    if segment["kind"] == "curve":
        return [tuple(point) for point in segment["points"][:-1]]
    (cx, cy), (sx, sy), (ex, ey) = segment["center"], segment["start"], segment["end"]
    begin, radius = math.atan2(sy - cy, sx - cx), segment["radius"]
    turn = math.atan2(ey - cy, ex - cx) - begin
    turn = -((-turn) % math.tau) if segment["clockwise"] else turn % math.tau
    count = 2000
    angles = [begin + turn * k / count for k in range(count)]
    return [(cx + radius * math.cos(angle), cy + radius * math.sin(angle)) for angle in angles]


def length_of(segments: list[Json]) -> float:
    total = 0.0
    for segment in segments:
        end = segment["points"][-1] if segment["kind"] == "curve" else segment["end"]
        points = [*points_of(segment), tuple(end)]
        total += sum(math.dist(one, other) for one, other in pairwise(points))
    return total


def outline_of(piece: Json) -> Polygon:
    segments = piece["cut_line"] or piece["seam_line"]
    return Polygon([point for segment in segments for point in points_of(segment)])


def slack_of(piece: Json) -> float:
    """By how much a flattened outline may be off, mm²: chords of free curves stay 0.005 mm near them."""
    segments = piece["cut_line"] or piece["seam_line"]
    curves = length_of([segment for segment in segments if segment["kind"] == "curve"])
    return 0.005 * curves + 2e-6 * outline_of(piece).area


def entry_of(document: Json, name: str) -> Json | None:
    entry: Json | None = next(m["entry"] for m in document["materials"] if m["name"] == name)
    return entry


def box_of(piece: Json, entry: Json | None) -> tuple[float, float]:
    """Length and width of a piece along its grain, or along its longest side if it is tape."""
    outline = outline_of(piece)
    if piece["grain"] is not None:
        (x0, y0), (x1, y1) = piece["grain"]["start"], piece["grain"]["end"]
        outline = affinity.rotate(outline, -math.degrees(math.atan2(y1 - y0, x1 - x0)), origin=(0, 0))
    elif entry is not None and entry["form"] == "tape" and not piece["parts"]:
        box = outline.minimum_rotated_rectangle.exterior.coords
        one, other = sorted(math.dist(box[k], box[k + 1]) for k in range(2))
        across = abs(one - entry["width"]) <= abs(other - entry["width"])
        return (other, one) if across else (one, other)
    min_x, min_y, max_x, max_y = outline.bounds
    return max_x - min_x, max_y - min_y


def test_the_cut_list_can_be_measured_from_the_outlines(document: Json) -> None:
    assert [row["piece"] for row in document["cut_list"]] == [piece["id"] for piece in document["pieces"]]
    for row, piece in zip(document["cut_list"], document["pieces"], strict=True):
        name = "card" if piece["parts"] else piece["material"]
        assert row["material"] == name
        assert (row["name"], row["quantity"], row["mirrored"]) == (
            piece["name"],
            piece["quantity"],
            piece["mirrored"],
        )
        assert ("template" in row["note"]) == bool(piece["parts"])
        outline = outline_of(piece)
        assert outline.is_valid
        assert row["area"] == pytest.approx(outline.area, abs=slack_of(piece))
        width, height = box_of(piece, entry_of(document, name))
        assert row["width"] == pytest.approx(width, abs=0.02)
        assert row["height"] == pytest.approx(height, abs=0.02)


def thread_of(document: Json) -> dict[str, float]:
    """Length of stitching in mm by stitch type: every row of every seam, and every hem."""
    pieces = {piece["id"]: piece for piece in document["pieces"]}
    lengths: dict[str, float] = defaultdict(float)
    sewn: dict[str, set[str]] = defaultdict(set)
    for seam in document["seams"]:
        stitching = seam["stitching"] or {"stitch_type": "301", "rows": 1}
        side = seam["a"]
        lines = defaultdict(list)
        for segment in pieces[side["piece"]]["seam_line"]:
            lines[segment["edge"]].append(segment)
        for placement in pieces[side["piece"]]["placements"]:
            lines[placement["name"]] = placement["line"]
        whole = sum(length_of(lines[name]) for name in side["edges"])
        assert side["length"] <= whole + 0.02
        lengths[stitching["stitch_type"]] += stitching["rows"] * side["length"]
        for one in (seam["a"], seam["b"]):
            sewn[one["piece"]].update(one["edges"])
    for piece in document["pieces"]:
        for part in piece["parts"]:
            edges = pieces[part]["edges"]
            sewn[part].update(edge["name"] for edge in edges if edge["of"] in sewn[piece["id"]])
    for piece in document["pieces"]:
        for edge in piece["edges"]:
            hemmed = edge["finish"] in ("hem", "bound") and edge["name"] not in sewn[piece["id"]]
            if hemmed and not piece["parts"]:
                lengths["301"] += edge["length"] * piece["quantity"]
    return lengths


def test_thread_follows_from_the_seams(document: Json) -> None:
    found: dict[str, float] = defaultdict(float)
    for row in document["paperwork"]["thread"]:
        found[row["stitch_type"]] += row["seam_length"]
        assert row["length"] == pytest.approx(row["ratio"] * row["seam_length"] / 1000)
        assert row["source"]
    assert found == pytest.approx(thread_of(document))


def test_every_row_of_the_bill_follows_from_pieces_and_table(document: Json) -> None:
    net: dict[str, float] = defaultdict(float)
    bought: dict[str, float] = defaultdict(float)
    used: dict[str, list[str]] = defaultdict(list)
    for piece in document["pieces"]:
        name = "card" if piece["parts"] else piece["material"]
        entry = entry_of(document, name)
        assert entry is not None, f"{name} isn't in the example table"
        count = piece["quantity"]
        if entry["form"] == "cloth":
            amount = stock = outline_of(piece).area / 1e6
        elif entry["form"] == "tape":
            length = box_of(piece, entry)[0]
            amount = stock = length / 1e3
            if piece["bought"]:
                assert piece["bought"] >= length
                stock = piece["bought"] / 1e3
        else:
            amount = stock = 1.0
        net[name] += count * amount
        bought[name] += count * stock
        used[name].append(piece["id"])
        for fitting in piece["fittings"]:
            net[fitting["material"]] += count * fitting["quantity"]
            bought[fitting["material"]] += count * fitting["quantity"]
            used[fitting["material"]].append(f"{piece['id']}.{fitting['name']}")
    thread = sum(row["length"] for row in document["paperwork"]["thread"])
    net["thread-tex-70"] += thread
    bought["thread-tex-70"] += thread
    used["thread-tex-70"] += [seam["id"] for seam in document["seams"]]
    bill = {row["material"]: row for row in document["paperwork"]["bill"]}
    assert len(bill) == len(document["paperwork"]["bill"])
    assert bill.keys() == net.keys()
    for name, row in bill.items():
        entry = entry_of(document, name)
        assert entry is not None
        assert row["unit"] == {"cloth": "m2", "tape": "m", "each": "each"}[entry["form"]]
        assert row["kind"] == entry["kind"]
        assert row["used_by"] == used[name]
        assert row["net"] == pytest.approx(net[name], rel=1e-4)
        share = SHARE_OF_KIND.get(entry["kind"], SHARES[entry["form"]])
        gross = bought[name] * (1 + share)
        assert row["gross"] == pytest.approx(gross, rel=1e-4)
        assert row["net"] * (1 + row["waste"]) == pytest.approx(row["gross"], rel=1e-4)
        assert row["mass"] == pytest.approx(net[name] * entry["mass"], rel=1e-4)
        if entry["price"] is None:
            assert row["cost"] is None
            continue
        running = gross / (entry["width"] / 1000) if entry["form"] == "cloth" else gross
        assert row["cost"] == pytest.approx(running * entry["price"], rel=1e-4)


def test_totals_are_sums(document: Json) -> None:
    paperwork = document["paperwork"]
    assert paperwork["currency"] == "EUR"
    masses = [row["mass"] for row in paperwork["bill"] if row["material"] != "card"]
    assert paperwork["mass_g"] == pytest.approx(sum(masses))
    costs = [row["cost"] for row in paperwork["bill"]]
    if None in costs:
        assert paperwork["material_cost"] is None
        assert "price-unknown" in {finding["code"] for finding in document["findings"]}
    else:
        assert paperwork["material_cost"] == pytest.approx(sum(costs))
    minutes: dict[str, float] = defaultdict(float)
    for operation in document["operations"]:
        minutes[operation["kind"]] += operation["minutes"]
    assert {row["kind"]: row["minutes"] for row in paperwork["labour"]} == pytest.approx(minutes)
    for row in paperwork["labour"]:
        assert row["rate"] == (36 if row["kind"] == "inspect" else 30)
        assert row["cost"] == pytest.approx(row["minutes"] / 60 * row["rate"], abs=1e-5)
    assert paperwork["labour_cost"] == pytest.approx(sum(row["cost"] for row in paperwork["labour"]))
