"""Recomputes the rows that host/analysis/tests/checks/{flow,oil}.rs are held to, apart from the Rust code.

Any python with numpy and scipy: python3 tests/reference/flow.py
Formulas: ASTM D341 with the form for low viscosities, solved for nu by root finding instead of the
published way back; API MPMS 11.1 (1980) Table 54B; housing expansion 1/(1 + 3 a dT).
"""

import math

from scipy.optimize import brentq


def z(nu):
    return nu + 0.7 + math.exp(-1.47 - 1.84 * nu - 0.51 * nu * nu)


def viscosity(first, second, degc):
    (t0, nu0), (t1, nu1) = first, second
    y0, y1 = (math.log10(math.log10(z(nu))) for nu in (nu0, nu1))
    x0, x1, x = (math.log10(t + 273.15) for t in (t0, t1, degc))
    target = y0 + (y1 - y0) * (x - x0) / (x1 - x0)
    return brentq(lambda nu: math.log10(math.log10(z(nu))) - target, 0.3, 1e4)


def vcf(rho, degc):
    bands = [(770.5, 346.4228, 0.4388, 0.0), (787.5, 2680.3206, 0.0, -0.00336312),
             (838.5, 594.5418, 0.0, 0.0), (1075.0, 186.9696, 0.4862, 0.0)]
    k0, k1, k2 = next(band[1:] for band in bands if rho < band[0])
    warm = (k0 / rho**2 + k1 / rho + k2) * (degc - 15.0)
    return math.exp(-warm * (1.0 + 0.8 * warm))


for degc in (20, 80):
    print(f"32 at 40, 5.4 at 100 degC: {viscosity((40, 32.0), (100, 5.4), degc):.5f} mm2/s at {degc}")
for degc in (20, 30, 60, 80):
    print(f"2.525 at 40, 1.05 at 100 degC: {viscosity((40, 2.525), (100, 1.05), degc):.5f} mm2/s at {degc}")
for rho, degc in ((806.888, 40.0), (800.0, 55.0), (835.0, 5.0)):
    found = brentq(lambda rho15: rho15 * vcf(rho15, degc) - rho, 790.0, 838.0)
    print(f"{rho} kg/m3 at {degc} degC: {found:.5f} kg/m3 at 15 degC")
print(f"1 L/min at 60 degC of 825 kg/m3: {vcf(825.0, 60.0):.6f} L/min at 15 degC")
print(f"K 8234, 20 K warmer: {8234.0 / (1.0 + 3.0 * 16.5e-6 * 20.0):.6f}")
