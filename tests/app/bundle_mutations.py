"""Bundles changed at random: bytes flipped, cut, inserted; and JSON altered under checksums that fit."""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from collections.abc import Iterator
from typing import Any

import numpy as np

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


def repacked(good: bytes, rng: np.random.Generator) -> bytes:
    """A bundle whose JSON was altered, with checksums that fit and now and then an altered manifest."""
    with zipfile.ZipFile(io.BytesIO(good)) as bundle:
        files = {name: bundle.read(name) for name in bundle.namelist()}
    manifest = json.loads(files.pop("manifest.json"))
    name = pick(rng, ["job.json", "job.json", *(name for name in files if name.endswith("result.json"))])
    files[name] = json.dumps(altered(json.loads(files[name]), rng)).encode()
    manifest["files"] = [
        {"name": name, "size_bytes": len(content), "sha256": hashlib.sha256(content).hexdigest()}
        for name, content in files.items()
    ]
    if rng.random() < 0.3:
        manifest = altered(manifest, rng)
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w") as bundle:
        for name, content in {"manifest.json": json.dumps(manifest).encode(), **files}.items():
            bundle.writestr(name, content)
    return target.getvalue()


def mutations(good: bytes, count: int, seed: int) -> Iterator[bytes]:
    """Changed bundles, of both sorts in turn."""
    rng = np.random.default_rng(seed)
    for number in range(count):
        yield (damaged if number % 2 else repacked)(good, rng)
