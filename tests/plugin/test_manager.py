"""Finding plugins: what is good is installed, what is broken is set aside with its reason."""

from __future__ import annotations

import sys
import tomllib
from collections.abc import Callable
from importlib.metadata import entry_points
from pathlib import Path
from typing import Any

import pytest

from oaktag.plugin import GROUP, load_stages

ROOT = Path(__file__).parents[2]
Good = Callable[[str], str]


def test_a_strangers_stage_is_found_with_its_distribution(site: Any, good: Good) -> None:
    site.install("sunny-bags", {"sunny": ("sunny_card", good("sunny.card"))})
    stages = load_stages(site.points())
    assert stages.faults == ()
    assert list(stages.installed) == ["sunny.card"]
    stage = stages.installed["sunny.card"]
    assert (stage.plugin, stage.distribution, stage.version) == ("sunny", "sunny-bags", "2.3.0")
    assert stages.suppliers("files") == ("sunny.card",)
    assert stages.suppliers("outline") == ()
    assert stages.fault_of("sunny.card") is None
    assert stage.spec.load_run().__name__ == "run"
    assert stage.spec.load_options().__name__ == "CardOptions"


def test_stages_are_sorted_whatever_order_they_are_installed_in(site: Any, good: Good) -> None:
    site.install("bags-b", {"b": ("module_b", good("b.card")), "a": ("module_a", good("a.card"))})
    site.install("bags-a", {"c": ("module_c", good("0.card"))})
    for points in (site.points(), site.points()[::-1]):
        assert list(load_stages(points).installed) == ["0.card", "a.card", "b.card"]


def test_two_plugins_of_one_name_are_refused_naming_both_distributions(site: Any, good: Good) -> None:
    site.install("sunny-bags", {"card": ("sunny_card", good("sunny.card"))})
    site.install("rainy-bags", {"card": ("rainy_card", good("rainy.card"))})
    stages = load_stages(site.points())
    assert stages.installed == {}
    [fault] = stages.faults
    assert (fault.plugin, fault.distribution) == ("card", "rainy-bags and sunny-bags")
    assert fault.reason == "two plugins are named 'card', from rainy-bags and sunny-bags"
    assert fault.todo == "uninstall one of them"
    assert fault.stages == ("rainy.card", "sunny.card")
    assert stages.fault_of("sunny.card") is fault


def test_two_plugins_of_one_name_of_which_one_is_broken(site: Any, good: Good) -> None:
    site.install("sunny-bags", {"card": ("sunny_card", good("sunny.card"))})
    site.install("rainy-bags", {"card": ("rainy_card", "raise SystemExit(5)")})
    [fault] = load_stages(site.points()).faults
    assert fault.stages == ("sunny.card",)


def test_two_stages_of_one_name_are_refused_naming_both_distributions(site: Any, good: Good) -> None:
    site.install("sunny-bags", {"sunny": ("sunny_card", good("any.card"))})
    site.install("rainy-bags", {"rainy": ("rainy_card", good("any.card"))})
    site.install("windy-bags", {"windy": ("windy_card", good("windy.card"))})
    stages = load_stages(site.points())
    assert list(stages.installed) == ["windy.card"]
    [fault] = stages.faults
    assert fault.plugin == "rainy, sunny"
    assert fault.distribution == "rainy-bags and sunny-bags"
    assert fault.reason == (
        "two stages are named 'any.card', from rainy-bags (plugin rainy) and sunny-bags (plugin sunny)"
    )
    assert fault.stages == ("any.card",)


def test_one_plugin_may_not_name_two_stages_alike(site: Any, good: Good) -> None:
    source = good("sunny.card").replace("            ),\n        )", "            ),\n        ) * 2")
    site.install("sunny-bags", {"sunny": ("sunny_card", source)})
    stages = load_stages(site.points())
    assert stages.installed == {}
    assert "two stages are named 'sunny.card'" in stages.faults[0].reason
    assert stages.faults[0].distribution == "sunny-bags"


def test_a_distribution_that_is_on_the_path_twice_is_no_duplicate(
    site: Any, good: Good, tmp_path: Path
) -> None:
    site.install("sunny-bags", {"sunny": ("sunny_card", good("sunny.card"))})
    points = site.points()
    assert list(load_stages([*points, *site.points()]).installed) == ["sunny.card"]
    assert load_stages([*points, *site.points()]).faults == ()


CLOTH = """
from oaktag import hookimpl
from oaktag.pattern import Material


@hookimpl
def oaktag_materials():
    return (Material("@NAME@", "shell", "cloth", mass=250.0, width=1500.0),)
"""


def test_a_plugin_may_supply_materials_alone_or_beside_stages(site: Any, good: Good) -> None:
    cloth = CLOTH.replace("@NAME@", "waxed-canvas")
    site.install("sunny-bags", {"sunny": ("sunny_cloth", cloth), "card": ("sunny_card", good("sunny.card"))})
    site.install("windy-bags", {"windy": ("windy_cloth", CLOTH.replace("@NAME@", "airy-mesh"))})
    stages = load_stages(site.points())
    assert stages.faults == ()
    assert [material.name for material in stages.materials] == ["airy-mesh", "waxed-canvas"]
    assert list(stages.installed) == ["sunny.card"]


def test_two_materials_of_one_name_are_refused_naming_both_distributions(site: Any, good: Good) -> None:
    site.install("sunny-bags", {"sunny": ("sunny_cloth", CLOTH.replace("@NAME@", "canvas"))})
    site.install("rainy-bags", {"rainy": ("rainy_cloth", CLOTH.replace("@NAME@", "canvas"))})
    stages = load_stages(site.points())
    assert stages.materials == ()
    [fault] = stages.faults
    assert fault.distribution == "rainy-bags and sunny-bags"
    assert fault.reason == (
        "two materials are named 'canvas', from rainy-bags (plugin rainy) and sunny-bags (plugin sunny)"
    )


@pytest.mark.parametrize(
    ("given", "reason"),
    [
        ('Material("Waxed Canvas", "shell", "cloth")', "'Waxed Canvas' is no name of a material"),
        ('Material("canvas", "shell", "bolt")', "material 'canvas' has the form 'bolt'; cloth, tape, each"),
        ('"canvas"', "oaktag_materials gave a str, not a Material"),
    ],
)
def test_a_material_that_cant_be_used_sets_its_plugin_aside(
    site: Any, good: Good, given: str, reason: str
) -> None:
    source = CLOTH.replace('Material("@NAME@", "shell", "cloth", mass=250.0, width=1500.0)', given)
    site.install("sunny-bags", {"sunny": ("sunny_cloth", source)})
    stages = load_stages(site.points())
    assert stages.materials == ()
    assert stages.faults[0].reason.startswith(reason)


BROKEN = {
    "raises-on-import": ("import no_such_library", "ModuleNotFoundError: No module named 'no_such_library'"),
    "syntax": ("def broken(:\n", "SyntaxError"),
    "leaves": ("import sys\nsys.exit(7)", "SystemExit: 7"),
    "empty": ("", "it implements no hook; define oaktag_stages and mark it with @hookimpl"),
    "unmarked": ("def oaktag_stages():\n    return ()\n", "it implements no hook"),
    "misspelt": (
        "from oaktag import hookimpl\n@hookimpl\ndef oaktag_stage():\n    return ()\n",
        "there is no hook 'oaktag_stage'; the hooks are oaktag_stages and oaktag_materials",
    ),
    "argument": (
        "from oaktag import hookimpl\n@hookimpl\ndef oaktag_stages(draft):\n    return ()\n",
        "PluginValidationError",
    ),
    "no-stage": (
        "from oaktag import hookimpl\n@hookimpl\ndef oaktag_stages():\n    return ()\n",
        "it supplies no stage and no material; its hooks gave none",
    ),
    "nothing": (
        "from oaktag import hookimpl\n@hookimpl\ndef oaktag_stages():\n    pass\n",
        "it supplies no stage and no material; its hooks gave none",
    ),
    "raises-when-asked": (
        "from oaktag import hookimpl\n@hookimpl\ndef oaktag_stages():\n    raise ValueError('no')\n",
        "ValueError: no",
    ),
    "no-tuple": (
        "from oaktag import StageSpec, hookimpl\noaktag_stages = hookimpl(lambda: StageSpec(*'abcd'))",
        "oaktag_stages gave a StageSpec, not a tuple of StageSpec",
    ),
    "text": (
        "from oaktag import hookimpl\n@hookimpl\ndef oaktag_stages():\n    return 'a.b'\n",
        "oaktag_stages gave a str, not a tuple of StageSpec",
    ),
    "number": (
        "from oaktag import hookimpl\n@hookimpl\ndef oaktag_stages():\n    return 5\n",
        "oaktag_stages gave a int, not a tuple of StageSpec",
    ),
    "no-spec": (
        "from oaktag import hookimpl\n@hookimpl\ndef oaktag_stages():\n    return ({'name': 'a.b'},)\n",
        "oaktag_stages gave a dict, not a StageSpec",
    ),
}


@pytest.mark.parametrize(("source", "reason"), BROKEN.values(), ids=BROKEN.keys())
def test_a_broken_plugin_is_set_aside_with_its_reason(
    site: Any, good: Good, source: str, reason: str
) -> None:
    site.install("rainy-bags", {"rainy": ("rainy_card", source)})
    site.install("sunny-bags", {"sunny": ("sunny_card", good("sunny.card"))})
    stages = load_stages(site.points())
    assert list(stages.installed) == ["sunny.card"]
    [fault] = stages.faults
    assert (fault.plugin, fault.distribution) == ("rainy", "rainy-bags")
    assert fault.reason.startswith(reason)
    assert fault.todo == "install rainy-bags again, or tell its authors"


DESCRIPTIONS = {
    "name-without-dot": ("name='card'", "'card' is no stage name; write two lower-case words with a dot"),
    "name-with-capitals": ("name='Sunny.card'", "'Sunny.card' is no stage name"),
    "name-without-word": ("name='sunny.'", "'sunny.' is no stage name"),
    "name-with-space": ("name='sunny. card'", "'sunny. card' is no stage name"),
    "name-with-three": ("name='sunny.card.large'", "'sunny.card.large' is no stage name"),
    "name-no-text": ("name=5", "5 is no stage name"),
    "part": (
        "needs=frozenset({'panel'})",
        "stage 'sunny.card' names the unknown part 'panel'; parts: readings",
    ),
    "part-added": ("adds={'hem', 'files'}", "stage 'sunny.card' names the unknown part 'hem'"),
    "part-text": ("uses='outline'", "stage 'sunny.card' has a str as what it uses, not a frozenset"),
    "part-list": ("changes=['outline']", "stage 'sunny.card' has a list as what it changes, not a frozenset"),
    "run": ("run=print", "stage 'sunny.card' has a builtin_function_or_method as its run, not text"),
    "options": ("options=dict", "stage 'sunny.card' has a type as its options, not text"),
    "summary": ("summary=None", "stage 'sunny.card' has a NoneType as its summary, not text"),
}


@pytest.mark.parametrize(("change", "reason"), DESCRIPTIONS.values(), ids=DESCRIPTIONS.keys())
def test_a_wrong_description_loses_the_plugin_and_says_which_stages(
    site: Any, change: str, reason: str
) -> None:
    source = f"""
        from dataclasses import replace
        from oaktag import StageSpec, hookimpl

        @hookimpl
        def oaktag_stages():
            good = StageSpec("sunny.card", "Write", "a:run", "a:Options")
            return [replace(good, name="sunny.other"), replace(good, {change})]
        """
    site.install("sunny-bags", {"sunny": ("sunny_card", source)})
    stages = load_stages(site.points())
    assert stages.installed == {}
    [fault] = stages.faults
    assert fault.reason.startswith(reason)
    assert stages.fault_of("sunny.other") is fault


def test_a_generator_of_stages_will_do(site: Any, good: Good) -> None:
    source = (
        good("sunny.card").replace("return (\n", "yield from (\n").replace("-> tuple[StageSpec, ...]", "")
    )
    site.install("sunny-bags", {"sunny": ("sunny_card", source)})
    assert list(load_stages(site.points()).installed) == ["sunny.card"]


def test_what_is_left_of_a_removed_distribution_stops_nobody(site: Any, good: Good) -> None:
    site.install("sunny-bags", {"sunny": ("sunny_card", good("sunny.card"))})
    left = site.path / "rainy_bags-1.dist-info"
    left.mkdir()
    (left / "entry_points.txt").write_text("[oaktag]\nrainy = rainy_card\n")
    stages = load_stages(site.points())
    assert list(stages.installed) == ["sunny.card"]
    assert [fault.distribution for fault in stages.faults] == ["an unknown distribution"]


def test_installed_entry_points_are_those_of_the_project() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    installed = {p.name: p.value for p in entry_points(group=GROUP) if p.dist and p.dist.name == "oaktag"}
    assert installed == project["entry-points"][GROUP], (
        f"entry points are read when the project is installed; run: {sys.executable} -m pip install -e ."
    )
