"""What the filming guide asks for against what is printed."""

from __future__ import annotations

import re
from pathlib import Path

from strokecurve.vision.sheet import layout

GUIDE = Path(__file__).parents[2] / "docs" / "filming.md"


def ids_asked_for() -> set[int]:
    """Markers named in the guide: `marker 10`, `markers 0 to 3`, `31 or 41 on its end`."""
    text = GUIDE.read_text(encoding="utf-8")
    found = set()
    for first, last in re.findall(r"markers? (\d+)(?: to (\d+))?", text):
        found |= set(range(int(first), int(last or first) + 1))
    for several in re.findall(r"((?:\d\d or )?\d\d) on (?:the|its)\b", text):
        found |= {int(i) for i in several.split(" or ")}
    return found


def test_every_marker_of_the_guide_is_printed() -> None:
    asked = ids_asked_for()
    assert asked >= {0, 1, 2, 3, 10, 11, 12, 20, 21, 31, 41}
    for paper in ("a4", "letter"):
        card, *loose = layout(paper).pages
        assert len(loose) == 2
        for page in loose:
            assert asked <= {m.marker_id for m in (*card.markers, *page.markers)}
