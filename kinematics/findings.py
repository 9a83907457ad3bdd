"""Findings: one statement each about a linkage, with its figure, its limit and what to do."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

from kinematics.condition import Estimate, Extreme, lost_motion, standstills, toggle_margins
from kinematics.identify import GeometryFit
from kinematics.motion import LinkageMotion
from kinematics.settings import DEFAULTS, Settings
from kinematics.stroke import Stroke
from kinematics.travel import TravelCurves

_LOCKED = "Only with the burner off and locked out and the fuel isolated: "


@dataclass(frozen=True, slots=True)
class Finding:
    """One statement about the linkage.

    Parameters
    ----------
    code : str
        Stable name of the kind of finding.
    severity : str
        "note", "caution" or "danger".
    where : str
        Linkage or shaft it is about.
    value, sd, limit : float or None
        Figure, standard deviation and limit in degrees; None where the finding has none.
    text, advice : str
        What is the case, and what to do.
    """

    code: str
    severity: str
    where: str
    value: float | None
    sd: float | None
    limit: float | None
    text: str
    advice: str


@dataclass(frozen=True, slots=True)
class Condition:
    """All that is known of one linkage.

    Parameters
    ----------
    where : str
        Name of the linkage, e.g. "motor:shaft1".
    stroke : Stroke
    curves : TravelCurves
    slack : Estimate
        Lost motion by the dead-band fit.
    fit : GeometryFit or None
        None if no geometry could be fitted.
    drive, transmission : Extreme or None
        Smallest angles to the in-line position.
    settings : Settings
    """

    where: str
    stroke: Stroke
    curves: TravelCurves
    slack: Estimate
    fit: GeometryFit | None = None
    drive: Extreme | None = None
    transmission: Extreme | None = None
    settings: Settings = field(default=DEFAULTS)


def assess(
    where: str,
    stroke: Stroke,
    motion: LinkageMotion,
    curves: TravelCurves,
    fit: GeometryFit | None,
    settings: Settings = DEFAULTS,
) -> tuple[Condition, tuple[Finding, ...]]:
    """Condition of one linkage and the findings that follow from it, the gravest first.

    Parameters
    ----------
    where : str
        Name of the linkage.
    stroke : Stroke
    motion : LinkageMotion
    curves : TravelCurves
        At steps of about 1 degree.
    fit : GeometryFit or None
        None if no geometry could be fitted.
    settings : Settings

    Returns
    -------
    condition : Condition
    findings : tuple of Finding

    Examples
    --------
    >>> import numpy as np
    >>> from kinematics.stroke import find_stroke
    >>> from kinematics.travel import travel_curves
    >>> time_s = np.arange(0, 12, 0.05)
    >>> driver = np.radians(np.interp(time_s, [0, 1, 5.5, 6.5, 11], [0, 0, 70, 70, 0]))
    >>> motion, stroke = LinkageMotion.of(driver, driver, 0.0005, 0.0005), find_stroke(time_s, driver, 0.0005)
    >>> _, findings = assess("motor:shaft1", stroke, motion, travel_curves(stroke, motion), None)
    >>> [f.code for f in findings]
    ['stroke']
    """
    slack = lost_motion(stroke, motion, settings)
    drive, transmission = toggle_margins(fit, stroke) if fit else (None, None)
    condition = Condition(where, stroke, curves, slack, fit, drive, transmission, settings)
    found = [f for rule in RULES for f in rule(condition)]
    order = ("danger", "caution", "note")
    return condition, tuple(sorted(found, key=lambda f: order.index(f.severity)))


def _toggle(c: Condition) -> list[Finding]:
    found = []
    for code, angle, arm in (
        ("toggle_drive", c.drive, "drive arm"),
        ("toggle_driven", c.transmission, "driven arm"),
    ):
        if angle is None or angle.value >= c.settings.toggle_caution_rad:
            continue
        danger = angle.value < c.settings.toggle_danger_rad
        limit = c.settings.toggle_danger_rad if danger else c.settings.toggle_caution_rad
        found.append(
            Finding(
                code,
                "danger" if danger else "caution",
                c.where,
                math.degrees(angle.value),
                math.degrees(angle.sd),
                math.degrees(limit),
                f"Rod and {arm} come within {_figure(angle.value, angle.sd)} of one line, "
                f"at {math.degrees(angle.at_driver_rad):.0f} degrees of driver travel.",
                f"{_LOCKED}change the {arm}'s clamping or radius so that the rod stays clear of the "
                "in-line position over the whole stroke; guidance is 40 to 45 degrees at the driven arm.",
            )
        )
    return found


def _lost_motion(c: Condition) -> list[Finding]:
    value, sd = c.slack.value, c.slack.sd
    if not math.isfinite(value) or value < c.settings.slack_caution_rad:
        return []
    danger = value >= c.settings.slack_danger_rad
    limit = c.settings.slack_danger_rad if danger else c.settings.slack_caution_rad
    return [
        Finding(
            "lost_motion",
            "danger" if danger else "caution",
            c.where,
            math.degrees(value),
            math.degrees(sd),
            math.degrees(limit),
            f"The driven shaft loses {_figure(value, sd)} whenever the driver turns round.",
            f"{_LOCKED}look for worn rod ends, loose pins and loose clamp screws, and film again.",
        )
    ]


def _standstill(c: Condition) -> list[Finding]:
    found = []
    for s in standstills(c.curves, c.slack, c.settings):
        back = s.turned_rad < -max(4 * s.sd, c.settings.stall_driver_rad * c.settings.stall_ratio)
        a, b = math.degrees(s.from_driver_rad), math.degrees(s.to_driver_rad)
        found.append(
            Finding(
                "driven_reverses" if back else "driven_stalls",
                "danger" if back else "caution",
                f"{c.where} {s.direction}",
                math.degrees(s.turned_rad),
                math.degrees(s.sd),
                math.degrees(c.settings.stall_ratio * (s.to_driver_rad - s.from_driver_rad)),
                f"The driven shaft {'turns back' if back else 'stands still'} while the driver turns "
                f"from {a:.0f} to {b:.0f} degrees ({s.direction}).",
                f"{_LOCKED}look for a dead centre (rod and drive arm in line), a stop or a slipping arm.",
            )
        )
    return found


def _stroke(c: Condition) -> list[Finding]:
    off = c.stroke.travel_rad - c.settings.stroke_rad
    if abs(off) <= c.settings.stroke_tolerance_rad:
        return []
    usual = math.degrees(c.settings.stroke_rad)
    return [
        Finding(
            "stroke",
            "note",
            c.where,
            math.degrees(c.stroke.travel_rad),
            math.degrees(c.stroke.travel_sigma_rad),
            usual,
            f"The driver turned by {_figure(c.stroke.travel_rad, c.stroke.travel_sigma_rad)}; "
            f"{usual:.0f} are usual.",
            "Check that the film shows the full stroke, and the motor's end switches.",
        )
    ]


def _stroke_notes(c: Condition) -> list[Finding]:
    advice = "Film from rest at low fire to rest at high fire and back to rest at low fire."
    return [
        Finding("stroke_incomplete", "note", c.where, None, None, None, n, advice) for n in c.stroke.notes
    ]


def _misfit(c: Condition) -> list[Finding]:
    if c.fit is None or c.fit.rms_rad < c.settings.misfit_rms_rad:
        return []
    if c.fit.chi_square < c.settings.chi_square_limit * c.fit.degrees_of_freedom:
        return []
    return [
        Finding(
            "misfit",
            "caution",
            c.where,
            math.degrees(c.fit.rms_rad),
            None,
            math.degrees(c.settings.misfit_rms_rad),
            "No four-bar linkage explains the curve: the best one misses it by "
            f"{math.degrees(c.fit.rms_rad):.2f} degrees RMS. Do not rely on geometry and toggle margins.",
            "Check for a cam, a bent rod, a slipping arm, a mechanism in between, or wrong tape measures.",
        )
    ]


def _undetermined(c: Condition) -> list[Finding]:
    if c.fit is None:
        return []
    open_ones = [q for q in c.fit.quantities if not q.determined]
    if not open_ones:
        return []
    names = ", ".join(q.name.rsplit("_", 1)[0].replace("_", " ") for q in open_ones)
    return [
        Finding(
            "not_determined",
            "note",
            c.where,
            None,
            None,
            None,
            f"Not determined by this film: {names}.",
            f"To settle it, {open_ones[0].settle}, or film with a marker on the rod.",
        )
    ]


def _figure(value: float, sd: float) -> str:
    digits = 1 if sd >= math.radians(0.05) else 2
    return f"{math.degrees(value):.{digits}f} degrees (standard deviation {math.degrees(sd):.{digits}f})"


RULES: tuple[Callable[[Condition], list[Finding]], ...] = (
    _toggle,
    _lost_motion,
    _standstill,
    _misfit,
    _stroke,
    _stroke_notes,
    _undetermined,
)
