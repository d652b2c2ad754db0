"""The sewn bag as a closed surface: two panels, apart by the width over them, and the gusset between them.

Coordinates are the draft's own, in mm: x to the front wheel, y up, and z from the bag's middle plane towards
the drive side. A panel lies half the width off that plane. The width over a panel is the harmonic function
that has the gusset's widths as boundary values, the same that `measure.volume` integrates; here it is found
by finite elements, which know nothing of how that stage does it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import cos, radians, sin, sqrt
from typing import TYPE_CHECKING, TypeVar

from oaktag import Draft
from oaktag.geometry import Path, Point, distance
from oaktag.pattern import Piece
from oaktag.pattern.lettering import Polyline
from oaktag.pattern.walk import run_length, run_path
from oaktag_plugins.drafting.bag import piece_id
from oaktag_plugins.measure_volume import Stretch, gusset_sides, seam_width
from oaktag_plugins.panel_pair import DRIVE, NON_DRIVE

if TYPE_CHECKING:
    from numpy import bool_, float64, int64
    from numpy.typing import NDArray

    Reals = NDArray[float64]
    Whole = NDArray[int64]
    Flags = NDArray[bool_]

Coordinates = TypeVar("Coordinates", "Reals", "Whole")

Point3 = tuple[float, float, float]
"""A place on the bag: to the front, up, towards the drive side, mm."""

GUSSET = "gusset"
OPENING = "opening"
"""Name of the part of the surface that closes a run where the gusset is left off."""

CHORD_ERROR = 0.005
"""How far the surface's edge may be off an arc or a curve of the panel, mm."""

SPACING = 12.0
"""Largest distance between neighbouring places of a surface, mm."""

TOLERANCE = 0.001
"""Share of the volume by which the surface's may be off."""

_DECIMALS = 4  # of mm: coarser than the last digits in which machines differ, finer than any reading
_FINER = 4  # spacings that are tried, each half of the one before
_APART = 0.05  # mm; a joint of the gusset that is nearer to one of the panel counts as the same
_CLEAR = 0.6  # of the spacing: how far inner places stay off the edge, so that no triangle crosses it
_SHORTEST = 0.1  # mm; runs of the edge that aren't sides of triangles are halved as long as they are longer


@dataclass(frozen=True, slots=True, eq=False)
class Edge:
    """A body's edge, counter-clockwise as seen from the drive side.

    Attributes:
        places: (n, 2), mm, each joined to the next and the last to the first.
        widths: (n,), of the gusset there, mm.
        normals: (n, 2, 2), unit vectors out of the bag at both ends of the run to the next place.
        open: (n,), whether there is no gusset between a place and the next.
    """

    places: Reals
    widths: Reals
    normals: Reals
    open: Flags


@dataclass(frozen=True, slots=True, eq=False)
class SewnBody:
    """One body of a bag, sewn.

    Attributes:
        body: its name; empty where a bag has one.
        panel: id of the panel on the drive side.
        edge: where the panels meet the gusset.
        places: (m, 2), mm; those of the edge come first.
        widths: (m,), of the bag there, mm.
        triangles: (t, 3), of places, counter-clockwise as seen from the drive side.
    """

    body: str
    panel: str
    edge: Edge
    places: Reals
    widths: Reals
    triangles: Whole

    @property
    def volume(self) -> float:
        """What the surface holds, mm³."""
        areas = _doubled_areas(self.places, self.triangles)
        return float((areas * self.widths[self.triangles].sum(axis=1)).sum() / 6.0)


@dataclass(frozen=True, slots=True, eq=False)
class SurfacePart:
    """A part of a body's surface.

    Attributes:
        name: the piece's id, or what lies there.
        vertices: (n, 3), mm.
        normals: (n, 3), unit vectors out of the bag.
        triangles: (t, 3), counter-clockwise as seen from outside.
    """

    name: str
    vertices: Reals
    normals: Reals
    triangles: Whole


class MeshError(Exception):
    """A panel that can't be divided into triangles: why, in the maker's words."""


def sewn_body(
    draft: Draft,
    body: str = "",
    spacing: float = SPACING,
    tolerance: float = TOLERANCE,
    chord_error: float = CHORD_ERROR,
) -> SewnBody | str:
    """The surface of a body, or in words why there is none.

    The spacing is halved until it no longer matters: the error of linear elements falls with its square, so a
    third of what the volume changes by is left (Richardson's extrapolation; from memory).

    Args:
        draft: has panels, gusset and seams.
        body: name of the body.
        spacing: largest distance between neighbouring places, mm.
        tolerance: share of the volume by which the surface's may be off.
        chord_error: how far chords may be off arcs and curves, mm.
    """
    sides = gusset_sides(draft, body)
    if isinstance(sides, str):
        return sides
    around, width, joints = seam_width(draft, sides)
    opens = list(_open_runs(draft, sides))
    try:
        found = surface_over(around, width, joints, opens, 2.0 * spacing, chord_error)
        for finer in range(_FINER):
            spacing *= 0.5 if finer else 1.0
            before, found = found, surface_over(around, width, joints, opens, spacing, chord_error)
            if abs(found.volume - before.volume) <= 3.0 * tolerance * found.volume:
                break
    except MeshError as error:
        return str(error)
    return replace(found, body=body, panel=sides[0][0].piece)


def bodies_named(draft: Draft) -> tuple[str, ...]:
    """Names of the bodies; one that is empty where the bag has one."""
    return tuple(outline.body for outline in draft.outlines) or ("",)


def _open_runs(draft: Draft, sides: Sequence[Stretch]) -> Iterator[tuple[float, float]]:
    """Seam lengths at which the runs without a gusset begin and end."""
    start = 0.0
    for panel, strip in sides:
        length = run_length(draft.piece(panel.piece), panel)
        if strip is None:
            yield start, start + length
        start += length


def surface_over(
    around: Path,
    width: Callable[[float], float],
    joints: Sequence[float] = (),
    opens: Sequence[tuple[float, float]] = (),
    spacing: float = SPACING,
    chord_error: float = CHORD_ERROR,
) -> SewnBody:
    """A surface whose places are no further apart than the spacing.

    Args:
        around: the panel's seam line, closed.
        width: seam length in mm to width in mm; smooth between joints.
        joints: seam lengths of the width's kinks.
        opens: where runs without a gusset begin and end, seam lengths in mm.
        spacing: mm.
        chord_error: how far chords may be off the seam line, mm.

    Raises:
        MeshError: the panel is too narrow somewhere.
    """
    import numpy as np

    stations = _stations(around, (*joints, *(s for run in opens for s in run)), spacing, chord_error)
    while True:
        edge = _edge(around, width, stations, opens)
        inner = _inner_places(edge.places, spacing)
        places = np.vstack([edge.places, inner])
        triangles, missing = _triangles(places, len(edge.places))
        if not missing:
            return SewnBody("", "", edge, places, _harmonic(places, triangles, edge.widths), triangles)
        if around.clockwise:  # the edge was turned round
            missing = {(len(stations) - 2 - index) % len(stations) for index in missing}
        stations = _halved(stations, missing, around.length)


def _stations(around: Path, joints: Iterable[float], spacing: float, chord_error: float) -> list[float]:
    """Seam lengths at which the edge has places: every joint, and so many between them as chords need."""
    length = around.length
    breaks = list(around.joints)
    for joint in joints:
        s = joint % length
        if all(min(abs(s - other), length - abs(s - other)) > _APART for other in breaks):
            breaks.append(s)
    breaks.sort()
    found: list[float] = []
    for a, b in pairwise((*breaks, breaks[0] + length)):
        found += _runs(around, a, b, spacing, chord_error)
    return found


def _runs(around: Path, a: float, b: float, spacing: float, chord_error: float) -> list[float]:
    """The start of every run from a to b, halved until its chord is short and near enough."""
    s = [a + (b - a) * share for share in (0.0, 0.25, 0.5, 0.75, 1.0)]
    points = [around.point_at(station % around.length) for station in s]
    (x0, y0), (x1, y1) = points[0], points[-1]
    chord = distance(points[0], points[-1])
    off = max(abs((x1 - x0) * (y - y0) - (y1 - y0) * (x - x0)) for x, y in points[1:-1]) / max(chord, 1e-9)
    if b - a <= spacing and off <= 0.9 * chord_error:
        return [a]
    middle = 0.5 * (a + b)
    return _runs(around, a, middle, spacing, chord_error) + _runs(around, middle, b, spacing, chord_error)


def _halved(stations: list[float], at: set[int], length: float) -> list[float]:
    """The stations and one more in the middle of each run that begins at one of the given indices.

    Raises:
        MeshError: such a run is too short.
    """
    found: list[float] = []
    for index, (a, b) in enumerate(pairwise((*stations, stations[0] + length))):
        if index in at and b - a < _SHORTEST:
            raise MeshError("its panel is too narrow somewhere to be divided into triangles")
        found += [a, 0.5 * (a + b)] if index in at else [a]
    return found


def _edge(
    around: Path,
    width: Callable[[float], float],
    stations: Sequence[float],
    opens: Sequence[tuple[float, float]],
) -> Edge:
    """The edge at the given stations."""
    import numpy as np

    length = around.length
    ends = [*stations[1:], stations[0] + length]
    out = -1.0 if around.clockwise else 1.0
    normals = []
    for a, b in zip(stations, ends, strict=True):
        pair = (around.tangent_at(a % length), around.tangent_before(b % length or length))
        normals.append([(out * y, -out * x) for x, y in pair])
    places = np.round(np.array([around.point_at(s % length) for s in stations]), _DECIMALS)
    widths = 2.0 * np.round(0.5 * np.array([width(s % length) for s in stations]), _DECIMALS)
    middles = [0.5 * (a + b) % length for a, b in zip(stations, ends, strict=True)]
    unsewn = np.array([any(a < s < b for a, b in opens) for s in middles])
    edge = Edge(places, widths, np.array(normals), unsewn)
    if not around.clockwise:
        return edge
    # Turned round, a run begins where it ended.
    return Edge(
        places[::-1], widths[::-1], np.roll(edge.normals[::-1, ::-1], -1, axis=0), np.roll(unsewn[::-1], -1)
    )


def _inner_places(edge: Reals, spacing: float) -> Reals:
    """Places within the edge, on a grid of equal triangles, clear of the edge."""
    import numpy as np
    from shapely import LinearRing, Polygon, contains_xy, distance, points, prepare

    low, high = edge.min(axis=0), edge.max(axis=0)
    rows = np.arange(low[1], high[1], spacing * sqrt(0.75))
    columns = np.arange(low[0] - spacing, high[0], spacing)
    x = columns[None, :] + 0.5 * spacing * (np.arange(len(rows)) % 2)[:, None]
    y = np.broadcast_to(rows[:, None], x.shape)
    grid = np.round(np.column_stack([x.ravel(), y.ravel()]), _DECIMALS)
    polygon = Polygon(edge)
    prepare(polygon)
    grid = grid[contains_xy(polygon, grid[:, 0], grid[:, 1])]
    clear = distance(LinearRing(edge), points(grid)) > _CLEAR * spacing
    inner: Reals = grid[clear]
    return inner


def _triangles(places: Reals, count: int) -> tuple[Whole, set[int]]:
    """Triangles between places, of which the first so many go round the edge counter-clockwise.

    Delaunay's triangles, without those outside: inside is what lies to the left of the edge, and whatever can
    be reached from there without crossing it.

    Returns:
        The triangles, and the runs of the edge, by their first place, that are no sides of triangles yet.
    """
    import numpy as np
    from scipy.spatial import Delaunay

    found = Delaunay(places).simplices.astype(np.int64)
    # In whole numbers, so that which way round a thin triangle goes is no matter of rounding. Flat ones, of
    # places in line along the edge, are left out: they hold nothing.
    areas = _doubled_areas(np.rint(places * 10**_DECIMALS).astype(np.int64), found)
    found = np.where((areas < 0)[:, None], found[:, [0, 2, 1]], found)[areas != 0]
    owner = {
        (int(t[side]), int(t[(side + 1) % 3])): row
        for row, t in enumerate(found.tolist())
        for side in range(3)
    }
    runs = [(index, (index + 1) % count) for index in range(count)]
    missing = {run[0] for run in runs if run not in owner}
    if missing:
        return found, missing
    fence = set(runs)
    waiting = [owner[run] for run in runs]
    inside = set(waiting)
    while waiting:
        t = found[waiting.pop()].tolist()
        for side in ((t[0], t[1]), (t[1], t[2]), (t[2], t[0])):
            beyond = None if side in fence else owner.get((side[1], side[0]))
            if beyond is not None and beyond not in inside:
                inside.add(beyond)
                waiting.append(beyond)
    return found[sorted(inside)], set()


def _doubled_areas(places: Coordinates, triangles: Whole) -> Coordinates:
    a, b, c = (places[triangles[:, corner]] for corner in range(3))
    return _crossed(b - a, c - a)


def _harmonic(places: Reals, triangles: Whole, widths: Reals) -> Reals:
    """Widths at all places: those given at the first ones, and between them Laplace's equation.

    Linear elements: the stiffness of a side is half the sum of the cotangents of the angles that face it
    (R. J. Duffin, "Distributed and lumped networks", J. Math. Mech. 8 (1959); from memory).
    """
    import numpy as np
    from scipy.sparse import csr_array
    from scipy.sparse.linalg import spsolve

    count, known = len(places), len(widths)
    if count == known:
        return widths.copy()
    twice = _doubled_areas(places, triangles)
    rows, columns, values = [], [], []
    for corner in range(3):
        i, j, k = (triangles[:, (corner + turn) % 3] for turn in range(3))
        u, v = places[i] - places[k], places[j] - places[k]
        stiffness = 0.5 * (u * v).sum(axis=1) / twice
        rows += [i, j, i, j]
        columns += [j, i, i, j]
        values += [-stiffness, -stiffness, stiffness, stiffness]
    matrix = csr_array(
        (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))), shape=(count, count)
    )
    inner = matrix[known:]
    solved = spsolve(inner[:, known:].tocsc(), -(inner[:, :known] @ widths))
    return np.concatenate([widths, 2.0 * np.round(0.5 * np.atleast_1d(solved), _DECIMALS)])


def surface_parts(body: SewnBody) -> tuple[SurfacePart, ...]:
    """The parts of a body's surface: both panels, the gusset, and the opening if there is one."""
    import numpy as np

    half = 0.5 * body.widths
    drive = np.column_stack([body.places, half])
    non_drive = np.column_stack([body.places, -half])
    parts = [
        _panel(body.panel or DRIVE, drive, body.triangles),
        _panel(piece_id(body.body, NON_DRIVE), non_drive, body.triangles[:, ::-1]),
    ]
    for name, chosen in ((GUSSET, ~body.edge.open), (OPENING, body.edge.open)):
        if chosen.any():
            parts.append(_between(piece_id(body.body, name), body, np.flatnonzero(chosen)))
    return tuple(parts)


def _panel(name: str, vertices: Reals, triangles: Whole) -> SurfacePart:
    import numpy as np

    a, b, c = (vertices[triangles[:, corner]] for corner in range(3))
    faces = np.cross(b - a, c - a)
    normals = np.zeros_like(vertices)
    for corner in range(3):
        np.add.at(normals, triangles[:, corner], faces)
    normals /= np.linalg.norm(normals, axis=1)[:, None]
    return SurfacePart(name, vertices, normals, triangles)


def _between(name: str, body: SewnBody, runs: Whole) -> SurfacePart:
    """The strip between both panels along runs of the edge, each with vertices of its own."""
    import numpy as np

    count = len(body.edge.places)
    ends = (runs + 1) % count
    half = 0.5 * body.edge.widths
    vertices = np.empty((len(runs), 4, 3))
    for corner, (at, sign) in enumerate(((runs, -1.0), (ends, -1.0), (ends, 1.0), (runs, 1.0))):
        vertices[:, corner, :2] = body.edge.places[at]
        vertices[:, corner, 2] = sign * half[at]
    normals = np.zeros_like(vertices)
    normals[:, (0, 3), :2] = body.edge.normals[runs, 0][:, None]
    normals[:, (1, 2), :2] = body.edge.normals[runs, 1][:, None]
    corners = 4 * np.arange(len(runs))[:, None, None] + np.array([[0, 1, 2], [0, 2, 3]])
    return SurfacePart(name, vertices.reshape(-1, 3), normals.reshape(-1, 3), corners.reshape(-1, 3))


def surface_outline(draft: Draft) -> tuple[tuple[Point3, ...], ...]:
    """Lines by which the sewn bag is known: both panels' edges, lines across at the ends of corners, zippers.

    A body without a surface has none. Lines that close repeat their first place.
    """
    found: list[tuple[Point3, ...]] = []
    for body in bodies_named(draft):
        sewn = _sketched(draft, body)
        if sewn is not None:
            panel = draft.piece(sewn.panel)
            found += _rings(sewn)
            found += _across(panel, sewn)
            found += _zippers(draft, panel, sewn)
    return tuple(found)


_SKETCHED = 0.05  # mm of chord error; a drawing needs no more
_SKETCH_SPACING = 20.0  # mm


def _sketched(draft: Draft, body: str) -> SewnBody | None:
    sewn = sewn_body(draft, body, _SKETCH_SPACING, 0.01, _SKETCHED)
    return None if isinstance(sewn, str) else sewn


def _rings(sewn: SewnBody) -> Iterator[tuple[Point3, ...]]:
    places, widths = sewn.edge.places.tolist(), sewn.edge.widths.tolist()
    for side in (0.5, -0.5):
        ring = tuple((x, y, side * width) for (x, y), width in zip(places, widths, strict=True))
        yield (*ring, ring[0])


def _across(panel: Piece, sewn: SewnBody) -> Iterator[tuple[Point3, ...]]:
    """Lines across the gusset where one edge of the panel ends and another begins."""
    places = sewn.edge.places
    for edge in panel.edges:
        at = int(((places - edge.path.start) ** 2).sum(axis=1).argmin())
        x, y = places[at].tolist()
        half = 0.5 * float(sewn.edge.widths[at])
        yield ((x, y, half), (x, y, -half))


def _zippers(draft: Draft, drive: Piece, sewn: SewnBody) -> Iterator[tuple[Point3, ...]]:
    """Both edges of every zipper in a panel."""
    middle = drive.seam_line.bounds.centre[0]
    for seam in draft.seams:
        for side in (seam.a, seam.b):
            panel = draft.assembled_from(side.piece)
            if seam.kind != "zipper" or panel is None or panel.body != sewn.body:
                continue
            points = _followed(run_path(draft, side))
            if panel.id == drive.id:
                yield tuple(_lifted(sewn, points, 0.5))
            elif panel.id == piece_id(sewn.body, NON_DRIVE):
                # Drawn from outside, the panel is the drive side's mirror image.
                yield tuple(_lifted(sewn, [(2.0 * middle - x, y) for x, y in points], -0.5))


def _followed(path: Path) -> list[Point]:
    """Places along a line near enough to each other to follow the surface."""
    stations = sorted({*path.joints, *_runs_of(path.length, _SKETCH_SPACING)})
    return [path.point_at(s) for s in stations]


def _runs_of(length: float, spacing: float) -> list[float]:
    count = max(1, round(length / spacing))
    return [length * k / count for k in range(count + 1)]


def _lifted(sewn: SewnBody, points: Sequence[Point], side: float) -> list[Point3]:
    """Points of a panel where they lie on the surface; beyond its edge, as on the nearest triangle."""
    import numpy as np

    corners = sewn.places[sewn.triangles]
    widths = sewn.widths[sewn.triangles]
    found: list[Point3] = []
    for x, y in points:
        shares = _shares(corners, np.array([x, y]))
        best = int(shares.min(axis=1).argmax())
        found.append((x, y, side * float(shares[best] @ widths[best])))
    return found


def _shares(corners: Reals, places: Reals) -> Reals:
    """Barycentric coordinates of places, (2,) or (t, 2), in triangles, (t, 3, 2): (t, 3)."""
    import numpy as np

    a, b, c = (corners[:, corner] - places for corner in range(3))
    twice = _crossed(b - a, c - a)
    # A triangle seen edge-on hides nothing and holds nothing.
    flat = np.abs(twice) < _FLAT
    scale = np.where(flat, 1.0, twice)
    u, v = _crossed(b, c) / scale, _crossed(c, a) / scale
    shares: Reals = np.where(flat[:, None], -1.0, np.stack([u, v, 1.0 - u - v], axis=1))
    return shares


def _crossed(a: Coordinates, b: Coordinates) -> Coordinates:
    return a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]


def projected(
    lines: Iterable[Sequence[Point3]], azimuth: float, elevation: float, hidden_by: Sequence[SewnBody] = ()
) -> tuple[Polyline, ...]:
    """Lines in parallel projection, mm on the picture, y upward.

    Args:
        lines: on the bag.
        azimuth: degrees; 0 looks straight at the drive side, more walks round to the front wheel.
        elevation: degrees from which one looks down.
        hidden_by: bodies, as `hiding_bodies` gives them, behind which lines are left out; where their gussets
            turn away from the reader a line is added. Without them all lines are drawn, and none is added.
    """
    import numpy as np

    view = _view(azimuth, elevation)
    seen = [np.asarray(line, dtype=float) @ view.T for line in lines]
    if hidden_by:
        seen += [line @ view.T for body in hidden_by for line in _turns(body, view[2])]
        parts = [part for body in hidden_by for part in surface_parts(body)]
        seen = _unhidden(seen, np.concatenate([part.vertices[part.triangles] @ view.T for part in parts]))
    return tuple(tuple((float(x), float(y)) for x, y, _ in line) for line in seen)


def _turns(body: SewnBody, towards: Reals) -> Iterator[Reals]:
    """Lines across the gusset where it turns away from the reader."""
    import numpy as np

    edge = body.edge
    steps = np.roll(edge.places, -1, axis=0) - edge.places
    facing = steps[:, 1] * towards[0] - steps[:, 0] * towards[1] > 0.0
    for at in np.flatnonzero(facing != np.roll(facing, 1)):
        half = 0.5 * edge.widths[at]
        yield np.array([[*edge.places[at], half], [*edge.places[at], -half]])


def hiding_bodies(draft: Draft) -> tuple[SewnBody, ...]:
    """Surfaces of all bodies, coarse, for `projected` to leave hidden lines out."""
    found = (_sketched(draft, body) for body in bodies_named(draft))
    return tuple(sewn for sewn in found if sewn is not None)


def _view(azimuth: float, elevation: float) -> Reals:
    """Rows: to the right, upward, and towards the reader."""
    import numpy as np

    a, e = radians(azimuth), radians(elevation)
    right = np.array([cos(a), 0.0, -sin(a)])
    towards = np.array([sin(a) * cos(e), sin(e), cos(a) * cos(e)])
    return np.stack([right, np.cross(towards, right), towards])


_FLAT = 1e-9  # mm²
_STEP = 4.0  # mm along a line between places where it is looked at
_BEFORE = 1.0  # mm; what is no further before a line doesn't hide it, since lines lie on the surface


def _unhidden(lines: Sequence[Reals], shell: Reals) -> list[Reals]:
    """The runs of lines that no triangle lies before."""
    import numpy as np
    from shapely import STRtree, box, points

    dense = [_dense(line) for line in lines]
    middles = np.concatenate([0.5 * (line[:-1] + line[1:]) for line in dense])
    low, high = shell[:, :, :2].min(axis=1), shell[:, :, :2].max(axis=1)
    tree = STRtree(box(low[:, 0], low[:, 1], high[:, 0], high[:, 1]))
    at, triangle = tree.query(points(middles[:, :2]))
    shares = _shares(shell[triangle, :, :2], middles[at, :2])
    depths = (shares * shell[triangle, :, 2]).sum(axis=1)
    behind = (shares.min(axis=1) >= 0.0) & (depths > middles[at, 2] + _BEFORE)
    hidden = np.zeros(len(middles), dtype=bool)
    hidden[at[behind]] = True
    found: list[Reals] = []
    start = 0
    for line in dense:
        visible = np.flatnonzero(~hidden[start : start + len(line) - 1])
        start += len(line) - 1
        if visible.size:
            runs = np.split(visible, np.flatnonzero(np.diff(visible) > 1) + 1)
            found += [line[run[0] : run[-1] + 2] for run in runs]
    return found


def _dense(line: Reals) -> Reals:
    """The line with more places, so that each run of it is short enough to be seen or hidden as a whole."""
    import numpy as np

    places = [line[:1]]
    for a, b in pairwise(line):
        count = max(1, int(np.ceil(np.linalg.norm(b - a) / _STEP)))
        places.append(a + (b - a) * (np.arange(1, count + 1) / count)[:, None])
    return np.concatenate(places)
