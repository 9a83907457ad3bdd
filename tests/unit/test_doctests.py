"""The examples in docstrings say what the code does."""

from __future__ import annotations

import doctest
import importlib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
FILES = [path for package in ("kinematics", "vision") for path in sorted((ROOT / package).rglob("*.py"))]
MODULES = [
    ".".join(("strokecurve", *path.relative_to(ROOT).with_suffix("").parts))
    for path in FILES
    if ">>> " in path.read_text(encoding="utf-8")
]


@pytest.mark.parametrize("name", MODULES)
def test_examples_of_a_module(name: str) -> None:
    outcome = doctest.testmod(importlib.import_module(name))
    assert outcome.attempted > 0
    assert outcome.failed == 0
