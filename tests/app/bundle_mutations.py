"""Bundles changed at random: bytes flipped, cut, inserted; contents altered under checksums that fit."""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from collections.abc import Iterator
from typing import Any

import numpy as np
from text_fuzzing import changed

ODD_VALUES: tuple[Any, ...] = (
    None, 0, -1, 1e308, 2**80, 10**30, 4e9, "", [], {}, True, "x" * 300, "../x", "f" * 32, [[[]]],
    "\ud800", "\x00", "\ud800:\udfff", "=1+1",
)  # fmt: skip


def pick(rng: np.random.Generator, values: Any) -> Any:
    """One of some values."""
    return values[int(rng.integers(len(values)))]


def damaged(good: bytes, rng: np.random.Generator) -> bytes:
    """A bundle with a few bytes changed, mostly in the zip file's directory."""
    content = bytearray(good)
    directory = good.index(b"PK\x01\x02")
    for _ in range(pick(rng, (1, 1, 3, 20))):
        if len(content) <= directory + 1:
            break
        at = int(rng.integers(directory if rng.random() < 0.7 else 0, len(content)))
        match pick(rng, ("set", "set", "set", "cut", "insert", "remove")):
            case "set":
                content[at] = int(rng.integers(256))
            case "cut":
                del content[at:]
            case "insert":
                content[at:at] = rng.bytes(int(rng.integers(1, 9)))
            case "remove":
                del content[at : at + int(rng.integers(1, 40))]
    return bytes(content)


def altered(value: Any, rng: np.random.Generator) -> Any:
    """A JSON value with one thing in it left out or replaced by an odd one."""
    if isinstance(value, dict) and value and rng.random() < 0.85:
        name = pick(rng, sorted(value))
        if rng.random() < 0.1:
            return {key: one for key, one in value.items() if key != name}
        return value | {name: altered(value[name], rng)}
    if isinstance(value, list) and value and rng.random() < 0.85:
        place = int(rng.integers(len(value)))
        return [altered(one, rng) if n == place else one for n, one in enumerate(value)]
    return pick(rng, ODD_VALUES)


def opened(good: bytes) -> dict[str, bytes]:
    """The files of a bundle by name, its manifest among them."""
    with zipfile.ZipFile(io.BytesIO(good)) as bundle:
        return {name: bundle.read(name) for name in bundle.namelist()}


def closed(files: dict[str, bytes], rng: np.random.Generator, how: int = zipfile.ZIP_STORED) -> bytes:
    """A bundle of these files with checksums that fit, and now and then an altered manifest."""
    manifest = json.loads(files.pop("manifest.json"))
    manifest["files"] = [
        {"name": name, "size_bytes": len(content), "sha256": hashlib.sha256(content).hexdigest()}
        for name, content in files.items()
    ]
    if rng.random() < 0.2:
        manifest = altered(manifest, rng)
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w", how) as bundle:
        for name, content in {"manifest.json": json.dumps(manifest).encode(), **files}.items():
            bundle.writestr(name, content)
    return target.getvalue()


def repacked(good: bytes, rng: np.random.Generator) -> bytes:
    """A bundle with altered JSON."""
    files = opened(good)
    results = [name for name in files if name.startswith("results/") and name.endswith(".json")]
    name = pick(rng, ["job.json", *results])
    files[name] = json.dumps(altered(json.loads(files[name]), rng)).encode()
    return closed(files, rng)


def other_arrays(content: bytes, rng: np.random.Generator) -> bytes:
    """A file of arrays with one of them left out, replaced, burst or damaged."""
    arrays = opened(content)
    name = pick(rng, sorted(arrays))
    match pick(rng, ("gone", "burst", "odd", "damaged", "cut")):
        case "gone":
            del arrays[name]
        case "burst":
            arrays[name] = _array(np.zeros(pick(rng, (10_000, 13_000_000)), np.uint64))
        case "odd":
            arrays[name] = _array(
                pick(rng, (np.array("x"), np.zeros((0, 3)), np.full(7, np.nan), np.array(1j)))
            )
        case "damaged":
            head = bytearray(arrays[name])
            for _ in range(pick(rng, (1, 3))):
                head[int(rng.integers(min(len(head), 140)))] = int(rng.integers(256))
            arrays[name] = bytes(head)
        case "cut":
            return content[: int(rng.integers(len(content)))]
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w", pick(rng, (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED))) as stored:
        for one, array in arrays.items():
            stored.writestr(one, array)
    return target.getvalue()


def _array(values: np.ndarray) -> bytes:
    target = io.BytesIO()
    np.save(target, values)
    return target.getvalue()


def refilled(good: bytes, rng: np.random.Generator) -> bytes:
    """A bundle with a table, arrays or a picture of a result altered or left out."""
    files = opened(good)
    endings = (".csv", ".npz", ".jpg")
    name = pick(rng, sorted(one for one in files if one.startswith("results/") and one.endswith(endings)))
    if rng.random() < 0.1:
        del files[name]
    elif name.endswith(".npz"):
        files[name] = other_arrays(files[name], rng)
    else:
        files[name] = changed(files[name], rng)
    return closed(files, rng, pick(rng, (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)))


def mutations(good: bytes, count: int, seed: int) -> Iterator[bytes]:
    """Changed bundles, of all sorts in turn."""
    rng = np.random.default_rng(seed)
    for number in range(count):
        yield (repacked, damaged, refilled)[number % 3](good, rng)
