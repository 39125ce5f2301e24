"""Dead-headed pressure rises with known air, and what scipy's curve_fit finds in them.

Writes tests/data/analysis/air_rise.csv. The rises come from integrating dp/dt = Ke(p) q/V (DOP853) with a
published effective modulus; scipy fits the same modulus, integrated in volume by the trapezium rule, to the
noisy pressures with start, base line, inflow and air free. Run with any python that has numpy and scipy.
"""

from pathlib import Path

import numpy as np
from scipy.integrate import cumulative_trapezoid, solve_ivp
from scipy.optimize import curve_fit

PA = 101_325.0
KL = 1.4e9
OUT = Path(__file__).resolve().parents[1] / "data" / "analysis" / "air_rise.csv"


def modulus(p, x, n):
    """Reference-state form with the compression of the liquid (the family of Cho, Nykanen and
    Gholizadeh et al., Int. J. Fluid Power 12(3), 2011; from memory)."""
    vl = np.exp(-(p - PA) / KL)
    vg = x / (1.0 - x) * (PA / p) ** (1.0 / n)
    return (vl + vg) / (vl / KL + vg / (n * p))


def rise(x, n, per_s, t):
    found = solve_ivp(
        lambda _, p: modulus(p, x, n) * per_s, (0.0, t[-1]), [PA], "DOP853", t, rtol=1e-10, atol=1.0
    )
    return found.y[0] - PA


def fitted(t, gauge, n, start):
    table = 0.5 * PA * np.exp(np.linspace(0.0, np.log(800.0), 4000))

    def curve(t, start_s, base, per_s, x):
        volume = cumulative_trapezoid(1.0 / modulus(table, x, n), table, initial=0.0)
        begun = np.interp(PA + base, table, volume)
        return np.interp(begun + per_s * np.maximum(t - start_s, 0.0), volume, table) - PA

    best, covariance = curve_fit(curve, t, gauge, start)
    return best[3], np.sqrt(covariance[3, 3])


def main():
    noise = np.random.default_rng(20)
    rows = ["# Made by tests/reference/air_rise.py: liquid 1.4 GPa, base line of 0.1 s, noise 0.02 MPa.",
            "case,air,exponent,scipy_air,scipy_u,t_s,p_gauge_Pa"]
    for case, (x, n, per_s) in enumerate([(0.002, 1.0, 0.02), (0.01, 1.4, 0.04), (0.05, 1.0, 0.12)]):
        t = np.arange(700) * 1e-3
        clean = np.concatenate([np.zeros(100), rise(x, n, per_s, t[100:] - t[100])])
        gauge = np.round(clean + noise.normal(0.0, 0.02e6, t.size), 1)
        # From near the truth: from elsewhere curve_fit may end where there is no air and no fit.
        air, u = fitted(t, gauge, n, [0.101, 1e3, 0.97 * per_s, 0.9 * x])
        rows += [f"{case},{x},{n},{air:.6e},{u:.3e},{a:.3f},{b:.1f}" for a, b in zip(t, gauge)]
    OUT.write_text("\n".join(rows) + "\n")


main()
