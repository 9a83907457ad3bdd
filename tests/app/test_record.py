"""What people put on record checks itself, and comes back from text as it was."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from typing import Any

import pytest

from strokecurve.app.words.errors import InputError
from strokecurve.app.words.statements import (
    KINDS,
    Choice,
    Comment,
    Content,
    Done,
    Entry,
    FilmFacts,
    IntendedChoice,
    JobFacts,
    Proposals,
    Readings,
    RigText,
    Verdict,
    from_json,
    is_id,
    kind_of,
    to_json,
)

LINKAGE = "motor:shaft1"
EXAMPLES: tuple[Content, ...] = (
    JobFacts("boiler 2", None, "light oil"),
    RigText('[[shaft]]\nname = "Klappe 1 ü"\n'),
    FilmFacts("as left", "IMG 1.MOV", "somebody", "2025-11-02"),
    Readings("driver_deg\t;o2\r\n0;3,5\n", ("driver_deg", "o2"), ((0.0, 3.5), (9.0, None))),
    IntendedChoice(LINKAGE, "table", ((0.0, 0.0, None), (45.0, 0.1 + 0.2, 1.0))),
    Proposals(LINKAGE, '[{"touches": 1, "rms_deg": 0.25}]'),
    Choice("0123456789abcdef", 2),
    Done("0123456789abcdef", ("done", "done otherwise"), "A. Technician", "2025-11-03", "rod by\neye"),
    Comment("two\nlines", 1.25, LINKAGE, -3.5),
    Verdict("accept"),
)


@pytest.mark.parametrize("content", EXAMPLES, ids=lambda content: type(content).__name__)
def test_text_and_back(content: Content) -> None:
    text = to_json(content)
    assert from_json(kind_of(content), text) == content
    assert to_json(from_json(kind_of(content), text)) == text
    assert "\n" not in text


def test_there_is_an_example_of_every_kind() -> None:
    assert {type(content) for content in EXAMPLES} == set(KINDS.values())


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: JobFacts("x" * 81), "too long"),
        (lambda: JobFacts("a\nb"), "signs that cannot be shown"),
        (lambda: JobFacts("  "), "empty"),
        (lambda: RigText(""), "empty"),
        (lambda: FilmFacts("before", "x"), "role of a film"),
        (lambda: FilmFacts(None, "x", filmed_on="yesterday"), "no date"),
        (lambda: Readings("x", (), ()), "no columns"),
        (lambda: Readings("x", ("a", "b"), ((1.0,),)), "number of cells"),
        (lambda: Readings("x", ("a",), ((math.nan,),)), "reading cannot be used"),
        (lambda: Readings("x", ("a",), ([1.0],)), "not a table"),  # type: ignore[arg-type]  # on purpose
        (lambda: IntendedChoice("motor", "equal", ()), "driver:driven"),
        (lambda: IntendedChoice(LINKAGE, "magic", ()), "intended travel cannot be"),
        (
            lambda: IntendedChoice(LINKAGE, "table", ((0.0, math.inf, None),)),
            "intended travel cannot be used",
        ),
        (lambda: IntendedChoice(LINKAGE, "table", ((0.0, 1.0, -1.0),)), "tolerance"),
        (lambda: Proposals(LINKAGE, "{}"), "not a list"),
        (lambda: Proposals(LINKAGE, "[1]"), "not a list"),
        (lambda: Proposals(LINKAGE, '[{"rms_deg": NaN}]'), "not valid JSON"),
        (lambda: Choice("x", 0), "no list"),
        (lambda: Choice("0123456789abcdef", -1), "not in its list"),
        (lambda: IntendedChoice(LINKAGE, "readings", (), approach="above"), "approach cannot be"),
        (lambda: IntendedChoice(LINKAGE, "readings", (), "a\nb"), "signs"),
        (lambda: Done("x", ("done",), "a", "2025-11-03"), "no proposal that was chosen"),
        (lambda: Done("0123456789ab", (), "a", "2025-11-03"), "1 to 100 steps"),
        (lambda: Done("0123456789ab", ("perhaps",), "a", "2025-11-03"), "state of a step"),
        (lambda: Done("0123456789ab", ("done",), " ", "2025-11-03"), "who did the work"),
        (lambda: Done("0123456789ab", ("done",), "a", "today"), "no date"),
        (lambda: Done("0123456789ab", ("done", "not done"), "a", "2025-11-03"), "no remark"),
        (lambda: Verdict("accept", None, (("0123456789ab",),)), "by its ids"),  # type: ignore[arg-type]  # on purpose
        (lambda: Verdict("accept", None, (("../x", "0123456789ab"),)), "by its ids"),
        (lambda: Comment(""), "empty"),
        (lambda: Comment("x", time_s=-1.0), "moment"),
        (lambda: Comment("x", time_s=True), "moment"),
        (lambda: Comment("x\x00"), "signs"),
        (lambda: Comment("\ud800"), "signs"),
        (lambda: Comment(7), "empty"),  # type: ignore[arg-type]  # on purpose
        (lambda: Verdict("fine"), "verdict cannot be"),
        (lambda: Entry("a", "b", None, 0.0, "x" * 81, Verdict("accept")), "name is too long"),
    ],
)
def test_what_cannot_be_is_said(make: Callable[[], object], words: str) -> None:
    with pytest.raises(InputError, match=words) as caught:
        make()
    assert caught.value.hint


@pytest.mark.parametrize(
    ("kind", "found", "words"),
    [
        ("spell", {}, "kind that is not known"),
        ("verdict", {"verdict": "accept"}, "fields"),
        ("verdict", {"verdict": "accept", "text": None, "more": 1}, "fields"),
        ("verdict", [], "fields"),
        ("verdict", {"verdict": "accept", "text": None, "about": [["0123456789ab", 7]]}, "by its ids"),
        ("verdict", {"verdict": "accept", "about": []}, "fields"),
        ("choice", {"proposals_id": "0123456789abcdef", "number": 1.5}, "not in its list"),
    ],
)
def test_text_that_is_no_entry(kind: str, found: Any, words: str) -> None:
    with pytest.raises(InputError, match=words):
        from_json(kind, json.dumps(found))


@pytest.mark.parametrize(
    ("value", "ours"),
    [
        ("0123456789ab", True),
        ("f" * 32, True),
        ("F" * 32, False),
        ("../x", False),
        ("a" * 11, False),
        (7, False),
    ],
)
def test_ids_are_safe_in_addresses_and_file_names(value: object, ours: bool) -> None:
    assert is_id(value) is ours
