"""A comparison in a few lines of text, for the terminal."""

from __future__ import annotations

import textwrap

from strokecurve.app.commands.summary import WIDTH
from strokecurve.app.report.comparing import Change, Comparison, tolerance_words
from strokecurve.app.result.presenter import shown
from strokecurve.app.words.estimates import format_estimate
from strokecurve.app.words.names import spoken

CLOSING = (
    "± is one standard deviation. This compares motion; it does not say that a burner is safe to fire. "
    "Final settings only with a calibrated combustion analyser, by a licensed technician, to the maker's "
    "instructions and local code."
)


def compared_summary(comparison: Comparison) -> str:
    """What changed on each linkage, each figure with its uncertainty, and what improved."""
    lines: list[str] = []
    for linkage in comparison.linkages:
        lines += [f"Linkage {' to '.join(linkage.name.split(':', 1))}"]
        lines.append(f"  {'':<42} {'as found':<19} {'as left':<19} difference")
        lines += [_change(change) for change in (*linkage.condition, *linkage.geometry)]
        lines += [f"  {words}" for words in (tolerance_words(linkage),) if words]
        lines += [*textwrap.wrap(linkage.sentence, WIDTH), ""]
    if not comparison.linkages:
        lines += [comparison.sentence, ""]
    for names, film in ((comparison.only_found, "as found"), (comparison.only_left, "as left")):
        lines += [f"{spoken(name)}: not compared, as only the film {film} shows it." for name in names]
    for words, found in (
        ("gone", comparison.gone),
        ("still there", comparison.stayed),
        ("new", comparison.new),
    ):
        lines.append(f"Dangers and cautions {words}: {len(found) or 'none'}")
        for finding in found:
            text = f"- {finding['severity'].upper()} {shown(finding).where}: {finding['text']}"
            lines += textwrap.wrap(text, WIDTH, subsequent_indent="  ")
    return "\n".join([*lines, "", *textwrap.wrap(CLOSING, WIDTH)])


def _change(change: Change) -> str:
    found, left, difference = (
        format_estimate(value, sd, change.unit)
        for value, sd in (
            (change.found, change.found_sd),
            (change.left, change.left_sd),
            (change.difference, change.difference_sd),
        )
    )
    noise = ", within noise" if change.sure is False else ""
    return f"  {change.words:<42} {found:<19} {left:<19} {difference}{noise}"
