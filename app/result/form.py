"""The form of ``result.json`` as whatever shows it relies on: what may be missing, and what is a number."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from strokecurve.app.words.numeric import finite


@dataclass(frozen=True, slots=True)
class Form:
    """A mapping with known keys.

    Attributes
    ----------
    keys : mapping of str to form
        Forms of the values; other keys are not looked at.
    needed : frozenset of str
        Keys that must be there and not null.
    """

    keys: Mapping[str, Any]
    needed: frozenset[str] = frozenset()


NUMBER, SPREAD, TEXT, FLAG = "no number", "no number from 0 on", "no text", "neither true nor false"
"""Single values, by what is said where they are something else; each may be missing or null."""
FIGURE = Form({"value": NUMBER, "sd": SPREAD, "at_driver_deg": NUMBER, "arm": TEXT, "pass": TEXT})
_QUANTITY = Form({"value": NUMBER, "sd": SPREAD, "determined": FLAG, "evidence": [TEXT], "settle": TEXT})
_PIN = Form({"play_mm": FIGURE, "lost_deg": FIGURE})
_PINS = ("drive_pin", "driven_pin")
_SLIP = Form(
    {"arm": TEXT, "time_s": NUMBER, "at_driver_deg": NUMBER, "driven_deg": FIGURE, "drive_deg": FIGURE}
    | {"markers": [NUMBER]}
)
_STROKE_NUMBERS = ("driver_travel_deg", "opening_passes", "closing_passes")
_STROKE = Form(dict.fromkeys(_STROKE_NUMBERS, NUMBER) | {"driver_travel_sd_deg": SPREAD, "opening": TEXT})
_FIT = Form(
    {"rms_deg": NUMBER, "chi_square": NUMBER, "degrees_of_freedom": NUMBER, "notes": [TEXT]}
    | {"correlation": Form({"of": [TEXT], "matrix": [[NUMBER]]})}
)
_FIGURES = (
    "slack_deg",
    "hysteresis_max_deg",
    "min_drive_angle_deg",
    "min_transmission_angle_deg",
    "repeatability_deg",
)
_QUANTITIES = (
    "drive_radius_mm",
    "driven_radius_mm",
    "rod_mm",
    "spacing_mm",
    "drive_start_deg",
    "driven_start_deg",
)
_LINKAGE = Form(
    dict.fromkeys(_FIGURES, FIGURE)
    | {"driver": TEXT, "driven": TEXT, "branch": NUMBER, "notes": [TEXT], "slips": [_SLIP]}
    | {"geometry": Form(dict.fromkeys((*_QUANTITIES, "axis_angle_deg"), _QUANTITY))}
    | {"travel_to_toggle_deg": Form({"low_fire": FIGURE, "high_fire": FIGURE})}
    | {"joint_play": Form(dict.fromkeys(_PINS, _PIN), frozenset(_PINS)), "stroke": _STROKE, "fit": _FIT}
)
_TRAIN_FIGURES = ("driver_travel_deg", "driven_travel_deg", "slack_deg")
_TRAIN = Form(
    {"shafts": [TEXT]} | dict.fromkeys(_TRAIN_FIGURES, FIGURE), frozenset(("shafts", *_TRAIN_FIGURES))
)
_SHAFT = Form(
    {"name": TEXT, "opening": TEXT, "centre_mm": [NUMBER], "centre_sd_mm": [SPREAD], "travel_sd_deg": SPREAD}
    | dict.fromkeys(("travel_deg", "axis_tilt_deg", "frames_measured"), NUMBER)
)
_FINDING = Form(
    dict.fromkeys(("code", "severity", "kind", "where", "unit", "text", "advice"), TEXT)
    | {"value": NUMBER, "sd": SPREAD, "limit": NUMBER, "time_s": NUMBER, "driver_deg": NUMBER}
    | {"subject": Form({"linkage": TEXT, "shaft": TEXT, "part": TEXT, "markers": [NUMBER]})}
)
_CLIP_NUMBERS = ("frames", "duration_s", "mean_rate_hz", "quarter_turns", "bit_depth", "damaged_packets")
_CLIP = Form(
    dict.fromkeys(("file", "sha256", "codec"), TEXT)
    | dict.fromkeys(_CLIP_NUMBERS, NUMBER)
    | {"size_px": [NUMBER], "camera": Form({"steady": FLAG, "focal_px": FIGURE})}
)
RECORD = Form(
    {"clip": _CLIP, "shafts": [_SHAFT], "linkages": [_LINKAGE], "trains": [_TRAIN], "findings": [_FINDING]}
    | {"versions": Form({})}
)


def check_form(value: Any, form: Any = RECORD, place: str = "") -> None:
    """Refuse what is of another kind than what shows it relies on.

    Parameters
    ----------
    value : JSON value
    form : Form, list of one form, or one of NUMBER, SPREAD, TEXT, FLAG
    place : str
        Where in the record it stands, for the message.

    Raises
    ------
    ValueError
        With the place and what is wrong there.
    """
    if value is None:
        return
    if isinstance(form, Form):
        if not isinstance(value, dict):
            raise ValueError(f"{place or 'it'} is no record")
        for name in form.needed:
            if value.get(name) is None:
                raise ValueError(f"{place} has no {name}")
        for name, of_value in form.keys.items():
            check_form(value.get(name), of_value, f"{place}.{name}" if place else name)
    elif isinstance(form, list):
        if not isinstance(value, list):
            raise ValueError(f"{place} is no list")
        for number, one in enumerate(value):
            if one is None and form[0] not in (NUMBER, SPREAD):
                raise ValueError(f"{place} has an empty place")
            check_form(one, form[0], f"{place}[{number}]")
    else:
        known = finite(value)
        kinds = {
            NUMBER: known is not None,
            SPREAD: known is not None and known >= 0,
            TEXT: isinstance(value, str),
            FLAG: isinstance(value, bool),
        }
        if not kinds[form]:
            raise ValueError(f"{place} is {form}")
