"""Amounts, mass and cost of what a bag is made of."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from itertools import groupby
from math import ceil

from oaktag.pattern import (
    BillRow,
    BillUnit,
    CutRow,
    Draft,
    Labour,
    Material,
    Operation,
    OperationKind,
    Seam,
    ThreadRow,
)
from oaktag.pattern.cut_list import CARD
from oaktag.pattern.walk import run_length
from oaktag_plugins.working.precedence import hems, sewn_edges
from oaktag_plugins.working.thread import FORMULA, RATIOS, Ratio, ratio_by_thickness

UNITS: Mapping[str, BillUnit] = {"cloth": "m2", "tape": "m", "each": "each"}
"""Unit of the amounts by how a material is bought."""

_HAIR = 1e-6  # mm; what is longer than a stock length by less is cut from it


@dataclass(slots=True)
class _Use:
    """What of a material is used: net amount, amount to buy before waste, and by what."""

    net: float = 0.0
    stock: float = 0.0
    by: list[str] = field(default_factory=list)


def bill_of(
    draft: Draft,
    rows: Iterable[CutRow],
    thread: Iterable[ThreadRow],
    thread_material: str,
    waste: Mapping[str, float],
) -> tuple[BillRow, ...]:
    """The bill of materials, in the order in which materials are first used; thread comes last.

    Args:
        draft: with pieces and the material table.
        rows: of its cut list.
        thread: by stitch type.
        thread_material: what it is sewn with, by its name in the table.
        waste: shares by a material's name, its kind or its form.
    """
    uses: dict[str, _Use] = {}
    for piece, row in zip(draft.pieces, rows, strict=True):
        material = draft.material(piece.material)
        use = uses.setdefault(row.material, _Use())
        use.by.append(piece.id)
        if material is None or row.material == CARD or material.form == "cloth":
            net = row.area / 1e6
        elif material.form == "tape":
            net = row.width / 1e3
        else:
            net = 1.0
        use.net += piece.quantity * net
        use.stock += piece.quantity * (piece.bought / 1e3 if piece.bought else net)
        for fitting in piece.fittings:
            use = uses.setdefault(fitting.material, _Use())
            count = piece.quantity * fitting.quantity
            use.net += count
            use.stock += count
            use.by.append(f"{piece.id}.{fitting.name}")
    length = sum(row.length for row in thread)
    if length:
        use = uses.setdefault(thread_material, _Use())
        use.net += length
        use.stock += length
        use.by += [seam.id for seam in draft.seams]
    counted = {fitting.material for piece in draft.pieces for fitting in piece.fittings}
    return tuple(
        bill_row(name, draft.material(name), use, waste, _unknown_unit(name, counted, thread_material))
        for name, use in uses.items()
    )


def _unknown_unit(name: str, counted: set[str], thread: str) -> BillUnit:
    """The unit of a material that the table doesn't have."""
    return "each" if name in counted else "m" if name == thread else "m2"


def bill_row(
    name: str, material: Material | None, use: _Use, waste: Mapping[str, float], unknown_unit: BillUnit
) -> BillRow:
    """One row of the bill: amounts, mass and cost of a material as far as the table has them."""
    unit = unknown_unit if material is None else UNITS[material.form]
    share = waste_of(name, material, unit, waste)
    gross = use.stock * (1.0 + share)
    if unit == "each":
        gross = float(ceil(gross - 1e-9))
    if gross != use.net * (1.0 + share) and use.net > 0.0:
        # Rounded up to what can be bought.
        share = gross / use.net - 1.0
    mass = use.net * material.mass if material is not None and material.mass > 0.0 else None
    return BillRow(
        material=name,
        kind="" if material is None else material.kind,
        unit=unit,
        net=use.net,
        waste=share,
        gross=gross,
        mass=mass,
        cost=cost_of(gross, material),
        used_by=tuple(use.by),
    )


def waste_of(name: str, material: Material | None, unit: BillUnit, waste: Mapping[str, float]) -> float:
    """The share of waste of a material: by its name, else its kind, else its form."""
    form = next(form for form, its_unit in UNITS.items() if its_unit == unit)
    names = (name, "" if material is None else material.kind, form)
    return next((waste[one] for one in names if one in waste), 0.0)


def cost_of(gross: float, material: Material | None) -> float | None:
    """What an amount costs; cloth is paid by the running metre of its usable width."""
    if material is None or material.price is None:
        return None
    if material.form != "cloth":
        return gross * material.price
    if material.width <= 0.0:
        return None
    return gross / (material.width / 1e3) * material.price


def thread_rows(
    draft: Draft, stitch_type: str, ratios: Mapping[str, float], thickness: float | None
) -> tuple[tuple[ThreadRow, ...], tuple[str, ...]]:
    """Thread by stitch type: of every seam, once for each row of stitching, and of every hem.

    Args:
        draft: with seams.
        stitch_type: of hems, and of seams of which it isn't known.
        ratios: of the shop, which go before those that ship.
        thickness: of what is sewn through, mm; with it the thread is worked out for stitches of known length.

    Returns:
        The rows in the order of their stitch types, and the stitch types of which no ratio is known.
    """
    lengths: dict[tuple[str, float, str], float] = {}
    unknown: list[str] = []

    def sew(seam_type: str, length: float, stitch_length: float) -> None:
        ratio = _ratio(seam_type, stitch_length, ratios, thickness)
        if ratio is None:
            unknown.append(seam_type)
            return
        key = (seam_type, ratio.value, ratio.source)
        lengths[key] = lengths.get(key, 0.0) + length

    for seam in draft.seams:
        stitching = seam.stitching
        length = _length(draft, seam)
        if stitching is None:
            sew(stitch_type, length, 0.0)
        else:
            sew(stitching.stitch_type, length * stitching.rows, stitching.stitch_length)
    sewn = sewn_edges(draft)
    for piece in draft.pieces:
        if not piece.assembled:
            for edge in hems(piece, sewn[piece.id]):
                sew(stitch_type, edge.length * piece.quantity, 0.0)
    rows = tuple(
        ThreadRow(kind, length, ratio, ratio * length / 1e3, source)
        for (kind, ratio, source), length in sorted(lengths.items())
    )
    return rows, tuple(dict.fromkeys(unknown))


def _length(draft: Draft, seam: Seam) -> float:
    return run_length(draft.piece(seam.a.piece), seam.a)


def _ratio(
    stitch_type: str, stitch_length: float, ratios: Mapping[str, float], thickness: float | None
) -> Ratio | None:
    if stitch_type in ratios:
        return Ratio(ratios[stitch_type], "the recipe")
    if thickness is not None and stitch_length > 0.0:
        value = ratio_by_thickness(stitch_type, thickness, 1.0 / stitch_length)
        if value is not None:
            return Ratio(value, FORMULA)
    return RATIOS.get(stitch_type)


def labour_of(operations: Iterable[Operation], rate: Mapping[str, float]) -> tuple[Labour, ...]:
    """Minutes and cost by kind of work.

    Args:
        operations: with standard minutes.
        rate: for an hour, by kind of work or by `default`.
    """

    def kind_of(operation: Operation) -> OperationKind:
        return operation.kind

    rows: list[Labour] = []
    for kind, group in groupby(sorted(operations, key=kind_of), key=kind_of):
        minutes = sum(operation.minutes for operation in group)
        hourly = rate.get(kind, rate.get("default", 0.0))
        rows.append(Labour(kind, minutes, hourly, minutes / 60.0 * hourly))
    return tuple(rows)


def total(values: Iterable[float | None]) -> float | None:
    """The sum; None if one isn't known."""
    found = 0.0
    for value in values:
        if value is None:
            return None
        found += value
    return found
