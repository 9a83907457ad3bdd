"""Plain columns as CSV files, and names that office programs would work out in them."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from fake_result import write_fake_result, write_named_result

from strokecurve.app.measure.rig import Rig
from strokecurve.app.page.loaded import load_result
from strokecurve.app.result.reading import read_result
from strokecurve.app.words.columns import guarded_table, is_formula, write_columns
from strokecurve.app.words.errors import InputError


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
        Rig.from_toml(f"[[shaft]]\nname = {written}\nmarker = 10\n").refuse_formulas()
    with pytest.raises(InputError, match="begins with"):
        Rig.from_toml(f'[[linkage]]\ndriver = {written}\ndriven = "shaft1"\n').refuse_formulas()


@pytest.mark.parametrize("name", ["motor", "1st shaft", "damper (left)", "Klappe-2", "a = b", "x-1+1@2"])
def test_other_names_stay(name: str) -> None:
    rig = Rig.from_toml(f'[[shaft]]\nname = "{name}"\nmarker = 10\n')
    rig.refuse_formulas()
    assert rig.shafts[0].name == name


def test_numbers_are_no_formulas() -> None:
    for number in ("-1.5", "+2", "-2e-05", "nan", "-inf", ""):
        assert not is_formula(number)


@pytest.mark.parametrize("name", ["-1", "+x", "=1+1", "@x", "x;=1", "\uff1d1"])
@pytest.mark.parametrize("marked", [False, True])
def test_a_result_with_such_a_name_still_opens(tmp_path: Path, name: str, marked: bool) -> None:
    """As earlier versions wrote it, and as tables are written and sent now."""
    plain = read_result(write_fake_result(tmp_path / "plain"))
    folder = write_named_result(tmp_path / "result", name)
    for table in ("angles.csv", "travel.csv") if marked else ():
        content = guarded_table((folder / table).read_bytes())
        assert content is not None
        assert not any(is_formula(cell) for row in csv.reader(content.decode().splitlines()) for cell in row)
        assert guarded_table(content) is None
        (folder / table).write_bytes(content)
    for found in (read_result(folder), load_result.__wrapped__(str(folder))):
        assert set(found.travel["linkage"]) == {f"{name}:shaft1"}
        np.testing.assert_array_equal(found.angles[f"{name}_deg"], plain.angles["motor_deg"])
        np.testing.assert_array_equal(found.angles[f"{name}_sd_deg"], plain.angles["motor_sd_deg"])
        np.testing.assert_array_equal(found.travel["driven_deg"], plain.travel["driven_deg"])


def test_a_table_without_formulas_goes_out_as_it_is(tmp_path: Path) -> None:
    folder = write_fake_result(tmp_path / "result")
    assert guarded_table((folder / "angles.csv").read_bytes()) is None
    assert guarded_table((folder / "travel.csv").read_bytes()) is None


def test_columns_with_such_names_are_marked_as_text(tmp_path: Path) -> None:
    """An analysis with a set-up kept from before."""
    path = tmp_path / "x.csv"
    write_columns(path, {"-1_deg": np.array([-1.5]), "linkage": ["+x:y"]})
    assert path.read_text() == "'-1_deg,linkage\n-1.5,'+x:y\n"


def test_a_kept_set_up_still_opens() -> None:
    rig = Rig.from_toml('[[shaft]]\nname = "-1"\nmarker = 10\n[[linkage]]\ndriver = "-1"\ndriven = "+x"\n')
    assert rig.shafts[0].name == rig.linkages[0].driver == "-1"
