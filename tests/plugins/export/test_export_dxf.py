"""What `export.dxf` writes, read with dxfgrabber and GDAL and as bare tags, and audited by ezdxf."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import replace
from io import StringIO
from itertools import pairwise
from math import atan, cos, degrees, hypot, radians, sin
from pathlib import Path as FilePath
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import dxfgrabber
import ezdxf
import numpy as np
import pyogrio
import pytest
import shapely
from pydantic import ValidationError
from scipy.interpolate import BSpline

from oaktag import Draft
from oaktag.geometry import Arc, Curve, Line, Path, Point
from oaktag.pattern import Artifact, Label
from oaktag.pattern.drawing import LINE_STYLES, ROLES, Stroke, Text, as_strokes
from oaktag.pattern.sheet import draw_sheet, draw_sheets
from oaktag.pattern.shown import Shown, page_of
from oaktag_plugins import export_dxf
from oaktag_plugins.export_dxf import DxfOptions, oaktag_stages, run, sheet_dxf
from oaktag_plugins.reading.dxf import differences_in

if TYPE_CHECKING:
    from tests.plugins.export import broken
else:
    broken = SimpleNamespace(**run_path(str(FilePath(__file__).with_name("broken.py"))))

BREAKINGS, broken_run, caught, with_bytes = (
    broken.BREAKINGS,
    broken.broken_run,
    broken.caught,
    broken.with_bytes,
)

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


def by_piece(drawing: Any) -> dict[tuple[str, str], list[Any]]:
    """Entities by piece and layer, in the piece's own coordinates."""
    found: dict[tuple[str, str], list[Any]] = defaultdict(list)
    for insert in drawing.entities:
        if insert.dxftype == "INSERT":
            for entity in drawing.blocks[insert.name]:
                found[insert.name, entity.layer].append(entity)
    return found


def drawn(draft: Draft) -> list[Stroke]:
    """What is drawn of the pieces, in their own coordinates."""
    return [stroke for drawing in draw_sheet(draft).drawings for stroke in as_strokes(drawing.items)]


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


def test_each_piece_is_a_block_in_its_own_coordinates(drawing: Any, draft: Draft) -> None:
    sheet = draw_sheet(draft)
    inserts = [entity for entity in drawing.entities if entity.dxftype == "INSERT"]
    assert [insert.name for insert in inserts] == [piece.id for piece in draft.pieces]
    for insert, placement in zip(inserts, sheet.placements, strict=True):
        assert insert.insert[:2] == pytest.approx((placement.dx, placement.dy), abs=1e-6)
        assert (insert.rotation, insert.scale) == (placement.angle, (1.0, 1.0, 1.0))
        assert drawing.blocks[insert.name].basepoint[:2] == (0.0, 0.0)
    for own in sheet.drawings:
        strokes = [*as_strokes(own.items)]
        count = sum(len(s.shape.segments) if isinstance(s.shape, Path) else 1 for s in strokes)
        assert len([*drawing.blocks[own.piece]]) == count
    free = [entity for entity in drawing.entities if entity.dxftype != "INSERT"]
    assert {entity.layer for entity in free} == {"SHEET"}


def test_blocks_say_what_they_are_in_plain_words(tags: list[Tag], draft: Draft) -> None:
    for piece in draft.pieces:
        assert (4, piece.name) in tags


def test_a_turned_piece_is_a_turned_insert(draft: Draft) -> None:
    turned = draw_sheets(draft, width=300.0, turn=True)[0]
    assert {placement.angle for placement in turned.placements} == {0.0, 90.0}
    text = sheet_dxf(turned, DxfOptions())
    shown = Shown((page_of(turned),), {role: role.upper() for role in ROLES})
    artifact = Artifact("t.dxf", "dxf", text.encode(), shown)
    assert [*differences_in(draft, artifact)] == []
    missing = text.replace(" 50\n90\n", " 50\n0\n", 1)
    assert missing != text
    assert [*differences_in(draft, replace(artifact, data=missing.encode()))]


@pytest.mark.parametrize("curves", ["spline", "polyline"])
def test_lines_have_the_draft_s_length_area_and_place(draft: Draft, curves: str) -> None:
    found = by_piece(dxfgrabber.read(StringIO(dxf_text(draft, curves=curves))))
    compared = 0
    for stroke in drawn(draft):
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


def test_each_segment_is_the_entity_of_its_kind(drawing: Any, draft: Draft) -> None:
    found = by_piece(drawing)
    for stroke in drawn(draft):
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


def test_letters_notches_and_marks_are_the_draft_s(drawing: Any, draft: Draft) -> None:
    found = by_piece(drawing)
    wanted: dict[tuple[str, str], list[Point]] = defaultdict(list)
    for stroke in drawn(draft):
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
    entities = [entity for group in by_piece(drawing).values() for entity in group]
    kinds = Counter(entity.dxftype for entity in entities)
    assert kinds["SPLINE"] == 0
    curves = [
        s
        for stroke in drawn(draft)
        if isinstance(stroke.shape, Path)
        for s in stroke.path.segments
        if isinstance(s, Curve)
    ]
    polylines = [e for e in entities if e.dxftype == "LWPOLYLINE" and e.layer in ("CUT", "SEAM")]
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
    pieces = [
        draft.pieces[3].evolve(id=name, name="Flicken für Öse") for name in ("anchor/patch", "Anchor_patch")
    ]
    text = dxf_text(draft.evolve(pieces=tuple(pieces)))
    inserted = [e.name for e in dxfgrabber.read(StringIO(text)).entities if e.dxftype == "INSERT"]
    # DXF doesn't tell upper from lower case.
    assert inserted == ["anchor_patch", "Anchor_patch-2"]
    assert "\nFlicken für Öse\n" in text
    assert ezdxf.read(StringIO(text)).audit().errors == []  # type: ignore[attr-defined]
    assert caught(run(draft.evolve(pieces=tuple(pieces)), DxfOptions())) == []


def test_handles_are_each_entity_s_own_and_below_the_seed(tags: list[Tag]) -> None:
    handles = [
        int(value, 16)
        for (code, value), before in zip(tags[1:], tags, strict=False)
        if code == 5 and before[1] != "$HANDSEED"
    ]
    assert len({*handles}) == len(handles) > 500
    seed = int(tags[tags.index((9, "$HANDSEED")) + 1][1], 16)
    assert max(handles) < seed


@pytest.mark.parametrize("curves", ["spline", "polyline"])
def test_bulges_make_one_polyline_of_a_path(draft: Draft, curves: str) -> None:
    found = by_piece(dxfgrabber.read(StringIO(dxf_text(draft, arcs="bulges", curves=curves))))
    compared = 0
    for stroke in drawn(draft):
        if stroke.role not in ("cut", "seam"):
            continue
        entities = found[stroke.piece, stroke.role.upper()]
        kinds = Counter(entity.dxftype for entity in entities)
        free = [segment for segment in stroke.path.segments if isinstance(segment, Curve)]
        if curves == "polyline" or not free:
            assert kinds == {"LWPOLYLINE": 1}
            assert entities[0].is_closed
        else:
            assert kinds["SPLINE"] == len(free)
            assert not any(entity.is_closed for entity in entities)
        polylines = [entity for entity in entities if entity.dxftype == "LWPOLYLINE"]
        # A bulge is the tangent of a quarter of the sweep.
        read = [4.0 * atan(bulge) for entity in polylines for bulge in entity.bulge if bulge]
        arcs = [segment.sweep for segment in stroke.path.segments if isinstance(segment, Arc)]
        assert read == pytest.approx(arcs, abs=1e-9)
        compared += len(arcs)
    assert compared == 16


def test_gdal_measures_the_draft_s_lengths(draft: Draft, tmp_path: FilePath) -> None:
    file = tmp_path / "pattern.dxf"
    file.write_text(dxf_text(draft, arcs="bulges", curves="polyline"), encoding="utf-8")
    pyogrio.set_gdal_config_options({"OGR_ARC_STEPSIZE": 0.1})
    try:
        meta, _, geometry, (layers, *_) = pyogrio.raw.read(file)
    finally:
        pyogrio.set_gdal_config_options({"OGR_ARC_STEPSIZE": None})
    assert meta["geometry_type"]
    inserted = [
        shape for shape, layer in zip(shapely.from_wkb(geometry), layers, strict=True) if layer == "0"
    ]
    sheet = draw_sheet(draft)
    assert len(inserted) == len(sheet.drawings)
    for shape, drawing, placement in zip(inserted, sheet.drawings, sheet.placements, strict=True):
        length = sum(stroke.path.length for stroke in as_strokes(drawing.items))
        assert shape.length == pytest.approx(length, rel=2e-5)
        box = drawing.items[0].path.bounds  # type: ignore[union-attr]
        moved = (box.min_x + placement.dx, box.min_y + placement.dy)
        assert (shape.bounds[0], shape.bounds[1]) == pytest.approx(moved, abs=0.01)


def test_text_can_be_text(draft: Draft) -> None:
    text = dxf_text(draft, text="text")
    drawing = dxfgrabber.read(StringIO(text))
    by_name = by_piece(drawing)
    compared = 0
    for own in draw_sheet(draft).drawings:
        written = by_name[own.piece, "TEXT"]
        lines = [
            (line, middle, item)
            for item in own.items
            if isinstance(item, Text)
            for line, middle in zip(item.lines, item.line_positions(), strict=True)
        ]
        assert [entity.text for entity in written] == [line for line, _, _ in lines]
        for entity, (_, middle, item) in zip(written, lines, strict=True):
            assert (entity.halign, entity.valign) == (1, 2)  # centre, middle
            assert entity.align_point[:2] == pytest.approx(middle, abs=1e-6)
            assert (entity.height, entity.rotation) == pytest.approx((item.height, item.angle))
            compared += 1
    assert compared > 8
    assert len(text) < 0.5 * len(dxf_text(draft))
    assert ezdxf.read(StringIO(text)).audit().errors == []  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    "signs", ["100 %% wool", "%%%", "UP ^ here", "50 %d", "größe ½ ↑", "a\x07b", "\\U+0041"]
)
def test_signs_that_mean_something_to_dxf_stay_what_they_are(draft: Draft, signs: str) -> None:
    piece = draft.pieces[3].evolve(labels=(Label((signs,), (20.0, 13.0), 4.0),))
    draft = draft.evolve(pieces=(piece,))
    after = run(draft, DxfOptions(text="text"))
    assert caught(after) == []


def test_a_shop_names_layers_and_tools(draft: Draft) -> None:
    options = DxfOptions.model_validate(
        {
            "layers": {"cut": "Knife 1", "notch": "knife 1", "seam": "Pen"},
            "tools": {"cut": {"colour": 1, "weight": 0.5}, "seam": {"line": "dash-dot"}},
        }
    )
    after = run(draft, options)
    text = after.artifacts[0].data.decode()
    drawing = dxfgrabber.read(StringIO(text))
    layers = {layer.name: layer for layer in drawing.layers}
    assert "CUT" not in layers
    assert "NOTCH" not in layers
    assert "knife 1" not in layers
    assert layers["Knife 1"].color == 1
    assert (layers["Pen"].color, layers["Pen"].linetype) == (7, "DASHDOT")
    weights = {layer.dxf.name: layer.dxf.lineweight for layer in ezdxf.read(StringIO(text)).layers}  # type: ignore[attr-defined]
    assert (weights["Knife 1"], weights["Pen"], weights["MARK"]) == (50, 25, 18)
    assert {layer for _, layer in by_piece(drawing)} >= {"Knife 1", "Pen", "MARK"}
    assert caught(after) == []


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"layers": {"cuts": "A"}}, "there is no kind of line"),
        ({"tools": {"cuts": {}}}, "there is no kind of line"),
        ({"layers": {"cut": "A/B"}}, "is no name of a layer"),
        ({"layers": {"cut": ""}}, "is no name of a layer"),
        ({"layers": {"cut": " A"}}, "is no name of a layer"),
        ({"layers": {"cut": "x" * 256}}, "is no name of a layer"),
        ({"layers": {"cut": "Defpoints"}}, "is the layer that is never plotted"),
        ({"tools": {"cut": {"colour": 0}}}, "greater than or equal to 1"),
        ({"tools": {"cut": {"colour": 256}}}, "less than or equal to 255"),
        ({"tools": {"cut": {"weight": 0.55}}}, "is no line weight of DXF"),
        ({"tools": {"cut": {"line": "dotted"}}}, "'solid', 'dashed' or 'dash-dot'"),
        (
            {"layers": {"hole": "cut"}, "tools": {"cut": {"colour": 1}, "hole": {"colour": 2}}},
            "cut and hole share the layer CUT but have different tools",
        ),
    ],
)
def test_bad_layers_and_tools_are_refused(options: dict[str, Any], said: str) -> None:
    with pytest.raises(ValidationError) as caught_error:
        DxfOptions.model_validate(options)
    assert said in str(caught_error.value)


def test_roles_on_one_layer_may_have_one_tool() -> None:
    tool = {"colour": 1}
    DxfOptions.model_validate({"layers": {"hole": "CUT"}, "tools": {"cut": tool, "hole": tool}})
    DxfOptions.model_validate({"layers": {"hole": "CUT"}, "tools": {"hole": tool}})


# Read back


EVERY_WAY = [
    {},
    {"arcs": "bulges"},
    {"curves": "polyline"},
    {"arcs": "bulges", "curves": "polyline", "text": "text"},
]


@pytest.mark.parametrize("options", EVERY_WAY)
def test_what_is_written_is_what_was_drafted(furnished: Draft, options: dict[str, Any]) -> None:
    after = run(furnished, DxfOptions(**options))
    assert after.artifacts[0].reader
    assert caught(after) == []


@pytest.mark.parametrize("way", BREAKINGS)
def test_a_broken_writer_is_caught(monkeypatch: pytest.MonkeyPatch, draft: Draft, way: str) -> None:
    options = DxfOptions(text="strokes" if way == "mirrored pieces" else "text")
    after = broken_run(monkeypatch, export_dxf, BREAKINGS[way], draft, options)
    assert caught(after)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (b"$INSUNITS\n 70\n4\n", b"$INSUNITS\n 70\n1\n", "$INSUNITS 1"),
        (b"$MEASUREMENT\n 70\n1\n", b"$MEASUREMENT\n 70\n0\n", "$MEASUREMENT 0"),
        (b"AC1024", b"AC1015", "AC1015"),
        (b"\n  0\nINSERT\n", b"\n  0\nPOINT\n", "POINT"),
        (b"AcDbBlockReference\n  2\ngusset\n", b"AcDbBlockReference\n  2\nanchor-patch\n", "2 times"),
        (b"  8\nGRAIN\n", b"  8\nGRIAN\n", "table of layers lacks GRIAN"),
        (b"  8\nGRAIN\n", b"  8\nMARK\n", "missing or moved"),
    ],
)
def test_altered_bytes_are_caught(draft: Draft, old: bytes, new: bytes, said: str) -> None:
    after = with_bytes(run(draft, DxfOptions(text="text")), old, new)
    assert said in " ".join(finding.message for finding in caught(after))


def test_a_misplaced_insert_is_caught(draft: Draft) -> None:
    after = run(draft, DxfOptions(text="text"))
    x = after.artifacts[0].shown.pages[0].placements[0].dx  # type: ignore[union-attr]
    old = b"AcDbBlockReference\n  2\nside-panel-drive\n 10\n%.12g\n"
    assert caught(with_bytes(after, old % x, old % (x + 0.2)))


def test_a_cut_off_file_is_caught(draft: Draft) -> None:
    after = run(draft, DxfOptions(text="text"))
    (artifact,) = after.artifacts
    half = replace(artifact, data=artifact.data[: len(artifact.data) // 2])
    assert caught(after.evolve(artifacts=(half,)))


def test_the_stage_is_supplied() -> None:
    (spec,) = oaktag_stages()
    assert spec.name == "export.dxf"
    assert spec.load_run() is run
    assert spec.load_options() is DxfOptions
    assert spec.adds == {"files"}
