"""Frames as the page shows them: the clip itself is opened by a confined process only."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from strokecurve.app.result import frames, overlay
from strokecurve.app.result.overlay import recorded_facts
from strokecurve.app.words.errors import InputError
from strokecurve.vision.control import Unattended
from strokecurve.vision.video.pictures import write_copy
from strokecurve.vision.video.reader import ClipReader

CODING_GREY = 1.5
"""Mean difference in grey levels that the copy may make, as it is coded once more (measured: 0.96)."""


@pytest.fixture(scope="module")
def film(small_film: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, Path]:
    """A clip, its result and its copy."""
    clip, copy = small_film / "good.mp4", tmp_path_factory.mktemp("frames") / "copy.mp4"
    write_copy(clip, copy, 85, Unattended())
    return clip, small_film / "result", copy


def test_the_record_says_what_drawing_needs_of_the_clip(film: tuple[Path, Path, Path]) -> None:
    clip, folder, _ = film
    with ClipReader(clip) as reader:
        said = recorded_facts(folder)
        assert said is not None
        assert (said.size_wh_px, said.quarter_turns, said.bit_depth, said.codec) == (
            reader.facts.size_wh_px, reader.facts.quarter_turns, reader.facts.bit_depth, reader.facts.codec
        )  # fmt: skip


def test_a_frame_is_the_same_from_the_clip_and_from_its_copy(film: tuple[Path, Path, Path]) -> None:
    clip, folder, copy = film
    apart = frames.frame_jpeg(clip, folder, 1.5, None)
    assert apart == frames.encoded(clip, folder, 1.5, None)
    from_clip = cv2.imdecode(np.frombuffer(apart, np.uint8), cv2.IMREAD_GRAYSCALE)

    def difference(time_s: float) -> float:
        jpeg = frames.frame_jpeg(clip, folder, time_s, copy)
        from_copy = cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_GRAYSCALE)
        size = from_copy.shape[1], from_copy.shape[0]
        return float(np.mean(np.abs(cv2.resize(from_clip, size).astype(float) - from_copy)))

    assert difference(1.5) < CODING_GREY
    assert difference(0.1) > 2 * CODING_GREY, "another moment is another picture"


def test_only_a_process_of_its_own_opens_the_clip(
    film: tuple[Path, Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    clip, folder, copy = film
    opened: list[Path] = []
    overlay._drawing.cache_clear()
    monkeypatch.setattr("strokecurve.app.result.overlay.ClipReader", opened.append)
    frames.frame_jpeg(clip, folder, 1.0, None)
    frames.frame_jpeg(clip, folder, 1.0, copy)
    assert opened == []


def test_a_frame_that_cannot_be_decoded_is_said(film: tuple[Path, Path, Path], tmp_path: Path) -> None:
    broken = tmp_path / "broken.mp4"
    broken.write_bytes(b"no video")
    with pytest.raises(InputError, match="cannot be decoded"):
        frames.frame_jpeg(broken, film[1], 1.0, None)
