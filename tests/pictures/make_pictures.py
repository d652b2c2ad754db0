"""Makes the README's pictures of the tech pack from the fit sample, in a real browser.

    .venv/bin/python tests/pictures/make_pictures.py

It needs Chromium and writes recipes/tech-pack-phone.png and recipes/tech-pack-desktop.png.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from io import BytesIO
from pathlib import Path
from shutil import which
from tempfile import TemporaryDirectory

from PIL import Image
from playwright.sync_api import Browser, sync_playwright

from oaktag.engine.plan import make_plan
from oaktag.engine.run import first_draft, run_plan
from oaktag.plugin import load_stages
from oaktag.recipe import load_frame, load_recipe
from oaktag_plugins.export_tech_pack import TechPackOptions, run

RECIPES = Path(__file__).parents[2] / "recipes"
LARGEST = 60_000
"""Bytes of a picture."""
PICTURES = (("phone", 360, 760, "dark"), ("desktop", 1080, 760, "light"))
"""Name, width and height of the window, colour scheme."""


def page_of_the_fit_sample() -> bytes:
    """The tech pack as HTML."""
    stages = load_stages()
    recipe = load_recipe(RECIPES / "fit-sample.recipe.toml")
    steps = tuple(step for step in recipe.steps if not step.use.startswith("export."))
    plan = make_plan(replace(recipe, steps=steps), stages)
    sheet, file = load_frame(RECIPES / "frames" / "towpath-3-small.frame.toml")
    draft = run_plan(plan, first_draft(sheet, file, plan, stages.materials), file.path).draft
    return run(draft, TechPackOptions(formats="html")).artifacts[0].data


def picture(browser: Browser, page: Path, width: int, height: int, scheme: str) -> bytes:
    """The upper part of a page as PNG, in few colours so that it stays small."""
    window = browser.new_page(viewport={"width": width, "height": height}, color_scheme=scheme)  # type: ignore[arg-type]
    window.goto(page.as_uri())
    shot = Image.open(BytesIO(window.screenshot()))
    window.close()
    packed = BytesIO()
    shot.convert("RGB").quantize(64, dither=Image.Dither.NONE).save(packed, "PNG", optimize=True)
    return packed.getvalue()


def main() -> int:
    """Write both pictures; 1 if there is no browser or a picture comes out too large."""
    path = which("chromium")
    if path is None:
        print("needs the program chromium, which isn't installed", file=sys.stderr)
        return 1
    with TemporaryDirectory() as folder, sync_playwright() as playwright:
        page = Path(folder) / "tech-pack.html"
        page.write_bytes(page_of_the_fit_sample())
        browser = playwright.chromium.launch(
            executable_path=path, args=["--no-sandbox", "--disable-gpu", "--hide-scrollbars"]
        )
        for name, width, height, scheme in PICTURES:
            data = picture(browser, page, width, height, scheme)
            if len(data) > LARGEST:
                print(f"{name}: {len(data)} bytes are more than {LARGEST}", file=sys.stderr)
                return 1
            (RECIPES / f"tech-pack-{name}.png").write_bytes(data)
            print(f"recipes/tech-pack-{name}.png: {len(data)} bytes")
        browser.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
