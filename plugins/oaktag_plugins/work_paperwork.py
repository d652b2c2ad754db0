"""`work.paperwork`: cut list, bill of materials, thread, mass and cost."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from oaktag import Draft, Finding, Options, Refusal, StageSpec, hookimpl
from oaktag.pattern import BillRow, OperationKind, Paperwork
from oaktag.pattern.cut_list import CARD, cut_list
from oaktag.recipe import NonNegativeLength, Number, PerName, listed, meant, show
from oaktag_plugins.working.amounts import UNITS, bill_of, labour_of, thread_rows, total

Share = Annotated[Number, Field(ge=0, le=10)]
Amount = Annotated[Number, Field(ge=0)]

WASTE: dict[str, float] = {"cloth": 0.15, "tape": 0.05, "thread": 0.15, "zipper": 0.0, "card": 0.0}
"""Shares of waste by form or kind of material, if the recipe doesn't say."""

KINDS: tuple[OperationKind, ...] = (
    "cut",
    "mark",
    "baste",
    "sew",
    "set",
    "turn",
    "trim",
    "fold",
    "inspect",
)
_TAPE_TOLERANCE = 0.5  # mm by which a piece may differ from the width of its tape


class PaperworkOptions(Options):
    """Options of `work.paperwork`."""

    waste: dict[str, Share] = Field(default_factory=dict)
    """Share added for waste, by a material's name, its kind, or `cloth`, `tape`, `each`; 0.15 for 15 %.

    If left out 0.15 for cloth (10 to 15 % on a published cost sheet for bags, hmdhacademy.com) and for thread
    (apparelscience.com), 0.05 for tape (common practice, no source), none for what is counted, zippers and
    card.
    """
    thread: Annotated[str, Field(min_length=1, max_length=60)] = "thread-tex-70"
    """What is sewn with, by its name in the material table."""
    stitch_type: Annotated[str, Field(pattern=r"^[1-6][0-9]{2}$")] = "301"
    """Stitch type after ISO 4915 of hems, and of seams that nothing else is known of."""
    ratio: dict[Annotated[str, Field(pattern=r"^[1-6][0-9]{2}$")], Amount] = Field(default_factory=dict)
    """Metres of thread to a metre of seam, by stitch type, as the shop has found by unravelling."""
    sewn_thickness: NonNegativeLength | None = None
    """Thickness of what is sewn through; with it, thread for 101, 301 and 401 is worked out from it."""
    rate: PerName[Amount] = PerName[Amount].uniform(0.0)
    """What an hour of work costs, for all or by kind of operation."""
    currency: Annotated[str, Field(max_length=12)] = ""
    """Of prices and rates, such as EUR; only shown."""


def run(draft: Draft, options: PaperworkOptions) -> Draft:
    """Work out every list and amount.

    Raises:
        Refusal: waste is given for a material, or a rate for a kind of work, that there isn't.
    """
    check_waste(draft, options)
    rate = options.rate.require(KINDS, "rate", "kind of operation").root
    thread, unknown = thread_rows(draft, options.stitch_type, options.ratio, options.sewn_thickness)
    rows = cut_list(draft)
    bill = bill_of(draft, rows, thread, options.thread, WASTE | options.waste)
    labour = labour_of(draft.operations, rate)
    paperwork = Paperwork(
        cut_list=rows,
        bill=bill,
        thread=thread,
        labour=labour,
        mass=total(row.mass for row in bill if row.material != CARD),
        material_cost=total(row.cost for row in bill),
        labour_cost=sum((row.cost for row in labour), 0.0),
        currency=options.currency,
    )
    found = [*material_findings(draft, paperwork), *tape_findings(draft, paperwork)]
    if unknown:
        message = (
            f"how much thread {listed(unknown)} takes isn't known, so it isn't in the bill: unravel a seam "
            "and give its `ratio`"
        )
        found.append(Finding("note", "thread-unknown", message))
    return draft.evolve(paperwork=paperwork).with_findings(found)


def check_waste(draft: Draft, options: PaperworkOptions) -> None:
    """Refuse waste of something that there isn't."""
    known = list(
        dict.fromkeys(
            [
                *UNITS,
                *(material.kind for material in draft.materials),
                *(material.name for material in draft.materials),
                *(piece.material for piece in draft.pieces),
            ]
        )
    )
    for name in options.waste:
        if name not in known:
            raise Refusal(
                "there is no material, kind or form of this name",
                key=f"waste.{name}",
                source="recipe",
                found=show(name),
                valid=listed(known),
                todo=meant(name, known, "name one of these, or remove it"),
            )


def material_findings(draft: Draft, paperwork: Paperwork) -> list[Finding]:
    """What of the materials isn't known, so that mass or cost can't be said."""
    found: list[Finding] = []
    unknown = [row for row in paperwork.bill if draft.material(row.material) is None]
    for row in unknown:
        message = (
            f"material {row.material!r} isn't in the table, so its mass and cost aren't known; used by "
            f"{_used_by(row)}. Give the stage `materials.table` an entry, or say what it stands for: "
            f'assign = {{ "{row.material}" = ... }}'
        )
        found.append(Finding("note", "material-unknown", message, row.material))
    known = [row for row in paperwork.bill if row not in unknown]
    heavy = [row.material for row in known if row.mass is None and row.material != CARD]
    if heavy:
        message = f"the table has no mass of {listed(heavy)}, so the bag's isn't known: weigh a piece"
        found.append(Finding("note", "mass-unknown", message, heavy[0]))
    unpriced = [row.material for row in known if row.cost is None]
    if unpriced:
        widths = [
            name
            for name in unpriced
            if (entry := draft.material(name)) is not None and entry.price is not None
        ]
        reason = f"; of {listed(widths)} the usable width" if widths else ""
        message = (
            f"the table has no price of {listed([name for name in unpriced if name not in widths])}{reason}, "
            "so the cost of materials isn't known: write it into the shop's own table"
            if len(widths) < len(unpriced)
            else f"the table has no usable width of {listed(widths)}, so its cost isn't known"
        )
        found.append(Finding("note", "price-unknown", message, unpriced[0]))
    return found


_MOST_NAMED = 5


def _used_by(row: BillRow) -> str:
    if len(row.used_by) <= _MOST_NAMED:
        return ", ".join(row.used_by)
    return f"{', '.join(row.used_by[:_MOST_NAMED])} and {len(row.used_by) - _MOST_NAMED} more"


def tape_findings(draft: Draft, paperwork: Paperwork) -> list[Finding]:
    """Pieces that can't be cut from their tape to length alone, or are longer than it can be had."""
    found: list[Finding] = []
    for row in paperwork.cut_list:
        entry = draft.material(row.material)
        if entry is None:
            continue
        if entry.form == "tape" and entry.width > 0.0 and abs(row.height - entry.width) > _TAPE_TOLERANCE:
            message = (
                f"{row.piece} is {row.height:.1f} mm wide and {entry.name} {entry.width:g} mm: take the tape "
                "of its width, or make the piece as wide as the tape"
            )
            found.append(Finding("warning", "tape-width-differs", message, row.piece))
        if 0.0 < entry.longest < row.width - _TAPE_TOLERANCE:
            message = (
                f"{row.piece} is {row.width:.1f} mm long and {entry.name} can be had up to "
                f"{entry.longest:g} mm: divide the piece, or find a longer one"
            )
            found.append(Finding("warning", "longer-than-stock", message, row.piece))
    return found


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="work.paperwork",
            summary="Work out cut list, bill of materials, thread, mass and cost",
            run=f"{__name__}:run",
            options=f"{__name__}:PaperworkOptions",
            needs=frozenset({"panels"}),
            uses=frozenset(
                {"gusset", "seams", "features", "stitches", "allowances", "materials", "operations"}
            ),
            adds=frozenset({"paperwork"}),
        ),
    )
