"""Plain columns as CSV files."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from app.columns import write_columns


def test_columns_read_back_as_they_were(tmp_path: Path) -> None:
    """Outside check: pandas reads the file."""
    columns = {
        "linkage": ["motor:shaft1", 'a "quoted", name', "ü"],
        "driver_deg": np.array([0.1 + 0.2, np.nan, -1e-7]),
    }
    path = tmp_path / "travel.csv"
    write_columns(path, columns)
    found = pd.read_csv(path)
    assert found["linkage"].tolist() == columns["linkage"]
    np.testing.assert_array_equal(found["driver_deg"], columns["driver_deg"])
    assert path.read_text(encoding="utf-8").splitlines()[2].endswith('",')


def test_columns_of_unequal_length_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="zip"):
        write_columns(tmp_path / "x.csv", {"a": ["1"], "b": np.zeros(2)})
