"""Facts every burner technician knows about control linkages. Common practice, no source."""

from __future__ import annotations

import numpy as np
from kin_film import DEG, wrapped
from numpy.testing import assert_allclose

from strokecurve.kinematics.linkage.fourbar import FourBar

STROKE = np.arange(0, 91, 10) * DEG


def travel(linkage: FourBar, drive_start_deg: float, driver_deg: object) -> np.ndarray:
    start = drive_start_deg * DEG
    return (linkage.driven_angle(start + np.asarray(driver_deg) * DEG) - linkage.driven_angle(start)) / DEG


def test_equal_radii_and_parallel_arms_give_equal_travel() -> None:
    # common practice
    linkage = FourBar(75, 240, 75, 240, -1)
    steps = np.diff(linkage.driven_angle(45 * DEG + STROKE)) / DEG
    assert_allclose(steps, 10, rtol=0, atol=1e-9)


def test_a_shortened_drive_arm_slows_the_driven_shaft() -> None:
    # common practice: about 15, 25, 40 degrees at 20, 40, 80 can be reached, coming to rest near the end
    linkage = FourBar.from_start_angles(30, 90, 250, 77.5 * DEG, 22.4 * DEG)
    assert_allclose(travel(linkage, 77.5, [20, 40, 80]), [15, 25, 40], rtol=0, atol=1)
    ratio = linkage.velocity_ratio(77.5 * DEG + STROKE)
    assert ratio[-1] < 0.25 * ratio[0]
    longer = FourBar.from_start_angles(90, 90, 250, 77.5 * DEG, 77.5 * DEG)
    assert travel(linkage, 77.5, 90.0) < 0.5 * travel(longer, 77.5, 90.0)


def test_a_shortened_driven_arm_speeds_it_up() -> None:
    # common practice: about 70 degrees at 50
    linkage = FourBar.from_start_angles(90, 65, 250, 50 * DEG, 50 * DEG)
    assert_allclose(travel(linkage, 50, 50.0), 70, rtol=0, atol=2)
    equal = FourBar.from_start_angles(90, 90, 250, 50 * DEG, 50 * DEG)
    assert travel(linkage, 50, 50.0) > 1.3 * travel(equal, 50, 50.0)


def test_drive_arm_nearly_in_line_with_the_rod_starts_slowly() -> None:
    # common practice: slow start, fast finish
    linkage = FourBar.from_start_angles(60, 75, 220, 12 * DEG, 70 * DEG)
    start = linkage.drive_angle(12 * DEG) / DEG
    assert min(start, 180 - start) < 20
    ratio = linkage.velocity_ratio(12 * DEG + STROKE)
    assert ratio[0] < 0.4
    assert ratio[-1] > 2 * ratio[0]


def test_the_reverse_layout_starts_fast_and_finishes_slowly() -> None:
    # common practice: the same linkage driven the other way from the other end
    linkage = FourBar.from_start_angles(60, 75, 220, 12 * DEG, 70 * DEG)
    ratio = linkage.velocity_ratio(102 * DEG - STROKE)
    assert ratio[-1] < 0.4
    assert ratio[0] > 2 * ratio[-1]


def test_rod_in_line_with_the_driven_arm_loses_control() -> None:
    # common practice: the rod must never come into line with the driven arm
    linkage = FourBar(80, 200, 60, 230, -1)
    end = max(linkage.toggle_positions().driven_in_line_rad)
    near = end - np.array([8.0, 2.0, 0.5, 0.125]) * DEG
    speed = np.abs(linkage.velocity_ratio(near))
    assert np.all(np.diff(speed) > 0)
    assert speed[-1] > 5
    assert not linkage.closes(end + 0.1 * DEG)
    # there both ways of going on meet: the linkage may flip
    other = FourBar(80, 200, 60, 230, 1)
    assert abs(wrapped(linkage.driven_angle(end - 1e-9) - other.driven_angle(end - 1e-9))) < 1e-3
