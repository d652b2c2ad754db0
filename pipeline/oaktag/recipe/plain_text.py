"""Text that people write into files, which later stands on pieces, in tables and in files of every format."""

from __future__ import annotations

from collections.abc import Iterator

LONGEST_OPTION = 2000
"""Characters of a text that an option or a shop's table holds; a longer one is a mistake."""


def faulty_texts(value: object, key: str) -> Iterator[tuple[str, str, str, str]]:
    """Texts and keys in TOML data that can't be printed or are too long.

    Args:
        value: a table, a list or one value.
        key: under which it stands, dotted.

    Yields:
        The key, the text, what is wrong with it, and what is valid.
    """
    if isinstance(value, dict):
        for name, inner in value.items():
            faults = list(faulty_texts(name, key))
            yield from faults
            if not faults:
                yield from faulty_texts(inner, f"{key}.{name}" if key else name)
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            yield from faulty_texts(inner, f"{key}[{index}]")
    elif isinstance(value, str):
        if not value.isprintable():
            valid = "text on one line that can be printed"
            yield key, value, "has control characters or a line break in it", valid
        elif len(value) > LONGEST_OPTION:
            valid = f"at most {LONGEST_OPTION} characters"
            yield key, value, f"is {len(value)} characters long", valid
