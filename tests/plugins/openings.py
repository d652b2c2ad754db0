"""Frame sheets, polygons and Monte Carlo for the tests of stages that make the opening."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import strategies as st
from numpy.typing import NDArray

from oaktag.geometry import Point
from oaktag.pattern import Attachment, Draft, Frame, Instrument, Provenance, Refusal, Source
from oaktag.recipe import load_frame

CORNERS = ("seat", "head", "bottom-bracket")
TUBES = ("top-tube", "down-tube", "seat-tube")
INSTRUMENTS = (Instrument("tape", 1.0, None), Instrument("caliper", 0.2, None))

Array = NDArray[np.float64]


def sheet(tmp_path: Path, text: str, **files: bytes) -> Draft:
    """The draft of a frame sheet, written beside the files that it names: `corners_csv` for corners.csv."""
    for name, data in files.items():
        (tmp_path / name.replace("_", ".")).write_bytes(data)
    path = tmp_path / "demo.frame.toml"
    path.write_text(f'name = "Demo"\n{text}', encoding="utf-8")
    return loaded(path)


def loaded(path: Path) -> Draft:
    """The draft of a frame sheet before the first stage."""
    frame, _ = load_frame(path)
    return Draft(frame, Provenance(frame.name), Provenance("test"))


def sourced(
    name: str,
    table: Mapping[str, Any],
    *,
    corners: Sequence[str] = CORNERS,
    tubes: Sequence[str] = TUBES,
    unit: str = "mm",
    **files: bytes,
) -> Draft:
    """A draft whose frame has one source and nothing else."""
    attached = tuple(Attachment(key.replace("_", "."), data, "") for key, data in files.items())
    source = Source(name, json.dumps(table), attached)
    frame = Frame(
        "Demo", tuple(corners), tuple(tubes), (), unit=unit, instruments=INSTRUMENTS, sources=(source,)
    )
    return Draft(frame, Provenance("demo"), Provenance("test"))


def bare(count: int) -> Draft:
    """A draft of a frame with so many corners and no readings."""
    corners, tubes = names(count)
    frame = Frame("Demo", corners, tubes, (), instruments=INSTRUMENTS)
    return Draft(frame, Provenance("demo"), Provenance("test"))


def names(count: int) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Names of corners and tubes."""
    return tuple(f"corner-{i}" for i in range(count)), tuple(f"tube-{i}" for i in range(count))


@st.composite
def polygons(draw: st.DrawFn, most: int = 7) -> tuple[Point, ...]:
    """Corners of a simple polygon, clockwise; many of them have corners that point inwards."""
    count = draw(st.integers(3, most))
    gaps = draw(st.lists(st.floats(0.8, 1.3), min_size=count, max_size=count))
    radii = draw(st.lists(st.floats(120.0, 420.0), min_size=count, max_size=count))
    turn = draw(st.floats(0.0, math.tau))
    points: list[Point] = []
    for gap, radius in zip(gaps, radii, strict=True):
        points.append((radius * math.cos(turn), radius * math.sin(turn)))
        turn -= math.tau * gap / sum(gaps)
    return tuple(points)


def moved(points: Sequence[Point], radians: float, shift: Point) -> tuple[Point, ...]:
    """The points turned about the origin, then shifted."""
    c, s = math.cos(radians), math.sin(radians)
    return tuple((c * x - s * y + shift[0], s * x + c * y + shift[1]) for x, y in points)


def interior_angle(points: Sequence[Point], index: int) -> float:
    """Interior angle in degrees at a corner of a polygon that runs clockwise."""
    (ax, ay), (bx, by), (cx, cy) = points[index - 1], points[index], points[(index + 1) % len(points)]
    ahead, back = math.atan2(cy - by, cx - bx), math.atan2(ay - by, ax - bx)
    return math.degrees(ahead - back) % 360.0


def check_shape(draft: Draft, points: Sequence[Point], tolerance: float = 1e-6) -> None:
    """Hold the draft's opening to be the polygon, wherever that lies, placed as every opening is."""
    opening, survey = draft.opening, draft.survey
    assert opening is not None
    assert survey is not None
    placed = [corner.point for corner in opening.corners]
    assert [corner.name for corner in opening.corners] == list(draft.frame.corners)
    assert [edge.name for edge in opening.edges] == list(draft.frame.tubes)
    assert placed[0][1] == placed[1][1]
    assert placed[0][0] < placed[1][0]
    assert min(placed, key=lambda point: point[1]) == (0.0, 0.0)
    count = len(points)
    for i in range(count):
        j = (i + 1) % count
        length = math.dist(points[i], points[j])
        assert math.dist(placed[i], placed[j]) == pytest.approx(length, abs=tolerance)
        assert survey.lengths[i].value == pytest.approx(length, abs=tolerance)
        angle = pytest.approx(interior_angle(points, i), abs=tolerance)
        assert interior_angle(placed, i) == angle
        assert survey.angles[i].value == angle
        assert opening.corners[i].angle == survey.angles[i].value
        assert (opening.edges[i].path.start, opening.edges[i].path.end) == (placed[i], placed[j])
    perimeter = sum(length.value for length in survey.lengths)
    assert survey.perimeter.value == pytest.approx(perimeter)
    assert (survey.readings, survey.statistics.dof, survey.statistics.passed) == ((), 0, None)


def held(samples: Array) -> Array:
    """Many polygons (k, n, 2) moved so that the first corner is the origin and the first side along +x."""
    z = samples[..., 0] + 1j * samples[..., 1]
    z = z - z[:, :1]
    z = z * np.exp(-1j * np.angle(z[:, 1:2]))
    return np.stack((z.real, z.imag), axis=-1)


def check_covariance(draft: Draft, samples: Array, share: float = 0.04) -> None:
    """Hold the draft's stated uncertainties to those of many simulated openings (k, n, 2)."""
    survey = draft.survey
    assert survey is not None
    stated = np.array(survey.covariance)
    flat = held(samples).reshape(len(samples), -1)
    seen = np.cov(flat, rowvar=False)
    scale = np.sqrt(np.outer(np.diagonal(stated), np.diagonal(stated)))
    assert np.all(np.abs(seen - stated) <= share * scale + 1e-9)
    after = np.roll(samples, -1, axis=1)
    sides = np.hypot(*np.moveaxis(after - samples, -1, 0))
    for index, length in enumerate(survey.lengths):
        assert length.sigma == pytest.approx(float(np.std(sides[:, index])), rel=share)
    assert survey.perimeter.sigma == pytest.approx(float(np.std(sides.sum(axis=1))), rel=share)
    before = np.roll(samples, 1, axis=1)
    ahead, back = (np.arctan2(*np.moveaxis(other - samples, -1, 0)[::-1]) for other in (after, before))
    angles = np.degrees(np.unwrap((ahead - back) % math.tau, axis=0))
    for index, angle in enumerate(survey.angles):
        assert angle.sigma == pytest.approx(float(np.std(angles[:, index])), rel=share)


def refusal(call: Callable[[], object], key: str, source: str = "frame") -> Refusal:
    """The refusal that a call ends in, which says what a maker needs to know."""
    with pytest.raises(Refusal) as caught:
        call()
    said = caught.value
    assert (said.key, said.source) == (key, source)
    for part in (said.reason, said.found, said.valid, said.todo):
        assert part.strip()
    return said


def codes(draft: Draft) -> list[tuple[str, str]]:
    """Level and code of a draft's findings, in order."""
    return [(finding.level, finding.code) for finding in draft.findings]
