"""Reading clips: clock, turn, depth, and files that cannot be used; single pictures from them."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from pathlib import Path

import av
import numpy as np
import pytest
from clips import bright, phone_times, picture, write_clip
from numpy.testing import assert_allclose

from strokecurve.vision.control import Unattended
from strokecurve.vision.errors import Cancelled, VideoError
from strokecurve.vision.video.pictures import (
    Picture,
    picture_at,
    pictures,
    upright,
    write_copy,
    write_drawn_clip,
)
from strokecurve.vision.video.reader import ClipFacts, ClipReader, Frame

# A lossy codec moves flat grey by a level or two.
CODEC_LEVELS = 3


def frames_of(path: Path) -> tuple[list[Frame], ClipReader]:
    with ClipReader(path) as reader:
        return list(reader), reader


def refusal(path: Path) -> VideoError:
    """The error for a clip that cannot be used: one plain sentence and what to do."""
    with pytest.raises(VideoError) as caught:
        frames_of(path)
    error = caught.value
    for text in (error.message, error.hint):
        assert text.endswith(".")
        assert "\n" not in text
        assert "Traceback" not in text
        assert "errno" not in text.lower()
    assert path.name in error.message
    return error


def test_the_clock_is_that_of_the_frames(tmp_path: Path) -> None:
    times = phone_times(50)
    write_clip(tmp_path / "a.mp4", times)
    frames, reader = frames_of(tmp_path / "a.mp4")
    assert [f.index for f in frames] == list(range(50))
    assert_allclose([f.time_s for f in frames], times, rtol=0, atol=1e-6)
    for number, frame in enumerate(frames):
        assert abs(int(frame.luma[48, 30]) - bright(number)) <= CODEC_LEVELS
    facts = reader.facts
    assert (facts.codec, facts.size_wh_px, facts.bit_depth) == ("h264", (160, 96), 8)
    assert facts.declared_frames == 50
    assert facts.duration_s == pytest.approx(times[-1] + 1 / 30, abs=0.1)
    assert reader.damaged_packets == 0


def test_luma_is_the_stored_plane_and_cannot_be_written(tmp_path: Path) -> None:
    write_clip(tmp_path / "a.mp4", phone_times(5))
    frames, _ = frames_of(tmp_path / "a.mp4")
    luma = frames[3].luma
    assert luma.shape == (96, 160)
    assert np.abs(luma.astype(int) - picture(3))[:, :70].max() <= CODEC_LEVELS
    assert not frames[3].full_range
    with pytest.raises(ValueError, match="read-only"):
        luma[0, 0] = 1


@pytest.mark.parametrize("codec, name", [("libx265", "hevc"), ("libx264", "h264")])
def test_ten_bits_are_kept(tmp_path: Path, codec: str, name: str) -> None:
    write_clip(tmp_path / "a.mp4", phone_times(10), codec=codec, bits=10)
    frames, reader = frames_of(tmp_path / "a.mp4")
    assert (reader.facts.codec, reader.facts.bit_depth) == (name, 10)
    luma = frames[4].luma
    assert luma.dtype == np.dtype("<u2")
    assert abs(int(luma[48, 30]) - 4 * bright(4)) <= 4 * CODEC_LEVELS
    reduced = frames[4].luma_8bit()
    assert reduced.dtype == np.uint8
    assert np.array_equal(reduced, luma >> 2)


def test_full_range_is_recognised(tmp_path: Path) -> None:
    write_clip(tmp_path / "a.mp4", phone_times(5), full_range=True)
    frames, _ = frames_of(tmp_path / "a.mp4")
    assert [f.full_range for f in frames] == [True] * 5


@pytest.mark.parametrize("rotation_deg", [0, 90, 180, -90])
def test_the_turn_is_read_and_the_upright_map_agrees_with_rot90(tmp_path: Path, rotation_deg: int) -> None:
    path = tmp_path / "a.mp4"
    write_clip(path, phone_times(5), rotation_deg=rotation_deg)
    frames, reader = frames_of(path)
    turns = reader.facts.quarter_turns
    assert turns == rotation_deg // 90 % 4
    stored = frames[2].luma
    shown = np.rot90(stored, turns)
    points = np.array([[3.0, 5.0], [150.0, 80.0], [20.0, 90.0]])
    mapped = upright(points, reader.facts).astype(int)
    for (x, y), (u, v) in zip(points.astype(int), mapped, strict=True):
        assert shown[v, u] == stored[y, x]
    rgb = picture_at(path, 0.0).rgb
    assert rgb.shape[:2] == shown.shape
    # White was bottom right in the stored picture.
    u, v = upright(np.array([120.0, 80.0]), reader.facts).astype(int)
    assert rgb[v, u].min() > 235


@pytest.mark.parametrize("turns", range(4))
def test_upright_map_is_exact_for_every_pixel(turns: int) -> None:
    facts = ClipFacts("h264", (7, 4), turns, 8, None, None)
    stored = np.arange(28).reshape(4, 7)
    shown = np.rot90(stored, turns)
    y, x = np.mgrid[:4, :7]
    mapped = upright(np.stack([x, y], axis=-1).astype(float), facts).astype(int)
    assert np.array_equal(shown[mapped[..., 1], mapped[..., 0]], stored)


def test_a_mirrored_clip_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "selfie.mp4"
    write_clip(path, phone_times(5), rotation_deg=180)
    content = bytearray(path.read_bytes())
    # The display matrix of the track header: a half turn (-1, 0, 0, 0, -1) made a mirror (1, 0, 0, 0, -1).
    half_turn = struct.pack(">9i", -65536, 0, 0, 0, -65536, 0, 0, 0, 1 << 30)
    track = content.find(b"tkhd")
    at = content.find(half_turn[:20], track)
    assert at > 0
    content[at : at + 4] = struct.pack(">i", 65536)
    path.write_bytes(content)
    with pytest.raises(VideoError, match="mirrored"):
        frames_of(path)


def test_missing_and_empty_files_are_refused(tmp_path: Path) -> None:
    assert "no file" in refusal(tmp_path / "none.mp4").message
    (tmp_path / "empty.mp4").touch()
    assert "empty" in refusal(tmp_path / "empty.mp4").message
    (tmp_path / "folder.mp4").mkdir()
    assert "no file" in refusal(tmp_path / "folder.mp4").message


@pytest.mark.parametrize("name", ["notes.mp4", "notes.mov", "notes.txt"])
def test_text_is_refused(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_text("Low fire 12 degrees, high fire 78 degrees.\n" * 80)
    refusal(tmp_path / name)


def test_random_bytes_are_refused(tmp_path: Path) -> None:
    (tmp_path / "noise.mp4").write_bytes(np.random.default_rng(0).bytes(40_000))
    refusal(tmp_path / "noise.mp4")


def test_a_play_list_does_not_open_other_files(tmp_path: Path) -> None:
    write_clip(tmp_path / "other.mp4", phone_times(10))
    (tmp_path / "list.mp4").write_text("ffconcat version 1.0\nfile other.mp4\n")
    refusal(tmp_path / "list.mp4")


def test_sound_alone_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "voice.mp4"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("aac", rate=44_100)
        sound = av.AudioFrame.from_ndarray(np.zeros((1, 44_100), np.float32), format="fltp", layout="mono")
        sound.sample_rate = 44_100
        container.mux(stream.encode(sound))
        container.mux(stream.encode(None))
    assert "holds no pictures" in refusal(path).message


def test_a_clip_cut_off_before_its_index_is_refused(tmp_path: Path) -> None:
    write_clip(tmp_path / "whole.mp4", phone_times(60))
    content = (tmp_path / "whole.mp4").read_bytes()
    (tmp_path / "cut.mp4").write_bytes(content[: int(0.3 * len(content))])
    assert "cut off" in refusal(tmp_path / "cut.mp4").message


def test_a_clip_cut_off_behind_its_index_is_refused(tmp_path: Path) -> None:
    write_clip(tmp_path / "whole.mp4", phone_times(90), options={"movflags": "faststart"})
    content = (tmp_path / "whole.mp4").read_bytes()
    assert content.find(b"moov") < content.find(b"mdat")
    (tmp_path / "cut.mp4").write_bytes(content[: int(0.7 * len(content))])
    error = refusal(tmp_path / "cut.mp4")
    assert "cut off" in error.message
    assert "90 frames" in error.message


def trimmed(path: Path, hidden_s: float) -> None:
    """Hide the first frames, as phones do: the edit list names a later start, the frames stay in the file."""
    content = bytearray(path.read_bytes())
    entry = content.find(b"elst") + 12  # behind name, version and count: duration, start, rate
    duration, start = struct.unpack(">Ii", content[entry : entry + 8])
    header = content.find(b"mdhd") + 4
    clock_hz = struct.unpack(">I", content[header + 12 : header + 16])[0]
    whole_clock_hz = struct.unpack(">I", content[content.find(b"mvhd") + 16 :][:4])[0]
    content[entry : entry + 8] = struct.pack(
        ">Ii", duration - round(hidden_s * whole_clock_hz), start + round(hidden_s * clock_hz)
    )
    path.write_bytes(content)


@pytest.mark.parametrize("gop", [12, 200])
def test_a_clip_trimmed_on_the_phone_is_read(tmp_path: Path, gop: int) -> None:
    path = tmp_path / "trimmed.mp4"
    times = phone_times(90)
    write_clip(path, times, gop=gop)
    trimmed(path, times[20])
    frames, reader = frames_of(path)
    assert reader.facts.declared_frames == 90
    assert reader.damaged_packets == 0
    # Time counts from the new start; the same pictures as in the whole clip from there on.
    assert_allclose([f.time_s for f in frames], times[20:] - times[20], rtol=0, atol=1e-3)
    for number, frame in enumerate(frames, 20):
        assert abs(int(frame.luma[48, 30]) - bright(number)) <= CODEC_LEVELS


def test_a_trimmed_clip_that_was_cut_off_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "cut.mp4"
    times = phone_times(90)
    write_clip(path, times, gop=200, options={"movflags": "faststart"})
    trimmed(path, times[20])
    content = path.read_bytes()
    path.write_bytes(content[: int(0.8 * len(content))])
    error = refusal(path)
    assert "cut off" in error.message
    assert "of its 70 frames" in error.message


def test_a_stream_without_a_clock_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "raw.h264"
    write_clip(path, phone_times(20))
    assert "clock" in refusal(path).message


def damaged(path: Path, first: int, last: int) -> None:
    """Overwrite the contents of some packets in place."""
    with av.open(str(path)) as container:
        places = [(p.pos, p.size) for p in container.demux(video=0) if p.size]
    content = bytearray(path.read_bytes())
    for at, size in places[first:last]:
        content[at + 4 : at + size] = b"\xff" * (size - 4)
    path.write_bytes(content)


def test_damage_costs_frames_and_is_counted(tmp_path: Path) -> None:
    path = tmp_path / "hurt.mp4"
    times = phone_times(96)
    write_clip(path, times, gop=8)
    damaged(path, 40, 43)
    frames, reader = frames_of(path)
    assert reader.damaged_packets >= 1
    assert 60 < len(frames) < 96
    got = np.array([f.time_s for f in frames])
    assert (np.diff(got) > 0).all()
    # Every frame that is left stands at its own time.
    number = np.abs(got[:, None] - times[None]).argmin(axis=1)
    assert_allclose(got, times[number], rtol=0, atol=1e-6)
    far = (number < 36) | (number > 56)
    for frame, n in zip([f for f, k in zip(frames, far, strict=True) if k], number[far], strict=True):
        assert abs(int(frame.luma[48, 30]) - bright(int(n))) <= CODEC_LEVELS


def test_reading_may_end_early(tmp_path: Path) -> None:
    write_clip(tmp_path / "a.mp4", phone_times(40))
    with ClipReader(tmp_path / "a.mp4") as reader:
        first = next(iter(reader))
    assert first.index == 0


@pytest.mark.parametrize("codec", ["libx264", "libx265"])
def test_the_picture_at_a_moment_is_the_one_shown_then(tmp_path: Path, codec: str) -> None:
    path = tmp_path / "a.mp4"
    times = phone_times(40)
    write_clip(path, times, codec=codec)
    shown = {p.time_s: int(p.rgb[48, 30, 0]) for p in pictures(path)}
    assert_allclose(sorted(shown), times, rtol=0, atol=1e-6)
    greys = [shown[t] for t in sorted(shown)]
    for moment, number in (
        (-1.0, 0),
        (0.0, 0),
        (times[17], 17),
        (times[17] + 0.004, 17),
        (0.5 * (times[20] + times[21]), 20),
        (times[39], 39),
        (times[39] + 5.0, 39),
    ):
        found = picture_at(path, float(moment))
        assert found.time_s == pytest.approx(times[number], abs=1e-6)
        assert abs(int(found.rgb[48, 30, 0]) - greys[number]) <= 1


@pytest.mark.parametrize("rotation_deg", [0, 90])
def test_a_copy_to_move_about_in_gives_the_same_frames(tmp_path: Path, rotation_deg: int) -> None:
    source, copy = tmp_path / "a.mp4", tmp_path / "copy.mp4"
    times = phone_times(40)
    write_clip(source, times, rotation_deg=rotation_deg)
    write_copy(source, copy, 40)
    shots = list(pictures(source))
    assert len(shots) == 40
    for shot in shots:
        found = picture_at(copy, shot.time_s)
        assert found.time_s == pytest.approx(shot.time_s, abs=2e-5)
        assert found.rgb.shape == shot.rgb.shape
        assert abs(found.rgb.astype(int) - shot.rgb.astype(int)).mean() < 4  # coded once more


def test_no_picture_of_a_file_that_is_none(tmp_path: Path) -> None:
    (tmp_path / "x.mp4").write_text("nothing")
    with pytest.raises(VideoError):
        picture_at(tmp_path / "x.mp4", 0.0)


def test_a_drawn_clip_keeps_the_times(tmp_path: Path) -> None:
    source, target = tmp_path / "a.mp4", tmp_path / "drawn.mp4"
    times = phone_times(24)
    write_clip(source, times, rotation_deg=90)

    def draw(shot: Picture) -> np.ndarray:
        drawn = shot.rgb.copy()
        drawn[:20, :20] = (255, 255, 255)
        return drawn

    write_drawn_clip(source, target, draw, 24)
    frames, reader = frames_of(target)
    assert reader.facts.size_wh_px == (96, 160)
    assert_allclose([f.time_s for f in frames], times, rtol=0, atol=2e-3)
    assert all(f.luma[10, 10] > 220 for f in frames)

    class Stopped(Unattended):
        def check(self) -> None:
            raise Cancelled

    with pytest.raises(Cancelled):
        write_drawn_clip(source, tmp_path / "stopped.mp4", draw, 24, Stopped())


def test_a_piece_that_seems_huge_is_told_in_a_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Damage in a container's tables makes the library ask for memory that no machine has."""
    write_clip(tmp_path / "a.mp4", phone_times(5))

    class Full:
        def demux(self, _stream: object) -> Iterator[object]:
            raise av.error.MemoryError(12, "Cannot allocate memory")
            yield

    with ClipReader(tmp_path / "a.mp4") as reader:
        monkeypatch.setattr(reader, "_container", Full(), raising=True)
        with pytest.raises(VideoError, match="more memory than there is") as caught:
            next(reader._decode())
        monkeypatch.undo()
    assert caught.value.hint.endswith(".")
