"""A result folder as the page reads it: only the files everybody else gets, too."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
import streamlit as st

from strokecurve.app.result.reading import read_result

RESULT_FILES = ("angles.csv", "travel.csv", "result.json")


@dataclass(frozen=True, slots=True)
class LoadedResult:
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
def load_result(folder: str) -> LoadedResult:
    """Read a result folder once; a result never changes after it is written."""
    hint = "Analyse the clip again, or ask for the bundle again."
    result = read_result(Path(folder), "the result of this film", hint, strict=True)
    return LoadedResult(result.folder, result.angles, result.travel, dict(result.record))
