"""Starting points for identification: a scan over both start angles with the lengths solved linearly."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kinematics.closure import driven_curve
from kinematics.evidence import QUANTITIES
from kinematics.posterior import PARAMETERS, Posterior, quantities, wrap

Array = NDArray[np.float64]

_STEP = np.pi / 18  # 10 degrees: the basins of the fit are wider
_POINTS = 24  # of the curve used in the scan
_SCORE_RAD = np.pi / 180  # misfit of the scan counts in units of this: lost motion is still in it
_TRUST = 10.0  # evidence counts with this many times its standard deviation while scanning
_LIKELY_MM = (5.0, 3000.0)  # lengths outside are no burner linkage


def starting_points(posterior: Posterior, count: int) -> list[Array]:
    """Best and mutually different starting points, best first.

    Parameters
    ----------
    posterior : Posterior
    count : int
        How many at most.

    Returns
    -------
    list of ndarray, shape (7,)
    """
    travel, turned = _curve(posterior)
    known = _known(posterior)
    candidates = np.concatenate(
        [_scan_all(travel, turned, known), _scan_angles(known), _from_evidence(known)]
    )
    if candidates.shape[0] == 0:
        return []
    score = _score(posterior, candidates, travel, turned)
    chosen: list[Array] = []
    for k in np.argsort(score):
        if not np.isfinite(score[k]) or len(chosen) == count:
            break
        start = candidates[k]
        if all(_apart(start, other) for other in chosen):
            chosen.append(start)
    return chosen


def _apart(one: Array, other: Array) -> bool:
    angles = np.abs(wrap(one[3:5] - other[3:5]))
    return bool(np.any(angles > 1.5 * _STEP) or np.any(np.abs(one[:3] - other[:3]) > 0.4))


def _curve(posterior: Posterior) -> tuple[Array, Array]:
    """A few points of the mean of both passes, counter-clockwise positive, from low fire."""
    driver = posterior.bins.driver_rad
    driven = posterior.driven_sign * posterior.bins.driven_rad
    basis = np.vander(driver / max(float(np.ptp(driver)), 1e-9), 7)
    fit, *_ = np.linalg.lstsq(basis, driven, rcond=None)
    grid = np.linspace(driver.min(), driver.max(), _POINTS)
    value = np.vander(grid / max(float(np.ptp(driver)), 1e-9), 7) @ fit
    return posterior.opening_sign * grid, posterior.driven_sign * (value - fit[-1])


def _known(posterior: Posterior) -> dict[str, float]:
    known: dict[str, float] = {}
    for e in posterior.evidence:
        for column, value in zip(e.columns, e.values, strict=True):
            known.setdefault(QUANTITIES[column], float(value))
    return known


def _vectors(a: Array, c: Array, d: Array, drive: Array, driven: Array) -> Array:
    """Parameter vectors of the linkages that are possible at all."""
    columns = np.broadcast_arrays(a, c, d, drive, driven)
    a, c, d, drive, driven = (np.asarray(v, float).reshape(-1) for v in columns)
    low, high = _LIKELY_MM
    fits = (a > low) & (a < high) & (c > low) & (c < high) & (d > low) & (d < high)
    vectors = np.zeros((int(fits.sum()), len(PARAMETERS)))
    vectors[:, :3] = np.log(np.stack([a[fits], c[fits], d[fits]], axis=1))
    vectors[:, 3], vectors[:, 4] = wrap(drive[fits]), wrap(driven[fits])
    return vectors


def _scan_all(travel: Array, turned: Array, known: dict[str, float]) -> Array:
    """Freudenstein's three ratios by linear least squares at each pair of start angles."""
    ring = np.arange(-np.pi, np.pi - 1e-9, _STEP)
    drives = np.array([known["drive_start_rad"]]) if "drive_start_rad" in known else ring
    drivens = np.array([known["driven_start_rad"]]) if "driven_start_rad" in known else ring
    drive, driven = (v.reshape(-1, 1) for v in np.meshgrid(drives, drivens, indexing="ij"))
    th, ph = drive + travel, driven + turned
    matrix = np.stack([np.cos(ph), -np.cos(th), np.ones_like(th)], axis=-1)
    normal = np.einsum("mni,mnj->mij", matrix, matrix) + 1e-7 * np.eye(3)
    ratios = np.linalg.solve(normal, np.einsum("mni,mn->mi", matrix, np.cos(th - ph))[..., None])[..., 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        a, c = 1 / ratios[:, 0], 1 / ratios[:, 1]
    scale = _scale(a, c, known)
    return _vectors(a * scale, c * scale, scale, drive[:, 0], driven[:, 0])


def _scale(a: Array, c: Array, known: dict[str, float]) -> Array:
    """Spacing (mm) that goes with arms given in units of it, from whichever length is known."""
    if "spacing_mm" in known:
        return np.full_like(a, known["spacing_mm"])
    if "drive_radius_mm" in known:
        return known["drive_radius_mm"] / a
    if "driven_radius_mm" in known:
        return known["driven_radius_mm"] / c
    return np.full_like(a, known.get("rod_mm", 250.0))


def _scan_angles(known: dict[str, float]) -> Array:
    """Start angles scanned with the lengths as measured (unknown radii at a usual size)."""
    radius = 80.0
    a, c = known.get("drive_radius_mm", radius), known.get("driven_radius_mm", radius)
    d = known.get("spacing_mm", known.get("rod_mm", 250.0))
    ring = np.arange(-np.pi, np.pi - 1e-9, _STEP)
    drive, driven = np.meshgrid(ring, ring, indexing="ij")
    return _vectors(np.array(a), np.array(c), np.array(d), drive, driven)


def _from_evidence(known: dict[str, float]) -> Array:
    """The linkage the evidence gives by itself, if it does."""
    names = ("drive_radius_mm", "driven_radius_mm", "spacing_mm", "drive_start_rad", "driven_start_rad")
    if not all(n in known for n in names):
        return np.zeros((0, len(PARAMETERS)))
    return _vectors(*(np.array(known[n]) for n in names))


def _score(posterior: Posterior, candidates: Array, travel: Array, turned: Array) -> Array:
    """Rough cost of each candidate; infinite where the linkage cannot close over the stroke."""
    lengths = np.exp(candidates[:, :3])[:, :, None]
    angles = candidates[:, 3:5, None]
    model = driven_curve(travel, lengths[:, 0], lengths[:, 1], lengths[:, 2], angles[:, 0], angles[:, 1])
    score = np.mean(((model - turned) / _SCORE_RAD) ** 2, axis=1)
    score = np.where(np.isfinite(score), score, np.inf)
    values = np.stack([quantities(p) for p in candidates])
    for e in posterior.evidence:
        off = values[:, e.columns] - e.values
        is_angle = np.array([QUANTITIES[k].endswith("_rad") for k in e.columns])
        off = np.where(is_angle, wrap(off), off)
        score += np.sum((off @ e.whiten.T / _TRUST) ** 2, axis=1)
    prior_sd = posterior.prior_sd()[:3]
    return np.asarray(
        score + np.sum(((candidates[:, :3] - posterior.prior_mean()[:3]) / prior_sd) ** 2, axis=1)
    )
