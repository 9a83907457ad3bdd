"""Bundles that lie, burst or reach out: each is refused with one sentence, and nothing changes."""

from __future__ import annotations

import io
import json
import stat
import struct
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from bundle_mutations import mutations
from packing import Files, complete, good_files, manifest_of, packed, refused, store_in_use
from stored import Clock

from strokecurve.app.store import bundle_reading
from strokecurve.app.store.bundle import FORMAT_VERSION
from strokecurve.app.store.bundle_import import import_bundle
from strokecurve.app.store.maintenance import check
from strokecurve.app.store.store import Store
from strokecurve.app.words.errors import StoreError

NEXT_WEEK_S = Clock().now + 7 * 86_400.0


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Files:
    """Files of a good bundle by name, without its manifest."""
    return good_files(tmp_path_factory.mktemp("good"))


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return store_in_use(tmp_path)


def changed_job(good: Files, change: Callable[[Any], object]) -> bytes:
    """The good bundle with another ``job.json``, everything else fitting."""
    job = json.loads(good["job.json"])
    change(job)
    return complete(good | {"job.json": json.dumps(job).encode()})


def test_the_good_one_is_taken(store: Store, good: Files) -> None:
    merged = import_bundle(store, io.BytesIO(complete(good)))
    assert (merged.new_job, merged.films, merged.runs, merged.clips) == (True, 1, 1, 1)
    assert check(store).problems == ()
    deflated = packed({"manifest.json": manifest_of(good)} | good, zipfile.ZIP_DEFLATED)
    assert import_bundle(store, io.BytesIO(deflated)).entries == 0


@pytest.mark.parametrize("content", [b"", b"no zip at all", b"PK\x05\x06" + b"\0" * 18, b"PK\x03\x04" * 50])
def test_what_is_no_bundle(store: Store, content: bytes) -> None:
    refused(store, content, "cannot be read|not a bundle")


def test_cut_short_and_bit_flips(store: Store, good: Files) -> None:
    whole = complete(good)
    for length in range(1, len(whole), len(whole) // 25):
        refused(store, whole[:length], "cannot be read|not a bundle|damaged|leads elsewhere")
    flipped = bytearray(whole)
    at = whole.index(good["job.json"]) + 40
    flipped[at] ^= 1
    refused(store, bytes(flipped), "cannot be read|damaged")


def test_a_wrong_checksum(store: Store, good: Files) -> None:
    name = next(name for name in good if name.endswith("travel.csv"))
    manifest = manifest_of(good)
    for other in (good[name][:-2] + b"9\n", good[name] + b"9\n"):
        content = packed({"manifest.json": manifest} | good | {name: other})
        refused(store, content, "checksum is wrong|has not the size")


@pytest.mark.parametrize("version", [FORMAT_VERSION + 1, 99])
def test_a_newer_version(store: Store, good: Files, version: int) -> None:
    refused(store, complete(good, format_version=version), "newer strokecurve.*Update")


@pytest.mark.parametrize("changes", [{"format": "x"}, {"format_version": "1"}, {"format_version": True},
                                     {"job_id": "../x"}, {"job_id": None}, {"files": {}}, {"files": [1]},
                                     {"files": [{"name": 1, "size_bytes": 1, "sha256": ""}]}])  # fmt: skip
def test_a_manifest_that_is_none(store: Store, good: Files, changes: dict[str, Any]) -> None:
    refused(store, complete(good, **changes), "manifest|not a bundle|not known|not the one")


@pytest.mark.parametrize(
    "name",
    [
        "../evil.csv",
        "/etc/evil",
        "results/../../x.csv",
        "C:/x.csv",
        "results\\x.csv",
        "a//b",
        "./job.json",
        "x/",
    ],
)
def test_names_that_lead_elsewhere(store: Store, good: Files, name: str) -> None:
    refused(store, complete(good | {name: b"x"}), "leads elsewhere")


@pytest.mark.parametrize(
    "name",
    [
        "evil.sh",
        "results/x/result.json",
        "latest/a.exe",
        "logs/a.log",
        "jobs.sqlite",
        "results/" + "a" * 32 + "/x.py",
    ],
)
def test_files_that_are_not_known(store: Store, good: Files, name: str) -> None:
    refused(store, complete(good | {name: b"x"}), "not known")
    refused(store, packed({"manifest.json": manifest_of(good)} | good | {name: b"x"}), "does not name")


def test_a_file_that_is_missing(store: Store, good: Files) -> None:
    name = next(name for name in good if name.endswith("travel.csv"))
    files = {"manifest.json": manifest_of(good)} | good
    del files[name]
    refused(store, packed(files), "is missing")


def test_a_file_given_twice(store: Store, good: Files) -> None:
    target = io.BytesIO(complete(good))
    with pytest.warns(UserWarning, match="Duplicate"), zipfile.ZipFile(target, "a") as bundle:
        bundle.writestr("job.json", b"{}")
    refused(store, target.getvalue(), "twice")


def test_names_that_differ_only_in_case(store: Store, good: Files) -> None:
    refused(store, complete(good | {"JOB.json": b"{}"}), "twice|not known")


@pytest.mark.parametrize("kind", [stat.S_IFLNK, stat.S_IFIFO, stat.S_IFDIR, stat.S_IFCHR])
def test_links_and_devices(store: Store, good: Files, kind: int) -> None:
    target = io.BytesIO(complete(good))
    with zipfile.ZipFile(target, "a") as bundle:
        info = zipfile.ZipInfo("latest/link.txt")
        info.external_attr = (kind | 0o777) << 16
        bundle.writestr(info, "/etc/passwd")
    refused(store, target.getvalue(), "link")


def test_encrypted(store: Store, good: Files) -> None:
    content = bytearray(complete(good))
    at = content.index(b"PK\x01\x02")
    content[at + 8] |= 1
    refused(store, bytes(content), "encrypted")


def test_what_bursts(store: Store, good: Files) -> None:
    bomb = {"latest/zeros.csv": b"\0" * (300 << 20 >> 3)}
    files = good | bomb
    content = packed({"manifest.json": manifest_of(files)} | files, zipfile.ZIP_DEFLATED)
    assert len(content) < 1 << 20
    refused(store, content, "burst")


def test_a_size_that_is_a_lie(store: Store, good: Files) -> None:
    """The directory and the manifest state a few bytes, the packed data hold a megabyte."""
    name, claimed = "latest/zeros.csv", 10
    files = good | {name: b"\0" * (1 << 20)}
    content = bytearray(packed({"manifest.json": manifest_of(good | {name: b"\0" * claimed})} | files,
                               zipfile.ZIP_DEFLATED))  # fmt: skip
    central = content.rindex(name.encode()) - 46
    local = content.index(name.encode()) - 30
    struct.pack_into("<L", content, central + 24, claimed)
    struct.pack_into("<L", content, local + 22, claimed)
    refused(store, bytes(content), "damaged|cannot be read")


def test_too_many_files_are_refused_before_their_names_are_read(
    store: Store, good: Files, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bundle_reading, "MOST_FILES", 50)
    many = good | {f"latest/{number}.txt": b"" for number in range(60)}
    refused(store, complete(many), "too many files")


def test_json_too_large_and_clip_too_large(
    store: Store, good: Files, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as patch:
        patch.setattr(bundle_reading, "LARGEST_JSON_BYTES", 500)
        refused(store, complete(good), "too large")
    with monkeypatch.context() as patch:
        patch.setattr(bundle_reading, "LARGEST_CLIP_BYTES", 50)
        refused(store, complete(good), "too large")
    with monkeypatch.context() as patch:
        patch.setattr(bundle_reading, "LARGEST_BUNDLE_BYTES", 1000)
        refused(store, complete(good), "is larger than .* MB.*without the clips")


@pytest.mark.parametrize(
    "content",
    [
        b"[" * 100_000,
        b'{"a": NaN}',
        b'{"job": 1e999}',
        b'{"films": [], "films": []}',
        b"\xff\xfe",
        b"1" * 10_000,
    ],
)
def test_json_made_to_confuse(store: Store, good: Files, content: bytes) -> None:
    refused(store, complete(good | {"job.json": content}), "not valid JSON")
    name = next(name for name in good if name.endswith("result.json"))
    refused(store, complete(good | {name: content}), "not valid JSON")


@pytest.mark.parametrize("content", [b"[]", b"3", b"{}", b'{"job": {}, "films": 3, "entries": {}}', b"null"])
def test_a_job_that_is_none(store: Store, good: Files, content: bytes) -> None:
    refused(store, complete(good | {"job.json": content}), "not written|not the one")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda job: job["films"][0].update(id="../../x"), "not ours"),
        (lambda job: job["films"][0]["clip"].update(file="../x.mp4"), "not described"),
        (lambda job: job["films"][0]["clip"].update(sha256="0" * 64), "not that of its film"),
        (lambda job: job["films"][0]["clip"].update(size_bytes=True), "not described"),
        (lambda job: job["films"][0]["clip"].update(size_bytes=0), "not described"),
        (lambda job: job["films"][0]["clip"].update(size_bytes=10**30), "not described"),
        (lambda job: job["films"][0].update(made_s=1e300), "time"),
        (lambda job: job["films"][0].update(made_s="now"), "time"),
        (lambda job: job["films"][0].update(made_s=NEXT_WEEK_S), "and here it is"),
        (lambda job: job["films"][0]["runs"][0].update(finished_s=NEXT_WEEK_S), "and here it is"),
        (lambda job: job["entries"][0].update(made_s=NEXT_WEEK_S), "from 2026-02-09 .* and here it is"),
        (lambda job: job["films"][0]["runs"][0].update(id="f" * 32), "results in the bundle"),
        (lambda job: job["films"][0]["runs"][0].update(rig_id="f" * 32), "set-up"),
        (lambda job: job["films"].append(job["films"][0]), "twice"),
        (lambda job: job["films"].clear(), "not that of its film|not those of its films"),
        (lambda job: job["entries"].append(job["entries"][0]), "twice"),
        (lambda job: job["entries"].clear(), "nothing is said"),
        (lambda job: job["entries"][0].update(kind="spell"), "not known"),
        (lambda job: job["entries"][0].update(film_id="f" * 32), "does not belong"),
        (lambda job: job["entries"][0].update(author="x" * 1000), "too long"),
        (lambda job: job["entries"][0].update(author="a\nb"), "signs"),
        (lambda job: job["entries"][0]["content"].update(more=1), "fields"),
        (lambda job: job["entries"][0].update(content=["x"]), "fields"),
        (lambda job: job["entries"][0].pop("made_s"), "not written"),
    ],
)
def test_a_job_that_contradicts_itself(
    store: Store, good: Files, change: Callable[[Any], object], words: str
) -> None:
    refused(store, changed_job(good, change), words)


@pytest.mark.parametrize("text", ["", "x" * 6000, "\ud800", "\x00", 7])
def test_a_comment_that_is_none(store: Store, good: Files, text: object) -> None:
    def change(job: Any) -> None:
        comment = next(entry for entry in job["entries"] if entry["kind"] == "comment")
        comment["content"]["text"] = text

    refused(store, changed_job(good, change), "comment")


@pytest.mark.parametrize(
    "name", ["\ud800:shaft1", "motor:\udfff", "motor:shaft1\x7f", "=1+1", "x" * 90 + ":y"]
)
def test_a_linkage_that_is_none(store: Store, good: Files, name: str) -> None:
    def change(job: Any) -> None:
        proposals = next(entry for entry in job["entries"] if entry["kind"] == "proposals")
        proposals["content"]["linkage"] = name

    refused(store, changed_job(good, change), "linkage")


def test_half_signs_in_proposals_and_results(store: Store, good: Files) -> None:
    def change(job: Any) -> None:
        proposals = next(entry for entry in job["entries"] if entry["kind"] == "proposals")
        proposals["content"]["proposals_json"] = '[{"touches": "\\ud800"}]'

    refused(store, changed_job(good, change), "signs that cannot be shown")
    name = next(name for name in good if name.endswith("result.json"))
    result = json.loads(good[name]) | {"note": "\ud800"}
    refused(store, complete(good | {name: json.dumps(result).encode()}), "signs that cannot be shown")


FORMULAS = ("=1+1", "@SUM(A1)", "+1+1", "-1+1", "\t=1+1", " =1+1", "x;=1+1", "\uff1d1+1", "\r=1")


@pytest.mark.parametrize("formula", FORMULAS)
def test_tables_that_office_programs_would_work_out(store: Store, good: Files, formula: str) -> None:
    cell = '"' + formula.replace('"', '""') + '"'
    for table in ("angles.csv", "travel.csv"):
        name = next(name for name in good if name.endswith(table))
        for content in (good[name] + f"{cell},1\n".encode(), f"{cell},a\n".encode() + good[name]):
            refused(store, complete(good | {name: content}), "formula")
    refused(store, complete(good | {"latest/readings.csv": cell.encode()}), "formula")
    refused(store, complete(good | {"latest/readings.csv": b"\xef\xbb\xbf" + cell.encode()}), "formula")


def test_negative_numbers_in_tables_are_no_formulas(store: Store, good: Files) -> None:
    name = next(name for name in good if name.endswith("angles.csv"))
    content = complete(good | {name: good[name] + b"99.0,-1.5,2e-05\n"})
    assert import_bundle(store, io.BytesIO(content)).new_job


def test_a_table_that_is_none(store: Store, good: Files) -> None:
    name = next(name for name in good if name.endswith("angles.csv"))
    for content in (b"\xff\xfe", b'"' + b"x" * 200_000):
        refused(
            store, complete(good | {name: content}), "A table in the bundle cannot be (read|used: a line)"
        )


def test_a_clock_within_a_day_is_believed(store: Store, good: Files) -> None:
    soon_s = Clock().now + 86_000.0
    content = changed_job(good, lambda job: job["entries"][-1].update(made_s=soon_s))
    assert import_bundle(store, io.BytesIO(content)).new_job


def test_a_result_of_another_clip(store: Store, good: Files) -> None:
    name = next(name for name in good if name.endswith("result.json"))
    result = json.loads(good[name])
    result["clip"]["sha256"] = "0" * 64
    refused(store, complete(good | {name: json.dumps(result).encode()}), "another clip")
    result["shafts"] = "none"
    refused(store, complete(good | {name: json.dumps(result).encode()}), "form of a result")


def test_a_bundle_cannot_rewrite_what_the_store_holds(store: Store, good: Files) -> None:
    import_bundle(store, io.BytesIO(complete(good)))

    def reword(job: Any) -> None:
        comment = next(entry for entry in job["entries"] if entry["kind"] == "comment")
        comment["content"]["text"] = "never said"

    refused(store, changed_job(good, reword), "contradicts")
    name = next(name for name in good if name.endswith("travel.csv"))
    refused(store, complete(good | {name: good[name] + b"\n"}), "contradicts")
    refused(store, changed_job(good, lambda job: job["films"][0].update(made_s=5.0)), "contradicts")
    assert check(store).problems == ()


def test_a_bundle_cannot_reach_into_another_job(store: Store, good: Files) -> None:
    import_bundle(store, io.BytesIO(complete(good)))
    refused(store, changed_job(good, lambda job: job["job"].update(id="e" * 32)), "contradicts")
    other = store.jobs()[-1].job_id

    def only_a_comment(job: Any) -> None:
        job["job"].update(id=other, made_s=store.job(other).made_s)
        job["films"].clear()
        job["entries"] = [entry for entry in job["entries"] if entry["kind"] == "comment"]
        job["entries"][0]["film_id"] = None
        job["entries"][0]["content"]["time_s"] = None

    job = json.loads(good["job.json"])
    only_a_comment(job)
    refused(store, complete({"job.json": json.dumps(job).encode()}), "contradicts")


def test_a_full_disk_is_said_before_anything_is_written(
    store: Store, good: Files, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise StoreError("There is not enough disk space.", "Free some.")

    monkeypatch.setattr("strokecurve.app.store.bundle_import.check_space", full)
    refused(store, complete(good), "disk space")


def test_a_file_that_is_not_there(store: Store, tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="cannot be read"):
        import_bundle(store, tmp_path / "none.zip")


def test_changes_at_random_give_a_sentence_or_a_whole_job(store: Store, good: Files) -> None:
    """A seeded part of ``tests/bench/fuzz_bundles.py``."""
    refusals = 0
    for content in mutations(complete(good), 100, seed=3):
        try:
            import_bundle(store, io.BytesIO(content))
        except StoreError:
            refusals += 1
    assert refusals > 50
    assert check(store).problems == ()
