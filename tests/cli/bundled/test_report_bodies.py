"""The report of a bag of several bodies: every run with its body, every volume and their sum."""

from __future__ import annotations

from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING

from oaktag.cli.report import drafted
from oaktag.plugin.kit import run_stage

if TYPE_CHECKING:
    from tests.plugins import bodies
else:
    plugins = Path(__file__).parents[2] / "plugins"
    bodies = SimpleNamespace(**run_path(str(plugins / "bodies.py")))


def test_runs_and_volumes_are_told_by_body() -> None:
    draft = run_stage("measure.volume", bodies.wrapped(bodies.two()))
    runs, *_, volume = drafted(draft)
    names = [row[0] for row in runs.rows]
    assert names[:2] == ["upper top-tube", "upper corner:head"]
    assert {"upper lower", "lower upper"} <= set(names)
    assert len(names) == sum(len(outline.edges) for outline in draft.outlines)
    assert [row[0] for row in volume.rows] == ["upper", "lower", "computed"]
    assert volume.rows[-1][1] == f"{draft.volume:.1f} l"


def test_a_bag_of_one_body_is_told_as_such() -> None:
    draft = run_stage("measure.volume", bodies.wrapped(bodies.CLEAR))
    runs, *_, volume = drafted(draft)
    assert runs.rows[0][0] == "top-tube"
    assert [row[0] for row in volume.rows] == ["computed"]
