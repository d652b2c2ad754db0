"""Cautions at the end of `oaktag make`, and what the README says of them."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from oaktag.cli.app import run
from oaktag.pattern.cautions import CAUTIONS, CLEARANCE, FIRST_RIDE, RULES

Job = Callable[..., list[str]]
Capture = pytest.CaptureFixture[str]
TITLE = "Before you cut, and before you ride"
README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")


def without_out(arguments: list[str]) -> list[str]:
    place = arguments.index("--out")
    return arguments[:place] + arguments[place + 2 :]


def test_make_ends_with_a_line_for_each(job: Job, capsys: Capture) -> None:
    assert run(["make", *job()]) == 0
    head, tail = capsys.readouterr().out.split(f"{TITLE}\n")
    assert "Written" in head
    lines = tail.strip().splitlines()
    shown = [(caution.topic, caution.short) for caution in (CLEARANCE, FIRST_RIDE, RULES)]
    assert [line.split() for line in lines] == [f"{topic} {short}".split() for topic, short in shown]
    assert max(map(len, lines)) < 125


def test_a_pattern_with_errors_still_ends_with_do_not_cut(job: Job, capsys: Capture) -> None:
    assert run(["make", *job("wet")]) == 1
    out = capsys.readouterr().out
    assert TITLE in out
    assert out.splitlines()[-1].startswith("The files are marked DO NOT CUT")


def test_check_and_quiet_print_none(job: Job, capsys: Capture) -> None:
    assert run(["make", *job(), "--quiet"]) == 0
    assert run(["check", *without_out(job())]) == 0
    said = capsys.readouterr()
    assert TITLE not in said.out + said.err


def test_json_has_them_as_a_list(job: Job, capsys: Capture) -> None:
    assert run(["make", *job("dry", "--json")]) == 0
    cautions = json.loads(capsys.readouterr().out)["cautions"]
    assert [caution["topic"] for caution in cautions] == ["clearance", "first ride", "rules"]
    assert all(caution["text"] and caution["short"] for caution in cautions)
    assert run(["check", *without_out(job("dry", "--json"))]) == 0
    assert json.loads(capsys.readouterr().out)["cautions"] == []


SAID = {
    "clearance": ("lock to lock", "cranks", "suspension", "leg", "heel", "wheel", "cable", "hose", "battery"),
    "first ride": ("slow and short",),
    "straps": ("strap ends", "buckles"),
    "frame": ("carbon", "maker of the frame"),
    "bolts": ("bosses", "thread", "tighter"),
    "rubbing": ("wear", "protect"),
    "cutting and sewing": ("Hot knives", "fumes", "needle"),
    "lasers": ("laser", "PVC", "vinyl", "coated cloth", "safety data"),
    "rules": ("local rules", "qualified mechanic", "braking", "No standard", "none is claimed"),
}


@pytest.mark.parametrize(("topic", "word"), [(topic, word) for topic in SAID for word in SAID[topic]])
def test_the_readme_says_the_same(topic: str, word: str) -> None:
    assert topic in {caution.topic for caution in CAUTIONS}
    assert word in " ".join(README.split(f"## {TITLE}")[1].split())
