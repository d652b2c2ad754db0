"""`pocket.patch`: a pocket sewn flat onto a panel or a wall, its front flat or with pleats."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import Field, model_validator

from oaktag import Draft, Finding, Options, StageSpec, hookimpl
from oaktag.geometry import Line, Path, Point, Transform
from oaktag.pattern import Edge, Face, Finish, Mark, Piece, PlacementLine
from oaktag.recipe import NonNegativeLength, PositiveLength, refuse_value
from oaktag_plugins.drafting.bag import SidePanel, bodies_of, piece_id, sew_on
from oaktag_plugins.drafting.inside import (
    LayerName,
    largest,
    layer_of,
    lies_within,
    polygon_of,
    require_piece,
    sew_at,
)
from oaktag_plugins.drafting.spot import SpotOptions, spot_on_panel, spot_on_piece

POCKET = "pocket"
"""Role of the pieces, and what their placement lines say."""
_WITH = ("stiffener", "patch", "reflective-tape", "label")
"""What may lie in the same place."""
_FOLD_MARK = 25.0
"""Length of the lines that mark a pleat at the lower edge, mm (common practice, no source)."""


class PocketOptions(Options):
    """Options of `pocket.patch`."""

    name: Annotated[str, Field(pattern=r"^[a-z][a-z0-9-]{0,39}$")] = "pocket"
    """The pocket's name; a bag with several pockets needs one for each."""
    on: str = "drive"
    """What it is sewn to: the panel on the `drive` or `non-drive` side, or a wall by its name."""
    face: Face = "inside"
    """On which face of the panel, or of the wall."""
    layer: LayerName = "shell"
    """Which skin's panel: the `shell`, or the `liner`, which then must be there already."""
    width: PositiveLength
    """Of the sewn pocket, along its lower edge."""
    height: PositiveLength
    """Of the sewn pocket, from its lower edge to its opening."""
    spot: SpotOptions = SpotOptions()
    """Where it lies; in the middle if left out."""
    pleats: Annotated[int, Field(ge=0, le=12)] = 0
    """How many pleats its lower edge is laid in; 0 makes a flat pocket."""
    pleat_depth: NonNegativeLength = 10.0
    """How deep a pleat is folded; each takes twice that from the lower edge (common practice, no source)."""
    top: Literal["hem", "bound"] = "hem"
    """What becomes of the opening's edge."""
    material: Annotated[str, Field(min_length=1, max_length=60)] = "liner"
    """What it is cut from."""
    body: str | None = None
    """The body whose panel gets it; all of them if left out."""

    @model_validator(mode="after")
    def _depth(self) -> PocketOptions:
        if self.pleats and not self.pleat_depth:
            raise refuse_value("pleats of no depth are none", "a depth above 0", "give `pleat-depth`")
        return self

    @property
    def ease(self) -> float:
        """How much longer the lower edge is cut than it is sewn, mm."""
        return 2.0 * self.pleat_depth * self.pleats


@dataclass(frozen=True, slots=True)
class Host:
    """What a pocket is sewn to: a piece, and from the pocket's own place to there."""

    piece: Piece
    place: Transform


def run(draft: Draft, options: PocketOptions) -> Draft:
    """Draft the pocket and sew three of its sides down.

    Raises:
        Refusal: there is no such panel, wall, body, tube or corner.
    """
    for host, body in hosts(draft, options):
        draft = with_pocket(draft, host, piece_id(body, options.name), body, options)
    return draft


def hosts(draft: Draft, options: PocketOptions) -> list[tuple[Host, str]]:
    """Every piece that gets a pocket, with its body."""
    size = (options.width, options.height)
    if options.on not in ("drive", "non-drive"):
        walls = [piece for piece in draft.pieces if piece.role == "divider"]
        piece = require_piece(draft, options.on, "on", walls)
        return [(Host(piece, spot_on_piece(piece, options.spot, options.face)), piece.body)]
    side: SidePanel = "drive" if options.on == "drive" else "non-drive"
    found: list[tuple[Host, str]] = []
    for body in bodies_of(draft, options.body):
        layer = layer_of(draft, body, options.layer)
        place = spot_on_panel(draft, draft.outline_of(body), options.spot, size, side, options.face, "spot")
        found.append((Host(draft.piece(layer.panels[side]), place), body))
    return found


def with_pocket(draft: Draft, host: Host, name: str, body: str, options: PocketOptions) -> Draft:
    """The draft with one pocket."""
    width, height, extra = options.width, options.height, options.ease
    if extra and 0.5 * extra >= height:
        message = (
            f"{name} is left out: its pleats widen the lower edge by {extra:g} mm, {0.5 * extra:g} mm at "
            f"either end, and its sides are only {height:g} mm. Lay fewer or shallower pleats"
        )
        return draft.with_findings([Finding("error", "pocket-pleats", message, name)])
    # A pleated front opens like a fan: as wide as the pocket at the top, its sides as long as those it is
    # sewn to, so its height is a little less than theirs.
    inner = (height**2 - (0.5 * extra) ** 2) ** 0.5
    low, top = 0.5 * (width + extra), 0.5 * width
    corners: tuple[Point, ...] = (
        (-low, -0.5 * inner), (low, -0.5 * inner), (top, 0.5 * inner), (-top, 0.5 * inner)
    )  # fmt: skip
    names = ("lower", "right", "upper", "left")
    finish: dict[str, Finish] = {"upper": options.top}
    edges = tuple(
        Edge(edge, Path((Line(corners[at], corners[(at + 1) % 4]),)), finish=finish.get(edge, ""))
        for at, edge in enumerate(names)
    )
    pocket = Piece(
        id=name, name="pocket, pleated" if extra else "pocket", edges=edges, material=options.material,
        role=POCKET, body=body, up=90.0, marks=tuple(pleat_marks(options, inner)),
    )  # fmt: skip
    covers = rectangle(width, height).transformed(host.place)
    draft = draft.with_findings(place_findings(host, covers, name, options))
    if not extra:
        return sew_on(
            draft, pocket, host.piece.id, host.place, what=POCKET, edges=[("left", "lower", "right")],
            face=options.face, under=_WITH,
        )  # fmt: skip
    draft = draft.evolve(pieces=(*draft.pieces, pocket))
    x, y = 0.5 * width, 0.5 * height
    for number, (edge, a, b, ease) in enumerate(
        (
            ("left", (-x, y), (-x, -y), 0.0),
            ("lower", (-x, -y), (x, -y), extra),
            ("right", (x, -y), (x, y), 0.0),
        )
    ):
        path = Path((Line(a, b),)).transformed(host.place)
        line = PlacementLine(
            f"{name}:{edge}", path, POCKET, options.face, covers if number == 0 else None, _WITH
        )
        draft = sew_at(draft, name, (edge,), host.piece.id, line, ease=ease)
    return draft


def rectangle(width: float, height: float) -> Path:
    """A rectangle about the origin."""
    x, y = 0.5 * width, 0.5 * height
    return Path.polyline([(-x, -y), (x, -y), (x, y), (-x, y)], closed=True)


def pleat_marks(options: PocketOptions, inner: float) -> list[Mark]:
    """Three lines for every pleat at the lower edge: its fold, and the lines either side that meet on it."""
    if not options.pleats:
        return []
    marks: list[Mark] = []
    whole = options.width + options.ease
    taper = 0.5 * options.ease / inner  # mm that either side comes in by for every mm of height
    for number in range(options.pleats):
        # Sewn down the pleats stand evenly; between them lies the pocket's own width.
        sewn = options.width * (number + 1) / (options.pleats + 1)
        middle = -0.5 * whole + sewn + 2.0 * options.pleat_depth * number + options.pleat_depth
        for shift in (-options.pleat_depth, 0.0, options.pleat_depth):
            x = middle + shift
            kind: Literal["fold", "line"] = "fold" if shift == 0.0 else "line"
            room = (0.5 * whole - abs(x)) / taper
            top = -0.5 * inner + min(_FOLD_MARK, 0.5 * inner, room)
            marks.append(Mark(kind, Path((Line((x, -0.5 * inner), (x, top)),))))
    return marks


def place_findings(host: Host, covers: Path, name: str, options: PocketOptions) -> list[Finding]:
    """Whether the pocket lies within what it is sewn to, and if not, the largest that does."""
    if lies_within(host.piece, covers):
        return []
    back = host.piece.seam_line.transformed(host.place.inverse()).bounds
    if options.width > back.width or options.height > back.height:
        message = (
            f"{name} is {options.width:g} × {options.height:g} mm, and {host.piece.id} measures only "
            f"{back.width:.0f} × {back.height:.0f} mm in its direction. Make the pocket smaller"
        )
        return [Finding("error", "pocket-wider-than-panel", message, name)]
    area = polygon_of(host.piece.seam_line).buffer(0.01)

    def fits(width: float, height: float) -> bool:
        return bool(area.covers(polygon_of(rectangle(width, height).transformed(host.place))))

    wide = largest(lambda width: fits(width, options.height), options.width)
    high = largest(lambda height: fits(options.width, height), options.height)
    both = largest(lambda share: fits(share * options.width, share * options.height), 1.0)
    sizes = []
    if wide:
        sizes.append(f"{wide:.1f} × {options.height:g} mm")
    if high:
        sizes.append(f"{options.width:g} × {high:.1f} mm")
    if both:
        sizes.append(f"{both * options.width:.1f} × {both * options.height:.1f} mm")
    at_most = (
        f"the largest that fits about this middle is {' or '.join(sizes)}" if sizes else "none fits here"
    )
    message = f"{name} reaches over the edge of {host.piece.id}: {at_most}. Move it, or make it smaller"
    return [Finding("error", "pocket-over-edge", message, name)]


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="pocket.patch",
            summary="Sew a pocket onto a panel or a wall, flat or pleated",
            run=f"{__name__}:run",
            options=f"{__name__}:PocketOptions",
            needs=frozenset({"outline", "panels", "gusset", "opening"}),
            uses=frozenset({"materials", "features"}),
            adds=frozenset({"features"}),
        ),
    )
