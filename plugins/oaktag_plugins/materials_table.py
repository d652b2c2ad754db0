"""`materials.table`: the shop's own materials and prices, and which of them plain names stand for."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import fields, replace
from typing import Annotated

from pydantic import Field, model_validator

from oaktag import Draft, Options, Refusal, StageSpec, hookimpl
from oaktag.pattern import NO_SOURCE, Material, MaterialForm
from oaktag.recipe import (
    DataFile,
    InputError,
    NonNegativeLength,
    Number,
    Problem,
    listed,
    meant,
    refuse_value,
    show,
)
from oaktag.recipe.quantity import LENGTH_UNITS

_NAME = r"^[a-z0-9]+(?:-[a-z0-9]+)*$"
_FORMS = '"cloth", "tape" or "each"'

Amount = Annotated[Number, Field(ge=0)]
Name = Annotated[str, Field(pattern=_NAME, max_length=60)]


class ShopMaterial(Options):
    """One entry of a shop's table; what it leaves out stays as the entry that it changes or is like."""

    like: str | None = None
    """Another entry that this one begins with."""
    kind: Annotated[str, Field(min_length=1, max_length=40)] | None = None
    """A word of the trade, such as shell, liner, foam, board, webbing, zipper, binding, grommet."""
    form: MaterialForm | None = None
    """How it is bought and counted: `cloth` from a roll or sheet, `tape` by length, or `each`."""
    description: Annotated[str, Field(max_length=200)] | None = None
    """In plain words."""
    mass: Amount | None = None
    """Grams for a square metre of cloth, a metre of tape, or one."""
    price: Amount | None = None
    """For a metre of cloth off the roll, a metre of tape, or one."""
    width: NonNegativeLength | None = None
    """Usable width of cloth, width of tape."""
    thickness: NonNegativeLength | None = None
    """Of one layer."""
    grain: bool | None = None
    """Whether pieces have to lie along its grain."""
    longest: NonNegativeLength | None = None
    """Longest piece that can be had; 0 if it comes from a roll."""
    measures: dict[str, NonNegativeLength] = Field(default_factory=dict)
    """Further dimensions, such as a zipper's `chain-width`."""
    source: Annotated[str, Field(max_length=200)] | None = None
    """Where the values come from."""


class ShopTable(Options):
    """A shop's table of materials."""

    format: Annotated[int, Field(ge=1, le=1)] = 1
    """Version of this file's format."""
    name: Annotated[str, Field(max_length=100)] = ""
    """The shop's or the table's name."""
    unit: str = "mm"
    """Unit of lengths that name none: mm, cm or in."""
    materials: dict[Name, ShopMaterial] = Field(default_factory=dict)
    """The entries by name, each a table such as `[materials.canvas-500d]`."""

    @model_validator(mode="after")
    def _known_unit(self) -> ShopTable:
        if self.unit not in LENGTH_UNITS:
            raise refuse_value(
                f"unit {show(self.unit)} is unknown", listed(LENGTH_UNITS), "write one of these"
            )
        return self


class TableOptions(Options):
    """Options of `materials.table`."""

    table: DataFile | None = None
    """The shop's own table: entries change those that are there by name, or are added to them."""
    assign: dict[Annotated[str, Field(min_length=1, max_length=60)], str] = Field(default_factory=dict)
    """What plain names stand for in this recipe, such as `shell = "canvas-500d"`."""

    @model_validator(mode="after")
    def _readable(self) -> TableOptions:
        # So that a mistake in the table is found before any stage runs.
        if self.table is not None:
            self.table.read(ShopTable)
        return self


def run(draft: Draft, options: TableOptions) -> Draft:
    """Lay the shop's table over the materials that are there, and give plain names their materials.

    Raises:
        InputError: an entry of the table is like none that is known, or a new one says too little.
        Refusal: a plain name stands for an unknown material.
    """
    table = {material.name: material for material in draft.materials}
    if options.table is not None:
        table.update(shop_entries(table.values(), options.table))
    known = dict(table)
    for plain, name in options.assign.items():
        if name not in known:
            raise Refusal(
                "there is no material of this name",
                key=f"assign.{plain}",
                source="recipe",
                found=show(name),
                valid=listed(known),
                todo=meant(name, known, "name a material of the table, or add it to the shop's own"),
            )
        table[plain] = replace(known[name], name=plain, description=_described(plain, known[name]))
    return draft.evolve(materials=tuple(table.values()))


def _described(plain: str, material: Material) -> str:
    if plain == material.name:
        return material.description
    return f"{material.name}: {material.description}" if material.description else material.name


def shop_entries(stock: Iterable[Material], file: DataFile) -> dict[str, Material]:
    """The entries of a shop's table, complete.

    Args:
        stock: what its entries may change or be like.
        file: the shop's.

    Raises:
        InputError: an entry is like none that is known, goes in a circle, or says too little; one problem for
            each.
    """
    shop = file.read(ShopTable).materials
    on_stock = {material.name: material for material in stock}
    done: dict[str, Material | None] = {}  # None once something is wrong with it
    problems: list[Problem] = []

    def complain(key: str, reason: str, found: str, valid: str, todo: str) -> None:
        problems.append(Problem(file.name, f"materials.{key}", reason, found, valid, todo))

    def begun_with(name: str, like: str, waiting: tuple[str, ...]) -> Material | None:
        if like in shop and like != name:
            if like not in waiting:
                return complete(like, (*waiting, like))
        elif like in on_stock:
            return on_stock[like]
        key = f"{name}.like"
        if like in waiting:
            circle = " is like ".join((*waiting[waiting.index(like) :], like))
            valid, todo = "an entry that leads back to none of these", "write one of them out in full"
            complain(key, "goes in a circle", circle, valid, todo)
            return None
        known = [other for other in dict.fromkeys((*shop, *on_stock)) if other != name]
        todo = meant(like, known, "name an entry, or write out this one in full")
        complain(key, "there is no material of this name", show(like), listed(known), todo)
        return None

    def complete(name: str, waiting: tuple[str, ...]) -> Material | None:
        if name in done:
            return done[name]
        entry = shop[name]
        first = on_stock.get(name)
        done[name] = None
        if entry.like is not None:
            first = begun_with(name, entry.like, waiting)
            if first is None:
                return None
        if first is None and (entry.kind is None or entry.form is None):
            missing, valid = ("form", _FORMS) if entry.form is None else ("kind", "a word of the trade")
            todo = f"add {missing}, or `like` with an entry that it begins with"
            complain(f"{name}.{missing}", "is missing, and no other entry says it", "nothing", valid, todo)
            return None
        done[name] = _laid_over(first, name, entry)
        return done[name]

    for name in shop:
        complete(name, (name,))
    if problems:
        raise InputError(problems)
    return {name: entry for name, entry in done.items() if entry is not None}


def _laid_over(first: Material | None, name: str, entry: ShopMaterial) -> Material:
    base = first or Material(name, entry.kind or "", entry.form or "cloth", source=NO_SOURCE)
    own = {field.name for field in fields(Material)} - {"name", "measures"}
    given = {key: value for key in own if (value := getattr(entry, key)) is not None}
    return replace(
        base, name=name, measures=tuple({**dict(base.measures), **entry.measures}.items()), **given
    )


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="materials.table",
            summary="Take up the shop's own materials and prices",
            run=f"{__name__}:run",
            options=f"{__name__}:TableOptions",
            adds=frozenset({"materials"}),
        ),
    )
