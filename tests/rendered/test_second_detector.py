"""Markers of the sample clip against an independent detector (js-aruco2 2.0.0, npm).

What it found is stored; ``tests/bench/second_detector.py`` makes the file again. It gives corners in whole
pixels, on the outermost dark pixels, so each lies up to a pixel and a half from the true edge, but a marker's
centre much less.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from strokecurve.vision.edges.follow import follow_markers
from strokecurve.vision.video.reader import ClipReader

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.slow
def test_same_markers_same_corners() -> None:
    stored = json.loads((Path(__file__).parent / "data" / "second_detector.json").read_text())
    with ClipReader(ROOT / "sample_media" / "as_found.mp4") as reader:
        tracks = follow_markers(reader)
    corners_px, ids = tracks.corners_px(), tracks.ids.tolist()
    differences = []
    for frame, marks in stored["frames"].items():
        assert sorted({marker for marker, _ in marks}) == ids
        # The other detector may find a marker twice, by the outer and the inner side of its edge.
        best = {}
        for marker, theirs in marks:
            off = np.array(theirs) - corners_px[int(frame), ids.index(marker)]
            if marker not in best or np.abs(off).max() < np.abs(best[marker]).max():
                best[marker] = off
        differences += best.values()
    difference_px = np.array(differences)  # a wrong order of corners would show as a whole side
    assert len(difference_px) == 9 * len(ids)
    assert np.linalg.norm(difference_px, axis=-1).max() < 2.5
    centre_px = difference_px.mean(1)
    assert np.abs(centre_px).max() < 0.75
    # 81 centres rounded to about a quarter of a pixel: a convention half a pixel apart would stand out
    assert np.abs(centre_px.mean(0)).max() < 0.15
