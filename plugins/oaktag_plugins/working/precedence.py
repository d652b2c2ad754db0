"""What has to be done before what: derived from pieces and seams, not typed in.

Steps are named by `StepName`; the rules say of each step which others come before it. Nothing here knows
times or words.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations
from math import cos, radians
from typing import Literal, NamedTuple

from oaktag.geometry import Box, Point, cross, distance, dot
from oaktag.pattern import Draft, Edge, Piece, PlacementLine, Seam, SeamSide
from oaktag.pattern.cut_list import CARD
from oaktag.pattern.walk import run_path
from oaktag_plugins.working.ordering import Ordered, following, ordered

StepKind = Literal["cut", "trim", "mark", "hem", "seam", "holes", "set", "mount", "check", "turn", "inspect"]

PANEL_ROLE, GUSSET_ROLE, BINDING_ROLE, ZIPPER_ROLE = "side-panel", "gusset", "binding", "zipper"
MOUNTED = ("bolt", "washer")
"""Fittings that go in when the bag is put on the bicycle, by what they are."""

_SAME_PLACE = 1e-3  # mm
_THROUGH = cos(radians(40.0))
"""A run goes straight on across a joint if it turns by less than this."""


class StepName(NamedTuple):
    """One step: its kind, the piece, material, seam or body it is about, and the edge or material there."""

    kind: StepKind
    of: str
    at: str = ""


@dataclass(frozen=True, slots=True)
class Plan:
    """The order of work.

    Attributes:
        order: every step with what comes before it.
        closing: by body, the seams that close its shell.
        open: bodies that have an opening.
        zippers: by body, the zippers through which it opens.
        inside: seams inside a shell that would have to be sewn after it is closed.
    """

    order: Ordered[StepName]
    closing: Mapping[str, tuple[str, ...]]
    open: frozenset[str]
    zippers: Mapping[str, tuple[str, ...]]
    inside: tuple[str, ...]


def plan_of(draft: Draft) -> Plan:
    """Work out the order of all steps."""
    rules = _Rules(draft)
    rules.derive()
    inside = rules.close()
    rules.finish()
    after = {step: rules.after[step] for step in rules.steps}
    order = ordered(after, {step: rules.rank(step) for step in rules.steps})
    zippers = {body: rules.zippers(body) for body in rules.bodies}
    return Plan(order, rules.closing, rules.open, zippers, inside)


def seam_step(seam: Seam) -> StepName:
    """The step that sews a seam."""
    return StepName("seam", seam.id)


def material_of(piece: Piece) -> str:
    """What a piece is cut from; the template of an assembled one from card."""
    return CARD if piece.assembled else piece.material


def hems(piece: Piece, sewn: Iterable[str]) -> tuple[Edge, ...]:
    """The edges that are turned in and sewn down, or bound by themselves, for no seam is sewn at them."""
    taken = set(sewn)
    return tuple(edge for edge in piece.edges if edge.finish in ("hem", "bound") and edge.name not in taken)


def sewn_edges(draft: Draft) -> Mapping[str, frozenset[str]]:
    """By piece, the edges and placement lines at which a seam is sewn."""
    found: dict[str, set[str]] = {piece.id: set() for piece in draft.pieces}
    for seam in draft.seams:
        for side in (seam.a, seam.b):
            found[side.piece].update(side.edges)
    # What is sewn at an edge of an assembled piece is sewn at its parts' runs of it.
    for piece in draft.pieces:
        for part in piece.parts:
            found[part].update(edge.name for edge in draft.piece(part).edges if edge.of in found[piece.id])
    return {piece: frozenset(names) for piece, names in found.items()}


def on_placement(draft: Draft, side: SeamSide) -> bool:
    """Whether a seam's side is a line within the piece instead of a run of its edges."""
    return any(line.name == side.edges[0] for line in draft.piece(side.piece).placements)


class _Rules:
    """Collects steps and what comes before each."""

    def __init__(self, draft: Draft) -> None:
        self.draft = draft
        self.pieces = {piece.id: piece for piece in draft.pieces}
        self.seams = {seam.id: seam for seam in draft.seams}
        self.number = {piece.id: index for index, piece in enumerate(draft.pieces)}
        self.bodies = tuple(dict.fromkeys(piece.body for piece in draft.pieces if piece.body)) or ("",)
        self.sewn = sewn_edges(draft)
        self.at_edges: dict[str, list[Seam]] = defaultdict(list)
        self.on_lines: dict[str, list[Seam]] = defaultdict(list)
        for seam in draft.seams:
            for side in (seam.a, seam.b):
                where = self.on_lines if on_placement(draft, side) else self.at_edges
                where[side.piece].append(seam)
        self.steps: dict[StepName, None] = {}
        self.after: dict[StepName, set[StepName]] = defaultdict(set)
        self.closing: dict[str, tuple[str, ...]] = {}
        self.open: frozenset[str] = frozenset()
        self.index: dict[StepName, int] = {}

    # Steps

    def add(self, step: StepName, *before: StepName | None) -> StepName:
        self.steps.setdefault(step)
        self.after[step].update(earlier for earlier in before if earlier is not None and earlier != step)
        return step

    def body_of(self, step: StepName) -> str:
        """The body that a step works on; empty if it is for several or none."""
        if step.kind == "seam":
            seam = self.seams[step.of]
            found = [self.pieces[side.piece].body for side in (seam.a, seam.b)]
            return next((body for body in found if body), self.bodies[0] if len(self.bodies) == 1 else "")
        if step.kind in ("check", "turn"):
            return step.of
        if step.kind in ("cut", "inspect"):
            return ""
        return self.pieces[step.of].body or (self.bodies[0] if len(self.bodies) == 1 else "")

    def derive(self) -> None:
        """Add the steps that don't need to know which seam closes the shell, and what comes before each."""
        ready: dict[str, StepName] = {}  # by piece, the step after which it can be worked on
        for piece in self.draft.pieces:
            cut = self.add(StepName("cut", material_of(piece)))
            ready[piece.id] = self.add(StepName("trim", piece.id), cut) if piece.assembled else cut
            if piece.role != ZIPPER_ROLE and (piece.placements or piece.holes or piece.fittings):
                ready[piece.id] = self.add(StepName("mark", piece.id), ready[piece.id])
        for seam in self.draft.seams:
            self.add(seam_step(seam), *(ready[side.piece] for side in (seam.a, seam.b)))
        for piece in self.draft.pieces:
            self.work_on(piece, ready[piece.id])
            self.assemble(piece)
            self.pile(piece)
        for earlier, later in self.layers():
            self.add(seam_step(later), seam_step(earlier))
        for earlier, later in self.crossings():
            self.add(seam_step(later), seam_step(earlier))

    def work_on(self, piece: Piece, ready: StepName) -> None:
        """What is done on a piece while it lies flat: before anything is sewn at its edges."""
        done: list[StepName] = []
        applied = [seam_step(seam) for seam in self.on_lines[piece.id] if seam.kind != "zipper"]
        done += applied
        if piece.holes:
            done.append(self.add(StepName("holes", piece.id), ready, *applied))
        for name in dict.fromkeys(fitting.material for fitting in piece.fittings):
            kind: StepKind = "mount" if self.is_mounted(piece, name) else "set"
            step = self.add(StepName(kind, piece.id, name), ready, *done)
            if kind == "set":
                done.append(step)
        sewn = self.sewn[piece.id]
        done += [self.add(StepName("hem", piece.id, edge.name), ready) for edge in hems(piece, sewn)]
        crossed = [*self.at_edges[piece.id], *(self.on_lines[piece.id] if piece.role == ZIPPER_ROLE else ())]
        for seam in crossed:
            self.add(seam_step(seam), *done)

    def is_mounted(self, piece: Piece, material: str) -> bool:
        """Whether a fitting goes in only when the bag is put on the bicycle."""
        entry = self.draft.material(material)
        kinds = {fitting.what for fitting in piece.fittings if fitting.material == material}
        return bool(kinds & set(MOUNTED)) or (entry is not None and entry.kind in MOUNTED)

    def assemble(self, piece: Piece) -> None:
        """Parts are sewn together and trimmed to the template before the whole is sewn to anything."""
        if not piece.assembled:
            return
        parts = set(piece.parts)
        for part in piece.parts:
            for seam in (*self.at_edges[part], *self.on_lines[part]):
                if piece.id not in (seam.a.piece, seam.b.piece):
                    self.add(StepName("trim", piece.id), seam_step(seam))
        for step in [*self.steps]:
            if step.kind in ("hem", "holes", "set") and step.of in parts:
                self.add(StepName("trim", piece.id), step)
        # A layer whose parts only the cloth under them holds together is trimmed after that cloth.
        for part in piece.parts:
            for seam in self.at_edges[part]:
                under = self.draft.assembled_from(seam.a.piece)
                if seam.kind == "layer" and seam.b.piece == part and under not in (None, piece):
                    assert under is not None
                    self.add(StepName("trim", piece.id), StepName("trim", under.id))

    def pile(self, piece: Piece) -> None:
        """Where something may lie on another thing, that other one is sewn down first."""
        by_line = {
            seam_side.edges[0]: seam
            for seam in self.on_lines[piece.id]
            for seam_side in (seam.a, seam.b)
            if seam_side.piece == piece.id
        }
        for one, other in combinations(piece.placements, 2):
            for below, above in ((one, other), (other, one)):
                if (
                    below.name in by_line
                    and above.name in by_line
                    and below.face == above.face
                    and above.what in below.under
                    and below.what not in above.under
                    and _extent(below).overlaps(_extent(above))
                ):
                    self.add(seam_step(by_line[above.name]), seam_step(by_line[below.name]))

    def layers(self) -> Iterator[tuple[Seam, Seam]]:
        """A layer is laid on before the seam that catches it; a binding covers the seam once it is sewn."""
        for piece in self.draft.pieces:
            here = [
                (seam, side)
                for seam in self.at_edges[piece.id]
                for side in (seam.a, seam.b)
                if side.piece == piece.id
            ]
            for (seam, side), (other, other_side) in combinations(here, 2):
                if seam.id == other.id or not set(side.edges) & set(other_side.edges):
                    continue
                for layer, catching in ((seam, other), (other, seam)):
                    if layer.kind != "layer" or (catching.kind == "layer" and not self.binds(catching)):
                        continue
                    if self.binds(layer):
                        if not self.binds(catching):
                            yield catching, layer
                    elif not self.binds(catching):
                        yield layer, catching

    def binds(self, seam: Seam) -> bool:
        """Whether a seam puts a binding on."""
        return any(self.pieces[side.piece].role == BINDING_ROLE for side in (seam.a, seam.b))

    def crossings(self) -> Iterator[tuple[Seam, Seam]]:
        """A seam that ends in the run of other seams, which go straight on there, comes before them.

        Three pieces meet at its end: the two that it joins, and a third to which both are sewn in one run. Of
        the three seams there it is the one that doesn't lie in that run.
        """
        ends: dict[str, list[_End]] = defaultdict(list)
        by_seam: dict[tuple[str, bool], list[_End]] = defaultdict(list)
        for seam in self.draft.seams:
            if seam.kind in ("applied", "layer"):
                continue  # These lie flat on one piece, and have their place before its edges already.
            for end in _ends(self.draft, seam):
                ends[end.piece].append(end)
                by_seam[end.seam.id, end.first].append(end)
        for one, other in by_seam.values():
            for near in _meeting(one, ends[one.piece]):
                for far in _meeting(other, ends[other.piece]):
                    first, second = near.mate(by_seam), far.mate(by_seam)
                    straight = (
                        first.piece == second.piece
                        and first.piece not in (one.piece, other.piece)
                        and distance(first.point, second.point) < _SAME_PLACE
                        and -dot(first.away, second.away) > _THROUGH
                    )
                    if straight:
                        yield one.seam, near.seam
                        yield one.seam, far.seam

    # The shell

    def close(self) -> tuple[str, ...]:
        """Nothing is closed before what lies inside it is sewn; gives the seams of which that can't be."""
        inside: list[str] = []
        openings: set[str] = set()
        for body in self.bodies:
            if self.has_opening(body):
                openings.add(body)
            shell = [
                seam
                for seam in self.draft.seams
                if seam.kind == "shell" and self.body_of(seam_step(seam)) == body
            ]
            if not shell:
                continue
            closing = [seam_step(seam) for seam in self.closing_seams(shell)]
            self.closing[body] = tuple(step.of for step in closing)
            later = following({step: self.after[step] for step in self.steps}, closing)
            for step in [*self.steps]:
                if step in closing or step.kind == "mount" or self.body_of(step) != body:
                    continue
                if step.kind == "seam" and self.binds(self.seams[step.of]):
                    continue
                if step not in later:
                    for last in closing:
                        self.add(last, step)
                elif step.kind == "seam" and self.seams[step.of].kind != "shell":
                    inside.append(step.of)
        self.open = frozenset(openings)
        return tuple(inside)

    def closing_seams(self, shell: list[Seam]) -> list[Seam]:
        """The seams of the shell that are sewn last: those of one side panel, if there are any.

        The panel with a zipper comes last, so that the other one is sewn while everything still lies open;
        of two alike the later one in the draft.
        """
        panels = [piece for piece in self.draft.pieces if piece.role == PANEL_ROLE]
        sewn = [
            (
                any(self.pieces[part].role == ZIPPER_ROLE for part in panel.parts) and not self.backed(panel),
                self.number[panel.id],
                seams,
            )
            for panel in panels
            if (seams := [seam for seam in shell if panel.id in (seam.a.piece, seam.b.piece)])
        ]
        if sewn:
            return max(sewn, key=lambda entry: entry[:2])[2]
        before = {step for seam in shell for step in self.after[seam_step(seam)]}
        free = [seam for seam in shell if seam_step(seam) not in before]
        return (free or shell)[-1:]

    def has_opening(self, body: str) -> bool:
        """Whether a body can be turned right side out: through a zipper, or an open edge of its shell."""
        return bool(self.zippers(body)) or any(
            edge.name not in self.sewn[piece.id] and edge.finish != "fold"
            for piece in self.pieces_of(body)
            if piece.role in (PANEL_ROLE, GUSSET_ROLE)
            for edge in piece.edges
        )

    def zippers(self, body: str) -> tuple[str, ...]:
        """The zippers through which a body opens; that of a pocket with a back of its own isn't one."""
        return tuple(
            piece.id
            for piece in self.pieces_of(body)
            if piece.role == ZIPPER_ROLE and not self.backed(self.draft.assembled_from(piece.id))
        )

    def backed(self, whole: Piece | None) -> bool:
        """Whether something in one piece lies behind an assembled piece and is caught all round it."""
        return whole is not None and any(
            seam.kind == "layer"
            and not self.binds(seam)
            and seam.a.piece == whole.id
            and not self.pieces[seam.b.piece].assembled
            and {edge.name for edge in whole.edges} <= set(seam.a.edges)
            for seam in self.at_edges[whole.id]
        )

    def pieces_of(self, body: str) -> tuple[Piece, ...]:
        """The pieces of a body; all of them where there is only one."""
        return tuple(piece for piece in self.draft.pieces if len(self.bodies) == 1 or piece.body == body)

    def finish(self) -> None:
        """Look at the first side before the second, turn the bag, inspect, fit what goes on the bicycle."""
        outside = any(line.face == "outside" for piece in self.draft.pieces for line in piece.placements)
        everything = [step for step in self.steps if step.kind != "mount"]
        for body, closing in self.closing.items():
            first = self.first_side(body)
            if first and outside:
                check = self.add(StepName("check", body), *map(seam_step, first))
                for seam in closing:
                    self.add(StepName("seam", seam), check)
            if body in self.open:
                self.add(StepName("turn", body), *(s for s in everything if self.body_of(s) == body))
        inspect = self.add(StepName("inspect", "bag"), *(s for s in self.steps if s.kind != "mount"))
        for step in self.steps:
            if step.kind == "mount":
                self.add(step, inspect)
        self.index = {step: index for index, step in enumerate(self.steps)}

    def first_side(self, body: str) -> list[Seam]:
        """The shell seams of the side panels that don't close the bag."""
        closing = set(self.closing[body])
        return [
            seam
            for seam in self.draft.seams
            if seam.kind == "shell"
            and seam.id not in closing
            and self.body_of(seam_step(seam)) == body
            and any(self.pieces[side.piece].role == PANEL_ROLE for side in (seam.a, seam.b))
        ]

    # Rank

    def rank(self, step: StepName) -> tuple[int, ...]:
        """Where a step stands among those that could come next: small things first, as a sewer would."""
        block, phase, host = self.place(step)
        body = self.body_of(step)
        at = self.bodies.index(body) if body in self.bodies and block == 2 else 0
        return block, at, phase, host, self.index[step]

    def place(self, step: StepName) -> tuple[int, int, int]:
        """Block of the work, phase within it, and the piece it is about."""
        if step.kind == "cut":
            return 0, 0, 0
        if step.kind == "inspect":
            return 3, 0, 0
        if step.kind == "mount":
            return 4, 0, self.number[step.of]
        if step.kind == "turn":
            return 2, 9, 0
        if step.kind == "check":
            return 2, 6, 0
        if step.kind != "seam":
            return self.bench(step.of)
        seam = self.seams[step.of]
        sides = (seam.a.piece, seam.b.piece)
        if self.binds(seam) and seam.kind == "layer":
            return 2, 8, 0
        if seam.kind == "shell":
            if seam.id in self.closing.get(self.body_of(step), ()):
                return 2, 7, 0
            panels = [self.number[piece] for piece in sides if self.pieces[piece].role == PANEL_ROLE]
            return (2, 5, panels[0]) if panels else (2, 4, 0)
        if seam.kind == "liner":
            return 2, 3, 0
        return max(self.bench(piece) for piece in sides)

    def bench(self, piece_id: str) -> tuple[int, int, int]:
        """Where work on a piece has its place: small pieces, then panels, then the gusset."""
        whole = self.draft.assembled_from(piece_id) or self.pieces[piece_id]
        number = self.number[whole.id]
        if whole.role == PANEL_ROLE:
            return 2, 1, number
        if whole.role == GUSSET_ROLE:
            return 2, 2, number
        return 1, 0, number


def _extent(line: PlacementLine) -> Box:
    return (line.path if line.covers is None else line.covers).bounds


@dataclass(frozen=True, slots=True)
class _End:
    """An end of a seam on one of its pieces.

    Attributes:
        seam: the seam.
        first: whether it is the seam's beginning.
        side: 0 for side a, 1 for side b.
        piece: id of the piece.
        point: on the piece, mm.
        away: direction of the run away from the end, unit vector.
    """

    seam: Seam
    first: bool
    side: int
    piece: str
    point: Point
    away: Point

    def mate(self, by_seam: Mapping[tuple[str, bool], list[_End]]) -> _End:
        """The same end on the seam's other side."""
        return by_seam[self.seam.id, self.first][1 - self.side]


def _ends(draft: Draft, seam: Seam) -> Iterator[_End]:
    for number, side in enumerate((seam.a, seam.b)):
        path = run_path(draft, side)
        dx, dy = path.tangent_before(path.length)
        yield _End(seam, True, number, side.piece, path.start, path.tangent_at(0.0))
        yield _End(seam, False, number, side.piece, path.end, (-dx, -dy))


def _meeting(end: _End, others: Iterable[_End]) -> Iterator[_End]:
    """The ends of other seams on the same piece at the same corner, where the outline turns."""
    for other in others:
        if other.seam.id == end.seam.id or distance(end.point, other.point) > _SAME_PLACE:
            continue
        turns = abs(cross(end.away, other.away)) > 0.5 or dot(end.away, other.away) > 0.0
        if turns:
            yield other
