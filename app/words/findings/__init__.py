"""Findings in words: the one place where what was found becomes sentences, last of all.

In comes a finding as data, whether of the linkage, of the filming or of clips that were joined; out go what
is the case and what to do about it. Nothing is ever read back out of them: whoever needs the moment, the
place or the kind of a finding takes it from the data.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from strokecurve.app.words.findings import arms, clips, filming, geometry, motion
from strokecurve.app.words.findings.sentence import Found, Sentence

WORDS: Mapping[str, Callable[[Found], Sentence]] = {
    **geometry.WORDS,
    **motion.WORDS,
    **arms.WORDS,
    **filming.WORDS,
    **clips.WORDS,
}
"""What puts a finding into words, by its code."""

__all__ = ["WORDS", "Found", "Sentence", "in_words"]


def in_words(finding: Found) -> Sentence:
    """A finding in words.

    Raises
    ------
    KeyError
        If there are no words for its code.
    TypeError
        If its facts are not those of its code.
    """
    return WORDS[finding.code](finding)
