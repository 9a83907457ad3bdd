"""An arm that slips on its shaft: a step in driven against driver that stays."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from strokecurve.kinematics.faults.step_fit import ARMS, LastingStep, StepFit, StepProblem
from strokecurve.kinematics.linkage.play import engage
from strokecurve.kinematics.motion.angles import LinkageMotion, bin_numbers, thin
from strokecurve.kinematics.motion.deadband import slow_errors
from strokecurve.kinematics.motion.folding import fold
from strokecurve.kinematics.motion.noise import SlowErrors
from strokecurve.kinematics.motion.stroke import Stroke
from strokecurve.kinematics.settings import DEFAULTS, Settings

Array = NDArray[np.float64]

_MIN_BINS = 20
_MIN_FRAMES = 5  # on either side of a step: fewer may be a few bad frames
_MOST = 3  # steps looked for in one film
_PLACINGS = 3  # times a step is placed anew with the engagement that its own fit gave
_APART = 3  # bins between two steps; closer ones are one step that took its time
_WORTH_A_FIT = 0.5  # share of the fall of chi-square asked for, below which a step is not even fitted
_LITTLE_RAD = 3 * np.pi / 180  # driver travel on one side of a step that is hardly any
_ENOUGH_RAD = 8 * np.pi / 180  # ... and the least that can tell driven from drive arm
_EXPLAINS = 0.7  # share of the excess of chi-square that a step must take away
_SURE = 4.0  # standard deviations
_FLAT = 0.1  # slope below which a step of the driven shaft says little about the drive arm
_WIDEST_RAD = 0.1  # of a first estimate of the drive arm's slip
_TELLS_ARMS = 16.0  # difference of chi-square (four standard deviations) that tells driven from drive arm


@dataclass(frozen=True, slots=True)
class Slip:
    """One step between driver and driven shaft that stays.

    Parameters
    ----------
    first, last : int
        Frames between which it happened, both included.
    moment : int
        Frame from which the shafts stand as after it.
    at_driver_rad : float
        Driver travel at that moment.
    arm : str
        "driven" or "drive": the arm whose slip explains the film clearly better; "" if either does.
    driven_rad, driven_sd_rad : float
        Size, if the driven arm slipped: how far the driven shaft is off afterwards, positive toward open.
    drive_rad, drive_sd_rad : float
        Size, if the drive arm slipped: by how much driver travel the curve is shifted; positive if the driven
        shaft is as far as if the driver were further open.
    """

    first: int
    last: int
    moment: int
    at_driver_rad: float
    arm: str
    driven_rad: float
    driven_sd_rad: float
    drive_rad: float
    drive_sd_rad: float


@dataclass(frozen=True, slots=True)
class Following:
    """How the driven shaft follows its driver, without any kind of linkage assumed.

    Parameters
    ----------
    slips : tuple of Slip
        In the order of time; empty if nothing slipped.
    slack_rad, slack_sd_rad : float
        Lost motion of either sign with the slips modelled along; NaN without both passes.
    off_rad : ndarray, shape (N,)
        Measured less modelled driven angle in each frame, positive toward open; NaN in gaps.
    sigma_rad : ndarray, shape (N,)
        Standard deviation of `off_rad` from frame noise.
    ratio : ndarray, shape (N,)
        Slope of the modelled driven angle against the driver, 0 where lost motion is being taken up.
    travel_rad : ndarray, shape (N,)
        Driver travel.
    sign : int
        Way in which the driven shaft opens, +1 counter-clockwise.
    slow : SlowErrors
        Slow errors of driver and driven shaft, with the slips taken out: a step is no error of measurement.
    """

    slips: tuple[Slip, ...]
    slack_rad: float
    slack_sd_rad: float
    off_rad: Array
    sigma_rad: Array
    ratio: Array
    travel_rad: Array
    sign: int
    slow: SlowErrors


def follow(stroke: Stroke, motion: LinkageMotion, settings: Settings = DEFAULTS) -> Following | None:
    """Fit driven curve, lost motion and, where there are any, steps that stay.

    Parameters
    ----------
    stroke : Stroke
    motion : LinkageMotion
    settings : Settings

    Returns
    -------
    Following or None
        None if there are too few frames.

    Notes
    -----
    As for lost motion the curve is a spline followed through a play operator. Lost motion comes back at each
    reversal, so it cannot take the place of a step that stays. Each bin of the film is tried as the moment;
    the bins of the step itself count for nothing. A step is believed if it lowers chi-square (divided by its
    own reduced value, where that exceeds one) by `Settings.slip_chi_square` and is not smaller than
    `Settings.slip_rad`.

    A slipped driven arm adds a constant to the driven angle, a slipped drive arm shifts the curve along the
    driver's travel: the two differ by the curve's slope, and can be told apart only where that changes.

    Examples
    --------
    >>> from strokecurve.kinematics.motion.stroke import find_stroke
    >>> time_s = np.arange(0, 12, 0.05)
    >>> driver = np.radians(np.interp(time_s, [0, 1, 5.5, 6.5, 11], [0, 0, 90, 90, 0]))
    >>> driven = driver + 0.1 * np.sin(2 * driver) + np.radians(2) * (time_s > 8)
    >>> found = follow(find_stroke(time_s, driver, 0.0005), LinkageMotion.of(driver, driven, 0.0005, 0.0005))
    >>> [(s.arm, f"{np.degrees(s.driven_rad):.2f}", f"{time_s[s.moment]:.2f}") for s in found.slips]
    [('driven', '2.00', '8.05')]
    """
    bins = thin(motion, stroke)
    if bins.driver_rad.size < _MIN_BINS:
        return None
    numbers = _positions(bin_numbers(motion, stroke))
    problem = StepProblem.of(bins, fold(motion, stroke), stroke, settings)
    plain = problem.fit("driven", ())
    fits = _with_steps(problem.evenly(), plain, settings) or _with_steps(problem, plain, settings)
    fits = fits or (plain,)
    best = fits[0]
    off, sigma, ratio = _frames(problem, best, motion, stroke, numbers)
    slips = tuple(
        _slip(n, fits, problem, motion, stroke, numbers) for n in np.argsort([s.stop for s in best.steps])
    )
    known = bool(stroke.opening and stroke.closing)
    return Following(
        slips,
        best.slack if known else np.nan,
        best.slack_sd * float(np.sqrt(best.excess)) if known else np.nan,
        off,
        sigma,
        ratio,
        stroke.travel(motion.driver_rad),
        problem.sign,
        slow_errors(stroke, without_slips(stroke, motion, slips), settings) if slips else problem.slow,
    )


def without_slips(stroke: Stroke, motion: LinkageMotion, slips: tuple[Slip, ...]) -> LinkageMotion:
    """The motion as it would have been if no arm had slipped: for the geometry before the first slip.

    Parameters
    ----------
    stroke : Stroke
    motion : LinkageMotion
    slips : tuple of Slip

    Returns
    -------
    LinkageMotion
        With a gap where the arm was slipping. Where it cannot be told which arm slipped, the driven one is
        assumed.

    Examples
    --------
    >>> from strokecurve.kinematics.motion.stroke import find_stroke
    >>> time_s = np.arange(0, 12, 0.05)
    >>> driver = np.radians(np.interp(time_s, [0, 1, 5.5, 6.5, 11], [0, 0, 90, 90, 0]))
    >>> stroke = find_stroke(time_s, driver, 0.0005)
    >>> slip = Slip(160, 160, 160, 1.0, "driven", 0.1, 0.001, 0.1, 0.001)
    >>> motion = LinkageMotion.of(driver, driver + 0.1 * (np.arange(240) >= 160), 0.0005, 0.0005)
    >>> float(np.round(np.nanmax(np.abs(without_slips(stroke, motion, (slip,)).driven_rad - driver)), 9))
    0.0
    """
    if not slips:
        return motion
    driver, driven = motion.driver_rad.copy(), motion.driven_rad.copy()
    sign = thin(motion, stroke).driven_sign
    for slip in slips:
        if slip.arm == "drive":
            driver[slip.moment :] += stroke.opening_sign * slip.drive_rad
        else:
            driven[slip.moment :] -= sign * slip.driven_rad
        if slip.last > slip.first:
            driven[slip.first : slip.last + 1] = np.nan
    return replace(motion, driver_rad=driver, driven_rad=driven)


# ---- parts -----------------------------------------------------------------------------------------------


def _with_steps(problem: StepProblem, plain: StepFit, settings: Settings) -> tuple[StepFit, ...]:
    """Fits with as many steps as the film shows, one for each arm; empty if it shows none.

    A step must do better than `plain`, a fit without any whose lost motion may change over the stroke: play
    in the pins does that near toggle. Beside a step it is even if that will do, so that neither takes the
    other's place.
    """
    fits: tuple[StepFit, ...] = (problem.fit("driven", (), plain),)
    for _ in range(_MOST):
        more = _one_more(problem, fits, _without_negative(plain), settings)
        if not more:
            break
        fits = more
    return fits if fits[0].steps else ()


def _without_negative(fit: StepFit) -> float:
    """Chi-square of a fit with negative lost motion, which no joint has, held at zero instead."""
    return fit.chi_square + (min(fit.slack, 0.0) / max(fit.slack_sd, 1e-12)) ** 2


def _below_zero(fit: StepFit) -> bool:
    """Whether lost motion is surely negative: a step at a reversal has then taken its place."""
    return fit.slack <= -_SURE * fit.slack_sd * float(np.sqrt(fit.excess))


def _preferred(fit: StepFit) -> tuple[bool, float]:
    """What to order fits of a believed step by: lost motion that a joint can have first, then their misfit.

    A wide step frees more bins than a narrow one, and lost motion may hide in them: Akaike's criterion
    charges for each.
    """
    return _below_zero(fit), fit.chi_square - 2 * fit.freedom


def _one_more(
    problem: StepProblem, fits: tuple[StepFit, ...], to_beat: float, settings: Settings
) -> tuple[StepFit, ...]:
    """Fits with one step more, one for each arm, the better first; empty if there is none."""
    base = fits[0]
    basis, _ = problem.splines(problem.bins.driver_rad)
    plays = (base.play, engage(basis @ base.curve, 0.0, base.start_opened))
    least = settings.slip_chi_square
    found: dict[str, list[StepFit]] = {arm: [] for arm in ARMS}
    for play in plays:
        fall, step = problem.candidates(base, len(base.steps), play)
        if fall < _WORTH_A_FIT * least * base.excess and fall < 10 * least:
            break  # without a sign of a step as the play stands, no play at all would only mimic one
        driven = _placed(problem, "driven", _alike(fits, "driven"), step)
        start = _as_drive(problem, _alike(fits, "drive"), driven)
        found["driven"].append(driven)
        found["drive"] += [_placed(problem, "drive", like, step) for like in (_alike(fits, "drive"), start)]
    if not found[ARMS[0]]:
        return ()
    lowest = [min(f, key=lambda g: g.chi_square) for f in found.values()]
    to_beat = min(to_beat, _without_negative(base))
    if not all(_believed(f, base, to_beat, problem, settings) for f in _witnesses(lowest, problem)):
        return ()
    best, other = sorted((min(f, key=_preferred) for f in found.values()), key=_preferred)
    if len(other.steps) != len(best.steps):  # steps close together were taken for one in one of them only
        other = problem.fit(other.arm, best.steps, replace(best, steps=(), sizes=np.zeros(0)))
    return best, other


def _witnesses(pair: list[StepFit], problem: StepProblem) -> list[StepFit]:
    """Fits that must both make the step believable.

    Beside the better one that is the slip of the driven arm where hardly any travel was seen on one side of
    the step: any error of the curve at that one place looks like a shift along the driver.
    """
    best = min(pair, key=lambda f: f.chi_square)
    seen = _seen(problem, best.steps[-1])
    return [best, *(f for f in pair if f is not best and f.arm == "driven" and seen < _LITTLE_RAD)]


def _seen(problem: StepProblem, step: LastingStep) -> float:
    """Driver travel seen before or after a step, whichever is less."""
    travel = problem.bins.driver_rad
    return min(float(np.ptp(travel[: step.first])), float(np.ptp(travel[step.stop :])))


def _alike(fits: tuple[StepFit, ...], arm: str) -> StepFit:
    return next((f for f in fits if f.arm == arm), fits[0])


def _as_drive(problem: StepProblem, like: StepFit, driven: StepFit) -> StepFit:
    """Where to start a slip of the drive arm: at the shift that makes such a step at its moment."""
    step = driven.steps[-1]
    _, slopes = problem.splines(problem.bins.driver_rad)
    slope = float((slopes @ driven.curve)[step.stop])
    size = float(driven.sizes[-1]) / slope if abs(slope) > _FLAT else 0.0
    sizes = like.sizes if like.arm == "drive" else np.zeros(len(like.steps))
    return replace(like, arm="drive", sizes=np.append(sizes, np.clip(size, -_WIDEST_RAD, _WIDEST_RAD)))


def _placed(problem: StepProblem, arm: str, like: StepFit, step: LastingStep) -> StepFit:
    """Fit with one step more, placed anew with the engagement that its own fit gives until it stays."""
    kept = tuple(s for s in like.steps if not _close(s, step))
    if len(kept) < len(like.steps):
        near = [step, *(s for s in like.steps if s not in kept)]
        merged = LastingStep(min(s.first for s in near), max(s.stop for s in near))
        return problem.fit(arm, (*kept, merged), replace(like, steps=kept, sizes=like.sizes[: len(kept)]))
    best = problem.fit(arm, (*kept, step), like)
    for _ in range(_PLACINGS):
        _, again = problem.candidates(best, len(kept), best.play)
        if again == best.steps[-1]:
            break
        other = problem.fit(arm, (*kept, again), best)
        if other.chi_square >= best.chi_square:
            break
        best = other
    return best


def _close(one: LastingStep, other: LastingStep) -> bool:
    return one.first <= other.stop + _APART and other.first <= one.stop + _APART


def _believed(
    fit: StepFit, before: StepFit, to_beat: float, problem: StepProblem, settings: Settings
) -> bool:
    """Whether the last step is certain, large enough, and seen in enough frames on either side."""
    size, step = float(np.min(np.abs(fit.sizes))), fit.steps[-1]
    # one step more must leave those found before as certain as they have to be
    weakest = float(np.min((fit.sizes / np.maximum(fit.sds, 1e-12)) ** 2))
    fall = min(weakest, to_beat - fit.chi_square)
    frames = problem.bins.frames
    enough = min(int(frames[: step.first].sum()), int(frames[step.stop :].sum())) >= _MIN_FRAMES
    sound = not _below_zero(fit) or fit.slack > before.slack
    # what passes that simply differ leave over, or a shaft that was held and came free, no step explains
    over = to_beat - before.freedom
    sound = sound and fit.chi_square - fit.freedom <= (1 - _EXPLAINS) * over + 3 * np.sqrt(2 * fit.freedom)
    certain = fall >= settings.slip_chi_square * fit.excess
    return bool(enough and sound and certain and size >= settings.slip_rad)


def _positions(numbers: NDArray[np.int64]) -> NDArray[np.int64]:
    """Position among the bins of each frame's bin; -1 for none."""
    used = np.unique(numbers[numbers >= 0])
    return np.where(numbers >= 0, np.searchsorted(used, numbers), -1)


def _frames(
    problem: StepProblem, fit: StepFit, motion: LinkageMotion, stroke: Stroke, numbers: NDArray[np.int64]
) -> tuple[Array, Array, Array]:
    """Misfit, its standard deviation and the model's slope in every frame."""
    seen = np.flatnonzero(numbers >= 0)
    at = numbers[seen]
    middle = np.bincount(at, weights=seen) / np.bincount(at)
    begins = [s.first if fit.arm == "drive" else s.stop for s in fit.steps]
    after = np.array([at >= b for b in begins], float).reshape(len(begins), at.size)
    shift = fit.sizes @ after
    basis, slopes = problem.splines(stroke.travel(motion.driver_rad[seen]) + (fit.arm == "drive") * shift)
    model = basis @ fit.curve - np.interp(seen, middle, fit.lag) + (fit.arm == "driven") * shift
    slope = slopes @ fit.curve
    zero = problem.sign * (motion.driven_rad[seen] - _mean_of_first(motion, numbers))
    engaged = np.interp(seen, middle, (fit.play.source == np.arange(middle.size)).astype(float))
    off, sigma, ratio = (np.full(numbers.shape, np.nan) for _ in range(3))
    off[seen] = zero - model
    sigma[seen] = np.hypot(motion.driven_sigma_rad[seen], slope * motion.driver_sigma_rad[seen])
    ratio[seen] = slope * engaged
    return off, sigma, ratio


def _mean_of_first(motion: LinkageMotion, numbers: NDArray[np.int64]) -> float:
    """Zero of the bins' driven angle."""
    return float(np.mean(motion.driven_rad[numbers == 0]))


def _slip(
    n: int,
    fits: tuple[StepFit, ...],
    problem: StepProblem,
    motion: LinkageMotion,
    stroke: Stroke,
    numbers: NDArray[np.int64],
) -> Slip:
    """What is known of one step: frames, moment, and its size for either arm."""
    best, other = fits
    step = best.steps[n]
    own = {f.arm: f for f in fits}
    clear = (other.chi_square - best.chi_square) / best.excess > _TELLS_ARMS
    clear = clear and _seen(problem, step) > _ENOUGH_RAD
    frames = np.flatnonzero((numbers >= step.first) & (numbers < step.stop))
    first, last = int(frames[0]), int(frames[-1])
    # the same film with this step left out: frames before the moment fit it, those after are off by the step
    bare = replace(best, steps=best.steps[:n] + best.steps[n + 1 :], sizes=np.delete(best.sizes, n))
    off = _frames(problem, bare, motion, stroke, numbers)[0]
    around = np.flatnonzero((numbers >= step.first - 1) & (numbers <= step.stop))
    full = np.nanmean(off[around[-3:]])
    split = np.array(
        [np.sum(off[around[:k]] ** 2) + np.sum((off[around[k:]] - full) ** 2) for k in range(1, around.size)]
    )
    moment = int(around[1 + int(np.argmin(split))]) if around.size > 1 else last
    scale = [float(np.sqrt(own[arm].excess)) for arm in ARMS]
    return Slip(
        min(first, moment),
        max(last, moment - 1),
        moment,
        float(stroke.travel(motion.driver_rad[moment])),
        best.arm if clear else "",
        float(own["driven"].sizes[n]),
        float(own["driven"].sds[n]) * scale[0],
        float(own["drive"].sizes[n]),
        float(own["drive"].sds[n]) * scale[1],
    )
