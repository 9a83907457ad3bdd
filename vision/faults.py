"""What was wrong with the filming, each with its figure, its limit and the remedy."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vision.arrays import Floats
from vision.follow import MarkerTracks
from vision.markers import CARD_IDS
from vision.motion import ShaftMotion
from vision.shifts import largest_step


@dataclass(frozen=True, slots=True)
class FaultSettings:
    """Limits beyond which the filming is called faulty.

    Attributes
    ----------
    least_share : float
        Share of the frames in which a marker should be measured.
    least_side_px : float
        Side of a marker in the picture.
    most_blur_px : float
        Blur (standard deviation) across the edges.
    most_oblique_rad : float
        Angle between line of sight and card normal.
    most_lean_rad : float
        Angle between a shaft's axis and the card's normal.
    least_rate_hz : float
        Frames in a second.
    most_shift_mm, most_twist_rad : float
        Lasting shift of the card against the shafts, and turn of a marker on its arm, within the clip.
    sure_sigmas : float
        A shift must also stand out of its noise by so many standard deviations.
    """

    least_share: float = 0.97
    least_side_px: float = 36.0
    most_blur_px: float = 2.2
    most_oblique_rad: float = np.deg2rad(35.0)
    most_lean_rad: float = np.deg2rad(8.0)
    least_rate_hz: float = 20.0
    most_shift_mm: float = 0.3
    most_twist_rad: float = np.deg2rad(0.6)
    sure_sigmas: float = 4.0


@dataclass(frozen=True, slots=True)
class Fault:
    """One statement about the filming.

    Attributes
    ----------
    code : str
        Stable name of the kind of fault.
    severity : str
        "note" or "caution".
    where : str
        Marker, shaft or "film".
    value, sd, limit : float or None
        Figure, standard deviation and limit; None where there is none.
    text, advice : str
        What is the case, and what to do.
    """

    code: str
    severity: str
    where: str
    value: float | None
    sd: float | None
    limit: float | None
    text: str
    advice: str


def find_faults(
    tracks: MarkerTracks,
    motion: ShaftMotion,
    damaged_packets: int,
    settings: FaultSettings | None = None,
) -> tuple[Fault, ...]:
    """List the faults of the filming.

    Parameters
    ----------
    tracks : MarkerTracks
        Markers followed.
    motion : ShaftMotion
        Shafts found from them.
    damaged_packets : int
        Pieces of the file that could not be decoded.
    settings : FaultSettings, optional
        Limits.

    Returns
    -------
    tuple of Fault
    """
    settings = settings or FaultSettings()
    faults = [*_lost(tracks, motion, settings), *_small_or_blurred(tracks, motion, settings)]
    faults += [*_card(tracks), *_moved(motion, settings), *_tilted(motion, settings)]
    faults += _file(tracks, damaged_packets, settings)
    return tuple(faults)


def _lost(tracks: MarkerTracks, motion: ShaftMotion, settings: FaultSettings) -> list[Fault]:
    faults = []
    for s, name in enumerate(motion.names):
        share = float(np.isfinite(motion.angle_rad[:, s]).mean())
        if share < settings.least_share:
            longest = _longest_gap_s(motion.time_s, np.isfinite(motion.angle_rad[:, s]))
            faults.append(
                Fault(
                    "marker_lost",
                    "caution" if share < 0.8 else "note",
                    name,
                    100 * share,
                    None,
                    100 * settings.least_share,
                    f"The angle of {name} could be measured in {100 * share:.0f} % of the frames; "
                    f"the longest gap lasts {longest:.1f} s.",
                    "Keep hands, cables and glare off its marker and the card; film again if it matters.",
                )
            )
    for m, marker_id in enumerate(motion.marker_ids):
        refused = int(motion.refused[:, m].sum())
        if refused > 0.02 * len(tracks.time_s):
            faults.append(
                Fault(
                    "marker_disturbed",
                    "note",
                    f"marker {marker_id}",
                    refused,
                    None,
                    None,
                    f"Marker {marker_id} was seen but did not fit its shaft or card in {refused} frames, "
                    "which were left out.",
                    "See that it lies flat, is glued down firmly and nothing moves in front of it.",
                )
            )
    return faults


def _small_or_blurred(tracks: MarkerTracks, motion: ShaftMotion, settings: FaultSettings) -> list[Fault]:
    faults = []
    corners = tracks.corners_px()
    edge = np.roll(corners, -1, axis=2) - corners
    side = np.hypot(edge[..., 0], edge[..., 1]).mean(axis=2)
    for marker_id in motion.marker_ids:
        m = int(np.flatnonzero(tracks.ids == marker_id)[0])
        side_px = float(np.nanmedian(side[:, m]))
        blur_px = float(np.nanquantile(tracks.blur_px[:, m].max(axis=1), 0.9))
        if side_px < settings.least_side_px:
            faults.append(
                Fault(
                    "marker_small",
                    "caution",
                    f"marker {marker_id}",
                    side_px,
                    None,
                    settings.least_side_px,
                    f"Marker {marker_id} is only {side_px:.0f} pixels wide, so its angle is less sure.",
                    "Move the phone closer, use larger markers or film in 4K.",
                )
            )
        if blur_px > settings.most_blur_px:
            faults.append(
                Fault(
                    "blurred",
                    "caution",
                    f"marker {marker_id}",
                    blur_px,
                    None,
                    settings.most_blur_px,
                    f"Marker {marker_id} is blurred by {blur_px:.1f} pixels at times.",
                    "Use more light, hold the phone still or on a stand, and check the focus.",
                )
            )
    return faults


def _card(tracks: MarkerTracks) -> list[Fault]:
    share = {c: float(tracks.seen[:, tracks.ids == c].mean()) if c in tracks.ids else 0.0 for c in CARD_IDS}
    missing = [str(c) for c, seen in share.items() if seen < 0.5]
    if not missing:
        return []
    return [
        Fault(
            "card_partial",
            "caution",
            "reference card",
            len(missing),
            None,
            0,
            f"Of the reference card's four markers, {', '.join(missing)} "
            f"{'was' if len(missing) == 1 else 'were'} out of sight for more than half of the film.",
            "Fix the whole card in view; with part of it all angles and lengths are less sure.",
        )
    ]


def _moved(motion: ShaftMotion, settings: FaultSettings) -> list[Fault]:
    """A card that did not stay where it was, or else markers that turned on their arms."""
    steps = [largest_step(motion.time_s, motion.shafts_shift_mm[:, axis]) for axis in (0, 1)]
    size = float(np.hypot(steps[0][0], steps[1][0]))
    worst = max(steps, key=lambda step: abs(step[0]))
    if size > settings.most_shift_mm and abs(worst[0]) > settings.sure_sigmas * worst[1]:
        return [
            Fault(
                "card_moved",
                "caution",
                "reference card",
                size,
                worst[1],
                settings.most_shift_mm,
                f"The card moved by {size:.1f} mm against the shafts, at about {worst[2]:.1f} s or slowly.",
                "Fix it to something firm that neither the linkage nor a hand touches, and film again.",
            )
        ]
    faults = []
    mounted = motion.marker_ids[len(motion.marker_ids) - motion.twist_rad.shape[1] :]
    for b, marker_id in enumerate(mounted):
        step, sigma, at_s = largest_step(motion.time_s, motion.twist_rad[:, b])
        if abs(step) > max(settings.most_twist_rad, settings.sure_sigmas * sigma):
            degrees = float(np.degrees(abs(step)))
            faults.append(
                Fault(
                    "marker_loose",
                    "caution",
                    f"marker {marker_id}",
                    degrees,
                    float(np.degrees(sigma)),
                    float(np.degrees(settings.most_twist_rad)),
                    f"Marker {marker_id} turned on its arm by {degrees:.1f} degrees, at about {at_s:.1f} s.",
                    "Glue it down so that it cannot move against the arm, and film again.",
                )
            )
    return faults


def _tilted(motion: ShaftMotion, settings: FaultSettings) -> list[Fault]:
    faults = []
    sight = motion.translation / np.linalg.norm(motion.translation, axis=1, keepdims=True)
    cosine = np.abs(np.einsum("fi,fi->f", sight, motion.rotation[:, :, 2]))
    oblique = float(np.nanmedian(np.arccos(np.clip(cosine, 0, 1))))
    if oblique > settings.most_oblique_rad:
        faults.append(
            Fault(
                "oblique",
                "caution",
                "film",
                np.degrees(oblique),
                None,
                np.degrees(settings.most_oblique_rad),
                f"The card is seen at {np.degrees(oblique):.0f} degrees from square on.",
                "Stand in front of the linkage so that the card looks like a rectangle.",
            )
        )
    for name, axis in zip(motion.names, motion.axis, strict=True):
        lean = float(np.arccos(min(abs(axis[2]), 1.0)))
        if lean > settings.most_lean_rad:
            faults.append(
                Fault(
                    "arm_plane_tilted",
                    "note",
                    name,
                    np.degrees(lean),
                    None,
                    np.degrees(settings.most_lean_rad),
                    f"The arm of {name} turns in a plane {np.degrees(lean):.0f} degrees off the card.",
                    "Fix the card parallel to the arms if you can; the tilt is allowed for in the angles.",
                )
            )
    return faults


def _file(tracks: MarkerTracks, damaged_packets: int, settings: FaultSettings) -> list[Fault]:
    faults = []
    if damaged_packets:
        faults.append(
            Fault(
                "file_damaged",
                "caution",
                "film",
                damaged_packets,
                None,
                0,
                f"{damaged_packets} pieces of the file could not be decoded; their frames are gaps.",
                "Copy the clip from the phone again.",
            )
        )
    rate = 1.0 / float(np.median(np.diff(tracks.time_s)))
    if rate < settings.least_rate_hz:
        faults.append(
            Fault(
                "few_frames",
                "note",
                "film",
                rate,
                None,
                settings.least_rate_hz,
                f"The film has only {rate:.0f} frames in a second.",
                "Film with 30 frames a second or more; in poor light add a lamp.",
            )
        )
    return faults


def _longest_gap_s(time_s: Floats, measured: np.ndarray) -> float:
    known = time_s[measured]
    if not len(known):
        return float(time_s[-1] - time_s[0])
    edges = np.concatenate([[time_s[0]], known, [time_s[-1]]])
    return float(np.diff(edges).max())
