"""`label.block`: letter on every piece what whoever cuts and sews it has to know."""

from __future__ import annotations

import re
import textwrap
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import chain, pairwise
from math import atan2, ceil, cos, degrees, log, radians, sin
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import AfterValidator, Field, model_validator

from oaktag import Draft, Finding, Options, Refusal, StageSpec, hookimpl
from oaktag.geometry import Line, Path, Point, distance, lerp, midpoint
from oaktag.pattern import Edge, Label, Mark, Piece
from oaktag.pattern.cut_list import CARD
from oaktag.pattern.document import document
from oaktag.pattern.drawing import draw_piece, line_labels
from oaktag.pattern.lettering import LINE_SPACING, text_size, unwritable
from oaktag.recipe import Angle, NonNegativeLength, PerName, PositiveLength, listed, meant, refuse_value, show
from oaktag_plugins.drafting.bag import GUSSET, PANEL
from oaktag_plugins.drafting.label_room import Rectangle, Room
from oaktag_plugins.drafting.seam_classes import is_tape

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

PANEL_GRAIN = "top-tube"
"""The edge that the warp runs along if the recipe doesn't say (common practice, no source)."""
STRIP_EDGE = "non-drive-side"
"""The warp of a gusset runs along the strip, in the direction of this edge (common practice, no source)."""
DRIVE_EDGE = "drive-side"
DIGEST_LETTERS = 8
"""So many letters of a SHA-256 tell two revisions of one sheet apart."""


VALUES = frozenset(
    {
        "compartments", "cut_list", "files", "findings", "frame", "layout", "materials", "number",
        "opening", "operations", "outline", "outlines", "paperwork", "piece", "pieces", "recipe",
        "schema", "seams", "survey", "tables", "total", "volume_l", "workings",
    }
)  # fmt: skip
"""What a line's template may name: the keys of `pattern.json`, and of each piece itself."""
MOST_LINES = 40
LONGEST_TEXT = 120


def _line_template(value: str) -> str:
    from oaktag_plugins.drafting.line_template import LineTemplateError, compiled

    try:
        compiled(value, VALUES)
    except LineTemplateError as error:
        raise refuse_value(error.reason, error.valid, error.todo) from None
    return value


def _printable(value: str) -> str:
    if not value.isprintable():
        raise refuse_value("is no line of text", "text on one line", "write it on one line")
    return value


Lines = Annotated[
    tuple[Annotated[str, AfterValidator(_line_template)], ...], Field(min_length=1, max_length=MOST_LINES)
]
"""Templates of the lines of one text."""

ShortText = Annotated[str, Field(max_length=LONGEST_TEXT), AfterValidator(_printable)]
"""A line of text that can be printed, or none."""


class BlockOptions(Options):
    """Options of `label.block`."""

    height: PositiveLength = 6.0
    """Height of the capitals where there is room for them."""
    smallest: PositiveLength = 2.5
    """Height of the capitals below which lines are left out instead."""
    margin: NonNegativeLength = 4.0
    """Distance of letters from the seam line and from whatever else is drawn on a piece."""
    lines: PerName[Lines] | None = None
    """Jinja templates of the lines, in place of the usual text; for all or by piece, role or material.

    `piece`, `frame`, `recipe`, `survey`, `materials` and so on are what `pattern.json` has under these names.
    `number` and `total` count the pieces; `piece.cut` and `piece.allowances` are said as in the usual text.
    The most important line stands first; one that comes out empty is left out. Tape keeps its short text
    unless it is named.
    """
    notes: tuple[ShortText, ...] = ()
    """More lines for every piece."""
    author: ShortText = ""
    """Who the pattern is from; left out if empty."""
    licence: ShortText = ""
    """What others may do with the pattern, in its author's words; left out if empty."""
    grain_along: PerName[str] | None = None
    """The edge that the warp runs along, for all or by piece or material.

    The top tube for panels and the length of the strip for gussets if left out.
    """
    grain_angle: PerName[Angle] | None = None
    """Direction of the warp counter-clockwise from x, for all or by piece or material, instead of an edge."""

    @model_validator(mode="after")
    def _ordered(self) -> BlockOptions:
        if self.smallest > self.height:
            raise refuse_value(
                f"letters can't be {self.height:g} mm high and at least {self.smallest:g} mm",
                "smallest at most as large as height",
                "make smallest smaller, or height larger",
            )
        return self


def run(draft: Draft, options: BlockOptions) -> Draft:
    """Give every piece its grain line, its text, and arrows to the front and up.

    What is put on a bag (straps, patches, facings) is often too small for all of that: such a piece then says
    which it is, how many are cut, and of what. Pieces that are cut from tape say no more in any case.

    Raises:
        Refusal: an option names a piece, material or edge that isn't there, or a template can't be filled in.
    """
    check_grain(draft.pieces, options)
    own = own_lines(draft, options)
    pieces: list[Piece] = []
    findings: list[Finding] = []
    too_small: dict[str, tuple[str, ...]] = {}
    for index, piece in enumerate(draft.pieces):
        grain = grain_direction(piece, options)
        short = own.get(piece.id) or short_text(piece)
        if is_tape(draft, piece):
            lettered, missing = letter_small(piece, short, grain, options)
        else:
            lines = own.get(piece.id) or text_of(draft, piece, index + 1, options)
            lettered, missing = letter_piece(piece, lines, grain, options, shorten=piece.role in _NEVER_SMALL)
            if missing and piece.role not in _NEVER_SMALL:
                lettered, missing = letter_small(piece, short, grain, options)
        pieces.append(lettered)
        if missing and (piece.role not in _NEVER_SMALL or is_tape(draft, piece)):
            too_small[piece.id] = missing
        elif missing:
            left_out = listed(f"'{line}'" for line in missing)
            message = (
                f"letters of {options.smallest:g} mm leave no room on {piece.name} for {left_out}:"
                " write that on the piece by hand, or let letters be smaller"
            )
            findings.append(Finding("warning", "label-too-large", message, piece.id))
    if too_small:
        each = "; ".join(
            f"{name}: {listed(repr(line) for line in lines)}" for name, lines in too_small.items()
        )
        message = (
            f"too small for a label in letters of {options.smallest:g} mm, so write the rest on by hand:"
            f" {each}"
        )
        findings.append(Finding("note", "label-left-out", message, next(iter(too_small))))
    findings += letters_missing(pieces)
    return draft.evolve(pieces=tuple(pieces)).with_findings(findings)


# What is said


def text_of(draft: Draft, piece: Piece, number: int, options: BlockOptions) -> tuple[str, ...]:
    """The lines for a piece, the most important first; `number` counts from 1."""
    frame, recipe = draft.frame, draft.recipe_provenance
    digest = draft.frame_provenance.sha256[:DIGEST_LETTERS]
    what = [quantity_text(piece.quantity, piece.mirrored), f"material: {piece.material}"]
    if piece.assembled:
        what = ["TEMPLATE, cut from card", "trim the sewn parts to it"]
    elif any(edge.finish == "fold" for edge in piece.edges):
        what.insert(1, "cut on the fold")
    lines = [
        piece.name,
        f"piece {number} of {len(draft.pieces)}",
        *what,
        "OUTSIDE FACE",
        allowance_text(piece.edges),
        f"frame: {frame.name}",
        f"size: {frame.size}" if frame.size and frame.size not in frame.name else "",
        f"recipe: {recipe.name} {recipe.version}".rstrip(),
        f"frame sheet {digest}" if digest else "",
        *options.notes,
        f"by {options.author}" if options.author else "",
        options.licence,
    ]
    return tuple(line.strip() for line in lines if line.strip())


def own_lines(draft: Draft, options: BlockOptions) -> dict[str, tuple[str, ...]]:
    """The lines that the maker's own templates make, by id of the piece; pieces of the usual text have none.

    Raises:
        Refusal: a name is neither a piece nor a role nor a material, or a template can't be filled in.
    """
    templates = options.lines
    if templates is None:
        return {}
    known = list(dict.fromkeys(name for piece in draft.pieces for name in _names_for_lines(piece)))
    for name in templates.names:
        if name not in known:
            raise Refusal(
                "there is no piece, role or material of this name",
                key=f"lines.{name}",
                source="recipe",
                found=show(name),
                valid=listed([*known, "default"]),
                todo=meant(name, known, "name a piece, a role or a material, or remove it"),
            )
    whole = document(draft)
    result: dict[str, tuple[str, ...]] = {}
    for index, piece in enumerate(draft.pieces):
        names = _names_for_lines(piece) if is_tape(draft, piece) else (*_names_for_lines(piece), "default")
        chosen = next((name for name in names if name in templates.root), None)
        if chosen is None:
            continue
        key = "lines" if chosen == "default" and not templates.names else f"lines.{chosen}"
        said = {
            **whole["pieces"][index],
            "cut": quantity_text(piece.quantity, piece.mirrored),
            "allowances": allowance_text(piece.edges),
        }
        values = {**whole, "piece": said, "number": index + 1, "total": len(draft.pieces)}
        result[piece.id] = _filled_in(templates.root[chosen], values, piece, key)
    return result


def _filled_in(templates: Sequence[str], values: dict[str, Any], piece: Piece, key: str) -> tuple[str, ...]:
    from oaktag_plugins.drafting.line_template import LineTemplateError, rendered

    lines: list[str] = []
    for row, template in enumerate(templates):
        try:
            lines.append(rendered(template, values))
        except LineTemplateError as error:
            raise Refusal(
                f"{error.reason} (on {piece.id})",
                key=f"{key}[{row}]",
                source="recipe",
                found=show(template),
                valid=error.valid,
                todo=error.todo,
            ) from None
    kept = tuple(line for line in lines if line)
    if not kept:
        raise Refusal(
            f"leaves {piece.id} without any text",
            key=key,
            source="recipe",
            found=f"{len(lines)} lines, all empty",
            valid="at least one line that says which piece it is",
            todo='add a line such as "{{ piece.name }}"',
        )
    return kept


def letters_missing(pieces: Sequence[Piece]) -> Iterator[Finding]:
    """A finding for every text on pieces that has characters without a single-stroke letter."""
    on: defaultdict[str, list[str]] = defaultdict(list)
    for piece in pieces:
        texts = (line for label in (*line_labels(piece), *piece.labels) for line in label.lines)
        for text in dict.fromkeys(texts):
            if unwritable(text):
                on[text].append(piece.id)
    for text, ids in on.items():
        yield Finding(
            "warning",
            "letters-missing",
            f"{listed(unwritable(text))} can't be written in single-stroke letters: a question mark stands"
            f" for each in '{text}' on {_and(ids)}",
            ids[0],
        )


def short_text(piece: Piece) -> tuple[str, ...]:
    """The lines for a piece that has no room for more: which it is, how many, and of what."""
    if piece.assembled:
        return (piece.id, "TEMPLATE", CARD)
    turned = f", {piece.mirrored} turned over" if piece.mirrored else ""
    folded = " on the fold" if any(edge.finish == "fold" for edge in piece.edges) else ""
    return (piece.id, f"cut {piece.quantity}{turned}{folded}", piece.material)


def quantity_text(quantity: int, mirrored: int) -> str:
    """How many to cut, and how many of these with the pattern turned over."""
    if mirrored == 0:
        return f"cut {quantity} as drawn"
    if mirrored == quantity:
        return f"cut {quantity} turned over"
    return f"cut {quantity}: {quantity - mirrored} as drawn, {mirrored} turned over"


def allowance_text(edges: Sequence[Edge]) -> str:
    """The allowances: the one that most of the seam has, then the edges that differ."""
    seam: defaultdict[float, float] = defaultdict(float)
    names: defaultdict[float, list[str]] = defaultdict(list)
    for edge in edges:
        allowance = round(edge.allowance, 3)
        seam[allowance] += edge.length
        names[allowance].append(edge.name.replace(":", " "))
    usual = max(seam, key=lambda allowance: (seam[allowance], allowance))
    if len(seam) == 1:
        return f"allowance {usual:g} mm included" if usual > 0 else "no allowance"
    others = [
        f"{_and(names[allowance])} {allowance:g} mm" for allowance in sorted(seam) if allowance != usual
    ]
    return f"allowance included: {', '.join([f'{usual:g} mm', *others])}"


def _and(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


# Which way the warp runs


def check_grain(pieces: Sequence[Piece], options: BlockOptions) -> None:
    """Refuse grain options that no piece can follow.

    Raises:
        Refusal: a name is neither a piece nor a material, is given both an edge and an angle, or no piece of
            that name has the edge.
    """
    for key, table in (("grain-along", options.grain_along), ("grain-angle", options.grain_angle)):
        for name in table.names if table is not None else ():
            if not any(name in _names(piece) for piece in pieces):
                known = sorted({known for piece in pieces for known in _names(piece)})
                raise Refusal(
                    "there is no piece and no material of this name",
                    key=f"{key}.{name}",
                    source="recipe",
                    found=show(name),
                    valid=listed([*known, "default"]),
                    todo=meant(name, known, "name a piece or a material, or remove it"),
                )
    along, angle = options.grain_along, options.grain_angle
    if along is None:
        return
    for name, edge in along.root.items():
        if angle is not None and name in angle.root:
            raise Refusal(
                "the grain is given by an edge and by an angle",
                key=f"grain-along.{name}",
                source="recipe",
                found=show(edge),
                valid="one of the two",
                todo=f"remove grain-along.{name} or grain-angle.{name}",
            )
        meant_pieces = [piece for piece in pieces if name == "default" or name in _names(piece)]
        if not any(edge == each.name for piece in meant_pieces for each in piece.edges):
            edges = list(dict.fromkeys(each.name for piece in meant_pieces for each in piece.edges))
            raise Refusal(
                "no piece that this is for has such an edge",
                key=f"grain-along.{name}" if along.names or name != "default" else "grain-along",
                source="recipe",
                found=show(edge),
                valid=listed(edges),
                todo=meant(edge, edges, "name an edge of the piece"),
            )


def _names(piece: Piece) -> tuple[str, ...]:
    """What a piece can be called in a grain option, the most particular first: gusset-2, gusset, shell."""
    stem, _, number = piece.id.rpartition("-")
    return (piece.id, *((stem,) if stem and number.isdigit() else ()), piece.material)


def _names_for_lines(piece: Piece) -> tuple[str, ...]:
    """What a piece can be called in `lines`, the most particular first: gusset-2, gusset, shell."""
    *own, material = _names(piece)
    return tuple(dict.fromkeys((*own, *([piece.role] if piece.role else []), material)))


def grain_direction(piece: Piece, options: BlockOptions) -> float:
    """Direction of the warp on a piece, degrees counter-clockwise from x."""
    for name in (*_names(piece), "default"):
        if options.grain_angle is not None and name in options.grain_angle.root:
            return options.grain_angle.root[name]
        if options.grain_along is not None and name in options.grain_along.root:
            wanted = options.grain_along.root[name]
            if any(edge.name == wanted for edge in piece.edges):
                return direction_of(piece.edge(wanted))
    edges = {edge.name: edge for edge in piece.edges}
    longest = max(piece.edges, key=lambda edge: distance(edge.path.start, edge.path.end))
    return direction_of(edges.get(PANEL_GRAIN) or edges.get(STRIP_EDGE) or longest)


def direction_of(edge: Edge) -> float:
    """Direction from an edge's start to its end, degrees; that of its middle if the two are one."""
    (x0, y0), (x1, y1) = edge.path.start, edge.path.end
    if distance(edge.path.start, edge.path.end) > 1e-3:
        return degrees(atan2(y1 - y0, x1 - x0))
    tx, ty = edge.path.tangent_at(0.5 * edge.length)
    return degrees(atan2(ty, tx))


def readable(angle: float) -> float:
    """The direction or its opposite, above -90 and up to 90 degrees: letters never stand on their heads."""
    turned = round(angle, 9) % 180.0
    return turned - 180.0 if turned > 90.0 else turned


def _sign(turn: float) -> float:
    """1 for a direction that is itself after a turn in degrees, -1 for one that is its opposite."""
    return 1.0 if cos(radians(turn)) > 0.0 else -1.0


# Where it stands


@dataclass(frozen=True, slots=True)
class Drawn:
    """What is put on a piece in one place."""

    labels: tuple[Label, ...] = ()
    marks: tuple[Mark, ...] = ()
    grain: Line | None = None


@dataclass(frozen=True, slots=True)
class Item:
    """Something that needs a place of its own.

    Attributes:
        name: what it says, for a finding.
        width: along its letters, mm.
        height: square to them, mm.
        angle: of its letters, degrees.
        wish: where it should be; None for near the text.
        draw: draws it into the rectangle that was found.
        region: where alone it may be; None for anywhere.
    """

    name: str
    width: float
    height: float
    angle: float
    wish: Point | None
    draw: Callable[[Rectangle], Drawn]
    region: BaseGeometry | None = None


Sizes = Sequence[Item]
"""One item in several sizes, the wanted one first."""

_GLUE = "\u00a0"  # a space that no line is broken at
_WRAPS = (32, 24, 48, 18)  # letters to a line that are tried
_MOST_COLUMNS = 12
_COLUMN_GAP = 2.0  # times the letters' height
_LARGER = 0.9  # from one height that is tried to the next
_GAP = 0.8  # times the letters' height between one thing and the next
_ARROW = 4.0  # length of an arrow, times the letters' height
_HEAD_LENGTH, _HEAD_HALF_WIDTH = 0.9, 0.35  # of an arrow, times the letters' height
_GRAIN_HEAD = 2.2  # mm to either side of a grain line that its head may take
_GRAIN_LENGTHS = (1.0, 0.7, 0.5, 0.35, 0.25)  # of the wanted one
_LONGEST_GRAIN, _SHORTEST_GRAIN = 250.0, 20.0  # mm
_BARE_GRAIN = (_SHORTEST_GRAIN, 12.0, 7.0)  # mm
_FAR = 1e5  # mm: what is nearest to so distant a place lies as far that way as it can
_BLOCKS_TRIED = 3  # shapes of the text that fit, before smaller letters are tried
_HALF_STEPS = 40  # by which the half of a strip beside one edge is outlined
_NICKED = 4.0  # mm: an allowance that certainly has room for nicks
_LEAST_MARGIN = 1.0  # mm that letters keep from the edges of a piece which has no room for more
_NEVER_SMALL = (PANEL, GUSSET, "")  # roles of pieces that have to carry their whole text
_LONG_EDGE = 0.4  # of the longest straight: along such edges letters may run


def letter_piece(
    piece: Piece, lines: Sequence[str], grain: float, options: BlockOptions, *, shorten: bool = True
) -> tuple[Piece, tuple[str, ...]]:
    """Put text, grain line and arrows on a piece, inside its seam line and clear of what is drawn there.

    The letters are as large as they can be with everything on the piece. Where lines don't fit whole, even at
    the smallest, one may go on in the next column. Where that doesn't help, the last lines go first, then the
    arrows.

    Args:
        piece: what to letter; what it carries already stays.
        lines: the most important first.
        grain: direction of the warp, degrees.
        options: heights and margin.
        shorten: whether to leave out some of it where there isn't room for all; else nothing is put on then.

    Returns:
        The piece, and what had to be left out.
    """
    angles = line_angles(piece, grain)
    drawn: list[Drawn] | None = None
    for room in _rooms(piece, options.margin):
        for split in (False, True):
            for height in _heights(options):
                extras = _extras(piece, grain, height, room)
                drawn = _placed(room, _block(lines, height, angles, split), extras, height)
                if drawn is not None:
                    return _finished(piece, drawn, grain), ()
    if not shorten:
        return piece, tuple(lines)
    height = options.smallest
    extras = _extras(piece, grain, height, room, bare=True)
    names = [sizes[0].name for sizes in extras]
    for kept_lines, kept_extras in _fewer(len(lines), len(extras)):
        block = chain.from_iterable(
            _block(lines[:kept_lines], height, angles, split) for split in (False, True)
        )
        drawn = _placed(room, block, extras[:kept_extras], height)
        if drawn is not None:
            missing = (*lines[kept_lines:], *names[kept_extras:])
            return _finished(piece, drawn, grain), missing
    return _finished(piece, [], grain), (*lines, *names)


def letter_small(
    piece: Piece, lines: tuple[str, ...], grain: float, options: BlockOptions
) -> tuple[Piece, tuple[str, ...]]:
    """Put a short text on a piece, along it, as large as it fits, and a grain line where there is room.

    Returns:
        The piece, and which of the lines had to be left out.
    """
    along = readable(_length_direction(piece))
    angles = (along, *(angle for angle in line_angles(piece, grain) if abs(angle - along) > 0.5))
    least = min(options.margin, _LEAST_MARGIN)
    rooms = [
        room for margin in sorted({options.margin, least}, reverse=True) for room in _rooms(piece, margin)
    ]
    # On the smallest, letters run into the allowance, and at last over the lines at which others are sewn on.
    rooms += [free_room(piece, least, covered=True, whole=True)]
    rooms += [free_room(piece.evolve(placements=()), least, whole=True)] if piece.placements else []
    for kept in range(len(lines), 0, -1):
        for room in rooms:
            for text in _with_name_broken(lines[:kept]):
                for with_grain in (True, False):
                    for height in _heights(options):
                        extras = (_grain(grain, height, room, bare=True),) if with_grain else ()
                        drawn = _placed(room, _block(text, height, angles, False), extras, height)
                        if drawn is not None:
                            return _finished(piece, drawn, grain), lines[kept:]
    return _finished(piece, [], grain), lines


def _with_name_broken(lines: Sequence[str]) -> Iterator[tuple[str, ...]]:
    """The lines, and with the first of them broken into two, then three, behind hyphens."""
    yield tuple(lines)
    words = lines[0].split("-")
    for rows in range(2, min(3, len(words)) + 1):
        ends = [round(len(words) * row / rows) for row in range(rows + 1)]
        broken = ["-".join(words[a:b]) for a, b in pairwise(ends)]
        yield (*(f"{row}-" for row in broken[:-1]), broken[-1], *lines[1:])


def _length_direction(piece: Piece) -> float:
    """Direction in degrees of a piece's longest straight, of its longest edge where it has none."""
    straights = [
        segment for edge in piece.edges for segment in edge.path.segments if isinstance(segment, Line)
    ]
    if not straights:
        return direction_of(max(piece.edges, key=lambda edge: edge.length))
    longest = max(straights, key=lambda segment: round(segment.length, 6))
    (x0, y0), (x1, y1) = longest.start, longest.end
    return degrees(atan2(y1 - y0, x1 - x0))


def _rooms(piece: Piece, margin: float) -> Iterator[Room]:
    """What is free on a piece: first without what others cover that are sewn on, then with it.

    At last the lines at which they are sewn on count as free too: letters over thin lines can still be read.
    """
    yield free_room(piece, margin)
    if any(line.covers is not None for line in piece.placements):
        yield free_room(piece, margin, covered=True)
    if piece.placements:
        yield free_room(piece.evolve(placements=()), margin)


def _heights(options: BlockOptions) -> list[float]:
    steps = ceil(log(options.smallest / options.height) / log(_LARGER) - 1e-9)
    if steps == 0:
        return [options.height]
    ratio = (options.smallest / options.height) ** (1.0 / steps)
    return [options.height * ratio**step for step in range(steps)] + [options.smallest]


def _fewer(lines: int, extras: int) -> Iterator[tuple[int, int]]:
    """How many lines and how many other things to try, the most first."""
    for kept in range(lines, 1, -1):
        yield kept, extras
    for kept in range(extras - 1, -1, -1):
        yield min(2, lines), kept
    yield 1, 0


def free_room(piece: Piece, margin: float, *, covered: bool = False, whole: bool = False) -> Room:
    """What is inside the seam line, and clear by a margin in mm of everything that is drawn or cut there.

    Args:
        piece: with whatever is on it already.
        margin: from everything, mm.
        covered: whether what others cover that are sewn on counts as free.
        whole: whether the allowances count as free.
    """
    from shapely import Point as Spot
    from shapely import union_all

    outline = piece.outline if whole else piece.seam_line
    free: BaseGeometry = outline.polygon(0.05).buffer(-margin, quad_segs=4)
    shapes = _drawn_on(piece)
    shapes += [hole.path.polygon(0.05) for hole in piece.holes]
    shapes += [Spot(fitting.point).buffer(fitting.radius, quad_segs=4) for fitting in piece.fittings]
    if not covered:
        shapes += [line.covers.polygon(0.05) for line in piece.placements if line.covers is not None]
    taken = [shape.buffer(max(margin, 0.01), quad_segs=2) for shape in shapes]
    return Room(free.difference(union_all(taken)) if taken else free)


def _drawn_on(piece: Piece) -> list[BaseGeometry]:
    """Lines that are drawn on a piece, and a hull around every text."""
    from shapely import LineString

    # Nicks lie outside the seam line, unless the allowance is too narrow for them.
    inside = tuple(notch for notch in piece.notches if piece.edge(notch.edge).allowance < _NICKED)
    blank = piece.evolve(marks=(), labels=(), notches=inside, placements=())
    bare = blank.evolve(notches=(), grain=None, fittings=())
    lines = [mark.path for mark in piece.marks]
    for placement in piece.placements:
        lines += [placement.path] if placement.covers is None else [placement.path, placement.covers]
    single = [
        bare.evolve(marks=tuple(Mark("line", path) for path in lines)),
        *(bare.evolve(labels=(label,)) for label in (*line_labels(piece), *piece.labels)),
    ]
    shapes: list[BaseGeometry] = []
    for part in (blank, *single):
        letters: list[Point] = []
        for stroke in draw_piece(part):
            if stroke.role == "text":
                letters += stroke.flatten(0.1)
            elif stroke.role not in ("cut", "seam"):
                shapes.append(LineString(stroke.flatten(0.1)))
        if letters:
            shapes.append(LineString(letters).convex_hull)
    return shapes


def line_angles(piece: Piece, grain: float) -> tuple[float, ...]:
    """Directions that lines may have: level, along long straight edges, along the grain, upright."""
    straights = [
        (distance(segment.start, segment.end), segment)
        for edge in piece.edges
        for segment in edge.path.segments
        if isinstance(segment, Line)
    ]
    longest = max((length for length, _ in straights), default=0.0)
    found = [0.0]
    for length, segment in sorted(straights, key=lambda pair: -pair[0]):
        if length >= _LONG_EDGE * longest:
            (x0, y0), (x1, y1) = segment.start, segment.end
            found.append(readable(degrees(atan2(y1 - y0, x1 - x0))))
    found += [readable(grain), 90.0]
    return tuple(
        angle for i, angle in enumerate(found) if all(abs(angle - before) > 0.5 for before in found[:i])
    )


def _placed(room: Room, block: Iterable[Item], extras: Sequence[Sizes], height: float) -> list[Drawn] | None:
    """Everything in its place, or None if something finds none.

    The text stands in the middle if that leaves room for the rest, else as far to one side as it can.
    """
    fitting = 0
    area = float(room.free.area)
    for item in block:
        if item.width * item.height > area:
            continue
        middle = room.find(item.width, item.height, item.angle, room.middle)
        if middle is None:
            continue
        for turn in (None, 90.0, -90.0, 180.0, 0.0):
            place: Rectangle | None = middle
            if turn is not None:
                far = Rectangle(room.middle, 0.0, 0.0, item.angle + turn).place(_FAR, 0.0)
                place = room.find(item.width, item.height, item.angle, far)
            if place is None:
                continue
            rest = _extras_placed(room.without(place, _GAP * height), extras, height, place.middle)
            if rest is not None:
                return [item.draw(place), *rest]
        fitting += 1
        if fitting == _BLOCKS_TRIED:
            break
    return None


def _extras_placed(room: Room, extras: Sequence[Sizes], height: float, text: Point) -> list[Drawn] | None:
    drawn: list[Drawn] = []
    for sizes in extras:
        for item in sizes:
            where = room if item.region is None else room.within(item.region)
            wish = text if item.wish is None else item.wish
            place = where.find(item.width, item.height, item.angle, wish)
            if place is not None:
                drawn.append(item.draw(place))
                room = room.without(place, _GAP * height)
                break
        else:
            return None
    return drawn


def _finished(piece: Piece, drawn: Sequence[Drawn], grain: float) -> Piece:
    line = next((each.grain for each in drawn if each.grain is not None), None)
    return piece.evolve(
        labels=(*piece.labels, *(label for each in drawn for label in each.labels)),
        marks=(*piece.marks, *(mark for each in drawn for mark in each.marks)),
        grain=line or _grain_anywhere(piece, grain),
    )


def _grain_anywhere(piece: Piece, grain: float) -> Line:
    """A grain line where there is no room for one that is clear of everything: it still has to be known."""
    from shapely import LineString

    polygon = piece.seam_line.polygon(0.05)
    inside = polygon.representative_point()
    reach = 2.0 * max(piece.seam_line.bounds.width, piece.seam_line.bounds.height)
    dx, dy = reach * cos(radians(grain)), reach * sin(radians(grain))
    across = polygon.intersection(
        LineString([(inside.x - dx, inside.y - dy), (inside.x + dx, inside.y + dy)])
    )
    parts = [part for part in getattr(across, "geoms", [across]) if part.distance(inside) < 1e-6]
    start, end = (_point(place) for place in (parts[0].coords[0], parts[0].coords[-1]))
    return Line(lerp(start, end, 0.2), lerp(start, end, 0.8))


def _point(place: Sequence[float]) -> Point:
    return float(place[0]), float(place[1])


# The block of text


@dataclass(frozen=True, slots=True)
class Column:
    """Lines under each other, measured for letters 1 mm high.

    Attributes:
        lines: top to bottom.
        width: mm.
        height: of the column, mm.
        rise: how far accents reach above the capitals of its first line, mm.
    """

    lines: tuple[str, ...]
    width: float
    height: float
    rise: float


def arrangements(lines: Sequence[str], split: bool) -> Iterator[tuple[Column, ...]]:
    """Ways to set lines in columns, the wanted one first; long lines are broken between words.

    Args:
        lines: top to bottom.
        split: whether what a line was broken into may stand in two columns, and long words may be broken.
    """
    seen: set[tuple[tuple[str, ...], ...]] = set()
    for width in _WRAPS:
        broken = _broken(tuple(lines), width, split)
        count = sum(map(len, broken))
        most = min(count, _MOST_COLUMNS)
        heights = {ceil(count / columns) + more for columns in range(1, most + 1) for more in (0, 1)}
        for tall in sorted(heights, reverse=True):
            columns = _columns([(row,) for rows in broken for row in rows] if split else broken, tall)
            if columns is not None and len(columns) <= _MOST_COLUMNS and columns not in seen:
                seen.add(columns)
                yield tuple(_column(column) for column in columns)


@lru_cache(maxsize=256)
def _arranged(lines: tuple[str, ...], split: bool) -> tuple[tuple[Column, ...], ...]:
    # The same for every height and direction that is tried.
    return tuple(arrangements(lines, split))


@lru_cache(maxsize=256)
def _broken(lines: tuple[str, ...], width: int, words: bool) -> tuple[tuple[str, ...], ...]:
    """Every line in rows of at most so many letters; a word may be longer, unless words are broken too."""
    broken: list[tuple[str, ...]] = []
    for line in lines:
        # A number stays with what it counts or numbers: "10 mm", "bicycle 3".
        glued = re.sub(r"(?<![:,]) (?=\d)|(?<=\d) (?=(?:mm|cm|in|l|g)\b)", _GLUE, line)
        rows = textwrap.wrap(glued, width, break_long_words=words, break_on_hyphens=False)
        broken.append(tuple(row.replace(_GLUE, " ") for row in rows))
    return tuple(broken)


def _columns(parts: Sequence[Sequence[str]], tall: int) -> tuple[tuple[str, ...], ...] | None:
    """Parts in columns of at most so many rows, none of them torn; None if one is too long for that."""
    columns: list[list[str]] = [[]]
    for part in parts:
        if len(part) > tall:
            return None
        if len(columns[-1]) + len(part) > tall:
            columns.append([])
        columns[-1] += part
    return tuple(map(tuple, columns))


@lru_cache(maxsize=1024)
def _column(lines: tuple[str, ...]) -> Column:
    width, height = text_size(lines, 1.0)
    # Below a line of plain capitals the extent ends at their baseline: what is over is the first line's rise.
    rise = text_size((lines[0], "H"), 1.0)[1] - (1.0 + LINE_SPACING)
    return Column(lines, width, height, rise)


def _block(lines: Sequence[str], height: float, angles: Sequence[float], split: bool) -> Iterator[Item]:
    for angle in angles:
        for columns in _arranged(tuple(lines), split):
            rise = max(column.rise for column in columns)
            drop = max(column.height - column.rise for column in columns)
            width = sum(column.width for column in columns) + _COLUMN_GAP * (len(columns) - 1)
            draw = _block_drawer(columns, rise, height)
            yield Item("text", width * height, (rise + drop) * height, angle, None, draw)


def _block_drawer(columns: Sequence[Column], rise: float, height: float) -> Callable[[Rectangle], Drawn]:
    def draw(rectangle: Rectangle) -> Drawn:
        labels: list[Label] = []
        left = -0.5 * rectangle.width
        top = 0.5 * rectangle.height - rise * height
        for column in columns:
            along = left + 0.5 * column.width * height
            up = top + (column.rise - 0.5 * column.height) * height
            labels.append(Label(column.lines, rectangle.place(along, up), height, rectangle.angle))
            left += (column.width + _COLUMN_GAP) * height
        return Drawn(tuple(labels))

    return draw


# Grain line and arrows


def _extras(piece: Piece, grain: float, height: float, room: Room, bare: bool = False) -> tuple[Sizes, ...]:
    """What a piece carries besides its text, the most important first.

    Args:
        piece: what it is for.
        grain: direction of the warp, degrees.
        height: of letters, mm.
        room: what is free on the piece.
        bare: whether the grain line may be short and without its word.
    """
    extras: list[Sizes] = []
    edges = {edge.name: edge for edge in piece.edges}
    if DRIVE_EDGE in edges and STRIP_EDGE in edges:
        extras.append((_beside("DRIVE SIDE", edges[DRIVE_EDGE], edges[STRIP_EDGE], height),))
    extras.append(_grain(grain, height, room, bare))
    if piece.front is not None:
        extras.append((_level_arrow("FRONT", piece.front, height),))
    if piece.up is not None:
        extras.append((_upright_arrow("UP", piece.up, height),))
    return tuple(extras)


def _grain(grain: float, height: float, room: Room, bare: bool) -> Sizes:
    angle = readable(grain)
    wanted = min(_LONGEST_GRAIN, 0.4 * room.extent(angle))
    wide, tall = text_size(("GRAIN",), height)
    least = max(wide, _SHORTEST_GRAIN)
    lengths = dict.fromkeys(max(least, share * wanted) for share in _GRAIN_LENGTHS)
    ahead = _sign(grain - angle)

    def draw(rectangle: Rectangle) -> Drawn:
        reach = 0.5 * ahead * rectangle.width
        low = -0.5 * rectangle.height + _GRAIN_HEAD
        line = Line(rectangle.place(-reach, low), rectangle.place(reach, low))
        up = 0.5 * (rectangle.height - tall)
        return Drawn((Label(("GRAIN",), rectangle.place(0.0, up), height, angle),), grain=line)

    def draw_bare(rectangle: Rectangle) -> Drawn:
        reach = 0.5 * ahead * rectangle.width
        return Drawn(grain=Line(rectangle.place(-reach, 0.0), rectangle.place(reach, 0.0)))

    item_height = tall + 2.0 * _GRAIN_HEAD + 1.0
    items = [Item("grain line", length, item_height, angle, None, draw) for length in lengths]
    if bare:
        items += (
            Item("grain line", length, 2 * _GRAIN_HEAD, angle, None, draw_bare) for length in _BARE_GRAIN
        )
    return items


def _level_arrow(text: str, direction: float, height: float) -> Item:
    """Text with an arrow after it, or before it, in the direction of its line."""
    angle = readable(direction)
    ahead = _sign(direction - angle)
    wide, tall = text_size((text,), height)
    width = wide + (_GAP + _ARROW) * height

    def draw(rectangle: Rectangle) -> Drawn:
        half = 0.5 * rectangle.width
        tip = rectangle.place(ahead * half, 0.0)
        tail = rectangle.place(ahead * (half - _ARROW * height), 0.0)
        label = Label((text,), rectangle.place(-ahead * (half - 0.5 * wide), 0.0), height, angle)
        return Drawn((label,), (Mark("line", arrow(tail, tip, height)),))

    return Item(text, width, max(tall, 2.0 * _HEAD_HALF_WIDTH * height), angle, None, draw)


def _upright_arrow(text: str, direction: float, height: float) -> Item:
    """Text beside an arrow that is square to its line."""
    angle = readable(direction - 90.0)
    upward = _sign(direction - 90.0 - angle)
    wide, tall = text_size((text,), height)
    head = 2.0 * _HEAD_HALF_WIDTH * height
    width = head + _GAP * height + wide

    def draw(rectangle: Rectangle) -> Drawn:
        along = 0.5 * (head - rectangle.width)
        reach = 0.5 * upward * _ARROW * height
        tail, tip = rectangle.place(along, -reach), rectangle.place(along, reach)
        label = Label((text,), rectangle.place(0.5 * (rectangle.width - wide), 0.0), height, angle)
        return Drawn((label,), (Mark("line", arrow(tail, tip, height)),))

    return Item(text, width, max(tall, _ARROW * height), angle, None, draw)


def _beside(text: str, edge: Edge, opposite: Edge, height: float) -> Item:
    """Text along an edge, as near to its middle as there is room, and never in the half beyond the middle."""
    from shapely import Polygon

    angle = readable(direction_of(edge))
    wide, tall = text_size((text,), height)
    shares = [i / _HALF_STEPS for i in range(_HALF_STEPS + 1)]
    near = [edge.path.point_at(share * edge.length) for share in shares]
    far = [opposite.path.point_at((1.0 - share) * opposite.length) for share in shares]
    half = Polygon([*near, *(midpoint(a, b) for a, b in zip(near[::-1], far[::-1], strict=True))])

    def draw(rectangle: Rectangle) -> Drawn:
        return Drawn((Label((text,), rectangle.middle, height, angle),))

    return Item(text, wide, tall, angle, edge.path.point_at(0.5 * edge.length), draw, half)


def arrow(tail: Point, tip: Point, height: float) -> Path:
    """One stroke from tail to tip and round the head, sized for letters of a height in mm."""
    length = distance(tail, tip)
    ux, uy = (tip[0] - tail[0]) / length, (tip[1] - tail[1]) / length
    back, side = _HEAD_LENGTH * height, _HEAD_HALF_WIDTH * height
    base = (tip[0] - back * ux, tip[1] - back * uy)
    left = (base[0] - side * uy, base[1] + side * ux)
    right = (base[0] + side * uy, base[1] - side * ux)
    return Path.polyline((tail, tip, left, right, tip))


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="label.block",
            summary="Letter every piece with its name, count, material, grain and directions",
            run=f"{__name__}:run",
            options=f"{__name__}:BlockOptions",
            needs=frozenset({"panels", "allowances"}),
            uses=frozenset({"features", "materials", "notches"}),
            adds=frozenset({"labels"}),
        ),
    )
