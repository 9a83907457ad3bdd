"""Markers followed from frame to frame through a whole clip.

A marker is predicted from its last two frames, its edges are fitted around the prediction and its
code is checked. One that is lost is looked for in a window, later in the whole picture. A frame in
which a marker was not accepted is a gap: nothing is ever filled in.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from vision.control import JobControl, Unattended
from vision.edges import Bools, EdgeSettings, Floats, corners_from_nodes, fit_edges
from vision.light import light_of_levels
from vision.markers import Detections, codes_agree, detect
from vision.video import Frame

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
    """

    early_searches: tuple[int, ...] = (0, 5, 15, 30)
    search_every: int = 90
    search_every_lost: int = 12
    halved_from_px: int = 1600
    window_sides: float = 1.2
    window_frames: int = 12
    area_change: float = 1.4
    start_blur_px: float = 0.9


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
        Two points on the line of each edge (``vision.edges.NODE_FRACTIONS``), xy.
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


@dataclass(slots=True)
class _Marker:
    """What is known of one marker while the clip runs."""

    marker_id: int
    quad_px: Floats  # (4, 2)
    blur_px: Floats  # (4,)
    step_px: Floats = field(default_factory=lambda: np.zeros((4, 2)))
    lost_frames: int = 0

    def predicted(self) -> Floats:
        return self.quad_px + self.step_px if self.lost_frames == 0 else self.quad_px

    def side_px(self) -> float:
        edges = np.roll(self.quad_px, -1, axis=0) - self.quad_px
        return float(np.hypot(edges[:, 0], edges[:, 1]).mean())


@dataclass(frozen=True, slots=True)
class _Sighting:
    """One marker accepted in one frame."""

    quad_px: Floats
    nodes_px: Floats
    sigma_px: Floats
    blur_px: Floats


class _Follower:
    def __init__(self, settings: FollowSettings, edges: EdgeSettings) -> None:
        self.settings = settings
        self.edges = edges
        self.markers: dict[int, _Marker] = {}
        self.last_search = -1

    def step(self, frame: Frame) -> dict[int, _Sighting]:
        """Follow every known marker into one more frame and look for lost and new ones."""
        followed = [m for m in self.markers.values() if m.lost_frames == 0]
        sightings = self._accept_at(frame, followed, np.array([m.predicted() for m in followed]))
        missed = [m for m in followed if m.marker_id not in sightings]
        if missed and len(sightings) >= 2:
            sightings |= self._accept_at(frame, missed, self._corrected(missed, sightings))
        sightings |= self._recover(frame, [m for m in self.markers.values() if m.marker_id not in sightings])
        if self._search_due(frame.index, sightings):
            self.last_search = frame.index
            found = self._search(frame, all_known=len(sightings) == len(self.markers))
            sightings |= self._measure_found(frame, found, known=set(sightings))
        self._remember(sightings)
        return sightings

    def _accept_at(self, frame: Frame, markers: list[_Marker], quads_px: Floats) -> dict[int, _Sighting]:
        ids = np.array([m.marker_id for m in markers], np.int64)
        blur = np.array([m.blur_px for m in markers]).reshape(-1, 4)
        return self._accept(frame, ids, quads_px.reshape(-1, 4, 2), blur)

    def _corrected(self, missed: list[_Marker], sightings: dict[int, _Sighting]) -> Floats:
        """Predict again by how far the markers found lie off: a moving hand shifts all of them alike."""
        found = [self.markers[i] for i in sightings if i in self.markers]
        predicted = np.array([m.predicted() for m in found])
        off = np.array([sightings[m.marker_id].quad_px for m in found]) - predicted
        if len(found) < 3:
            return np.array([m.predicted() + off.mean(axis=(0, 1)) for m in missed])
        # Shift, turn and scale of the whole picture, by least squares over all corners found.
        at = predicted.reshape(-1, 2)
        middle = at.mean(axis=0)
        x, y = (at - middle).T
        one, zero = np.ones_like(x), np.zeros_like(x)
        rows = np.concatenate([np.stack([one, zero, x, -y], 1), np.stack([zero, one, y, x], 1)])
        shift_x, shift_y, grow, turn = np.linalg.lstsq(rows, off.reshape(-1, 2).T.reshape(-1), rcond=None)[0]
        quads = np.array([m.predicted() for m in missed])
        x, y = quads[..., 0] - middle[0], quads[..., 1] - middle[1]
        change = np.stack([shift_x + grow * x - turn * y, shift_y + turn * x + grow * y], axis=-1)
        return np.asarray(quads + change)

    def _search(self, frame: Frame, all_known: bool) -> Detections:
        """Search a whole frame; at half size where only a marker that was hidden so far could be missing."""
        coarse = all_known and frame.index > 0 and max(frame.luma.shape) >= self.settings.halved_from_px
        if not coarse:
            return detect(frame.luma_8bit())
        found = detect(replace(frame, luma=frame.luma[::2, ::2]).luma_8bit())
        return Detections(found.ids, 2.0 * found.quads_px)

    def _search_due(self, index: int, sightings: dict[int, _Sighting]) -> bool:
        if index in self.settings.early_searches:
            return True
        if not self.markers:
            return index - self.last_search >= _SEARCH_EVERY_EMPTY
        lost = len(sightings) < len(self.markers)
        due = self.settings.search_every_lost if lost else self.settings.search_every
        return index - self.last_search >= due

    def _recover(self, frame: Frame, lost: list[_Marker]) -> dict[int, _Sighting]:
        height, width = frame.luma.shape
        sightings: dict[int, _Sighting] = {}
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

    def _measure_found(self, frame: Frame, found: Detections, known: set[int]) -> dict[int, _Sighting]:
        new = np.array([i not in known for i in found.ids.tolist()], bool)
        blur = np.full((int(new.sum()), 4), self.settings.start_blur_px)
        return self._accept(frame, found.ids[new], found.quads_px[new], blur)

    def _accept(
        self, frame: Frame, ids: NDArray[np.int64], quads_px: Floats, blur_px: Floats
    ) -> dict[int, _Sighting]:
        """Fit the edges of the markers expected at ``quads_px`` and keep those that prove themselves."""
        if not len(ids):
            return {}
        light = light_of_levels(frame.bit_depth, frame.full_range)
        fits = fit_edges(frame.luma, quads_px, blur_px, self.edges, light)
        quads = corners_from_nodes(fits.nodes_px)
        ratio = _signed_area(quads) / _signed_area(quads_px)
        most = self.settings.area_change
        with np.errstate(invalid="ignore"):
            plausible = (
                fits.good.all(axis=1) & (ratio > 1 / most) & (ratio < most) & np.isfinite(quads).all((1, 2))
            )
        plausible[plausible] = codes_agree(
            frame.luma, quads[plausible], ids[plausible], fits.midlevel[plausible]
        )
        return {
            int(ids[i]): _Sighting(quads[i], fits.nodes_px[i], fits.sigma_px[i], fits.blur_px[i])
            for i in np.flatnonzero(plausible)
        }

    def _remember(self, sightings: dict[int, _Sighting]) -> None:
        for marker_id, sighting in sightings.items():
            marker = self.markers.get(marker_id)
            if marker is None:
                self.markers[marker_id] = _Marker(marker_id, sighting.quad_px, sighting.blur_px)
                continue
            step = sighting.quad_px - marker.quad_px if marker.lost_frames == 0 else np.zeros((4, 2))
            marker.step_px = step
            marker.quad_px = sighting.quad_px
            # Blur changes slowly: half of the new value keeps the noise of one frame out of the next.
            marker.blur_px = 0.5 * (marker.blur_px + sighting.blur_px)
            marker.lost_frames = 0
        for marker_id, marker in self.markers.items():
            if marker_id not in sightings:
                marker.lost_frames += 1


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
    follower = _Follower(settings or FollowSettings(), edges or EdgeSettings())
    parts: list[MarkerTracks] = []
    times: list[float] = []
    rows: list[dict[int, _Sighting]] = []
    for frame in frames:
        rows.append(follower.step(frame))
        times.append(frame.time_s)
        if len(rows) == _ROWS_A_PART:
            parts.append(_assemble(times, rows, sorted(follower.markers)))
            times, rows = [], []
        if frame.index % 8 == 0:
            job.check()
            job.report(frame.index, max(total_frames, frame.index), "following markers")
    parts.append(_assemble(times, rows, sorted(follower.markers)))
    logger.info("followed %d markers through %d parts", len(follower.markers), len(parts))
    return _joined(parts)


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


def _assemble(times: list[float], rows: list[dict[int, _Sighting]], ids: list[int]) -> MarkerTracks:
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
