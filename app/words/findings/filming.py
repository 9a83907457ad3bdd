"""Filming faults in words."""

from __future__ import annotations

from strokecurve.app.words.estimates import fixed
from strokecurve.app.words.findings.sentence import Found, Sentence, facts_of, markers_named, value_of
from strokecurve.vision.motion.faults import Gap, Squeezed


def marker_lost(found: Found) -> Sentence:
    """A shaft or a rod that was not measured all the time."""
    name = found.subject.shaft or f"the rod with {markers_named(found.subject.markers)}"
    return Sentence(
        f"The angle of {name} could be measured in {fixed(value_of(found))} % of the frames; "
        f"the longest gap lasts {fixed(facts_of(found, Gap).longest_s, 1)} s.",
        "Keep hands, cables and glare off its marker and the card; film again if it matters.",
    )


def marker_disturbed(found: Found) -> Sentence:
    """A marker that was seen but not believed."""
    return Sentence(
        f"{_marker(found)} was seen but did not fit its shaft, rod or card in {fixed(value_of(found))} "
        "frames, which were left out.",
        "See that it lies flat, is glued down firmly and nothing moves in front of it.",
    )


def marker_small(found: Found) -> Sentence:
    """A marker with few pixels."""
    return Sentence(
        f"{_marker(found)} is only {fixed(value_of(found))} pixels wide, so its angle is less sure.",
        "Move the phone closer, use larger markers or film in 4K.",
    )


def blurred(found: Found) -> Sentence:
    """A blurred marker."""
    return Sentence(
        f"{_marker(found)} is blurred by {fixed(value_of(found), 1)} pixels at times.",
        "Use more light, hold the phone still or on a stand, and check the focus.",
    )


def card_partial(found: Found) -> Sentence:
    """Part of the card out of sight."""
    missing = found.subject.markers
    return Sentence(
        f"Of the reference card's four markers, {', '.join(map(str, missing))} "
        f"{'was' if len(missing) == 1 else 'were'} out of sight for more than half of the film.",
        "Fix the whole card in view; with part of it all angles and lengths are less sure.",
    )


def card_moved(found: Found) -> Sentence:
    """A card that did not stay where it was."""
    return Sentence(
        f"The card moved by {fixed(value_of(found), 1)} mm against the shafts, at about "
        f"{fixed(found.time_s or 0.0, 1)} s or slowly.",
        "Fix it to something firm that neither the linkage nor a hand touches, and film again.",
    )


def oblique(found: Found) -> Sentence:
    """A card seen from the side."""
    return Sentence(
        f"The card is seen at {fixed(value_of(found))} degrees from square on.",
        "Stand in front of the linkage so that the card looks like a rectangle.",
    )


def arm_plane_tilted(found: Found) -> Sentence:
    """A card out of the plane of the arms."""
    return Sentence(
        f"The arm of {found.subject.shaft} turns in a plane {fixed(value_of(found))} degrees off the card.",
        "Fix the card parallel to the arms if you can; the tilt is allowed for in the angles.",
    )


def file_damaged(found: Found) -> Sentence:
    """Pieces of the file that could not be decoded."""
    return Sentence(
        f"{fixed(value_of(found))} pieces of the file could not be decoded; their frames are gaps.",
        "Copy the clip from the phone again.",
    )


def few_frames(found: Found) -> Sentence:
    """Few frames in a second."""
    return Sentence(
        f"The film has only {fixed(value_of(found))} frames in a second.",
        "Film with 30 frames a second or more; in poor light add a lamp.",
    )


def steadied(found: Found) -> Sentence:
    """A film whose pictures the phone shifted."""
    return Sentence(
        f"The phone steadied the film: it shifted each picture, by {fixed(value_of(found))} pixels or so. "
        "That is allowed for, but all angles are less sure.",
        "Switch the video stabilisation off in the camera app, or put the phone on a stand.",
    )


def squeezed(found: Found) -> Sentence:
    """A film that a messenger coded anew."""
    facts = facts_of(found, Squeezed)
    width, height = facts.size_wh_px
    return Sentence(
        f"The film was squeezed on its way, as messengers do: {width} x {height} pixels with "
        f"{fixed(value_of(found), 2)} bits each. Its angles have a standard deviation of "
        f"{fixed(facts.sd_deg, 2)} degrees; the phone's own file in 1080p makes them about twice as sure.",
        "Copy the file itself from the phone (cable, drive or as a document), not as a message.",
    )


def _marker(found: Found) -> str:
    return markers_named(found.subject.markers).capitalize()


WORDS = {
    "marker_lost": marker_lost,
    "marker_disturbed": marker_disturbed,
    "marker_small": marker_small,
    "blurred": blurred,
    "card_partial": card_partial,
    "card_moved": card_moved,
    "oblique": oblique,
    "arm_plane_tilted": arm_plane_tilted,
    "file_damaged": file_damaged,
    "few_frames": few_frames,
    "steadied": steadied,
    "squeezed": squeezed,
}
