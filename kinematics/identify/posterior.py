"""Residuals of motion, evidence and priors for one linkage, and their Jacobian: what `identify` minimises."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strokecurve.kinematics.identify.evidence import ANGLES, QUANTITIES, WhitenedEvidence
from strokecurve.kinematics.linkage.algebra import Pose
from strokecurve.kinematics.linkage.closure import driven_curve, driven_derivatives
from strokecurve.kinematics.linkage.play import engage
from strokecurve.kinematics.motion.angles import Bins
from strokecurve.kinematics.motion.wear import Wear
from strokecurve.kinematics.settings import Settings

Array = NDArray[np.float64]

PARAMETERS = (
    "log_drive_radius",
    "log_driven_radius",
    "log_spacing",
    "drive_start_rad",
    "driven_start_rad",
    "slack_rad",
    "driven_zero_rad",
)
SLACK, ZERO = PARAMETERS.index("slack_rad"), PARAMETERS.index("driven_zero_rad")
_ZERO_PRIOR_RAD = (
    1.0  # the driven shaft's zero is arbitrary; the width only keeps a fit without a hold finite
)
_CLEAR = 0.05  # one standard deviation when rod and driven arm are within 3 degrees of one line
_STROKE_STEPS = 91  # of the stroke over which lost motion is averaged
_ROD = QUANTITIES.index("rod_mm")
_IS_ANGLE = np.array([q in ANGLES for q in QUANTITIES])


@dataclass(frozen=True, slots=True)
class Posterior:
    """Everything known of one linkage, as residuals of unit variance.

    Parameters
    ----------
    bins : Bins
        Thinned motion.
    opening_sign, driven_sign : int
        Way in which driver and driven shaft open, +1 counter-clockwise.
    start_opened : float
        Where the motion starts in the play: 0 on the closing side, 1 on the opening side.
    whiten : ndarray, shape (B, B)
        Makes the errors of the bins independent and of unit variance (`noise_whitener`).
    evidence : tuple of WhitenedEvidence
    settings : Settings
    wear : Wear
        Where lost motion arises.
    """

    bins: Bins
    opening_sign: int
    driven_sign: int
    start_opened: float
    whiten: Array
    evidence: tuple[WhitenedEvidence, ...]
    settings: Settings
    wear: Wear

    # ---- motion ------------------------------------------------------------------------------------------

    def travel(self) -> Array:
        """Drive arm turned since low fire at each bin (rad), counter-clockwise positive, shape (B,)."""
        return self.opening_sign * self.bins.driver_rad

    def _engaged(self, parameters: Array, turned: Array) -> tuple[Array, Array]:
        """Driven travel at each bin as engaged in closing and in opening, positive toward high fire."""
        closing = self.driven_sign * turned
        if self.wear.longer_by_slack == 0:
            return closing, closing - parameters[SLACK]
        longer = self.wear.longer_by_slack * float(parameters[SLACK])
        opening = driven_curve(self.travel(), *linkage_of(parameters), longer_mm=longer)
        return closing, self.driven_sign * opening

    def misfit(self, parameters: Array) -> Array:
        """Measured less modelled driven angle (rad), shape (B,), by parameters of shape (7,).

        NaN everywhere if the linkage does not close at some bin.
        """
        return self._misfit(parameters, driven_curve(self.travel(), *linkage_of(parameters)))

    def _misfit(self, parameters: Array, turned: Array) -> Array:
        closing, opening = self._engaged(parameters, turned)
        lag = closing - opening
        if not np.all(np.isfinite(lag)):
            return np.full_like(closing, np.nan)
        play = engage(closing, lag, self.start_opened, self.bins.restarts)
        model = closing[play.source] - lag[play.source] * play.opened
        return np.asarray(self.driven_sign * self.bins.driven_rad - model - parameters[ZERO])

    # ---- least squares -----------------------------------------------------------------------------------

    def residuals(self, parameters: Array) -> Array:
        """Motion, then evidence, then priors, each divided by its standard deviation: shape (R,).

        The parameters have shape (7,), as named in `PARAMETERS`.
        """
        turned = driven_curve(self.travel(), *linkage_of(parameters))
        motion = self._misfit(parameters, turned)
        if np.all(np.isfinite(motion)):
            motion = self.whiten @ motion
        return np.concatenate([motion, self._knowledge(parameters, self._ends(turned))])

    def jacobian(self, parameters: Array) -> Array:
        """Derivatives of `residuals`, shape (R, 7)."""
        values, travel = linkage_of(parameters), self.travel()
        turned = driven_curve(travel, *values)
        high, low = self._engaged(parameters, turned)
        closing = np.zeros((travel.size, len(PARAMETERS)))
        closing[:, :5] = self.driven_sign * driven_derivatives(travel, turned, *values).by_parameter
        opening = closing.copy()
        if self.wear.longer_by_slack == 0:
            opening[:, SLACK] = -1.0
        else:
            longer = self.wear.longer_by_slack * float(parameters[SLACK])
            rates = driven_derivatives(travel, self.driven_sign * low, *values, longer_mm=longer)
            opening[:, :5] = self.driven_sign * rates.by_parameter
            opening[:, SLACK] = self.driven_sign * rates.by_rod * self.wear.longer_by_slack
        play = engage(high, high - low, self.start_opened, self.bins.restarts)
        opened = play.opened[:, None]
        motion = -(opened * opening[play.source] + (1 - opened) * closing[play.source])
        motion[:, ZERO] = -1.0
        return np.concatenate(
            [self.whiten @ motion, self._knowledge_jacobian(parameters, self._ends(turned))]
        )

    def knowledge(self, parameters: Array) -> Array:
        """Residuals of evidence and priors for parameters of shape (..., 7)."""
        return self._knowledge(parameters, self._turned_ends(parameters))

    def knowledge_jacobian(self, parameters: Array) -> Array:
        """Derivatives of `knowledge`, shape (..., K, 7)."""
        return self._knowledge_jacobian(parameters, self._turned_ends(parameters))

    def _knowledge(self, parameters: Array, ends: Array) -> Array:
        clear = self._clear(parameters, ends)
        return np.concatenate([*self._evidence(parameters), self._prior(parameters), clear], axis=-1)

    def _knowledge_jacobian(self, parameters: Array, ends: Array) -> Array:
        by = self.quantity_derivatives(parameters)
        prior = np.broadcast_to(np.diag(1 / self.prior_sd()), (*parameters.shape, len(PARAMETERS)))
        clear = self._clear_derivatives(parameters, ends)
        evidence = [e.whiten @ by[..., e.columns, :] for e in self.evidence]
        return np.concatenate([*evidence, prior, clear], axis=-2)

    def _ends(self, turned: Array) -> Array:
        """Driven arm turned at both ends of the stroke, of that at each bin."""
        return np.array([0.0, turned[np.argmax(self.bins.driver_rad)]])

    def _turned_ends(self, parameters: Array) -> Array:
        values = (v[..., None] for v in linkage_of(parameters))
        return driven_curve(self._end_travel(), *values)

    def quantities(self, parameters: Array) -> Array:
        """The six quantities in the order of `QUANTITIES`, shape (..., 6); the rod from pin to pin."""
        values = quantities(parameters)
        values[..., _ROD] += 0.5 * self.wear.longer_by_slack * parameters[..., SLACK]
        return values

    def quantity_derivatives(self, parameters: Array) -> Array:
        """Their derivatives by the parameters, shape (..., 6, 7)."""
        by = quantity_derivatives(parameters)
        by[..., _ROD, SLACK] = 0.5 * self.wear.longer_by_slack
        return by

    def lost_motion(self, parameters: Array) -> float:
        """Mean lost motion over the stroke (rad), by parameters of shape (7,).

        Near toggle it is not quite the parameter when pins are worn.
        """
        if self.wear.longer_by_slack == 0:
            return float(parameters[SLACK])
        travel, values = self._even_travel(), linkage_of(parameters)
        longer = self.wear.longer_by_slack * float(parameters[SLACK])
        lag = driven_curve(travel, *values) - driven_curve(travel, *values, longer_mm=longer)
        return self.driven_sign * float(np.mean(lag))

    def lost_motion_derivatives(self, parameters: Array) -> Array:
        """Its derivatives by the parameters, shape (7,)."""
        if self.wear.longer_by_slack == 0:
            return np.asarray(np.eye(len(PARAMETERS))[SLACK])
        travel, values = self._even_travel(), linkage_of(parameters)
        closing, opening = (
            driven_derivatives(travel, driven_curve(travel, *values, longer_mm=e), *values, longer_mm=e)
            for e in (0.0, self.wear.longer_by_slack * float(parameters[SLACK]))
        )
        total = np.zeros(len(PARAMETERS))
        total[:5] = np.mean(closing.by_parameter - opening.by_parameter, axis=0)
        total[SLACK] = -np.mean(opening.by_rod) * self.wear.longer_by_slack
        return np.asarray(self.driven_sign * total)

    def _even_travel(self) -> Array:
        return self.opening_sign * np.linspace(0, float(np.max(self.bins.driver_rad)), _STROKE_STEPS)

    def sources(self) -> list[str]:
        """Where each row of the residuals comes from: "curve", the evidence's source, or "prior"."""
        rows = ["curve"] * self.bins.driver_rad.size
        for e in self.evidence:
            rows += [e.source] * e.values.size
        return rows + ["prior"] * (len(PARAMETERS) + 2)

    def prior_mean(self) -> Array:
        """Centre of the prior, shape (7,), in the units of `PARAMETERS`."""
        s = self.settings
        return np.array(
            [
                np.log(s.size_mm),
                np.log(s.size_mm),
                np.log(s.spacing_mm),
                0.0,
                0.0,
                0.0,
                0.0,
            ]
        )

    def prior_sd(self) -> Array:
        """Standard deviations of the prior, shape (7,).

        For the start angles half a turn, which tells next to nothing.
        """
        s = self.settings
        return np.array(
            [
                s.size_log_sd,
                s.size_log_sd,
                s.spacing_log_sd,
                np.pi,
                np.pi,
                s.slack_prior_rad,
                _ZERO_PRIOR_RAD,
            ]
        )

    def _prior(self, parameters: Array) -> Array:
        return np.asarray((parameters - self.prior_mean()) / self.prior_sd())

    # Prior that the linkage is clear of jamming at both ends of its stroke: a fit can follow noise into the
    # corner where rod and driven arm are in line just at an end. No linkage in service rests there; beyond a
    # few degrees this prior is not felt.

    def _at_ends(self, parameters: Array, turned: Array) -> Pose:
        a, c, d, drive, driven = (v[..., None] for v in linkage_of(parameters))
        return Pose.in_plane(a, c, d, drive + self._end_travel(), driven + turned)

    def _end_travel(self) -> Array:
        return self.opening_sign * np.array([0.0, float(np.max(self.bins.driver_rad))])

    def _clear(self, parameters: Array, turned: Array) -> Array:
        return _CLEAR * self._at_ends(parameters, turned).transmission_cotangent()

    def _clear_derivatives(self, parameters: Array, turned: Array) -> Array:
        values = (v[..., None] for v in linkage_of(parameters))
        by_linkage = driven_derivatives(self._end_travel(), turned, *values).by_parameter
        by = self._at_ends(parameters, turned).transmission_cotangent_by()
        total = np.zeros((*by.shape[:-1], len(PARAMETERS)))
        total[..., :5] = _CLEAR * (by + by[..., 4:] * by_linkage)
        return total

    def _evidence(self, parameters: Array) -> list[Array]:
        values = self.quantities(parameters)
        rows = []
        for e in self.evidence:
            off = values[..., e.columns] - e.values
            off = np.where(_IS_ANGLE[e.columns], wrap(off), off)
            rows.append(off @ e.whiten.T)
        return rows


def linkage_of(parameters: Array) -> tuple[Array, Array, Array, Array, Array]:
    """Both radii, spacing (mm) and both start angles (rad) of parameters of shape (..., 7)."""
    sizes = np.exp(parameters[..., :3])
    return sizes[..., 0], sizes[..., 1], sizes[..., 2], parameters[..., 3], parameters[..., 4]


def quantities(parameters: Array) -> Array:
    """The six quantities in the order of `QUANTITIES`, shape (..., 6); the rod as it acts in closing."""
    a, c, d, drive, driven = linkage_of(parameters)
    rod = Pose.in_plane(a, c, d, drive, driven).rod_mm
    return np.stack([a, c, rod, d, drive, driven], axis=-1)


def quantity_derivatives(parameters: Array) -> Array:
    """Derivatives of the six quantities by the parameters, shape (..., 6, 7)."""
    a, c, d, drive, driven = linkage_of(parameters)
    pose = Pose.in_plane(a, c, d, drive, driven)
    rod = pose.rod_mm
    by = np.zeros((*rod.shape, len(QUANTITIES), len(PARAMETERS)))
    for quantity, parameter, value in ((0, 0, a), (1, 1, c), (3, 2, d), (4, 3, 1.0), (5, 4, 1.0)):
        by[..., quantity, parameter] = value
    for parameter, half_square_by in enumerate(pose.half_square_by()):
        by[..., _ROD, parameter] = half_square_by / rod
    return by


def wrap(angle: Array) -> Array:
    """Angles (rad) of any shape, brought into (-pi, pi]."""
    return np.asarray(np.pi - np.mod(np.pi - angle, 2 * np.pi))
