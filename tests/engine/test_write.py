"""Writing results: all or nothing, only below the folder, nothing removed that somebody changed."""

from __future__ import annotations

import errno
import hashlib
import json
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from oaktag.engine import write_artifacts
from oaktag.pattern import Artifact
from oaktag.recipe import InputError, Problem


def text(path: str, content: str) -> Artifact:
    return Artifact(path, "text", content.encode())


def run_of(**contents: str) -> list[Artifact]:
    """The files of one run, `a_txt` being `a.txt` and `sub__a_txt` `sub/a.txt`, with their pattern.json."""
    named = {name.replace("__", "/").replace("_", "."): content for name, content in contents.items()}
    files = [text(path, content) for path, content in named.items()]
    listed = [{"path": file.path, "sha256": file.sha256} for file in files]
    return [*files, Artifact("pattern.json", "pattern", json.dumps({"files": listed}).encode())]


def tree(folder: Path) -> dict[str, str]:
    """Every file below a folder, with its content; a folder that is empty counts as well."""
    found = {}
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        if path.is_file() or path.is_symlink():
            found[name] = path.read_text() if path.exists() else f"-> {path.readlink()}"
        elif not any(path.iterdir()):
            found[name] = "(empty)"
    return found


def test_files_are_written_with_their_folders(tmp_path: Path) -> None:
    folder = tmp_path / "out" / "demo" / "bag"
    artifacts = run_of(a_txt="one", sub__deep__b_txt="two")
    written = write_artifacts(folder, artifacts)
    assert [(file.path, file.kind) for file in written] == [
        (folder / "a.txt", "text"),
        (folder / "sub" / "deep" / "b.txt", "text"),
        (folder / "pattern.json", "pattern"),
    ]
    assert tree(folder) == {
        "a.txt": "one",
        "sub/deep/b.txt": "two",
        "pattern.json": artifacts[-1].data.decode(),
    }


def test_a_second_run_takes_the_place_of_the_first(tmp_path: Path) -> None:
    write_artifacts(tmp_path, run_of(a_txt="one", b_txt="two"))
    second = run_of(a_txt="1", b_txt="2")
    write_artifacts(tmp_path, second)
    assert tree(tmp_path) == {"a.txt": "1", "b.txt": "2", "pattern.json": second[-1].data.decode()}


def test_the_pattern_takes_its_place_last(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    order: list[str] = []
    replace = Path.replace

    def watched(self: Path, target: Path) -> Path:
        order.append(Path(target).name)
        return replace(self, target)

    monkeypatch.setattr(Path, "replace", watched)
    write_artifacts(tmp_path, run_of(a_txt="one", z_txt="two")[::-1])
    assert order == ["z.txt", "a.txt", "pattern.json"]


def test_what_an_earlier_run_wrote_and_this_one_does_not_is_removed(tmp_path: Path) -> None:
    write_artifacts(tmp_path, run_of(a_txt="one", sub__deep__b_txt="two", sub__c_txt="three"))
    second = run_of(a_txt="one", sub__c_txt="three")
    write_artifacts(tmp_path, second)
    assert set(tree(tmp_path)) == {"a.txt", "sub/c.txt", "pattern.json"}
    write_artifacts(tmp_path, run_of(a_txt="one"))
    assert set(tree(tmp_path)) == {"a.txt", "pattern.json"}


def test_what_somebody_changed_or_put_there_stays(tmp_path: Path) -> None:
    write_artifacts(tmp_path, run_of(a_txt="one", sub__b_txt="two", c_txt="three"))
    (tmp_path / "sub" / "b.txt").write_text("two, corrected by hand")
    (tmp_path / "sub" / "notes.txt").write_text("mine")
    (tmp_path / "c.txt").unlink()
    (tmp_path / "c.txt").mkdir()
    write_artifacts(tmp_path, run_of(a_txt="one"))
    found = tree(tmp_path)
    assert found.pop("pattern.json")
    assert found == {
        "a.txt": "one",
        "sub/b.txt": "two, corrected by hand",
        "sub/notes.txt": "mine",
        "c.txt": "(empty)",
    }


@pytest.mark.parametrize(
    "pattern",
    [
        "",
        "{",
        "[]",
        "5",
        '{"files": 5}',
        '{"files": [5]}',
        '{"files": [{"path": "a.txt"}]}',
        "[" * 5000,
        json.dumps({"files": [{"path": "../mine.txt", "sha256": hashlib.sha256(b"mine").hexdigest()}]}),
        json.dumps({"files": [{"path": "/etc/mine.txt", "sha256": "0"}]}),
    ],
)
def test_a_pattern_that_cannot_be_read_removes_nothing(tmp_path: Path, pattern: str) -> None:
    folder = tmp_path / "bag"
    folder.mkdir()
    (folder / "pattern.json").write_text(pattern)
    (tmp_path / "mine.txt").write_text("mine")
    write_artifacts(folder, run_of(b_txt="two"))
    assert set(tree(tmp_path)) == {"mine.txt", "bag/b.txt", "bag/pattern.json"}


@pytest.mark.parametrize("path", ["../a", "/a", "a/../../b", "", ".", "a\\b", "c:\\a"])
def test_a_path_that_leads_out_is_refused_before_anything_is_written(tmp_path: Path, path: str) -> None:
    with pytest.raises(ValueError, match="leads out of the output folder"):
        write_artifacts(tmp_path / "bag", [text("a.txt", "one"), text(path, "two")])
    assert tree(tmp_path) == {}


def test_two_files_of_one_path_are_refused_before_anything_is_written(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="same path"):
        write_artifacts(tmp_path / "bag", [text("a.txt", "one"), text("./a.txt", "two")])
    assert tree(tmp_path) == {}


@pytest.mark.parametrize("umask", [0o022, 0o077, 0o002])
def test_permissions_are_those_of_any_new_file(tmp_path: Path, umask: int) -> None:
    before = os.umask(umask)
    try:
        write_artifacts(tmp_path / "bag", [text("sub/a.txt", "one")])
    finally:
        os.umask(before)
    assert (tmp_path / "bag" / "sub" / "a.txt").stat().st_mode & 0o777 == 0o666 & ~umask
    assert (tmp_path / "bag" / "sub").stat().st_mode & 0o777 == 0o777 & ~umask


def test_a_link_to_a_file_gives_way_and_the_file_itself_stays(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine")
    folder = tmp_path / "bag"
    folder.mkdir()
    (folder / "a.txt").symlink_to(tmp_path / "mine.txt")
    (folder / "b.txt").symlink_to(tmp_path / "not-there")
    write_artifacts(folder, [text("a.txt", "one"), text("b.txt", "two")])
    assert tree(tmp_path) == {"mine.txt": "mine", "bag/a.txt": "one", "bag/b.txt": "two"}
    assert not (folder / "a.txt").is_symlink()


def problem_of(call: Callable[[], object]) -> Problem:
    with pytest.raises(InputError) as caught:
        call()
    [problem] = caught.value.problems
    assert problem.file == "--out"
    assert problem.reason.startswith("the results can't be written: ")
    assert problem.valid
    assert problem.todo == "name another folder with --out"
    return problem


def test_a_folder_below_a_file_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine")
    problem = problem_of(lambda: write_artifacts(tmp_path / "file" / "bag", run_of(a_txt="one")))
    assert problem.found == str(tmp_path / "file" / "bag")
    assert os.strerror(errno.ENOTDIR) in problem.reason
    assert tree(tmp_path) == {"file": "mine"}


def test_a_name_that_is_too_long_leaves_no_folders_behind(tmp_path: Path) -> None:
    problem_of(lambda: write_artifacts(tmp_path / "a" / "b" / ("c" * 300), run_of(a_txt="one")))
    assert list(tmp_path.iterdir()) == []


def test_a_folder_in_the_place_of_a_file_stays_as_it_is(tmp_path: Path) -> None:
    write_artifacts(tmp_path, run_of(a_txt="one", b_txt="two", c_txt="three"))
    (tmp_path / "b.txt").unlink()
    (tmp_path / "b.txt").mkdir()
    (tmp_path / "b.txt" / "mine.txt").write_text("mine")
    before = tree(tmp_path)
    problem = problem_of(lambda: write_artifacts(tmp_path, run_of(a_txt="1", b_txt="2", d_txt="4")))
    assert os.strerror(errno.EISDIR) in problem.reason
    assert tree(tmp_path) == before


class FullDiskError(OSError):
    """What a full disk raises."""

    def __init__(self) -> None:
        super().__init__(errno.ENOSPC, os.strerror(errno.ENOSPC))


@pytest.fixture(params=[FullDiskError, KeyboardInterrupt])
def breaks(
    request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Callable[[str, int], type[BaseException]]]:
    """Make the n-th call of a method of Path fail, halfway through a write where it writes."""

    def arranged(method: str, n: int) -> type[BaseException]:
        plain: Any = getattr(Path, method)
        calls = 0

        def failing(self: Path, *arguments: Any) -> Any:
            nonlocal calls
            calls += 1
            if calls != n:
                return plain(self, *arguments)
            if method == "write_bytes":
                plain(self, arguments[0][:2])
            raise request.param

        monkeypatch.setattr(Path, method, failing)
        return InputError if request.param is FullDiskError else KeyboardInterrupt

    yield arranged
    monkeypatch.undo()


Breaks = Callable[[str, int], type[BaseException]]


@pytest.mark.parametrize(
    ("method", "n"),
    [
        (method, n)
        for method, most in (("write_bytes", 4), ("replace", 4), ("rename", 4))
        for n in range(1, most + 1)
    ],
)
def test_whatever_fails_the_old_files_are_intact_and_nothing_is_left_over(
    tmp_path: Path, breaks: Breaks, method: str, n: int
) -> None:
    # Of the old files one is replaced, one removed, one is pattern.json; two of the new ones are really new.
    write_artifacts(tmp_path, run_of(a_txt="one", sub__b_txt="two", s_txt="stale"))
    (tmp_path / "mine.txt").write_text("mine")
    before = tree(tmp_path)
    expected = breaks(method, n)
    with pytest.raises(expected):
        write_artifacts(tmp_path, run_of(a_txt="1", sub__b_txt="2", new__c_txt="3"))
    assert tree(tmp_path) == before


@pytest.mark.parametrize(
    ("method", "n"), [("write_bytes", 1), ("write_bytes", 3), ("replace", 1), ("replace", 3)]
)
def test_a_first_run_that_fails_leaves_no_folder_behind(
    tmp_path: Path, breaks: Breaks, method: str, n: int
) -> None:
    expected = breaks(method, n)
    with pytest.raises(expected):
        write_artifacts(tmp_path / "out" / "demo" / "bag", run_of(a_txt="1", sub__b_txt="2"))
    assert list(tmp_path.iterdir()) == []


def test_all_the_simulated_failures_lie_within_a_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The numbers above reach the last call of each kind: one more, and nothing would fail."""
    counts = dict.fromkeys(("write_bytes", "replace", "rename"), 0)
    for method in counts:
        plain: Any = getattr(Path, method)

        def counted(self: Path, *arguments: Any, method: str = method, plain: Any = plain) -> Any:
            counts[method] += 1
            return plain(self, *arguments)

        monkeypatch.setattr(Path, method, counted)
    write_artifacts(tmp_path, run_of(a_txt="one", sub__b_txt="two", s_txt="stale"))
    counts.update(dict.fromkeys(counts, 0))
    write_artifacts(tmp_path, run_of(a_txt="1", sub__b_txt="2", new__c_txt="3"))
    assert counts == {"write_bytes": 4, "replace": 4, "rename": 4}
