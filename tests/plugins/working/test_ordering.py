"""Orders of work: nothing before what it needs, small things first, circles told once each."""

from __future__ import annotations

from collections.abc import Mapping

from hypothesis import given
from hypothesis import strategies as st

from oaktag_plugins.working.ordering import following, ordered

Graph = dict[int, set[int]]


def ranks(graph: Mapping[int, object], seed: list[int]) -> dict[int, tuple[int, ...]]:
    return {step: (seed[step % len(seed)], step) for step in graph}


def reaches(graph: Mapping[int, set[int]] | Mapping[int, frozenset[int]], start: int, end: int) -> bool:
    """Whether `end` is somewhere before `start`, by walking every link."""
    waiting, seen = [start], set()
    while waiting:
        for step in graph[waiting.pop()]:
            if step == end:
                return True
            if step not in seen:
                seen.add(step)
                waiting.append(step)
    return False


@st.composite
def graphs(draw: st.DrawFn, *, circles: bool) -> Graph:
    count = draw(st.integers(1, 12))
    step = st.integers(0, count - 1)
    links = draw(st.lists(st.tuples(step, step), max_size=30))
    graph: Graph = {name: set() for name in range(count)}
    names = draw(st.permutations(range(count)))
    for one, other in links:
        if one == other:
            continue
        if circles:
            graph[one].add(other)
        else:
            graph[names[max(one, other)]].add(names[min(one, other)])
    return graph


@given(graph=graphs(circles=False), seed=st.lists(st.integers(0, 3), min_size=1, max_size=5))
def test_every_step_comes_once_and_after_what_it_needs(graph: Graph, seed: list[int]) -> None:
    found = ordered(graph, ranks(graph, seed))
    assert sorted(found.steps) == sorted(graph)
    assert found.cycles == ()
    place = {step: index for index, step in enumerate(found.steps)}
    assert all(place[earlier] < place[step] for step, before in graph.items() for earlier in before)


@given(graph=graphs(circles=False), seed=st.lists(st.integers(0, 3), min_size=1, max_size=5))
def test_of_the_steps_that_could_come_next_the_lowest_does(graph: Graph, seed: list[int]) -> None:
    rank = ranks(graph, seed)
    done: set[int] = set()
    for step in ordered(graph, rank).steps:
        could = [other for other, before in graph.items() if other not in done and before <= done]
        assert step == min(could, key=rank.__getitem__)
        done.add(step)


@given(graph=graphs(circles=False))
def test_links_that_follow_from_others_are_left_out_and_nothing_else(graph: Graph) -> None:
    nearest = ordered(graph, ranks(graph, [0])).after
    for step in graph:
        for other in graph:
            assert reaches(nearest, step, other) == reaches(graph, step, other)
        for earlier in nearest[step]:
            assert not any(reaches(graph, between, earlier) for between in nearest[step] - {earlier})


@given(graph=graphs(circles=True), seed=st.lists(st.integers(0, 3), min_size=1, max_size=5))
def test_circles_are_told_and_broken(graph: Graph, seed: list[int]) -> None:
    found = ordered(graph, ranks(graph, seed))
    assert sorted(found.steps) == sorted(graph)
    assert bool(found.cycles) == any(reaches(graph, step, step) for step in graph)
    for circle in found.cycles:
        assert all(
            earlier in graph[later] for earlier, later in zip(circle, (*circle[1:], circle[0]), strict=True)
        )
    place = {step: index for index, step in enumerate(found.steps)}
    dropped = {(circle[-1], circle[0]) for circle in found.cycles}
    for step, before in graph.items():
        for earlier in before:
            assert place[earlier] < place[step] or (earlier, step) in dropped


@given(graph=graphs(circles=True), start=st.integers(0, 11))
def test_what_follows_a_step_is_all_that_needs_it(graph: Graph, start: int) -> None:
    start %= len(graph)
    assert following(graph, [start]) == {step for step in graph if reaches(graph, step, start)}
