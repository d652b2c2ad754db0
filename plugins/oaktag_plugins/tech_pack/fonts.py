"""The type of a printed tech pack: one family that carries Latin, Greek and Cyrillic letters, embedded."""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache

from oaktag import Finding

REGULAR, BOLD = "FiraSans-Regular", "FiraSans-SemiBold"
REPLACEMENT = "?"

_MOST = 12  # characters that a finding names one by one


@lru_cache(maxsize=1)
def carried() -> frozenset[str]:
    """Register both weights with reportlab, once, and say which characters they have."""
    from importlib.resources import as_file, files

    from reportlab.pdfbase.pdfmetrics import registerFont
    from reportlab.pdfbase.ttfonts import TTFont

    signs: list[frozenset[str]] = []
    for name in (REGULAR, BOLD):
        with as_file(files("fontpkg_fira_sans") / "files" / f"{name}.ttf") as path:
            font = TTFont(name, str(path))
        registerFont(font)
        signs.append(frozenset(chr(code) for code in font.face.charToGlyph if code > 0x1F and code != 0x7F))
    return signs[0] & signs[1]


def written(text: str) -> str:
    """A text as it is printed: a question mark for every character that the type doesn't have."""
    signs = carried()
    return "".join(sign if sign in signs or sign.isspace() else REPLACEMENT for sign in text)


def left_out(path: str, texts: Iterable[str]) -> list[Finding]:
    """What to say of characters that a file doesn't carry, if there are any.

    Args:
        path: of the file.
        texts: all that it says.
    """
    signs = carried()
    missing = sorted({sign for text in texts for sign in text if sign not in signs and not sign.isspace()})
    if not missing:
        return []
    named = ", ".join(
        f"{sign} (U+{ord(sign):04X})" if sign.isprintable() else f"U+{ord(sign):04X}"
        for sign in missing[:_MOST]
    )
    more = f" and {len(missing) - _MOST} more" if len(missing) > _MOST else ""
    message = (
        f"{path} can't carry {named}{more} and has a question mark there:"
        " read the HTML file, or rename what they stand in"
    )
    return [Finding("note", "characters-left-out", message)]
