"""The least-squares search against certified problems.

Data and certified values are those of NIST's Statistical Reference Datasets for nonlinear regression
(Misra1a, DanWood, MGH09, BoxBOD; each from the second of its published starting points), typed in from
memory: a wrong digit in any of them would miss the certified sum of squares.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest

from strokecurve.kinematics.least_squares import minimise


@dataclass(frozen=True)
class Certified:
    model: Callable[[np.ndarray, np.ndarray], np.ndarray]
    x: tuple[float, ...]
    y: tuple[float, ...]
    start: tuple[float, ...]
    parameters: tuple[float, ...]
    sum_of_squares: float


PROBLEMS = {
    "Misra1a": Certified(
        lambda b, x: b[0] * (1 - np.exp(-b[1] * x)),
        (77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0),
        (10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78),
        (250.0, 5e-4),
        (2.3894212918e02, 5.5015643181e-04),
        1.2455138894e-01,
    ),
    "DanWood": Certified(
        lambda b, x: b[0] * x ** b[1],
        (1.309, 1.471, 1.490, 1.565, 1.611, 1.680),
        (2.138, 3.421, 3.597, 4.340, 4.882, 5.660),
        (0.7, 4.0),
        (7.6886226176e-01, 3.8604055871),
        4.3173084083e-03,
    ),
    "MGH09": Certified(
        lambda b, x: b[0] * (x**2 + x * b[1]) / (x**2 + x * b[2] + b[3]),
        (4.0, 2.0, 1.0, 0.5, 0.25, 0.167, 0.125, 0.1, 0.0833, 0.0714, 0.0625),
        (0.1957, 0.1947, 0.1735, 0.16, 0.0844, 0.0627, 0.0456, 0.0342, 0.0323, 0.0235, 0.0246),
        (0.25, 0.39, 0.415, 0.39),
        (1.9280693458e-01, 1.9128232873e-01, 1.2305650693e-01, 1.3606233068e-01),
        3.0750560385e-04,
    ),
    "BoxBOD": Certified(
        lambda b, x: b[0] * (1 - np.exp(-b[1] * x)),
        (1.0, 2.0, 3.0, 5.0, 7.0, 10.0),
        (109.0, 149.0, 149.0, 191.0, 213.0, 224.0),
        (100.0, 0.75),
        (2.1380940889e02, 5.4723748542e-01),
        1.1680088766e03,
    ),
}


@pytest.mark.parametrize("name", PROBLEMS)
def test_certified_values_are_found(name: str) -> None:
    problem = PROBLEMS[name]
    x, y = np.array(problem.x), np.array(problem.y)
    certified = np.array(problem.parameters)
    sd = np.sqrt(problem.sum_of_squares / (x.size - certified.size))

    def residuals(parameters: np.ndarray) -> np.ndarray:
        return (problem.model(parameters, x) - y) / sd

    def jacobian(parameters: np.ndarray) -> np.ndarray:
        steps = np.diag(1e-6 * np.abs(parameters))
        both = [(residuals(parameters + s) - residuals(parameters - s)) / (2 * s.sum()) for s in steps]
        return np.array(both).T

    found, chi_square = minimise(residuals, jacobian, np.array(problem.start), 500)
    assert chi_square * sd**2 == pytest.approx(problem.sum_of_squares, rel=1e-5)
    slope = jacobian(certified)
    parameter_sd = np.sqrt(np.diag(np.linalg.inv(slope.T @ slope)))
    # the search ends where less than a hundredth of a standard deviation is left to gain
    assert (np.abs(found - certified) < 0.03 * parameter_sd).all()
