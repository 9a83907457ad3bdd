"""Set-up files and tables changed at random, tried by the command they are meant for in a confined process.

As a program: ``python text_fuzzing.py KIND PLACE SHA256`` tries every file of ``PLACE/cases`` and prints a
line of JSON for each.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import re
import shutil
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import fake_result
import numpy as np
from confined import assert_ended_well, rows_of, say, write_cases

from strokecurve.app.commands.cli import main
from strokecurve.app.words.resource_limits import confine
from strokecurve.kinematics.intended import settings

STRANGE = (
    "nan", "inf", "-inf", "1e999", "-0", "1_000", "\uff11", "", " ", "'", '"', "=1+1", "@SUM(A1)", "1,5",
    "0x10", "true", "null", "[]", "{}", "[[]]", "9" * 400, "-1", "1e-320", "\u202e", "\x00", "../../x",
    "90 deg", "\U0001f525", "[1, [2, [3]]]", "2024-01-01", "motor", "shaft1", "0", "360", "1e9",
)  # fmt: skip
_TOKEN = re.compile(rb"[-\w.]+")


def _swap_token(text: bytes, rng: np.random.Generator) -> bytes:
    """Another value where one stands."""
    places = list(_TOKEN.finditer(text))
    if not places:
        return text
    place = places[rng.integers(len(places))]
    new = str(rng.choice(np.array(STRANGE, dtype=object))).encode()
    return text[: place.start()] + new + text[place.end() :]


def _swap_two(text: bytes, rng: np.random.Generator) -> bytes:
    """Two values change places."""
    places = list(_TOKEN.finditer(text))
    if len(places) < 2:
        return text
    first, second = sorted(rng.choice(len(places), 2, replace=False))
    a, b = places[first], places[second]
    return text[: a.start()] + b[0] + text[a.end() : b.start()] + a[0] + text[b.end() :]


def _lines(text: bytes, rng: np.random.Generator) -> bytes:
    """A line is lost, doubled or moved."""
    lines = text.split(b"\n")
    line = lines.pop(int(rng.integers(len(lines))))
    for _ in range(int(rng.integers(0, 3))):
        lines.insert(int(rng.integers(len(lines) + 1)), line)
    return b"\n".join(lines)


def _bytes(text: bytes, rng: np.random.Generator) -> bytes:
    """Some bytes are changed, whatever they were."""
    changed = bytearray(text)
    for _ in range(int(rng.integers(1, 8))):
        if changed:
            changed[int(rng.integers(len(changed)))] = int(rng.integers(256))
    return bytes(changed)


def _cut(text: bytes, rng: np.random.Generator) -> bytes:
    """The file ends early."""
    return text[: int(rng.integers(len(text) + 1))]


def _dialect(text: bytes, rng: np.random.Generator) -> bytes:
    """As other programs write it."""
    ways = (
        lambda: b"\xef\xbb\xbf" + text,
        lambda: text.replace(b"\n", b"\r\n"),
        lambda: text.replace(b",", b";"),
        lambda: text.replace(b",", b"\t"),
        lambda: text.decode().encode("utf-16"),
        lambda: text.replace(b".", b","),
        lambda: text + b"\n" * 5000,
        lambda: text * 40,
        lambda: b"#" * 2_000_000 + b"\n" + text,
    )
    try:
        return bytes(ways[int(rng.integers(len(ways)))]())
    except UnicodeDecodeError:
        return text


_CHANGES = (_swap_token, _swap_token, _swap_token, _swap_two, _lines, _bytes, _cut, _dialect)


def mutations(texts: tuple[bytes, ...], count: int, seed: int) -> Iterator[bytes]:
    """Changed copies of texts, one or two changes each."""
    rng = np.random.default_rng(seed)
    for number in range(count):
        yield changed(texts[number % len(texts)], rng)


def changed(text: bytes, rng: np.random.Generator) -> bytes:
    """A text with one or two changes."""
    for _ in range(int(rng.integers(1, 3))):
        text = _CHANGES[int(rng.integers(len(_CHANGES)))](text, rng)
    return text


RIG = b"""
[[shaft]]
name = "motor"
marker = 10
side_mm = 30
[[shaft]]
name = "shaft1"
marker = 11
[[linkage]]
driver = "motor"
driven = "shaft1"
opening = "ccw"
stroke_deg = 90
[linkage.tape]
drive_radius_mm = [60, 0.5]
driven_radius_mm = [75, 0.5]
spacing_mm = [220, 1]
drive_start_deg = [40, 0.3]
driven_start_deg = [55, 0.3]
[linkage.allow]
drive_radius_mm = { holes = [50, 60, 67, 75] }
driven_radius_mm = { min = 60, max = 100 }
[linkage.limits]
min_toggle_deg = 25
over_travel_deg = 2
"""
INTENDED = (
    b"driver_deg,driven_deg,tolerance_deg\n"
    b"0,0,1\n15,9.5,1\n30,21,1.5\n45,34.2,1.5\n60,50,2\n75,70.1,2\n90,95,2\n"
)
READINGS = (Path(__file__).parents[2] / "sample_media" / "readings.csv").read_bytes()
FUEL = b'name = "plant gas (invented)"\n[gas]\nCH4 = 0.93\nC2H6 = 0.04\nN2 = 0.02\nCO2 = 0.01\n'


@dataclass(frozen=True, slots=True)
class Bench:
    """What the commands need beside the file under test.

    Attributes
    ----------
    place : Path
        Holds ``kept``, which no command may change, and ``out``, where they write.
    kept_sha256 : str
    """

    place: Path
    kept_sha256: str

    @classmethod
    def make(cls, place: Path) -> Bench:
        """Lay everything out in an empty folder."""
        kept = place / "kept"
        kept.mkdir()
        fake_result.write_fake_result(kept / "measured")
        (kept / "rig.toml").write_bytes(RIG)
        (kept / "intended.csv").write_bytes(INTENDED)
        (kept / "readings.csv").write_bytes(READINGS)
        (kept / "clip.mp4").write_bytes(b"no clip")
        return cls(place, _sha256(kept))

    def commands(self, kind: str, file: Path) -> list[list[str]]:
        """Command lines that read a file of a kind."""
        kept, out = self.place / "kept", self.place / "out"
        measured = ["--measured", kept / "measured"]
        wanted = ["--intended", kept / "intended.csv"]
        lines = {
            "rig": [
                ["measure", kept / "clip.mp4", "--rig", file, "--out", out / "measured"],
                ["adjust", "--rig", file, *wanted, "--out", out / "adjust"],
            ],
            "intended": [["adjust", "--rig", kept / "rig.toml", "--intended", file, "--out", out / "adjust"]],
            "readings": [["intended", file, "--fuel", "natural_gas", *measured, "--out", out / "a.csv"]],
            "fuel": [["intended", kept / "readings.csv", "--fuel", file, *measured, "--out", out / "a.csv"]],
        }
        return [[str(word) for word in line] for line in lines[kind]]

    def try_batch(self, kind: str, texts: list[bytes]) -> list[list[tuple[str, float]]]:
        """How each command ended on each file, and how long it took; an assertion fails on a bad end."""
        cases = self.place / "cases"
        shutil.rmtree(cases, ignore_errors=True)
        names = write_cases(cases, texts, ".txt")
        rows = rows_of(__file__, kind, self.place, self.kept_sha256, count=len(texts))
        found = []
        for row, text in zip(rows, texts, strict=True):
            for end in row["ends"]:
                assert_ended_well(end | {"file": text[:4000]})
            assert row["as_before"], text[:4000]
            found.append(
                [(f"{end['command']}: {_kind_of(end['said'])}", end["took_s"]) for end in row["ends"]]
            )
        assert sorted(path.name for path in cases.iterdir()) == names
        return found

    def try_file(self, kind: str, file: Path) -> None:
        """Give a file to the commands that read its kind, and say how each ended."""
        out = self.place / "out"
        shutil.rmtree(out, ignore_errors=True)
        out.mkdir()
        before = _sha256(file.parent)
        ends = []
        for words in self.commands(kind, file):
            said, told = io.StringIO(), io.StringIO()
            began_s = time.monotonic()
            with contextlib.redirect_stderr(said), contextlib.redirect_stdout(told):
                status = main(words)
            took_s = time.monotonic() - began_s
            ends.append({"command": words[0], "status": status, "said": said.getvalue(), "took_s": took_s})
        as_before = (
            _sha256(self.place / "kept") == self.kept_sha256
            and _sha256(file.parent) == before
            and {path.name for path in self.place.iterdir()} == {"kept", "out", "cases"}
        )
        say(ends=ends, as_before=as_before)


TEXTS = {"rig": (RIG,), "intended": (INTENDED,), "readings": (READINGS,), "fuel": (FUEL,)}


def _kind_of(sentence: str) -> str:
    """A sentence without what is special to one file."""
    if not sentence:
        return "done"
    return re.sub(r"'[^']*'|\"[^\"]*\"|[-\d.]*\d|\S*/\S*", "~", sentence.split(". ", maxsplit=1)[0])[:60]


def _sha256(folder: Path) -> str:
    """Of all names and contents in a folder."""
    digest = hashlib.sha256()
    for path in sorted(folder.rglob("*")):
        digest.update(path.relative_to(folder).as_posix().encode())
        if path.is_file():
            digest.update(path.read_bytes())
    return digest.hexdigest()


def try_all(kind: str, place: Path, kept_sha256: str) -> None:
    """Try every file of a batch."""
    confine()
    # How a file is read does not depend on the number of draws, which take most of the time.
    settings.READING_DEFAULTS = replace(settings.READING_DEFAULTS, draws=60)
    bench = Bench(place, kept_sha256)
    for file in sorted((place / "cases").iterdir()):
        bench.try_file(kind, file)


if __name__ == "__main__":
    try_all(sys.argv[1], Path(sys.argv[2]), sys.argv[3])
