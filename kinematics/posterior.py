"""Residuals of motion, evidence and priors for one linkage, and their Jacobian: what `identify` minimises."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.closure import driven_curve, driven_derivatives, in_line_cotangent
from kinematics.evidence import ANGLES, QUANTITIES, Statement
from kinematics.motion import Bins
from kinematics.play import Play, engage
from kinematics.settings import Settings

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
    evidence : tuple of Statement
    settings : Settings
    """

    bins: Bins
    opening_sign: int
    driven_sign: int
    start_opened: float
    whiten: Array
    evidence: tuple[Statement, ...]
    settings: Settings

    # ---- motion ------------------------------------------------------------------------------------------

    def ideal(self, parameters: Array) -> Array:
        """Driven travel without lost motion at each bin, positive in the driven shaft's opening direction."""
        turned = driven_curve(self.opening_sign * self.bins.driver_rad, *linkage(parameters))
        return np.asarray(self.driven_sign * turned)

    def play(self, ideal: Array, slack: float) -> Play:
        """Engagement of the play along the bins."""
        return engage(ideal, slack, self.start_opened)

    def misfit(self, parameters: Array) -> Array:
        """Measured less modelled driven angle at each bin (rad); NaN if the linkage does not close there."""
        ideal = self.ideal(parameters)
        if not np.all(np.isfinite(ideal)):
            return np.full_like(ideal, np.nan)
        play = self.play(ideal, parameters[SLACK])
        model = ideal[play.source] - parameters[SLACK] * play.opened + parameters[ZERO]
        return np.asarray(self.driven_sign * self.bins.driven_rad - model)

    def velocity_ratio(self, parameters: Array) -> Array:
        """Driven by driver at each bin."""
        values = linkage(parameters)
        travel = self.opening_sign * self.bins.driver_rad
        return driven_derivatives(travel, driven_curve(travel, *values), *values)[1]

    # ---- least squares -----------------------------------------------------------------------------------

    def residuals(self, parameters: Array) -> Array:
        """Motion, then evidence, then priors, each divided by its standard deviation."""
        motion = self.misfit(parameters)
        if np.all(np.isfinite(motion)):
            motion = self.whiten @ motion
        return np.concatenate([motion, self.knowledge(parameters)])

    def jacobian(self, parameters: Array) -> Array:
        """Derivatives of `residuals`, shape (R, 7)."""
        values = linkage(parameters)
        travel = self.opening_sign * self.bins.driver_rad
        turned = driven_curve(travel, *values)
        by_linkage, _ = driven_derivatives(travel, turned, *values)
        play = self.play(self.driven_sign * turned, parameters[SLACK])
        motion = np.zeros((travel.size, len(PARAMETERS)))
        motion[:, :5] = -self.driven_sign * by_linkage[play.source]
        motion[:, SLACK] = play.opened
        motion[:, ZERO] = -1.0
        motion = self.whiten @ motion
        return np.concatenate([motion, self.knowledge_jacobian(parameters)])

    def knowledge(self, parameters: Array) -> Array:
        """Residuals of evidence and priors for parameters of shape (..., 7)."""
        clear, _ = self._clear(parameters)
        return np.concatenate([*self._evidence(parameters), self._prior(parameters), clear], axis=-1)

    def knowledge_jacobian(self, parameters: Array) -> Array:
        """Derivatives of `knowledge`, shape (..., K, 7)."""
        by = quantity_derivatives(parameters)
        prior = np.broadcast_to(np.diag(1 / self.prior_sd()), (*parameters.shape, len(PARAMETERS)))
        _, clear = self._clear(parameters)
        evidence = [e.whiten @ by[..., e.columns, :] for e in self.evidence]
        return np.concatenate([*evidence, prior, clear], axis=-2)

    def sources(self) -> list[str]:
        """Where each row of the residuals comes from: "curve", the evidence's source, or "prior"."""
        rows = ["curve"] * self.bins.driver_rad.size
        for e in self.evidence:
            rows += [e.source] * e.values.size
        return rows + ["prior"] * (len(PARAMETERS) + 2)

    def prior_mean(self) -> Array:
        """Centre of the prior."""
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
        """Standard deviations of the prior; half a turn for the start angles, which is next to nothing."""
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

    def _clear(self, parameters: Array) -> tuple[Array, Array]:
        """Prior that the linkage is clear of jamming at both ends of its stroke, and its derivatives.

        A fit can follow noise into the corner where rod and driven arm are in line just at an end. No
        linkage in service rests there; beyond a few degrees this prior is not felt.
        """
        a, c, d, drive, driven = (v[..., None] for v in linkage(parameters))
        travel = self.opening_sign * np.array([0.0, float(np.max(self.bins.driver_rad))])
        turned = driven_curve(travel, a, c, d, drive, driven)
        by_linkage, _ = driven_derivatives(travel, turned, a, c, d, drive, driven)
        cotangent, by = in_line_cotangent(a, c, d, drive + travel, driven + turned)
        total = np.zeros((*cotangent.shape, len(PARAMETERS)))
        total[..., :5] = by + by[..., 4:] * by_linkage
        return _CLEAR * cotangent, _CLEAR * total

    def _evidence(self, parameters: Array) -> list[Array]:
        values = quantities(parameters)
        rows = []
        for e in self.evidence:
            off = values[..., e.columns] - e.values
            off = np.where(_IS_ANGLE[e.columns], wrap(off), off)
            rows.append(off @ e.whiten.T)
        return rows


def linkage(parameters: Array) -> tuple[Array, Array, Array, Array, Array]:
    """Both radii, spacing (mm) and both start angles (rad) of parameters of shape (..., 7)."""
    a, c, d = np.moveaxis(np.exp(parameters[..., :3]), -1, 0)
    return a, c, d, parameters[..., 3], parameters[..., 4]


def quantities(parameters: Array) -> Array:
    """The six quantities in the order of `QUANTITIES`, shape (..., 6)."""
    a, c, d, drive, driven = linkage(parameters)
    rod = np.hypot(
        d + c * np.cos(driven) - a * np.cos(drive),
        c * np.sin(driven) - a * np.sin(drive),
    )
    return np.stack([a, c, rod, d, drive, driven], axis=-1)


def quantity_derivatives(parameters: Array) -> Array:
    """Derivatives of the six quantities by the parameters, shape (..., 6, 7)."""
    a, c, d, th, ph = linkage(parameters)
    rod = quantities(parameters)[..., 2]
    cross, skew = np.cos(th - ph), np.sin(th - ph)
    by = np.zeros((*rod.shape, len(QUANTITIES), len(PARAMETERS)))
    by[..., 0, 0], by[..., 1, 1], by[..., 3, 2], by[..., 4, 3], by[..., 5, 4] = (
        a,
        c,
        d,
        1.0,
        1.0,
    )
    by[..., 2, 0] = a * (a - d * np.cos(th) - c * cross) / rod
    by[..., 2, 1] = c * (c + d * np.cos(ph) - a * cross) / rod
    by[..., 2, 2] = d * (d - a * np.cos(th) + c * np.cos(ph)) / rod
    by[..., 2, 3] = (a * d * np.sin(th) + a * c * skew) / rod
    by[..., 2, 4] = (-c * d * np.sin(ph) - a * c * skew) / rod
    return by


def wrap(angle: Array) -> Array:
    """Angle in (-pi, pi]."""
    return np.asarray(np.pi - np.mod(np.pi - angle, 2 * np.pi))
