"""Six kinds of recordings: what was on the bench, what the instruments made of it, and the truth.

Each kind has a function that makes a recording of a bench, a bench for the six that are kept, and one that
draws a bench as other people might have it: other pumps, other recorders, other habits.
"""

import numpy as np

import models
from instruments import FLOW_M3_PER_S, PRESSURE_PA, read


def option(name, value, unit):
    return [name, f"{value:.9g} {unit}"]


def pressure_column(pressure_pa, unit):
    return (f"pressure [{unit}]", pressure_pa / PRESSURE_PA[unit])


def sample_times(generator, from_s, to_s, rate_hz, on_the_sample):
    """Instants of a recorder; time 0, where things happen, falls on a sample or anywhere between two."""
    shift = 0.0 if on_the_sample else generator.uniform(0.02, 0.98)
    first, last = np.ceil(from_s * rate_hz), np.floor(to_s * rate_hz)
    return (np.arange(first, last) + shift) / rate_hz


def some_noise(generator, most):
    """None at all, or anything up to `most` of full scale."""
    return 0.0 if generator.random() < 0.1 else float(np.exp(generator.uniform(np.log(1e-4), np.log(most))))


def some_bits(generator):
    return generator.choice([None, 8, 10, 12, 12, 14, 16])


# --- coil ---------------------------------------------------------------------------------------------------

COIL_OF_THE_SIX = {
    "sort": "switched on",
    "ohm_20c": 2.83,
    "celsius": 41.0,
    "henry": 12.4e-3,
    "eddy_ohm": 85.0,
    "source_v": 13.2,
    "source_ohm": 0.12,
    "rate_hz": 25_000.0,
    "before_s": 0.02,
    "after_s": 0.06,
    "on_the_sample": False,
    "noise": 0.002,
    "bits": 12,
    "by_column": False,
}


def draw_coil(generator):
    ohm, celsius = generator.uniform(0.9, 15.0), generator.uniform(5.0, 90.0)
    henry = generator.uniform(1.5e-3, 12e-3) * models.copper_ohm(ohm, celsius)
    tau_s = henry / models.copper_ohm(ohm, celsius)
    sort = generator.choice(["switched on", "switched on", "switched off", "pwm", "steady", "no coil temperature"])
    return {
        "sort": str(sort),
        "ohm_20c": ohm,
        "celsius": celsius,
        "henry": henry,
        # Some iron hardly has any eddy currents.
        "eddy_ohm": 1e7 if generator.random() < 0.15 else np.exp(generator.uniform(np.log(30), np.log(400))),
        "source_v": generator.uniform(5.0, 28.0),
        "source_ohm": 0.0 if generator.random() < 0.3 else generator.uniform(0.0, 0.5),
        "rate_hz": np.exp(generator.uniform(np.log(15), np.log(1_000))) / tau_s,
        "before_s": 0.0 if generator.random() < 0.1 else generator.uniform(0.5, 5.0) * tau_s,
        "after_s": generator.uniform(3.0, 15.0) * tau_s,
        "on_the_sample": generator.random() < 0.5,
        "noise": some_noise(generator, 0.02),
        "bits": some_bits(generator),
        "by_column": generator.random() < 0.2,
        "pwm_periods": generator.uniform(30, 120),
        "pwm_period_s": tau_s * generator.uniform(0.1, 0.8),
        "pwm_duty": generator.uniform(0.3, 0.8),
    }


def coil(generator, bench):
    sort = bench["sort"]
    ohm = models.copper_ohm(bench["ohm_20c"], bench["celsius"])
    source = (bench["source_v"], bench["source_ohm"])
    freewheel = (-0.7, 0.0)
    inductance, tau_s = bench["henry"], bench["henry"] * (1.0 / ohm + 1.0 / bench["eddy_ohm"])
    start_a, from_s, to_s = 0.0, -bench["before_s"], bench["after_s"]
    if sort == "switched off":
        # The freewheel diode carries it on; the recording ends before the current has gone and the diode blocks.
        start_a = source[0] / (ohm + source[1])
        to_s = min(to_s, 0.8 * tau_s * np.log((start_a + 0.7 / ohm) / (0.7 / ohm)))
        pieces = [(-np.inf, *source), (0.0, *freewheel)]
    elif sort == "pwm":
        # After ten time constants every period is like the one before.
        period_s, duty = bench["pwm_period_s"], bench["pwm_duty"]
        begins = np.arange(-np.ceil(10.0 * tau_s / period_s), bench["pwm_periods"] + 1) * period_s
        pieces = [piece for at in begins for piece in ((at, *source), (at + duty * period_s, *freewheel))]
        from_s, to_s = 0.0, bench["pwm_periods"] * period_s
    elif sort == "steady":
        start_a = source[0] / (ohm + source[1])
        pieces = [(-np.inf, *source)]
    else:
        pieces = [(-np.inf, 0.0, 0.0), (0.0, *source)]
    time_s = sample_times(generator, from_s, to_s, bench["rate_hz"], bench["on_the_sample"])
    if pieces[0][0] == -np.inf:
        # Before the first edge nothing moves, so it may as well begin with the recording.
        pieces[0] = (time_s[0] - 1.0, *pieces[0][1:])
    current_a, voltage_v = models.coil(time_s, ohm, inductance, bench["eddy_ohm"], pieces, start_a)
    full_a, full_v = 1.25 * np.max(np.abs(current_a)), 1.25 * np.max(np.abs(voltage_v))
    columns = [
        ("time [s]", time_s - time_s[0] if sort == "steady" else time_s),
        ("current [A]", read(current_a, full_a, bench["noise"], bench["bits"], generator)),
        ("voltage [V]", read(voltage_v, full_v, bench["noise"], bench["bits"], generator)),
    ]
    options = []
    if sort != "no coil temperature":
        if bench["by_column"]:
            columns.append(("temperature [degC]", np.full_like(time_s, bench["celsius"])))
        else:
            options = option("--coil-temperature", bench["celsius"], "degC")
    truth = {"coil_resistance_20c": bench["ohm_20c"], "coil_inductance": inductance, "time_constant": tau_s}
    if sort == "no coil temperature":
        truth["coil_resistance_20c"] = None
    if sort == "steady":
        truth["coil_inductance"] = truth["time_constant"] = None
    return {"kind": "coil", "sort": sort, "options": options, "truth": truth, "columns": columns, "digits": 9}


# --- step ---------------------------------------------------------------------------------------------------

STEP_OF_THE_SIX = {
    "sort": "first order",
    "before_pa": 5.2e6,
    "rise_pa": 8.15e6,
    "dead_s": 0.0127,
    "tau_s": 0.0391,
    "rate_hz": 2_000.0,
    "before_s": 0.4,
    "after_s": 0.8,
    "on_the_sample": False,
    "noise": 0.0008,
    "bits": 14,
    "unit": "bar",
    "duty": (15.0, 20.0),
    "by_at": False,
    "extra": True,
}


def draw_step(generator):
    sort = generator.choice(
        ["first order", "first order", "second order", "falling", "drifting", "rippled", "nothing before"]
    )
    tau_s = np.exp(generator.uniform(np.log(0.01), np.log(2.0)))
    rise_pa = np.exp(generator.uniform(np.log(0.5e6), np.log(40e6)))
    bias = generator.uniform(8.0, 40.0)
    return {
        "sort": str(sort),
        "before_pa": generator.uniform(0.2e6, 20e6) + (rise_pa if sort == "falling" else 0.0),
        "rise_pa": -rise_pa if sort == "falling" else rise_pa,
        "dead_s": 0.0 if generator.random() < 0.1 else tau_s * generator.uniform(0.02, 1.0),
        "tau_s": tau_s,
        "damping": generator.uniform(0.35, 0.9) if generator.random() < 0.7 else generator.uniform(1.1, 3.0),
        "rate_hz": np.exp(generator.uniform(np.log(10), np.log(500))) / tau_s,
        "before_s": 0.0 if sort == "nothing before" else generator.uniform(1.0, 10.0) * tau_s,
        "after_s": generator.uniform(9.0, 25.0) * tau_s,
        "on_the_sample": generator.random() < 0.5,
        "noise": some_noise(generator, 0.01),
        "bits": some_bits(generator),
        "unit": str(generator.choice(list(PRESSURE_PA))),
        "duty": (bias, bias + generator.uniform(1.0, 10.0)),
        "by_at": generator.random() < 0.3,
        "extra": generator.random() < 0.3,
        "drift": generator.uniform(0.002, 0.02),
        "ripple": generator.uniform(0.002, 0.02),
        "ripple_hz": generator.uniform(3.0, 8.0) / tau_s,
    }


def step(generator, bench):
    sort, tau_s, dead_s = bench["sort"], bench["tau_s"], bench["dead_s"]
    time_s = sample_times(generator, -bench["before_s"], bench["after_s"], bench["rate_hz"], bench["on_the_sample"])
    truth = {"pressure_rise": bench["rise_pa"]}
    if sort == "second order":
        damping = bench["damping"]
        omega_per_s = 2.0 / tau_s

        def response(at_s):
            return models.second_order(at_s, dead_s, omega_per_s, damping)

        truth["overshoot"] = models.second_order_overshoot(damping)
    else:

        def response(at_s):
            return models.first_order(at_s, dead_s, tau_s)

        truth["overshoot"] = 0.0
        truth["dead_time"], truth["time_constant"] = dead_s, tau_s
    end_s = bench["after_s"]
    truth["rise_time_10_90"] = models.crossing_s(response, 0.9, end_s) - models.crossing_s(response, 0.1, end_s)
    pressure_pa = bench["before_pa"] + bench["rise_pa"] * response(time_s)
    if sort == "drifting":
        pressure_pa += bench["rise_pa"] * bench["drift"] * time_s / (end_s + bench["before_s"])
    if sort == "rippled":
        phase = generator.uniform(0.0, 2.0 * np.pi)
        pressure_pa += bench["rise_pa"] * bench["ripple"] * np.sin(2 * np.pi * bench["ripple_hz"] * time_s + phase)
    if sort == "nothing before":
        # It begins at the edge: the level before was never seen. What a dead time shows of it may be too short.
        truth = {}
    full_pa = 1.3 * np.max(pressure_pa)
    seen_pa = read(pressure_pa, full_pa, bench["noise"], bench["bits"], generator)
    start_s = generator.uniform(0.0, 100.0) if bench["by_at"] else 0.0
    columns = [pressure_column(seen_pa, bench["unit"]), ("time [s]", time_s + start_s)]
    options = []
    if bench["by_at"]:
        options = option("--at", start_s, "s")
    else:
        # It changes between two samples, nobody can tell where: times are uncertain by that much.
        columns.append(("duty [%]", np.where(time_s >= 0.0, bench["duty"][1], bench["duty"][0])))
    if bench["extra"]:
        columns.insert(1, ("trigger", np.where(time_s >= 0.0, 1.0, 0.0)))
    return {"kind": "step", "sort": sort, "options": options, "truth": truth, "columns": columns, "digits": 9}


# --- air ----------------------------------------------------------------------------------------------------

AIR_OF_THE_SIX = {
    "sort": "slow squeeze",
    "air": 0.0213,
    "exponent": 1.0,
    "volume_m3": 31.5e-6,
    "modulus_pa": 1.41e9,
    "slope": 10.5,
    "flow_m3_per_s": 1.9e-6,
    "start_pa": 0.9e5,
    "soft_s": 0.0,
    "ripple": 0.0,
    "rate_hz": 2_000.0,
    "before_s": 0.25,
    "to_pa": 8e6,
    "on_the_sample": True,
    "noise": 0.0004,
    "full_pa": 20e6,
    "bits": 16,
    "unit": "MPa",
    "by_at": True,
}


def draw_air(generator):
    sort = generator.choice(
        ["slow squeeze", "slow squeeze", "quick squeeze", "soft start", "rippled", "no air", "flow recorded"]
    )
    return {
        "sort": str(sort),
        "air": 0.0 if sort == "no air" else np.exp(generator.uniform(np.log(0.001), np.log(0.15))),
        "exponent": generator.uniform(1.2, 1.4) if sort == "quick squeeze" else generator.uniform(1.0, 1.05),
        "volume_m3": np.exp(generator.uniform(np.log(8e-6), np.log(80e-6))),
        "modulus_pa": generator.uniform(1.1e9, 1.8e9),
        "slope": generator.uniform(9.5, 11.5),
        "flow_m3_per_s": np.exp(generator.uniform(np.log(0.3e-6), np.log(8e-6))),
        "start_pa": generator.uniform(0.0, 4e5),
        "soft_s": generator.uniform(0.002, 0.02) if sort in ("soft start", "flow recorded") else 0.0,
        "ripple": generator.uniform(0.02, 0.1) if sort in ("rippled", "flow recorded") else 0.0,
        "ripple_hz": generator.uniform(10.0, 60.0),
        "ripple_rad": generator.uniform(0.0, 2.0 * np.pi),
        "rate_hz": np.exp(generator.uniform(np.log(500.0), np.log(20e3))),
        "before_s": generator.uniform(0.05, 0.5),
        "to_pa": generator.uniform(3e6, 15e6),
        "on_the_sample": generator.random() < 0.5,
        "noise": some_noise(generator, 0.002),
        "full_pa": generator.choice([20e6, 60e6, 200e6]),
        "bits": generator.choice([None, 12, 14, 16]),
        "unit": str(generator.choice(list(PRESSURE_PA))),
        "by_at": generator.random() < 0.6,
    }


def air(generator, bench):
    rail = {"ripple_hz": 1.0, "ripple_rad": 0.0, **bench}
    inflow_per_s = bench["flow_m3_per_s"] / bench["volume_m3"]
    longest_s = 1.5 * (bench["to_pa"] / bench["modulus_pa"] + bench["air"]) / inflow_per_s + 5.0 * bench["soft_s"]
    time_s = sample_times(generator, -bench["before_s"], longest_s, bench["rate_hz"], bench["on_the_sample"])
    pressure_pa = models.build_up(time_s, rail)
    reached = pressure_pa <= bench["to_pa"]
    time_s, pressure_pa = time_s[reached], pressure_pa[reached]
    flow_m3_per_s = np.where(time_s >= 0.0, models.inflow(np.clip(time_s, 0.0, None), rail), 0.0)
    seen_pa = read(pressure_pa, bench["full_pa"], bench["noise"], bench["bits"], generator)
    columns = [("time [s]", time_s), pressure_column(seen_pa, bench["unit"])]
    if bench["sort"] == "flow recorded":
        seen = read(flow_m3_per_s, 2.0 * bench["flow_m3_per_s"], bench["noise"], bench["bits"], generator)
        columns.append(("flow [mL/s]", seen / FLOW_M3_PER_S["mL/s"]))
    options = option("--volume", bench["volume_m3"] * 1e6, "cm3")
    options += option("--liquid-modulus", bench["modulus_pa"] / 1e9, "GPa")
    if bench["by_at"]:
        options += option("--at", 0.0, "s")
    else:
        columns.append(("duty [%]", np.where(time_s >= 0.0, 35.0, 0.0)))
    truth = {"air_fraction": bench["air"]}
    return {"kind": "air", "sort": bench["sort"], "options": options, "truth": truth, "columns": columns, "digits": 9}


# --- leak-down ----------------------------------------------------------------------------------------------

LEAK_DOWN_OF_THE_SIX = {
    "sort": "laminar",
    "start_pa": 34.0e6,
    "tau_s": 52.0,
    "modulus_pa": 1.38e9,
    "slope": 10.5,
    "length_s": 60.0,
    "rate_hz": 25.0,
    "noise": 0.0004,
    "bits": 12,
    "full_pa": 100e6,
    "unit": "psi",
}


def draw_leak_down(generator):
    sort = generator.choice(["laminar", "laminar", "orifice", "hardly leaks"])
    tau_s = np.exp(generator.uniform(np.log(3.0), np.log(300.0)))
    start_pa = np.exp(generator.uniform(np.log(3e6), np.log(120e6)))
    count = np.exp(generator.uniform(np.log(200), np.log(5_000)))
    length_s = tau_s * generator.uniform(0.15, 2.0)
    if sort == "hardly leaks":
        tau_s = 1e6
    return {
        "sort": str(sort),
        "start_pa": start_pa,
        "tau_s": tau_s,
        "modulus_pa": generator.uniform(1.1e9, 1.8e9),
        "slope": generator.uniform(9.5, 11.5),
        "length_s": length_s,
        "rate_hz": count / length_s,
        "noise": some_noise(generator, 0.005),
        "bits": some_bits(generator),
        "full_pa": start_pa * generator.uniform(1.2, 4.0),
        "unit": str(generator.choice(list(PRESSURE_PA))),
    }


def leak_down(generator, bench):
    time_s = np.arange(0.0, bench["length_s"], 1.0 / bench["rate_hz"])
    exponent = 0.5 if bench["sort"] == "orifice" else 1.0
    stiffening_per_pa = bench["slope"] / bench["modulus_pa"]
    pressure_pa, rate = models.leak_down(time_s, bench["start_pa"], bench["tau_s"], stiffening_per_pa, exponent)
    seen_pa = read(pressure_pa, bench["full_pa"], bench["noise"], bench["bits"], generator)
    columns = [pressure_column(seen_pa, bench["unit"]), ("time [s]", time_s)]
    truth = {"leak_rate": rate}
    if bench["sort"] == "laminar":
        # Pressure over its rate of fall: of a liquid that stiffens it is the one at the start.
        truth["time_constant"] = bench["start_pa"] / rate
    options = option("--liquid-modulus", bench["modulus_pa"] / 1e6, "MPa")
    return {
        "kind": "leak-down", "sort": bench["sort"], "options": options, "truth": truth, "columns": columns, "digits": 8,
    }  # fmt: skip


# --- sweep --------------------------------------------------------------------------------------------------

SWEEP_OF_THE_SIX = {
    "sort": "triangle",
    "duty": (10.0, 30.0),
    "points": 30,
    "play": 0.45,
    "bow": 0.12,
    "span_pa": 36.0e6,
    "floor_pa": 1.1e6,
    "dwell": 60,
    "cycles": 1,
    "noise": 0.002,
    "bits": 12,
    "unit": "kPa",
    "flow": None,
}


def draw_sweep(generator):
    sort = generator.choice(["staircase", "triangle", "table", "repeated", "no hysteresis", "flow over duty"])
    low = generator.uniform(5.0, 30.0)
    return {
        "sort": str(sort),
        "duty": (low, low + generator.uniform(8.0, 50.0)),
        "points": int(generator.integers(6, 26)),
        "play": 0.0 if sort == "no hysteresis" else generator.uniform(0.05, 1.0),
        "bow": generator.uniform(-0.2, 0.2),
        "span_pa": np.exp(generator.uniform(np.log(5e6), np.log(100e6))),
        "floor_pa": generator.uniform(0.1e6, 3e6),
        "dwell": int(generator.integers(20, 120)),
        "cycles": 3 if sort == "repeated" else 1,
        "noise": some_noise(generator, 0.01),
        "bits": some_bits(generator),
        "unit": str(generator.choice(list(PRESSURE_PA))),
        "flow": str(generator.choice(list(FLOW_M3_PER_S))) if sort == "flow over duty" else None,
    }


def sweep(generator, bench):
    """The play goes round its closed loop: the output leaves the bottom and the top only once the duty has come
    back by the whole width, twice `play`; that width is the dead band, as a share of full duty."""
    low, high = bench["duty"]
    sort, half = bench["sort"], bench["play"]
    if sort == "triangle":
        up = np.linspace(low, high, 40 * bench["points"])
    else:
        up = np.linspace(low, high, bench["points"])
    once = np.concatenate([up, up[-2::-1]])
    points = np.concatenate([once] + [once[1:]] * (bench["cycles"] - 1))
    play = models.play(points, half, low + half)
    reach = (low + half, high - half)

    def output(state):
        return models.curve((state - reach[0]) / (reach[1] - reach[0]), bench["bow"])

    clean = output(play)
    span = np.max(clean) - np.min(clean)
    # Of a triangle every duty is a test point; of a staircase or a table those are that were held.
    tested = np.union1d(np.linspace(low, high, 2_001), [low + 2.0 * half, high - 2.0 * half]) if sort == "triangle" else up
    rising, falling = output(np.maximum(tested - half, low + half)), output(np.minimum(tested + half, high - half))
    middle = 0.5 * (rising + falling)
    truth = {
        "hysteresis": float(np.max(np.abs(rising - falling)) / span),
        "linearity": float(models.from_the_best_line(tested, middle) / span),
    }
    if sort == "triangle":
        truth["dead_band"] = 2.0 * half / 100.0
    repeats = bench["dwell"] if sort in ("staircase", "repeated", "no hysteresis") else 1
    duty, share = np.repeat(points, repeats), np.repeat(clean, repeats)
    if bench["flow"]:
        # What is delivered falls as the inlet valve shuts.
        values, name = 2.6e-6 * (1.05 - share), f"flow [{bench['flow']}]"
        values, unit = values / FLOW_M3_PER_S[bench["flow"]], 1.0
    else:
        values, name = bench["floor_pa"] + bench["span_pa"] * share, f"pressure [{bench['unit']}]"
        unit = PRESSURE_PA[bench["unit"]]
    seen = read(values, 1.2 * np.max(values), bench["noise"], bench["bits"], generator) / unit
    columns = [("duty [%]", duty), (name, seen)]
    if sort != "table":
        columns.insert(0, ("time [s]", np.arange(len(duty)) * 0.02))
    return {"kind": "sweep", "sort": sort, "options": [], "truth": truth, "columns": columns, "digits": 8}


# --- flow ---------------------------------------------------------------------------------------------------

FLOW_OF_THE_SIX = {
    "sort": "steady",
    "count": 1_400,
    "rate_hz": 96.3,
    "jitter": 0.006,
    "wander": 0.01,
    "wander_s": 0.3,
    "k_per_m3": 7.85e6,
    "k_unit": "/L",
}


def draw_flow(generator):
    sort = generator.choice(["steady", "steady", "wandering", "uneven teeth", "few pulses", "missed pulses"])
    count = int(np.exp(generator.uniform(np.log(220), np.log(20_000))))
    rate_hz = np.exp(generator.uniform(np.log(3.0), np.log(800.0)))
    return {
        "sort": str(sort),
        "count": int(generator.integers(20, 190)) if sort == "few pulses" else count,
        "rate_hz": rate_hz,
        "jitter": generator.uniform(0.01, 0.08) if sort == "uneven teeth" else generator.uniform(0.0, 0.006),
        "wander": generator.uniform(0.005, 0.05) if sort == "wandering" else 0.0,
        "wander_s": generator.uniform(5.0, 40.0) / rate_hz,
        "k_per_m3": np.exp(generator.uniform(np.log(1e6), np.log(4e7))),
        "k_unit": str(generator.choice(["/L", "/mL", "/m3"])),
    }


def flow(generator, bench):
    instants_s, rate_hz = models.pulses(
        bench["rate_hz"], bench["count"], bench["wander"], bench["wander_s"], bench["jitter"], generator
    )
    truth = {"flow": rate_hz / bench["k_per_m3"]}
    if bench["sort"] == "missed pulses":
        # A stretch of them: a plug that had come loose, a counter that was busy. What flowed then nobody knows.
        first = int(generator.integers(20, bench["count"] - 60))
        instants_s = np.delete(instants_s, np.arange(first, first + int(generator.integers(8, 40))))
        truth["flow"] = None
    if bench["sort"] == "few pulses":
        truth["flow"] = None
    per_m3 = {"/L": 1e-3, "/mL": 1e-6, "/m3": 1.0}[bench["k_unit"]]
    options = option("--k-factor", bench["k_per_m3"] * per_m3, bench["k_unit"])
    columns = [("time [s]", instants_s)]
    return {"kind": "flow", "sort": bench["sort"], "options": options, "truth": truth, "columns": columns, "digits": 10}


KINDS = {
    "coil": (coil, draw_coil),
    "step": (step, draw_step),
    "air": (air, draw_air),
    "leak-down": (leak_down, draw_leak_down),
    "sweep": (sweep, draw_sweep),
    "flow": (flow, draw_flow),
}
