"""Writing results: only below the output folder, all or nothing, and never over somebody's own file."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from oaktag.pattern import Artifact
from oaktag.recipe import InputError, Problem

PATTERN_FILE = "pattern.json"


@dataclass(frozen=True, slots=True)
class WrittenFile:
    """A file that was written: its path and its kind."""

    path: Path
    kind: str


def write_artifacts(folder: Path, artifacts: Sequence[Artifact]) -> tuple[WrittenFile, ...]:
    """Write files into a folder.

    Every file is first written whole beside its place; only when all of them are there do they take their
    places, `pattern.json` last. What an earlier run wrote there and this one doesn't is removed, unless
    somebody has changed it since.

    Raises:
        InputError: the folder can't be made or written to.
        ValueError: a path leads out of the folder, or two artifacts have one path.
    """
    places = [_below(folder, artifact.path) for artifact in artifacts]
    if len(set(places)) != len(places):
        raise ValueError("two files of one run have the same path")
    before = _earlier(folder)
    pending: list[tuple[Path, Path]] = []
    made: list[Path] = []
    try:
        for artifact, place in zip(artifacts, places, strict=True):
            made += _make_folder(place.parent)
            temporary = place.with_name(f".{place.name}.{os.getpid()}.part")
            pending.append((temporary, place))
            temporary.write_bytes(artifact.data)
        pending.sort(key=lambda pair: pair[1].name == PATTERN_FILE)
        while pending:
            temporary, place = pending[0]
            temporary.replace(place)
            pending.pop(0)
    except OSError as error:
        for temporary, _ in pending:
            temporary.unlink(missing_ok=True)
        for path in reversed(made):
            if not any(path.iterdir()):
                path.rmdir()
        raise InputError(
            [
                Problem(
                    "--out",
                    "",
                    f"the results can't be written: {error.strerror or error}",
                    found=str(error.filename or folder),
                    valid="a folder that you may write to, with room on its disk",
                    todo="name another folder with --out",
                )
            ]
        ) from None
    for path, digest in before.items():
        if path not in places and path.is_file() and hashlib.sha256(path.read_bytes()).hexdigest() == digest:
            path.unlink()
    return tuple(WrittenFile(place, a.kind) for a, place in zip(artifacts, places, strict=True))


def _below(folder: Path, path: str) -> Path:
    relative = PurePosixPath(path)
    if relative.is_absolute() or not relative.parts or ".." in relative.parts or "\\" in path:
        raise ValueError(f"the file name {path!r} leads out of the output folder")
    return folder.joinpath(*relative.parts)


def _make_folder(folder: Path) -> list[Path]:
    """Make a folder and its parents; returns those that weren't there, outermost first."""
    missing = [path for path in (folder, *folder.parents) if not path.exists()]
    folder.mkdir(parents=True, exist_ok=True)
    return missing[::-1]


def _earlier(folder: Path) -> dict[Path, str]:
    """What the pattern.json of an earlier run says it wrote, with digests; nothing if it can't be read."""
    try:
        listed = json.loads((folder / PATTERN_FILE).read_bytes())["files"]
        named = {_below(folder, str(entry["path"])): str(entry["sha256"]) for entry in listed}
    except (OSError, ValueError, KeyError, TypeError):
        return {}
    return named
