//! What sensors show of the truth: curves against published values, noise, tolerances, pulses.

use stepwell_plant::adc::{self, ADC_FULL_SCALE_V, ADC_V_PER_COUNT};
use stepwell_plant::constants::ZERO_CELSIUS_K;
use stepwell_plant::noise::{Purpose, Stream};
use stepwell_plant::sensors::{
    CURRENT_GAIN_V_PER_A, PLATINUM_CURRENT_A, PLATINUM_GAIN, SENSOR_SUPPLY_V, SUPPLY_DIVIDER,
    THERMISTOR_PULL_UP_OHM, platinum_ohm, thermistor_ohm,
};
use stepwell_plant::{AnalogChannel, CoilId, Inputs, Plant, Rig};

use crate::support::{STILL, SUPPLIED, TURNING, near, primed, run};

#[test]
fn platinum_curve_is_the_standards() {
    // IEC 60751, table of values for a 100 ohm element, times ten.
    for (celsius, ohm) in
        [(0.0, 1_000.0), (25.0, 1_097.3), (50.0, 1_194.0), (100.0, 1_385.1), (150.0, 1_573.3)]
    {
        near("Pt1000", platinum_ohm(celsius), ohm, 0.06);
    }
}

#[test]
fn thermistor_curve_inverts_its_own_law() {
    // Anchors of the published curve: 2.04 kohm at 25 degC, 5.78 at 0, 71.9 ohm at 140, to their last digit.
    for (celsius, ohm, digit) in [(25.0, 2_040.0, 5.0), (0.0, 5_780.0, 5.0), (140.0, 71.9, 0.1)] {
        near("thermistor", thermistor_ohm(celsius + ZERO_CELSIUS_K), ohm, digit);
    }
    let [a, b, c] = stepwell_plant::sensors::THERMISTOR_STEINHART;
    for celsius in [-40.0, -10.0, 20.0, 60.0, 120.0] {
        let t = celsius + ZERO_CELSIUS_K;
        let l = thermistor_ohm(t).ln();
        near("1/T", a + b * l + c * l * l * l, 1.0 / t, 1e-12);
    }
}

#[test]
fn converter_is_monotone_and_spans_five_volts() {
    assert!((ADC_FULL_SCALE_V - 5.0).abs() < 1e-12);
    assert_eq!(adc::code(-1.0), 0);
    assert_eq!(adc::code(0.0), 0);
    assert_eq!(adc::code(5.0), 4_095);
    assert_eq!(adc::code(9.0), 4_095);
    let mut last = 0;
    for k in 0..50_000 {
        let v = f64::from(k) * 1e-4;
        let code = adc::code(v);
        assert!(code >= last);
        near("code", f64::from(code), v / ADC_V_PER_COUNT, 1.51);
        last = code;
    }
}

#[test]
fn gaussian_has_the_moments_it_claims() {
    let mut stream = Stream::new(1, Purpose::Channel(0));
    let n = 200_000;
    let draws: Vec<f64> = (0..n).map(|_| stream.gaussian()).collect();
    let mean = draws.iter().sum::<f64>() / f64::from(n);
    let variance = draws.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / f64::from(n);
    let fourth = draws.iter().map(|x| (x - mean).powi(4)).sum::<f64>() / f64::from(n);
    // Four standard errors: 1/sqrt(n), sqrt(2/n), sqrt(96/n).
    let per_root = 1.0 / f64::from(n).sqrt();
    near("mean", mean, 0.0, 4.0 * per_root);
    near("variance", variance, 1.0, 4.0 * 2.0_f64.sqrt() * per_root);
    near("kurtosis", fourth / variance.powi(2), 2.85, 4.0 * 96.0_f64.sqrt() * per_root);
}

#[test]
fn every_channel_reads_the_truth_within_its_band() {
    for seed in 0..20 {
        let mut plant = Plant::new(primed(), seed);
        let on = Inputs { inlet_duty_e4: 10_000, pressure_duty_e4: 10_000, ..SUPPLIED };
        run(&mut plant, 2.0, on);
        let mut sums = [0.0; adc::ANALOG_CHANNELS];
        for _ in 0..1_000 {
            plant.step(&on);
            for (sum, code) in sums.iter_mut().zip(plant.conversions()) {
                *sum += f64::from(code) * ADC_V_PER_COUNT / 1_000.0;
            }
        }
        let volts = |channel: AnalogChannel| sums[channel.index()];
        let t = plant.truth();
        // A count and the nonlinearity of one, plus noise averaged over a thousand.
        let floor = 2.0 * ADC_V_PER_COUNT;
        let feed = 0.5 + 4.0 * (t.p2_pa - 101_325.0) / 1e6;
        near("feed, V", volts(AnalogChannel::FeedPressure), feed, floor + 4.0 * 0.003 + 0.003 * feed);
        let rail = 0.5 + 4.0 * (t.p4_pa - 101_325.0) / 200e6;
        near("rail, V", volts(AnalogChannel::RailPressure), rail, floor + 4.0 * 0.003 + 0.003 * rail);
        for (channel, coil) in
            [(AnalogChannel::InletCurrent, t.inlet_coil), (AnalogChannel::PressureCurrent, t.pressure_coil)]
        {
            let v = CURRENT_GAIN_V_PER_A * coil.current_a;
            near("current, V", volts(channel), v, floor + 3e-3 + 3e-3 * v + 2e-3);
        }
        let supply = SUPPLY_DIVIDER * t.supply_v;
        near("supply, V", volts(AnalogChannel::SupplyVoltage), supply, floor + 0.01 * supply);
        let ohm = thermistor_ohm(t.fluid_k);
        let divided = SENSOR_SUPPLY_V * ohm / (ohm + THERMISTOR_PULL_UP_OHM);
        // Half a kelvin at 38 mV/K.
        near("oil, V", volts(AnalogChannel::FluidTemperature), divided, floor + 0.5 * 0.040);
        let body_k = 0.5 * (t.inlet_coil.body_k + t.pressure_coil.body_k);
        let body = platinum_ohm(body_k - ZERO_CELSIUS_K) * PLATINUM_CURRENT_A * PLATINUM_GAIN;
        // 0.3 K, and a lag of 5 s on bodies that warm by some 0.15 K/s.
        near("body, V", volts(AnalogChannel::BodyTemperature), body, floor + (0.3 + 0.75) * 7.9e-3);
    }
}

#[test]
fn examples_differ_between_seeds_and_stay_within_their_bands() {
    let offset_codes = |seed| {
        let mut plant = Plant::new(primed(), seed);
        let mut sum = 0.0;
        for _ in 0..200 {
            plant.step(&STILL);
            sum += f64::from(plant.conversions()[0]);
        }
        sum / 200.0 - 409.5
    };
    let all: Vec<f64> = (0..30).map(offset_codes).collect();
    let span = all.iter().fold(0.0_f64, |m, c| m.max(c.abs()));
    // 0.3 % of 3276 counts, nonlinearity of a count.
    assert!(span < 9.8 + 1.3 + 1.0, "largest offset {span} counts");
    assert!(span > 4.0, "thirty examples all within 0.12 %: {span} counts");
}

#[test]
fn burst_shows_both_edges_of_a_pwm_period() {
    let mut plant = Plant::new(primed(), 0);
    let on = Inputs { pressure_duty_e4: 2_000, ..STILL };
    run(&mut plant, 0.1, on);
    let mut samples = Vec::new();
    for _ in 0..10 {
        plant.step(&on);
        let mut two = [0; 2];
        plant.coil_conversions(CoilId::Pressure, &mut two);
        samples.extend(two.map(|code| f64::from(code) * ADC_V_PER_COUNT));
    }
    // Sample 3 stands at the end of the 200 us on-time, sample 4 50 us into freewheeling: between them the eddy step
    // (12 + 0.7) V/(3.24 + 60) ohm = 0.201 A, less what the amplifier of 16 us still lacks (e^-3 = 4 %), plus the slow
    // fall of the current within 50 us, some 0.005 A. Band: 4 % + noise and offsets cancel + gain 0.3 %.
    near("edge step, A", samples[3] - samples[4], 0.201, 0.04 * 0.201 + 0.005 + 4e-3);
    assert!(samples[..4].windows(2).all(|w| w[1] > w[0]), "rises while on: {samples:?}");
}

#[test]
fn speed_pulses_count_turns_and_time_them() {
    let mut plant = Plant::new(primed(), 0);
    run(&mut plant, 2.0, TURNING);
    let before = plant.speed_pulses();
    run(&mut plant, 2.0, TURNING);
    let after = plant.speed_pulses();
    let hz =
        f64::from(after.count - before.count) / ((after.last_edge_us - before.last_edge_us) as f64 * 1e-6);
    let expected = plant.truth().speed_rad_per_s / (2.0 * std::f64::consts::PI) * 60.0;
    // Edges are timed to 1 us each over 2 s; the speed pulsates by 0.02 %.
    near("pulse rate, Hz", hz, expected, 5e-4 * expected);
    assert!(after.last_edge_us <= plant.time_us());
}

#[test]
fn flow_pulses_measure_the_return() {
    let mut plant = Plant::new(primed(), 0);
    run(&mut plant, 2.0, TURNING);
    let (before, volume) = (plant.flow_pulses(), plant.truth().counters.returned_m3);
    let mut edges = Vec::new();
    for _ in 0..80_000 {
        plant.step(&TURNING);
        let seen = plant.flow_pulses();
        if edges.last() != Some(&seen.last_edge_us) && seen.count > before.count {
            edges.push(seen.last_edge_us);
        }
    }
    let after = plant.flow_pulses();
    let seconds = (after.last_edge_us - before.last_edge_us) as f64 * 1e-6;
    let hz = f64::from(after.count - before.count) / seconds;
    let flow = (plant.truth().counters.returned_m3 - volume) / 8.0;
    // K (q - q_slip); linearity of 0.5 % shaped as a cubic, at an eighth of its scale at most 0.05 %; two edges with
    // 0.5 % of a period of jitter each over 200 periods.
    near("pulse rate, Hz", hz, 1e7 * (flow - 0.01e-6), 0.001 * hz);
    let periods: Vec<f64> = edges.windows(2).map(|w| (w[1] - w[0]) as f64).collect();
    let mean = periods.iter().sum::<f64>() / periods.len() as f64;
    let rms = (periods.iter().map(|p| (p - mean).powi(2)).sum::<f64>() / periods.len() as f64).sqrt();
    assert!(rms > 0.002 * mean, "teeth are slightly irregular: {rms} of {mean} us");
}

#[test]
fn bubbles_make_the_meter_uneven() {
    let unevenness = |bubble_noise: bool| {
        let mut plant = Plant::new(Rig { bubble_noise, ..Rig::default() }, 2);
        run(&mut plant, 12.0, SUPPLIED);
        run(&mut plant, 4.0, TURNING);
        let mut last = plant.flow_pulses();
        let mut periods = Vec::new();
        for _ in 0..40_000 {
            plant.step(&TURNING);
            let seen = plant.flow_pulses();
            if seen.count != last.count {
                periods.push((seen.last_edge_us - last.last_edge_us) as f64);
                last = seen;
            }
        }
        let mean = periods.iter().sum::<f64>() / periods.len() as f64;
        let rms = (periods.iter().map(|p| (p - mean).powi(2)).sum::<f64>() / periods.len() as f64).sqrt();
        rms / mean
    };
    let (with, without) = (unevenness(true), unevenness(false));
    assert!(with > 2.0 * without, "{with} against {without}");
}
