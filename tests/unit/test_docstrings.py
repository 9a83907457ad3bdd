"""Public functions of vision and kinematics that take or give arrays say of which shape they are."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
ROOMS = ("kinematics", "vision")
# names in annotations that stand for an array, whatever a module calls it
ARRAY = re.compile(r"\b(?:NDArray|ArrayLike|Array|Mask|Bools|Floats|Rgb|Singles)\b")
# in words, or as (F,), (K, 2), (..., 3, 3)
SHAPE = re.compile(r"\bshapes?\b|\((?:[A-Z]\w*|\d+|\.\.\.)(?: [-+] \d+)?,[^()]*\)")
FEWEST = 250  # such functions there are: fewer found means that the search has gone blind


def public(body: list[ast.stmt], within: str) -> Iterator[tuple[str, ast.FunctionDef]]:
    """Public functions and methods, also of public classes."""
    for node in body:
        if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
            yield from public(node.body, f"{within}.{node.name}")
        elif isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
            yield f"{within}.{node.name}", node


def array_functions() -> dict[str, ast.FunctionDef]:
    found = {}
    for path in sorted(file for room in ROOMS for file in (ROOT / room).rglob("*.py")):
        module = ".".join(path.relative_to(ROOT).with_suffix("").parts)
        for name, node in public(ast.parse(path.read_text()).body, module):
            arguments = node.args.posonlyargs + node.args.args + node.args.kwonlyargs
            if ARRAY.search(" ".join(ast.unparse(a) for a in annotations(node, arguments))):
                found[name] = node
    return found


def annotations(node: ast.FunctionDef, arguments: list[ast.arg]) -> Iterator[ast.expr]:
    if node.returns is not None:
        yield node.returns
    for argument in arguments:
        if argument.annotation is not None:
            yield argument.annotation


FUNCTIONS = array_functions()


def lacking(node: ast.FunctionDef) -> list[str]:
    """Names of arrays, "return" for what is given back, of which the docstring says no shape."""
    text = ast.get_docstring(node) or ""
    arguments = node.args.posonlyargs + node.args.args + node.args.kwonlyargs
    if "Parameters\n---" not in text and "Returns\n---" not in text:
        # a docstring of a few lines states shapes in its sentence
        return [] if SHAPE.search(text) else ["everything"]
    missing = []
    for argument in arguments:
        if argument.annotation is None or not ARRAY.search(ast.unparse(argument.annotation)):
            continue
        entry = section_entry(text, argument.arg)
        if not (SHAPE.search(entry) or re.search(r"As (?:for|of|in) `", entry)):
            missing.append(argument.arg)
    if node.returns is not None and ARRAY.search(ast.unparse(node.returns)):
        given = re.split(r"^(?:Returns|Yields)\n-+\n", text, maxsplit=1, flags=re.MULTILINE)
        summary = text.split("\n\n")[0]
        entry = re.split(r"^\w+\n-+\n", given[1], flags=re.MULTILINE)[0] if len(given) > 1 else summary
        if not SHAPE.search(entry):
            missing.append("return")
    return missing


def section_entry(text: str, name: str) -> str:
    """The head of a parameter's entry and the lines set in below it."""
    lines = text.splitlines()
    for k, line in enumerate(lines):
        names = re.split(r",\s*", line.split(" : ")[0].strip())
        if name in names and not line.startswith(" ") and (" : " in line or k + 1 < len(lines)):
            below = []
            for more in lines[k + 1 :]:
                if more and not more.startswith(" "):
                    break
                below.append(more)
            return "\n".join([line, *below])
    return ""


def test_the_search_finds_them() -> None:
    assert len(FUNCTIONS) >= FEWEST
    assert "kinematics.linkage.closure.driven_curve" in FUNCTIONS


@pytest.mark.parametrize("name", FUNCTIONS)
def test_arrays_have_shapes(name: str) -> None:
    missing = lacking(FUNCTIONS[name])
    assert not missing, f"{name}: no shape given for {', '.join(missing)}"


@pytest.mark.parametrize("name", FUNCTIONS)
def test_what_is_raised_is_said(name: str) -> None:
    node = FUNCTIONS[name]
    raised = {
        ast.unparse(one.exc.func)
        for one in ast.walk(node)
        if isinstance(one, ast.Raise) and isinstance(one.exc, ast.Call)
    }
    raised = {error for error in raised if not error.startswith("self.")}  # made by a helper
    text = ast.get_docstring(node) or ""
    said = text.split("Raises\n------\n")[-1] if "Raises\n------\n" in text else ""
    assert not {error for error in raised if not re.search(rf"^{error}\b", said, re.MULTILINE)}


def test_a_docstring_without_a_shape_is_noticed() -> None:
    source = '''
def f(x_mm: Array, y_mm: Array) -> Array:
    """Sum.

    Parameters
    ----------
    x_mm : ndarray, shape (N,)
    y_mm : ndarray

    Returns
    -------
    ndarray
    """
'''
    function = ast.parse(source).body[0]
    assert isinstance(function, ast.FunctionDef)
    assert lacking(function) == ["y_mm", "return"]
