"""Geometry of one linkage from its motion and all other evidence, with an honest standard deviation."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from strokecurve.kinematics.errors import FitError, GeometryError
from strokecurve.kinematics.identify.attribution import carriers, remedy
from strokecurve.kinematics.identify.evidence import (
    QUANTITIES,
    Evidence,
    JointEvidence,
    WhitenedEvidence,
    whitened,
)
from strokecurve.kinematics.identify.posterior import PARAMETERS, SLACK, Posterior, linkage_of
from strokecurve.kinematics.identify.search import beside, polish, wear_of_pins, with_worn_pins
from strokecurve.kinematics.identify.spread import Mode, inverse, modes, spread
from strokecurve.kinematics.identify.starts import different, starting_points
from strokecurve.kinematics.linkage.fourbar import FourBar
from strokecurve.kinematics.motion.angles import Bins, LinkageMotion
from strokecurve.kinematics.motion.deadband import DeadBand, fit_dead_band, start_side
from strokecurve.kinematics.motion.folding import fold
from strokecurve.kinematics.motion.noise import SlowErrors, noise_whitener
from strokecurve.kinematics.motion.stroke import Stroke
from strokecurve.kinematics.motion.wear import Wear, even_wear
from strokecurve.kinematics.settings import DEFAULTS, Settings

Array = NDArray[np.float64]

_STARTS = 6  # different starting points polished
_MIN_BINS = 20
_WIDENINGS = 3  # rounds in which slow errors are enlarged until a four-bar explains the film
_CONTRADICTED = 2.0  # enlargement of the slow errors from which the film contradicts every four-bar
_WIDEST = 100.0  # times the stated slow error
_MIN_DRIVEN_RAD = np.pi / 180
_LESS_PLAY = (1.0, 0.5, 0.25)  # of lost motion: a linkage that would jam with all of it still tells its shape
_PLAIN = 4.0  # standard deviations from which lost motion is plain enough to ask where it arises


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
        Closes rigidly on the closing side of the lost motion, where the low-fire hold rests. With play in the
        pins its rod differs from the rod's length, pin to pin, by half the play.
    quantities : tuple of Quantity
        The six quantities in the order of `QUANTITIES`.
    slack : Quantity
        Lost motion at the driven shaft, mean over the stroke, not negative.
    slack_signed_rad : float
        The same as the fit found it: noise about no lost motion at all lies on both sides of zero.
    pins_share : float
        Probability that lost motion is play in the rod's pins, which changes with the transmission angle, and
        not the same angle everywhere, as that of an arm on its shaft; NaN where lost motion is not plain.
    modes : tuple of Mode
        All linkages that explain the film, by their share of the probability; the first is the one reported.
    parameters, covariance : ndarray, shapes (7,), (7, 7)
        As named in `posterior.PARAMETERS`; the Jacobian's covariance. Where the problem is far from linear,
        or several linkages explain the film, the quantities' own standard deviations are larger.
    chi_square, degrees_of_freedom : float, int
        Of motion, evidence and priors, with errors as stated.
    slow : SlowErrors
        Slowly varying errors of driver and driven shaft, as the film's scatter about a smooth curve shows
        them.
    widened : float
        Factor by which they had to be enlarged until a four-bar explains the film; else 1.
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
    pins_share: float
    modes: tuple[Mode, ...]
    parameters: Array
    covariance: Array
    chi_square: float
    degrees_of_freedom: int
    slow: SlowErrors
    widened: float
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
    also has a slowly varying error, and errors that all frames share (`noise_whitener`). Passes that run
    alike are put together (`fold`). Lost motion is a play operator run along the film. Start angles are
    scanned all round, so both branches are tried.

    Examples
    --------
    >>> from strokecurve.kinematics.motion.stroke import find_stroke
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
    bins = fold(motion, stroke)
    _check(bins)
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        # a trial step may leave the possible linkages: NaN then says so
        return _identify(stroke, bins, tuple(whitened(evidence)), settings)


@dataclass(frozen=True, slots=True)
class _Solved:
    posterior: Posterior
    found: list[Mode]
    slow: SlowErrors
    starts: list[Array]
    pins_share: float = np.nan


def _identify(
    stroke: Stroke, bins: Bins, evidence: tuple[WhitenedEvidence, ...], settings: Settings
) -> GeometryFit:
    side = start_side(stroke)
    band = fit_dead_band(bins, settings, side)
    stated = _fit(stroke, bins, evidence, settings, band, even_wear(bins))
    stated = _tell_wear(stated, side, settings)
    best, widened = stated, 1.0
    for _ in range(_WIDENINGS):
        excess = best.found[0].chi_square / _freedom(best.posterior)
        if excess < settings.chi_square_limit or widened > _WIDEST:
            break
        # no four-bar follows the film to within the stated errors: what is left is an error of the model, of
        # which is known only that it varies slowly
        widened *= float(np.sqrt(excess))
        wear = best.posterior.wear
        band = fit_dead_band(bins, settings, side, stated.slow.enlarged(widened), wear)
        best = _fit(stroke, bins, evidence, settings, band, wear, widened, best.found)
    return _result(best, stated, widened)


def _freedom(posterior: Posterior) -> int:
    return len(posterior.sources()) - len(PARAMETERS)


def _fit(
    stroke: Stroke,
    bins: Bins,
    evidence: tuple[WhitenedEvidence, ...],
    settings: Settings,
    band: DeadBand,
    wear: Wear,
    widened: float = 1.0,
    before: Sequence[Mode] = (),
) -> _Solved:
    """Solutions with slow errors of the size that goes with the dead band."""
    posterior = Posterior(
        bins,
        stroke.opening_sign,
        bins.driven_sign,
        band.start_opened,
        noise_whitener(bins, band.ratio, band.slow, settings),
        evidence,
        settings,
        wear,
    )
    starts = [*(mode.parameters for mode in before), *starting_points(posterior, band, _STARTS)]
    found = modes([(m.posterior, m.parameters) for m in polish(posterior, starts)], widened)
    if not found:
        raise FitError(
            "No four-bar linkage closes over this stroke with the lengths and angles given.",
            "Check the tape measures, and that the two shafts are joined by one rod.",
        )
    return _Solved(posterior, found, band.slow, starts)


def _tell_wear(even: _Solved, side: float, settings: Settings) -> _Solved:
    """Solutions with lost motion of either shape, where there is plainly some."""
    first, posterior = even.found[0], even.posterior
    if first.parameters[SLACK] < _PLAIN * np.sqrt(first.covariance[SLACK, SLACK]):
        return even
    # where the shape is wrong a fit may prefer the wrong linkage, even one that jams with play in its pins:
    # all starts are tried again
    starts = [*(mode.parameters for mode in even.found), *even.starts]
    shapes = (wear_of_pins(posterior, _with_slack(start, part)) for part in _LESS_PLAY for start in starts)
    wear = next((shape for shape in shapes if shape is not None), None)
    if wear is None:
        return even
    band = fit_dead_band(posterior.bins, settings, side, wear=wear)
    slow = even.slow
    if np.sum(band.slow.size_rad**2) < np.sum(
        slow.size_rad**2
    ):  # the better shape leaves the film's own error
        slow = band.slow
        whiten = noise_whitener(posterior.bins, band.ratio, slow, settings)
        posterior = replace(posterior, whiten=whiten, start_opened=band.start_opened)
    again = polish(posterior, [mode.parameters for mode in even.found])
    candidates = [(m.posterior, m.parameters) for m in again]
    starts = different([*starts, *starting_points(posterior, band, _STARTS)])
    candidates += with_worn_pins(posterior, starts, again[0].chi_square)
    candidates += beside(candidates)
    found = modes(candidates)
    chosen = next(p for p, s in candidates if s is found[0].parameters)
    share = sum(mode.share for mode in found if mode.worn_pins)
    return _Solved(chosen, found, slow, even.starts, share)


def _with_slack(parameters: Array, part: float) -> Array:
    """The same linkage with part of its lost motion."""
    changed = parameters.copy()
    changed[SLACK] *= part
    return changed


def _check(bins: Bins) -> None:
    if bins.driver_rad.size < _MIN_BINS:
        raise FitError(
            f"Driver and driven shaft were measured together at {bins.driver_rad.size} points only.",
            "Keep both markers in view over the whole stroke.",
        )
    if np.ptp(bins.driven_rad) < _MIN_DRIVEN_RAD:
        raise FitError(
            "The driven shaft hardly moved.",
            "Check that its arm is clamped and the rod connected.",
        )


def _result(solved: _Solved, stated: _Solved, widened: float) -> GeometryFit:
    posterior, found = solved.posterior, solved.found
    best = found[0].parameters
    a, c, d, drive, driven = (float(v) for v in linkage_of(best))
    try:
        four_bar = FourBar.from_start_angles(a, c, d, drive, driven)
    except GeometryError as error:
        raise FitError(
            "The best fit starts in line with the driven arm.",
            "Measure the start angles.",
        ) from error
    by = np.vstack([posterior.quantity_derivatives(best), posterior.lost_motion_derivatives(best)])
    sds = spread(posterior, found, by)
    misfit = posterior.misfit(best)
    made = _quantities(posterior, best, by, sds, widened)
    return GeometryFit(
        four_bar,
        made[:-1],
        made[-1],
        posterior.lost_motion(best),
        stated.pins_share,
        tuple(found),
        best,
        found[0].covariance,
        stated.found[0].chi_square,
        _freedom(posterior),
        stated.slow,
        widened,
        float(np.sqrt(np.average(misfit**2, weights=posterior.bins.frames))),
        posterior.opening_sign,
        posterior.driven_sign,
        _notes(found, made, widened),
    )


def _quantities(
    posterior: Posterior, best: Array, by: Array, sds: Array, widened: float
) -> tuple[Quantity, ...]:
    """The six quantities and lost motion."""
    names = (*QUANTITIES, "slack_rad")
    values = np.append(posterior.quantities(best), max(posterior.lost_motion(best), 0.0))
    limits = _limits(posterior.settings, values)
    jacobian, rows = posterior.jacobian(best), posterior.sources()
    # where the film contradicts every four-bar, only what other evidence settles counts as determined
    trusted = widened < _CONTRADICTED
    beside = jacobian[np.array(rows) != "curve"]
    alone = np.sqrt(np.einsum("qi,ij,qj->q", by, inverse(beside.T @ beside), by))
    made = []
    for k, name in enumerate(names):
        determined = bool(sds[k] <= limits[k] and (trusted or alone[k] <= limits[k]))
        if determined:
            settle = ""
        elif name == "slack_rad":
            settle = "film both passes, with a rest at each end"
        else:
            settle = remedy(jacobian, by[:-1], k, limits[:-1])
        carried = carriers(jacobian, rows, by[k])
        made.append(Quantity(name, float(values[k]), float(sds[k]), determined, carried, settle))
    return tuple(made)


def _limits(settings: Settings, values: Array) -> Array:
    """Largest standard deviation at which each quantity counts as determined."""
    s, share = settings, settings.determined_ratio
    size = min(s.determined_length, share * s.size_log_sd)
    spacing = min(s.determined_length, share * s.spacing_log_sd)
    angle = s.determined_angle_rad
    slack = min(s.determined_slack_rad, share * s.slack_prior_rad)
    own = np.array([*values[:4], angle, angle, slack])
    return np.asarray(own * np.array([size, size, spacing, spacing, 1.0, 1.0, 1.0]))


def _notes(found: list[Mode], made: tuple[Quantity, ...], widened: float) -> tuple[str, ...]:
    notes = []
    if widened > 1:
        notes.append(
            "No four-bar follows the film to within the stated errors; "
            f"slow errors {widened:.1f} times as large were allowed for."
        )
    if len(found) > 1:
        notes.append(
            f"{len(found)} different linkages explain the film about equally well; "
            "the standard deviations span them."
        )
    lengths = made[:4]
    if not any(q.determined for q in lengths):
        notes.append("Angles alone do not give the size of a linkage: one length has to be measured.")
    return tuple(notes)
