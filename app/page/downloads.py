"""Small files that a page offers for download, at addresses that ask for the rights on their job.

Streamlit's own download button puts a file at an address that knows no jobs. Here the page lays its tables
and texts down under their job, and the route (``app.page.server``) asks who wants them before it looks.
"""

from __future__ import annotations

import hashlib
import threading
from collections import OrderedDict
from urllib.parse import quote

import streamlit as st

from strokecurve.app.page import markup

OFFERED_ADDRESS = "/offered/"
RESULT_ADDRESS = "/result/"
MOST_BYTES = 32 << 20
"""Kept in all: a table of a page has some 20 kB, so those of a thousand pages that were drawn last."""


class Offers:
    """What was offered last, as far as there is room; drawing a page again offers the same again.

    Parameters
    ----------
    most_bytes : int
        Kept in all.
    """

    def __init__(self, most_bytes: int = MOST_BYTES) -> None:
        self._most_bytes = most_bytes
        self._kept: OrderedDict[tuple[str, str], bytes] = OrderedDict()
        self._lock = threading.Lock()

    def add(self, job_id: str, content: bytes) -> str:
        """Keep a file of a job; gives its name for `find`."""
        digest = hashlib.sha256(content).hexdigest()
        with self._lock:
            self._kept[job_id, digest] = content
            self._kept.move_to_end((job_id, digest))
            while sum(map(len, self._kept.values())) > self._most_bytes:
                self._kept.popitem(last=False)
        return digest

    def find(self, job_id: str, digest: str) -> bytes | None:
        """A file that is still kept."""
        with self._lock:
            return self._kept.get((job_id, digest))


OFFERS = Offers()


def offer(job_id: str, content: bytes, file_name: str, label: str) -> None:
    """Draw a link to a small file.

    Parameters
    ----------
    job_id : str
        Who may read it may have the file.
    content : bytes
    file_name : str
        What the browser calls it.
    label : str
        On the link.
    """
    address = f"{OFFERED_ADDRESS}{job_id}/{OFFERS.add(job_id, content)}"
    st.html(markup.download_link(address, label, file_name, aside=True))


def offer_result(run_id: str, name: str) -> None:
    """Draw a link to a file of a result, which goes straight from the disk."""
    address = f"{RESULT_ADDRESS}{run_id}/{quote(name)}"
    st.html(markup.download_link(address, f"Download {name}", name, aside=True))
