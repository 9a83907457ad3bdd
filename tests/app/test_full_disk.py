"""A disk full at any write: a plain sentence, nothing earlier lost; at every write by ``full_disk.py``."""

from __future__ import annotations

from pathlib import Path

import pytest
from disk_filling import can_mount, tries

from strokecurve.app.words.errors import FULL_DISK, no_room


@pytest.mark.slow
@pytest.mark.parametrize(
    ("action", "step_kb", "most"),
    [("comment", 4, 40), ("upload", 60, 40), ("report", 16, 40), ("backup", 60, 40), ("bundle", 60, 40)],
)
def test_a_disk_that_fills_up(
    tmp_path: Path, small_film: Path, action: str, step_kb: float, most: int
) -> None:
    if not can_mount(tmp_path):
        # Also in CI: no package that could be installed gives this right.
        pytest.skip("not tried: this system forbids mounting a small disk (unshare -rm, mount -t tmpfs)")
    found = tries(tmp_path, small_film / "good.mp4", action, step_kb, most)
    assert [one.ended for one in found[-3:]] == [None] * 3, "with enough room it is done"
    refused = [one.ended for one in found if one.ended is not None]
    assert len(refused) >= 3
    for sentence in refused:
        assert any(words in sentence for words in ("No space left on device", "the disk is full", "no room"))
    assert [one.wrong for one in found if one.wrong] == []


def test_only_a_lack_of_room_is_called_so() -> None:
    for number in FULL_DISK:
        assert "no room left" in str(no_room(OSError(number, "x")))
    assert no_room(OSError(13, "Permission denied")) is None
    assert no_room(ValueError("x")) is None
