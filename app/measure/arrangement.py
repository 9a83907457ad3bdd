"""Which marker sits on which shaft or rod: by its number, unless the set-up file says otherwise."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from strokecurve.app.measure.rig import DEFAULT_SHAFTS, Rig, RigLinkage
from strokecurve.app.measure.settings import Settings
from strokecurve.app.words.errors import InputError
from strokecurve.vision.edges.follow import MarkerTracks
from strokecurve.vision.edges.markers import CARD_IDS, EXTRA_ARM_IDS, FIRST_ARM_ID, FIRST_ROD_ID
from strokecurve.vision.errors import DetectionError
from strokecurve.vision.joint_fit.initialisation import marker_sides
from strokecurve.vision.motion.shafts import ShaftSpec

SHEET_ADVICE = "Print the marker sheet, fix card and markers as it says, and film again."


@dataclass(frozen=True, slots=True)
class PlannedLinkage:
    """A linkage to be looked at.

    Attributes
    ----------
    driver, driven : int
        Indices into the shafts.
    rod : tuple of (int, float) or None
        Id and side in mm of the rod's marker, if it was seen.
    rig : RigLinkage
        What the set-up file says about it.
    """

    driver: int
    driven: int
    rod: tuple[int, float] | None
    rig: RigLinkage


@dataclass(frozen=True, slots=True)
class Arrangement:
    """Shafts seen, and linkages between them."""

    shafts: tuple[ShaftSpec, ...]
    linkages: tuple[PlannedLinkage, ...]


def arrange(
    tracks: MarkerTracks,
    rig: Rig,
    picture_wh_px: tuple[int, int],
    settings: Settings,
    part: bool = False,
) -> Arrangement:
    """Work out shafts and linkages from the markers seen.

    Parameters
    ----------
    tracks : MarkerTracks
        Markers followed through the clip.
    rig : Rig
        Set-up file.
    picture_wh_px : tuple of int
        Size of the stored picture.
    settings : Settings
        Sizes and limits.
    part : bool
        The clip shows only part of the train: linkages of the set-up file with a shaft that is not in it are
        left to other clips.

    Returns
    -------
    Arrangement

    Raises
    ------
    DetectionError
        If there are no markers, no reference card or fewer than two shafts.
    InputError
        If the set-up file names a shaft that is not there; with `part`, no linkage that is.
    """
    named = {s.marker for s in rig.shafts} | {k.rod_marker for k in rig.linkages if k.rod_marker is not None}
    share = tracks.seen.mean(axis=0) if len(tracks.time_s) else np.zeros(len(tracks.ids))
    present = {
        int(i)
        for i, s in zip(tracks.ids, share, strict=True)
        if s >= settings.least_marker_share or int(i) in named
    }
    if not present:
        raise DetectionError("No markers were found in this clip.", SHEET_ADVICE)
    if not present & set(CARD_IDS):
        raise DetectionError(
            "The reference card (markers 0 to 3) is not in the picture.",
            "Fix it next to the linkage, parallel to the arms, and film again with the whole card in view.",
        )
    arms = _arms(present, rig)
    if len(arms) < 2:
        seen = "no marked arm" if not arms else f"only the arm of {next(iter(arms))}"
        raise DetectionError(
            f"Two marked arms are needed for a travel curve, and {seen} was found.",
            "Put marker 10 on the motor's arm and 11 on the driven arm, and keep both in view.",
        )
    linkages = rig.linkages or _train(arms)
    if part and rig.linkages:
        linkages = tuple(k for k in rig.linkages if k.driver in arms and k.driven in arms)
        if not linkages:
            raise InputError(
                f"No linkage of the set-up file is in this clip: it shows {', '.join(arms)}.",
                "Correct the file, or film the markers of both shafts of a linkage.",
            )
    rods = {k: _rod_marker(link, arms, present) for k, link in enumerate(linkages)}
    everything = [i for ids in arms.values() for i in ids] + [r for r in rods.values() if r is not None]
    side = marker_sides(tracks, everything, settings.marker_sides_mm, picture_wh_px)
    side |= {s.marker: s.side_mm for s in rig.shafts if s.side_mm is not None}
    names = list(arms)
    planned = []
    for k, link in enumerate(linkages):
        for end in (link.driver, link.driven):
            if end not in names:
                raise InputError(
                    f"The set-up file names the shaft {end!r}, but no marker of it was seen.",
                    f"Shafts seen: {', '.join(names)}. Correct the file, or film with its marker in view.",
                )
        rod = rods[k]
        rod_side = None if rod is None else (rod, link.rod_side_mm or side[rod])
        planned.append(PlannedLinkage(names.index(link.driver), names.index(link.driven), rod_side, link))
    shafts = tuple(ShaftSpec(name, tuple((i, side[i]) for i in ids)) for name, ids in arms.items())
    return Arrangement(shafts, tuple(planned))


def _arms(present: set[int], rig: Rig) -> dict[str, list[int]]:
    """Markers of each shaft by name, the arm's own first, in the order of the numbers."""
    given = {s.marker: s.name for s in rig.shafts}
    arms: dict[str, list[int]] = {}
    for k, default in enumerate(DEFAULT_SHAFTS):
        markers = [i for i in (FIRST_ARM_ID + k, *(e + k for e in EXTRA_ARM_IDS)) if i in present]
        own = [i for i in markers if i not in given or i == FIRST_ARM_ID + k]
        if own:
            # a shaft named by its arm's marker keeps the name where only another marker of it is seen
            name = next((given[i] for i in (FIRST_ARM_ID + k, *own) if i in given), default)
            arms.setdefault(name, []).extend(i for i in own if i not in arms.get(name, []))
    for marker, name in given.items():
        if marker in present and not any(marker in ids for ids in arms.values()):
            arms.setdefault(name, []).append(marker)
    return arms


def _train(arms: dict[str, list[int]]) -> tuple[RigLinkage, ...]:
    """Linkages in the order of the shafts, each driving the next."""
    names = list(arms)
    return tuple(RigLinkage(a, b) for a, b in pairwise(names))


def _rod_marker(link: RigLinkage, arms: dict[str, list[int]], present: set[int]) -> int | None:
    """Marker of the rod that a driver moves: as the file says, else by the driver's number."""
    if link.rod_marker is not None:
        return link.rod_marker if link.rod_marker in present else None
    lead = arms.get(link.driver, [0])[0]
    marker = lead % 10 + FIRST_ROD_ID
    return marker if lead >= FIRST_ARM_ID and marker in present else None
