"""Read: findings, travel curve, even-step table, geometry, and the picture at a chosen moment."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pandas as pd
import streamlit as st

from app.estimates import NOT_AVAILABLE, format_estimate, format_exact
from app.intended import intended_travel
from app.jobs import Film, Run
from app.page import compare, keys, markup
from app.page.opened import RESULT_FILES, Opened, open_result
from app.page.shell import plain_errors
from app.plots import angles_figure, travel_figure
from app.record import IntendedChoice
from app.store import Store
from app.tables import even_step_table, findings_table, geometry_table

FRAME_WIDTH_PX = 1280
STEPS_DEG = (10, 5)
SD_NOTE = "± is one standard deviation."
NOT_SEEN = "not seen"


def show(store: Store, film: Film, run: Run) -> None:
    """Show everything one film tells: what matters first, evidence beside the curve where there is room."""
    with plain_errors():
        opened = open_result(str(run.result))
        show_travel(opened)
        show_findings(opened)
        linkage = choose_linkage(opened)
        if linkage is None:
            st.info("The film shows no linkage: only one shaft has a marker.")
            show_moment(film, opened)
            show_downloads(opened)
            return
        left, right = st.columns(2, gap="large")
        with left:
            with plain_errors():
                show_curve(opened, linkage, store.intended(film.job_id, linkage))
            with plain_errors():
                show_steps(opened, linkage)
        with right:
            with plain_errors():
                show_moment(film, opened)
            with plain_errors():
                show_condition(opened.linkages[linkage])
            with plain_errors():
                show_geometry(opened.linkages[linkage])
        with plain_errors():
            compare.show(store, film.job_id, opened, linkage)
        with plain_errors():
            show_downloads(opened)


def choose_linkage(opened: Opened) -> str | None:
    """The linkage to show; asked only if the film has several."""
    names = list(opened.linkages)
    if len(names) < 2:
        return names[0] if names else None
    return st.selectbox(
        "Linkage", names, format_func=lambda name: name.replace(":", " drives "), key=keys.LINKAGE
    )


def figure_of(finding: pd.Series) -> str:
    """Value, uncertainty and limit of a finding about a linkage, all in degrees; empty if it has no figure.

    Findings about the filming have other units each, which their text gives.
    """
    if finding["value"] is None or ":" not in str(finding["where"]):
        return ""
    text = format_estimate(finding["value"], finding["sd"], "deg")
    if finding["limit"] is not None:
        word = "usual" if finding["severity"] == "note" else "limit"
        text += f", {word} {format_exact(finding['limit'], 'deg')}"
    return text


def show_findings(opened: Opened) -> None:
    """Show filming faults and findings, the gravest first."""
    st.header("Findings", anchor=False)
    table = findings_table(opened.record["findings"])
    cards = [
        markup.card(
            row["severity"],
            row["text"],
            [
                ("Where:", str(row["where"] or "").replace(":", " drives ")),
                ("Measured:", figure_of(row)),
                ("What to do:", row["advice"] or ""),
            ],
        )
        for _, row in table.iterrows()
    ]
    nothing = markup.card(
        "note",
        "Nothing to report about the film or the linkage.",
        [("", "This says nothing about combustion. The cautions above hold.")],
    )
    st.html("".join(cards) or nothing)


def show_travel(opened: Opened) -> None:
    """Show how far every shaft turned over the stroke."""
    st.header("Travel, low fire to high fire", anchor=False)
    ways = {"ccw": "opens counter-clockwise", "cw": "opens clockwise"}
    entries = [
        (
            f"{shaft['name']}, {ways[shaft['opening']]}",
            format_estimate(shaft["travel_deg"], shaft["travel_sd_deg"], "deg"),
        )
        for shaft in opened.record["shafts"]
    ]
    st.html(markup.figures(entries))


def show_curve(opened: Opened, linkage: str, intended: IntendedChoice | None) -> None:
    """Show the travel curve with both passes, and the intended travel if one was chosen."""
    st.header("Travel curve", anchor=False)
    line = None
    if intended is not None and (intended.kind == "equal" or intended.rows):
        driver = np.linspace(0, float(opened.travel["driver_deg"].max()), 181)
        line = (driver, intended_travel(intended, driver)[0])
    st.pyplot(
        travel_figure(opened.travel, linkage, line),
        alt=f"Travel curve, {linkage.replace(':', ' driving ')}, both passes; figures in the table below",
        width="stretch",
    )
    st.html(
        markup.paragraph(
            "The band around each line is two standard deviations wide on either side.", "sc-small"
        )
    )


def show_steps(opened: Opened, linkage: str) -> None:
    """Show driven travel at even steps of the driver, with a CSV to take away."""
    st.header("Travel at even steps", anchor=False)
    step = st.segmented_control(
        "Step of the driver",
        STEPS_DEG,
        default=STEPS_DEG[0],
        required=True,
        format_func=lambda value: f"{value}°",
        key=keys.STEP,
    )
    table = even_step_table(opened.travel, linkage, float(step))
    driver, driven = linkage.split(":")
    rows = [
        (
            format_exact(row.driver_deg),
            estimate_or_gap(row.opening_deg, row.opening_sd_deg),
            estimate_or_gap(row.closing_deg, row.closing_sd_deg),
            estimate_or_gap(row.difference_deg, row.difference_sd_deg),
        )
        for row in table.itertuples()
    ]
    st.html(
        markup.table(
            (f"{driver} (°)", "opening (°)", "closing (°)", "closing minus opening (°)"),
            rows,
            f"Travel of {driven} from low fire. {SD_NOTE}",
        )
    )
    st.download_button(
        "This table as CSV",
        table.to_csv(index=False).encode(),
        file_name=f"even-steps-{driver}-{driven}.csv",
        mime="text/csv",
        key=keys.STEP_CSV,
        on_click="ignore",
        width="stretch",
    )


def estimate_or_gap(value: float, sd: float) -> str:
    """A measured value for a narrow cell; a gap is said."""
    return format_estimate(value, sd) if np.isfinite(value) else NOT_SEEN


@st.cache_data(max_entries=48, show_spinner=False)
def frame_jpeg(clip: str, folder: str, time_s: float) -> bytes:
    """The frame at a moment with arms, rods and angles drawn in, small enough for a phone."""
    from app.overlay import draw_frame

    picture = draw_frame(Path(clip), Path(folder), time_s)
    height, width = picture.shape[:2]
    if width > FRAME_WIDTH_PX:
        size = (FRAME_WIDTH_PX, round(height * FRAME_WIDTH_PX / width))
        picture = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    _, jpeg = cv2.imencode(".jpg", cv2.cvtColor(picture, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, 85])
    return jpeg.tobytes()


def step_frame(times: tuple[float, ...], by: int) -> None:
    """Move the chosen moment by whole frames."""
    nearest = int(np.argmin(np.abs(np.array(times) - st.session_state[keys.MOMENT])))
    st.session_state[keys.MOMENT] = times[min(max(nearest + by, 0), len(times) - 1)]


def choose_moment(times: tuple[float, ...]) -> int:
    """A slider for the rough place and buttons for single frames; gives the number of the frame."""
    asked_s = st.slider(
        "Time in the clip (s)", times[0], times[-1], times[0], step=0.001, format="%.2f", key=keys.MOMENT
    )
    with st.container(horizontal=True, wrap=False):
        for label, by, key in (
            ("One frame back", -1, keys.FRAME_BACK),
            ("One frame on", 1, keys.FRAME_ON),
        ):
            st.button(label, key=key, on_click=step_frame, args=(times, by), width="stretch")
    return int(np.argmin(np.abs(np.array(times) - asked_s)))


@st.fragment
def show_moment(film: Film, opened: Opened) -> None:
    """Show the picture and all angles at a chosen moment of the clip."""
    with plain_errors():
        st.header("A moment of the film", anchor=False)
        times = tuple(opened.angles["time_s"].to_numpy(float).tolist())
        row = opened.angles.iloc[choose_moment(times)]
        st.image(
            frame_jpeg(str(film.clip.path), str(opened.folder), float(row["time_s"])),
            alt=f"Frame of the clip at {row['time_s']:.2f} s with arms, rods and angles drawn in",
            width="stretch",
        )
        seen = [(name, angle_at(row, name)) for name in opened.shafts]
        st.html(markup.table(("shaft", "angle from the first frame"), seen, SD_NOTE))
        st.pyplot(
            angles_figure(opened.angles, opened.shafts, float(row["time_s"])),
            alt="Angle of every shaft over the clip, the chosen moment marked",
            width="stretch",
        )


def angle_at(row: pd.Series, shaft: str) -> str:
    """Angle of a shaft in one frame; a gap is said."""
    value = float(row[f"{shaft}_deg"])
    return format_estimate(value, float(row[f"{shaft}_sd_deg"]), "deg") if np.isfinite(value) else NOT_SEEN


def show_condition(linkage: dict[str, Any]) -> None:
    """Show lost motion and the smallest angles to the in-line position."""
    st.header("Condition", anchor=False)
    rows = [("lost motion (slack)", estimate_of(linkage.get("slack_deg"), "deg"), "")]
    for key, words in (
        ("hysteresis_max_deg", "largest closing minus opening"),
        ("min_drive_angle_deg", "smallest angle, rod to drive arm"),
        ("min_transmission_angle_deg", "smallest angle, rod to driven arm"),
    ):
        rows.append((words, estimate_of(linkage.get(key), "deg"), position_of(linkage.get(key))))
    st.html(
        markup.table(("angle", "measured", "at driver travel"), rows, f"0° means in line (toggle). {SD_NOTE}")
    )


def estimate_of(entry: dict[str, Any] | None, unit: str) -> str:
    """A {value, sd} entry in words."""
    return NOT_AVAILABLE if entry is None else format_estimate(entry.get("value"), entry.get("sd"), unit)


def position_of(entry: dict[str, Any] | None) -> str:
    """The driver travel of an entry in words; empty if there is none."""
    at = None if entry is None else entry.get("at_driver_deg")
    return "" if at is None else format_exact(at, "deg", 0)


def show_geometry(linkage: dict[str, Any]) -> None:
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


def show_downloads(opened: Opened) -> None:
    """Offer the result files."""
    st.header("Files", anchor=False)
    for name in RESULT_FILES:
        st.download_button(
            f"Download {name}",
            (opened.folder / name).read_bytes(),
            file_name=name,
            mime="application/json" if name.endswith(".json") else "text/csv",
            key=f"{keys.FILE_DOWNLOAD}_{name}",
            on_click="ignore",
            width="stretch",
        )
