"""Names from outside are shown as they are, though Streamlit reads Markdown; moments name their zone."""

from __future__ import annotations

import ast
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest

import strokecurve.app.page
from strokecurve.app.page.markup import plain
from strokecurve.app.page.words import local_time

PAGES = sorted(Path(strokecurve.app.page.__file__).parent.glob("*.py"))
DRAWN_AS_MARKDOWN = {
    "badge", "button", "caption", "checkbox", "date_input", "download_button", "error", "expander",
    "file_uploader", "form_submit_button", "header", "info", "link_button", "markdown", "metric",
    "multiselect", "number_input", "page_link", "pills", "popover", "progress", "radio", "segmented_control",
    "select_slider", "selectbox", "slider", "spinner", "status", "subheader", "success", "text_area",
    "text_input", "title", "toast", "toggle", "warning", "write",
}  # fmt: skip
"""Streamlit's functions whose words are Markdown."""
WORDS = ("body", "help", "label", "placeholder", "text")
"""Names of arguments that are drawn as Markdown."""


def is_safe(words: ast.expr) -> bool:
    """Whether words are ours: written out, a constant of a module, or made plain."""
    match words:
        case ast.Constant():
            return True
        case ast.Name(id=name) | ast.Attribute(attr=name) if name.isupper():
            return True
        case ast.Call(func=ast.Name(id="plain") | ast.Attribute(attr="plain")):
            return True
        case ast.JoinedStr(values=parts):
            return all(isinstance(part, ast.Constant) or is_figure(part) for part in parts)
        case ast.IfExp(body=one, orelse=other):
            return is_safe(one) and is_safe(other)
    return False


def is_figure(part: ast.expr) -> bool:
    """Whether a part of a sentence is a number: written as one, counted or computed."""
    match part:
        case ast.FormattedValue(value=ast.Call(func=ast.Name(id="len" | "fixed"))):
            return True
        case ast.FormattedValue(value=ast.BinOp(right=ast.Constant())):
            return True
        case ast.FormattedValue(format_spec=ast.JoinedStr(values=[ast.Constant(value=form)])):
            return str(form)[-1:] in "fgd%"
    return False


def drawn(tree: ast.AST) -> list[tuple[int, ast.expr]]:
    """Every text that a script has Streamlit draw as Markdown, with its line."""
    found = []
    for call in ast.walk(tree):
        if not (isinstance(call, ast.Call) and isinstance(call.func, ast.Attribute)):
            continue
        if call.func.attr not in DRAWN_AS_MARKDOWN or not isinstance(call.func.value, ast.Name):
            continue
        if call.func.value.id != "st":
            continue
        takes_first = call.func.attr not in ("page_link", "progress")  # a file, a share
        found += [(call.lineno, one) for one in (call.args[:1] if takes_first else [])]
        found += [(call.lineno, one.value) for one in call.keywords if one.arg in WORDS]
    return found


def test_every_text_drawn_as_markdown_is_ours_or_plain() -> None:
    looked_at, wrong = 0, []
    for page in PAGES:
        for line, words in drawn(ast.parse(page.read_text(encoding="utf-8"))):
            looked_at += 1
            if not is_safe(words):
                wrong.append(f"{page.name}:{line}: {ast.unparse(words)}")
    assert wrong == []
    assert looked_at > 80, "the pages draw many texts"


SAME = (
    "boiler 2, plant north",
    "as found: IMG 1234.MOV",
    "motor drives shaft1",
    "What is wrong, and what to do (twice): 3.5 %, 90 degrees!",
)
ESCAPED = {
    "[Sign in again](https://elsewhere.example)": r"\[Sign in again\](https:\u2060//elsewhere.example)",
    "![x](https://elsewhere.example/x.png)": r"!\[x\](https:\u2060//elsewhere.example/x.png)",
    "B$1 $2": r"B\$1 \$2",
    "a_b_c *d* `e` ~f~": r"a\_b\_c \*d\* \`e\` \~f\~",
    "<b>&amp;": r"\<b\>\&amp;",
    ":red[x] :fire:": r"\:red\[x\] :\u2060fire:",
    "1. first": r"1\. first",
    "- first": r"\- first",
    "# head": r"\# head",
    "two\nlines": "two lines",
    "www.elsewhere.example": "www\u2060.elsewhere.example",
    "ann@works.example": "ann@\u2060works.example",
}


def test_plain_words_stay_and_marks_are_told_to_be_marks() -> None:
    for text in SAME:
        assert plain(text) == text
    for text, expected in ESCAPED.items():
        assert plain(text) == expected.replace(r"\u2060", "\u2060"), text


@pytest.mark.parametrize(
    ("zone", "expected"),
    [("UTC0", "05:07 UTC"), ("XXX-1", "06:07 UTC+01:00"), ("XXX+3:30", "01:37 UTC-03:30")],
)
@pytest.mark.skipif(not hasattr(time, "tzset"), reason="the zone cannot be set there")
def test_a_moment_names_its_zone(monkeypatch: pytest.MonkeyPatch, zone: str, expected: str) -> None:
    with monkeypatch.context() as there:
        there.setenv("TZ", zone)
        time.tzset()
        shown = local_time(datetime(2026, 11, 26, 5, 7, tzinfo=UTC).timestamp())
    time.tzset()
    assert shown == f"2026-11-26 {expected}"
