"""What is recorded: coils, valves and rails as textbooks have them, with the truth of every finding.

Nothing here comes from the project's model of the rig or from its measurement library: closed forms where
there are any, scipy.integrate.solve_ivp where there are none. All in SI units, pressures above atmosphere.
A truth of None means that the recording cannot tell: a number for it would be wrong. A finding without a
truth is one whose definition does not say what it is in such a recording.
"""

import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import linprog

ALPHA_20_PER_K = 3.93e-3  # IEC 60028, annealed copper at 20 degC
ATMOSPHERE_PA = 101_325.0


def copper_ohm(ohm_20c, celsius):
    return ohm_20c * (1.0 + ALPHA_20_PER_K * (celsius - 20.0))


def coil(time_s, ohm, henry, eddy_ohm, pieces, start_a=0.0):
    """Current and voltage of a winding in series with an inductance that has an eddy resistance across it.

    `pieces` are (from_s, source_v, source_ohm): from that instant on the coil hangs on a source with an inner
    resistance. Between two edges the current of the inductance is an exponential, so this is exact.
    """
    current_a, voltage_v = np.empty_like(time_s), np.empty_like(time_s)
    inductor_a = start_a
    edges = [piece[0] for piece in pieces] + [np.inf]
    for (from_s, source_v, source_ohm), to_s in zip(pieces, edges[1:]):
        loop_ohm = ohm + source_ohm
        end_a = source_v / loop_ohm
        tau_s = henry * (1.0 / loop_ohm + 1.0 / eddy_ohm)
        inside = (time_s >= from_s) & (time_s < to_s)
        flowing_a = end_a + (inductor_a - end_a) * np.exp(-(time_s[inside] - from_s) / tau_s)
        # i R + (i - i_L) Re = v: what a shunt sees jumps at an edge, what the inductance carries does not.
        share = loop_ohm / (loop_ohm + eddy_ohm)
        current_a[inside] = share * end_a + (1.0 - share) * flowing_a
        voltage_v[inside] = source_v - source_ohm * current_a[inside]
        if np.isfinite(to_s):
            inductor_a = end_a + (inductor_a - end_a) * np.exp(-(to_s - from_s) / tau_s)
    return current_a, voltage_v


def first_order(time_s, dead_s, tau_s):
    late_s = np.clip(time_s - dead_s, 0.0, None)
    return 1.0 - np.exp(-late_s / tau_s)


def second_order(time_s, dead_s, omega_per_s, damping):
    """Step response of a second-order system, damping other than 1 (any textbook on control)."""
    late_s = np.clip(time_s - dead_s, 0.0, None)
    if damping < 1.0:
        root = np.sqrt(1.0 - damping**2)
        ringing = np.exp(-damping * omega_per_s * late_s)
        return 1.0 - ringing * np.sin(root * omega_per_s * late_s + np.arccos(damping)) / root
    root = np.sqrt(damping**2 - 1.0)
    slow, fast = omega_per_s * (damping - root), omega_per_s * (damping + root)
    return 1.0 - (fast * np.exp(-slow * late_s) - slow * np.exp(-fast * late_s)) / (fast - slow)


def second_order_overshoot(damping):
    return np.exp(-np.pi * damping / np.sqrt(1.0 - damping**2)) if damping < 1.0 else 0.0


def crossing_s(response, share, end_s):
    """First time at which a response crosses a share of its way, by bisection of a fine grid."""
    grid_s = np.linspace(0.0, end_s, 200_001)
    after = int(np.argmax(response(grid_s) >= share))
    low_s, high_s = grid_s[after - 1], grid_s[after]
    for _ in range(60):
        middle_s = 0.5 * (low_s + high_s)
        low_s, high_s = (middle_s, high_s) if response(middle_s) < share else (low_s, middle_s)
    return 0.5 * (low_s + high_s)


def inflow(at_s, rail):
    """Flow into a rail, m3/s: it comes on with a time constant `soft_s` and wavers by `ripple` at `ripple_hz`."""
    softly = 1.0 - np.exp(-at_s / rail["soft_s"]) if rail["soft_s"] > 0.0 else 1.0
    waves = np.sin(2.0 * np.pi * rail["ripple_hz"] * at_s + rail["ripple_rad"])
    return rail["flow_m3_per_s"] * softly * (1.0 + rail["ripple"] * waves)


def build_up(time_s, rail):
    """Gauge pressure of a rail that is fed from time 0 on with every way out shut.

    Liquid of modulus K0 + K' p and air, a share `air` of the rail at atmospheric pressure, squeezed by a
    law p V^n = constant. While time is below 0 the rail stands at `start_pa`.
    """

    def softness_per_pa(gauge_pa):
        absolute_pa = gauge_pa + ATMOSPHERE_PA
        gas = rail["air"] * (ATMOSPHERE_PA / absolute_pa) ** (1.0 / rail["exponent"])
        liquid = 1.0 - rail["air"] * (ATMOSPHERE_PA / (rail["start_pa"] + ATMOSPHERE_PA))
        return liquid / (rail["modulus_pa"] + rail["slope"] * gauge_pa) + gas / (rail["exponent"] * absolute_pa)

    def rise(at_s, gauge_pa):
        return inflow(at_s, rail) / rail["volume_m3"] / softness_per_pa(gauge_pa)

    after = time_s >= 0.0
    pressure_pa = np.full_like(time_s, rail["start_pa"])
    solution = solve_ivp(
        rise, (0.0, time_s[-1]), [rail["start_pa"]], t_eval=time_s[after], method="LSODA", rtol=1e-10, atol=1.0
    )
    pressure_pa[after] = solution.y[0]
    return pressure_pa


def leak_down(time_s, start_pa, tau_s, stiffening_per_pa, exponent):
    """Pressure of a shut rail, `-p' = (1 + s p) p/tau` for a laminar leak (exponent 1) and
    `-p' = (1 + s p) sqrt(p p0)/tau` through an orifice (exponent 0.5); and its rate of fall at time 0."""

    def fall(_, pressure_pa):
        p = np.maximum(pressure_pa, 0.0)
        return -(1.0 + stiffening_per_pa * p) * p**exponent * start_pa ** (1.0 - exponent) / tau_s

    solution = solve_ivp(
        fall, (0.0, time_s[-1]), [start_pa], t_eval=time_s, method="LSODA", rtol=1e-11, atol=1e-3
    )
    return solution.y[0], -float(fall(0.0, np.array([start_pa]))[0])


def play(inputs, half_width, state):
    """Output of a play (backlash): follows the input with a slack of `half_width` either way."""
    outputs = np.empty_like(inputs)
    for index, value in enumerate(inputs):
        state = min(max(state, value - half_width), value + half_width)
        outputs[index] = state
    return outputs


def from_the_best_line(inputs, outputs):
    """Largest distance from the straight line for which it is least (independent linearity): a linear program."""
    ones = np.ones(len(inputs))
    above, below = np.column_stack([inputs, ones, -ones]), np.column_stack([-inputs, -ones, -ones])
    found = linprog([0.0, 0.0, 1.0], np.vstack([above, below]), np.concatenate([outputs, -outputs]), bounds=(None, None))
    return found.x[2]


def curve(share, bow):
    """A characteristic from 0 to 1 over 0 to 1, bent by `bow`: furthest from the chord, in the middle."""
    return share + 4.0 * bow * share * (share - 1.0)


def pulses(rate_hz, count, wander, wander_s, jitter, generator):
    """Instants of pulses of a flow that wanders (Ornstein and Uhlenbeck) and of teeth that are uneven; and the
    mean rate between the first and the last."""
    step_s = 0.2 / rate_hz
    steps = int(count / rate_hz / step_s * 1.5) + 10
    keep = np.exp(-step_s / wander_s)
    kicks = generator.normal(0.0, wander * np.sqrt(1.0 - keep**2), steps)
    relative, value = np.empty(steps), generator.normal(0.0, wander)
    for index in range(steps):
        value = keep * value + kicks[index]
        relative[index] = value
    phase = np.concatenate([[0.0], np.cumsum(rate_hz * (1.0 + relative) * step_s)]) + generator.uniform(0.0, 1.0)
    grid_s = np.arange(steps + 1) * step_s
    clean_s = np.interp(np.arange(1, count + 1), phase, grid_s)
    noisy_s = clean_s + generator.normal(0.0, jitter / rate_hz, count)
    return np.sort(noisy_s), (count - 1) / (clean_s[-1] - clean_s[0])
