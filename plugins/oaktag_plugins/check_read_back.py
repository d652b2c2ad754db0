"""`check.read-back`: read every file back with another library, and hold it against the draft."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from importlib import import_module

from oaktag import Draft, Finding, Options, StageSpec, hookimpl
from oaktag.pattern import Artifact
from oaktag.pattern.read_back import Difference, out_of_sight
from oaktag.pattern.sheet import drawn_pieces
from oaktag.pattern.shown import Page
from oaktag.recipe import listed

_MOST = 5  # differences of one file that are told one by one


class ReadBackOptions(Options):
    """Options of `check.read-back`."""

    read: bool = True
    """Whether files are read back at all; if not, a warning says that nothing has proved them."""


def run(draft: Draft, options: ReadBackOptions) -> Draft:
    """Read every file back.

    A file that differs from the draft, or can't be read, is an error and is removed. A kind of file that
    nothing reads is a note.
    """
    if not options.read:
        message = (
            "the files weren't read back, so nothing has proved them; leave `read` out to have them read"
        )
        return draft.with_findings([Finding("warning", "read-back-off", message)])
    findings: list[Finding] = []
    good: list[Artifact] = []
    unread: list[str] = []
    for artifact in draft.artifacts:
        found = list(_findings(draft, artifact)) if artifact.reader else []
        if not artifact.reader:
            unread.append(artifact.path)
        if found:
            findings += found
        else:
            good.append(artifact)
    findings += _not_in_any(draft, good)
    if unread:
        message = f"no library is known that reads {listed(unread)} back: look at what came out"
        findings.append(Finding("note", "not-read-back", message))
    return draft.evolve(artifacts=tuple(good)).with_findings(findings)


def _findings(draft: Draft, artifact: Artifact) -> Iterator[Finding]:
    try:
        found = list(reader_of(artifact)(draft, artifact))
    # A parser may raise anything when it meets a broken file, and so may one that isn't installed.
    except Exception as error:
        message = f"{artifact.path} can't be read back ({type(error).__name__}: {error}) and was removed"
        yield Finding("error", "read-back-failed", message)
        return
    for difference in found[:_MOST]:
        message = f"{artifact.path} differs from the draft and was removed: {difference.reason}"
        yield Finding("error", "read-back-differs", message, difference.where)
    if len(found) > _MOST:
        message = f"{artifact.path} differs from the draft in {len(found) - _MOST} more places"
        yield Finding("error", "read-back-differs", message)


def reader_of(artifact: Artifact) -> Callable[[Draft, Artifact], Iterable[Difference]]:
    """The function that reads a file back.

    Raises:
        ImportError: it isn't there.
        TypeError: it is no function.
    """
    name, _, attribute = artifact.reader.partition(":")
    reader = getattr(import_module(name), attribute, None)
    if not callable(reader):
        raise TypeError(f"{artifact.reader!r} is no function")
    return reader  # type: ignore[no-any-return]


def _not_in_any(draft: Draft, artifacts: Iterable[Artifact]) -> Iterator[Finding]:
    """Pieces that aren't whole in several files that only together show all."""
    shown: dict[str, list[Page]] = defaultdict(list)
    for artifact in artifacts:
        if artifact.shown is not None and not artifact.shown.whole:
            shown[artifact.kind] += artifact.shown.pages
    for kind, pages in shown.items():
        pieces = {placement.piece for page in pages for placement in page.placements}
        if not pieces:
            continue  # a drawing without pieces: the survey's
        for difference in out_of_sight(draft, pages):
            message = f"{difference.reason} of the {kind} files"
            yield Finding("error", "read-back-differs", message, difference.where)
        for piece in drawn_pieces(draft):
            if piece.id not in pieces:
                message = (
                    f"no {kind} file shows the piece: make the pattern again, or tell the exporter's authors"
                )
                yield Finding("error", "read-back-differs", message, piece.id)


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Supply `check.read-back`."""
    return (
        StageSpec(
            name="check.read-back",
            summary="Read every file back with another library and compare it with the draft",
            run=f"{__name__}:run",
            options=f"{__name__}:ReadBackOptions",
            needs=frozenset({"files"}),
            closes=True,
        ),
    )
