"""Takes changed bundles into a store: ``PYTHONPATH=tests/app:. python tests/bench/fuzz_bundles.py N SEED``.

Anything but a sentence ends the run with its traceback; at the end the store is checked.
"""

from __future__ import annotations

import io
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from bundle_mutations import mutations
from fake_result import write_fake_result
from stored import add_job, measured

from app.bundle import export_job
from app.bundle_import import import_bundle
from app.errors import StoreError
from app.keeping import check
from app.record import Comment, IntendedChoice, Proposals
from app.store import Store


def main(count: int, seed: int) -> None:
    """Try every mutation and print how they ended."""
    with tempfile.TemporaryDirectory() as place:
        sender, receiver = Store(Path(place) / "sender"), Store(Path(place) / "receiver")
        film = add_job(sender, rig_toml="# rig\n")
        measured(sender, film, write_fake_result)
        sender.add(film.job_id, Comment("look", 1.0, "motor:shaft1", 30.0), "technician", film.film_id)
        sender.add(film.job_id, Proposals("motor:shaft1", '[{"touches": 1}]'))
        sender.add(film.job_id, IntendedChoice("motor:shaft1", "equal", ()))
        good = export_job(sender, film.job_id, Path(place) / "good.zip", clips=True).read_bytes()
        earlier = receiver.new_job()
        ends: Counter[str] = Counter()
        slowest_s = 0.0
        for content in mutations(good, count, seed):
            started_s = time.monotonic()
            try:
                import_bundle(receiver, io.BytesIO(content))
                ends["taken in"] += 1
            except StoreError as error:
                ends[error.message.split(":")[0]] += 1
            slowest_s = max(slowest_s, time.monotonic() - started_s)
        for sentence, times in ends.most_common():
            print(f"{times:6d}  {sentence}")
        report = check(receiver)
        assert receiver.job(earlier.job_id) == earlier
        print(f"{count} bundles, slowest {slowest_s:.2f} s, problems: {report.problems}, {report.notes}")


if __name__ == "__main__":
    chosen = [int(word) for word in sys.argv[1:]]
    main(*(*chosen, *(1000, 1)[len(chosen) :]))
