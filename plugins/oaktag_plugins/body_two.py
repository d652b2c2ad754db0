"""`body.two`: two bags in one opening, on either side of a line."""

from __future__ import annotations

from pydantic import model_validator

from oaktag import Draft, Finding, Refusal, StageSpec, hookimpl
from oaktag.pattern import Outline
from oaktag.recipe import NonNegativeLength, PositiveLength, listed, refuse_value, show
from oaktag_plugins.drafting.bag import bodies_of
from oaktag_plugins.drafting.bodies import (
    LEAST,
    OPPOSITE,
    Name,
    UncutError,
    cut,
    refuse_edge,
    refuse_rounded,
    short_runs,
    uncut_finding,
    worked_cut,
)
from oaktag_plugins.drafting.cut_line import LineOptions, Side, line_of


class TwoOptions(LineOptions):
    """Options of `body.two`: the line between the two bodies, their names, the room between.

    The line is given by `parallel-to` with `distance`, by `parallel-to` with `through` (and `angle`), or by
    `from` with `to`.
    """

    names: tuple[Name, Name] = ("upper", "lower")
    """What the bodies are called; ids of pieces and seams begin with it."""
    first: Side | None = None
    """The side of the line that the first of them is on.

    If left out it is what the name says, `upper`, `lower`, `front` or `rear`, and `upper` for other names.
    """
    gap: NonNegativeLength = 0.0
    """Room between them, half on either side of the line: for a shock, or a strap.

    At 0 they touch; `body.join` sews them together there.
    """
    edges: tuple[Name, Name] | None = None
    """Names of the new edges, one of each body. The upper body's is `lower` if left out, and so on."""
    least: PositiveLength = LEAST
    """Shortest run along a tube that may be left of it; less is an error (common practice, no source)."""
    body: str | None = None
    """The body to cut in two, where there are several already."""

    @model_validator(mode="after")
    def _two_names(self) -> TwoOptions:
        if self.names[0] == self.names[1]:
            raise refuse_value("both bodies have one name", "two different names", "rename one of them")
        return self

    @property
    def side(self) -> Side:
        """The side of the line that the first body is on."""
        if self.first is not None:
            return self.first
        return next((side for side in OPPOSITE if side == self.names[0]), "upper")


def run(draft: Draft, options: TwoOptions) -> Draft:
    """Cut the outline in two along the line.

    Raises:
        Refusal: a name is unknown or taken, a place lies beyond its tube, the corners are round already, or
            it isn't said which of several bodies to cut.
    """
    refuse_rounded(draft)
    sides = (options.side, OPPOSITE[options.side])
    edges = options.edges or (OPPOSITE[sides[0]], OPPOSITE[sides[1]])
    refuse_edge(draft, edges[0], "edges")
    refuse_edge(draft, edges[1], "edges", edges[0])
    wanted = bodies_of(draft, options.body)
    known = [outline.body for outline in draft.outlines]
    if len(wanted) > 1:
        raise Refusal(
            "there are several bodies",
            key="body",
            source="recipe",
            found="no name",
            valid=listed(known),
            todo="name the one to cut in two",
        )
    for name in options.names:
        if name in known and name not in wanted:
            raise Refusal(
                "another body has this name",
                key="names",
                source="recipe",
                found=show(name),
                valid=f"another name than {listed([one for one in known if one not in wanted])}",
                todo="rename it",
            )
    whole = draft.outline_of(wanted[0])
    origin, direction = line_of(draft, whole, options)
    try:
        two = tuple(
            cut(whole, origin, direction, options.gap / 2, side, edge, name)
            for side, edge, name in zip(sides, edges, options.names, strict=True)
        )
    except UncutError as error:
        return draft.with_findings([uncut_finding(error, whole.body)])
    outlines: list[Outline] = []
    for outline in draft.outlines:
        outlines += two if outline is whole else [outline]
    findings: list[Finding] = [f for outline in two for f in short_runs(outline, whole, options.least)]
    workings = [
        working
        for outline, edge in zip(two, edges, strict=True)
        for working in worked_cut(draft, whole, outline, edge, options, "body.two", options.gap, 2)
    ]
    return draft.evolve(outlines=tuple(outlines)).with_findings(findings).with_workings(workings)


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="body.two",
            summary="Cut the outline into two bodies along a line",
            run=f"{__name__}:run",
            options=f"{__name__}:TwoOptions",
            needs=frozenset({"opening", "outline"}),
            changes=frozenset({"outline"}),
        ),
    )
