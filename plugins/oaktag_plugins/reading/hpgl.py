"""Reading HP-GL files back with ezdxf's plotter, which wrote none of them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from itertools import pairwise
from math import dist
from typing import TYPE_CHECKING

from oaktag import Draft
from oaktag.pattern import Artifact
from oaktag.pattern.drawing import Stroke
from oaktag.pattern.lettering import Polyline
from oaktag.pattern.read_back import FLATTENED, Difference, Found, FoundLine, differences, items_on
from oaktag.pattern.shown import Shown, ToolPath
from oaktag_plugins.exporting.hpgl import UNITS_PER_MM
from oaktag_plugins.exporting.tool_path import MITRE_LIMIT

if TYPE_CHECKING:
    from shapely import MultiLineString


def differences_in(draft: Draft, artifact: Artifact) -> Iterable[Difference]:
    """How an HP-GL file differs from the draft.

    Raises:
        Exception: the library can't read the file.
    """
    shown = artifact.shown
    assert shown is not None
    pens = set(shown.layers.values())
    lines = tuple(pen_lines(artifact.data))
    unknown = {line.layer for line in lines} - pens
    if unknown:
        yield Difference(f"it selects pen {', '.join(sorted(unknown))}, which no meaning has")
    if shown.tool is None:
        yield from differences(draft, shown, Found(lines))
        return
    cutting = {shown.layers[role] for role in ("cut", "hole") if role in shown.layers}
    lines = tuple(_without_tool(line, shown.tool) if line.layer in cutting else line for line in lines)
    if not shown.tool.kerf:
        yield from differences(draft, shown, Found(lines))
        return
    loops = [line for line in lines if line.layer in cutting and line.points[0] == line.points[-1]]
    rest = {role: name for role, name in shown.layers.items() if role not in ("cut", "hole")}
    others = tuple(line for line in lines if line not in loops)
    yield from differences(draft, replace(shown, layers=rest), Found(others))
    yield from _kerf_differences(draft, shown, loops, shown.tool.kerf)


def pen_lines(data: bytes) -> Iterator[FoundLine]:
    """Every line that is drawn with the pen down, in mm; its layer is the number of the pen.

    Raises:
        ValueError: an instruction is none that the library knows.
    """
    from ezdxf.addons.hpgl2.backend import Recorder
    from ezdxf.addons.hpgl2.interpreter import Interpreter
    from ezdxf.addons.hpgl2.plotter import Plotter
    from ezdxf.addons.hpgl2.tokenizer import hpgl2_commands

    found: list[tuple[int, int, list[tuple[float, float]]]] = []

    class Pens(Recorder):
        """Keeps the points of each line between two lifts of the pen."""

        lifts = 0

        def draw_polyline(self, properties, points) -> None:  # type: ignore[no-untyped-def]
            xy = [(point.x / UNITS_PER_MM, point.y / UNITS_PER_MM) for point in points]
            pen = properties.pen_index
            if found and found[-1][:2] == (self.lifts, pen):
                # An arc ends a hair from where the file goes on.
                found[-1][2].extend(xy[1:] if dist(found[-1][2][-1], xy[0]) < 0.5 / UNITS_PER_MM else xy)
            else:
                found.append((self.lifts, pen, xy))

    backend = Pens()

    class LiftingPlotter(Plotter):
        """Counts how often the pen is lifted."""

        def pen_up(self) -> None:
            backend.lifts += 1
            super().pen_up()

    interpreter = Interpreter(LiftingPlotter(backend))
    interpreter.run(hpgl2_commands(data))
    strange = interpreter.not_implemented_commands - {"IN", "DF"}
    if strange or interpreter.errors:
        raise ValueError(f"it has instructions that can't be read: {[*sorted(strange), *interpreter.errors]}")
    for _, pen, points in found:
        yield FoundLine(str(pen), tuple(points))


def _without_tool(line: FoundLine, tool: ToolPath) -> FoundLine:
    """A closed line less its lead-in and overcut, if it has them as stated; otherwise as it is."""
    points = list(line.points)
    near = 3.0 / UNITS_PER_MM
    if tool.lead_in and len(points) > 2 and abs(dist(points[0], points[1]) - tool.lead_in) < near:
        points = points[1:]
    length = sum(dist(a, b) for a, b in pairwise(points))
    loop = _cut_off(points, length - tool.overcut)
    if len(loop) > 2 and dist(loop[0], loop[-1]) < near:
        return replace(line, points=(*loop[:-1], loop[0]))
    return line


def _cut_off(points: list[tuple[float, float]], length: float) -> Polyline:
    """The first `length` mm of a polyline."""
    kept = [points[0]]
    for start, end in pairwise(points):
        step = dist(start, end)
        if step >= length:
            share = length / step if step else 0.0
            kept.append((start[0] + share * (end[0] - start[0]), start[1] + share * (end[1] - start[1])))
            break
        kept.append(end)
        length -= step
    return tuple(kept)


def _kerf_differences(
    draft: Draft, shown: Shown, loops: list[FoundLine], kerf: float
) -> Iterator[Difference]:
    """Closed lines held to the draft's, moved by half the kerf with shapely."""
    from shapely import LinearRing, LineString, MultiLineString, Polygon

    (page,) = shown.pages
    wanted = []
    for item in items_on(draft, page):
        if isinstance(item, Stroke) and item.role in ("cut", "hole") and item.path.closed:
            way = 0.5 * kerf if item.role == "cut" else -0.5 * kerf
            ring = Polygon(item.flatten(0.1 * FLATTENED))
            grown = ring.buffer(way, join_style="mitre", mitre_limit=MITRE_LIMIT)
            wanted.append(LinearRing(grown.exterior.coords))
    if len(wanted) != len(loops):
        yield Difference(f"it has {len(loops)} closed cuts, not {len(wanted)}")
        return
    found = [LineString(line.points) for line in loops]
    off = _farthest(MultiLineString(found), MultiLineString(wanted))
    if off > shown.tolerance + 2.0 * FLATTENED:
        yield Difference(f"its cuts are up to {off:.3f} mm from where half a kerf of {kerf:g} mm puts them")


def _farthest(found: MultiLineString, wanted: MultiLineString) -> float:
    from shapely import Point, get_coordinates

    ways = ((found, wanted), (wanted, found))
    return max(
        max(there.distance(Point(x, y)) for x, y in get_coordinates(here.segmentize(5.0)))
        for here, there in ways
    )
