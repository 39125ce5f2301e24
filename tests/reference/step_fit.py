#!/usr/bin/env python3
"""Recordings of steps that none of our code made, and what scipy's curve_fit makes of them.

Writes step_fit.csv (samples) and step_fit_answers.csv (least squares answers) into tests/data/analysis, or the
folder given. Needs numpy and scipy (made with 2.4.6 and 1.17.1). With --time it also prints how long one
curve_fit takes, from a first guess by the rule of two points, best of 200.

A first-order response with dead time has a kink at the onset, at which curve_fit may stop early; it is
started from onsets all over the rise and the best answer kept.
"""
import sys
import time
import numpy as np
from scipy.optimize import curve_fit


def first_order(t, before, change, onset, tau):
    run = np.maximum(t - onset, 0.0)
    return before + change * (1.0 - np.exp(-run / tau))


def crossing(t, way, share):
    return t[np.argmax(way >= share)]


def guess(t, y):
    before, change = y[:100].mean(), y[-100:].mean() - y[:100].mean()
    smooth = np.convolve((y - before) / change, np.ones(9) / 9, "same")
    tau = (crossing(t, smooth, 0.632) - crossing(t, smooth, 0.283)) / 0.667
    return [before, change, crossing(t, smooth, 0.632) - tau, tau]


def best(t, y):
    start, answer = guess(t, y), None
    for shift in np.linspace(-0.15, 0.15, 121):
        p0 = list(start)
        p0[2] += shift * start[3]
        try:
            p, _ = curve_fit(first_order, t, y, p0=p0, xtol=1e-15, ftol=1e-15, gtol=1e-15, maxfev=20000)
        except RuntimeError:
            continue
        squares = np.sum((y - first_order(t, *p)) ** 2)
        if answer is None or squares < answer[0]:
            answer = (squares, p)
    return answer[1]


def main():
    folder = next((a for a in sys.argv[1:] if not a.startswith("--")), "tests/data/analysis")
    rng = np.random.default_rng(4113)
    truths = {
        "a": (5.0e6, 8.0e6, 0.2063, 0.0417, 0.04e6),
        "b": (13.0e6, -6.0e6, 0.1987, 0.0091, 0.02e6),
        "c": (0.4e6, 1.2e6, 0.2512, 0.1103, 0.03e6),
    }
    t = np.round(np.arange(1500) * 1.0e-3, 6)
    columns, answers = [t], []
    for name, (before, change, onset, tau, noise) in truths.items():
        y = np.round(first_order(t, before, change, onset, tau) + rng.normal(0.0, noise, t.size), 1)
        columns.append(y)
        answers.append((name, *best(t, y)))
    head = "# First-order steps with dead time and white noise, Pa, by tests/reference/step_fit.py (numpy and scipy).\n"
    with open(f"{folder}/step_fit.csv", "w") as file:
        file.write(head + "t_s," + ",".join(truths) + "\n")
        for row in zip(*columns):
            file.write(f"{row[0]:.3f}," + ",".join(f"{v:.1f}" for v in row[1:]) + "\n")
    with open(f"{folder}/step_fit_answers.csv", "w") as file:
        file.write("# Best of 121 curve_fit answers a column of step_fit.csv, by tests/reference/step_fit.py.\n")
        file.write("column,before,change,onset_s,tau_s\n")
        for name, *p in answers:
            file.write(name + "," + ",".join(f"{v:.12g}" for v in p) + "\n")
    if "--time" in sys.argv:
        y = columns[1]
        p0, took = guess(t, y), []
        for _ in range(200):
            begin = time.perf_counter()
            curve_fit(first_order, t, y, p0=p0)
            took.append(time.perf_counter() - begin)
        print(f"curve_fit, 1500 samples, 4 parameters: {1e6 * min(took):.0f} us")


main()
