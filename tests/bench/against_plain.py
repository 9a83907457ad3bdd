"""Compares strokecurve with the plain way: ``python tests/bench/against_plain.py FOLDER ...``.

The plain way: OpenCV detection on each full frame, homography of the card, direction of each marker's edges
in the card's plane, with each of OpenCV's corner refinements. Times are wall times in one process, decoding
included, one way after the other, so only their ratio means something. Prints a Markdown table.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import cv2
import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from strokecurve.app.measure.clip import analyse
from strokecurve.app.result.contents import angles_columns
from strokecurve.vision.edges.markers import CARD_IDS, DICTIONARY, FIRST_ARM_ID
from strokecurve.vision.joint_fit.camera import card_corners_mm
from strokecurve.vision.video.reader import ClipReader
from tests.scoring import Score, score_angles

REFINEMENTS = {
    "none": cv2.aruco.CORNER_REFINE_NONE,
    "sub-pixel": cv2.aruco.CORNER_REFINE_SUBPIX,
    "contour": cv2.aruco.CORNER_REFINE_CONTOUR,
}


def plain_angles(clip: Path, refinement: int, names: list[str]) -> pd.DataFrame:
    """Angles of the markers' directions in the card's plane, frame by frame."""
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = refinement
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(DICTIONARY), parameters)
    rows = []
    with ClipReader(clip) as reader:
        for frame in reader:
            corners, ids, _ = detector.detectMarkers(np.ascontiguousarray(frame.luma_8bit()))
            found = {} if ids is None else dict(zip(ids.reshape(-1).tolist(), corners, strict=True))
            rows.append({"time_s": frame.time_s, **_directions(found, names)})
    table = pd.DataFrame(rows, columns=["time_s", *(f"{n}_deg" for n in names)])
    for name in names:
        table[f"{name}_deg"] = np.degrees(np.unwrap(table[f"{name}_deg"].ffill().bfill()))
        table[f"{name}_sd_deg"] = np.nan
    return table


def _directions(found: dict[int, np.ndarray], names: list[str]) -> dict[str, float]:
    card = [i for i in CARD_IDS if i in found]
    if not card:
        return {}
    pixels = np.concatenate([found[i].reshape(4, 2) for i in card])
    plane = np.concatenate([card_corners_mm(i)[:, :2] for i in card])
    homography, _ = cv2.findHomography(pixels, plane)
    directions = {}
    for k, name in enumerate(names):
        if FIRST_ARM_ID + k in found:
            quad = cv2.perspectiveTransform(found[FIRST_ARM_ID + k].reshape(1, 4, 2), homography)[0]
            up = quad[0] + quad[1] - quad[2] - quad[3]
            directions[f"{name}_deg"] = float(np.arctan2(-up[0], up[1]))
    return directions


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", nargs="+", type=Path)
    print(
        "| clip | way | RMS deg by shaft | times ours | time against ours |\n| --- | --- | --- | --- | --- |"
    )
    for folder in parser.parse_args().folders:
        for truth_csv in sorted(folder.glob("*.truth.csv")):
            name = truth_csv.name.removesuffix(".truth.csv")
            truth, clip = pd.read_csv(truth_csv), truth_csv.with_name(f"{name}.mp4")
            names = [c.removesuffix("_deg") for c in truth.columns if c.endswith("_deg")]
            start = time.perf_counter()
            ours = score_angles(truth, pd.DataFrame(angles_columns(analyse(clip))))
            our_time = time.perf_counter() - start
            _print(name, "strokecurve", ours, ours, 1.0)
            for words, refinement in REFINEMENTS.items():
                start = time.perf_counter()
                table = plain_angles(clip, refinement, names)
                took = time.perf_counter() - start
                _print(name, f"plain, {words}", score_angles(truth, table), ours, took / our_time)


def _print(clip: str, way: str, scores: dict[str, Score], ours: dict[str, Score], time_ratio: float) -> None:
    rms = " ".join(f"{s.rms_deg:.3f}" for s in scores.values())
    ratio = " ".join(f"{s.rms_deg / ours[n].rms_deg:.1f}" for n, s in scores.items())
    print(f"| {clip} | {way} | {rms} | {ratio} | {time_ratio:.2f} |", flush=True)


if __name__ == "__main__":
    main()
