"""What a maker and a rider have to look out for, as far as it applies to a draft."""

from __future__ import annotations

from dataclasses import dataclass

from oaktag.pattern.draft import Draft
from oaktag.pattern.piece import Piece


@dataclass(frozen=True, slots=True)
class Caution:
    """One thing to look out for.

    Attributes:
        topic: a word or two, unique among cautions.
        text: all of it, a few sentences.
        short: the same in one line.
    """

    topic: str
    text: str
    short: str


# 16 CFR 1512.17 tilts a bicycle by 25° without contact, and keeps 89 mm between pedal and wheel or mudguard
# however it is steered; what else must be clear is common practice, no source. Electric ones: EN 15194, from
# memory.
CLEARANCE = Caution(
    "clearance",
    "Turn the handlebar from lock to lock, spin the cranks backward, and move the suspension through "
    "its whole travel: bag, straps and strap ends must touch no leg, heel, crank, chain, wheel, brake, "
    "cable or hose. A full bag bulges, so look again when it is packed. On a bicycle with a motor keep "
    "battery, charging port, vents, sensor and wiring clear.",
    "Turn the bar lock to lock, spin cranks, press suspension: nothing may touch wheel, leg, heel, cable.",
)
FIRST_RIDE = Caution(
    "first ride",
    "Make the first ride slow and short, away from traffic, with the bag packed as it will be. Then "
    "look at everything again: what has moved, rubbed or come loose.",
    "Ride slowly and not far at first, away from traffic; then look at everything again.",
)
LOOSE_ENDS = Caution(
    "straps",
    "Close straps and buckles, tie cords off, and tuck every loose end away from wheels, chain and "
    "cranks. Look at straps and stitching before every ride.",
    "Close straps and buckles, tuck loose ends away from wheels and chain; look before every ride.",
)
# Tubes of carbon aren't made for high clamping loads: a frame builder's published notes; the rest is common
# practice, no source.
CLAMPING = Caution(
    "frame",
    "Straps and lacing press on tubes. The limits that the frame's maker sets for load and clamping "
    "come first; on carbon, pull no tighter than the bag needs, pad what presses, and ask the maker if "
    "nothing is stated.",
    "Keep to the limits of the frame's maker; on carbon tubes pad, and pull straps no tighter than needed.",
)
BOLTS = Caution(
    "bolts",
    "Bolts in bosses: no longer than the thread takes, with at least as much thread in as they had, and "
    "no tighter than the frame's maker says. Check them before every ride.",
    "No bolt longer than the boss takes, none tighter than the frame's maker says; check before every ride.",
)
# Dirt between bag and frame wears paint, clear coat and anodising: published by a maker of protective films.
RUBBING = Caution(
    "rubbing",
    "Dirt between bag and tubes wears paint, clear coat and bare surfaces. Clean both, put protective "
    "film where the bag touches, and look below it now and then.",
    "Tubes that a bag touches wear: clean them, put protective film on, look below the bag now and then.",
)
# Polyamide melts, burns in hot drops and gives off carbon monoxide and nitrogen compounds: safety notes of a
# maker of cord. PVC under a hot knife gives off hydrogen chloride, from memory. The rest is common practice,
# no source.
TOOLS = Caution(
    "cutting and sewing",
    "Cut away from your hands, cover blades when you put them down, and keep fingers clear of the "
    "needle; switch the machine off to thread it or to change the needle. Hot knives and flames set "
    "cloth, webbing and coatings free as fumes, and melted drops burn: draw the fumes off, and keep "
    "what burns away. No PVC or vinyl under heat.",
    "Cut away from your hands, cover blades, mind needles; hot cutters: draw the fumes off, no PVC or vinyl.",
)
# PVC, vinyl and imitation leather give off hydrogen chloride and chlorine: the rules of public and
# university workshops agree. The University of Texas at Austin's list of prohibited laser cutter materials
# also has nylon and polyurethane (hydrogen cyanide), polyester and polyethylene (formaldehyde, fire), self-
# adhesives, coated carbon.
LASER = Caution(
    "lasers",
    "Never laser-cut PVC, vinyl or imitation leather, nor a coated cloth that you don't know: PVC gives "
    "off hydrogen chloride and chlorine. Some workshops also forbid nylon and polyurethane (hydrogen "
    "cyanide), polyester and polyethylene (formaldehyde, fire), self-adhesive sheet and coated carbon "
    "fibre. Read the safety data sheet of the cloth first, follow the machine's maker, and never leave "
    "a running laser alone.",
    "Never laser-cut PVC, vinyl or an unknown coated cloth; read its safety data sheet first.",
)
# ISO 11243:2023 excludes luggage that is taken off; ISO 4210-2:2023 covers bicycles.
RULES = Caution(
    "rules",
    "Local rules, and what the makers of frame, parts and machines say, go before what is said here. "
    "Have a qualified mechanic check whatever affects braking or steering. No standard for luggage "
    "carriers or bicycles covers a bag that is strapped into a frame; none is claimed.",
    "Local rules and makers' words come first; a mechanic checks brakes and steering. No standard claimed.",
)

CAUTIONS = (
    CLEARANCE, FIRST_RIDE, LOOSE_ENDS, CLAMPING, BOLTS, RUBBING, TOOLS, LASER, RULES
)  # fmt: skip
"""All of them, in the order in which they are said."""

_HOLDING_ROLES = frozenset({"strap", "loop", "cord"})
_HOLDING_KINDS = frozenset({"webbing", "hook-and-loop", "cord"})


def cautions_for(draft: Draft) -> tuple[Caution, ...]:
    """The cautions that apply to a bag, in the order of `CAUTIONS`.

    What is said of the ride, of makers and of rules always applies. The rest depends on what there is:
    pieces to cut, straps, webbing or cord that hold the bag, bolts.
    """
    applying = {CLEARANCE, FIRST_RIDE, RULES}
    if draft.pieces:
        applying |= {RUBBING, TOOLS, LASER}
    if any(_holds(draft, piece) for piece in draft.pieces):
        applying |= {LOOSE_ENDS, CLAMPING}
    if any(_is_bolt(draft, fitting.what, fitting.material) for p in draft.pieces for fitting in p.fittings):
        applying.add(BOLTS)
    return tuple(caution for caution in CAUTIONS if caution in applying)


def _holds(draft: Draft, piece: Piece) -> bool:
    """Whether a piece goes around a tube or pulls on one; by its material where no stage gave it a role."""
    if piece.role:
        return piece.role in _HOLDING_ROLES
    material = draft.material(piece.material)
    return material is not None and material.kind in _HOLDING_KINDS


def _is_bolt(draft: Draft, what: str, material: str) -> bool:
    entry = draft.material(material)
    return what == "bolt" or (entry is not None and entry.kind == "bolt")
