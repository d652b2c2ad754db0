"""The files that people write, as pydantic models: frame sheet and recipe, quantities, messages."""

from __future__ import annotations

from oaktag.recipe.data_file import DataFile
from oaktag.recipe.frame_reader import frame_of, load_frame
from oaktag.recipe.frame_sheet import FrameSheet
from oaktag.recipe.inheritance import Origin
from oaktag.recipe.options import (
    Angle,
    Fraction,
    Length,
    NonNegativeLength,
    Number,
    Options,
    PerName,
    PositiveLength,
    TubePlace,
    refuse_value,
)
from oaktag.recipe.problem import InputError, Problem, listed, meant, nearest, problems_of, show
from oaktag.recipe.quantity import QuantityError, angle_in_degrees, length_in_mm
from oaktag.recipe.recipe_file import Recipe, Step, load_recipe, parse_setting, recipe_of
from oaktag.recipe.recipe_sheet import RecipeSheet
from oaktag.recipe.toml_file import TomlFile, read_toml

__all__ = [
    "Angle",
    "DataFile",
    "Fraction",
    "FrameSheet",
    "InputError",
    "Length",
    "NonNegativeLength",
    "Number",
    "Options",
    "Origin",
    "PerName",
    "PositiveLength",
    "Problem",
    "QuantityError",
    "Recipe",
    "RecipeSheet",
    "Step",
    "TomlFile",
    "TubePlace",
    "angle_in_degrees",
    "frame_of",
    "length_in_mm",
    "listed",
    "load_frame",
    "load_recipe",
    "meant",
    "nearest",
    "parse_setting",
    "problems_of",
    "read_toml",
    "recipe_of",
    "refuse_value",
    "show",
]
