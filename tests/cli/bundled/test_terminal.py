"""Where somebody reads along there are colours and boxes; anywhere else there is plain text."""

from __future__ import annotations

import os
import pty
import re
import subprocess
import sys
from pathlib import Path

import pytest

from oaktag.cli.app import run

RECIPES = Path(__file__).parents[3] / "recipes"
FRAME = RECIPES / "frames" / "towpath-3-small.frame.toml"
ESCAPE = re.compile(r"\x1b\[[0-9;?]*[a-zA-Z]")
QUICK = """\
name = "quick"
version = "1"
[[stage]]
use = "measure.reconcile"
[[stage]]
use = "outline.clear"
"""


def at_a_terminal(*arguments: str, columns: int = 100) -> str:
    """What a command shows on a terminal of its own."""
    ours, theirs = pty.openpty()
    environment = {
        k: v for k, v in os.environ.items() if k not in ("NO_COLOR", "FORCE_COLOR", "TTY_COMPATIBLE")
    }
    with subprocess.Popen(
        [sys.executable, "-c", "from oaktag.cli import main; main()", *arguments],
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        env={**environment, "TERM": "xterm-256color", "COLUMNS": str(columns), "PYTHONIOENCODING": "utf-8"},
    ) as process:
        os.close(theirs)
        said = b""
        while True:
            try:
                more = os.read(ours, 65536)
            except OSError:  # how Linux says that the other side has gone
                break
            if not more:
                break
            said += more
        assert process.wait(timeout=120) == 0
    os.close(ours)
    return said.decode()


@pytest.fixture
def quick(tmp_path: Path) -> list[str]:
    """A recipe that is over soon, for a bicycle with a name full of signs."""
    recipe, frame = tmp_path / "quick.recipe.toml", tmp_path / "demo.frame.toml"
    recipe.write_text(QUICK)
    text = FRAME.read_text(encoding="utf-8")
    frame.write_text(text.replace("Towpath fleet, bicycle 3", "[red]x[/] :bike: [link=a]"), encoding="utf-8")
    return [str(recipe), "--frame", str(frame)]


def test_at_a_terminal_there_are_colours_and_names_stay_as_they_are(quick: list[str]) -> None:
    said = at_a_terminal("check", *quick)
    assert ESCAPE.search(said)
    text = ESCAPE.sub("", said)
    assert "Measured: [red]x[/] :bike: [link=a], size S" in text
    assert "─" in text
    assert "top-tube" in text


def test_an_explanation_at_a_terminal_keeps_to_its_width() -> None:
    said = at_a_terminal("explain", "gusset.wrap", columns=60)
    assert ESCAPE.search(said)
    lines = ESCAPE.sub("", said).splitlines()
    options = lines[lines.index("Options") :]
    assert "  between" in options
    assert max(map(len, options)) <= 60
    assert all(line.startswith("  ") for line in options[1:] if line.strip())


def test_anywhere_else_there_is_plain_text_and_paths_stay_whole(
    quick: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    out = tmp_path / ("a-folder-with-a-long-name-" * 6) / ("and-another-" * 10)
    assert run(["make", *quick, "--out", str(out)]) == 0
    said = capsys.readouterr()
    assert said.err == ""
    assert not ESCAPE.search(said.out)
    assert not set(said.out) & set("─│━┃╭╮")
    assert f"  {out / 'demo' / 'quick' / 'pattern.json'}  pattern" in said.out.splitlines()
    assert "Measured: [red]x[/] :bike: [link=a], size S" in said.out


def test_a_narrow_encoding_costs_signs_and_nothing_else() -> None:
    arguments, sign = ["explain", "corners.round"], "length (mm) ? 0"
    done = subprocess.run(
        [sys.executable, "-c", "from oaktag.cli import main; main()", *arguments],
        env={**os.environ, "PYTHONIOENCODING": "latin-1"},
        capture_output=True,
        check=False,
        timeout=120,
    )
    assert done.returncode == 0
    assert done.stderr == b""
    assert sign in done.stdout.decode("latin-1")


def test_a_report_as_json_is_utf8_whatever_the_terminal_speaks(tmp_path: Path) -> None:
    recipe, frame = tmp_path / "quick.recipe.toml", tmp_path / "größe.frame.toml"
    recipe.write_text(QUICK)
    frame.write_text(FRAME.read_text(encoding="utf-8").replace("bicycle 3", "größe"), encoding="utf-8")
    done = subprocess.run(
        [
            sys.executable,
            "-c",
            "from oaktag.cli import main; main()",
            "check",
            str(recipe),
            "--frame",
            str(frame),
            "--json",
        ],
        env={**os.environ, "PYTHONIOENCODING": "latin-1"},
        capture_output=True,
        check=False,
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    assert "größe" in done.stdout.decode("utf-8")


def test_listing_and_explaining_import_none_of_the_heavy_libraries() -> None:
    heavy = ("cairosvg", "ezdxf", "numpy", "reportlab", "rich", "scipy", "shapely")
    code = f"""
import sys
from oaktag.cli.app import run
assert run(["stages", "--json"]) == 0
assert run(["explain", "corners.round"]) == 0
print([name for name in {heavy!r} if name in sys.modules], file=sys.stderr)
"""
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, timeout=120
    )
    assert done.stderr.splitlines()[-1] == "[]"
