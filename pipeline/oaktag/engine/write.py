"""Writing results: only below the output folder, all or nothing, removing nothing that somebody changed."""

from __future__ import annotations

import errno
import hashlib
import json
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from oaktag.pattern import Artifact
from oaktag.plugin.contract import is_below
from oaktag.recipe import InputError, Problem

PATTERN_FILE = "pattern.json"


@dataclass(frozen=True, slots=True)
class WrittenFile:
    """A file that was written: its path and its kind."""

    path: Path
    kind: str


def write_artifacts(folder: Path, artifacts: Sequence[Artifact]) -> tuple[WrittenFile, ...]:
    """Write files into a folder, all of them or none.

    Every file is first written whole beside its place. Only when all of them are there do they take their
    places, `pattern.json` last, and what stood there is kept until the last one has; if anything fails, all
    of it goes back. What an earlier run wrote there and this one doesn't is removed, unless somebody has
    changed it since.

    Raises:
        InputError: the folder can't be made or written to.
        ValueError: a path leads out of the folder, or two artifacts have one path.
    """
    places = [_below(folder, artifact.path) for artifact in artifacts]
    if len(set(places)) != len(places):
        raise ValueError("two files of one run have the same path")
    before = _earlier(folder)
    change = _Change()
    try:
        for artifact, place in zip(artifacts, places, strict=True):
            change.prepare(place, artifact.data)
        for place in sorted(places, key=lambda place: place.name == PATTERN_FILE):
            change.replace(place)
        for path, digest in before.items():
            if path not in places and path.is_file() and _digest(path) == digest:
                change.keep_aside(path)
    except BaseException as error:
        change.undo()
        if not isinstance(error, OSError):
            raise
        valid = "a folder that you may write to, with room on its disk"
        reason = f"the results can't be written: {error.strerror or error}"
        raise InputError(
            [Problem("--out", "", reason, str(folder), valid, "name another folder with --out")]
        ) from error
    change.finish(folder)
    return tuple(WrittenFile(place, a.kind) for a, place in zip(artifacts, places, strict=True))


class _Change:
    """A change of several files that can be taken back until it is finished."""

    def __init__(self) -> None:
        self.folders: list[Path] = []  # made, outermost first
        self.prepared: dict[Path, Path] = {}  # place -> the new file beside it
        self.kept: dict[Path, Path] = {}  # place -> what stood there
        self.placed: list[Path] = []

    def prepare(self, place: Path, data: bytes) -> None:
        self.folders += [path for path in (place.parent, *place.parent.parents) if not path.exists()][::-1]
        place.parent.mkdir(parents=True, exist_ok=True)
        self.prepared[place] = _beside(place, "new")
        self.prepared[place].write_bytes(data)

    def replace(self, place: Path) -> None:
        self.keep_aside(place)
        self.prepared[place].replace(place)
        del self.prepared[place]
        self.placed.append(place)

    def keep_aside(self, place: Path) -> None:
        if place.is_dir() and not place.is_symlink():
            raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(place))
        if os.path.lexists(place):
            old = _beside(place, "old")
            place.rename(old)
            self.kept[place] = old

    def undo(self) -> None:
        for place in self.placed:
            place.unlink()
        for place, old in self.kept.items():
            old.rename(place)
        for new in self.prepared.values():
            new.unlink(missing_ok=True)
        for path in reversed(self.folders):
            # Not path.is_dir(), which raises where a name is too long.
            if os.path.isdir(path) and not any(path.iterdir()):  # noqa: PTH112
                path.rmdir()

    def finish(self, folder: Path) -> None:
        for place, old in self.kept.items():
            old.unlink()
            for parent in place.parents:
                if parent == folder or any(parent.iterdir()):
                    break
                parent.rmdir()


def _beside(place: Path, what: str) -> Path:
    return place.with_name(f".{place.name}.{os.getpid()}.{what}")


def _below(folder: Path, path: str) -> Path:
    if not is_below(path):
        raise ValueError(f"the file name {path!r} leads out of the output folder")
    return folder.joinpath(*PurePosixPath(path).parts)


def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _earlier(folder: Path) -> dict[Path, str]:
    """What the pattern.json of an earlier run says it wrote, with digests; nothing if it can't be read."""
    try:
        listed = json.loads((folder / PATTERN_FILE).read_bytes())["files"]
        return {_below(folder, str(entry["path"])): str(entry["sha256"]) for entry in listed}
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return {}
