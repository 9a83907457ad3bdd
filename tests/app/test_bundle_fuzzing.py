"""Changed bundles are taken in or refused in a sentence (thousands: ``tests/bench/fuzz_bundles.py``)."""

from __future__ import annotations

from pathlib import Path

import pytest
from bundle_fuzzing import lay_out, try_batch
from bundle_mutations import mutations


@pytest.mark.slow
def test_changed_bundles_are_taken_in_or_refused_in_a_sentence(small_film: Path, tmp_path: Path) -> None:
    good = lay_out(tmp_path, small_film / "good.mp4", small_film / "result")
    first, *others = [end for end, _ in try_batch([good, *mutations(good, 30, seed=4)], tmp_path)]
    assert first == "taken in", "the bundle itself is good"
    assert len(set(others)) > 3, "others are refused, in different ways"
