"""One name, one meaning: no public class of vision or kinematics shares its name with another class."""

from __future__ import annotations

import ast
from collections import defaultdict
from pathlib import Path

ROOT = Path(__file__).parents[2]
SHARED = {"Settings"}  # one in each package, always read with its module
FEWEST = 150  # public classes there are: fewer found means that the search has gone blind


def public_classes() -> dict[str, list[str]]:
    homes = defaultdict(list)
    for room in ("app", "kinematics", "vision"):
        for path in sorted((ROOT / room).rglob("*.py")):
            for node in ast.parse(path.read_text()).body:
                if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                    homes[node.name].append(str(path.relative_to(ROOT)))
    return homes


def test_no_class_of_the_sciences_shares_its_name() -> None:
    homes = public_classes()
    assert len(homes) >= FEWEST
    twice = {
        name: files
        for name, files in homes.items()
        if len(files) > 1 and name not in SHARED and any(not file.startswith("app/") for file in files)
    }
    assert not twice
