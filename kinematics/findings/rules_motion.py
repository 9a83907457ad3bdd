"""Rules about how the driven shaft follows its driver: lost motion, slip, jumps, repeats, standstill."""

from __future__ import annotations

import math

from strokecurve.kinematics.faults.condition import standstills
from strokecurve.kinematics.faults.slip import Slip
from strokecurve.kinematics.findings.statements import LOCKED, Condition, Finding, figure, in_degrees


def lost_motion_rule(c: Condition) -> list[Finding]:
    """Lost motion beyond its limits."""
    value, sd = c.slack.value, c.slack.sd
    if not math.isfinite(value) or value < c.settings.slack_caution_rad:
        return []
    danger = value >= c.settings.slack_danger_rad
    limit = c.settings.slack_danger_rad if danger else c.settings.slack_caution_rad
    return [
        in_degrees(
            "lost_motion",
            "danger" if danger else "caution",
            c.where,
            (value, sd, limit),
            f"The driven shaft loses {figure(value, sd)} whenever the driver turns round.",
            f"{LOCKED}look for worn rod ends, loose pins and loose clamp screws, and film again.",
        )
    ]


def worn_joint_rule(c: Condition) -> list[Finding]:
    """At which pin the lost motion sits, where the film decides it."""
    if c.joints is None:
        return []
    s = c.settings
    worn = [j.lost_rad >= max(s.worn_pin_rad, s.worn_pin_sigmas * j.lost_sd_rad) for j in c.joints]
    names = ("drive pin", "driven pin")
    both = "; ".join(
        f"{name}: {j.play_mm:.2f} mm along the rod (standard deviation {j.sd_mm:.2f}), "
        f"at the driven shaft {figure(j.lost_rad, j.lost_sd_rad)}"
        for name, j in zip(names, c.joints, strict=True)
    )
    both = both[0].upper() + both[1:]  # a sentence of its own
    if any(worn):
        severity = "caution" if c.slack.value >= s.slack_caution_rad else "note"
        return [
            in_degrees(
                "worn_joint",
                severity,
                f"{c.where} {name}",
                (j.lost_rad, j.lost_sd_rad, s.worn_pin_rad),
                f"The joint at the {name} has play. {both}.",
                f"{LOCKED}check the rod end and the bolt at the {name} first.",
            )
            for name, j, bad in zip(names, c.joints, worn, strict=True)
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
            c.where,
            (left, left_sd, s.worn_pin_rad),
            f"Neither pin shows play that accounts for the lost motion. {both}."
            if elsewhere
            else f"The film does not decide at which pin the lost motion sits. {both}.",
            f"{LOCKED}check the clamp screws and keys of both arms, and both rod ends."
            if elsewhere
            else f"{LOCKED}move each rod end by hand, or film closer and with a larger rod marker.",
        )
    ]


def slip_rule(c: Condition) -> list[Finding]:
    """Arms that slipped on their shafts."""
    return [_slip(c, s, t) for s, t in zip(c.slips, c.slip_times_s, strict=True)]


def _slip(c: Condition, slip: Slip, time_s: float) -> Finding:
    drive = slip.arm == "drive"
    value, sd = (slip.drive_rad, slip.drive_sd_rad) if drive else (slip.driven_rad, slip.driven_sd_rad)
    size = figure(abs(value), sd)
    if drive:
        what = f"The drive arm slipped by {size}, {'toward' if value > 0 else 'away from'} high fire"
    elif slip.arm == "driven":
        what = f"The driven arm slipped by {size}, {'toward open' if value > 0 else 'toward closed'}"
    else:
        what = (
            f"An arm slipped: the driven shaft stands {size} further "
            f"{'open' if value > 0 else 'closed'} since; "
            "whether it was the drive arm or the driven arm this film does not tell"
        )
    moment = f" at {time_s:.1f} s" if math.isfinite(time_s) else ""
    arm = f"the {slip.arm} arm's clamp screw and key" if slip.arm else "clamp screws and keys of both arms"
    return in_degrees(
        "slip",
        "danger",
        f"{c.where} {slip.arm} arm" if slip.arm else c.where,
        (value, sd, c.settings.slip_rad),
        f"{what}{moment}, {math.degrees(slip.at_driver_rad):.0f} degrees of driver travel. "
        "Radii, start angles and toggle margins are those before it and no longer hold.",
        f"{LOCKED}check {arm} and that no marker moved on its arm, set low fire anew, and film again.",
    )


def jump_rule(c: Condition) -> list[Finding]:
    """Stick-slip, or single jumps."""
    if not c.jumps:
        return []
    sticking = [j for j in c.jumps if j.jump.stuck and j.jump.size_rad > 0]
    if len(sticking) >= c.settings.stick_slip_count:
        sizes = [j.jump.size_rad for j in sticking]
        mean = sum(sizes) / len(sizes)
        sd = math.sqrt(sum(j.jump.sd_rad**2 for j in sticking)) / len(sizes)
        return [
            in_degrees(
                "stick_slip",
                "caution",
                c.where,
                (mean, sd, c.settings.jump_rad),
                f"The driven shaft sticks and jumps: {len(sizes)} times it stood while the driver turned, "
                f"then jumped, by {figure(mean, sd)} on average and at most {math.degrees(max(sizes)):.1f}.",
                f"{LOCKED}look for a dry or binding bearing, a tight rod end or a damper that rubs.",
            )
        ]
    largest = max(c.jumps, key=lambda j: abs(j.jump.size_rad))
    size, sd = largest.jump.size_rad, largest.jump.sd_rad
    moment = f" at {largest.time_s:.1f} s" if math.isfinite(largest.time_s) else ""
    times = "" if len(c.jumps) == 1 else f" It jumped {len(c.jumps)} times."
    return [
        in_degrees(
            "driven_jumps",
            "caution",
            c.where,
            (size, sd, c.settings.jump_rad),
            f"The driven shaft jumped by {figure(abs(size), sd)}{moment}, "
            f"{math.degrees(largest.at_driver_rad):.0f} degrees of driver travel, and no linkage moves "
            f"like that.{times}",
            f"{LOCKED}look for something that catches or binds there, and for a loose joint that snaps over.",
        )
    ]


def repeat_rule(c: Condition) -> list[Finding]:
    """Passes that differ from cycle to cycle."""
    r, s = c.repeat, c.settings
    if r is None or r.value_rad < max(s.repeat_rad, s.repeat_sigmas * r.sd_rad):
        return []
    return [
        in_degrees(
            "poor_repeatability",
            "caution",
            f"{c.where} {r.direction}",
            (r.value_rad, r.sd_rad, s.repeat_rad),
            f"The {r.passes} {r.direction} passes differ by up to {figure(r.value_rad, r.sd_rad)} at the "
            f"driven shaft, at {math.degrees(r.at_driver_rad):.0f} degrees of driver travel.",
            f"{LOCKED}look for loose clamps and worn joints; no ratio can be set on what does not repeat.",
        )
    ]


def standstill_rule(c: Condition) -> list[Finding]:
    """Driven shaft that stands still or turns back within a pass."""
    found = []
    for s in standstills(c.curves, c.slack, c.settings):
        back = s.turned_rad < -max(4 * s.sd, c.settings.stall_driver_rad * c.settings.stall_ratio)
        a, b = math.degrees(s.from_driver_rad), math.degrees(s.to_driver_rad)
        limit = c.settings.stall_ratio * (s.to_driver_rad - s.from_driver_rad)
        found.append(
            in_degrees(
                "driven_reverses" if back else "driven_stalls",
                "danger" if back else "caution",
                f"{c.where} {s.direction}",
                (s.turned_rad, s.sd, limit),
                f"The driven shaft {'turns back' if back else 'stands still'} while the driver turns "
                f"from {a:.0f} to {b:.0f} degrees ({s.direction}).",
                f"{LOCKED}look for a dead centre (rod and drive arm in line), a stop or a slipping arm.",
            )
        )
    return found
