"""Writing surfaces as binary glTF.

Source: Khronos Group, glTF 2.0 Specification (also ISO/IEC 12113:2022); sections are named where they matter.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from oaktag_plugins.drafting.sewn_surface import GUSSET, OPENING, SurfacePart

if TYPE_CHECKING:
    from numpy import float32, float64
    from numpy.typing import NDArray

    Reals = NDArray[float64]
    Singles = NDArray[float32]

METRE = 1000.0
"""mm in a metre, glTF's unit of length (section 3.4)."""

_VERTICES, _INDICES = 34962, 34963  # what a buffer view is for (section 5.11)
_FLOAT, _UNSIGNED = 5126, 5125  # types of components (section 3.6.2.2)
_TRIANGLES = 4  # mode of a primitive (section 5.24)

MATERIALS: tuple[tuple[str, tuple[float, float, float]], ...] = (
    ("panel", (0.42, 0.46, 0.44)),
    ("gusset", (0.20, 0.22, 0.21)),
    ("opening", (0.62, 0.60, 0.55)),
)
"""Plain materials: name, and colour as linear red, green and blue. What a part is its node's name says."""


def glb(bodies: Sequence[tuple[str, Sequence[SurfacePart]]], title: str) -> bytes:
    """A scene with a node for every body, and below it one for every part.

    Args:
        bodies: each with its name.
        title: of the scene.
    """
    buffer = bytearray()
    views: list[dict[str, int]] = []
    accessors: list[dict[str, Any]] = []
    meshes: list[dict[str, Any]] = []
    nodes: list[dict[str, Any]] = []
    roots: list[int] = []
    for name, parts in bodies:
        root = len(nodes)
        roots.append(root)
        nodes.append({"name": name, "children": [root + 1 + index for index in range(len(parts))]})
        for part in parts:
            position, normal = to_gltf(part.vertices) / METRE, to_gltf(part.normals)
            attributes = {
                "POSITION": _vertices(buffer, views, accessors, position, bounds=True),
                "NORMAL": _vertices(buffer, views, accessors, normal, bounds=False),
            }
            indices = part.triangles.astype("<u4").ravel()
            view = _view(buffer, views, indices.tobytes(), _INDICES)
            accessors.append(
                {"bufferView": view, "componentType": _UNSIGNED, "count": len(indices), "type": "SCALAR"}
            )
            primitive = {
                "attributes": attributes,
                "indices": len(accessors) - 1,
                "material": _material(part.name),
                "mode": _TRIANGLES,
            }
            nodes.append({"name": part.name, "mesh": len(meshes)})
            meshes.append({"name": part.name, "primitives": [primitive]})
    document = {
        "asset": {
            "version": "2.0",
            "generator": "oaktag",
            "extras": {
                "unit": "metre",
                "from": "drafted in mm and divided by 1000",
                "axes": "x to the non-drive side, y up, z to the front wheel",
            },
        },
        "scene": 0,
        "scenes": [{"name": title, "nodes": roots}],
        "nodes": nodes,
        "meshes": meshes,
        "materials": [_described(name, colour) for name, colour in MATERIALS],
        "accessors": accessors,
        "bufferViews": views,
        "buffers": [{"byteLength": len(buffer)}],
    }
    return _container(document, bytes(buffer))


def to_gltf(vectors: Reals) -> Reals:
    """Turn the draft's axes, front, up and drive side, into glTF's: -x is right, y up, z forward (3.4)."""
    import numpy as np

    turned: Reals = np.column_stack([-vectors[:, 2], vectors[:, 1], vectors[:, 0]])
    return turned


def _vertices(
    buffer: bytearray,
    views: list[dict[str, int]],
    accessors: list[dict[str, Any]],
    vectors: Reals,
    *,
    bounds: bool,
) -> int:
    """Add vectors to the buffer and return their accessor."""
    import numpy as np

    singles: Singles = vectors.astype("<f4") + np.float32(0.0)  # no negative zero
    accessor: dict[str, Any] = {
        "bufferView": _view(buffer, views, singles.tobytes(), _VERTICES),
        "componentType": _FLOAT,
        "count": len(singles),
        "type": "VEC3",
    }
    if bounds:  # needed for positions (section 3.7.2.1), exactly as in the buffer (3.6.2.5)
        accessor["min"] = [float(value) for value in singles.min(axis=0)]
        accessor["max"] = [float(value) for value in singles.max(axis=0)]
    accessors.append(accessor)
    return len(accessors) - 1


def _view(buffer: bytearray, views: list[dict[str, int]], data: bytes, target: int) -> int:
    """Add data to the buffer and return its view. All components take four bytes, so views stay aligned."""
    views.append({"buffer": 0, "byteOffset": len(buffer), "byteLength": len(data), "target": target})
    buffer += data
    return len(views) - 1


def _material(part: str) -> int:
    """The number of a part's material."""
    kinds = [name for name, _ in MATERIALS]
    kind = next((kind for kind in (GUSSET, OPENING) if part == kind or part.endswith(f"-{kind}")), kinds[0])
    return kinds.index(kind)


def _described(name: str, colour: tuple[float, float, float]) -> Mapping[str, Any]:
    return {
        "name": name,
        "pbrMetallicRoughness": {
            "baseColorFactor": [*colour, 1.0],
            "metallicFactor": 0.0,
            "roughnessFactor": 0.9,
        },
        "doubleSided": False,
    }


def _container(document: Mapping[str, Any], buffer: bytes) -> bytes:
    """The binary container (section 4.4): a chunk of JSON filled up with spaces, and the buffer."""
    text = json.dumps(document, separators=(",", ":")).encode()
    text += b" " * (-len(text) % 4)
    buffer += b"\0" * (-len(buffer) % 4)
    whole = 12 + 8 + len(text) + 8 + len(buffer)
    return b"".join(
        (
            struct.pack("<4sII", b"glTF", 2, whole),
            struct.pack("<I4s", len(text), b"JSON"),
            text,
            struct.pack("<I4s", len(buffer), b"BIN\0"),
            buffer,
        )
    )
