"""Surfaces of the sewn bag: read with trimesh, and against the rules of glTF with Python's struct module."""

from __future__ import annotations

import json
import os
import struct
import subprocess
import sys
from collections.abc import Callable, Iterable
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError

from oaktag import Draft, Refusal
from oaktag.engine.plan import make_plan
from oaktag.engine.run import first_draft, run_plan
from oaktag.pattern import Artifact
from oaktag.plugin import load_stages
from oaktag.plugin.kit import example_draft
from oaktag.recipe import load_frame, load_recipe
from oaktag_plugins.check_read_back import ReadBackOptions
from oaktag_plugins.check_read_back import run as read_back
from oaktag_plugins.drafting.sewn_surface import SurfacePart
from oaktag_plugins.export_surface import READER, SurfaceOptions, run
from oaktag_plugins.exporting.gltf import glb, to_gltf
from oaktag_plugins.exporting.stl import stl
from oaktag_plugins.reading.surface import differences_in

RECIPES = sorted((Path(__file__).parents[3] / "recipes").glob("*.recipe.toml"))
SHEET = Path(__file__).parents[3] / "recipes" / "frames" / "towpath-3-small.frame.toml"
STAGES = load_stages()

Bodies = list[tuple[str, tuple[SurfacePart, ...]]]


@pytest.fixture(scope="module")
def bag() -> Draft:
    shape = ("measure.reconcile", "outline.clear", "corners.round", "panel.pair", "gusset.wrap")
    return example_draft(*shape, "measure.volume")


@pytest.fixture(scope="module")
def bodies(bag: Draft) -> Bodies:
    from oaktag_plugins.drafting.sewn_surface import sewn_body, surface_parts

    sewn = sewn_body(bag)
    assert not isinstance(sewn, str)
    return [("bag", surface_parts(sewn))]


@cache
def drafted(recipe: Path) -> Draft:
    """A recipe's draft on one sheet, without what is nothing to the bag's shape."""
    read = load_recipe(recipe)
    besides = ("export.", "check.", "label.", "work.", "stitches.", "measure.compartments")
    steps = tuple(step for step in read.steps if not step.use.startswith(besides))
    plan = make_plan(replace(read, steps=steps), STAGES)
    sheet, file = load_frame(SHEET)
    return run_plan(plan, first_draft(sheet, file, plan, STAGES.materials), file.path).draft


def written(draft: Draft, **options: Any) -> dict[str, bytes]:
    return {a.kind: a.data for a in run(draft, SurfaceOptions(**options)).artifacts}


@pytest.mark.parametrize("recipe", RECIPES, ids=lambda recipe: recipe.name.split(".")[0])
def test_every_bag_is_closed_and_holds_its_volume(recipe: Path) -> None:
    draft = drafted(recipe)
    assert draft.volume is not None
    changed = run(draft, SurfaceOptions())
    assert [a.path for a in changed.artifacts] == ["surface.glb", "surface.stl"]
    for artifact in changed.artifacts:
        assert list(differences_in(draft, artifact)) == []
    # The STL's volume by the divergence theorem, without any library: much nearer than the reader asks.
    corners = triangles(changed.artifacts[1].data)["corners"].astype(np.float64)
    volume = float(np.linalg.det(corners).sum()) / 6.0
    assert volume / 1e6 == pytest.approx(draft.volume, rel=1e-3)


def test_places_in_line_make_no_flat_triangle() -> None:
    """At this spacing rounding puts three places of this bag's slanted edge exactly in line."""
    (recipe,) = (recipe for recipe in RECIPES if recipe.name == "half-bag.recipe.toml")
    draft = drafted(recipe)
    made = run(draft, SurfaceOptions(spacing=6.0))
    assert [list(differences_in(draft, artifact)) for artifact in made.artifacts] == [[], []]
    corners = triangles(made.artifacts[1].data)["corners"].astype(np.float64)
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    assert np.linalg.norm(normals, axis=1).min() > 0.1


def triangles(data: bytes) -> Any:
    row = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
    (count,) = struct.unpack_from("<I", data, 80)
    assert len(data) == 84 + 50 * count
    return np.frombuffer(data, dtype=row, offset=84)


def test_stl_is_as_described(bag: Draft) -> None:
    data = written(bag)["stl"]
    assert not data.startswith(b"solid")
    assert b"unit mm" in data[:80]
    rows = triangles(data)
    corners = rows["corners"].astype(np.float64)
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    lengths = np.linalg.norm(normals, axis=1)
    assert np.einsum("tc,tc->t", rows["normal"], normals) == pytest.approx(lengths, rel=1e-4)
    assert not rows["attribute"].any()


def chunks(data: bytes) -> tuple[Any, bytes]:
    """JSON and buffer of a binary glTF (glTF 2.0 specification, section 4.4)."""
    magic, version, length = struct.unpack_from("<4sII", data)
    assert (magic, version, length) == (b"glTF", 2, len(data))
    size, kind = struct.unpack_from("<I4s", data, 12)
    assert kind == b"JSON"
    assert size % 4 == 0
    text = data[20 : 20 + size]
    assert text.endswith((b"}", b" "))
    following, kind = struct.unpack_from("<I4s", data, 20 + size)
    assert kind == b"BIN\0"
    assert following % 4 == 0
    buffer = data[28 + size :]
    assert len(buffer) == following
    return json.loads(text), buffer


@pytest.mark.parametrize("title", ["t", "ti", "tit", "titl"])
def test_chunks_are_filled_up(bodies: Bodies, title: str) -> None:
    """Whatever the text's length, the buffer begins at a multiple of four (section 4.4.1)."""
    document, _ = chunks(glb(bodies, title))
    assert document["scenes"][0]["name"] == title


def test_glb_keeps_the_rules(bag: Draft) -> None:
    """Sections 3.4 to 3.7 and 5 of the glTF 2.0 specification, as far as triangles can break them."""
    document, buffer = chunks(written(bag)["glb"])
    assert document["asset"]["version"] == "2.0"
    assert document["asset"]["extras"]["unit"] == "metre"
    assert 0 <= len(buffer) - document["buffers"][0]["byteLength"] <= 3
    for view in document["bufferViews"]:
        assert view["byteOffset"] % 4 == 0
        assert view["byteOffset"] + view["byteLength"] <= document["buffers"][0]["byteLength"]
    used = set()
    for mesh in document["meshes"]:
        (primitive,) = mesh["primitives"]
        assert primitive["mode"] == 4
        assert document["materials"][primitive["material"]]["doubleSided"] is False
        position, normal = (primitive["attributes"][name] for name in ("POSITION", "NORMAL"))
        indices = primitive["indices"]
        used |= {position, normal, indices}
        places = values(document, buffer, position, 5126, "VEC3", 34962)
        normals = values(document, buffer, normal, 5126, "VEC3", 34962)
        corners = values(document, buffer, indices, 5125, "SCALAR", 34963)
        assert document["accessors"][position]["min"] == places.min(axis=0).tolist()
        assert document["accessors"][position]["max"] == places.max(axis=0).tolist()
        assert len(places) == len(normals)
        assert np.linalg.norm(normals, axis=1) == pytest.approx(1.0, abs=1e-6)
        assert sorted(set(corners.ravel().tolist())) == list(range(len(places)))
        assert len(corners) % 3 == 0
    assert used == set(range(len(document["accessors"])))
    # Every node hangs below the scene once.
    children = [child for node in document["nodes"] for child in node.get("children", ())]
    assert sorted(children + document["scenes"][document["scene"]]["nodes"]) == list(
        range(len(document["nodes"]))
    )
    assert [node["name"] for node in document["nodes"]] == [
        *("bag", "side-panel-drive", "side-panel-non-drive", "gusset")
    ]


def values(document: Any, buffer: bytes, accessor: int, component: int, kind: str, target: int) -> Any:
    described = document["accessors"][accessor]
    assert (described["componentType"], described["type"]) == (component, kind)
    view = document["bufferViews"][described["bufferView"]]
    assert view["target"] == target
    columns = 3 if kind == "VEC3" else 1
    assert view["byteLength"] == 4 * columns * described["count"]
    dtype = "<f4" if component == 5126 else "<u4"
    whole = np.frombuffer(buffer, dtype=dtype, count=columns * described["count"], offset=view["byteOffset"])
    return whole.reshape(-1, columns)


def test_axes_are_turned_and_not_mirrored() -> None:
    front, up, drive = np.eye(3)
    turned = to_gltf(np.eye(3))
    assert turned.tolist() == [[0.0, 0.0, 1.0], [0.0, 1.0, 0.0], [-1.0, 0.0, 0.0]]
    assert np.cross(turned[0], turned[1]) == pytest.approx(turned[2])
    assert np.cross(front, up) == pytest.approx(drive)


def part_changed(name: str, change: Callable[[SurfacePart], SurfacePart]) -> Callable[[Bodies], Bodies]:
    def changed(bodies: Bodies) -> Bodies:
        return [(body, tuple(change(p) if p.name == name else p for p in parts)) for body, parts in bodies]

    return changed


def all_changed(change: Callable[[SurfacePart], SurfacePart]) -> Callable[[Bodies], Bodies]:
    return lambda bodies: [(body, tuple(map(change, parts))) for body, parts in bodies]


def moved(factors: Iterable[float], by: Iterable[float] = (0, 0, 0)) -> Callable[[SurfacePart], SurfacePart]:
    scale, step = np.array([*factors], dtype=float), np.array([*by], dtype=float)
    turned = bool(np.prod(scale) < 0)

    def change(part: SurfacePart) -> SurfacePart:
        faces = part.triangles[:, ::-1] if turned else part.triangles
        normals = part.normals * np.sign(scale)
        return replace(part, vertices=part.vertices * scale + step, normals=normals, triangles=faces)

    return change


def flipped(part: SurfacePart) -> SurfacePart:
    faces = part.triangles.copy()
    faces[7] = faces[7, ::-1]
    return replace(part, triangles=faces)


def dented(bodies: Bodies) -> Bodies:
    """One place of the edge 0.05 mm off in all parts, so that the surface stays closed."""
    place = bodies[0][1][2].vertices[40, :2]

    def change(part: SurfacePart) -> SurfacePart:
        vertices = part.vertices.copy()
        vertices[(np.abs(vertices[:, :2] - place) < 1e-9).all(axis=1), 0] += 0.05
        return replace(part, vertices=vertices)

    return all_changed(change)(bodies)


def mirrored_in_place(bodies: Bodies) -> Bodies:
    along = bodies[0][1][2].vertices[:, 0]
    return all_changed(moved([-1, 1, 1], [float(along.min() + along.max()), 0, 0]))(bodies)


BROKEN: dict[str, tuple[Callable[[Bodies], Bodies], set[str]]] = {
    "inches": (all_changed(moved([25.4] * 3)), {"glb", "stl"}),
    "points": (all_changed(moved([72 / 25.4] * 3)), {"glb", "stl"}),
    "slightly large": (all_changed(moved([1.0002] * 3)), {"glb", "stl"}),
    "mirrored": (all_changed(moved([-1, 1, 1])), {"glb", "stl"}),
    "mirrored in place": (mirrored_in_place, {"glb", "stl"}),
    "sides exchanged": (all_changed(moved([1, 1, -1])), {"glb"}),  # in an STL no side has a name
    "moved": (all_changed(moved([1, 1, 1], [0.05, 0, 0])), {"glb", "stl"}),
    "too narrow": (all_changed(moved([1, 1, 0.999])), {"glb", "stl"}),
    "inside out": (
        all_changed(lambda p: replace(p, triangles=p.triangles[:, ::-1], normals=-p.normals)),
        {"glb", "stl"},
    ),
    "triangle flipped": (part_changed("gusset", flipped), {"glb", "stl"}),
    "triangle flipped in a panel": (part_changed("side-panel-drive", flipped), {"glb", "stl"}),
    "triangle removed": (
        part_changed("side-panel-drive", lambda p: replace(p, triangles=p.triangles[1:])),
        {"glb", "stl"},
    ),
    "part removed": (lambda bodies: [(body, parts[1:]) for body, parts in bodies], {"glb", "stl"}),
    "part renamed": (part_changed("gusset", lambda p: replace(p, name="strip")), {"glb"}),
    "body renamed": (lambda bodies: [("other", parts) for _, parts in bodies], {"glb"}),
    "normals turned": (part_changed("gusset", lambda p: replace(p, normals=-p.normals)), {"glb"}),
    "dented": (dented, {"glb", "stl"}),
}


@pytest.mark.parametrize("name", BROKEN)
def test_a_broken_writer_is_caught(bag: Draft, bodies: Bodies, name: str) -> None:
    change, caught = BROKEN[name]
    changed = change(bodies)
    data = {"glb": glb(changed, ""), "stl": stl([part for _, parts in changed for part in parts], "")}
    for kind in ("glb", "stl"):
        found = list(differences_in(bag, Artifact(f"surface.{kind}", kind, data[kind], reader=READER)))
        assert bool(found) == (kind in caught), (kind, found)


def test_a_bag_of_another_volume_is_caught(bag: Draft) -> None:
    assert bag.volume is not None
    for artifact in run(bag, SurfaceOptions()).artifacts:
        (found,) = differences_in(bag.evolve(volume=1.02 * bag.volume), artifact)
        assert "the surface holds" in found.reason
        assert list(differences_in(bag.evolve(volume=None), artifact)) == []


def test_read_back_removes_a_broken_file_and_keeps_a_whole_one(bag: Draft) -> None:
    made = run(bag, SurfaceOptions())
    assert read_back(made, ReadBackOptions()).artifacts == made.artifacts
    whole, other = made.artifacts
    torn = made.evolve(artifacts=(whole, replace(other, data=other.data[:-50])))
    checked = read_back(torn, ReadBackOptions())
    assert [artifact.path for artifact in checked.artifacts] == ["surface.glb"]
    assert checked.has_errors


def test_formats_names_and_spacing(bag: Draft) -> None:
    made = run(bag, SurfaceOptions(file="view/bag", formats=("stl", "stl")))
    assert [artifact.path for artifact in made.artifacts] == ["view/bag.stl"]
    fine = written(bag, spacing=4)
    assert len(fine["stl"]) > 3 * len(made.artifacts[0].data)
    with pytest.raises(Refusal, match="file of that name"):
        run(made, SurfaceOptions(file="view/bag"))
    with pytest.raises(ValidationError):
        SurfaceOptions(formats=())
    with pytest.raises(ValidationError):
        SurfaceOptions(spacing=0)


def test_a_bag_without_a_gusset_has_a_note_and_no_file(bag: Draft) -> None:
    made = run(bag.evolve(seams=()), SurfaceOptions())
    assert made.artifacts == ()
    assert [finding.code for finding in made.findings[len(bag.findings) :]] == ["surface-not-drawn"]


SCRIPT = """
from oaktag.plugin.kit import example_draft, run_stage
shape = ("measure.reconcile", "outline.clear", "corners.round", "panel.pair", "gusset.wrap", "measure.volume")
draft = run_stage("export.surface", example_draft(*shape))
print(*(artifact.sha256 for artifact in draft.artifacts))
"""


def test_the_same_bytes_in_another_process(bag: Draft) -> None:
    here = [artifact.sha256 for artifact in run(bag, SurfaceOptions()).artifacts]
    environment = os.environ | {"PYTHONHASHSEED": "7", "TZ": "Pacific/Auckland"}
    answer = subprocess.run(
        [sys.executable, "-c", SCRIPT], env=environment, capture_output=True, text=True, check=True
    )
    assert answer.stdout.split() == here
