"""What is known of one linkage, and what a finding about it is: data, which are put into words elsewhere."""

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
Severity = Literal["danger", "caution", "note"]
SEVERITIES: tuple[Severity, ...] = ("danger", "caution", "note")
"""From the gravest down."""
Kind = Literal["linkage", "filming"]
"""What a finding tells of: the linkage, or how it was filmed."""


@dataclass(frozen=True, slots=True)
class Subject:
    """What a finding is about.

    Parameters
    ----------
    linkage : str
        "driver:driven"; empty if it is about no linkage.
    shaft : str
        Name; empty if it is about no shaft, or about a linkage.
    part : str
        Of the linkage: "drive arm", "driven arm", "drive pin", "driven pin", "low fire", "high fire",
        "opening" or "closing"; empty for all of it.
    markers : tuple of int
        Ids of the markers it is about.

    Examples
    --------
    >>> Subject("motor:shaft1", part="drive pin").where
    'motor:shaft1 drive pin'
    >>> Subject(markers=(31, 41)).where
    'marker 31 and 41'
    """

    linkage: str = ""
    shaft: str = ""
    part: str = ""
    markers: tuple[int, ...] = ()

    @property
    def where(self) -> str:
        """Its name, as ``where`` in the files has it."""
        if self.linkage or self.shaft:
            return f"{self.linkage or self.shaft} {self.part}".rstrip()
        return f"marker {' and '.join(map(str, self.markers))}"


@dataclass(frozen=True, slots=True)
class Finding:
    """One statement about a linkage or about how it was filmed, as data.

    Parameters
    ----------
    code : str
        Stable name of the sort of finding.
    severity : "danger", "caution" or "note"
    subject : Subject
    value, sd, limit : float or None
        Figure, standard deviation and limit; None where the finding has none.
    unit : str or None
        Of value, sd and limit; None where there is no figure.
    time_s : float or None
        The moment that shows it; None where it has none.
    driver_deg : float or None
        Driver travel at which it shows; None where it has none.
    facts : object
        What else its sentence needs: of the class from `facts` that its code has, None for most.
    kind : "linkage" or "filming"
    """

    code: str
    severity: Severity
    subject: Subject
    value: float | None = None
    sd: float | None = None
    limit: float | None = None
    unit: str | None = None
    time_s: float | None = None
    driver_deg: float | None = None
    facts: object = None
    kind: Kind = "linkage"

    @property
    def where(self) -> str:
        """Name of its subject."""
        return self.subject.where


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
    severity: Severity,
    subject: Subject,
    figures: tuple[float, float | None, float | None],
    *,
    time_s: float = math.nan,
    at_driver_rad: float = math.nan,
    facts: object = None,
    kind: Kind = "linkage",
) -> Finding:
    """A finding whose value, standard deviation, limit and place are given in radians.

    Parameters
    ----------
    code, severity, subject, facts, kind
        As in `Finding`.
    figures : tuple of float
        Value, standard deviation, limit (rad).
    time_s : float
        The moment that shows it; NaN where it has none.
    at_driver_rad : float
        Driver travel at which it shows; NaN where it has none.

    Returns
    -------
    Finding

    Examples
    --------
    >>> figures = math.pi, None, None
    >>> found = in_degrees("slip", "danger", Subject("a:b"), figures, at_driver_rad=1.0)
    >>> found.value, found.unit, round(found.driver_deg, 3), found.time_s
    (180.0, 'deg', 57.296, None)
    """
    value, sd, limit = (None if f is None else math.degrees(f) for f in figures)
    return Finding(
        code,
        severity,
        subject,
        value,
        sd,
        limit,
        "deg",
        time_s if math.isfinite(time_s) else None,
        math.degrees(at_driver_rad) if math.isfinite(at_driver_rad) else None,
        facts,
        kind,
    )
