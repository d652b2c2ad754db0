"""Text as DXF files carry it."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable

from oaktag import Finding

UNKNOWN = "?"

_DRAWN_BY_LETTERS = {
    "×": "x", "÷": "/", "±": "+/-", "·": ".", "•": "*", "–": "-", "—": "-", "‐": "-", "‑": "-", "−": "-",
    "→": "->", "←": "<-", "↑": "^", "↓": "v", "°": " deg", "⌀": "dia ", "Ø": "O", "ø": "o", "Ł": "L",
    "ł": "l", "Đ": "D", "đ": "d", "Ð": "D", "ð": "d", "Þ": "Th", "þ": "th", "ß": "ss", "ẞ": "SS", "Æ": "AE",
    "æ": "ae", "Œ": "OE", "œ": "oe", "‘": "'", "’": "'", "‚": ",", "′": "'", "“": '"', "”": '"', "„": '"',
    "″": '"', "«": "<<", "»": ">>", "‹": "<", "›": ">", "⁄": "/", "∕": "/", "≤": "<=", "≥": ">=", "≈": "~",
    "µ": "u", "μ": "u", "…": "...", "½": " 1/2", "¼": " 1/4", "¾": " 3/4", "⅓": " 1/3", "⅔": " 2/3",
    "⅛": " 1/8", "⅜": " 3/8", "⅝": " 5/8", "⅞": " 7/8",
}  # fmt: skip


def printable(text: str) -> str:
    r"""The text in one line: signs that don't print become question marks.

    A maker's own `\U+` is set apart, as programs would read the number of a sign in it.
    """
    return "".join(sign if sign.isprintable() else UNKNOWN for sign in text).replace("\\U+", "\\ U+")


def plain(text: str) -> str:
    """The text as R12 can carry it: signs beyond U+FFFF become question marks, as four digits name a sign."""
    return "".join(sign if ord(sign) <= 0xFFFF else UNKNOWN for sign in printable(text))


def seven_bit(text: str) -> str:
    """The text in 7-bit ASCII: signs are spelt where that can be done, others become question marks."""
    return "".join(map(_ascii, unicodedata.normalize("NFC", printable(text))))


def _ascii(sign: str) -> str:
    if sign.isascii():
        return sign
    if sign in _DRAWN_BY_LETTERS:
        return _DRAWN_BY_LETTERS[sign]
    base = "".join(part for part in unicodedata.normalize("NFKD", sign) if part.isascii())
    return base or ("" if unicodedata.combining(sign) else UNKNOWN)


def written(text: str) -> str:
    """The text as it stands in a file.

    Two per cent signs would begin a code and a caret a control character, so they are written as the codes
    for themselves (DXF reference, "TEXT"; the caret from memory).
    """
    return text.replace("%%", "%%%%%%").replace("^", "^ ")


def read(text: str) -> str:
    """The text that `written` wrote, also where R12 names signs by their numbers."""
    text = re.sub(r"\\U\+([0-9A-Fa-f]{4})", lambda found: chr(int(found[1], 16)), text)
    return text.replace("^ ", "^").replace("%%%%%%", "%%")


def by_number(text: str) -> str:
    r"""The text in 7-bit ASCII with every other sign as `\U+XXXX`, up to U+FFFF."""
    return "".join(sign if sign.isascii() else f"\\U+{ord(sign):04X}" for sign in text)


def left_out(path: str, texts: Iterable[tuple[str, str]]) -> list[Finding]:
    """What to say of signs that a file doesn't carry, if there are any.

    Args:
        path: of the file.
        texts: each as it is meant and as it is spelt in the file.
    """
    signs = sorted({sign for meant, spelt in texts if meant != spelt for sign in meant if sign not in spelt})
    if not signs:
        return []
    named = ", ".join(
        f"{sign} (U+{ord(sign):04X})" if sign.isprintable() else f"U+{ord(sign):04X}" for sign in signs
    )
    message = (
        f"{path} can't carry {named} and spells or replaces them:"
        " rename what they stand in if that can be misread"
    )
    return [Finding("note", "characters-left-out", message)]
