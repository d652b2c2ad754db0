"""Pieces of one kind, such as nine straps, that one drawing and one table can stand for."""

from __future__ import annotations

from math import atan2, degrees

from oaktag import Draft
from oaktag.pattern import Piece


def families(draft: Draft) -> tuple[tuple[Piece, ...], ...]:
    """All pieces, those of one kind together, each kind where its first piece is."""
    kinds: dict[tuple[object, ...], list[Piece]] = {}
    for piece in draft.pieces:
        kinds.setdefault(kind_of(piece), []).append(piece)
    return tuple(tuple(pieces) for pieces in kinds.values())


def kind_of(piece: Piece) -> tuple[object, ...]:
    """What pieces have in common that differ in nothing but the lengths of their runs.

    A piece that others are fitted to, by notches or as parts, or that has holes is of a kind of its own.
    """
    if not piece.role or piece.notches or piece.holes or piece.fittings or piece.assembled:
        return (piece.id,)
    return (
        piece.role,
        piece.body,
        piece.material,
        piece.up,
        piece.front,
        tuple((edge.name, round(edge.allowance, 3), edge.finish) for edge in piece.edges),
        tuple(type(segment).__name__ for segment in piece.seam_line.segments),
        _angles(piece),
        tuple(line.what for line in piece.placements),
    )


def _angles(piece: Piece) -> tuple[int, ...]:
    """By how much the seam line turns from each segment to the next, whole degrees."""
    turns = []
    segments = piece.seam_line.segments
    for before, after in zip(segments, (*segments[1:], segments[0]), strict=True):
        (ax, ay), (bx, by) = before.tangent_at(before.length), after.tangent_at(0.0)
        turns.append(round(degrees(atan2(ax * by - ay * bx, ax * bx + ay * by))))
    return tuple(turns)
