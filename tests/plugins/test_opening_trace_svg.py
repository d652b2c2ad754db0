"""`opening.trace` with SVG files: shapes, transforms, path data, and everything that is no drawing."""

from __future__ import annotations

import math
import socket
from collections.abc import Callable
from io import BytesIO
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import cairosvg
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from oaktag.geometry import Arc, Curve, Line, Point
from oaktag.geometry import Path as Shape
from oaktag.pattern import Draft, Refusal
from oaktag_plugins import export_svg
from oaktag_plugins.opening_trace import TraceOptions, run
from oaktag_plugins.sources.trace_drawing import DrawingError, Primitive
from oaktag_plugins.sources.trace_outline import segment_of
from oaktag_plugins.sources.trace_svg import read_svg

if TYPE_CHECKING:
    from tests.plugins import drafts, openings, traces
else:
    drafts, openings, traces = (
        SimpleNamespace(**run_path(str(Path(__file__).with_name(f"{name}.py"))))
        for name in ("drafts", "openings", "traces")
    )

# y upward; (24, 88), (538, 104), (100, 500) in the files.
TRIANGLE: tuple[Point, ...] = ((-76.0, 412.0), (438.0, 396.0), (0.0, 0.0))
PLAIN = '<path d="M24 88L538 104 100 500z"/>'


def svg(data: bytes, **table: Any) -> Draft:
    return run(openings.sourced("trace", {"file": "frame.svg", **table}, frame_svg=data), TraceOptions())


def drawn(text: str, **table: Any) -> Draft:
    return svg(traces.svg(text), **table)


def refused(data: bytes, key: str = "file", **table: Any) -> Any:
    return openings.refusal(lambda: svg(data, **table), f"sources.trace.{key}")


def runs(text: str) -> list[tuple[Primitive, ...]]:
    """The primitives of each strand in a file's body."""
    return [one.primitives for one in read_svg(traces.svg(text), "").strands]


# -------------------------------------------------------------------------------------- shapes and places

SAME_TRIANGLE = [
    PLAIN,
    '<path d="m24,88 514,16 -438,396z"/>',
    '<path d="M 24 88 l 5.14e2 .16e2 l -438 396 Z"/>',
    '<path d="M24.,88.L538 104,100 500Z"/>',
    '<path d="M24 88\n\tL538 104\r\n L100 500 L24 88"/>',
    '<polygon points="24,88 538,104 100,500"/>',
    '<polyline points="24 88,538 104,100 500,24 88"/>',
    '<line x1="24" y1="88" x2="538" y2="104"/><path d="M538 104L100 500"/><path d="M24 88L100 500"/>',
    '<g transform="translate(24 88)"><path d="M0 0L514 16 76 412z"/></g>',
    '<g transform="scale(2)"><g transform="translate(12,44)"><path d="M0 0L257 8 38 206z"/></g></g>',
    '<path transform="matrix(0 1 -1 0 600 0)" d="M88 576L104 62 500 500z"/>',
    '<path transform="rotate(90) translate(0,-600)" d="M88 576L104 62 500 500z"/>',
    '<path transform="translate(300 200) rotate(180) translate(-300-200)" d="M576 312L62 296 500 -100z"/>',
    '<path transform="rotate(180 300,200)" d="M576 312L62 296 500 -100z"/>',
    '<path transform="skewX(45)" d="M-64 88L434 104 -400 500z"/>',
    '<a href="#top"><path d="M24 88L538 104 100 500z"/></a>',
    f'<defs><path d="M0 0L9 9 0 9z"/></defs><title>Demo</title>{PLAIN}',
    f'<g display="none"><path d="M0 0L9 9 0 9z"/></g>{PLAIN}',
    f'<g style="opacity:1; display : none"><path d="M0 0L9 9 0 9z"/></g>{PLAIN}',
    f'<path visibility="hidden" d="M0 0L9 9 0 9z"/>{PLAIN}',
    f'<metadata xmlns:d="http://example.org/d"><d:on href="#x" about="http://example.org/"/></metadata>{PLAIN}',
    f'<rect width="0" height="3"/><circle r="0"/><ellipse rx="3"/><polygon points=""/><path d=""/>{PLAIN}',
    f'<image href="data:image/png;base64,AAAA" width="5" height="5"/>{PLAIN}',
    f'<g clip-path="url(#page)" fill="url( \'#red\' )">{PLAIN}</g>',
]


@pytest.mark.parametrize("text", SAME_TRIANGLE)
def test_the_same_triangle_in_every_way_to_write_it(text: str) -> None:
    openings.check_shape(drawn(text), TRIANGLE, 1e-5)


def test_a_file_without_a_namespace_is_read_too() -> None:
    openings.check_shape(svg(f"<svg {traces.MM}>{PLAIN}</svg>".encode()), TRIANGLE)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16", "iso-8859-1"])
def test_other_encodings_are_read(encoding: str) -> None:
    text = f'<?xml version="1.0" encoding="{encoding}"?><svg {traces.MM}><desc>Größe</desc>{PLAIN}</svg>'
    openings.check_shape(svg(text.encode(encoding)), TRIANGLE)


@given(
    st.tuples(*[st.floats(-2.0, 2.0)] * 4).filter(lambda m: abs(m[0] * m[3] - m[1] * m[2]) > 0.2),
    st.floats(20.0, 300.0),
    st.floats(20.0, 300.0),
    st.floats(0.0, 360.0),
    st.booleans(),
    st.booleans(),
)
@settings(deadline=None, derandomize=True, max_examples=80)
def test_elliptical_arcs_lie_on_their_ellipse(
    matrix: tuple[float, ...], rx: float, ry: float, lean: float, large: bool, sweep: bool
) -> None:
    """SVG 1.1, appendix F.6: the ends are met, the points lie on the transformed ellipse, the flags hold."""
    a, b, c, d = matrix
    end = (1.1 * rx, 0.4 * ry)
    flags = f"{int(large)} {int(sweep)}"
    text = (
        f'<path transform="matrix({a} {b} {c} {d} 7 9)" d="M0 0A{rx} {ry} {lean} {flags} {end[0]} {end[1]}"/>'
    )
    (primitives,) = runs(text)
    points = np.array([p for part in primitives for p in flattened(part)])
    inner = (points - (7.0, 9.0)) @ np.linalg.inv(np.array([[a, c], [b, d]])).T
    assert inner[0] == pytest.approx((0.0, 0.0), abs=1e-6)
    assert inner[-1] == pytest.approx(end, abs=1e-6)
    # In the ellipse's own axes, scaled to a unit circle (F.6.5); radii grow if they are too small (F.6.6).
    turn = math.radians(lean)
    axes = np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]])
    u = inner @ axes.T / (rx, ry)
    half = math.hypot(*(u[-1] - u[0])) / 2.0
    radius = max(1.0, half)
    ahead = (u[-1] - u[0]) / (2.0 * half)
    away = math.sqrt(max(radius**2 - half**2, 0.0)) * (1.0 if large != sweep else -1.0)
    center = (u[0] + u[-1]) / 2.0 + away * np.array((-ahead[1], ahead[0]))
    assert np.hypot(*(u - center).T) == pytest.approx(np.full(len(u), radius), abs=1e-6)
    steps = np.diff(np.unwrap(np.arctan2(*(u - center).T[::-1])))
    assert (steps >= -1e-9).all() if sweep else (steps <= 1e-9).all()
    if half < 0.999:
        assert (abs(steps.sum()) > math.pi) == large


def flattened(primitive: Primitive) -> list[Point]:
    return list(Shape((segment_of(primitive),)).flatten(1e-2))


def test_a_round_arc_stays_an_arc_under_a_similarity_and_becomes_a_curve_under_a_stretch() -> None:
    for transform, kind in (("rotate(30) scale(2)", Arc), ("scale(-1,1)", Arc), ("scale(2,1)", Curve)):
        (primitives,) = runs(f'<path transform="{transform}" d="M0 0A50 50 0 0 1 40 20"/>')
        assert {type(segment_of(primitive)) for primitive in primitives} == {kind}


def test_arcs_of_no_radius_are_lines_and_radii_too_small_grow() -> None:
    (primitives,) = runs('<path d="M0 0A0 50 0 0 1 40 20"/>')
    assert [type(segment_of(primitive)) for primitive in primitives] == [Line]
    (primitives,) = runs('<path d="M0 0A1 1 0 0 1 40 0"/>')
    (arc,) = map(segment_of, primitives)
    assert isinstance(arc, Arc)
    assert arc.radius == pytest.approx(20.0)


@pytest.mark.parametrize(
    ("shape", "area", "length"),
    [
        ('<rect x="10" y="20" width="30" height="40"/>', 1200.0, 140.0),
        ('<rect width="30" height="40" rx="5"/>', 1200.0 - (4 - math.pi) * 25, 100.0 + 10 * math.pi),
        ('<rect width="30" height="40" ry="99"/>', 600.0 * math.pi / 2 * 2 - 300.0 * math.pi, None),
        ('<circle cx="5" cy="6" r="10"/>', 100.0 * math.pi, 20.0 * math.pi),
        ('<ellipse rx="10" ry="20"/>', 200.0 * math.pi, 96.884482),
        ('<rect width="1in" height="96px"/>', 9216.0, 384.0),
    ],
)
def test_shapes_are_as_large_as_they_say(shape: str, area: float, length: float | None) -> None:
    """The ellipse's length by its complete elliptic integral: 4 a E(3/4), a = 20."""
    (primitives,) = runs(shape)
    path = Shape(tuple(segment_of(primitive) for primitive in primitives))
    assert abs(path.area) == pytest.approx(area, rel=1e-5)
    if length is not None:
        assert path.length == pytest.approx(length, rel=1e-5)


def test_strands_lie_where_a_renderer_puts_them() -> None:
    """Against cairo: every kind of shape, filled black by a renderer, covers what our strands enclose."""
    shapes = [
        '<rect x="10" y="10" width="60" height="50" rx="15" ry="10" transform="rotate(10)"/>',
        '<path d="M120 20c40 -30 60 40 20 60s-60 10 -20 -60z"/>',
        '<path d="M20 120q30 -40 60 0t60 0v50h-120z"/>',
        '<path d="M220 120a40 25 30 1 1 30 40z" transform="translate(-20,0) skewY(8)"/>',
        '<ellipse cx="240" cy="50" rx="40" ry="20" transform="matrix(1 .2 -.1 1 0 -40)"/>',
    ]
    head = 'width="300px" height="220px" viewBox="0 0 300 220"'
    for shape in shapes:
        png = cairosvg.svg2png(traces.svg(shape, head), scale=4.0)
        alpha = np.array(Image.open(BytesIO(png)))[..., 3] / 255.0
        (primitives,) = runs(shape)
        path = Shape(tuple(segment_of(primitive) for primitive in primitives))
        assert abs(path.area) == pytest.approx(alpha.sum() / 16.0, rel=3e-3), shape
        rows, columns = np.nonzero(alpha > 0.5)
        box = path.bounds
        seen = (columns.min() / 4, rows.min() / 4, (columns.max() + 1) / 4, (rows.max() + 1) / 4)
        assert tuple(box) == pytest.approx(seen, abs=0.3), shape


def test_parts_of_a_path_are_outlines_of_their_own() -> None:
    said = refused(traces.svg('<path id="both" d="M24 88L538 104 100 500zM200 200h9v9h-9z"/>'))
    assert said.found == 'path "both", part 1 (514 × 412); path "both", part 2 (9 × 9)'
    both = '<path id="both" d="M24 88L538 104 100 500zM200 200h9v9h-9z"/>'
    openings.check_shape(drawn(both, element='path "both", part 1'), TRIANGLE)


def test_after_closing_a_path_goes_on_from_its_start() -> None:
    assert [len(primitives) for primitives in runs('<path d="M0 0h9v9zl-5 -5"/>')] == [3, 1]


def test_a_hidden_shape_is_read_when_it_is_chosen() -> None:
    hidden = f'<g id="trace" display="none">{PLAIN}</g><path d="M0 0h9v9z"/>'
    openings.check_shape(drawn(hidden, element="trace"), TRIANGLE)


def test_what_can_not_be_read_is_told() -> None:
    extra = '<text x="5">seat</text><use href="#a"/><use href="#b"/><svg/>'
    draft = drawn(PLAIN + extra)
    (note,) = [one.message for one in draft.findings if one.code == "trace-left-out"]
    assert "1 svg, 1 text, 2 use" in note


def test_our_own_pattern_can_be_read_as_a_trace() -> None:
    draft = drafts.polygon(TRIANGLE, drafts.WIDTHS, corners=openings.CORNERS, tubes=openings.TUBES)
    made = drafts.allowed(drafts.panelled(draft, radius=0.0))
    (file,) = export_svg.run(made, export_svg.SvgOptions()).artifacts
    said = refused(file.data)
    # The panel itself is the second shape of its group, after its cut line.
    names = [entry.rpartition(" (")[0] for entry in said.found.split("; ")]
    found = []
    for name in names:
        try:
            found.append(matches(svg(file.data, element=name)))
        except Refusal:
            # A notch, a letter, a mark: no opening.
            found.append(False)
    assert sum(found) >= 1


def matches(draft: Draft) -> bool:
    lengths = [length.value for length in draft.survey.lengths] if draft.survey else []
    true = [math.dist(a, b) for a, b in zip(TRIANGLE, (*TRIANGLE[1:], TRIANGLE[0]), strict=True)]
    return lengths == pytest.approx(true, abs=2e-4)


# ------------------------------------------------------------------------------------- what is no drawing

BAD_DATA = [
    '<path d="L5 5 9 9z"/>',
    '<path d="M24 88L538z"/>',
    '<path d="M24 88L538 104 100 500z;alert(1)"/>',
    '<path d="M24 88 X 3 4"/>',
    '<path d="M24 88C1 2 3 4z"/>',
    '<path d="M24 88A5 5 0 2 0 9 9z"/>',
    '<path d="M24 88L1e999 104 100 500z"/>',
    '<path d="M24 88LNaN 104 100 500z"/>',
    '<path transform="evil(3)" d="M24 88L538 104 100 500z"/>',
    '<path transform="translate(1,2" d="M24 88L538 104 100 500z"/>',
    '<path transform="matrix(1 0 0)" d="M24 88L538 104 100 500z"/>',
    '<path transform="translate(3mm)" d="M24 88L538 104 100 500z"/>',
    '<path transform="scale(1e300) scale(1e300)" d="M24 88L538 104 100 500z"/>',
    '<path style="transform:rotate(3deg)" d="M24 88L538 104 100 500z"/>',
    '<path style="d: path(\'M0 0\')" d="M24 88L538 104 100 500z"/>',
    '<polygon points="24,88 538,104 100"/>',
    '<polygon points="24,88 538,104 100,5x"/>',
    '<rect width="50%" height="3"/>',
    '<rect width="calc(3px)" height="3"/>',
    '<circle r="5em"/>',
]


@pytest.mark.parametrize("text", BAD_DATA)
def test_data_that_is_none_is_refused(text: str) -> None:
    refused(traces.svg(text))


BAD_HEADS = [
    'viewBox="0 0 600"',
    'viewBox="0 0 600 x"',
    'viewBox="0 0 0 600" width="600mm"',
    'viewBox="0 0 600 -600" width="600mm"',
    'width="wide" viewBox="0 0 600 600"',
    'width="-5mm" viewBox="0 0 600 600"',
    'width="600mm" height="900mm" viewBox="0 0 600 600" preserveAspectRatio="none"',
]


@pytest.mark.parametrize("head", BAD_HEADS)
def test_sizes_that_are_none_are_refused(head: str) -> None:
    refused(traces.svg(PLAIN, head))


WHOLE = traces.svg(PLAIN).partition(b"\n")[2]
"""An honest file: whatever stands before it is the only thing wrong."""


def entity(name: bytes) -> bytes:
    return WHOLE.replace(b"</svg>", b"<desc>" + name + b"</desc></svg>")


XLINK = 'xmlns:xlink="http://www.w3.org/1999/xlink"'
HOSTILE: list[tuple[str, bytes]] = [
    ("doctype", b'<!DOCTYPE svg PUBLIC "-//W3C//DTD SVG 1.1//EN" "http://localhost:9/svg11.dtd">' + WHOLE),
    ("doctype without address", b"<!DOCTYPE svg>" + WHOLE),
    ("external entity", b'<!DOCTYPE svg [<!ENTITY x SYSTEM "file:///etc/passwd">]>' + entity(b"&x;")),
    ("parameter entity", b'<!DOCTYPE svg [<!ENTITY % x SYSTEM "http://localhost:9/x"> %x;]>' + WHOLE),
    (
        "entities in entities",
        b'<!DOCTYPE svg [<!ENTITY a "aaaaaaaaaa">'
        + b"".join(b'<!ENTITY %c "%s">' % (98 + i, b"&%c;" % (97 + i) * 10) for i in range(4))
        + b"]>"
        + entity(b"&e;"),
    ),
    ("style sheet", b'<?xml-stylesheet href="http://localhost:9/a.css"?>' + WHOLE),
    ("instruction at the end", WHOLE + b"<?php evil() ?>"),
    ("instruction inside", traces.svg(PLAIN + "<?php evil() ?>")),
    ("script", traces.svg(PLAIN + "<script>alert(1)</script>")),
    ("script elsewhere", traces.svg(PLAIN + '<script href="http://localhost:9/a.js"/>')),
    ("handler", traces.svg(PLAIN + '<g onload="alert(1)"/>')),
    ("handler at the root", traces.svg(PLAIN, f'{traces.MM} onLoad="alert(1)"')),
    ("foreign object", traces.svg(PLAIN + "<foreignObject><p/></foreignObject>")),
    ("use", traces.svg(PLAIN + '<use href="http://localhost:9/a.svg#x"/>')),
    ("use of a file", traces.svg(PLAIN + '<use href="file:///etc/passwd#x"/>')),
    ("use by xlink", traces.svg(PLAIN + f'<use {XLINK} xlink:href="other.svg#x"/>')),
    ("use of data", traces.svg(PLAIN + '<use href="data:image/svg+xml;base64,AAAA"/>')),
    ("picture", traces.svg(PLAIN + '<image href="https://localhost:9/a.png"/>')),
    ("picture beside", traces.svg(PLAIN + f'<image {XLINK} xlink:href=" photo.jpg"/>')),
    ("link", traces.svg('<a href="javascript:alert(1)">' + PLAIN + "</a>")),
    ("base", traces.svg(PLAIN, f'{traces.MM} xml:base="http://localhost:9/"')),
    ("fill", traces.svg(PLAIN + '<g fill="url(http://localhost:9/a#b)"/>')),
    ("fill in quotes", traces.svg(PLAIN + "<g style=\"fill:URL( 'a.svg#b')\"/>")),
    ("import", traces.svg(PLAIN + "<style>@import 'a.css';</style>")),
    ("font", traces.svg(PLAIN + "<style>@font-face{src:url(http://localhost:9/f)}</style>")),
    ("script in what is unseen", traces.svg(PLAIN + "<defs><script/></defs>")),
    ("another document", traces.svg(PLAIN).replace(b"<svg ", b"<html ").replace(b"</svg>", b"</html>")),
    ("another namespace", traces.svg(PLAIN).replace(b"http://www.w3.org/2000/svg", b"http://example.org/")),
    ("nothing", b""),
    ("words", b"no drawing"),
    ("zeros", bytes(100)),
    ("picture file", b"\x89PNG\r\n\x1a\n" + bytes(100)),
    ("cut short", traces.svg(PLAIN)[:-20]),
    ("unknown encoding", b'<?xml version="1.0" encoding="no-such"?>' + WHOLE),
    ("packed", b"\x1f\x8b\x08\x00" + bytes(50)),
]


@pytest.fixture
def no_network(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise AssertionError("the network was asked for")

    for name in ("connect", "connect_ex"):
        monkeypatch.setattr(socket.socket, name, refuse)
    monkeypatch.setattr(socket, "getaddrinfo", refuse)


@pytest.mark.usefixtures("no_network")
@pytest.mark.parametrize(("name", "data"), HOSTILE, ids=[name for name, _ in HOSTILE])
def test_what_would_be_fetched_or_run_is_refused(name: str, data: bytes) -> None:
    said = refused(data)
    assert "can't be read as SVG" in said.reason, name
    assert "root:" not in said.found


ENDLESS: list[tuple[str, Callable[[int], bytes]]] = [
    ("dots", lambda n: traces.svg(f'<polygon points="{".1" * n}x"/>')),
    ("digits", lambda n: traces.svg(f'<polygon points="{"1" * n}x"/>')),
    ("digits and dots", lambda n: traces.svg(f'<polygon points="{"1.1" * n}x"/>')),
    ("spaces", lambda n: traces.svg(f'<polygon points="1{" " * n}x"/>')),
    ("transform", lambda n: traces.svg(f'<g transform="scale({"1 " * n}">{PLAIN}</g>')),
    ("transforms", lambda n: traces.svg(f'<g transform="{"scale(1)" * n}x">{PLAIN}</g>')),
    ("style", lambda n: traces.svg(f'<g style="{";" * n}{" " * n}display"><rect/></g>')),
    ("address", lambda n: traces.svg(f'<g style="{"url(" * n}{" " * n}"><rect/></g>')),
    ("groups", lambda n: traces.svg("<g>" * n + PLAIN + "</g>" * n)),
    ("path data", lambda n: traces.svg(f'<path d="M0 0{"L1 1 2 2" * 20 * n}"/>')),
    ("subpaths", lambda n: traces.svg(f'<path d="{"M0 0h1v1z" * 10 * n}"/>')),
]


@pytest.mark.parametrize(("name", "make"), ENDLESS, ids=[name for name, _ in ENDLESS])
def test_no_file_keeps_the_reader_busy(name: str, make: Callable[[int], bytes]) -> None:
    """With a step for each pair of signs, let alone each way to split them, these would not end."""
    try:
        read = read_svg(make(20_000), "")
    except DrawingError:
        return
    assert read.strands == (), name
