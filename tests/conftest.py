"""How the whole suite runs: its processes side by side, each with one core for its sums."""

from __future__ import annotations

import os

# Before numpy is imported, by the tests or by a program that they start. More threads for small matrices only
# take turns on the cores that the other processes of the suite need.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
