from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import replace
from io import BytesIO

import pytest
from PIL import Image, ImageDraw, ImageOps
from pydantic import ValidationError

from oaktag import Draft
from oaktag.pattern.sheet import draw_sheet
from oaktag_plugins.check_read_back import ReadBackOptions
from oaktag_plugins.check_read_back import run as read_back
from oaktag_plugins.export_png import MARGIN, PngOptions, oaktag_stages, preview_styles, run


def picture(draft: Draft, options: PngOptions) -> Image.Image:
    (artifact,) = run(draft, options).artifacts
    assert (artifact.path, artifact.kind) == ("pattern.png", "png")
    return Image.open(BytesIO(artifact.data)).convert("L")


def test_the_picture_has_the_sheet_s_shape(draft: Draft) -> None:
    bounds = draw_sheet(draft).bounds
    image = picture(draft, PngOptions(width=800))
    assert image.width == 800
    height = 800 * (bounds.height + 2 * MARGIN) / (bounds.width + 2 * MARGIN)
    assert image.height == round(height)
    assert picture(draft, PngOptions()).width == 1600


def test_ink_lies_where_the_pieces_do(draft: Draft) -> None:
    sheet = draw_sheet(draft)
    image = picture(draft, PngOptions(width=1000))
    scale = 1000 / (sheet.bounds.width + 2 * MARGIN)
    assert image.getpixel((0, 0)) == 255
    assert {image.getpixel((x, 2)) for x in range(1000)} == {255}
    for stroke in sheet.strokes:
        if stroke.role != "cut":
            continue
        for step in range(40):
            x, y = stroke.path.point_at(stroke.path.length * step / 40)
            column = (x - sheet.bounds.min_x + MARGIN) * scale
            row = (sheet.bounds.max_y + MARGIN - y) * scale
            around = image.crop((int(column) - 1, int(row) - 1, int(column) + 2, int(row) + 2))
            assert around.getextrema()[0] < 100  # type: ignore[operator]
    ink = sum(image.histogram()[:128]) / (image.width * image.height)
    assert 0.005 < ink < 0.1


def test_lines_of_a_preview_can_be_seen_and_told_apart() -> None:
    small = preview_styles(0.5)
    assert min(style.weight for style in small.values()) * 0.5 >= 1.0 - 1e-9
    assert small["cut"].weight > 1.5 * small["seam"].weight
    assert small["seam"].dashes[0] * 0.5 >= 6.0 - 1e-9
    from oaktag.pattern.drawing import LINE_STYLES

    assert preview_styles(100.0) == LINE_STYLES


@pytest.mark.parametrize("width", [99, 10_001])
def test_a_picture_has_a_sensible_width(width: int) -> None:
    with pytest.raises(ValidationError):
        PngOptions(width=width)


def mirrored(image: Image.Image) -> Image.Image:
    return ImageOps.mirror(image)


def shrunk(image: Image.Image) -> Image.Image:
    paper = Image.new("RGB", image.size, "white")
    paper.paste(image.resize((round(image.width * 0.98), round(image.height * 0.98))))
    return paper


def erased(image: Image.Image) -> Image.Image:
    image = image.copy()
    image.paste("white", (0, 0, image.width // 2, image.height // 2))
    return image


def scribbled(image: Image.Image) -> Image.Image:
    image = image.copy()
    ImageDraw.Draw(image).line((3, 3, 40, 3), fill="black")
    return image


@pytest.mark.parametrize("fault", [mirrored, shrunk, erased, scribbled])
def test_a_wrong_picture_goes(draft: Draft, fault: Callable[[Image.Image], Image.Image]) -> None:
    after = run(draft, PngOptions())
    assert read_back(after, ReadBackOptions()) == after
    (artifact,) = after.artifacts
    buffer = BytesIO()
    fault(Image.open(BytesIO(artifact.data)).convert("RGB")).save(buffer, "png")
    bad = after.evolve(artifacts=(replace(artifact, data=buffer.getvalue()),))
    checked = read_back(bad, ReadBackOptions())
    assert checked.artifacts == ()
    assert checked.has_errors


def test_without_the_cairo_library_the_preview_is_skipped(
    draft: Draft, monkeypatch: pytest.MonkeyPatch
) -> None:
    class NoCairo:
        def find_spec(self, name: str, path: object = None, target: object = None) -> None:
            if name == "cairosvg":
                raise OSError('no library called "cairo-2" was found')

    monkeypatch.delitem(sys.modules, "cairosvg", raising=False)
    monkeypatch.setattr(sys, "meta_path", [NoCairo(), *sys.meta_path])
    after = run(draft, PngOptions())
    assert after.artifacts == ()
    (finding,) = after.findings
    assert (finding.level, finding.code) == ("note", "preview-skipped")
    assert "libcairo2" in finding.message


def test_the_stage_is_supplied() -> None:
    (spec,) = oaktag_stages()
    assert spec.name == "export.png"
    assert spec.load_run() is run
    assert spec.load_options() is PngOptions
    assert spec.adds == {"files"}
