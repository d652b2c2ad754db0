"""Reading `pattern.json` back with pydantic's parser before it is written, to hold it against the draft."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import zip_longest
from math import dist
from typing import Any

from oaktag.geometry import Arc, Line, Path, Point, Segment
from oaktag.pattern.draft import Draft
from oaktag.pattern.drawing import notch_point
from oaktag.pattern.piece import Piece
from oaktag.pattern.read_back import Difference

TOLERANCE = 0.01
"""Largest distance in mm between a point in the file and the draft's."""


def document_differences(draft: Draft, data: bytes) -> Iterator[Difference]:
    """How the bytes of a `pattern.json` differ from the draft.

    Raises:
        ValueError: it isn't JSON.
        KeyError: a key is missing.
    """
    from pydantic_core import from_json

    read = from_json(data, allow_inf_nan=False)
    for piece, record in zip_longest(draft.pieces, read["pieces"]):
        if piece is None or record is None or piece.id != record["id"]:
            yield Difference("the pieces aren't the draft's")
            return
        yield from _piece_differences(piece, record)
    if [seam["id"] for seam in read["seams"]] != [seam.id for seam in draft.seams]:
        yield Difference("the seams aren't the draft's")
    counted = [(finding["level"], finding["code"]) for finding in read["findings"]]
    if counted != [(finding.level, finding.code) for finding in draft.findings]:
        yield Difference("the findings aren't the draft's")
    files = [(file["path"], file["sha256"]) for file in read["files"]]
    if files != [(artifact.path, artifact.sha256) for artifact in draft.artifacts]:
        yield Difference("the files aren't the draft's")


def _piece_differences(piece: Piece, record: Mapping[str, Any]) -> Iterator[Difference]:
    lines: list[tuple[str, Path]] = [("seam_line", piece.seam_line)]
    if piece.cut_line:
        lines.append(("cut_line", piece.outline))
    for key, path in lines:
        found = record[key]
        if len(found) != len(path.segments) or not all(
            _same(segment, other) for segment, other in zip(path.segments, found, strict=True)
        ):
            yield Difference(f"its {key} isn't the draft's", piece.id)
    for what in ("quantity", "mirrored", "material", "name"):
        if record[what] != getattr(piece, what):
            yield Difference(f"its {what} is {record[what]!r}", piece.id)
    points = [notch_point(piece, notch) for notch in piece.notches]
    if not _near(points, [notch["point"] for notch in record["notches"]]):
        yield Difference("its notches aren't the draft's", piece.id)


def _same(segment: Segment, record: Mapping[str, Any]) -> bool:
    if isinstance(segment, Line):
        return record["kind"] == "line" and _near(
            (segment.start, segment.end), (record["start"], record["end"])
        )
    if isinstance(segment, Arc):
        return (
            record["kind"] == "arc"
            and record["clockwise"] == segment.clockwise
            and abs(record["radius"] - segment.radius) <= TOLERANCE
            and _near(
                (segment.start, segment.end, segment.center),
                (record["start"], record["end"], record["center"]),
            )
        )
    if record["kind"] != "curve" or len(record["points"]) < 2:
        return False
    ends = (record["points"][0], record["points"][-1])
    path = Path((segment,))
    return _near((segment.start, segment.end), ends) and all(
        path.nearest((x, y))[1] <= TOLERANCE for x, y in record["points"]
    )


def _near(points: Sequence[Point], found: Sequence[Sequence[float]]) -> bool:
    return len(points) == len(found) and all(
        dist(point, other) <= TOLERANCE for point, other in zip(points, found, strict=True)
    )
