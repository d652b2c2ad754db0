"""Lines of text with values of the draft in them, as Jinja templates that can't do harm.

A recipe may come from a stranger, so a template can only look up values and write them: Jinja's sandbox, no
calls and no assignments, plain data in place of Python's objects, and a bound on everything that could grow.
Import this module only where a template is used: it loads Jinja.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import lru_cache
from itertools import islice
from typing import Any

from jinja2 import (
    StrictUndefined,
    Template,
    TemplateError,
    TemplateSyntaxError,
    Undefined,
    nodes,
    pass_context,
)
from jinja2.exceptions import SecurityError
from jinja2.runtime import Context, LoopContext
from jinja2.sandbox import ImmutableSandboxedEnvironment, SandboxedEnvironment

from oaktag.recipe import listed, meant

LONGEST_TEMPLATE = 500
"""Characters of a template."""
LONGEST_LINE = 200
"""Characters of a line that a template makes."""
LONGEST_TEXT = 1000
"""Characters of any text on the way there."""
MOST_STEPS = 2000
"""Values that the loops and filters of one line may go through together."""
DEEPEST_LOOP = 2
"""Loops within each other."""
_DEEPEST_IF = 8
_LARGEST_BITS = 128  # of a whole number
_LARGEST_ARGUMENT = 1000  # whole number given to a filter
_DECIMALS = 3  # of a number that is written

_LOOP = ("first", "index", "index0", "last", "length", "revindex", "revindex0")
_OF_TEXT = (
    "abs", "capitalize", "default", "float", "int", "lower", "replace", "round", "string", "title", "trim",
    "truncate", "upper",
)  # fmt: skip
_OF_LISTS = (
    "count", "first", "join", "last", "length", "map", "max", "min", "reject", "rejectattr", "select",
    "selectattr", "sort", "sum", "unique",
)  # fmt: skip
FILTERS = tuple(sorted((*_OF_TEXT, *_OF_LISTS)))
"""Jinja's filters that a template may use."""

_ALLOWED: tuple[type[nodes.Node], ...] = (
    nodes.Template, nodes.Output, nodes.TemplateData, nodes.If, nodes.For, nodes.Name, nodes.Const,
    nodes.Tuple, nodes.List, nodes.Getattr, nodes.Getitem, nodes.Slice, nodes.Filter, nodes.Test,
    nodes.Keyword, nodes.Compare, nodes.Operand, nodes.And, nodes.Or, nodes.Not, nodes.CondExpr,
    nodes.Concat, nodes.Neg, nodes.Pos, nodes.Add, nodes.Sub, nodes.Mul, nodes.Div, nodes.FloorDiv,
    nodes.Mod,
)  # fmt: skip
_CALLED = {
    nodes.Call: "a call",
    nodes.Assign: "set",
    nodes.AssignBlock: "set",
    nodes.Pow: "a power",
    nodes.Dict: "a dictionary",
    nodes.Macro: "a macro",
    nodes.FilterBlock: "a filter block",
}
_VALID = "values, filters, if, for, + - * / // % ~ and comparisons"


class LineTemplateError(Exception):
    """A template that can't be used.

    Attributes:
        reason: why.
        valid: what could stand there; may be empty.
        todo: what to do.
    """

    def __init__(self, reason: str, valid: str = "", todo: str = "correct the template") -> None:
        super().__init__(reason)
        self.reason, self.valid, self.todo = reason, valid, todo


class _Environment(ImmutableSandboxedEnvironment):
    """Jinja's sandbox, in which only keys of dictionaries and places of lists can be reached."""

    intercepted_binops = frozenset(SandboxedEnvironment.default_binop_table)

    def __init__(self) -> None:
        super().__init__(undefined=StrictUndefined, autoescape=False, finalize=_written)
        self.globals.clear()
        self.filters = {name: _bounded(name) for name in FILTERS}
        self.filters.update(_counted=_counted, _joined=_joined)

    def getattr(self, obj: Any, attribute: str) -> Any:
        if attribute.startswith("_"):
            raise SecurityError(f"{attribute!r} can't be reached from a template")
        if isinstance(obj, LoopContext):
            if attribute in _LOOP:
                return getattr(obj, attribute)
            return self.undefined(hint=f"loop has no {attribute!r}, only {listed(_LOOP)}")
        return self.getitem(obj, attribute)

    def getitem(self, obj: Any, argument: Any) -> Any:
        if isinstance(obj, Undefined):
            return obj[argument]
        if isinstance(obj, dict):
            if isinstance(argument, (str, int)) and argument in obj:
                return obj[argument]
            return self.undefined(hint=f"there is no {argument!r} here, only {listed(map(str, obj))}")
        if isinstance(obj, (str, list, tuple)) and isinstance(argument, int):
            if -len(obj) <= argument < len(obj):
                return obj[argument]
            return self.undefined(hint=f"there is no number {argument} among {len(obj)}")
        if obj is None:
            return self.undefined(
                hint=f"{argument!r} is asked of a value that isn't known when pieces are labelled"
            )
        return self.undefined(hint=f"there is no {argument!r} in a {_kind(obj)}")

    def call_binop(self, context: Context, operator: str, left: Any, right: Any) -> Any:
        numbers = _is_number(left) and _is_number(right)
        if not (numbers or (operator == "+" and isinstance(left, str) and isinstance(right, str))):
            for value in (left, right):
                if isinstance(value, Undefined):
                    str(value)  # raises what is wrong with it
            raise SecurityError(f"{operator} can't be used with a {_kind(left)} and a {_kind(right)}")
        result = super().call_binop(context, operator, left, right)
        if isinstance(result, int) and result.bit_length() > _LARGEST_BITS:
            raise SecurityError("a number is too large")
        return _short(result)


def _is_number(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _kind(value: object) -> str:
    if isinstance(value, str):
        return "text"
    if _is_number(value):
        return "number"
    return {bool: "yes or no", dict: "table", list: "list", tuple: "list"}.get(type(value), "value")


def _is_plain(value: object) -> bool:
    """Whether a value is one that can be written."""
    return value is None or isinstance(value, (str, int, float))


def _short(value: Any) -> Any:
    if isinstance(value, str) and len(value) > LONGEST_TEXT:
        raise SecurityError(f"a text is longer than {LONGEST_TEXT} characters")
    return value


def _written(value: Any) -> str:
    """A value as it is written: what isn't known as nothing, numbers with few decimals."""
    if isinstance(value, Undefined):
        return str(value)  # raises what is wrong with it
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        text = f"{value:.{_DECIMALS}f}".rstrip("0").rstrip(".")
        return "0" if text == "-0" else text
    if isinstance(value, (str, int)):
        return str(value)
    raise SecurityError(f"a {_kind(value)} can't be written, only text and numbers")


def _spend(context: Context, steps: int) -> None:
    left: list[int] = context["_steps"]
    left[0] -= steps
    if left[0] < 0:
        raise SecurityError(f"it goes through more than {MOST_STEPS} values")


def _all_of(context: Context, values: Iterable[Any]) -> list[Any]:
    result = list(islice(values, MOST_STEPS + 1))
    _spend(context, len(result))
    return result


@pass_context
def _counted(context: Context, values: Any) -> list[Any]:
    """What a loop goes through."""
    if not isinstance(values, (list, tuple, dict, Undefined)):
        raise SecurityError(f"a {_kind(values)} can't be gone through, only a list")
    return _all_of(context, values)


@pass_context
def _joined(context: Context, values: list[Any]) -> str:
    """What `~` makes."""
    _spend(context, 1)
    return str(_short("".join(map(_written, values))))


def _bounded(name: str) -> Callable[..., Any]:
    """A filter of Jinja's, kept from making anything large."""

    @pass_context
    def filtered(context: Context, value: Any, *arguments: Any, **named: Any) -> Any:
        given = (*arguments, *named.values())
        if not all(map(_is_plain, given)) or any(
            isinstance(each, (int, float)) and abs(each) > _LARGEST_ARGUMENT for each in given
        ):
            raise SecurityError(f"{name} can't be given that")
        if name in _OF_TEXT and not (_is_plain(value) or name == "default"):
            if isinstance(value, Undefined):
                str(value)  # raises what is wrong with it
            raise SecurityError(f"{name} can't be used with a {_kind(value)}")
        if isinstance(value, (list, tuple, dict)):
            value = _all_of(context, value)
        _spend(context, 1)
        if name == "join":
            if len(given) > 1 or "attribute" in named:
                raise SecurityError('join takes a separator only; write map(attribute="…") before it')
            value = [_written(each) for each in value]
        result = _plain_filters().call_filter(name, value, arguments, named, context=context)
        return _all_of(context, result) if isinstance(result, Iterator) else _short(result)

    return filtered


@lru_cache(maxsize=1)
def _plain_filters() -> SandboxedEnvironment:
    return SandboxedEnvironment(undefined=StrictUndefined, autoescape=False)


@lru_cache(maxsize=1)
def _environment() -> _Environment:
    return _Environment()


@lru_cache(maxsize=256)
def compiled(text: str, names: frozenset[str]) -> Template:
    """A template that is ready to render.

    Args:
        text: as Jinja has it, one line.
        names: of the values that it will be given.

    Raises:
        LineTemplateError: it isn't a template, or uses what no template may.
    """
    if len(text) > LONGEST_TEMPLATE:
        raise LineTemplateError(
            f"is {len(text)} characters long", f"at most {LONGEST_TEMPLATE} characters", "make it shorter"
        )
    environment = _environment()
    try:
        tree = environment.parse(text)
        _check(tree, names, (0, 0))
        tree.set_environment(environment)
        code = environment.compile(tree)
    except TemplateSyntaxError as error:
        raise LineTemplateError(f"is no template: {error.message}", "a Jinja template") from None
    except (RecursionError, SyntaxError, MemoryError):
        raise LineTemplateError("is nested too deeply", "a simpler template") from None
    return environment.template_class.from_code(environment, code, {})


def _check(node: nodes.Node, names: frozenset[str], depth: tuple[int, int]) -> None:
    """Refuse what no template may use, and put bounds around loops and `~`."""
    if not isinstance(node, _ALLOWED):
        what = _CALLED.get(type(node), type(node).__name__.lower())
        raise LineTemplateError(f"uses {what}, which no line may", _VALID)
    if isinstance(node, nodes.Name) and (
        node.name.startswith("_") or (node.name not in names and node.name != "loop")
    ):
        valid = sorted(names)
        raise LineTemplateError(
            f"there is no value named {node.name!r}",
            listed(valid),
            meant(node.name, valid, "use one of these"),
        )
    if isinstance(node, nodes.Filter) and node.name not in FILTERS:
        todo = meant(node.name, FILTERS, "use one of these")
        raise LineTemplateError(f"there is no filter {node.name!r} for lines", listed(FILTERS), todo)
    loops, ifs = depth
    if isinstance(node, nodes.For):
        loops += 1
        if node.recursive or loops > DEEPEST_LOOP:
            raise LineTemplateError("has loops within loops", f"at most {DEEPEST_LOOP}", "make it simpler")
        targets = [node.target, *node.target.find_all(nodes.Name)]
        names |= {target.name for target in targets if isinstance(target, nodes.Name)}
    elif isinstance(node, (nodes.If, nodes.CondExpr)):
        ifs += 1
        if ifs > _DEEPEST_IF:
            raise LineTemplateError("is nested too deeply", "a simpler template")
    for child in node.iter_child_nodes():
        _check(child, names, (loops, ifs))
    for field, value in node.iter_fields():
        if isinstance(value, nodes.Concat):
            setattr(node, field, _concat(value))
        elif isinstance(value, list):
            value[:] = [_concat(each) if isinstance(each, nodes.Concat) else each for each in value]
    if isinstance(node, nodes.For):
        node.iter = _filter(node.iter, "_counted")


def _concat(node: nodes.Concat) -> nodes.Filter:
    return _filter(nodes.List(node.nodes, lineno=node.lineno), "_joined")


def _filter(node: nodes.Node, name: str) -> nodes.Filter:
    return nodes.Filter(node, name, [], [], None, None, lineno=node.lineno)


def rendered(text: str, values: Mapping[str, Any]) -> str:
    """The line that a template makes, with single spaces between words; empty if it makes none.

    Args:
        text: as Jinja has it, one line.
        values: dictionaries, lists, texts, numbers, true, false, None.

    Raises:
        LineTemplateError: the template can't be used, asks for what isn't there, or makes too much.
    """
    template = compiled(text, frozenset(values))
    line = ""
    try:
        for part in template.generate(**values, _steps=[MOST_STEPS]):
            line += part
            if len(line) > LONGEST_LINE:
                raise LineTemplateError(
                    f"makes a line of more than {LONGEST_LINE} characters",
                    f"at most {LONGEST_LINE}",
                    "write less on one line",
                )
    except SecurityError as error:
        raise LineTemplateError(f"does what no line may: {error}", _VALID) from None
    except TemplateError as error:
        raise LineTemplateError(str(error), "values that are there") from None
    except (TypeError, ValueError, ArithmeticError, RecursionError, LookupError, AttributeError) as error:
        raise LineTemplateError(f"can't be worked out: {error}") from None
    line = " ".join(line.split())
    if not line.isprintable():
        raise LineTemplateError("makes a line with control characters", "text that can be printed")
    return line
