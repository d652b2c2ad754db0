"""What a bag is made of, as the material table has it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

MaterialForm = Literal["cloth", "tape", "each"]
"""How it is bought and counted: by the metre of a width that pieces are laid out on, by the metre of a tape
that is only cut to length, or one by one."""

NO_SOURCE = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Material:
    """One entry of the material table.

    Attributes:
        name: unique in the table, lower case with hyphens; what pieces and recipes say.
        kind: a word of the trade: `shell`, `liner`, `foam`, `board`, `webbing`, `zipper`, `hook-and-loop`,
            `binding`, `reflective-tape`, `thread`, `grommet`, `bolt`, `cord`.
        form: how it is bought and counted.
        description: in plain words.
        mass: g per m² of cloth, g per m of tape, g for one of a kind that is counted.
        price: for a running metre of cloth or tape, or for one; None if it isn't known.
        width: usable width of cloth, width of tape, mm; 0 where it has none.
        thickness: mm.
        grain: whether it has a grain that pieces must follow.
        longest: longest piece of it that can be had, mm; 0 if it comes from a roll.
        measures: further dimensions by name, mm: a zipper's `chain-width`, a grommet's `hole`.
        source: of the values.
    """

    name: str
    kind: str
    form: MaterialForm
    description: str = ""
    mass: float = 0.0
    price: float | None = None
    width: float = 0.0
    thickness: float = 0.0
    grain: bool = False
    longest: float = 0.0
    measures: tuple[tuple[str, float], ...] = ()
    source: str = NO_SOURCE

    def measure(self, name: str) -> float | None:
        """A further dimension in mm, if the table has it."""
        return dict(self.measures).get(name)
