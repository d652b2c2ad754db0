"""What a recipe makes of the stages of its base: changes them, replaces, drops and inserts some."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from oaktag.recipe.problem import Problem, listed, meant, nearest, show
from oaktag.recipe.recipe_sheet import WITH_BASE, StageEntry

_USE = StageEntry.model_fields["use"].description or ""


@dataclass(frozen=True, slots=True)
class Origin:
    """Where something is written: the file, as the user named it, and the key in it."""

    file: str
    key: str


@dataclass(frozen=True, slots=True)
class Entry:
    """One stage of a recipe with all that it inherits, its parameters not filled in yet.

    Attributes:
        id: unique in the recipe.
        use: name of the stage.
        options: as TOML gives them.
        origin: of the stage.
        laid: of options that a recipe has laid over those of its base, by name: the `[[stage]]` there.
    """

    id: str
    use: str
    options: Mapping[str, Any]
    origin: Origin
    laid: Mapping[str, Origin] = field(default_factory=dict)


def own_entries(entries: tuple[StageEntry, ...], file: str) -> tuple[list[Entry], list[Problem]]:
    """The stages of a recipe without a base, and what is wrong with them.

    Args:
        entries: as written.
        file: that they stand in.
    """
    if not entries:
        return [], [Problem(file, "stage", "is missing", "nothing", "The stages, in order.", "add stage")]
    found: list[Entry] = []
    problems: list[Problem] = []
    ids: set[str] = set()
    for index, entry in enumerate(entries):
        if entry.use is None:
            problems.append(Problem(file, f"stage[{index}].use", "is missing", "nothing", _USE, "add use"))
            continue
        key = f"stage[{index}] {entry.use}"
        step_id = entry.id or entry.use
        for name in WITH_BASE:
            if name in entry.written:
                reason, valid = "goes only with a `base`", "stages in the order in which they run"
                todo = f"remove `{name}`, or name the `base` that this recipe is built on"
                problems.append(
                    Problem(file, f"{key}.{name}", reason, show(getattr(entry, name)), valid, todo)
                )
        if step_id in ids:
            problems.append(_two_of_one_id(file, key, step_id))
        ids.add(step_id)
        found.append(Entry(step_id, entry.use, entry.options, Origin(file, key)))
    return found, problems


def inherited_entries(
    inherited: Iterable[Entry], entries: tuple[StageEntry, ...], file: str
) -> tuple[list[Entry], list[Problem]]:
    """The stages of a recipe with a base, and what is wrong with those that it writes itself.

    Its own `[[stage]]` take effect one after the other, in the order in which they are written.

    Args:
        inherited: all stages of the base.
        entries: as written in the recipe itself.
        file: that they stand in.
    """
    merge = _Merge(inherited, file)
    for index, entry in enumerate(entries):
        merge.apply(entry, index)
    merged = list(merge.entries())
    if not merged and not merge.problems:
        reason, valid = "no stage is left of the base", "one stage or more"
        merge.problem("stage", reason, "every stage is dropped", valid, "keep one, or insert one")
    return merged, merge.problems


@dataclass(slots=True, eq=False)
class _Node:
    """A place in the order of stages, and what is inserted next to it; empty once its stage is dropped."""

    entry: Entry | None
    before: list[_Node] = field(default_factory=list)
    after: list[_Node] = field(default_factory=list)


class _Merge:
    """Takes one `[[stage]]` after the other and collects what is wrong with them."""

    def __init__(self, inherited: Iterable[Entry], file: str) -> None:
        self.file = file
        self.problems: list[Problem] = []
        self.order = [_Node(entry) for entry in inherited]
        self.there = {node.entry.id: node for node in self.order if node.entry is not None}
        self.named: dict[str, str] = {}  # ids that the recipe itself has named, each with where
        self.dropped: set[str] = set()

    def problem(self, key: str, reason: str, found: str, valid: str, todo: str) -> None:
        self.problems.append(Problem(self.file, key, reason, found, valid, todo))

    def entries(self) -> Iterator[Entry]:
        waiting: list[_Node | Entry] = [*reversed(self.order)]
        while waiting:
            node = waiting.pop()
            if isinstance(node, Entry):
                yield node
            else:
                middle = [] if node.entry is None else [node.entry]
                waiting += [*reversed(node.after), *middle, *reversed(node.before)]

    def apply(self, entry: StageEntry, index: int) -> None:
        name = entry.id or entry.use
        key = f"stage[{index}] {entry.use or entry.id}".rstrip()
        if not name:
            found, valid = listed(entry.written), "the `id` of a stage of the base, or `use`"
            self.problem(key, "doesn't say which stage", found, valid, "add id")
            return
        anew = name in self.dropped and (entry.before or entry.after)
        if name in self.named and not anew:
            found, valid = f"{show(name)} in {self.named[name]} too", "one [[stage]] for each id"
            todo = f'join the two, or give this one an id of its own: id = "{name}-2"'
            self.problem(f"{key}.id", "two stages have one id", found, valid, todo)
            return
        self.named[name] = key
        if entry.drop:
            self.drop(entry, name, key)
        elif entry.before is not None or entry.after is not None:
            self.insert(entry, name, key)
        else:
            self.change(entry, name, key)

    def drop(self, entry: StageEntry, name: str, key: str) -> None:
        others = [word for word in entry.written if word not in ("id", "drop")]
        if not entry.id:
            self.problem(
                f"{key}.id",
                "is missing",
                "nothing",
                "the id of the stage to drop",
                f"write id = {show(name)}",
            )
        elif others:
            reason, todo = "goes with no other keys than `id`", f"remove {listed(others)}, or remove drop"
            self.problem(f"{key}.drop", reason, listed(entry.written), "id and drop", todo)
        elif name not in self.there:
            self.unknown(f"{key}.id", name, "name a stage of the base")
        else:
            self.there.pop(name).entry = None
            self.dropped.add(name)

    def insert(self, entry: StageEntry, name: str, key: str) -> None:
        word = "before" if entry.before is not None else "after"
        anchor = entry.before or entry.after or ""
        if entry.before is not None and entry.after is not None:
            found = f"before {show(entry.before)}, after {show(entry.after)}"
            self.problem(
                f"{key}.after", "goes with no `before`", found, "before or after", "remove one of the two"
            )
        elif name in self.there:
            problem = _two_of_one_id(self.file, key, name)
            todo = f"{problem.todo}; or remove `{word}` to change the stage that is there"
            self.problems.append(replace(problem, todo=todo))
        elif entry.use is None:
            self.problem(f"{key}.use", "is missing", "nothing", _USE, "add use")
        elif anchor in self.dropped and anchor not in self.there:
            reason, todo = "this recipe drops that stage", "name a stage that stays"
            self.problem(f"{key}.{word}", reason, show(anchor), listed(self.there), todo)
        elif anchor not in self.there:
            self.unknown(f"{key}.{word}", anchor, "name a stage that is there")
        else:
            node = _Node(Entry(name, entry.use, entry.options, Origin(self.file, key)))
            beside = self.there[anchor]
            (beside.before if word == "before" else beside.after).append(node)
            self.there[name] = node

    def change(self, entry: StageEntry, name: str, key: str) -> None:
        node = self.there.get(name)
        if node is None or node.entry is None:
            if entry.use is None:
                self.unknown(f"{key}.id", name, "name a stage of the base")
                return
            match = nearest(name, self.there)
            todo = 'add before = "…" or after = "…" with one of these'
            todo = f"did you mean {match!r}? If not, {todo}" if match else todo
            reason = "the base has no such stage, and a new one has no place"
            self.problem(key, reason, show(name), listed(self.there), todo)
            return
        origin = Origin(self.file, key)
        if entry.use is not None:
            node.entry = Entry(name, entry.use, entry.options, origin)
        elif not entry.options:
            valid = "options to change, `use` to replace it, or drop = true"
            self.problem(
                key, "changes nothing", listed(entry.written), valid, "add what is different, or remove it"
            )
        else:
            node.entry = replace(
                node.entry,
                options={**node.entry.options, **entry.options},
                laid=_without(node.entry.laid, entry.options) | dict.fromkeys(entry.options, origin),
            )

    def unknown(self, key: str, name: str, otherwise: str) -> None:
        todo = meant(name, self.there, otherwise)
        self.problem(key, "there is no stage with this id", show(name), listed(self.there), todo)


def _without(laid: Mapping[str, Origin], names: Mapping[str, Any]) -> dict[str, Origin]:
    return {name: origin for name, origin in laid.items() if name not in names}


def _two_of_one_id(file: str, key: str, name: str) -> Problem:
    valid, todo = "an id that no other stage has", f'give this one an id of its own: id = "{name}-2"'
    return Problem(file, f"{key}.id", "two stages have one id", show(name), valid, todo)
