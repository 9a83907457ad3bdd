"""What was wrong with the filming, each as data with its figure and its limit."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from strokecurve.vision.arrays import Floats
from strokecurve.vision.edges.follow import MarkerTracks
from strokecurve.vision.edges.markers import CARD_IDS
from strokecurve.vision.motion.rods import RodMotion
from strokecurve.vision.motion.shafts import ShaftMotion
from strokecurve.vision.motion.shifts import largest_step

CARD = "reference card"


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
class FaultSubject:
    """What a fault is about; all empty: the film itself.

    Attributes
    ----------
    shaft : str
        Name.
    part : str
        "rod" or "reference card".
    markers : tuple of int
        Ids.
    """

    shaft: str = ""
    part: str = ""
    markers: tuple[int, ...] = ()

    @property
    def linkage(self) -> str:
        """Always empty: how it was filmed says nothing of a linkage."""
        return ""

    @property
    def where(self) -> str:
        """Its name, as ``where`` in the files has it."""
        markers = f"marker {self.markers[0]}" if self.markers else ""
        if self.part == "rod":
            return f"rod with {markers}"
        return self.shaft or self.part or markers or "film"


@dataclass(frozen=True, slots=True)
class Gap:
    """Of ``marker_lost``: how long the longest gap lasts (s)."""

    longest_s: float


@dataclass(frozen=True, slots=True)
class Squeezed:
    """Of ``squeezed``: size of the picture (px), and standard deviation of its angles (deg)."""

    size_wh_px: tuple[int, int]
    sd_deg: float


@dataclass(frozen=True, slots=True)
class Fault:
    """One statement about the filming, as data.

    Attributes
    ----------
    code : str
        Stable name of the sort of fault.
    severity : "caution" or "note"
    subject : FaultSubject
    value, sd, limit : float or None
        Figure, standard deviation and limit; None where there is none.
    unit : str
        Of value, sd and limit.
    time_s : float or None
        The moment that shows it; None where it has none.
    facts : Gap, Squeezed or None
        What else its sentence needs.
    """

    code: str
    severity: Literal["caution", "note"]
    subject: FaultSubject
    value: float
    sd: float | None
    limit: float | None
    unit: str
    time_s: float | None = None
    facts: Gap | Squeezed | None = None

    @property
    def kind(self) -> Literal["filming"]:
        """What it tells of."""
        return "filming"

    @property
    def driver_deg(self) -> None:
        """Driver travel at which it shows: none."""
        return None

    @property
    def where(self) -> str:
        """Name of its subject."""
        return self.subject.where


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
        Markers of which something else tells already that they moved.
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
    series = [(FaultSubject(name), motion.angle_rad[:, s]) for s, name in enumerate(motion.names)]
    series += [(FaultSubject(part="rod", markers=(rod.marker_id,)), rod.angle_rad) for rod in rods]
    faults = []
    for subject, angle_rad in series:
        measured = np.isfinite(angle_rad)
        share = float(measured.mean())
        if share >= settings.least_share:
            continue
        faults.append(
            Fault(
                "marker_lost",
                "caution" if share < settings.caution_share else "note",
                subject,
                100 * share,
                None,
                100 * settings.least_share,
                "%",
                facts=Gap(_longest_gap_s(motion.time_s, measured)),
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
        Fault("marker_disturbed", "note", _marker(marker_id), int(refused.sum()), None, most, "frames")
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
        subject = _marker(marker_id)
        if side_px < settings.least_side_px:
            faults.append(
                Fault("marker_small", "caution", subject, side_px, None, settings.least_side_px, "px")
            )
        if blur_px > settings.most_blur_px:
            faults.append(Fault("blurred", "caution", subject, blur_px, None, settings.most_blur_px, "px"))
    return faults


def _card(tracks: MarkerTracks, settings: FaultSettings) -> list[Fault]:
    share = {c: float(tracks.seen[:, tracks.ids == c].mean()) if c in tracks.ids else 0.0 for c in CARD_IDS}
    missing = tuple(c for c, seen in share.items() if seen < settings.least_card_share)
    if not missing:
        return []
    subject = FaultSubject(part=CARD, markers=missing)
    return [Fault("card_partial", "caution", subject, len(missing), None, 0, "markers")]


def _moved(motion: ShaftMotion, settings: FaultSettings, told: Collection[int]) -> list[Fault]:
    """A card that did not stay where it was, or else markers that turned on their arms."""
    steps = [largest_step(motion.time_s, motion.shafts_shift_mm[:, axis]) for axis in (0, 1)]
    size = float(np.hypot(steps[0][0], steps[1][0]))
    worst = max(steps, key=lambda step: abs(step[0]))
    if size > settings.most_shift_mm and abs(worst[0]) > settings.sure_sigmas * worst[1]:
        figures = size, worst[1], settings.most_shift_mm
        return [Fault("card_moved", "caution", FaultSubject(part=CARD), *figures, "mm", float(worst[2]))]
    faults = []
    for b, marker_id in enumerate(motion.mounted_ids):
        if marker_id in told:
            continue
        step, sigma, at_s = largest_step(motion.time_s, motion.twist_rad[:, b])
        if abs(step) > max(settings.most_twist_rad, settings.sure_sigmas * sigma):
            turned = (abs(step), sigma, settings.most_twist_rad)
            value, sd, limit = (float(np.degrees(f)) for f in turned)
            faults.append(
                Fault("marker_loose", "caution", _marker(marker_id), value, sd, limit, "deg", float(at_s))
            )
    return faults


def _tilted(motion: ShaftMotion, settings: FaultSettings) -> list[Fault]:
    faults = []
    sight = motion.translation / np.linalg.norm(motion.translation, axis=1, keepdims=True)
    cosine = np.abs(np.einsum("fi,fi->f", sight, motion.rotation[:, :, 2]))
    oblique = float(np.nanmedian(np.arccos(np.clip(cosine, 0, 1))))
    if oblique > settings.most_oblique_rad:
        limit = float(np.degrees(settings.most_oblique_rad))
        faults.append(
            Fault("oblique", "caution", FaultSubject(), float(np.degrees(oblique)), None, limit, "deg")
        )
    leans = [float(np.arccos(min(abs(axis[2]), 1.0))) for axis in motion.axis]
    # Where a shaft is square to the card, the card is not what stands askew.
    if min(leans) > settings.most_lean_rad:
        limit = float(np.degrees(settings.most_lean_rad))
        for name, lean in zip(motion.names, leans, strict=True):
            lean_deg = float(np.degrees(lean))
            faults.append(Fault("arm_plane_tilted", "note", FaultSubject(name), lean_deg, None, limit, "deg"))
    return faults


def _file(tracks: MarkerTracks, damaged_packets: int, settings: FaultSettings) -> list[Fault]:
    faults = []
    if damaged_packets:
        faults.append(Fault("file_damaged", "caution", FaultSubject(), damaged_packets, None, 0, "pieces"))
    rate = 1.0 / float(np.median(np.diff(tracks.time_s)))
    if rate < settings.least_rate_hz:
        faults.append(
            Fault("few_frames", "note", FaultSubject(), rate, None, settings.least_rate_hz, "frames/s")
        )
    return faults


def _steadied(motion: ShaftMotion) -> list[Fault]:
    shift = motion.filmed.shift_px
    if shift is None:
        return []
    size_px = float(np.sqrt((shift**2).sum(axis=1).mean()))
    return [Fault("steadied", "note", FaultSubject(), size_px, None, None, "px")]


def _squeezed(motion: ShaftMotion, bits_per_pixel: float | None, settings: FaultSettings) -> list[Fault]:
    width, height = motion.filmed.picture_wh_px
    if bits_per_pixel is None or bits_per_pixel >= settings.squeezed_bits:
        return []
    if max(width, height) > settings.squeezed_wide_px:
        return []
    facts = Squeezed((width, height), float(np.degrees(np.nanmedian(motion.sigma_rad))))
    limit = settings.squeezed_bits
    return [Fault("squeezed", "note", FaultSubject(), bits_per_pixel, None, limit, "bits/px", facts=facts)]


def _marker(marker_id: int) -> FaultSubject:
    return FaultSubject(markers=(int(marker_id),))


def _longest_gap_s(time_s: Floats, measured: np.ndarray) -> float:
    known = time_s[measured]
    if not len(known):
        return float(time_s[-1] - time_s[0])
    edges = np.concatenate([[time_s[0]], known, [time_s[-1]]])
    return float(np.diff(edges).max())
