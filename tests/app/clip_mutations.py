"""Clips changed at random: bits flipped, cut off, pieces left out, repeated or of another container."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from bundle_mutations import pick

HEADER_BYTES = 4096
"""Both ends of the file, where containers keep their tables, are changed more often than the pictures."""


def changed(clip: bytes, other: bytes, rng: np.random.Generator) -> bytes:
    """One clip with one kind of damage."""
    content = bytearray(clip)
    match pick(rng, ("flip", "flip", "table", "table", "cut", "leave out", "repeat", "splice")):
        case "flip":
            for _ in range(pick(rng, (1, 10, 100, 1000))):
                content[int(rng.integers(len(content)))] ^= 1 << int(rng.integers(8))
        case "table":
            end = pick(rng, (0, max(len(content) - HEADER_BYTES, 0)))
            for _ in range(pick(rng, (1, 2, 5, 20))):
                at = end + int(rng.integers(min(HEADER_BYTES, len(content))))
                content[at] = pick(rng, (0, 1, 0x7F, 0x80, 0xFF, int(rng.integers(256))))
        case "cut":
            del content[int(rng.integers(len(content))) :]
        case "leave out":
            first = int(rng.integers(len(content)))
            del content[first : first + int(rng.integers(1, 20_000))]
        case "repeat":
            first = int(rng.integers(len(content)))
            content[first:first] = content[first : first + int(rng.integers(1, 20_000))]
        case "splice":
            first = int(rng.integers(len(content)))
            content[first:] = other[int(rng.integers(len(other))) :]
    return bytes(content)


def mutations(clips: tuple[bytes, ...], count: int, seed: int) -> Iterator[bytes]:
    """So many damaged clips, each the other's donor."""
    rng = np.random.default_rng(seed)
    for n in range(count):
        yield changed(clips[n % len(clips)], clips[(n + 1) % len(clips)], rng)
