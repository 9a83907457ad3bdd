"""Marks found by an independent detector: ``python tests/bench/second_detector.py FOLDER_WITH_NODE_MODULES``.

Runs js-aruco2 (npm, 2.0.0, a JavaScript port of the original ArUco library, no code shared with OpenCV)
in Node.js on some frames of the sample clip, and writes what it finds to
``tests/rendered/data/second_detector.json``, which the tests compare with our own corners. Needs
``npm install js-aruco2@2.0.0`` in the given folder.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import tempfile
from pathlib import Path

from strokecurve.vision.video.reader import ClipReader

ROOT = Path(__file__).resolve().parents[2]
CLIP = ROOT / "sample_media" / "as_found.mp4"
TARGET = ROOT / "tests" / "rendered" / "data" / "second_detector.json"
FRAMES = range(10, 340, 40)
DETECT = """
const fs = require("fs");
const { AR } = require("js-aruco2/src/aruco.js");
AR.DICTIONARIES = AR.DICTIONARIES || {};
require("js-aruco2/src/dictionaries/aruco_4x4_1000.js");
const [width, height] = process.argv.slice(-2).map(Number);
const gray = fs.readFileSync(0);
const data = new Uint8Array(4 * width * height);
for (let i = 0; i < gray.length; i++) data.fill(gray[i], 4 * i, 4 * i + 4);
const detector = new AR.Detector({ dictionaryName: "ARUCO_4X4_1000", maxHammingDistance: 0 });
const found = detector.detectImage(width, height, data);
console.log(JSON.stringify(found.map((m) => [m.id, m.corners.map((c) => [c.x, c.y])])));
"""


def main() -> None:
    """Detect and write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    folder = parser.parse_args().folder
    found = {}
    with ClipReader(CLIP) as reader, tempfile.NamedTemporaryFile("w", suffix=".js", dir=folder) as script:
        script.write(DETECT)
        script.flush()
        for frame in reader:
            if frame.index in FRAMES:
                height, width = frame.luma.shape
                output = subprocess.run(
                    ["node", script.name, str(width), str(height)],
                    input=frame.luma_8bit().tobytes(),
                    stdout=subprocess.PIPE,
                    check=True,
                )
                found[frame.index] = json.loads(output.stdout.splitlines()[-1])
    TARGET.parent.mkdir(exist_ok=True)
    TARGET.write_text(json.dumps({"detector": "js-aruco2 2.0.0 (npm)", "frames": found}) + "\n")
    print({n: [i for i, _ in marks] for n, marks in found.items()})


if __name__ == "__main__":
    main()
