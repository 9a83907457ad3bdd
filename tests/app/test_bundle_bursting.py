"""Results in bundles that no page could show, or that would burst when shown, are refused."""

from __future__ import annotations

import io
import json
import tracemalloc
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from packing import Files, complete, good_files, packed, refused, store_in_use

from strokecurve.app.page.loaded import load_result
from strokecurve.app.result import reading as result_folder
from strokecurve.app.store.bundle_import import import_bundle
from strokecurve.app.store.maintenance import check
from strokecurve.app.store.store import Store
from strokecurve.app.words import archive_limits as packed_files
from strokecurve.app.words.archive_limits import check_arrays
from strokecurve.app.words.errors import InputError

MB = 1_000_000


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Files:
    """Files of a good bundle by name, without its manifest."""
    return good_files(tmp_path_factory.mktemp("good"))


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return store_in_use(tmp_path)


def beside_result(good: Files, name: str) -> str:
    """Name of another file beside ``result.json``."""
    return next(one for one in good if one.endswith("result.json")).replace("result.json", name)


def arrays(**named: Any) -> bytes:
    """A file of arrays, packed tightly."""
    target = io.BytesIO()
    np.savez_compressed(target, **named)
    return target.getvalue()


def with_member(name: str, content: bytes, how: int = zipfile.ZIP_DEFLATED) -> bytes:
    """A zip file with one member."""
    return packed({name: content}, how)


def lying_array() -> bytes:
    """An array whose head says that 8 GB follow."""
    head = io.BytesIO()
    np.lib.format.write_array_header_1_0(head, {"descr": "<f8", "fortran_order": False, "shape": (10**9,)})
    return with_member("angle_rad.npy", head.getvalue() + b"\0" * 80)


def test_a_result_with_arrays_and_pictures_is_taken_in(store: Store, good: Files) -> None:
    files = good | {
        beside_result(good, "stages/shafts.npz"): arrays(time_s=np.arange(900.0), names=np.array(["motor"])),
        beside_result(good, "stages/edges.npz"): arrays(nodes_px=np.ones((900, 6, 4, 2, 2))),
        beside_result(good, "stages/pins.json"): b"[]",
    }
    assert import_bundle(store, io.BytesIO(complete(files))).runs == 1
    assert check(store).problems == ()


def test_arrays_that_burst_are_refused_before_they_are_inflated(store: Store, good: Files) -> None:
    bomb = arrays(time_s=np.zeros(200 * MB // 8))
    assert len(bomb) < MB, "the bundle is small"
    content = complete(good | {beside_result(good, "stages/shafts.npz"): bomb})
    tracemalloc.start()
    refused(store, content, r"stages/shafts.npz in a result .* take more than 100 MB")
    _, peak_bytes = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak_bytes < 30 * MB  # the bundle itself and its tables; the arrays would take 200 MB


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"no arrays", "holds no arrays"),
        (lying_array(), "not as large as it says"),
        (with_member("a.npy", b"\x93NUMPY\x09\x00"), "something else than arrays"),
        (with_member("a.npy", b"no array"), "something else than arrays"),
        (with_member("a.npy", b"\x93NUMPY\x01\x00\x09\x00{'descr': "), "something else than numbers"),
        (with_member("a.npy", b"\x93NUMPY\x01\x00\x09"), "holds no arrays"),
        (with_member("a.npy", b"", zipfile.ZIP_BZIP2), "not taken"),
        (arrays(a=np.array(["x"], dtype="S1").astype("V1")), "something else than numbers"),
        (packed({f"{n}.npy": b"" for n in range(101)}), "more than 100 arrays"),
    ],
    ids=["no zip", "lying", "newer", "no array", "half a head", "cut", "bzip2", "void", "many"],
)
def test_arrays_that_are_none(store: Store, good: Files, content: bytes, words: str) -> None:
    refused(store, complete(good | {beside_result(good, "stages/shafts.npz"): content}), words)


def test_objects_in_arrays_are_refused_without_being_opened(tmp_path: Path) -> None:
    np.savez(tmp_path / "a.npz", a=np.array([{"an": "object"}]))
    with pytest.raises(ValueError, match="something else than numbers"):
        check_arrays(tmp_path / "a.npz")


def test_edges_of_long_films_may_take_more_than_what_pages_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(packed_files, "LARGEST_ARRAYS_BYTES", 1000)
    for name in ("edges.npz", "shafts.npz"):
        np.savez(tmp_path / name, a=np.zeros(1000))
    check_arrays(tmp_path / "edges.npz")
    with pytest.raises(ValueError, match="take more than"):
        check_arrays(tmp_path / "shafts.npz")


def change_result(good: Files, change: Callable[[dict[str, Any]], object]) -> bytes:
    """The good bundle with another ``result.json``, everything else fitting."""
    name = beside_result(good, "result.json")
    result = json.loads(good[name])
    change(result)
    return complete(good | {name: json.dumps(result).encode()})


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda result: result["shafts"][0].pop("name"), "an entry of shafts has no name"),
        (lambda result: result["shafts"].append(7), "an entry of shafts has no name"),
        (lambda result: result["shafts"][0].update(name="other"), "joins a shaft that is not among"),
        (lambda result: result["shafts"].append(result["shafts"][0]), "a name is there twice"),
        (lambda result: result["linkages"][0].pop("geometry"), "a linkage has no geometry"),
        (lambda result: result["findings"][0].update(severity="dire"), "a finding has no severity"),
        (lambda result: result["findings"].extend(result["findings"] * 400), "more than 1,000 findings"),
        (lambda result: result["shafts"].append({"name": "shaft9"}), "no column shaft9_deg"),
        (lambda result: result["shafts"][0].update(travel_deg="far"), r"shafts\[0\].travel_deg is no number"),
        (lambda result: result["shafts"][0].update(travel_sd_deg=-1), "travel_sd_deg is no number from 0 on"),
        (lambda result: result["linkages"][0].update(slips="x"), r"linkages\[0\].slips is no list"),
        (lambda result: result["linkages"][0].update(slips=[None]), r"slips has an empty place"),
        (lambda result: result["linkages"][0].update(joint_play={}), r"joint_play has no driven?_pin"),
        (lambda result: result["linkages"][0].update(stroke=[]), r"stroke is no record"),
        (lambda result: result["findings"][0].update(advice=3), r"findings\[0\].advice is no text"),
        (lambda result: result["findings"][0].update(value=10**400), r"findings\[0\].value is no number"),
        (lambda result: result.update(trains=[{"shafts": []}]), r"trains\[0\] has no"),
    ],
)
def test_records_that_no_page_could_show(
    store: Store, good: Files, change: Callable[[dict[str, Any]], object], words: str
) -> None:
    refused(store, change_result(good, change), f"in a result in the bundle cannot be used: .*{words}")


@pytest.mark.parametrize(
    ("table", "line", "words"),
    [
        ("travel.csv", b"motor:shaft1,opening,2e6,3,0.1\n", "driver_deg is beyond 36,000"),
        ("travel.csv", b"motor:shaft1,opening,x,3,0.1\n", "a field is no number"),
        ("travel.csv", b"motor:shaft1,sideways,1,3,0.1\n", "neither opening nor closing"),
        ("angles.csv", b"1e9,1,1,1,1\n", "time_s is beyond 86,400"),
        ("travel.csv", b"motor:shaft1,opening,1,1,-0.1\n", "sd_deg is below 0"),
        ("angles.csv", b"99,1,-1,1,1\n", "motor_sd_deg is below 0"),
        ("angles.csv", b"0.5,1,1,1,1\n", "before the one above"),
        ("angles.csv", b",1,1,1,1\n", "a time is missing"),
        ("angles.csv", b"99," + b"1" * 70_000 + b"\n", "a line is longer than"),
    ],
)
def test_tables_that_no_page_could_show(
    store: Store, good: Files, table: str, line: bytes, words: str
) -> None:
    name = beside_result(good, table)
    refused(store, complete(good | {name: good[name] + line}), words)


def test_tables_too_large_and_missing(store: Store, good: Files, monkeypatch: pytest.MonkeyPatch) -> None:
    name = beside_result(good, "travel.csv")
    refused(store, complete({one: content for one, content in good.items() if one != name}), "cannot be read")
    with monkeypatch.context() as patch:
        patch.setattr(result_folder, "MOST_FIELDS", 100)
        refused(store, complete(good), "more than 100 fields")
    with monkeypatch.context() as patch:
        patch.setattr("strokecurve.app.store.bundle_reading.LARGEST_TABLE_BYTES", 100)
        refused(store, complete(good), "too large")
    with monkeypatch.context() as patch:
        patch.setattr(result_folder, "LARGEST_TABLE_BYTES", 100)
        refused(store, complete(good), "larger than")
    with monkeypatch.context() as patch:
        patch.setattr("strokecurve.app.store.bundle_reading.LARGEST_RECORD_BYTES", 100)
        refused(store, complete(good), "too large")


def test_the_page_reads_with_the_same_bounds(tmp_path: Path, good: Files) -> None:
    """What an earlier version took in is opened by the page within the same bounds."""
    folder = tmp_path / "run"
    folder.mkdir()
    for table in ("angles.csv", "travel.csv", "result.json"):
        (folder / table).write_bytes(good[beside_result(good, table)])
    assert load_result.__wrapped__(str(folder)).shafts == ("motor", "shaft1")
    with (folder / "travel.csv").open("ab") as file:
        file.write(b"motor:shaft1,opening,2e6,3,0.1\n")
    with pytest.raises(InputError, match=r"travel.csv in the result of this film .* beyond 36,000"):
        load_result.__wrapped__(str(folder))
    (folder / "travel.csv").write_bytes(b"x" * 1000)
    with pytest.raises(InputError, match="no column linkage"):
        load_result.__wrapped__(str(folder))
    (folder / "result.json").write_bytes(b" " * 6 * MB)
    with pytest.raises(InputError, match="larger than 5 MB"):
        load_result.__wrapped__(str(folder))
