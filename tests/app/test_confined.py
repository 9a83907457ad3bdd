"""The net below the fuzzing holds: hangs, crashes and cases left out are seen."""

from __future__ import annotations

from pathlib import Path

import confined
import pytest

SAYS = "import json, sys, time, os\nfor n in range(2): print(json.dumps({'n': n}), flush=True)\n"


def program(folder: Path, then: str = "") -> str:
    """A program that tells of two cases and then does something."""
    path = folder / "program.py"
    path.write_text(SAYS + then)
    return str(path)


def test_rows_are_given_in_order(tmp_path: Path) -> None:
    assert confined.rows_of(program(tmp_path), count=2) == [{"n": 0}, {"n": 1}]


@pytest.mark.parametrize(
    ("then", "count", "words"),
    [
        ("time.sleep(1000)", 3, "case 2 hangs"),
        ("os.abort()", 3, "crashed at case 2"),
        ("raise ValueError('a fault')", 3, "a fault"),
        ("", 3, "2 of 3 cases"),
    ],
)
def test_what_ends_badly_is_seen(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, then: str, count: int, words: str
) -> None:
    # A second is long for a program that only sleeps; starting it has a minute of its own.
    monkeypatch.setattr(confined, "HANG_S", 1.0)
    with pytest.raises(AssertionError, match=words):
        confined.rows_of(program(tmp_path, then), count=count)


@pytest.mark.parametrize(
    "row",
    [
        {"status": 1, "said": "", "took_s": 1.0},
        {"status": 0, "said": "Something. Else.", "took_s": 1.0},
        {"status": 2, "said": "", "took_s": 1.0},
        {"status": 2, "said": "No advice.", "took_s": 1.0},
        {"status": 2, "said": "Two.\nlines.", "took_s": 1.0},
        {"status": 0, "said": "", "took_s": 61.0},
    ],
)
def test_bad_ends(row: dict[str, object]) -> None:
    with pytest.raises(AssertionError):
        confined.assert_ended_well(row)
