"""Distributions of strangers, installed as pip would leave them: modules beside a dist-info folder."""

from __future__ import annotations

import importlib
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from importlib.metadata import EntryPoint, distributions
from pathlib import Path
from textwrap import dedent

import pytest

from oaktag.cli.app import run

GOOD = """
    from __future__ import annotations

    from typing import Annotated

    from pydantic import Field

    from oaktag import Draft, Finding, Options, Refusal, StageSpec, hookimpl
    from oaktag.pattern import Artifact
    from oaktag.recipe import PerName, PositiveLength


    class CardOptions(Options):
        words: Annotated[str, Field(min_length=1)] = "keep dry"
        '''What stands on the card.'''
        height: PerName[PositiveLength] = PerName.uniform(6.0)
        '''How high the letters are.'''


    def run(draft: Draft, options: CardOptions) -> Draft:
        if options.words == "no":
            raise Refusal(
                "a card can't say no", key="words", source="recipe", found="no", valid="more", todo="say why"
            )
        text = f"{draft.frame.name}: {options.words}, {options.height.get('card'):g} mm"
        return draft.with_artifact(Artifact("card.txt", "text", text.encode()))


    @hookimpl
    def oaktag_stages() -> tuple[StageSpec, ...]:
        return (
            StageSpec(
                name="@NAME@",
                summary="Write a card that goes with the bag",
                run=f"{__name__}:run",
                options=f"{__name__}:CardOptions",
                needs=frozenset({"readings"}),
                adds=frozenset({"files"}),
            ),
        )
"""


@dataclass(frozen=True)
class Site:
    """A folder on Python's path that distributions are installed into."""

    path: Path
    capsys: pytest.CaptureFixture[str]

    def install(
        self, distribution: str, plugins: dict[str, tuple[str, str]], *, version: str = "2.3.0"
    ) -> None:
        """Install a distribution.

        Args:
            distribution: its name.
            plugins: name of the entry point -> name of its module, text of that module.
            version: of the distribution.
        """
        info = self.path / f"{distribution.replace('-', '_')}-{version}.dist-info"
        info.mkdir()
        (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {distribution}\nVersion: {version}\n")
        (info / "INSTALLER").write_text("pip\n")
        lines = ["[oaktag]"]
        for name, (module, source) in plugins.items():
            lines.append(f"{name} = {module}")
            (self.path / f"{module}.py").write_text(dedent(source))
        (info / "entry_points.txt").write_text("\n".join(lines) + "\n")

    def points(self, *more: Path) -> list[EntryPoint]:
        """The entry points of plugins that are installed here, and in further folders."""
        found = distributions(path=[str(folder) for folder in (self.path, *more)])
        return [point for d in found for point in d.entry_points if point.group == "oaktag"]

    def run(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        """Run the command line in this process, which sees the site."""
        self.capsys.readouterr()
        importlib.invalidate_caches()
        code = run(list(arguments))
        said = self.capsys.readouterr()
        return subprocess.CompletedProcess(arguments, code, said.out, said.err)

    def run_apart(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        """Run the command line in a process of its own that sees the site."""
        return subprocess.run(
            [sys.executable, "-c", "from oaktag.cli import main; main()", *arguments],
            env={**os.environ, "PYTHONPATH": str(self.path), "PYTHONIOENCODING": "utf-8"},
            capture_output=True,
            text=True,
            encoding="utf-8",
            check=False,
            timeout=120,
        )


@pytest.fixture
def site(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Iterator[Site]:
    """A site of its own, on the path of this process too."""
    folder = tmp_path / "site"
    folder.mkdir()
    monkeypatch.syspath_prepend(str(folder))
    before = set(sys.modules)
    yield Site(folder, capsys)
    for name in set(sys.modules) - before:
        if str(getattr(sys.modules[name], "__file__", "") or "").startswith(str(folder)):
            del sys.modules[name]


@pytest.fixture
def good() -> Callable[[str], str]:
    """The text of a good plugin with one stage of a name."""
    return lambda stage: GOOD.replace("@NAME@", stage)


@pytest.fixture
def frame(tmp_path: Path) -> Path:
    """A frame sheet."""
    path = tmp_path / "demo.frame.toml"
    path.write_text('name = "Demo"\n[lengths]\nseat-tube = 402\ntop-tube = 523\ndown-tube = 604\n')
    return path
