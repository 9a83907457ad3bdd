"""The algebra of a linkage: what rod, branch, in-line angles and rates follow from, in points and directions.

Two arms turn about fixed centres, and a rod joins their pins. An arm is its radius r, the unit vector u
from its centre to its pin and the unit vector t along which the pin moves: u turned by a right angle in the
plane, axis x u in space. So the pin lies at centre + r u, and turning the arm by a small angle moves it by
r t. With s from the drive centre to the driven centre, the rod is the vector

    p = s + r' u' - r u

(primed on the driven side), and all else is a product of two vectors:

* The sine of the angle between the rod and the line of an arm is p . t / |p|: 0 at toggle and at a dead
  centre.
* A rod keeps its length, so both pins move equally fast along it: r' p . t' = r p . t times the velocity
  ratio.
* Where p . t' = 0 both ways to assemble the linkage meet; on either side of it the sign of p . t' is the
  branch.
* Half the rod's squared length changes by p . (change of p): all derivatives come from there.

None of this asks in how many dimensions the vectors are; only what says so holds in the plane alone.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Arm:
    """An arm in one position, or in many.

    Parameters
    ----------
    radius_mm : ndarray, shape (...)
        Centre to pin.
    along : ndarray, shape (..., D)
        Unit vector from the centre to the pin; D is 2 in the plane, 3 in space.
    way : ndarray, shape (..., D)
        Unit vector along which the pin moves as the arm turns counter-clockwise.
    """

    radius_mm: Array
    along: Array
    way: Array

    @classmethod
    def in_plane(cls, radius_mm: ArrayLike, angle_rad: ArrayLike) -> Arm:
        """An arm that turns about the normal of the plane.

        Parameters
        ----------
        radius_mm, angle_rad : array_like, shapes that broadcast
            Radius (mm) and direction from centre to pin (rad), counter-clockwise positive.

        Returns
        -------
        Arm
            Of vectors of shape (..., 2) with (...) the angle's shape.

        Examples
        --------
        >>> Arm.in_plane(50.0, np.pi / 2).pin_mm.round(9).tolist()
        [0.0, 50.0]
        """
        angle = np.asarray(angle_rad, float)
        # -sin, cos, sin: of one piece of memory the first two are the way and the last two the direction
        turned = np.empty((3, *angle.shape))
        np.cos(angle, out=turned[1, ...])
        np.sin(angle, out=turned[2, ...])
        np.negative(turned[2, ...], out=turned[0, ...])
        vectors = _coordinates_last(turned)
        return cls(np.asarray(radius_mm, float), vectors[..., 1:], vectors[..., :2])

    @property
    def pin_mm(self) -> Array:
        """The pin from the arm's centre (mm), shape (..., D)."""
        return self.radius_mm[..., None] * self.along


@dataclass(frozen=True, slots=True)
class Pose:
    """A linkage with both arms in some position.

    Parameters
    ----------
    drive, driven : Arm
        Shapes (..., D) that broadcast.
    between_mm : ndarray, shape (..., D)
        From the drive centre to the driven centre (mm).
    rod_vector_mm : ndarray, shape (..., D)
        From the drive pin to the driven pin (mm); this and the rest follow from the others.
    rod_mm : ndarray, shape (...)
        Its length.
    along_drive_way_mm, along_driven_way_mm : ndarray, shape (...)
        Its parts along the ways of both pins.

    Examples
    --------
    >>> pose = Pose.in_plane(40.0, 80.0, 100.0, np.radians(40.0), np.radians(57.32))
    >>> print(f"{pose.rod_mm:.2f} mm, {np.degrees(pose.driven_in_line_rad()):.2f} deg, {pose.branch():.0f}")
    120.00 mm, 37.02 deg, -1
    """

    drive: Arm
    driven: Arm
    between_mm: Array
    rod_vector_mm: Array = field(init=False)
    rod_mm: Array = field(init=False)
    along_drive_way_mm: Array = field(init=False)
    along_driven_way_mm: Array = field(init=False)

    def __post_init__(self) -> None:
        # in this order, so that a drawn parallelogram's rod is as long as its spacing to the last digit
        rod = self.between_mm + self.driven.pin_mm - self.drive.pin_mm
        for name, value in (
            ("rod_vector_mm", rod),
            ("rod_mm", length(rod)),
            ("along_drive_way_mm", dot(rod, self.drive.way)),
            ("along_driven_way_mm", dot(rod, self.driven.way)),
        ):
            object.__setattr__(self, name, value)

    @classmethod
    def in_plane(
        cls,
        drive_radius_mm: ArrayLike,
        driven_radius_mm: ArrayLike,
        spacing_mm: ArrayLike,
        drive_rad: ArrayLike,
        driven_rad: ArrayLike,
    ) -> Pose:
        """A planar linkage by its sizes and the angles of both arms.

        Parameters
        ----------
        drive_radius_mm, driven_radius_mm, spacing_mm : array_like, shapes that broadcast
            Lengths (mm).
        drive_rad, driven_rad : array_like, shapes that broadcast
            Directions from shaft centre to rod pin (rad), from the line of centres, counter-clockwise
            positive.

        Returns
        -------
        Pose
            Its x axis is the line of centres.
        """
        spacing = np.asarray(spacing_mm, float)
        between = np.zeros((2, *spacing.shape))  # along the line of centres
        between[0] = spacing
        return cls(
            Arm.in_plane(drive_radius_mm, drive_rad),
            Arm.in_plane(driven_radius_mm, driven_rad),
            _coordinates_last(between),
        )

    # ---- branch ------------------------------------------------------------------------------------------

    def branch(self) -> Array:
        """+1 or -1 as in `FourBar.branch`, shape (...); of a planar linkage.

        The rod then has a part along the way of the driven pin (+1), or against it (-1).
        """
        return np.where(self.along_driven_way_mm < 0, -1.0, 1.0)

    # ---- angles to the in-line positions -----------------------------------------------------------------

    def drive_sine(self) -> Array:
        """Signed sine of the angle between the rod and the line of the drive arm, shape (...).

        0 at the driven arm's dead centres; its sign changes as the rod passes through that line.
        """
        return self.along_drive_way_mm / self.rod_mm

    def driven_sine(self) -> Array:
        """Signed sine of the angle between the rod and the line of the driven arm, shape (...).

        0 at toggle; else it has the sign of the branch.
        """
        return self.along_driven_way_mm / self.rod_mm

    def drive_in_line_rad(self) -> Array:
        """Angle between the rod and the line of the drive arm, 0 to pi/2 (rad), shape (...)."""
        return np.asarray(np.arcsin(np.minimum(np.abs(self.drive_sine()), 1.0)))

    def driven_in_line_rad(self) -> Array:
        """Angle between the rod and the line of the driven arm, 0 to pi/2 (rad), shape (...)."""
        return np.asarray(np.arcsin(np.minimum(np.abs(self.driven_sine()), 1.0)))

    def drive_angle_rad(self) -> Array:
        """Angle between rod and drive arm at their pin, 0 to pi (rad), shape (...); of a planar linkage."""
        return np.asarray(
            np.arctan2(np.abs(self.along_drive_way_mm), -dot(self.rod_vector_mm, self.drive.along))
        )

    def transmission_angle_rad(self) -> Array:
        """Angle between rod and driven arm at their pin, 0 to pi (rad), shape (...); of a planar linkage."""
        return np.asarray(
            np.arctan2(np.abs(self.along_driven_way_mm), dot(self.rod_vector_mm, self.driven.along))
        )

    def transmission_cotangent(self) -> Array:
        """Cotangent of the transmission angle, which grows without bound toward toggle, shape (...).

        Of a planar linkage. Signed: positive with the driven pin between rod and arm stretched out and the
        rod against the driven pin's way.

        Examples
        --------
        >>> pose = Pose.in_plane(1.0, 2**0.5, 1.0, np.pi / 2, np.radians(75))
        >>> print(f"{abs(1 / pose.transmission_cotangent()):.6f}")
        1.732051
        """
        return np.asarray(-dot(self.rod_vector_mm, self.driven.along) / self.along_driven_way_mm)

    # ---- rates -------------------------------------------------------------------------------------------

    def velocity_ratio(self) -> Array:
        """Driven shaft turned for one turned by its driver, shape (...); infinite at toggle."""
        drive = self.drive.radius_mm * self.along_drive_way_mm
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(drive / (self.driven.radius_mm * self.along_driven_way_mm))

    def half_square_by(self) -> list[Array]:
        """Derivatives of half the rod's squared length, five of shape (...), in mm^2.

        By log drive radius, log driven radius, log spacing, drive angle and driven angle (rad): the rod times
        what each of them changes it by.
        """
        rod, drive, driven = self.rod_vector_mm, self.drive, self.driven
        return [
            -drive.radius_mm * dot(rod, drive.along),
            driven.radius_mm * dot(rod, driven.along),
            dot(rod, self.between_mm),
            -drive.radius_mm * self.along_drive_way_mm,
            driven.radius_mm * self.along_driven_way_mm,
        ]

    def transmission_cotangent_by(self) -> Array:
        """Derivatives of `transmission_cotangent`, shape (..., 5), in the order of `half_square_by`.

        Of a planar linkage. The cotangent is -n / w with n, w the rod's parts along u' and t'. Where the
        rod changes by q, they change by q . u' and q . t'; where the driven arm turns, u' and t' turn with
        it, and n changes by w more, w by n less.

        Examples
        --------
        >>> before, after = (Pose.in_plane(60, 70, 200, 1.0, at) for at in (1.2, 1.2 + 1e-6))
        >>> step = after.transmission_cotangent() - before.transmission_cotangent()
        >>> bool(abs(step / 1e-6 - before.transmission_cotangent_by()[4]) < 1e-5)
        True
        """
        a, c, u, t = self.drive.radius_mm, self.driven.radius_mm, self.driven.along, self.driven.way
        n, w = dot(self.rod_vector_mm, u), self.along_driven_way_mm
        by_n = [-a * dot(self.drive.along, u), c, dot(self.between_mm, u), -a * dot(self.drive.way, u), w]
        by_w = [
            -a * dot(self.drive.along, t),
            np.zeros(()),
            dot(self.between_mm, t),
            -a * dot(self.drive.way, t),
            c - n,
        ]
        by = [(n * y - x * w) / w**2 for x, y in zip(by_n, by_w, strict=True)]
        return np.stack(np.broadcast_arrays(*by), axis=-1)


def _coordinates_last(coordinates: Array) -> Array:
    """Vectors of shape (..., D) of coordinates (D, ...): each coordinate keeps its own run of memory."""
    return coordinates.T if coordinates.ndim <= 2 else coordinates.transpose(*range(1, coordinates.ndim), 0)


def dot(one: Array, other: Array) -> Array:
    """Product of vectors.

    Parameters
    ----------
    one, other : ndarray, shapes (..., D) that broadcast

    Returns
    -------
    ndarray, shape (...)

    Examples
    --------
    >>> float(dot(np.array([3.0, 4.0]), np.array([1.0, 2.0])))
    11.0
    """
    # over two or three coordinates several times faster than numpy's own products
    total = one[..., 0] * other[..., 0]
    for k in range(1, one.shape[-1]):
        total += one[..., k] * other[..., k]
    return total


def length(vector: Array) -> Array:
    """Length of vectors.

    Parameters
    ----------
    vector : ndarray, shape (..., D)

    Returns
    -------
    ndarray, shape (...)
        In the unit of the vector.

    Examples
    --------
    >>> float(length(np.array([3.0, 4.0])))
    5.0
    """
    return np.asarray(np.sqrt(dot(vector, vector)))
