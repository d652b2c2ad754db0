"""Files as people write them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from oaktag.recipe import InputError, Problem

Write = Callable[[str], Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    """Write text to a file and give its path."""

    def written(text: str) -> Path:
        path = tmp_path / "a.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return written


@pytest.fixture
def problems_in() -> Callable[[Callable[[], object]], tuple[Problem, ...]]:
    """The problems that a call raises."""

    def found(call: Callable[[], object]) -> tuple[Problem, ...]:
        with pytest.raises(InputError) as caught:
            call()
        return caught.value.problems

    return found
