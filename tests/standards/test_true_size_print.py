"""Printed size, measured on pages that Poppler renders, which neither writes nor reads our files."""

from __future__ import annotations

import subprocess
from dataclasses import replace
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from PIL import Image

from oaktag import Draft
from oaktag.engine.plan import make_plan
from oaktag.engine.run import first_draft, run_plan
from oaktag.geometry import Box
from oaktag.geometry import Path as GeometryPath
from oaktag.pattern import Artifact
from oaktag.pattern.drawing import LINE_STYLES, Stroke
from oaktag.plugin import load_stages
from oaktag.recipe import load_frame, load_recipe
from oaktag_plugins import export_pdf, export_pdf_tiles

if TYPE_CHECKING:
    from numpy import bool_
    from numpy.typing import NDArray
    from tests import programs
else:
    programs = SimpleNamespace(**run_path(str(Path(__file__).parents[1] / "programs.py")))

ROOT = Path(__file__).parents[2]
DPI = 300
PIXEL = 25.4 / DPI
"""Side of a pixel in mm; a line can't be measured more closely than that."""


@pytest.fixture(scope="module")
def draft() -> Draft:
    stages = load_stages()
    read = load_recipe(ROOT / "recipes" / "fit-sample.recipe.toml")
    steps = tuple(step for step in read.steps if not step.use.startswith("export."))
    plan = make_plan(replace(read, steps=steps), stages)
    sheet, file = load_frame(ROOT / "recipes" / "frames" / "towpath-3-small.frame.toml")
    return run_plan(plan, first_draft(sheet, file, plan, stages.materials), file.path).draft


def ink(artifact: Artifact, page: int, folder: Path) -> NDArray[bool_]:
    """Where a page is dark, as rows of pixels from the top."""
    (folder / "file.pdf").write_bytes(artifact.data)
    command = [programs.program("pdftoppm"), "-r", str(DPI), "-gray", "-aa", "no"]
    command += [
        "-f",
        str(page),
        "-l",
        str(page),
        "-singlefile",
        str(folder / "file.pdf"),
        str(folder / "page"),
    ]
    subprocess.run(command, check=True, capture_output=True)
    Image.MAX_IMAGE_PIXELS = None
    with Image.open(folder / "page.pgm") as image:
        return np.asarray(image) < 128


def extent(dark: NDArray[bool_], where: Box) -> tuple[float, float]:
    """Width and height in mm of what is dark in a part of a page; mm from its lower left."""
    high = len(dark)
    rows = slice(high - round(where.max_y / PIXEL), high - round(where.min_y / PIXEL))
    part = dark[rows, round(where.min_x / PIXEL) : round(where.max_x / PIXEL)]
    columns, lines = np.flatnonzero(part.any(axis=0)), np.flatnonzero(part.any(axis=1))
    return float(columns[-1] - columns[0] + 1) * PIXEL, float(lines[-1] - lines[0] + 1) * PIXEL


@pytest.mark.parametrize("number", [0, 2])
def test_a_printed_piece_has_its_size_within_a_pixel(draft: Draft, tmp_path: Path, number: int) -> None:
    (artifact,) = export_pdf.run(draft, export_pdf.PdfOptions()).artifacts
    assert artifact.shown is not None
    (placement,) = artifact.shown.pages[number].placements
    wanted = draft.piece(placement.piece).outline.bounds
    here = draft.piece(placement.piece).outline.transformed(placement.transform).bounds
    width, height = extent(ink(artifact, number + 1, tmp_path), here.expanded(3.0))
    # The line is drawn half its weight to either side.
    weight = LINE_STYLES["cut"].weight
    assert width - weight == pytest.approx(wanted.width, abs=PIXEL)
    assert height - weight == pytest.approx(wanted.height, abs=PIXEL)


def squares(artifact: Artifact, side: float) -> list[Box]:
    """Where the first page has squares of a side, mm from its lower left."""
    assert artifact.shown is not None
    boxes = [
        item.path.bounds
        for item in artifact.shown.pages[0].own
        if isinstance(item, Stroke) and isinstance(item.shape, GeometryPath)
    ]
    return [box for box in boxes if abs(box.width - side) < 1e-6 and abs(box.height - side) < 1e-6]


@pytest.mark.parametrize("side", [100.0, 101.6])
@pytest.mark.parametrize("tiles", [False, True], ids=["full size", "tiles"])
def test_the_printed_test_square_has_its_size_within_a_pixel(
    draft: Draft, tmp_path: Path, side: float, tiles: bool
) -> None:
    if tiles:
        after = export_pdf_tiles.run(draft, export_pdf_tiles.PdfTilesOptions())
    else:
        after = export_pdf.run(draft, export_pdf.PdfOptions())
    (artifact,) = after.artifacts
    (square,) = squares(artifact, side)
    dark = ink(artifact, 1, tmp_path)
    weight = LINE_STYLES["sheet"].weight
    # Strips near the upper and left side, clear of the words; the far side is the last that is dark there.
    across = Box(square.min_x - 0.3, square.max_y - 12.0, square.max_x + 0.3, square.max_y - 6.0)
    up = Box(square.min_x + 6.0, square.min_y - 0.3, square.min_x + 12.0, square.max_y + 0.3)
    assert extent(dark, across)[0] - weight == pytest.approx(side, abs=PIXEL)
    assert extent(dark, up)[1] - weight == pytest.approx(side, abs=PIXEL)


def test_printed_tiles_show_all_of_every_outline(draft: Draft, tmp_path: Path) -> None:
    # Poppler clips each page as a printer would; all pages together have every place of every cut line.
    (artifact,) = export_pdf_tiles.run(draft, export_pdf_tiles.PdfTilesOptions()).artifacts
    assert artifact.shown is not None
    places = {
        piece.id: [piece.outline.point_at(at) for at in np.arange(0.0, piece.outline.length, 2.0)]
        for piece in draft.pieces
    }
    printed = {name: np.zeros(len(points), dtype=bool) for name, points in places.items()}
    for number, page in enumerate(artifact.shown.pages, start=1):
        if not page.placements:
            continue
        assert page.window is not None
        inside = page.window.expanded(-0.3)
        dark = ink(artifact, number, tmp_path)
        for placement in page.placements:
            for index, point in enumerate(places[placement.piece]):
                x, y = placement.transform.apply(point)
                if inside.min_x < x < inside.max_x and inside.min_y < y < inside.max_y:
                    column, row = round(x / PIXEL), len(dark) - round(y / PIXEL)
                    assert dark[row - 2 : row + 3, column - 2 : column + 3].any(), (number, x, y)
                    printed[placement.piece][index] = True
    assert all(seen.all() for seen in printed.values())
