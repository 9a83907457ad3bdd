"""The map of files in DEVELOPERS.md against the files there are."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
FOLDERS = ("vision", "vision/joint_fit", "kinematics", "kinematics/faults", "kinematics/intended")


def named() -> dict[str, list[str]]:
    """File names in the map, by the folder under whose heading they stand."""
    block = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").split("```")[1]
    found: dict[str, list[str]] = {}
    folder = last = ""
    for line in block.splitlines():
        if heading := re.match(r"(\w+)/\s", line):
            folder = heading.group(1)
        here = folder
        if inner := re.match(r"  (\w+)/\s", line):
            here = f"{folder}/{inner.group(1)}"
        if line.startswith("    "):  # goes on with the line above
            here = last
        found.setdefault(here, []).extend(re.findall(r"[\w*]+\.py", line))
        last = here
    return found


@pytest.mark.parametrize("folder", FOLDERS)
def test_every_file_is_on_the_map_once(folder: str) -> None:
    there = {p.name for p in (ROOT / folder).glob("*.py")} - {"__init__.py"}
    names = named()[folder]
    assert set(names) == there
    assert len(names) == len(set(names))
