"""A disk full at every write: ``PYTHONPATH=tests/app:. python tests/bench/full_disk.py [ACTION ...]``.

On a disk of its own (in memory; needs ``unshare -rm``) each action is tried with 0 bytes left, then with one
page of the disk more, until it is done three times over. Prints how the tries ended; one that ended in a
traceback, or with anything earlier lost, ends the run.
"""

from __future__ import annotations

import re
import sys
import tempfile
from collections import Counter
from pathlib import Path

from clip_fuzzing import base_clips
from disk_filling import tries

ACTIONS = (
    "comment", "upload", "report", "report command", "import", "bundle", "backup", "restore", "analysis",
    "measure command",
)  # fmt: skip
STEP_KB = 4
MOST = 400


def main(actions: list[str]) -> None:
    """Try everything and print how it ended."""
    with tempfile.TemporaryDirectory() as place:
        film = Path(place) / "film.mp4"
        film.write_bytes(base_clips(Path(place))[0])
        for action in actions:
            found = tries(Path(place), film, action, STEP_KB, MOST)
            damaged = [one for one in found if one.wrong]
            if damaged:
                raise SystemExit(f"{action}: {damaged}")
            ends = Counter(re.sub(r"/\S*/", "", one.ended or "done") for one in found)
            print(f"{action}: {len(found)} tries, up to {found[-1].left_bytes >> 10} KB left", flush=True)
            for end, times in ends.most_common():
                print(f"{times:6d}  {end}", flush=True)


if __name__ == "__main__":
    main(sys.argv[1:] or list(ACTIONS))
