"""The measurement of starting costs runs; how long anything takes is not tested."""

from __future__ import annotations

import runpy
from pathlib import Path


def test_every_command_is_measured_against_a_bare_python() -> None:
    script = runpy.run_path(str(Path(__file__).with_name("starting.py")))
    bare, times = script["measure"](1)
    assert bare > 0
    assert list(times) == list(script["COMMANDS"])
    lines = script["table"](bare, times).splitlines()
    assert [line[:24].strip() for line in lines] == ["", "bare Python", *times]
    assert lines[1].split()[-1] == f"{1000 * bare:.0f}"
