//! Inductance of a winding from the ripple of its current under PWM, as a board's burst shows it.
//!
//! The voltage is not recorded, but known: supply while the switch is on, the freewheel drop below zero
//! while it is off. What is not known is when within the burst the switch turns on, and that follows from
//! the current, whose direction changes there. Copper and leads come from the settled mean, by the same volt
//! balance as the resistance of a dwell, so that nothing but gains and the drop enters.
//!
//! **What is meant by the inductance.** Iron saturates and the armature moves, so there is no single one. It
//! is the mean of the incremental inductance dflux/di over the ripple at the end of the burst, when the armature
//! has moved to where the mean current holds it. How far the two halves of that part differ (an armature still
//! moving, a mean current still rising) and how far the current departs from that of a constant inductance
//! (saturation within the ripple) are in its uncertainty.

use super::transient::{RippleFit, RippleShape, fit_ripple};
use crate::reason::{Signal, Unmeasured};
use crate::series::{check_count, check_finite, check_positive};
use crate::stats::mean;
use crate::uncertainty::{Input, Measured};

/// Fewest samples in a PWM period.
pub const RIPPLE_SAMPLES_PER_PERIOD_MIN: usize = 10;

/// Fewest whole PWM periods at the end of the burst.
pub const RIPPLE_PERIODS_MIN: usize = 2;

/// Share of the burst that is given to the current and the armature to settle.
const SETTLING_SHARE: f64 = 0.6;

/// Smallest share of its mean that the current may fall to: below, it has stopped.
const VALLEY_SHARE_MIN: f64 = 0.05;

/// A current at a constant duty around and after its edge.
#[derive(Clone, Copy, Debug)]
pub struct Ripple<'a> {
    /// Coil current, A, evenly sampled, zero removed.
    pub current_a: &'a [f64],
    /// Spacing of the samples, s.
    pub spacing_s: f64,
    /// PWM period, s.
    pub pwm_period_s: f64,
    /// On-fraction, 0 to 1.
    pub duty: f64,
    /// Mean current once settled, A: that of the dwell which the burst begins.
    pub settled_a: f64,
    /// Mean supply voltage, V.
    pub supply_v: f64,
    /// Voltage across the freewheel path, V.
    pub freewheel_drop_v: Input,
    /// True current over reported current, about 1.
    pub current_gain: Input,
    /// True voltage over reported voltage, about 1.
    pub voltage_gain: Input,
}

/// What the ripple tells.
#[derive(Clone, Debug, PartialEq)]
pub struct RippleInductance {
    /// Mean incremental inductance over the ripple, H.
    pub inductance_h: Measured,
    /// Time constant of the loop at that inductance, s.
    pub tau_s: Measured,
    /// Mean current of the part that was used, A.
    pub mean_a: f64,
}

/// Inductance and time constant from the end of a burst.
///
/// # Errors
/// [`Unmeasured::TooFewSamples`] when a period has fewer than [`RIPPLE_SAMPLES_PER_PERIOD_MIN`] or the end
/// of the burst fewer than [`RIPPLE_PERIODS_MIN`] whole periods; [`Unmeasured::BrokenCurrent`] when the current
/// stops within a period; [`Unmeasured::NoCurrent`]; [`Unmeasured::NotANumber`]; [`Unmeasured::Impossible`];
/// [`Unmeasured::NoFit`].
pub fn ripple_inductance(ripple: &Ripple<'_>) -> Result<RippleInductance, Unmeasured> {
    check_finite(ripple.current_a)?;
    check_positive("the spacing of the samples in s", ripple.spacing_s)?;
    check_positive("the PWM period in s", ripple.pwm_period_s)?;
    check_positive("the settled current in A", ripple.settled_a)?;
    check_positive("the supply voltage in V", ripple.supply_v)?;
    if !(ripple.duty > 0.0 && ripple.duty < 1.0) {
        let expected = "above 0 and below 1";
        return Err(Unmeasured::Impossible { name: "the duty of the burst", found: ripple.duty, expected });
    }
    let per_period = ripple.pwm_period_s / ripple.spacing_s;
    check_count(per_period as usize, RIPPLE_SAMPLES_PER_PERIOD_MIN)?;
    let samples = ripple.current_a.len();
    let wanted = (samples as f64 * (1.0 - SETTLING_SHARE) / per_period).floor();
    let periods = wanted.max(RIPPLE_PERIODS_MIN as f64);
    let used = (periods * per_period).round() as usize;
    check_count(samples, used)?;
    let end = &ripple.current_a[samples - used..];
    let mean_a = mean(end);
    if mean_a <= 0.1 * ripple.settled_a {
        return Err(Unmeasured::NoCurrent { found_a: mean_a, needed_a: 0.1 * ripple.settled_a });
    }
    if end.iter().any(|ampere| *ampere < VALLEY_SHARE_MIN * mean_a) {
        return Err(Unmeasured::BrokenCurrent { duty_percent: ripple.duty * 100.0 });
    }
    let nominal = Known {
        drop_v: ripple.freewheel_drop_v.value,
        current_gain: ripple.current_gain.value,
        voltage_gain: ripple.voltage_gain.value,
    };
    let whole = nominal.fit(ripple, end)?;
    let halves = end.split_at(used / 2);
    let [early, late] = [nominal.fit(ripple, halves.0)?, nominal.fit(ripple, halves.1)?];
    let part = |pick: fn(&RippleFit) -> (f64, f64)| -> Result<Measured, Unmeasured> {
        let (value, u) = pick(&whole);
        let apart = pick(&late).0 - pick(&early).0;
        let moved = |known: Known, by: f64| Ok((pick(&known.fit(ripple, end)?).0 - value) / by);
        let by_drop = moved(Known { drop_v: nominal.drop_v + 1e-3, ..nominal }, 1e-3)?;
        let by_current = moved(Known { current_gain: nominal.current_gain * 1.001, ..nominal }, 1e-3)?;
        let by_voltage = moved(Known { voltage_gain: nominal.voltage_gain * 1.001, ..nominal }, 1e-3)?;
        Ok(Measured::new(value)
            .with_scatter("scatter and shape of the ripple", u, whole.degrees_of_freedom)
            .with_given("change during the burst", apart / 2.0, 1.0 / 3.0_f64.sqrt())
            .with_given("freewheel drop", by_drop, ripple.freewheel_drop_v.standard_uncertainty)
            .with_given("current gain", by_current, ripple.current_gain.relative_uncertainty())
            .with_given("voltage gain", by_voltage, ripple.voltage_gain.relative_uncertainty()))
    };
    Ok(RippleInductance {
        inductance_h: part(|fit| fit.inductance_h)?,
        tau_s: part(|fit| fit.tau_s)?,
        mean_a,
    })
}

/// What is given, as it is varied.
#[derive(Clone, Copy, Debug)]
struct Known {
    drop_v: f64,
    current_gain: f64,
    voltage_gain: f64,
}

impl Known {
    fn fit(&self, ripple: &Ripple<'_>, current_a: &[f64]) -> Result<RippleFit, Unmeasured> {
        let on_v = ripple.supply_v * self.voltage_gain;
        let balance_v = ripple.duty * on_v - (1.0 - ripple.duty) * self.drop_v;
        let settled_a = ripple.settled_a * self.current_gain;
        if balance_v <= 0.0 {
            return Err(Unmeasured::BrokenCurrent { duty_percent: ripple.duty * 100.0 });
        }
        let current_a: Vec<f64> = current_a.iter().map(|i| i * self.current_gain).collect();
        fit_ripple(&RippleShape {
            current_a: &current_a,
            spacing_s: ripple.spacing_s,
            period_s: ripple.pwm_period_s,
            duty: ripple.duty,
            on_v,
            off_v: -self.drop_v,
            siemens: settled_a / balance_v,
        })
        .map_err(|reason| match reason {
            Unmeasured::NoStep { .. } => Unmeasured::NoStep { signal: Signal::CoilCurrent },
            other => other,
        })
    }
}
