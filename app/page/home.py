"""Entry of the page: the look, then the page asked for."""

from __future__ import annotations

import streamlit as st

from strokecurve.app.page.shell import dress
from strokecurve.app.page.steps import all_pages

dress()
st.navigation(all_pages(), position="hidden").run()
