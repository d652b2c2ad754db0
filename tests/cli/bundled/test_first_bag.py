"""The shortest way to a first bag: a new sheet, used as it is, with the fit sample."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from oaktag.cli.app import run

RECIPE = Path(__file__).parents[3] / "recipes" / "fit-sample.recipe.toml"


@pytest.mark.parametrize("unit", ["mm", "cm", "in"])
def test_a_new_sheet_makes_a_fit_sample(
    unit: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    recipe = tmp_path / RECIPE.name
    # The drawings are the same in every unit: one of them is enough here.
    text, *exporters = RECIPE.read_text(encoding="utf-8").split('[[stage]]\nuse = "export.')
    assert len(exporters) == 6
    recipe.write_text(text + '[[stage]]\nuse = "export.svg"\n', encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    assert run(["new", "frame", "my", "--unit", unit]) == 0
    capsys.readouterr()
    assert run(["make", str(recipe), "--frame", "my.frame.toml", "--json"]) == 0
    report = json.loads(capsys.readouterr().out)
    assert [f for f in report["findings"] if f["level"] != "note"] == []
    assert {Path(f["path"]).as_posix() for f in report["files"]} == {
        "out/my/fit-sample/pattern.svg",
        "out/my/fit-sample/pattern.json",
    }
    survey = json.loads(Path("out/my/fit-sample/pattern.json").read_bytes())["survey"]
    assert survey["statistics"]["passed"] is True
    assert survey["statistics"]["dof"] == 3
