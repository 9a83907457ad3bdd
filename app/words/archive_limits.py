"""Files packed by others: how many there are and how large, looked at before anything is unpacked."""

from __future__ import annotations

import math
import re
import struct
import zipfile
import zlib
from pathlib import Path
from typing import BinaryIO

from strokecurve.app.words.files import LARGEST_CLIP_BYTES, MB

LARGEST_ARRAYS_BYTES = 100 * MB
"""What drawing reads of a film takes 250 bytes a frame: an hour and more of film."""
LARGEST_TRACKS_BYTES = LARGEST_CLIP_BYTES
"""Edges as followed take 2 kB a frame with ten markers. No page reads them."""
TRACKS = "edges.npz"
MOST_ARRAYS = 100
"""A file of arrays holds 14 at most."""
LONGEST_HEAD_BYTES = 1_000
_HEAD = re.compile(
    rb"\{'descr': '[<>|](?P<kind>[biufU])(?P<size>[0-9]{1,9})', 'fortran_order': (?:False|True), "
    rb"'shape': \((?P<shape>(?:[0-9]{1,12}(?:, ?)?){0,8})\), \} *\n"
)
"""What numpy writes of an array of numbers or words."""
_UNREADABLE = (
    zipfile.BadZipFile,
    zipfile.LargeZipFile,
    zlib.error,
    struct.error,
    OSError,
    EOFError,
    NotImplementedError,
    RuntimeError,
)
"""What the libraries raise for files that are none, or are damaged."""


def check_directory(file: BinaryIO, most_files: int, most_bytes: int) -> bool:
    """Whether a zip file's directory is small enough for the library to read all of it into memory.

    Parameters
    ----------
    file : binary file
        Can seek.
    most_files, most_bytes : int
        What the directory may hold, and how large it may be.

    Raises
    ------
    BadZipFile, struct.error, OSError
        If it is no zip file.
    """
    length = file.seek(0, 2)
    file.seek(max(0, length - 65_557))
    tail = file.read()
    at = tail.rfind(b"PK\x05\x06")
    if at < 0:
        raise zipfile.BadZipFile
    count, size = struct.unpack_from("<10xHL", tail, at)
    if count == 0xFFFF or size == 0xFFFFFFFF:
        if at < 20 or tail[at - 20 : at - 16] != b"PK\x06\x07":
            raise zipfile.BadZipFile
        (end,) = struct.unpack_from("<8xQ", tail, at - 20)
        file.seek(end)
        count, size = struct.unpack_from("<32xQQ", file.read(56))
    return bool(count <= most_files and size <= most_bytes)


def check_arrays(path: Path, most_bytes: int | None = None) -> None:
    """Refuse a file of arrays (``.npz``) that is none or that would take too much memory when read.

    Nothing is inflated but the head of each array, which says how large it is.

    Parameters
    ----------
    path : Path
    most_bytes : int, optional
        Most that all arrays may take; otherwise what its name lets expect.

    Raises
    ------
    ValueError
        With what is wrong, in a few words.
    """
    if most_bytes is None:
        most_bytes = LARGEST_TRACKS_BYTES if path.name == TRACKS else LARGEST_ARRAYS_BYTES
    try:
        with path.open("rb") as file:
            if not check_directory(file, MOST_ARRAYS, MOST_ARRAYS * 400):
                raise ValueError(f"it holds more than {MOST_ARRAYS} arrays")
            with zipfile.ZipFile(file) as stored:
                infos = stored.infolist()
                if sum(info.file_size for info in infos) > most_bytes:
                    raise ValueError(f"its arrays take more than {most_bytes / MB:.0f} MB")
                for info in infos:
                    _check_array(stored, info)
    except _UNREADABLE as error:
        raise ValueError("it holds no arrays, or is damaged") from error


def _check_array(stored: zipfile.ZipFile, info: zipfile.ZipInfo) -> None:
    """Refuse an array whose head promises something else than what follows it; ValueError says so."""
    if info.flag_bits & 0x1 or info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        raise ValueError("it is packed in a way that is not taken")
    with stored.open(info) as member:
        # By hand: numpy's own reader takes heads of many more kinds and raises almost anything for bad ones.
        start = member.read(8)
        if start not in (b"\x93NUMPY\x01\x00", b"\x93NUMPY\x02\x00"):
            raise ValueError("it holds something else than arrays")
        (length,) = (
            struct.unpack("<H", member.read(2)) if start[6] == 1 else struct.unpack("<I", member.read(4))
        )
        head = _HEAD.fullmatch(member.read(min(length, LONGEST_HEAD_BYTES)))
        if head is None:
            raise ValueError("it holds something else than numbers and words")
        count = math.prod(int(side) for side in head["shape"].split(b",") if side.strip())
        each = int(head["size"]) * (4 if head["kind"] == b"U" else 1)
        if each == 0 or count * each != info.file_size - member.tell():
            raise ValueError("an array is not as large as it says")
