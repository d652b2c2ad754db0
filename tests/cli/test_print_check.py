"""`oaktag printcheck`: verdict, advice, exit codes, bad input."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from oaktag.cli.app import run

Capture = pytest.CaptureFixture[str]


def said(capsys: Capture, *arguments: str, code: int) -> str:
    assert run(["printcheck", *arguments]) == code
    out, err = capsys.readouterr()
    assert err == ""
    return " ".join(out.split())


def test_true_size(capsys: Capture) -> None:
    text = said(capsys, "--across", "100", "--up", "99.5", code=0)
    assert text.startswith("Print check: true size, as far as the readings show")
    assert "leave the scale open by 0.5 %, 3.0 mm on 600 mm" in text
    assert "measure the longest rule" in text
    assert "mirrored" in text
    assert "Print at" not in text


def test_a_fine_reading_needs_no_longer_rule(capsys: Capture) -> None:
    text = said(capsys, "--across", "180", "--up", "180", "--square", "180", "--ruler-reading", "0.2", code=0)
    assert "longest rule" not in text


def test_a_scaled_print(capsys: Capture) -> None:
    text = said(capsys, "--across", "98.5", "--up", "98.5", code=1)
    assert text.startswith("Print check: NOT TRUE SIZE, too small axis read")
    assert "On a tube of 600 mm the bag would be 9.0 mm too small." in text
    assert "Print at 101.52 % of the scale that this was printed at" in text
    assert "the readings allow 101.01 to 102.04 %" in text


def test_causes_come_before_the_scale_that_would_hide_them(capsys: Capture) -> None:
    text = said(capsys, "--across", "94.1", "--up", "94", code=1)
    cause = text.index("a page for A4 on Letter")
    todo = text.index("switch 'fit to page' off")
    assert cause < todo < text.index("Otherwise print at")
    assert text.count("switch 'fit to page' off") == 1


def test_inches_and_the_other_square(capsys: Capture) -> None:
    inches = ["--across", "3 15/16 in", "--up", "10 cm", "--square", "4in"]
    text = said(capsys, *inches, "--ruler-reading", "1/32 in", code=1)
    assert "perhaps the 100 mm square was measured" in text.lower()


def test_a_stretched_print(capsys: Capture) -> None:
    text = said(capsys, "--across", "100", "--up", "98", code=1)
    assert "stretched" in text
    assert "right across the page and 12.0 mm too small up the page" in text
    assert "No single scale cures that: 100.00 % across and 102.04 % up would be needed." in text
    assert "At 101.01 %, the best single one, 10.1 mm stay off on 1000 mm" in text
    assert "Only one axis is off, bottom to top" in text
    both = said(capsys, "--across", "103", "--up", "98", code=1)
    assert "Both axes are off" in both


@pytest.mark.parametrize(
    ("across", "up", "code", "verdict"),
    [("100", "100", 0, "true"), ("75", "75", 1, "scaled"), ("90", "99", 1, "stretched")],
)
def test_json(across: str, up: str, code: int, verdict: str, capsys: Capture) -> None:
    report = json.loads(said(capsys, "--across", across, "--up", up, "--json", code=code))
    assert (report["exit_code"], report["verdict"]) == (code, verdict)
    assert report["scale"]["across"] == pytest.approx(float(across) / 100.0)
    assert report["print_at_percent"] == pytest.approx(20000.0 / (float(across) + float(up)))
    assert bool(report["causes"]) == (verdict == "scaled")
    assert "reads as usual" in report["advice"][-1]


@pytest.mark.parametrize("value", ["0", "-5", "nan", "inf", "abc", "1e9", "1000000000", "", "3 ells", "9/0"])
@pytest.mark.parametrize("option", ["--across", "--up", "--square", "--ruler-reading"])
def test_nonsense_gives_one_message_that_names_the_option(option: str, value: str, capsys: Capture) -> None:
    options = {"--across": "100", "--up": "100"} | {option: value}
    arguments = [f"{name}={given}" for name, given in options.items()]
    assert run(["printcheck", *arguments]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith(f"error: command line: {option}: ")
    assert err.count("error:") == 1
    assert all(f"\n  {word}" in err for word in ("found", "valid", "do"))
    assert run(["printcheck", *arguments, "--json"]) == 2
    (problem,) = json.loads(capsys.readouterr().out)["problems"]
    assert problem["key"] == option


def test_what_is_missing_is_named(capsys: Capture) -> None:
    assert run(["printcheck", "--across", "100"]) == 2
    assert "--up" in capsys.readouterr().err


def test_its_help_imports_nothing_heavy() -> None:
    code = """
import sys
from oaktag.cli.app import run
run(["printcheck", "--help"])
heavy = ("numpy", "pydantic", "rich", "oaktag.pattern", "oaktag.recipe")
print([n for n in heavy if n in sys.modules])
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"
