"""Starting points for identification: a scan over both start angles, then a quick common refinement."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from strokecurve.kinematics.identify.evidence import QUANTITIES
from strokecurve.kinematics.identify.posterior import PARAMETERS, SLACK, ZERO, Posterior, linkage_of, wrap
from strokecurve.kinematics.linkage.closure import driven_curve, driven_derivatives
from strokecurve.kinematics.motion.deadband import DeadBand

Array = NDArray[np.float64]

_DEG = np.pi / 180
_STEP = 10 * _DEG  # of the scan; the basins of the fit are wider
_POINTS = 24  # of the curve used
_SCAN_RAD = 0.5 * _DEG  # misfit of the scan counts in units of this
_REFINED_RAD = 0.1 * _DEG  # and that of the refinement
_TRUST = 0.1  # weight of the evidence's residuals while scanning
_CELL = 40 * _DEG  # the best candidate of each cell of start angles this wide is refined
_ROUNDS = 15
_PRUNED = (5, 24)  # after so many rounds only so many of the best candidates are kept
_WORSE = 60.0  # chi-square by which a refined candidate may be worse than the best
_LIKELY_MM = (5.0, 3000.0)  # lengths outside are no burner linkage


def starting_points(posterior: Posterior, band: DeadBand, count: int) -> list[Array]:
    """Best and mutually different starting points, best first.

    Parameters
    ----------
    posterior : Posterior
    band : DeadBand
        The driven curve without lost motion.
    count : int
        How many at most.

    Returns
    -------
    list of ndarray, shape (7,)
    """
    travel, turned = _curve(posterior, band)
    known = _known(posterior)
    candidates = np.concatenate(
        [_scan_all(travel, turned, known), _scan_angles(known), _from_evidence(known)]
    )
    score = _score(posterior, candidates, travel, turned)
    rough = _best_of_cells(candidates, score)
    if rough.size == 0:
        return []
    refined, cost = _refine(posterior, candidates[rough], travel, turned)
    refined[:, SLACK] = band.slack_rad if np.isfinite(band.slack_rad) else 0.0
    return _different(refined, cost, count, _WORSE)


def _best_of_cells(candidates: Array, score: Array) -> NDArray[np.int64]:
    """Best candidate of each cell of start angles: one basin must not crowd out the others."""
    order = np.argsort(score)
    order = order[np.isfinite(score[order])]
    cells = np.floor(candidates[order, 3:5] / _CELL).astype(np.int64)
    _, first = np.unique(cells, axis=0, return_index=True)
    return np.asarray(order[np.sort(first)])


def _different(candidates: Array, score: Array, count: int, worse: float) -> list[Array]:
    """The best candidates that are not near one another: first other angles, then other sizes.

    Sizes may be told by next to nothing, and many of them must not crowd out the mirror image.
    """
    order = [k for k in np.argsort(score) if np.isfinite(score[k]) and score[k] <= np.min(score) + worse]
    chosen: list[int] = []
    for apart in (_angles_apart, _apart):
        for k in order:
            if len(chosen) < count and all(apart(candidates[k], candidates[o]) for o in chosen):
                chosen.append(k)
    return [candidates[k] for k in sorted(chosen, key=lambda k: float(score[k]))]


def different(starts: list[Array]) -> list[Array]:
    """Starts without those that are near an earlier one.

    Parameters
    ----------
    starts : list of ndarray, shape (7,)

    Returns
    -------
    list of ndarray, shape (7,)

    Examples
    --------
    >>> len(different([np.zeros(7), np.full(7, 0.01), np.ones(7)]))
    2
    """
    chosen: list[Array] = []
    for start in starts:
        if all(_apart(start, other) for other in chosen):
            chosen.append(start)
    return chosen


def _angles_apart(one: Array, other: Array) -> bool:
    return bool(np.max(np.abs(wrap(one[3:5] - other[3:5]))) > 0.5 * _STEP)


def _apart(one: Array, other: Array) -> bool:
    return bool(np.max(np.abs(one - other)[:3]) > 0.1) or _angles_apart(one, other)


def _curve(posterior: Posterior, band: DeadBand) -> tuple[Array, Array]:
    """A few points of the driven curve, counter-clockwise positive, from the one nearest low fire."""
    driver = posterior.bins.driver_rad
    order = np.argsort(driver)
    order = order[band.engaged[order]][2:-2]  # at the very ends the curve hangs on one or two bins
    rows = order[np.linspace(0, order.size - 1, _POINTS).round().astype(int)]
    zero = band.ideal_rad[np.argmin(np.abs(driver))]
    return posterior.opening_sign * driver[rows], posterior.driven_sign * (band.ideal_rad[rows] - zero)


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
    right = np.einsum("mni,mn->mi", matrix, np.cos(th - ph))
    ratios = np.linalg.solve(normal, right[..., None])[..., 0]
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
    names = (
        "drive_radius_mm",
        "driven_radius_mm",
        "spacing_mm",
        "drive_start_rad",
        "driven_start_rad",
    )
    if not all(n in known for n in names):
        return np.zeros((0, len(PARAMETERS)))
    return _vectors(*(np.array(known[n]) for n in names))


def _score(posterior: Posterior, candidates: Array, travel: Array, turned: Array) -> Array:
    """Rough cost of each candidate; infinite where the linkage cannot close over the stroke."""
    off = _misfit(candidates, travel, turned)
    score = np.mean((off / _SCAN_RAD) ** 2, axis=1) + np.sum(
        (_TRUST * posterior.knowledge(candidates)) ** 2, axis=1
    )
    return np.where(np.isfinite(score), score, np.inf)


def _misfit(parameters: Array, travel: Array, turned: Array) -> Array:
    values = (v[:, None] for v in linkage_of(parameters))
    return np.asarray(driven_curve(travel, *values) + parameters[:, ZERO, None] - turned)


def _refine(posterior: Posterior, candidates: Array, travel: Array, turned: Array) -> tuple[Array, Array]:
    """Levenberg-Marquardt on all candidates at once against the few points of the curve; and their cost."""
    best, damping = candidates.copy(), np.full(candidates.shape[0], 1e-2)
    identity = np.eye(len(PARAMETERS))

    def residuals(p: Array) -> Array:
        return np.concatenate([_misfit(p, travel, turned) / _REFINED_RAD, posterior.knowledge(p)], axis=1)

    def chi_square(p: Array) -> Array:
        total = np.sum(residuals(p) ** 2, axis=1)
        return np.where(np.isfinite(total), total, np.inf)

    cost = chi_square(best)
    for number in range(_ROUNDS):
        if number == _PRUNED[0]:
            keep = np.argsort(cost)[: _PRUNED[1]]
            best, cost, damping = best[keep], cost[keep], damping[keep]
        values = [v[:, None] for v in linkage_of(best)]
        by = driven_derivatives(travel, driven_curve(travel, *values), *values).by_parameter
        jacobian = np.zeros((*by.shape[:2], len(PARAMETERS)))
        jacobian[:, :, :5], jacobian[:, :, ZERO] = by, 1.0
        jacobian = np.concatenate([jacobian / _REFINED_RAD, posterior.knowledge_jacobian(best)], axis=1)
        jacobian = np.where(np.isfinite(jacobian), jacobian, 0.0)
        normal = np.einsum("mri,mrj->mij", jacobian, jacobian)
        scale = np.einsum("mii->mi", normal)[:, :, None] * identity
        gradient = np.einsum("mri,mr->mi", jacobian, residuals(best))
        step = np.linalg.solve(normal + damping[:, None, None] * scale, gradient[..., None])[..., 0]
        trial = best - step
        trial_cost = chi_square(trial)
        better = trial_cost < cost
        best, cost = (
            np.where(better[:, None], trial, best),
            np.where(better, trial_cost, cost),
        )
        damping = np.clip(np.where(better, damping / 5, damping * 4), 1e-8, 1e6)
    best[:, 3:5] = wrap(best[:, 3:5])
    return best, cost
