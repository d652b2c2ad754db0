"""How much thread a metre of seam takes, by its type of stitch."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

GUIDE = "a thread maker's guide to stitch types (scribd.com/document/49933681)"
MEASURED = "unravelled: apparelscience.com, measuring actual thread consumption"
ESTIMATE = "from memory; an estimate: unravel a seam of your own"
FORMULA = "2 + 2·T·S with thickness T and stitches per length S (textilecalculations.com)"


@dataclass(frozen=True, slots=True)
class Ratio:
    """Metres of thread, of all needles and loopers together, to a metre of seam; and the source."""

    value: float
    source: str


RATIOS: Mapping[str, Ratio] = MappingProxyType(
    {
        "101": Ratio(5.0, GUIDE),
        "103": Ratio(4.5, GUIDE),
        "301": Ratio(2.5, GUIDE),
        "304": Ratio(5.5, GUIDE),
        "401": Ratio(5.4, MEASURED),
        "503": Ratio(12.0, ESTIMATE),
        "504": Ratio(14.0, ESTIMATE),
        "512": Ratio(18.0, ESTIMATE),
        "516": Ratio(20.0, ESTIMATE),
        "602": Ratio(28.0, ESTIMATE),
        "605": Ratio(28.0, ESTIMATE),
    }
)
"""By stitch type of ISO 4915."""

_BASE: Mapping[str, float] = MappingProxyType({"101": 3.0, "301": 2.0, "401": 4.0})
"""What goes along the seam, in its lengths, in the stitches that the formula is for."""


def ratio_by_thickness(stitch_type: str, thickness: float, stitches: float) -> float | None:
    """Thread to a length of seam, worked out from what is sewn through.

    Every stitch lies once along each face and goes through the layers twice: n + 2·T·S, where n is 3 for
    stitch 101, 2 for 301 and 4 for 401 (textilecalculations.com, textiletechinsight.com).

    Args:
        stitch_type: after ISO 4915.
        thickness: of all layers, in any unit of length.
        stitches: in one such unit of length along the seam.

    Returns:
        Length of thread to the length of seam; None for other types of stitch.
    """
    base = _BASE.get(stitch_type)
    return None if base is None else base + 2.0 * thickness * stitches


def with_waste(length: float, waste: float) -> float:
    """A length of thread with its waste, a share of it: ends, tension settings, broken thread."""
    return length * (1.0 + waste)
