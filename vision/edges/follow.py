"""Markers followed from frame to frame through a whole clip.

A marker is expected where its picture has gone (``vision.edges.patches``), its edges are fitted there and its
code is checked. One that is lost is looked for in a window, later in the whole picture. A frame in
which a marker was not accepted is a gap: nothing is ever filled in.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import islice, takewhile
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from strokecurve.vision.arrays import Bools, Floats
from strokecurve.vision.control import JobControl, Unattended
from strokecurve.vision.edges.edges import EdgeSettings, corners_from_nodes, fit_edges
from strokecurve.vision.edges.light import light_of_levels
from strokecurve.vision.edges.markers import Detections, cells_of, codes_agree, detect
from strokecurve.vision.edges.patches import Patches
from strokecurve.vision.edges.pixels import Pictures
from strokecurve.vision.edges.whereabouts import Marker, Sighting, moved_along, moved_on
from strokecurve.vision.video.reader import Frame

logger = logging.getLogger(__name__)

_SEARCH_EVERY_EMPTY = 3
"""Frames between searches while no marker is known at all."""

_ROWS_A_PART = 256
"""Frames after which what was seen is packed into arrays, which take a fraction of the memory."""


@dataclass(frozen=True, slots=True)
class FollowSettings:
    """When to look for markers again.

    Attributes
    ----------
    early_searches : tuple of int
        Frames near the start that are searched as a whole, so that every marker is soon known.
    search_every : int
        Later a whole frame is searched this often, for markers that were covered at first.
    search_every_lost : int
        The same while a known marker is lost.
    halved_from_px : int
        Pictures at least this long are searched at half size for markers not yet known.
    window_sides : float
        Half size of the window around a lost marker, in marker sides.
    window_frames : int
        Frames for which a lost marker is looked for in a window of every frame.
    area_change : float
        Largest ratio between the area of a marker in one frame and the next.
    start_blur_px : float
        Blur expected before any is known.
    calm_px : float
        Where all markers moved on steadily to within this, patches need not tell where they will be.
    most_frames, most_calm_frames, most_pixels : int
        Frames followed at once, and their pixels, at most: they take memory, and speeds do not hold long.
    """

    early_searches: tuple[int, ...] = (0, 5, 15, 30)
    search_every: int = 90
    search_every_lost: int = 12
    halved_from_px: int = 1600
    window_sides: float = 1.2
    window_frames: int = 12
    area_change: float = 1.4
    start_blur_px: float = 0.9
    calm_px: float = 2.5
    most_frames: int = 8
    most_calm_frames: int = 12
    most_pixels: int = 25_000_000

    def most_at_once(self, frame: Frame, calm: bool) -> int:
        """Frames like this one that are followed at once at most."""
        most = self.most_calm_frames if calm else self.most_frames
        return max(1, min(most, self.most_pixels // frame.luma.size))


@dataclass(frozen=True, slots=True)
class MarkerTracks:
    """Edge nodes of M markers over F frames; a gap is NaN.

    Attributes
    ----------
    time_s : ndarray, shape (F,)
        Presentation time.
    ids : ndarray of int, shape (M,)
        Marker ids in rising order.
    nodes_px : ndarray, shape (F, M, 4, 2, 2)
        Two points on the line of each edge (``vision.edges.edges.NODE_FRACTIONS``), xy.
    sigma_px : ndarray, shape (F, M, 4, 2)
        Standard deviation of each node across its line.
    blur_px : ndarray, shape (F, M, 4)
        Standard deviation of the blur across each edge.
    """

    time_s: Floats
    ids: NDArray[np.int64]
    nodes_px: Floats
    sigma_px: Floats
    blur_px: Floats

    def __post_init__(self) -> None:
        frames, markers = len(self.time_s), len(self.ids)
        expected = {
            "nodes_px": (frames, markers, 4, 2, 2),
            "sigma_px": (frames, markers, 4, 2),
            "blur_px": (frames, markers, 4),
        }
        for name, shape in expected.items():
            found = getattr(self, name).shape
            if found != shape:
                raise ValueError(f"{name} must have shape {shape}, not {found}")

    @property
    def seen(self) -> Bools:
        """Where a marker was accepted, shape (F, M)."""
        return np.isfinite(self.nodes_px[..., 0, 0, 0])

    def corners_px(self) -> Floats:
        """Corners of every marker, shape (F, M, 4, 2)."""
        return corners_from_nodes(self.nodes_px)

    def only(self, ids: Iterable[int]) -> MarkerTracks:
        """Give the tracks of some of the markers."""
        pick = np.isin(self.ids, list(ids))
        return replace(
            self,
            ids=self.ids[pick],
            nodes_px=self.nodes_px[:, pick],
            sigma_px=self.sigma_px[:, pick],
            blur_px=self.blur_px[:, pick],
        )

    def save(self, path: Path) -> None:
        """Write the tracks to an ``.npz`` file."""
        np.savez(
            path,
            time_s=self.time_s,
            ids=self.ids,
            nodes_px=self.nodes_px,
            sigma_px=self.sigma_px,
            blur_px=self.blur_px,
        )

    @classmethod
    def load(cls, path: Path) -> MarkerTracks:
        """Read what ``save`` wrote."""
        with np.load(path, allow_pickle=False) as stored:
            return cls(
                **{name: stored[name] for name in ("time_s", "ids", "nodes_px", "sigma_px", "blur_px")}
            )


class _Follower:
    def __init__(self, settings: FollowSettings, edges: EdgeSettings) -> None:
        self.settings = settings
        self.edges = edges
        self.markers: dict[int, Marker] = {}
        self.patches = Patches.none()  # of the markers seen in the last frame, in the order of ``markers``
        self.last_search = -1
        self.together = 1  # frames that can be followed at once
        self.calm = False  # whether speeds alone tell where markers will be

    def steps(self, frames: Sequence[Frame]) -> list[dict[int, Sighting]]:
        """Follow every known marker into the next frames and look for lost and new ones.

        All frames are tried at once with the speeds known before. The answer covers only the first of them,
        at least one, where a marker was lost or found in between: the rest need a new prediction.
        """
        followed = [m for m in self.markers.values() if m.lost_frames == 0]
        done: list[dict[int, Sighting]] = []
        for frame, expected in zip(frames, self._accept_at(frames, followed), strict=True):
            missed = [m for m in followed if m.marker_id not in expected]
            if missed and done:
                break
            sightings = self._completed(frame, missed, expected)
            done.append(sightings)
            for marker in self.markers.values():
                marker.lost_frames = 0 if marker.marker_id in sightings else marker.lost_frames + 1
            if missed or len(sightings) != len(followed):
                break
        # How fast a marker turns is known from its second frame on.
        known = {m.marker_id for m in followed}
        whole = len(done) == len(frames) and all(row.keys() == known for row in done)
        self.calm = whole and self._steadily(frames, done, followed)
        self._remember([frame.time_s for frame in frames], done, known)
        seen = [m.quad_px for m in self.markers.values() if m.lost_frames == 0]
        self.patches = Patches.none()
        if not self.calm:
            self.patches = Patches.of(frames[len(done) - 1].luma, np.reshape(seen, (-1, 4, 2)))
        most = self.settings.most_at_once(frames[0], self.calm)
        self.together = min(2 * self.together, most) if whole else 1
        return done

    def _steadily(
        self, frames: Sequence[Frame], done: list[dict[int, Sighting]], followed: list[Marker]
    ) -> bool:
        """Whether all markers went on as they did before."""
        if not followed:
            return False
        quads = np.array([[row[m.marker_id].quad_px for m in followed] for row in done])
        expected = moved_on([frame.time_s for frame in frames], followed)
        return bool(np.abs(quads - expected).max() < self.settings.calm_px)

    def _completed(
        self, frame: Frame, missed: list[Marker], expected: dict[int, Sighting]
    ) -> dict[int, Sighting]:
        """Look for the markers that were not where they were expected."""
        sightings = dict(expected)
        known = [i for i in sightings if i in self.markers]
        if missed and len(known) >= 2:
            quads = moved_along(missed, [self.markers[i] for i in known], [sightings[i] for i in known])
            sightings |= self._accept(frame, [m.marker_id for m in missed], quads, _blurs_of(missed))
        sightings |= self._recover(frame, [m for m in self.markers.values() if m.marker_id not in sightings])
        if self._search_due(frame.index, sightings):
            self.last_search = frame.index
            found = self._search(frame, all_known=len(sightings) == len(self.markers))
            sightings |= self._measure_found(frame, found, known=set(sightings))
        return sightings

    def _accept_at(self, frames: Sequence[Frame], markers: list[Marker]) -> list[dict[int, Sighting]]:
        """Accept markers where they are expected in each frame."""
        quads = self._expected_in(frames, markers).reshape(-1, 4, 2)
        ids = np.tile([m.marker_id for m in markers], len(frames)).astype(np.int64)
        blur = np.tile(_blurs_of(markers), (len(frames), 1))
        return self._accept_in(frames, np.repeat(np.arange(len(frames)), len(markers)), ids, quads, blur)

    def _expected_in(self, frames: Sequence[Frame], markers: list[Marker]) -> Floats:
        """Corners in each frame, (F, M, 4, 2): turned on as before, and shifted as their pictures have."""
        if not markers:
            return np.zeros((len(frames), 0, 4, 2))
        quads = moved_on([frame.time_s for frame in frames], markers)
        if self.calm:
            return quads
        before = np.array([m.quad_px for m in markers])
        turned = quads - before
        turned -= turned.mean(axis=2, keepdims=True)
        shift = self.patches.shifts_in([frame.luma for frame in frames])
        return np.asarray(before + turned + shift[:, :, None])

    def _search(self, frame: Frame, all_known: bool) -> Detections:
        """Search a whole frame; at half size where only a marker that was hidden so far could be missing."""
        coarse = all_known and frame.index > 0 and max(frame.luma.shape) >= self.settings.halved_from_px
        if not coarse:
            return detect(frame.luma_8bit())
        found = detect(replace(frame, luma=frame.luma[::2, ::2]).luma_8bit(), quick=True)
        return Detections(found.ids, 2.0 * found.quads_px)

    def _search_due(self, index: int, sightings: dict[int, Sighting]) -> bool:
        if index in self.settings.early_searches:
            return True
        if not self.markers:
            return index - self.last_search >= _SEARCH_EVERY_EMPTY
        lost = len(sightings) < len(self.markers)
        due = self.settings.search_every_lost if lost else self.settings.search_every
        return index - self.last_search >= due

    def _recover(self, frame: Frame, lost: list[Marker]) -> dict[int, Sighting]:
        height, width = frame.luma.shape
        sightings: dict[int, Sighting] = {}
        for marker in lost:
            if marker.lost_frames > self.settings.window_frames and frame.index % 4:
                continue
            reach = self.settings.window_sides * marker.side_px()
            low = np.maximum(np.floor(marker.quad_px.min(axis=0) - reach), 0).astype(int)
            high = np.minimum(np.ceil(marker.quad_px.max(axis=0) + reach), (width, height)).astype(int)
            if (high - low < 12).any():
                continue
            window = replace(frame, luma=frame.luma[low[1] : high[1], low[0] : high[0]]).luma_8bit()
            found = detect(window, (float(low[0]), float(low[1])))
            mine = found.ids == marker.marker_id
            sightings |= self._measure_found(
                frame, Detections(found.ids[mine], found.quads_px[mine]), known=set()
            )
        return sightings

    def _measure_found(self, frame: Frame, found: Detections, known: set[int]) -> dict[int, Sighting]:
        new = np.array([i not in known for i in found.ids.tolist()], bool)
        blur = np.full((int(new.sum()), 4), self.settings.start_blur_px)
        return self._accept(frame, found.ids[new].tolist(), found.quads_px[new], blur)

    def _accept(self, frame: Frame, ids: list[int], quads_px: Floats, blur_px: Floats) -> dict[int, Sighting]:
        picture = np.zeros(len(ids), np.int64)
        return self._accept_in([frame], picture, np.array(ids, np.int64), quads_px, blur_px)[0]

    def _accept_in(
        self,
        frames: Sequence[Frame],
        picture: NDArray[np.int64],
        ids: NDArray[np.int64],
        quads_px: Floats,
        blur_px: Floats,
    ) -> list[dict[int, Sighting]]:
        """Fit the edges of the markers expected at ``quads_px`` and keep those that prove themselves."""
        sightings: list[dict[int, Sighting]] = [{} for _ in frames]
        if not len(ids):
            return sightings
        light = light_of_levels(frames[0].bit_depth, frames[0].full_range)
        pictures = Pictures.of([frame.luma for frame in frames])
        fits = fit_edges(pictures, picture, quads_px, blur_px, self.edges, light, cells_of(ids))
        quads = corners_from_nodes(fits.nodes_px)
        ratio = _signed_area(quads) / _signed_area(quads_px)
        most = self.settings.area_change
        with np.errstate(invalid="ignore"):
            plausible = (
                fits.good.all(axis=1) & (ratio > 1 / most) & (ratio < most) & np.isfinite(quads).all((1, 2))
            )
        plausible[plausible] = codes_agree(
            pictures, picture[plausible], quads[plausible], ids[plausible], fits.midlevel[plausible]
        )
        found = zip(quads, fits.nodes_px, fits.sigma_px, fits.blur_px, strict=True)
        for p, marker_id, accepted, parts in zip(
            picture.tolist(), ids.tolist(), plausible.tolist(), found, strict=True
        ):
            if accepted:
                sightings[p][marker_id] = Sighting(*parts)
        return sightings

    def _remember(self, times_s: list[float], done: list[dict[int, Sighting]], followed: set[int]) -> None:
        """Take over what was seen in the last frames, of markers known in the frame before or not."""
        for marker_id in {i: None for sightings in done for i in sightings}:
            seen = [(t, row[marker_id]) for t, row in zip(times_s, done, strict=False) if marker_id in row]
            first_s, first = seen[0]
            marker = self.markers.get(marker_id)
            if marker is None:
                marker = Marker(marker_id, first_s, first.quad_px, first.blur_px)
                self.markers[marker_id] = marker
            marker.move_along([t for t, _ in seen], [s for _, s in seen], marker_id in followed)


def follow_markers(
    frames: Iterable[Frame],
    total_frames: int = 0,
    job: JobControl | None = None,
    settings: FollowSettings | None = None,
    edges: EdgeSettings | None = None,
) -> MarkerTracks:
    """Follow every marker through a clip.

    Parameters
    ----------
    frames : iterable of Frame
        The clip in presentation order; no frame is kept.
    total_frames : int
        Frames expected, for progress only.
    job : JobControl, optional
        Reports progress and is asked whether to stop.
    settings, edges : optional
        Thresholds.

    Returns
    -------
    MarkerTracks
        Every marker accepted in at least one frame.

    Raises
    ------
    Cancelled
        If ``job`` was told to stop.
    """
    job = job or Unattended()
    settings = settings or FollowSettings()
    follower = _Follower(settings, edges or EdgeSettings())
    parts: list[MarkerTracks] = []
    times: list[float] = []
    rows: list[dict[int, Sighting]] = []
    waiting: list[Frame] = []
    coming = iter(frames)
    while True:
        waiting.extend(islice(coming, max(follower.together - len(waiting), 0)))
        if not waiting:
            break
        alike = _alike(waiting[: follower.together])
        found = follower.steps(alike)
        rows.extend(found)
        times.extend(frame.time_s for frame in alike[: len(found)])
        done = alike[len(found) - 1].index
        del waiting[: len(found)]
        if len(rows) >= _ROWS_A_PART:
            parts.append(_assemble(times, rows, sorted(follower.markers)))
            times, rows = [], []
        job.report(done, max(total_frames, done), "following markers")
        job.check()
    parts.append(_assemble(times, rows, sorted(follower.markers)))
    logger.info("followed %d markers through %d parts", len(follower.markers), len(parts))
    return _joined(parts)


def _alike(frames: list[Frame]) -> list[Frame]:
    """Give the first frames that have the same layout, so that they can be looked at together."""
    first = frames[0]

    def layout(frame: Frame) -> tuple[object, ...]:
        return frame.luma.shape, frame.luma.strides, frame.luma.dtype, frame.bit_depth, frame.full_range

    return list(takewhile(lambda frame: layout(frame) == layout(first), frames))


def _blurs_of(markers: list[Marker]) -> Floats:
    return np.array([m.blur_px for m in markers]).reshape(-1, 4)


def _joined(parts: list[MarkerTracks]) -> MarkerTracks:
    """Join parts of a clip one after the other; a later part may know more markers, never fewer."""
    ids = parts[-1].ids

    def column(name: str) -> Floats:
        shape = getattr(parts[-1], name).shape
        whole = np.full((sum(len(p.time_s) for p in parts), *shape[1:]), np.nan)
        first = 0
        for part in parts:
            rows = slice(first, first + len(part.time_s))
            whole[rows, np.searchsorted(ids, part.ids)] = getattr(part, name)
            first = rows.stop
        return whole

    time_s = np.concatenate([p.time_s for p in parts])
    return MarkerTracks(time_s, ids, column("nodes_px"), column("sigma_px"), column("blur_px"))


def _assemble(times: list[float], rows: list[dict[int, Sighting]], ids: list[int]) -> MarkerTracks:
    shape = (len(times), len(ids))
    nodes = np.full((*shape, 4, 2, 2), np.nan)
    sigma = np.full((*shape, 4, 2), np.nan)
    blur = np.full((*shape, 4), np.nan)
    column = {marker_id: m for m, marker_id in enumerate(ids)}
    for f, row in enumerate(rows):
        for marker_id, sighting in row.items():
            m = column[marker_id]
            nodes[f, m] = sighting.nodes_px
            sigma[f, m] = sighting.sigma_px
            blur[f, m] = sighting.blur_px
    return MarkerTracks(np.array(times), np.array(ids, np.int64), nodes, sigma, blur)


def _signed_area(quads_px: Floats) -> Floats:
    nxt = np.roll(quads_px, -1, axis=1)
    area: Floats = 0.5 * (quads_px[..., 0] * nxt[..., 1] - quads_px[..., 1] * nxt[..., 0]).sum(axis=1)
    return area
