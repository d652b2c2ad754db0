"""What a description of a stage points to."""

from __future__ import annotations

import pytest

from oaktag import Draft, Options, StageSpec


class PlainOptions(Options):
    """No options."""


def run(draft: Draft, options: PlainOptions) -> Draft:
    return draft


NO_FUNCTION = 5


def spec(run: str = f"{__name__}:run", options: str = f"{__name__}:PlainOptions") -> StageSpec:
    return StageSpec("sunny.card", "Write a card", run, options)


def test_a_description_imports_what_it_names() -> None:
    assert spec().load_run() is run
    assert spec().load_options() is PlainOptions


@pytest.mark.parametrize(
    ("reference", "error", "reason"),
    [
        ("no_such_module:run", ImportError, "No module named 'no_such_module'"),
        (f"{__name__}:draw", ImportError, "has no 'draw'"),
        (__name__, ImportError, "has no ''"),
        (f"{__name__}:NO_FUNCTION", TypeError, "is no function"),
    ],
)
def test_a_function_that_is_not_there(reference: str, error: type[Exception], reason: str) -> None:
    with pytest.raises(error, match=reason):
        spec(run=reference).load_run()


@pytest.mark.parametrize(
    ("reference", "error", "reason"),
    [
        ("no_such_module:Options", ImportError, "No module named 'no_such_module'"),
        (f"{__name__}:NoOptions", ImportError, "has no 'NoOptions'"),
        ("builtins:dict", TypeError, "isn't derived from oaktag.Options"),
        ("pydantic:BaseModel", TypeError, "isn't derived from oaktag.Options"),
        (f"{__name__}:run", TypeError, "isn't derived from oaktag.Options"),
    ],
)
def test_options_that_are_none(reference: str, error: type[Exception], reason: str) -> None:
    with pytest.raises(error, match=reason):
        spec(options=reference).load_options()
