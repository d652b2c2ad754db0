"""What a check reports, and how a stage refuses what it was given."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Level = Literal["error", "warning", "note"]
LEVELS: tuple[Level, ...] = ("error", "warning", "note")


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that a stage or a check has to say about the pattern.

    Attributes:
        level: `error` (don't cut), `warning` (look before cutting) or `note` (good to know).
        code: stable, lower case with hyphens; programs read it.
        message: in the maker's words, with the numbers and what to do.
        where: piece, edge, seam or reading it is about; empty for the whole bag.
    """

    level: Level
    code: str
    message: str
    where: str = ""


class Refusal(Exception):  # noqa: N818 - a refusal isn't an error of the program
    """A stage can't go on with the readings or the options that it was given.

    A stage raises it; the engine adds the file's name and shows it as one message.

    Args:
        reason: why, in the maker's words.
        key: the key in the file, dotted: `lengths.top-tube`, `radius.head`.
        source: the file that holds the key. For `recipe` the key is one of the stage's own options.
        found: what stands there.
        valid: what could stand there.
        todo: what to do about it.
    """

    def __init__(
        self,
        reason: str,
        *,
        key: str,
        source: Literal["frame", "recipe"],
        found: str,
        valid: str,
        todo: str,
    ) -> None:
        super().__init__(reason)
        self.reason = reason
        self.key = key
        self.source: Literal["frame", "recipe"] = source
        self.found = found
        self.valid = valid
        self.todo = todo
