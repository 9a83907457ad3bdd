"""Which package may import what, read from the source itself."""

from __future__ import annotations

import ast
import sys
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
OURS = ("vision", "kinematics", "app")
ALLOWED = {"kinematics": {"numpy", "scipy"}, "vision": {"numpy", "scipy", "cv2", "av"}}


def _imported(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level <= 1, f"{path.name} reaches out of its package"
            if node.module and node.level == 0:
                names.add(node.module.split(".")[0])
    return names


def _files(package: str) -> list[Path]:
    files = sorted((ROOT / package).rglob("*.py"))
    assert files, package
    return files


@pytest.mark.parametrize("package", ["vision", "kinematics"])
def test_a_core_package_imports_only_what_it_may(package: str) -> None:
    for path in _files(package):
        strange = _imported(path) - ALLOWED[package] - set(sys.stdlib_module_names) - {package}
        assert not strange, f"{path.relative_to(ROOT)} imports {sorted(strange)}"


@pytest.mark.parametrize("package", ["vision", "kinematics"])
def test_core_packages_do_not_know_each_other_or_the_application(package: str) -> None:
    others = {*OURS, "sample_media", "tests"} - {package}
    for path in _files(package):
        assert not _imported(path) & others, path.relative_to(ROOT)


def test_no_package_imports_tests_or_sample_media_except_for_the_demo_clips() -> None:
    for package in OURS:
        for path in _files(package):
            assert "tests" not in _imported(path), path.relative_to(ROOT)


def test_no_file_is_named_after_a_library() -> None:
    # tests/ is not a package, so its files are top-level names too.
    taken = set(sys.stdlib_module_names) | set(packages_distributions())
    taken -= {*OURS, "sample_media", "tests"}
    for package in (*OURS, "tests", "sample_media"):
        for path in (ROOT / package).rglob("*.py"):
            if not path.stem.startswith("__"):
                assert path.stem not in taken, path.relative_to(ROOT)
