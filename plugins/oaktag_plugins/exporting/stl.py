"""Writing surfaces as binary STL.

The format has no standard; as 3D Systems described it in 1989: 80 bytes of header, the number of triangles,
and for each its normal, its corners counter-clockwise as seen from outside, and two bytes that mean nothing
(from memory). It says no unit: lengths are mm.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from typing import TYPE_CHECKING

from oaktag_plugins.drafting.sewn_surface import SurfacePart

if TYPE_CHECKING:
    from numpy import float64
    from numpy.typing import NDArray

    Reals = NDArray[float64]

_HEADER = 80  # bytes


def stl(parts: Sequence[SurfacePart], title: str) -> bytes:
    """All parts as one solid, in the draft's axes: x to the front wheel, y up, z towards the drive side.

    Args:
        parts: of all bodies.
        title: for the header.
    """
    import numpy as np

    corners = np.concatenate([part.vertices[part.triangles] for part in parts]).astype("<f4")
    row = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
    rows = np.zeros(len(corners), dtype=row)
    rows["normal"] = _normals(corners.astype(np.float64))
    rows["corners"] = corners + np.float32(0.0)  # no negative zero
    # A header that begins with "solid" would be taken for a text file.
    header = f"binary STL, unit mm, {title}".encode("ascii", "replace")[:_HEADER].ljust(_HEADER)
    return header + struct.pack("<I", len(rows)) + bytes(rows.tobytes())


def _normals(corners: Reals) -> Reals:
    import numpy as np

    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    # Six digits are more than the format's numbers hold, and all on which machines agree.
    unit: Reals = np.round(normals / np.maximum(np.linalg.norm(normals, axis=1), 1e-12)[:, None], 6)
    return unit + 0.0
