"""What every page shares: the store it works on, its look, and how errors are shown."""

from __future__ import annotations

import argparse
import logging
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import streamlit as st

from app.cautions import CAUTIONS
from app.errors import PLAIN_ERRORS
from app.page import markup
from app.store import Store, default_folder

STYLE_FILE = Path(__file__).with_name("style.css")

logger = logging.getLogger(__name__)


@st.cache_resource(max_entries=4)
def opened_store(folder: str) -> Store:
    """The store in a folder, opened (and brought up to date) once for all sessions."""
    return Store(Path(folder))


def current_store() -> Store:
    """The store named on the command line of the page, else the person's own."""
    parser = argparse.ArgumentParser(add_help=False)
    parser.add_argument("--store", default=str(default_folder()))
    chosen, _ = parser.parse_known_args(sys.argv[1:])
    return opened_store(chosen.store)


def dress() -> None:
    """Set title, width and style of the page; the first call of every page."""
    st.set_page_config(page_title="strokecurve", layout="wide", initial_sidebar_state="collapsed")
    st.html(STYLE_FILE)


def show_cautions(*, folded: bool) -> None:
    """Show the cautions above everything else."""
    st.html(markup.cautions(CAUTIONS, folded=folded))


@contextmanager
def plain_errors() -> Iterator[None]:
    """Show errors of one part of the page as a sentence, and let the other parts stand."""
    try:
        yield
    except PLAIN_ERRORS as reason:
        st.error(f"{reason.message} {reason.hint}")
    except Exception:
        logger.exception("fault in a part of the page")
        st.error(
            "This part could not be shown because of a fault in strokecurve itself. "
            "Your films and results are kept."
        )
