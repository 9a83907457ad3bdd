"""A result folder as the page reads it: only the files everybody else gets, too."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
import streamlit as st

from app.errors import InputError
from app.result_folder import angles_as_named, names_in, travel_as_named

RESULT_FILES = ("angles.csv", "travel.csv", "result.json")


@dataclass(frozen=True, slots=True)
class Opened:
    """What one film showed.

    Attributes
    ----------
    folder : Path
        The result folder.
    angles, travel : DataFrame
        ``angles.csv`` and ``travel.csv``.
    record : dict
        ``result.json``.
    """

    folder: Path
    angles: pd.DataFrame
    travel: pd.DataFrame
    record: dict[str, Any]

    @property
    def shafts(self) -> tuple[str, ...]:
        """Names of the shafts, the motor first."""
        return tuple(shaft["name"] for shaft in self.record["shafts"])

    @property
    def linkages(self) -> dict[str, dict[str, Any]]:
        """Linkages by ``driver:driven``."""
        return {f"{entry['driver']}:{entry['driven']}": entry for entry in self.record["linkages"]}


@st.cache_resource(max_entries=8, show_spinner=False)
def open_result(folder: str) -> Opened:
    """Read a result folder once; a result never changes after it is written."""
    path = Path(folder)
    try:
        record = json.loads((path / "result.json").read_text(encoding="utf-8"))
        shafts, linkages = names_in(record)
        angles = angles_as_named(pd.read_csv(path / "angles.csv"), shafts)
        return Opened(path, angles, travel_as_named(pd.read_csv(path / "travel.csv"), linkages), record)
    except (OSError, ValueError, KeyError, TypeError) as error:  # it may have come in a bundle
        raise InputError(
            "The result of this film cannot be read from the disk.", "Analyse the clip again; it is kept."
        ) from error
