"""The content of a measurement's tables and of its record."""

from __future__ import annotations

import importlib.metadata
import math
import platform
from collections.abc import Sequence
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from strokecurve.app.measure.clip import LinkageResult, Measurement
from strokecurve.app.words.columns import Column
from strokecurve.app.words.findings import Found, in_words
from strokecurve.app.words.names import QUANTITY_WORDS
from strokecurve.kinematics.estimate import Estimate, Extreme
from strokecurve.kinematics.faults.condition import in_space
from strokecurve.kinematics.faults.joints import JointPlay
from strokecurve.kinematics.faults.repeat import Repeatability
from strokecurve.kinematics.faults.slip import Slip
from strokecurve.kinematics.findings.findings import SEVERITIES, Finding
from strokecurve.kinematics.findings.rules_arms import ArmSlip
from strokecurve.kinematics.identify.geometry import GeometryFit, Quantity
from strokecurve.kinematics.identify.to_toggle import ENDS, TravelLeft
from strokecurve.kinematics.motion.travel import TravelCurves
from strokecurve.vision.motion.faults import Fault

ANGLES_FILE = "angles.csv"
TRAVEL_FILE = "travel.csv"
RECORD_FILE = "result.json"
OVERLAY_FILE = "overlay.mp4"
STAGES_FOLDER = "stages"
CORRELATED = ("drive_radius_mm", "driven_radius_mm", "spacing_mm", "drive_start_deg", "driven_start_deg")
"""Order of the correlation in ``fit``: a whole linkage, whose rod follows."""
_LIBRARIES = ("strokecurve", "av", "numpy", "opencv-python-headless", "pandas", "scipy")


def angles_columns(measurement: Measurement) -> dict[str, Column]:
    """Angles of every shaft, one row a frame.

    Returns
    -------
    dict of str to ndarray, shape (F,)
        ``time_s``, then ``<name>_deg`` (counter-clockwise positive as the camera sees it, 0 at the shaft's
        first measured frame) and ``<name>_sd_deg`` for each shaft; for a shaft with several markers also
        ``<name>_m<id>_deg`` and ``<name>_m<id>_sd_deg``, the angle of what each marker sits on, which
        differs from the shaft's only once an arm has slipped; NaN is a gap.
    """
    motion = measurement.motion
    columns: dict[str, Column] = {"time_s": np.round(motion.time_s, 6)}
    for s, name in enumerate(motion.names):
        angle = motion.angle_rad[:, s]
        known = angle[np.isfinite(angle)]
        start = float(known[0]) if known.size else 0.0
        series = {name: (angle, motion.sigma_rad[:, s])}
        markers = motion.markers_on(s)
        if len(markers) > 1:
            series |= {f"{name}_m{i}": motion.arm_of(i) for i in markers}
        for column, (turned, sd) in series.items():
            turned_deg: NDArray[np.float64] = np.degrees(turned - start)
            sd_deg: NDArray[np.float64] = np.degrees(sd)
            columns[f"{column}_deg"] = np.round(turned_deg, 5) + 0.0
            columns[f"{column}_sd_deg"] = np.round(sd_deg, 5)
    return columns


def travel_columns(measurement: Measurement) -> dict[str, Column]:
    """Travel curves at even driver steps.

    Returns
    -------
    dict of str to list of str or ndarray, shape (N,)
        ``linkage``, ``pass`` (``opening`` or ``closing``), ``driver_deg``, ``driven_deg``, ``sd_deg``.
    """
    return curve_columns([(linkage.name, linkage.curves) for linkage in measurement.linkages])


def curve_columns(named: Sequence[tuple[str, TravelCurves]]) -> dict[str, Column]:
    """Columns of ``travel.csv`` for curves by name, as `travel_columns` gives them."""
    names: list[str] = []
    ways: list[str] = []
    figures: list[NDArray[np.float64]] = [np.zeros((3, 0))]
    for name, curves in named:
        for way, driven, sd in (
            ("opening", curves.opening_rad, curves.opening_sd_rad),
            ("closing", curves.closing_rad, curves.closing_sd_rad),
        ):
            names += [name] * driven.size
            ways += [way] * driven.size
            figures.append(np.stack([curves.driver_rad, driven, sd]))
    driver, driven, sd = np.round(np.degrees(np.concatenate(figures, axis=1)), 5)
    return {"linkage": names, "pass": ways, "driver_deg": driver, "driven_deg": driven, "sd_deg": sd}


def record(measurement: Measurement) -> dict[str, Any]:
    """Content of ``result.json``; what is not known is None."""
    clip, motion = measurement.clip, measurement.motion
    width, height = clip.facts.size_wh_px
    turned = clip.facts.quarter_turns % 2 == 1
    duration = clip.last_s - clip.first_s
    readout_s, readout_sd_s = motion.shutter.readout_s
    found: list[Finding | Fault] = [*measurement.faults, *measurement.findings]
    content = {
        "clip": {
            "file": clip.name,
            "sha256": clip.sha256,
            "frames": clip.frames,
            "duration_s": duration,
            "mean_rate_hz": (clip.frames - 1) / duration if duration > 0 else None,
            "size_px": [height, width] if turned else [width, height],
            "quarter_turns": clip.facts.quarter_turns,
            "codec": clip.facts.codec,
            "bit_depth": clip.facts.bit_depth,
            "damaged_packets": clip.damaged_packets,
            "camera": {
                "steady": motion.steady,
                "focal_px": {"value": motion.camera.focal_px, "sd": motion.focal_sigma_px},
                "centre_px": list(motion.camera.centre_px),
                "k1": motion.camera.k1,
                "k2": motion.camera.k2,
            },
            "row_readout_s": {"value": readout_s, "sd": readout_sd_s, "along": motion.shutter.along},
            "steadied": motion.shutter.steadied,
        },
        "shafts": [_shaft(measurement, s) for s in range(len(motion.names))],
        "linkages": [_linkage(linkage) for linkage in measurement.linkages],
        "trains": [
            train_entry(train.shafts, train.driver_travel, train.driven_travel, train.slack)
            for train in measurement.trains
        ],
        "findings": [finding_entry(f) for f in sorted(found, key=lambda f: SEVERITIES.index(f.severity))],
        "versions": versions(),
    }
    plainly: dict[str, Any] = plain(content)
    return plainly


def train_entry(
    shafts: Sequence[str], driver_travel: Estimate, driven_travel: Estimate, slack: Estimate
) -> dict[str, Any]:
    """A train as ``result.json`` has it."""
    return {
        "shafts": list(shafts),
        "driver_travel_deg": in_degrees(driver_travel),
        "driven_travel_deg": in_degrees(driven_travel),
        "slack_deg": in_degrees(slack),
    }


def finding_entry(finding: Found) -> dict[str, Any]:
    """A finding as ``result.json`` has it: what was found, and last of all its words."""
    subject, sentence = finding.subject, in_words(finding)
    return {
        "code": finding.code,
        "severity": finding.severity,
        "kind": finding.kind,
        "where": finding.where,
        "subject": {
            "linkage": subject.linkage or None,
            "shaft": subject.shaft or None,
            "part": subject.part or None,
            "markers": list(subject.markers),
        },
        "time_s": finding.time_s,
        "driver_deg": finding.driver_deg,
        "value": finding.value,
        "sd": finding.sd,
        "limit": finding.limit,
        "unit": finding.unit,
        "text": sentence.text,
        "advice": sentence.advice,
    }


@cache
def versions() -> dict[str, str]:
    """Versions of strokecurve, Python and the libraries that the figures come from."""
    found = {"python": platform.python_version()}
    for name in _LIBRARIES:
        try:
            found[name] = importlib.metadata.version(name)
        except importlib.metadata.PackageNotFoundError:
            found[name] = "unknown"
    return found


def _shaft(measurement: Measurement, s: int) -> dict[str, Any]:
    motion = measurement.motion
    travel, sd, sign = _travel(measurement, s)
    return {
        "name": motion.names[s],
        "travel_deg": math.degrees(travel),
        "travel_sd_deg": math.degrees(sd),
        "opening": "ccw" if sign > 0 else "cw",
        "centre_mm": [float(v) for v in motion.centre_mm[s]],
        "centre_sd_mm": [float(v) for v in measurement.centre_sigma_mm[s]],
        "axis_tilt_deg": math.degrees(math.acos(min(1.0, abs(float(motion.axis[s, 2]))))),
        "frames_measured": int(np.isfinite(motion.angle_rad[:, s]).sum()),
    }


def _travel(measurement: Measurement, s: int) -> tuple[float, float, int]:
    """Travel of a shaft with its standard deviation, and the sign of its opening direction."""
    for linkage in measurement.linkages:
        if linkage.plan.driver == s:
            stroke = linkage.stroke
            return stroke.travel_rad, linkage.curves.driver_travel_sd_rad, stroke.opening_sign
        if linkage.plan.driven == s:
            curves = linkage.curves
            return curves.driven_travel_rad, curves.driven_travel_sd_rad, curves.driven_sign
    angle = measurement.motion.angle_rad[:, s]
    if not np.isfinite(angle).any():
        return math.nan, math.nan, 1
    known = angle[np.isfinite(angle)]
    far = known[np.argmax(np.abs(known - known[0]))] - known[0]
    return abs(float(far)), math.nan, 1 if far >= 0 else -1


def _linkage(linkage: LinkageResult) -> dict[str, Any]:
    driver, driven = linkage.name.split(":")
    condition = linkage.condition
    return {
        "driver": driver,
        "driven": driven,
        "geometry": _geometry(linkage),
        "branch": None if linkage.fit is None else linkage.fit.linkage.branch,
        "slack_deg": in_degrees(condition.slack),
        "hysteresis_max_deg": _extreme(linkage.hysteresis),
        "min_drive_angle_deg": _extreme(condition.drive),
        "min_transmission_angle_deg": _extreme(condition.transmission),
        "travel_to_toggle_deg": dict(zip(ENDS, map(_travel_left, condition.to_toggle), strict=True)),
        "joint_play": None
        if condition.joints is None
        else dict(zip(("drive_pin", "driven_pin"), map(_joint, condition.joints), strict=True)),
        "slips": [
            *(_arm_slip(slip) for slip in linkage.arm_slips),
            *(_slip(s, t) for s, t in zip(condition.slips, condition.slip_times_s, strict=True)),
        ],
        "repeatability_deg": _repeatability(condition.repeat),
        "stroke": {
            "driver_travel_deg": math.degrees(linkage.stroke.travel_rad),
            "driver_travel_sd_deg": math.degrees(linkage.curves.driver_travel_sd_rad),
            "opening": "ccw" if linkage.stroke.opening_sign > 0 else "cw",
            "opening_passes": len(linkage.stroke.opening),
            "closing_passes": len(linkage.stroke.closing),
        },
        "fit": None
        if linkage.fit is None
        else {
            "rms_deg": math.degrees(linkage.fit.rms_rad),
            "chi_square": linkage.fit.chi_square,
            "degrees_of_freedom": linkage.fit.degrees_of_freedom,
            "notes": list(linkage.fit.notes),
            "correlation": _correlation(linkage.fit),
        },
        "notes": [*linkage.stroke.notes, *([linkage.fit_failure] if linkage.fit_failure else [])],
    }


def in_degrees(estimate: Estimate) -> dict[str, float]:
    """Value and standard deviation in degrees."""
    return {"value": math.degrees(estimate.value), "sd": math.degrees(estimate.sd)}


def _travel_left(left: TravelLeft | None) -> dict[str, Any] | None:
    if left is None:
        return None
    return {"value": math.degrees(left.value), "sd": math.degrees(left.sd), "arm": left.arm}


def _joint(joint: JointPlay) -> dict[str, Any]:
    return {
        "play_mm": {"value": joint.play_mm, "sd": joint.sd_mm},
        "lost_deg": {"value": math.degrees(joint.lost_rad), "sd": math.degrees(joint.lost_sd_rad)},
    }


def _arm_slip(slip: ArmSlip) -> dict[str, Any]:
    unknown = Estimate(math.nan, math.nan)
    return {
        "arm": slip.arm,
        "markers": list(slip.markers),
        "time_s": slip.time_s,
        "at_driver_deg": math.degrees(slip.at_driver_rad),
        "driven_deg": in_degrees(slip.size if slip.arm == "driven" else unknown),
        "drive_deg": in_degrees(slip.size if slip.arm == "drive" else unknown),
    }


def _slip(slip: Slip, time_s: float) -> dict[str, Any]:
    return {
        "arm": slip.arm or None,
        "markers": [],
        "time_s": time_s,
        "at_driver_deg": math.degrees(slip.at_driver_rad),
        "driven_deg": {"value": math.degrees(slip.driven_rad), "sd": math.degrees(slip.driven_sd_rad)},
        "drive_deg": {"value": math.degrees(slip.drive_rad), "sd": math.degrees(slip.drive_sd_rad)},
    }


def _repeatability(repeat: Repeatability | None) -> dict[str, Any] | None:
    if repeat is None:
        return None
    return {
        "value": math.degrees(repeat.value_rad),
        "sd": math.degrees(repeat.sd_rad),
        "at_driver_deg": math.degrees(repeat.at_driver_rad),
        "pass": repeat.direction,
    }


def _correlation(fit: GeometryFit) -> dict[str, Any]:
    """How the errors of the geometry hang together; with its standard deviations, their covariance."""
    covariance = fit.covariance[: len(CORRELATED), : len(CORRELATED)]
    sd = np.sqrt(np.maximum(np.diag(covariance), 1e-300))
    return {"of": list(CORRELATED), "matrix": (covariance / np.outer(sd, sd)).tolist()}


def _geometry(linkage: LinkageResult) -> dict[str, Any]:
    fit, condition = linkage.fit, linkage.condition
    if fit is None:
        nothing: dict[str, Any] = {"value": None, "sd": None, "determined": False, "evidence": []}
        if not in_space(condition.axes, condition.settings):
            return {name: dict(nothing) for name in QUANTITY_WORDS}
        nothing["settle"] = "measure it by hand: the shafts are not parallel"
        apart = {**in_degrees(condition.axes), "determined": True, "evidence": ["hinges"]}
        return {name: dict(nothing) for name in QUANTITY_WORDS} | {"axis_angle_deg": apart}
    return {
        name: _quantity(fit.quantity(name.replace("_deg", "_rad")), name.endswith("_deg"))
        for name in QUANTITY_WORDS
    }


def _quantity(quantity: Quantity, angle: bool) -> dict[str, Any]:
    unit = 180.0 / math.pi if angle else 1.0
    entry = {
        "value": unit * quantity.value,
        "sd": unit * quantity.sd,
        "determined": quantity.determined,
        "evidence": list(quantity.evidence),
    }
    if quantity.settle:
        entry["settle"] = quantity.settle
    return entry


def _extreme(extreme: Extreme | None) -> dict[str, Any] | None:
    if extreme is None or not math.isfinite(extreme.value):
        return None
    return {
        "value": math.degrees(extreme.value),
        "sd": math.degrees(extreme.sd),
        "at_driver_deg": math.degrees(extreme.at_driver_rad),
    }


def plain(value: Any) -> Any:
    """Plain JSON values: numbers without noise digits, None for NaN and infinities."""
    if isinstance(value, dict):
        return {k: plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        return round(float(value), 6) if math.isfinite(value) else None
    return value
