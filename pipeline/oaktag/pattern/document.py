"""`pattern.json`: the whole draft, so that anything can be checked by a program that isn't ours.

Lengths are in mm, angles in degrees, y is upward, the drive side faces the reader. `pattern.schema.json`
beside this module describes every key.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import fields
from functools import lru_cache
from importlib.resources import files
from math import isfinite
from typing import Any

from oaktag.geometry import Arc, Box, Line, Path, Segment
from oaktag.pattern.cut_list import CARD, cut_list
from oaktag.pattern.draft import Artifact, Draft, Outline, Provenance
from oaktag.pattern.drawing import notch_cut_point, notch_point
from oaktag.pattern.finding import Finding
from oaktag.pattern.frame import BossRow, Bow, Frame, Obstacle, Reading, TubeWidth
from oaktag.pattern.material import Material
from oaktag.pattern.paperwork import Paperwork
from oaktag.pattern.piece import Edge, Label, Mark, Notch, Piece, PlacementLine, Seam, SeamSide
from oaktag.pattern.sheet import arrange, drawn_pieces
from oaktag.pattern.survey import Adjusted, NextReading, Opening, ReadingResult, Survey
from oaktag.pattern.walk import walk
from oaktag.pattern.working import Working

SCHEMA_VERSION = "1.2"
"""Version of the format: the first number changes when a reader has to, the second when keys are added."""

CURVE_CHORD_ERROR = 0.005
"""Free curves are written as points whose chords stay this many mm near them; the format promises 0.01."""

DECIMALS = 6
"""Numbers are written to a millionth of a mm or degree."""

_OPEN_LEVELS = 4  # what is nested deeper than this stands on one line
_SHORT_RECORD = 240  # characters: a shorter record inside a list does too

_Json = dict[str, Any]


def document(draft: Draft) -> _Json:
    """Everything known about the bag, as plain lists, dictionaries, texts and numbers.

    Numbers are rounded to `DECIMALS`. What isn't known is None.

    Raises:
        ValueError: a number of the draft isn't finite.
    """
    pieces = draft.pieces
    boxes = {piece.id: piece.outline.bounds for piece in pieces}
    areas = {piece.id: abs(piece.outline.area) for piece in pieces}
    placed = arrange(drawn_pieces(draft)) if pieces else ()
    whole = {
        "schema": SCHEMA_VERSION,
        "recipe": _provenance(draft.recipe_provenance),
        "frame": _frame(draft.frame, draft.frame_provenance),
        "tables": [{"name": table.name, "sha256": table.sha256} for table in draft.tables],
        "survey": None if draft.survey is None else _survey(draft.survey),
        "opening": None if draft.opening is None else _opening(draft.opening),
        "outline": None if draft.outline is None else _outline(draft.outline),
        "outlines": [{"body": outline.body, **_outline(outline)} for outline in draft.outlines],
        "pieces": [_piece(piece, boxes[piece.id], areas[piece.id]) for piece in pieces],
        "seams": [_seam(draft, seam) for seam in draft.seams],
        "materials": _materials(draft, areas),
        "cut_list": [_record(row) for row in cut_list(draft)],
        "paperwork": None if draft.paperwork is None else _paperwork(draft.paperwork),
        "operations": [_record(operation) for operation in draft.operations],
        "layout": [{"piece": place.piece, "x": place.dx, "y": place.dy} for place in placed],
        "volume_l": draft.volume,
        "compartments": [_record(compartment) for compartment in draft.compartments],
        "workings": [_working(working) for working in draft.workings],
        "findings": [_finding(finding) for finding in draft.findings],
        "files": [_file(artifact) for artifact in draft.artifacts],
    }
    return {key: _plain(value, key) for key, value in whole.items()}


def render(draft: Draft) -> bytes:
    """`pattern.json` as UTF-8 text: keys in a fixed order, one segment, notch or reading to a line.

    Raises:
        ValueError: a number of the draft isn't finite.
    """
    return (_written(document(draft), 0) + "\n").encode()


@lru_cache(maxsize=1)
def _schema_text() -> str:
    return files("oaktag.pattern").joinpath("pattern.schema.json").read_text(encoding="utf-8")


def schema() -> _Json:
    """The JSON Schema (draft 2020-12) of `pattern.json`."""
    loaded: _Json = json.loads(_schema_text())
    return loaded


def _provenance(provenance: Provenance) -> _Json:
    return {"name": provenance.name, "version": provenance.version, "sha256": provenance.sha256}


def _frame(frame: Frame, provenance: Provenance) -> _Json:
    return {
        "name": frame.name,
        "version": provenance.version,
        "sha256": provenance.sha256,
        "size": frame.size,
        "corners": frame.corners,
        "tubes": frame.tubes,
        "readings": [_reading(reading) for reading in frame.readings],
        "widths": [_tube_width(width) for width in frame.widths],
        "bows": [_bow(bow) for bow in frame.bows],
        "obstacles": [_obstacle(obstacle) for obstacle in frame.obstacles],
        "bosses": [_boss_row(row) for row in frame.bosses],
        "attachments": [
            {"name": attachment.name, "sha256": attachment.sha256}
            for source in frame.sources
            for attachment in source.attachments
        ],
    }


def _bow(bow: Bow) -> _Json:
    offsets = [
        {"fraction": place.fraction, "distance": place.distance, "rise": rise} for place, rise in bow.offsets
    ]
    return {"tube": bow.tube, "offsets": offsets, "key": bow.key}


def _obstacle(obstacle: Obstacle) -> _Json:
    return {
        "name": obstacle.name,
        "tube": obstacle.place.tube,
        "fraction": obstacle.place.fraction,
        "distance": obstacle.place.distance,
        "length": obstacle.length,
        "height": obstacle.height,
        "clearance": obstacle.clearance,
        "treatment": obstacle.treatment,
        "key": obstacle.key,
    }


def _boss_row(row: BossRow) -> _Json:
    return {
        "name": row.name,
        "tube": row.place.tube,
        "fraction": row.place.fraction,
        "distance": row.place.distance,
        "count": row.count,
        "pitch": row.pitch,
        "thread": row.thread,
        "key": row.key,
    }


def _reading(reading: Reading) -> _Json:
    return {
        "of": reading.of,
        "kind": reading.kind,
        "value": reading.value,
        "sigma": reading.sigma,
        "instrument": reading.instrument,
        "key": reading.key,
        "excluded": reading.excluded,
    }


def _tube_width(width: TubeWidth) -> _Json:
    return {
        "tube": width.place.tube,
        "fraction": width.place.fraction,
        "distance": width.place.distance,
        "width": width.width,
        "key": width.key,
    }


def _survey(survey: Survey) -> _Json:
    statistics = survey.statistics
    return {
        "lengths": {adjusted.of: _adjusted(adjusted) for adjusted in survey.lengths},
        "angles": {adjusted.of: _adjusted(adjusted) for adjusted in survey.angles},
        "perimeter": _adjusted(survey.perimeter),
        "readings": [_reading_result(result) for result in survey.readings],
        "statistics": {
            "dof": statistics.dof,
            "variance_factor": statistics.variance_factor,
            "chi_square": statistics.chi_square,
            "critical": statistics.critical,
            "passed": statistics.passed,
        },
        "covariance": survey.covariance,
        "next_readings": [_next_reading(reading) for reading in survey.next_readings],
    }


def _adjusted(adjusted: Adjusted) -> _Json:
    return {"value": adjusted.value, "sigma": adjusted.sigma}


def _reading_result(result: ReadingResult) -> _Json:
    return {
        "of": result.of,
        "kind": result.kind,
        "value": result.value,
        "sigma": result.sigma,
        "residual": result.residual,
        "standardised": result.standardised,
        "redundancy": result.redundancy,
        "key": result.key,
        "excluded": result.excluded,
    }


def _next_reading(reading: NextReading) -> _Json:
    return {
        "of": reading.of,
        "kind": reading.kind,
        "sigma": reading.sigma,
        "perimeter": reading.perimeter,
        "corner": reading.corner,
    }


def _opening(opening: Opening) -> _Json:
    return {
        "corners": {corner.name: corner.point for corner in opening.corners},
        "angles": {corner.name: corner.angle for corner in opening.corners},
        "edges": [
            {
                "name": edge.name,
                "kind": edge.kind,
                "length": edge.path.length,
                "line": _segments(edge.path, edge.name),
            }
            for edge in opening.edges
        ],
    }


def _outline(outline: Outline) -> _Json:
    path = outline.path
    return {
        "seam_line": [segment for edge in outline.edges for segment in _segments(edge.path, edge.name)],
        "edges": [_edge(edge) for edge in outline.edges],
        "area": abs(path.area),
        "perimeter": path.length,
    }


def _edge(edge: Edge) -> _Json:
    return {
        "name": edge.name,
        "length": edge.length,
        "allowance": edge.allowance,
        "of": edge.of,
        "finish": edge.finish,
    }


def _piece(piece: Piece, box: Box, area: float) -> _Json:
    return {
        "id": piece.id,
        "name": piece.name,
        "quantity": piece.quantity,
        "mirrored": piece.mirrored,
        "material": piece.material,
        "role": piece.role,
        "body": piece.body,
        "parts": piece.parts,
        "bought": piece.bought,
        "face": "outside",
        "front": piece.front,
        "up": piece.up,
        "seam_line": [segment for edge in piece.edges for segment in _segments(edge.path, edge.name)],
        "cut_line": [segment for run in piece.cut_line for segment in _segments(run.path, run.edge)],
        "edges": [_edge(edge) for edge in piece.edges],
        "notches": [_notch(piece, notch) for notch in piece.notches],
        "marks": [_mark(mark) for mark in piece.marks],
        "placements": [_placement(line) for line in piece.placements],
        "holes": [
            {"name": hole.name, "what": hole.what, "line": _segments(hole.path, None)} for hole in piece.holes
        ],
        "fittings": [_record(fitting) for fitting in piece.fittings],
        "labels": [_label(label) for label in piece.labels],
        "grain": None if piece.grain is None else {"start": piece.grain.start, "end": piece.grain.end},
        "area": area,
        "perimeter": piece.outline.length,
        "bounds": tuple(box),
    }


def _notch(piece: Piece, notch: Notch) -> _Json:
    return {
        "edge": notch.edge,
        "at": notch.at,
        "point": notch_point(piece, notch),
        "cut_point": notch_cut_point(piece, notch) if piece.cut_line else None,
        "pair": notch.pair,
        "count": notch.count,
    }


def _mark(mark: Mark) -> _Json:
    return {"kind": mark.kind, "text": mark.text, "line": _segments(mark.path, None)}


def _placement(line: PlacementLine) -> _Json:
    return {
        "name": line.name,
        "what": line.what,
        "on": line.face,
        "line": _segments(line.path, None),
        "length": line.path.length,
        "covers": None if line.covers is None else _segments(line.covers, None),
        "under": line.under,
    }


def _label(label: Label) -> _Json:
    return {
        "lines": label.lines,
        "position": label.position,
        "height": label.height,
        "angle": label.angle,
    }


def _segments(path: Path, edge: str | None) -> list[_Json]:
    return [_segment(segment, edge) for segment in path.segments]


def _segment(segment: Segment, edge: str | None) -> _Json:
    if isinstance(segment, Line):
        return {"kind": "line", "start": segment.start, "end": segment.end, "edge": edge}
    if isinstance(segment, Arc):
        return {
            "kind": "arc",
            "start": segment.start,
            "end": segment.end,
            "center": segment.center,
            "radius": segment.radius,
            "clockwise": segment.clockwise,
            "edge": edge,
        }
    return {"kind": "curve", "points": segment.flatten(CURVE_CHORD_ERROR), "edge": edge}


def _seam(draft: Draft, seam: Seam) -> _Json:
    walked = walk(draft, seam)
    return {
        "id": seam.id,
        "kind": seam.kind,
        "a": _seam_side(seam.a, walked.length_a),
        "b": _seam_side(seam.b, walked.length_b),
        "length_a": walked.length_a,
        "length_b": walked.length_b,
        "ease": seam.ease,
        "difference": walked.difference,
        "stitching": None if seam.stitching is None else _record(seam.stitching),
    }


def _seam_side(side: SeamSide, length: float) -> _Json:
    return {
        "piece": side.piece,
        "edges": side.edges,
        "start": side.start,
        "length": length if side.length is None else side.length,
        "reverse": side.reverse,
    }


def _materials(draft: Draft, areas: Mapping[str, float]) -> list[_Json]:
    found: dict[str, _Json] = {}

    def entry_of(name: str) -> _Json:
        if name not in found:
            entry = draft.material(name)
            found[name] = {
                "name": name,
                "pieces": [],
                "area": 0.0,
                "fittings": 0,
                "entry": None if entry is None else _entry(entry),
            }
        return found[name]

    for piece in draft.pieces:
        own = entry_of(CARD if piece.assembled else piece.material)
        own["pieces"].append(piece.id)
        own["area"] += piece.quantity * areas[piece.id]
        for fitting in piece.fittings:
            entry_of(fitting.material)["fittings"] += fitting.quantity * piece.quantity
    for row in draft.paperwork.bill if draft.paperwork is not None else ():
        entry_of(row.material)
    return list(found.values())


def _entry(material: Material) -> _Json:
    record = _record(material)
    del record["name"]
    record["measures"] = dict(material.measures)
    return record


def _paperwork(paperwork: Paperwork) -> _Json:
    return {
        "bill": [_record(row) for row in paperwork.bill],
        "thread": [_record(row) for row in paperwork.thread],
        "labour": [_record(row) for row in paperwork.labour],
        "mass_g": paperwork.mass,
        "material_cost": paperwork.material_cost,
        "labour_cost": paperwork.labour_cost,
        "currency": paperwork.currency,
    }


def _record(value: object) -> _Json:
    """A flat value as it is, key by key."""
    return {field.name: getattr(value, field.name) for field in fields(value)}  # type: ignore[arg-type]


def _working(working: Working) -> _Json:
    record = _record(working)
    record["terms"] = [_record(term) for term in working.terms]
    return record


def _finding(finding: Finding) -> _Json:
    return {
        "level": finding.level,
        "code": finding.code,
        "message": finding.message,
        "where": finding.where,
    }


def _file(artifact: Artifact) -> _Json:
    return {"path": artifact.path, "kind": artifact.kind, "sha256": artifact.sha256}


def _plain(value: object, where: str) -> Any:
    """The value with lists for tuples and rounded numbers, none of them a negative zero."""
    if isinstance(value, float):
        if not isfinite(value):
            raise ValueError(f"{where} of the pattern isn't a finite number: {value}")
        return round(value, DECIMALS) + 0.0
    if isinstance(value, dict):
        return {key: _plain(item, f"{where}.{key}") for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item, where) for item in value]
    return value


def _written(value: object, level: int) -> str:
    """JSON text: records that are short or deep stand on one line, written by json's own quick encoder."""
    compact = json.dumps(value, ensure_ascii=False, allow_nan=False)
    if not isinstance(value, (dict, list)) or level >= _OPEN_LEVELS:
        return compact
    if isinstance(value, dict):
        if not value or (level > 1 and len(compact) <= _SHORT_RECORD):
            return compact
        opening, closing = "{", "}"
        items = [
            f"{json.dumps(key, ensure_ascii=False)}: {_written(item, level + 1)}"
            for key, item in value.items()
        ]
    else:
        if not any(isinstance(item, (dict, list)) for item in value):
            return compact
        opening, closing = "[", "]"
        items = [_written(item, level + 1) for item in value]
    inner = "\n" + " " * (level + 1)
    return f"{opening}{inner}{f',{inner}'.join(items)}\n{' ' * level}{closing}"
