"""Changed bundles by the real command: ``PYTHONPATH=tests/app:. python tests/bench/fuzz_bundles.py N SEED``.

Processes held to the limits of the page's worker take batches of bundles, each into a store that holds an
earlier job with a measured film. Anything but status 0, or 2 with one sentence, within a minute ends the run,
as do a change of the earlier job, a file outside the store, a problem that `check` finds, and a result taken
in that no record can be made of. Prints how the bundles ended.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from pathlib import Path

from bundle_fuzzing import lay_out, measured_film, try_batch
from bundle_mutations import mutations
from confined import batches_of


def main(count: int, seed: int) -> None:
    """Try every mutation and print how they ended."""
    ends: Counter[str] = Counter()
    slowest_s = 0.0
    with tempfile.TemporaryDirectory() as place, tempfile.TemporaryDirectory() as films:
        good = lay_out(Path(place), *measured_film(Path(films)))
        for batch in batches_of(mutations(good, count, seed), 100):
            for end, took_s in try_batch(batch, Path(place)):
                ends[end] += 1
                slowest_s = max(slowest_s, took_s)
            print(f"{sum(ends.values())} so far, slowest {slowest_s:.2f} s", flush=True)
    for sentence, times in ends.most_common():
        print(f"{times:6d}  {sentence}")
    print(f"{sum(ends.values())} bundles, slowest {slowest_s:.2f} s")


if __name__ == "__main__":
    chosen = [int(word) for word in sys.argv[1:]]
    main(*(*chosen, *(1000, 1)[len(chosen) :]))
