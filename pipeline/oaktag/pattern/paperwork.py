"""What goes to the cutting table and the sewing machine with the pattern: lists, amounts, order of work."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True)
class Compartment:
    """A part of the bag that is divided off: its name and what it holds, litres."""

    name: str
    litres: float


OperationKind = Literal["cut", "mark", "baste", "sew", "set", "turn", "trim", "fold", "inspect"]


@dataclass(frozen=True, slots=True)
class Operation:
    """One step of the work.

    Attributes:
        id: unique in the list.
        kind: of work.
        text: what to do, one sentence.
        pieces: ids of the pieces that it joins or works on.
        seam: id of the seam that it sews; empty if it sews none.
        after: ids of the operations that have to be done before it.
        length: of stitching, mm; 0 where nothing is sewn.
        minutes: standard time.
        machine: what it is done with.
    """

    id: str
    kind: OperationKind
    text: str
    pieces: tuple[str, ...] = ()
    seam: str = ""
    after: tuple[str, ...] = ()
    length: float = 0.0
    minutes: float = 0.0
    machine: str = ""


@dataclass(frozen=True, slots=True)
class CutRow:
    """One line of the cut list.

    Attributes:
        piece: id.
        name: in plain words.
        material: name in the material table.
        quantity: how many to cut in all.
        mirrored: how many of these with the pattern turned over.
        width: of the piece's box along the grain, mm; of a tape its length to cut.
        height: of the box across it, mm; of a tape its width.
        area: of one, mm².
        note: such as `template, cut from card`.
    """

    piece: str
    name: str
    material: str
    quantity: int
    mirrored: int
    width: float
    height: float
    area: float
    note: str = ""


BillUnit = Literal["m2", "m", "each"]


@dataclass(frozen=True, slots=True)
class BillRow:
    """One line of the bill of materials.

    Attributes:
        material: name in the material table.
        kind: as in the table.
        unit: of the amounts.
        net: what ends up in the bag.
        waste: share of the net amount that is added for waste, 0.15 for 15 %.
        gross: what has to be bought.
        mass: of the net amount, g; None if it isn't known.
        cost: of the gross amount; None if it isn't known.
        used_by: ids of the pieces, seams or fittings that use it.
    """

    material: str
    kind: str
    unit: BillUnit
    net: float
    waste: float
    gross: float
    mass: float | None
    cost: float | None
    used_by: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ThreadRow:
    """Thread of one stitch type: seam length in mm, metres of thread per metre of seam, metres in all."""

    stitch_type: str
    seam_length: float
    ratio: float
    length: float
    source: str


@dataclass(frozen=True, slots=True)
class Labour:
    """Standard minutes of one kind of work, what an hour costs, and what it comes to."""

    kind: OperationKind
    minutes: float
    rate: float
    cost: float


@dataclass(frozen=True, slots=True)
class Paperwork:
    """Lists and amounts of one bag.

    Attributes:
        cut_list: in the order of the pieces.
        bill: by material, in the order in which they are first used.
        thread: by stitch type.
        labour: by kind of work.
        mass: of the bag, g; None where a material's mass isn't known.
        material_cost: of all that is bought; None where a price isn't known.
        labour_cost: of all operations.
        currency: of prices and rates.
    """

    cut_list: tuple[CutRow, ...]
    bill: tuple[BillRow, ...]
    thread: tuple[ThreadRow, ...]
    labour: tuple[Labour, ...]
    mass: float | None
    material_cost: float | None
    labour_cost: float
    currency: str
