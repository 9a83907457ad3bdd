"""A run that takes too much ends by itself, with a sentence."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from patience import PATIENCE_S

from strokecurve.app.words.resource_limits import one_of
from strokecurve.vision.errors import Cancelled

ROOT = Path(__file__).resolve().parents[2]
pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="there are no such limits")


def confined(program: str, **limits: int) -> subprocess.CompletedProcess[str]:
    given = ", ".join(f"{name}={value}" for name, value in limits.items())
    limits = "from strokecurve.app.words.resource_limits import Limits, confine"
    start = f"import numpy as np\n{limits}\nconfine(Limits({given}))\n"
    return subprocess.run(
        [sys.executable, "-c", start + program],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
    )


def test_memory() -> None:
    done = confined(
        "try:\n    np.ones(1 << 29)\nexcept MemoryError:\n    print('refused')", memory_bytes=2 << 30
    )
    assert done.stdout == "refused\n"


def test_computing_time() -> None:
    done = confined("while True:\n    sum(range(1000))", cpu_s=2)
    assert done.returncode == 1
    assert "Cut the clip to one stroke" in done.stderr.splitlines()[-1]


def test_size_of_a_file(tmp_path: Path) -> None:
    write = f"open({str(tmp_path / 'x')!r}, 'wb').write(bytes(3 << 20))"
    done = confined(f"try:\n    {write}\nexcept OSError as e:\n    print(e.errno)", file_bytes=1 << 20)
    assert done.stdout == "27\n", done.stderr  # EFBIG


def test_a_stricter_limit_of_the_system_stands() -> None:
    done = confined(
        "import resource\nprint(resource.getrlimit(resource.RLIMIT_CPU))\n"
        "confine(Limits(cpu_s=500))\nprint(resource.getrlimit(resource.RLIMIT_CPU))",
        cpu_s=100,
    )
    assert done.stdout == "(100, 130)\n(130, 130)\n"


def test_standing_back_counts_between_sessions() -> None:
    """Linux with autogroup scheduling looks at the session's own niceness first (sched(7))."""
    group = Path("/proc/self/autogroup")
    if not group.is_file():
        pytest.skip("this system has no such groups")
    done = subprocess.run(
        [
            sys.executable,
            "-c",
            "import os; from strokecurve.app.words.resource_limits import AUTOGROUP, stand_back;"
            "stand_back(7);"
            "print(os.nice(0), AUTOGROUP.read_text().split()[-1])",
        ],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
        start_new_session=True,
    )
    own, of_session = map(int, done.stdout.split())
    assert own == of_session >= 7


HOLDS = """
import pathlib, sys, time
from strokecurve.app.words.resource_limits import one_of
def wait():
    print("waits", flush=True)
with one_of(1, pathlib.Path(sys.argv[1]), wait):
    print("holds", flush=True)
    time.sleep(float(sys.argv[2]))
"""


def test_a_place_is_held_by_one_process_and_free_when_it_is_killed(tmp_path: Path) -> None:
    def holder(seconds: float) -> subprocess.Popen[str]:
        command = [sys.executable, "-c", HOLDS, str(tmp_path / "slots"), str(seconds)]
        return subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True)

    with holder(600) as first:
        assert first.stdout is not None
        assert first.stdout.readline() == "holds\n"
        with holder(0) as second:
            assert second.stdout is not None
            assert second.stdout.readline() == "waits\n"
            first.kill()
            assert second.stdout.read().endswith("holds\n")


def test_places_of_one_process(tmp_path: Path) -> None:
    waited: list[int] = []

    def give_up() -> None:
        waited.append(1)
        raise Cancelled

    with one_of(2, tmp_path, give_up), one_of(2, tmp_path, give_up):
        with pytest.raises(Cancelled), one_of(2, tmp_path, give_up):
            pytest.fail("there is no third place")
        assert waited == [1]
    with one_of(2, tmp_path, give_up):
        assert waited == [1], "given back"
