"""A linkage as far as it is known: from a result folder, or from tape measures alone."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from strokecurve.app.measure.rig import RigLinkage
from strokecurve.app.result.contents import CORRELATED
from strokecurve.app.result.reading import number
from strokecurve.app.words.errors import InputError
from strokecurve.app.words.names import QUANTITY_WORDS
from strokecurve.kinematics.adjust.known import sample_linkages
from strokecurve.kinematics.adjust.setting import LinkageSetting
from strokecurve.kinematics.errors import GeometryError
from strokecurve.kinematics.linkage.algebra import Pose

Array = NDArray[np.float64]

USUAL_STROKE_DEG = 90.0
_SEED = 5  # of the linkages sampled: the same input always gives the same figures
_TAPE_SIGMAS = 3.0  # a rod by tape further from the one that closes the linkage is remarked on


@dataclass(frozen=True, slots=True)
class KnownLinkage:
    """One linkage as far as it is known.

    Attributes
    ----------
    name : str
        ``driver:driven``.
    setting : LinkageSetting
    sd : ndarray, shape (5,)
        Standard deviations of ``kinematics.adjust.known.KNOWN`` (mm, rad).
    covariance : ndarray, shape (5, 5)
        Theirs.
    samples : ndarray, shape (K, 5)
        Linkages sampled from it.
    notes : tuple of str
        What to know about these figures.
    bearing_rad : float
        Direction from driver centre to driven centre as the camera sees it, counter-clockwise from right.
    """

    name: str
    setting: LinkageSetting
    sd: Array
    covariance: Array
    samples: Array
    notes: tuple[str, ...] = ()
    bearing_rad: float = 0.0


def linkage_from_entry(name: str, entry: Mapping[str, Any]) -> KnownLinkage:
    """A linkage of ``result.json``."""
    geometry, values, spreads = entry["geometry"], [], []
    apart = geometry.get("axis_angle_deg")
    if apart:
        raise InputError(
            f"The shafts of {name} are not parallel; adjustments of such linkages are not worked out yet.",
            "Adjust this linkage by hand and film it again: travel, curve and lost motion are measured.",
        )
    for key in CORRELATED:
        known = geometry.get(key) or {}
        value, one_sd = number(known.get("value")), number(known.get("sd"))
        if not known.get("determined") or math.isnan(value) or math.isnan(one_sd):
            settle = known.get("settle")
            raise InputError(
                f"The {QUANTITY_WORDS[key]} of {name} is not determined by this film.",
                f"To settle it: {settle}; then measure the clip again with it in the set-up file."
                if settle
                else "Film again with a rod marker, or measure radii and spacing and give them with --rig.",
            )
        scale = 1.0 if key.endswith("_mm") else math.pi / 180
        values.append(scale * value)
        spreads.append(scale * one_sd)
    stroke = entry.get("stroke") or {}
    travel = number(stroke.get("driver_travel_deg"))
    if math.isnan(travel) or stroke.get("opening") not in ("ccw", "cw"):
        raise InputError(f"The stroke of {name} is missing in this result.", "Measure the clip again.")
    sd = np.array(spreads)
    matrix = _correlation(entry)
    notes = () if matrix is not None else (
        "This result does not say how the errors of its geometry hang together; they are taken as "
        "independent, which makes the predicted travel look less certain than it is.",
    )  # fmt: skip
    covariance = np.diag(sd**2) if matrix is None else matrix * np.outer(sd, sd)
    sign = 1 if stroke["opening"] == "ccw" else -1
    return _known(name, values, math.radians(travel), sign, sd, covariance, notes)


def bearing_of(shafts: Mapping[str, Any], name: str) -> float | None:
    """Direction from driver centre to driven centre as the camera sees it, rad; None where a film is silent.

    Parameters
    ----------
    shafts : mapping of str to mapping
        Shafts of ``result.json`` by name.
    name : str
        ``driver:driven``.
    """
    places = []
    for shaft in name.split(":"):
        centre = (shafts.get(shaft) or {}).get("centre_mm")
        if not isinstance(centre, list) or len(centre) < 2:
            return None
        places.append([number(value) for value in centre[:2]])
    (x0, y0), (x1, y1) = places
    bearing = math.atan2(y1 - y0, x1 - x0)
    return bearing if math.isfinite(bearing) else None


def _correlation(entry: Mapping[str, Any]) -> Array | None:
    found = (entry.get("fit") or {}).get("correlation")
    if not isinstance(found, dict) or found.get("of") != list(CORRELATED):
        return None
    try:
        matrix = np.array(found.get("matrix"), dtype=float)
    except (TypeError, ValueError):
        return None
    size = len(CORRELATED)
    return matrix if matrix.shape == (size, size) and np.isfinite(matrix).all() else None


def linkage_from_tape(name: str, stated: RigLinkage) -> KnownLinkage:
    """A linkage typed in."""
    missing = [QUANTITY_WORDS[key] for key in CORRELATED if key not in stated.tape]
    if missing:
        raise InputError(
            f"The set-up file does not give the {' and the '.join(missing)} of {name}.",
            "Without a film, [linkage.tape] needs both radii, the spacing and both start angles.",
        )
    if stated.opening_sign is None:
        raise InputError(
            f"The set-up file does not say which way the driver of {name} opens.",
            'Add opening = "ccw" or "cw" to the linkage.',
        )
    scale = np.array([1.0 if key.endswith("_mm") else math.pi / 180 for key in CORRELATED])
    values, sd = (scale * np.array([stated.tape[key][k] for key in CORRELATED]) for k in (0, 1))
    notes = []
    stroke = stated.stroke_deg
    if stroke is None:
        stroke = USUAL_STROKE_DEG
        notes.append(f"The stroke of {name} was taken as {stroke:g} degrees; the set-up file does not say.")
    tapes = np.diag(sd**2)
    known = _known(name, list(values), math.radians(stroke), stated.opening_sign, sd, tapes, ())
    if "rod_mm" in stated.tape:
        rod, rod_sd = stated.tape["rod_mm"]
        closes = known.setting.four_bar().rod_mm
        by_sd = float(np.hypot(rod_sd, np.std(Pose.in_plane(*known.samples.T).rod_mm)))
        if abs(rod - closes) > _TAPE_SIGMAS * by_sd:
            notes.append(
                f"By tape the rod of {name} is {rod:g} mm, but {closes:.1f} mm closes the linkage at the "
                "other measures: measure them again before anything is moved."
            )
    return replace(known, notes=tuple(notes))


def _known(
    name: str,
    values: list[float],
    stroke_rad: float,
    sign: int,
    sd: Array,
    covariance: Array,
    notes: tuple[str, ...],
) -> KnownLinkage:
    a, c, d, drive, driven = (float(v) for v in values)
    try:
        setting = LinkageSetting(a, c, d, drive, driven, stroke_rad, sign)
        setting.driven_sign()
    except GeometryError as error:
        raise InputError(f"{name}: {error.message}", error.hint) from error
    samples = sample_linkages(setting, covariance, np.random.default_rng(_SEED))
    return KnownLinkage(name, setting, sd, covariance, samples, notes)


def trains_behind(
    chosen: str, names: list[str], known: Callable[[str], KnownLinkage]
) -> tuple[tuple[tuple[KnownLinkage, ...], ...], tuple[str, ...]]:
    """Trains behind a linkage as far as their geometry is known, and what is not."""
    trains: list[tuple[KnownLinkage, ...]] = []
    unknown: list[str] = []

    def follow(shaft: str, before: tuple[KnownLinkage, ...], seen: frozenset[str]) -> None:
        after = [one for one in names if one.split(":")[0] == shaft and one not in seen]
        ended = True
        for one in after:
            try:
                linkage = known(one)
            except InputError:
                unknown.append(one)
                continue
            ended = False
            follow(one.split(":")[1], (*before, linkage), seen | {one})
        if ended and before:
            trains.append(before)

    follow(chosen.split(":")[1], (), frozenset({chosen}))
    return tuple(trains), tuple(unknown)
