"""The closed loop against a physics engine (MuJoCo): rigid joints, and a worn one with radial clearance."""

from __future__ import annotations

from dataclasses import replace

import mujoco
import numpy as np
import pytest
from kin_film import DEG, wrapped
from numpy.testing import assert_allclose

from strokecurve.kinematics.faults.condition import lost_motion
from strokecurve.kinematics.identify.evidence import ANGLES, QUANTITIES, Evidence
from strokecurve.kinematics.identify.geometry import identify
from strokecurve.kinematics.linkage.fourbar import FourBar
from strokecurve.kinematics.motion.angles import LinkageMotion
from strokecurve.kinematics.motion.stroke import find_stroke

STEP_S = 0.0005
RECORD_EVERY = 33  # about 60 frames a second
SIGMA = 0.005 * DEG  # the simulation's own scatter


def model(linkage: FourBar, drive_start: float, clearance_mm: float, worn: str) -> str:
    """Arms and rod as bodies; the loop closed by a joint, or by a tether as long as a worn joint's clearance.

    The rod hangs on one arm by a hinge; the pin at the other arm, the one named, is worn.
    """
    a, b, c, d = (
        1e-3 * v
        for v in (linkage.drive_radius_mm, linkage.rod_mm, linkage.driven_radius_mm, linkage.spacing_mm)
    )
    driven, along = float(linkage.driven_angle(drive_start)), float(linkage.rod_angle(drive_start))
    if clearance_mm:
        close = (
            f'<tendon><spatial limited="true" range="0 {clearance_mm * 1e-3}" solreflimit="0.002 1" '
            'solimplimit="0.999 0.9999 0.0001"><site site="eye"/><site site="pin"/></spatial></tendon>'
        )
    else:
        close = (
            f'<equality><connect body1="rod" body2="{worn}" anchor="{b} 0 0" solref="0.002 1" '
            'solimp="0.9999 0.9999 0.0001"/></equality>'
        )
    friction = 0.3 if clearance_mm else 0.0  # keeps a worn linkage's driven shaft where it was left
    arms = {"drive": (0.0, drive_start, a), "driven": (d, driven, c)}
    direction = {"driven": along - drive_start, "drive": along + np.pi - driven}[worn]
    bodies = []
    for name, (place, angle, radius) in arms.items():
        rod = (
            f'''<body name="rod" pos="{radius} 0 0" euler="0 0 {direction}">
          <joint type="hinge" axis="0 0 1" damping="0.0005"/>
          <geom type="capsule" fromto="0 0 0 {b} 0 0" size="0.003" mass="0.1"/>
          <site name="eye" pos="{b} 0 0"/></body>'''
            if name != worn
            else f'<site name="pin" pos="{radius} 0 0"/>'
        )
        resists = 'damping="0.5"' if name == "drive" else f'damping="0.02" frictionloss="{friction}"'
        bodies.append(
            f'''<body name="{name}" pos="{place} 0 0" euler="0 0 {angle}">
          <joint name="{name}" type="hinge" axis="0 0 1" {resists}/>
          <geom type="capsule" fromto="0 0 0 {radius} 0 0" size="0.004" mass="0.2"/>{rod}</body>'''
        )
    return f"""
    <mujoco><compiler angle="radian"/>
    <option timestep="{STEP_S}" gravity="0 0 0" integrator="implicitfast"><flag contact="disable"/></option>
    <worldbody>{"".join(bodies)}</worldbody>{close}
    <actuator><position joint="drive" kp="2000" kv="20"/></actuator></mujoco>"""


def simulate(
    linkage: FourBar, drive_start: float, stroke: float, clearance_mm: float = 0.0, worn: str = "driven"
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Time, driver and driven angle over a soft full stroke with a rest at each end."""
    engine = mujoco.MjModel.from_xml_string(model(linkage, drive_start, clearance_mm, worn))
    state = mujoco.MjData(engine)
    joints = [engine.joint(name).qposadr[0] for name in ("drive", "driven")]
    rows = []
    # a first stroke that is not filmed brings the linkage to low fire by closing, as on a burner
    for k in range(int(-9.0 / STEP_S), int(9.5 / STEP_S)):
        time = k * STEP_S
        phase = np.interp(
            time % 9.0 if time < 0 else time, [0.5, 4.5, 5.0, 9.0], [0, np.pi, np.pi, 2 * np.pi]
        )
        state.ctrl[0] = stroke * (1 - np.cos(phase)) / 2
        mujoco.mj_step(engine, state)
        if k >= 0 and k % RECORD_EVERY == 0:
            rows.append((time, state.qpos[joints[0]], state.qpos[joints[1]]))
    time_s, driver, driven = np.array(rows).T
    return time_s, driver, driven


CASES = [
    (55, 68, 176, 39.7, 77.8, 90),  # slow start, fast finish
    (62, 66, 188, 130, 136.5, -90),  # clockwise
    (80, 60, 230, -60, -75, 60),  # below the line of centres
    (60, 70, 230, 70, -60, 60),  # crossed
]


@pytest.mark.parametrize("case", CASES)
def test_rigid_loop(case: tuple[float, ...]) -> None:
    a, c, d, drive, driven, stroke = case
    linkage = FourBar.from_start_angles(a, c, d, drive * DEG, driven * DEG)
    _, x, y = simulate(linkage, drive * DEG, stroke * DEG)
    assert abs(x).max() > abs(stroke) * DEG * 0.99
    ideal = linkage.driven_angle(drive * DEG + x) - linkage.driven_angle(drive * DEG)
    # the engine's joint gives a little under load: a few thousandths of a degree
    assert_allclose(y / DEG, ideal / DEG, rtol=0, atol=0.02)


def worn_gap(linkage: FourBar, drives: np.ndarray, clearance_mm: float) -> np.ndarray:
    """Pulled, the rod acts as if longer by the clearance, pushed as if shorter: gap of both curves."""
    longer = replace(linkage, rod_mm=linkage.rod_mm + clearance_mm).driven_angle(drives)
    return np.abs(longer - replace(linkage, rod_mm=linkage.rod_mm - clearance_mm).driven_angle(drives))


def tape(linkage: FourBar, drive_start: float) -> list[Evidence]:
    return [
        Evidence("drive_radius_mm", linkage.drive_radius_mm, 0.5, "tape"),
        Evidence("driven_radius_mm", linkage.driven_radius_mm, 0.5, "tape"),
        Evidence("drive_start_rad", drive_start, 1 * DEG, "tape"),
        Evidence("spacing_mm", linkage.spacing_mm, 0.5, "hinges"),
    ]


@pytest.mark.parametrize("worn", ["drive", "driven"])
@pytest.mark.parametrize("even", [True, False])
def test_clearance_of_either_pin_is_found_as_lost_motion(worn: str, even: bool) -> None:
    # in the first linkage one clearance makes nearly the same dead band over the stroke; in the second, close
    # to toggle, one that grows by two thirds
    linkage, start, stroke = (
        (FourBar(70, 200, 72, 205, -1), 60 * DEG, 55 * DEG)
        if even
        else (FourBar.from_start_angles(60, 68, 180, 60 * DEG, 75 * DEG), 60 * DEG, 80 * DEG)
    )
    time_s, x, y = simulate(linkage, start, stroke, 0.5, worn)
    motion, found_stroke = LinkageMotion.of(x, y, SIGMA, SIGMA), find_stroke(time_s, x, SIGMA)
    gap = worn_gap(linkage, start + np.linspace(0, stroke, 91), 0.5)
    assert gap.mean() > 0.5 * DEG
    assert (gap.max() < 1.25 * gap.min()) == even
    fit = identify(found_stroke, motion, tape(linkage, start))
    # the tether is soft by a few micrometres under the load of friction: 0.01 degrees
    assert abs(fit.slack.value - gap.mean()) < max(0.02 * DEG, 4 * fit.slack.sd)
    assert fit.pins_share > 0.99
    assert fit.widened == 1
    assert fit.linkage.branch == linkage.branch
    for name in QUANTITIES:
        found = fit.quantity(name)
        if name == "driven_start_rad":  # at low fire, where closing has left the arm: half the play ahead
            truth = float(linkage.driven_angle(start)) + gap[0] / 2
        else:
            truth = start if name == "drive_start_rad" else getattr(linkage, name)
        off = wrapped(found.value - truth) if name in ANGLES else found.value - truth
        assert abs(off) < 4 * found.sd, name
    # without any four-bar lost motion is a line over the stroke, which follows this gap to some hundredths
    assert abs(lost_motion(found_stroke, motion).value - gap.mean()) < 0.05 * DEG
