"""Words for what is adjusted: names, units, directions, limits."""

from __future__ import annotations

import math

from strokecurve.app.adjust.proposals import DANGER_RAD, worst_toggle_rad
from strokecurve.app.words.estimates import format_exact, with_unit
from strokecurve.app.words.names import QUANTITY_WORDS
from strokecurve.kinematics.adjust.outcome import Outcome
from strokecurve.kinematics.adjust.relaxed import EVERYTHING, RelaxedConstraint
from strokecurve.kinematics.adjust.search_all import SearchResult
from strokecurve.kinematics.adjust.setting import DECISION_VARIABLES, Adjustable

ARM_TURN = {"drive_start_rad": "drive arm", "driven_start_rad": "driven arm"}
TOUCH_WORDS = {
    "drive_radius_mm": "drive arm radius",
    "driven_radius_mm": "driven arm radius",
    "drive_start_rad": "drive arm clamping",
    "driven_start_rad": "driven arm clamping",
    "stroke_rad": "motor stroke",
}
"""What is touched, in a few words."""
BROKEN_WORDS = {
    "toggle": "rod and arm line come closer than allowed",
    "over_travel": "too near to toggle just beyond an end of the stroke",
    "stall": "the driven shaft stalls or turns back",
    "driven_stops": "the driven shaft runs into its stops",
    "rod_mm": "the rod's length is outside its range",
}
"""What is wrong where a limit is broken."""
_LIMIT_WORDS = {
    "rod_mm": "the range of the rod's length",
    "toggle": "the smallest angle allowed between rod and arm line",
    "over_travel": "the reserve for over-travel beyond the ends of the stroke",
    "driven_stops": "the stops of the driven shaft",
    "stall": "that the driven shaft may not stall or turn back",
    "low_fire": "that the low-fire position is kept",
}


def file_name(touch: str) -> str:
    """Name of a quantity in files: angles in degrees."""
    return f"{touch.removesuffix('_rad')}_deg" if touch.endswith("_rad") else touch


def in_file(touch: str, value: float) -> float:
    """Its value in files."""
    return math.degrees(value) if touch.endswith("_rad") else value


def shown(touch: str, value: float) -> str:
    """Its value for people, to a tenth: as exact as a hand can set it."""
    return with_unit(f"{in_file(touch, value):.1f}", "deg" if touch.endswith("_rad") else "mm")


def touched_words(touched: tuple[str, ...]) -> str:
    """What is touched, in words."""
    return ", ".join(TOUCH_WORDS[name] for name in touched) or "nothing but the rod's setting"


def unreached(answer: SearchResult, adjustable: Adjustable) -> list[str]:
    """Why the intended travel is not reached: which limit or range stands in the way."""
    if answer.reached:
        return []
    lines = []
    if not answer.proposals:
        lines.append("Nothing that may be changed keeps all limits.")
    else:
        lines.append("No proposal meets the intended travel within its tolerance; the nearest is shown.")
    helpful = [one for one in answer.relaxed if one.name != EVERYTHING]
    if not helpful:
        if answer.relaxed and answer.relaxed[0].outcome.reached:
            lines.append("No single limit stands in the way: several would have to be lifted together.")
        else:
            lines.append(
                "No limit stands in the way: no linkage between these two shafts gives this travel, whatever "
                "its arms and its rod."
            )
        return lines
    reaching = [one for one in helpful if one.outcome.reached]
    lines += [_without(one, adjustable) for one in reaching[:3] or helpful[:1]]
    if not reaching:
        lines.append("Even so the travel would not be met: no single limit alone forbids it.")
    return lines


def toggle_warning(outcome: Outcome) -> list[str]:
    """A word where what is not known of the linkage lets it come dangerously near to toggle."""
    worst = worst_toggle_rad(outcome)
    if not worst < DANGER_RAD:
        return []
    return [
        f"CAUTION: the geometry is known so loosely that rod and arm line may come within "
        f"{math.degrees(worst):.0f} degrees of each other after this change. Measure radii, spacing and "
        "start angles more closely, or film the linkage with a rod marker, before it is carried out."
    ]


def _without(one: RelaxedConstraint, adjustable: Adjustable) -> str:
    outcome = one.outcome
    way = "What stands in the way" if outcome.reached else "What costs most"
    if one.name not in DECISION_VARIABLES:
        what = f"{way} is {_LIMIT_WORDS[one.name]}"
    elif getattr(adjustable, one.name) is None:
        what = f"{way} is that the {_value_words(one.name)} may not be changed"
    else:
        what = f"{way} is the allowed range of the {_value_words(one.name)}"
    how = f"{math.degrees(outcome.rms_rad):.2f} degrees RMS, {abs(math.degrees(outcome.max_rad)):.1f} at most"
    at = ""
    if one.name in DECISION_VARIABLES:
        at = f" with {shown(one.name, float(getattr(outcome.setting, one.name)))}"
    elif one.name == "rod_mm":
        at = f" with a rod of {format_exact(outcome.rod_mm, 'mm')}"
    elif one.name == "low_fire":
        at = f" with low fire at {format_exact(math.degrees(float(outcome.curve.driven_rad[0])), 'deg')}"
    elif one.name in ("toggle", "over_travel"):
        least = math.degrees(min(outcome.drive.value_rad, outcome.transmission.value_rad))
        at = f", with rod and arm line only {least:.1f} degrees apart"
    then = " --move-low-fire lets the rod do that." if one.name == "low_fire" else ""
    return f"{what}: without it the travel would be off by {how}{at}.{then}"


def _value_words(name: str) -> str:
    return QUANTITY_WORDS.get(file_name(name), TOUCH_WORDS[name])
