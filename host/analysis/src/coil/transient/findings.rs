//! What the curves of a coil say, with everything that is uncertain about it.

use super::evidence::{self, Candidate};
use super::model::{G, P, Parameters, SHARE, TAU};
use super::readings::Readings;
use super::search::Closest;
use super::settled::settled;
use super::voltage::Prepared;
use super::{CoilFound, CoilRecord, TOO_COARSE};
use crate::coil::CoilTemperature;
use crate::copper;
use crate::reason::Unmeasured;
use crate::uncertainty::Measured;

/// Largest relative standard uncertainty that a resistance or an inductance is stated with: beyond it the
/// curve is no longer straight in its parameters, and an interval from its slopes means nothing.
const RELATIVE_U_MAX: f64 = 0.1;

/// Eddy share that a recording without a jump of the voltage cannot show: anywhere up to this in valve
/// coils (15 ohm and more across 3 ohm, common practice, no source).
const EDDY_SHARE_UNSEEN_MAX: f64 = 0.2;

/// Why a rise that leads elsewhere than to the steady end gives nothing but the resistance of the end.
const OTHER_RISE: Unmeasured = Unmeasured::NoFit {
    curve: "rise of a coil's current",
    why: "it is no exponential that leads to the steady end: the current probe lags, the channels are not sampled \
          together, or the iron saturates",
};

const CURRENT_STEPS: &str = "steps of the current readings";
const VOLTAGE_STEPS: &str = "steps of the voltage readings";

pub(super) fn findings(
    record: &CoilRecord<'_>,
    readings: [&Readings; 2],
    prepared: &Prepared,
    candidates: &[Candidate],
    best: &Candidate,
) -> CoilFound {
    let length_s = record.time_s[record.time_s.len() - 1] - record.time_s[0];
    let stated = |name: fn(&Parameters) -> (f64, Parameters)| {
        let measured = evidence::combined(prepared, candidates, name);
        let most = RELATIVE_U_MAX * measured.value.abs();
        let of_jumps = measured.contributions.iter().find(|part| part.name == evidence::JUMPS);
        if measured.standard_uncertainty() <= most {
            Ok(measured)
        } else if of_jumps.is_some_and(|part| part.standard_uncertainty > most) {
            Err(TOO_COARSE)
        } else {
            let needed_s = 3.0 * best.closest.parameters[TAU];
            if length_s < needed_s {
                let (what, which_is) = ("the recording", "three time constants");
                return Err(Unmeasured::TooShort { what, which_is, found_s: length_s, needed_s });
            }
            let found_percent = 100.0 * (measured.standard_uncertainty() / measured.value).abs();
            Err(Unmeasured::TooUncertain { found_percent, allowed_percent: 100.0 * RELATIVE_U_MAX })
        }
    };
    let mut steps = reading_steps(readings, prepared.rest.is_some());
    if let Some(ohm) = settled(prepared, best, &steps) {
        return from_steady_end(record, &steps, &ohm, curve(record, prepared, &best.closest));
    }
    if prepared.step_v > 0.0 {
        // Counted stretch by stretch.
        steps.retain(|(name, _)| *name != VOLTAGE_STEPS);
    }
    let scaled = |measured: Measured| calibrated(record, &steps, &measured);
    let loop_ohm = stated(|p| {
        let mut by = [0.0; P];
        by[G] = -1.0 / p[G].powi(2);
        (1.0 / p[G], by)
    })
    .map(&scaled);
    let resistance = loop_ohm.map(|ohm| without_leads(record, &ohm));
    // A voltage that sags or ripples passes through a share that no jump shows.
    let held = prepared.drive.jumps.is_empty().then(|| best.closest.moved_by(SHARE));
    let unseen = |measured: Measured, by: fn(&Parameters, &Parameters) -> f64| match &held {
        Some(moved) => {
            let slope = by(&best.closest.parameters, moved);
            measured.with_given("eddy share not seen", slope, EDDY_SHARE_UNSEEN_MAX / 3.0_f64.sqrt())
        }
        None => measured,
    };
    let inductance_h = stated(|p| {
        let slow = 1.0 - p[SHARE];
        let mut by = [0.0; P];
        by[G] = -p[TAU] * slow / p[G].powi(2);
        by[TAU] = slow / p[G];
        by[SHARE] = -p[TAU] / p[G];
        (p[TAU] * slow / p[G], by)
    })
    .map(|henry| {
        scaled(unseen(henry, |p, by| {
            (by[TAU] * (1.0 - p[SHARE]) - p[TAU] - p[TAU] * (1.0 - p[SHARE]) * by[G] / p[G]) / p[G]
        }))
    });
    let tau_s = stated(|p| {
        let mut by = [0.0; P];
        by[TAU] = 1.0;
        (p[TAU], by)
    })
    .map(|tau| {
        // What the last readings are off by moves the end that the rise is thought to go to.
        let value = tau.value;
        steps
            .iter()
            .filter(|(name, _)| *name == CURRENT_STEPS)
            .fold(unseen(tau, |_, by| by[TAU]), |m, (name, relative)| m.with_given(name, value, *relative))
    });
    CoilFound {
        resistance_20c: to_20c(&resistance, record.temperature),
        resistance,
        inductance_h,
        tau_s,
        edge_share: evidence::edge_share(prepared, best),
        curve_a: curve(record, prepared, &best.closest),
        is_from_steady_end: false,
    }
}

/// What is left when the rise and the steady end contradict each other.
fn from_steady_end(
    record: &CoilRecord<'_>,
    steps: &[(&'static str, f64)],
    loop_ohm: &Measured,
    curve_a: Vec<f64>,
) -> CoilFound {
    let resistance = Ok(without_leads(record, &calibrated(record, steps, loop_ohm)));
    CoilFound {
        resistance_20c: to_20c(&resistance, record.temperature),
        resistance,
        inductance_h: Err(OTHER_RISE),
        tau_s: Err(OTHER_RISE),
        edge_share: Err(OTHER_RISE),
        curve_a,
        is_from_steady_end: true,
    }
}

/// A resistance or an inductance in true units, with the steps of the readings and the gains in its budget.
fn calibrated(record: &CoilRecord<'_>, steps: &[(&'static str, f64)], measured: &Measured) -> Measured {
    let gains = record.voltage_gain.value / record.current_gain.value;
    let value = measured.value * gains;
    steps
        .iter()
        .fold(measured.scaled(gains), |m, (name, relative)| m.with_given(name, value, *relative))
        .with_given("current gain", value, record.current_gain.relative_uncertainty())
        .with_given("voltage gain", value, record.voltage_gain.relative_uncertainty())
}

fn without_leads(record: &CoilRecord<'_>, ohm: &Measured) -> Measured {
    let lead = record.lead_ohm;
    ohm.mapped(ohm.value - lead.value, 1.0).with_given("leads", 1.0, lead.standard_uncertainty)
}

/// What the steps of readings (of the current, of the voltage) do to their heights, relative, where noise is
/// too small to smooth the steps out.
pub(super) fn reading_steps(readings: [&Readings; 2], from_rest: bool) -> Vec<(&'static str, f64)> {
    let named = [CURRENT_STEPS, VOLTAGE_STEPS].into_iter().zip(readings);
    named
        .filter(|(_, readings)| readings.unsmoothed_step() > 0.0)
        .map(|(name, readings)| {
            let height = if from_rest { readings.highest - readings.lowest } else { readings.largest() };
            (name, readings.unsmoothed_step() / 12.0_f64.sqrt() / height)
        })
        .collect()
}

pub(super) fn to_20c(
    resistance: &Result<Measured, Unmeasured>,
    temperature: Option<CoilTemperature>,
) -> Result<Measured, Unmeasured> {
    let ohm = resistance.as_ref().map_err(|reason| *reason)?;
    let celsius = temperature
        .ok_or(Unmeasured::NotGiven {
            name: "the temperature of the coil",
            what_to_do: "measure it and state it: 1 K is 0.4 % of a resistance",
        })?
        .celsius;
    let factor = copper::factor_from_20c(celsius.value);
    let per_k = ohm.value * copper::ALPHA_20_PER_K / factor.powi(2);
    Ok(ohm.scaled(1.0 / factor).with_given("coil temperature", per_k, celsius.standard_uncertainty))
}

/// The curve at every sample; straight across those that an edge of the voltage took.
fn curve(record: &CoilRecord<'_>, prepared: &Prepared, closest: &Closest) -> Vec<f64> {
    let mut curve_a = Vec::with_capacity(record.time_s.len());
    let mut last = (record.time_s[0], 0.0);
    prepared.drive.each(&closest.parameters, |k, value, _| {
        let place = prepared.places[k];
        let to_s = record.time_s[place];
        while curve_a.len() < place {
            let share = (record.time_s[curve_a.len()] - last.0) / (to_s - last.0);
            curve_a.push(last.1 + share * (value - last.1));
        }
        curve_a.push(value);
        last = (to_s, value);
    });
    curve_a
}
