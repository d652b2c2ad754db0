"""`work.operations`: the order of work with standard times, worked out from the seams."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Annotated

from pydantic import Field

from oaktag import Draft, Finding, Options, Refusal, StageSpec, hookimpl
from oaktag.pattern import Operation, OperationKind, Piece, Seam, SeamSide
from oaktag.pattern.cut_list import CARD
from oaktag.pattern.walk import run_closed, run_length
from oaktag.recipe import Number, PositiveLength, listed, meant, show
from oaktag_plugins.drafting.seam_classes import STITCH_CLASSES
from oaktag_plugins.working.precedence import (
    BINDING_ROLE,
    ZIPPER_ROLE,
    Plan,
    StepName,
    material_of,
    on_placement,
    plan_of,
)

Minutes = Annotated[Number, Field(ge=0)]

HANDLING: dict[OperationKind, float] = {
    "cut": 0.8,
    "mark": 0.3,
    "baste": 0.6,
    "sew": 1.0,
    "set": 0.5,
    "turn": 3.0,
    "trim": 0.8,
    "fold": 0.6,
    "inspect": 4.0,
}
"""Minutes for taking up, laying right and putting away, by kind of work (common practice, no source)."""

_BY_HAND = "by hand"
_MACHINES: dict[OperationKind, str] = {
    "cut": "rotary cutter",
    "trim": "rotary cutter",
    "mark": "marking pen",
    "set": "press",
    "turn": _BY_HAND,
    "inspect": "tape and template",
}
_LONGEST_LIST = 4  # edges that are named in one sentence


class OperationOptions(Options):
    """Options of `work.operations`."""

    sewing_speed: PositiveLength = 900.0
    """Seam sewn in a minute, with pins and corners (common practice, no source: 0.9 m)."""
    basting_speed: PositiveLength = 1500.0
    """Seam basted in a minute (common practice, no source: 1.5 m)."""
    cutting_speed: PositiveLength = 1500.0
    """Outline cut in a minute with a rotary cutter (common practice, no source: 1.5 m)."""
    handling: dict[OperationKind, Minutes] = Field(default_factory=dict)
    """Minutes by kind of work for taking up, laying right and putting away, once for each operation.

    For cutting it is for each piece, for marking for each line, for setting for each fitting. If left out:
    cut 0.8, mark 0.3, baste 0.6, sew 1, set 0.5, turn 3, trim 0.8, fold 0.6, inspect 4 (common practice, no
    source).
    """
    minutes: dict[str, Minutes] = Field(default_factory=dict)
    """The shop's own standard minutes by the operation's id, instead of what is worked out."""
    stitch_type: Annotated[str, Field(pattern=r"^[1-6][0-9]{2}$")] = "301"
    """Stitch type after ISO 4915 of hems, and of seams that nothing else is known of."""


def run(draft: Draft, options: OperationOptions) -> Draft:
    """Put the work in order and say what can't be sewn as it is drawn.

    Raises:
        Refusal: minutes are given for an operation that there isn't.
    """
    plan = plan_of(draft)
    ids = {step: operation_id(step) for step in plan.order.steps}
    check_names(options, ids.values())
    number = {step: index for index, step in enumerate(plan.order.steps)}
    operations = tuple(
        _operation(
            draft,
            plan,
            step,
            options,
            tuple(ids[earlier] for earlier in sorted(plan.order.after[step], key=number.__getitem__)),
        )
        for step in plan.order.steps
    )
    return draft.evolve(operations=operations).with_findings(findings(draft, plan))


def check_names(options: OperationOptions, ids: Iterable[str]) -> None:
    """Refuse minutes for an operation that there isn't."""
    known = list(ids)
    for name in options.minutes:
        if name not in known:
            raise Refusal(
                "there is no operation of this id",
                key=f"minutes.{name}",
                source="recipe",
                found=show(name),
                valid=listed(known),
                todo=meant(name, known, "name one of these, or remove it"),
            )


_PREFIX = {"holes": "holes", "seam": "sew", "mount": "mount"}


def operation_id(step: StepName) -> str:
    """The id of a step's operation: what is done, and to what."""
    if step.kind == "inspect":
        return "inspect"
    name = _PREFIX.get(step.kind, step.kind)
    if step.kind == "hem":
        return f"{name}-{step.of}.{step.at}"
    return "-".join(part for part in (name, step.of, step.at) if part)


def _operation(
    draft: Draft, plan: Plan, step: StepName, options: OperationOptions, after: tuple[str, ...]
) -> Operation:
    make: Callable[[Draft, Plan, StepName, OperationOptions], Operation] = {
        "cut": _cut,
        "trim": _trim,
        "mark": _mark,
        "hem": _hem,
        "seam": _sew,
        "holes": _holes,
        "set": _set,
        "mount": _set,
        "check": _check,
        "turn": _turn,
        "inspect": _inspect,
    }[step.kind]
    made = make(draft, plan, step, options)
    return Operation(
        id=operation_id(step),
        kind=made.kind,
        text=made.text,
        pieces=made.pieces,
        seam=made.seam,
        after=after,
        length=made.length,
        minutes=options.minutes.get(operation_id(step), made.minutes),
        machine=made.machine or _MACHINES.get(made.kind, _BY_HAND),
    )


def _handling(options: OperationOptions, kind: OperationKind) -> float:
    return options.handling.get(kind, HANDLING[kind])


def _cut(draft: Draft, plan: Plan, step: StepName, options: OperationOptions) -> Operation:
    pieces = [piece for piece in draft.pieces if material_of(piece) == step.of]
    count = sum(piece.quantity for piece in pieces)
    entry = draft.material(step.of)
    to_length = entry is not None and entry.form == "tape"
    outline = 0.0 if to_length else sum(piece.quantity * piece.outline.length for piece in pieces)
    minutes = outline / options.cutting_speed + count * _handling(options, "cut")
    what = "the templates" if step.of == CARD else _pieces(count)
    nick = " to length" if to_length else "; nick the notches"
    text = f"Cut {what} from {step.of}: {_listed([_counted(piece) for piece in pieces])}{nick}."
    machine = "scissors" if to_length else ""
    return Operation("", "cut", text, tuple(p.id for p in pieces), minutes=minutes, machine=machine)


def _pieces(count: int) -> str:
    return "1 piece" if count == 1 else f"{count} pieces"


def _counted(piece: Piece) -> str:
    turned = f", {piece.mirrored} of them turned over" if piece.mirrored else ""
    return f"{piece.quantity} × {piece.id}{turned}" if piece.quantity > 1 else f"{piece.id}{turned}"


def _trim(draft: Draft, plan: Plan, step: StepName, options: OperationOptions) -> Operation:
    piece = draft.piece(step.of)
    minutes = piece.outline.length / options.cutting_speed + _handling(options, "trim")
    text = f"Press the sewn-together {piece.name} flat, lay its template on and trim it; nick the notches."
    return Operation("", "trim", text, (piece.id, *piece.parts), minutes=minutes)


def _mark(draft: Draft, plan: Plan, step: StepName, options: OperationOptions) -> Operation:
    piece = draft.piece(step.of)
    names = [
        *(line.name for line in piece.placements),
        *(hole.name for hole in piece.holes),
        *(fitting.name for fitting in piece.fittings),
    ]
    text = f"Mark on {piece.name}: {_listed(names)}."
    return Operation("", "mark", text, (piece.id,), minutes=len(names) * _handling(options, "mark"))


def _hem(draft: Draft, plan: Plan, step: StepName, options: OperationOptions) -> Operation:
    piece = draft.piece(step.of)
    edge = piece.edge(step.at)
    length = edge.length * piece.quantity
    what = "Bind" if edge.finish == "bound" else "Turn in and sew down"
    return Operation(
        "",
        "fold",
        f"{what} the {_edge_words([edge.name])} of {piece.name}.",
        (piece.id,),
        length=length,
        minutes=length / options.sewing_speed + piece.quantity * _handling(options, "fold"),
        machine=_machine(options.stitch_type),
    )


def _sew(draft: Draft, plan: Plan, step: StepName, options: OperationOptions) -> Operation:
    seam = next(seam for seam in draft.seams if seam.id == step.of)
    basted = seam.kind == "layer" and not _binds(draft, seam)
    kind: OperationKind = "baste" if basted else "sew"
    length = seam_length(draft, seam)
    speed = options.basting_speed if basted else options.sewing_speed
    stitch_type = options.stitch_type if seam.stitching is None else seam.stitching.stitch_type
    return Operation(
        "",
        kind,
        _seam_text(draft, plan, seam),
        tuple(dict.fromkeys((seam.a.piece, seam.b.piece))),
        seam.id,
        length=length,
        minutes=length / speed + _handling(options, kind),
        machine=_machine(stitch_type),
    )


def seam_length(draft: Draft, seam: Seam) -> float:
    """Length of a seam's stitching, mm: of its side a, once for every row."""
    rows = 1 if seam.stitching is None else seam.stitching.rows
    return rows * run_length(draft.piece(seam.a.piece), seam.a)


def _machine(stitch_type: str) -> str:
    name = STITCH_CLASSES.get(int(stitch_type) // 100 * 100, "stitch")
    return f"{name} {stitch_type}"


def _binds(draft: Draft, seam: Seam) -> bool:
    return any(draft.piece(side.piece).role == BINDING_ROLE for side in (seam.a, seam.b))


def _seam_text(draft: Draft, plan: Plan, seam: Seam) -> str:
    host, mate = seam.a, seam.b
    if on_placement(draft, mate) and not on_placement(draft, host):
        host, mate = mate, host
    a, b = draft.piece(host.piece), draft.piece(mate.piece)
    ease = f" Ease {abs(seam.ease):.1f} mm in." if seam.ease else ""
    rows = f" {seam.stitching.rows} rows." if seam.stitching is not None and seam.stitching.rows > 1 else ""
    extra = f"{ease}{rows}"
    if seam.kind == "zipper":
        cloth = a if b.role == ZIPPER_ROLE else b
        side = seam.a if seam.a.piece == cloth.id else seam.b
        zipper = b if cloth is a else a
        return f"Sew {zipper.name} to {cloth.name} along its {_run(cloth, side)}.{extra}"
    if seam.kind == "applied":
        return f"Sew {b.name}, {_run(b, mate)}, onto {a.name} along its marked line {host.edges[0]}.{extra}"
    if seam.kind == "layer":
        if _binds(draft, seam):
            binding, bound, side = (b, a, host) if b.role == BINDING_ROLE else (a, b, mate)
            return f"Bind {bound.name} with {binding.name}: {_run(bound, side)}.{extra}"
        return f"Baste {b.name} flat onto {a.name}: {_run(a, host)}.{extra}"
    if a.id == b.id:
        ends = f"{_edge_words(host.edges)} to {_edge_words(mate.edges)}"
        return f"Sew {a.name} to itself, {ends}.{extra}"
    zipper_open = ""
    body = next((body for body, seams in plan.closing.items() if seam.id in seams), None)
    if body is not None and plan.zippers[body]:
        names = " and ".join(plan.zippers[body])
        zipper_open = f" Open {names} first: through a closed zipper the bag can't be turned."
    notches = " Match the notches." if seam.kind in ("shell", "liner") else ""
    return f"Sew {b.name} to {a.name}: {_run(a, host)}.{notches}{zipper_open}{extra}"


def _run(piece: Piece, side: SeamSide) -> str:
    if run_closed(piece, side) or set(side.edges) == {edge.name for edge in piece.edges}:
        return "all round"
    return _edge_words(side.edges)


def _edge_words(names: Sequence[str]) -> str:
    words = [name.replace("corner:", "corner ") for name in names]
    return f"edge {words[0]}" if len(words) == 1 else f"edges {_listed(words)}"


def _listed(words: Sequence[str]) -> str:
    if len(words) <= _LONGEST_LIST:
        return ", ".join(words)
    return f"{', '.join(words[: _LONGEST_LIST - 1])} and {len(words) - _LONGEST_LIST + 1} more"


def _holes(draft: Draft, plan: Plan, step: StepName, options: OperationOptions) -> Operation:
    piece = draft.piece(step.of)
    outline = piece.quantity * sum(hole.path.length for hole in piece.holes)
    count = piece.quantity * len(piece.holes)
    minutes = outline / options.cutting_speed + count * _handling(options, "cut")
    text = f"Cut out of {piece.name}: {_listed([hole.name for hole in piece.holes])}."
    return Operation("", "cut", text, (piece.id,), minutes=minutes, machine="knife or punch")


def _set(draft: Draft, plan: Plan, step: StepName, options: OperationOptions) -> Operation:
    piece = draft.piece(step.of)
    here = [fitting for fitting in piece.fittings if fitting.material == step.at]
    count = piece.quantity * sum(fitting.quantity for fitting in here)
    what = " and ".join(dict.fromkeys(fitting.what for fitting in here))
    minutes = count * _handling(options, "set")
    if step.kind == "mount":
        text = f"Keep for the bicycle: {count} × {step.at} ({what}) at {piece.name}."
        return Operation("", "set", text, (piece.id,), minutes=minutes, machine=_BY_HAND)
    verb = "Put onto" if piece.role == ZIPPER_ROLE else "Set into"
    text = f"{verb} {piece.name}: {count} × {step.at} ({what})."
    machine = _BY_HAND if piece.role == ZIPPER_ROLE else ""
    return Operation("", "set", text, (piece.id,), minutes=minutes, machine=machine)


def _check(draft: Draft, plan: Plan, step: StepName, options: OperationOptions) -> Operation:
    text = f"Look along the first side{_of_body(step.of)}: no strap, loop or flap may be caught in the seam."
    return Operation("", "inspect", text, minutes=0.25 * _handling(options, "inspect"), machine=_BY_HAND)


def _turn(draft: Draft, plan: Plan, step: StepName, options: OperationOptions) -> Operation:
    zippers = plan.zippers[step.of]
    through = f"the open {' or '.join(zippers)}" if zippers else "the open edge"
    text = f"Turn the bag{_of_body(step.of)} right side out through {through} and push the corners out."
    return Operation("", "turn", text, minutes=_handling(options, "turn"))


def _of_body(body: str) -> str:
    return f" ({body})" if body else ""


def _inspect(draft: Draft, plan: Plan, step: StepName, options: OperationOptions) -> Operation:
    text = "Measure the bag against its pattern, look over all seams, open and close what opens, cut threads."
    return Operation("", "inspect", text, minutes=_handling(options, "inspect"))


def findings(draft: Draft, plan: Plan) -> list[Finding]:
    """What can't be sewn as it is drawn, or only in another way."""
    found: list[Finding] = []
    for circle in plan.order.cycles:
        names = [operation_id(step) for step in circle]
        seams = [step.of for step in circle if step.kind == "seam"]
        message = (
            f"{' must come before '.join([*names, names[0]])}: it can't be sewn in any order. "
            "Sew one of these pieces elsewhere, or leave it out."
        )
        found.append(Finding("error", "operations-cycle", message, seams[0] if seams else names[0]))
    for seam in plan.inside:
        message = (
            f"seam {seam} lies inside the bag and could be sewn only once the shell is closed. "
            "Sew it to a piece that still lies flat before, or leave it out."
        )
        found.append(Finding("error", "seam-left-inside", message, seam))
    for body, closing in plan.closing.items():
        if body not in plan.open:
            which = f"the bag {body}" if body else "the bag"
            message = (
                f"{which} has no opening, so it can't be turned once {listed(closing)} "
                f"{'is' if len(closing) == 1 else 'are'} sewn: leave the seams outside, or leave a join open"
            )
            found.append(Finding("note", "no-opening", message, body))
    return found


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="work.operations",
            summary="Work out the order of work with standard times",
            run=f"{__name__}:run",
            options=f"{__name__}:OperationOptions",
            needs=frozenset({"panels", "seams"}),
            uses=frozenset({"gusset", "features", "stitches", "materials", "allowances"}),
            adds=frozenset({"operations"}),
        ),
    )
