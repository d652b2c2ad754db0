"""Every file is read back at the end of a run, and one that differs is removed."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING

import pytest

from oaktag import Draft
from oaktag.pattern import Artifact
from oaktag.pattern.read_back import Difference
from oaktag_plugins import export_png, export_svg
from oaktag_plugins.check_read_back import ReadBackOptions, run
from oaktag_plugins.export_png import PngOptions
from oaktag_plugins.export_svg import SvgOptions

if TYPE_CHECKING:
    from tests.plugins.export import broken
else:
    broken = SimpleNamespace(**run_path(str(Path(__file__).with_name("broken.py"))))

BREAKINGS = broken.BREAKINGS


def right(draft: Draft, artifact: Artifact) -> Iterable[Difference]:
    return ()


def wrong(draft: Draft, artifact: Artifact) -> Iterable[Difference]:
    return [Difference(f"place {number}", "side-panel-drive") for number in range(8)]


def raising(draft: Draft, artifact: Artifact) -> Iterable[Difference]:
    raise AttributeError("no such thing")


@pytest.fixture
def readers(monkeypatch: pytest.MonkeyPatch) -> None:
    """This module under a name that can be imported."""
    import sys
    from types import ModuleType

    module = ModuleType("readers_of_this_test")
    module.__dict__.update(right=right, wrong=wrong, broken=raising, nothing=None)
    monkeypatch.setitem(sys.modules, "readers_of_this_test", module)


def with_files(draft: Draft, *readers: str) -> Draft:
    for number, reader in enumerate(readers):
        path = f"{number}.txt"
        draft = draft.with_artifact(
            Artifact(path, "text", b"", reader=reader and f"readers_of_this_test:{reader}")
        )
    return draft  # fmt: skip


@pytest.mark.usefixtures("readers")
def test_a_right_file_stays_without_a_word(draft: Draft) -> None:
    before = with_files(draft, "right")
    assert run(before, ReadBackOptions()) == before


@pytest.mark.usefixtures("readers")
def test_a_file_that_differs_is_an_error_and_goes(draft: Draft) -> None:
    after = run(with_files(draft, "wrong", "right"), ReadBackOptions())
    assert [artifact.path for artifact in after.artifacts] == ["1.txt"]
    found = after.findings[len(draft.findings) :]
    assert {(finding.level, finding.code) for finding in found} == {("error", "read-back-differs")}
    assert [finding.where for finding in found[:5]] == ["side-panel-drive"] * 5
    assert found[0].message == "0.txt differs from the draft and was removed: place 0"
    assert found[-1].message == "0.txt differs from the draft in 3 more places"


@pytest.mark.usefixtures("readers")
@pytest.mark.parametrize("reader", ["broken", "nothing", "missing"])
def test_a_file_that_cannot_be_read_goes(draft: Draft, reader: str) -> None:
    after = run(with_files(draft, reader), ReadBackOptions())
    assert after.artifacts == ()
    assert [finding.code for finding in after.findings[len(draft.findings) :]] == ["read-back-failed"]


@pytest.mark.usefixtures("readers")
def test_a_file_that_nothing_reads_is_named(draft: Draft) -> None:
    after = run(with_files(draft, "", "right"), ReadBackOptions())
    (finding,) = after.findings[len(draft.findings) :]
    assert (finding.level, finding.code) == ("note", "not-read-back")
    assert "0.txt" in finding.message
    assert "1.txt" not in finding.message


@pytest.mark.usefixtures("readers")
def test_reading_can_be_left_out_with_a_warning(draft: Draft) -> None:
    after = run(with_files(draft, "wrong"), ReadBackOptions(read=False))
    assert [artifact.path for artifact in after.artifacts] == ["0.txt"]
    assert [finding.code for finding in after.findings[len(draft.findings) :]] == ["read-back-off"]


def test_files_that_show_all_pieces_only_together_are_counted(draft: Draft) -> None:
    after = export_svg.run(draft, SvgOptions(files="pieces"))
    assert run(after, ReadBackOptions()) == after
    less = after.evolve(artifacts=after.artifacts[1:])
    (finding,) = run(less, ReadBackOptions()).findings[len(draft.findings) :]
    assert (finding.level, finding.where) == ("error", draft.pieces[0].id)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (b'class="cut"', b'class="seam"'),
        (b'mm" height', b'in" height'),
        (b"</svg>", b""),
        (b"<path d=\"M", b"<path d=\"M1000 1000L"),
        (b'id="side-panel-drive"', b'id="side-panel"'),
    ],
)  # fmt: skip
def test_a_damaged_svg_file_goes(draft: Draft, old: bytes, new: bytes) -> None:
    after = export_svg.run(draft, SvgOptions())
    (artifact,) = after.artifacts
    assert old in artifact.data
    bad = after.evolve(artifacts=(replace(artifact, data=artifact.data.replace(old, new, 1)),))
    checked = run(bad, ReadBackOptions())
    assert checked.artifacts == ()
    assert checked.has_errors


@pytest.mark.parametrize("way", BREAKINGS)
def test_a_broken_svg_writer_is_caught(monkeypatch: pytest.MonkeyPatch, draft: Draft, way: str) -> None:
    assert broken.caught(broken.broken_run(monkeypatch, export_svg, BREAKINGS[way], draft, SvgOptions()))


SEEN_BY_EYE = ("points for millimetres", "one per cent too large", "mirrored pieces", "a notch too few",
               "a text too few", "a cut too many", "a piece too few")  # fmt: skip


@pytest.mark.parametrize("way", SEEN_BY_EYE)
def test_a_broken_preview_is_caught(monkeypatch: pytest.MonkeyPatch, draft: Draft, way: str) -> None:
    options = PngOptions(width=2400)
    assert broken.caught(broken.broken_run(monkeypatch, export_png, BREAKINGS[way], draft, options))


def test_what_is_drawn_as_drafted_stays(monkeypatch: pytest.MonkeyPatch, draft: Draft) -> None:
    for module, options in ((export_svg, SvgOptions()), (export_png, PngOptions(width=2400))):
        after = broken.broken_run(monkeypatch, module, lambda sheet: sheet, draft, options)
        assert broken.caught(after) == []
