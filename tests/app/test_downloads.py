"""Tables that a page offers are kept under their job, the newest as far as there is room."""

from __future__ import annotations

from strokecurve.app.page.downloads import Offers


def test_a_table_is_found_under_its_own_job_only() -> None:
    offers = Offers()
    digest = offers.add("one", b"driver_deg,driven_deg\n")
    assert offers.add("one", b"driver_deg,driven_deg\n") == digest
    assert offers.find("one", digest) == b"driver_deg,driven_deg\n"
    assert offers.find("other", digest) is None
    assert offers.find("one", digest[::-1]) is None


def test_what_was_drawn_longest_ago_makes_room() -> None:
    offers = Offers(most_bytes=100)
    digests = [offers.add("one", bytes([number]) * 30) for number in range(3)]
    offers.add("one", bytes([0]) * 30)  # its page was drawn again
    offers.add("one", bytes([3]) * 30)
    kept = [offers.find("one", digest) is not None for digest in digests]
    assert kept == [True, False, True]
    assert offers.find("one", offers.add("one", bytes(101))) is None, "too large for the room there is"
