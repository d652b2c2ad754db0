"""`opening.trace` with DXF files: kinds of entities, layers, axes, files that are none."""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Sequence
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from ezdxf.filemanagement import read
from ezdxf.math import Vec3, rational_bspline_from_arc
from shapely.geometry import Polygon

from oaktag.geometry import Arc, Curve, Point
from oaktag.pattern import Draft, Opening
from oaktag_plugins import export_dxf
from oaktag_plugins.opening_trace import TraceOptions, run
from oaktag_plugins.sources import trace_dxf
from oaktag_plugins.sources.trace_dxf import read_dxf

if TYPE_CHECKING:
    from tests.plugins import drafts, openings, traces
else:
    drafts, openings, traces = (
        SimpleNamespace(**run_path(str(Path(__file__).with_name(f"{name}.py"))))
        for name in ("drafts", "openings", "traces")
    )

TRIANGLE: tuple[Point, ...] = ((-76.0, 412.0), (438.0, 396.0), (0.0, 0.0))
SEAT, HEAD, BRACKET = TRIANGLE


def dxf(data: bytes, **table: Any) -> Draft:
    draft = openings.sourced("trace", {"file": "frame.dxf", **table}, frame_dxf=data)
    return run(draft, TraceOptions())


def opening(draft: Draft) -> Opening:
    assert draft.opening is not None
    return draft.opening


def refused(data: bytes, key: str = "file", **table: Any) -> Any:
    return openings.refusal(lambda: dxf(data, **table), f"sources.trace.{key}")


def two_lines(space: traces.Dxf) -> None:
    """The seat tube and the top tube."""
    space.space.add_line(BRACKET, SEAT)
    space.space.add_line(SEAT, HEAD)


def straight() -> traces.Dxf:
    space = traces.Dxf()
    two_lines(space)
    space.space.add_line(HEAD, BRACKET)
    return space


# -------------------------------------------------------------------------------------- kinds of entities


def test_lines_make_an_outline() -> None:
    openings.check_shape(dxf(straight().data()), TRIANGLE)


@pytest.mark.parametrize("version", ["R12", "R2000", "R2013"])
def test_polylines_make_an_outline_in_every_version(version: str) -> None:
    space = traces.Dxf(version)
    space.polyline([(x, y, 0.0) for x, y in TRIANGLE])
    openings.check_shape(dxf(space.data(), **{"drawing-unit": "mm"}), TRIANGLE)


def angles(center: Point) -> tuple[float, float]:
    """Directions of bracket and head from a centre, for an arc counter-clockwise from one to the other."""
    return tuple(math.degrees(math.atan2(y - center[1], x - center[0])) for x, y in (BRACKET, HEAD))  # type: ignore[return-value]


# On the middle perpendicular of the down tube, to its upper left: the arc from bracket to head bends away.
CENTER: Point = (219.0 - 396.0, 198.0 + 438.0)
RADIUS = math.dist(CENTER, HEAD)
SWEEP = 2.0 * math.asin(math.dist(HEAD, BRACKET) / 2.0 / RADIUS)


def ellipse(space: traces.Dxf) -> None:
    start, end = (math.radians(angle) for angle in angles(CENTER))
    space.space.add_ellipse(CENTER, (RADIUS, 0), 1.0, start, end)


def rational_spline(space: traces.Dxf) -> None:
    spline = rational_bspline_from_arc(CENTER, RADIUS, *angles(CENTER))
    space.space.add_spline(degree=spline.degree).apply_construction_tool(spline)


def arc(space: traces.Dxf) -> None:
    space.space.add_arc(CENTER, RADIUS, *angles(CENTER))


def arc_from_below(space: traces.Dxf) -> None:
    """An arc whose own axes are seen from the other side, as after a reflection in many CAD programs."""
    start, end = angles(CENTER)
    space.space.add_arc(
        (-CENTER[0], CENTER[1]), RADIUS, 180.0 - end, 180.0 - start, dxfattribs={"extrusion": (0, 0, -1)}
    )


def bulge(space: traces.Dxf) -> None:
    space.space.add_lwpolyline([(*BRACKET, math.tan(SWEEP / 4.0)), (*HEAD, 0.0)], format="xyb")


def old_bulge(space: traces.Dxf) -> None:
    space.space.add_polyline2d([(*HEAD, -math.tan(SWEEP / 4.0)), (*BRACKET, 0.0)], format="xyb")


def bulge_from_below(space: traces.Dxf) -> None:
    space.space.add_lwpolyline(
        [(-BRACKET[0], BRACKET[1], -math.tan(SWEEP / 4.0)), (-HEAD[0], HEAD[1], 0.0)],
        format="xyb",
        dxfattribs={"extrusion": (0, 0, -1)},
    )


@pytest.mark.parametrize(
    ("add", "kind"),
    [
        (arc, Arc),
        (arc_from_below, Arc),
        (bulge, Arc),
        (old_bulge, Arc),
        (bulge_from_below, Arc),
        (ellipse, Curve),
        (rational_spline, Curve),
    ],
)
def test_the_same_arc_in_every_way_to_write_it(add: Callable[[traces.Dxf], None], kind: type) -> None:
    space = traces.Dxf()
    two_lines(space)
    add(space)
    edge = opening(dxf(space.data())).edge("down-tube")
    assert all(isinstance(segment, kind) for segment in edge.path.segments)
    assert edge.path.length == pytest.approx(RADIUS * SWEEP, abs=1e-3)
    chord = math.dist(HEAD, BRACKET)
    area = sum(segment.area_term for segment in edge.path.segments)
    (ax, ay), (bx, by) = edge.path.start, edge.path.end
    segment_area = 0.5 * RADIUS**2 * (SWEEP - math.sin(SWEEP))
    # Clockwise travel, bending away from the opening.
    assert area - 0.5 * (ax * by - ay * bx) == pytest.approx(-segment_area, rel=1e-5)
    assert math.dist(edge.path.start, edge.path.end) == pytest.approx(chord)


def free_curves() -> list[tuple[str, Callable[[traces.Dxf], Any]]]:
    points = [HEAD, (330.0, 260.0), (190.0, 120.0), (90.0, 70.0), BRACKET]

    def of_degree(degree: int, weights: Sequence[float] | None = None) -> Callable[[traces.Dxf], Any]:
        def add(space: traces.Dxf) -> Any:
            if weights is None:
                return space.space.add_open_spline(points, degree)
            return space.space.add_rational_spline(points, weights, degree)

        return add

    def fitted(space: traces.Dxf) -> Any:
        return space.space.add_spline(points)

    def in_two(space: traces.Dxf) -> Any:
        knots = [0, 0, 0, 0, 1, 1, 1, 2, 2, 2, 2]
        controls = [HEAD, (350, 300), (300, 240), (230, 160), (160, 80), (80, 90), BRACKET]
        return space.space.add_open_spline(controls, 3, knots=knots)

    return [
        ("degree 2", of_degree(2)),
        ("degree 3", of_degree(3)),
        ("degree 4", of_degree(4)),
        ("weights", of_degree(3, [1.0, 2.0, 1.0, 0.5, 1.0])),
        ("fit points", fitted),
        ("two pieces", in_two),
    ]


@pytest.mark.parametrize(("name", "add"), free_curves(), ids=[name for name, _ in free_curves()])
def test_splines_are_met_to_a_hundredth_of_a_millimetre(name: str, add: Callable[[traces.Dxf], Any]) -> None:
    """Against points that ezdxf evaluates itself from the same entity."""
    space = traces.Dxf()
    two_lines(space)
    entity = add(space)
    tool = entity.construction_tool()
    points = [(p.x, p.y) for p in tool.points(np.linspace(0.0, tool.max_t, 400))]
    area = abs(Polygon([*points, SEAT]).area)
    read = read_dxf(space.data(), "")
    (curve,) = [one for one in read.strands if "SPLINE" in one.name]
    smooth = Curve(tuple(curve.primitives))  # type: ignore[arg-type]
    assert max(smooth.nearest(point)[1] for point in points) < 1e-3, name
    draft = dxf(space.data())
    whole = sum(s.area_term for edge in opening(draft).edges for s in edge.path.segments)
    assert abs(whole) == pytest.approx(area, rel=1e-4)


def test_a_circle_beside_the_outline_is_another_outline() -> None:
    space = straight()
    circle = space.space.add_circle((150, 300), 2.5)
    said = refused(space.data())
    assert f"CIRCLE {circle.dxf.handle}" in said.found
    assert "(5 × 5)" in said.found


def test_what_can_not_be_read_is_told() -> None:
    space = straight()
    space.space.add_text("seat", dxfattribs={"insert": (0, 0)})
    block = space.document.blocks.new("BOSS")
    block.add_circle((0, 0), 2.5)
    space.space.add_blockref("BOSS", (100, 300))
    space.space.add_point((3, 4))
    draft = dxf(space.data())
    openings.check_shape(draft, TRIANGLE)
    (note,) = [one.message for one in draft.findings if one.code == "trace-left-out"]
    assert "1 INSERT, 1 POINT, 1 TEXT" in note


# ----------------------------------------------------------------------------------------- which entities


def layered() -> tuple[traces.Dxf, str, str]:
    space = traces.Dxf()
    outer = [(x * 1.2 - 40.0, y * 1.2 - 40.0, 0.0) for x, y in TRIANGLE]
    first = space.polyline([(x, y, 0.0) for x, y in TRIANGLE], "Inside")
    return space, first, space.polyline(outer, "Outside")


def test_a_layer_or_a_handle_chooses_an_outline() -> None:
    space, inside, outside = layered()
    said = refused(space.data())
    assert f"LWPOLYLINE {inside}" in said.found
    assert f'LWPOLYLINE {outside} on layer "Outside" (616.8 × 494.4)' in said.found
    openings.check_shape(dxf(space.data(), layer="Inside"), TRIANGLE)
    openings.check_shape(dxf(space.data(), layer="inside"), TRIANGLE)
    openings.check_shape(dxf(space.data(), element=inside), TRIANGLE)
    openings.check_shape(dxf(space.data(), element=inside.lower()), TRIANGLE)
    said = refused(space.data(), "layer", layer="Insde")
    assert "Inside" in said.todo
    refused(space.data(), "element", element="FFFF")


def test_layers_that_are_off_or_frozen_do_not_count_until_they_are_named() -> None:
    space, _, _ = layered()
    space.document.layers.add("Outside").off()
    draft = dxf(space.data())
    openings.check_shape(draft, TRIANGLE)
    assert any("1 LWPOLYLINE on a layer that is off" in one.message for one in draft.findings)
    space.document.layers.add("Inside").freeze()
    refused(space.data())
    openings.check_shape(dxf(space.data(), layer="Inside"), TRIANGLE)


def test_one_line_of_an_outline_chooses_it() -> None:
    space = straight()
    space.space.add_circle((150, 300), 2.5)
    handle = next(iter(space.space)).dxf.handle
    openings.check_shape(dxf(space.data(), element=handle), TRIANGLE)


def test_our_own_pattern_can_be_read_as_a_trace() -> None:
    draft = drafts.polygon(TRIANGLE, drafts.WIDTHS, corners=openings.CORNERS, tubes=openings.TUBES)
    made = drafts.allowed(drafts.panelled(draft, radius=0.0))
    (file,) = export_dxf.run(made, export_dxf.DxfOptions()).artifacts
    said = refused(file.data, layer="SEAM")
    assert said.found.count("LINE") == 2
    document = read(io.StringIO(file.data.decode()))
    block = document.blocks["side-panel-drive"]
    handle = next(entity.dxf.handle for entity in block if entity.dxf.layer == "SEAM")
    openings.check_shape(dxf(file.data, layer="SEAM", element=handle), TRIANGLE, 1e-5)


# ------------------------------------------------------------------------------------------- what is refused


def test_what_is_not_flat_is_refused() -> None:
    space = traces.Dxf()
    two_lines(space)
    space.space.add_line((*HEAD, 0.0), (*BRACKET, 25.0))
    assert "z = 0 to 25" in refused(space.data()).found
    space = traces.Dxf()
    two_lines(space)
    space.space.add_arc(CENTER, RADIUS, *angles(CENTER), dxfattribs={"extrusion": (0, 0.1, 1)})
    assert "isn't flat" in refused(space.data()).reason
    space = traces.Dxf()
    two_lines(space)
    space.space.add_polyline3d([(*HEAD, 0.0), (200, 180, 40), (*BRACKET, 0.0)])
    assert "isn't flat" in refused(space.data()).reason


def test_a_flat_drawing_at_any_height_will_do() -> None:
    space = traces.Dxf()
    space.space.add_polyline3d([(x, y, 25.0) for x, y in TRIANGLE], close=True)
    openings.check_shape(dxf(space.data()), TRIANGLE)
    space = traces.Dxf()
    attributes = {"elevation": 25.0}
    space.space.add_lwpolyline(TRIANGLE, format="xy", close=True, dxfattribs=attributes)
    openings.check_shape(dxf(space.data()), TRIANGLE)


def test_an_empty_drawing_is_refused() -> None:
    assert "has no lines" in refused(traces.Dxf().data()).reason
    space = traces.Dxf()
    space.space.add_point((1, 1))
    assert "1 POINT" in refused(space.data()).found


def binary() -> bytes:
    stream = io.BytesIO()
    straight().document.write(stream, fmt="bin")
    return stream.getvalue()


def broken() -> list[tuple[str, bytes]]:
    text = straight().data()
    return [
        ("nothing", b""),
        ("blank", b" \n\n"),
        ("words", b"this is no drawing"),
        ("picture", b"\x89PNG\r\n\x1a\n" + bytes(200)),
        ("binary", binary()),
        ("cut short", text[: len(text) // 3]),
        ("codes that are no numbers", text.replace(b"\n 10\n", b"\n ten\n")),
        ("tags in a heap", b"0\nSECTION\n" * 50),
    ]


@pytest.mark.parametrize(("name", "data"), broken(), ids=[name for name, _ in broken()])
def test_files_that_are_none_are_refused(name: str, data: bytes) -> None:
    refused(data)


def test_coordinates_that_are_no_numbers_make_no_opening() -> None:
    text = straight().data()
    for nonsense in (b"nan", b"inf", b"1e400", b"-1e300"):
        data = text.replace(b"438.0\n", nonsense + b"\n")
        assert data != text
        refused(data)


def test_splines_that_are_far_too_fine_are_refused_at_once() -> None:
    space = traces.Dxf()
    two_lines(space)
    space.space.add_open_spline([(index % 50, index * 0.1) for index in range(5000)], 3)
    assert "far too fine" in refused(space.data()).reason


def test_too_many_lines_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(trace_dxf, "MOST_PRIMITIVES", 500)
    space = traces.Dxf()
    space.space.add_lwpolyline([(index, index % 7) for index in range(502)], format="xy")
    assert "too many lines" in refused(space.data()).reason


def test_a_mesh_and_a_fitted_polyline_are_left_out() -> None:
    space = straight()
    space.space.add_polymesh((3, 3))
    fitted = space.space.add_polyline2d([(0, 0), (10, 5), (20, 0)])
    fitted.dxf.flags |= 4
    draft = dxf(space.data())
    openings.check_shape(draft, TRIANGLE)
    assert any("2 POLYLINE" in one.message for one in draft.findings)


def test_a_spline_with_nonsense_in_it_is_named() -> None:
    space = traces.Dxf()
    two_lines(space)
    spline = space.space.add_spline(degree=3)
    spline.control_points = [Vec3(HEAD), Vec3(BRACKET)]
    spline.knots = [0.0, 1.0]
    said = refused(space.data())
    assert "SPLINE" in said.found or "gaps" in said.found
