"""Writes tests/data/analysis/oil.csv, to which host/analysis/tests/checks/oil.rs is held, apart from the Rust code.

Any python with scipy: python3 tests/reference/flow.py
Formulas: ASTM D341 with the form for low viscosities, solved for nu by root finding instead of the
published way back; API MPMS 11.1 (1980) Table 54B.
"""

import math
import pathlib

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


rows = [("viscosity 32 to 5.4", degc, viscosity((40, 32.0), (100, 5.4), degc)) for degc in (20, 80)]
rows += [("viscosity 2.525 to 1.05", degc, viscosity((40, 2.525), (100, 1.05), degc)) for degc in (20, 30, 60, 80)]
for rho, degc in ((806.888, 40.0), (800.0, 55.0), (835.0, 5.0)):
    found = brentq(lambda rho15: rho15 * vcf(rho15, degc) - rho, 790.0, 838.0, xtol=1e-10)
    rows.append((f"density at 15 degC of {rho}", degc, found))
rows.append(("volume correction of 825", 60, vcf(825.0, 60.0)))
data = pathlib.Path(__file__).resolve().parent.parent / "data" / "analysis" / "oil.csv"
lines = ["# Viscosities in mm2/s (ASTM D341), densities in kg/m3 and volumes (API MPMS 11.1, 1980, Table 54B) at",
         "# temperatures in degC, solved by root finding. Made by tests/reference/flow.py.",
         "quantity,degc,value"]
lines += [f"{quantity},{degc},{value:.9g}" for quantity, degc, value in rows]
data.write_text("\n".join(lines) + "\n")
