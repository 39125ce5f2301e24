//! One solenoid coil on its PWM driver: circuit, saturation, eddy loss, magnetic play.
//!
//! The coil is its winding resistance in series with a saturating inductance that has an eddy resistance across
//! it. A low-side switch feeds it from the supply; a diode carries the current on when the switch is off, and a
//! shunt in that loop sees the coil current always. Time is split at every PWM edge, so a sample can be taken
//! at any instant. Symbols: `lambda = L_u i + L_f i/r`, `r = sqrt(1 + (i/I_s)^2)`.

/// What a coil is made of.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CoilParameters {
    /// Winding resistance at 20 degC, ohm.
    pub resistance_20_ohm: f64,
    /// Temperature coefficient of copper at 20 degC, 1/K (IEC 60028: 3.93e-3).
    pub copper_per_k: f64,
    /// Inductance that makes no force, `L_u`, H.
    pub leakage_h: f64,
    /// Inductance that makes force and saturates, at zero travel, `L_0`, H.
    pub gap_h: f64,
    /// Change of that inductance with travel, `L'`, H/m, always positive.
    pub gradient_h_per_m: f64,
    /// Current at which the force-making iron starts to saturate, `I_s`, A.
    pub saturation_a: f64,
    /// Eddy resistance across the inductance, `R_e`, ohm.
    pub eddy_ohm: f64,
    /// Half width of the magnetic play, `w`, A.
    pub play_a: f64,
    /// Time over which the play follows the current, s.
    pub play_lag_s: f64,
}

impl CoilParameters {
    /// Defaults of the inlet valve's coil (from memory; resistances of 2-5 ohm are common in service data).
    pub fn inlet() -> Self {
        Self {
            resistance_20_ohm: 3.0,
            copper_per_k: 3.93e-3,
            leakage_h: 14e-3,
            gap_h: 4e-3,
            gradient_h_per_m: 10.0,
            saturation_a: 0.8,
            eddy_ohm: 60.0,
            play_a: 0.02,
            play_lag_s: 20e-3,
        }
    }

    /// Defaults of the pressure valve's coil.
    pub fn pressure() -> Self {
        Self { leakage_h: 6e-3, gap_h: 12e-3, gradient_h_per_m: 52.0, saturation_a: 1.0, ..Self::inlet() }
    }

    /// Winding resistance at `temperature_k`, ohm: `R_20 (1 + a (T - 293.15 K))`.
    pub fn resistance_ohm(&self, temperature_k: f64) -> f64 {
        self.resistance_20_ohm * (1.0 + self.copper_per_k * (temperature_k - 293.15))
    }

    /// Leaves the share `left` of the turns working (0 < left <= 1): resistance goes with the turns, inductance
    /// with their square, saturation current with their inverse.
    pub fn keep_turns(&mut self, left: f64) {
        self.resistance_20_ohm *= left;
        self.leakage_h *= left * left;
        self.gap_h *= left * left;
        self.gradient_h_per_m *= left * left;
        self.saturation_a /= left;
    }

    /// Saturation measure `r = sqrt(1 + (i/I_s)^2)`, 1.
    fn saturation(&self, i_a: f64) -> f64 {
        let u = i_a / self.saturation_a;
        libm::sqrt(1.0 + u * u)
    }

    /// Magnetic force at current `i_a`, N: the co-energy derivative `L' I_s^2 (r - 1)`; `L' i^2/2` for small
    /// currents, linear for large ones.
    pub fn force_n(&self, i_a: f64) -> f64 {
        self.gradient_h_per_m * self.saturation_a * self.saturation_a * (self.saturation(i_a) - 1.0)
    }

    /// Slope of the magnetic force, N/A: `L' i / r`.
    pub fn force_slope_n_per_a(&self, i_a: f64) -> f64 {
        self.gradient_h_per_m * i_a / self.saturation(i_a)
    }

    /// Incremental inductance at current `i_a`, H, for force-making inductance `force_h`: `L_u + L_f / r^3`.
    pub fn incremental_h(&self, i_a: f64, force_h: f64) -> f64 {
        let r = self.saturation(i_a);
        self.leakage_h + force_h / (r * r * r)
    }
}

/// What the low-side switch does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Switch {
    /// Follows the duty.
    Works,
    /// Always on, or the line to it shorted to ground.
    StuckOn,
}

/// One driver channel: switch, diode, shunt, harness.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ChannelParameters {
    /// PWM frequency, Hz.
    pub pwm_hz: u32,
    /// Harness and contacts, ohm.
    pub harness_ohm: f64,
    /// Shunt, ohm.
    pub shunt_ohm: f64,
    /// Switch when on, ohm.
    pub switch_ohm: f64,
    /// Freewheel diode, V.
    pub diode_v: f64,
    /// Whether the switch obeys.
    pub switch: Switch,
    /// How often a loose contact breaks, 1/s; 0 for a sound one. It is open half of the time.
    pub contact_breaks_hz: f64,
}

impl ChannelParameters {
    /// The inlet valve's channel: 200 Hz.
    pub fn inlet() -> Self {
        Self {
            pwm_hz: 200,
            harness_ohm: 0.10,
            shunt_ohm: 0.05,
            switch_ohm: 0.03,
            diode_v: 0.7,
            switch: Switch::Works,
            contact_breaks_hz: 0.0,
        }
    }

    /// The pressure valve's channel: 1 kHz.
    pub fn pressure() -> Self {
        Self { pwm_hz: 1_000, ..Self::inlet() }
    }
}

/// Resistance of a circuit whose contact is open, ohm.
pub const OPEN_OHM: f64 = 1.0e9;

/// Coil and channel joined, at one winding temperature: constants for many steps.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Circuit {
    /// Winding resistance now, ohm.
    pub winding_ohm: f64,
    /// Whole circuit `R_t`, ohm.
    pub total_ohm: f64,
    /// Share of the drive voltage across the inductance, `R_e/(R_t + R_e)`, 1.
    share: f64,
    /// `R_t R_e/(R_t + R_e)`, ohm.
    parallel_ohm: f64,
    eddy_ohm: f64,
    eddy_per_ohm: f64,
    leakage_h: f64,
    per_saturation_a: f64,
    diode_v: f64,
    /// Below this magnetising current the diode blocks, A.
    blocking_a: f64,
}

impl Circuit {
    /// Joins `coil` and `channel` with the winding at `temperature_k`; `contact_open` breaks the circuit.
    pub fn new(
        coil: &CoilParameters,
        channel: &ChannelParameters,
        temperature_k: f64,
        contact_open: bool,
    ) -> Self {
        let winding = coil.resistance_ohm(temperature_k);
        let total = winding
            + channel.harness_ohm
            + channel.shunt_ohm
            + channel.switch_ohm
            + if contact_open { OPEN_OHM } else { 0.0 };
        let share = coil.eddy_ohm / (total + coil.eddy_ohm);
        Self {
            winding_ohm: winding,
            total_ohm: total,
            share,
            parallel_ohm: total * share,
            eddy_ohm: coil.eddy_ohm,
            eddy_per_ohm: 1.0 / coil.eddy_ohm,
            leakage_h: coil.leakage_h,
            per_saturation_a: 1.0 / coil.saturation_a,
            diode_v: channel.diode_v,
            blocking_a: channel.diode_v / coil.eddy_ohm,
        }
    }

    /// Coil current, A, that goes with magnetising current `i_a`: `max(0, i + v_m/R_e)`.
    fn coil_a(&self, i_a: f64, on: bool, supply_v: f64) -> f64 {
        let drive_v = if on { supply_v } else { -self.diode_v };
        let v_m = drive_v * self.share - self.parallel_ohm * i_a;
        (i_a + v_m * self.eddy_per_ohm).max(0.0)
    }

    /// Magnetising current after `dt_s` without an edge: implicit midpoint with the inductance at the midpoint
    /// current (two passes), `di/dt = (v_m - s L' g v_x)/L_inc`.
    fn magnetising_after(&self, i_a: f64, dt_s: f64, on: bool, supply_v: f64, armature: &Armature) -> f64 {
        let drive = if on { supply_v } else { -self.diode_v } * self.share;
        let mut mid = i_a;
        let mut end = i_a;
        for _ in 0..2 {
            let u = mid * self.per_saturation_a;
            let inverse_r = 1.0 / libm::sqrt(1.0 + u * u);
            let inductance = self.leakage_h + armature.force_h * (inverse_r * inverse_r * inverse_r);
            let (resistance, voltage) = if !on && mid < self.blocking_a {
                (self.eddy_ohm, 0.0)
            } else {
                (self.parallel_ohm, drive - armature.emf_v_per_a * mid * inverse_r)
            };
            let half = 0.5 * dt_s * resistance;
            end = ((i_a * (inductance - half) + voltage * dt_s) / (inductance + half)).max(0.0);
            mid = 0.5 * (i_a + end);
        }
        if !on && end < FORGOTTEN_A { 0.0 } else { end }
    }
}

/// A freewheeling current this small, A, is taken as gone.
const FORGOTTEN_A: f64 = 1e-9;

/// What the coil needs to know of its armature: frozen over a sub-step.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Armature {
    /// Force-making inductance at the present travel, `L_f = L_0 + s L' x`, H.
    pub force_h: f64,
    /// Motion voltage per ampere of linear current, `s L' v_x`, V/A.
    pub emf_v_per_a: f64,
}

/// The drive voltage pattern over a sub-step.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wave {
    /// Supply voltage, V.
    pub supply_v: f64,
    /// On-share, 0..=1.
    pub duty: f64,
    /// Where in the PWM period the sub-step starts, s.
    pub phase_s: f64,
    /// PWM period, s.
    pub period_s: f64,
}

impl Wave {
    /// The pattern of a `pwm_hz` channel at `time_us`; a rising edge stands at time zero.
    pub fn at(time_us: u64, pwm_hz: u32, duty: f64, supply_v: f64) -> Self {
        let hz = u64::from(pwm_hz);
        let millionths = time_us.wrapping_mul(hz) % 1_000_000;
        let period_s = 1.0 / f64::from(pwm_hz);
        Self { supply_v, duty, phase_s: millionths as f64 * 1e-6 * period_s, period_s }
    }
}

/// What passed through the coil during a sub-step.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Passed {
    /// Integral of the coil current, A s.
    pub charge_c: f64,
    /// Integral of its square, A2 s.
    pub square_a2_s: f64,
}

/// The state of one coil with its shunt amplifier.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Coil {
    /// Magnetising current `i`, A.
    pub magnetising_a: f64,
    /// What a shunt in the loop carries, A.
    pub coil_a: f64,
    /// Slow follower of the magnetising current, A.
    pub lagged_a: f64,
    /// Follower of that with play: what the iron remembers, A.
    pub remembered_a: f64,
    /// Output of the shunt amplifier, as current, A.
    pub amplified_a: f64,
    /// Mean over the last whole PWM period, A.
    pub mean_a: f64,
    running_c: f64,
    running_s: f64,
}

impl Coil {
    /// Moves on by `dt_s`, splitting at each PWM edge. `amplifier` is the shunt amplifier's low-pass.
    pub fn advance(
        &mut self,
        dt_s: f64,
        wave: &Wave,
        circuit: &Circuit,
        armature: &Armature,
        amplifier: &LowPass,
    ) -> Passed {
        if wave.duty <= 0.0 && self.magnetising_a == 0.0 && self.amplified_a == 0.0 {
            self.coil_a = 0.0;
            self.mean_a = 0.0;
            self.running_c = 0.0;
            self.running_s = 0.0;
            return Passed::default();
        }
        let mut passed = Passed::default();
        let mut left_s = dt_s;
        let mut phase_s = wave.phase_s;
        let on_s = wave.duty * wave.period_s;
        while left_s > EDGE_TOLERANCE_S {
            let on = phase_s < on_s - EDGE_TOLERANCE_S;
            let until_s = if on { on_s.min(wave.period_s) } else { wave.period_s };
            let piece_s = left_s.min(until_s - phase_s);
            self.piece(piece_s, on, wave.supply_v, circuit, armature, amplifier, &mut passed);
            left_s -= piece_s;
            phase_s += piece_s;
            if phase_s >= wave.period_s - EDGE_TOLERANCE_S {
                phase_s = 0.0;
                if self.running_s > 0.0 {
                    self.mean_a = self.running_c / self.running_s;
                }
                self.running_c = 0.0;
                self.running_s = 0.0;
            }
        }
        passed
    }

    #[expect(clippy::too_many_arguments, reason = "one inner loop body, cut out to be readable")]
    fn piece(
        &mut self,
        dt_s: f64,
        on: bool,
        supply_v: f64,
        circuit: &Circuit,
        armature: &Armature,
        amplifier: &LowPass,
        passed: &mut Passed,
    ) {
        let start_a = circuit.coil_a(self.magnetising_a, on, supply_v);
        self.magnetising_a = circuit.magnetising_after(self.magnetising_a, dt_s, on, supply_v, armature);
        let end_a = circuit.coil_a(self.magnetising_a, on, supply_v);
        self.coil_a = end_a;
        self.amplified_a = amplifier.after(self.amplified_a, start_a, end_a, dt_s);
        let charge = 0.5 * (start_a + end_a) * dt_s;
        passed.charge_c += charge;
        passed.square_a2_s += 0.5 * (start_a * start_a + end_a * end_a) * dt_s;
        self.running_c += charge;
        self.running_s += dt_s;
    }

    /// Lets the iron's memory follow for `dt_s`: `i_lp' = (i - i_lp)/tau`, then play of half width `w`.
    pub fn remember(&mut self, dt_s: f64, coil: &CoilParameters) {
        self.lagged_a += (dt_s / coil.play_lag_s).min(1.0) * (self.magnetising_a - self.lagged_a);
        self.remembered_a = self.remembered_a.clamp(self.lagged_a - coil.play_a, self.lagged_a + coil.play_a);
    }

    /// The current that makes force, A: `i - i_lp + i_h`, never negative.
    pub fn force_current_a(&self) -> f64 {
        (self.magnetising_a - self.lagged_a + self.remembered_a).max(0.0)
    }
}

/// Two instants closer than this, s, are one.
const EDGE_TOLERANCE_S: f64 = 1e-13;
/// An amplifier output this small with nothing left to follow, A, is taken as zero.
const SILENT_A: f64 = 1e-12;

/// A first-order low-pass that is exact for an input moving in a straight line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LowPass {
    lag_s: f64,
    whole_s: f64,
    whole_decay: f64,
    whole_lags: f64,
}

impl LowPass {
    /// A low-pass of time constant `lag_s`, most often asked for pieces of `whole_s`.
    pub fn new(lag_s: f64, whole_s: f64) -> Self {
        Self { lag_s, whole_s, whole_decay: libm::exp(-whole_s / lag_s), whole_lags: lag_s / whole_s }
    }

    /// The output after `dt_s` while the input went straight from `from` to `to`, starting at output `y`.
    pub fn after(&self, y: f64, from: f64, to: f64, dt_s: f64) -> f64 {
        let (decay, lags) = if dt_s == self.whole_s {
            (self.whole_decay, self.whole_lags)
        } else {
            (libm::exp(-dt_s / self.lag_s), self.lag_s / dt_s)
        };
        let behind = (to - from) * lags;
        let out = to - behind + (y - from + behind) * decay;
        if to == 0.0 && out.abs() < SILENT_A { 0.0 } else { out }
    }
}

/// Mean current under ideal PWM in continuous conduction, A: `(D V_s - (1 - D) V_d)/R_t` (the freewheel path
/// differs from the driven one by the switch only, which this leaves out).
pub fn ideal_mean_a(duty: f64, supply_v: f64, diode_v: f64, total_ohm: f64) -> f64 {
    (duty * supply_v - (1.0 - duty) * diode_v) / total_ohm
}
