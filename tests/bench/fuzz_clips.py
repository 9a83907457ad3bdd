"""Damaged clips by the real command: ``PYTHONPATH=tests/app:. python tests/bench/fuzz_clips.py N SEED``.

Processes held to the limits of the page's worker take batches of clips, so a crash of the decoder, a hang or
a traceback is seen. Prints how the clips ended; anything but status 0, or 2 with one sentence, ends the run.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from pathlib import Path

from clip_fuzzing import base_clips, try_batch
from clip_mutations import mutations
from confined import batches_of


def main(count: int, seed: int) -> None:
    """Try every mutation and print how they ended."""
    ends: Counter[str] = Counter()
    slowest_s = 0.0
    with tempfile.TemporaryDirectory() as place:
        for batch in batches_of(mutations(base_clips(Path(place)), count, seed), 50):
            for end, took_s in try_batch(batch, Path(place)):
                ends[end] += 1
                slowest_s = max(slowest_s, took_s)
    for sentence, times in ends.most_common():
        print(f"{times:6d}  {sentence}")
    print(f"{sum(ends.values())} clips, slowest {slowest_s:.2f} s")


if __name__ == "__main__":
    chosen = [int(word) for word in sys.argv[1:]]
    main(*(*chosen, *(2000, 1)[len(chosen) :]))
