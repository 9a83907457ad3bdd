"""What a process that opens somebody's clip may take of the machine.

A clip is hostile input: a damaged or malicious one must end its own run with a sentence, never the page or
another job. The limits are the operating system's own; where it has none (Windows), there are none.
"""

from __future__ import annotations

import os
import signal
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import FrameType

from strokecurve.app.words.errors import InputError


@dataclass(frozen=True, slots=True)
class Limits:
    """Most that one run may take.

    Attributes
    ----------
    memory_bytes : int
        Addresses in use: four times what 4K film takes (measured: 1.2 GB on two cores), for machines with
        more decoding threads.
    cpu_s : int
        Computing time of all threads. A second of 1080p film takes 0.4 s (measured), so this is for hours.
    file_bytes : int
        Largest file written: twice the largest clip that is taken in.
    niceness : int
        How far it stands back behind others, so that the page stays quick beside it; 19 is the most.
    """

    memory_bytes: int = 5 << 30
    cpu_s: int = 4 * 3600
    file_bytes: int = 4 << 30
    niceness: int = 10


TRY_SLOT_EVERY_S = 0.2

AUTOGROUP = Path("/proc/self/autogroup")
_GRACE_S = 30
"""Time to end with a sentence after the computing time is over; then the system ends the process."""


def confine(limits: Limits | None = None) -> None:
    """Hold this process to limits from now on, for good.

    Over its memory it meets ``MemoryError``, over a file's size ``OSError``, over its computing time
    `InputError` in the main thread.

    Parameters
    ----------
    limits : Limits, optional
    """
    if sys.platform == "win32":
        return
    import resource

    limits = limits or Limits()
    stand_back(limits.niceness)
    wanted = (
        (resource.RLIMIT_AS, limits.memory_bytes, limits.memory_bytes),
        (resource.RLIMIT_CPU, limits.cpu_s, limits.cpu_s + _GRACE_S),
        (resource.RLIMIT_FSIZE, limits.file_bytes, limits.file_bytes),
    )
    for kind, soft, hard in wanted:
        _, allowed = resource.getrlimit(kind)
        ceiling = hard if allowed == resource.RLIM_INFINITY else min(hard, allowed)  # a stricter one stands
        resource.setrlimit(kind, (min(soft, ceiling), ceiling))
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)  # writing on then fails as on a full disk
    signal.signal(signal.SIGXCPU, _out_of_time)


@contextmanager
def one_of(slots: int, folder: Path, wait: Callable[[], None]) -> Iterator[None]:
    """Hold one of so many slots among processes of this machine; the system gives it back if one is killed.

    Parameters
    ----------
    slots : int
    folder : Path
        Where the locks are; made if missing.
    wait : callable
        Called while all slots are taken; it may raise.
    """
    if sys.platform == "win32":
        yield
        return
    import fcntl

    folder.mkdir(parents=True, exist_ok=True)
    while True:
        for number in range(slots):
            with (folder / f"slot{number}.lock").open("w") as lock:
                try:
                    fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
                except BlockingIOError:
                    continue
                yield
                return
        wait()
        time.sleep(TRY_SLOT_EVERY_S)


def stand_back(niceness: int) -> None:
    """Let others go first when there is not enough computing time for all.

    Linux weighs sessions against each other before it looks at the processes in them (autogroup scheduling),
    so a process that leads a session of its own, as those do that outlive the page, says it for its session.

    Parameters
    ----------
    niceness : int
        0 to 19; a process that stands further back already stays there.
    """
    if sys.platform == "win32":
        return
    os.nice(max(0, niceness - os.nice(0)))
    if os.getsid(0) == os.getpid():
        try:
            AUTOGROUP.write_text(str(os.nice(0)), encoding="ascii")
        except OSError:
            return  # a system without such groups, or one that does not let us


def _out_of_time(_number: int, _frame: FrameType | None) -> None:
    raise InputError(
        "This took more computing time than any film of a stroke needs, so it was stopped.",
        "Cut the clip to one stroke or film again; ask once more for anything else.",
    )
