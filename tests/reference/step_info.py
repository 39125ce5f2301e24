#!/usr/bin/env python3
"""Step responses of transfer functions and what python-control's step_info says of them.

Prints the numbers that host/analysis/tests/checks/levels.rs holds; made with control 0.10.2, numpy 2.4.6.
"""
import control
import numpy as np

for name, system, end in [
    ("1/(s^2+s+1)", control.tf([1], [1, 1, 1]), 20.0),
    ("(1-s)/(s^2+s+1)", control.tf([-1, 1], [1, 1, 1]), 20.0),
    ("(s^2+5s+5)/(s^4+1.65s^3+5s^2+6.5s+2)", control.tf([1, 5, 5], [1, 1.65, 5, 6.5, 2]), 60.0),
]:
    t = np.arange(0.0, end, 1e-4)
    _, y = control.step_response(system, t)
    print(name, {k: round(float(v), 6) for k, v in control.step_info(y, T=t, yfinal=float(np.real(system.dcgain()))).items()})
