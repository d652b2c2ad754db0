"""Reading surfaces of the sewn bag back with trimesh, and holding them against the panels and gussets."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from io import BytesIO
from math import hypot
from typing import TYPE_CHECKING

from oaktag import Draft
from oaktag.geometry import Box, Path
from oaktag.pattern import Artifact
from oaktag.pattern.read_back import Difference
from oaktag.pattern.walk import run_path
from oaktag_plugins.drafting.bag import piece_id
from oaktag_plugins.drafting.sewn_surface import GUSSET, OPENING
from oaktag_plugins.export_surface import BAG
from oaktag_plugins.measure_volume import LITRE, gusset_sides, seam_width
from oaktag_plugins.panel_pair import NON_DRIVE

if TYPE_CHECKING:
    from numpy import float64, int64
    from numpy.typing import NDArray
    from trimesh import Scene, Trimesh

    Reals = NDArray[float64]
    Whole = NDArray[int64]

NEAR = 0.01
"""How far places may be off the draft, mm."""

VOLUME = 0.01
"""Share of the draft's volume by which the surface's may be off."""

_METRE = 1000.0  # mm
_UPRIGHT = 1e-3  # of a unit vector: how far the gusset's normals may lean


@dataclass(frozen=True, slots=True)
class _Sewn:
    """What the draft says of a body.

    Attributes:
        body: its name.
        panel: id of the panel on the drive side.
        around: that panel's seam line.
        width: of the bag at a seam length, mm.
        joints: seam lengths at which the surface must have a place.
        largest: width of the gusset, mm.
        open: whether the gusset is left off somewhere.
    """

    body: str
    panel: str
    around: Path
    width: Callable[[float], float]
    joints: tuple[float, ...]
    largest: float
    open: bool

    @property
    def parts(self) -> tuple[str, ...]:
        """Names of the parts of its surface."""
        names = (self.panel, piece_id(self.body, NON_DRIVE), piece_id(self.body, GUSSET))
        return (*names, piece_id(self.body, OPENING)) if self.open else names


def differences_in(draft: Draft, artifact: Artifact) -> Iterable[Difference]:
    """How a surface differs from the draft; what a broken file makes the library raise is passed on."""
    bodies = list(_sewn_bodies(draft))
    read = _in_scene if artifact.kind == "glb" else _in_solid
    volume = yield from read(artifact.data, bodies)
    if not volume > 0.0:
        yield Difference(f"the surface is turned inside out: it holds {volume / LITRE:.4f} l")
    elif draft.volume is not None and len(bodies) == max(1, len(draft.outlines)):
        litres = volume / LITRE
        if not abs(litres - draft.volume) <= VOLUME * draft.volume:
            yield Difference(f"the surface holds {litres:.4f} l, the bag {draft.volume:.4f} l")


def _sewn_bodies(draft: Draft) -> Iterator[_Sewn]:
    for body in [outline.body for outline in draft.outlines] or [""]:
        sides = gusset_sides(draft, body)
        if isinstance(sides, str):
            continue
        around, width, _ = seam_width(draft, sides)
        strips = [run_path(draft, strip).bounds for _, strip in sides if strip is not None]
        largest = 2.0 * max(max(abs(box.min_y), abs(box.max_y)) for box in strips)
        panel = sides[0][0].piece
        yield _Sewn(body, panel, around, width, around.joints, largest, len(strips) < len(sides))


def _in_scene(data: bytes, bodies: Sequence[_Sewn]) -> Generator[Difference, None, float]:
    """Differences of a scene with a node for every part; what all bodies hold, mm³."""
    import numpy as np
    from trimesh import Trimesh, load_scene

    scene = load_scene(BytesIO(data), file_type="glb")
    wanted = {part: sewn.body or BAG for sewn in bodies for part in sewn.parts}
    found = set(scene.graph.nodes_geometry)
    for name in sorted(found ^ wanted.keys()):
        yield Difference(
            "the file has no such part" if name in wanted else "the draft has no such part", name
        )
    for name in sorted(found & wanted.keys()):
        parent = scene.graph.transforms.parents.get(name)
        if parent != wanted[name]:
            yield Difference(f"it belongs to {parent!r}, not to {wanted[name]!r}", name)
    volume = 0.0
    for sewn in bodies:
        parts = {name: _drafted(scene, name) for name in sewn.parts if name in found}
        if len(parts) < len(sewn.parts):
            continue
        yield from _part_differences(sewn, parts)
        starts = np.cumsum([0, *(len(part.vertices) for part in parts.values())])
        mesh = Trimesh(
            np.concatenate([part.vertices for part in parts.values()]),
            np.concatenate([part.faces + start for part, start in zip(parts.values(), starts, strict=False)]),
        )
        if not (mesh.is_watertight and mesh.is_winding_consistent):
            yield Difference("its surface isn't closed, or a triangle of it is turned over", sewn.body)
        yield from _extent_differences([sewn], np.asarray(mesh.vertices), sewn.body)
        yield from _edge_differences([sewn], np.vstack([parts[name].vertices for name in sewn.parts[2:]]))
        volume += float(mesh.volume)
    return volume


def _drafted(scene: Scene, name: str) -> Trimesh:
    """A part of a scene in the draft's axes and unit."""
    import numpy as np
    from trimesh import Trimesh

    transform, geometry = scene.graph[name]
    mesh = scene.geometry[geometry]
    turn = np.asarray(transform)[:3, :3]
    # The standard's axes: -x is right, which is the drive side; y up; z forward.
    back = np.array([[0.0, 0.0, 1.0], [0.0, 1.0, 0.0], [-1.0, 0.0, 0.0]])
    vertices = (np.asarray(mesh.vertices) @ turn.T + np.asarray(transform)[:3, 3]) @ back.T * _METRE
    # The file's own normals: a copy of the mesh would have them worked out anew from its triangles.
    normals = np.asarray(mesh.vertex_normals) @ turn.T @ back.T
    return Trimesh(vertices, mesh.faces, vertex_normals=normals, process=False)


def _part_differences(sewn: _Sewn, parts: Mapping[str, Trimesh]) -> Iterator[Difference]:
    """Parts in the wrong place, and normals that point into the bag."""
    import numpy as np

    for name, part in parts.items():
        normals = np.asarray(part.vertex_normals)[part.faces]
        if (np.einsum("tci,ti->tc", normals, np.asarray(part.face_normals)) <= 0.0).any():
            yield Difference("a normal points into the bag", name)
    for name, side in zip(sewn.parts[:2], (1.0, -1.0), strict=True):
        if (side * np.asarray(parts[name].vertices)[:, 2] <= 0.0).any():
            yield Difference("the panel lies on the other side of the bag", name)


def _in_solid(data: bytes, bodies: Sequence[_Sewn]) -> Generator[Difference, None, float]:
    """Differences of one solid; what it holds, mm³."""
    import numpy as np
    from trimesh import load_mesh

    mesh = load_mesh(BytesIO(data), file_type="stl")
    vertices, faces = np.asarray(mesh.vertices), np.asarray(mesh.faces)
    if not _closed(faces, len(vertices)):
        yield Difference("the surface isn't closed, or a triangle of it is turned over")
    normals = np.asarray(mesh.face_normals)
    upright = faces[np.abs(normals[:, 2]) < _UPRIGHT]
    yield from _extent_differences(bodies, vertices, "")
    yield from _edge_differences(bodies, vertices[np.unique(upright)])
    return float(mesh.volume)


def _closed(faces: Whole, count: int) -> bool:
    """Whether every side of a triangle is met by one that runs against it.

    Bodies that touch share sides, so four triangles may meet at one: the library would call that open.
    """
    import numpy as np

    start, end = faces.astype(np.int64).ravel(), np.roll(faces, -1, axis=1).astype(np.int64).ravel()
    return bool((np.sort(start * count + end) == np.sort(end * count + start)).all())


def _extent_differences(bodies: Sequence[_Sewn], vertices: Reals, where: str) -> Iterator[Difference]:
    box: Box = bodies[0].around.bounds
    for sewn in bodies[1:]:
        box = box.union(sewn.around.bounds)
    half = 0.5 * max(sewn.largest for sewn in bodies)
    wanted = ((box.min_x, box.max_x), (box.min_y, box.max_y), (-half, half))
    for axis, (low, high) in zip("xyz", wanted, strict=True):
        found = vertices[:, "xyz".index(axis)]
        if not max(abs(float(found.min()) - low), abs(float(found.max()) - high)) <= NEAR:
            yield Difference(
                f"along {axis} it reaches from {found.min():.3f} to {found.max():.3f} mm, "
                f"the panels and the gusset from {low:.3f} to {high:.3f}",
                where,
            )


def _edge_differences(bodies: Sequence[_Sewn], places: Reals) -> Iterator[Difference]:
    """Places of the gusset that aren't at the panels' edge or as wide as it, and joints without a place."""
    import numpy as np
    from scipy.spatial import cKDTree

    off = [place for place in np.unique(places, axis=0).tolist() if _off(bodies, place) > NEAR]
    if off:
        told = ", ".join(f"{value:.2f}" for value in off[0])
        yield Difference(f"{len(off)} places of the gusset are off the panel's edge, such as {told} mm")
    wanted = [
        (*sewn.around.point_at(s), side * sewn.width(s))
        for sewn in bodies
        for s in sewn.joints
        for side in (0.5, -0.5)
    ]
    away, _ = cKDTree(places).query(wanted)
    if away.max() > NEAR:
        yield Difference(
            f"{int((away > NEAR).sum())} joints of the panel's edge have no place on the surface"
        )


def _off(bodies: Sequence[_Sewn], place: Sequence[float]) -> float:
    """How far a place is off the nearest edge of any body, mm."""
    x, y, z = place
    found = []
    for sewn in bodies:
        s, away = sewn.around.nearest((x, y))
        found.append(hypot(away, abs(z) - 0.5 * sewn.width(s)))
    return min(found)
