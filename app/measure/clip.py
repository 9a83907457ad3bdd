"""The main job: a clip and what is known of the rig in, a measurement out.

The only place where ``vision`` meets ``kinematics``.
"""

from __future__ import annotations

import hashlib
import logging
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from strokecurve.app.measure.arrangement import Arrangement, PlannedLinkage, arrange
from strokecurve.app.measure.evidence import centre_sigma_mm, film_evidence, pins_play, tape_evidence
from strokecurve.app.measure.left_out import without_fit, without_linkage, without_pins, without_rod
from strokecurve.app.measure.rig import Rig
from strokecurve.app.measure.settings import Settings
from strokecurve.app.measure.slipped_arms import JudgedArms, judge_arms
from strokecurve.app.words.errors import InputError
from strokecurve.kinematics.errors import FitError, GeometryError, KinematicsError, StrokeError
from strokecurve.kinematics.estimate import Estimate, Extreme
from strokecurve.kinematics.faults.condition import curve_hysteresis, in_space, lost_motion
from strokecurve.kinematics.faults.slip import Following, follow, without_slips
from strokecurve.kinematics.findings.findings import Condition, Finding, assess, in_order
from strokecurve.kinematics.findings.rules_arms import ArmSlip
from strokecurve.kinematics.identify.geometry import GeometryFit, identify
from strokecurve.kinematics.motion.angles import LinkageMotion
from strokecurve.kinematics.motion.stroke import Stroke
from strokecurve.kinematics.motion.travel import TravelCurves, travel_curves
from strokecurve.kinematics.settings import Settings as KinematicsSettings
from strokecurve.vision.control import JobControl, Unattended
from strokecurve.vision.edges.follow import MarkerTracks, follow_markers
from strokecurve.vision.errors import DetectionError
from strokecurve.vision.motion.faults import Fault, find_faults
from strokecurve.vision.motion.hinges import find_shafts
from strokecurve.vision.motion.pins import Pin
from strokecurve.vision.motion.rods import RodMotion, find_rod
from strokecurve.vision.motion.shafts import ShaftMotion
from strokecurve.vision.video.reader import ClipFacts, ClipReader

logger = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class FilmedClip:
    """What was read of the file.

    Attributes
    ----------
    name : str
        File name.
    sha256 : str
        Checksum of its content.
    facts : ClipFacts
        Size, codec, rotation.
    frames : int
        Frames read.
    first_s, last_s : float
        Presentation time of the first and the last frame.
    damaged_packets : int
        Pieces that could not be decoded.
    """

    name: str
    sha256: str
    facts: ClipFacts
    frames: int
    first_s: float
    last_s: float
    damaged_packets: int


@dataclass(frozen=True, slots=True)
class LinkageResult:
    """One linkage as measured.

    Attributes
    ----------
    plan : PlannedLinkage
    name : str
        "driver:driven".
    stroke : Stroke
    curves : TravelCurves
    fit : GeometryFit or None
        None where no geometry could be fitted; then ``fit_failure`` says why.
    fit_failure : str
    condition : Condition
    hysteresis : Extreme
    rod : RodMotion or None
    pins : tuple of Pin or None
        At the drive arm and at the driven arm.
    arm_slips : tuple of ArmSlip
        Arms of this linkage that slipped on a shaft with several markers. The curves hold them; geometry,
        lost motion and joints are those of the arms, which go on as before.
    arm_markers : tuple of int or None
        Markers that the drive arm and the driven arm go with, where these stand elsewhere than their shafts.
    """

    plan: PlannedLinkage
    name: str
    stroke: Stroke
    curves: TravelCurves
    fit: GeometryFit | None
    fit_failure: str
    condition: Condition
    hysteresis: Extreme
    rod: RodMotion | None
    pins: tuple[Pin, Pin] | None
    arm_slips: tuple[ArmSlip, ...] = ()
    arm_markers: tuple[int | None, int | None] = (None, None)

    @property
    def slipped(self) -> bool:
        """Whether an arm of it slipped, so that its travel has a step."""
        return bool(self.condition.slips or self.arm_slips)


@dataclass(frozen=True, slots=True)
class TrainResult:
    """Several linkages in series, from the first driver to the last shaft.

    Attributes
    ----------
    shafts : tuple of str
        In order.
    driver_travel, driven_travel : Estimate
        Travel of the first and of the last shaft over the whole stroke (rad).
    slack : Estimate
        Lost motion between them, at the last shaft (rad); NaN where it is not known or an arm slipped.
    """

    shafts: tuple[str, ...]
    driver_travel: Estimate
    driven_travel: Estimate
    slack: Estimate


@dataclass(frozen=True, slots=True)
class Measurement:
    """Everything the main job found.

    Attributes
    ----------
    clip : FilmedClip
    tracks : MarkerTracks
    motion : ShaftMotion
    centre_sigma_mm : ndarray, shape (S, 2)
        Of each shaft's centre, with the scale that all lengths share.
    linkages : tuple of LinkageResult
    faults : tuple of Fault
        About the filming.
    findings : tuple of Finding
        About the linkages.
    trains : tuple of TrainResult
        One for each last shaft that more than one linkage leads to.
    """

    clip: FilmedClip
    tracks: MarkerTracks
    motion: ShaftMotion
    centre_sigma_mm: NDArray[np.float64]
    linkages: tuple[LinkageResult, ...]
    faults: tuple[Fault, ...]
    findings: tuple[Finding, ...]
    trains: tuple[TrainResult, ...] = ()


def analyse(
    clip: Path | ClipReader,
    rig: Rig | None = None,
    job: JobControl | None = None,
    settings: Settings | None = None,
    part: bool = False,
) -> Measurement:
    """Measure a clip without writing anything; arguments as for `measure`, and `part` as for `arrange`."""
    job = job or Unattended()
    with clip if isinstance(clip, ClipReader) else ClipReader(clip) as reader:
        tracks = follow_markers(reader, reader.facts.declared_frames or 0, job)
        facts, damaged = reader.facts, reader.damaged_packets
    shown = (float(tracks.time_s[0]), float(tracks.time_s[-1])) if len(tracks.time_s) else (0.0, 0.0)
    path = path_of(clip)
    read = FilmedClip(path.name, sha256(path), facts, len(tracks.time_s), *shown, damaged)
    return work_out(read, tracks, rig or Rig(), job, settings or Settings(), part)


def work_out(
    clip: FilmedClip, tracks: MarkerTracks, rig: Rig, job: JobControl, settings: Settings, part: bool = False
) -> Measurement:
    """Everything after the markers were followed; arguments as for `analyse`."""
    plan = arrange(tracks, rig, clip.facts.size_wh_px, settings, part)
    motion = find_shafts(tracks, list(plan.shafts), clip.facts.size_wh_px, job, settings.hinges)
    _check_movement(motion, settings)
    arms = judge_arms(plan.linkages, motion, settings)
    motion = arms.motion
    results, left_out = _linkages(plan, tracks, arms, job, settings)
    findings = in_order([*arms.findings, *_worth_telling(results), *left_out])
    linkages = tuple(result for result, _ in results)
    rods = [link.rod for link in linkages if link.rod is not None]
    faults = find_faults(
        tracks, motion, clip.damaged_packets, settings.faults, rods, arms.loose, clip.facts.bits_per_pixel
    )
    trains = _trains(linkages, motion, settings)
    centre_sigma = centre_sigma_mm(motion, settings)
    return Measurement(clip, tracks, motion, centre_sigma, linkages, faults, findings, trains)


def _check_movement(motion: ShaftMotion, settings: Settings) -> None:
    turned = [float(np.nanmax(a) - np.nanmin(a)) if np.isfinite(a).any() else 0.0 for a in motion.angle_rad.T]
    if max(turned) < settings.least_turn_rad:
        raise DetectionError(
            f"No shaft moves in this clip: the largest turn is {np.degrees(max(turned)):.1f} degrees.",
            "Film one full stroke from low fire to high fire and back.",
        )


def _linkages(
    plan: Arrangement, tracks: MarkerTracks, arms: JudgedArms, job: JobControl, settings: Settings
) -> tuple[list[tuple[LinkageResult, tuple[Finding, ...]]], list[Finding]]:
    """Assess every linkage; one that cannot be assessed is left out with a finding, unless none can."""
    results, left_out = [], []
    failure: KinematicsError | None = None
    for n, link in enumerate(plan.linkages):
        job.check()
        job.report(n, len(plan.linkages), "working out the linkage")
        try:
            results.append(_linkage(n, link, tracks, arms, job, settings))
        except StrokeError as error:
            logger.warning("linkage %s left out: %s", link, error)
            left_out.append(without_linkage(_name(link, arms.motion), error))
            failure = error
    if not results:
        raise failure or InputError("The set-up file names no linkage.", "Add a [[linkage]].")
    return results, left_out


def _name(plan: PlannedLinkage, motion: ShaftMotion) -> str:
    return f"{motion.names[plan.driver]}:{motion.names[plan.driven]}"


def _linkage(
    number: int,
    plan: PlannedLinkage,
    tracks: MarkerTracks,
    arms: JudgedArms,
    job: JobControl,
    settings: Settings,
) -> tuple[LinkageResult, tuple[Finding, ...]]:
    name = _name(plan, arms.motion)
    limits = _limits(plan, arms.motion, settings)
    stroke = arms.stroke(plan, limits)
    # A linkage goes with its own arms; where one of them slipped, its shaft does not.
    motion = arms.as_linked(number)
    pair = pair_motion(motion, plan.driver, plan.driven)
    following = follow(stroke, pair, limits)
    curves = own_curves = _curves(stroke, pair, following, settings.curve_step_rad, limits)
    if motion is not arms.motion:
        slow = None if following is None else following.slow
        shafts = pair_motion(arms.motion, plan.driver, plan.driven)
        curves = travel_curves(stroke, shafts, settings.curve_step_rad, limits, slow)
    axes = _axes_apart(plan, motion, settings)
    planar = not in_space(axes, limits)
    rod, remarks = _rod(plan, name, tracks, motion, job, settings) if planar else (None, [])
    # an arm that slipped changes the linkage: its geometry is that before the slip
    whole, turned = _before_slips(plan, motion, pair, stroke, following)
    film, pins = film_evidence(turned, plan.driver, plan.driven, rod, stroke, whole, settings)
    if rod is not None and pins is None:
        remarks.append(without_pins(name))
    joints = pins_play(turned, plan.driver, plan.driven, rod, pins, stroke, settings)
    fit, why = None, "" if planar else _IN_SPACE
    try:
        fit = identify(stroke, whole, [*film, *tape_evidence(plan.rig)], limits) if planar else None
    except (FitError, GeometryError) as error:
        why = f"{error.message} {error.hint}"
        remarks.append(without_fit(name, error))
    condition, findings = assess(
        name,
        stroke,
        pair,
        own_curves,
        fit,
        limits,
        time_s=motion.time_s,
        following=following,
        joints=joints,
        rod="unseen" if rod is None else "seen" if pins is None else "pins",
        axes=axes,
    )
    result = LinkageResult(
        plan,
        name,
        stroke,
        curves,
        fit,
        why,
        condition,
        curve_hysteresis(curves),
        rod,
        pins,
        tuple(slip for slip in arms.slips if slip.linkage == name),
        arms.markers(number, plan),
    )
    return result, (*findings, *remarks)


_IN_SPACE = "The shafts are not parallel, and geometry is not worked out for such linkages yet."


def _axes_apart(plan: PlannedLinkage, motion: ShaftMotion, settings: Settings) -> Estimate:
    """Angle between the axes of a linkage, with what lens and edges leave of it."""
    angle_rad, sigma_rad = motion.angle_between_axes(plan.driver, plan.driven)
    return Estimate(angle_rad, float(np.hypot(sigma_rad, settings.axis_sigma_rad)))


def _curves(
    stroke: Stroke,
    pair: LinkageMotion,
    following: Following | None,
    step_rad: float,
    limits: KinematicsSettings,
) -> TravelCurves:
    """Travel as filmed; a slip is part of it, and not taken for an error of the angles."""
    slow = None if following is None else following.slow
    return travel_curves(stroke, pair, step_rad, limits, slow)


def _before_slips(
    plan: PlannedLinkage,
    motion: ShaftMotion,
    pair: LinkageMotion,
    stroke: Stroke,
    following: Following | None,
) -> tuple[LinkageMotion, ShaftMotion]:
    """Angles as if no arm of this linkage had slipped; as filmed where none did."""
    if following is None or not following.slips:
        return pair, motion
    whole = without_slips(stroke, pair, following.slips)
    angle = motion.angle_rad.copy()
    angle[:, plan.driver], angle[:, plan.driven] = whole.driver_rad, whole.driven_rad
    return whole, replace(motion, angle_rad=angle)


def _trains(
    linkages: tuple[LinkageResult, ...], motion: ShaftMotion, settings: Settings
) -> tuple[TrainResult, ...]:
    """Travel from the first driver to each last shaft, where several linkages lie between."""
    into = {link.plan.driven: link for link in linkages}
    drivers = {link.plan.driver for link in linkages}
    found = []
    for last in linkages:
        chain = [last]
        while chain[0].plan.driver in into and len(chain) < len(linkages):
            chain.insert(0, into[chain[0].plan.driver])
        if last.plan.driven in drivers or len(chain) < 2:
            continue
        ends, stroke = (chain[0].plan.driver, last.plan.driven), chain[0].stroke
        pair, limits = pair_motion(motion, *ends), angle_limits(motion, settings)
        try:
            slipped = any(link.slipped for link in chain)
            following = follow(stroke, pair, limits) if slipped else None
            curves = _curves(stroke, pair, following, settings.curve_step_rad, limits)
        except StrokeError:
            continue  # the two were never measured together
        found.append(
            TrainResult(
                tuple(motion.names[s] for s in (ends[0], *(link.plan.driven for link in chain))),
                Estimate(stroke.travel_rad, curves.driver_travel_sd_rad),
                Estimate(curves.driven_travel_rad, curves.driven_travel_sd_rad),
                Estimate(np.nan, np.nan) if slipped else lost_motion(stroke, pair, limits),
            )
        )
    return tuple(found)


def pair_motion(motion: ShaftMotion, driver: int, driven: int) -> LinkageMotion:
    """Angles of two shafts as the kinematics take them: noise of frames apart from what all frames share."""
    angle, sigma, common = motion.angle_rad, motion.frame_sigma_rad, motion.common_rad
    return LinkageMotion.of(
        angle[:, driver],
        angle[:, driven],
        sigma[:, driver],
        sigma[:, driven],
        None if common is None else (common[:, driver], common[:, driven]),
    )


def angle_limits(motion: ShaftMotion, settings: Settings) -> KinematicsSettings:
    """Limits and priors of the kinematics, with what the camera says of how angles err."""
    share = settings.returning_steady if motion.steady else settings.returning_hand
    return replace(settings.kinematics, floor_place_share=share)


def _limits(plan: PlannedLinkage, motion: ShaftMotion, settings: Settings) -> KinematicsSettings:
    """Limits and priors, with what the set-up file says of this linkage."""
    limits = angle_limits(motion, settings)
    if plan.rig.stroke_deg is not None:
        limits = replace(limits, stroke_rad=float(np.radians(plan.rig.stroke_deg)))
    if plan.rig.min_toggle_deg is not None:
        least = float(np.radians(plan.rig.min_toggle_deg))
        danger = min(limits.toggle_danger_rad, least)
        limits = replace(limits, toggle_caution_rad=least, toggle_danger_rad=danger)
    return limits


def _worth_telling(results: list[tuple[LinkageResult, tuple[Finding, ...]]]) -> tuple[Finding, ...]:
    """All findings but those on the stroke of a shaft that is itself driven: only motors have a usual one."""
    driven = {result.plan.driven for result, _ in results}
    return tuple(
        f
        for result, found in results
        for f in found
        if f.code != "stroke" or result.plan.driver not in driven or result.plan.rig.stroke_deg is not None
    )


def _rod(
    plan: PlannedLinkage,
    name: str,
    tracks: MarkerTracks,
    motion: ShaftMotion,
    job: JobControl,
    settings: Settings,
) -> tuple[RodMotion | None, list[Finding]]:
    """Motion of the rod, or None, and a finding, where its marker was not seen well enough to use."""
    if plan.rod is None:
        named = plan.rig.rod_marker
        return None, [] if named is None else [without_rod(name, f"The rod marker {named} was not seen.")]
    try:
        joined = plan.driver, plan.driven
        return find_rod(tracks, motion, joined, *plan.rod, job, settings.rods), []
    except DetectionError as error:
        logger.warning("rod marker left out: %s", error)
        return None, [without_rod(name, error.message, error.hint)]


def path_of(clip: Path | ClipReader) -> Path:
    """Where a clip lies, given as such or as its reader."""
    return clip.path if isinstance(clip, ClipReader) else Path(clip)


def sha256(path: Path) -> str:
    """Checksum of a file's content."""
    digest = hashlib.sha256()
    with Path(path).open("rb") as file:
        while chunk := file.read(1 << 20):
            digest.update(chunk)
    return digest.hexdigest()
