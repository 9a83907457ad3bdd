"""A film from the hand: the camera's path, the readout of its rows and all that a key frame tells, in turns.

Camera, axes and mounts are found from key frames; path and readout from whole stretches of film. Each needs
the other: key frames are looked at as an instant shutter would have shown them, which takes path and readout,
and those take camera and axes. Three turns settle both.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from strokecurve.vision.arrays import Bools, Floats
from strokecurve.vision.control import JobControl
from strokecurve.vision.joint_fit.blocks import joined
from strokecurve.vision.joint_fit.bordered import SharedFit, fit_frames, fit_shared
from strokecurve.vision.joint_fit.carry import carried
from strokecurve.vision.joint_fit.film import FilmFit, alone, unmoved, with_shared
from strokecurve.vision.joint_fit.instant import Filmed, angle_rates
from strokecurve.vision.joint_fit.joint import JointModel, JointSettings, JointState
from strokecurve.vision.joint_fit.nodes import Nodes
from strokecurve.vision.joint_fit.path_fit import PathFit, PathSettings, fit_path, pose_covariance
from strokecurve.vision.joint_fit.row_time import RowTime
from strokecurve.vision.joint_fit.shutter import HELD_S, Shutter, ShutterSettings, shift_gain, sure_rows
from strokecurve.vision.joint_fit.sizing import NoiseSettings, with_noise_found

logger = logging.getLogger(__name__)

_ROUGH = 1.0
"""Fits that only prepare the last ones end at this gain in half a chi-square."""

_FEW_FRAMES, _FEW_REACH = 250, 2
"""Frames of a film that are all looked at while the readout is sought; of a longer one, every other key
frame and so many frames to each side of it are, enough to tell how the camera moves there."""

_MOST_FRAMES, _REACH = 900, 4
"""The same while shifts of pictures are sought: they hide how the camera moves, so it takes more film."""

_STEPS = 4
"""Steps of a path through all frames, started from poses that take all rows as exposed at once."""

_SHIFT_TURNS, _FREE_TURNS = 6, 2
"""Turns after which shifted pictures, axes and mounts fit each other, and the camera, too: while an unusual
lens is held at a usual focal length, shifts stand in for it."""

_WINDOW, _OVERLAP = 600, 12
"""Frames of a long film whose path is fitted at once in the end, and those at either end of them that only
lead in: the path forgets what lay before within a few frames."""


@dataclass(frozen=True, slots=True)
class _Look:
    """Frames looked at while path and readout are sought."""

    scatter: Nodes  # with the errors that scatter along edges shows
    time_s: Floats
    tied: Bools  # whether the next one is the next of the film, too
    key: NDArray[np.intp]  # key frames among them

    @classmethod
    def around(cls, key: NDArray[np.intp], scatter: Nodes, time_s: Floats, most: int, reach: int) -> _Look:
        """Take all frames if there are no more than ``most``, else ``reach`` on either side of key frames."""
        frames = len(time_s)
        pick = np.arange(frames)
        if frames > most:
            pick = np.unique((key[:, None] + np.arange(-reach, reach + 1)).clip(0, frames - 1))
        return cls(scatter.frames(pick), time_s[pick], np.diff(pick) == 1, np.searchsorted(pick, key))


@dataclass(frozen=True, slots=True)
class _Turn:
    """Key frames, and path and readout after them, each fitted once more."""

    model: JointModel
    fit: SharedFit[JointState]
    floor_px: Floats
    nodes: Nodes
    found: PathFit


def find_in_hand(
    model: JointModel,
    fit: SharedFit[JointState],
    start: JointState,
    scatter: Nodes,
    time_s: Floats,
    key: NDArray[np.intp],
    noise: NoiseSettings,
    settings: ShutterSettings,
    job: JobControl,
) -> FilmFit:
    """Find camera, axes, path and readout.

    Parameters
    ----------
    model : JointModel
        With a free camera.
    fit : SharedFit
        Of the key frames, their rows taken as exposed at once.
    start : JointState
        What that fit began from.
    scatter : Nodes
        All frames, with the errors that scatter along edges shows; none where the card was not seen.
    time_s : ndarray, shape (F,)
    key : ndarray of int, shape (K,)
    noise, settings, job
        Limits, and whom to ask whether to stop.
    """
    frames = len(time_s)
    few = key[::2] if frames > _FEW_FRAMES else key
    look = _Look.around(few, scatter, time_s, _FEW_FRAMES, _FEW_REACH)
    nodes = look.scatter.floored(np.full(scatter.seen.shape[1], noise.start_floor_px))
    nodes = nodes.scaled(1.0 / fit.noise_scale)
    state = alone(model, fit.state, nodes, look.time_s, look.time_s[look.key])
    filmed = unmoved(state, nodes, look.time_s, look.tied, model.picture_wh_px)
    found = fit_path(model, state, filmed, nodes, PathSettings(), job)
    turn = _both_again(model, found, nodes, look, PathSettings(), None, noise, job)
    more_s, steadied = settings.hand_sigma_s, False
    if _suspect(turn, look, settings):
        usual = PathSettings(rows_s=settings.usual_s, rows_sigma_s=settings.usual_sigma_s)
        wide = _Look.around(key, scatter, time_s, _MOST_FRAMES, _REACH)
        shifted = _shifted(model, start, wide, usual, noise, settings, job)
        steadied = _steadied(shifted.found.filmed.shift_px, settings)
        if steadied:
            logger.info("the pictures were steadied")
            more_s, look, path_settings = settings.steadied_sigma_s, wide, usual
            turn = shifted
    if not steadied:
        # By now the noise is known well enough to tell whether there is a readout at all.
        found = turn.found
        chi_square = 2.0 * found.cost
        path_settings = sure_rows(
            found.filmed.row_time, found.row_covariance_s2, chi_square, more_s, settings
        )
    turn = _both_again(
        turn.model, turn.found, turn.nodes, look, path_settings, turn.found.strength, noise, job
    )
    model, fit, found, floor_px = turn.model, turn.fit, turn.found, turn.floor_px
    free = _free(path_settings)
    row_covariance = np.where(np.outer(free, free), found.row_covariance_s2 + more_s**2 * np.eye(2), 0.0)
    state = with_shared(found.state, fit.state)
    filmed = replace(found.filmed, row_time=_kept(found.filmed.row_time, path_settings))
    nodes = scatter.floored(floor_px)
    if len(look.time_s) < frames:
        state = alone(model, state, nodes, time_s, look.time_s)
        whole = unmoved(state, nodes, time_s, np.ones(frames - 1, bool), model.picture_wh_px, steadied)
        filmed = replace(whole, row_time=filmed.row_time)
    shutter = Shutter(filmed.row_time, row_covariance, steadied)
    hand = FilmFit(model, fit, floor_px, state, filmed, shutter, path_settings, found.strength)
    hand, instant = follow_hand(hand, nodes, job, _STEPS, anew=len(look.time_s) < frames)
    at_key = instant.frames(key)
    single = SharedFit(fit_frames(model, hand.state.frames(key), at_key, 1.0), np.zeros((0, 0)), 1.0)
    bare = at_key.with_weights(scatter.frames(key))
    model, fit, floor_px = with_noise_found(model, single, bare, at_key, noise, job)
    state, filmed = carried(hand.state, hand.filmed, fit.state, key, _arms_seen(model, nodes, key))
    return replace(hand, model=model, fit=fit, floor_px=floor_px, state=state, filmed=filmed)


def _arms_seen(model: JointModel, nodes: Nodes, key: NDArray[np.intp]) -> Bools:
    """Whether the markers on arms were measured in some frames, (K, B)."""
    return np.asarray(nodes.seen[key, len(model.card_ids) :])


def follow_hand(
    hand: FilmFit, nodes: Nodes, job: JobControl, steps: int, anew: bool = False
) -> tuple[FilmFit, Nodes]:
    """Fit path and angles to all frames of a film, what they share held; give their nodes at an instant, too.

    Parameters
    ----------
    hand : FilmFit
        With first estimates for all frames.
    nodes : Nodes
        As seen; none where the card was not seen, or where they were refused.
    job : JobControl
    steps : int
        Steps of the fit.
    anew : bool
        Find the intensities of the hand's acceleration anew: a few frames around each key frame tell the
        readout, but in so short a time a slow hand seems not to swing at all.
    """
    settings = replace(hand.path_settings, steps=steps)
    states, filmed = [], []
    strength = None if anew else hand.strength
    for outer, inner in _windows(len(hand.state.rotation)):
        found = fit_path(
            hand.model,
            hand.state.frames(outer),
            hand.filmed.frames(outer),
            nodes.frames(outer),
            settings,
            job,
            strength,
            with_rows=False,
        )
        strength = found.strength
        states.append(found.state.frames(inner))
        filmed.append(found.filmed.frames(inner))
    state, whole = joined(states), Filmed.joined(filmed, hand.filmed.path.tied)
    rate = angle_rates(hand.model, state, nodes, whole.path)
    blocks = [
        whole.frames(outer)
        .instant(hand.model, state.frames(outer), nodes.frames(outer), rate[outer])
        .frames(inner)
        for outer, inner in _windows(len(state.rotation))
    ]
    return replace(hand, state=state, filmed=whole, strength=found.strength), Nodes.joined(blocks)


def pose_covariances(hand: FilmFit, nodes: Nodes) -> Floats:
    """Covariance of each frame's pose, (F, 6, 6), as in ``vision.joint_fit.path_fit.pose_covariance``."""
    return np.concatenate(
        [
            pose_covariance(
                hand.model,
                hand.state.frames(o),
                hand.filmed.frames(o),
                nodes.frames(o),
                hand.path_settings,
                hand.strength,
            )[i]
            for o, i in _windows(len(hand.state.rotation))
        ]
    )


def _windows(frames: int) -> list[tuple[slice, slice]]:
    """Parts of a film with what leads in and out of them, and the parts themselves counted from there."""
    if frames <= _MOST_FRAMES:
        return [(slice(0, frames), slice(0, frames))]
    windows = []
    for first in range(0, frames, _WINDOW):
        last = min(first + _WINDOW, frames)
        begin, end = max(first - _OVERLAP, 0), min(last + _OVERLAP, frames)
        windows.append((slice(begin, end), slice(first - begin, last - begin)))
    return windows


def _free(settings: PathSettings) -> Bools:
    """Whether the readouts along rows and columns are not held at none, shape (2,)."""
    return np.array([settings.rows_sigma_s, settings.columns_sigma_s]) > HELD_S


def _kept(rows: RowTime, settings: PathSettings) -> RowTime:
    """The readouts that are not held at none."""
    along, sideways = _free(settings)
    return RowTime(rows.rows_s if along else 0.0, rows.columns_s if sideways else 0.0)


def _both_again(
    model: JointModel,
    found: PathFit,
    nodes: Nodes,
    look: _Look,
    settings: PathSettings,
    strength: Floats | None,
    noise: NoiseSettings,
    job: JobControl,
) -> _Turn:
    """Fit the key frames again as an instant shutter would have shown them, then path and readout."""
    model, fit, floor_px = _key_frames_again(model, found, nodes, look, noise, job)
    nodes = look.scatter.floored(floor_px)
    filmed = replace(found.filmed, row_time=_kept(found.filmed.row_time, settings))
    state, filmed = carried(found.state, filmed, fit.state, look.key, _arms_seen(model, nodes, look.key))
    found = fit_path(model, state, filmed, nodes, replace(settings, steps=4), job, strength)
    return _Turn(model, fit, floor_px, nodes, found)


def _suspect(turn: _Turn, look: _Look, settings: ShutterSettings) -> bool:
    """Whether the pictures may have been shifted after they were exposed."""
    known = turn.model.settings
    usual_px = known.focal_per_width * max(turn.model.picture_wh_px)
    stray = abs(np.log(turn.found.state.camera.focal_px / usual_px)) / known.focal_log_sigma
    if stray > settings.suspect_focal:
        return True
    instant, single = _instant_key(turn.model, turn.found, turn.nodes, look)
    return shift_gain(turn.model, single, instant) > settings.suspect_gain


def _steadied(shift_px: Floats | None, settings: ShutterSettings) -> bool:
    """Whether shifts (F, 2) are those of a phone that steadies.

    They are large in half of the frames (a few blurred by a pan must not count for all), and they change from
    frame to frame as a hand does: what drifts slowly may as well be a turn of the camera.
    """
    if shift_px is None:
        return False
    size, change = (float(np.median(np.hypot(*values.T))) for values in (shift_px, np.diff(shift_px, axis=0)))
    return size > settings.steadied_px and change > settings.steadied_change_px


def _instant_key(model: JointModel, found: PathFit, nodes: Nodes, look: _Look) -> tuple[Nodes, JointState]:
    """Key frames as an instant shutter would have shown them, and each of them fitted by itself."""
    rate = angle_rates(model, found.state, nodes, found.filmed.path)
    instant = found.filmed.instant(model, found.state, nodes, rate).frames(look.key)
    return instant, fit_frames(model, found.state.frames(look.key), instant, 1.0)


def _key_frames_again(
    model: JointModel, found: PathFit, nodes: Nodes, look: _Look, noise: NoiseSettings, job: JobControl
) -> tuple[JointModel, SharedFit[JointState], Floats]:
    """Fit the key frames again as an instant shutter would have shown them, and size their noise."""
    instant, single = _instant_key(model, found, nodes, look)
    bare = instant.with_weights(look.scatter.frames(look.key))
    fit = SharedFit(single, np.zeros((0, 0)), 1.0)
    return with_noise_found(model, fit, bare, instant, noise, job, well=False)


def _shifted(
    model: JointModel,
    start: JointState,
    look: _Look,
    path_settings: PathSettings,
    noise: NoiseSettings,
    settings: ShutterSettings,
    job: JobControl,
) -> _Turn:
    """Begin again with shifted pictures.

    Shifts of whole pictures pull a free camera far off before they are known, so camera and axes are held
    close to what is usual until then.
    """
    held = model.with_settings(_held(model.settings, settings.held_share))
    nodes = look.scatter.floored(np.full(look.scatter.seen.shape[1], noise.start_floor_px))
    fit = fit_shared(held, start, nodes.frames(look.key), job, least_gain=_ROUGH)
    nodes = nodes.scaled(1.0 / fit.noise_scale)
    state = alone(held, fit.state, nodes, look.time_s, look.time_s[look.key])
    filmed = unmoved(state, nodes, look.time_s, look.tied, model.picture_wh_px, steadied=True)
    found = fit_path(held, state, filmed, nodes, replace(path_settings, steps=4), job)
    # The shifts passed for noise so far, and bent axes and mounts: each gets better with the other.
    turn = _both_again(held, found, nodes, look, path_settings, None, noise, job)
    for n in range(1, _SHIFT_TURNS + _FREE_TURNS):
        now = turn.model if n < _SHIFT_TURNS else turn.model.with_settings(model.settings)
        turn = _both_again(now, turn.found, turn.nodes, look, path_settings, None, noise, job)
    return turn


def _held(settings: JointSettings, share: float) -> JointSettings:
    """Priors of camera and axes so narrow that they stay where they are expected."""
    return replace(
        settings,
        focal_log_sigma=share * settings.focal_log_sigma,
        centre_sigma_per_width=share * settings.centre_sigma_per_width,
        k1_sigma=share * settings.k1_sigma,
        k2_sigma=share * settings.k2_sigma,
        mount_tilt_sigma_rad=0.1 * settings.mount_tilt_sigma_rad,
        axis_own_sigma_rad=0.1 * settings.axis_own_sigma_rad,
    )
