"""Reading tech packs back: HTML with Python's own parser, PDF with PDFium; neither wrote them."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Iterator
from html.parser import HTMLParser
from typing import TYPE_CHECKING, NamedTuple

from oaktag import Draft
from oaktag.pattern import Artifact
from oaktag.pattern.read_back import Difference
from oaktag_plugins.tech_pack.build import tech_pack
from oaktag_plugins.tech_pack.content import TechPack
from oaktag_plugins.tech_pack.fonts import written
from oaktag_plugins.tech_pack.html import printable
from oaktag_plugins.tech_pack.said import (
    Said,
    SaidKind,
    everything_in,
    first_difference,
    read_note,
    shortened,
    single_spaced,
)

if TYPE_CHECKING:
    from pypdfium2 import PdfObject, PdfPage

_VOID = {"meta", "link", "br", "img", "input", "hr", "wbr", "col", "area", "base", "embed", "source", "track"}
_FETCHING = {"src", "href", "srcset", "action", "data", "poster", "background", "xlink:href", "formaction"}
_SPEAKING = ("title", "desc")


def differences_in_html(draft: Draft, artifact: Artifact) -> Iterable[Difference]:
    """How an HTML tech pack differs from the draft.

    Raises:
        UnicodeDecodeError: it isn't UTF-8.
        ValueError: it doesn't say how it was made.
    """
    page = _Page()
    page.feed(artifact.data.decode())
    page.close()
    pack = _made_anew(draft, page.note)
    wanted = [Said(said.kind, single_spaced(printable(said.text))) for said in everything_in(pack)]
    yield from page.wrong
    if page.language != pack.language:
        yield Difference(f"its language is {page.language!r}, not {pack.language!r}")
    yield from first_difference(wanted, page.said)


def differences_in_pdf(draft: Draft, artifact: Artifact) -> Iterable[Difference]:
    """How a PDF tech pack differs from the draft.

    Raises:
        pypdfium2.PdfiumError: it is no PDF.
        ValueError: it doesn't say how it was made.
    """
    from pypdfium2 import PdfDocument

    document = PdfDocument(artifact.data)
    try:
        facts = document.get_metadata_dict()
        pack = _made_anew(draft, facts.get("Keywords", ""))
        title = written(single_spaced(pack.title))
        if facts.get("Title") != title:
            yield Difference(f"its title is {facts.get('Title')!r}, not {title!r}")
        pages = [list(_runs(document[number])) for number in range(len(document))]
        yield from _compared(pack, pages)
    finally:
        document.close()


def _made_anew(draft: Draft, note: str) -> TechPack:
    """The pack as the draft was when the file was made: with the findings that it had by then."""
    findings, worked = read_note(note)
    return tech_pack(draft.evolve(findings=draft.findings[:findings], artifacts=()), worked=worked)


# HTML


class _Page(HTMLParser):
    """Collects what a page says, and what it must not have."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.said: list[Said] = []
        self.wrong: list[Difference] = []
        self.note = ""
        self.language = ""
        self._open: list[tuple[str, tuple[str, ...]]] = []
        self._kind: SaidKind | None = None
        self._depth = 0
        self._text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        self._refuse(tag, given)
        if tag == "html":
            self.language = given.get("lang", "")
        if tag == "meta" and given.get("name") == "oaktag":
            self.note = given.get("content", "")
        if tag in _VOID:
            return
        classes = tuple(given.get("class", "").split())
        self._open.append((tag, classes))
        kind = self._meaning(tag, classes)
        if kind is not None and self._kind is None:
            self._kind, self._depth, self._text = kind, len(self._open), []

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._refuse(tag, {name: value or "" for name, value in attrs})

    def handle_endtag(self, tag: str) -> None:
        if not self._open or self._open[-1][0] != tag:
            inside = self._open[-1][0] if self._open else "nothing"
            self.wrong.append(Difference(f"</{tag}> closes {inside}"))
            return
        if self._kind is not None and len(self._open) == self._depth:
            self.said.append(Said(self._kind, single_spaced("".join(self._text))))
            self._kind = None
        self._open.pop()

    def handle_data(self, data: str) -> None:
        if self._kind is not None:
            self._text.append(data)
        if self._open and self._open[-1][0] == "style" and re.search(r"url\s*\(|@import", data):
            self.wrong.append(Difference("its style sheet fetches something"))

    def _refuse(self, tag: str, given: dict[str, str]) -> None:
        if tag in ("script", "iframe", "object", "embed", "form", "img", "base"):
            self.wrong.append(Difference(f"it has <{tag}>, which a page that stands alone doesn't need"))
        for name, value in given.items():
            if name.startswith("on"):
                self.wrong.append(Difference(f"it runs a script: {name}"))
            if name in _FETCHING and not value.startswith(("#", "data:,")):
                self.wrong.append(Difference(f"it points outside: {shortened(value)!r}"))

    def _meaning(self, tag: str, classes: tuple[str, ...]) -> SaidKind | None:
        names = [name for name, _ in self._open]
        if "svg" in names:
            return "picture" if tag == "desc" else "in picture" if tag == "text" else None
        if "nav" in names or "footer" in names:
            return None
        if tag in ("h3", "h4", "h5", "h6"):
            return "subsection"
        if tag == "p":
            return None if "said" in classes else "text"
        if tag == "span" and "text" in classes:
            return "text"
        if tag in ("th", "td"):
            return "column" if "thead" in names else "cell"
        kinds: dict[str, SaidKind] = {
            "h1": "title",
            "dt": "fact",
            "dd": "value",
            "h2": "section",
            "strong": "kind",
            "li": "item",
            "caption": "caption",
            "figcaption": "below picture",
        }
        return kinds.get(tag)


# PDF


class _Run(NamedTuple):
    """Text as the page draws it, without white space; for a picture also what it shows, in words."""

    text: str
    picture: str | None


def _runs(page: PdfPage) -> Iterator[_Run]:
    """What a page says; something drawn of a picture that isn't text gives an empty text."""
    from pypdfium2.raw import FPDF_PAGEOBJ_TEXT

    texts = page.get_textpage()
    before: str | None = None
    for drawn in page.get_objects(textpage=texts):
        picture = _alternative(drawn)
        if drawn.type == FPDF_PAGEOBJ_TEXT:
            yield _Run(_squeezed(drawn.extract()), picture)
        elif picture is not None and picture != before:
            yield _Run("", picture)
        before = picture


def _alternative(drawn: PdfObject) -> str | None:
    """The words for a picture that something drawn belongs to, from the marks around it."""
    from ctypes import byref, c_ubyte, c_ulong

    from pypdfium2 import raw

    for number in range(raw.FPDFPageObj_CountMarks(drawn)):
        mark = raw.FPDFPageObj_GetMark(drawn, number)
        length = c_ulong()
        raw.FPDFPageObjMark_GetParamBlobValue(mark, b"Alt", None, 0, byref(length))
        if length.value:
            buffer = (c_ubyte * length.value)()
            raw.FPDFPageObjMark_GetParamBlobValue(mark, b"Alt", buffer, length, byref(length))
            return bytes(buffer).decode("utf-16")
    return None


def _squeezed(text: str) -> str:
    """Without white space and loose accents, which PDFium leaves out.

    It says U+FFFE or U+0002 for a hyphen at the end of a line.
    """
    spelt = unicodedata.normalize("NFC", text.replace("\ufffe", "-").replace("\x02", "-"))
    return "".join(sign for sign in spelt if not sign.isspace() and not unicodedata.combining(sign))


def _compared(pack: TechPack, pages: list[list[_Run]]) -> Iterator[Difference]:
    wanted = list(everything_in(pack))
    seen = [run.picture for page in pages for run in page if run.picture is not None]
    shown = [picture for number, picture in enumerate(seen) if number == 0 or seen[number - 1] != picture]
    asked = [said.text for said in wanted if said.kind == "picture"]
    asked = [text for number, text in enumerate(asked) if number == 0 or asked[number - 1] != text]
    if shown != asked:
        yield Difference(f"it shows {len(shown)} pictures, or other ones, not the draft's {len(asked)}")
    title = _squeezed(written(pack.title))
    texts = _Texts(["".join(run.text for run in page) for page in pages], title)
    section, head = "", ""
    for said in wanted:
        if said.kind == "section":
            section = said.text
        if said.kind == "caption":
            head = ""
        if said.kind == "picture":
            continue
        text = _squeezed(written(said.text))
        if said.kind in ("caption", "column"):
            head += text
        found = texts.take(text, head if said.kind == "cell" else "")
        if found is not None:
            where = f" in the section {section!r}" if section else ""
            yield Difference(
                f"it says {shortened(found)!r}{where}, not {shortened(said.text)!r} ({said.kind})"
            )
            return
    rest = texts.rest()
    if rest:
        yield Difference(f"it goes on with {shortened(rest)!r}, which the draft doesn't say")


class _Texts:
    """The texts of all pages in a row, each after its page's running head."""

    def __init__(self, pages: list[str], title: str) -> None:
        self._pages, self._title = pages, title
        self._number = 0
        self._left = ""
        self._broken = ""
        self._turn()

    def _turn(self) -> bool:
        """Go to the next page, past its running head: the title or its beginning, and the number."""
        if self._number == len(self._pages):
            return False
        text = self._pages[self._number]
        self._number += 1
        number = f"Page{self._number}of{len(self._pages)}"
        head = (
            self._title
            if text.startswith(self._title + number)
            else text.partition("\u2026Page")[0] + "\u2026"
        )
        if not text.startswith(head + number) or not self._title.startswith(head.removesuffix("\u2026")):
            self._broken = text[:80]
            return False
        self._left = text[len(head + number) :]
        return True

    def take(self, text: str, head: str) -> str | None:
        """Go past a text, which may run over pages; what stands there instead if it isn't there.

        Args:
            text: without white space.
            head: what is repeated at the top of a page in a table; empty elsewhere.
        """
        while text:
            if not self._left:
                if not self._turn():
                    return self._broken or "no more"
                if head:
                    self._left = self._left.removeprefix(head)
                continue
            count = min(len(text), len(self._left))
            if text[:count] != self._left[:count]:
                return self._left[:80]
            text, self._left = text[count:], self._left[count:]
        return None

    def rest(self) -> str:
        """What is left on all pages, without running heads."""
        rest = self._left
        while self._turn():
            rest += self._left
        return rest + self._broken
