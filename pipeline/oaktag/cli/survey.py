"""What a survey has to say: readings and residuals, how good the opening is, what to read next."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from oaktag.cli.report import found, measured, written
from oaktag.cli.table import Table, show_table
from oaktag.pattern import Survey

if TYPE_CHECKING:
    from oaktag.engine import Job

MOST_NEXT = 6
"""Readings to propose."""


def show_survey(job: Job, quiet: bool) -> None:
    """Print the survey of a job; with `quiet` its findings only."""
    draft = job.draft
    if not quiet:
        for table in measured(draft):
            show_table(table)
        if draft.survey is not None:
            show_table(next_readings(draft.survey))
    found(draft, quiet)
    if not quiet:
        show_table(written(job))


def next_readings(survey: Survey) -> Table:
    """The readings that are most worth taking while the bicycle is still there."""
    worst = max((corner_sigma(survey, index) for index in range(len(survey.angles))), default=0.0)
    now = (("as it is", "", f"± {survey.perimeter.sigma:.2f}", f"± {worst:.2f}"),)
    rows = tuple(
        (
            f"{reading.kind} {reading.of}",
            f"± {reading.sigma:.4g}{'°' if reading.kind == 'angle' else ' mm'}",
            f"± {reading.perimeter:.2f}",
            f"± {reading.corner:.2f}",
        )
        for reading in survey.next_readings[:MOST_NEXT]
    )
    columns = ("with a reading of", ">good to", ">perimeter (mm)", ">worst corner (mm)")
    return Table("Worth reading next", columns, (*now, *rows) if rows else ())


def corner_sigma(survey: Survey, index: int) -> float:
    """Standard uncertainty of a corner in its worst direction, mm: the root of its larger eigenvalue."""
    row, following = survey.covariance[2 * index], survey.covariance[2 * index + 1]
    xx, xy, yy = row[2 * index], row[2 * index + 1], following[2 * index + 1]
    largest = (xx + yy) / 2 + (((xx - yy) / 2) ** 2 + xy**2) ** 0.5
    return float(max(largest, 0.0) ** 0.5)


def survey_as_json(job: Job, exit_code: int) -> str:
    """The survey for programs, as it stands in pattern.json."""
    from oaktag.pattern.document import document

    whole = document(job.draft)
    kept = {key: whole[key] for key in ("schema", "frame", "survey", "opening", "findings")}
    files = [{"path": str(file.path), "kind": file.kind} for file in job.written]
    return json.dumps({"exit_code": exit_code, **kept, "files": files}, indent=2, ensure_ascii=False)
