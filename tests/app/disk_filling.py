"""Starts ``filling.py`` on a small disk of its own and reads what it says."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]


@dataclass(frozen=True, slots=True)
class Tried:
    """One try on a disk with so much room.

    Attributes
    ----------
    left_bytes : int
    ended : str or None
        Sentence; None if it was done.
    wrong : tuple of str
        What was damaged or gone afterwards.
    """

    left_bytes: int
    ended: str | None
    wrong: tuple[str, ...]


def can_mount(place: Path) -> bool:
    """Whether this system lets us have a small disk."""
    command = ["unshare", "-rm", "mount", "-t", "tmpfs", "tmpfs", str(place)]
    try:
        return subprocess.run(command, capture_output=True, check=False).returncode == 0
    except OSError:
        return False


def tries(folder: Path, film: Path, action: str, step_kb: float, most: int) -> list[Tried]:
    """Try an action with more and more room until it is done.

    Raises
    ------
    RuntimeError
        If it ended in any other way than done or with a plain sentence.
    """
    place = folder / action.replace(" ", "-") / "disk"
    place.parent.mkdir()
    command = ["unshare", "-rm", sys.executable, str(HERE / "filling.py"), str(place), str(film)]
    done = subprocess.run(
        [*command, action, str(step_kb), str(most)],
        env={"PYTHONPATH": f"{ROOT}:{HERE}", "PATH": "/usr/bin:/bin:/usr/sbin:/sbin"},
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode != 0:
        raise RuntimeError(done.stderr)
    found = [json.loads(line) for line in done.stdout.splitlines() if line.startswith("{")]
    return [Tried(one["left_bytes"], one["ended"], tuple(one["wrong"])) for one in found]
