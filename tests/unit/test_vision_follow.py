"""Markers followed through synthetic frames."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from squares import marker_light, square_corners, stored

from strokecurve.vision.edges.follow import FollowSettings, MarkerTracks, follow_markers
from strokecurve.vision.edges.markers import detect, marker_cells
from strokecurve.vision.errors import Cancelled
from strokecurve.vision.video.reader import Frame

SHAPE = (150, 260)
SIDE_PX, BLUR_PX = 44.0, 0.7


def places(frame: int) -> dict[int, tuple[tuple[float, float], float]]:
    """Centre and angle of two markers in a frame: 10 turns and drifts, 0 stays."""
    return {0: ((60.3, 80.4), 0.05), 10: ((180.0 + 0.3 * frame, 75.2 - 0.2 * frame), 0.3 + 0.03 * frame)}


def picture(frame: int, without: tuple[int, ...] = ()) -> np.ndarray:
    paper = 0.75
    light = np.full(SHAPE, paper)
    for marker_id, (centre, angle) in places(frame).items():
        if marker_id not in without:
            light += marker_light(SHAPE, centre, SIDE_PX, angle, BLUR_PX, marker_cells(marker_id)) - paper
    return stored(light, np.random.default_rng(frame), 1.0)


def clip(count: int, covered: dict[int, range] | None = None, bits: int = 8) -> list[Frame]:
    frames = []
    for k in range(count):
        gone = tuple(i for i, when in (covered or {}).items() if k in when)
        luma = picture(k, gone)
        if bits > 8:
            luma = luma.astype(np.uint16) << (bits - 8)
        frames.append(Frame(k, k / 30 + 0.001 * (k % 3), luma, bits))
    return frames


def off_px(tracks: MarkerTracks) -> np.ndarray:
    """Largest distance of the corners of each marker from the truth, (F, M); NaN in gaps."""
    corners = tracks.corners_px()
    truth = np.array(
        [
            [square_corners(places(f)[i][0], SIDE_PX, places(f)[i][1]) for i in tracks.ids.tolist()]
            for f in range(len(corners))
        ]
    )
    return np.asarray(np.linalg.norm(corners - truth, axis=-1).max(axis=-1))


def test_small_soft_markers_are_accepted_at_every_angle() -> None:
    """25 pixels a side, as 20 mm at 1.2 m; the detector's corners lie inside by a fair part of that."""
    ids, paper = (1, 3, 10, 11), 0.75
    frames = []
    for k in range(45):
        light = np.full((130, 260), paper)
        for n, marker_id in enumerate(ids):
            centre = (35.2 + 62.1 * n + 0.1 * k, 62.4 + 0.07 * k)
            light += (
                marker_light(light.shape, centre, 25.0, np.radians(2 * k), 0.85, marker_cells(marker_id))
                - paper
            )
        frames.append(Frame(k, k / 30, stored(light, np.random.default_rng(k), 1.0), 8))
    seen = follow_markers(frames).seen
    assert seen.shape == (45, len(ids))
    assert seen.all()
    # each frame by itself, as after a gap: what the detector finds must be enough to go on
    for frame in frames:
        assert follow_markers([replace(frame, index=0)]).ids.tolist() == detect(frame.luma).ids.tolist()


@pytest.mark.parametrize("bits", [8, 10])
def test_markers_are_followed_with_their_corners(bits: int) -> None:
    frames = clip(24, bits=bits)
    tracks = follow_markers(frames)
    assert tracks.ids.tolist() == [0, 10]
    assert tracks.seen.all()
    assert_allclose(tracks.time_s, [f.time_s for f in frames], rtol=0, atol=0)
    assert off_px(tracks).max() < 0.1
    assert 0.0 < tracks.sigma_px.mean() < 0.03
    assert_allclose(np.median(tracks.blur_px[8:]), BLUR_PX, rtol=0.15, atol=0)


def test_a_covered_marker_is_a_gap_and_is_found_again() -> None:
    tracks = follow_markers(clip(40, {10: range(12, 22)}))
    column = tracks.ids.tolist().index(10)
    assert_array_equal(np.flatnonzero(~tracks.seen[:, column]), np.arange(12, 22))
    assert np.isnan(tracks.sigma_px[12:22, column]).all()
    assert np.isnan(tracks.blur_px[12:22, column]).all()
    assert tracks.seen[:, 1 - column].all()
    assert np.nanmax(off_px(tracks)) < 0.1


def test_a_marker_covered_for_long_is_found_again_within_a_few_frames() -> None:
    tracks = follow_markers(clip(60, {10: range(8, 40)}))
    seen = tracks.seen[:, tracks.ids.tolist().index(10)]
    assert not seen[8:40].any()
    # Looked for in a window of every fourth frame, and in the whole picture of every twelfth.
    assert seen[52:].all()
    assert np.nanmax(off_px(tracks)) < 0.1


def test_a_marker_that_appears_late_is_found() -> None:
    tracks = follow_markers(clip(40, {10: range(20)}), settings=FollowSettings(search_every=10))
    seen = tracks.seen[:, tracks.ids.tolist().index(10)]
    assert not seen[:20].any()
    assert seen[31:].all()


def test_another_marker_in_its_place_is_not_taken_for_it() -> None:
    frames = clip(16)
    for k in range(8, 16):
        centre, angle = places(k)[10]
        light = marker_light(SHAPE, centre, SIDE_PX, angle, BLUR_PX, marker_cells(11))
        frames[k] = replace(frames[k], luma=stored(light))
    tracks = follow_markers(frames)
    ten = tracks.seen[:, tracks.ids.tolist().index(10)]
    assert ten[:8].all()
    assert not ten[8:].any()
    eleven = tracks.seen[:, tracks.ids.tolist().index(11)]
    assert eleven[15]
    assert not eleven[:8].any()


def test_nothing_to_follow_is_no_error() -> None:
    bare = [Frame(k, k / 30, np.full(SHAPE, 180, np.uint8), 8) for k in range(5)]
    tracks = follow_markers(bare)
    assert tracks.seen.shape == (5, 0)
    assert follow_markers([]).seen.shape == (0, 0)


def test_tracks_are_stored_and_read_back(tmp_path: Path) -> None:
    tracks = follow_markers(clip(12, {10: range(5, 8)}))
    tracks.save(tmp_path / "tracks.npz")
    read = MarkerTracks.load(tmp_path / "tracks.npz")
    for name in ("time_s", "ids", "nodes_px", "sigma_px", "blur_px"):
        assert_array_equal(getattr(read, name), getattr(tracks, name))
    only = read.only([10])
    assert only.ids.tolist() == [10]
    assert_array_equal(only.nodes_px[:, 0], tracks.nodes_px[:, 1])
    with pytest.raises(ValueError, match="nodes_px must have shape"):
        replace(tracks, ids=np.array([1, 2, 3]))


def test_progress_is_reported_and_a_stop_is_obeyed_soon() -> None:
    class Job:
        def __init__(self) -> None:
            self.done: list[tuple[int, int]] = []

        def report(self, done: int, total: int, label: str) -> None:
            assert label
            self.done.append((done, total))

        def check(self) -> None:
            if self.done and self.done[-1][0] >= 8:
                raise Cancelled

    job, read = Job(), []

    def watched() -> Iterator[Frame]:
        for frame in clip(40):
            read.append(frame.index)
            yield frame

    with pytest.raises(Cancelled):
        follow_markers(watched(), 40, job)
    assert len(read) <= 20
    assert all(done <= total == 40 for done, total in job.done)
