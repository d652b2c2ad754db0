"""Cutting outlines into bodies along a line, before their corners are rounded."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from oaktag import Draft, Finding, Refusal
from oaktag.geometry import Point, left_normal, shifted
from oaktag.pattern import Edge, Outline, Working
from oaktag.recipe import listed, show
from oaktag_plugins.drafting.bag import piece_id, straight_edges
from oaktag_plugins.drafting.cut_line import LineOptions, Side, half_of
from oaktag_plugins.drafting.split import Half, SplitError, split_outline
from oaktag_plugins.drafting.worked_outline import ParallelCut, cut_across, cut_runs

LEAST = 40.0
"""Shortest run, in mm, that a bag may have along a tube (common practice, no source)."""

OPPOSITE: dict[Side, Side] = {"upper": "lower", "lower": "upper", "front": "rear", "rear": "front"}
"""The other side of a line. A body's edge at the line lies there: an upper half has a lower edge."""

Name = Annotated[str, Field(min_length=1, max_length=40, pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$")]
"""A name that becomes a part of ids: lower case, digits, single hyphens."""


class UncutError(Exception):
    """An outline that can't be cut like this: why, in the maker's words."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


def refuse_rounded(draft: Draft) -> None:
    """Refuse to cut an outline whose corners are round already."""
    if any(edge.is_corner for outline in draft.outlines for edge in outline.edges):
        raise Refusal(
            "the corners are round already",
            key="",
            source="recipe",
            found="corners.round before it",
            valid="a place before corners.round, which rounds the new corners too",
            todo="move it up in the recipe",
        )


def refuse_edge(draft: Draft, name: str, key: str, *others: str) -> None:
    """Refuse a new edge's name that a tube or another edge has."""
    own = [edge.name for outline in draft.outlines for edge in straight_edges(outline)]
    taken = list(dict.fromkeys([*draft.frame.tubes, *own, *others]))
    if name in taken:
        raise Refusal(
            "another edge of the bag has this name",
            key=key,
            source="recipe",
            found=show(name),
            valid=f"another name than {listed(taken)}",
            todo=f"give `{key}` a name of its own",
        )


def cut(
    outline: Outline, origin: Point, direction: Point, gap: float, side: Side, edge: str, body: str
) -> Outline:
    """The part of an outline on one side of a line, some way off it.

    Args:
        outline: not rounded yet.
        origin: a point on the line, mm.
        direction: of the line.
        gap: how far off the line the part stays, mm.
        side: of the line.
        edge: name of the new edge, which stands where the line cuts.
        body: the new outline's.

    Raises:
        UncutError: the line doesn't cut the outline, or cuts a tube's run in three.
    """
    normal = left_normal(direction)
    part = normal[1] if side in ("upper", "lower") else normal[0]
    away = gap if (part > 0.0) == (side in ("upper", "front")) else -gap
    try:
        split = split_outline(outline.edges, shifted(origin, normal, away), direction, cut=edge)
    except SplitError as error:
        raise UncutError(error.reason) from error
    half = half_of(split, direction, side)
    names = [one.name for one in half.edges]
    for one in half.edges:
        if one.name != edge and one.name not in {kept.name for kept in outline.edges}:
            raise UncutError(f"it crosses the {one.of} twice")
    return Outline(_in_order(half, names, outline), body)


def _in_order(half: Half, names: list[str], outline: Outline) -> tuple[Edge, ...]:
    """The half's edges, begun with the one that stands first on the whole outline."""
    order = [edge.name for edge in outline.edges]
    first = min((name for name in names if name in order), key=order.index)
    at = names.index(first)
    edges = tuple(Edge(edge.name, edge.path) for edge in half.edges)
    return (*edges[at:], *edges[:at])


def short_runs(outline: Outline, whole: Outline, least: float) -> list[Finding]:
    """Runs of a cut outline that are too short to be sewn."""
    before = {edge.name: edge.length for edge in whole.edges}
    found: list[Finding] = []
    for edge in outline.edges:
        if edge.length < least and edge.length < before.get(edge.name, edge.length + 1.0) - 1e-6:
            message = (
                f"only {edge.length:.1f} mm of the {edge.name} is left before the corners are rounded; "
                f"{least:g} mm is the least that can be sewn well: move the line"
            )
            found.append(Finding("error", "run-short", message, piece_id(outline.body, edge.name)))
    return found


def uncut_finding(error: UncutError, where: str) -> Finding:
    """Say that a line doesn't cut the bag, so that it has been left whole."""
    message = (
        f"the line can't cut the bag in two: {error.reason}. The bag stays whole; move or turn the line."
    )
    return Finding("error", "cut-impossible", message, where)


def worked_cut(
    draft: Draft,
    whole: Outline,
    part: Outline,
    edge: str,
    line: LineOptions,
    stage: str,
    gap: float,
    shares: int = 1,
) -> tuple[Working, ...]:
    """How the runs of a cut outline come about.

    Args:
        draft: has the workings so far.
        whole: the outline before.
        part: what was cut from it.
        edge: name of its edge along the line.
        line: that cuts.
        stage: that cuts.
        gap: as the recipe gives it, mm.
        shares: how many bodies share the gap.
    """
    names = [one.name for one in whole.edges]
    found: tuple[Working, ...] = ()
    if line.parallel_to in names and line.distance is not None:
        parallel = ParallelCut(line.parallel_to, line.distance, gap / shares, stage, shares)
        found = cut_runs(draft.workings, whole, part, edge, parallel, draft.frame)
    return found or cut_across(draft.workings, whole, part, stage)
