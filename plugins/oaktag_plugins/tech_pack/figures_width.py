"""The gusset's width along the seam, as a plot."""

from __future__ import annotations

from math import ceil, floor

from oaktag import Draft
from oaktag_plugins.measure_volume import gusset_sides, seam_width
from oaktag_plugins.tech_pack.content import FigureBlock
from oaktag_plugins.tech_pack.sketch import DASHED, Sketch
from oaktag_plugins.tech_pack.wording import edge_word, listed_words, mm, number

_ACROSS, _UP = 100.0, 46.0  # of the plot without its texts, mm on paper
_TICK = 1.2
_SAMPLES = 240
_STEPS = (10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0)
_NAMED = 0.06  # share of the seam; a shorter stretch at the seam's end has no name of its own
_SMALL = 3.2  # size of the numbers on the axes, mm


def width_points(draft: Draft, body: str) -> tuple[tuple[float, float], ...]:
    """Seam length along the panel and the gusset's width there, mm; nothing where the width isn't known."""
    sides = gusset_sides(draft, body)
    if isinstance(sides, str):
        return ()
    around, width, joints = seam_width(draft, sides)
    stations = {around.length * step / _SAMPLES for step in range(_SAMPLES + 1)}
    stations |= {joint for joint in joints if 0.0 <= joint <= around.length}
    return tuple((s, width(s)) for s in sorted(stations))


def width_marks(draft: Draft, body: str) -> tuple[tuple[float, str], ...]:
    """Where each of the panel's edges begins along the seam, and its name, in order."""
    sides = gusset_sides(draft, body)
    if isinstance(sides, str):
        return ()
    around, _, _ = seam_width(draft, sides)
    panel = draft.piece(sides[0][0].piece)
    marks = [(around.nearest(edge.path.start)[0] % around.length, edge.name) for edge in panel.edges]
    return tuple(sorted(marks))


def width_block(draft: Draft, body: str) -> FigureBlock | None:
    """The plot for one body; None where the width isn't known."""
    points = width_points(draft, body)
    if not points:
        return None
    marks = width_marks(draft, body)
    length = points[-1][0]
    least, most = min(w for _, w in points), max(w for _, w in points)
    low, high = 10.0 * floor((least - 2.0) / 10.0), 10.0 * ceil((most + 2.0) / 10.0)
    low = max(low, 0.0)
    kx, ky = _ACROSS / length, _UP / (high - low)
    sketch = Sketch()
    names: list[tuple[str, float]] = []
    for name, start, end in _stretches(marks, length):
        if start > 0.0:
            sketch.line(((kx * start, 0.0), (kx * start, _UP)), "thin", dashes=DASHED)
        if not name.startswith("corner:"):
            names.append((edge_word(name), kx * 0.5 * (start + end)))
    sketch.line(((0.0, 0.0), (_ACROSS, 0.0)), "medium")
    sketch.line(((0.0, 0.0), (0.0, _UP)), "medium")
    step = next((s for s in _STEPS if length / s <= 7.0), _STEPS[-1])
    for index in range(floor(length / step) + 1):
        x = kx * step * index
        sketch.line(((x, 0.0), (x, -_TICK)), "thin")
        sketch.text(number(step * index, 0), (x, -_TICK - 3.4), _SMALL)
    step = next(s for s in _STEPS if (high - low) / s <= 6.0)
    for index in range(ceil(low / step), floor(high / step) + 1):
        y = ky * (step * index - low)
        sketch.line(((0.0, y), (-_TICK, y)), "thin")
        sketch.text(number(step * index, 0), (-_TICK - 0.8, y - 1.0), _SMALL, align="right")
    sketch.text("seam length along the side panel, mm", (0.5 * _ACROSS, -_TICK - 8.6))
    sketch.text("width, mm", (-10.5, 0.5 * _UP), angle=90.0)
    sketch.line(tuple((kx * s, ky * (w - low)) for s, w in points), "thick")
    for name, x in names:
        sketch.label(name, (x, _UP), (0.0, 1.0))
    whose = f" of the {body} body" if body else ""
    at_least = next(s for s, w in points if w == least)
    at_most = next(s for s, w in points if w == most)
    return FigureBlock(
        sketch.figure(),
        f"Width of the gusset{whose} along the seam with the drive side panel."
        f" Dashed: where runs begin. The width's axis begins at {number(low, 0)} mm.",
        f"A curve of the gusset's width{whose} over {mm(length)} of seam:"
        f" least {mm(least)} at {mm(at_least)}, most {mm(most)} at {mm(at_most)}. Where runs begin: "
        + listed_words(f"{edge_word(name)} {mm(w)}" for name, w in widths_at_marks(draft, body))
        + ".",
    )


def _stretches(marks: tuple[tuple[float, str], ...], length: float) -> list[tuple[str, float, float]]:
    """Name, start and end of each run; the one that goes on past the seam's end stands at both ends."""
    if not marks:
        return []
    first, last = marks[0][0], marks[-1][1]
    ends = [*(start for start, _ in marks[1:]), length]
    found = [(name, start, end) for (start, name), end in zip(marks, ends, strict=True)]
    return [(last, 0.0, first), *found] if first > _NAMED * length else found


def widths_at_marks(draft: Draft, body: str) -> tuple[tuple[str, float], ...]:
    """The gusset's width where each of the panel's runs begins, mm."""
    sides = gusset_sides(draft, body)
    if isinstance(sides, str):
        return ()
    _, width, _ = seam_width(draft, sides)
    return tuple((name, width(s)) for s, name in width_marks(draft, body))
