"""The four-bar linkage in closed form: two arms, a rod and the line of centres.

Angles are taken from the line of centres (driver centre to driven centre), counter-clockwise positive.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from strokecurve.kinematics.errors import GeometryError
from strokecurve.kinematics.linkage.algebra import Pose
from strokecurve.kinematics.linkage.positions import driven_angle, triangle

Array = NDArray[np.float64]

_CHUNK = 8192  # positions worked on at a time: the temporaries stay in the processor's cache
_IN_LINE = 1e-9  # sine below which rod and driven arm are in line as far as rounding can tell


@dataclass(frozen=True, slots=True)
class TogglePositions:
    """Drive angles (rad, in (-pi, pi], ascending) where the rod comes into line with an arm.

    Parameters
    ----------
    driven_in_line_rad : tuple of float
        Rod in line with the driven arm: the ends of the drive arm's range, where the branches meet.
    drive_in_line_rad : tuple of float
        Rod in line with the drive arm: dead centres, where the driven arm stands and turns back.
    """

    driven_in_line_rad: tuple[float, ...]
    drive_in_line_rad: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class FourBar:
    """One linkage: drive arm, rod, driven arm and the spacing of the two shafts.

    Parameters
    ----------
    drive_radius_mm, rod_mm, driven_radius_mm, spacing_mm : float
        Positive lengths (mm, or any one unit).
    branch : int
        +1 or -1: the driven angle is the direction from driven centre to drive pin plus branch times the
        angle of the triangle at the driven centre. With the rod on one side of the line of centres, which is
        how burner linkages are built, branch is -1 above the line (the "open" assembly) and +1 below it.

    Raises
    ------
    GeometryError
        If a length is not positive, or no position closes.

    Examples
    --------
    >>> linkage = FourBar(40, 120, 80, 100, branch=-1)
    >>> print(f"{np.degrees(linkage.driven_angle(np.radians(40.0))):.2f}")
    57.32
    """

    drive_radius_mm: float
    rod_mm: float
    driven_radius_mm: float
    spacing_mm: float
    branch: int

    def __post_init__(self) -> None:
        lengths = {
            "drive radius": self.drive_radius_mm,
            "rod": self.rod_mm,
            "driven radius": self.driven_radius_mm,
            "spacing": self.spacing_mm,
        }
        for name, value in lengths.items():
            if not (math.isfinite(value) and value > 0):
                raise GeometryError(
                    f"The {name} must be longer than 0 mm, got {value:g}.", "Measure it again."
                )
        if self.branch not in (-1, 1):
            raise ValueError(f"branch must be +1 or -1, got {self.branch!r}")
        longest = max(lengths, key=lengths.__getitem__)
        others = sum(lengths.values()) - lengths[longest]
        if lengths[longest] >= others:
            raise GeometryError(
                f"The linkage cannot be assembled: the {longest} ({lengths[longest]:g} mm) is not shorter "
                f"than the other three lengths together ({others:g} mm).",
                "Check the lengths.",
            )

    @classmethod
    def from_start_angles(
        cls,
        drive_radius_mm: float,
        driven_radius_mm: float,
        spacing_mm: float,
        drive_start_rad: float,
        driven_start_rad: float,
    ) -> FourBar:
        """Linkage whose rod is as long as the two pins are apart at the start angles; the branch follows.

        Parameters
        ----------
        drive_radius_mm, driven_radius_mm, spacing_mm : float
            Lengths in mm.
        drive_start_rad, driven_start_rad : float
            Directions from shaft centre to rod pin, from the line of centres.

        Returns
        -------
        FourBar

        Raises
        ------
        GeometryError
            If rod and driven arm are in line at the start, so that the branch cannot be told.

        Examples
        --------
        >>> FourBar.from_start_angles(60, 60, 200, 1.0, 1.0)
        FourBar(drive_radius_mm=60, rod_mm=200.0, driven_radius_mm=60, spacing_mm=200, branch=-1)
        """
        start = Pose.in_plane(
            drive_radius_mm, driven_radius_mm, spacing_mm, drive_start_rad, driven_start_rad
        )
        with np.errstate(invalid="ignore"):  # pins upon each other give NaN
            told = bool(abs(start.driven_sine()) > _IN_LINE)
        if not told:
            raise GeometryError(
                "At the start the rod is in line with the driven arm, so the linkage could go either way.",
                "Check the start angles.",
            )
        branch = int(start.branch())
        return cls(drive_radius_mm, float(start.rod_mm), driven_radius_mm, spacing_mm, branch)

    # ---- positions ---------------------------------------------------------------------------------------

    def closes(self, drive_rad: ArrayLike) -> NDArray[np.bool_]:
        """Whether the linkage closes at each drive angle (False where the angle is NaN).

        Parameters
        ----------
        drive_rad : array_like, any shape
            Drive arm angle.

        Returns
        -------
        ndarray of bool, same shape

        Examples
        --------
        >>> FourBar(6, 10, 7, 4, 1).closes(np.radians([26.0, 27.0])).tolist()
        [False, True]
        """
        return np.asarray(self._gap(np.asarray(drive_rad, float)) >= 0)

    def driven_angle(self, drive_rad: ArrayLike) -> Array:
        """Driven arm angle at each drive angle.

        The value is a continuous function of the drive angle wherever the linkage closes: no jumps by a full
        turn. With the drive radius below the spacing it lies in (-pi/2, 3 pi/2) for branch -1 and in (-3
        pi/2, pi/2) for branch +1; with a longer drive radius it winds with the drive angle. Wrap it where a
        principal value is wanted.

        Parameters
        ----------
        drive_rad : array_like, any shape
            Drive arm angle; NaN (a gap) stays NaN.

        Returns
        -------
        ndarray of float, same shape

        Raises
        ------
        GeometryError
            If the linkage cannot close at one of the angles.

        Examples
        --------
        >>> parallel = FourBar(60, 200, 60, 200, branch=-1)
        >>> np.degrees(parallel.driven_angle(np.radians([30.0, 75.0, 120.0]))).round(9).tolist()
        [30.0, 75.0, 120.0]
        """
        drive = np.asarray(drive_rad, float)
        flat = drive.reshape(-1)
        driven = np.empty_like(flat)
        for start in range(0, flat.size, _CHUNK):
            part = slice(start, start + _CHUNK)
            driven[part] = driven_angle(
                flat[part],
                self.drive_radius_mm,
                self.rod_mm,
                self.driven_radius_mm,
                self.spacing_mm,
                self.branch,
            )
        failed = np.isnan(driven) & ~np.isnan(flat)
        if failed.any():
            raise self._cannot_close(flat[failed])
        return driven.reshape(drive.shape)

    def pose(self, drive_rad: ArrayLike) -> Pose:
        """Where the linkage stands at each drive angle: rod, angles to the in-line positions, rates.

        Parameters
        ----------
        drive_rad : array_like, any shape
            Drive arm angle (rad).

        Returns
        -------
        Pose
            Of the same shape.

        Raises
        ------
        GeometryError
            If the linkage cannot close at one of the angles.

        Examples
        --------
        >>> pose = FourBar(40, 120, 80, 100, branch=-1).pose(np.radians([20.0, 40.0]))
        >>> np.degrees(pose.driven_in_line_rad()).round(2).tolist()
        [29.46, 37.03]
        """
        return Pose.in_plane(
            self.drive_radius_mm,
            self.driven_radius_mm,
            self.spacing_mm,
            drive_rad,
            self.driven_angle(drive_rad),
        )

    def rod_angle(self, drive_rad: ArrayLike) -> Array:
        """Direction of the rod, drive pin to driven pin, in (-pi, pi].

        Parameters
        ----------
        drive_rad : array_like, any shape

        Returns
        -------
        ndarray of float, same shape

        Raises
        ------
        GeometryError
            If the linkage cannot close at one of the angles.

        Examples
        --------
        >>> print(f"{np.degrees(FourBar(1, 2**0.5, 2**0.5, 1, -1).rod_angle(np.pi / 2)):.6f}")
        15.000000
        """
        rod = self.pose(drive_rad).rod_vector_mm
        return np.asarray(np.arctan2(rod[..., 1], rod[..., 0]))

    def velocity_ratio(self, drive_rad: ArrayLike) -> Array:
        """Degrees the driven shaft turns for one of its driver (infinite with rod and driven arm in line).

        Parameters
        ----------
        drive_rad : array_like, any shape

        Returns
        -------
        ndarray of float, same shape

        Raises
        ------
        GeometryError
            If the linkage cannot close at one of the angles.

        Examples
        --------
        >>> print(f"{FourBar(1, 2**0.5, 2**0.5, 1, -1).velocity_ratio(np.pi / 2):.6f}")
        0.788675
        """
        return self.pose(drive_rad).velocity_ratio()

    def transmission_angle(self, drive_rad: ArrayLike) -> Array:
        """Angle between rod and driven arm, 0 to pi; 0 and pi are the in-line positions (toggle).

        Parameters
        ----------
        drive_rad : array_like, any shape

        Returns
        -------
        ndarray of float, same shape

        Raises
        ------
        GeometryError
            If the linkage cannot close at one of the angles.

        Examples
        --------
        >>> print(f"{np.degrees(FourBar(1, 2**0.5, 2**0.5, 1, -1).transmission_angle(np.pi / 2)):.6f}")
        60.000000
        """
        return self.pose(drive_rad).transmission_angle_rad()

    def drive_angle(self, drive_rad: ArrayLike) -> Array:
        """Angle between rod and drive arm, 0 to pi; 0 and pi are the driven arm's dead centres.

        Parameters
        ----------
        drive_rad : array_like, any shape

        Returns
        -------
        ndarray of float, same shape

        Raises
        ------
        GeometryError
            If the linkage cannot close at one of the angles.

        Examples
        --------
        >>> print(f"{np.degrees(FourBar(1, 2**0.5, 2**0.5, 1, -1).drive_angle(np.pi / 2)):.6f}")
        105.000000
        """
        return self.pose(drive_rad).drive_angle_rad()

    # ---- range -------------------------------------------------------------------------------------------

    def drive_limits(self) -> tuple[tuple[float, float], ...]:
        """Intervals of drive angle (rad) in which the linkage closes.

        Returns
        -------
        tuple of (from, to)
            Ascending, from in (-pi, pi]; one interval (-pi, pi) if the drive arm can turn all the way round.
            An interval through pi runs on beyond it.

        References
        ----------
        cos(theta) = (a^2 + d^2 - b^2 - c^2) / (2 a d) +/- b c / (a d), a root counting only within +/-1.

        Examples
        --------
        >>> np.degrees(FourBar(6, 10, 7, 4, 1).drive_limits()).round(3).tolist()
        [[26.384, 333.616]]
        """
        nearest, farthest = self._limit_cosines()
        inner = math.acos(nearest) if nearest < 1 else 0.0
        outer = math.acos(farthest) if farthest > -1 else math.pi
        if inner == 0 and outer == math.pi:
            return ((-math.pi, math.pi),)
        if inner == 0:
            return ((-outer, outer),)
        if outer == math.pi:
            return ((inner, 2 * math.pi - inner),)
        return ((-outer, -inner), (inner, outer))

    def toggle_positions(self) -> TogglePositions:
        """Drive angles at which the rod comes into line with the driven or the drive arm, on this branch.

        Returns
        -------
        TogglePositions

        Examples
        --------
        >>> np.degrees(FourBar(40, 120, 80, 100, -1).toggle_positions().drive_in_line_rad).round(2).tolist()
        [-128.68, 24.15]
        """
        ends = sorted({sign * math.acos(c) for c in self._limit_cosines() if abs(c) < 1 for sign in (-1, 1)})
        return TogglePositions(tuple(ends), self._dead_centres())

    # ---- parts -------------------------------------------------------------------------------------------

    def _dead_centres(self) -> tuple[float, ...]:
        a, b, c, d = self.drive_radius_mm, self.rod_mm, self.driven_radius_mm, self.spacing_mm
        found = []
        for reach, turned in ((b + a, 0.0), (abs(b - a), math.pi if b > a else 0.0)):
            if not abs(c - d) < reach < c + d:
                continue
            bearing = math.acos((reach**2 + d**2 - c**2) / (2 * reach * d))
            for pin in (bearing, -bearing):
                drive = math.remainder(pin + turned, 2 * math.pi)
                driven = math.atan2(reach * math.sin(pin), reach * math.cos(pin) - d)
                solved = float(driven_angle(np.array([drive]), a, b, c, d, self.branch)[0])
                if abs(math.remainder(solved - driven, 2 * math.pi)) < 1e-5:
                    found.append(drive)
        return tuple(sorted(found))

    def _limit_cosines(self) -> tuple[float, float]:
        a, b, c, d = self.drive_radius_mm, self.rod_mm, self.driven_radius_mm, self.spacing_mm
        return (
            (a * a + d * d - (b - c) ** 2) / (2 * a * d),
            (a * a + d * d - (b + c) ** 2) / (2 * a * d),
        )

    def _gap(self, drive: Array) -> Array:
        """Not negative where it closes, see `triangle`."""
        return triangle(drive, self.drive_radius_mm, self.rod_mm, self.driven_radius_mm, self.spacing_mm)

    def _cannot_close(self, failed: Array) -> GeometryError:
        ranges = " and ".join(
            f"{math.degrees(a):.1f} to {math.degrees(b):.1f}" for a, b in self.drive_limits()
        )
        return GeometryError(
            f"The linkage cannot close at {failed.size} of the drive angles asked for, the first at "
            f"{math.degrees(failed[0]):.1f} degrees; it closes from {ranges} degrees.",
            "Keep the drive arm inside that range or change a length.",
        )


def effective_rod_length_mm(length_mm: ArrayLike, offset_mm: ArrayLike) -> Array:
    """Length of the planar rod that acts exactly as a ball-joint rod between parallel planes.

    Parameters
    ----------
    length_mm : array_like, shape that broadcasts
        Rod length, ball centre to ball centre.
    offset_mm : array_like, shape that broadcasts
        Distance between the planes in which the two ball centres turn, along the shafts.

    Returns
    -------
    ndarray, the broadcast shape
        sqrt(length^2 - offset^2), mm.

    Raises
    ------
    GeometryError
        If the offset is not smaller than the rod.

    Examples
    --------
    >>> print(f"{effective_rod_length_mm(205, 40):.4f}")
    201.0597
    """
    length, offset = np.asarray(length_mm, float), np.asarray(offset_mm, float)
    if np.any(np.abs(offset) >= length):
        raise GeometryError(
            "The rod is not longer than its planes are apart.", "Check rod length and offset."
        )
    return np.asarray(np.sqrt((length - offset) * (length + offset)))
