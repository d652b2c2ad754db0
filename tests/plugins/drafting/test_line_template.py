from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from oaktag_plugins.drafting.line_template import (
    LONGEST_LINE,
    LONGEST_TEMPLATE,
    LineTemplateError,
    compiled,
    rendered,
)

VALUES: dict[str, Any] = {
    "piece": {
        "name": "gusset",
        "quantity": 2,
        "edges": [{"name": "top", "length": 1.25}, {"name": "end", "length": 2.0}],
    },
    "pieces": [{"id": "a"}, {"id": "b"}] * 40,
    "number": 3,
    "volume_l": None,
    "text": "x",
}


@pytest.mark.parametrize(
    ("template", "line"),
    [
        ("{{ piece.name }} {{ number }} of {{ pieces|length }}", "gusset 3 of 80"),
        ("{{ piece['name']|upper }}  {{ piece.edges[-1].name }}", "GUSSET end"),
        ("{{ 0.1 + 0.2 }} {{ 2.0 }} {{ -0.0001 }} {{ 1/3 }}", "0.3 2 0 0.333"),
        ("{{ piece.edges|map(attribute='length')|sum }} mm", "3.25 mm"),
        (
            "{% for e in piece.edges if e.length > 1 %}{{ e.name }}{{ ', ' if not loop.last }}{% endfor %}",
            "top, end",
        ),
        ("{% for e in [text ~ number] %}{% for f in [e ~ e] %}{{ f }}{% endfor %}{% endfor %}", "x3x3"),
        ("{% for e in text ~ number %}{% endfor %}", None),
        ("{{ volume_l }}", ""),
        ("{% if volume_l %}{{ volume_l }} l{% endif %}", ""),
        ("{{ piece.foo|default('none') }}", "none"),
        ("{{ piece.foo is defined }}", "no"),
        ("{{ pieces|map(attribute='id')|unique|map('upper')|join('/') }}", "A/B"),
        ("{{ pieces|selectattr('id', 'equalto', 'a')|length }}", "40"),
        ("<b> & \"{{ '%' }}\" 100 %", '<b> & "%" 100 %'),
        ("{{ 'a\\n\\tb' }}", "a b"),
        ("{# nothing #}", ""),
        ("{% raw %}{{ text }}{% endraw %}", "{{ text }}"),
    ],
)
def test_lines_say_what_the_draft_has(template: str, line: str | None) -> None:
    if line is None:
        with pytest.raises(LineTemplateError, match="can't be gone through"):
            rendered(template, VALUES)
    else:
        assert rendered(template, VALUES) == line


@pytest.mark.parametrize(
    ("template", "reason"),
    [
        ("{{ piece", "no template"),
        ("{% if number %}", "no template"),
        ("{{ piec.name }}", "no value named 'piec'"),
        ("{{ text|uper }}", "no filter 'uper'"),
        ("{{ text|center(9) }}", "no filter 'center'"),
        ("{{ text|attr('__class__') }}", "no filter 'attr'"),
        ("{{ range(9) }}", "a call"),
        ("{{ text.format(1) }}", "a call"),
        ("{{ cycler.__init__.__globals__.os }}", "no value named 'cycler'"),
        ("{{ self.__init__ }}", "no value named 'self'"),
        ("{{ _steps }}", "no value named '_steps'"),
        ("{% for _steps in [[9]] %}{% endfor %}", "no value named '_steps'"),
        ("{{ 9 ** 9 }}", "a power"),
        ("{% set x = 1 %}", "set"),
        ("{% macro m() %}{{ m() }}{% endmacro %}", "a macro"),
        ("{% include 'x' %}", "include"),
        ("{% filter upper %}x{% endfilter %}", "a filter block"),
        ("{% for a in pieces recursive %}{% endfor %}", "loops within loops"),
        ("{% for a in pieces %}" * 3 + "{% endfor %}" * 3, "loops within loops"),
        ("{% if 1 %}" * 20 + "{% endif %}" * 20, "nested too deeply"),
        ("{{ " + "(" * 150 + "1" + ")" * 150 + " }}", "nested too deeply"),
        ("x" * (LONGEST_TEMPLATE + 1), "characters long"),
    ],
)
def test_what_no_line_may_is_refused_before_anything_runs(template: str, reason: str) -> None:
    with pytest.raises(LineTemplateError, match=reason) as caught:
        compiled(template, frozenset(VALUES))
    assert caught.value.todo


@pytest.mark.parametrize(
    ("template", "reason"),
    [
        ("{{ piece.foo }}", "no 'foo' here, only name, quantity, edges"),
        ("{{ volume_l.litres }}", "isn't known"),
        ("{{ piece.edges[2].name }}", "no number 2 among 2"),
        ("{{ piece.__class__ }}", "'__class__' can't be reached"),
        ("{{ ''.__class__.__mro__ }}", "'__class__' can't be reached"),
        ("{{ piece['__class__'] }}", "no '__class__' here"),
        ("{{ pieces|map(attribute='__class__')|first }}", "no '__class__' here"),
        ("{{ piece.items }}", "no 'items' here"),
        ("{{ text.upper }}", "no 'upper' in a text"),
        ("{% for a in pieces %}{{ loop.cycle }}{% endfor %}", "loop has no 'cycle'"),
        ("{{ piece }}", "a table can't be written"),
        ("{{ piece|string }}", "can't be used with a table"),
        ("{{ text ~ pieces }}", "a list can't be written"),
        ("{{ text * 999999999 }}", r"\* can't be used"),
        ("{{ 999999999 * text }}", r"\* can't be used"),
        ("{{ pieces * 999999999 }}", r"\* can't be used"),
        ("{{ '%999999999d' % 1 }}", "% can't be used"),
        ("{{ pieces + pieces }}", r"\+ can't be used"),
        ("{{ 9999999999999 * 9999999999999 * 9999999999999 * 9999999999999 }}", "too large"),
        ("{{ 1|round(999999999, 'ceil') }}", "can't be given"),
        ("{{ text|truncate(pieces) }}", "can't be given"),
        ("{{ pieces|join(attribute='id') }}", "a separator only"),
        ("{% for a in pieces %}{% for b in pieces %}{% endfor %}{% endfor %}", "more than 2000 values"),
        ("{% for a in pieces %}{{ pieces|map(attribute='id')|join|length }}{% endfor %}", "more than 2000"),
        ("{% for a in pieces %}{{ text ~ 'yyy' }}{% endfor %}", f"more than {LONGEST_LINE} characters"),
        ("{{ text|replace('x', '" + "x" * 99 + "')|replace('x', '" + "x" * 99 + "') }}", "longer than"),
        ("{% for a in ['" + "x" * 99 + "'] %}{{ " + "~".join("a" * 30) + " }}{% endfor %}", "longer than"),
        ("{{ 1 / 0 }}", "division by zero"),
        ("{{ number|sum }}", "can't be worked out"),
        ("{{ pieces|sort }}", "can't be worked out"),
        ("{{ '\\u202e' }}", "control characters"),
        ("{{ '\\x1b[31m' }}", "control characters"),
    ],
)  # fmt: skip
def test_what_a_line_may_not_do_is_stopped(template: str, reason: str) -> None:
    with pytest.raises(LineTemplateError, match=reason):
        rendered(template, VALUES)


def test_a_template_changes_nothing() -> None:
    before = repr(VALUES)
    rendered("{{ pieces|map(attribute='id')|sort|first }}{{ piece.edges|length }}", VALUES)
    assert repr(VALUES) == before


parts = st.sampled_from(
    ["{{", "}}", "{%", "%}", "for a in", "pieces", "piece", ".", "name", "|", "length", "join", "(", ")", "[",
     "]", "~", "*", "'x'", "9", "if", "else", "endif", "endfor", " ", "loop", "__class__", "**", "%", "range",
     "\n", "\x00"]
)  # fmt: skip


@given(st.lists(parts, max_size=20).map("".join) | st.text(max_size=30))
def test_any_text_gives_a_line_or_a_reason(template: str) -> None:
    try:
        line = rendered(template, VALUES)
    except LineTemplateError as error:
        line = error.reason.splitlines()[0][:LONGEST_LINE]
    assert len(line) <= LONGEST_LINE
    assert line.isprintable()
