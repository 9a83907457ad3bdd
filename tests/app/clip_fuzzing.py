"""Runs the command ``measure`` over damaged clips in a confined process and says how each ended.

As a program: ``python clip_fuzzing.py FOLDER`` measures every file of the folder, one line of JSON for each.
"""

from __future__ import annotations

import contextlib
import io
import re
import shutil
import sys
import time
from pathlib import Path

import drawn_clips
from confined import assert_ended_well, rows_of, say, write_cases
from drawn_clips import picture

from strokecurve.app.commands.cli import main
from strokecurve.app.words.resource_limits import confine


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


def try_batch(clips: list[bytes], place: Path) -> list[tuple[str, float]]:
    """How each clip ended, and how long it took; an assertion fails where one ended badly."""
    folder = place / "batch"
    shutil.rmtree(folder, ignore_errors=True)
    names = write_cases(folder, clips, ".mp4")
    rows = rows_of(__file__, folder, count=len(clips))
    for row in rows:
        assert_ended_well(row)
        assert row["status"] == 0 or not row["left"], row
    assert sorted(path.name for path in folder.iterdir()) == names
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
        say(clip=clip.name, status=status, said=said.getvalue(), took_s=took_s, left=out.exists())
        shutil.rmtree(out, ignore_errors=True)


if __name__ == "__main__":
    measure_all(Path(sys.argv[1]))
