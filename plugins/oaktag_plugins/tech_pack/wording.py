"""How the tech pack writes numbers, names and lists."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

LONGEST_IN_FIGURE = 40
"""Characters of a name that are written into a picture; the tables beside it have all of it."""


def number(value: float, decimals: int = 1) -> str:
    """A number with a fixed count of decimals and a true minus sign; never minus nought."""
    text = f"{value:.{decimals}f}"
    return text.lstrip("-") if float(text) == 0.0 else text.replace("-", "\u2212")


def signed(value: float, decimals: int = 1) -> str:
    """A difference, with its sign unless it is nought."""
    text = number(value, decimals)
    return f"+{text}" if float(f"{value:.{decimals}f}") > 0.0 else text


def mm(value: float) -> str:
    """A length with its unit, to a tenth."""
    return f"{number(value)} mm"


def plain(value: float) -> str:
    """A number as it was written down: no more decimals than it has."""
    return f"{value:g}".replace("-", "\u2212")


def letter_of(index: int) -> str:
    """A, B, ... Z, AA, AB ... for 0, 1 ..."""
    name = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        name = chr(ord("A") + rest) + name
    return name


def edge_word(name: str) -> str:
    """An edge's name for people: the round of a corner is called so."""
    return f"corner {name.removeprefix('corner:')}" if name.startswith("corner:") else name


def listed_words(words: Iterable[str], most: int = 0) -> str:
    """Words in a row; with `most` above nought only so many of them and how many more there are."""
    names = list(words)
    if most and len(names) > most:
        return f"{', '.join(names[:most])} and {len(names) - most} more"
    return ", ".join(names)


def counted(count: int, word: str, plural: str = "") -> str:
    """A count and its word, in the plural where there isn't just one: with an s unless told otherwise."""
    return f"{count} {word}" if count == 1 else f"{count} {plural or word + 's'}"


def ranges(numbers: Sequence[int]) -> str:
    """Numbers in order, with runs drawn together: `4 to 7, 9`."""
    runs: list[list[int]] = []
    for value in numbers:
        if runs and value == runs[-1][-1] + 1:
            runs[-1].append(value)
        else:
            runs.append([value])
    words = [
        str(run[0]) if len(run) == 1 else f"{run[0]} to {run[-1]}" if len(run) > 2 else f"{run[0]}, {run[1]}"
        for run in runs
    ]
    return ", ".join(words)


def in_figure(text: str) -> str:
    """A text for a picture, cut off where it would be too long for any."""
    line = " ".join(text.split())
    return line if len(line) <= LONGEST_IN_FIGURE else f"{line[: LONGEST_IN_FIGURE - 1].rstrip()}\u2026"
