//! Sensors and their wiring: from the truth to a voltage, before the converter.
//!
//! A sensor has a band within which each rig's example errs (drawn once per seed), a lag, noise, and a signal line
//! that may be pulled somewhere else.

use crate::adc;
use crate::constants::ZERO_CELSIUS_K;
use crate::noise::{Purpose, Stream};

/// Supply of the ratiometric sensors and pull-ups, V.
pub const SENSOR_SUPPLY_V: f64 = 5.0;
/// A pressure sensor's output at zero, share of its supply (common practice: 10-90 %).
pub const PRESSURE_ZERO_SHARE: f64 = 0.1;
/// Span of a pressure sensor's output from zero to full scale, share of its supply.
pub const PRESSURE_SPAN_SHARE: f64 = 0.8;
/// What a pressure sensor's electronics can output, V.
pub const PRESSURE_OUTPUT_V: [f64; 2] = [0.05, 4.95];
/// Pull-up of the thermistor to the sensor supply, ohm.
pub const THERMISTOR_PULL_UP_OHM: f64 = 2_200.0;
/// Steinhart-Hart constants of the thermistor, `1/T = A + B ln R + C ln^3 R` (R in ohm, T in K): 2.04 kohm at
/// 25 degC, 5.78 kohm at 0 degC.
pub const THERMISTOR_STEINHART: [f64; 3] = [1.294_80e-3, 2.601_08e-4, 1.740_08e-7];
/// Measuring current of the platinum sensor, A.
pub const PLATINUM_CURRENT_A: f64 = 1e-3;
/// Amplification of the platinum sensor's voltage, 1: 2.0 V at 0 degC, 2.77 V at 100 degC.
pub const PLATINUM_GAIN: f64 = 2.0;
/// Supply voltage divider, 1: 15 V reads 3.0 V.
pub const SUPPLY_DIVIDER: f64 = 1.0 / 5.0;
/// Output of a shunt amplifier, V per A of coil current (50 mohm times 20).
pub const CURRENT_GAIN_V_PER_A: f64 = 1.0;

/// Resistance of the platinum sensor at `celsius` >= 0, ohm: `1000 (1 + 3.9083e-3 t - 5.775e-7 t^2)` (IEC 60751).
pub fn platinum_ohm(celsius: f64) -> f64 {
    1_000.0 * (1.0 + 3.908_3e-3 * celsius - 5.775e-7 * celsius * celsius)
}

/// Resistance of the thermistor at `temperature_k`, ohm: the Steinhart-Hart law solved for `ln R`.
pub fn thermistor_ohm(temperature_k: f64) -> f64 {
    let [a, b, c] = THERMISTOR_STEINHART;
    // y^3 + (B/C) y + (A - 1/T)/C = 0 has one real root, by Cardano.
    let half_q = 0.5 * (a - 1.0 / temperature_k) / c;
    let third_p = b / (3.0 * c);
    let root = libm::sqrt(half_q * half_q + third_p * third_p * third_p);
    libm::exp(libm::cbrt(root - half_q) - libm::cbrt(root + half_q))
}

/// State of a sensor's signal line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Line {
    /// Connected.
    Sound,
    /// Pulled to this voltage, V.
    Pulled(f64),
}

/// What all analog sensors have in common.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SignalParameters {
    /// Time constant, s.
    pub lag_s: f64,
    /// Noise, V rms.
    pub noise_v: f64,
    /// Offset of this channel on top of the example's own, in the sensor's unit.
    pub offset: f64,
    /// Largest offset of an example, in the sensor's unit; each is drawn evenly within it.
    pub offset_band: f64,
    /// Gain error of this channel on top of the example's own, 1.
    pub gain: f64,
    /// Largest gain error of an example, 1; each is drawn evenly within it.
    pub gain_band: f64,
    /// Whether the output is stuck where it is.
    pub held: bool,
    /// State of the line.
    pub line: Line,
}

impl SignalParameters {
    const fn new(lag_s: f64, noise_v: f64, offset_band: f64, gain_band: f64) -> Self {
        Self {
            lag_s,
            noise_v,
            offset: 0.0,
            offset_band,
            gain: 0.0,
            gain_band,
            held: false,
            line: Line::Sound,
        }
    }
}

/// A ratiometric pressure sensor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PressureSensorParameters {
    /// Gauge pressure at full scale, Pa.
    pub full_scale_pa: f64,
    /// Largest drift of an example per kelvin of oil temperature away from the start, share of full scale.
    pub drift_band_per_k: f64,
    /// Signal; its offset is in Pa.
    pub signal: SignalParameters,
}

impl PressureSensorParameters {
    /// Ideal output at `gauge_pa`, V.
    pub fn output_v(&self, gauge_pa: f64) -> f64 {
        SENSOR_SUPPLY_V * (PRESSURE_ZERO_SHARE + PRESSURE_SPAN_SHARE * gauge_pa / self.full_scale_pa)
    }
}

/// The flow meter: pulses per volume, gas counted as volume.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MeterParameters {
    /// Pulses per volume, 1/m3.
    pub pulses_per_m3: f64,
    /// Flow that slips past, m3/s.
    pub slip_m3_per_s: f64,
    /// Flow below which it stands still, m3/s.
    pub standstill_m3_per_s: f64,
    /// Time constant, s.
    pub lag_s: f64,
    /// Irregularity of its teeth, share of a period, rms.
    pub jitter: f64,
    /// Pulses that come without flow, 1/s.
    pub extra_hz: f64,
}

/// All sensors of the rig.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SensorParameters {
    /// Rail pressure.
    pub rail: PressureSensorParameters,
    /// Feed pressure, at the filter outlet.
    pub feed: PressureSensorParameters,
    /// Shunt amplifier of the inlet channel; offset in A.
    pub inlet_current: SignalParameters,
    /// Shunt amplifier of the pressure channel; offset in A.
    pub pressure_current: SignalParameters,
    /// Supply voltage; offset in V.
    pub supply: SignalParameters,
    /// Oil temperature, thermistor; offset in K.
    pub fluid: SignalParameters,
    /// Coil body temperature, platinum, mean of both bodies; offset in K.
    pub body: SignalParameters,
    /// Flow meter in the return.
    pub meter: MeterParameters,
    /// Speed pulses per turn of the drive shaft.
    pub speed_pulses_per_rev: f64,
}

impl Default for SensorParameters {
    fn default() -> Self {
        let current = SignalParameters::new(16e-6, 1e-3, 3e-3, 3e-3);
        Self {
            rail: PressureSensorParameters {
                full_scale_pa: 200e6,
                drift_band_per_k: 2e-4,
                signal: SignalParameters::new(1e-3, 2e-3, 0.003 * 200e6, 3e-3),
            },
            feed: PressureSensorParameters {
                full_scale_pa: 1e6,
                drift_band_per_k: 2e-4,
                signal: SignalParameters::new(1e-3, 2e-3, 0.003 * 1e6, 3e-3),
            },
            inlet_current: current,
            pressure_current: current,
            supply: SignalParameters::new(1e-3, 1e-3, 0.0, 0.01),
            fluid: SignalParameters::new(5.0, 1e-3, 0.5, 0.0),
            body: SignalParameters::new(5.0, 1e-3, 0.3, 0.0),
            meter: MeterParameters {
                pulses_per_m3: 10_000.0 * 1e3,
                slip_m3_per_s: 0.01e-6,
                standstill_m3_per_s: 0.05e-6,
                lag_s: 40e-3,
                jitter: 0.005,
                extra_hz: 0.0,
            },
            speed_pulses_per_rev: 60.0,
        }
    }
}

impl SensorParameters {
    /// The signals in channel order.
    fn signals(&self) -> [&SignalParameters; adc::ANALOG_CHANNELS] {
        [
            &self.rail.signal,
            &self.feed.signal,
            &self.inlet_current,
            &self.pressure_current,
            &self.supply,
            &self.fluid,
            &self.body,
        ]
    }
}

/// How this rig's example of one sensor errs, each within -1..1 of its band.
#[derive(Clone, Copy, Debug, Default)]
struct Error {
    offset: f64,
    gain: f64,
    drift: f64,
}

/// What the sensors see.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Seen {
    /// Rail pressure, Pa gauge.
    pub rail_pa: f64,
    /// Feed pressure, Pa gauge.
    pub feed_pa: f64,
    /// Supply, V.
    pub supply_v: f64,
    /// Oil, K.
    pub fluid_k: f64,
    /// Mean of the coil bodies, K.
    pub body_k: f64,
}

/// Decay of each lag over a step.
#[derive(Clone, Copy, Debug)]
pub struct Lags {
    rail: f64,
    feed: f64,
    supply: f64,
}

impl Lags {
    /// For steps of `dt_s`.
    pub fn new(dt_s: f64, sensors: &SensorParameters) -> Self {
        let share = |lag_s: f64| 1.0 - libm::exp(-dt_s / lag_s);
        Self {
            rail: share(sensors.rail.signal.lag_s),
            feed: share(sensors.feed.signal.lag_s),
            supply: share(sensors.supply.lag_s),
        }
    }
}

/// State of the analog sensors.
#[derive(Clone, Debug)]
pub struct Sensors {
    errors: [Error; adc::ANALOG_CHANNELS],
    noise: [Stream; adc::ANALOG_CHANNELS],
    burst_noise: [Stream; 2],
    /// Lagged truth.
    followed: Seen,
    /// Oil temperature to which drift is referred, K.
    reference_k: f64,
    fluid_v: f64,
    body_v: f64,
}

impl Sensors {
    /// Sensors at rest with what they see; their errors and noise follow from `seed`.
    pub fn new(seed: u64, seen: Seen, sensors: &SensorParameters) -> Self {
        let mut draw = Stream::new(seed, Purpose::Tolerance);
        let errors = core::array::from_fn(|_| Error {
            offset: draw.symmetric(),
            gain: draw.symmetric(),
            drift: draw.symmetric(),
        });
        let mut new = Self {
            errors,
            noise: core::array::from_fn(|k| Stream::new(seed, Purpose::Channel(k))),
            burst_noise: core::array::from_fn(|k| Stream::new(seed, Purpose::Burst(k))),
            followed: seen,
            reference_k: seen.fluid_k,
            fluid_v: 0.0,
            body_v: 0.0,
        };
        new.follow_temperatures(0.0, &seen, sensors);
        new
    }

    /// Lets the quick sensors follow what they see; a held one does not.
    pub fn follow(&mut self, lags: &Lags, seen: &Seen, sensors: &SensorParameters) {
        let follow = |own: &mut f64, share: f64, seen: f64, held: bool| {
            if !held {
                *own += share * (seen - *own);
            }
        };
        follow(&mut self.followed.rail_pa, lags.rail, seen.rail_pa, sensors.rail.signal.held);
        follow(&mut self.followed.feed_pa, lags.feed, seen.feed_pa, sensors.feed.signal.held);
        follow(&mut self.followed.supply_v, lags.supply, seen.supply_v, sensors.supply.held);
    }

    /// The sensor on the body has been at this temperature for long, K.
    pub fn soak_body(&mut self, body_k: f64) {
        self.followed.body_k = body_k;
    }

    /// Lets the temperature sensors follow for `dt_s`; they are slow, so this need not run at every step.
    pub fn follow_temperatures(&mut self, dt_s: f64, seen: &Seen, sensors: &SensorParameters) {
        let [_, _, _, _, _, fluid, body] = self.errors;
        let own = &mut self.followed;
        own.fluid_k += (1.0 - libm::exp(-dt_s / sensors.fluid.lag_s)) * (seen.fluid_k - own.fluid_k);
        own.body_k += (1.0 - libm::exp(-dt_s / sensors.body.lag_s)) * (seen.body_k - own.body_k);
        let ohm =
            thermistor_ohm(own.fluid_k + sensors.fluid.offset + fluid.offset * sensors.fluid.offset_band);
        self.fluid_v = SENSOR_SUPPLY_V * ohm / (ohm + THERMISTOR_PULL_UP_OHM);
        let celsius =
            own.body_k - ZERO_CELSIUS_K + sensors.body.offset + body.offset * sensors.body.offset_band;
        self.body_v = platinum_ohm(celsius) * PLATINUM_CURRENT_A * PLATINUM_GAIN;
    }

    /// One conversion of every channel now; `currents_a` are the outputs of the two shunt amplifiers.
    pub fn conversions(
        &mut self,
        currents_a: [f64; 2],
        sensors: &SensorParameters,
    ) -> [u16; adc::ANALOG_CHANNELS] {
        let [rail, feed, inlet, pressure, supply, _, _] = self.errors;
        let warmer_k = self.followed.fluid_k - self.reference_k;
        let clean_v = [
            pressure_v(&sensors.rail, rail, self.followed.rail_pa, warmer_k),
            pressure_v(&sensors.feed, feed, self.followed.feed_pa, warmer_k),
            current_v(&sensors.inlet_current, inlet, currents_a[0]),
            current_v(&sensors.pressure_current, pressure, currents_a[1]),
            SUPPLY_DIVIDER * with_error(self.followed.supply_v, &sensors.supply, supply),
            self.fluid_v,
            self.body_v,
        ];
        let signals = sensors.signals();
        core::array::from_fn(|k| convert(clean_v[k], signals[k], &mut self.noise[k]))
    }

    /// Conversions of one shunt amplifier at two sub-step instants, with their own noise.
    pub fn burst(&mut self, channel: usize, currents_a: [f64; 2], sensors: &SensorParameters) -> [u16; 2] {
        let place = adc::AnalogChannel::InletCurrent.index() + channel;
        let signal = sensors.signals()[place];
        let error = self.errors[place];
        let noise = &mut self.burst_noise[channel];
        currents_a.map(|amps| convert(current_v(signal, error, amps), signal, noise))
    }
}

fn with_error(value: f64, signal: &SignalParameters, error: Error) -> f64 {
    (value + signal.offset + error.offset * signal.offset_band)
        * (1.0 + signal.gain + error.gain * signal.gain_band)
}

fn pressure_v(sensor: &PressureSensorParameters, error: Error, gauge_pa: f64, warmer_k: f64) -> f64 {
    let drift_pa = error.drift * sensor.drift_band_per_k * warmer_k * sensor.full_scale_pa;
    let [low, high] = PRESSURE_OUTPUT_V;
    sensor.output_v(with_error(gauge_pa + drift_pa, &sensor.signal, error)).clamp(low, high)
}

fn current_v(signal: &SignalParameters, error: Error, amps: f64) -> f64 {
    CURRENT_GAIN_V_PER_A * with_error(amps, signal, error)
}

/// What the converter reads from a signal. One number is drawn whatever the state of the line.
fn convert(clean_v: f64, signal: &SignalParameters, noise: &mut Stream) -> u16 {
    let noise_v = signal.noise_v * noise.gaussian();
    adc::code(match signal.line {
        Line::Sound => clean_v + noise_v,
        Line::Pulled(volts) => volts,
    })
}
