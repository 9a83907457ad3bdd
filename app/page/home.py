"""Entry of the page: the look, then the page asked for."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

from app.page.shell import dress

dress()
work = st.Page(Path(__file__).with_name("work.py"), title="strokecurve", default=True)
st.navigation([work], position="hidden").run()
