"""What the sentence of a finding needs beyond its figure, a class for each code that needs any."""

from __future__ import annotations

from dataclasses import dataclass

from strokecurve.kinematics.estimate import Estimate
from strokecurve.kinematics.faults.arms import Why
from strokecurve.kinematics.faults.joints import JointPlay
from strokecurve.kinematics.findings.statements import RodSeen


@dataclass(frozen=True, slots=True)
class BeyondEnd:
    """Of ``over_travel``: what lies beyond an end of the stroke.

    Parameters
    ----------
    arm : str
        "drive" or "driven", whichever comes into line with the rod first.
    in_line : Estimate
        Driver travel until it does (deg).
    within_reserve : bool
        Whether that is within the reserve; if not, an angle below ``near_deg`` is.
    near_deg : float
        From here down an angle between rod and arm is a danger.
    """

    arm: str
    in_line: Estimate
    within_reserve: bool
    near_deg: float


@dataclass(frozen=True, slots=True)
class PinsPlay:
    """Of ``worn_joint`` and ``joint_undecided``: play at both pins.

    Parameters
    ----------
    drive, driven : JointPlay
    elsewhere : bool
        Whether the lost motion surely comes from elsewhere.
    """

    drive: JointPlay
    driven: JointPlay
    elsewhere: bool = False


@dataclass(frozen=True, slots=True)
class Sticking:
    """Of ``stick_slip``: how often the driven shaft stuck and jumped, and how far at most (deg)."""

    count: int
    largest_deg: float


@dataclass(frozen=True, slots=True)
class Jumps:
    """Of ``driven_jumps``: how many there were."""

    count: int


@dataclass(frozen=True, slots=True)
class Passes:
    """Of ``poor_repeatability``: how many passes of the same way were compared."""

    count: int


@dataclass(frozen=True, slots=True)
class StandsUntil:
    """Of ``driven_stalls`` and ``driven_reverses``: driver travel at which it ends (deg)."""

    driver_deg: float


@dataclass(frozen=True, slots=True)
class StrokeNote:
    """Of ``stroke_incomplete``: what the film does not show, one of the stroke's own notes."""

    note: str


@dataclass(frozen=True, slots=True)
class LeftOpen:
    """Of ``not_determined``.

    Parameters
    ----------
    quantities : tuple of str
        Names of what film and evidence leave open, e.g. "rod_mm".
    settle : str
        What would settle the first of them.
    rod : "unseen", "seen" or "pins"
    """

    quantities: tuple[str, ...]
    settle: str
    rod: RodSeen


@dataclass(frozen=True, slots=True)
class ArmMoved:
    """Of ``slip`` where markers on the shaft show it.

    Parameters
    ----------
    shaft : str
        That the arm slipped on.
    kept : tuple of int
        Markers that show the shaft.
    why : str
        Why the film tells that it was this arm; see `kinematics.faults.arms.ArmVerdict`.
    goes_with : str
        For "downstream": the linkage that keeps step with the markers that show the shaft; otherwise empty.
    """

    shaft: str
    kept: tuple[int, ...]
    why: Why
    goes_with: str = ""


@dataclass(frozen=True, slots=True)
class MarkersApart:
    """Of ``marker_loose``, and of ``slip`` where nothing tells what moved.

    Parameters
    ----------
    shaft : str
        Whose markers they are.
    moved, kept : tuple of int
        Markers that moved, and those that show the shaft.
    why : str
        See `kinematics.faults.arms.ArmVerdict`.
    """

    shaft: str
    moved: tuple[int, ...]
    kept: tuple[int, ...]
    why: Why
