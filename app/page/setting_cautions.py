"""The cautions that stand wherever intended travel or a change of the linkage is shown."""

from __future__ import annotations

import streamlit as st

from strokecurve.app.page import markup
from strokecurve.app.words.cautions import SETTING_CAUTIONS


def show() -> None:
    """All of them, in their order, always in sight."""
    st.html(f'<div class="sc-cautions">{markup.bullets(SETTING_CAUTIONS)}</div>')
