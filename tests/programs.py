"""Programs of the system that tests read results with."""

from __future__ import annotations

import os
import shutil

import pytest


def program(name: str) -> str:
    """The path of a program.

    Where it isn't installed the test is left out with that reason, unless OAKTAG_TEST_PROGRAMS says that all
    of them are required.
    """
    found = shutil.which(name)
    if found is not None:
        return found
    reason = f"needs the program {name}, which isn't installed"
    if os.environ.get("OAKTAG_TEST_PROGRAMS") == "required":
        pytest.fail(reason)
    pytest.skip(reason)
