"""A moment of the film: the frame with everything drawn in, the angles, the point on the travel curve."""

from __future__ import annotations

import logging
from pathlib import Path

import numpy as np
import pandas as pd
import streamlit as st

from strokecurve.app.page import keys, markup, steps
from strokecurve.app.page.authentication import current_store
from strokecurve.app.page.loaded import LoadedResult
from strokecurve.app.page.pictures import angles_picture, curve_picture
from strokecurve.app.page.shell import plain_errors
from strokecurve.app.result import frames
from strokecurve.app.result.kept_pictures import kept_pictures
from strokecurve.app.result.moments import first_moment_at, nearest_frame, travel_over_time
from strokecurve.app.result.presenter import SD_NOTE
from strokecurve.app.store.jobs import Film
from strokecurve.app.store.store import Store
from strokecurve.app.tasks import exports
from strokecurve.app.words.errors import StoreError
from strokecurve.app.words.estimates import fixed, format_estimate
from strokecurve.app.words.statements import IntendedChoice

logger = logging.getLogger(__name__)

NOT_SEEN = "not seen"
ANCHOR = "moment"
_SCROLL = (
    "<script>document.getElementById('moment')?.scrollIntoView({block: 'start', behavior: 'auto'})</script>"
)


def moment_key(film_id: str) -> str:
    """Key of the slider of a film."""
    return f"{keys.MOMENT}_{film_id}"


def frame_times(loaded: LoadedResult) -> tuple[float, ...]:
    """Times of all frames."""
    return tuple(loaded.angles["time_s"].to_numpy(float).tolist())


def go_to(loaded: LoadedResult, film_id: str, time_s: float) -> None:
    """Move the slider to the frame nearest to a moment and bring it into sight."""
    times = frame_times(loaded)
    st.session_state[moment_key(film_id)] = times[nearest_frame(times, time_s)]
    st.session_state[keys.SCROLL] = True


def take_from_address(loaded: LoadedResult, film_id: str) -> None:
    """Go to the moment that the address names, and to the linkage, once for every link followed."""
    wanted, linkage = st.query_params.get(keys.AT), st.query_params.get(keys.AT_LINKAGE)
    place = f"{film_id} {wanted} {linkage}"
    if wanted is None or st.session_state.get(keys.AT_TAKEN) == place:
        return
    st.session_state[keys.AT_TAKEN] = place
    try:
        time_s = float(wanted)
    except ValueError:
        return
    if np.isfinite(time_s):
        go_to(loaded, film_id, time_s)
    if linkage in loaded.linkages:
        st.session_state[keys.LINKAGE] = linkage


def travel_moment(loaded: LoadedResult, linkage: str, driver_deg: float) -> float | None:
    """First moment at which the driver of a linkage stands at a travel."""
    shafts = {shaft["name"]: shaft for shaft in loaded.record["shafts"]}
    driver = shafts.get(linkage.partition(":")[0])
    if driver is None:
        return None
    times = loaded.angles["time_s"].to_numpy(float)
    return first_moment_at(times, travel_over_time(loaded.angles, driver), driver_deg)


@st.cache_data(max_entries=48, show_spinner=False)
def frame_jpeg(clip: str, folder: str, time_s: float, copy: str | None) -> bytes:
    """The frame at a moment with arms, rods and angles drawn in, kept as long as somebody may come back."""
    return frames.frame_jpeg(Path(clip), Path(folder), time_s, Path(copy) if copy else None)


def quick_copy(store: Store, film: Film) -> Path | None:
    """The copy of a clip in which every frame is found at once; one is asked for if there is none yet.

    Finding a frame in the clip itself means decoding all since the last picture that stands alone, which may
    be seconds before it.
    """
    try:
        copy = exports.asked_once(store, film.job_id, "frames", film=film.film_id)
        if copy.file is not None and copy.file.is_file():
            return copy.file
    except StoreError:
        logger.warning("no copy of a clip to move about in", exc_info=True)
    return None


def step_frame(times: tuple[float, ...], key: str, by: int) -> None:
    """Move the chosen moment by whole frames."""
    nearest = nearest_frame(times, st.session_state[key])
    st.session_state[key] = times[min(max(nearest + by, 0), len(times) - 1)]


def choose_moment(times: tuple[float, ...], key: str) -> int:
    """A slider for the rough place and buttons for single frames; gives the number of the frame."""
    st.session_state.setdefault(key, times[0])
    asked_s = st.slider("Time in the clip (s)", times[0], times[-1], step=0.001, format="%.2f", key=key)
    with st.container(horizontal=True, wrap=False):
        for label, by, name in (
            ("One frame back", -1, keys.FRAME_BACK),
            ("One frame on", 1, keys.FRAME_ON),
        ):
            st.button(
                markup.plain(label), key=name, on_click=step_frame, args=(times, key, by), width="stretch"
            )
    return nearest_frame(times, asked_s)


@st.fragment
def show(film: Film, loaded: LoadedResult, linkage: str | None, intended: IntendedChoice | None) -> None:
    """The travel curve with the moment marked on it, beside the frame; below each other on a phone."""
    left, right = st.columns(2, gap="large")
    with right, plain_errors():
        st.header("A moment of the film", anchor=ANCHOR)
        times = frame_times(loaded)
        row = loaded.angles.iloc[choose_moment(times, moment_key(film.film_id))]
    # The curve is what people wait for; finding the frame in the clip may take longer.
    with left, plain_errors():
        if linkage is not None:
            show_curve(loaded, linkage, intended, row)
    with right, plain_errors():
        show_frame(film, loaded, row)
        # Last, so that its coming and going shifts nothing else on the page.
        if st.session_state.pop(keys.SCROLL, False):
            st.html(_SCROLL, unsafe_allow_javascript=True)


def show_frame(film: Film, loaded: LoadedResult, row: pd.Series) -> None:
    """The frame, the angles in it, and where it lies in the clip."""
    time_s = float(row["time_s"])
    if film.clip.here:
        copy = quick_copy(current_store(), film)
        jpeg = frame_jpeg(str(film.clip.path), str(loaded.folder), time_s, str(copy) if copy else None)
        words = f"Frame of the clip at {fixed(time_s, 2)} s with arms, rods and angles drawn in"
        st.html(markup.picture(jpeg, "image/jpeg", words))
    else:
        show_kept(film, loaded)
    steps.link("handover", "Comment on this moment", film.job_id, film.film_id, **{keys.AT: f"{time_s:.3f}"})
    seen = [(name, angle_at(row, name)) for name in loaded.shafts]
    st.html(markup.table(("shaft", "angle from the first frame"), seen, SD_NOTE))
    picture = angles_picture(str(loaded.folder))
    st.html(picture.html("Angle of every shaft over the clip, the chosen moment marked", upright=time_s))


def show_kept(film: Film, loaded: LoadedResult) -> None:
    """The pictures that came with the result where the clip did not, each with a way to its moment."""
    kept = kept_pictures(loaded.folder)
    if not kept:
        st.info("The clip is not in this store, so its frames cannot be shown. Ask for a bundle with clips.")
        return
    st.info(
        "The clip is not in this store. These pictures came with it; a bundle with clips has every frame."
    )
    for number, one in enumerate(kept):
        words = f"{one.words[0].upper()}{one.words[1:]}, {fixed(one.time_s, 2)} s"
        st.html(
            markup.picture(one.path.read_bytes(), "image/jpeg", f"{words}, arms, rods and angles drawn in")
        )
        st.button(
            markup.plain(f"{words}: mark it on the curve"),
            key=f"{keys.TO_KEPT}_{number}",
            on_click=go_to,
            args=(loaded, film.film_id, one.time_s),
        )


def angle_at(row: pd.Series, shaft: str) -> str:
    """Angle of a shaft in one frame; a gap is said."""
    value = float(row[f"{shaft}_deg"])
    return format_estimate(value, float(row[f"{shaft}_sd_deg"]), "deg") if np.isfinite(value) else NOT_SEEN


def show_curve(loaded: LoadedResult, linkage: str, intended: IntendedChoice | None, row: pd.Series) -> None:
    """The travel curve with both passes, the intended travel if one was chosen, and the moment on it."""
    st.header("Travel curve", anchor=False)
    shafts = {shaft["name"]: shaft for shaft in loaded.record["shafts"]}
    frame = loaded.angles.index.get_loc(row.name)
    at = tuple(float(travel_over_time(loaded.angles, shafts[name])[frame]) for name in linkage.split(":"))
    picture = curve_picture(str(loaded.folder), linkage, intended, repr(intended))
    words = linkage.replace(":", " driving ")
    st.html(
        picture.html(
            f"Travel curve, {words}, both passes, the chosen moment ringed; figures in the table below",
            at=(at[0], at[1]),
        )
    )
    st.html(
        markup.paragraph(
            "The band around each line is two standard deviations wide on either side. "
            "The ring is the moment chosen in the film.",
            "sc-small",
        )
    )
