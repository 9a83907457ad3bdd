"""Geometry of one linkage from its motion and all other evidence, with an honest standard deviation."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from kinematics.errors import FitError, GeometryError
from kinematics.evidence import ANGLES, QUANTITIES, Evidence, JointEvidence, statements
from kinematics.fourbar import FourBar
from kinematics.motion import Bins, LinkageMotion, noise_factor, thin
from kinematics.posterior import PARAMETERS, SLACK, Posterior, linkage, quantities, quantity_derivatives, wrap
from kinematics.settings import DEFAULTS, Settings
from kinematics.starts import starting_points
from kinematics.stroke import Stroke

Array = NDArray[np.float64]

_STARTS = 6  # different starting points polished
_MIN_BINS = 12
_CARRIES = 1.2  # a source carries a quantity if leaving it out makes the standard deviation this much larger
# what a technician could measure, and how well, to settle what the film leaves open
_REMEDIES = (
    ("drive_radius_mm", 1.0, "measure the drive radius to 1 mm"),
    ("driven_radius_mm", 1.0, "measure the driven radius to 1 mm"),
    ("spacing_mm", 2.0, "measure the distance between the shaft centres to 2 mm"),
    ("rod_mm", 1.0, "measure the rod, pin to pin, to 1 mm"),
    ("drive_start_rad", np.pi / 180, "measure the drive arm's angle at low fire to 1 degree"),
    ("driven_start_rad", np.pi / 180, "measure the driven arm's angle at low fire to 1 degree"),
)


@dataclass(frozen=True, slots=True)
class Quantity:
    """One identified quantity.

    Parameters
    ----------
    name : str
        One of `QUANTITIES`, or "slack_rad".
    value, sd : float
        Value and standard deviation (mm or rad).
    determined : bool
        Whether film and evidence together settle it (limits: `Settings.determined_*`).
    evidence : tuple of str
        Sources that carry it, e.g. ("pins", "curve"); empty if nothing but the prior does.
    settle : str
        For an undetermined quantity the one measurement that would settle it best, else empty.
    """

    name: str
    value: float
    sd: float
    determined: bool
    evidence: tuple[str, ...]
    settle: str


@dataclass(frozen=True, slots=True)
class GeometryFit:
    """The linkage that explains film and evidence best.

    Parameters
    ----------
    linkage : FourBar
        Closes rigidly on the closing side of the lost motion, where the low-fire hold rests.
    quantities : tuple of Quantity
        The six quantities in the order of `QUANTITIES`.
    slack : Quantity
        Lost motion at the driven shaft, not negative.
    slack_signed_rad : float
        The same as the fit found it: noise about no lost motion at all lies on both sides of zero.
    parameters, covariance : ndarray, shapes (7,), (7, 7)
        As named in `posterior.PARAMETERS`.
    chi_square, degrees_of_freedom : float, int
        Of motion, evidence and priors; the covariance is not rescaled by them.
    rms_rad : float
        Misfit between the measured and the modelled driven angle.
    opening_sign, driven_sign : int
        Way in which driver and driven shaft open, +1 counter-clockwise.
    notes : tuple of str
    """

    linkage: FourBar
    quantities: tuple[Quantity, ...]
    slack: Quantity
    slack_signed_rad: float
    parameters: Array
    covariance: Array
    chi_square: float
    degrees_of_freedom: int
    rms_rad: float
    opening_sign: int
    driven_sign: int
    notes: tuple[str, ...]

    def quantity(self, name: str) -> Quantity:
        """One quantity by its name.

        Parameters
        ----------
        name : str

        Returns
        -------
        Quantity
        """
        return self.slack if name == self.slack.name else self.quantities[QUANTITIES.index(name)]


def identify(
    stroke: Stroke,
    motion: LinkageMotion,
    evidence: Sequence[Evidence | JointEvidence] = (),
    settings: Settings = DEFAULTS,
) -> GeometryFit:
    """Fit one four-bar with lost motion to both passes and all evidence (maximum a posteriori).

    Parameters
    ----------
    stroke : Stroke
        Of the driver of this linkage.
    motion : LinkageMotion
    evidence : sequence of Evidence or JointEvidence
        Shaft centres, pins, tape measures, each with its own uncertainty.
    settings : Settings

    Returns
    -------
    GeometryFit

    Raises
    ------
    FitError
        If there are too few frames with both shafts, the driven shaft did not move, or no four-bar closes
        over the stroke with this evidence.

    Notes
    -----
    Residuals are divided by their standard deviations, priors are residuals. Frame noise is white; each shaft
    also has a slowly varying error (`noise_factor`). Lost motion is a play operator run along the film. Start
    angles are scanned all round, so both branches are tried.

    Examples
    --------
    >>> from kinematics.stroke import find_stroke
    >>> time_s = np.arange(0, 12, 0.05)
    >>> driver = np.radians(np.interp(time_s, [0, 1, 5.5, 6.5, 11], [0, 0, 90, 90, 0]))
    >>> true = FourBar.from_start_angles(55, 68, 176, 0.69, 1.40)
    >>> driven = true.driven_angle(driver + 0.69)
    >>> stroke = find_stroke(time_s, driver, 0.0005)
    >>> tape = [Evidence("drive_radius_mm", 55, 0.5, "tape"), Evidence("spacing_mm", 176, 0.5, "hinges")]
    >>> fit = identify(stroke, LinkageMotion.of(driver, driven, 0.0005, 0.0005), tape)
    >>> fit.linkage.branch, round(fit.quantity("driven_radius_mm").value)
    (-1, 68)
    """
    bins = thin(motion, stroke)
    driven_sign = _driven_sign(bins)
    ratio = _first_ratio(bins)
    posterior = Posterior(
        bins,
        stroke.opening_sign,
        driven_sign,
        _start_opened(stroke),
        noise_factor(bins, ratio, settings),
        tuple(statements(evidence)),
        settings,
    )
    solutions = _solve(posterior, _STARTS)
    posterior = replace(
        posterior, factor=noise_factor(bins, _bounded(posterior.velocity_ratio(solutions[0])), settings)
    )
    solutions = _polish(posterior, solutions)
    return _result(posterior, solutions)


def _driven_sign(bins: Bins) -> int:
    if bins.driver_rad.size < _MIN_BINS:
        raise FitError(
            f"Driver and driven shaft were measured together at {bins.driver_rad.size} points only.",
            "Keep both markers in view over the whole stroke.",
        )
    order = np.argsort(bins.driver_rad)
    share = max(1, order.size // 10)
    rise = float(np.mean(bins.driven_rad[order[-share:]]) - np.mean(bins.driven_rad[order[:share]]))
    if np.ptp(bins.driven_rad) < np.radians(1.0):
        raise FitError(
            "The driven shaft hardly moved.", "Check that its arm is clamped and the rod connected."
        )
    return 1 if rise >= 0 else -1


def _first_ratio(bins: Bins) -> Array:
    span = float(np.ptp(bins.driver_rad))
    fit = np.polynomial.Polynomial.fit(bins.driver_rad / span, bins.driven_rad / span, 5)
    return _bounded(fit.deriv()(bins.driver_rad / span))


def _bounded(ratio: Array) -> Array:
    return np.asarray(np.clip(np.nan_to_num(ratio), -5.0, 5.0))


def _start_opened(stroke: Stroke) -> float:
    """Side of the lost motion on which the film starts: the one it was moving to, or came to rest from."""
    parts = [(s.start, "low") for s in stroke.low_holds] + [(s.start, "high") for s in stroke.high_holds]
    parts += [(s.start, "opening") for s in stroke.opening] + [(s.start, "closing") for s in stroke.closing]
    return 1.0 if min(parts)[1] in ("high", "opening") else 0.0


# ---- least squares ---------------------------------------------------------------------------------------


def _solve(posterior: Posterior, count: int) -> list[Array]:
    starts = starting_points(posterior, count)
    solutions = _polish(posterior, starts)
    if not solutions:
        raise FitError(
            "No four-bar linkage closes over this stroke with the lengths and angles given.",
            "Check the tape measures, and that the two shafts are joined by one rod.",
        )
    return solutions


def _polish(posterior: Posterior, starts: list[Array]) -> list[Array]:
    """Minimise from each start; different solutions, best first."""
    found: list[tuple[float, Array]] = []
    for start in starts:
        first = posterior.residuals(start)
        if not np.all(np.isfinite(first)):
            continue
        fit = least_squares(
            posterior.residuals,
            start,
            posterior.jacobian,
            method="trf",
            x_scale="jac",
            max_nfev=60,
            xtol=1e-9,
        )
        solution = np.array(fit.x)
        solution[3:5] = wrap(solution[3:5])
        if all(
            np.linalg.norm(posterior.jacobian(solution) @ _difference(solution, s)) > 0.1 for _, s in found
        ):
            found.append((float(fit.cost), solution))
    return [s for _, s in sorted(found, key=lambda pair: pair[0])]


def _difference(one: Array, other: Array) -> Array:
    off = one - other
    off[3:5] = wrap(off[3:5])
    return off


# ---- result ----------------------------------------------------------------------------------------------


def _result(posterior: Posterior, solutions: list[Array]) -> GeometryFit:
    best = solutions[0]
    jacobian = posterior.jacobian(best)
    covariance = _inverse(jacobian.T @ jacobian)
    residuals = posterior.residuals(best)
    a, c, d, drive, driven = linkage(best)
    try:
        four_bar = FourBar.from_start_angles(a, c, d, drive, driven)
    except GeometryError as error:
        raise FitError(
            "The best fit starts in line with the driven arm.", "Measure the start angles."
        ) from error
    slack = float(best[SLACK])
    misfit = posterior.misfit(best)
    return GeometryFit(
        four_bar,
        _quantities(posterior, best, jacobian, covariance),
        _slack(posterior, slack, jacobian, covariance),
        slack,
        best,
        covariance,
        float(residuals @ residuals),
        residuals.size - len(PARAMETERS),
        float(np.sqrt(np.average(misfit**2, weights=posterior.bins.frames))),
        posterior.opening_sign,
        posterior.driven_sign,
        (),
    )


def _inverse(information: Array) -> Array:
    scale = np.sqrt(np.diag(information))
    return np.asarray(np.linalg.inv(information / np.outer(scale, scale)) / np.outer(scale, scale))


def _quantities(
    posterior: Posterior, best: Array, jacobian: Array, covariance: Array
) -> tuple[Quantity, ...]:
    values, by = quantities(best), quantity_derivatives(best)
    sds = np.sqrt(np.einsum("qi,ij,qj->q", by, covariance, by))
    limits = _limits(posterior.settings, values)
    made = []
    for k, name in enumerate(QUANTITIES):
        determined = bool(sds[k] <= limits[k])
        made.append(
            Quantity(
                name,
                float(values[k]),
                float(sds[k]),
                determined,
                _carried(posterior, jacobian, by[k], float(sds[k])),
                "" if determined else _settle(jacobian, by, k, limits),
            )
        )
    return tuple(made)


def _limits(settings: Settings, values: Array) -> Array:
    """Largest standard deviation at which each quantity counts as determined."""
    limits = []
    for name, value in zip(QUANTITIES, values, strict=True):
        if name in ANGLES:
            limits.append(settings.determined_angle_rad)
            continue
        prior = settings.size_log_sd if "radius" in name else settings.spacing_log_sd
        limits.append(value * min(settings.determined_length, settings.determined_ratio * prior))
    return np.array(limits)


def _slack(posterior: Posterior, slack: float, jacobian: Array, covariance: Array) -> Quantity:
    settings = posterior.settings
    sd = float(np.sqrt(covariance[SLACK, SLACK]))
    limit = min(settings.determined_slack_rad, settings.determined_ratio * settings.slack_prior_rad)
    by = np.zeros(len(PARAMETERS))
    by[SLACK] = 1.0
    determined = sd <= limit
    settle = "" if determined else "film both passes, with a rest at each end"
    return Quantity(
        "slack_rad", max(slack, 0.0), sd, determined, _carried(posterior, jacobian, by, sd), settle
    )


def _carried(posterior: Posterior, jacobian: Array, by: Array, sd: float) -> tuple[str, ...]:
    """Sources without which the quantity would be clearly less certain; else those that alone would do."""
    rows = np.array(posterior.sources())
    names = [n for n in dict.fromkeys(rows.tolist()) if n != "prior"]

    def left(keep: NDArray[np.bool_]) -> float:
        part = jacobian[keep]
        return float(np.sqrt(by @ _inverse(part.T @ part) @ by))

    needed = [n for n in names if left(rows != n) > _CARRIES * sd]
    if needed:
        return tuple(needed)
    return tuple(n for n in names if left((rows == n) | (rows == "prior")) < 2 * sd)


def _settle(jacobian: Array, by: Array, wanted: int, limits: Array) -> str:
    """The one measurement that leaves the least uncertainty in the wanted quantity, then in all."""
    information = jacobian.T @ jacobian
    best, text = np.inf, ""
    for name, sigma, words in _REMEDIES:
        row = by[QUANTITIES.index(name)] / sigma
        after = _inverse(information + np.outer(row, row))
        sds = np.sqrt(np.einsum("qi,ij,qj->q", by, after, by)) / limits
        cost = 3 * max(float(sds[wanted]), 1.0) + float(np.sum(np.maximum(sds, 1.0)))
        if cost < best:
            best, text = cost, words
    return text
