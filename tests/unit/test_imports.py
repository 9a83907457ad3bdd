"""Which code may import what: contracts between rooms, and libraries that a core package may use."""

from __future__ import annotations

import ast
import sys
import tomllib
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest
from importlinter.cli import EXIT_STATUS_SUCCESS, lint_imports

ROOT = Path(__file__).resolve().parents[2]
OURS = ("vision", "kinematics", "app")
ALLOWED = {"kinematics": {"numpy", "scipy"}, "vision": {"numpy", "scipy", "cv2", "av"}}


def _imported(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name} imports by a relative name"
            assert node.module
            names.add(node.module.split(".")[0])
    return names


def _files(package: str) -> list[Path]:
    files = sorted((ROOT / package).rglob("*.py"))
    assert files, package
    return files


def test_rooms_import_only_what_lies_below_them(monkeypatch: pytest.MonkeyPatch) -> None:
    """The contracts are in pyproject.toml; none of them leaves room for a circle."""
    monkeypatch.chdir(ROOT)
    assert lint_imports(cache_dir=None) == EXIT_STATUS_SUCCESS


@pytest.mark.parametrize("package", ["vision", "kinematics"])
def test_a_core_package_imports_only_what_it_may(package: str) -> None:
    for path in _files(package):
        strange = _imported(path) - ALLOWED[package] - set(sys.stdlib_module_names) - {"strokecurve"}
        assert not strange, f"{path.relative_to(ROOT)} imports {sorted(strange)}"


def test_our_code_has_one_import_name_and_knows_nothing_of_tests() -> None:
    for package in OURS:
        for path in _files(package):
            assert not _imported(path) & {*OURS, "tests"}, path.relative_to(ROOT)
    for path in [*_files("tests"), *_files("sample_media")]:
        assert not _imported(path) & set(OURS), path.relative_to(ROOT)


def test_every_package_is_installed() -> None:
    """Told one by one, as the folders stand under another name once they are installed."""
    stated = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"]
    there = {
        ".".join(("strokecurve", *path.parent.relative_to(ROOT).parts))
        for package in OURS
        for path in (ROOT / package).rglob("__init__.py")
    }
    assert there
    assert set(stated["packages"]) == there


def test_no_file_outside_our_packages_is_named_after_a_library() -> None:
    # tests/ is not a package, so its files are top-level names.
    taken = set(sys.stdlib_module_names) | set(packages_distributions())
    taken -= {"sample_media", "tests"}
    for package in ("tests", "sample_media"):
        for path in (ROOT / package).rglob("*.py"):
            if not path.stem.startswith("__"):
                assert path.stem not in taken, path.relative_to(ROOT)
