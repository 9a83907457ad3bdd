"""Which way each axis points, and valleys of the fit that look alike.

Seen in perspective, an axis that leans one way with a marker flat across it looks much like one that leans
the other way with the marker tilted on it. A fit that starts with all axes square to the card can come to
rest in the wrong one of these two valleys; where a shaft stands askew it mostly does. A wrong valley shows in
markers that seem to be tilted. Shafts with such markers are tried alone, camera and card held, from several
leans, and what is found that way is a second start for the joint fit.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from strokecurve.vision.arrays import Floats
from strokecurve.vision.control import JobControl
from strokecurve.vision.joint_fit.bordered import SharedFit, fit_cost, fit_shared
from strokecurve.vision.joint_fit.joint import POSE_PARAMETERS, JointModel, JointState
from strokecurve.vision.joint_fit.nodes import Nodes
from strokecurve.vision.rotations import least_turn_to, rotation_from_vector

_ROUGH = 1.0
"""A trial ends at this gain in half a chi-square: it only has to reach the right valley."""


@dataclass(frozen=True, slots=True)
class AxisSettings:
    """How axes that lean are looked for.

    Attributes
    ----------
    suspect_tilt_rad : float
        Shafts with a marker that is tilted more than this are looked at again. In the wrong valley of a shaft
        markers seem to be tilted by almost half its lean.
    strange : float
        Half chi-square of camera and shafts against what is known beforehand from which on all shafts are
        looked at again: of a score of figures, a hundredth part of the right fits are that strange.
    near_rad : float
        Shafts that lean more are looked at again, too, and may stand askew; up to here the usual prior
        (``JointSettings``) hardly pulls.
    least_turn_rad : float
        A shaft that turns less shows its marker from too few sides to tell a leaning axis from a bent arm.
    frames : int
        Key frames that a shaft alone is tried over: enough to find the valley that the joint fit walks down.
    start_lean_rad, starts : float, int
        Trials begin square to the card and at this lean in so many directions. From 25 degrees, valleys of
        shafts that lean up to 60 are reached.
    another_rad : float
        Axes found this far from those of the joint fit lie in another valley.
    turns : int
        Most further joint fits. After each, camera and card are known better, and shafts are tried again.
    clear_gain : float
        Half chi-square by which an axis that may stand askew must explain the film better than one that is
        nearly parallel to the others. Six are due to the wider room that it is given, the rest makes odds of
        thousands to one.
    """

    suspect_tilt_rad: float = np.deg2rad(1.5)
    strange: float = 18.0
    near_rad: float = np.deg2rad(6.0)
    least_turn_rad: float = np.deg2rad(20.0)
    frames: int = 30
    start_lean_rad: float = np.deg2rad(25.0)
    starts: int = 4
    another_rad: float = np.deg2rad(3.0)
    turns: int = 2
    clear_gain: float = 15.0


class _Alone:
    """One shaft with its markers; camera and poses are held (``vision.joint_fit.bordered.BorderedModel``)."""

    angle_at = 0

    def __init__(self, model: JointModel, shaft: int) -> None:
        self.shaft = shaft
        self.markers = [b for b, m in enumerate(model.mounted) if m.shaft == shaft]
        mounted = [replace(model.mounted[b], shaft=0) for b in self.markers]
        settings = replace(model.settings, free_axes=(0,))
        self._inner = JointModel([], mounted, False, model.picture_wh_px, settings)
        self._first = self._inner.axis_at[0]
        self.shared_size = self._inner.shared_size - self._first
        self.local_size = len(mounted)
        self.huber = model.huber
        self.steps = model.steps

    def state_of(self, state: JointState) -> JointState:
        """Give what a state of all shafts says of this one."""
        return replace(
            state,
            axis=state.axis[[self.shaft]],
            centre_mm=state.centre_mm[[self.shaft]],
            mount_rotation=state.mount_rotation[self.markers],
            mount_offset_mm=state.mount_offset_mm[self.markers],
            angle_rad=state.angle_rad[:, self.markers],
        )

    def put_into(self, state: JointState, alone: JointState, picked: NDArray[np.intp]) -> JointState:
        """Give a state of all shafts with this one as found over the ``picked`` frames."""
        axis, centre = state.axis.copy(), state.centre_mm.copy()
        mount, offset = state.mount_rotation.copy(), state.mount_offset_mm.copy()
        angle = state.angle_rad.copy()
        axis[self.shaft], centre[self.shaft] = alone.axis[0], alone.centre_mm[0]
        mount[self.markers], offset[self.markers] = alone.mount_rotation, alone.mount_offset_mm
        # Angles of the other frames keep their distance from these; each frame finds its own in the fit.
        change = np.exp(1j * (alone.angle_rad - angle[picked][:, self.markers]))
        angle[:, self.markers] += np.angle(change.mean(axis=0))
        return replace(
            state, axis=axis, centre_mm=centre, mount_rotation=mount, mount_offset_mm=offset, angle_rad=angle
        )

    def residuals(self, state: JointState, nodes: Nodes) -> Floats:
        """Distances from the lines, in standard deviations."""
        return self._inner.residuals(state, nodes)

    def linearise(
        self, state: JointState, nodes: Nodes, with_shared: bool = True
    ) -> tuple[Floats, Floats, Floats]:
        """Residuals, and their derivatives by what belongs to the shaft."""
        residual, shared, local = self._inner.linearise(state, nodes, with_shared)
        return residual, shared[..., self._first :], local[..., POSE_PARAMETERS:]

    def prior(self, state: JointState) -> tuple[Floats, Floats]:
        """What is known beforehand of the shaft."""
        deviation, information = self._inner.prior(state)
        return deviation[self._first :], information[self._first :, self._first :]

    def moved(self, state: JointState, shared: Floats, local: Floats) -> JointState:
        """Take a step with camera and poses held."""
        every = np.zeros(self._inner.shared_size)
        every[self._first :] = shared
        each = np.zeros((len(local), POSE_PARAMETERS + self.local_size))
        each[:, POSE_PARAMETERS:] = local
        return self._inner.moved(state, every, each)


def axes_settled(
    model: JointModel,
    start: JointState,
    nodes: Nodes,
    settle: Callable[[JointModel, JointState], SharedFit[JointState]],
    job: JobControl,
    settings: AxisSettings,
) -> tuple[JointModel, SharedFit[JointState], JointState]:
    """Fit, and look for better valleys.

    Parameters
    ----------
    model : JointModel
    start : JointState
        First estimate over the key frames, axes square to the card.
    nodes : Nodes
        Measurements of the same frames.
    settle : callable
        Fits a model from a start.
    job : JobControl
        Asked before each trial whether to stop.
    settings : AxisSettings

    Returns
    -------
    model : JointModel
        With the axes free that the film clearly shows to stand askew.
    fit : SharedFit
    start : JointState
        The first estimate, with these axes where they were found: for whoever has to begin again.
    """
    fit, around = settle(model, start), start
    for _ in range(settings.turns):
        suspects = _suspects(model, fit.state, nodes, settings)
        state, free = around, []
        moved = False
        for s in suspects:
            alone, picked, found = _tried(model, around, nodes, s, job, settings)
            state = alone.put_into(state, found, picked)
            moved |= bool(found.axis[0, :, 2] @ fit.state.axis[s, :, 2] < np.cos(settings.another_rad))
            if found.axis[0, 2, 2] < np.cos(settings.near_rad):
                free.append(s)
        newly = set(free) - set(model.settings.free_axes)
        if not (moved or newly):
            break
        other_model = model.with_settings(replace(model.settings, free_axes=tuple(free)))
        other = settle(other_model, state)
        if not _better((other_model, other), (model, fit), nodes, settings.clear_gain if newly else 0.0):
            break
        model, fit, around = other_model, other, other.state
    everything = np.arange(len(start.angle_rad))
    for s in model.settings.free_axes:
        alone = _Alone(model, s)
        start = alone.put_into(start, alone.state_of(fit.state), everything)
    return model, fit, start


def _suspects(model: JointModel, state: JointState, nodes: Nodes, settings: AxisSettings) -> list[int]:
    """Shafts that are to be looked at again, and turn enough for that."""
    deviation, information = model.prior(state)
    strange = 0.5 * deviation @ information @ deviation > settings.strange
    result = []
    for s in range(model.shafts):
        mine = [b for b, m in enumerate(model.mounted) if m.shaft == s]
        tilt = max(float(np.hypot(*model.mount_tilt_rad(state, b))) for b in mine)
        square = state.axis[s, 2, 2] >= np.cos(settings.near_rad)
        lead = mine[0]
        turned = state.angle_rad[nodes.seen[:, len(model.card_ids) + lead], lead]
        turns = turned.size and np.ptp(turned) >= settings.least_turn_rad
        if turns and (strange or tilt > settings.suspect_tilt_rad or not square):
            result.append(s)
    return result


def _tried(
    model: JointModel,
    around: JointState,
    nodes: Nodes,
    shaft: int,
    job: JobControl,
    settings: AxisSettings,
) -> tuple[_Alone, NDArray[np.intp], JointState]:
    """Give a shaft alone, some key frames, and the best of its fits over them from several leans."""
    alone = _Alone(model, shaft)
    frames = len(around.angle_rad)
    picked = np.unique(np.linspace(0, frames - 1, min(settings.frames, frames)).round().astype(np.intp))
    seen = nodes.of_markers([len(model.card_ids) + b for b in alone.markers]).frames(picked)
    return alone, picked, _best(alone, alone.state_of(around.frames(picked)), seen, job, settings)


def _best(
    alone: _Alone, initial: JointState, nodes: Nodes, job: JobControl, settings: AxisSettings
) -> JointState:
    """Give the best of the fits of a shaft alone that start from several leans."""
    fits: list[SharedFit[JointState]] = []
    toward = 2 * np.pi * np.arange(settings.starts) / settings.starts
    leans = settings.start_lean_rad * np.stack([np.cos(toward), np.sin(toward)], axis=1)
    for lean_rad in np.concatenate([np.zeros((1, 2)), leans]):
        job.check()
        fits.append(fit_shared(alone, leaned(initial, lean_rad), nodes, job, least_gain=_ROUGH))
    # Costs are compared under one scale, that of the fit that explains most.
    scale = min(fit.noise_scale for fit in fits)
    return min((fit.state for fit in fits), key=lambda state: fit_cost(alone, state, nodes, scale))


def leaned(state: JointState, lean_rad: Floats) -> JointState:
    """Give a state of one shaft with another lean, shape (2,), and markers flat on it.

    The middle of the first marker's circle stays where it is.
    """
    axis = rotation_from_vector(np.array([lean_rad[0], lean_rad[1], 0.0]))
    height = float(state.mount_offset_mm[0, 2])
    middle = np.array([*state.centre_mm[0], 0.0]) + height * state.axis[0, :, 2]
    along = middle[2] / axis[2, 2]
    foot = middle - along * axis[:, 2]
    offset = state.mount_offset_mm.copy()
    offset[:, 2] += along - height
    flat = np.broadcast_to(np.eye(3), state.mount_rotation.shape)
    return replace(
        state, axis=axis[None], centre_mm=foot[None, :2], mount_rotation=flat, mount_offset_mm=offset
    )


def _better(
    other: tuple[JointModel, SharedFit[JointState]],
    present: tuple[JointModel, SharedFit[JointState]],
    nodes: Nodes,
    by: float,
) -> bool:
    """Tell whether another fit explains the film better by so much, in half a chi-square."""
    # Costs are compared under one scale, that of the fit that explains more.
    scale = min(other[1].noise_scale, present[1].noise_scale)
    costs = [fit_cost(model, fit.state, nodes, scale) for model, fit in (other, present)]
    return costs[0] + by < costs[1]


def without_spin(axis: Floats) -> tuple[Floats, Floats]:
    """Take the spin about themselves out of axes.

    Parameters
    ----------
    axis : ndarray, shape (S, 3, 3)
        Rotations that take z to each axis.

    Returns
    -------
    axis : ndarray, shape (S, 3, 3)
        Those that do so with the least turn.
    spin_rad : ndarray, shape (S,)
        What angles about the axes grow by: they count from the same direction for all shafts then.
    """
    least = np.array([least_turn_to(one[:, 2]) for one in axis])
    spin = np.swapaxes(least, 1, 2) @ axis
    return least, np.arctan2(spin[:, 1, 0], spin[:, 0, 0])
