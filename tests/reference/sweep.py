"""Smooths a simulated sweep with scipy's smoothing spline, apart from the Rust code, and prints what
hysteresis and linearity come to beside the truth.

Any python with numpy and scipy: python3 tests/reference/sweep.py [FILE.csv]
With a file, the recording is written there too (columns duty [%], pressure [Pa], time [s]).
The valve has a play of 6 % of the sweep; the truth is exact arithmetic on it.
"""

import sys

import numpy as np
from scipy.interpolate import make_smoothing_spline
from scipy.optimize import linprog

rng = np.random.default_rng(20)
n, play, noise = 4000, 0.06, 0.01
k = np.arange(n + 1)
at = 1 - np.abs(2 * k / n - 1)
up = k <= n // 2


def steady(u):
    return u - 0.3 * u * (1 - u)


def branches(u):
    return steady(np.maximum(u - play / 2, play / 2)), steady(np.minimum(u + play / 2, 1 - play / 2))


def strip(u, f):
    """Half the height of the flattest strip that holds a curve, by linear programming."""
    ones = np.ones_like(u)
    rows = np.block([[u[:, None], ones[:, None], -ones[:, None]], [-u[:, None], -ones[:, None], -ones[:, None]]])
    result = linprog([0, 0, 1], rows, np.concatenate([f, -f]), bounds=[(None, None)] * 3)
    return result.x[2]


def read_off(u, rising, falling):
    span = rising[-1] - 0.5 * (rising[0] + falling[0])
    return np.abs(falling - rising).max() / span, strip(u, 0.5 * (rising + falling)) / span


clean = np.where(up, *branches(at))
output = clean + rng.normal(0, noise, n + 1)
grid = np.linspace(0, 1, 401)
print("truth      hysteresis %.5f  linearity %.5f" % read_off(grid, *branches(grid)))


def smoothed(which):
    """Means of twenty samples each, about 0.01 apart: the spline's equations are ill-conditioned for more."""
    order = np.argsort(at[which], kind="stable")[: which.sum() // 20 * 20]
    mean = lambda column: column[which][order].reshape(-1, 20).mean(axis=1)
    return make_smoothing_spline(mean(at), mean(output))(grid)


print("spline     hysteresis %.5f  linearity %.5f" % read_off(grid, smoothed(up), smoothed(~up)))
if len(sys.argv) > 1:
    table = np.column_stack([10 + 20 * at, 4e7 * output, k * 0.01])
    np.savetxt(sys.argv[1], table, delimiter=",", header="duty [%],pressure [Pa],time [s]", comments="", fmt="%.9g")
