"""The material table that ships: what a bag is usually made of, without prices.

Makers' goods of one name differ: weigh and measure what was supplied, and put the true values into the shop's
own table (`materials.table`). Every entry says where its values come from.
"""

from __future__ import annotations

from oaktag import hookimpl
from oaktag.pattern import NO_SOURCE, Material

FROM_MEMORY = f"from memory; {NO_SOURCE}: measure what was supplied"

_LAMINATE = (
    "mass: 5.1 oz/yd² as published for laminate with a 210 denier face (renato.design), times 33.9057; "
    "width and thickness from memory"
)
_ISO_7089 = "ISO 7089, from memory"
_ISO_7380 = "ISO 7380-1, from memory; mass of a bolt 12 mm long"
_TEX = "tex: g per 1000 m, by definition; thickness from memory"
_BOARD = "HDPE of 0.95 g/cm³ (from memory), times its thickness; size of a sheet: " + NO_SOURCE


def _cloths() -> tuple[Material, ...]:
    return (
        _cloth("canvas-500d", "shell", "coated nylon, 500 denier", 250.0, 1480.0, 0.35),
        _cloth("canvas-1000d", "shell", "coated nylon, 1000 denier", 355.0, 1480.0, 0.5),
        _cloth("laminate-210d", "shell", "laminate, 210 denier face", 172.9, 1400.0, 0.3, source=_LAMINATE),
        _cloth("fit-sample-cloth", "shell", "cheap firm cotton for the fit sample", 150.0, 1400.0, 0.3),
        _cloth("ripstop-70d", "liner", "coated ripstop nylon, 70 denier", 75.0, 1470.0, 0.1),
        _cloth("fleece", "fleece", "polyester fleece, spares the paint", 200.0, 1500.0, 2.0),
        _cloth("foam-3", "foam", "closed-cell foam, 3 mm", 100.0, 1000.0, 3.0, grain=False),
        _cloth("foam-5", "foam", "closed-cell foam, 5 mm", 165.0, 1000.0, 5.0, grain=False),
        Material(
            "board-08",
            "board",
            "cloth",
            "stiffener board, HDPE 0.8 mm",
            mass=760.0,
            width=600.0,
            thickness=0.8,
            longest=1200.0,
            source=_BOARD,
        ),
        Material(
            "card",
            "card",
            "cloth",
            "oak tag for templates",
            mass=250.0,
            width=700.0,
            thickness=0.3,
            longest=1000.0,
            source=FROM_MEMORY,
        ),
    )


def _cloth(
    name: str,
    kind: str,
    description: str,
    mass: float,
    width: float,
    thickness: float,
    *,
    grain: bool = True,
    source: str = FROM_MEMORY,
) -> Material:
    return Material(
        name,
        kind,
        "cloth",
        description,
        mass=mass,
        width=width,
        thickness=thickness,
        grain=grain,
        source=source,
    )


def _tapes() -> tuple[Material, ...]:
    webbing = ((20, 17.0), (25, 22.0), (38, 34.0))
    widths = (20, 25, 38, 50)
    return (
        *(
            _tape(f"webbing-{width}", "webbing", f"woven webbing, {width} mm", mass, width, 1.4)
            for width, mass in webbing
        ),
        # About 340 g of hook and 300 g of loop to the square metre.
        *(
            _tape(f"hook-{width}", "hook-and-loop", f"hook tape, {width} mm", 0.34 * width, width, 1.4)
            for width in widths
        ),
        *(
            _tape(f"loop-{width}", "hook-and-loop", f"loop tape, {width} mm", 0.30 * width, width, 2.0)
            for width in widths
        ),
        *(
            _tape(
                f"hook-and-loop-{width}",
                "hook-and-loop",
                f"strap tape, hook on one face and loop on the other, {width} mm",
                0.44 * width,
                width,
                2.4,
            )
            for width in (20, 25)
        ),
        *(
            _tape(f"binding-{width}", "binding", f"binding tape, {width} mm", 0.25 * width, width, 0.5)
            for width in (22, 25)
        ),
        *(
            _tape(
                f"reflective-tape-{width}",
                "reflective-tape",
                f"reflective tape to sew on, {width} mm",
                0.24 * width,
                width,
                0.3,
            )
            for width in (10, 25)
        ),
        _tape("grosgrain-20", "grosgrain", "grosgrain ribbon, 20 mm", 4.6, 20, 0.5),
        _tape("cord-3", "cord", "cord, 3 mm", 6.0, 3, 3.0),
        # 70 g to 1000 m.
        _tape("thread-tex-70", "thread", "polyester thread, tex 70", 0.070, 0, 0.25, source=_TEX),
    )


def _tape(
    name: str,
    kind: str,
    description: str,
    mass: float,
    width: float,
    thickness: float,
    *,
    source: str = FROM_MEMORY,
) -> Material:
    return Material(
        name,
        kind,
        "tape",
        description,
        mass=round(mass, 3),
        width=float(width),
        thickness=thickness,
        source=source,
    )


def _zippers() -> tuple[Material, ...]:
    """Zippers by gauge: their mass, full tape width, closed chain width, slider's length and width.

    Chain and tape lie in the ranges that makers give, from memory: 4.2-4.8 and 24-27 mm (3), 5.7-6.2 and
    30-33 mm (5), 7.0-8.0 and 36-38 mm (8), 10-10.6 and 38-42 mm (10).
    """
    return tuple(
        Material(
            f"zipper-{gauge}",
            "zipper",
            "tape",
            f"coil zipper, gauge {gauge}, full tape {tape:g} mm wide",
            mass=mass,
            width=tape,
            thickness=thickness,
            measures=(
                ("chain-width", chain),
                ("slider-length", length),
                ("slider-width", width),
                ("top-stop", 5.0),
                ("bottom-stop", 6.0),
                ("step", 50.0),
                ("stitch-from-centre", stitch),
            ),
            source=FROM_MEMORY,
        )
        for gauge, mass, tape, thickness, chain, length, width, stitch in (
            (3, 9.0, 25.0, 1.8, 4.5, 9.0, 7.5, 7.0),
            (5, 16.0, 32.0, 2.2, 6.0, 12.0, 9.5, 8.0),
            (8, 28.0, 37.0, 2.8, 7.5, 15.0, 12.0, 9.0),
            (10, 38.0, 40.0, 3.3, 10.3, 18.0, 15.0, 11.0),
        )
    )


def _counted() -> tuple[Material, ...]:
    grommets = ((6, 13.0, 0.7), (8, 15.5, 1.1), (10, 19.0, 1.8))
    sliders = ((3, 1.5), (5, 2.8), (8, 5.0), (10, 7.0))
    return (
        *(
            Material(
                f"grommet-{hole}",
                "grommet",
                "each",
                f"grommet with washer, hole {hole} mm",
                mass=mass,
                measures=(("hole", float(hole)), ("flange", flange)),
                source=FROM_MEMORY,
            )
            for hole, flange, mass in grommets
        ),
        Material(
            "eyelet-4",
            "grommet",
            "each",
            "eyelet, hole 4 mm",
            mass=0.25,
            measures=(("hole", 4.0), ("flange", 8.0)),
            source=FROM_MEMORY,
        ),
        *(
            Material(
                f"slider-{gauge}",
                "slider",
                "each",
                f"slider with pull for a zipper of gauge {gauge}",
                mass=mass,
                source=FROM_MEMORY,
            )
            for gauge, mass in sliders
        ),
        Material(
            "bolt-m5",
            "bolt",
            "each",
            "button-head bolt M5",
            mass=2.6,
            measures=(("thread", 5.0), ("head", 9.5), ("length", 12.0)),
            source=_ISO_7380,
        ),
        Material(
            "washer-m5",
            "washer",
            "each",
            "plain washer M5",
            mass=0.44,
            thickness=1.0,
            measures=(("hole", 5.3), ("outside", 10.0)),
            source=_ISO_7089,
        ),
    )


@hookimpl
def oaktag_materials() -> tuple[Material, ...]:
    """Describe the materials."""
    return (*_cloths(), *_tapes(), *_zippers(), *_counted())
