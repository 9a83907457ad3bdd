"""Types of arrays used throughout the package."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Singles = NDArray[np.float32]
