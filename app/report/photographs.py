"""Photographs of three positions of the stroke, arms, rods and angles drawn in."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from strokecurve.app.report.blocks import Photograph, Photographs, Section, Text
from strokecurve.app.report.job import RecordedFilm
from strokecurve.app.result.contents import OVERLAY_FILE, STAGES_FOLDER
from strokecurve.app.result.kept_pictures import kept_pictures
from strokecurve.app.result.overlay import Drawing
from strokecurve.app.result.reading import FilmResult, number
from strokecurve.app.words.errors import InputError
from strokecurve.app.words.estimates import SPACE, fixed, format_estimate
from strokecurve.app.words.files import measure_file
from strokecurve.vision.errors import VisionError
from strokecurve.vision.video.pictures import picture_at

Rgb = NDArray[np.uint8]
Box = tuple[int, int, int, int]
POSITIONS = (("low fire", 0.0), ("middle of the opening pass", 0.5), ("high fire", 1.0))
NEAR_DEG = 0.3
"""Frames so close to a position show it equally well; the middle one is taken, away from the moving ends."""
MOST_WIDE_PX = 1500
"""At the width of the page this is about 210 dots per inch."""
JPEG_QUALITY = 88
_UNREADABLE = (VisionError, InputError, OSError, ValueError, KeyError, cv2.error)


def find_clip(result: FilmResult, given: Path | None = None) -> Path | None:
    """The clip a result was measured from.

    Parameters
    ----------
    result : FilmResult
    given : Path, optional
        Where the person says it is. Otherwise it is looked for by its name in the result folder, beside it
        and in the working folder, and taken only if its checksum agrees.

    Returns
    -------
    Path or None
        None if it is not found.

    Raises
    ------
    InputError
        If the clip given cannot be read or is another one.
    """
    wanted = result.clip.get("sha256")
    if given is not None:
        try:
            _, checksum = measure_file(given)
        except OSError as error:
            raise InputError(
                f"The clip {given.name} cannot be read.", "Check its name and folder."
            ) from error
        if checksum != wanted:
            raise InputError(
                f"{given.name} is not the clip that {result.folder.name} was measured from.",
                "Give that clip, or leave it out.",
            )
        return given
    for folder in (result.folder, result.folder.absolute().parent, Path.cwd()):
        path = folder / result.clip_name
        try:
            if path.is_file() and measure_file(path)[1] == wanted:
                return path
        except OSError:
            continue
    return None


def moments(result: FilmResult) -> tuple[tuple[str, float], ...]:
    """Moments of the three positions.

    Returns
    -------
    tuple of (str, float)
        Position and presentation time (s); those that the film shows with every shaft measured.
    """
    if not result.shafts or not len(result.angles):
        return ()
    driver, facts = next(iter(result.shafts.items()))
    time_s = result.angles["time_s"].to_numpy(float)
    sign = -1.0 if facts.get("opening") == "cw" else 1.0
    turned = sign * result.angles[f"{driver}_deg"].to_numpy(float)
    all_seen = np.all(
        [np.isfinite(result.angles[f"{name}_deg"].to_numpy(float)) for name in result.shafts], 0
    )
    if not all_seen.any():
        return ()
    # The lowest and highest hundredth of the frames are at rest in any film of a stroke.
    low, high = np.nanquantile(turned, (0.01, 0.99))
    until_high = np.arange(len(turned)) <= np.flatnonzero(turned >= high - NEAR_DEG)[-1]
    found = []
    for words, share in POSITIONS:
        off = np.where(all_seen & until_high, np.abs(turned - (low + share * (high - low))), np.inf)
        if not np.isfinite(off).any():
            continue
        near = np.flatnonzero(off <= off.min() + NEAR_DEG)
        # The first stay there: the low-fire hold at the start, the opening pass.
        stay = np.split(near, np.flatnonzero(np.diff(near) > 1) + 1)[0]
        found.append((words, float(time_s[stay[len(stay) // 2]])))
    return tuple(found)


def photographs_section(film: RecordedFilm, title: str = "Photographs of three positions") -> Section:
    """Three pictures of the film, or why there are none."""
    folder = film.result.folder
    if film.clip is None and not kept_pictures(folder) and not (folder / OVERLAY_FILE).is_file():
        return Section(title, (Text("Not available: the clip is not with the result."),))
    try:
        if film.clip is not None and (folder / STAGES_FOLDER).is_dir():
            pictures = tuple(photographs_from_clip(film).values())
        else:
            pictures = _kept(film.result) or _from_overlay(film.result)
    except _UNREADABLE:
        return Section(title, (Text("Not available: the clip or its tracks cannot be read."),))
    if not pictures:
        return Section(title, (Text("Not available: no frame shows all shafts measured."),))
    return Section(title, (Photographs(pictures),))


def photographs_from_clip(film: RecordedFilm) -> dict[tuple[str, float], Photograph]:
    """Frames of the clip with everything drawn in, by position and moment; none where no frame shows all.

    Raises
    ------
    VisionError, InputError
        If the clip or what was followed in it cannot be read.
    """
    if film.clip is None:
        raise InputError("The clip is not here.", "Name it.")
    taken = moments(film.result)
    if not taken:
        return {}
    drawing = Drawing.load(film.clip, film.result.folder)
    plain = [picture_at(film.clip, at_s) for _, at_s in taken]
    drawn = [drawing.draw(picture) for picture in plain]
    box = _common(list(zip(drawn, [picture.rgb for picture in plain], strict=True)))
    return {
        (words, at_s): _photograph(rgb, box, _caption(film.result, words, at_s))
        for (words, at_s), rgb in zip(taken, drawn, strict=True)
    }


def _kept(result: FilmResult) -> tuple[Photograph, ...]:
    """Those that the result keeps; written anew, as they may have come in a bundle."""
    found = []
    for kept in kept_pictures(result.folder):
        bgr = cv2.imdecode(np.frombuffer(kept.path.read_bytes(), np.uint8), cv2.IMREAD_COLOR)
        if bgr is not None:
            rgb = np.asarray(cv2.cvtColor(bgr, cv2.COLOR_BGR2RGB), np.uint8)
            found.append(_photograph(rgb, None, _caption(result, kept.words, kept.time_s)))
    return tuple(found)


def _from_overlay(result: FilmResult) -> tuple[Photograph, ...]:
    """Frames of the clip in which everything was drawn in."""
    return tuple(
        _photograph(picture_at(result.folder / OVERLAY_FILE, at_s).rgb, None, _caption(result, words, at_s))
        for words, at_s in moments(result)
    )


def _common(pictures: list[tuple[Rgb, Rgb]]) -> Box | None:
    """The part of the frames that holds all that is drawn, with a margin; None to show them whole.

    Parameters
    ----------
    pictures : list of (ndarray, ndarray)
        Each frame with everything drawn in, and as it was filmed.
    """
    tall, wide = pictures[0][0].shape[:2]
    inside = np.zeros((tall, wide), bool)
    for drawn, plain in pictures:
        if plain.shape[:2] != inside.shape or drawn.shape != plain.shape:
            return None
        inside |= (drawn != plain).any(axis=2)
    rows, columns = np.flatnonzero(inside.any(axis=1)), np.flatnonzero(inside.any(axis=0))
    if not rows.size:
        return None
    height, width = inside.shape
    margin = round(0.06 * max(height, width))
    top, bottom = max(rows[0] - margin, 0), min(rows[-1] + margin, height)
    left, right = max(columns[0] - margin, 0), min(columns[-1] + margin, width)
    return int(top), int(bottom), int(left), int(right)


def _photograph(rgb: Rgb, box: Box | None, caption: str) -> Photograph:
    if box is not None:
        rgb = rgb[box[0] : box[1], box[2] : box[3]]
    height, width = rgb.shape[:2]
    if width > MOST_WIDE_PX:
        size = (MOST_WIDE_PX, max(1, round(height * MOST_WIDE_PX / width)))
        rgb = np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), np.uint8)
    _, jpeg = cv2.imencode(
        ".jpg", cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY]
    )
    return Photograph(jpeg.tobytes(), (rgb.shape[1], rgb.shape[0]), caption)


def _caption(result: FilmResult, words: str, at_s: float) -> str:
    """Position, moment and the angles of that frame."""
    row = result.angles.iloc[int(np.argmin(np.abs(result.angles["time_s"].to_numpy(float) - at_s)))]
    angles = [
        f"{name}{SPACE}{format_estimate(number(row[f'{name}_deg']), number(row[f'{name}_sd_deg']), 'deg')}"
        for name in result.shafts
    ]
    return (
        f"{words[0].upper()}{words[1:]}, {fixed(at_s, 2)} s into the clip. Angles from the first frame, "
        f"counter-clockwise positive: {', '.join(angles)}."
    )
