"""Planning, running and writing."""

from __future__ import annotations

from oaktag.engine.make import Job, draft_bag, make_bag, result_folder, survey_frame
from oaktag.engine.plan import Plan, PlannedStep, make_plan
from oaktag.engine.run import RunResult, StageFailure, StepRecord, first_draft, run_plan
from oaktag.engine.write import WrittenFile, write_artifacts

__all__ = [
    "Job",
    "Plan",
    "PlannedStep",
    "RunResult",
    "StageFailure",
    "StepRecord",
    "WrittenFile",
    "draft_bag",
    "first_draft",
    "make_bag",
    "make_plan",
    "result_folder",
    "run_plan",
    "survey_frame",
    "write_artifacts",
]
