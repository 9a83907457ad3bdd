"""Rules about how the driven shaft follows its driver: lost motion, slip, jumps, repeats, standstill."""

from __future__ import annotations

import math
from collections.abc import Sequence

from strokecurve.kinematics.faults.condition import curve_hysteresis, standstills
from strokecurve.kinematics.faults.slip import Slip
from strokecurve.kinematics.findings.facts import Jumps, Passes, PinsPlay, StandsUntil, Sticking
from strokecurve.kinematics.findings.statements import Condition, Finding, SeenJump, Subject, in_degrees


def lost_motion_rule(c: Condition) -> list[Finding]:
    """Lost motion beyond its limits; it shows best where the two passes lie furthest apart."""
    value, sd = c.slack.value, c.slack.sd
    if not math.isfinite(value) or value < c.settings.slack_caution_rad:
        return []
    danger = value >= c.settings.slack_danger_rad
    limit = c.settings.slack_danger_rad if danger else c.settings.slack_caution_rad
    return [
        in_degrees(
            "lost_motion",
            "danger" if danger else "caution",
            Subject(c.where),
            (value, sd, limit),
            at_driver_rad=curve_hysteresis(c.curves).at_driver_rad,
        )
    ]


def worn_joint_rule(c: Condition) -> list[Finding]:
    """At which pin the lost motion sits, where the film decides it."""
    if c.joints is None:
        return []
    s = c.settings
    worn = [j.lost_rad >= max(s.worn_pin_rad, s.worn_pin_sigmas * j.lost_sd_rad) for j in c.joints]
    if any(worn):
        return [
            in_degrees(
                "worn_joint",
                "caution" if c.slack.value >= s.slack_caution_rad else "note",
                Subject(c.where, part=pin),
                (j.lost_rad, j.lost_sd_rad, s.worn_pin_rad),
                facts=PinsPlay(*c.joints),
            )
            for pin, j, bad in zip(("drive pin", "driven pin"), c.joints, worn, strict=True)
            if bad
        ]
    if not math.isfinite(c.slack.value) or c.slack.value < s.slack_caution_rad:
        return []
    left = c.slack.value - sum(j.lost_rad for j in c.joints)
    left_sd = math.hypot(c.slack.sd, *(j.lost_sd_rad for j in c.joints))
    elsewhere = left > max(s.worn_pin_rad, s.worn_pin_sigmas * left_sd)
    return [
        in_degrees(
            "joint_undecided",
            "note",
            Subject(c.where),
            (left, left_sd, s.worn_pin_rad),
            facts=PinsPlay(*c.joints, elsewhere),
        )
    ]


def slip_rule(c: Condition) -> list[Finding]:
    """Arms that slipped on their shafts."""
    return [_slip(c, s, t) for s, t in zip(c.slips, c.slip_times_s, strict=True)]


def _slip(c: Condition, slip: Slip, time_s: float) -> Finding:
    drive = slip.arm == "drive"
    value, sd = (slip.drive_rad, slip.drive_sd_rad) if drive else (slip.driven_rad, slip.driven_sd_rad)
    return in_degrees(
        "slip",
        "danger",
        Subject(c.where, part=f"{slip.arm} arm" if slip.arm else ""),
        (value, sd, c.settings.slip_rad),
        time_s=time_s,
        at_driver_rad=slip.at_driver_rad,
    )


def jump_rule(c: Condition) -> list[Finding]:
    """Stick-slip, or single jumps; the largest is the one to look at."""
    if not c.jumps:
        return []
    sticking = [j for j in c.jumps if j.jump.stuck and j.jump.size_rad > 0]
    if len(sticking) >= c.settings.stick_slip_count:
        sizes = [j.jump.size_rad for j in sticking]
        mean = sum(sizes) / len(sizes)
        sd = math.sqrt(sum(j.jump.sd_rad**2 for j in sticking)) / len(sizes)
        facts = Sticking(len(sizes), math.degrees(max(sizes)))
        return [_jump(c, "stick_slip", (mean, sd), _largest(sticking), facts)]
    largest = _largest(c.jumps)
    figures = largest.jump.size_rad, largest.jump.sd_rad
    return [_jump(c, "driven_jumps", figures, largest, Jumps(len(c.jumps)))]


def _jump(c: Condition, code: str, figures: tuple[float, float], seen: SeenJump, facts: object) -> Finding:
    return in_degrees(
        code,
        "caution",
        Subject(c.where),
        (*figures, c.settings.jump_rad),
        time_s=seen.time_s,
        at_driver_rad=seen.at_driver_rad,
        facts=facts,
    )


def _largest(jumps: Sequence[SeenJump]) -> SeenJump:
    return max(jumps, key=lambda j: abs(j.jump.size_rad))


def repeat_rule(c: Condition) -> list[Finding]:
    """Passes that differ from cycle to cycle."""
    r, s = c.repeat, c.settings
    if r is None or r.value_rad < max(s.repeat_rad, s.repeat_sigmas * r.sd_rad):
        return []
    return [
        in_degrees(
            "poor_repeatability",
            "caution",
            Subject(c.where, part=r.direction),
            (r.value_rad, r.sd_rad, s.repeat_rad),
            at_driver_rad=r.at_driver_rad,
            facts=Passes(r.passes),
        )
    ]


def standstill_rule(c: Condition) -> list[Finding]:
    """Driven shaft that stands still or turns back within a pass."""
    found = []
    for s in standstills(c.curves, c.slack, c.settings):
        back = s.turned_rad < -max(4 * s.sd, c.settings.stall_driver_rad * c.settings.stall_ratio)
        limit = c.settings.stall_ratio * (s.to_driver_rad - s.from_driver_rad)
        found.append(
            in_degrees(
                "driven_reverses" if back else "driven_stalls",
                "danger" if back else "caution",
                Subject(c.where, part=s.direction),
                (s.turned_rad, s.sd, limit),
                at_driver_rad=s.from_driver_rad,
                facts=StandsUntil(math.degrees(s.to_driver_rad)),
            )
        )
    return found
