"""Single-stroke letters: the same shapes in every file format, whatever fonts a machine has.

The letters are Roman Simplex of A. V. Hershey, "Calligraphy for Computers" (U.S. Naval Weapons Laboratory,
1967), Greek ones his Greek Simplex, both from the package Hershey-Fonts. They are ASCII and the Greek
alphabet only. Accents, Cyrillic letters (in double strokes there) and signs that makers write are drawn here
on the same grid: 21 units from the baseline to the top of a capital, y upward, 14 to the top of a small x.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import cos, isfinite, radians, sin
from typing import TYPE_CHECKING, Literal

from oaktag.geometry import Path, Point

if TYPE_CHECKING:
    from HersheyFonts import HersheyFonts

Align = Literal["left", "centre", "right"]
Polyline = tuple[Point, ...]

LINE_SPACING = 1.75
"""Distance of baselines as a multiple of the capitals' height: an accent clears the tail above it."""

_CAPITAL = 21.0
_SMALL = 14.0
_UNKNOWN = "?"

_Grid = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class _Glyph:
    """One character on the grid: how far the next one stands to its right, and its strokes from its left."""

    advance: float
    strokes: tuple[_Grid, ...]


@dataclass(frozen=True, slots=True)
class _Line:
    """One line of text on the grid with the extent of its ink; without ink all four are 0."""

    strokes: tuple[_Grid, ...]
    left: float
    right: float
    bottom: float
    top: float


def letter(
    lines: Sequence[str],
    height: float,
    position: Point,
    angle: float = 0.0,
    *,
    align: Align = "centre",
    anchor: Point = (0.5, 0.5),
) -> tuple[Path, ...]:
    """Write a block of text.

    Args:
        lines: top to bottom. What can't be drawn becomes a question mark; nothing is left out.
        height: of a capital letter, mm.
        position: where the block's anchor goes, mm.
        angle: of the lines, degrees counter-clockwise from x.
        align: how shorter lines lie in the block.
        anchor: a place in the block as shares of its width and height from its lower left, as `text_size` has
            them: its middle unless told.

    Returns:
        One path for every pen stroke.

    Raises:
        ValueError: the height isn't a positive number, or there are no lines.
    """
    strokes = letter_polylines(lines, height, position, angle, align=align, anchor=anchor)
    return tuple(Path.polyline(stroke) for stroke in strokes)


def letter_polylines(
    lines: Sequence[str],
    height: float,
    position: Point,
    angle: float = 0.0,
    *,
    align: Align = "centre",
    anchor: Point = (0.5, 0.5),
) -> tuple[Polyline, ...]:
    """Write a block of text as bare points, quicker than `letter`; arguments and errors are the same."""
    left, bottom, right, top = _extent(lines, height)
    scale = height / _CAPITAL
    c, s = scale * cos(radians(angle)), scale * sin(radians(angle))
    # The anchor's place on the grid goes to the position.
    ax, ay = left + anchor[0] * (right - left), bottom + anchor[1] * (top - bottom)
    x0, y0 = position[0] - c * ax + s * ay, position[1] - s * ax - c * ay
    strokes: list[Polyline] = []
    for index, text in enumerate(lines):
        line = _line(text)
        if align == "left":
            dx = -line.left
        elif align == "right":
            dx = right - line.right
        else:
            dx = 0.5 * (right - line.left - line.right)
        dy = -index * LINE_SPACING * _CAPITAL
        tx, ty = x0 + c * dx - s * dy, y0 + s * dx + c * dy
        strokes.extend(
            tuple([(tx + c * x - s * y, ty + s * x + c * y) for x, y in stroke]) for stroke in line.strokes
        )
    return tuple(strokes)


def line_middles(
    lines: Sequence[str], height: float, *, align: Align = "centre", anchor: Point = (0.5, 0.5)
) -> tuple[Point, ...]:
    """The middle of every line of a block that isn't turned, in mm from the block's anchor.

    It lies half-way between the ends of the line's ink, and between the baseline and the top of capitals:
    for a format that writes text of its own. Arguments and errors are those of `letter`.
    """
    left, bottom, right, top = _extent(lines, height)
    scale = height / _CAPITAL
    ax, ay = left + anchor[0] * (right - left), bottom + anchor[1] * (top - bottom)
    middles: list[Point] = []
    for index, text in enumerate(lines):
        line = _line(text)
        half = 0.5 * (line.right - line.left)
        x = {"left": left + half, "right": right - half, "centre": 0.5 * (left + right)}[align]
        y = (0.5 - index * LINE_SPACING) * _CAPITAL
        middles.append((scale * (x - ax), scale * (y - ay)))
    return tuple(middles)


def text_size(lines: Sequence[str], height: float) -> tuple[float, float]:
    """Width and height in mm of a block of text that isn't turned; all of its ink lies inside.

    The width is that of the widest line's ink. The height reaches at least from the top of the first line's
    capitals to the last line's baseline, and further where a letter's tail or accent does.

    Args:
        lines: top to bottom.
        height: of a capital letter, mm.

    Raises:
        ValueError: the height isn't a positive number, or there are no lines.
    """
    left, bottom, right, top = _extent(lines, height)
    scale = height / _CAPITAL
    return ((right - left) * scale, (top - bottom) * scale)


def unwritable(text: str) -> tuple[str, ...]:
    """The characters of a text that can't be drawn and become question marks, each once, in order."""
    if text.isascii() and text.isprintable():
        return ()
    return tuple(dict.fromkeys(sign for cluster in _clusters(text) for sign in _unknown(cluster)))


def _extent(lines: Sequence[str], height: float) -> tuple[float, float, float, float]:
    """Left, bottom, right and top of a block on the grid; x from the widest line's first ink."""
    if not (isfinite(height) and height > 0.0):
        raise ValueError(f"letters must be higher than 0 mm, found {height!r}")
    if isinstance(lines, str) or not lines:
        raise ValueError(f"a block of text needs a sequence of at least one line, found {lines!r}")
    set_lines = [_line(text) for text in lines]
    step = LINE_SPACING * _CAPITAL
    return (
        0.0,
        min(line.bottom - index * step for index, line in enumerate(set_lines)),
        max(line.right - line.left for line in set_lines),
        max(max(line.top, _CAPITAL) - index * step for index, line in enumerate(set_lines)),
    )


@lru_cache(maxsize=2048)
def _line(text: str) -> _Line:
    pen = 0.0
    strokes: list[_Grid] = []
    for character in _clusters(text):
        glyph = _glyph(character)
        strokes.extend(_moved(glyph.strokes, pen, 0.0))
        pen += glyph.advance
    xs = [x for stroke in strokes for x, _ in stroke]
    ys = [y for stroke in strokes for _, y in stroke]
    if not xs:
        return _Line((), 0.0, 0.0, 0.0, 0.0)
    return _Line(tuple(strokes), min(xs), max(xs), min(0.0, *ys), max(ys))


def _clusters(text: str) -> Iterable[str]:
    """The text's characters, each together with the accents that follow it."""
    if text.isascii():
        return text
    clusters: list[str] = []
    for character in unicodedata.normalize("NFC", text):
        if clusters and unicodedata.combining(character):
            clusters[-1] += character
        else:
            clusters.append(character)
    return clusters


@lru_cache(maxsize=1024)
def _glyph(cluster: str) -> _Glyph:
    """The glyph of one character with its accents; `?` in place of what can't be drawn."""
    simple = _plain(cluster)
    if simple is not None:
        return simple
    taken_apart = unicodedata.normalize("NFD", cluster)
    known = _accented(taken_apart[0], taken_apart[1:])
    if known is not None:
        return known
    spelt = _SPELT.get(cluster) or unicodedata.normalize("NFKC", cluster)
    if spelt != cluster:
        return _side_by_side(_glyph(part) for part in _clusters(spelt))
    # What is known of the cluster is drawn; every sign in it that isn't, stands as a question mark.
    return _side_by_side(_plain(part) or _hershey()[_UNKNOWN] for part in cluster)


def _unknown(cluster: str) -> tuple[str, ...]:
    """What of a cluster `_glyph` can't draw."""
    taken_apart = unicodedata.normalize("NFD", cluster)
    if _plain(cluster) is not None or _accented(taken_apart[0], taken_apart[1:]) is not None:
        return ()
    spelt = _SPELT.get(cluster) or unicodedata.normalize("NFKC", cluster)
    if spelt != cluster:
        return (cluster,) if any(_unknown(part) for part in _clusters(spelt)) else ()
    return tuple(part for part in cluster if _plain(part) is None)


def _plain(character: str) -> _Glyph | None:
    """A character that is drawn without taking it apart; None if there is none."""
    if character in _DRAWN:
        return _DRAWN[character]
    if character in _OVERLAID:
        base, overlay = _OVERLAID[character]
        glyph = _hershey()[base]
        return _Glyph(glyph.advance, (*glyph.strokes, *_across(glyph, overlay)))
    if character in _RAISED:
        return _resized(_RAISED[character], 0.6, 0.4 * _CAPITAL)
    if character in _FRACTIONS:
        above, below = _FRACTIONS[character]
        return _fraction(above, below)
    if character in _LIKE_LATIN:
        return _hershey()[_LIKE_LATIN[character]]
    if character in GREEK:
        return _greek()[character]
    if character in CYRILLIC:
        return _cyrillic()[character]
    return _hershey().get(character)


def _accented(base: str, accents: str) -> _Glyph | None:
    """A letter with its accents above and below; None if letter or accent is unknown."""
    if not accents or any(accent not in _ABOVE and accent not in _BELOW for accent in accents):
        return None
    # The dot of i and j makes room for an accent, but stays above one that is below.
    dotless = any(accent in _ABOVE for accent in accents)
    glyph = _plain(_DOTLESS.get(base, base) if dotless else base)
    if glyph is None:
        return None
    xs = [x for stroke in glyph.strokes for x, _ in stroke] or [0.0, glyph.advance]
    middle = 0.5 * (min(xs) + max(xs))
    top = max((y for stroke in glyph.strokes for _, y in stroke), default=_SMALL)
    strokes = list(glyph.strokes)
    for accent in accents:
        if accent in _ABOVE:
            strokes.extend(_moved(_ABOVE[accent], middle, top + 2.0))
            top = max(y for stroke in strokes for _, y in stroke)
        else:
            strokes.extend(_moved(_BELOW[accent], middle, 0.0))
    return _Glyph(glyph.advance, tuple(strokes))


def _across(glyph: _Glyph, overlay: str) -> tuple[_Grid, ...]:
    """A bar or slash through a letter."""
    xs = [x for stroke in glyph.strokes for x, _ in stroke]
    top = max(y for stroke in glyph.strokes for _, y in stroke)
    left, right = min(xs), max(xs)
    if overlay == "slash":
        return (((left - 1.0, -1.0), (right + 1.0, top + 1.0)),)
    if overlay == "short slash":
        return (((left - 3.0, 8.0), (left + 4.0, 13.0)),)
    if overlay == "high bar":
        return (((right - 6.0, 17.0), (right + 3.0, 17.0)),)
    return (((left - 3.0, 0.5 * top), (left + 5.0, 0.5 * top)),)


def _resized(character: str, factor: float, rise: float) -> _Glyph:
    glyph = _hershey()[character]
    strokes = tuple(tuple((x * factor, y * factor + rise) for x, y in stroke) for stroke in glyph.strokes)
    return _Glyph(glyph.advance * factor, strokes)


def _fraction(above: str, below: str) -> _Glyph:
    """A common fraction no higher than a capital, so that 17½ isn't read as 171/2."""
    numerator, denominator = _resized(above, 0.55, 0.45 * _CAPITAL), _resized(below, 0.55, 0.0)
    slash: _Grid = ((0.0, 0.0), (9.0, _CAPITAL))
    start = numerator.advance - 3.0
    return _Glyph(
        start + 6.0 + denominator.advance,
        (
            *numerator.strokes,
            *_moved((slash,), start, 0.0),
            *_moved(denominator.strokes, start + 6.0, 0.0),
        ),
    )


def _side_by_side(glyphs: Iterable[_Glyph]) -> _Glyph:
    pen = 0.0
    strokes: list[_Grid] = []
    for glyph in glyphs:
        strokes.extend(_moved(glyph.strokes, pen, 0.0))
        pen += glyph.advance
    return _Glyph(pen, tuple(strokes))


def _moved(strokes: Iterable[_Grid], dx: float, dy: float) -> Iterator[_Grid]:
    for stroke in strokes:
        yield tuple([(x + dx, y + dy) for x, y in stroke])


@lru_cache(maxsize=1)
def _hershey() -> dict[str, _Glyph]:
    """Roman Simplex, ASCII: read once a process, which takes some 50 ms."""
    from HersheyFonts import HersheyFonts

    font = HersheyFonts()
    font.load_default_font("rowmans")
    glyphs = _glyphs_of(font)
    # The font keeps its ring for degrees where ASCII has no letter.
    glyphs["°"] = glyphs.pop("\x7f")
    # Its hyphen is as long as a minus sign and tears a name apart; its caret is an arrow.
    glyphs["−"] = glyphs["-"]
    glyphs["-"] = _Glyph(16.0, (((3.0, 9.0), (13.0, 9.0)),))
    glyphs["^"] = _Glyph(16.0, (((3.0, 14.0), (8.0, 21.0), (13.0, 14.0)),))
    for dotted, dotless in (("i", "ı"), ("j", "ȷ")):
        glyph = glyphs[dotted]
        stem = tuple(stroke for stroke in glyph.strokes if min(y for _, y in stroke) < _SMALL)
        glyphs[dotless] = _Glyph(glyph.advance, stem)
    return glyphs


def _glyphs_of(font: HersheyFonts) -> dict[str, _Glyph]:
    """The glyphs of the font that is loaded; the package counts y downward with the baseline at 9."""
    return {
        character: _Glyph(
            float(glyph.char_width),
            tuple(
                tuple((float(x - glyph.left_offset), float(9 - y)) for x, y in stroke)
                for stroke in glyph.strokes
            ),
        )
        for character, glyph in font.all_glyphs.items()
    }


@lru_cache(maxsize=1)
def _greek() -> dict[str, _Glyph]:
    """Greek Simplex, which keeps its alphabet in the order of the letters A to X and a to x."""
    from HersheyFonts import HersheyFonts

    font = HersheyFonts()
    font.load_default_font("greeks")
    glyphs = _glyphs_of(font)
    alphabet = {chr(0x391 + i + (i > 16)): glyphs[chr(ord("A") + i)] for i in range(24)}
    alphabet |= {chr(0x3B1 + i + (i > 16)): glyphs[chr(ord("a") + i)] for i in range(24)}
    final_sigma: _Grid = (
        (16.0, 12.0), (14.0, 14.0), (11.0, 14.0), (7.0, 12.0), (5.0, 9.0), (4.0, 6.0), (5.0, 4.0), (7.0, 2.0),
        (11.0, 0.0), (12.0, -2.0), (12.0, -4.0), (10.0, -6.0), (7.0, -5.0),
    )  # fmt: skip
    return {**alphabet, "ς": _Glyph(18.0, (final_sigma,))}


@lru_cache(maxsize=1)
def _cyrillic() -> dict[str, _Glyph]:
    """Cyrillic letters that have no Latin shape, drawn in the manner of Roman Simplex.

    Most small ones are the capitals in small, as in print.
    """
    latin = _hershey()
    mirrored_c = tuple(tuple((21.0 - x, y) for x, y in stroke) for stroke in latin["C"].strokes)
    mirrored_r = tuple(tuple((21.0 - x, y) for x, y in stroke) for stroke in latin["R"].strokes)
    narrow_o = tuple(tuple((0.8 * x + 6.6, y) for x, y in stroke) for stroke in latin["O"].strokes)
    capitals = {
        **{letter: _Glyph(advance, strokes) for letter, (advance, strokes) in _CYRILLIC_CAPITALS.items()},
        "Є": _Glyph(21.0, (*latin["C"].strokes, ((3.0, 11.0), (13.0, 11.0)))),
        "Э": _Glyph(21.0, (*mirrored_c, ((8.0, 11.0), (18.0, 11.0)))),
        "Ю": _Glyph(25.0, (((4.0, _CAPITAL), (4.0, 0.0)), ((4.0, 11.0), (9.0, 11.0)), *narrow_o)),
        "Я": _Glyph(21.0, mirrored_r),
    }
    small = {
        letter.lower(): _Glyph(
            0.85 * glyph.advance,
            tuple(tuple((0.85 * x, y * _SMALL / _CAPITAL) for x, y in stroke) for stroke in glyph.strokes),
        )
        for letter, glyph in (*capitals.items(), *((alike, latin[_LIKE_LATIN[alike]]) for alike in "ВКМНТ"))
    }
    o, stem = latin["o"], ((4.0, _CAPITAL), (4.0, 0.0))
    arch: _Grid = ((4.0, 10.0), (7.0, 13.0), (9.0, 14.0), (12.0, 14.0), (14.0, 13.0), (15.0, 10.0))
    bar: _Grid = ((0.0, 17.0), (9.0, 17.0))
    tail: _Grid = ((15.0, -2.0), (14.0, -5.0), (12.0, -7.0), (10.0, -7.0))
    flag: _Grid = ((14.0, 21.0), (12.0, 20.0), (7.0, 19.0), (4.0, 16.0), (3.0, 12.0), (3.0, 7.0))
    middle = 0.5 * (min(x for x, _ in o.strokes[0]) + max(x for x, _ in o.strokes[0]))
    own = {
        "б": _Glyph(o.advance, (*o.strokes, flag)),
        "ф": _Glyph(o.advance, (*o.strokes, ((middle, _CAPITAL), (middle, -7.0)))),
        "ћ": _Glyph(19.0, (stem, bar, (*arch, (15.0, 0.0)))),
        "ђ": _Glyph(19.0, (stem, bar, (*arch, *tail))),
    }
    return {**capitals, **small, **own}


GREEK = frozenset("ΑΒΓΔΕΖΗΘΙΚΛΜΝΞΟΠΡΣΤΥΦΧΨΩαβγδεζηθικλμνξοπρστυφχψως")
"""Greek letters that can be drawn; so can those that are one of these with an accent."""

CYRILLIC = frozenset("БГДЖЗИЛПУФЦЧШЩЪЫЬЭЮЯҐЄЂЋЉЊЏбвгджзиклмнптфцчшщъыьэюяґєђћљњџ")
"""Cyrillic letters that are drawn here; those of a Latin shape or with an accent can be too."""

# Cyrillic letters whose shape is that of a Latin one.
_LIKE_LATIN = dict(zip("АВЕКМНОРСТХІЈЅаеорсухіјѕ", "ABEKMHOPCTXIJSaeopcyxijs", strict=True))

_DOTLESS = {"i": "ı", "j": "ȷ", "і": "ı", "ј": "ȷ"}

_DOT: _Grid = ((0.0, 0.0), (-1.0, 1.0), (0.0, 2.0), (1.0, 1.0), (0.0, 0.0))
_RING: _Grid = (
    (0.0, 0.0), (-2.0, 1.0), (-3.0, 3.0), (-2.0, 5.0), (0.0, 6.0),
    (2.0, 5.0), (3.0, 3.0), (2.0, 1.0), (0.0, 0.0),
)  # fmt: skip
_BAR: _Grid = ((-4.0, 2.0), (4.0, 2.0))

# Accents above a letter stand on y = 0, x = 0 in the letter's middle; those below hang from the baseline.
_ABOVE: dict[str, tuple[_Grid, ...]] = {
    "\u0300": (((-3.0, 5.0), (2.0, 0.0)),),  # grave
    "\u0301": (((3.0, 5.0), (-2.0, 0.0)),),  # acute
    "\u0302": (((-4.0, 0.0), (0.0, 5.0), (4.0, 0.0)),),  # circumflex
    "\u0303": (((-5.0, 1.0), (-4.0, 3.0), (-2.0, 4.0), (2.0, 1.0), (4.0, 2.0), (5.0, 4.0)),),  # tilde
    "\u0304": (_BAR,),  # macron
    "\u0306": (((-4.0, 5.0), (-3.0, 2.0), (-1.0, 1.0), (1.0, 1.0), (3.0, 2.0), (4.0, 5.0)),),  # breve
    "\u0307": (_DOT,),  # dot above
    "\u0308": (tuple((x - 4.0, y) for x, y in _DOT), tuple((x + 4.0, y) for x, y in _DOT)),  # diaeresis
    "\u030a": (_RING,),  # ring
    "\u030b": (((-1.0, 5.0), (-4.0, 0.0)), ((4.0, 5.0), (1.0, 0.0))),  # double acute
    "\u030c": (((-4.0, 5.0), (0.0, 0.0), (4.0, 5.0)),),  # caron
}
_BELOW: dict[str, tuple[_Grid, ...]] = {
    "\u0323": (tuple((x, y - 6.0) for x, y in _DOT),),  # dot below
    "\u0326": (((0.0, -2.0), (1.0, -4.0), (-1.0, -7.0)),),  # comma below
    "\u0327": (((0.0, 0.0), (-1.0, -2.0), (2.0, -3.0), (2.0, -5.0), (0.0, -7.0), (-3.0, -6.0)),),  # cedilla
    "\u0328": (((3.0, 0.0), (1.0, -2.0), (1.0, -5.0), (3.0, -6.0), (5.0, -5.0)),),  # ogonek
}

_DRAWN: dict[str, _Glyph] = {
    "\u00a0": _Glyph(16.0, ()),  # no-break space
    "\t": _Glyph(32.0, ()),
    "×": _Glyph(20.0, (((4.0, 3.0), (16.0, 15.0)), ((4.0, 15.0), (16.0, 3.0)))),
    "÷": _Glyph(
        26.0,
        (
            ((4.0, 9.0), (22.0, 9.0)),
            tuple((x + 13.0, y + 14.0) for x, y in _DOT),
            tuple((x + 13.0, y + 2.0) for x, y in _DOT),
        ),
    ),
    "±": _Glyph(26.0, (((13.0, 19.0), (13.0, 5.0)), ((5.0, 12.0), (21.0, 12.0)), ((5.0, 1.0), (21.0, 1.0)))),
    "·": _Glyph(10.0, (tuple((x + 5.0, y + 8.0) for x, y in _DOT),)),
    "–": _Glyph(22.0, (((2.0, 9.0), (20.0, 9.0)),)),
    "—": _Glyph(32.0, (((2.0, 9.0), (30.0, 9.0)),)),
    "→": _Glyph(28.0, (((3.0, 9.0), (25.0, 9.0)), ((19.0, 14.0), (25.0, 9.0), (19.0, 4.0)))),
    "←": _Glyph(28.0, (((25.0, 9.0), (3.0, 9.0)), ((9.0, 14.0), (3.0, 9.0), (9.0, 4.0)))),
    "↑": _Glyph(16.0, (((8.0, 0.0), (8.0, 21.0)), ((3.0, 15.0), (8.0, 21.0), (13.0, 15.0)))),
    "↓": _Glyph(16.0, (((8.0, 21.0), (8.0, 0.0)), ((3.0, 6.0), (8.0, 0.0), (13.0, 6.0)))),
    "\u00b5": _Glyph(  # micro sign
        19.0,
        (
            ((4.0, 14.0), (4.0, -6.0)),
            ((4.0, 4.0), (5.0, 1.0), (7.0, 0.0), (10.0, 0.0), (12.0, 1.0), (15.0, 4.0)),
            ((15.0, 14.0), (15.0, 0.0)),
        ),
    ),
}
# The bowl that Б, Ъ, Ы, Ь, Љ and Њ have on a stem at its left end.
_BOWL: _Grid = (
    (4.0, 11.0), (13.0, 11.0), (16.0, 10.0), (17.0, 9.0), (18.0, 7.0), (18.0, 4.0), (17.0, 2.0), (16.0, 1.0),
    (13.0, 0.0), (4.0, 0.0),
)  # fmt: skip
_SMALL_BOWL: _Grid = tuple((4.0 + 0.75 * (x - 4.0), y) for x, y in _BOWL)
_STEM: _Grid = ((4.0, 21.0), (4.0, 0.0))
_TROUGH: _Grid = ((4.0, 21.0), (4.0, 0.0), (18.0, 0.0), (18.0, 21.0))
_CYRILLIC_CAPITALS: dict[str, tuple[float, tuple[_Grid, ...]]] = {
    "Б": (21.0, (_STEM, ((4.0, 21.0), (16.0, 21.0)), _BOWL)),
    "Г": (18.0, (((4.0, 0.0), (4.0, 21.0), (16.0, 21.0)),)),
    "Ґ": (18.0, (((4.0, 0.0), (4.0, 21.0), (16.0, 21.0), (16.0, 25.0)),)),
    "Д": (
        24.0,
        (
            ((3.0, -4.0), (3.0, 0.0), (21.0, 0.0), (21.0, -4.0)),
            ((5.0, 0.0), (7.0, 5.0), (8.0, 12.0), (8.0, 21.0), (19.0, 21.0), (19.0, 0.0)),
        ),
    ),
    "Ж": (
        26.0,
        (
            ((13.0, 21.0), (13.0, 0.0)),
            ((3.0, 21.0), (13.0, 10.0), (3.0, 0.0)),
            ((23.0, 21.0), (13.0, 10.0), (23.0, 0.0)),
        ),
    ),
    "З": (
        21.0,
        (
            (
                (3.0, 18.0), (5.0, 20.0), (8.0, 21.0), (12.0, 21.0), (15.0, 20.0), (17.0, 18.0), (17.0, 15.0),
                (15.0, 12.0), (12.0, 11.0), (8.0, 11.0),
            ),
            (
                (12.0, 11.0), (16.0, 10.0), (18.0, 7.0), (18.0, 4.0), (16.0, 1.0), (12.0, 0.0), (8.0, 0.0),
                (5.0, 1.0), (3.0, 3.0),
            ),
        ),
    ),
    "И": (22.0, (((4.0, 21.0), (4.0, 0.0), (18.0, 21.0), (18.0, 0.0)),)),
    "Л": (
        22.0,
        (((2.0, 0.0), (4.0, 0.0), (6.0, 3.0), (7.0, 9.0), (8.0, 21.0), (18.0, 21.0), (18.0, 0.0)),),
    ),
    "П": (22.0, (((4.0, 0.0), (4.0, 21.0), (18.0, 21.0), (18.0, 0.0)),)),
    "У": (
        20.0,
        (((3.0, 21.0), (11.0, 6.0)), ((18.0, 21.0), (10.0, 4.0), (8.0, 1.0), (6.0, 0.0), (4.0, 0.0))),
    ),
    "Ф": (
        24.0,
        (
            ((12.0, 21.0), (12.0, 0.0)),
            (
                (10.0, 17.0), (6.0, 16.0), (4.0, 14.0), (3.0, 12.0), (3.0, 9.0), (4.0, 7.0), (6.0, 5.0),
                (10.0, 4.0), (14.0, 4.0), (18.0, 5.0), (20.0, 7.0), (21.0, 9.0), (21.0, 12.0), (20.0, 14.0),
                (18.0, 16.0), (14.0, 17.0), (10.0, 17.0),
            ),
        ),
    ),
    "Ц": (23.0, (_TROUGH, ((18.0, 0.0), (21.0, 0.0), (21.0, -4.0)))),
    "Ч": (
        22.0,
        (
            ((18.0, 21.0), (18.0, 0.0)),
            ((4.0, 21.0), (4.0, 14.0), (5.0, 11.0), (8.0, 10.0), (12.0, 10.0), (18.0, 12.0)),
        ),
    ),
    "Ш": (28.0, (((4.0, 21.0), (4.0, 0.0), (24.0, 0.0), (24.0, 21.0)), ((14.0, 21.0), (14.0, 0.0)))),
    "Щ": (
        29.0,
        (
            ((4.0, 21.0), (4.0, 0.0), (24.0, 0.0), (24.0, 21.0)),
            ((14.0, 21.0), (14.0, 0.0)),
            ((24.0, 0.0), (27.0, 0.0), (27.0, -4.0)),
        ),
    ),
    "Ъ": (
        24.0,
        (((1.0, 21.0), (7.0, 21.0), (7.0, 0.0)), tuple((x + 3.0, y) for x, y in _BOWL)),
    ),
    "Ы": (25.0, (_STEM, _SMALL_BOWL, ((21.0, 21.0), (21.0, 0.0)))),
    "Ь": (21.0, (_STEM, _BOWL)),
    "Ђ": (
        22.0,
        (
            ((1.0, 21.0), (17.0, 21.0)),
            ((7.0, 21.0), (7.0, 0.0)),
            (
                (7.0, 9.0), (10.0, 12.0), (13.0, 13.0), (16.0, 12.0), (18.0, 9.0), (18.0, 4.0), (17.0, 1.0),
                (15.0, -1.0), (12.0, -1.0),
            ),
        ),
    ),
    "Ћ": (
        22.0,
        (
            ((1.0, 21.0), (17.0, 21.0)),
            ((7.0, 21.0), (7.0, 0.0)),
            ((7.0, 9.0), (10.0, 12.0), (13.0, 13.0), (16.0, 12.0), (18.0, 9.0), (18.0, 0.0)),
        ),
    ),
    "Љ": (
        29.0,
        (
            ((2.0, 0.0), (4.0, 0.0), (5.0, 3.0), (6.0, 9.0), (7.0, 21.0), (15.0, 21.0), (15.0, 0.0)),
            tuple((x + 11.0, y) for x, y in _SMALL_BOWL),
        ),
    ),
    "Њ": (
        29.0,
        (
            _STEM,
            ((15.0, 21.0), (15.0, 0.0)),
            ((4.0, 11.0), (15.0, 11.0)),
            tuple((x + 11.0, y) for x, y in _SMALL_BOWL),
        ),
    ),
    "Џ": (22.0, (_TROUGH, ((11.0, 0.0), (11.0, -4.0)))),
}  # fmt: skip
_OVERLAID: dict[str, tuple[str, str]] = {
    "Ø": ("O", "slash"),
    "ø": ("o", "slash"),
    "Ł": ("L", "short slash"),
    "ł": ("l", "short slash"),
    "Đ": ("D", "bar"),
    "Ð": ("D", "bar"),
    "đ": ("d", "high bar"),
}
_RAISED = {"¹": "1", "²": "2", "³": "3"}
_FRACTIONS = {
    "½": ("1", "2"),
    "⅓": ("1", "3"),
    "⅔": ("2", "3"),
    "¼": ("1", "4"),
    "¾": ("3", "4"),
    "⅛": ("1", "8"),
    "⅜": ("3", "8"),
    "⅝": ("5", "8"),
    "⅞": ("7", "8"),
}
# What has no glyph of its own but can be spelt.
_SPELT = {
    "‘": "'", "’": "'", "‚": ",", "′": "'", "“": '"', "”": '"', "„": '"', "″": '"',
    "«": "<<", "»": ">>", "‹": "<", "›": ">", "‐": "-", "‑": "-", "⁄": "/", "∕": "/", "•": "·",
    "≤": "<=", "≥": ">=", "≈": "~", "⌀": "Ø",
    "ß": "ss", "ẞ": "SS", "Æ": "AE", "æ": "ae", "Œ": "OE", "œ": "oe", "Þ": "Th", "þ": "th", "ð": "d",
}  # fmt: skip
