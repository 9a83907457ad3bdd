"""Readings and fuels as files: understood, or refused with one sentence."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from strokecurve.app.intended.readings import (
    FUEL_WORDS,
    LARGEST_BYTES,
    find_fuel,
    fuel_from_toml,
    fuel_meant,
    read_readings,
    readings_from_csv,
    recorded,
)
from strokecurve.app.words.errors import PLAIN_ERRORS, InputError
from strokecurve.app.words.statements import from_json, to_json
from strokecurve.kinematics.intended.fuels import FUELS, LIGHT_OIL, NATURAL_GAS, PROPANE

HEAD = "driver_deg,fuel_rate,o2_dry_pct,target_o2_dry_pct"


def table(*lines: str, head: str = HEAD) -> bytes:
    return "\n".join((head, *lines, "")).encode()


def test_columns_by_name_in_any_order() -> None:
    found = readings_from_csv(
        table("5,0,10,6", "3,90,40,4", head="o2_dry_pct, driver_deg,fuel_rate,target_o2_dry_pct")
    )
    assert found.column("driver_deg").tolist() == [0, 90]
    assert found.column("o2_dry_pct").tolist() == [5, 3]
    assert np.isnan(found.column("co_ppm")).all()


def test_from_high_to_low_fire_is_turned_round() -> None:
    found = readings_from_csv(table("90,40,3,3", "45,20,4,4", "0,10,6,5"))
    assert found.column("driver_deg").tolist() == [0, 45, 90]
    assert found.column("fuel_rate").tolist() == [10, 20, 40]


def test_mixed_order_is_left_for_the_check() -> None:
    found = readings_from_csv(table("0,10,6,5", "90,40,3,3", "45,20,4,4"))
    assert found.column("driver_deg").tolist() == [0, 90, 45]


def test_office_table_with_decimal_commas() -> None:
    text = "﻿driver_deg;fuel_rate;o2_dry_pct;target_o2_dry_pct\r\n0;10,5;6,2;5\r\n\r\n90;40;3,1;\r\n"
    found = readings_from_csv(text.encode())
    assert found.column("fuel_rate").tolist() == [10.5, 40]
    assert np.isnan(found.column("target_o2_dry_pct")[1])


@pytest.mark.parametrize(
    "content, words",
    [
        (b"", "no column driver_deg"),
        (b"\xff\xfe\x00", "not a text file"),
        (b"driver_deg,\0", "not a text file"),
        (table(head="driver_deg,fuel_rate"), "no column o2_dry_pct and no column target_o2_dry_pct"),
        (table(head=HEAD + ",o2_wet"), "'o2_wet'"),
        (table(head=HEAD + ",co_ppm,co_ppm"), "column co_ppm twice"),
        (table("0,10,six,5"), "line 2 .* o2_dry_pct is 'six', not a number"),
        (table("0,10,5 %,5"), "'5 %'"),
        (table("0,10,,5"), "line 2 .* o2_dry_pct is empty"),
        (table("0,10,6,5", ",20,5,4"), "line 3 .* driver_deg is empty"),
        (table("0,10,nan,5"), "'nan'"),
        (table("0,10,inf,5"), "'inf'"),
        (table("0,10,6,2,5,1"), "more cells"),
        (table(), "no row with figures"),
        (table("", ",,,"), "no row with figures"),
        (table("900,10,6,5"), "driver_deg is 900"),
        (table("0,10,6,5,0", head=HEAD + ",o2_sd_pct"), "o2_sd_pct is 0"),
    ],
    ids=lambda value: value[:20] if isinstance(value, str) else "",
)
def test_tables_that_cannot_be_used(content: bytes, words: str) -> None:
    with pytest.raises(InputError, match=words):
        readings_from_csv(content)


def test_readings_go_on_record_whole() -> None:
    content = table("90,40,3,", "0,10,6,5")
    kept = recorded(content)
    assert kept.csv == content.decode()
    assert kept.columns == tuple(HEAD.split(","))
    assert kept.rows == ((0, 10, 6, 5), (90, 40, 3, None))
    assert from_json("readings", to_json(kept)) == kept


def test_missing_and_large_files(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        read_readings(tmp_path / "none.csv")
    large = tmp_path / "large.csv"
    large.write_bytes(b"x" * (LARGEST_BYTES + 1))
    with pytest.raises(InputError, match="too large"):
        read_readings(large)


def test_fuels_by_name() -> None:
    assert find_fuel("natural_gas") is NATURAL_GAS
    assert find_fuel("Natural-Gas") is NATURAL_GAS
    assert find_fuel("propane") is PROPANE
    assert find_fuel("light oil") is LIGHT_OIL


@pytest.mark.parametrize(
    ("said", "meant"),
    [
        ("Natural gas", "natural_gas"),
        ("natural-gas", "natural_gas"),
        ("PROPANE", "propane"),
        ("light fuel oil", "light_oil"),
        ("gas", None),
        ("natural gas / light oil", None),
        ("natural gas with 20 % hydrogen", None),
        ("heavy oil", None),
        ("", None),
        (None, None),
    ],
)
def test_a_jobs_fuel_is_taken_only_where_it_means_one_known_fuel(said: str | None, meant: str | None) -> None:
    assert fuel_meant(said) == meant
    assert meant is None or meant in FUELS
    assert set(FUEL_WORDS) == set(FUELS)


def test_fuel_from_a_composition_file(tmp_path: Path) -> None:
    path = tmp_path / "digester.toml"
    path.write_text("[gas]\nCH4 = 62\nCO2 = 38\n")
    gas = find_fuel(str(path))
    assert gas.name == "digester"
    assert_allclose(gas.air, 0.62 * NATURAL_GAS.air, rtol=1e-12)
    oil = fuel_from_toml(b'name = "oil 4"\ngross_mj_kg = 44.0\n[mass]\nC = 0.87\nH = 0.12\nS = 0.01\n', "x")
    assert oil.name == "oil 4"
    assert oil.gross_mj == 44.0


@pytest.mark.parametrize(
    "text, words",
    [
        ("gas = [", "not a TOML file"),
        ("[gas]\nCH4 = 1\n[mass]\nC = 1\n", "either a table"),
        ("", "either a table"),
        ("[coal]\nC = 1\n", "'coal'"),
        ("[gas]\n", "empty"),
        ('[gas]\nCH4 = "all"\n', "not a number"),
        ("[gas]\nCH4 = true\n", "not a number"),
        ("gross_mj_kg = 50\n[gas]\nCH4 = 1\n", "does not belong"),
        ("name = 4\n[gas]\nCH4 = 1\n", "not a short text"),
        ("[gas]\nCH4 = 0.8\n", "add up to 0.8"),
        ("[gas]\nCH9 = 1\n", "'CH9'"),
        ("[mass]\nC = 0.9\nH = 0.1\n[gross_mj_kg]\nx = 1\n", "not a number"),
    ],
)
def test_compositions_that_cannot_be_used(text: str, words: str) -> None:
    with pytest.raises(PLAIN_ERRORS, match=words):
        fuel_from_toml(text.encode(), "x")


def test_unknown_fuel() -> None:
    with pytest.raises(InputError, match="'peat' is neither known nor a file"):
        find_fuel("peat")
