"""The work order: what to do at the linkage, in plain words and in the order in which it is done."""

from __future__ import annotations

import math
import textwrap
from dataclasses import dataclass

import numpy as np

from strokecurve.app.adjust.names import ARM_TURN, shown, toggle_warning, touched_words, unreached
from strokecurve.app.adjust.proposals import NEARER_RAD, Adjusted, ShaftBehind
from strokecurve.app.words.cautions import NOT_OURS_TO_SAY, SETTING_CAUTIONS
from strokecurve.app.words.estimates import format_estimate, format_exact
from strokecurve.kinematics.adjust.model import wanted_at
from strokecurve.kinematics.adjust.outcome import Margin, Outcome
from strokecurve.kinematics.adjust.setting import ADJUST_DEFAULTS, LinkageSetting

WIDTH = 92
_ROWS_DEG = 10.0
SAME_MM = 0.05
"""A rod that changes by less is not mentioned: nobody sets it closer."""


@dataclass(frozen=True, slots=True)
class OrderText:
    """What has to be read with the proposal chosen, as it goes on record.

    Attributes
    ----------
    warnings : tuple of str
        What speaks against it or calls for special care: comes before the steps.
    behind : tuple of str
        What it does to the shafts behind, as far as they follow and stay clear of toggle.
    steps : tuple of str
        Empty where it must not be carried out.
    notes : tuple of str
        What was assumed, and what to know about the figures.
    """

    warnings: tuple[str, ...]
    behind: tuple[str, ...]
    steps: tuple[str, ...]
    notes: tuple[str, ...]


def order_text(adjusted: Adjusted) -> OrderText:
    """Everything that has to be read with the proposal chosen."""
    subject, proposal = adjusted.subject, adjusted.proposal
    warnings = [behind_words(one) for one in adjusted.behind if one.stuck or one.near]
    warnings += [] if proposal is None else toggle_warning(proposal.outcome)
    warnings += unreached(adjusted.proposals, subject.adjustable)
    warnings += not_recommended(adjusted)
    if subject.unknown_behind:
        names = ", ".join(subject.unknown_behind)
        warnings.append(
            f"Not known, so not looked at: {names}. Nothing here says that these follow without jamming: "
            "measure them first, and stroke them with special care."
        )
    fine = tuple(behind_words(one) for one in adjusted.behind if not (one.stuck or one.near))
    steps = () if adjusted.refusal() else work_order_steps(adjusted)
    return OrderText(tuple(warnings), fine, steps, (*subject.assumed, *subject.notes))


def not_recommended(adjusted: Adjusted) -> list[str]:
    """That the shafts behind forbid what would be recommended without them."""
    proposals = adjusted.proposals.proposals
    because = (
        "with each of them a shaft behind jams, or comes nearer to toggle than it was and than is asked for."
    )
    if not proposals:
        return []
    if adjusted.recommended is None:
        return [f"No proposal is recommended: {because}"]
    reaching = [place for place, one in enumerate(proposals) if one.outcome.reached]
    if reaching and all(harm_behind(adjusted, place) for place in reaching):
        return [f"Those that meet the intended travel are not recommended: {because}"]
    return []


def harm_behind(adjusted: Adjusted, place: int) -> str:
    """In a few words what a proposal, by its place, does to shafts behind that it must not; else empty."""
    parts = []
    for shaft in adjusted.behind_each[place]:
        if shaft.stuck:
            parts.append(f"{shaft.linkage} {'jams' if shaft.after.jams else 'reaches toggle'}")
        elif shaft.harmed:
            was, left, least = _toggle_deg(shaft)
            parts.append(
                f"{shaft.linkage} comes within {left:.1f}° of toggle (before {was:.1f}°), below {least:g}°"
            )
    return "; ".join(parts)


def work_order_steps(adjusted: Adjusted) -> tuple[str, ...]:
    """What to do, step by step.

    Parameters
    ----------
    adjusted : Adjusted

    Returns
    -------
    tuple of str
        Empty where there is nothing to propose.
    """
    proposal, subject = adjusted.proposal, adjusted.subject
    if proposal is None:
        return ()
    found, after = subject.linkage.setting, proposal.outcome.setting
    driver, driven = subject.linkage.name.split(":")
    rod_from, rod_to = found.four_bar().rod_mm, proposal.outcome.rod_mm
    if not proposal.touched and abs(rod_to - rod_from) < SAME_MM:
        return (
            "Leave this linkage as it is: no adjustment that is allowed would make a difference that counts.",
        )
    low = math.degrees(subject.limits.low_fire_rad)
    steps = [
        "Burner off, locked out and tagged; fuel isolated.",
        "Drive the motor to its low-fire end by its hand switch only; keep hands, sleeves and tools clear. "
        "Then take the motor's power away too, lock it out and tag it: it can pinch.",
        f"Mark the present position: a line across each arm and its shaft, a line from {driven} to something "
        "fixed, the pin's place on each arm, the rod's threads. Take a photograph.",
        "Measure both radii and the rod, pin to pin, and compare: as found "
        f"{shown('_mm', found.drive_radius_mm)} (drive arm), {shown('_mm', found.driven_radius_mm)} "
        f"(driven arm), {shown('_mm', rod_from)} (rod). "
        "If one is off by more than 2 mm, stop: the proposal is for another linkage.",
        "Take the rod off both arms, so that nothing is forced.",
    ]
    steps += _moves(adjusted, found, after, driver, driven)
    held = (
        f"With {driver} at its low-fire end and {driven} on its low-fire mark"
        if low == 0
        else f"With {driver} at its low-fire end and {driven} {abs(low):.1f} degrees further toward "
        f"{'open' if low > 0 else 'shut'} than its low-fire mark (nothing may stop it there)"
    )
    steps += [
        f"Set the rod last. {held}, set its length so that it goes onto both pins without force: about "
        f"{shown('_mm', rod_to)} pin to pin ({_longer(rod_to - rod_from)}), measured in the plane of the "
        "arms. The mark counts, not the figure. Mind that enough thread stays engaged at both ends.",
        "Tighten everything: both arms, both pins, the rod's lock nuts. Draw new marks.",
        "Burner still off and locked out, fuel isolated; everybody and all tools clear: only now give the "
        "motor its power back. By the hand switch only, in short steps, stroke the linkage from low to high "
        f"fire and back, {driver} 0 to {format_exact(math.degrees(after.stroke_rad), 'deg')}. It must run "
        "freely, nothing may touch; stop at once where it binds.",
        _toggle_check(proposal.outcome, driver),
        "Compare with the travel to expect after the change at three positions or more; better film it "
        f"again and compare. {driven} must come back to where it was set at low fire.",
        _switches(adjusted, driver, driven),
    ]
    return tuple(steps)


def _switches(adjusted: Adjusted, driver: str, driven: str) -> str:
    """To recheck what the burner's control goes by (common practice): switches moved by these shafts."""
    proposal, changed = adjusted.proposal, []
    if proposal is not None and "stroke_rad" in proposal.touched:
        changed.append("the motor's stroke")
    if adjusted.subject.limits.low_fire_rad != 0:
        changed.append("the low-fire position")
    shafts = [driver, driven, *(shaft.linkage.split(":")[1] for shaft in adjusted.behind)]
    words = (
        "Recheck every switch and interlock that these shafts move, to the maker's instructions: low-fire "
        "start, purge position, end switches and proving switches, on "
        f"{', '.join(dict.fromkeys(shafts))}. Each must make and break where it has to."
    )
    if changed:
        words += f" This order changes {' and '.join(changed)}, so they no longer hold as they were set."
    return words


def _moves(
    adjusted: Adjusted, found: LinkageSetting, after: LinkageSetting, driver: str, driven: str
) -> list[str]:
    """The steps that move something, radii first."""
    proposal = adjusted.proposal
    if proposal is None:
        return []
    changes, steps = proposal.changes(found), []
    for name, shaft, arm in (
        ("drive_radius_mm", driver, "Drive arm"), ("driven_radius_mm", driven, "Driven arm"),
    ):  # fmt: skip
        if name in changes:
            was, will = changes[name]
            way = "out" if will > was else "in"
            steps.append(
                f"{arm} (on {shaft}): move the pin {way} from {shown(name, was)} to {shown(name, will)} "
                f"from the shaft's centre (by {shown(name, abs(will - was))})."
            )
    signs = {
        "drive_start_rad": (found.opening_sign, driver),
        "driven_start_rad": (adjusted.proposals.found.setting.driven_sign(), driven),
    }
    for name, (sign, shaft) in signs.items():
        if name in changes:
            was, will = changes[name]
            # where low fire is moved too, the driven arm turns so much with its shaft
            moved = sign * adjusted.subject.limits.low_fire_rad if name == "driven_start_rad" else 0.0
            turn = will - was - moved
            toward = "open" if sign * turn > 0 else "shut"
            seen = "counter-clockwise" if turn > 0 else "clockwise"
            steps.append(
                f"Re-clamp the {ARM_TURN[name]}: loosen it on {shaft}, hold {shaft} where it is at low fire, "
                f"turn the arm {shown(name, abs(turn))} on it toward {toward} ({seen} as "
                f"{_seen(adjusted)}), so that it points {_pointing(name, will)} from the line of centres, "
                f"taken from {driver}'s centre to {driven}'s, as {_seen(adjusted)}."
            )
    if "stroke_rad" in changes:
        was, will = changes["stroke_rad"]
        steps.append(
            f"Motor stroke: set the high-fire end switch from {shown('stroke_rad', was)} to "
            f"{shown('stroke_rad', will)}; the low-fire end stays. This changes everything else {driver} "
            "drives too, the fuel valve included."
        )
    return steps


def _seen(adjusted: Adjusted) -> str:
    return "measured" if adjusted.subject.source == "tape measures" else "the camera saw it"


def _pointing(name: str, angle_rad: float) -> str:
    """A direction from the line of centres, with the way it is turned from it."""
    turned = math.remainder(angle_rad, 2 * math.pi)
    way = "counter-clockwise" if turned >= 0 else "clockwise"
    return f"{shown(name, abs(turned))} {way}"


def _longer(change_mm: float) -> str:
    if abs(change_mm) < SAME_MM:
        return "as found"
    return f"{shown('_mm', abs(change_mm))} {'longer' if change_mm > 0 else 'shorter'} than found"


def _toggle_check(outcome: Outcome, driver: str) -> str:
    name, margin = min(
        (("drive arm", outcome.drive), ("driven arm", outcome.transmission)), key=lambda one: one[1].value_rad
    )
    at = format_exact(math.degrees(margin.at_driver_rad), "deg", 0)
    return (
        f"Check for toggle: rod and {name} come nearest to one line with {driver} at {at}; "
        f"{_margin(margin)} must remain between their lines there. A little beyond both ends nothing may "
        "snap over."
    )


def _margin(margin: Margin) -> str:
    return format_estimate(math.degrees(margin.value_rad), math.degrees(margin.sd_rad), "deg")


# ---- the whole text --------------------------------------------------------------------------------------


def work_order_lines(adjusted: Adjusted) -> list[str]:
    """The work order as text, cautions first and last."""
    subject, proposal, order = adjusted.subject, adjusted.proposal, order_text(adjusted)
    lines = [f"Work order for {subject.linkage.name}, from {subject.source}", ""]
    lines += _bullets(SETTING_CAUTIONS)
    if proposal is not None:
        lines += ["", *_wrapped(f"To touch: {touched_words(proposal.touched)}. {_fit(proposal.outcome)}")]
    for sentence in order.warnings:
        lines += _wrapped(sentence)
    if order.steps:
        lines += ["", "Steps"]
        for n, step in enumerate(order.steps, start=1):
            lines += textwrap.wrap(step, WIDTH, initial_indent=f"{n:2d}. ", subsequent_indent="    ")
        lines += ["", *_wrapped(NOT_OURS_TO_SAY)]
    if proposal is not None:
        lines += ["", "Travel to expect (degrees; ± is one standard deviation)", *_table(adjusted)]
        lines += ["", "Smallest angle between rod and arm line", *_margins(adjusted)]
    if order.behind:
        lines += ["", "What it does to the shafts behind", *_bullets(order.behind)]
    if order.notes:
        lines += ["", "What this rests on", *_bullets(order.notes)]
    lines += ["", *_wrapped(SETTING_CAUTIONS[-1])]
    return lines


def _fit(outcome: Outcome) -> str:
    rms = format_estimate(math.degrees(outcome.rms_rad), math.degrees(outcome.rms_sd_rad), "deg")
    most = format_estimate(math.degrees(abs(outcome.max_rad)), math.degrees(outcome.max_sd_rad), "deg")
    within = "within the tolerance everywhere" if outcome.reached else "beyond the tolerance"
    return f"Predicted deviation from intended: RMS {rms}, largest {most}: {within}."


def _table(adjusted: Adjusted) -> list[str]:
    found, proposal, subject = adjusted.proposals.found, adjusted.proposal, adjusted.subject
    if proposal is None:
        return []
    driver, driven = subject.linkage.name.split(":")
    stroke, after = subject.linkage.setting.stroke_rad, proposal.outcome.setting.stroke_rad
    rows = [f"{driver:>12} {'as found':>12} {'intended':>12} {'after':>18}    ({driven})"]
    whole = np.arange(0, math.degrees(stroke) + 1e-6, _ROWS_DEG)
    for at in np.unique(np.append(whole, math.degrees(stroke))):
        if at == whole[-1] and abs(math.degrees(stroke) - at) < 1 and at != math.degrees(stroke):
            continue
        share = math.radians(at) / stroke
        was = _at(found, share * stroke)[0]
        value, sd = _at(proposal.outcome, share * after)
        wanted = math.degrees(float(wanted_at(adjusted.intended, np.radians([at]), ADJUST_DEFAULTS)[0][0]))
        moved = f"{math.degrees(share * after):.1f}" if after != stroke else f"{at:.1f}"
        after_words = f"{value:.1f} (set)" if sd == 0 else format_estimate(value, sd, "deg")
        cells = (moved, _cell(was), _cell(wanted), after_words)
        rows.append(f"{cells[0]:>12} {cells[1]:>12} {cells[2]:>12} {cells[3]:>18}")
    return rows


def _at(outcome: Outcome, driver_rad: float) -> tuple[float, float]:
    curve = outcome.curve
    values = (np.interp(driver_rad, curve.driver_rad, one) for one in (curve.driven_rad, curve.sd_rad))
    value, sd = (math.degrees(float(one)) for one in values)
    return value, sd


def _cell(value: float) -> str:
    return "" if math.isnan(value) else f"{value:.1f}"


def _margins(adjusted: Adjusted) -> list[str]:
    rows = []
    states = [("as found", adjusted.proposals.found)]
    if adjusted.proposal is not None:
        states.append(("after", adjusted.proposal.outcome))
    for words, outcome in states:
        for arm, margin in (("drive arm", outcome.drive), ("driven arm", outcome.transmission)):
            worst = (
                "" if math.isnan(margin.worst_rad) else f", worst case {math.degrees(margin.worst_rad):.1f}°"
            )
            at = format_exact(math.degrees(margin.at_driver_rad), "deg", 0)
            rows.append(f"  {words:<9} {arm:<11} {_margin(margin)} at {at} of driver travel{worst}")
    return rows


def _toggle_deg(shaft: ShaftBehind) -> tuple[float, float, float]:
    """Smallest angle between rod and arm line of a shaft behind: before, after, and asked for."""
    angles = shaft.before.min_toggle_rad, shaft.after.min_toggle_rad, shaft.least_rad
    was, will, least = (math.degrees(one) for one in angles)
    return was, will, round(least, 6)  # as the set-up file has it


def behind_words(shaft: ShaftBehind) -> str:
    """One shaft behind, before and after."""
    name = shaft.linkage.split(":")[1]
    if shaft.after.jams:
        return f"{shaft.linkage} JAMS within the stroke after this change: do not carry it out."
    if shaft.stuck:
        return f"{shaft.linkage} REACHES TOGGLE within the stroke after this change: do not carry it out."
    was, will = (
        format_estimate(math.degrees(one.driven_rad[-1]), math.degrees(one.sd_rad[-1]), "deg")
        for one in (shaft.before, shaft.after)
    )
    was_deg, left_deg, least_deg = _toggle_deg(shaft)
    text = (
        f"{name} turns {will} over the stroke instead of {was}; in {shaft.linkage} rod and arm line stay "
        f"{left_deg:.1f}° or more apart (before {was_deg:.1f}°)."
    )
    if not shaft.near:
        return text
    if was_deg < least_deg:
        nearer = "this change does not bring it nearer"
        if left_deg < was_deg:
            less = f"this change brings it nearer by less than {math.degrees(NEARER_RAD):g}°"
            nearer = "it comes nearer still" if shaft.harmed else less
        text += f" It is already at {was_deg:.1f}° as found, below the {least_deg:g}° asked for; {nearer}:"
    else:
        text += f" That is below the {least_deg:g}° asked for:"
    return f"{text} {shaft.linkage} has to be adjusted, too."


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH)


def _bullets(sentences: tuple[str, ...]) -> list[str]:
    lines = []
    for sentence in sentences:
        lines += textwrap.wrap(sentence, WIDTH, initial_indent="- ", subsequent_indent="  ")
    return lines
