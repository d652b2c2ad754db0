"""Printed size, measured on pages that Poppler renders, which neither writes nor reads our files."""

from __future__ import annotations

# Each test file is a module of its own, so the helper is found by its path.
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path

_SPEC = spec_from_file_location("programs", Path(__file__).parents[1] / "programs.py")
assert _SPEC is not None
assert _SPEC.loader is not None
_PROGRAMS = module_from_spec(_SPEC)
_SPEC.loader.exec_module(_PROGRAMS)

DPI = 300
PIXEL = 25.4 / DPI
