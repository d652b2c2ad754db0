"""What `export.interchange` writes, read with ezdxf, dxfgrabber and GDAL, none of which wrote it.

Layers and fields are those of ASTM D6673-10 from memory, so these tests hold the file to what its stage says.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from io import StringIO
from math import atan2, degrees
from pathlib import Path as FilePath
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import dxfgrabber
import ezdxf
import pyogrio
import pytest
import shapely

from oaktag import Draft
from oaktag.geometry import Line
from oaktag.pattern import Label
from oaktag.pattern.drawing import notch_cut_point, notch_ticks
from oaktag.pattern.sheet import draw_sheet
from oaktag_plugins import export_interchange
from oaktag_plugins.export_interchange import InterchangeOptions, oaktag_stages, run
from oaktag_plugins.exporting import interchange

if TYPE_CHECKING:
    from tests.plugins.export import broken
else:
    broken = SimpleNamespace(**run_path(str(FilePath(__file__).with_name("broken.py"))))

INCH = 25.4


def written(draft: Draft, **options: Any) -> str:
    given = {name.replace("_", "-"): value for name, value in options.items()}
    (artifact,) = run(draft, InterchangeOptions.model_validate(given)).artifacts
    assert (artifact.path, artifact.kind) == ("pattern-interchange.dxf", "interchange")
    return artifact.data.decode("ascii")


@pytest.fixture(scope="module")
def text(furnished: Draft) -> str:
    return written(furnished)


@pytest.fixture(scope="module")
def document(text: str) -> Any:
    return ezdxf.read(StringIO(text))  # type: ignore[attr-defined]


def by_layer(document: Any, block: str) -> dict[str, list[Any]]:
    found: dict[str, list[Any]] = defaultdict(list)
    for entity in document.blocks[block]:
        found[entity.dxf.layer].append(entity)
    return found


def places(entities: list[Any]) -> list[tuple[float, float]]:
    return [(entity.dxf.location.x, entity.dxf.location.y) for entity in entities]


def test_blocks_and_entities_and_nothing_else(text: str, document: Any) -> None:
    assert text.startswith("  0\nSECTION\n  2\nHEADER\n  0\nENDSEC\n  0\nSECTION\n  2\nBLOCKS\n")
    assert "TABLES" not in text
    assert "$INSUNITS" not in text
    audit = document.audit()
    assert (audit.errors, audit.fixes) == ([], [])
    kinds = {entity.dxftype() for block in document.blocks for entity in block}
    assert kinds <= {"POLYLINE", "LINE", "POINT", "TEXT", "INSERT"}


def test_every_piece_is_a_block(document: Any, furnished: Draft) -> None:
    inserts = [entity for entity in document.modelspace() if entity.dxftype() == "INSERT"]
    assert [insert.dxf.name for insert in inserts] == [piece.id.upper() for piece in furnished.pieces]


def test_layers_are_used_as_stated(document: Any, furnished: Draft) -> None:
    layers = by_layer(document, "POCKET")
    assert {*layers} == {"1", "2", "3", "4", "6", "7", "8", "11", "13", "14", "15"} - {"3"}
    piece = furnished.piece("pocket")
    boundary = [entity for entity in layers["1"] if entity.dxftype() == "POLYLINE"]
    assert len(boundary) == 1
    assert boundary[0].is_closed
    assert {entity.dxftype() for name in ("2", "4", "13") for entity in layers[name]} == {"POINT"}
    assert {entity.dxftype() for name in ("6", "7") for entity in layers[name]} == {"LINE"}
    assert places(layers["13"]) == [piece.fittings[0].point]
    (mirror,) = layers["6"]
    # The fold at which the cloth lies double, with the allowances beside it.
    assert mirror.dxf.start.y == mirror.dxf.end.y == pytest.approx(120.0)
    (grain,) = layers["7"]
    assert piece.grain is not None
    assert (grain.dxf.start.x, grain.dxf.start.y) == pytest.approx(piece.grain.start)
    assert (grain.dxf.end.x, grain.dxf.end.y) == pytest.approx(piece.grain.end)
    (hole,) = layers["11"]
    assert hole.is_closed
    area = shapely.Polygon([(point.x, point.y) for point in hole.points()]).area
    assert area == pytest.approx(3.14159265 * 8.0**2, rel=0.01)
    assert [entity.dxf.text for entity in layers["15"] if entity.dxf.height == 5.0] == [
        "pocket  1/2",
        "90 deg",
    ]


def test_boundary_points_are_turns_or_curves(document: Any, furnished: Draft) -> None:
    layers = by_layer(document, "SIDE-PANEL-DRIVE")
    assert "2" not in layers  # it is round all about
    (boundary,) = [entity for entity in layers["1"] if entity.dxftype() == "POLYLINE"]
    assert places(layers["3"]) == [(point.x, point.y) for point in boundary.points()]
    patch = by_layer(document, "ANCHOR-PATCH")
    assert len(patch["2"]) == 4
    assert "3" not in patch


def test_notches_are_points_with_depth_and_direction(document: Any, furnished: Draft) -> None:
    compared = 0
    for piece in furnished.pieces:
        found = by_layer(document, piece.id.upper())["4"]
        ticks = [
            tick for notch in piece.notches for tick in notch_ticks(piece, notch) if tick.role == "notch"
        ]
        assert len(found) == len(ticks)
        for point, tick in zip(found, ticks, strict=True):
            assert places([point])[0] == pytest.approx(tick.path.start, abs=1e-4)
            assert piece.outline.nearest(places([point])[0])[1] < 1e-4
            assert point.dxf.thickness == pytest.approx(tick.path.length, abs=1e-4)
            (segment,) = tick.path.segments
            assert isinstance(segment, Line)
            angle = degrees(atan2(segment.direction[1], segment.direction[0]))
            assert (point.dxf.angle - angle + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1e-3)
            compared += 1
        singles = [notch for notch in piece.notches if notch.count == 1]
        for notch in singles:
            ticks_of = [tick for tick in notch_ticks(piece, notch) if tick.role == "notch"]
            if ticks_of:
                cut = notch_cut_point(piece, notch)
                assert min(abs(x - cut[0]) + abs(y - cut[1]) for x, y in places(found)) < 1e-3
    assert compared > 15


def fields_of(entities: list[Any]) -> dict[str, str]:
    texts = [entity.dxf.text for entity in entities if entity.dxftype() == "TEXT"]
    return dict(text.split(": ", 1) for text in texts)


def test_fields_say_what_and_how_many(document: Any, furnished: Draft) -> None:
    style = fields_of([entity for entity in document.modelspace() if entity.dxf.layer == "1"])
    assert style == {
        "ASTM/D13": "D6673-10",
        "AUTHOR": "oaktag",
        "STYLE NAME": "fit-sample 1.0.0",
        "SAMPLE SIZE": "M",
        "UNITS": "METRIC",
    }
    assert fields_of(by_layer(document, "POCKET")["1"]) == {
        "PIECE NAME": "pocket",
        "SIZE": "M",
        "QUANTITY": "2,1",
        "MATERIAL": "shell",
        "CATEGORY": "pocket",
        "ANNOTATION": "Pocket  1/2",
    }
    assert fields_of(by_layer(document, "ANCHOR-PATCH")["1"])["QUANTITY"] == "2,2"


def test_inches_are_inches(furnished: Draft, document: Any) -> None:
    other = ezdxf.read(StringIO(written(furnished, units="english")))  # type: ignore[attr-defined]
    assert fields_of([e for e in other.modelspace() if e.dxf.layer == "1"])["UNITS"] == "ENGLISH"
    for block in ("POCKET", "GUSSET"):
        mm, inch = by_layer(document, block), by_layer(other, block)
        for name in ("2", "4", "13"):
            assert [x * INCH for x, _ in places(inch[name])] == pytest.approx(
                [x for x, _ in places(mm[name])], abs=1e-4
            )
        depths = [point.dxf.thickness * INCH for point in inch["4"]]
        assert depths == pytest.approx([point.dxf.thickness for point in mm["4"]], abs=1e-4)


def test_a_date_is_only_that_of_the_source(furnished: Draft, monkeypatch: pytest.MonkeyPatch) -> None:
    assert "CREATION DATE" not in written(furnished)
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1700000000")  # 2023-11-14T22:13:20Z
    assert "\nCREATION DATE: 2023-11-14\n" in written(furnished)


def test_gdal_and_dxfgrabber_see_the_boundaries(furnished: Draft, tmp_path: FilePath) -> None:
    text = written(furnished, chord_error=0.002)
    file = tmp_path / "pattern.dxf"
    file.write_text(text, encoding="ascii")
    sheet = draw_sheet(furnished)
    _, _, geometry, _ = pyogrio.raw.read(file)
    shapes = [part for shape in shapely.from_wkb(geometry) for part in shapely.get_parts(shape)]
    lines = [shape for shape in shapes if shape.geom_type == "LineString"]
    drawing = dxfgrabber.read(StringIO(text))
    for placement in sheet.placements:
        outline = furnished.piece(placement.piece).outline
        box = outline.transformed(placement.transform).bounds
        near = [line for line in lines if line.bounds == pytest.approx(tuple(box), abs=0.01)]
        assert any(line.length == pytest.approx(outline.length, abs=0.01) for line in near)
        (boundary,) = [
            e for e in drawing.blocks[placement.piece.upper()] if e.dxftype == "POLYLINE" and e.layer == "1"
        ]
        ring = shapely.LinearRing([point[:2] for point in boundary.points])
        assert ring.length == pytest.approx(outline.length, abs=0.01)


def test_signs_that_are_spelt_otherwise_are_told(draft: Draft) -> None:
    piece = draft.pieces[3].evolve(name="Öse 🧵", labels=(Label(("größe ↑", "b"), (20.0, 13.0), 4.0),))
    after = run(draft.evolve(pieces=(piece,)), InterchangeOptions())
    (finding,) = after.findings
    assert (finding.level, finding.code) == ("note", "characters-left-out")
    for sign in "Öß🧵↑ö":
        assert f"{sign} (U+" in finding.message
    text = after.artifacts[0].data.decode("ascii")
    assert "\ngrosse ^ \n" in text
    assert "\nANNOTATION: Ose ?\n" in text
    assert broken.caught(after) == []


def test_every_piece_of_a_bad_pattern_says_not_to_cut(broken_draft: Draft) -> None:
    document = ezdxf.read(StringIO(written(broken_draft)))  # type: ignore[attr-defined]
    for piece in broken_draft.pieces:
        texts = [e.dxf.text for e in by_layer(document, piece.id.upper())["1"] if e.dxftype() == "TEXT"]
        assert "ANNOTATION: DO NOT CUT: 1 error, see pattern.json" in texts


@pytest.mark.parametrize("options", [{}, {"units": "english"}, {"chord-error": 0.3, "author": ""}])
def test_what_is_written_is_what_was_drafted(furnished: Draft, options: dict[str, Any]) -> None:
    after = run(furnished, InterchangeOptions.model_validate(options))
    assert after.artifacts[0].reader
    assert broken.caught(after) == []


def altered(way: str, draft: Draft) -> Draft:
    """A draft that differs from the right one in one way."""
    pocket, panel = draft.piece("pocket"), draft.pieces[0]
    changes = {
        "a notch too few": panel.evolve(notches=panel.notches[1:]),
        "a notch moved": panel.evolve(
            notches=(
                panel.notches[0],
                replace(panel.notches[1], at=panel.notches[1].at + 0.1),
                *panel.notches[2:],
            )
        ),
        "a double notch for a single": panel.evolve(
            notches=(panel.notches[0], replace(panel.notches[1], count=2), *panel.notches[2:])
        ),
        "no hole": pocket.evolve(holes=()),
        "no grain": pocket.evolve(grain=None),
        "grain the other way": pocket.evolve(grain=Line(pocket.grain.end, pocket.grain.start)),  # type: ignore[union-attr]
        "a snap too few": pocket.evolve(fittings=()),
        "no labels": pocket.evolve(labels=()),
        "other quantity": pocket.evolve(quantity=4),
        "other material": pocket.evolve(material="liner"),
        "mirrored quantity": pocket.evolve(mirrored=2),
    }
    return draft.replaced(changes[way])


WAYS = (
    "a notch too few",
    "a notch moved",
    "a double notch for a single",
    "no hole",
    "no grain",
    "grain the other way",
    "a snap too few",
    "no labels",
    "other quantity",
    "other material",
    "mirrored quantity",
)


@pytest.mark.parametrize("way", WAYS)
def test_a_file_of_another_draft_is_caught(furnished: Draft, way: str) -> None:
    artifacts = run(altered(way, furnished), InterchangeOptions()).artifacts
    after = run(furnished, InterchangeOptions())
    mixed = after.evolve(artifacts=(replace(after.artifacts[0], data=artifacts[0].data),))
    assert broken.caught(mixed)


@pytest.mark.parametrize("way", ["a piece too few", "a text too few", "no seam line", "other text"])
def test_a_broken_writer_is_caught(monkeypatch: pytest.MonkeyPatch, furnished: Draft, way: str) -> None:
    breaking = broken.BREAKINGS[way]
    after = broken.broken_run(monkeypatch, export_interchange, breaking, furnished, InterchangeOptions())
    assert broken.caught(after)


def test_a_writer_that_mirrors_scales_or_forgets_is_caught(
    monkeypatch: pytest.MonkeyPatch, furnished: Draft
) -> None:
    right = interchange.boundary_points

    def scaled(path: Any, chord_error: float) -> Any:
        return [((0.99 * x, 0.99 * y), turns) for (x, y), turns in right(path, chord_error)]

    def mirrored(path: Any, chord_error: float) -> Any:
        return [((-x, y), turns) for (x, y), turns in right(path, chord_error)]

    def all_turns(path: Any, chord_error: float) -> Any:
        return [(point, True) for point, _ in right(path, chord_error)]

    def no_turns(path: Any, chord_error: float) -> Any:
        return [(point, False) for point, _ in right(path, chord_error)]

    for wrong in (scaled, mirrored, all_turns, no_turns):
        with monkeypatch.context() as patch:
            patch.setattr(interchange, "boundary_points", wrong)
            after = run(furnished, InterchangeOptions())
        assert broken.caught(after), wrong.__name__


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (b"UNITS: METRIC", b"UNITS: ENGLISH", "'UNITS: METRIC'"),
        (b"PIECE NAME: gusset", b"PIECE NAME: gasket", "'PIECE NAME: gusset'"),
        (b"POINT\n  8\n4\n", b"POINT\n  8\n13\n", "of its notches"),
        (b"POINT\n  8\n3\n", b"POINT\n  8\n2\n", "of its corners"),
        (b"LINE\n  8\n6\n", b"LINE\n  8\n8\n", "mirror line"),
        (b"POLYLINE\n  8\n1\n", b"POLYLINE\n  8\n8\n", "not one closed boundary"),
        (b"POLYLINE\n  8\n14\n", b"POLYLINE\n  8\n8\n", "missing or moved"),
        (b"\n 39\n3\n", b"\n 39\n2\n", "depth and direction"),
        (b"  2\nGUSSET\n 10\n", b"  2\nPOCKET\n 10\n", "times, not 1"),
        (b"POINT\n  8\n4\n", b"POINT\n  8\n80\n", "points on layer 80"),
    ],
)
def test_altered_bytes_are_caught(furnished: Draft, old: bytes, new: bytes, said: str) -> None:
    after = broken.with_bytes(run(furnished, InterchangeOptions()), old, new)
    errors = [finding.message for finding in broken.caught(after)]
    assert said in " ".join(errors), errors


def test_the_stage_is_supplied_and_says_what_is_from_memory() -> None:
    (spec,) = oaktag_stages()
    assert spec.name == "export.interchange"
    assert spec.load_run() is run
    assert spec.load_options() is InterchangeOptions
    assert spec.adds == {"files"}
    descriptions = [field.description or "" for field in InterchangeOptions.model_fields.values()]
    assert sum("from memory" in " ".join(text.split()) for text in descriptions) == 3
