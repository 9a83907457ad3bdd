"""Batches of cases tried by a process of their own: a crash, a hang or a traceback in one of them is seen."""

from __future__ import annotations

import json
import queue
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterable, Iterator
from itertools import islice
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
HANG_S = 60.0
"""Longest that a case may be without an answer."""
START_S = 60.0
"""Loading the libraries comes on top for the first one, on a machine that is busy with other things."""


def batches_of(cases: Iterable[bytes], size: int) -> Iterator[list[bytes]]:
    """Lists of so many cases."""
    left = iter(cases)
    return iter(lambda: list(islice(left, size)), [])


def write_cases(folder: Path, cases: Iterable[bytes], ending: str) -> list[str]:
    """Write cases into a new folder, in order of their names; gives the names."""
    folder.mkdir()
    names = []
    for number, content in enumerate(cases):
        names.append(f"{number:04d}{ending}")
        (folder / names[-1]).write_bytes(content)
    return names


def rows_of(program: str, *arguments: str | Path, count: int) -> list[dict[str, Any]]:
    """What a program says of its cases, a line of JSON each; an assertion fails where it hangs or crashes.

    Parameters
    ----------
    program : str
        A file of Python that confines itself.
    *arguments : str or Path
    count : int
        Number of cases; one that takes longer than a minute is ended, and the whole batch with it.
    """
    rows: list[dict[str, Any]] = []
    with tempfile.TemporaryFile("w+") as complaints:
        process = subprocess.Popen(
            [sys.executable, program, *map(str, arguments)],
            cwd=ROOT,
            stdout=subprocess.PIPE,
            stderr=complaints,
            text=True,
        )
        lines: queue.Queue[str | None] = queue.Queue()
        reader = threading.Thread(target=_read, args=(process, lines), daemon=True)
        reader.start()
        try:
            while (line := _next(lines, HANG_S if rows else HANG_S + START_S, len(rows))) is not None:
                rows.append(json.loads(line))
            status = process.wait(HANG_S)
        finally:
            process.kill()
            process.wait()
            reader.join()
        complaints.seek(0)
        assert status == 0, f"crashed at case {len(rows)}: {complaints.read()[-3000:]}"
    assert len(rows) == count, f"{len(rows)} of {count} cases told of"
    return rows


def _read(process: subprocess.Popen[str], lines: queue.Queue[str | None]) -> None:
    assert process.stdout is not None
    with process.stdout:
        for line in process.stdout:
            if line.startswith("{"):
                lines.put(line)
    lines.put(None)


def _next(lines: queue.Queue[str | None], within_s: float, number: int) -> str | None:
    try:
        return lines.get(timeout=within_s)
    except queue.Empty:
        raise AssertionError(f"case {number} hangs: no answer within {within_s:.0f} s") from None


def say(**facts: object) -> None:
    """Tell how a case ended."""
    print(json.dumps(facts), flush=True)


def assert_ended_well(row: dict[str, Any]) -> None:
    """Status 0 without complaint, or 2 with one sentence of what is wrong and one of what to do, in time."""
    assert row["status"] in (0, 2), row
    assert row["took_s"] < HANG_S, row
    lines = row["said"].splitlines()
    assert len(lines) == (1 if row["status"] else 0), row
    assert not lines or (lines[0].count(".") >= 2 and len(lines[0]) < 1000), row
