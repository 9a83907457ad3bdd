"""Proposals as a short table on the terminal."""

from __future__ import annotations

import math
import textwrap

from strokecurve.app.adjust.names import BROKEN_WORDS, TOUCH_WORDS, shown
from strokecurve.app.adjust.proposals import Adjusted
from strokecurve.app.adjust.work_order import SAME_MM, WIDTH, harm_behind, order_text
from strokecurve.app.words.cautions import SETTING_CAUTIONS
from strokecurve.app.words.estimates import format_estimate
from strokecurve.kinematics.adjust.search_all import Proposal
from strokecurve.kinematics.adjust.setting import LinkageSetting


def adjust_summary(adjusted: Adjusted) -> str:
    """Proposals by number of things touched, what stands in the way, what was assumed, cautions."""
    subject, answer = adjusted.subject, adjusted.proposals
    found = answer.found
    as_found = f"As found: {_rms(found.rms_rad, found.rms_sd_rad)} from intended"
    as_found += "".join(f"; {BROKEN_WORDS[name]}" for name in found.broken)
    lines = [f"{subject.linkage.name}, from {subject.source}", *textwrap.wrap(f"{as_found}.", WIDTH), ""]
    for n, proposal in enumerate(answer.proposals, start=1):
        lines += _proposal(n, proposal, subject.linkage.setting, n - 1 == adjusted.chosen)
        harm = harm_behind(adjusted, n - 1)
        if harm:
            words = f"DO NOT CARRY OUT as it is: {harm}"
            lines += textwrap.wrap(words, WIDTH, initial_indent="     ", subsequent_indent="     ")
    order = order_text(adjusted)
    for sentence in (*order.warnings, *order.behind):
        lines += textwrap.wrap(sentence, WIDTH)
    lines.append("")
    for sentence in (*order.notes, *SETTING_CAUTIONS):
        lines += textwrap.wrap(sentence, WIDTH, initial_indent="- ", subsequent_indent="  ")
    return "\n".join(lines)


def _proposal(n: int, proposal: Proposal, found: LinkageSetting, chosen: bool) -> list[str]:
    outcome = proposal.outcome
    changes = [
        f"{TOUCH_WORDS[name]} {shown(name, was)} -> {shown(name, will)}"
        for name, (was, will) in proposal.changes(found).items()
    ]
    rod = found.four_bar().rod_mm
    if abs(outcome.rod_mm - rod) >= SAME_MM:
        changes.append(f"rod {shown('_mm', rod)} -> {shown('_mm', outcome.rod_mm)}")
    words = "; ".join(changes) or "left as found"
    head = f"{n:2d}{'*' if chosen else ' '} {len(proposal.touched)} touched: {words}"
    least = math.degrees(min(outcome.drive.value_rad, outcome.transmission.value_rad))
    most = f"at most {abs(math.degrees(outcome.max_rad)):.1f} degrees"
    beyond = "" if outcome.reached else " (beyond the tolerance)"
    fit = (
        f"{_rms(outcome.rms_rad, outcome.rms_sd_rad)}, {most}{beyond}; "
        f"rod and arm line {least:.1f} degrees or more apart"
    )
    if proposal.aim == "largest":
        fit += "; smallest largest deviation"
    if not proposal.told:
        fit += "; what is known of the geometry cannot tell it from fewer touches"
    wrapped = textwrap.wrap(head, WIDTH, subsequent_indent="     ")
    return wrapped + textwrap.wrap(fit, WIDTH, initial_indent="     ", subsequent_indent="     ")


def _rms(rms_rad: float, sd_rad: float) -> str:
    return f"RMS {format_estimate(math.degrees(rms_rad), math.degrees(sd_rad), 'deg')}"
