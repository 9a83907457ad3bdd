"""Linear equations of markers that turn together: one angle of a shaft in place of one for each marker.

Two markers on one shaft are exposed at different times where rows are exposed one after another, so that the
angle between them changes as the shaft turns. That tells the readout, if they are rigid; an arm that slips
makes a step, which is left open.
"""

from __future__ import annotations

import numpy as np

from strokecurve.vision.arrays import Floats
from strokecurve.vision.joint_fit.joint import JointModel, JointState
from strokecurve.vision.joint_fit.nodes import Nodes
from strokecurve.vision.joint_fit.rigid import alike_unwrapped, arm_steps, as_one
from strokecurve.vision.joint_fit.steps import StepSettings


def tied_together(
    model: JointModel, time_s: Floats, state: JointState, nodes: Nodes, local: Floats
) -> tuple[Floats, Floats, Floats]:
    """Equations of K frames from a tripod with the markers of each shaft tied.

    Parameters
    ----------
    model : JointModel
        With a fixed camera.
    time_s : ndarray, shape (K,)
    state : JointState
        Every marker fitted by itself.
    nodes : Nodes
    local : ndarray, shape (K, N, B)
        Derivatives of the residuals by the angle of each marker.

    Returns
    -------
    by_shaft : ndarray, shape (K, N, S)
        Derivatives by the angle of each shaft.
    by_constant : ndarray, shape (K, N, C)
        Derivatives by the angles between markers that are not known but stay, those of the whole film.
    shift : ndarray, shape (K, N)
        Change of the residuals from markers by themselves to tied ones.
    """
    by_shaft = np.zeros((*local.shape[:2], model.shafts))
    constants: list[Floats] = []
    shift = np.zeros(local.shape[:2])
    seen = nodes.seen[:, len(model.card_ids) :]
    variance = 1.0 / np.maximum((local**2).sum(axis=1), 1e-300)
    for shaft in range(model.shafts):
        mine = [b for b, m in enumerate(model.mounted) if m.shaft == shaft]
        if len(mine) == 1:
            by_shaft[..., shaft] = local[..., mine[0]]
            continue
        angle = alike_unwrapped(np.where(seen[:, mine], state.angle_rad[:, mine], np.nan))
        steps = arm_steps(shaft, time_s, angle, np.full_like(angle, np.nan), StepSettings())
        covariance = variance[:, mine, None] * np.eye(len(mine))
        for place, b in enumerate(mine):
            rigid = as_one(angle, covariance, steps=steps, arm=place)[0]
            known = np.isfinite(rigid) & np.isfinite(angle[:, place])
            run = np.zeros(len(time_s), np.intp)
            for step in steps if place else ():
                run[step.first :] += 1
                known[step.first : step.last + 1] = False
            column = np.where(known[:, None], local[..., b], 0.0)
            by_shaft[..., shaft] += column
            shift += column * np.where(known, rigid - angle[:, place], 0.0)[:, None]
            if place:
                constants += [np.where((run == r)[:, None], column, 0.0) for r in range(run.max() + 1)]
    by_constant = np.stack(constants, axis=2) if constants else np.zeros((*local.shape[:2], 0))
    return by_shaft, by_constant, shift
