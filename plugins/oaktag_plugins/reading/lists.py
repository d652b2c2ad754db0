"""Reading CSV lists back with Python's csv module; they are written without it."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from io import StringIO
from itertools import zip_longest

from oaktag import Draft
from oaktag.pattern import Artifact
from oaktag.pattern.read_back import Difference
from oaktag_plugins.export_lists import LISTS


def differences_in(draft: Draft, artifact: Artifact) -> Iterable[Difference]:
    """How a list differs from the draft.

    Raises:
        UnicodeDecodeError: it isn't UTF-8.
        csv.Error: it isn't CSV.
    """
    found = list(csv.reader(StringIO(artifact.data.decode(), newline=""), strict=True))
    for number, (row, wanted) in enumerate(zip_longest(found, LISTS[artifact.kind](draft)), start=1):
        if row is None or wanted is None:
            yield Difference(f"row {number} is {'missing' if row is None else 'one too many'}")
        elif len(row) != len(wanted):
            yield Difference(f"row {number} has {len(row)} cells, not {len(wanted)}")
        else:
            for cell, text in zip(row, wanted, strict=True):
                if cell not in (text, f"'{text}"):
                    yield Difference(f"row {number} says {cell!r}, not {text!r}")
