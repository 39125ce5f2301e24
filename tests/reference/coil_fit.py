#!/usr/bin/env python3
"""A recording of a coil that no code of this project made, and scipy's fit of it.

Writes tests/data/analysis/coil_step.csv (the recording) and coil_step_fit.csv (scipy's answer, the truth, and
how long scipy took). Needs numpy and scipy; run it from anywhere. The current is integrated from the coil's
differential equation by solve_ivp, with the step between two samples; noise is white.

The model that curve_fit gets is that of the project's coil estimator, written in closed form for a step whose
instant is known and whose two levels are the means of the recorded voltage:

    i(t) = zero + v0/R                                                    before
    i(t) = zero + v0/R + (v1 - v0)/R (1 - (1 - s) exp(-(t - t0)/tau))     after
"""

import pathlib
import time

import numpy as np
import scipy
from scipy.integrate import solve_ivp
from scipy.optimize import curve_fit

OHM, HENRY, EDDY_OHM = 2.8, 11.0e-3, 45.0
VOLT, STEP_S, SPACING_S, SAMPLES = 12.0, 2.0137e-3, 40.0e-6, 600
ZERO_A, NOISE_A, NOISE_V = 0.031, 0.03, 0.04
DATA = pathlib.Path(__file__).resolve().parent.parent / "data" / "analysis"


def magnetising(t, voltage):
    """Current of the inductance: winding in series with (inductance parallel to eddy resistance)."""
    def slope(_, m):
        return (voltage - OHM * m) * EDDY_OHM / (OHM + EDDY_OHM) / HENRY
    return solve_ivp(slope, (0.0, t[-1]), [0.0], t_eval=t, rtol=1e-11, atol=1e-13, method="DOP853").y[0]


def main():
    rng = np.random.default_rng(20)
    t = np.arange(SAMPLES) * SPACING_S
    on = t >= STEP_S
    m = magnetising(t[on] - STEP_S, VOLT)
    current = np.zeros(SAMPLES)
    current[on] = m + (VOLT - OHM * m) / (OHM + EDDY_OHM)
    voltage = np.where(on, VOLT, 0.0)
    current = np.round(current + ZERO_A + rng.normal(0.0, NOISE_A, SAMPLES), 6)
    voltage = np.round(voltage + rng.normal(0.0, NOISE_V, SAMPLES), 6)
    v0, v1 = voltage[~on].mean(), voltage[on].mean()

    def model(t, ohm, tau, share, zero):
        rise = np.where(t >= STEP_S, 1.0 - (1.0 - share) * np.exp(-np.maximum(t - STEP_S, 0.0) / tau), 0.0)
        return zero + (v0 + (v1 - v0) * rise) / ohm

    start = [v1 / current[-100:].mean(), 3e-3, 0.02, 0.0]
    took = []
    for _ in range(20):
        begun = time.perf_counter()
        best, _ = curve_fit(model, t, current, p0=start, xtol=1e-12, ftol=1e-12, gtol=1e-12)
        took.append(time.perf_counter() - begun)
    ohm, tau, share, zero = best
    source = f"# Made by tests/reference/coil_fit.py with numpy {np.__version__} and scipy {scipy.__version__}.\n"
    with open(DATA / "coil_step.csv", "w") as out:
        out.write(source + "time_s,voltage_v,current_a\n")
        out.writelines(f"{a:.6f},{b:.6f},{c:.6f}\n" for a, b, c in zip(t, voltage, current))
    with open(DATA / "coil_step_fit.csv", "w") as out:
        out.write(source + "quantity,fitted,truth\n")
        tau_true = HENRY * (OHM + EDDY_OHM) / (OHM * EDDY_OHM)
        out.write(f"ohm,{ohm:.15g},{OHM}\nhenry,{tau * ohm * (1.0 - share):.15g},{HENRY}\n")
        out.write(f"tau_s,{tau:.15g},{tau_true:.15g}\nedge_share,{share:.15g},{OHM / (OHM + EDDY_OHM):.15g}\n")
        out.write(f"zero_a,{zero:.15g},{ZERO_A}\nstep_s,{STEP_S},{STEP_S}\n")
    print(f"curve_fit: median {1e3 * np.median(took):.2f} ms of {len(took)}, best {1e3 * min(took):.2f} ms")


if __name__ == "__main__":
    main()
