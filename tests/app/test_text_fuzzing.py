"""Changed set-up files and tables are used or refused in words (thousands: ``tests/bench/fuzz_texts.py``)."""

from __future__ import annotations

from pathlib import Path

import pytest
from text_fuzzing import TEXTS, Bench, mutations

from strokecurve.app.intended.readings import fuel_from_toml
from strokecurve.app.measure.rig import Rig
from strokecurve.app.words.errors import PLAIN_ERRORS, InputError


@pytest.mark.slow
@pytest.mark.parametrize("kind", TEXTS)
def test_changed_files_are_used_or_refused_in_a_sentence(tmp_path: Path, kind: str) -> None:
    bench = Bench.make(tmp_path)
    texts = TEXTS[kind]
    good, *others = bench.try_batch(kind, [texts[0], *mutations(texts, 12, seed=3)])
    assert good[-1][0].endswith("done"), "the file itself is good"
    assert len({end for ends in others for end, _ in ends}) > 1, "some are refused, in different ways"


@pytest.mark.parametrize(
    "text",
    [
        "a = " + "9" * 5000,
        "a = " + "[" * 20_000,
        '[[linkage]]\ndriver = "a"\ndriven = "b"\nstroke_deg = ' + "9" * 400,
        '[[shaft]]\nname = "x"\nmarker = ' + "9" * 400,
        "a" * 100_000 + " = 1",
        "[gas]\n" + "a" * 100_000 + " = 1",
        "[gas]\nCH4 = " + "9" * 400,
    ],
    ids=["digits", "depth", "stroke", "marker", "key", "gas", "share"],
)
def test_what_is_beyond_all_bounds_is_refused_in_a_short_sentence(text: str) -> None:
    with pytest.raises(InputError) as of_rig:
        Rig.from_toml(text)
    with pytest.raises(PLAIN_ERRORS) as of_fuel:
        fuel_from_toml(text.encode(), "fuel")
    assert len(str(of_rig.value)) < 300
    assert len(str(of_fuel.value)) < 300
