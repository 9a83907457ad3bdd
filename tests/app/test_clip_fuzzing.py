"""Damaged clips end with a sentence; ``tests/bench/fuzz_clips.py`` tries thousands."""

from __future__ import annotations

from pathlib import Path

import pytest
from clip_fuzzing import try_batch
from clip_mutations import mutations


@pytest.mark.slow
def test_damaged_clips_are_measured_or_refused_in_a_sentence(small_film: Path, tmp_path: Path) -> None:
    clips = [(small_film / name).read_bytes() for name in ("good.mp4", "good.mkv")]
    ends = [end for end, _ in try_batch([*clips, *mutations(clips, 16, seed=5)], tmp_path)]
    assert ends[:2] == ["measured", "measured"]
    assert len(set(ends)) > 2, "some are refused, in different ways"
