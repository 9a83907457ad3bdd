"""What was wrong with the filming, each with its figure, its limit and the remedy."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
from strokecurve.vision.arrays import Floats
from strokecurve.vision.edges.follow import MarkerTracks
from strokecurve.vision.edges.markers import CARD_IDS
from strokecurve.vision.motion.rods import RodMotion
from strokecurve.vision.motion.shafts import ShaftMotion
from strokecurve.vision.motion.shifts import largest_step


@dataclass(frozen=True, slots=True)
class FaultSettings:
    """Limits beyond which the filming is called faulty.

    Attributes
    ----------
    least_share : float
        Share of the frames in which a marker should be measured: a hand that passes once is worth no words,
        a gap of half a second in a film of twenty is.
    least_side_px : float
        Side of a marker in the picture: six pixels for a cell of its code. Narrower cells are within reach of
        the edges' blur even in a sharp picture.
    most_blur_px : float
        Blur (standard deviation) across the edges: a cell of the smallest marker is less than three of them
        wide then, so that its code begins to run together.
    most_oblique_rad : float
        Angle between line of sight and card normal: from here on lengths across the tilt shrink by a fifth.
    most_lean_rad : float
        Angle between a shaft's axis and the card's normal: from here on, seen square to the card, the arm's
        circle is shortened by one part in a hundred.
    least_rate_hz : float
        Frames in a second: phones film at 24 or more, and go lower only where light is poor.
    most_shift_mm, most_twist_rad : float
        Lasting shift of the card against the shafts, and turn of a marker on its arm, within the clip. At a
        radius of 60 mm the shift looks like a third of a degree; the turn is as large as a lost motion that
        people look for.
    sure_sigmas : float
        A shift must also stand out of its noise by so many standard deviations: the largest step of hundreds
        of frames is looked at.
    caution_share : float
        With less than this share of the frames measured, gaps are no note but a caution: they are long enough
        to hide a hold or a good part of a pass.
    most_refused_share : float
        Share of the frames in which a marker may be refused without a word: once in fifty, as a blink of
        glare does.
    least_card_share : float
        A card marker seen in less than this share of the frames counts as out of sight.
    squeezed_bits, squeezed_wide_px : float, int
        A film no wider than this with fewer bits for each pixel was coded anew on its way: phones spend three
        times as much and more, messengers less.
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
    caution_share: float = 0.8
    most_refused_share: float = 0.02
    least_card_share: float = 0.5
    squeezed_bits: float = 0.065
    squeezed_wide_px: int = 1280


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
    rods: Sequence[RodMotion] = (),
    told: Collection[int] = (),
    bits_per_pixel: float | None = None,
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
    rods : sequence of RodMotion
        Rods found from them.
    told : collection of int
        Markers of which it was said elsewhere that they moved.
    bits_per_pixel : float, optional
        Size of the coded film per pixel and frame, if known.

    Returns
    -------
    tuple of Fault
    """
    settings = settings or FaultSettings()
    faults = [*_lost(motion, rods, settings), *_disturbed(motion, rods, settings)]
    faults += _small_or_blurred(tracks, [*motion.marker_ids, *(r.marker_id for r in rods)], settings)
    faults += [*_card(tracks, settings), *_moved(motion, settings, told), *_tilted(motion, settings)]
    faults += _file(tracks, damaged_packets, settings)
    faults += [*_steadied(motion), *_squeezed(motion, bits_per_pixel, settings)]
    return tuple(faults)


def _lost(motion: ShaftMotion, rods: Sequence[RodMotion], settings: FaultSettings) -> list[Fault]:
    """Shafts and rods that were not measured all the time."""
    series = [(name, motion.angle_rad[:, s]) for s, name in enumerate(motion.names)]
    series += [(f"the rod with marker {rod.marker_id}", rod.angle_rad) for rod in rods]
    faults = []
    for name, angle_rad in series:
        measured = np.isfinite(angle_rad)
        share = float(measured.mean())
        if share >= settings.least_share:
            continue
        longest = _longest_gap_s(motion.time_s, measured)
        faults.append(
            Fault(
                "marker_lost",
                "caution" if share < settings.caution_share else "note",
                name.removeprefix("the "),
                100 * share,
                None,
                100 * settings.least_share,
                f"The angle of {name} could be measured in {100 * share:.0f} % of the frames; "
                f"the longest gap lasts {longest:.1f} s.",
                "Keep hands, cables and glare off its marker and the card; film again if it matters.",
            )
        )
    return faults


def _disturbed(motion: ShaftMotion, rods: Sequence[RodMotion], settings: FaultSettings) -> list[Fault]:
    """Markers that were seen but not believed, where the rest of the picture was as usual."""
    calm = ~motion.shaken
    series = [(i, motion.refused[:, m] & calm) for m, i in enumerate(motion.marker_ids)]
    series += [(rod.marker_id, rod.refused & calm) for rod in rods]
    most = int(settings.most_refused_share * len(motion.time_s))  # whole frames: counts are beyond both alike
    return [
        Fault(
            "marker_disturbed",
            "note",
            f"marker {marker_id}",
            int(refused.sum()),
            None,
            most,
            f"Marker {marker_id} was seen but did not fit its shaft, rod or card in {refused.sum()} frames, "
            "which were left out.",
            "See that it lies flat, is glued down firmly and nothing moves in front of it.",
        )
        for marker_id, refused in series
        if refused.sum() > most
    ]


def _small_or_blurred(tracks: MarkerTracks, ids: Sequence[int], settings: FaultSettings) -> list[Fault]:
    faults = []
    corners = tracks.corners_px()
    edge = np.roll(corners, -1, axis=2) - corners
    side = np.hypot(edge[..., 0], edge[..., 1]).mean(axis=2)
    for marker_id in ids:
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


def _card(tracks: MarkerTracks, settings: FaultSettings) -> list[Fault]:
    share = {c: float(tracks.seen[:, tracks.ids == c].mean()) if c in tracks.ids else 0.0 for c in CARD_IDS}
    missing = [str(c) for c, seen in share.items() if seen < settings.least_card_share]
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


def _moved(motion: ShaftMotion, settings: FaultSettings, told: Collection[int]) -> list[Fault]:
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
    for b, marker_id in enumerate(motion.mounted_ids):
        if marker_id in told:
            continue
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
    leans = [float(np.arccos(min(abs(axis[2]), 1.0))) for axis in motion.axis]
    # Where a shaft is square to the card, the card is not what stands askew.
    if min(leans) > settings.most_lean_rad:
        for name, lean in zip(motion.names, leans, strict=True):
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


def _steadied(motion: ShaftMotion) -> list[Fault]:
    shift = motion.filmed.shift_px
    if shift is None:
        return []
    size_px = float(np.sqrt((shift**2).sum(axis=1).mean()))
    return [
        Fault(
            "steadied",
            "note",
            "film",
            size_px,
            None,
            None,
            f"The phone steadied the film: it shifted each picture, by {size_px:.0f} pixels or so. "
            "That is allowed for, but all angles are less sure.",
            "Switch the video stabilisation off in the camera app, or put the phone on a stand.",
        )
    ]


def _squeezed(motion: ShaftMotion, bits_per_pixel: float | None, settings: FaultSettings) -> list[Fault]:
    width, height = motion.filmed.picture_wh_px
    if bits_per_pixel is None or bits_per_pixel >= settings.squeezed_bits:
        return []
    if max(width, height) > settings.squeezed_wide_px:
        return []
    degrees = float(np.degrees(np.nanmedian(motion.sigma_rad)))
    return [
        Fault(
            "squeezed",
            "note",
            "film",
            bits_per_pixel,
            None,
            settings.squeezed_bits,
            f"The film was squeezed on its way, as messengers do: {width} x {height} pixels with "
            f"{bits_per_pixel:.2f} bits each. Its angles have a standard deviation of {degrees:.2f} degrees; "
            "the phone's own file in 1080p makes them about twice as sure.",
            "Copy the file itself from the phone (cable, drive or as a document), not as a message.",
        )
    ]


def _longest_gap_s(time_s: Floats, measured: np.ndarray) -> float:
    known = time_s[measured]
    if not len(known):
        return float(time_s[-1] - time_s[0])
    edges = np.concatenate([[time_s[0]], known, [time_s[-1]]])
    return float(np.diff(edges).max())
