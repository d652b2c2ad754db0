"""Bags put together at random: whatever is asked for, seams stay true and parts add up."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, event, given, settings
from hypothesis import strategies as st

from oaktag import Draft, Refusal
from oaktag.pattern.document import render
from oaktag.pattern.walk import walk
from oaktag.plugin.kit import example_draft, run_stage
from oaktag.recipe import InputError, load_frame

FRAMES = Path(__file__).parents[2] / "recipes" / "frames"
STAGES = ("measure.reconcile", "outline.clear", "outline.keep-out")
CLEAR = [
    example_draft("measure.reconcile", "outline.clear"),
    # Four corners, a bowed tube, a pump in the way.
    example_draft(*STAGES, frame=load_frame(FRAMES / "towpath-16-pump.frame.toml")[0]),
]
TUBES = ("top-tube", "down-tube", "seat-tube")
CORNERS = ("head", "bottom-bracket", "seat")

Ask = tuple[str, dict[str, Any]]

tube = st.sampled_from(TUBES)
share = st.floats(0.05, 0.95).map(lambda value: round(value, 3))
place = st.fixed_dictionaries({"tube": tube, "at": share})
side = st.sampled_from(["drive", "non-drive"])


def mm(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high).map(lambda value: round(value, 1))


line = st.one_of(
    st.fixed_dictionaries({"parallel_to": tube, "distance": mm(20, 200)}),
    st.fixed_dictionaries({"parallel_to": tube, "through": place, "angle": mm(-60, 60)}),
    st.fixed_dictionaries({"from_": place, "to": place}),
)
inner_line = line.map(
    lambda given: {name.removesuffix("_").replace("_", "-"): value for name, value in given.items()}
)


def zipper(number: int) -> st.SearchStrategy[Ask]:
    return st.builds(
        lambda where, more: ("zipper.panel", {"name": f"zipper-{number}", **where, **more}),
        line,
        st.fixed_dictionaries(
            {"side": side, "zipper": st.sampled_from(["zipper-3", "zipper-5", "zipper-8", "zipper-10"])},
            optional={
                "start": mm(0, 90),
                "end": mm(0, 90),
                "sliders": st.integers(1, 2),
                "consumed": mm(8, 25),
            },
        ),
    )


def wall(number: int) -> st.SearchStrategy[Ask]:
    return st.builds(
        lambda where, hold: ("divider.wall", {"name": f"wall-{number}", "line": where, "hold": hold}),
        inner_line,
        st.sampled_from(["sewn", "hook-and-loop"]),
    )


def pocket(number: int) -> st.SearchStrategy[Ask]:
    return st.builds(
        lambda more: ("pocket.patch", {"name": f"pocket-{number}", **more}),
        st.fixed_dictionaries(
            {"width": mm(20, 300), "height": mm(20, 200), "on": side},
            optional={"pleats": st.integers(0, 4), "face": st.sampled_from(["outside", "inside"])},
        ),
    )


def stage(use: str, **options: st.SearchStrategy[Any]) -> st.SearchStrategy[Ask]:
    return st.fixed_dictionaries({}, optional=options).map(lambda given: (use, given))


FEATURES = st.one_of(
    zipper(1),
    zipper(2),
    wall(1),
    wall(2),
    pocket(1),
    pocket(2),
    st.fixed_dictionaries({"from_": place, "to": place}).map(lambda given: ("zipper.gusset", given)),
    st.lists(inner_line, min_size=1, max_size=2).map(lambda lines: ("panel.yoke", {"lines": lines})),
    stage("pocket.panel", side=side),
    stage("liner.full", thickness=mm(0, 8)),
    stage("stiffener.panel"),
    stage(
        "strap.hook-and-loop",
        places=st.lists(place, min_size=1, max_size=4),
        attachment=st.sampled_from(["patch", "slots"]),
    ),
    stage("lacing.row", tube=tube, rows=st.sampled_from(["both", "centre"]), pitch=mm(15, 120)),
    stage("loop.webbing", tube=tube, style=st.sampled_from(["chain", "loops"]), pitch=mm(20, 200)),
    stage("drain.grommet", at=place),
    stage("port.hose", at=place, length=mm(5, 60)),
    stage("tape.reflective", tubes=st.lists(tube, min_size=1, max_size=2, unique=True)),
    stage(
        "gusset.construct", construction=st.sampled_from(["turned", "bound", "folded"]), thickness=mm(0, 6)
    ),
)
ONCE = {
    "pocket.panel",
    "liner.full",
    "stiffener.panel",
    "strap.hook-and-loop",
    "gusset.construct",
    "panel.yoke",
}


@st.composite
def bodies(draw: st.DrawFn) -> Draft:
    """A body of any kind up to its gusset."""
    kind = draw(st.sampled_from(["full", "half", "two"]))
    radius = draw(mm(5, 30))
    draft = draw(st.sampled_from(CLEAR))
    if kind == "half":
        draft = run_stage("body.half", draft, parallel_to=draw(tube), distance=draw(mm(90, 160)))
    elif kind == "two":
        draft = run_stage(
            "body.two", draft, parallel_to=draw(tube), distance=draw(mm(110, 160)), gap=draw(mm(0, 20))
        )
    draft = run_stage("panel.pair", run_stage("corners.round", draft, radius=radius))
    joins = draw(st.lists(place, max_size=3))
    return run_stage("gusset.wrap", draft, joins=joins, strips=draw(st.sampled_from(["one", "per-tube"])))


@settings(
    max_examples=150,
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)
@given(data=st.data(), asked=st.lists(FEATURES, min_size=1, max_size=5))
def test_whatever_is_sewn_on_seams_stay_true(data: st.DataObject, asked: list[Ask]) -> None:
    try:
        draft = data.draw(bodies())
    except Refusal:
        return
    body = draft.seams
    shell = draft.pieces
    done: set[str] = set()
    hints: list[str] = []
    for use, options in asked:
        name = str(options.get("name", use))
        if (use in ONCE or "name" in options) and name in done:
            continue
        done.add(name)
        try:
            draft = run_stage(use, draft, **options)
        except Refusal as refusal:
            # Only what is wrong in the file itself; what doesn't go together is a finding.
            event(f"{use}: {refusal.reason[:40]}")
            hints.append(refusal.todo)
            continue
        except InputError as error:
            event(f"{use}: {error.problems[0].reason[:40]}")
            continue
    assert all(hints)
    # What is sewn on changes no run of the body's seams, nor a single edge of a panel or a gusset.
    assert draft.seams[: len(body)] == body
    for piece in shell:
        assert [(e.name, e.path) for e in draft.piece(piece.id).edges] == [
            (e.name, e.path) for e in piece.edges
        ]
    for seam in draft.seams:
        assert abs(walk(draft, seam).difference) <= 0.01, seam.id
    draft = run_stage("check.parts", draft)
    assert [f for f in draft.findings if f.code.startswith("parts-")] == []
    draft = run_stage("seam.stitches", draft)
    draft = run_stage("allowance.by-seam", draft)
    draft = run_stage("work.operations", draft)
    order = {operation.id: number for number, operation in enumerate(draft.operations)}
    assert len(order) == len(draft.operations)
    if not any(finding.code == "operations-cycle" for finding in draft.findings):
        for operation in draft.operations:
            assert all(order[earlier] < order[operation.id] for earlier in operation.after), operation.id
    draft = run_stage("work.paperwork", draft)
    draft = run_stage("check.collisions", draft)
    draft = run_stage("check.walk-seams", draft)
    assert [f for f in draft.findings if f.code.startswith(("seam-", "notch-"))] == []
    render(draft)
