//! Pulse outputs: teeth of a turning wheel, counted, with the instant of the last edge.

use crate::noise::{Purpose, Stream};
use crate::sensors::MeterParameters;

/// What a pulse counter shows.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Pulses {
    /// Edges since the start; wraps.
    pub count: u32,
    /// Instant of the last edge, us; 0 before the first.
    pub last_edge_us: u64,
}

/// A wheel whose teeth pass a pick-up.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct PulseTrain {
    seen: Pulses,
    /// Teeth passed since the last ideal edge, 1.
    phase: f64,
}

impl PulseTrain {
    /// What the counter shows.
    pub fn pulses(&self) -> Pulses {
        self.seen
    }

    /// Turns by `teeth` >= 0 within `dt_us` from `start_us`. `next_shift` gives the displacement of the next tooth,
    /// in teeth, each time one has passed; `shift` is that of the tooth to come. Edges are interpolated.
    fn turn(
        &mut self,
        teeth: f64,
        start_us: u64,
        dt_us: u64,
        shift: &mut f64,
        mut next_shift: impl FnMut() -> f64,
    ) {
        let before = self.phase;
        self.phase += teeth;
        let mut tooth = 1.0;
        while self.phase >= tooth + *shift {
            let share = ((tooth + *shift - before) / teeth).clamp(0.0, 1.0);
            self.seen.count = self.seen.count.wrapping_add(1);
            self.seen.last_edge_us = start_us + (share * dt_us as f64) as u64;
            tooth += 1.0;
            *shift = next_shift();
        }
        self.phase -= tooth - 1.0;
    }

    /// Turns a regular wheel by `teeth` >= 0 within `dt_us` from `start_us`.
    pub fn advance(&mut self, teeth: f64, start_us: u64, dt_us: u64) {
        if teeth > 0.0 {
            self.turn(teeth, start_us, dt_us, &mut 0.0, || 0.0);
        }
    }
}

/// The flow meter: a lagging, slipping wheel with slightly irregular teeth.
#[derive(Clone, Debug)]
pub struct Meter {
    train: PulseTrain,
    followed_m3_per_s: f64,
    shift: f64,
    stream: Stream,
}

/// Full-scale linearity error of the meter, 1, as a cubic of flow over [`LINEARITY_SCALE_M3_PER_S`].
const LINEARITY: f64 = 0.005;
/// Flow at which the linearity error is stated, m3/s.
const LINEARITY_SCALE_M3_PER_S: f64 = 20e-6;

impl Meter {
    /// A meter at standstill.
    pub fn new(seed: u64) -> Self {
        Self {
            train: PulseTrain::default(),
            followed_m3_per_s: 0.0,
            shift: 0.0,
            stream: Stream::new(seed, Purpose::Meter),
        }
    }

    /// What the counter shows.
    pub fn pulses(&self) -> Pulses {
        self.train.pulses()
    }

    /// Lets `flow_m3_per_s` pass for `dt_us` from `start_us`; `lag_share` is `1 - exp(-dt/lag)`. Rate:
    /// `K (1 - q_s/q) q` above standstill, with a small cubic nonlinearity, and whatever pulses come by themselves.
    pub fn advance(
        &mut self,
        flow_m3_per_s: f64,
        lag_share: f64,
        start_us: u64,
        dt_us: u64,
        meter: &MeterParameters,
    ) {
        self.followed_m3_per_s += lag_share * (flow_m3_per_s - self.followed_m3_per_s);
        let q = self.followed_m3_per_s;
        let mut rate_hz = meter.extra_hz;
        if q > meter.standstill_m3_per_s {
            let u = (q / LINEARITY_SCALE_M3_PER_S).min(1.0);
            let bent = 1.0 + LINEARITY * u * (1.0 - u) * (1.0 - 2.0 * u);
            rate_hz += meter.pulses_per_m3 * (q - meter.slip_m3_per_s) * bent;
        }
        let teeth = rate_hz * dt_us as f64 * 1e-6;
        if teeth > 0.0 {
            let (stream, jitter) = (&mut self.stream, meter.jitter);
            self.train.turn(teeth, start_us, dt_us, &mut self.shift, || jitter * stream.gaussian());
        }
    }
}
