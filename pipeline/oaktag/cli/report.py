"""What a job has to say: what was measured, drafted, found and written."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from textwrap import shorten
from typing import TYPE_CHECKING, Any

import click

from oaktag.cli.table import Table, show_table
from oaktag.pattern import LEVELS, Draft, Paperwork, Survey
from oaktag.pattern.cautions import cautions_for
from oaktag.pattern.walk import walk
from oaktag.recipe.problem import printable

if TYPE_CHECKING:
    from oaktag.engine import Job, PlannedStep, StepRecord

LONGEST_REASON = 40
"""Characters of the reason for leaving a reading out that stand in the table; the finding has all of it."""


@contextmanager
def progress(silent: bool) -> Iterator[Callable[[PlannedStep], None] | None]:
    """A line that says which stage is running, on a terminal only; gives the function that moves it on."""
    if silent or not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console

    with Console(stderr=True).status("reading") as status:
        yield lambda planned: status.update(planned.step.use)


def show_report(job: Job, quiet: bool, warns: bool = False) -> None:
    """Print the report of a job; with `quiet` its findings only, errors and warnings to standard error.

    Args:
        job: that is done.
        quiet: leave out everything else.
        warns: end with the cautions that apply to the bag.
    """
    draft = job.draft
    if not quiet:
        for table in (*measured(draft), *drafted(draft), stages(job)):
            show_table(table)
    found(draft, quiet)
    if not quiet:
        show_table(written(job))
        if warns:
            show_table(to_heed(draft))
        if job.written and draft.has_errors:
            click.echo("The files are marked DO NOT CUT: the pattern has errors.")


def measured(draft: Draft) -> list[Table]:
    """What was measured and how well it agrees."""
    survey = draft.survey
    if survey is None:
        return []
    of_tube = tuple((f"{a.of}", f"{a.value:.1f} mm", f"± {a.sigma:.1f}") for a in survey.lengths)
    of_corner = tuple((f"angle {a.of}", f"{a.value:.2f}°", f"± {a.sigma:.2f}") for a in survey.angles)
    around = ("perimeter", f"{survey.perimeter.value:.1f} mm", f"± {survey.perimeter.sigma:.1f}")
    readings = tuple(
        (
            r.key,
            f"{r.value:g}",
            f"{r.residual:+.2f}",
            *(
                (f"excluded: {shorten(r.excluded, LONGEST_REASON, placeholder=' …')}", "")
                if r.excluded
                else (
                    "unchecked" if r.standardised is None else f"{r.standardised:+.2f}",
                    f"{100 * r.redundancy:.0f} %",
                )
            ),
        )
        for r in survey.readings
    )
    size = f", size {draft.frame.size}" if draft.frame.size else ""
    return [
        Table(
            f"Measured: {draft.frame.name}{size}",
            ("", ">adjusted", ">one sigma"),
            (*of_tube, *of_corner, around),
        ),
        Table(
            f"Readings: {verdict(survey)}",
            ("reading", ">read", ">residual", ">standardised", ">checked by others"),
            readings,
        ),
    ]


def verdict(survey: Survey) -> str:
    """What the test of the whole says, in one line."""
    test = survey.statistics
    if test.passed is None or test.critical is None:
        return "nothing checks them, there is no spare one"
    word = "agree" if test.passed else "DISAGREE"
    sign = "≤" if test.passed else ">"
    return f"they {word} (chi-square {test.chi_square:.2f} {sign} {test.critical:.2f}, {test.dof} to spare)"


def drafted(draft: Draft) -> list[Table]:
    """What was drafted: pieces, runs, seams, volume."""
    pieces = []
    for piece in draft.pieces:
        box = piece.outline.bounds
        hand = f"{piece.quantity}" + (f", {piece.mirrored} turned over" if piece.mirrored else "")
        pieces.append(
            (
                piece.id,
                hand,
                "card (template)" if piece.assembled else piece.material,
                f"{box.width:.0f} × {box.height:.0f}",
                f"{piece.seam_line.length:.1f}",
                f"{piece.outline.length:.1f}",
                str(len(piece.notches)),
            )
        )
    runs = tuple(
        (f"{outline.body} {edge.name}".strip(), f"{edge.length:.1f}")
        for outline in draft.outlines
        for edge in outline.edges
    )
    seams = []
    for seam in draft.seams:
        walked = walk(draft, seam)
        sides = (f"{seam.a.piece}", f"{seam.b.piece}")
        lengths = (f"{walked.length_a:.2f}", f"{walked.length_b:.2f}", f"{walked.difference:+.4f}")
        seams.append((seam.id, *sides, *lengths, str(len(walked.pairs))))
    tables = [
        Table("Side panel, runs of the seam line (mm)", ("", ">length"), runs),
        Table(
            "Drafted: pieces (mm)",
            ("piece", ">cut", "material", ">size", ">seam line", ">cut line", ">notches"),
            tuple(pieces),
        ),
        Table(
            "Seams, walked (mm)",
            ("seam", "side a", "side b", ">length a", ">length b", ">difference", ">notch pairs"),
            tuple(seams),
        ),
    ]
    if draft.volume is not None:
        parts = tuple((part.name, f"{part.litres:.1f} l") for part in draft.compartments)
        whole = ("computed", f"{draft.volume:.1f} l")
        tables.append(Table("Volume", ("", ""), (*parts, whole)))
    if draft.operations:
        tables.append(_order_of_work(draft))
    if draft.paperwork is not None:
        tables += _amounts(draft.paperwork)
    return tables


def _order_of_work(draft: Draft) -> Table:
    rows = tuple(
        (str(number), operation.text, operation.machine, f"{operation.minutes:.1f}")
        for number, operation in enumerate(draft.operations, 1)
    )
    return Table("Order of work (standard minutes)", (">", "what to do", "with", ">minutes"), rows)


def _amounts(paperwork: Paperwork) -> list[Table]:
    """What has to be bought, and what the bag weighs, costs and takes."""
    units = {"m2": "m²", "m": "m", "each": ""}
    bill = tuple(
        (
            row.material,
            f"{row.gross:.0f}" if row.unit == "each" else f"{row.gross:.2f} {units[row.unit]}",
            "" if row.mass is None else f"{row.mass:.0f} g",
            "" if row.cost is None else f"{row.cost:.2f}",
        )
        for row in paperwork.bill
    )
    minutes = sum(row.minutes for row in paperwork.labour)
    known = (
        ("mass", paperwork.mass, "{:.0f} g"),
        ("materials", paperwork.material_cost, f"{{:.2f}} {paperwork.currency}"),
        ("labour", paperwork.labour_cost or None, f"{{:.2f}} {paperwork.currency}"),
        ("work", minutes or None, "{:.0f} minutes"),
    )
    sums = tuple((word, text.format(value).strip()) for word, value, text in known if value is not None)
    return [
        Table("Bill of materials, waste included", ("material", ">to buy", ">mass", ">cost"), bill),
        *([Table("In all", ("", ">"), sums)] if sums else []),
    ]


def stages(job: Job) -> Table:
    """What each stage did and how long it took."""
    rows = tuple(
        (record.id, f"{1000 * record.seconds:.1f} ms", _what_it_did(record)) for record in job.result.journal
    )
    return Table("Stages", ("stage", ">time", "what it did"), rows)


def _what_it_did(record: StepRecord) -> str:
    said = f"{len(record.findings)} findings" if record.findings else ""
    return "; ".join([*record.changes, said] if said else record.changes) or "found nothing to say"


def found(draft: Draft, quiet: bool) -> None:
    """Print the findings, errors first."""
    if not quiet:
        counts = [f"{sum(f.level == level for f in draft.findings)} {level}s" for level in LEVELS]
        click.echo(f"Found: {', '.join(counts)}")
    for level in LEVELS:
        for finding in draft.findings:
            if finding.level != level or (quiet and level == "note"):
                continue
            where = f" [{finding.where}]" if finding.where else ""
            click.echo(printable(f"  {level}: {finding.code}{where}: {finding.message}"), err=quiet)
    if not quiet:
        click.echo()


def written(job: Job) -> Table:
    """Which files were written."""
    rows = tuple((str(file.path), file.kind) for file in job.written)
    return Table("Written", ("", ""), rows)


def to_heed(draft: Draft) -> Table:
    """The cautions that apply, a line each."""
    rows = tuple((caution.topic, caution.short) for caution in cautions_for(draft))
    return Table("Before you cut, and before you ride", ("", ""), rows)


def report_as_json(job: Job, exit_code: int, warns: bool = False) -> str:
    """The report for programs, with cautions if it `warns`; the pattern itself is in pattern.json."""
    from dataclasses import asdict

    draft = job.draft
    report: dict[str, Any] = {
        "exit_code": exit_code,
        "frame": asdict(draft.frame_provenance),
        "recipe": asdict(draft.recipe_provenance),
        "findings": [asdict(finding) for finding in draft.findings],
        "pieces": [
            {"id": piece.id, "quantity": piece.quantity, "seam_length": round(piece.seam_line.length, 6)}
            for piece in draft.pieces
        ],
        "volume_l": None if draft.volume is None else round(draft.volume, 6),
        "compartments": [
            {"name": part.name, "volume_l": round(part.litres, 6)} for part in draft.compartments
        ],
        "stages": [
            {"id": r.id, "use": r.use, "seconds": round(r.seconds, 6), "changes": list(r.changes)}
            for r in job.result.journal
        ],
        "files": [{"path": str(file.path), "kind": file.kind} for file in job.written],
        "cautions": [asdict(caution) for caution in cautions_for(draft)] if warns else [],
    }
    return json.dumps(report, indent=2, ensure_ascii=False)
