//! A coil at direct current: its resistance, taken back to before it warmed.

use super::findings::{reading_steps, to_20c};
use super::model::Drive;
use super::readings::Readings;
use super::{CoilFound, CoilRecord};
use crate::reason::{Signal, Unmeasured};
use crate::series::check_count;
use crate::stats::{Line, SERIES_SAMPLES_MIN, line, mean, mean_of_series, variance_inflation};
use crate::uncertainty::Measured;

/// A change of the current by fewer of its standard uncertainties is none.
const CHANGE_UNCERTAINTIES_MIN: f64 = 5.0;

/// A droop that exceeds this many of its own standard uncertainties is warming and no noise.
const DROOP_UNCERTAINTIES_MIN: f64 = 3.0;

/// Largest share by which a winding may warm during a recording for a straight line to describe it.
pub(super) const DROOP_SHARE_MAX: f64 = 0.1;

/// Whether the current is the same in the first and the last third, as far as its noise and the steps of its
/// readings tell.
pub(super) fn is_steady(current_a: &[f64], noise_a: f64, step_a: f64) -> bool {
    let third = current_a.len() / 3;
    let change_a = mean(&current_a[current_a.len() - third..]) - mean(&current_a[..third]);
    change_a.abs() <= CHANGE_UNCERTAINTIES_MIN * noise_a * (2.0 / third as f64).sqrt() + step_a
}

/// Energy taken up to each sample, J in reported units.
pub(super) fn energy_j(drive: &Drive, current_a: &[f64]) -> Vec<f64> {
    energies(&drive.time_s, &drive.voltage_v, current_a)
}

fn energies(time_s: &[f64], voltage_v: &[f64], current_a: &[f64]) -> Vec<f64> {
    let mut energy_j = 0.0;
    let later = (1..time_s.len()).map(|k| {
        let watt = 0.5 * (voltage_v[k] * current_a[k] + voltage_v[k - 1] * current_a[k - 1]);
        energy_j += watt * (time_s[k] - time_s[k - 1]);
        energy_j
    });
    [0.0].into_iter().chain(later).collect()
}

/// Resistance of a recording in which nothing changes but the temperature of the winding.
///
/// What each sample fails to balance, `u = v - R i` at the mean resistance, is noise and the droop of a
/// winding that warms; the energy taken up says how far each sample is from the first.
pub(super) fn steady(record: &CoilRecord<'_>, readings: [&Readings; 2]) -> Result<CoilFound, Unmeasured> {
    let CoilRecord { time_s, voltage_v, current_a, .. } = *record;
    check_count(time_s.len(), SERIES_SAMPLES_MIN)?;
    if [voltage_v, current_a].iter().all(|values| values.iter().all(|value| *value == values[0])) {
        let why = "the readings never move, so they show neither noise nor steps; record with more digits";
        return Err(Unmeasured::NoFit { curve: "resistance", why });
    }
    let (volts, amperes) = (mean(voltage_v), mean(current_a));
    let ohm = volts / amperes;
    let unbalanced_v: Vec<f64> = voltage_v.iter().zip(current_a).map(|(v, i)| v - ohm * i).collect();
    let energy_j = energies(time_s, voltage_v, current_a);
    let droop: Line = line(&energy_j, &unbalanced_v)?;
    let left_v: Vec<f64> = energy_j.iter().zip(&unbalanced_v).map(|(e, u)| u - droop.at(*e)).collect();
    let inflation = variance_inflation(&left_v);
    // With the current's sign: both probes the wrong way round are as good as both the right way.
    let warms = droop.slope * amperes.signum()
        > DROOP_UNCERTAINTIES_MIN * droop.slope_uncertainty() * inflation.sqrt();
    let first_v = droop.at(0.0);
    if warms && first_v.abs() > DROOP_SHARE_MAX * volts.abs() {
        return Err(Unmeasured::NotSettled {
            signal: Signal::CoilCurrent,
            drift_percent: 200.0 * (first_v / volts).abs(),
            allowed_percent: 200.0 * DROOP_SHARE_MAX,
        });
    }
    let (off_v, u_v, freedom) = if warms {
        (first_v, droop.uncertainty_at(0.0) * inflation.sqrt(), droop.degrees_of_freedom() / inflation)
    } else {
        let series = mean_of_series(&unbalanced_v)?;
        (0.0, series.standard_uncertainty, series.degrees_of_freedom)
    };
    let gains = record.voltage_gain.value / record.current_gain.value;
    let loop_ohm = (ohm + off_v / amperes) * gains;
    let measured = reading_steps(readings, false)
        .into_iter()
        .fold(
            Measured::new(loop_ohm - record.lead_ohm.value).with_scatter(
                "scatter of the readings",
                u_v / amperes * gains,
                freedom.max(1.0),
            ),
            |measured, (name, relative)| measured.with_given(name, loop_ohm, relative),
        )
        // A straight line through what bends by the square of the droop is off by a sixth of it at its end.
        .with_given("bend of the droop", loop_ohm / 3.0_f64.sqrt(), (2.0 * off_v / volts).powi(2) / 6.0)
        .with_given("current gain", loop_ohm, record.current_gain.relative_uncertainty())
        .with_given("voltage gain", loop_ohm, record.voltage_gain.relative_uncertainty())
        .with_given("leads", 1.0, record.lead_ohm.standard_uncertainty);
    let resistance = if loop_ohm > 0.0 && measured.standard_uncertainty() < loop_ohm {
        Ok(measured)
    } else {
        let why = if loop_ohm > 0.0 {
            "the readings scatter by more than they show"
        } else {
            "voltage and current have different signs: one of the two probes is the wrong way round"
        };
        Err(Unmeasured::NoFit { curve: "resistance", why })
    };
    let none = Unmeasured::NoStep { signal: Signal::CoilVoltage };
    // What the resistance, warmed by then, would let through.
    let now = |e: f64| ohm + if warms { droop.at(e) / amperes } else { 0.0 };
    let curve_a = voltage_v.iter().zip(&energy_j).map(|(v, e)| v / now(*e)).collect();
    let resistance_20c = to_20c(&resistance, record.temperature);
    Ok(CoilFound {
        resistance,
        resistance_20c,
        inductance_h: Err(none),
        tau_s: Err(none),
        edge_share: Err(none),
        curve_a,
        is_from_steady_end: false,
    })
}
