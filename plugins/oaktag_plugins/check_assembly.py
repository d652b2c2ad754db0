"""`check.assembly`: try every wrong way to sew the bag; none may have its notches meet."""

from __future__ import annotations

from oaktag import Draft, Finding, Options, StageSpec, hookimpl
from oaktag.pattern.assembly import WrongWay, wrong_ways
from oaktag.pattern.walk import run_path
from oaktag.recipe import PositiveLength
from oaktag_plugins.notch_match import edge_and_station, room_for_notch


class AssemblyOptions(Options):
    """Options of `check.assembly`."""

    length_tolerance: PositiveLength = 3.0
    """Runs whose lengths differ by no more are eased together without notice."""
    notch_tolerance: PositiveLength = 3.0
    """Notches no further apart are taken to meet."""
    spacing: PositiveLength = 13.0
    """Least distance of the notch that is proposed to its neighbours."""


def run(draft: Draft, options: AssemblyOptions) -> Draft:
    """Report every wrong way in which a piece could be sewn on with its notches meeting."""
    wrong = wrong_ways(
        draft, length_tolerance=options.length_tolerance, notch_tolerance=options.notch_tolerance
    )
    return draft.with_findings(finding_of(draft, way, options.spacing) for way in wrong)


def finding_of(draft: Draft, way: WrongWay, spacing: float) -> Finding:
    """Say what could go wrong and which notch prevents it."""
    shifted = f", {way.shift:.0f} mm from where it should begin" if way.shift else ""
    if way.way == "in place of another":
        lying = f"{way.piece} fits in place of another piece (its run for seam {way.place}){shifted}"
    else:
        lying = f"{way.piece} fits {way.way}{shifted}"
    message = f"{lying} against {way.against}: all notches meet. {advice(draft, way, spacing)}"
    return Finding("error", "assembly-ambiguous", message, way.seam)


def advice(draft: Draft, way: WrongWay, spacing: float) -> str:
    """Which notch to add."""
    for seam in draft.seams:
        if seam.id not in (way.seam, way.place):
            continue
        at = room_for_notch(draft, seam, spacing)
        if at is not None:
            length = run_path(draft, seam.a).length
            edge, along = edge_and_station(draft.piece(seam.a.piece), seam.a, at, length)
            return (
                f"Add a single notch on {edge} of {seam.a.piece}, {along:.1f} mm from the start of that edge, "
                f"and its mate on {seam.b.piece}."
            )
    return f"There is no room for another notch {spacing:g} mm from its neighbours: mark the piece by hand."


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="check.assembly",
            summary="Try every wrong way to sew the bag: in none may the notches meet",
            run=f"{__name__}:run",
            options=f"{__name__}:AssemblyOptions",
            needs=frozenset({"seams", "notches"}),
            adds=frozenset({"proof"}),
        ),
    )
