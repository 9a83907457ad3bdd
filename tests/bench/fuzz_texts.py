"""Changed set-up files and tables.

`PYTHONPATH=tests/app:. python tests/bench/fuzz_texts.py [RIGS] [TABLES] [SEED]`

Set-up files (and compositions of fuels) go through `measure`, `adjust` and `intended`, tables through
`adjust` and `intended`, in processes held to the limits of the page's worker. Anything but status 0, or 2
with one sentence, within a minute ends the run, as does a change of what was there before.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from pathlib import Path

from confined import batches_of
from text_fuzzing import TEXTS, Bench, mutations

SHARES = {"rig": 0.8, "fuel": 0.2, "intended": 0.5, "readings": 0.5}


def main(rigs: int, tables: int, seed: int) -> None:
    """Try every mutation and print how they ended."""
    counts = {"rig": rigs, "fuel": rigs, "intended": tables, "readings": tables}
    ends: Counter[str] = Counter()
    slowest_s, files = 0.0, Counter[str]()
    with tempfile.TemporaryDirectory() as place:
        bench = Bench.make(Path(place))
        for kind, texts in TEXTS.items():
            for batch in batches_of(mutations(texts, round(counts[kind] * SHARES[kind]), seed), 100):
                files[kind] += len(batch)
                for end, took_s in (one for of_file in bench.try_batch(kind, batch) for one in of_file):
                    ends[end] += 1
                    slowest_s = max(slowest_s, took_s)
            print(kind, files[kind], flush=True)
    for sentence, times in ends.most_common():
        print(f"{times:6d}  {sentence}")
    print(f"{dict(files)}, {sum(ends.values())} commands, slowest {slowest_s:.2f} s")


if __name__ == "__main__":
    chosen = [int(word) for word in sys.argv[1:]]
    main(*(*chosen, *(2000, 2000, 1)[len(chosen) :]))
