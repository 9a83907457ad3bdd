"""Findings about what was filmed or named but could not be used."""

from __future__ import annotations

from strokecurve.app.words.findings.clips import Reason
from strokecurve.kinematics.errors import KinematicsError
from strokecurve.kinematics.findings.findings import Finding, Subject


def without_linkage(name: str, error: KinematicsError) -> Finding:
    """A linkage of which nothing could be worked out."""
    return Finding("linkage_left_out", "caution", Subject(name), facts=Reason(error.message, error.hint))


def without_rod(name: str, reason: str, hint: str = "Keep it in view and film again.") -> Finding:
    """A rod marker that could not be used."""
    return Finding("rod_left_out", "note", Subject(name), facts=Reason(reason, hint))


def without_pins(name: str) -> Finding:
    """A rod marker that was followed, but does not show both pins."""
    reason = "The rod turned too little against an arm, while both were seen, to find both pins."
    return without_rod(
        name, reason, "Film the full stroke with the rod marker in view, or measure both radii."
    )


def without_fit(name: str, error: KinematicsError) -> Finding:
    """A linkage whose geometry could not be fitted."""
    return Finding("no_geometry", "caution", Subject(name), facts=Reason(error.message, error.hint))
