"""Wall time of ``measure`` against decoding alone, and memory: ``python tests/bench/speed.py CLIP ...``.

Each pair runs in processes of their own, one after the other; the median of the ratios of five pairs counts.
``--repeat N`` joins N copies of each clip end to end first (several strokes in one film), which shows how the
fixed costs of starting and fitting weigh.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import av

ROOT = Path(__file__).resolve().parents[2]
DECODE = """
import sys, av, numpy as np
with av.open(sys.argv[1]) as container:
    stream = container.streams.video[0]
    stream.thread_type = "AUTO"
    for frame in container.decode(stream):
        plane = np.frombuffer(frame.planes[0], np.uint8)
"""
PEAK = """
import resource, runpy, sys
sys.argv = ["strokecurve", *sys.argv[1:]]
try:
    runpy.run_module("strokecurve.app.commands.cli", run_name="__main__")
finally:
    print("peak", resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024, file=sys.stderr)
"""


def joined(clip: Path, repeat: int, target: Path) -> Path:
    """Copy the packets of a clip several times into one file, without encoding anew."""
    with av.open(str(target), "w") as out:
        stream = None
        shift = 0
        for _ in range(repeat):
            last = 0
            with av.open(str(clip)) as source:
                inward = source.streams.video[0]
                if stream is None:
                    stream = out.add_stream_from_template(inward)
                for packet in source.demux(inward):
                    if packet.dts is None:
                        continue
                    last = max(last, packet.pts + (packet.duration or 1))
                    packet.pts += shift
                    packet.dts += shift
                    packet.stream = stream
                    out.mux(packet)
            shift += last
    return target


def timed(command: list[str]) -> float:
    """Wall time of a command."""
    start = time.perf_counter()
    subprocess.run(
        command, cwd=ROOT, env=dict(os.environ, PYTHONPATH=str(ROOT)), check=True, stdout=subprocess.DEVNULL
    )
    return time.perf_counter() - start


def main() -> None:
    """Measure and print a Markdown table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("clips", nargs="+", type=Path)
    parser.add_argument("--pairs", type=int, default=5)
    parser.add_argument("--repeat", type=int, default=1)
    options = parser.parse_args()
    print(
        "| clip | seconds of film | median ratio | ratios | peak memory MB |\n| --- | --- | --- | --- | --- |"
    )
    with tempfile.TemporaryDirectory() as folder:
        for clip in options.clips:
            used = clip.resolve()
            if options.repeat > 1:
                used = joined(used, options.repeat, Path(folder) / f"{clip.stem}-{options.repeat}.mp4")
            with av.open(str(used)) as container:
                length = float(container.streams.video[0].duration * container.streams.video[0].time_base)
            out = str(Path(folder) / "out")
            ratios = [
                timed(
                    [sys.executable, "-m", "strokecurve.app.commands.cli", "measure", str(used), "--out", out]
                )
                / timed([sys.executable, "-c", DECODE, str(used)])
                for _ in range(options.pairs)
            ]
            peak = subprocess.run(
                [sys.executable, "-c", PEAK, "measure", str(used), "--out", out],
                cwd=ROOT,
                check=True,
                capture_output=True,
                text=True,
            ).stderr.split()[-1]
            shown = " ".join(f"{r:.2f}" for r in ratios)
            print(
                f"| {used.stem} | {length:.0f} | {statistics.median(ratios):.2f} | {shown} | {peak} |",
                flush=True,
            )


if __name__ == "__main__":
    main()
