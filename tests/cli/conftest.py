"""A command line with made-up stages, and files for it."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import pytest

import oaktag.engine.make
import oaktag.plugin
from oaktag import Draft, Finding, Options, StageSpec
from oaktag.pattern import Artifact
from oaktag.plugin import InstalledStage, PluginFault, Stages


class CardOptions(Options):
    """Options."""

    words: str = "dry"
    """What stands on the card; `wet` is an error, and a few others do worse.

    This text is so long that it has to be wrapped when it is shown.
    """
    copies: int = 1
    """How many."""


def run(draft: Draft, options: CardOptions) -> Draft:
    if options.words == "boom":
        raise RuntimeError("it burst")
    if options.words == "stop":
        raise KeyboardInterrupt
    found = [Finding("note", "card", "a note"), Finding("warning", "card", "a warning", "gusset")]
    if options.words == "wet":
        found.append(Finding("error", "card-wet", "the card is wet", "card"))
    return draft.with_artifact(Artifact("card.txt", "text", options.words.encode())).with_findings(found)


@pytest.fixture
def stages(monkeypatch: pytest.MonkeyPatch) -> Stages:
    """What is installed: a stage, one without options, and a plugin that is broken."""
    sys.modules.setdefault("oaktag_test_stages", sys.modules[__name__])
    spec = StageSpec(
        "test.card",
        "Write a card",
        "oaktag_test_stages:run",
        "oaktag_test_stages:CardOptions",
        needs=frozenset({"readings"}),
        adds=frozenset({"files", "proof"}),
    )
    plain = StageSpec("test.plain", "Do nothing", "oaktag_test_stages:run", "oaktag:Options")
    fault = PluginFault("rainy", "rainy-bags", "ImportError: no\x1b[31m umbrella", "dry it", ("rainy.card",))
    installed = Stages(
        {s.name: InstalledStage(s, "test", "test-bags", "1.5") for s in (spec, plain)}, (fault,)
    )
    monkeypatch.setattr(oaktag.engine.make, "load_stages", lambda: installed)
    monkeypatch.setattr(oaktag.plugin, "load_stages", lambda: installed)
    return installed


@pytest.fixture
def job(stages: Stages, tmp_path: Path) -> Callable[..., list[str]]:
    """The arguments of a job that says some words."""

    def arguments(words: str = "dry", *more: str) -> list[str]:
        recipe, frame = tmp_path / "card.recipe.toml", tmp_path / "demo.frame.toml"
        lines = ['name = "card"', 'version = "1"', "[parameters]", 'words = "dry"']
        recipe.write_text("\n".join([*lines, "[[stage]]", 'use = "test.card"', 'words = "{words}"', ""]))
        frame.write_text('name = "Demo"\n[lengths]\ntop-tube = 500\n')
        out = str(tmp_path / "out")
        return [str(recipe), "--frame", str(frame), "--out", out, "--set", f"words={words}", *more]

    return arguments
