"""Recipes that are built on another: what they inherit, change, replace, drop, insert; what is refused."""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from oaktag.recipe import InputError, Origin, Problem, Recipe, TomlFile, load_recipe

Problems = Callable[[Callable[[], object]], tuple[Problem, ...]]

BASE = """\
name = "base"
version = "3.1"
description = "A bag"

[parameters]
radius = 25
gap = { default = 5, head = 7 }

[[stage]]
use = "outline.clear"
gap = "{gap}"

[[stage]]
use = "corners.round"
radius = "{radius}"
least = 4

[[stage]]
id = "panels"
use = "panel.pair"
material = "shell"

[[stage]]
use = "export.svg"
"""
CHILD = 'name = "child"\nversion = "1.0"\nbase = "base.recipe.toml"\n'
IDS = ["outline.clear", "corners.round", "panels", "export.svg"]


@pytest.fixture
def child(tmp_path: Path) -> Callable[..., Path]:
    """Write a base and a recipe that is built on it; gives the recipe's path."""

    def written(text: str, base: str = BASE) -> Path:
        (tmp_path / "base.recipe.toml").write_text(base, encoding="utf-8")
        path = tmp_path / "child.recipe.toml"
        path.write_text(CHILD + text, encoding="utf-8")
        return path

    return written


Child = Callable[..., Path]


def ids(recipe: Recipe) -> list[str]:
    return [step.id for step in recipe.steps]


def test_a_child_that_changes_nothing_has_the_stages_of_its_base(child: Child) -> None:
    path = child("")
    recipe, base = load_recipe(path), load_recipe(path.with_name("base.recipe.toml"))
    assert recipe.steps == base.steps
    assert (recipe.name, recipe.version, recipe.description) == ("child", "1.0", "A bag")
    assert recipe.bases == (base.file,)
    assert base.bases == ()


def test_a_description_of_its_own_stays(child: Child) -> None:
    assert load_recipe(child('description = "Mine"\n')).description == "Mine"


def test_parameters_are_overridden_whole_and_added(child: Child) -> None:
    text = '[parameters]\ngap = { default = 6 }\nseam = 9\n[[stage]]\nid = "panels"\nwidth = "{seam}"\n'
    path = child(text)
    clear, corners, panels, _ = load_recipe(path).steps
    assert clear.options == {"gap": {"default": 6}}
    assert corners.options == {"radius": 25, "least": 4}
    assert panels.options == {"material": "shell", "width": 9}
    assert load_recipe(path, {"radius": 30, "gap": 1}).steps[1].options["radius"] == 30


def test_keys_are_laid_over_inherited_options(child: Child) -> None:
    path = child('[[stage]]\nid = "corners.round"\nradius = 9\nmost = "{gap}"\n')
    base = str(path.with_name("base.recipe.toml"))
    recipe = load_recipe(path)
    assert ids(recipe) == IDS
    step = recipe.steps[1]
    assert step.options == {"radius": 9, "least": 4, "most": {"default": 5, "head": 7}}
    assert (step.use, step.file, step.key) == ("corners.round", base, "stage[1] corners.round")
    laid = Origin(str(path), "stage[0] corners.round")
    assert step.laid == {"radius": laid, "most": laid}
    assert step.origin("radius") == step.origin("most.head") == step.origin("most[0]") == laid
    assert step.origin() == laid
    assert step.origin("least") == step.origin("radiuses") == Origin(base, "stage[1] corners.round")


def test_a_table_is_laid_over_as_a_whole(child: Child) -> None:
    recipe = load_recipe(child('[[stage]]\nid = "outline.clear"\ngap = { seat = 1 }\n'))
    assert recipe.steps[0].options == {"gap": {"seat": 1}}


@pytest.mark.parametrize("name", ['id = "corners.round"\nuse = "corners.chamfer"', 'use = "corners.round"'])
def test_a_stage_with_use_replaces_the_whole_stage(child: Child, name: str) -> None:
    path = child(f"[[stage]]\n{name}\nleg = 3\n")
    recipe = load_recipe(path)
    assert ids(recipe) == IDS
    step = recipe.steps[1]
    assert step.options == {"leg": 3}
    assert step.file == str(path)
    assert step.key == f"stage[0] {step.use}"
    assert step.origin() == step.origin("leg") == Origin(str(path), step.key)


@pytest.mark.parametrize("dropped", IDS)
def test_a_dropped_stage_is_gone(child: Child, dropped: str) -> None:
    recipe = load_recipe(child(f'[[stage]]\nid = "{dropped}"\ndrop = true\n'))
    assert ids(recipe) == [name for name in IDS if name != dropped]


def insert(name: str, where: str) -> str:
    return f'[[stage]]\nid = "{name}"\nuse = "x.y"\n{where}\n'


def drop(name: str) -> str:
    return f'[[stage]]\nid = "{name}"\ndrop = true\n'


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (insert("a", 'after = "panels"'), "outline.clear corners.round panels a export.svg"),
        (insert("a", 'before = "outline.clear"'), "a outline.clear corners.round panels export.svg"),
        (insert("a", 'after = "export.svg"'), "outline.clear corners.round panels export.svg a"),
        # In the order in which they are written.
        (
            insert("a", 'after = "panels"')
            + insert("b", 'after = "panels"')
            + insert("c", 'after = "panels"'),
            "outline.clear corners.round panels a b c export.svg",
        ),
        (
            insert("a", 'before = "panels"') + insert("b", 'before = "panels"'),
            "outline.clear corners.round a b panels export.svg",
        ),
        # What is inserted next to an inserted stage stays with that one.
        (
            insert("a", 'after = "panels"') + insert("b", 'after = "a"') + insert("c", 'after = "panels"'),
            "outline.clear corners.round panels a b c export.svg",
        ),
        (
            insert("a", 'after = "panels"') + insert("b", 'before = "a"') + insert("c", 'after = "panels"'),
            "outline.clear corners.round panels b a c export.svg",
        ),
        (
            insert("a", 'after = "panels"') + insert("b", 'before = "export.svg"'),
            "outline.clear corners.round panels a b export.svg",
        ),
        # A stage may be dropped once others have taken their places by it.
        (insert("a", 'after = "panels"') + drop("panels"), "outline.clear corners.round a export.svg"),
        # Dropped and inserted elsewhere, which moves it.
        (
            drop("panels") + insert("panels", 'after = "export.svg"'),
            "outline.clear corners.round export.svg panels",
        ),
        (
            drop("panels") + insert("panels", 'before = "outline.clear"') + insert("a", 'after = "panels"'),
            "panels a outline.clear corners.round export.svg",
        ),
    ],
)
def test_inserted_stages_have_their_places(child: Child, text: str, expected: str) -> None:
    recipe = load_recipe(child(text))
    assert " ".join(ids(recipe)) == expected


def test_an_inserted_stage_is_the_childs(child: Child) -> None:
    path = child('[[stage]]\nuse = "notch.match"\nafter = "panels"\ncount = "{radius}"\n')
    step = load_recipe(path).steps[3]
    assert (step.id, step.use, step.options) == ("notch.match", "notch.match", {"count": 25})
    assert (step.file, step.key) == (str(path), "stage[0] notch.match")


def test_many_stages_inserted_one_after_the_other(child: Child) -> None:
    count = 3000
    text = insert("a0", 'after = "panels"')
    text += "".join(insert(f"a{i}", f'after = "a{i - 1}"') for i in range(1, count))
    assert ids(load_recipe(child(text))) == [*IDS[:3], *(f"a{i}" for i in range(count)), IDS[3]]


def test_a_base_may_have_a_base(tmp_path: Path) -> None:
    (tmp_path / "deep").mkdir()
    (tmp_path / "deep" / "base.recipe.toml").write_text(BASE)
    (tmp_path / "middle.recipe.toml").write_text(
        'name = "middle"\nversion = "2"\nbase = "deep/base.recipe.toml"\n[parameters]\nradius = 1\n'
        '[[stage]]\nid = "corners.round"\nleast = 2\nmost = 3\n'
        + insert("a", 'after = "panels"')
        + drop("export.svg")
    )
    top = tmp_path / "sub" / "top.recipe.toml"
    top.parent.mkdir()
    top.write_text(
        'name = "top"\nversion = "1"\nbase = "../middle.recipe.toml"\n'
        '[[stage]]\nid = "corners.round"\nmost = 4\n' + insert("b", 'before = "a"')
    )
    recipe = load_recipe(top)
    assert ids(recipe) == ["outline.clear", "corners.round", "panels", "b", "a"]
    corners = recipe.steps[1]
    assert corners.options == {"radius": 1, "least": 2, "most": 4}
    middle = str(tmp_path / "sub" / "../middle.recipe.toml")
    base = str(tmp_path / "sub" / "../deep/base.recipe.toml")
    assert [file.path for file in recipe.bases] == [middle, base]
    assert [corners.origin(key).file for key in ("radius", "least", "most", "")] == [
        base,
        middle,
        str(top),
        str(top),
    ]


def test_the_nearest_recipe_is_at_fault_for_what_does_not_work_together(tmp_path: Path) -> None:
    (tmp_path / "base.recipe.toml").write_text(BASE)
    for name, base, key in (("b", "base", "radius"), ("c", "b", "least"), ("d", "c", "radius")):
        (tmp_path / f"{name}.recipe.toml").write_text(
            f'name = "{name}"\nversion = "2"\nbase = "{base}.recipe.toml"\n'
            f'[[stage]]\nid = "corners.round"\n{key} = 8\n'
        )
    step = load_recipe(tmp_path / "d.recipe.toml").steps[1]
    assert [Path(step.origin(key).file).name[0] for key in ("radius", "least", "")] == ["d", "c", "d"]


def test_the_digest_is_the_files_own_without_a_base_and_of_all_files_with_one(child: Child) -> None:
    path = child("")
    base = path.with_name("base.recipe.toml")
    digests = [hashlib.sha256(p.read_bytes()).hexdigest() for p in (path, base)]
    assert load_recipe(base).sha256 == digests[1]
    before = load_recipe(path).sha256
    assert before == hashlib.sha256("\n".join(digests).encode()).hexdigest()
    base.write_text(BASE + "# sewn once\n")
    assert load_recipe(path).sha256 != before
    assert Recipe("a", "1", "", (), TomlFile("a", {}, "00")).sha256 == "00"


# Parameters that nothing uses


def test_a_parameter_goes_with_the_stages_that_used_it(child: Child) -> None:
    assert ids(load_recipe(child(drop("corners.round")))) == [IDS[0], *IDS[2:]]
    assert load_recipe(child('[[stage]]\nid = "corners.round"\nradius = 3\n')).steps[1].options["radius"] == 3
    assert load_recipe(child('[[stage]]\nuse = "corners.round"\n')).steps[1].options == {}


def test_a_parameter_that_went_cannot_be_set(child: Child, problems_in: Problems) -> None:
    path = child(drop("corners.round"))
    [problem] = problems_in(lambda: load_recipe(path, {"radius": 3}))
    assert (problem.file, problem.key) == (str(path), "parameters.radius")
    assert problem.reason == "no stage that is left uses this parameter"
    assert (problem.found, problem.todo) == ("--set radius=3", "leave it out")


def test_a_parameter_that_the_child_itself_declares_has_to_be_used(
    child: Child, problems_in: Problems
) -> None:
    path = child("[parameters]\nradius = 3\n" + drop("corners.round"))
    [problem] = problems_in(lambda: load_recipe(path))
    assert (problem.file, problem.key) == (str(path), "parameters.radius")
    assert problem.reason == "no stage uses this parameter"
    assert problem.found == "3"


def test_a_parameter_that_the_base_never_used_is_the_bases_mistake(
    child: Child, problems_in: Problems
) -> None:
    base = BASE.replace("radius = 25\n", "radius = 25\nspare = 1\n")
    path = child("", base)
    [problem] = problems_in(lambda: load_recipe(path))
    assert (problem.file, problem.key) == (str(path.with_name("base.recipe.toml")), "parameters.spare")
    used = child('[[stage]]\nid = "panels"\nwidth = "{spare}"\n', base)
    assert load_recipe(used).steps[2].options["width"] == 1


def test_an_unknown_setting_is_told_the_parameters_of_all(child: Child, problems_in: Problems) -> None:
    path = child("[parameters]\nseam = 1\n" + insert("a", 'after = "panels"\nwidth = "{seam}"'))
    [problem] = problems_in(lambda: load_recipe(path, {"raduis": 1}))
    assert problem.valid == "radius, gap, seam"
    assert problem.todo == "did you mean 'radius'?"


# Mistakes

HERE, BASE_FILE = "child.recipe.toml", "base.recipe.toml"
TWO = "two stages have one id"
MISTAKES = {
    "drop an unknown stage": (
        drop("panel"),
        "stage[0] panel.id",
        "there is no stage with this id",
        '"panel"',
        "outline.clear, corners.round, panels, export.svg",
        "did you mean 'panels'?",
    ),
    "change an unknown stage": (
        '[[stage]]\nid = "zzz"\nradius = 1\n',
        "stage[0] zzz.id",
        "there is no stage with this id",
        '"zzz"',
        "panels",
        "name a stage of the base",
    ),
    "insert by an unknown stage": (
        insert("a", 'after = "corner.round"'),
        "stage[0] x.y.after",
        "there is no stage with this id",
        '"corner.round"',
        "corners.round",
        "did you mean 'corners.round'?",
    ),
    "insert by itself": (
        insert("a", 'before = "a"'),
        "stage[0] x.y.before",
        "there is no stage with this id",
        '"a"',
        "panels",
        "name a stage that is there",
    ),
    "insert by a dropped stage": (
        drop("panels") + insert("a", 'after = "panels"'),
        "stage[1] x.y.after",
        "this recipe drops that stage",
        '"panels"',
        "outline.clear, corners.round, export.svg",
        "name a stage that stays",
    ),
    "a new stage without a place": (
        '[[stage]]\nuse = "notch.match"\n',
        "stage[0] notch.match",
        "the base has no such stage, and a new one has no place",
        '"notch.match"',
        "outline.clear, corners.round, panels, export.svg",
        "add before = ",
    ),
    "a misspelt stage without a place": (
        '[[stage]]\nuse = "corners.rounds"\n',
        "stage[0] corners.rounds",
        "the base has no such stage, and a new one has no place",
        '"corners.rounds"',
        "corners.round",
        "did you mean 'corners.round'? If not, add before = ",
    ),
    "insert an id that is there": (
        '[[stage]]\nuse = "corners.round"\nafter = "panels"\n',
        "stage[0] corners.round.id",
        TWO,
        '"corners.round"',
        "an id that no other stage has",
        'give this one an id of its own: id = "corners.round-2"; or remove `after` to change',
    ),
    "insert one id twice": (
        insert("a", 'after = "panels"') + insert("a", 'after = "panels"'),
        "stage[1] x.y.id",
        TWO,
        '"a" in stage[0] x.y too',
        "one [[stage]] for each id",
        "join the two",
    ),
    "change a stage twice": (
        '[[stage]]\nid = "panels"\nwidth = 1\n[[stage]]\nid = "panels"\nwidth = 2\n',
        "stage[1] panels.id",
        TWO,
        '"panels" in stage[0] panels too',
        "one [[stage]] for each id",
        "join the two",
    ),
    "change what is dropped": (
        drop("panels") + '[[stage]]\nid = "panels"\nwidth = 2\n',
        "stage[1] panels.id",
        TWO,
        '"panels" in stage[0] panels too',
        "one [[stage]] for each id",
        "join the two",
    ),
    "insert without use": (
        '[[stage]]\nid = "a"\nafter = "panels"\n',
        "stage[0] a.use",
        "is missing",
        "nothing",
        "Name of the stage.",
        "add use",
    ),
    "before and after": (
        insert("a", 'before = "panels"\nafter = "panels"'),
        "stage[0] x.y.after",
        "goes with no `before`",
        'before "panels", after "panels"',
        "before or after",
        "remove one of the two",
    ),
    "drop with other keys": (
        '[[stage]]\nid = "panels"\ndrop = true\nwidth = 2\n',
        "stage[0] panels.drop",
        "goes with no other keys than `id`",
        "id, drop, width",
        "id and drop",
        "remove width, or remove drop",
    ),
    "drop with use": (
        '[[stage]]\nid = "panels"\nuse = "panel.pair"\ndrop = true\n',
        "stage[0] panel.pair.drop",
        "goes with no other keys than `id`",
        "use, id, drop",
        "id and drop",
        "remove use, or remove drop",
    ),
    "drop without id": (
        '[[stage]]\nuse = "corners.round"\ndrop = true\n',
        "stage[0] corners.round.id",
        "is missing",
        "nothing",
        "the id of the stage to drop",
        'write id = "corners.round"',
    ),
    "drop that isn't true": (
        '[[stage]]\nid = "panels"\ndrop = false\n',
        "stage[0].drop",
        "can only be true",
        "false",
        "true",
        "write drop = true, or remove the line",
    ),
    "drop that is text": (
        '[[stage]]\nid = "panels"\ndrop = "true"\n',
        "stage[0].drop",
        "can only be true",
        '"true"',
        "true",
        "write drop = true, or remove the line",
    ),
    "an empty place": (
        insert("a", 'after = ""'),
        "stage[0].after",
        "is empty",
        '""',
        "some text",
        "correct the value",
    ),
    "a stage without a name": (
        "[[stage]]\nwidth = 2\n",
        "stage[0]",
        "doesn't say which stage",
        "width",
        "the `id` of a stage of the base, or `use`",
        "add id",
    ),
    "a change of nothing": (
        '[[stage]]\nid = "panels"\n',
        "stage[0] panels",
        "changes nothing",
        "id",
        "options to change",
        "add what is different",
    ),
    "everything dropped": (
        "".join(map(drop, IDS)),
        "stage",
        "no stage is left of the base",
        "every stage is dropped",
        "one stage or more",
        "keep one",
    ),
    "an unknown parameter in the child": (
        '[[stage]]\nid = "panels"\nwidth = "{raduis}"\n',
        "stage[0] panels.width",
        "there is no parameter 'raduis'",
        '"{raduis}"',
        "radius, gap",
        "did you mean 'radius'?",
    ),
    "a base that isn't text": ("", "base", "is not text", "5", "text in quotes", "correct the value"),
    "a base without a name": ("", "base", "is empty", '""', "some text", "correct the value"),
    "no stages but an empty list": ("stage = []\n", "stage", "has too few", "[]", "1 or more", "correct"),
}


@pytest.mark.parametrize(("text", "key", "reason", "found", "valid", "todo"), MISTAKES.values(), ids=MISTAKES)
def test_every_kind_of_mistake_is_one_problem(
    child: Child,
    problems_in: Problems,
    text: str,
    key: str,
    reason: str,
    found: str,
    valid: str,
    todo: str,
) -> None:
    path = child(text)
    if key == "base":
        path.write_text(path.read_text().replace('"base.recipe.toml"', found))
    [problem] = problems_in(lambda: load_recipe(path))
    assert (problem.file, problem.key) == (str(path), key)
    assert problem.reason.startswith(reason)
    assert problem.found == found
    assert valid in problem.valid
    assert problem.todo.startswith(todo)


def test_several_mistakes_are_all_reported_at_once(child: Child, problems_in: Problems) -> None:
    path = child(
        "[parameters]\nspare = 1\nseam = 2\n"
        + drop("zzz")
        + insert("a", 'after = "yyy"\nwidth = "{seam}"')
        + '[[stage]]\nid = "panels"\nwidth = "{who}"\n'
    )
    assert [p.key for p in problems_in(lambda: load_recipe(path, {"wrong": 1}))] == [
        "parameters.wrong",
        "stage[2] panels.width",
        "stage[0] zzz.id",
        "stage[1] x.y.after",
        "parameters.spare",
    ]


@pytest.mark.parametrize(
    ("line", "key", "found"),
    [
        ("drop = true", "drop", "true"),
        ('before = "export.svg"', "before", '"export.svg"'),
        ('after = "panels"', "after", '"panels"'),
    ],
)
def test_without_a_base_there_is_nothing_to_change(
    tmp_path: Path, problems_in: Problems, line: str, key: str, found: str
) -> None:
    path = tmp_path / "a.recipe.toml"
    path.write_text(BASE.replace('use = "corners.round"', f'use = "corners.round"\n{line}'))
    [problem] = problems_in(lambda: load_recipe(path))
    assert (problem.file, problem.key) == (str(path), f"stage[1] corners.round.{key}")
    assert (problem.reason, problem.found) == ("goes only with a `base`", found)
    assert problem.valid == "stages in the order in which they run"
    assert problem.todo == f"remove `{key}`, or name the `base` that this recipe is built on"


# Bases that are none


@pytest.mark.parametrize(
    ("base", "reason"),
    [
        ("gone.recipe.toml", "there is no such recipe"),
        ("gone/base.recipe.toml", "there is no such recipe"),
        (".", "names no file"),
        ("folder", "is no file"),
        ("base.recipe.toml/more", f"can't be read: {os.strerror(20)}"),
        ("/base.recipe.toml", "is no path from the folder of this file"),
        ("C:/base.recipe.toml", "is no path from the folder of this file"),
        ("folder\\\\base.recipe.toml", "is no path from the folder of this file"),
        ("base\\u0000.recipe.toml", "is no path from the folder of this file"),
        ("x" * 300, f"can't be read: {os.strerror(36)}"),
    ],
)
def test_a_base_that_cannot_be_had_is_a_mistake_of_the_recipe_that_names_it(
    child: Child, problems_in: Problems, base: str, reason: str
) -> None:
    path = child("")
    (path.parent / "folder").mkdir()
    path.write_text(path.read_text().replace("base.recipe.toml", base))
    [problem] = problems_in(lambda: load_recipe(path))
    assert (problem.file, problem.key, problem.reason) == (str(path), "base", reason)
    assert problem.found.startswith(f'"{base[:40]}')
    assert problem.valid == "the path of a recipe from the folder of this file, with /"
    assert problem.todo


@pytest.mark.parametrize(
    ("base", "key", "reason"),
    [
        (BASE.encode().replace(b"shell", b"sh\xffell"), "", "isn't UTF-8 text"),
        (b"name = ", "", "isn't valid TOML"),
        (b"format = 99\n", "format", "was written for a newer version"),
        (BASE.replace('"3.1"', "3.1").encode(), "version", "is not text"),
        (BASE.replace("[parameters]", "[parameter]").encode(), "parameter", "unknown key"),
        (b'name = "a"\nversion = "1"\n', "stage", "is missing"),
        (BASE.replace('"export.svg"', '"panel.pair"\nid = "panels"').encode(), "stage[3] panel.pair.id", TWO),
        (BASE.replace('use = "export.svg"', 'id = "a"').encode(), "stage[3].use", "is missing"),
        (
            BASE.replace('"shell"', '"{who}"').encode(),
            "stage[2] panel.pair.material",
            "there is no parameter 'who'",
        ),
        (
            BASE.replace('"shell"', '"a {gap}"').encode(),
            "stage[2] panel.pair.material",
            "the parameter 'gap' is a table",
        ),
        (BASE.replace('use = "export.svg"', "uses = 1").encode(), "stage[3].use", "is missing"),
    ],
)
def test_a_mistake_in_a_base_is_the_bases(
    child: Child, problems_in: Problems, base: bytes, key: str, reason: str
) -> None:
    path = child("")
    base_path = path.with_name("base.recipe.toml")
    base_path.write_bytes(base)
    [problem] = problems_in(lambda: load_recipe(path))
    assert (problem.file, problem.key) == (str(base_path), key)
    assert problem.reason.startswith(reason)
    assert problem.found
    assert problem.valid
    assert problem.todo


def test_a_mistake_in_a_stage_that_is_not_inherited_does_no_harm(child: Child) -> None:
    base = BASE.replace('"shell"', '"{who}"')
    assert ids(load_recipe(child(drop("panels"), base))) == ["outline.clear", "corners.round", "export.svg"]


@pytest.mark.parametrize("length", [1, 2, 3])
@pytest.mark.parametrize("tail", [0, 1])
def test_a_circle_is_named_by_the_recipe_that_closes_it(
    tmp_path: Path, problems_in: Problems, length: int, tail: int
) -> None:
    names = [f"{letter}.recipe.toml" for letter in "abcd"[: length + tail]]
    for name, base in zip(names, [*names[1:], names[tail]], strict=True):
        (tmp_path / name).write_text(f'name = "a"\nversion = "1"\nbase = "./{base}"\n')
    [problem] = problems_in(lambda: load_recipe(tmp_path / names[0]))
    assert (Path(problem.file).name, problem.key) == (names[-1], "base")
    circle = " → ".join([*names[tail:], names[tail]])
    assert problem.reason == f"goes round in a circle: {circle}"
    assert problem.found == f'"./{names[tail]}"'
    assert problem.valid
    assert problem.todo


def test_a_circle_through_a_link_is_one_too(tmp_path: Path, problems_in: Problems) -> None:
    path = tmp_path / "a.recipe.toml"
    path.write_text('name = "a"\nversion = "1"\nbase = "b.recipe.toml"\n')
    (tmp_path / "b.recipe.toml").symlink_to(path)
    [problem] = problems_in(lambda: load_recipe(path))
    assert problem.reason.startswith("goes round in a circle")


def test_a_link_to_itself_is_no_recipe(child: Child, problems_in: Problems) -> None:
    path = child("")
    base = path.with_name("base.recipe.toml")
    base.unlink()
    base.symlink_to(base)
    [problem] = problems_in(lambda: load_recipe(path))
    assert (problem.file, problem.key) == (str(path), "base")


# Properties

NAMES = st.lists(st.sampled_from("abcdefgh"), min_size=1, max_size=6, unique=True)


def recipe_of_names(names: list[str]) -> str:
    head = 'name = "base"\nversion = "1"\n'
    return head + "".join(f'[[stage]]\nuse = "{name}"\nwidth = {i}\n' for i, name in enumerate(names))


def loaded(base: str, text: str) -> Recipe:
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "base.recipe.toml").write_text(base)
        path = Path(folder) / "child.recipe.toml"
        path.write_text(CHILD + text)
        return load_recipe(path)


def by_hand(names: list[str], edits: list[tuple[str, str, str]]) -> list[str]:
    """The same edits on a list, each inserted stage next to its neighbour and what belongs to that one."""
    order = list(names)
    beside: dict[str, tuple[str, str]] = {}
    for kind, name, anchor in edits:
        if kind == "drop":
            order[order.index(name)] = f"({name})"
        else:
            position = order.index(anchor) + (kind == "after")
            while (
                kind == "after" and position < len(order) and belongs_after(order[position], anchor, beside)
            ):
                position += 1
            order.insert(position, name)
            beside[name] = (kind, anchor)
    return [name for name in order if not name.startswith("(")]


def belongs_after(name: str, anchor: str, beside: dict[str, tuple[str, str]]) -> bool:
    while name in beside:
        kind, name = beside[name]
        if name == anchor:
            return kind == "after"
    return False


@given(names=NAMES, data=st.data())
def test_drops_and_inserts_are_edits_of_a_list(names: list[str], data: st.DataObject) -> None:
    there, inherited = list(names), list(names)
    edits: list[tuple[str, str, str]] = []
    for number in range(data.draw(st.integers(0, 8))):
        kind = data.draw(st.sampled_from(["before", "after", "drop"]))
        if kind == "drop" and inherited and len(there) > 1:
            name = data.draw(st.sampled_from(inherited))
            inherited.remove(name)
            there.remove(name)
            edits.append(("drop", name, ""))
        elif kind != "drop":
            anchor = data.draw(st.sampled_from(there))
            there.append(f"n{number}")
            edits.append((kind, f"n{number}", anchor))
    text = "".join(
        drop(name) if kind == "drop" else insert(name, f'{kind} = "{anchor}"') for kind, name, anchor in edits
    )
    assert ids(loaded(recipe_of_names(names), text)) == by_hand(names, edits)


@given(names=NAMES, data=st.data())
def test_what_is_neither_dropped_nor_changed_stays_as_it_was(names: list[str], data: st.DataObject) -> None:
    dropped = data.draw(st.lists(st.sampled_from(names), unique=True, max_size=len(names) - 1))
    with tempfile.TemporaryDirectory() as folder:
        base, path = Path(folder) / "base.recipe.toml", Path(folder) / "child.recipe.toml"
        base.write_text(recipe_of_names(names))
        path.write_text(CHILD + "".join(map(drop, dropped)))
        kept = [step for step in load_recipe(base).steps if step.id not in dropped]
        assert list(load_recipe(path).steps) == kept


@given(names=NAMES, data=st.data())
def test_a_recipe_of_overlays_alone_keeps_the_order(names: list[str], data: st.DataObject) -> None:
    changed = data.draw(st.lists(st.sampled_from(names), unique=True))
    recipe = loaded(
        recipe_of_names(names), "".join(f'[[stage]]\nid = "{name}"\nwidth = 99\n' for name in changed)
    )
    assert ids(recipe) == names
    for index, step in enumerate(recipe.steps):
        assert step.options == {"width": 99 if step.id in changed else index}
        assert Path(step.origin("width").file).name.startswith("child") == (step.id in changed)


@given(text=st.text(st.characters(codec="utf-8"), max_size=200))
def test_any_text_after_the_head_is_a_recipe_or_a_problem(text: str) -> None:
    with suppress(InputError):
        loaded(BASE, text)
