"""A whole film carried along with the key frames of it that were fitted again."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from strokecurve.vision.arrays import Bools, Floats
from strokecurve.vision.joint_fit.film import with_shared
from strokecurve.vision.joint_fit.instant import Filmed
from strokecurve.vision.joint_fit.joint import JointState
from strokecurve.vision.joint_fit.path import POSE, places_of

_FRAMES_EACH = 4
"""Key frames for each number of a change, at least; with fewer of them all frames change alike."""

_FAR = 4.0
"""A key frame whose change lies so many robust standard deviations off the others' is left out."""


def carried(
    state: JointState, filmed: Filmed, again: JointState, key: NDArray[np.intp], seen: Bools
) -> tuple[JointState, Filmed]:
    """Give path and angles of all frames as they follow from what changed at key frames.

    Another focal length puts the card at another distance, another centre of the picture turns the camera,
    and other mounts turn the arms: in all frames alike, or as the camera's place has it. Without that a fit
    of the path starts from shared values and poses that belong to different cameras, hundreds of standard
    deviations off, and takes two or three steps more.

    Parameters
    ----------
    state, filmed : JointState, Filmed
        F frames as fitted before.
    again : JointState
        K key frames as fitted now, and the shared values that go with them.
    key : ndarray of int, shape (K,)
        Which frames they are.
    seen : ndarray of bool, shape (K, B)
        Whether the markers on arms were measured there.

    Returns
    -------
    state : JointState
        F frames, with the shared values of ``again``.
    filmed : Filmed
    """
    if filmed.shift_px is not None:
        # Shifts of pictures and turns of the camera are nearly the same thing, and settle anew more easily
        # than from where they stood for another camera.
        return with_shared(state, again), filmed
    path = filmed.path
    place, _ = places_of(path.reference, again.rotation, again.translation)
    shift, by_place = _affine(path.place[key], place - path.place[key])
    carried_path = replace(
        path, place=path.place + shift + path.place @ by_place, speed=path.speed + path.speed @ by_place
    )
    angle = state.angle_rad.copy()
    for arm, shown in enumerate(seen.T):
        if shown.any():
            angle[:, arm] += np.median(again.angle_rad[shown, arm] - angle[key[shown], arm])
    return with_shared(replace(state, angle_rad=angle), again), replace(filmed, path=carried_path)


def _affine(place: Floats, change: Floats) -> tuple[Floats, Floats]:
    """Constant (6,) and linear part (6, 6) of the change (K, 6) of places (K, 6)."""
    enough = _FRAMES_EACH * (1 + POSE)
    if len(place) < enough:
        return np.median(change, axis=0), np.zeros((POSE, POSE))
    middle, spread = place.mean(axis=0), place.std(axis=0)
    spread = np.where(spread > 0, spread, 1.0)
    rows = np.concatenate([np.ones((len(place), 1)), (place - middle) / spread], axis=1)
    slopes = np.linalg.lstsq(rows, change, rcond=None)[0]
    off = np.abs(change - rows @ slopes)
    usual = (off <= _FAR * 1.4826 * np.median(off, axis=0)).all(axis=1)
    if usual.sum() >= enough:
        slopes = np.linalg.lstsq(rows[usual], change[usual], rcond=None)[0]
    by_place = slopes[1:] / spread[:, None]
    return slopes[0] - middle @ by_place, by_place
