"""What a plugin says about itself: hook specifications and the description of a stage."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from importlib import import_module
from typing import TYPE_CHECKING, Literal, get_args

import pluggy

if TYPE_CHECKING:
    from pydantic import BaseModel

    from oaktag.pattern import Draft, Material
    from oaktag.recipe.options import Options

PROJECT = "oaktag"

hookspec = pluggy.HookspecMarker(PROJECT)
hookimpl = pluggy.HookimplMarker(PROJECT)

Part = Literal[
    "readings",
    "survey",
    "opening",
    "outline",
    "materials",
    "panels",
    "gusset",
    "seams",
    "features",
    "stitches",
    "allowances",
    "notches",
    "labels",
    "volume",
    "operations",
    "paperwork",
    "proof",
    "files",
]
"""What a stage may need, add or change. `readings` are there from the start.

`features` are all that is put on panels and gusset once they are there: pieces, holes, fittings, placement
lines, their seams, and the parts that a panel is assembled from.
"""

PARTS: tuple[Part, ...] = get_args(Part)


@dataclass(frozen=True, slots=True)
class StageSpec:
    """One stage, described without importing what it runs.

    Attributes:
        name: as recipes use it, two words with a dot: `corners.round`.
        summary: one line for lists, starting with a verb.
        run: `module:function`, a pure function `(Draft, options) -> Draft`.
        options: `module:Class`, a pydantic model derived from `oaktag.Options`.
        needs: parts that must be there before the stage runs.
        uses: further parts that it reads if they are there; what adds or changes them must stand before it.
        adds: parts that are there after it.
        changes: parts that it replaces; it must stand before every stage that needs or uses them.
        closes: whether it runs at the end of every recipe whose stages add what it needs, without being
            listed there; a recipe lists it only to give it options.
    """

    name: str
    summary: str
    run: str
    options: str
    needs: frozenset[Part] = field(default_factory=frozenset)
    uses: frozenset[Part] = field(default_factory=frozenset)
    adds: frozenset[Part] = field(default_factory=frozenset)
    changes: frozenset[Part] = field(default_factory=frozenset)
    closes: bool = False

    def load_run(self) -> Callable[[Draft, BaseModel], Draft]:
        """Import the stage's function.

        Raises:
            ImportError: the module or the function isn't there.
            TypeError: it is no function.
        """
        run = _load(self.run)
        if not callable(run):
            raise TypeError(f"{self.run} is no function")
        return run

    def load_options(self) -> type[Options]:
        """Import the model of the stage's options.

        Raises:
            ImportError: the module or the class isn't there.
            TypeError: it isn't derived from `oaktag.Options`, so that unknown keys would pass.
        """
        from oaktag.recipe.options import Options

        model = _load(self.options)
        if not isinstance(model, type) or not issubclass(model, Options):
            raise TypeError(f"{self.options} isn't derived from oaktag.Options")
        return model


def _load(reference: str) -> object:
    name, _, attribute = reference.partition(":")
    module = import_module(name)
    try:
        return getattr(module, attribute)
    except AttributeError:
        raise ImportError(f"module {name!r} has no {attribute!r}") from None


class OaktagSpec:
    """Every hook that a plugin may implement."""

    @hookspec
    def oaktag_stages(self) -> Iterable[StageSpec]:
        """Describe the stages that this plugin supplies.

        Called once when a command first needs to know what is installed. It must be quick and must not import
        what the stages run with.
        """
        raise AssertionError("a specification is never called")

    @hookspec
    def oaktag_materials(self) -> Iterable[Material]:
        """Describe materials that every recipe may name.

        Called once when a run begins; a recipe's own table goes before what plugins supply.
        """
        raise AssertionError("a specification is never called")
