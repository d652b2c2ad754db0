"""Seam classes and stitch types by their standards' numbers, and a shop's table of how seams are sewn.

Seams are numbered by ISO 4916, stitches by ISO 4915. Letters such as SSa belong to ASTM D6193; which number
a letter comes nearest to, and the names of single stitch types, are from memory.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from types import MappingProxyType
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, model_validator

from oaktag import Options
from oaktag.pattern import Draft, Piece, Seam, SeamSide, Stitching
from oaktag.recipe import NonNegativeLength, PositiveLength, listed, meant, refuse_value, show
from oaktag.recipe.quantity import LENGTH_UNITS

SEAM_CLASSES: Mapping[int, str] = MappingProxyType(
    {
        1: "superimposed",
        2: "lapped",
        3: "bound",
        4: "flat",
        5: "decorative",
        6: "edge finishing",
        7: "attaching of separate items",
        8: "single ply",
    }
)
"""The classes of ISO 4916 by their number (names from memory)."""

STITCH_CLASSES: Mapping[int, str] = MappingProxyType(
    {
        100: "chain stitch",
        200: "hand stitch",
        300: "lockstitch",
        400: "multi-thread chain stitch",
        500: "overedge chain stitch",
        600: "covering chain stitch",
    }
)
"""The classes of ISO 4915 by their number."""

STITCH_TYPES: Mapping[str, str] = MappingProxyType(
    {
        "101": "single-thread chain stitch",
        "103": "single-thread blind stitch",
        "104": "single-thread chain stitch, zigzag loops",
        "202": "hand back stitch",
        "209": "hand running stitch",
        "301": "lockstitch",
        "302": "lockstitch, two needles",
        "304": "zigzag lockstitch",
        "306": "lockstitch blind stitch",
        "308": "zigzag lockstitch, two steps",
        "401": "two-thread chain stitch",
        "402": "cording chain stitch",
        "404": "zigzag two-thread chain stitch",
        "406": "bottom covering chain stitch, two needles",
        "407": "bottom covering chain stitch, three needles",
        "501": "single-thread overedge stitch",
        "502": "two-thread overedge stitch",
        "503": "two-thread overedge stitch for hems",
        "504": "three-thread overedge stitch",
        "505": "three-thread overedge stitch, square edge",
        "512": "four-thread overedge stitch, mock safety",
        "514": "four-thread overedge stitch",
        "515": "four-thread safety stitch (401 and 503)",
        "516": "five-thread safety stitch (401 and 504)",
        "601": "three-thread covering stitch",
        "602": "four-thread covering stitch, two needles",
        "605": "five-thread covering stitch, three needles",
        "607": "six-thread covering stitch, four needles",
    }
)
"""Stitch types of ISO 4915 and what they are called (301, 304, 401, 504, 514 and 516 as apparelscience.com
and textiletechinsight.com have them; the others from memory)."""

SEAM_LETTERS: Mapping[str, str] = MappingProxyType(
    {
        "SSa": "1.01",
        "LSa": "2.01",
        "LSq": "2.02",
        "LSc": "2.04",
        "LSd": "5.31",
        "BSa": "3.01",
        "BSc": "3.05",
        "FSa": "4.01",
        "EFa": "6.02",
        "EFb": "6.03",
    }
)
"""Seam types of ASTM D6193 and the number that comes nearest in ISO 4916 (from memory)."""

_CLASS = re.compile(r"[1-8]\.[0-9]{2}(?:\.[0-9]{2})?")
_VALID_CLASS = "class and number of ISO 4916 in quotes, such as 1.01, 2.02, 3.01, 5.31 or 6.03"


def _seam_class(value: object) -> str:
    if isinstance(value, str) and _CLASS.fullmatch(value):
        return value
    todo = "write the number of the seam"
    if isinstance(value, float):
        # 1.1 would stand for 1.01 as well as for 1.10.
        raise refuse_value(
            f"{value!r} is a number, in which a last 0 is lost", _VALID_CLASS, "write it in quotes"
        )
    if isinstance(value, str):
        letters = value.strip().split("-")[0].lower()
        number = {name.lower(): number for name, number in SEAM_LETTERS.items()}.get(letters)
        if number is not None:
            todo = f'write "{number}", which comes nearest to it'
        if re.fullmatch(r"[A-Za-z]{3}(?:-.*)?", value.strip()):
            reason = f"{show(value)} is a letter code of ASTM D6193, not a number of ISO 4916"
            raise refuse_value(reason, _VALID_CLASS, todo)
    raise refuse_value(f"{show(value)} is no seam class", _VALID_CLASS, todo)


def _stitch_type(value: object) -> str:
    code = str(value) if isinstance(value, int) and not isinstance(value, bool) else value
    if isinstance(code, str) and code in STITCH_TYPES:
        return code
    valid = listed(STITCH_TYPES)
    todo = meant(code, STITCH_TYPES, "write one of these") if isinstance(code, str) else "write one of these"
    raise refuse_value(f"{show(value)} is no stitch type that is known here", valid, todo)


SeamClass = Annotated[
    str,
    BeforeValidator(_seam_class),
    Field(json_schema_extra={"pattern": f"^{_CLASS.pattern}$"}),
]
"""A seam by its number in ISO 4916."""

StitchType = Annotated[
    str, BeforeValidator(_stitch_type), Field(json_schema_extra={"type": ["string", "integer"]})
]
"""A stitch by its number in ISO 4915."""

SeamName = Literal["shell", "part", "zipper", "applied", "tape", "layer", "liner", "bound", "hem", "raw"]
"""What a shop's table says how to sew: a kind of seam; `applied` where what is sewn on is tape, `tape`; or an
edge by what becomes of it."""


def class_name(seam_class: str) -> str:
    """What a seam's class is called: `superimposed` for 1.01."""
    return SEAM_CLASSES[int(seam_class[0])]


def is_overedge(stitch_type: str) -> bool:
    """Whether the stitch is formed round the edge of the cloth (class 500)."""
    return stitch_type.startswith("5")


class SeamStitches(Options):
    """How a seam is sewn; what is left out stays as it is."""

    seam_class: SeamClass | None = None
    """Seam by its number in ISO 4916, in quotes: 1.01 superimposed, 2.02 lapped, 3.01 bound."""
    stitch_type: StitchType | None = None
    """Stitch by its number in ISO 4915: 301 lockstitch."""
    stitch_length: PositiveLength | None = None
    """Length of a stitch."""
    rows: Annotated[int, Field(ge=1, le=6)] | None = None
    """Rows of stitching."""


class SeamRule(SeamStitches):
    """How one kind of seam is sewn, and how wide its allowances are."""

    allowance: NonNegativeLength | None = None
    """Margin outside the seam line."""


def completed(rule: SeamStitches, under: SeamRule) -> SeamRule:
    """A rule, and another for what it leaves out."""
    said = {name: getattr(rule, name) for name in type(rule).model_fields}
    return under.model_copy(update={name: value for name, value in said.items() if value is not None})


class SeamTable(Options):
    """A shop's table of seams."""

    format: Annotated[int, Field(ge=1, le=1)] = 1
    """Version of this file's format."""
    name: Annotated[str, Field(max_length=100)] = ""
    """The shop's or the table's name."""
    unit: str = "mm"
    """Unit of lengths that name none: mm, cm or in."""
    seams: dict[SeamName, SeamRule] = Field(default_factory=dict)
    """How seams are sewn, by what they join or what becomes of an edge: `[seams.zipper]`."""
    classes: dict[SeamClass, NonNegativeLength] = Field(default_factory=dict)
    """Allowances by the number of the seam: `"3.01" = 7`."""
    materials: dict[Annotated[str, Field(min_length=1, max_length=60)], NonNegativeLength] = Field(
        default_factory=dict
    )
    """Allowances of a material's edges at main seams, such as of a cloth that frays."""
    webbing: NonNegativeLength | None = None
    """Allowance of an edge in whose seam webbing is caught."""
    facing: NonNegativeLength | None = None
    """How much more than other pieces a facing gets."""
    hem: PositiveLength | None = None
    """Width of a hem."""
    turn: NonNegativeLength | None = None
    """What is turned in within a hem."""

    @model_validator(mode="after")
    def _known_unit(self) -> SeamTable:
        if self.unit not in LENGTH_UNITS:
            raise refuse_value(
                f"unit {show(self.unit)} is unknown", listed(LENGTH_UNITS), "write one of these"
            )
        return self

    def over(self, under: SeamTable) -> SeamTable:
        """This table, completed by another."""
        seams = dict(under.seams)
        for name, rule in self.seams.items():
            seams[name] = completed(rule, seams.get(name, SeamRule()))
        single = {
            name: value
            for name in ("webbing", "facing", "hem", "turn")
            if (value := getattr(self, name)) is not None
        }
        return under.model_copy(
            update={
                "seams": seams,
                "classes": {**under.classes, **self.classes},
                "materials": {**under.materials, **self.materials},
                **single,
            }
        )

    def allowance(self, name: SeamName) -> float | None:
        """The allowance of a kind of seam or edge, mm; None if the table has none."""
        rule = self.seams.get(name)
        return None if rule is None else rule.allowance

    def allowance_of_class(self, seam_class: str) -> float | None:
        """The allowance of a seam by its number, mm; None if the table has none."""
        for number in (seam_class, seam_class[:4]):
            if number in self.classes:
                return self.classes[number]
        return None


def _rule(
    seam_class: str, length: float, rows: int = 1, allowance: float | None = None, stitch: str = "301"
) -> SeamRule:
    return SeamRule(
        seam_class=seam_class, stitch_type=stitch, stitch_length=length, rows=rows, allowance=allowance
    )


SHIPPED = SeamTable(
    name="common practice, no source",
    seams={
        "shell": _rule("1.01", 3.0, 2),
        "part": _rule("2.02", 3.0, 2),
        "zipper": _rule("2.02", 3.0, 2, 6.0),
        "applied": _rule("5.31", 2.5, 1, 10.0),
        "tape": _rule("2.01", 2.5),
        "layer": _rule("1.01", 4.0),
        "liner": _rule("1.01", 2.5, 1, 8.0),
        "bound": _rule("3.01", 3.0, 1, 8.0),
        "hem": _rule("6.03", 3.0),
        "raw": _rule("2.01", 2.5),
    },
    webbing=12.0,
    facing=2.0,
    hem=10.0,
    turn=10.0,
)
"""What holds where a shop says nothing (common practice, no source). Main seams and those between the parts
of a panel have no allowance here: theirs is the recipe's own."""


def table_over(table: SeamTable | None) -> SeamTable:
    """A shop's table completed by the shipped one."""
    return SHIPPED if table is None else table.over(SHIPPED)


def on_line(piece: Piece, side: SeamSide) -> bool:
    """Whether a seam's side runs along a placement line, not along edges."""
    return any(line.name == side.edges[0] for line in piece.placements)


def is_tape(draft: Draft, piece: Piece) -> bool:
    """Whether a piece is cut from tape by length alone."""
    material = draft.material(piece.material)
    return material is not None and material.form == "tape"


def name_of_seam(draft: Draft, seam: Seam) -> SeamName:
    """Under which name a table says how the seam is sewn.

    A binding goes before everything else. Only at what is sewn flat onto a piece does a raw edge count.
    """
    finishes: list[str] = []
    tape = False
    for side in (seam.a, seam.b):
        piece = draft.piece(side.piece)
        if not on_line(piece, side):
            finishes += [piece.edge(name).finish for name in side.edges]
            tape = tape or is_tape(draft, piece)
    if "bound" in finishes:
        return "bound"
    if seam.kind == "applied":
        return "tape" if tape else "raw" if "raw" in finishes else "applied"
    return seam.kind


def stitching(rule: SeamRule) -> Stitching:
    """A complete rule as the value that a seam carries.

    Raises:
        ValueError: the rule leaves something out.
    """
    if rule.seam_class is None or rule.stitch_type is None or rule.stitch_length is None or rule.rows is None:
        raise ValueError(f"the rule isn't complete: {rule!r}")
    return Stitching(rule.seam_class, rule.stitch_type, rule.stitch_length, rule.rows)
