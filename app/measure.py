"""The main job: a clip and what is known of the rig in, a measurement out.

The only place where ``vision`` meets ``kinematics``.
"""

from __future__ import annotations

import hashlib
import logging
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from app.arrangement import Arrangement, PlannedLinkage, arrange
from app.errors import InputError
from app.evidence import film_evidence, tape_evidence
from app.rig import Rig
from app.settings import Settings
from kinematics.condition import Extreme, curve_hysteresis
from kinematics.errors import FitError, GeometryError, KinematicsError, StrokeError
from kinematics.findings import Condition, Finding, assess
from kinematics.identify import GeometryFit, identify
from kinematics.motion import LinkageMotion
from kinematics.settings import Settings as KinematicsSettings
from kinematics.stroke import Stroke, find_stroke
from kinematics.travel import TravelCurves, travel_curves
from vision.control import JobControl, Unattended
from vision.errors import DetectionError
from vision.faults import Fault, find_faults
from vision.follow import MarkerTracks, follow_markers
from vision.hinges import find_shafts
from vision.motion import ShaftMotion
from vision.rods import Pin, RodMotion, find_rod
from vision.video import ClipFacts, ClipReader

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


@dataclass(frozen=True, slots=True)
class Measurement:
    """Everything the main job found.

    Attributes
    ----------
    clip : FilmedClip
    tracks : MarkerTracks
    motion : ShaftMotion
    linkages : tuple of LinkageResult
    faults : tuple of Fault
        About the filming.
    findings : tuple of Finding
        About the linkages.
    """

    clip: FilmedClip
    tracks: MarkerTracks
    motion: ShaftMotion
    linkages: tuple[LinkageResult, ...]
    faults: tuple[Fault, ...]
    findings: tuple[Finding, ...]


def measure(
    clip: Path,
    out: Path,
    rig: Rig | None = None,
    job: JobControl | None = None,
    overlay: bool = False,
    settings: Settings | None = None,
) -> Measurement:
    """Measure a clip and write the result folder.

    Parameters
    ----------
    clip : Path
        The video.
    out : Path
        Result folder; made if it is not there. Its files are replaced only when the new ones are complete.
    rig : Rig, optional
        Set-up file.
    job : JobControl, optional
        Progress and stop.
    overlay : bool
        Also write the clip with arms, rods and angles drawn in.
    settings : Settings, optional
        Limits.

    Returns
    -------
    Measurement

    Raises
    ------
    VisionError, KinematicsError, InputError
        If clip or set-up cannot be used; nothing is written then.
    Cancelled
        If the person asked to stop; nothing is written then.
    """
    from app.results import write_results

    job = job or Unattended()
    measurement = analyse(clip, rig, job, settings)
    write_results(measurement, clip, out, job, overlay)
    return measurement


def analyse(
    clip: Path, rig: Rig | None = None, job: JobControl | None = None, settings: Settings | None = None
) -> Measurement:
    """Measure a clip without writing anything; arguments and errors as for `measure`."""
    rig, job, settings = rig or Rig(), job or Unattended(), settings or Settings()
    with ClipReader(clip) as reader:
        facts = reader.facts
        tracks = follow_markers(reader, facts.declared_frames or 0, job)
        damaged = reader.damaged_packets
    plan = arrange(tracks, rig, facts.size_wh_px, settings)
    motion = find_shafts(tracks, list(plan.shafts), facts.size_wh_px, job, settings.hinges)
    _check_movement(motion, settings)
    results = _linkages(plan, tracks, motion, job, settings)
    read = FilmedClip(
        Path(clip).name,
        _sha256(clip),
        facts,
        len(tracks.time_s),
        float(tracks.time_s[0]),
        float(tracks.time_s[-1]),
        damaged,
    )
    findings = _worth_telling(results)
    faults = find_faults(tracks, motion, damaged, settings.faults)
    return Measurement(read, tracks, motion, tuple(result for result, _ in results), faults, findings)


def _check_movement(motion: ShaftMotion, settings: Settings) -> None:
    turned = [float(np.nanmax(a) - np.nanmin(a)) if np.isfinite(a).any() else 0.0 for a in motion.angle_rad.T]
    if max(turned) < settings.least_turn_rad:
        raise DetectionError(
            f"No shaft moves in this clip: the largest turn is {np.degrees(max(turned)):.1f} degrees.",
            "Film one full stroke from low fire to high fire and back.",
        )


def _linkages(
    plan: Arrangement, tracks: MarkerTracks, motion: ShaftMotion, job: JobControl, settings: Settings
) -> list[tuple[LinkageResult, tuple[Finding, ...]]]:
    """Assess every linkage; one that cannot be assessed is left out, unless none can."""
    results = []
    failure: KinematicsError | None = None
    for n, link in enumerate(plan.linkages):
        job.check()
        job.report(n, len(plan.linkages), "working out the linkage")
        try:
            results.append(_linkage(link, tracks, motion, job, settings))
        except StrokeError as error:
            logger.warning("linkage %s left out: %s", link, error)
            failure = error
    if not results:
        raise failure or InputError("The set-up file names no linkage.", "Add a [[linkage]].")
    return results


def _linkage(
    plan: PlannedLinkage, tracks: MarkerTracks, motion: ShaftMotion, job: JobControl, settings: Settings
) -> tuple[LinkageResult, tuple[Finding, ...]]:
    name = f"{motion.names[plan.driver]}:{motion.names[plan.driven]}"
    angle, sigma = motion.angle_rad, motion.sigma_rad
    limits = _limits(plan, settings)
    stroke = find_stroke(
        motion.time_s, angle[:, plan.driver], sigma[:, plan.driver], plan.rig.opening_sign, limits
    )
    pair = LinkageMotion.of(
        angle[:, plan.driver], angle[:, plan.driven], sigma[:, plan.driver], sigma[:, plan.driven]
    )
    curves = travel_curves(stroke, pair, settings.curve_step_rad)
    rod = _rod(plan, tracks, motion, job, settings)
    film, pins = film_evidence(motion, plan.driver, plan.driven, rod, stroke, pair, settings)
    fit, why = None, ""
    try:
        fit = identify(stroke, pair, [*film, *tape_evidence(plan.rig)], limits)
    except (FitError, GeometryError) as error:
        why = f"{error.message} {error.hint}"
    condition, findings = assess(name, stroke, pair, curves, fit, limits)
    result = LinkageResult(
        plan, name, stroke, curves, fit, why, condition, curve_hysteresis(curves), rod, pins
    )
    return result, findings


def _limits(plan: PlannedLinkage, settings: Settings) -> KinematicsSettings:
    """Limits of the findings, with what the set-up file says of this linkage."""
    limits = settings.kinematics
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
    plan: PlannedLinkage, tracks: MarkerTracks, motion: ShaftMotion, job: JobControl, settings: Settings
) -> RodMotion | None:
    """Motion of the rod, or None where its marker was not seen well enough to use."""
    if plan.rod is None:
        return None
    try:
        return find_rod(tracks, motion, plan.rod[0], plan.rod[1], job, settings.rods)
    except DetectionError as error:
        logger.warning("rod marker left out: %s", error)
        return None


def _sha256(path: Path) -> str:
    digest = hashlib.sha256()
    with Path(path).open("rb") as file:
        while chunk := file.read(1 << 20):
            digest.update(chunk)
    return digest.hexdigest()
