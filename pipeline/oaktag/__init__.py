"""From the readings of one bicycle frame to the proved, true-size pattern of its frame bag.

This is the public door for plugins. Values of the pattern live in `oaktag.pattern`, option types in
`oaktag.recipe`, geometry in `oaktag.geometry`; everything that those packages export is public too.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from oaktag.pattern import Draft, Finding, Refusal
    from oaktag.plugin import StageSpec, hookimpl
    from oaktag.recipe import Options

__all__ = ["Draft", "Finding", "Options", "Refusal", "StageSpec", "hookimpl"]

# Looked up when first used, so that starting the program doesn't import what the command doesn't need.
_HOME = {
    "Draft": "oaktag.pattern",
    "Finding": "oaktag.pattern",
    "Options": "oaktag.recipe",
    "Refusal": "oaktag.pattern",
    "StageSpec": "oaktag.plugin",
    "hookimpl": "oaktag.plugin",
}


def __getattr__(name: str) -> object:
    if name in _HOME:
        return getattr(import_module(_HOME[name]), name)
    raise AttributeError(f"module 'oaktag' has no attribute {name!r}")
