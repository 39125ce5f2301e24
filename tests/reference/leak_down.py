"""Leak-downs with known truth, and what scipy's curve_fit finds in them.

Writes tests/data/analysis/leak_down_noisy.csv: an exponential and the square root of an orifice, each with white
noise. Run with any python that has numpy and scipy.
"""

from pathlib import Path

import numpy as np
from scipy.optimize import curve_fit

OUT = Path(__file__).resolve().parents[1] / "data" / "analysis" / "leak_down_noisy.csv"


def laminar(t, p0, rate):
    return p0 * np.exp(-t * rate / p0)


def orifice(t, p0, rate):
    return np.maximum(np.sqrt(p0) - 0.5 * t * rate / np.sqrt(p0), 0.0) ** 2


def main():
    noise = np.random.default_rng(21)
    rows = ["# Made by tests/reference/leak_down.py: p0 20 MPa, noise 0.05 MPa; rates in Pa/s.",
            "law,rate,scipy_rate,scipy_u,t_s,p_gauge_Pa"]
    t = np.arange(500) * 0.05
    for name, law in [("laminar", laminar), ("orifice", orifice)]:
        gauge = np.round(law(t, 20e6, 0.8e6) + noise.normal(0.0, 0.05e6, t.size), 1)
        best, covariance = curve_fit(law, t, gauge, [gauge[0], 0.5e6])
        rows += [f"{name},800000,{best[1]:.9e},{np.sqrt(covariance[1, 1]):.3e},{a:.2f},{b:.1f}"
                 for a, b in zip(t, gauge)]
    OUT.write_text("\n".join(rows) + "\n")


main()
