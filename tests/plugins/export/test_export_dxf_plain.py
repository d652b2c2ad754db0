"""What `export.dxf-plain` writes, read with dxfgrabber, GDAL and ezdxf, none of which wrote it."""

from __future__ import annotations

from dataclasses import replace
from io import StringIO
from itertools import pairwise
from pathlib import Path as FilePath
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import dxfgrabber
import ezdxf
import pyogrio
import pytest
import shapely
from ezdxf.lldxf.encoding import decode_dxf_unicode
from pydantic import ValidationError

from oaktag import Draft
from oaktag.geometry import Line, Point
from oaktag.pattern import Label
from oaktag.pattern.drawing import ROLES, as_strokes
from oaktag.pattern.sheet import draw_sheet
from oaktag_plugins import export_dxf_plain
from oaktag_plugins.export_dxf_plain import DxfPlainOptions, oaktag_stages, run

if TYPE_CHECKING:
    from tests.plugins.export import broken
else:
    broken = SimpleNamespace(**run_path(str(FilePath(__file__).with_name("broken.py"))))

INCH = 25.4


def plain_text(draft: Draft, **options: Any) -> str:
    """The file; text as text unless told, which is quicker."""
    given = {"text": "text", **options}
    (artifact,) = run(draft, DxfPlainOptions.model_validate(given)).artifacts
    assert artifact.kind == "dxf-plain"
    return artifact.data.decode("ascii")


def read(text: str) -> Any:
    return dxfgrabber.read(StringIO(text))


def points_of(entity: Any) -> list[Point]:
    if entity.dxftype == "LINE":
        return [entity.start[:2], entity.end[:2]]
    points = [point[:2] for point in entity.points]
    return [*points, points[0]] if entity.is_closed else points


@pytest.fixture(scope="module")
def drawing(furnished: Draft) -> Any:
    return read(plain_text(furnished))


def test_it_is_r12_of_lines_and_polylines_alone(furnished: Draft, drawing: Any) -> None:
    assert drawing.dxfversion == "AC1009"
    assert "$INSUNITS" not in drawing.header  # from R2000 on
    flat = read(plain_text(furnished, blocks=False, text="strokes"))
    assert {entity.dxftype for entity in flat.entities} == {"LINE", "POLYLINE"}
    in_blocks = {entity.dxftype for block in drawing.blocks for entity in block}
    assert in_blocks == {"LINE", "POLYLINE", "TEXT"}
    assert {entity.dxftype for entity in drawing.entities} == {"POLYLINE", "TEXT", "INSERT"}
    for entity in flat.entities:
        if entity.dxftype == "POLYLINE":
            assert not any(entity.bulge)
            assert len(entity.points) > 2


def test_ezdxf_finds_no_fault(furnished: Draft) -> None:
    audit = ezdxf.read(StringIO(plain_text(furnished))).audit()  # type: ignore[attr-defined]
    assert (audit.errors, audit.fixes) == ([], [])


def test_the_file_says_its_unit_and_its_accuracy(draft: Draft) -> None:
    text = plain_text(draft, **{"chord-error": 0.02, "unit": "inch"})
    assert text.startswith("999\nfit-sample 1.0.0, Demo all-road, size M\n")
    comments = [b for a, b in pairwise(text.splitlines()[:12]) if a == "999"]
    assert comments[1:] == ["unit of this file: 1 inch", "arcs and curves are chords within 0.02 mm"]
    written = [entity.text for entity in read(text).entities if entity.dxftype == "TEXT"]
    assert written[-2:] == comments[1:]


@pytest.mark.parametrize(("unit", "length"), [("mm", 1.0), ("inch", INCH)])
def test_a_unit_is_as_long_as_the_file_s_name_says(draft: Draft, unit: str, length: float) -> None:
    (artifact,) = run(draft, DxfPlainOptions.model_validate({"unit": unit, "text": "text"})).artifacts
    assert artifact.path == f"pattern-r12-{unit}.dxf"
    drawing = read(artifact.data.decode("ascii"))
    squares = [entity for entity in drawing.entities if entity.dxftype == "POLYLINE"]
    # The sheet's own scale squares: 100 mm and 4 in.
    sides = [max(x for x, _ in points_of(s)) - min(x for x, _ in points_of(s)) for s in squares]
    assert [side * length for side in sides] == pytest.approx([100.0, 4.0 * INCH], abs=1e-4)
    low, high = drawing.header["$EXTMIN"], drawing.header["$EXTMAX"]
    bounds = draw_sheet(draft).bounds
    assert (low[0] * length, high[0] * length, high[1] * length) == pytest.approx(
        (bounds.min_x, bounds.max_x, bounds.max_y), abs=1e-3
    )
    # The note about unit and accuracy stands below everything else.
    assert low[1] * length < bounds.min_y - 8.0


@pytest.mark.parametrize("chord_error", [0.01, 0.05, 0.4])
def test_chords_keep_the_stated_error_and_use_it(draft: Draft, chord_error: float) -> None:
    drawing = read(plain_text(draft, **{"chord-error": chord_error}))
    worst = 0.0
    for own in draw_sheet(draft).drawings:
        (entity,) = [e for e in drawing.blocks[own.piece.upper()] if e.layer == "CUT"]
        assert entity.is_closed
        path = next(stroke.path for stroke in as_strokes(own.items) if stroke.role == "cut")
        line = shapely.LineString(points_of(entity))
        # Densely along the true line, which lies farthest from the middles of the chords.
        dense = [
            segment.point_at(segment.length * number / 800)
            for segment in path.segments
            if not isinstance(segment, Line)
            for number in range(801)
        ]
        off = shapely.distance(line, shapely.points(dense)) if dense else [0.0]
        worst = max(worst, float(max(off)))
        assert line.length == pytest.approx(path.length, rel=1e-3)
    assert worst <= chord_error + 1e-4
    assert worst > 0.5 * chord_error


def test_gdal_finds_the_cut_lines_where_the_sheet_has_them(draft: Draft, tmp_path: FilePath) -> None:
    file = tmp_path / "pattern.dxf"
    file.write_text(plain_text(draft, blocks=False, **{"chord-error": 0.002}), encoding="ascii")
    _, _, geometry, (layers, *_) = pyogrio.raw.read(file)
    cut = [shape for shape, layer in zip(shapely.from_wkb(geometry), layers, strict=True) if layer == "CUT"]
    wanted = [stroke.path for stroke in draw_sheet(draft).strokes if stroke.role == "cut"]
    assert len(cut) == len(wanted) == 4
    for shape, path in zip(cut, wanted, strict=True):
        assert shape.length == pytest.approx(path.length, abs=0.01)
        assert shape.bounds == pytest.approx(tuple(path.bounds), abs=0.01)


def test_blocks_and_layers_are_named_as_r12_can(draft: Draft) -> None:
    pieces = [
        draft.pieces[3].evolve(id=name)
        for name in ("anker-öse", "anker-ÖSE", "a" * 40, "a" * 40 + "b", "...")
    ]
    after = run(draft.evolve(pieces=tuple(pieces)), DxfPlainOptions(text="text"))
    drawing = read(after.artifacts[0].data.decode("ascii"))
    names = [entity.name for entity in drawing.entities if entity.dxftype == "INSERT"]
    assert names == ["ANKER-_SE", "ANKER-_SE-2", "A" * 31, "A" * 29 + "-2", "___"]
    assert broken.caught(after) == []


def test_a_shop_names_layers_and_tools(draft: Draft) -> None:
    options = {"layers": {"cut": "knife", "hole": "KNIFE"}, "tools": {"cut": {"colour": 3, "line": "dashed"}}}
    drawing = read(plain_text(draft, **options))
    layers = {layer.name: layer for layer in drawing.layers}
    assert [*layers] == ["0", "KNIFE", *(role.upper() for role in ROLES[2:])]
    assert (layers["KNIFE"].color, layers["KNIFE"].linetype) == (3, "DASHED")
    assert layers["MARK"].color == 7


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"layers": {"cut": "A B"}}, "is no name of a layer in DXF R12"),
        ({"layers": {"cut": "x" * 32}}, "is no name of a layer in DXF R12"),
        ({"layers": {"cut": "größe"}}, "is no name of a layer in DXF R12"),
        ({"tools": {"cut": {"weight": 0.5}}}, "Extra inputs are not permitted"),
        (
            {"tools": {"cut": {"colour": 1}, "hole": {"colour": 2}}, "layers": {"hole": "CUT"}},
            "share the layer",
        ),
        ({"chord-error": 0.0}, "greater than"),
        ({"unit": "cm"}, "'mm' or 'inch'"),
    ],
)
def test_what_r12_cannot_do_is_refused(options: dict[str, Any], said: str) -> None:
    with pytest.raises(ValidationError) as caught:
        DxfPlainOptions.model_validate(options)
    assert said in str(caught.value)


def test_signs_beyond_ascii_are_named_by_number(draft: Draft) -> None:
    piece = draft.pieces[3].evolve(labels=(Label(("größe ½ ↑", "%% ^"), (20.0, 13.0), 4.0),))
    after = run(draft.evolve(pieces=(piece,)), DxfPlainOptions(text="text"))
    text = after.artifacts[0].data.decode("ascii")
    assert "\ngr\\U+00F6\\U+00DFe \\U+00BD \\U+2191\n" in text
    entities = ezdxf.read(StringIO(text)).blocks["ANCHOR-PATCH"].query("TEXT")  # type: ignore[attr-defined]
    assert decode_dxf_unicode(entities[0].dxf.text) == "größe ½ ↑"
    assert not after.findings
    assert broken.caught(after) == []


def test_signs_that_cannot_be_carried_are_told(draft: Draft) -> None:
    piece = draft.pieces[3].evolve(labels=(Label(("roll 🧵 1",), (20.0, 13.0), 4.0),))
    after = run(draft.evolve(pieces=(piece,)), DxfPlainOptions(text="text"))
    (finding,) = after.findings
    assert (finding.level, finding.code) == ("note", "characters-left-out")
    assert "🧵 (U+1F9F5)" in finding.message
    assert broken.caught(after) == []


@pytest.mark.parametrize(
    "options",
    [
        {"text": "strokes"},
        {"text": "strokes", "blocks": False, "unit": "inch"},
        {"text": "text", "unit": "inch"},
        {"text": "text", "blocks": False, "chord-error": 0.2},
    ],
)
def test_what_is_written_is_what_was_drafted(furnished: Draft, options: dict[str, Any]) -> None:
    after = run(furnished, DxfPlainOptions.model_validate(options))
    assert after.artifacts[0].reader
    assert broken.caught(after) == []


@pytest.mark.parametrize("way", broken.BREAKINGS)
@pytest.mark.parametrize("blocks", [True, False])
def test_a_broken_writer_is_caught(
    monkeypatch: pytest.MonkeyPatch, draft: Draft, way: str, blocks: bool
) -> None:
    options = DxfPlainOptions(text="text", blocks=blocks)
    after = broken.broken_run(monkeypatch, export_dxf_plain, broken.BREAKINGS[way], draft, options)
    assert broken.caught(after)


def test_coarser_chords_than_stated_are_caught(draft: Draft) -> None:
    fine, coarse = (
        run(draft, DxfPlainOptions.model_validate({"text": "text", "chord-error": error})).artifacts[0]
        for error in (0.05, 0.2)
    )
    mixed = draft.evolve(artifacts=(replace(fine, data=coarse.data),))
    assert "missing or moved" in " ".join(finding.message for finding in broken.caught(mixed))


def test_a_file_in_inches_that_says_mm_is_caught(draft: Draft) -> None:
    right, other = (
        run(draft, DxfPlainOptions.model_validate({"text": "text", "unit": unit})).artifacts[0]
        for unit in ("mm", "inch")
    )
    mixed = draft.evolve(artifacts=(replace(right, data=other.data),))
    assert broken.caught(mixed)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (b"AC1009", b"AC1024", "AC1024"),
        (b" 70\n1\n  0\nVERTEX", b" 70\n0\n  0\nVERTEX", "missing or moved"),
        (b"  8\nGRAIN\n", b"  8\nGRIAN\n", "table of layers lacks GRIAN"),
        (b"\n 72\n1\n", b"\n 72\n0\n", "isn't set about its middle"),
    ],
)
def test_altered_bytes_are_caught(draft: Draft, old: bytes, new: bytes, said: str) -> None:
    after = broken.with_bytes(run(draft, DxfPlainOptions(text="text")), old, new)
    assert said in " ".join(finding.message for finding in broken.caught(after))


def test_the_stage_is_supplied() -> None:
    (spec,) = oaktag_stages()
    assert spec.name == "export.dxf-plain"
    assert spec.load_run() is run
    assert spec.load_options() is DxfPlainOptions
    assert spec.adds == {"files"}
