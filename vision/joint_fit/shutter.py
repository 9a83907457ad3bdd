"""What a film tells of its own making: readout of its rows, and whether the phone steadied the picture."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from strokecurve.vision.arrays import Floats
from strokecurve.vision.joint_fit.joint import JointModel, JointState
from strokecurve.vision.joint_fit.nodes import Nodes
from strokecurve.vision.joint_fit.path_fit import PathSettings
from strokecurve.vision.joint_fit.row_time import RowTime

HELD_S = 1e-8
"""Spread of a readout that is held at none."""


@dataclass(frozen=True, slots=True)
class ShutterSettings:
    """Limits for readout and steadied pictures.

    Attributes
    ----------
    hand_sigma_s, tripod_sigma_s, steadied_sigma_s : float
        Error of the readout beside the one that the residuals state, on a film from the hand, from a tripod
        (where only the turning arms tell), and on a steadied one (where a longer readout passes for a larger
        motion of the hand): what is seen on rendered films with known truth.
    sure, sure_share : float, float
        A readout below so many standard deviations counts as none, and so does one that takes less than this
        share out of chi-square: what it moves is far below the noise then, and a codec that lets a resting
        wall lag behind the moving arms does as much.
    usual_s, usual_sigma_s : float
        Readout that phones have; it matters on a tripod and on steadied films.
    sideways_sigma_s : float
        Readout along the columns on a tripod: only films that were turned on their side have one.
    usual_odds : float
        So many films have a readout along their rows for each that has none, and so many have none along
        their columns for each that has one.
    suspect_gain, suspect_focal : float
        Whether pictures were steadied is looked into where a shift of the whole picture would lower
        chi-square by more than this in half of the frames (by chance it would be 1.4), or where the focal
        length strays this far from the usual one, in standard deviations of what phones have.
    steadied_px, steadied_change_px : float
        They were if the shifts found are larger in half of the frames, and change by more from one to the
        next: hands and noise make one pixel, and what drifts is a turn of the camera.
    held_share : float
        Share of their usual spread within which camera and axes are held until the shifts are known.
    """

    hand_sigma_s: float = 0.0007
    tripod_sigma_s: float = 0.002
    steadied_sigma_s: float = 0.004
    sure: float = 3.0
    sure_share: float = 0.02
    usual_s: float = 0.015
    usual_sigma_s: float = 0.010
    sideways_sigma_s: float = 0.015
    usual_odds: float = 9.0
    suspect_gain: float = 4.0
    suspect_focal: float = 2.5
    steadied_px: float = 3.0
    steadied_change_px: float = 0.7
    held_share: float = 0.01


@dataclass(frozen=True, slots=True)
class Shutter:
    """How the rows of a film were exposed.

    Attributes
    ----------
    row_time : RowTime
    covariance_s2 : ndarray, shape (2, 2)
        Of the readout along rows and along columns.
    steadied : bool
        Whether each picture was shifted as a whole afterwards.
    """

    row_time: RowTime
    covariance_s2: Floats
    steadied: bool

    @property
    def along(self) -> str:
        """What is exposed one after another: rows, unless columns have the longer readout."""
        return "columns" if abs(self.row_time.columns_s) > abs(self.row_time.rows_s) else "rows"

    @property
    def readout_s(self) -> tuple[float, float]:
        """Readout and its standard deviation along the way given by `along`, s."""
        if self.along == "columns":
            return self.row_time.columns_s, float(np.sqrt(self.covariance_s2[1, 1]))
        return self.row_time.rows_s, float(np.sqrt(self.covariance_s2[0, 0]))


NO_SHUTTER = Shutter(RowTime(), np.zeros((2, 2)), False)
"""All rows at once."""


def sure_rows(
    row_time: RowTime,
    covariance_s2: Floats,
    chi_square: float,
    more_sigma_s: float,
    settings: ShutterSettings,
) -> PathSettings:
    """Say which readouts are sure enough to be kept, as what a further fit is to know beforehand.

    Rows or columns, whichever stand out more; the other one counts as none, and both do where neither stands
    out.

    Parameters
    ----------
    row_time : RowTime
    covariance_s2 : ndarray, shape (2, 2)
        Of the readouts, as residuals state it.
    chi_square : float
        Of the whole fit.
    more_sigma_s : float
        Error of a readout beside that.
    settings : ShutterSettings
    """
    value = np.array([row_time.rows_s, row_time.columns_s])
    variance = np.diag(covariance_s2)
    size = np.abs(value) / np.sqrt(variance + more_sigma_s**2)
    size[value**2 / variance < settings.sure_share * chi_square] = 0.0
    held = PathSettings(rows_sigma_s=HELD_S, columns_sigma_s=HELD_S)
    if size.max() < settings.sure:
        return held
    free = PathSettings()
    if size[0] >= size[1]:
        return replace(held, rows_sigma_s=free.rows_sigma_s)
    return replace(held, columns_sigma_s=free.columns_sigma_s)


def shift_gain(model: JointModel, state: JointState, nodes: Nodes) -> float:
    """Median gain in chi-square by a shift of each whole picture, pose and angles following.

    Parameters
    ----------
    model : JointModel
        With a free camera.
    state : JointState
        Every frame fitted by itself.
    nodes : Nodes
        As an instant shutter would have shown them.

    Notes
    -----
    A score test: to first order, nothing is fitted anew. A shift by the principal point looks like a turn of
    the camera but for perspective, so what a free pose leaves of it is little, and enough.
    """
    residual, _, local = model.linearise(state, nodes, with_shared=False)
    by_shift = model.unpaired(nodes.normals * nodes.inverse_sigma[..., None]).reshape(*residual.shape, 2)
    turned = np.swapaxes(local, 1, 2)
    normal = turned @ local
    places = np.arange(normal.shape[1])
    normal[:, places, places] += 1e-9 * normal[:, places, places] + 1e-12
    columns = np.concatenate([by_shift, residual[..., None]], axis=2)
    columns = columns - local @ np.linalg.solve(normal, turned @ columns)
    square = np.swapaxes(columns, 1, 2) @ columns
    known = square[:, 0, 0] * square[:, 1, 1] > 0
    if not known.any():
        return 0.0
    square = square[known]
    pull = square[:, :2, 2]
    gain = (pull * np.linalg.solve(square[:, :2, :2], pull[..., None])[..., 0]).sum(axis=1)
    # The noise is not known yet: what pose, angles and shift leave of the residuals tells it.
    freedom = 8 * nodes.seen[known].sum(axis=1) - local.shape[2] - 2
    noise = float(np.median((square[:, 2, 2] - gain) / np.maximum(freedom, 1)))
    return float(np.median(gain)) / max(noise, 1e-12)
