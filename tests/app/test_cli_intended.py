"""The command ``intended``: file, table and words, with travel by hand and from a film."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import fake_result
import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from strokecurve.app.commands.cli import main
from strokecurve.app.intended.damper_travel import shaft_travel
from strokecurve.app.intended.from_readings import work_out
from strokecurve.app.intended.given import rows_from_csv
from strokecurve.app.intended.plots import damper_figure
from strokecurve.app.intended.readings import readings_from_csv
from strokecurve.app.result.reading import read_result
from strokecurve.app.words.cautions import SETTING_CAUTIONS
from strokecurve.kinematics.intended import settings
from strokecurve.kinematics.intended.fuels import NATURAL_GAS
from strokecurve.kinematics.intended.settings import READING_DEFAULTS

BY_HAND = """driver_deg,fuel_rate,o2_dry_pct,target_o2_dry_pct,driven_deg,co_ppm,stack_c,ambient_c
0,30,6.0,6.0,0,20,120,22
30,52,6.4,5.0,17,12,135,22
60,98,5.2,4.0,36,9,160,22
90,160,3.8,3.3,58,15,188,22
"""
BY_FILM = "\n".join(",".join(line.split(",")[:4]) for line in BY_HAND.splitlines()) + "\n"
# mean of both passes of the film: in its middle the curve, at each end one pass lies half the lost motion off
MEAN_DEG = fake_result.driven_travel(np.array([0.0, 30.0, 60.0, 90.0])) + fake_result.LOST_DEG / 4 * np.array(
    [1, 0, 0, -1]
)
FAST = replace(READING_DEFAULTS, draws=120)
"""Enough where not the figures themselves are looked at."""
SAMPLE = Path(__file__).resolve().parents[2] / "sample_media" / "readings.csv"


@pytest.fixture(autouse=True)
def _fewer_draws(monkeypatch: pytest.MonkeyPatch) -> None:
    """A quarter of the draws behind the tolerances: what is looked at here lies within far wider limits."""
    monkeypatch.setattr(settings, "READING_DEFAULTS", replace(settings.READING_DEFAULTS, draws=150))


@pytest.fixture
def hand(tmp_path: Path) -> Path:
    path = tmp_path / "readings.csv"
    path.write_text(BY_HAND)
    return path


@pytest.fixture(scope="module")
def film_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return fake_result.write_fake_result(tmp_path_factory.mktemp("film") / "measured")


@pytest.fixture(scope="module")
def train_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same film with a second linkage behind the first: shaft2 turns half as far as shaft1."""
    folder = fake_result.write_fake_result(tmp_path_factory.mktemp("train") / "measured")
    travel = pd.read_csv(folder / "travel.csv")
    second = travel.dropna().copy()
    second["linkage"] = "shaft1:shaft2"
    second = second[second["driver_deg"] <= 80]
    second["driven_deg"], second["sd_deg"] = second["driver_deg"] / 2, 0.01
    pd.concat([travel, second]).to_csv(folder / "travel.csv", index=False)
    record = json.loads((folder / "result.json").read_text())
    record["linkages"].append(record["linkages"][0] | {"driver": "shaft1", "driven": "shaft2"})
    (folder / "result.json").write_text(json.dumps(record))
    return folder


def run(capsys: pytest.CaptureFixture[str], *arguments: object, status: int = 0) -> str:
    assert main(["intended", *(str(a) for a in arguments)]) == status
    captured = capsys.readouterr()
    if status:
        assert captured.out == ""
        assert "Traceback" not in captured.err
        assert len(captured.err.strip().splitlines()) == 1
        return captured.err
    assert captured.err == ""
    return captured.out


class TestByHand:
    def test_file_and_words(self, hand: Path, capsys: pytest.CaptureFixture[str]) -> None:
        out = hand.parent / "wanted.csv"
        said = run(capsys, hand, "--fuel", "natural_gas", "--out", out)
        written = pd.read_csv(out)
        assert list(written.columns) == ["driver_deg", "driven_deg", "tolerance_deg"]
        assert np.all(np.diff(written["driver_deg"]) > 0)
        assert {0.0, 30.0, 60.0, 90.0} <= set(written["driver_deg"])
        at = written.set_index("driver_deg")["driven_deg"]
        # the target at low fire is what was read, everywhere else it is less
        assert abs(at[0.0]) < 0.5
        assert np.all(at[[30.0, 60.0, 90.0]] < [17, 36, 58])
        assert written["tolerance_deg"].between(0.1, 5).all()
        assert [row[0] for row in rows_from_csv(out.read_bytes())] == written["driver_deg"].tolist()
        flat = " ".join(said.split())
        for caution in SETTING_CAUTIONS:
            assert caution in flat
        assert "raise air before fuel, lower fuel before air" in flat
        assert "travel of damper against travel of motor" in flat
        assert sorted(p.name for p in hand.parent.iterdir()) == ["readings.csv", "wanted.csv"]

    def test_excess_air_and_losses_in_the_table(self, hand: Path, capsys: pytest.CaptureFixture[str]) -> None:
        said = run(capsys, hand, "--fuel", "natural_gas", "--out", hand.parent / "i.csv")
        # 3.8 % O2 on methane is 19.8 % excess air; 166 K warmer flue gas at that leaves 16.9 % gross
        assert "19.8" in said
        assert "1 (reference)" in said
        assert "ppm" in said

    def test_default_name_is_in_the_working_folder(
        self, hand: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.chdir(hand.parent)
        run(capsys, "readings.csv", "--fuel", "natural_gas")
        assert (hand.parent / "intended.csv").is_file()

    def test_same_twice(self, hand: Path, capsys: pytest.CaptureFixture[str]) -> None:
        first, second = hand.parent / "1.csv", hand.parent / "2.csv"
        for out in (first, second):
            run(capsys, hand, "--fuel", "light_oil", "--out", out)
        assert first.read_bytes() == second.read_bytes()

    def test_reserve_is_settable_and_said(self, hand: Path, capsys: pytest.CaptureFixture[str]) -> None:
        said = run(capsys, hand, "--fuel", "natural_gas", "--reserve", "18", "--out", hand.parent / "i.csv")
        assert "was raised to 3.5" in said
        assert "18 % excess air" in " ".join(said.split())

    def test_co_limit_is_settable(self, hand: Path, capsys: pytest.CaptureFixture[str]) -> None:
        common = (hand, "--fuel", "natural_gas", "--out", hand.parent / "i.csv")
        assert "air-free, above" not in " ".join(run(capsys, *common).split())
        assert "air-free, above 25 ppm" in " ".join(run(capsys, *common, "--co-limit", "25").split())

    def test_outside_is_said(self, hand: Path, capsys: pytest.CaptureFixture[str]) -> None:
        hand.write_text(BY_HAND.replace("0,30,6.0,6.0", "0,30,6.0,3.0"))
        out = hand.parent / "i.csv"
        said = run(capsys, hand, "--fuel", "natural_gas", "--out", out)
        assert "outside" in said
        assert "less air than the least that was measured" in " ".join(said.split())
        assert pd.read_csv(out)["driver_deg"].min() > 0

    def test_picture(self, hand: Path, capsys: pytest.CaptureFixture[str]) -> None:
        picture = hand.parent / "damper.png"
        run(capsys, hand, "--fuel", "propane", "--out", hand.parent / "i.csv", "--plot", picture)
        assert picture.read_bytes().startswith(b"\x89PNG")

    def test_composition_file(self, hand: Path, capsys: pytest.CaptureFixture[str]) -> None:
        fuel = hand.parent / "gas.toml"
        fuel.write_text('name = "works gas"\n[gas]\nCH4 = 0.9\nC2H6 = 0.06\nN2 = 0.04\n')
        assert "works gas" in run(capsys, hand, "--fuel", fuel, "--out", hand.parent / "i.csv")


class TestRefused:
    @pytest.mark.parametrize(
        "old, new, words",
        [
            ("0,30,6.0,6.0,0", "0,30,21,6.0,0", "O2 is 21 %"),
            ("0,30,6.0,6.0,0", "0,30,-1,6.0,0", "below 0"),
            ("0,30,6.0,6.0,0", "30,30,6.0,6.0,0", "comes twice"),
            ("0,30,6.0,6.0,0", "0,30,6.0,6.0,", "travel at the firing position 0 degrees is not known"),
            ("0,30,6.0,6.0,0", "0,x,6.0,6.0,0", "'x', not a number"),
            ("0,30,6.0,6.0,0", "0,200,6.0,6.0,0", "Fuel falls"),
            ("30,52,6.4,5.0,17", "30,52,6.4,5.0,40", "air falls"),
        ],
    )
    def test_readings(
        self, hand: Path, capsys: pytest.CaptureFixture[str], old: str, new: str, words: str
    ) -> None:
        hand.write_text(BY_HAND.replace(old, new))
        out = hand.parent / "i.csv"
        said = run(capsys, hand, "--fuel", "natural_gas", "--out", out, status=2)
        assert words in said
        assert not out.exists()

    @pytest.mark.parametrize(
        "extra, words",
        [
            (["--fuel", "coke"], "neither known nor a file"),
            (["--fuel", "natural_gas", "--reserve", "-3"], "reserve"),
            (["--fuel", "natural_gas", "--co-limit", "5000"], "5000 ppm CO"),
            (["--fuel", "natural_gas", "--linkage", "motor"], "DRIVER:DRIVEN"),
            (["--fuel", "natural_gas", "--valve", "shaft2"], "--measured"),
            (["--fuel", "natural_gas", "--measured", "nowhere"], "not a result folder"),
            ([], "--fuel"),
        ],
    )
    def test_options(
        self, hand: Path, capsys: pytest.CaptureFixture[str], extra: list[str], words: str
    ) -> None:
        assert words in run(capsys, hand, *extra, status=2)

    def test_nowhere_to_write(self, hand: Path, capsys: pytest.CaptureFixture[str]) -> None:
        out = hand.parent / "no" / "such" / "i.csv"
        assert "cannot be written" in run(capsys, hand, "--fuel", "propane", "--out", out, status=2)


class TestFromFilm:
    def test_travel_is_looked_up(
        self, film_folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        path, out = tmp_path / "r.csv", tmp_path / "i.csv"
        path.write_text(BY_FILM)
        said = run(capsys, path, "--fuel", "natural_gas", "--measured", film_folder, "--out", out)
        assert "travel of shaft1 against travel of motor" in said
        film = read_result(film_folder)
        worked = work_out(readings_from_csv(path.read_bytes()), NATURAL_GAS, film, settings=FAST)
        assert_allclose(np.degrees(worked.found.readings.damper_rad), MEAN_DEG, atol=1e-6)
        half = fake_result.LOST_DEG / 2
        gap = np.degrees(worked.found.readings.half_gap_rad)
        assert_allclose(gap, [half / 2, half, half, half / 2], atol=1e-6)

    def test_approach_from_one_side_leaves_no_gap(self, film_folder: Path) -> None:
        film, table = read_result(film_folder), readings_from_csv(BY_FILM.encode())
        opening = work_out(table, NATURAL_GAS, film, approach="opening", settings=FAST).found.readings
        closing = work_out(table, NATURAL_GAS, film, approach="closing", settings=FAST).found.readings
        apart = np.degrees(closing.damper_rad - opening.damper_rad)
        assert_allclose(apart[1:3], fake_result.LOST_DEG, atol=1e-6)
        assert not opening.half_gap_rad.any()

    def test_gap_of_one_pass_uses_the_other_and_the_stated_lost_motion(self, film_folder: Path) -> None:
        found = shaft_travel(read_result(film_folder), "shaft1", np.array([40.0]), "either", 0.3, 2.0)
        assert_allclose(found.half_gap_deg, fake_result.LOST_DEG / 2, atol=1e-6)
        assert np.isfinite(found.travel_deg).all()
        only = shaft_travel(read_result(film_folder), "shaft1", np.array([40.0]), "opening", 0.3, 2.0)
        assert np.isnan(only.travel_deg).all()

    def test_a_little_beyond_the_curve_and_far(self, film_folder: Path) -> None:
        at = np.array([90.0, 91.5, 93.0])
        found = shaft_travel(read_result(film_folder), "shaft1", at, "closing", 0.3, 2.0)
        assert found.travel_deg[1] > found.travel_deg[0]
        assert found.sd_deg[1] > found.sd_deg[0]
        assert np.isnan(found.travel_deg[2])

    def test_position_the_film_does_not_show(
        self, film_folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        path = tmp_path / "r.csv"
        path.write_text(BY_FILM.replace("\n90,", "\n120,"))
        said = run(capsys, path, "--fuel", "natural_gas", "--measured", film_folder, status=2)
        assert "shows no travel of shaft1 at the firing position 120 degrees" in said

    def test_hand_stands_above_film_and_a_difference_is_said(self, film_folder: Path) -> None:
        worked = work_out(
            readings_from_csv(BY_HAND.encode()), NATURAL_GAS, read_result(film_folder), settings=FAST
        )
        assert_allclose(np.degrees(worked.found.readings.damper_rad), [0, 17, 36, 58], atol=1e-9)
        assert "hand_against_film" in [remark.code for remark in worked.remarks]

    def test_unknown_shaft(
        self, film_folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        path = tmp_path / "r.csv"
        path.write_text(BY_FILM)
        common = (path, "--fuel", "natural_gas", "--measured", film_folder)
        assert "no driven shaft shaft9" in run(capsys, *common, "--linkage", "motor:shaft9", status=2)
        assert "shaft9 does not drive shaft1" in run(capsys, *common, "--linkage", "shaft9:shaft1", status=2)


class TestTrain:
    def test_last_shaft_against_its_own_driver(self, train_folder: Path) -> None:
        film, table = read_result(train_folder), readings_from_csv(BY_FILM.encode())
        worked = work_out(table, NATURAL_GAS, film, settings=FAST)
        assert worked.linkage == "shaft1:shaft2"
        assert worked.motor == "motor"
        assert_allclose(np.degrees(worked.found.readings.damper_rad), MEAN_DEG / 2, atol=1e-3)
        assert_allclose(np.degrees(worked.found.readings.driver_rad), [0, 30, 60, 90], atol=1e-9)
        # the file is against travel of shaft1, so it ends where shaft1 ends
        assert worked.rows[-1][0] == pytest.approx(MEAN_DEG[-1], abs=1e-3)

    def test_whole_train_against_the_motor(self, train_folder: Path) -> None:
        film, table = read_result(train_folder), readings_from_csv(BY_FILM.encode())
        own = work_out(table, NATURAL_GAS, film, settings=FAST)
        whole = work_out(table, NATURAL_GAS, film, "motor:shaft2", settings=FAST)
        assert whole.rows[-1][0] == pytest.approx(90.0)
        assert [row[1:] for row in whole.rows] == [row[1:] for row in own.rows]

    def test_damper_before_the_fuel_valve(self, train_folder: Path) -> None:
        film, table = read_result(train_folder), readings_from_csv(BY_FILM.encode())
        worked = work_out(table, NATURAL_GAS, film, "motor:shaft1", valve="shaft2", settings=FAST)
        assert_allclose(np.degrees(worked.found.readings.valve_rad), MEAN_DEG / 2, atol=1e-3)
        assert np.all(worked.found.readings.sigma_valve_rad > 0)


def test_sample_readings_give_the_travel_they_were_made_for() -> None:
    # sample_media/README.md: a parallel-blade damper with authority 0.3 that stands 16 degrees open at low
    # fire
    table = readings_from_csv(SAMPLE.read_bytes())
    travel = [-4, 0, 4.59, 12.48, 21.51, 31.09, 40.78, 50.16]
    columns = (*table.columns, "driven_sd_deg")
    values = np.column_stack([table.values, np.full(8, 0.1)])
    values[:, columns.index("driven_deg")] = travel
    worked = work_out(type(table)(columns, values), NATURAL_GAS)
    truth = np.array([-1.38, 1.55, 8.40, 17.13, 25.56, 37.81, 48.02])
    wanted = worked.found.wanted
    off = np.degrees(wanted.damper_rad[1:]) - truth
    # readings are rounded to 0.1 % O2 and have errors of their own
    assert np.all(np.abs(off) < 3 * np.degrees(wanted.sigma_rad[1:]))
    assert np.all(np.abs(off) < 1.5)
    assert not worked.remarks


def test_figure_shows_band_readings_and_intended() -> None:
    worked = work_out(readings_from_csv(BY_HAND.encode()), NATURAL_GAS, settings=FAST)
    axes = damper_figure(worked).axes[0]
    assert set(axes.get_legend_handles_labels()[1]) == {"damper, from the readings", "as read", "intended"}
    assert len(axes.collections) >= 1
    line = axes.get_lines()[0]
    assert np.all(np.diff(line.get_ydata()) > 0)
    assert line.get_xdata()[0] == pytest.approx(0.0, abs=1e-9)
    assert line.get_xdata()[-1] == pytest.approx(58.0, abs=1e-9)
