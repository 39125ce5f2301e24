//! The current that a coil takes at a voltage, with its derivatives.
//!
//! A winding R in series with an inductance that has an eddy resistance across it takes
//! `i = G ((1 - s) x + s v)`, where `G = 1/R`, `x` is the voltage behind a first-order lag tau, and
//! the share s passes at once (the circuit is the usual simplest one for iron with eddy currents).
//! Between two samples the voltage runs straight, but for its edges, where it jumps: both have an
//! exact solution, so the spacing of samples costs no accuracy.

/// Conductance of the loop, S.
pub const G: usize = 0;
/// Time constant, s.
pub const TAU: usize = 1;
/// Share of the current that follows the voltage at once, 1.
pub const SHARE: usize = 2;
/// How much later than in the middle of its interval the voltage's edge lies, s.
pub const EDGE: usize = 3;
/// Reading of the current at no current, A.
pub const ZERO: usize = 4;
/// How far the lagging voltage is from the voltage at the first sample, V.
pub const START: usize = 5;
/// Share of the conductance lost per joule, 1/J.
pub const HEAT: usize = 6;
/// Number of parameters.
pub const P: usize = 7;

/// The parameters, in the order of the constants.
pub type Parameters = [f64; P];

/// A jump of the voltage between a sample and the one before it.
#[derive(Clone, Copy, Debug)]
pub struct Jump {
    /// The first sample at the new voltage, 1 or more.
    pub at: usize,
    /// How long before that sample it happens, s.
    pub before_s: f64,
    /// Standard uncertainty of that, s.
    pub u_s: f64,
}

/// What drives the coil.
#[derive(Debug)]
pub struct Drive {
    /// Instants of the samples, s.
    pub(super) time_s: Vec<f64>,
    /// Voltage at each, V.
    pub(super) voltage_v: Vec<f64>,
    /// Jumps in order; [`EDGE`] moves the only one.
    pub(super) jumps: Vec<Jump>,
    /// Spacing that all intervals without a jump share, s, when they do.
    pub(super) even_s: Option<f64>,
    /// Whether the voltage stays where it is between its jumps.
    pub(super) is_level: bool,
    /// Energy taken up to each sample, J, when warming is looked for.
    pub(super) energy_j: Vec<f64>,
}

/// What one interval does: `x' = decay x + from v_before + to v_after`.
#[derive(Clone, Copy, Debug)]
pub(super) struct Interval {
    pub(super) decay: f64,
    from: f64,
    to: f64,
    pub(super) decay_by_tau: f64,
    to_by_tau: f64,
    /// Derivative of `to` with respect to the jump's instant, for an interval with one.
    to_by_edge: f64,
}

/// Where the lagging voltage is, V, and its derivatives.
#[derive(Clone, Copy, Debug)]
pub(super) struct Lagging {
    pub(super) x: f64,
    pub(super) by_tau: f64,
    pub(super) by_edge: f64,
    pub(super) by_start: f64,
}

impl Lagging {
    #[inline]
    pub(super) fn first(v: f64, p: &Parameters) -> Lagging {
        Lagging { x: v + p[START], by_tau: 0.0, by_edge: 0.0, by_start: 1.0 }
    }

    /// On through an interval from the voltage `before` to `after`.
    #[inline]
    pub(super) fn pass(&mut self, step: &Interval, before: f64, after: f64) {
        self.by_tau = step.decay * self.by_tau
            + step.decay_by_tau * (self.x - before)
            + step.to_by_tau * (after - before);
        self.x = step.decay * self.x + step.from * before + step.to * after;
        self.by_edge = step.decay * self.by_edge + step.to_by_edge * (after - before);
        self.by_start *= step.decay;
    }
}

impl Interval {
    pub(super) fn straight(length_s: f64, tau_s: f64) -> Interval {
        let lags = length_s / tau_s;
        let decay = (-lags).exp();
        let mean_decay = -(-lags).exp_m1() / lags;
        Interval {
            decay,
            from: mean_decay - decay,
            to: 1.0 - mean_decay,
            decay_by_tau: decay * lags / tau_s,
            to_by_tau: (decay - mean_decay) / tau_s,
            to_by_edge: 0.0,
        }
    }

    fn with_jump(length_s: f64, after_s: f64, tau_s: f64) -> Interval {
        let (decay, rest) = ((-length_s / tau_s).exp(), (-after_s / tau_s).exp());
        Interval {
            decay,
            from: rest - decay,
            to: 1.0 - rest,
            decay_by_tau: decay * length_s / tau_s.powi(2),
            to_by_tau: -rest * after_s / tau_s.powi(2),
            to_by_edge: -rest / tau_s,
        }
    }
}

impl Drive {
    /// A voltage at instants, s, that rise. `even_s` is the spacing that all intervals without a jump share.
    #[must_use]
    pub fn new(time_s: Vec<f64>, voltage_v: Vec<f64>, jumps: Vec<Jump>, even_s: Option<f64>) -> Drive {
        let mut drive = Drive { time_s, voltage_v, jumps, even_s, is_level: false, energy_j: Vec::new() };
        drive.see_levels();
        drive
    }

    /// Looks anew whether the voltage stays where it is between its jumps.
    pub(super) fn see_levels(&mut self) {
        let mut jumps = self.jumps.iter().peekable();
        self.is_level = (1..self.len()).all(|k| {
            jumps.next_if(|jump| jump.at == k).is_some() || self.voltage_v[k] == self.voltage_v[k - 1]
        });
    }

    pub(super) fn len(&self) -> usize {
        self.time_s.len()
    }

    /// The interval that ends at sample `k`, `even` being the one that all without a jump share.
    pub(super) fn interval(
        &self,
        k: usize,
        jump: Option<&Jump>,
        even: Option<&Interval>,
        p: &Parameters,
    ) -> Interval {
        let length_s = || self.time_s[k] - self.time_s[k - 1];
        match (jump, even) {
            (Some(jump), _) => Interval::with_jump(length_s(), jump.before_s - p[EDGE], p[TAU]),
            (None, Some(even)) => *even,
            (None, None) => Interval::straight(length_s(), p[TAU]),
        }
    }

    /// Calls `visit(k, current, slopes)` at each sample: the current in A and its derivatives.
    #[inline]
    pub(super) fn each(&self, p: &Parameters, mut visit: impl FnMut(usize, f64, &Parameters)) {
        let (slow, share, g) = (1.0 - p[SHARE], p[SHARE], p[G]);
        let v = &self.voltage_v[..];
        let even = self.even_s.map(|spacing_s| Interval::straight(spacing_s, p[TAU]));
        let warms = !self.energy_j.is_empty();
        let mut lagging = Lagging::first(v[0], p);
        let mut see = |k: usize, lagging: &Lagging| {
            let volts = slow * lagging.x + share * v[k];
            let cold = g * volts;
            let energy_j = if warms { self.energy_j[k] } else { 0.0 };
            let warm = 1.0 - p[HEAT] * energy_j;
            let (g, gs) = (g * warm, g * warm * slow);
            let slopes = [
                volts * warm,
                gs * lagging.by_tau,
                g * (v[k] - lagging.x),
                gs * lagging.by_edge,
                1.0,
                gs * lagging.by_start,
                -cold * energy_j,
            ];
            visit(k, p[ZERO] + cold * warm, &slopes);
        };
        // Stretches without a jump run through a loop with nothing to decide in it.
        let mut from = 0;
        for next in 0..=self.jumps.len() {
            let to = self.jumps.get(next).map_or(v.len(), |jump| jump.at);
            if from > 0 {
                let jump = &self.jumps[next - 1];
                lagging.pass(&self.interval(from, Some(jump), None, p), v[from - 1], v[from]);
            }
            see(from, &lagging);
            for k in from + 1..to {
                let step = match even {
                    Some(even) => even,
                    None => self.interval(k, None, None, p),
                };
                lagging.pass(&step, v[k - 1], v[k]);
                see(k, &lagging);
            }
            from = to;
        }
    }

    /// The same run backwards: for `slopes[k]`, the derivatives of the current at sample k with respect to
    /// the parameters, gives what one volt more at each sample does to `sum over k of slopes[k] current[k]`
    /// (`volt`, from the last sample to the first) and what each jump being one second later does to it.
    pub(super) fn backwards(
        &self,
        p: &Parameters,
        slopes: &[Parameters],
        mut volt: impl FnMut(usize, &Parameters),
    ) -> Vec<Parameters> {
        let lagging = p[G] * (1.0 - p[SHARE]);
        let at_once = p[G] * p[SHARE];
        let even = self.even_s.map(|spacing_s| Interval::straight(spacing_s, p[TAU]));
        let mut by_jump = vec![[0.0; P]; self.jumps.len()];
        let mut left = self.jumps.len();
        let (mut later, mut carried) = ([0.0; P], [0.0; P]);
        for k in (0..self.len()).rev() {
            for q in 0..P {
                later[q] += lagging * slopes[k][q];
            }
            if k == 0 {
                volt(0, &std::array::from_fn(|q| carried[q] + at_once * slopes[0][q] + later[q]));
                break;
            }
            let jump = left.checked_sub(1).map(|last| &self.jumps[last]).filter(|jump| jump.at == k);
            let step = self.interval(k, jump, even.as_ref(), p);
            if jump.is_some() {
                left -= 1;
                let height = self.voltage_v[k] - self.voltage_v[k - 1];
                by_jump[left] = later.map(|l| l * step.to_by_edge * height);
            }
            volt(k, &std::array::from_fn(|q| carried[q] + at_once * slopes[k][q] + step.to * later[q]));
            for q in 0..P {
                carried[q] = step.from * later[q];
                later[q] *= step.decay;
            }
        }
        by_jump
    }
}
