"""`check.walk-seams`: walk every seam and compare both sides and both rows of notches."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Set

from oaktag import Draft, Finding, Options, StageSpec, hookimpl
from oaktag.geometry import GeometryError, Path
from oaktag.pattern import Edge, Piece, Seam
from oaktag.pattern.assembly import NOTCHED
from oaktag.pattern.walk import END_TOLERANCE, inner, stations, walk
from oaktag.recipe import PositiveLength


class WalkOptions(Options):
    """Options of `check.walk-seams`."""

    tolerance: PositiveLength = 0.01
    """How far two seam lengths, or two notches, may differ."""


def run(draft: Draft, options: WalkOptions) -> Draft:
    """Report seams that don't match, notches that don't meet, and outlines that can't be cut."""
    findings: list[Finding] = []
    for piece in draft.pieces:
        findings += outline_findings(piece)
        findings += misplaced(piece)
    known = [seam for seam in draft.seams if not unknown_edges(draft, seam)]
    met = met_notches(draft, known)
    for seam in draft.seams:
        unknown = unknown_edges(draft, seam)
        findings += unknown or seam_findings(draft, seam, options.tolerance, met)
    sewn = {(side.piece, edge) for seam in draft.seams for side in (seam.a, seam.b) for edge in side.edges}
    for piece in draft.pieces:
        for edge in piece.edges:
            if not accounted_for(draft, piece, edge, sewn):
                where = f"{piece.id}, {edge.name}"
                findings.append(Finding("note", "edge-unsewn", "no seam is sewn at this edge", where))
    return draft.with_findings(findings)


def accounted_for(draft: Draft, piece: Piece, edge: Edge, sewn: Set[tuple[str, str]]) -> bool:
    """Whether an edge is sewn or finished, or is a run of an assembled piece's edge that is."""
    if edge.finish or (piece.id, edge.name) in sewn:
        return True
    whole = draft.assembled_from(piece.id)
    if whole is None or not edge.of:
        return False
    return any(accounted_for(draft, whole, one, sewn) for one in whole.edges if one.name == edge.of)


def met_notches(draft: Draft, seams: Iterable[Seam]) -> Mapping[str, Set[str]]:
    """The pairs of notches that meet, each with the seams in which they do.

    A run may be sewn in several seams, to a gusset and to a liner; its notches are matched in one of them.
    """
    met: dict[str, set[str]] = {}
    for seam in seams:
        try:
            walked = walk(draft, seam)
        except GeometryError:
            continue  # that is reported of the seam itself
        for pair in walked.pairs:
            if pair.a is not None and pair.b is not None:
                met.setdefault(pair.pair, set()).add(seam.id)
        for side, length in ((seam.a, walked.length_a), (seam.b, walked.length_b)):
            row = stations(draft, side)
            # At an end it meets the end of the other run, which needs no notch.
            for station in set(row) - set(inner(row, length)):
                met.setdefault(station.notch.pair, set()).add(seam.id)
    return met


def outline_findings(piece: Piece) -> list[Finding]:
    """Whether a piece's lines close and don't cross themselves."""
    found: list[Finding] = []
    for word, attribute in (("seam line", "seam_line"), ("cut line", "outline")):
        if attribute == "outline" and not piece.cut_line:
            continue  # as long as there are no allowances that is the seam line
        try:
            path: Path = getattr(piece, attribute)
        except GeometryError as error:
            found.append(Finding("error", "outline-broken", f"the {word} has a break: {error}", piece.id))
            continue
        if not path.closed:
            found.append(Finding("error", "outline-open", f"the {word} doesn't close", piece.id))
        elif not path.is_simple():
            found.append(Finding("error", "outline-crossing", f"the {word} crosses itself", piece.id))
    if piece.mirrored > piece.quantity:
        message = f"{piece.mirrored} are turned over, but only {piece.quantity} are cut"
        found.append(Finding("error", "quantity-impossible", message, piece.id))
    return found


def misplaced(piece: Piece) -> list[Finding]:
    """Notches that lie on no edge of their piece, so that no seam would ever meet them."""
    lengths = {edge.name: edge.length for edge in piece.edges}
    found: list[Finding] = []
    for notch in piece.notches:
        if notch.edge not in lengths:
            message = f"a notch names the edge {notch.edge}, which the piece hasn't"
        elif not -END_TOLERANCE <= notch.at <= lengths[notch.edge] + END_TOLERANCE:
            message = (
                f"the notch at {notch.at:.3f} mm lies beyond the edge {notch.edge}, "
                f"which is {lengths[notch.edge]:.3f} mm long"
            )
        else:
            continue
        found.append(Finding("error", "notch-misplaced", message, piece.id))
    return found


def unknown_edges(draft: Draft, seam: Seam) -> list[Finding]:
    """Pieces and edges that a seam names but the draft hasn't."""
    lines = {piece.id: set(piece.sewing_lines) for piece in draft.pieces}
    found: list[Finding] = []
    for side in (seam.a, seam.b):
        names = [name for name in side.edges if name not in lines.get(side.piece, ())]
        if names or side.piece not in lines:
            what = f"the edges {', '.join(names)} of {side.piece}" if names else f"no edge of {side.piece}"
            message = f"the seam is sewn at {what}, which there isn't"
            found.append(Finding("error", "seam-unknown", message, seam.id))
    return found


def seam_findings(draft: Draft, seam: Seam, tolerance: float, met: Mapping[str, Set[str]]) -> list[Finding]:
    """What is wrong with one seam."""
    try:
        walked = walk(draft, seam)
    except GeometryError as error:
        return [Finding("error", "seam-broken", f"the seam can't be walked: {error}", seam.id)]
    sides = f"{seam.a.piece} and {seam.b.piece}"
    found: list[Finding] = []
    if abs(walked.difference) > tolerance:
        message = (
            f"{sides} differ by {walked.difference:+.3f} mm: {walked.length_a:.3f} and "
            f"{walked.length_b:.3f} mm with {seam.ease:g} mm of ease; {tolerance:g} mm is allowed"
        )
        found.append(Finding("error", "seam-mismatch", message, seam.id))
    for pair in walked.pairs:
        if pair.a is None or pair.b is None:
            if met.get(pair.pair, set()) - {seam.id} or seam.kind not in NOTCHED:
                continue  # it is there for another seam that is sewn at the same run
            lone = pair.a or pair.b
            assert lone is not None
            message = f"the notch at {lone.at:.1f} mm on edge {lone.notch.edge} has no mate"
            found.append(Finding("error", "notch-unmatched", message, seam.id))
            continue
        # Ease is spread evenly, so a notch's mate moves with it.
        share = pair.a.at / walked.length_a if walked.length_a else 0.0
        apart = pair.b.at - pair.a.at - seam.ease * share
        if abs(apart) > tolerance:
            message = (
                f"the notches at {pair.a.at:.3f} and {pair.b.at:.3f} mm come to lie {apart:+.3f} mm apart"
            )
            found.append(Finding("error", "notch-mismatch", message, seam.id))
        if pair.a.notch.count != pair.b.notch.count:
            counts = f"{pair.a.notch.count} and {pair.b.notch.count} nicks"
            message = f"the notches at {pair.a.at:.1f} mm have {counts}"
            found.append(Finding("error", "notch-count", message, seam.id))
    found += allowance_findings(draft, seam)
    return found


def allowance_findings(draft: Draft, seam: Seam) -> list[Finding]:
    """Whether the raw edges lie together when the seam is sewn; a tape or a line within a piece has none."""
    for side in (seam.a, seam.b):
        piece = draft.piece(side.piece)
        material = draft.material(piece.material)
        within = any(line.name in side.edges for line in piece.placements)
        if within or (material is not None and material.form == "tape"):
            return []
    margins = [
        sorted({draft.piece(side.piece).edge(edge).allowance for edge in side.edges})
        for side in (seam.a, seam.b)
    ]
    if margins[0] == margins[1] or not any(draft.piece(s.piece).cut_line for s in (seam.a, seam.b)):
        return []
    both = " and ".join(", ".join(f"{value:g}" for value in side) for side in margins)
    message = f"{seam.a.piece} and {seam.b.piece} have different allowances here: {both} mm"
    return [Finding("warning", "allowance-differs", message, seam.id)]


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="check.walk-seams",
            summary="Walk every seam: lengths and notches of both sides must agree",
            run=f"{__name__}:run",
            options=f"{__name__}:WalkOptions",
            needs=frozenset({"seams"}),
            uses=frozenset({"panels", "gusset", "features", "materials", "allowances", "notches"}),
            adds=frozenset({"proof"}),
        ),
    )
