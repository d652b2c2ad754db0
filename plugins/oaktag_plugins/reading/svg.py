"""Reading SVG files back with svgelements."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from io import BytesIO
from typing import TYPE_CHECKING

from oaktag import Draft
from oaktag.pattern import Artifact
from oaktag.pattern.lettering import Polyline
from oaktag.pattern.read_back import FLATTENED, Difference, Found, FoundLine, differences

if TYPE_CHECKING:
    from svgelements import Group
    from svgelements import Path as SvgPath

_MM_PER_INCH = 25.4


def differences_in(draft: Draft, artifact: Artifact) -> Iterable[Difference]:
    """How an SVG file differs from the draft.

    Raises:
        Exception: the library can't read the file.
    """
    from svgelements import SVG

    assert artifact.shown is not None
    # At 25.4 pixels to the inch a millimetre is one unit, whatever the view box says.
    root = SVG.parse(BytesIO(artifact.data), ppi=_MM_PER_INCH, reify=True)
    units = {str(root.values.get(name, ""))[-2:] for name in ("width", "height")}
    if units != {"mm"}:
        yield Difference("its width and height aren't in mm")
    found: list[FoundLine] = []
    pieces: list[str] = []
    for group in filter(_is_group, root):
        piece = group.id if group.values.get("class") == "piece" else ""
        if piece:
            pieces.append(piece)
        for role in filter(_is_group, group):
            layer = role.values.get("class", "")
            found += [FoundLine(layer, line, piece) for line in _lines(role, root.height)]
    yield from differences(draft, artifact.shown, Found(tuple(found), pieces=tuple(pieces)))


def _is_group(element: object) -> bool:
    from svgelements import Group

    return isinstance(element, Group)


def _lines(group: Group, height: float) -> Iterator[Polyline]:
    """Every subpath of a group's paths as points, y upward from the page's lower left."""
    from svgelements import Path as SvgPath

    for element in group:
        if isinstance(element, SvgPath):
            for points in _subpaths(element):
                yield tuple([(x, height - y) for x, y in points])


def _subpaths(path: SvgPath) -> Iterator[list[tuple[float, float]]]:
    from svgelements import Arc, Close, CubicBezier, Line, Move

    points: list[tuple[float, float]] = []
    for segment in path:
        if isinstance(segment, Move):
            if len(points) > 1:
                yield points
            points = [(segment.end.x, segment.end.y)]
        elif isinstance(segment, (Line, Close)):
            end = (segment.end.x, segment.end.y)
            if isinstance(segment, Line) or end != points[-1]:
                points.append(end)
        elif isinstance(segment, (Arc, CubicBezier)):
            points += _flattened(segment)
        else:
            raise ValueError(f"it has a {type(segment).__name__}, which no exporter writes")
    if len(points) > 1:
        yield points


def _flattened(segment: object) -> list[tuple[float, float]]:
    """The points of a curved segment after its first, close enough for its chords."""
    import numpy as np
    from svgelements import Arc

    if isinstance(segment, Arc):
        radius = max(segment.rx, segment.ry)
        step = 2.0 * np.arccos(max(0.0, 1.0 - FLATTENED / radius)) if radius > FLATTENED else np.pi
        count = max(1, int(np.ceil(abs(segment.sweep) / step)))
    else:
        # A cubic's chords stray by at most √3/18 of its second difference over n² (from memory).
        p = [np.array((q.x, q.y)) for q in (segment.start, segment.control1, segment.control2, segment.end)]  # type: ignore[attr-defined]
        bend = max(np.hypot(*(p[0] - 2 * p[1] + p[2])), np.hypot(*(p[1] - 2 * p[2] + p[3])))
        count = max(1, int(np.ceil(np.sqrt(0.75 * bend / FLATTENED))))
    return [tuple(point) for point in segment.npoint(np.linspace(0.0, 1.0, count + 1))[1:].tolist()]  # type: ignore[attr-defined]
