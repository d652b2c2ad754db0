"""Finding plugins and what they supply: an own loader and a typed facade over pluggy."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from importlib.metadata import EntryPoint, entry_points
from typing import Any, get_args

import pluggy

from oaktag.pattern.material import Material, MaterialForm
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
    """A plugin, or a stage of one, that can't be used.

    Attributes:
        plugin: its name, or several.
        distribution: where it comes from.
        reason: why it can't be used.
        todo: what its user can do about it.
        stages: names of the stages that are lost with it, as far as they are known.
    """

    plugin: str
    distribution: str
    reason: str
    todo: str
    stages: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Stages:
    """Everything that is installed: stages by name, materials in order, what couldn't be loaded."""

    installed: Mapping[str, InstalledStage]
    faults: tuple[PluginFault, ...]
    materials: tuple[Material, ...] = ()

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
    manager = _manager()
    faults: list[PluginFault] = []
    candidates: dict[str, list[InstalledStage]] = defaultdict(list)
    stocked: dict[str, list[tuple[EntryPoint, Material]]] = defaultdict(list)
    for name, group in by_name.items():
        if len(group) > 1:
            owners = " and ".join(_distribution(point) for point in group)
            lost = tuple(sorted({spec.name for point in group for spec in _stages_quietly(point)}))
            reason = f"two plugins are named {name!r}, from {owners}"
            faults.append(PluginFault(name, owners, reason, UNINSTALL_ONE, lost))
            continue
        point = group[0]
        try:
            specs, materials = _supplies(manager, point)
        except (Exception, SystemExit) as error:
            owner = _distribution(point)
            lost = error.stages if isinstance(error, PluginError) else ()
            reason = str(error) if isinstance(error, PluginError) else f"{type(error).__name__}: {error}"
            faults.append(
                PluginFault(name, owner, reason, f"install {owner} again, or tell its authors", lost)
            )
            continue
        for spec in specs:
            candidates[spec.name].append(InstalledStage(spec, name, _distribution(point), _version(point)))
        for material in materials:
            stocked[material.name].append((point, material))
    installed: dict[str, InstalledStage] = {}
    for stage_name in sorted(candidates):
        claims = candidates[stage_name]
        if len(claims) == 1:
            installed[stage_name] = claims[0]
            continue
        owners = " and ".join(f"{claim.distribution} (plugin {claim.plugin})" for claim in claims)
        reason = f"two stages are named {stage_name!r}, from {owners}"
        plugins = ", ".join(claim.plugin for claim in claims)
        distributions = " and ".join(sorted({claim.distribution for claim in claims}))
        faults.append(PluginFault(plugins, distributions, reason, UNINSTALL_ONE, (stage_name,)))
    on_stock: list[Material] = []
    for material_name in sorted(stocked):
        entries = stocked[material_name]
        if len(entries) == 1:
            on_stock.append(entries[0][1])
            continue
        owners = " and ".join(f"{_distribution(point)} (plugin {point.name})" for point, _ in entries)
        reason = f"two materials are named {material_name!r}, from {owners}"
        plugins = ", ".join(point.name for point, _ in entries)
        distributions = " and ".join(sorted({_distribution(point) for point, _ in entries}))
        faults.append(PluginFault(plugins, distributions, reason, UNINSTALL_ONE))
    return Stages(installed, tuple(faults), tuple(on_stock))


UNINSTALL_ONE = "uninstall one of them"
_MATERIAL_NAME = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*")
_STAGE_NAME = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*\.[a-z0-9]+(?:-[a-z0-9]+)*")


def _manager() -> pluggy.PluginManager:
    manager = pluggy.PluginManager(PROJECT)
    manager.add_hookspecs(OaktagSpec)
    return manager


def _distribution(point: EntryPoint) -> str:
    return _metadata(point, "Name") or "an unknown distribution"


def _version(point: EntryPoint) -> str:
    return _metadata(point, "Version")


def _metadata(point: EntryPoint, key: str) -> str:
    # What is left of a half-removed distribution has neither name nor version.
    found = point.dist.metadata.get_all(key) if point.dist is not None else None
    return str(found[0]) if found else ""


def _same(first: EntryPoint, second: EntryPoint) -> bool:
    return first.value == second.value and _distribution(first) == _distribution(second)


class PluginError(Exception):
    """A plugin that was imported but says nothing usable about itself; has the names of its stages."""

    def __init__(self, reason: str, stages: Iterable[str] = ()) -> None:
        super().__init__(reason)
        self.stages = tuple(stages)


def _supplies(
    manager: pluggy.PluginManager, point: EntryPoint
) -> tuple[tuple[StageSpec, ...], tuple[Material, ...]]:
    plugin = point.load()
    manager.register(plugin, point.name)
    callers = manager.get_hookcallers(plugin) or []
    for caller in callers:
        if not caller.has_spec():
            hooks = "the hooks are oaktag_stages and oaktag_materials"
            raise PluginError(f"there is no hook {caller.name!r}; {hooks}")
    if not callers:
        raise PluginError("it implements no hook; define oaktag_stages and mark it with @hookimpl")
    specs = _answers(manager, plugin, "oaktag_stages", "StageSpec")
    materials = _answers(manager, plugin, "oaktag_materials", "Material")
    if not specs and not materials:
        raise PluginError("it supplies no stage and no material; its hooks gave none")
    names = tuple(spec.name for spec in specs if isinstance(spec, StageSpec) and isinstance(spec.name, str))
    for spec in specs:
        if (reason := _objection(spec)) is not None:
            raise PluginError(reason, names)
    for material in materials:
        if (reason := _no_material(material)) is not None:
            raise PluginError(reason, names)
    return tuple(specs), tuple(materials)


def _answers(manager: pluggy.PluginManager, plugin: object, hook: str, what: str) -> list[Any]:
    """What one plugin's hook gave, in one list; empty if it doesn't implement that hook."""
    others = [other for other in manager.get_plugins() if other is not plugin]
    found: list[Any] = []
    for answer in manager.subset_hook_caller(hook, others)():
        if isinstance(answer, (str, StageSpec)) or not isinstance(answer, Iterable):
            raise PluginError(f"{hook} gave a {type(answer).__name__}, not a tuple of {what}")
        found.extend(answer)
    return found


def _no_material(value: object) -> str | None:
    """Why an entry of the material table can't be used; None if it can."""
    if not isinstance(value, Material):
        return f"oaktag_materials gave a {type(value).__name__}, not a Material"
    if not isinstance(value.name, str) or not _MATERIAL_NAME.fullmatch(value.name):
        return f"{value.name!r} is no name of a material; write lower-case words with hyphens"
    if value.form not in get_args(MaterialForm):
        return f"material {value.name!r} has the form {value.form!r}; {', '.join(get_args(MaterialForm))}"
    return None


def _stages_quietly(point: EntryPoint) -> tuple[StageSpec, ...]:
    """What a plugin that is refused anyway would have supplied, so that a recipe's message can name it."""
    try:
        return _supplies(_manager(), point)[0]
    except (Exception, SystemExit):
        return ()


def _objection(spec: object) -> str | None:
    """Why a description of a stage can't be used; None if it can."""
    if not isinstance(spec, StageSpec):
        return f"oaktag_stages gave a {type(spec).__name__}, not a StageSpec"
    if not isinstance(spec.name, str) or not _STAGE_NAME.fullmatch(spec.name):
        return f"{spec.name!r} is no stage name; write two lower-case words with a dot"
    for field in ("summary", "run", "options"):
        if not isinstance(getattr(spec, field), str):
            return f"stage {spec.name!r} has a {type(getattr(spec, field)).__name__} as its {field}, not text"
    for field in ("needs", "uses", "adds", "changes"):
        parts = getattr(spec, field)
        if not isinstance(parts, (set, frozenset)):
            return f"stage {spec.name!r} has a {type(parts).__name__} as what it {field}, not a frozenset"
        unknown = sorted(str(part) for part in parts - frozenset(PARTS))
        if unknown:
            return f"stage {spec.name!r} names the unknown part {unknown[0]!r}; parts: {', '.join(PARTS)}"
    return None
