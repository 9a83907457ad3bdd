"""Every shaft a hinge: axis, centre, mounting of its markers, and its angle in each frame.

The angle of a shaft is counter-clockwise positive as the camera sees it. Shared unknowns are fitted over
key frames spread through the clip (``vision.joint_fit.joint``); then every frame is solved alone, so that a
frame in which the shaft's markers were not accepted stays a gap.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np
from scipy.linalg import block_diag

from strokecurve.vision.arrays import Bools, Floats
from strokecurve.vision.control import JobControl, Unattended
from strokecurve.vision.edges.follow import MarkerTracks
from strokecurve.vision.errors import PoseError
from strokecurve.vision.joint_fit.belief import Belief, BeliefSettings, enlarged, judged
from strokecurve.vision.joint_fit.blocks import fit_in_blocks, frame_blocks, state_blocks
from strokecurve.vision.joint_fit.bordered import SharedFit, fit_shared
from strokecurve.vision.joint_fit.film import FilmFit
from strokecurve.vision.joint_fit.hand import find_in_hand, follow_hand, pose_covariances
from strokecurve.vision.joint_fit.initialisation import initial_state, key_frames
from strokecurve.vision.joint_fit.instant import angle_rates
from strokecurve.vision.joint_fit.joint import (
    JointModel,
    JointSettings,
    JointState,
    MountedMarker,
    card_ids_in,
)
from strokecurve.vision.joint_fit.nodes import Nodes
from strokecurve.vision.joint_fit.rigid import ArmAngles, arm_angles, leading_arm
from strokecurve.vision.joint_fit.row_time import RowTime
from strokecurve.vision.joint_fit.shutter import ShutterSettings
from strokecurve.vision.joint_fit.sizing import NO_FLOOR_PX, NoiseSettings
from strokecurve.vision.joint_fit.steps import StepSettings
from strokecurve.vision.joint_fit.tripod import find_on_tripod, follow_arms
from strokecurve.vision.motion.angles import lasting_covariance, marker_angles, posing_covariance
from strokecurve.vision.motion.axes import AxisSettings, axes_settled, without_spin
from strokecurve.vision.motion.sensitivities import FrameSensitivities, sensitivities_of
from strokecurve.vision.motion.shafts import ShaftMotion, ShaftSpec
from strokecurve.vision.rotations import mean_rotation

logger = logging.getLogger(__name__)

_ROUGH = 1.0
"""Fits that only prepare the last ones end at this gain in half a chi-square."""


@dataclass(frozen=True, slots=True)
class HingeSettings:
    """Limits of the hinge fit.

    Attributes
    ----------
    key_frames : int
        Frames over which the shared unknowns are fitted.
    least_frames : int
        Frames with the card and a shaft without which nothing is measured.
    noise : NoiseSettings
        Errors of edge nodes that their own scatter does not show.
    held_share : float
        The first fit holds markers flat and axes parallel to this share of their usual spread.
    steady_ratio : float
        The camera counts as standing still if a fixed pose raises the noise by no more than this.
    steady_wander : float
        A fixed pose is not tried where the camera moved by more than this share of its distance: no stand
        gives way so far, and a fit from one pose for all would start far from everything.
    belief : BeliefSettings
        Which markers are believed in which frames.
    least_turn_rad : float
        A shaft that turns less does not show where its centre is.
    shutter : ShutterSettings
        Limits for the readout of rows and for steadied pictures.
    joint : JointSettings
        Priors of the joint model.
    axes : AxisSettings
        How axes that lean are looked for.
    steps : StepSettings
        Limits for markers of one shaft that move against each other.
    """

    key_frames: int = 90
    least_frames: int = 8
    noise: NoiseSettings = field(default_factory=NoiseSettings)
    held_share: float = 0.1
    steady_ratio: float = 1.15
    steady_wander: float = 0.1
    belief: BeliefSettings = field(default_factory=BeliefSettings)
    least_turn_rad: float = np.deg2rad(4.0)
    shutter: ShutterSettings = field(default_factory=ShutterSettings)
    joint: JointSettings = field(default_factory=JointSettings)
    axes: AxisSettings = field(default_factory=AxisSettings)
    steps: StepSettings = field(default_factory=StepSettings)


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
    scatter = Nodes.from_tracks(tracks, ids, np.full(len(ids), NO_FLOOR_PX))
    nodes = scatter.floored(np.full(len(ids), settings.noise.start_floor_px))
    key = key_frames(nodes, len(cards), settings.key_frames, settings.least_frames)
    model = JointModel(cards, mounted, False, picture_wh_px, settings.joint)
    job.report(0, 3, "finding camera and shafts")
    start, key = initial_state(model, tracks, ids, key)
    model, fit, start = _settle(model, start, nodes.frames(key), settings, job)
    model, fit = _steady_or_not(model, fit, nodes.frames(key), settings, job)
    # Without the card nothing is known of the camera, so arms say nothing either.
    posed = np.asarray(nodes.seen[:, : len(cards)].any(axis=1))
    if not model.steady:
        scatter = scatter.without(~posed[:, None])
    find = partial(find_on_tripod, model, fit) if model.steady else partial(find_in_hand, model, fit, start)
    film = find(scatter, tracks.time_s, key, settings.noise, settings.shutter, job)
    job.report(1, 3, "finding camera and shafts")
    seen = scatter.floored(film.floor_px)
    film, instant = _follow(film, seen, job, _STEPS)
    rms = _rms(film.model, _single(film, instant), instant)
    belief = judged(rms, instant, settings.belief)
    if belief.refused.any():
        film, instant = _follow(film, seen.without(belief.refused), job, _STEPS)
        rms = _rms(film.model, _single(film, instant), instant)
    seen = enlarged(rms, seen, settings.belief)
    job.report(2, 3, "finding camera and shafts")
    posed = posed if not model.steady else np.ones(len(posed), bool)
    fitted = _fitted(film, seen, belief, posed, settings.steps)
    return _motion(fitted, tracks.time_s, tuple(s.name for s in shafts), settings)


_STEPS = 3
"""Steps of a path through all frames, started from one that is right but for what they share."""


@dataclass(frozen=True, slots=True)
class _Fitted:
    """The film fitted to all frames."""

    film: FilmFit
    nodes: Nodes  # at an instant, without those refused
    sensitivities: FrameSensitivities
    arms: ArmAngles
    belief: Belief
    posed: Bools  # frames whose pose is known


def _follow(film: FilmFit, seen: Nodes, job: JobControl, steps: int) -> tuple[FilmFit, Nodes]:
    """Path and angles of all frames, and their nodes at an instant."""
    return follow_arms(film, seen) if film.model.steady else follow_hand(film, seen, job, steps)


def _single(film: FilmFit, nodes: Nodes) -> JointState:
    """Every frame with a pose of its own: departures from the model show there, the path's errors do not."""
    return film.state if film.model.steady else fit_in_blocks(film.model, film.state, nodes, 1.0)


def _fitted(film: FilmFit, seen: Nodes, belief: Belief, posed: Bools, steps: StepSettings) -> _Fitted:
    """Deviations of all angles, and what departs from the model."""
    model, state, refused = film.model, film.state, belief.refused
    rate = angle_rates(model, state, seen.without(refused), film.filmed.path)
    instant = film.filmed.instant(model, state, seen, rate)
    nodes = instant.without(refused)
    by_rows = film.filmed.by_rows(model, state, seen, rate)
    single = _single(film, nodes)
    parts = [
        sensitivities_of(model, single.frames(pick), instant.frames(pick), refused[pick], by_rows[pick])
        for pick in frame_blocks(len(posed))
    ]
    sensitivities = FrameSensitivities.joined(parts)
    posing = np.zeros_like(sensitivities.own)
    if not model.steady:
        posing = posing_covariance(
            model, state, nodes, sensitivities, pose_covariances(film, seen.without(refused))
        )
    lasting = lasting_covariance(model, state, film.floor_px, film.shutter.row_time != RowTime())
    covariance = block_diag(film.fit.covariance, film.shutter.covariance_s2)
    markers = marker_angles(model, covariance, state, nodes, sensitivities, posing, lasting, posed)
    arms = arm_angles(film.filmed.path.time_s, markers, steps)
    return _Fitted(film, nodes, sensitivities, arms, belief, posed)


def _mounted(tracks: MarkerTracks, shafts: list[ShaftSpec]) -> list[MountedMarker]:
    present = set(tracks.ids.tolist())
    mounted = []
    for s, shaft in enumerate(shafts):
        mounted += [MountedMarker(i, side_mm, s) for i, side_mm in shaft.markers if i in present]
    return mounted


def _settle(
    model: JointModel, start: JointState, nodes: Nodes, settings: HingeSettings, job: JobControl
) -> tuple[JointModel, SharedFit[JointState], JointState]:
    """First fit, safe from the mirror images of a flat marker's pose.

    Seen nearly head-on, a marker tilted one way looks much like one tilted the other way, so a fit from afar
    can come to rest at the wrong tilt. It therefore starts with markers held nearly flat and axes nearly
    parallel, lets go of them, and then looks for better valleys (``vision.motion.axes``).
    """

    def settle(model: JointModel, start: JointState) -> SharedFit[JointState]:
        joint, share = model.settings, settings.held_share
        held = replace(
            joint,
            mount_tilt_sigma_rad=share * joint.mount_tilt_sigma_rad,
            axis_own_sigma_rad=share * joint.axis_own_sigma_rad,
        )
        fit = fit_shared(model.with_settings(held), start, nodes, job, least_gain=_ROUGH)
        return fit_shared(model, fit.state, nodes, job, least_gain=_ROUGH)

    return axes_settled(model, start, nodes, settle, job, settings.axes)


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


def _rms(model: JointModel, state: JointState, nodes: Nodes) -> Floats:
    """Root mean square of each marker's residuals in each frame, (F, M)."""
    parts = [(model.residuals(*block) ** 2).mean(axis=2) for block in state_blocks(state, nodes)]
    return np.asarray(np.sqrt(np.concatenate(parts)), np.float64)


def _motion(fitted: _Fitted, time_s: Floats, names: tuple[str, ...], settings: HingeSettings) -> ShaftMotion:
    film, posed, shifts = fitted.film, fitted.posed, fitted.sensitivities.shifts
    model, state = film.model, film.state
    shaft_of = tuple(m.shaft for m in model.mounted)
    axis, spin_rad = without_spin(state.axis)
    arms = replace(fitted.arms, angle_rad=fitted.arms.angle_rad + spin_rad[list(shaft_of)])
    leading = [leading_arm(arms, s, shaft_of) for s in range(model.shafts)]
    centre, centre_sigma = _centres(fitted, settings)
    camera = state.camera
    logger.info("camera %s, focal length %.1f px", "steady" if model.steady else "in hand", camera.focal_px)
    return ShaftMotion(
        time_s=time_s,
        names=names,
        angle_rad=arms.angle_rad[:, leading],
        sigma_rad=arms.sigma_rad[:, leading],
        centre_mm=centre,
        centre_sigma_mm=centre_sigma,
        axis=axis[:, :, 2],
        axis_covariance=_axis_covariance(fitted),
        lead_offset_mm=state.mount_offset_mm[[_lead(model, s) for s in range(model.shafts)], :2],
        camera=camera,
        focal_sigma_px=float(camera.focal_px * np.sqrt(film.fit.covariance[0, 0])),
        rotation=np.where(posed[:, None, None], state.rotation, np.nan),
        translation=np.where(posed[:, None], state.translation, np.nan),
        steady=model.steady,
        refused=fitted.belief.refused,
        shaken=fitted.belief.shaken,
        shafts_shift_mm=shifts.shafts_mm,
        twist_rad=shifts.twist_rad,
        marker_ids=(*model.card_ids, *(m.marker_id for m in model.mounted)),
        shaft_of=shaft_of,
        arms=arms,
        filmed=film.filmed,
        shutter=film.shutter,
    )


def _centres(fitted: _Fitted, settings: HingeSettings) -> tuple[Floats, Floats]:
    """Each axis at the height of its leading marker, (S, 3), and the deviations of x and y, (S, 2)."""
    model, state = fitted.film.model, fitted.film.state
    centre = np.zeros((model.shafts, 3))
    sigma = np.zeros((model.shafts, 2))
    for s, at in enumerate(model.axis_at):
        lead = _lead(model, s)
        height = float(state.mount_offset_mm[lead, 2])
        centre[s, :2] = state.centre_mm[s]
        centre[s] += height * state.axis[s, :, 2]
        turned = state.angle_rad[:, lead][fitted.nodes.seen[:, len(model.card_ids) + lead]]
        if not turned.size or np.ptp(turned) < settings.least_turn_rad:
            # Noise of the angle would pass for a turn and seem to fix the centre.
            sigma[s] = np.inf
            continue
        # A lean of the axis about its y moves the point at this height along its x, one about its x along -y.
        by_lean = height * state.axis[s, :2, :2] @ np.array([[0.0, 1.0], [-1.0, 0.0]])
        by_shared = np.hstack([by_lean, np.eye(2)])
        block = fitted.film.fit.covariance[at : at + 4, at : at + 4]
        sigma[s] = np.sqrt(np.diag(by_shared @ block @ by_shared.T))
    return centre, sigma


def _axis_covariance(fitted: _Fitted) -> Floats:
    """Covariance of the components of all axes, (S, 3, S, 3)."""
    model, axis = fitted.film.model, fitted.film.state.axis
    columns = [at + i for at in model.axis_at for i in range(2)]
    by_lean = np.zeros((model.shafts, 3, model.shafts, 2))
    for s in range(model.shafts):
        # A lean about the axis's own y takes its tip along its own x, one about its x along its -y.
        by_lean[s, :, s] = axis[s, :, :2] @ np.array([[0.0, 1.0], [-1.0, 0.0]])
    flat = by_lean.reshape(3 * model.shafts, 2 * model.shafts)
    covariance = flat @ fitted.film.fit.covariance[np.ix_(columns, columns)] @ flat.T
    return np.asarray(covariance.reshape(model.shafts, 3, model.shafts, 3), np.float64)


def _lead(model: JointModel, shaft: int) -> int:
    """Index of a shaft's first marker, whose direction its angle is."""
    return next(b for b, m in enumerate(model.mounted) if m.shaft == shaft)
