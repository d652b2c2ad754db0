"""What joins a stage to the program: hook specifications, the manager, and the kit that tests a plugin."""

from __future__ import annotations

from oaktag.plugin.manager import GROUP, InstalledStage, PluginError, PluginFault, Stages, load_stages
from oaktag.plugin.spec import PARTS, OaktagSpec, Part, StageSpec, hookimpl

__all__ = [
    "GROUP",
    "PARTS",
    "InstalledStage",
    "OaktagSpec",
    "Part",
    "PluginError",
    "PluginFault",
    "StageSpec",
    "Stages",
    "hookimpl",
    "load_stages",
]
