"""The linkage of a film drawn to scale at both ends of its stroke, with its margins to toggle."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import streamlit as st

from strokecurve.app.adjust.known_linkage import bearing_of, linkage_from_entry
from strokecurve.app.adjust.setting_drawing import NEAR_TOGGLE_RAD, margin_words, setting_figure
from strokecurve.app.adjust.stroke_ends import StrokeEnd, stroke_ends
from strokecurve.app.page import markup
from strokecurve.app.page.loaded import LoadedResult, load_result
from strokecurve.app.page.pictures import png_of
from strokecurve.app.report.comparing import listed
from strokecurve.app.result.contents import CORRELATED
from strokecurve.app.result.presenter import SD_NOTE
from strokecurve.app.words.errors import InputError
from strokecurve.app.words.estimates import format_exact
from strokecurve.app.words.names import QUANTITY_WORDS


@dataclass(frozen=True, slots=True)
class ScaleDrawing:
    """A linkage drawn to scale.

    Attributes
    ----------
    png : bytes
    ends : tuple of StrokeEnd
        Low fire first.
    notes : tuple of str
        What to know about its figures.
    """

    png: bytes
    ends: tuple[StrokeEnd, ...]
    notes: tuple[str, ...]


@st.cache_resource(max_entries=32, show_spinner=False)
def scale_drawing(folder: str, linkage: str) -> ScaleDrawing:
    """Draw a linkage of a film once.

    Raises
    ------
    InputError
        If what the result says of the linkage cannot be drawn.
    """
    loaded = load_result(folder)
    entry = loaded.linkages[linkage]
    known = linkage_from_entry(linkage, entry)
    ends = stroke_ends(known, entry)
    bearing = bearing_of({shaft["name"]: shaft for shaft in loaded.record["shafts"]}, linkage)
    return ScaleDrawing(png_of(setting_figure(known, ends, bearing)), ends, known.notes)


def undetermined(linkage: Mapping[str, Any]) -> list[str]:
    """Sizes and angles that a drawing needs and the film does not determine, in words."""
    geometry = linkage["geometry"]
    return [
        f"the {QUANTITY_WORDS[key]}"
        for key in CORRELATED
        if not (geometry.get(key) or {}).get("determined", False)
    ]


def words_of(ends: tuple[StrokeEnd, ...]) -> str:
    """The picture in words, for those who do not see it."""
    parts = [
        f"At {end.name}, driver travel {format_exact(math.degrees(end.travel_rad), 'deg')}: "
        f"{', '.join(margin_words(end))}."
        for end in ends
    ]
    return " ".join(("The linkage to scale at low fire and at high fire.", *parts))


def show(loaded: LoadedResult, name: str) -> None:
    """Show the linkage to scale, or say why it is not drawn."""
    st.header("The linkage to scale", anchor=False)
    missing = undetermined(loaded.linkages[name])
    if missing:
        st.html(
            markup.paragraph(
                f"It is not drawn, as this film does not determine {listed(missing)}. What would settle "
                "the rest stands under Geometry."
            )
        )
        return
    try:
        drawing = scale_drawing(str(loaded.folder), name)
    except InputError as reason:
        st.html(markup.paragraph(f"It is not drawn: {reason.message} {reason.hint}"))
        return
    st.html(markup.picture(drawing.png, "image/png", words_of(drawing.ends)))
    notes = [drawn_how(drawing, bool(loaded.linkages[name].get("slips"))), *drawing.notes]
    st.html("".join(markup.paragraph(note, "sc-small") for note in notes))


def drawn_how(drawing: ScaleDrawing, slipped: bool) -> str:
    """What the drawing shows, what it leaves out, and how well its places are known."""
    pin_sd = max(end.pin_sd_mm for end in drawing.ends)
    near = format_exact(math.degrees(NEAR_TOGGLE_RAD), "deg")
    parts = (
        "An arm slipped in this film; the linkage is drawn as it was before." if slipped else "",
        "Drawn at the values under Geometry; their uncertainty is not drawn.",
        "It leaves the place of a pin open by "
        f"{format_exact(pin_sd, 'mm', 2)} at most (one standard deviation)."
        if math.isfinite(pin_sd)
        else "How far it leaves the places of the pins open is not known.",
        "Lost motion is not drawn.",
        "An angle of 0° between rod and arm line is in line (toggle); that position is drawn where it is "
        f"less than {near} of driver travel beyond the end.",
        SD_NOTE,
    )
    return " ".join(filter(None, parts))
