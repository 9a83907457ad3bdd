"""Every shaft a hinge: axis, centre, mounting of its markers, and its angle in each frame.

The angle of a shaft is counter-clockwise positive as the camera sees it. Shared unknowns are fitted over
key frames spread through the clip (``vision.joint``); then every frame is solved alone, so that a
frame in which the shaft's markers were not accepted stays a gap.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from vision.angles import angles_with_sigma, with_smooth_poses
from vision.arrays import Bools, Floats
from vision.blocks import fit_in_blocks, frame_blocks, joined, state_blocks
from vision.bordered import (
    SharedFit,
    fit_cost,
    fit_frames,
    fit_shared,
)
from vision.control import JobControl, Unattended
from vision.errors import PoseError
from vision.final import FrameFacts, frame_facts
from vision.follow import MarkerTracks
from vision.guess import first_guess, key_frames
from vision.joint import JointModel, JointSettings, JointState, MountedMarker, card_ids_in
from vision.motion import ShaftMotion, ShaftSpec
from vision.nodes import LEAST_REJECT_PX, Nodes
from vision.noise import find_noise
from vision.rotations import mean_rotation
from vision.shifts import Shifts

logger = logging.getLogger(__name__)

_ROUGH = 1.0
"""Fits that only prepare the last ones end at this gain in half a chi-square."""

_NO_FLOOR_PX = 1e-4
"""Keeps the weight of a perfectly drawn edge finite."""


@dataclass(frozen=True, slots=True)
class HingeSettings:
    """Limits of the hinge fit.

    Attributes
    ----------
    key_frames : int
        Frames over which the shared unknowns are fitted.
    least_frames : int
        Frames with the card and a shaft without which nothing is measured.
    start_floor_px, least_floor_px, floor_turns : float, float, int
        Error of an edge node that its own scatter does not show (compression, lens): first assumed, then
        found from how well the model fits, in so many turns.
    held_share, suspect_tilt_rad : float
        The first fit holds markers flat and axes parallel to this share of their usual spread; afterwards a
        marker that leans more than this is tried with other leans.
    steady_ratio : float
        The camera counts as standing still if a fixed pose raises the noise by no more than this.
    steady_wander : float
        A fixed pose is not tried where the camera moved by more than this share of its distance: no stand
        gives way so far, and a fit from one pose for all would start far from everything.
    reject : float
        A marker whose nodes lie this many standard deviations off (RMS) in a frame is not believed there.
    least_reject_px : float
        A marker nearer to the model than this is never refused (``vision.nodes``).
    least_turn_rad : float
        A shaft that turns less does not show where its centre is.
    knock : float
        A hand-held camera was knocked where its pose is so many standard deviations (RMS of six parts) off
        its smooth path: by chance once in a million frames.
    joint : JointSettings
        Priors of the joint model.
    """

    key_frames: int = 90
    least_frames: int = 8
    start_floor_px: float = 0.02
    least_floor_px: float = 0.004
    floor_turns: int = 2
    held_share: float = 0.1
    suspect_tilt_rad: float = np.deg2rad(1.5)
    steady_ratio: float = 1.15
    steady_wander: float = 0.1
    reject: float = 4.5
    least_reject_px: float = LEAST_REJECT_PX
    least_turn_rad: float = np.deg2rad(4.0)
    knock: float = 2.5
    joint: JointSettings = field(default_factory=JointSettings)


def find_shafts(
    tracks: MarkerTracks,
    shafts: list[ShaftSpec],
    picture_wh_px: tuple[int, int],
    job: JobControl | None = None,
    settings: HingeSettings | None = None,
) -> ShaftMotion:
    """Find every shaft's axis and its angle in each frame.

    Parameters
    ----------
    tracks : MarkerTracks
        Markers followed through the clip.
    shafts : list of ShaftSpec
        Shafts with at least one marker in ``tracks``.
    picture_wh_px : tuple of int
        Size of the stored picture.
    job : JobControl, optional
        Progress and stop.
    settings : HingeSettings, optional
        Limits.

    Returns
    -------
    ShaftMotion

    Raises
    ------
    DetectionError
        If card and shafts are not in the picture together for long enough.
    PoseError
        If the model cannot be fitted.
    """
    try:
        return _find_shafts(tracks, shafts, picture_wh_px, job or Unattended(), settings or HingeSettings())
    except np.linalg.LinAlgError as error:
        raise PoseError(
            "Camera and shafts cannot be told from what was seen of the markers.",
            "Film the whole stroke again with the whole card and all arm markers in view.",
        ) from error


def _find_shafts(
    tracks: MarkerTracks,
    shafts: list[ShaftSpec],
    picture_wh_px: tuple[int, int],
    job: JobControl,
    settings: HingeSettings,
) -> ShaftMotion:
    cards = card_ids_in(tracks)
    mounted = _mounted(tracks, shafts)
    ids = cards + [m.marker_id for m in mounted]
    nodes = Nodes.from_tracks(tracks, ids, np.full(len(ids), settings.start_floor_px))
    key = key_frames(nodes, len(cards), settings.key_frames, settings.least_frames)
    model = JointModel(cards, mounted, False, picture_wh_px, settings.joint)
    job.report(0, 3, "finding camera and shafts")
    start, key = first_guess(model, tracks, ids, key)
    fit = _settle(model, start, nodes.frames(key), settings, job)
    model, fit = _steady_or_not(model, fit, nodes.frames(key), settings, job)
    model, fit, everything = _with_noise_found(model, fit, tracks, ids, key, settings, job)
    job.report(1, 3, "finding camera and shafts")
    state = _every_frame(model, fit, everything, tracks.time_s, key, job)
    nodes, refused = _without_wrong_markers(model, state, everything, settings)
    if refused.any():
        state = fit_in_blocks(model, state, nodes, 1.0)
    job.report(2, 3, "finding camera and shafts")
    parts = [
        frame_facts(model, state.frames(pick), everything.frames(pick), refused[pick])
        for pick in frame_blocks(len(tracks.time_s))
    ]
    facts = FrameFacts.joined(parts)
    posed = np.ones(len(tracks.time_s), bool)
    posing = facts.own - facts.held
    if not model.steady:
        posed = np.asarray(nodes.seen[:, : len(model.card_ids)].any(axis=1))
        state, posing = with_smooth_poses(model, state, nodes, facts, posed, tracks.time_s, settings.knock)
    angles = angles_with_sigma(model, fit, state, nodes, facts, posing, posed)
    fitted = _Fitted(model, fit.covariance, state, nodes, refused, posed)
    return _motion(fitted, facts.shifts, angles, tracks.time_s, tuple(s.name for s in shafts), settings)


@dataclass(frozen=True, slots=True)
class _Fitted:
    """The model fitted to all frames."""

    model: JointModel
    covariance: Floats  # of the shared unknowns
    state: JointState
    nodes: Nodes  # without those refused
    refused: Bools
    posed: Bools  # frames whose pose is known


def _with_noise_found(
    model: JointModel,
    fit: SharedFit[JointState],
    tracks: MarkerTracks,
    ids: list[int],
    key: NDArray[np.intp],
    settings: HingeSettings,
    job: JobControl,
) -> tuple[JointModel, SharedFit[JointState], Nodes]:
    """Fit again with the noise that the residuals show; give the nodes of all frames with that noise, too.

    The noise is stated in full then, so from here on residuals count as they are (a noise scale of 1).
    """
    scatter = Nodes.from_tracks(tracks, ids, np.full(len(ids), _NO_FLOOR_PX)).frames(key)
    nodes = Nodes.from_tracks(tracks, ids, np.full(len(ids), settings.start_floor_px))
    for _ in range(settings.floor_turns):
        noise = find_noise(model, fit.state, nodes.frames(key), scatter, settings.least_floor_px)
        model = model.with_pairs(noise.pair_correlation)
        # On a tripod the card shows the same pixels in every frame, so its fixed errors do not average out:
        # all frames together must count for no more than one look with that error.
        floor_px = np.hypot(noise.own_px, np.sqrt(len(key)) * noise.fixed_px)
        nodes = Nodes.from_tracks(tracks, ids, floor_px)
        fit = fit_shared(model, fit.state, nodes.frames(key), job, 1.0, _ROUGH)
    return model, fit_shared(model, fit.state, nodes.frames(key), job, 1.0), nodes


def _mounted(tracks: MarkerTracks, shafts: list[ShaftSpec]) -> list[MountedMarker]:
    present = set(tracks.ids.tolist())
    mounted = []
    for s, shaft in enumerate(shafts):
        leads = True
        for marker_id, side_mm in shaft.markers:
            if marker_id in present:
                mounted.append(MountedMarker(marker_id, side_mm, s, leads))
                leads = False
    return mounted


def _settle(
    model: JointModel, start: JointState, nodes: Nodes, settings: HingeSettings, job: JobControl
) -> SharedFit[JointState]:
    """First fit, safe from the mirror images of a flat marker's pose.

    Seen nearly head-on, a marker tilted one way looks much like one tilted the other way, so a fit from afar
    can come to rest at the wrong tilt. It therefore starts with markers held nearly flat and axes nearly
    parallel, lets go of them, and then tries each marker that still leans flat and with the opposite lean.
    """
    joint = settings.joint
    held = replace(
        joint,
        mount_tilt_sigma_rad=settings.held_share * joint.mount_tilt_sigma_rad,
        axis_own_sigma_rad=settings.held_share * joint.axis_own_sigma_rad,
    )
    fit = fit_shared(model.with_settings(held), start, nodes, job, least_gain=_ROUGH)
    fit = fit_shared(model, fit.state, nodes, job, least_gain=_ROUGH)
    for b in range(len(model.mounted)):
        lean = model.mount_tilt_rad(fit.state, b)
        if np.hypot(*lean) < settings.suspect_tilt_rad:
            continue
        # Costs are compared under one scale; the better state then finds its own.
        scale = fit.noise_scale
        states = [fit.state]
        for share in (0.0, -1.0):
            other = model.with_mount_tilt(fit.state, b, share * lean)
            states.append(fit_shared(model, other, nodes, job, scale).state)
        best = int(np.argmin([fit_cost(model, state, nodes, scale) for state in states]))
        if best:
            fit = fit_shared(model, states[best], nodes, job)
    return fit


def _steady_or_not(
    model: JointModel, fit: SharedFit[JointState], nodes: Nodes, settings: HingeSettings, job: JobControl
) -> tuple[JointModel, SharedFit[JointState]]:
    """Try one pose for all frames; keep it if the markers fit almost as well."""
    frames = len(fit.state.rotation)
    wander = np.ptp(fit.state.translation, axis=0).max()
    if wander > settings.steady_wander * np.median(fit.state.translation[:, 2]):
        return model, fit
    fixed = replace(
        fit.state,
        rotation=np.repeat(mean_rotation(fit.state.rotation)[None], frames, axis=0),
        translation=np.repeat(np.median(fit.state.translation, axis=0)[None], frames, axis=0),
    )
    steady_model = model.with_steady(True)
    steady_fit = fit_shared(steady_model, fixed, nodes, job, least_gain=_ROUGH)
    if steady_fit.noise_scale <= settings.steady_ratio * fit.noise_scale:
        return steady_model, steady_fit
    return model, fit


def _every_frame(
    model: JointModel,
    fit: SharedFit[JointState],
    nodes: Nodes,
    time_s: Floats,
    key: NDArray[np.intp],
    job: JobControl,
) -> JointState:
    """Solve all frames in blocks, each started from the key frame nearest in time."""
    nearest = np.abs(time_s[:, None] - time_s[key][None, :]).argmin(axis=1)
    start = fit.state
    blocks = []
    for pick in frame_blocks(len(time_s)):
        job.check()
        guess = start.frames(nearest[pick])
        blocks.append(fit_frames(model, guess, nodes.frames(pick), 1.0, steps=10))
    return joined(blocks)


def _rms(model: JointModel, state: JointState, nodes: Nodes) -> Floats:
    """Root mean square of each marker's residuals in each frame, (F, M)."""
    parts = [(model.residuals(*block) ** 2).mean(axis=2) for block in state_blocks(state, nodes)]
    return np.asarray(np.sqrt(np.concatenate(parts)), np.float64)


def _without_wrong_markers(
    model: JointModel, state: JointState, nodes: Nodes, settings: HingeSettings
) -> tuple[Nodes, Bools]:
    """Refuse, frame by frame, markers that lie off the model (something in front of them, or moved)."""
    rms = _rms(model, state, nodes)
    refused = nodes.seen & ~nodes.believed(rms, settings.reject, settings.least_reject_px)
    kept = np.where(refused[..., None], 0.0, nodes.inverse_sigma)
    return replace(nodes, inverse_sigma=kept), refused


def _motion(
    fitted: _Fitted,
    shifts: Shifts,
    angles: tuple[Floats, Floats],
    time_s: Floats,
    names: tuple[str, ...],
    settings: HingeSettings,
) -> ShaftMotion:
    model, state, posed = fitted.model, fitted.state, fitted.posed
    angle, sigma = angles
    centre, centre_sigma = _centres(fitted, settings)
    camera = state.camera
    logger.info("camera %s, focal length %.1f px", "steady" if model.steady else "in hand", camera.focal_px)
    return ShaftMotion(
        time_s=time_s,
        names=names,
        angle_rad=angle,
        sigma_rad=sigma,
        centre_mm=centre,
        centre_sigma_mm=centre_sigma,
        axis=state.axis[:, :, 2],
        lead_offset_mm=state.mount_offset_mm[[_lead(model, s) for s in range(model.shafts)], :2],
        camera=camera,
        focal_sigma_px=float(camera.focal_px * np.sqrt(fitted.covariance[0, 0])),
        rotation=np.where(posed[:, None, None], state.rotation, np.nan),
        translation=np.where(posed[:, None], state.translation, np.nan),
        steady=model.steady,
        refused=fitted.refused,
        shafts_shift_mm=shifts.shafts_mm,
        twist_rad=shifts.twist_rad,
        marker_ids=(*model.card_ids, *(m.marker_id for m in model.mounted)),
    )


def _centres(fitted: _Fitted, settings: HingeSettings) -> tuple[Floats, Floats]:
    """Each axis at the height of its leading marker, (S, 3), and the deviations of x and y, (S, 2)."""
    model, state = fitted.model, fitted.state
    centre = np.zeros((model.shafts, 3))
    sigma = np.zeros((model.shafts, 2))
    for s, at in enumerate(model.axis_at):
        height = float(state.mount_offset_mm[_lead(model, s), 2])
        centre[s, :2] = state.centre_mm[s]
        centre[s] += height * state.axis[s, :, 2]
        turned = state.angle_rad[:, s][fitted.nodes.seen[:, len(model.card_ids) + _lead(model, s)]]
        if not turned.size or np.ptp(turned) < settings.least_turn_rad:
            # Noise of the angle would pass for a turn and seem to fix the centre.
            sigma[s] = np.inf
            continue
        # A lean of the axis about y moves the point at this height along x, one about x along -y.
        by_shared = np.array([[0.0, height, 1.0, 0.0], [-height, 0.0, 0.0, 1.0]])
        block = fitted.covariance[at : at + 4, at : at + 4]
        sigma[s] = np.sqrt(np.diag(by_shared @ block @ by_shared.T))
    return centre, sigma


def _lead(model: JointModel, shaft: int) -> int:
    """Index of the mounted marker that leads a shaft."""
    return next(b for b, m in enumerate(model.mounted) if m.shaft == shaft and m.leads)
