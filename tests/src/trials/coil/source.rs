//! A coil on a source whose voltage jumps: exact between jumps.

/// A coil: winding in series with an inductance that has an eddy resistance across it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Coil {
    /// Winding, ohm.
    pub(super) ohm: f64,
    /// Inductance, H.
    pub(super) henry: f64,
    /// Share of a step of the current that comes at once: winding over winding and eddy resistance.
    pub(super) share: f64,
}

impl Coil {
    fn eddy_ohm(&self) -> f64 {
        if self.share > 0.0 { self.ohm * (1.0 - self.share) / self.share } else { f64::INFINITY }
    }

    /// Time constant at its own terminals, s: L (R + Re)/(R Re).
    pub(super) fn tau_s(&self) -> f64 {
        self.henry / (self.ohm * (1.0 - self.share))
    }

    /// The same coil with more resistance in series.
    pub(super) fn with_lead(self, lead_ohm: f64) -> Coil {
        let ohm = self.ohm + lead_ohm;
        Coil { ohm, share: ohm / (ohm + self.eddy_ohm()), ..self }
    }

    /// Voltage across the coil and current through it at each instant; the magnetising current is
    /// `starts_a` at the first.
    pub(super) fn driven(&self, source: &Source, time_s: &[f64], starts_a: f64) -> (Vec<f64>, Vec<f64>) {
        let loop_ohm = self.ohm + source.ohm;
        let eddy_ohm = self.eddy_ohm();
        // i = m + (V - R m)/(R + Re), L m' = (V - R m) Re/(R + Re), R being that of the loop.
        let slow = if eddy_ohm.is_finite() { eddy_ohm / (loop_ohm + eddy_ohm) } else { 1.0 };
        let tau_s = self.henry / (loop_ohm * slow);
        let towards = |m: f64, open_v: f64, for_s: f64| {
            let end = open_v / loop_ohm;
            end + (m - end) * (-for_s / tau_s).exp()
        };
        let mut magnetising_a = starts_a;
        let mut now_s = time_s[0];
        let mut next = source.jumps.partition_point(|(at_s, _)| *at_s <= now_s);
        let mut open_v = if next == 0 { source.first_v } else { source.jumps[next - 1].1 };
        let mut columns = (Vec::with_capacity(time_s.len()), Vec::with_capacity(time_s.len()));
        for &t in time_s {
            while let Some(&(at_s, to_v)) = source.jumps.get(next).filter(|(at_s, _)| *at_s <= t) {
                magnetising_a = towards(magnetising_a, open_v, at_s - now_s);
                (now_s, open_v) = (at_s, to_v);
                next += 1;
            }
            magnetising_a = towards(magnetising_a, open_v, t - now_s);
            now_s = t;
            let at_once_a = (open_v - loop_ohm * magnetising_a) / (loop_ohm + eddy_ohm);
            let current_a = magnetising_a + at_once_a;
            columns.0.push(open_v - source.ohm * current_a);
            columns.1.push(current_a);
        }
        columns
    }
}

/// A source: open-circuit voltage with its jumps, and resistance.
#[derive(Clone, Debug)]
pub(super) struct Source {
    ohm: f64,
    first_v: f64,
    /// Instant, s, and open-circuit voltage from then on, V.
    jumps: Vec<(f64, f64)>,
}

impl Source {
    pub(super) fn constant(ohm: f64, volt: f64) -> Source {
        Source { ohm, first_v: volt, jumps: Vec::new() }
    }

    /// One jump at 0 s.
    pub(super) fn step(ohm: f64, from_v: f64, to_v: f64) -> Source {
        Source { ohm, first_v: from_v, jumps: vec![(0.0, to_v)] }
    }

    /// Rest until 0 s, then `periods` of PWM.
    pub(super) fn pwm(ohm: f64, on_v: f64, off_v: f64, period_s: f64, duty: f64, periods: u32) -> Source {
        let edges = (0..periods).flat_map(|k| {
            let on_s = f64::from(k) * period_s;
            [(on_s, on_v), (on_s + duty * period_s, off_v)]
        });
        Source { ohm, first_v: 0.0, jumps: edges.collect() }
    }
}
