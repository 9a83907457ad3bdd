"""A run that takes too much ends by itself, with a sentence."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="there are no such limits")


def confined(program: str, **limits: int) -> subprocess.CompletedProcess[str]:
    given = ", ".join(f"{name}={value}" for name, value in limits.items())
    start = f"import numpy as np\nfrom app.limits import Limits, confine\nconfine(Limits({given}))\n"
    return subprocess.run(
        [sys.executable, "-c", start + program],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=60,
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
