"""Plain columns as CSV files, and names that office programs would work out in them."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from fake_result import write_fake_result

from app.columns import is_formula, write_columns
from app.errors import InputError
from app.result_folder import read_result
from app.rig import Rig


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


@pytest.mark.parametrize("name", ["=1+1", "@SUM(A1)", "+1", "-x", " =1", "\t=1", "a;=1", "\uff1d1"])
def test_names_that_would_be_formulas_in_a_table_are_refused(name: str) -> None:
    """Names of shafts become headers of ``angles.csv`` and cells of ``travel.csv``."""
    written = json.dumps(name)  # TOML's basic strings have the same escapes
    with pytest.raises(InputError, match="begins with"):
        Rig.from_toml(f"[[shaft]]\nname = {written}\nmarker = 10\n")
    with pytest.raises(InputError, match="begins with"):
        Rig.from_toml(f'[[linkage]]\ndriver = {written}\ndriven = "shaft1"\n')


@pytest.mark.parametrize("name", ["motor", "1st shaft", "damper (left)", "Klappe-2", "a = b", "x-1+1@2"])
def test_other_names_stay(name: str) -> None:
    assert Rig.from_toml(f'[[shaft]]\nname = "{name}"\nmarker = 10\n').shafts[0].name == name


def test_numbers_are_no_formulas() -> None:
    for number in ("-1.5", "+2", "-2e-05", "nan", "-inf", ""):
        assert not is_formula(number)


@pytest.mark.parametrize("name", ["=1+1", "@x"])
def test_a_result_with_such_a_name_is_refused(tmp_path: Path, name: str) -> None:
    folder = write_fake_result(tmp_path / "result")
    record = folder / "result.json"
    record.write_text(record.read_text().replace('"shaft1"', json.dumps(name)))
    with pytest.raises(InputError, match="taken for a formula"):
        read_result(folder)
