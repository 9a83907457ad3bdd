"""Changed set-up files and tables are used or refused in words (thousands: ``tests/bench/fuzz_texts.py``)."""

from __future__ import annotations

from pathlib import Path

import pytest
from text_fuzzing import TEXTS, Bench, mutations


@pytest.mark.slow
@pytest.mark.parametrize("kind", TEXTS)
def test_changed_files_are_used_or_refused_in_a_sentence(tmp_path: Path, kind: str) -> None:
    bench = Bench.make(tmp_path)
    texts = TEXTS[kind]
    good = [end for end, _ in bench.try_file(kind, texts[0])]
    assert good[-1].endswith("done"), "the file itself is good"
    ends = {end for text in mutations(texts, 12, seed=3) for end, _ in bench.try_file(kind, text)}
    assert len(ends) > 1, "some are refused, in different ways"
