"""Programs killed at random instants lose nothing acknowledged; ``tests/bench/kills.py`` kills 200."""

from __future__ import annotations

import random
import sys
from pathlib import Path

import pytest
from killing import KINDS, PATIENCE_S, Killer

from strokecurve.app.store import scheduler

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform == "win32", reason="signals are of POSIX"),
]


def test_nothing_acknowledged_is_lost(
    tmp_path: Path, small_film: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("STALE_AFTER_S", "STARTS_WITHIN_S"):
        monkeypatch.setattr(scheduler, name, PATIENCE_S)  # put back at the end
    killer = Killer(tmp_path / "store", small_film / "good.mp4", random.Random(7))
    kinds = (*KINDS, "analysis", "upload", "comment")
    for kind in kinds:
        killer.kill(kind)
    assert sum(killer.ends.values()) == len(kinds)
    ledger = killer.ledger
    assert all((ledger.films, ledger.comments, ledger.results, ledger.records)), "something was acknowledged"
