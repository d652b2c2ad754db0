"""`check.assembly`: try every wrong way to sew the bag; none may have its notches meet."""

from __future__ import annotations

from oaktag import Draft, Finding, Options, StageSpec, hookimpl
from oaktag.pattern.assembly import WrongWay, assembly_of, wrong_ways, wrong_ways_of
from oaktag.recipe import PositiveLength
from oaktag_plugins.notch_match import edge_and_station, rooms_for_notch


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
    return draft.with_findings(finding_of(draft, way, options) for way in wrong)


def finding_of(draft: Draft, way: WrongWay, options: AssemblyOptions) -> Finding:
    """Say what could go wrong and which notch prevents it."""
    shifted = f", {way.shift:.0f} mm from where it should begin" if way.shift >= 0.5 else ""
    if way.way == "in place of another":
        lying = f"{way.piece} fits in place of another piece (its run for seam {way.place}){shifted}"
    else:
        lying = f"{way.piece} fits {way.way}{shifted}"
    message = f"{lying} against {way.against}: all notches meet. {advice(draft, way, options)}"
    return Finding("error", "assembly-ambiguous", message, way.seam)


def advice(draft: Draft, way: WrongWay, options: AssemblyOptions) -> str:
    """Which notch to add: one that has been tried, after which these two runs can't be sewn like this."""
    assembly = assembly_of(draft)
    for seam in draft.seams:
        if seam.id not in (way.seam, way.place):
            continue
        for at in rooms_for_notch(draft, seam, options.spacing):
            left = wrong_ways_of(
                assembly.notched(seam.id, at),
                length_tolerance=options.length_tolerance,
                notch_tolerance=options.notch_tolerance,
            )
            if any(_same(way, other) for other in left):
                continue
            edge, along = edge_and_station(draft.piece(seam.a.piece), seam.a, at)
            return (
                f"Add a single notch on {edge} of {seam.a.piece}, {along:.1f} mm from the start "
                f"of that edge, and its mate on {seam.b.piece}."
            )
    return (
        f"There is no room for a notch that helps, {options.spacing:g} mm from its neighbours: "
        "mark the piece by hand."
    )


def _same(way: WrongWay, other: WrongWay) -> bool:
    return (way.seam, way.piece, way.way, way.against, way.place) == (
        other.seam,
        other.piece,
        other.way,
        other.against,
        other.place,
    )


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
            uses=frozenset({"features"}),
            adds=frozenset({"proof"}),
        ),
    )
