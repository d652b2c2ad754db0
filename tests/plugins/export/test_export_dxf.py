"""What `export.dxf` writes, read back with dxfgrabber and as bare tags; ezdxf, the writer, only audits."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from io import StringIO
from itertools import pairwise
from math import cos, degrees, hypot, radians, sin
from typing import Any

import dxfgrabber
import ezdxf
import numpy as np
import pytest
from scipy.interpolate import BSpline

from oaktag import Draft
from oaktag.geometry import Arc, Curve, Line, Path, Point
from oaktag.pattern.drawing import LINE_STYLES, ROLES
from oaktag.pattern.sheet import draw_sheet, strokes_by_piece
from oaktag_plugins.export_dxf import DxfOptions, oaktag_stages, run

Tag = tuple[int, str]


def dxf_text(draft: Draft, **options: Any) -> str:
    (artifact,) = run(draft, DxfOptions(**options)).artifacts
    assert (artifact.path, artifact.kind) == ("pattern.dxf", "dxf")
    return artifact.data.decode()


@pytest.fixture(scope="module")
def text(draft: Draft) -> str:
    return dxf_text(draft)


@pytest.fixture(scope="module")
def drawing(text: str) -> Any:
    return dxfgrabber.read(StringIO(text))


@pytest.fixture(scope="module")
def tags(text: str) -> list[Tag]:
    """Group codes and values, line by line (DXF reference, "ASCII DXF files")."""
    lines = text.splitlines()
    return [(int(code), value) for code, value in zip(lines[0::2], lines[1::2], strict=True)]


def groups_of(tags: Sequence[Tag]) -> dict[str, list[str]]:
    """Handles of the entities in each GROUP, by the group's name in its dictionary."""
    names: dict[str, str] = {}
    for (code, name), (code_after, handle) in pairwise(tags):
        if code == 3 and code_after in (350, 360):
            names[handle] = name
    found: dict[str, list[str]] = {}
    for index, tag in enumerate(tags):
        if tag == (0, "GROUP"):
            own = []
            for following in tags[index + 1 :]:
                if following[0] == 0:
                    break
                own.append(following)
            found[names[next(value for code, value in own if code == 5)]] = [
                value for code, value in own if code == 340
            ]
    return found


def points_of(entity: Any) -> list[Point]:
    """An entity as points, fine enough to compare lengths and areas to 0.01 mm."""
    if entity.dxftype == "LINE":
        return [entity.start[:2], entity.end[:2]]
    if entity.dxftype == "ARC":
        sweep = (entity.end_angle - entity.start_angle) % 360.0
        angles = [radians(entity.start_angle + sweep * step / 400) for step in range(401)]
        x, y, _ = entity.center
        return [(x + entity.radius * cos(angle), y + entity.radius * sin(angle)) for angle in angles]
    if entity.dxftype == "SPLINE":
        spline = BSpline(np.array(entity.knots), np.array(entity.control_points)[:, :2], entity.degree)
        return [(float(x), float(y)) for x, y in spline(np.linspace(0.0, entity.knots[-1], 4001))]
    assert entity.dxftype == "LWPOLYLINE"
    return [(float(x), float(y)) for x, y in entity.points]


def length_of(points: Sequence[Point]) -> float:
    return sum(hypot(b[0] - a[0], b[1] - a[1]) for a, b in pairwise(points))


def chained(runs: Sequence[list[Point]]) -> list[Point]:
    """Runs joined end to end; ARC entities know no direction of travel, so any run may be turned round."""
    chain = list(runs[0])
    if min(hypot(chain[0][0] - x, chain[0][1] - y) for x, y in (runs[1][0], runs[1][-1])) < 1e-4:
        chain.reverse()
    for points in runs[1:]:
        forward = hypot(points[0][0] - chain[-1][0], points[0][1] - chain[-1][1])
        backward = hypot(points[-1][0] - chain[-1][0], points[-1][1] - chain[-1][1])
        assert min(forward, backward) < 1e-4
        chain.extend(points[1:] if forward <= backward else points[-2::-1])
    return chain


def by_piece(drawing: Any, tags: Sequence[Tag]) -> dict[tuple[str, str], list[Any]]:
    """Entities by piece and layer."""
    entities = {entity.handle: entity for entity in drawing.entities}
    found: dict[tuple[str, str], list[Any]] = defaultdict(list)
    for piece, handles in groups_of(tags).items():
        for handle in handles:
            found[piece, entities[handle].layer].append(entities[handle])
    return found


def test_a_file_without_faults_in_millimetres(text: str, drawing: Any) -> None:
    audit = ezdxf.read(StringIO(text)).audit()  # type: ignore[attr-defined]
    assert (audit.errors, audit.fixes) == ([], [])
    assert drawing.dxfversion == "AC1024"
    assert drawing.header["$INSUNITS"] == 4
    assert drawing.header["$MEASUREMENT"] == 1


def test_layers_carry_the_meaning_by_line_type_and_weight(drawing: Any, tags: list[Tag]) -> None:
    layers = {layer.name: layer for layer in drawing.layers if layer.name.upper() not in ("0", "DEFPOINTS")}
    assert [*layers] == [role.upper() for role in ROLES]
    assert {layer.color for layer in layers.values()} == {7}
    kinds = {name: layer.linetype for name, layer in layers.items()}
    assert kinds.pop("SEAM") == "DASHED"
    assert kinds.pop("FOLD") == "DASHDOT"
    assert {*kinds.values()} == {"CONTINUOUS"}
    patterns = {
        line_type.name: [abs(length) for length in line_type.pattern] for line_type in drawing.linetypes
    }
    assert patterns["DASHED"] == list(LINE_STYLES["seam"].dashes)
    assert patterns["DASHDOT"] == list(LINE_STYLES["fold"].dashes)
    for role in ROLES:
        place = tags.index((2, role.upper()))
        weight = next(int(value) for code, value in tags[place:] if code == 370)
        assert weight == round(100 * LINE_STYLES[role].weight)
    # Every entity takes colour, line type and weight from its layer.
    assert {entity.color for entity in drawing.entities} == {256}
    assert {entity.linetype or "BYLAYER" for entity in drawing.entities} == {"BYLAYER"}


def test_a_group_holds_all_of_a_piece(drawing: Any, tags: list[Tag], draft: Draft) -> None:
    groups = groups_of(tags)
    assert groups.keys() == {piece.id for piece in draft.pieces}
    sheet = draw_sheet(draft)
    for piece, strokes in strokes_by_piece(sheet.strokes):
        count = sum(len(s.shape.segments) if isinstance(s.shape, Path) else 1 for s in strokes)
        if piece:
            assert len(groups[piece]) == count
        else:
            grouped = {handle for handles in groups.values() for handle in handles}
            free = [entity for entity in drawing.entities if entity.handle not in grouped]
            assert {entity.layer for entity in free} == {"SHEET"}
            assert len(free) == count


@pytest.mark.parametrize("curves", ["spline", "polyline"])
def test_lines_have_the_draft_s_length_area_and_place(draft: Draft, curves: str) -> None:
    text = dxf_text(draft, curves=curves)
    lines = text.splitlines()
    tags = [(int(code), value) for code, value in zip(lines[0::2], lines[1::2], strict=True)]
    found = by_piece(dxfgrabber.read(StringIO(text)), tags)
    compared = 0
    for stroke in draw_sheet(draft).strokes:
        if stroke.role not in ("cut", "seam"):
            continue
        runs = [points_of(entity) for entity in found[stroke.piece, stroke.role.upper()]]
        outline = chained(runs)
        assert hypot(outline[0][0] - outline[-1][0], outline[0][1] - outline[-1][1]) < 1e-4
        assert length_of(outline) == pytest.approx(stroke.path.length, abs=0.01)
        area = 0.5 * sum(a[0] * b[1] - b[0] * a[1] for a, b in pairwise(outline))
        assert abs(area) == pytest.approx(abs(stroke.path.area), abs=0.01 * stroke.path.length)
        box = stroke.path.bounds
        xs, ys = [x for x, _ in outline], [y for _, y in outline]
        assert (min(xs), min(ys), max(xs), max(ys)) == pytest.approx(box, abs=0.01)
        # Order and direction don't matter for a cutter, but no point may lie off the line.
        for point in outline[::97]:
            assert stroke.path.nearest(point)[1] < 0.01
        compared += 1
    assert compared == 8


def test_each_segment_is_the_entity_of_its_kind(drawing: Any, tags: list[Tag], draft: Draft) -> None:
    found = by_piece(drawing, tags)
    for stroke in draw_sheet(draft).strokes:
        if stroke.role not in ("cut", "seam"):
            continue
        entities = found[stroke.piece, stroke.role.upper()]
        for segment, entity in zip(stroke.path.segments, entities, strict=True):
            if isinstance(segment, Arc):
                assert entity.dxftype == "ARC"
                assert entity.center[:2] == pytest.approx(segment.center, abs=1e-6)
                assert entity.radius == pytest.approx(segment.radius, abs=1e-6)
                sweep = (entity.end_angle - entity.start_angle) % 360.0
                assert sweep == pytest.approx(abs(degrees(segment.sweep)), abs=1e-6)
            elif isinstance(segment, Curve):
                assert entity.dxftype == "SPLINE"
                assert entity.degree == 3
                points = points_of(entity)
                assert points[0] == pytest.approx(segment.start, abs=1e-6)
                assert points[-1] == pytest.approx(segment.end, abs=1e-6)
                assert max(segment.nearest(point)[1] for point in points[::50]) < 1e-6
            else:
                assert entity.dxftype == "LINE"
                assert entity.start[:2] == pytest.approx(segment.start, abs=1e-6)


def test_letters_notches_and_marks_are_the_draft_s(drawing: Any, tags: list[Tag], draft: Draft) -> None:
    found = by_piece(drawing, tags)
    wanted: dict[tuple[str, str], list[Point]] = defaultdict(list)
    for stroke in draw_sheet(draft).strokes:
        if stroke.piece and stroke.role not in ("cut", "seam"):
            segments = stroke.path.segments if isinstance(stroke.shape, Path) else ()
            for segment in segments:
                assert isinstance(segment, Line)
                wanted[stroke.piece, stroke.role.upper()] += segment.flatten(1.0)
            if not segments:
                wanted[stroke.piece, stroke.role.upper()] += stroke.flatten(1.0)
    assert {layer for _, layer in wanted} == {"FOLD", "MARK", "NOTCH", "GRAIN", "TEXT"}
    for key, points in wanted.items():
        read = [point for entity in found[key] for point in points_of(entity)]
        assert [x for x, _ in read] == pytest.approx([x for x, _ in points], abs=1e-3)
        assert [y for _, y in read] == pytest.approx([y for _, y in points], abs=1e-3)


def test_polylines_stay_close_to_free_curves(draft: Draft) -> None:
    drawing = dxfgrabber.read(StringIO(dxf_text(draft, curves="polyline")))
    kinds = Counter(entity.dxftype for entity in drawing.entities)
    assert kinds["SPLINE"] == 0
    curves = [
        s
        for stroke in draw_sheet(draft).strokes
        if isinstance(stroke.shape, Path)
        for s in stroke.path.segments
        if isinstance(s, Curve)
    ]
    polylines = [e for e in drawing.entities if e.dxftype == "LWPOLYLINE" and e.layer in ("CUT", "SEAM")]
    assert len(polylines) == len(curves) == 8
    for curve, polyline in zip(curves, polylines, strict=True):
        points = points_of(polyline)
        middles = [((a[0] + b[0]) / 2, (a[1] + b[1]) / 2) for a, b in pairwise(points)]
        assert max(curve.nearest(point)[1] for point in [*points, *middles]) < 0.01


def test_the_drawing_s_extents_are_the_sheet_s(drawing: Any, draft: Draft) -> None:
    bounds = draw_sheet(draft).bounds
    assert drawing.header["$EXTMIN"][:2] == pytest.approx((bounds.min_x, bounds.min_y))
    assert drawing.header["$EXTMAX"][:2] == pytest.approx((bounds.max_x, bounds.max_y))


def test_a_source_date_is_honoured(draft: Draft, monkeypatch: pytest.MonkeyPatch) -> None:
    usual = dxf_text(draft)
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1700000000")  # 2023-11-14T22:13:20Z
    dated = dxf_text(draft)
    assert dated == dxf_text(draft)
    header = dxfgrabber.read(StringIO(dated)).header
    # Julian date 2460263.42592592: Meeus, Astronomical Algorithms, ch. 7 (JD 2440587.5 is the Unix epoch).
    assert header["$TDUPDATE"] == header["$TDCREATE"] == pytest.approx(2460263.425926, abs=1e-6)
    assert "2023-11-14T22:13:20" in dated
    assert usual != dated
    assert dxfgrabber.read(StringIO(usual)).header["$TDUPDATE"] == 2451544.5


def test_classes_stand_in_an_order_that_no_hash_decides(tags: list[Tag]) -> None:
    names = [tags[index + 1][1] for index, tag in enumerate(tags) if tag == (0, "CLASS")]
    assert len(names) > 10
    assert names == sorted(names)


def test_nothing_global_is_changed(draft: Draft) -> None:
    before = ezdxf.options.write_fixed_meta_data_for_testing  # type: ignore[attr-defined]
    dxf_text(draft)
    assert ezdxf.options.write_fixed_meta_data_for_testing is before  # type: ignore[attr-defined]


def test_names_with_other_letters_reach_the_file(draft: Draft) -> None:
    piece = draft.pieces[3].evolve(id="anchor/patch", name="Flicken für Öse")
    text = dxf_text(draft.evolve(pieces=(piece,)))
    lines = text.splitlines()
    tags = [(int(code), value) for code, value in zip(lines[0::2], lines[1::2], strict=True)]
    assert [*groups_of(tags)] == ["anchor_patch"]
    assert (300, "Flicken für Öse") in tags
    assert ezdxf.read(StringIO(text)).audit().errors == []  # type: ignore[attr-defined]


def test_the_stage_is_supplied() -> None:
    (spec,) = oaktag_stages()
    assert spec.name == "export.dxf"
    assert spec.load_run() is run
    assert spec.load_options() is DxfOptions
    assert spec.adds == {"files"}
