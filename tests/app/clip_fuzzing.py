"""Runs the command ``measure`` over damaged clips in a confined process and says how each ended.

As a program: ``python clip_fuzzing.py FOLDER`` measures every file of the folder, one line of JSON for each.
"""

from __future__ import annotations

import contextlib
import io
import json
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Iterable, Iterator
from pathlib import Path

import drawn_clips
from drawn_clips import picture

from app.cli import main
from app.limits import confine

ROOT = Path(__file__).resolve().parents[2]
HANG_S = 60.0


def base_clips(folder: Path) -> tuple[bytes, ...]:
    """A film of a stroke in two containers."""

    def turned(frame: int) -> float:
        return float(
            90 * min(max((frame - 10) / 25, 0.0), 1.0) * (1 if frame < 45 else max(0.0, (70 - frame) / 25))
        )

    clips = []
    for name in ("good.mp4", "good.mkv"):
        path = drawn_clips.write(
            folder / name, lambda n: picture(turn_deg={10: turned(n), 11: 0.8 * turned(n)}), frames=85
        )
        clips.append(path.read_bytes())
    return tuple(clips)


def batches_of(clips: Iterable[bytes], size: int) -> Iterator[list[bytes]]:
    """Lists of so many clips."""
    batch: list[bytes] = []
    for clip in clips:
        batch.append(clip)
        if len(batch) == size:
            yield batch
            batch = []
    if batch:
        yield batch


def try_batch(clips: list[bytes], place: Path) -> list[tuple[str, float]]:
    """How each clip ended, and how long it took; an assertion fails where one ended badly."""
    folder = place / "batch"
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    for n, content in enumerate(clips):
        (folder / f"{n:04d}.mp4").write_bytes(content)
    done = subprocess.run(
        [sys.executable, __file__, str(folder)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=HANG_S * len(clips),
        check=False,
    )
    rows = [json.loads(line) for line in done.stdout.splitlines() if line.startswith("{")]
    assert done.returncode == 0, f"crashed at clip {len(rows)}: {done.stderr[-2000:]}"
    assert len(rows) == len(clips)
    for row in rows:
        assert row["status"] in (0, 2), row
        assert row["took_s"] < HANG_S, row
        if row["status"] == 2:
            assert len(row["said"].splitlines()) == 1, row
            assert row["said"].count(".") >= 2, row
            assert not row["left"], row
    assert sorted(p.name for p in folder.iterdir()) == [f"{n:04d}.mp4" for n in range(len(clips))]
    return [(_kind(row), row["took_s"]) for row in rows]


def _kind(row: dict[str, object]) -> str:
    """What was said, without the figures."""
    said = re.sub(r"\d[\d.]*", "N", str(row["said"]))
    return said.split(". ")[0] if row["status"] == 2 else "measured"


def measure_all(folder: Path) -> None:
    """Measure every clip of a folder, printing how each ended."""
    confine()
    for clip in sorted(folder.iterdir()):
        out = folder.parent / "result"
        said, printed = io.StringIO(), io.StringIO()
        started_s = time.monotonic()
        with contextlib.redirect_stderr(said), contextlib.redirect_stdout(printed):
            status = main(["measure", str(clip), "--out", str(out)])
        took_s = time.monotonic() - started_s
        row = {
            "clip": clip.name,
            "status": status,
            "said": said.getvalue(),
            "took_s": took_s,
            "left": out.exists(),
        }
        print(json.dumps(row), flush=True)
        shutil.rmtree(out, ignore_errors=True)


if __name__ == "__main__":
    measure_all(Path(sys.argv[1]))
