"""Condition and geometry of one linkage: lost motion, worn joints, slips, margins, sizes, start angles."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import streamlit as st
from strokecurve.app.page import keys, markup, scrubber
from strokecurve.app.page.opened import Opened
from strokecurve.app.page.scrubber import SD_NOTE
from strokecurve.app.result.moments import linkage_of
from strokecurve.app.result.tables import geometry_table
from strokecurve.app.store.jobs import Film
from strokecurve.app.words.estimates import NOT_AVAILABLE, format_estimate, format_exact

Entry = Mapping[str, Any]
PINS = (("drive_pin", "Drive pin"), ("driven_pin", "Driven pin"))


def estimate_of(entry: Entry | None, unit: str) -> str:
    """A {value, sd} entry in words."""
    return NOT_AVAILABLE if entry is None else format_estimate(entry.get("value"), entry.get("sd"), unit)


def position_of(entry: Entry | None) -> str:
    """The driver travel of an entry in words; empty if there is none."""
    at = None if entry is None else entry.get("at_driver_deg")
    return "" if at is None else format_exact(at, "deg", 0)


def show(film: Film, opened: Opened, name: str) -> None:
    """Show lost motion, how the travel repeats, margins, worn joints and slips."""
    linkage = opened.linkages[name]
    st.header("Condition", anchor=False)
    rows = [("lost motion (slack)", estimate_of(linkage.get("slack_deg"), "deg"), "")]
    for key, words in (
        ("hysteresis_max_deg", "largest closing minus opening"),
        ("repeatability_deg", "largest difference between strokes"),
        ("min_drive_angle_deg", "smallest angle, rod to drive arm"),
        ("min_transmission_angle_deg", "smallest angle, rod to driven arm"),
    ):
        if key == "repeatability_deg" and linkage.get(key) is None:
            stroke = linkage.get("stroke") or {}
            one = max(stroke.get("opening_passes", 1), stroke.get("closing_passes", 1)) < 2
            rows.append((words, "one stroke only" if one else NOT_AVAILABLE, ""))
            continue
        rows.append((words, estimate_of(linkage.get(key), "deg"), position_of(linkage.get(key))))
    rows += travel_left(linkage)
    st.html(
        markup.table(("angle", "measured", "at driver travel"), rows, f"0° means in line (toggle). {SD_NOTE}")
    )
    show_joints(opened, name, linkage.get("joint_play"))
    show_slips(film, opened, linkage.get("slips") or ())


def travel_left(linkage: Entry) -> list[tuple[str, str, str]]:
    """Driver travel left to toggle beyond either end of the stroke."""
    left = linkage.get("travel_to_toggle_deg") or {}
    rows = []
    for end, words in (("low_fire", "below low fire"), ("high_fire", "beyond high fire")):
        entry = left.get(end)
        if end not in left:
            text = NOT_AVAILABLE
        elif entry is None:
            text = "none within half a turn"
        else:
            text = f"{estimate_of(entry, 'deg')}, {entry.get('arm')} arm"
        rows.append((f"travel left to toggle {words}", text, ""))
    return rows


def show_joints(opened: Opened, name: str, play: Entry | None) -> None:
    """Where the lost motion arises, if the film tells."""
    if play is None:
        st.html(
            markup.paragraph("Play of the joints is not told by this film: it takes a marker on the rod.")
        )
        return
    rows = [
        (words, estimate_of(play[key].get("play_mm"), "mm"), estimate_of(play[key].get("lost_deg"), "deg"))
        for key, words in PINS
    ]
    found = {
        str(one["subject"].get("part"))
        for one in opened.record["findings"]
        if one.get("code") == "worn_joint" and linkage_of(one, (name,))
    }
    worn = [words for _, words in PINS if words.lower() in found]
    verdict = f"{' and '.join(worn)} worn" if worn else "No joint stands out as worn"
    st.html(
        markup.table(
            ("joint", "play along the rod", "lost at the driven shaft"), rows, f"{verdict}. {SD_NOTE}"
        )
    )


def show_slips(film: Film, opened: Opened, slips: Any) -> None:
    """Arms that slipped on their shafts, each with the moment."""
    for number, slip in enumerate(slips):
        arm = f"the {slip['arm']} arm" if slip.get("arm") else "one of the arms"
        key = "drive_deg" if slip.get("arm") == "drive" else "driven_deg"
        at = position_of(slip)
        st.html(
            markup.card(
                "danger",
                f"Slip of {arm}: {estimate_of(slip.get(key), 'deg')}",
                [("At driver travel:", at)],
            )
        )
        if slip.get("time_s") is not None:
            st.button(
                f"Show the slip in the film, at {slip['time_s']:.1f} s",
                key=f"{keys.TO_MOMENT}_slip_{number}",
                on_click=scrubber.go_to,
                args=(opened, film.film_id, float(slip["time_s"])),
                icon=":material/movie:",
            )


def show_geometry(linkage: Entry) -> None:
    """Show sizes and start angles, and say which of them this film does not determine."""
    st.header("Geometry", anchor=False)
    rows, open_questions = [], []
    for _, row in geometry_table(linkage["geometry"]).iterrows():
        if row["determined"]:
            value = format_estimate(row["value"], row["sd"], row["unit"])
            rows.append((row["words"], value, row["evidence"]))
        else:
            rows.append((row["words"], "not determined by this film", ""))
            remedy = row["settle"] or "film with a marker on the rod, or measure it by hand"
            open_questions.append(f"{row['words']}: {remedy}")
    st.html(
        markup.table(
            ("size or angle", "value", "from"),
            rows,
            f"{linkage['driver']} drives {linkage['driven']}. "
            f"Angles from the line of centres at low fire. {SD_NOTE}",
        )
    )
    if open_questions:
        st.html(markup.paragraph("What would settle the rest:") + markup.bullets(open_questions))
