"""What is known of one linkage, and what a finding about it is."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

from strokecurve.kinematics.estimate import UNKNOWN, Estimate, Extreme
from strokecurve.kinematics.faults.joints import JointPlay
from strokecurve.kinematics.faults.jumps import Jump
from strokecurve.kinematics.faults.repeat import Repeatability
from strokecurve.kinematics.faults.slip import Slip
from strokecurve.kinematics.identify.geometry import GeometryFit
from strokecurve.kinematics.identify.to_toggle import TravelLeft
from strokecurve.kinematics.motion.stroke import Stroke
from strokecurve.kinematics.motion.travel import TravelCurves
from strokecurve.kinematics.settings import DEFAULTS, Settings

RodSeen = Literal["unseen", "seen", "pins"]
"""Whether a marker on the rod was followed, and whether it showed both pins."""

LOCKED = "Only with the burner off and locked out and the fuel isolated: "


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
        Figure, standard deviation and limit; None where the finding has none.
    text, advice : str
        What is the case, and what to do.
    unit : str or None
        Of value, sd and limit; None where there is no figure.
    """

    code: str
    severity: str
    where: str
    value: float | None
    sd: float | None
    limit: float | None
    text: str
    advice: str
    unit: str | None = None


@dataclass(frozen=True, slots=True)
class SeenJump:
    """A jump with the moment and the driver travel at which it was seen."""

    jump: Jump
    time_s: float
    at_driver_rad: float


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
        Lost motion by the dead-band fit, with slips modelled along.
    fit : GeometryFit or None
        None if no geometry could be fitted.
    drive, transmission : Extreme or None
        Smallest angles to the in-line position.
    to_toggle : tuple of TravelLeft or None
        Driver travel left beyond low and beyond high fire.
    slips : tuple of Slip
    slip_times_s : tuple of float
        When each slip happened; NaN if the times of the frames were not given.
    jumps : tuple of SeenJump
    repeat : Repeatability or None
        None if no pass was filmed twice.
    joints : tuple of JointPlay or None
        At the drive pin and at the driven pin; None without a rod marker or both passes.
    settings : Settings
    rod : "unseen", "seen" or "pins"
        Whether a marker on the rod was followed, and whether it showed both pins.
    axes : Estimate
        Angle between the axes of driver and driven shaft; NaN if it is not known.
    """

    where: str
    stroke: Stroke
    curves: TravelCurves
    slack: Estimate
    fit: GeometryFit | None = None
    drive: Extreme | None = None
    transmission: Extreme | None = None
    to_toggle: tuple[TravelLeft | None, TravelLeft | None] = (None, None)
    slips: tuple[Slip, ...] = ()
    slip_times_s: tuple[float, ...] = ()
    jumps: tuple[SeenJump, ...] = ()
    repeat: Repeatability | None = None
    joints: tuple[JointPlay, JointPlay] | None = None
    settings: Settings = field(default=DEFAULTS)
    rod: RodSeen = "unseen"
    axes: Estimate = UNKNOWN


def in_degrees(
    code: str,
    severity: str,
    where: str,
    figures: tuple[float, float | None, float | None],
    text: str,
    advice: str,
) -> Finding:
    """A finding whose value, standard deviation and limit are given in radians.

    Parameters
    ----------
    code, severity, where, text, advice
        As in `Finding`.
    figures : tuple of float
        Value, standard deviation, limit (rad).

    Returns
    -------
    Finding

    Examples
    --------
    >>> in_degrees("slip", "danger", "motor:shaft1", (math.pi, None, None), "", "").value
    180.0
    """
    value, sd, limit = (None if f is None else math.degrees(f) for f in figures)
    return Finding(code, severity, where, value, sd, limit, text, advice, "deg")


def figure(value: float, sd: float) -> str:
    """An angle in words, to the digits that its standard deviation leaves.

    Parameters
    ----------
    value, sd : float
        Radians.

    Returns
    -------
    str

    Examples
    --------
    >>> figure(math.radians(2), math.radians(0.06))
    '2.0 degrees (standard deviation 0.1)'
    """
    digits = 1 if sd >= math.radians(0.05) else 2
    return f"{math.degrees(value):.{digits}f} degrees (standard deviation {math.degrees(sd):.{digits}f})"
