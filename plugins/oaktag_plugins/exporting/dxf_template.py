"""The parts of a DXF file around its entities: header, tables, empty blocks."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from io import StringIO
from typing import TYPE_CHECKING
from uuid import NAMESPACE_OID, uuid5

from oaktag.geometry import Box
from oaktag_plugins.exporting.dxf_layers import DASHES, LINE_TYPE_NAMES, Layer
from oaktag_plugins.exporting.dxf_pens import Handles

if TYPE_CHECKING:
    from ezdxf.document import Drawing

_METRIC = 1  # $MEASUREMENT
_ENTITIES = "  0\nSECTION\n  2\nENTITIES\n"
_EPOCH = 946_684_800  # 2000-01-01, the date of files that were given none


# R2010


@dataclass(frozen=True)
class ModernTemplate:
    """A DXF R2010 file without entities.

    Attributes:
        text: of the file.
        owners: handle of every block's record, by the block's name.
        ends: handle of every block's end, by the block's name.
        space: handle of model space's record.
        handles: those that are free.
    """

    text: str
    owners: Mapping[str, str]
    ends: Mapping[str, str]
    space: str
    handles: Handles

    def filled(self, blocks: Mapping[str, Sequence[str]], space: Sequence[str]) -> str:
        """The file with entities.

        Args:
            blocks: what each block holds, by its name.
            space: what stands in model space.
        """
        parts: list[str] = []
        rest = self.text
        for name, body in blocks.items():
            before, end, rest = rest.partition(f"  0\nENDBLK\n  5\n{self.ends[name]}\n")
            parts += [before, *body, end]
        before, start, rest = rest.partition(_ENTITIES)
        parts += [before, start, *space, rest]
        parts[0] = re.sub(r"(\$HANDSEED\n +5\n)[^\n]+", rf"\g<1>{self.handles.free:X}", parts[0])
        # The same drawing has the same identity, and another drawing another.
        guid = "{" + str(uuid5(NAMESPACE_OID, "".join(parts))).upper() + "}"
        parts[0] = re.sub(r"(\$(?:VERSION|FINGERPRINT)GUID\n +2\n)\{\}", rf"\g<1>{guid}", parts[0])
        return "".join(parts)


def modern_template(layers: Iterable[Layer], blocks: Mapping[str, str], bounds: Box) -> ModernTemplate:
    """A DXF R2010 file in mm with layers and empty blocks.

    Args:
        layers: of the file.
        blocks: what each is, in plain words, by name; their base points are the origin.
        bounds: of what model space will show.
    """
    from ezdxf.enums import InsertUnits
    from ezdxf.filemanagement import new

    document = new("R2010")
    document.header["$INSUNITS"] = InsertUnits.Millimeters.value
    document.header["$MEASUREMENT"] = _METRIC
    document.header["$LWDISPLAY"] = 1
    for layer in layers:
        _add_layer(document, layer)
    made = []
    for name, what in blocks.items():
        block = document.blocks.new(name)
        block.units = InsertUnits.Millimeters
        assert block.block is not None
        block.block.dxf.description = what
        made.append(block)
    space = document.modelspace()
    space.reset_extents((bounds.min_x, bounds.min_y, 0.0), (bounds.max_x, bounds.max_y, 0.0))
    document.set_modelspace_vport(1.1 * max(bounds.height, 0.5 * bounds.width), bounds.centre)
    text = _text(document)
    seed = re.search(r"\$HANDSEED\n +5\n([0-9A-F]+)", text)
    assert seed is not None
    return ModernTemplate(
        text,
        {block.name: block.block_record_handle for block in made},
        {block.name: str(block.endblk.dxf.handle) for block in made if block.endblk is not None},
        space.block_record_handle,
        Handles(int(seed[1], 16)),
    )


def _add_layer(document: Drawing, layer: Layer) -> None:
    line, dashes = LINE_TYPE_NAMES[layer.line], DASHES[layer.line]
    if dashes and line not in document.linetypes:
        signed = [length if index % 2 == 0 else -length for index, length in enumerate(dashes)]
        document.linetypes.add(line, [sum(dashes), *signed])
    if layer.name == "0":  # is in every file
        own = document.layers.get("0")
        own.dxf.color, own.dxf.linetype, own.dxf.lineweight = layer.colour, line, round(100 * layer.weight)
    else:
        document.layers.add(
            layer.name, color=layer.colour, linetype=line, lineweight=round(100 * layer.weight)
        )


def _text(document: Drawing) -> str:
    """The document as text that is the same whenever and wherever it is written.

    The library puts the clock, random ids and its CLASSES in an order of the process's own into every file;
    its switch for fixed values is global to the process, so they are replaced here instead.
    """
    from ezdxf.version import __version__

    document.classes.add_required_classes(document.dxfversion)
    ordered = sorted(document.classes.classes.items())
    document.classes.classes.clear()
    document.classes.classes.update(ordered)
    stream = StringIO()
    document.write(stream)
    text = stream.getvalue()
    moment = datetime.fromtimestamp(int(os.environ.get("SOURCE_DATE_EPOCH") or _EPOCH), UTC)
    julian = f"{moment.timestamp() / 86_400.0 + 2_440_587.5:.9f}"
    text = re.sub(r"(\$TDU?(?:CREATE|UPDATE)\n +40\n)[^\n]+", rf"\g<1>{julian}", text)
    text = re.sub(rf"(\n{re.escape(__version__)} @ )\d{{4}}-[^\n]+", rf"\g<1>{moment.isoformat()}", text)
    return re.sub(r"(\$(?:VERSION|FINGERPRINT)GUID\n +2\n)[^\n]+", r"\g<1>{}", text)


# R12


def plain_file(
    layers: Sequence[Layer],
    blocks: Mapping[str, Sequence[str]],
    space: Sequence[str],
    bounds: Box,
    comments: Iterable[str] = (),
) -> str:
    """A DXF R12 file: header, line types, layers, blocks, entities, and nothing else.

    Args:
        layers: of the file.
        blocks: what each holds, by name; their base points are the origin.
        space: entities beside the blocks.
        bounds: of everything, in the file's unit.
        comments: lines at the head of the file.
    """
    parts = [f"999\n{comment}\n" for comment in comments]
    parts.append(
        "  0\nSECTION\n  2\nHEADER\n  9\n$ACADVER\n  1\nAC1009\n  9\n$INSBASE\n 10\n0.0\n 20\n0.0\n 30\n0.0\n"
        f"  9\n$EXTMIN\n 10\n{bounds.min_x:.6f}\n 20\n{bounds.min_y:.6f}\n 30\n0.0\n"
        f"  9\n$EXTMAX\n 10\n{bounds.max_x:.6f}\n 20\n{bounds.max_y:.6f}\n 30\n0.0\n"
        "  0\nENDSEC\n  0\nSECTION\n  2\nTABLES\n"
    )
    lines = [line for line in DASHES if line == "solid" or any(layer.line == line for layer in layers)]
    parts.append(f"  0\nTABLE\n  2\nLTYPE\n 70\n{len(lines)}\n")
    for line in lines:
        dashes = DASHES[line]
        signed = "".join(
            f" 49\n{length if index % 2 == 0 else -length}\n" for index, length in enumerate(dashes)
        )
        parts.append(
            f"  0\nLTYPE\n  2\n{LINE_TYPE_NAMES[line]}\n 70\n0\n  3\n{line}\n 72\n65\n 73\n{len(dashes)}\n"
            f" 40\n{sum(dashes)}\n{signed}"
        )
    names = [layer.name for layer in layers]
    table = [*([] if "0" in names else [Layer("0", 7, "solid", 0.0)]), *layers]
    parts.append(f"  0\nENDTAB\n  0\nTABLE\n  2\nLAYER\n 70\n{len(table)}\n")
    parts.extend(
        f"  0\nLAYER\n  2\n{layer.name}\n 70\n0\n 62\n{layer.colour}\n  6\n{LINE_TYPE_NAMES[layer.line]}\n"
        for layer in table
    )
    parts.append(
        "  0\nENDTAB\n  0\nTABLE\n  2\nSTYLE\n 70\n1\n  0\nSTYLE\n  2\nSTANDARD\n 70\n0\n 40\n0.0\n 41\n1.0\n"
        " 50\n0.0\n 71\n0\n 42\n2.5\n  3\ntxt\n  4\n\n  0\nENDTAB\n  0\nENDSEC\n"
    )
    parts += [*blocks_section(blocks), _ENTITIES, *space, "  0\nENDSEC\n  0\nEOF\n"]
    return "".join(parts)


def blocks_section(blocks: Mapping[str, Sequence[str]], layer: str = "0") -> Iterable[str]:
    """The section of blocks as R12 has it, by name; their base points are the origin."""
    yield "  0\nSECTION\n  2\nBLOCKS\n"
    for name, body in blocks.items():
        yield f"  0\nBLOCK\n  8\n{layer}\n  2\n{name}\n 70\n0\n 10\n0.0\n 20\n0.0\n 30\n0.0\n  3\n{name}\n"
        yield from body
        yield f"  0\nENDBLK\n  8\n{layer}\n"
    yield "  0\nENDSEC\n"


def bare_file(blocks: Mapping[str, Sequence[str]], space: Sequence[str], layer: str) -> str:
    """A DXF file of blocks and entities alone, its header empty, without tables."""
    head = "  0\nSECTION\n  2\nHEADER\n  0\nENDSEC\n"
    return "".join([head, *blocks_section(blocks, layer), _ENTITIES, *space, "  0\nENDSEC\n  0\nEOF\n"])
