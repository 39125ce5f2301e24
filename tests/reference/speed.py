#!/usr/bin/env python3
"""How much faster our coil and step fits are than scipy's curve_fit, on the same data in one run.

    python tests/reference/speed.py            from the project's folder; needs numpy, scipy and cargo

Like is compared with like: scipy gets the model, its edge and a good start and answers with parameters and their
covariance; so does the fit that our measurements are made of, which finds its own start. What a whole measurement
takes, from the recording to findings with all their uncertainties, stands beside it. Exit code 1 when a fit is not
twenty times faster or the answers differ within six digits.
"""

import math
import pathlib
import statistics
import subprocess
import sys
import tempfile
import time

import numpy as np
from scipy.optimize import curve_fit

RATIO_MIN = 20.0
DIGITS_MIN = 6.0
REPEATS = 101


def coil_data(generator):
    """A coil of 3 ohm, 15 mH and an eddy resistance of 80 ohm on 12 V, 25 kHz, noise of 1 mA."""
    ohm, henry, eddy_ohm, volt = 3.0, 15e-3, 80.0, 12.0
    time_s = np.arange(-500, 1_500) / 25e3
    share = ohm / (ohm + eddy_ohm)
    tau_s = henry * (1.0 / ohm + 1.0 / eddy_ohm)
    current_a = coil_model(volt)(time_s, 1.0 / ohm, tau_s, share, 0.0)
    return time_s, np.where(time_s >= 0.0, volt, 0.0), current_a + generator.normal(0.0, 1e-3, len(time_s))


def coil_model(volt):
    def model(time_s, siemens, tau_s, share, zero_a):
        after = time_s >= 0.0
        late_s = np.where(after, time_s, 0.0)
        return zero_a + after * volt * siemens * (1.0 - (1.0 - share) * np.exp(-late_s / tau_s))

    return model


def step_data(generator):
    """A rise of 8 MPa with 12 ms dead time and 40 ms time constant at 1 kHz, noise of 20 kPa."""
    time_s = np.arange(-500, 1_500) / 1e3
    pressure_pa = step_model(time_s, 5e6, 8e6, 0.0123, 0.040)
    return time_s, pressure_pa + generator.normal(0.0, 2e4, len(time_s))


def step_model(time_s, before_pa, rise_pa, dead_s, tau_s):
    return before_pa + rise_pa * -np.expm1(-np.clip(time_s - dead_s, 0.0, None) / tau_s)


def timed(fit):
    seconds = []
    for _ in range(REPEATS):
        begun = time.perf_counter()
        found = fit()
        seconds.append(time.perf_counter() - begun)
    return statistics.median(seconds), found


def scipys(coil, step):
    coil_time_s, voltage_v, current_a = coil
    model = coil_model(voltage_v[-1])
    coil_s, (p, _) = timed(lambda: curve_fit(model, coil_time_s, current_a, p0=[0.3, 4e-3, 0.05, 0.0]))
    siemens, tau_s, share, _ = p
    coil_found = {"resistance": 1.0 / siemens, "inductance": tau_s / siemens * (1.0 - share), "time_constant": tau_s}
    time_s, pressure_pa = step
    step_s, (p, _) = timed(lambda: curve_fit(step_model, time_s, pressure_pa, p0=[5e6, 8e6, 0.01, 0.05]))
    step_found = {"pressure_rise": p[1], "dead_time": p[2], "time_constant": p[3]}
    return {"coil": (coil_s, coil_found), "step": (step_s, step_found)}


def ours(folder):
    call = ["cargo", "run", "--quiet", "--release", "-p", "stepwell-tests", "--bin", "fit_speed", str(folder)]
    told = subprocess.run(call, check=True, stdout=subprocess.PIPE, text=True).stdout
    found = {}
    for line in told.splitlines():
        name, seconds, *rest = line.split()
        found[name] = (float(seconds), dict(zip(rest[::2], map(float, rest[1::2]))))
    return found


def main():
    generator = np.random.default_rng(20)
    coil, step = coil_data(generator), step_data(generator)
    with tempfile.TemporaryDirectory() as folder:
        folder = pathlib.Path(folder)
        np.savetxt(folder / "coil.csv", np.column_stack(coil), delimiter=",", header="time_s,voltage_v,current_a")
        np.savetxt(folder / "step.csv", np.column_stack(step), delimiter=",", header="time_s,pressure_pa")
        found = ours(folder)
    met = True
    print("| fit | scipy, us | ours, us | ratio | whole measurement, us | finding | scipy | ours | digits |")
    print("|---|---:|---:|---:|---:|---|---:|---:|---:|")
    for name, (scipy_s, scipy_found) in scipys(coil, step).items():
        our_s, our_found = found[name]
        whole_s, _ = found[f"{name}_whole"]
        for finding, value in scipy_found.items():
            differ = abs(our_found[finding] / value - 1.0)
            digits = -math.log10(max(differ, 1e-16))
            met = met and scipy_s / our_s >= RATIO_MIN and digits >= DIGITS_MIN
            times = f"{1e6 * scipy_s:.0f} | {1e6 * our_s:.1f} | {scipy_s / our_s:.1f} | {1e6 * whole_s:.0f}"
            print(f"| {name} | {times} | {finding} | {value:.9g} | {our_found[finding]:.9g} | {digits:.1f} |")
    sys.exit(0 if met else 1)


if __name__ == "__main__":
    main()
