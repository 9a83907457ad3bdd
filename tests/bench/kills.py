"""Kills at random instants: ``PYTHONPATH=tests/app:. python tests/bench/kills.py N SEED [KIND ...]``.

Uploads, comments, analyses (of the sample clip, by the real worker), records and the page are killed in turn;
after every kill everything acknowledged must be there and the store must pass its check. Prints what was
killed and how it went on; anything lost ends the run.
"""

from __future__ import annotations

import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from killing import KINDS, Killer

FILM = Path(__file__).resolve().parents[2] / "sample_media" / "as_found.mp4"


def main(count: int, seed: int, which: list[str]) -> None:
    """Kill, look, and print."""
    rng = random.Random(seed)
    with tempfile.TemporaryDirectory() as place:
        started_s = time.monotonic()
        killer = Killer(Path(place) / "store", FILM, rng)
        kinds = [which[number % len(which)] for number in range(count)]
        rng.shuffle(kinds)
        for number, kind in enumerate(kinds, start=1):
            killer.kill(kind)
            print(f"\r{number} of {count}", end="", file=sys.stderr, flush=True)
        print(file=sys.stderr)
        for end, times in sorted(killer.ends.items()):
            print(f"{times:5d}  {end}")
        ledger = killer.ledger
        counts = (len(ledger.films), len(ledger.comments), len(ledger.results), len(ledger.records))
        print("acknowledged and there: {} uploads, {} comments, {} results, {} records".format(*counts))
        command = ["check", "--store", str(killer.store.folder)]
        done = subprocess.run(
            [sys.executable, "-m", "strokecurve.app.commands.cli", *command],
            capture_output=True,
            text=True,
            check=False,
        )
        print(f"strokecurve check: exit status {done.returncode}; {done.stdout.splitlines()[-1]}")
        print(f"{sum(killer.ends.values())} kills in {(time.monotonic() - started_s) / 60:.0f} minutes")


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]), sys.argv[3:] or list(KINDS))
