"""A tech pack as one HTML page that needs nothing but itself: no script, no font, no request."""

from __future__ import annotations

from functools import lru_cache
from math import cos, pi, radians, sin
from typing import TYPE_CHECKING
from unicodedata import category

from oaktag.geometry import Arc, Line, Path, Point
from oaktag_plugins.tech_pack.content import FigureBlock, Group, Listing, Paragraph, Table, TechPack
from oaktag_plugins.tech_pack.figure import Figure, FigureText

if TYPE_CHECKING:
    from jinja2 import Environment

TEMPLATE = "tech-pack.html.jinja"

_ANCHORS = {"left": "start", "centre": "middle", "right": "end"}


def html_of(pack: TechPack, note: str = "") -> str:
    """A tech pack as the text of an HTML page.

    Args:
        pack: what it says.
        note: that the page carries out of sight, for programs that read it back.
    """
    return _environment().get_template(TEMPLATE).render(pack=pack, note=note)


def printable(text: str) -> str:
    """A text without what no page can show: control characters and half characters become U+FFFD."""
    return "".join(
        "\ufffd" if category(sign) in ("Cc", "Cs") and sign not in "\t\n\r" else sign for sign in text
    )


def path_data(figure: Figure, shape: Path | tuple[Point, ...]) -> str:
    """A line of a figure as SVG path data, with y downward from the figure's top.

    Args:
        figure: whose height is turned over.
        shape: mm, y upward.
    """

    def at(point: Point) -> str:
        return f"{_number(point[0])} {_number(figure.height - point[1])}"

    if not isinstance(shape, Path):
        return "M" + "L".join(at(point) for point in shape)
    parts = [f"M{at(shape.start)}"]
    for segment in shape.segments:
        if isinstance(segment, Line):
            parts.append(f"L{at(segment.end)}")
        elif isinstance(segment, Arc):
            large, sweep = int(abs(segment.sweep) > pi), int(segment.clockwise)
            radius = _number(segment.radius)
            parts.append(f"A{radius} {radius} 0 {large} {sweep} {at(segment.end)}")
        else:
            parts.extend("C" + " ".join(at(point) for point in bezier[1:]) for bezier in segment.beziers)
    return "".join(parts) + ("Z" if shape.closed else "")


def text_matrix(figure: Figure, text: FigureText) -> str:
    """Where a text of a figure stands in SVG, as the value of `transform`; empty for a level one."""
    if not text.angle:
        return ""
    x, y = text.position[0], figure.height - text.position[1]
    c, s = cos(radians(text.angle)), sin(radians(text.angle))
    return f"matrix({c:.5f} {-s:.5f} {s:.5f} {c:.5f} {_number(x)} {_number(y)})"


def _number(value: float) -> str:
    """A coordinate to 1 µm, without a sign before nought."""
    return f"{round(value, 3) + 0.0:.8g}"


@lru_cache(maxsize=1)
def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("oaktag_plugins", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        finalize=lambda value: printable(value) if type(value) is str else value,
    )
    for name, kind in (
        ("paragraph", Paragraph),
        ("listing", Listing),
        ("table", Table),
        ("figure_block", FigureBlock),
        ("group", Group),
    ):
        environment.tests[name] = lambda block, kind=kind: isinstance(block, kind)
    environment.globals.update(
        path_data=path_data, text_matrix=text_matrix, number=_number, anchors=_ANCHORS, counter=_Counter
    )
    return environment


class _Counter:
    """Counts as a page is filled in: ids of its figures."""

    def __init__(self) -> None:
        self.value = 0

    def next(self) -> int:
        """The next number, from 1."""
        self.value += 1
        return self.value
