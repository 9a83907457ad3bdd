"""The map in DEVELOPERS.md, and what rooms say of themselves, against the tree."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PACKAGES = ("app", "kinematics", "vision")
GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
ROOMS = sorted(
    path.parent.relative_to(ROOT).as_posix()
    for package in PACKAGES
    for path in (ROOT / package).glob("*/__init__.py")
)


def mapped() -> dict[str, list[str]]:
    """Files named in the map, by their room."""
    found: dict[str, list[str]] = {}
    package = ""
    for line in GUIDE.split("```")[1].splitlines():
        if heading := re.match(r"(\w+)/\s", line):
            package = heading.group(1)
        elif room := re.match(r"  (\w+)/\s", line):
            found[f"{package}/{room.group(1)}"] = re.findall(r"\w+\.py", line)
    return found


def test_map_has_every_room_and_stays_short() -> None:
    assert sorted(mapped()) == ROOMS
    assert len(GUIDE.split("```")[1].splitlines()) <= 60


@pytest.mark.parametrize("room", ROOMS)
def test_files_named_in_the_map_are_there(room: str) -> None:
    files = mapped()[room]
    assert files
    for file in files:
        assert (ROOT / room / file).is_file(), f"{room}/{file}"


@pytest.mark.parametrize("room", ROOMS)
def test_a_room_says_what_it_is_for(room: str) -> None:
    """A line, then a paragraph on what comes in and what goes out; the modules that it names are there."""
    text = (ROOT / room / "__init__.py").read_text(encoding="utf-8").split('"""')[1]
    first, _, rest = text.partition("\n\n")
    assert "\n" not in first
    assert rest.startswith("In come")
    for name in re.findall(r"(?<!`)`([a-z_]+)`(?!`)", rest):
        there = (ROOT / room / f"{name}.py").is_file() or (ROOT / room / name / "__init__.py").is_file()
        assert there or name == "strokecurve", f"{room}: {name}"


def test_files_named_with_their_folder_are_there() -> None:
    """In the guide for developers and in the docs."""
    for page in [ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))]:
        named = re.findall(r"\b(?:app|kinematics|vision|tests)/[\w/]+\.\w+", page.read_text(encoding="utf-8"))
        for name in named:
            assert (ROOT / name).exists(), f"{page.name}: {name}"
