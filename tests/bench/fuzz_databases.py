"""Damaged databases of a store: ``PYTHONPATH=tests/app:. python tests/bench/fuzz_databases.py N SEED``.

Each is opened, listed, checked and backed up. Anything but success or one sentence ends the run with its
traceback. Prints how the commands ended.
"""

from __future__ import annotations

import re
import sys
import tempfile
from collections import Counter
from pathlib import Path

from database_damage import COMMANDS, damaged, settle, try_damaged
from fake_result import write_fake_result
from stored import Clock, commented_film

from strokecurve.app.store.store import Store


def main(count: int, seed: int) -> None:
    """Try every damage and print how the commands ended."""
    ends = {name: Counter[str]() for name in COMMANDS}
    with tempfile.TemporaryDirectory() as place:
        store = Store(Path(place) / "store", Clock())
        for _ in range(3):
            commented_film(store, write_fake_result)
        whole = settle(store.folder)
        for content in damaged(whole, count, seed):
            for name, end in try_damaged(store.folder, content, Path(place) / "try").items():
                ends[name][re.sub(r"/\S+", "...", end)[:100]] += 1
    for name, sentences in ends.items():
        for sentence, times in sentences.most_common():
            print(f"{times:6d}  {name}: {sentence}")


if __name__ == "__main__":
    chosen = [int(word) for word in sys.argv[1:]]
    main(*(*chosen, *(3000, 1)[len(chosen) :]))
