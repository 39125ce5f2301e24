//! Counts to engineering units and back: the one place where a gain is multiplied.
//!
//! The board sends raw counts; the bench sheet says what they mean; the zeroes of rail pressure and
//! coil currents are measured at rest at the beginning of every run, because that is the one state
//! in which their true value is known.

use crate::recording::Window;
use crate::sheet::{BenchSheet, VoltageSpan};
use stepwell_analysis::{stats, temperature};
use stepwell_protocol::channel::{Channel, Coil};
use stepwell_protocol::identity::Identity;

/// A current sensor's zero may be off by this share of the bench sheet's `current_max`: several times
/// what shunt amplifiers are off by (common practice, no source).
const CURRENT_ZERO_SHARE: f64 = 0.05;

/// A rig's calibrations, with the zeroes of this run.
#[derive(Clone, Debug)]
pub struct Calibration {
    bench: BenchSheet,
    volts_per_count: f64,
    rail_zero_counts: f64,
    rail_zero_u_counts: f64,
    /// Whether the rail's zero was seen at rest in this run; the sheet's stands in until then.
    rail_zero_taken: bool,
    /// The fluid's temperature while the zero was taken, in °C.
    zero_celsius: Option<f64>,
    current_zero_counts: [f64; 2],
    current_zero_u_counts: [f64; 2],
}

impl Calibration {
    /// Calibrations with the sheet's own zeroes.
    #[must_use]
    pub fn nominal(bench: &BenchSheet, identity: &Identity) -> Calibration {
        let counts = f64::from(identity.conversions_per_tick) * f64::from(identity.conversion_full_scale);
        let volts_per_count = f64::from(identity.full_scale_mv) / 1000.0 / counts;
        Calibration {
            rail_zero_counts: bench.rail_pressure.zero_v / volts_per_count,
            rail_zero_u_counts: 0.0,
            rail_zero_taken: false,
            zero_celsius: None,
            current_zero_counts: [0.0; 2],
            current_zero_u_counts: [0.0; 2],
            bench: bench.clone(),
            volts_per_count,
        }
    }

    /// The same calibrations with the zeroes seen in `rest`, a window in which the rail is open to
    /// the tank and no coil is driven. A reading too far from the sheet's zero is none: the sheet's stays, and what is
    /// shown from then on is what is there.
    #[must_use]
    pub fn zeroed(mut self, rest: &Window<'_>) -> Calibration {
        let zero = |channel: Channel| {
            let counts: Vec<f64> = rest.counts(channel).map(f64::from).collect();
            match stats::mean_of_series(&counts) {
                Ok(series) => (series.mean, series.standard_uncertainty),
                // Too short a rest tells the zero as well as one conversion does.
                Err(_) => (rest.mean_counts(channel), 1.0),
            }
        };
        let (rail_zero, rail_zero_u) = zero(Channel::RailPressure);
        if self.rail_pa(rail_zero).abs() <= self.bench.rail_zero_pa {
            (self.rail_zero_counts, self.rail_zero_u_counts) = (rail_zero, rail_zero_u);
            self.rail_zero_taken = true;
            self.zero_celsius = self.fluid_celsius(rest.mean_counts(Channel::FluidTemperature));
        }
        for coil in Coil::BOTH {
            let index = coil.index();
            let (counts, u_counts) = zero(coil.current());
            if self.current_a(coil, counts).abs() <= self.current_zero_max_a() {
                (self.current_zero_counts[index], self.current_zero_u_counts[index]) = (counts, u_counts);
            }
        }
        self
    }

    /// Volts at the board's input.
    #[must_use]
    pub fn volts(&self, counts: f64) -> f64 {
        counts * self.volts_per_count
    }

    /// Counts of one tick for a voltage at the board's input, clipped to the word.
    #[must_use]
    pub fn counts_of_volts(&self, volts: f64) -> u16 {
        (volts / self.volts_per_count).round().clamp(0.0, f64::from(u16::MAX)) as u16
    }

    fn pa_per_count(&self, span: &VoltageSpan) -> f64 {
        span.span_pa / (span.span_v - span.zero_v) * self.volts_per_count
    }

    /// Rail pressure above atmosphere in Pa.
    #[must_use]
    pub fn rail_pa(&self, counts: f64) -> f64 {
        (counts - self.rail_zero_counts) * self.pa_per_count(&self.bench.rail_pressure)
    }

    /// Counts at a rail pressure above atmosphere in Pa, clipped to the word.
    #[must_use]
    pub fn rail_counts(&self, pa: f64) -> u16 {
        let counts = self.rail_zero_counts + pa / self.pa_per_count(&self.bench.rail_pressure);
        counts.round().clamp(0.0, f64::from(u16::MAX)) as u16
    }

    /// Feed pressure above atmosphere in Pa; `None` when no sensor is fitted.
    #[must_use]
    pub fn feed_pa(&self, counts: f64) -> Option<f64> {
        let span = self.bench.feed_pressure.as_ref()?;
        Some((self.volts(counts) - span.zero_v) / (span.span_v - span.zero_v) * span.span_pa)
    }

    /// Whether rail pressures near zero mean anything: the zero of this run's sensor was seen at rest.
    #[must_use]
    pub fn rail_zero_taken(&self) -> bool {
        self.rail_zero_taken
    }

    /// Standard uncertainty of the rail pressure's zero during `window` in Pa: that of taking it, and what
    /// it may have drifted since with the fluid's temperature.
    #[must_use]
    pub fn rail_zero_u_pa(&self, window: &Window<'_>) -> f64 {
        let span = &self.bench.rail_pressure;
        let taken_pa = self.rail_zero_u_counts * self.pa_per_count(span);
        let now = self.fluid_celsius(window.mean_counts(Channel::FluidTemperature));
        let warmer_k = now.zip(self.zero_celsius).map_or(0.0, |(now, then)| now - then);
        taken_pa.hypot(span.zero_drift_u_pa_per_k * warmer_k)
    }

    /// Standard uncertainty of a coil current's zero in A.
    #[must_use]
    pub fn current_zero_u_a(&self, coil: Coil) -> f64 {
        self.volts(self.current_zero_u_counts[coil.index()]) / self.bench.current.volt_per_ampere
    }

    /// Coil current in A.
    #[must_use]
    pub fn current_a(&self, coil: Coil, counts: f64) -> f64 {
        self.volts(counts - self.current_zero_counts[coil.index()]) / self.bench.current.volt_per_ampere
    }

    /// Counts above zero for a coil current in A.
    #[must_use]
    pub fn current_counts(&self, ampere: f64) -> u16 {
        self.counts_of_volts(ampere * self.bench.current.volt_per_ampere)
    }

    /// How far the zero of a coil's current may be off, in A.
    #[must_use]
    pub fn current_zero_max_a(&self) -> f64 {
        CURRENT_ZERO_SHARE * self.bench.current_max_a
    }

    /// Counts that a coil's column shows at no current.
    #[must_use]
    pub fn current_zero_counts(&self, coil: Coil) -> f64 {
        self.current_zero_counts[coil.index()]
    }

    /// Supply voltage in V.
    #[must_use]
    pub fn supply_v(&self, counts: f64) -> f64 {
        self.volts(counts) * self.bench.supply_divider.value
    }

    /// Counts at a supply voltage in V.
    #[must_use]
    pub fn supply_counts(&self, volts: f64) -> u16 {
        self.counts_of_volts(volts / self.bench.supply_divider.value)
    }

    /// Fluid temperature in °C, by Steinhart and Hart; `None` when the voltage is none a thermistor
    /// can make.
    #[must_use]
    pub fn fluid_celsius(&self, counts: f64) -> Option<f64> {
        let sensor = &self.bench.fluid_temperature;
        let volts = self.volts(counts);
        let ohm = sensor.pull_up_ohm * volts / (sensor.pull_up_v - volts);
        if !(1.0..1e7).contains(&ohm) {
            return None;
        }
        Some(temperature::steinhart_hart_celsius(ohm, sensor.coefficients))
    }

    /// Counts of the thermistor at a temperature in °C, by bisection of [`Self::fluid_celsius`],
    /// which falls as counts rise.
    #[must_use]
    pub fn fluid_counts(&self, celsius: f64) -> u16 {
        let (mut low, mut high) = (0_u16, self.counts_of_volts(self.bench.fluid_temperature.pull_up_v));
        while high - low > 1 {
            let middle = low + (high - low) / 2;
            let hotter = self.fluid_celsius(f64::from(middle)).map_or(middle == 0, |t| t > celsius);
            if hotter { low = middle } else { high = middle }
        }
        low
    }

    /// Temperature of the pump's body in °C, by the inverse of IEC 60751; `None` when the resistance is
    /// none a platinum sensor has there.
    #[must_use]
    pub fn body_celsius(&self, counts: f64) -> Option<f64> {
        let sensor = &self.bench.body_temperature;
        let ratio = self.volts(counts) / sensor.volt_per_ohm / sensor.ohm_at_0c;
        let celsius = temperature::platinum_celsius(ratio);
        (-40.0..250.0).contains(&celsius).then_some(celsius)
    }

    /// The bench sheet behind the calibrations.
    #[must_use]
    pub fn bench(&self) -> &BenchSheet {
        &self.bench
    }
}
