"""How a gusset's lengths and widths come about, in numbers that a maker can check."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from oaktag.pattern import Outline, Piece, Term, TubeWidth, Working, WorkingSheet
from oaktag.pattern.working import READING, Part
from oaktag_plugins.drafting.bag import END_EDGE, NON_DRIVE_EDGE, PANEL, START_EDGE, piece_id
from oaktag_plugins.drafting.gusset_width import TubeRun, WidthPiece, WidthProfile
from oaktag_plugins.drafting.strips import edge_at
from oaktag_plugins.drafting.worked_outline import PYTHAGORAS

INTERPOLATION = "linear interpolation"
_NEAR = 1e-6  # mm
_STAGE = "gusset.wrap"


def gusset_workings(
    earlier: Iterable[Working],
    outline: Outline,
    runs: Sequence[TubeRun],
    profile: WidthProfile,
    strips: Sequence[tuple[Piece, float, float]],
    measured: Sequence[TubeWidth],
    add: float,
) -> tuple[Working, ...]:
    """How the pieces of a gusset come about: sewn length, widths at both ends, centre line.

    Args:
        earlier: the workings that there are already.
        outline: of the body.
        runs: every tube's run with its stations.
        profile: the width along the seam.
        strips: pieces, each with the seam lengths at which it begins and ends, mm.
        measured: the sheet's widths.
        add: added to every one of them, mm.
    """
    sheet = WorkingSheet(earlier)
    widths = _Widths(sheet, outline, runs, measured, add)
    for piece, begin, end in strips:
        length = piece.edge(NON_DRIVE_EDGE).length
        name = f"{piece.id}: sewn length"
        if end - begin > outline.path.length - _NEAR:
            of = piece_id(outline.body, PANEL)
            whole = sheet.term("P", outline.path.length, "mm", f"outline: {of}, all round", of)
            sheet.add(name, length, "mm", "P", [whole], f"{piece.id} length")
        else:
            sheet.add_sum(name, length, "mm", _between(outline, begin, end), f"{piece.id} length")
        for edge, at in ((START_EDGE, begin), (END_EDGE, end)):
            _end_width(sheet, widths, profile, piece, edge, at)
        _centre_line(sheet, widths, outline, profile, piece, begin, end)
    return tuple(sheet.new)


def _between(outline: Outline, begin: float, end: float) -> list[Part]:
    """The runs of an outline from one seam length to another, those at both ends in part."""
    found: list[Part] = []
    whole = outline.path.length
    for turn in (0.0, whole):
        start = turn
        for edge in outline.edges:
            low, high = max(start, begin), min(start + edge.length, end)
            own = piece_id(outline.body, edge.name)
            if high - low > _NEAR:
                is_all = high - low > edge.length - _NEAR
                source = f"outline: {own}, as drafted" if is_all else f"{_STAGE}: {own}, from or to a join"
                found.append((high - low, (own, edge.name) if is_all else (), source))
            start += edge.length
    return found


class _Widths:
    """Where the widths at stations come from."""

    def __init__(
        self,
        sheet: WorkingSheet,
        outline: Outline,
        runs: Sequence[TubeRun],
        measured: Sequence[TubeWidth],
        add: float,
    ) -> None:
        self.sheet = sheet
        self.outline = outline
        self.runs = runs
        self.measured = measured
        self.add = add

    def term(self, symbol: str, station: float, width: float, *about: str) -> Term:
        """A width at a station as a term; one that isn't a tube's may have been worked out before."""
        station %= self.outline.path.length
        for run in self.runs:
            if not run.start - _NEAR <= station <= run.end + _NEAR:
                continue
            own = piece_id(self.outline.body, run.tube)
            for one in self.measured:
                if one.place.tube == run.tube and abs(one.width + self.add - width) < _NEAR:
                    return self._read(symbol, one)
            if any(abs(known - width) < _NEAR for _, known in run.stations):
                return Term(symbol, width, "mm", f"{_STAGE}: width at {own}")
        edge, _ = edge_at(self.outline, station)
        own = piece_id(self.outline.body, edge.name)
        return self.sheet.term(symbol, width, "mm", f"{_STAGE}: width of the strip at {own}", *about)

    def _read(self, symbol: str, one: TubeWidth) -> Term:
        source = f"{READING}{one.key}"
        if not self.add:
            return Term(symbol, one.width, "mm", source)
        value, of = one.width + self.add, f"width at {one.key}"
        if not self.sheet.source(value, "mm", of):
            terms = [Term("w", one.width, "mm", source), Term("a", self.add, "mm", f"{_STAGE}: add")]
            self.sheet.add(of, value, "mm", "w + a", terms, of)
        return self.sheet.term(symbol, value, "mm", _STAGE, of)


def _at(profile: WidthProfile, station: float) -> WidthPiece:
    """The piece of the profile at a station."""
    station %= profile.length
    return next((piece for piece in profile.pieces if station <= piece.s1 + _NEAR), profile.pieces[-1])


def _end_width(
    sheet: WorkingSheet, widths: _Widths, profile: WidthProfile, piece: Piece, edge: str, at: float
) -> None:
    """The width at one end of a strip, straight between the stations on either side."""
    part = _at(profile, at)
    if not part.straight:
        return
    station = at % profile.length
    first, last = part.width(part.s0), part.width(part.s1)
    w0 = widths.term("w0", part.s0, first)
    value, of, name = piece.edge(edge).length, f"{piece.id} {edge}", f"{piece.id}: width at the {edge}"
    if abs(last - first) < _NEAR:
        sheet.add(name, value, "mm", "w0", [w0], of)
        return
    own = f"{_STAGE}: seam length from where the panel's line begins"
    terms = [
        w0,
        widths.term("w1", part.s1, last),
        Term("s", station, "mm", f"{own} to the {edge}"),
        Term("s0", part.s0, "mm", f"{own} to the station before"),
        Term("s1", part.s1, "mm", f"{own} to the station after"),
    ]
    sheet.add(name, value, "mm", "w0 + (w1 − w0) · (s − s0) / (s1 − s0)", terms, of, INTERPOLATION)


def _centre_line(
    sheet: WorkingSheet,
    widths: _Widths,
    outline: Outline,
    profile: WidthProfile,
    piece: Piece,
    begin: float,
    end: float,
) -> None:
    """What a strip's taper takes from its centre line.

    The sewn edge goes sideways by half the change of the width. Where the width goes straight, edge, centre
    line and half the change make a right triangle.
    """
    parts: list[Part] = []
    upper = piece.edge(NON_DRIVE_EDGE).path
    for part in profile.between(begin, end):
        edge, _ = edge_at(outline, 0.5 * (part.s0 + part.s1))
        own = piece_id(outline.body, edge.name)
        span = part.s1 - part.s0
        length = upper.point_at(part.s1 - begin)[0] - upper.point_at(part.s0 - begin)[0]
        first, last = part.width(part.s0), part.width(part.s1)
        if not part.straight:
            parts.append((length, (), f"{_STAGE}: along {own}, measured along the curve"))
            continue
        of = f"{piece.id} centre line {len(parts) + 1}"
        source = sheet.source(span, "mm", own, edge.name) or f"{_STAGE}: seam length along {own}"
        terms = [Term("L", span, "mm", source)]
        formula = "L"
        if abs(last - first) > _NEAR:
            formula = "sqrt(L · L − (w1 − w0) / 2 · (w1 − w0) / 2)"
            terms += [
                widths.term("w1", part.s1, last, f"{piece.id} {END_EDGE}"),
                widths.term("w0", part.s0, first, f"{piece.id} {START_EDGE}"),
            ]
        sheet.add(f"{piece.id}: centre line along {own}", length, "mm", formula, terms, of, PYTHAGORAS)
        parts.append((length, (of,), _STAGE))
    sheet.add_sum(
        f"{piece.id}: centre line", upper.end[0] - upper.start[0], "mm", parts, f"{piece.id} centre line"
    )
