"""By what names and with what line each role goes into a DXF file, as options of the exporters."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import AfterValidator, BeforeValidator, Field

from oaktag import Options
from oaktag.pattern.drawing import LINE_STYLES, ROLES, Role
from oaktag.recipe import Number, listed, meant, refuse_value, show

LineType = Literal["solid", "dashed", "dash-dot"]

BLACK_OR_WHITE = 7
"""The colour of every layer unless a shop says otherwise: no meaning hangs on a colour."""

DASHES: Mapping[LineType, tuple[float, ...]] = {
    "solid": (),
    "dashed": LINE_STYLES["seam"].dashes,
    "dash-dot": LINE_STYLES["fold"].dashes,
}
"""Lengths in mm of dash, gap, dash, gap ... of each line type."""

LINE_TYPE_NAMES: Mapping[LineType, str] = {
    "solid": "CONTINUOUS",
    "dashed": "DASHED",
    "dash-dot": "DASHDOT",
}

WEIGHTS = (
    0.0, 0.05, 0.09, 0.13, 0.15, 0.18, 0.2, 0.25, 0.3, 0.35, 0.4, 0.5, 0.53, 0.6, 0.7, 0.8, 0.9, 1.0, 1.06,
    1.2, 1.4, 1.58, 2.0, 2.11,
)  # fmt: skip
"""Line weights in mm that group code 370 may have (DXF reference, "LAYER")."""

_FORBIDDEN = re.compile(r'[<>/\\":;?*|,=`\x00-\x1f]')
_LONGEST, _LONGEST_PLAIN = 255, 31
_PLAIN_NAME = re.compile(r"[A-Z0-9$_-]+")
_NEVER_PLOTTED = "DEFPOINTS"


def _weight(value: float) -> float:
    if value not in WEIGHTS:
        raise refuse_value("is no line weight of DXF", listed([f"{weight:g}" for weight in WEIGHTS]))
    return value


class PlainTool(Options):
    """What a shop's machine uses for a layer, in a format that knows no line weights."""

    colour: int = Field(default=BLACK_OR_WHITE, ge=1, le=255)
    """Colour number of the layer (group code 62 of DXF), 1 to 255; 7 is black or white."""

    line: LineType | None = None
    """Line type: `solid`, `dashed` or `dash-dot`; that of the role if left out."""


class Tool(PlainTool):
    """What a shop's machine uses for a layer."""

    weight: Annotated[Number, AfterValidator(_weight)] | None = None
    """Line weight in mm, one of those that DXF knows; that of the role if left out."""


def _roles_only(value: object) -> object:
    if isinstance(value, Mapping):
        for key in value:
            if key not in ROLES:
                todo = meant(str(key), ROLES, "name a kind of line that drawings have")
                raise refuse_value(f"there is no kind of line {show(key)}", listed(ROLES), todo)
    return value


def layer_name(name: str) -> str:
    """A layer's name as DXF R2000 and later allow it.

    Raises:
        PydanticCustomError: it isn't allowed.
    """
    if not name or name != name.strip() or len(name) > _LONGEST or _FORBIDDEN.search(name):
        raise refuse_value(
            "is no name of a layer", f'1 to {_LONGEST} signs without < > / \\ " : ; ? * | , = `'
        )
    return _plotted(name)


def plain_layer_name(name: str) -> str:
    """A layer's name as DXF R12 allows it, in upper case.

    Raises:
        PydanticCustomError: it isn't allowed.
    """
    upper = name.upper()
    if len(upper) > _LONGEST_PLAIN or not _PLAIN_NAME.fullmatch(upper):
        raise refuse_value(
            "is no name of a layer in DXF R12", f"1 to {_LONGEST_PLAIN} of the signs A to Z, 0 to 9, $ - _"
        )
    return _plotted(upper)


def _plotted(name: str) -> str:
    if name.upper() == _NEVER_PLOTTED:
        raise refuse_value("is the layer that is never plotted", "another name")
    return name


LayerNames = Annotated[dict[Role, Annotated[str, AfterValidator(layer_name)]], BeforeValidator(_roles_only)]
"""Names of layers by role."""

PlainLayerNames = Annotated[
    dict[Role, Annotated[str, AfterValidator(plain_layer_name)]], BeforeValidator(_roles_only)
]
"""Names of layers by role, as R12 allows them."""

Tools = Annotated[dict[Role, Tool], BeforeValidator(_roles_only)]
"""Tools by role."""

PlainTools = Annotated[dict[Role, PlainTool], BeforeValidator(_roles_only)]
"""Tools by role, without line weights."""


@dataclass(frozen=True, slots=True)
class Layer:
    """A layer of the file: its name, colour index, line type, and line weight in mm."""

    name: str
    colour: int
    line: LineType
    weight: float


def layers_by_role(names: Mapping[Role, str]) -> dict[Role, str]:
    """The layer of every role: as named, else the role in upper case.

    DXF doesn't tell upper from lower case, so names that differ in nothing else become the first of them.
    """
    spelt: dict[str, str] = {}
    return {
        role: spelt.setdefault(name.upper(), name)
        for role in ROLES
        for name in (names.get(role, role.upper()),)
    }


def layer_table(names: Mapping[Role, str], tools: Mapping[Role, PlainTool]) -> tuple[Layer, ...]:
    """The layers of a file, in the order of the roles.

    Where several roles share a layer it has the tool that one of them names, else that of the first.

    Args:
        names: of layers, by role; for the others the role in upper case.
        tools: by role.

    Raises:
        ValueError: roles on one layer have different tools.
    """
    layers: dict[str, list[Role]] = {}
    for role, name in layers_by_role(names).items():
        layers.setdefault(name, []).append(role)
    return tuple(_layer(name, roles, tools) for name, roles in layers.items())


def _layer(name: str, roles: list[Role], tools: Mapping[Role, PlainTool]) -> Layer:
    named = [role for role in roles if role in tools]
    for role in named[1:]:
        if tools[role] != tools[named[0]]:
            raise ValueError(f"{named[0]} and {role} share the layer {name} but have different tools")
    role = (named or roles)[0]
    style = LINE_STYLES[role]
    tool = tools.get(role, PlainTool())
    weight = tool.weight if isinstance(tool, Tool) and tool.weight is not None else style.weight
    return Layer(name, tool.colour, tool.line or _line_type(style.dashes), weight)


def _line_type(dashes: tuple[float, ...]) -> LineType:
    return next(line for line, lengths in DASHES.items() if lengths == dashes)


def check_tools(names: Mapping[Role, str], tools: Mapping[Role, PlainTool]) -> None:
    """Refuse options that give one layer two tools.

    Raises:
        PydanticCustomError: roles on one layer have different tools.
    """
    try:
        layer_table(names, tools)
    except ValueError as error:
        todo = "give them layers of their own, or the same tool"
        raise refuse_value(str(error), "one tool for a layer", todo) from None


def block_names(pieces: Iterable[str], *, plain: bool = False) -> dict[str, str]:
    """Names of the blocks of pieces, by the pieces' ids; no two are alike, in upper or lower case.

    Args:
        pieces: ids.
        plain: as R12 allows: A to Z, 0 to 9, $ - _, at most 31.
    """
    longest = _LONGEST_PLAIN if plain else _LONGEST
    taken: set[str] = set()
    names: dict[str, str] = {}
    for piece in dict.fromkeys(pieces):
        allowed = re.sub(r"[^A-Z0-9$_-]", "_", piece.upper()) if plain else _FORBIDDEN.sub("_", piece).strip()
        stem = allowed or "PIECE"
        name, number = stem[:longest], 1
        while name.upper() in taken:
            number += 1
            tail = f"-{number}"
            name = stem[: longest - len(tail)] + tail
        taken.add(name.upper())
        names[piece] = name
    return names
