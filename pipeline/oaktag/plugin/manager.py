"""Finding plugins and what they supply: an own loader and a typed facade over pluggy."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from importlib.metadata import EntryPoint, entry_points

import pluggy

from oaktag.plugin.spec import PARTS, PROJECT, OaktagSpec, StageSpec

GROUP = "oaktag"
"""The entry point group of plugins."""


@dataclass(frozen=True, slots=True)
class InstalledStage:
    """A stage that can be used: what it is and where it comes from."""

    spec: StageSpec
    plugin: str
    distribution: str
    version: str


@dataclass(frozen=True, slots=True)
class PluginFault:
    """A plugin, or a stage of one, that can't be used: name, where it comes from, why, the stages lost."""

    plugin: str
    distribution: str
    reason: str
    stages: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Stages:
    """Everything that is installed: stages by name, and what couldn't be loaded."""

    installed: Mapping[str, InstalledStage]
    faults: tuple[PluginFault, ...]

    def suppliers(self, part: str) -> tuple[str, ...]:
        """Names of the stages that add a part."""
        return tuple(name for name, stage in self.installed.items() if part in stage.spec.adds)

    def fault_of(self, stage: str) -> PluginFault | None:
        """Why a stage can't be used, if that is known."""
        return next((fault for fault in self.faults if stage in fault.stages), None)


def load_stages(points: Iterable[EntryPoint] | None = None) -> Stages:
    """Load every installed plugin; what is broken is set aside with its reason and stops nobody else.

    Loading doesn't use pluggy's own loader: that one skips the second of two entry points of one name, and
    takes a plugin whose hook is misspelt or unmarked, both without a word.

    Args:
        points: entry points to load instead of the installed ones.
    """
    found = sorted(
        entry_points(group=GROUP) if points is None else points,
        key=lambda p: (p.name, _distribution(p), p.value),
    )
    by_name: dict[str, list[EntryPoint]] = defaultdict(list)
    for point in found:
        # The same entry point can be seen twice where one distribution is on the path twice.
        if not any(_same(point, other) for other in by_name[point.name]):
            by_name[point.name].append(point)
    manager = pluggy.PluginManager(PROJECT)
    manager.add_hookspecs(OaktagSpec)
    faults: list[PluginFault] = []
    candidates: dict[str, list[InstalledStage]] = defaultdict(list)
    for name, group in by_name.items():
        if len(group) > 1:
            owners = " and ".join(_distribution(point) for point in group)
            reason = f"two plugins are named {name!r}, from {owners}; uninstall one of them"
            lost = tuple(sorted({spec.name for point in group for spec in _stages_quietly(point)}))
            faults.append(PluginFault(name, owners, reason, lost))
            continue
        point = group[0]
        try:
            specs = _stages(manager, point)
        except Exception as error:
            faults.append(PluginFault(name, _distribution(point), f"{type(error).__name__}: {error}"))
            continue
        version = point.dist.version if point.dist is not None else ""
        for spec in specs:
            candidates[spec.name].append(InstalledStage(spec, name, _distribution(point), version))
    installed: dict[str, InstalledStage] = {}
    for stage_name in sorted(candidates):
        claims = candidates[stage_name]
        if len(claims) == 1:
            installed[stage_name] = claims[0]
            continue
        owners = " and ".join(f"{claim.distribution} (plugin {claim.plugin})" for claim in claims)
        reason = f"two stages are named {stage_name!r}, from {owners}; uninstall one of them"
        plugins = ", ".join(claim.plugin for claim in claims)
        faults.append(PluginFault(plugins, owners, reason, (stage_name,)))
    return Stages(installed, tuple(faults))


def _distribution(point: EntryPoint) -> str:
    return point.dist.name if point.dist is not None else "unknown distribution"


def _same(first: EntryPoint, second: EntryPoint) -> bool:
    return first.value == second.value and _distribution(first) == _distribution(second)


class PluginError(Exception):
    """A plugin that was imported but says nothing usable about itself."""


def _stages(manager: pluggy.PluginManager, point: EntryPoint) -> tuple[StageSpec, ...]:
    plugin = point.load()
    manager.register(plugin, point.name)
    callers = manager.get_hookcallers(plugin) or []
    for caller in callers:
        if not caller.has_spec():
            raise PluginError(f"there is no hook {caller.name!r}; the hook is oaktag_stages")
    if not callers:
        raise PluginError("it implements no hook; define oaktag_stages and mark it with @hookimpl")
    others = [other for other in manager.get_plugins() if other is not plugin]
    specs: list[StageSpec] = []
    for answer in manager.subset_hook_caller("oaktag_stages", others)():
        specs.extend(answer)
    for spec in specs:
        _check(spec)
    return tuple(specs)


def _stages_quietly(point: EntryPoint) -> tuple[StageSpec, ...]:
    """What a plugin that is refused anyway would have supplied, so that a recipe's message can name it."""
    manager = pluggy.PluginManager(PROJECT)
    manager.add_hookspecs(OaktagSpec)
    try:
        return _stages(manager, point)
    except Exception:
        return ()


def _check(spec: object) -> None:
    if not isinstance(spec, StageSpec):
        raise PluginError(f"oaktag_stages gave a {type(spec).__name__}, not a StageSpec")
    if spec.name.count(".") != 1 or spec.name != spec.name.strip().lower():
        raise PluginError(f"{spec.name!r} is no stage name; write two lower-case words with a dot")
    unknown = sorted((spec.needs | spec.uses | spec.adds | spec.changes) - frozenset(PARTS))
    if unknown:
        raise PluginError(
            f"stage {spec.name!r} names the unknown part {unknown[0]!r}; parts: {', '.join(PARTS)}"
        )
