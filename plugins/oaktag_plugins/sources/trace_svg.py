"""Reading a traced drawing from SVG: shapes and paths, nothing that is fetched, run or drawn by reference."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from math import atan2, copysign, hypot, tau
from typing import TYPE_CHECKING, Any, NoReturn

from oaktag.geometry import Point
from oaktag.recipe import show
from oaktag_plugins.sources.trace_drawing import (
    MOST_PRIMITIVES,
    Drawing,
    DrawingError,
    Primitive,
    Strand,
    elliptical_arc,
    moved,
    strand,
)

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

PX = 25.4 / 96.0
"""A CSS pixel in mm (CSS Values and Units, section 6.2: 1 in = 96 px)."""

_NAMESPACE = "{http://www.w3.org/2000/svg}"
_MM = {"mm": 1.0, "cm": 10.0, "in": 25.4, "pt": 25.4 / 72.0, "pc": 25.4 / 6.0, "q": 0.25}
# Possessive throughout: text that almost matches must not take time to be turned down.
_NUMBER = r"[-+]?+(?:\d++(?:\.\d*+)?+|\.\d++)(?:[eE][-+]?+\d++)?+"
_LENGTH = re.compile(rf"\s*({_NUMBER})\s*([a-zA-Z%]*)\s*")
_NUMBERS = re.compile(rf"\s*+{_NUMBER}(?:(?:\s*+,\s*+|\s++|(?=[-+.])){_NUMBER})*+\s*+")
_TRANSFORM = re.compile(rf"\s*([a-zA-Z]+)\s*\(({_NUMBERS.pattern})\)\s*,?\s*")
_ARGUMENTS = {
    "matrix": (6,),
    "translate": (1, 2),
    "scale": (1, 2),
    "rotate": (1, 3),
    "skewX": (1,),
    "skewY": (1,),
}
_PATH_DATA = re.compile(r"\s*[Mm][MmZzLlHhVvCcSsQqTtAaeE0-9+\-.,\s]*")
_BARE_POINT = re.compile(r"(?<![\d.])(\d++)\.(?!\d)")
_HIDDEN = re.compile(r"(?:^|;)\s*(?:display\s*:\s*none|visibility\s*:\s*(?:hidden|collapse))\b")
_STYLED_PLACE = re.compile(r"(?:^|;)\s*(?:transform|d|x|y|cx|cy|r|rx|ry|width|height)\s*:")
_ADDRESS = re.compile(r"url\(\s*+['\"]?+\s*+(?!#)|@import", re.IGNORECASE)
_ROUND = 1e-6
_MOST_PATH_DATA = 1_000_000
_DEEPEST = 100

_SHAPES = ("path", "rect", "circle", "ellipse", "line", "polyline", "polygon")
_GROUPS = ("g", "a")
# Kept for use elsewhere, or not to be seen at all.
_UNSEEN = (
    *(
        "defs",
        "symbol",
        "clipPath",
        "mask",
        "pattern",
        "marker",
        "linearGradient",
        "radialGradient",
        "filter",
    ),
    *("title", "desc", "metadata", "style", "view"),
)
_ACTIVE = ("script", "foreignObject", "handler", "iframe", "object", "embed", "audio", "video")


@dataclass(frozen=True, slots=True)
class _Affine:
    """x' = a x + c y + e, y' = b x + d y + f."""

    a: float = 1.0
    b: float = 0.0
    c: float = 0.0
    d: float = 1.0
    e: float = 0.0
    f: float = 0.0

    def after(self, inner: _Affine) -> _Affine:
        """This one once the inner one has been applied."""
        e, f = self.apply((inner.e, inner.f))
        (a, b), (c, d) = self.turn((inner.a, inner.b)), self.turn((inner.c, inner.d))
        return _Affine(a, b, c, d, e, f)

    def turn(self, vector: Point) -> Point:
        """Image of a vector."""
        return self.a * vector[0] + self.c * vector[1], self.b * vector[0] + self.d * vector[1]

    def apply(self, point: Point) -> Point:
        """Image of a point."""
        x, y = self.turn(point)
        return x + self.e, y + self.f


def read_svg(data: bytes, element: str) -> Drawing:
    """The shapes and paths of an SVG file, as the root's own units and axes have them.

    Nothing is fetched and nothing is run: a file that asks for it is refused.

    Args:
        data: the file.
        element: id or name, for messages, of a shape or group to read even if it is hidden.

    Raises:
        DrawingError: it is no such file, or has nothing to read.
    """
    root = _root(data)
    for one in root.iter():
        _check_harmless(one)
    reader = _Reader(element)
    try:
        reader.read_group(root, _transform(root), frozenset())
    except _TooDeepError:
        raise DrawingError(
            "is nested too deep",
            found=f"more than {_DEEPEST} groups in each other",
            valid="one outline in a few groups",
            todo="ungroup the outline where it was drawn",
        ) from None
    factor, scale = _scale(root)
    words = tuple(f"{number} {kind}" for kind, number in sorted(reader.left_out.items()))
    return Drawing(tuple(reader.strands), factor, scale, y_down=True, left_out=words)


def _refuse(found: str, todo: str) -> NoReturn:
    raise DrawingError("can't be read as SVG", found=found, valid="a plain SVG file", todo=todo)


def _root(data: bytes) -> Element:
    from xml.etree.ElementTree import ParseError, TreeBuilder

    from defusedxml.common import DefusedXmlException
    from defusedxml.ElementTree import DefusedXMLParser

    instructions: list[str] = []

    class Builder(TreeBuilder):
        """Builds the tree, and keeps what stands before it: a tree has no place for that."""

        def pi(self, target: str, text: str | None = None) -> Any:
            instructions.append(f"{target} {text or ''}")

    parser = DefusedXMLParser(target=Builder(), forbid_dtd=True, forbid_entities=True, forbid_external=True)
    try:
        parser.feed(data)
        root: Element = parser.close()
    except DefusedXmlException:
        _refuse(
            "a document type declaration (DOCTYPE) or entities, which can stand for anything",
            "save it as plain SVG, without them",
        )
    except (ParseError, ValueError, LookupError) as error:
        _refuse(f"no well-formed XML: {' '.join(str(error).split())[:120]}", "save it as plain SVG")
    if instructions:
        _refuse(f"a processing instruction: {show(instructions[0])}", "save it as plain SVG, without it")
    if _tag(root) != "svg":
        _refuse(f"a document <{_tag(root)[:40]}>", "save it as plain SVG")
    return root


def _tag(element: Element) -> str:
    """Name of an SVG element; empty for what belongs to something else."""
    name = element.tag.removeprefix(_NAMESPACE)
    return "" if name.startswith("{") else name


def _check_harmless(element: Element) -> None:
    """Refuse whatever would be fetched or run by a program that shows the file."""
    tag = _tag(element)
    plain = "save it as plain SVG, without scripts and with pictures embedded or removed"
    if tag in _ACTIVE:
        _refuse(f"an element <{tag}>", plain)
    for name, value in element.attrib.items():
        local = name.rpartition("}")[2]
        if name == local and local.lower().startswith("on"):
            _refuse(f"a script: attribute {local}", plain)
        if name == "{http://www.w3.org/XML/1998/namespace}base":
            _refuse("an xml:base, which leads away from the file", plain)
        if local in ("href", "src"):
            inside = value.strip()
            embedded = tag == "image" and inside.lower().startswith("data:image/")
            if inside and not inside.startswith("#") and not embedded:
                _refuse(f"a reference to something outside the file: {show(inside)}", plain)
        if _ADDRESS.search(value):
            _refuse(f"a reference to something outside the file: {local}={show(value)}", plain)
    if tag == "style" and _ADDRESS.search(element.text or ""):
        _refuse("a style sheet that refers to something outside the file", plain)


class _TooDeepError(Exception):
    """Groups are nested deeper than anybody draws."""


class _Reader:
    """Walks through the groups of a file and collects what is drawn."""

    def __init__(self, element: str) -> None:
        self.element = element
        self.strands: list[Strand] = []
        self.left_out: Counter[str] = Counter()
        self.count = 0
        self.size = 0
        self.lines = 0

    def read_group(self, group: Element, affine: _Affine, groups: frozenset[str], depth: int = 0) -> None:
        if depth > _DEEPEST:
            raise _TooDeepError
        for child in group:
            tag = _tag(child)
            if tag in _UNSEEN or not tag:
                continue
            is_shape = tag in _SHAPES
            if not is_shape and tag not in _GROUPS:
                self.left_out[tag] += 1
                continue
            own_id = child.get("id", "")
            self.count += is_shape
            name = f'{tag} "{own_id}"' if own_id else f"{tag} {self.count}"
            ids = groups | {own_id or name}
            if _hidden(child) and self.element not in ids:
                self.left_out[f"hidden {tag}"] += 1
                continue
            here = affine.after(_transform(child))
            if is_shape:
                self.read_shape(tag, child, here, name, ids)
            else:
                self.read_group(child, here, ids, depth + 1)

    def read_shape(self, tag: str, shape: Element, affine: _Affine, name: str, ids: frozenset[str]) -> None:
        data = _path_data(tag, shape.attrib, name)
        self.size += len(data)
        if self.size > _MOST_PATH_DATA:
            raise _too_much(f"more than {_MOST_PATH_DATA:,} characters of path data")
        runs = list(_runs(data, affine, name))
        self.lines += sum(map(len, runs))
        if self.lines > MOST_PRIMITIVES:
            raise _too_much(f"more than {MOST_PRIMITIVES:,} lines")
        for number, primitives in enumerate(runs, start=1):
            part = name if len(runs) == 1 else f"{name}, part {number}"
            one = strand(primitives, part, ids | {part})
            if one is not None:
                self.strands.append(one)


def _too_much(found: str) -> DrawingError:
    return DrawingError(
        "has too many lines for a trace",
        found=found,
        valid="one outline of straight lines, arcs and curves",
        todo="choose an element, or simplify the outline where it was drawn",
    )


def _hidden(element: Element) -> bool:
    return (
        element.get("display", "").strip() == "none"
        or element.get("visibility", "").strip() in ("hidden", "collapse")
        or _HIDDEN.search(element.get("style", "")) is not None
    )


def _transform(element: Element) -> _Affine:
    """The element's own transform.

    Raises:
        DrawingError: it isn't written as SVG has it.
    """
    from svgelements import Matrix

    if _STYLED_PLACE.search(element.get("style", "")):
        _refuse("a shape or a place given by style", "save it as plain SVG")
    text = element.get("transform", "")
    if not text.strip():
        return _Affine()
    at = 0
    while at < len(text):
        match = _TRANSFORM.match(text, at)
        count = 0 if match is None else len(re.findall(_NUMBER, match[2]))
        if match is None or count not in _ARGUMENTS.get(match[1], ()):
            _refuse(f"transform={show(text)}", "save it as plain SVG")
        at = match.end()
    matrix = Matrix(text)
    values = [float(value) for value in (matrix.a, matrix.b, matrix.c, matrix.d, matrix.e, matrix.f)]
    return _Affine(*values)


def _path_data(tag: str, attributes: Mapping[str, str], name: str) -> str:
    """A shape as path data (SVG 1.1, chapter 9, says for each shape which path it is)."""

    def length(key: str) -> float:
        text = attributes.get(key, "").strip()
        if not text:
            return 0.0
        match = _LENGTH.fullmatch(text)
        unit = "" if match is None else match[2].lower()
        if match is None or unit not in ("", "px", *_MM):
            _refuse(f"{name}, {key}={show(text)}", "save it with plain numbers")
        return float(match[1]) * _MM.get(unit, PX) / PX

    if tag == "path":
        data = attributes.get("d", "")
        if data.strip() and _PATH_DATA.fullmatch(data) is None:
            _refuse(f"path data of {name}: {show(data)}", "save it as plain SVG")
        return data
    if tag in ("polyline", "polygon"):
        text = attributes.get("points", "").strip()
        if text and (_NUMBERS.fullmatch(text) is None or len(re.findall(_NUMBER, text)) % 2):
            _refuse(f"points of {name}: {show(text)}", "save it as plain SVG")
        return f"M{text}{'z' if tag == 'polygon' else ''}" if text else ""
    if tag == "line":
        return f"M{length('x1')!r} {length('y1')!r}L{length('x2')!r} {length('y2')!r}"
    if tag == "rect":
        return _rectangle(length, attributes)
    rx, ry = (length("r"),) * 2 if tag == "circle" else (length("rx"), length("ry"))
    if rx <= 0.0 or ry <= 0.0:
        return ""
    x, y, arc = length("cx"), length("cy"), f"A{rx!r} {ry!r} 0 0 1"
    return f"M{x + rx!r} {y!r}{arc} {x - rx!r} {y!r}{arc} {x + rx!r} {y!r}z"


def _rectangle(length: Any, attributes: Mapping[str, str]) -> str:
    x, y, width, height = (float(length(key)) for key in ("x", "y", "width", "height"))
    if width <= 0.0 or height <= 0.0:
        return ""
    given = [float(length(key)) for key in ("rx", "ry") if attributes.get(key, "auto").strip() != "auto"]
    rx, ry = (given[0], given[-1]) if given else (0.0, 0.0)
    rx, ry = min(rx, width / 2), min(ry, height / 2)
    if rx <= 0.0 or ry <= 0.0:
        return f"M{x!r} {y!r}h{width!r}v{height!r}h{-width!r}z"
    across, down, arc = width - 2 * rx, height - 2 * ry, f"a{rx!r} {ry!r} 0 0 1"
    return (
        f"M{x + rx!r} {y!r}h{across!r}{arc} {rx!r} {ry!r}v{down!r}{arc} {-rx!r} {ry!r}"
        f"h{-across!r}{arc} {-rx!r} {-ry!r}v{-down!r}{arc} {rx!r} {-ry!r}z"
    )


def _runs(data: str, affine: _Affine, name: str) -> Iterator[list[Primitive]]:
    """The subpaths of path data as primitives.

    Raises:
        DrawingError: the data breaks off or has something in it that is no path.
    """
    from svgelements import Arc, Close, CubicBezier, Line, Move, Path, QuadraticBezier

    try:
        # "24." is a number to SVG 1.1, but not to the library.
        segments = list(Path(_BARE_POINT.sub(r"\1.0", data)))
    # The library's own errors on data that breaks off are of many kinds.
    except Exception:
        _refuse(f"path data of {name}: {show(data)}", "save it as plain SVG")
    run: list[Primitive] = []
    for segment in segments:
        if isinstance(segment, Move):
            if run:
                yield run
            run = []
            continue
        points: tuple[Any, ...]
        if isinstance(segment, QuadraticBezier):
            # The same curve as a cubic one: handles two thirds of the way to the control point.
            a, b, c = segment.start, segment.control, segment.end
            points = (a, a + (b - a) * (2.0 / 3.0), c + (b - c) * (2.0 / 3.0), c)
        elif isinstance(segment, CubicBezier):
            points = (segment.start, segment.control1, segment.control2, segment.end)
        elif isinstance(segment, Arc) and segment.sweep and segment.rx and segment.ry:
            run += _arc(segment, affine)
            continue
        else:
            assert isinstance(segment, (Line, Close, Arc))
            points = (segment.start, segment.end)
        run.append(tuple(affine.apply((float(point.x), float(point.y))) for point in points))
        if isinstance(segment, Close):
            yield run
            run = []
    if run:
        yield run


def _arc(arc: Any, affine: _Affine) -> list[Primitive]:
    """An arc of an ellipse; a circle's stays an arc of a circle if the transform leaves circles round."""

    def pair(point: Any) -> Point:
        return float(point.x), float(point.y)

    center, start, end = pair(arc.center), pair(arc.start), pair(arc.end)
    major, minor = ((pair(point)[0] - center[0], pair(point)[1] - center[1]) for point in (arc.prx, arc.pry))
    rx, ry = hypot(*major), hypot(*minor)
    a, b = affine.turn((rx, 0.0)), affine.turn((0.0, rx))
    skewed = abs(a[0] * b[0] + a[1] * b[1]) + abs(hypot(*a) ** 2 - hypot(*b) ** 2)
    if abs(rx - ry) <= _ROUND * rx and skewed <= _ROUND * hypot(*a) ** 2:
        return [tuple(affine.apply(point) for point in (start, pair(arc.point(0.5)), end))]

    def parameter(point: Point) -> float:
        x, y = point[0] - center[0], point[1] - center[1]
        return atan2((x * minor[0] + y * minor[1]) / ry**2, (x * major[0] + y * major[1]) / rx**2)

    first = parameter(start)
    sweep = (parameter(end) - first) % copysign(tau, arc.sweep)
    curves = elliptical_arc(affine.apply(center), affine.turn(major), affine.turn(minor), first, sweep)
    curves[0] = moved(curves[0], affine.apply(start), curves[0][-1])
    curves[-1] = moved(curves[-1], curves[-1][0], affine.apply(end))
    return curves


def _scale(root: Element) -> tuple[float | None, str]:
    """Millimetres per unit of the root's axes, and how the file says it (SVG 1.1, section 7.7 to 7.9).

    Raises:
        DrawingError: sizes or the view box are no numbers, or the picture is stretched.
    """
    box = root.get("viewBox", "").strip()
    sizes = [_size(root, key) for key in ("width", "height")]
    if not box:
        if any(size is not None for size in sizes):
            return PX, "px of 1/96 in: a size in mm and no viewBox"
        return None, "the file has no size in mm, cm or in"
    values = [float(value) for value in re.findall(_NUMBER, box)]
    if _NUMBERS.fullmatch(box) is None or len(values) != 4 or not min(values[2:]) > 0.0:
        _refuse(f"viewBox={show(box)}", "save it as plain SVG")
    ratios = [size / value for size, value in zip(sizes, values[2:], strict=True) if size is not None]
    if not ratios:
        return None, "the file has no size in mm, cm or in"
    fitting = root.get("preserveAspectRatio", "")
    if "none" in fitting and max(ratios) > 1.001 * min(ratios):
        raise DrawingError(
            "is stretched",
            found=f"{ratios[0]:g} mm to the unit across and {ratios[-1]:g} mm upright",
            valid="the same scale both ways",
            todo="scale it evenly where it was drawn",
        )
    factor = max(ratios) if "slice" in fitting else min(ratios)
    return factor, f"{factor:.6g} mm to the unit, by the file's size and viewBox"


def _size(root: Element, key: str) -> float | None:
    """The root's width or height in mm; None where it isn't one."""
    text = root.get(key, "").strip()
    match = _LENGTH.fullmatch(text)
    if text and match is None and text != "auto":
        _refuse(f"{key}={show(text)}", "save it as plain SVG")
    if match is None or match[2].lower() not in _MM:
        return None
    size = float(match[1]) * _MM[match[2].lower()]
    if not size > 0.0:
        _refuse(f"{key}={show(text)}", "save it as plain SVG")
    return size
