"""The tech pack in a browser: what it asks for, what fits, what can be read and heard."""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest

from oaktag_plugins.export_tech_pack import TechPackOptions, run
from oaktag_plugins.tech_pack.html import html_of

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page
    from tests import programs
    from tests.plugins import drafts
    from tests.plugins.tech_pack import packs
else:
    TESTS = Path(__file__).parents[1]
    programs = SimpleNamespace(**run_path(str(TESTS / "programs.py")))
    drafts = SimpleNamespace(**run_path(str(TESTS / "plugins" / "drafts.py")))
    packs = SimpleNamespace(**run_path(str(TESTS / "plugins" / "tech_pack" / "packs.py")))

FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
CONTRAST = 4.5  # WCAG 2.2, success criterion 1.4.3, level AA
SCHEMES = ("light", "dark")
WIDTHS = (360, 1440)

# Luminance and contrast as WCAG 2.2 defines them, against the nearest background and every tint of a picture.
LOW_CONTRAST = """
least => {
  const parts = text => text.match(/[\\d.]+/g).map(Number);
  const light = ([r, g, b]) => [r, g, b].map(v => v / 255)
    .map(v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)
    .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
  const behind = element => {
    for (let e = element; e; e = e.parentElement) {
      const c = parts(getComputedStyle(e).backgroundColor);
      if (c.length < 4 || c[3] > 0) return c;
    }
    return [255, 255, 255];
  };
  const low = [];
  let seen = 0;
  for (const element of document.querySelectorAll("body *")) {
    const own = [...element.childNodes].some(n => n.nodeType === 3 && n.textContent.trim());
    const style = getComputedStyle(element);
    if (!own || style.display === "none" || element.closest("title, desc")) continue;
    seen += 1;
    const inPicture = element.closest("svg");
    const backs = [behind(element)];
    if (inPicture) {
      for (const path of inPicture.querySelectorAll("path.light"))
        backs.push(parts(getComputedStyle(path).fill));
    }
    const front = parts(inPicture ? style.fill : style.color);
    for (const back of backs) {
      const [a, b] = [light(front), light(back)].sort((x, y) => y - x);
      const ratio = (a + 0.05) / (b + 0.05);
      if (ratio < least) low.push([element.tagName, element.textContent.slice(0, 40), ratio]);
    }
  }
  return [seen, low];
}
"""
MISSING = """
() => {
  const wrong = [];
  for (const table of document.querySelectorAll("table")) {
    if (!table.caption || !table.caption.textContent.trim()) wrong.push("a table has no caption");
    for (const th of table.querySelectorAll("th"))
      if (th.scope !== (th.closest("thead") ? "col" : "row")) wrong.push("a heading has no scope");
    const region = table.parentElement;
    if (region.tabIndex !== 0 || region.getAttribute("role") !== "region")
      wrong.push("a region can't be reached");
    if (!document.getElementById(region.getAttribute("aria-labelledby"))) wrong.push("a region has no name");
  }
  for (const svg of document.querySelectorAll("svg")) {
    const title = svg.querySelector("title"), desc = svg.querySelector("desc");
    if (svg.getAttribute("role") !== "img") wrong.push("a picture isn't one");
    for (const words of [title, desc])
      if (!words || !words.textContent.trim()) wrong.push("a picture is mute");
  }
  for (const name of ["header", "nav", "main", "footer"])
    if (document.querySelectorAll(name).length !== 1) wrong.push(name);
  if (document.querySelectorAll("h1").length !== 1) wrong.push("h1");
  if (!document.documentElement.lang || !document.title.trim()) wrong.push("language or title");
  return wrong;
}
"""
# A box that reaches beyond the page, unless a region that scrolls holds it.
BEYOND = """
() => [...document.querySelectorAll("body *")].filter(element =>
  !element.closest(".table, svg, .skip") && element.getBoundingClientRect().right > innerWidth + 0.5
).map(element => `${element.tagName} ${element.textContent.slice(0, 40)}`)
"""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    from playwright.sync_api import sync_playwright

    path = programs.program("chromium")
    with sync_playwright() as playwright:
        # The driver gives the browser a user data folder of its own, and removes it again.
        browser = playwright.chromium.launch(executable_path=path, headless=True, args=list(FLAGS))
        yield browser
        browser.close()


@pytest.fixture(scope="module", params=["made by hand", "of a bag"])
def file(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("page") / "tech-pack.html"
    if request.param == "of a bag":
        made = run(drafts.base(), TechPackOptions(formats="html", worked=True))
        path.write_bytes(made.artifacts[0].data)
    else:
        path.write_text(html_of(packs.every_block()), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def asked() -> list[str]:
    """What the page has asked for."""
    return []


@pytest.fixture(scope="module")
def complaints() -> list[str]:
    """What the browser has complained about."""
    return []


@pytest.fixture(scope="module")
def page(browser: Browser, file: Path, asked: list[str], complaints: list[str]) -> Iterator[Page]:
    asked.clear()
    complaints.clear()
    page = browser.new_page()
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: complaints.append(message.text))
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.goto(file.as_uri())
    yield page
    page.close()


def test_it_asks_for_nothing_but_itself(
    page: Page, file: Path, asked: list[str], complaints: list[str]
) -> None:
    page.wait_for_load_state("networkidle")
    assert asked == [file.as_uri()]
    assert complaints == []


@pytest.mark.parametrize("scheme", SCHEMES)
@pytest.mark.parametrize("width", WIDTHS)
def test_it_fits_and_can_be_read(page: Page, width: int, scheme: Any) -> None:
    page.set_viewport_size({"width": width, "height": 800})
    page.emulate_media(media="screen", color_scheme=scheme)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.evaluate(BEYOND) == []
    seen, low = page.evaluate(LOW_CONTRAST, CONTRAST)
    assert seen > 100
    assert low == []
    paper = page.evaluate("getComputedStyle(document.documentElement).backgroundColor")
    dark = sum(int(part) for part in re.findall(r"\d+", paper)) < 3 * 128
    assert dark == (scheme == "dark")


def test_it_says_what_it_is_to_those_who_hear_it(page: Page) -> None:
    assert page.evaluate(MISSING) == []
    levels = page.evaluate(
        "[...document.querySelectorAll('h1, h2, h3, h4, h5, h6')].map(h => Number(h.tagName[1]))"
    )
    assert levels[0] == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))


def test_the_keyboard_reaches_the_content_and_shows_where_it_is(page: Page) -> None:
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("Tab")
    where = page.evaluate("document.activeElement.getAttribute('href')")
    assert where == "#page-content"
    style = "getComputedStyle(document.activeElement)"
    assert page.evaluate(f"{style}.outlineStyle") == "solid"
    assert float(page.evaluate(f"parseFloat({style}.outlineWidth)")) >= 2.0
    assert page.evaluate("document.activeElement.getBoundingClientRect().top") >= 0.0
    page.keyboard.press("Enter")
    page.wait_for_function("location.hash === '#page-content'")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.closest('main') !== null")


def test_nothing_moves(page: Page) -> None:
    moving = page.evaluate(
        "[...document.querySelectorAll('*')].filter(e => { const s = getComputedStyle(e);"
        " return s.animationName !== 'none' || parseFloat(s.transitionDuration) > 0; }).length"
    )
    assert moving == 0


def test_it_prints_in_black_and_white_within_the_paper(page: Page) -> None:
    import numpy as np
    from pypdfium2 import PdfDocument

    page.emulate_media(media="print", color_scheme="dark")
    printed = PdfDocument(page.pdf(format="A4", prefer_css_page_size=True, print_background=True))
    assert len(printed) >= 2
    words = " ".join(" ".join(sheet.get_textpage().get_text_range().split()) for sheet in printed)
    assert "Skip to the content" not in words
    for number in range(min(4, len(printed))):
        pixels = np.asarray(printed[number].render(scale=0.5).to_numpy())[..., :3].astype(int)
        assert np.ptp(pixels, axis=2).max() <= 8  # no colour, beside what smoothing leaves
        assert pixels.mean() > 180  # black on white even for those who read in the dark
        edges = (pixels[:, :8], pixels[:, -8:], pixels[:8], pixels[-8:])
        assert all(edge.min() == 255 for edge in edges)
