"""Putting steps of work in an order that keeps to what has to come before what."""

from __future__ import annotations

import heapq
from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from graphlib import CycleError, TopologicalSorter
from typing import Generic, TypeVar

Step = TypeVar("Step", bound=Hashable)


@dataclass(frozen=True, slots=True)
class Ordered(Generic[Step]):
    """Steps in order.

    Attributes:
        steps: every step once.
        after: of each step those that have to be done before it, without those that come before another one
            of these; as far as the order keeps to them.
        cycles: steps that each have to come before the next, and the last before the first.
    """

    steps: tuple[Step, ...]
    after: Mapping[Step, frozenset[Step]]
    cycles: tuple[tuple[Step, ...], ...]


def ordered(after: Mapping[Step, Iterable[Step]], rank: Mapping[Step, tuple[int, ...]]) -> Ordered[Step]:
    """Order steps; among those that could come next the one of the lowest rank does.

    Where steps go in a circle, the last link of the circle is dropped, so that there is an order to look at.

    Args:
        after: of each step those that have to be done before it; all of them are keys themselves.
        rank: of each step, no two alike.
    """
    links = {step: set(before) for step, before in after.items()}
    cycles: list[tuple[Step, ...]] = []
    while True:
        # In order of rank, so that the same circle is found every time.
        sorter = TopologicalSorter(
            {step: sorted(links[step], key=rank.__getitem__) for step in sorted(links, key=rank.__getitem__)}
        )
        try:
            sorter.prepare()
        except CycleError as error:
            circle: list[Step] = error.args[1]
            # Each stands before the next one; the first is repeated at the end.
            cycles.append(tuple(circle[:-1]))
            links[circle[-1]].discard(circle[-2])
        else:
            break
    waiting: list[tuple[tuple[int, ...], int, Step]] = []
    number = {step: index for index, step in enumerate(links)}
    steps: list[Step] = []
    while sorter.is_active():
        for step in sorter.get_ready():
            heapq.heappush(waiting, (rank[step], number[step], step))
        _, _, chosen = heapq.heappop(waiting)
        steps.append(chosen)
        sorter.done(chosen)
    return Ordered(tuple(steps), _nearest(steps, links), tuple(cycles))


def _nearest(steps: Sequence[Step], links: Mapping[Step, set[Step]]) -> dict[Step, frozenset[Step]]:
    """Links without those that follow from others; each step's ancestors are the bits of one number."""
    bit = {step: 1 << index for index, step in enumerate(steps)}
    ancestors: dict[Step, int] = {}
    nearest: dict[Step, frozenset[Step]] = {}
    for step in steps:
        further = 0
        for earlier in links[step]:
            further |= ancestors[earlier]
        nearest[step] = frozenset(earlier for earlier in links[step] if not bit[earlier] & further)
        ancestors[step] = further
        for earlier in links[step]:
            ancestors[step] |= bit[earlier]
    return nearest


def following(after: Mapping[Step, Iterable[Step]], starts: Iterable[Step]) -> frozenset[Step]:
    """Every step that has to come after one of the given ones, these not among them unless in a circle."""
    nexts: dict[Step, list[Step]] = {step: [] for step in after}
    for step, before in after.items():
        for earlier in before:
            nexts[earlier].append(step)
    found: set[Step] = set()
    waiting = list(starts)
    while waiting:
        for step in nexts[waiting.pop()]:
            if step not in found:
                found.add(step)
                waiting.append(step)
    return frozenset(found)
