//! Resistance of a winding from a steady PWM dwell.
//!
//! Over whole PWM periods in a settled state the inductance takes and gives back equally, so the
//! mean voltage equals the mean current times the resistance: `D Vs - (1 - D) Vd = I R`, exactly,
//! as long as the current never stops within a period. When it does stop the equation gives a
//! number that looks like a coil and is not one; such dwells are refused.

use crate::copper;
use crate::reason::{Signal, Unmeasured};
use crate::series::{check_columns, check_count, check_positive};
use crate::stats::{drift, mean, mean_of_series};
use crate::uncertainty::{Input, Measured};

/// The shortest time constant a valve coil is taken to have, s. Coils of this trade lie between 2
/// and 10 ms (common practice, no source). Used only to prove that current never stops.
pub const TIME_CONSTANT_S_MIN: f64 = 0.002;

/// Fewest whole PWM periods in the settled half of a dwell.
pub const PERIODS_MIN: usize = 20;

/// Largest drift of the current over the settled half that still counts as settled, in per cent.
/// Copper warming by 2.5 K drifts by this much; a current still building up drifts far more.
pub const DRIFT_PERCENT_MAX: f64 = 1.0;

/// How many of its own standard uncertainties a current must amount to before a resistance is
/// computed from it: below, the resistance would be uncertain by more than 10 %.
const CURRENT_UNCERTAINTIES_MIN: f64 = 10.0;

/// Smallest share of the mean that every tick within a PWM period must carry, where ticks are
/// short enough to look into the period. A current that stops shows ticks near zero.
const VALLEY_SHARE_MIN: f64 = 0.05;

/// One coil held at a constant duty, sampled once per tick.
#[derive(Clone, Copy, Debug)]
pub struct SteadyDwell<'a> {
    /// Mean coil current of each tick, A, seen in the freewheel loop (not only while the switch is
    /// on), zero already removed.
    pub current_a: &'a [f64],
    /// Supply voltage at the driver of each tick, V.
    pub supply_v: &'a [f64],
    /// On-fraction, 0 to 1.
    pub duty: f64,
    /// PWM period, s.
    pub pwm_period_s: f64,
    /// Smallest number of ticks that holds a whole number of PWM periods; 1 when a tick does.
    pub ticks_per_pwm_period: usize,
    /// Standard uncertainty of the current zero that was removed, A.
    pub current_zero_u_a: f64,
}

/// What surrounds the winding: everything that is known and is not the coil.
#[derive(Clone, Copy, Debug)]
pub struct CoilCircuit {
    /// Voltage across the freewheel path beyond its share of `lead_ohm`, V.
    pub freewheel_drop_v: Input,
    /// Harness, contacts and shunt in series with the winding, ohm.
    pub lead_ohm: Input,
    /// The switch while it is on, ohm.
    pub switch_on_ohm: Input,
    /// True current over reported current, about 1.
    pub current_gain: Input,
    /// True voltage over reported voltage, about 1.
    pub voltage_gain: Input,
}

/// Temperature of the winding during the dwell.
#[derive(Clone, Copy, Debug)]
pub struct CoilTemperature {
    /// Mean temperature of the copper, degC.
    pub celsius: Input,
}

/// Resistance of a winding.
#[derive(Clone, Debug, PartialEq)]
pub struct Resistance {
    /// As it was during the dwell, ohm.
    pub at_temperature: Measured,
    /// Brought to 20 degC, ohm; `None` when no temperature was known.
    pub at_20c: Option<Measured>,
}

/// Resistance of the winding from the second half of a steady dwell.
///
/// `R = (D Vs - (1 - D) Vd)/I - leads - D Ron`, then IEC 60028 to 20 degC. The switch conducts for
/// the share D of the time, hence its factor; that on-time current is a few per cent above the
/// mean is neglected (a few per cent of `D Ron`, below 1 mohm). Scatter is taken from what each
/// PWM period fails to balance, `U_k - R I_k`, so supply ripple that current follows costs nothing.
///
/// # Errors
/// [`Unmeasured::TooFewSamples`], [`Unmeasured::Unpaired`], [`Unmeasured::NotANumber`] and
/// [`Unmeasured::Impossible`] for an unusable recording; [`Unmeasured::NoCurrent`] for an open
/// circuit; [`Unmeasured::BrokenCurrent`] when the current may stop within a period;
/// [`Unmeasured::NotSettled`] when it still drifts.
pub fn resistance_at_20c(
    dwell: &SteadyDwell<'_>,
    circuit: &CoilCircuit,
    temperature: Option<CoilTemperature>,
) -> Result<Resistance, Unmeasured> {
    check_dwell(dwell)?;
    let periods = settled_periods(dwell)?;
    let gain_i = circuit.current_gain;
    let gain_v = circuit.voltage_gain;
    let duty = dwell.duty;
    let drop_v = circuit.freewheel_drop_v;

    let current = mean_of_series(&periods.current_a)?;
    let current_a = current.mean * gain_i.value;
    let needed_a = CURRENT_UNCERTAINTIES_MIN * dwell.current_zero_u_a.hypot(current.standard_uncertainty);
    if current_a <= needed_a {
        return Err(Unmeasured::NoCurrent { found_a: current_a, needed_a });
    }
    let supply_v = mean(&periods.supply_v) * gain_v.value;
    check_continuous(dwell, supply_v, drop_v.value)?;
    check_valley(dwell, current.mean)?;

    let winding_v = duty * supply_v - (1.0 - duty) * drop_v.value;
    let loop_ohm = winding_v / current_a;
    let unbalanced_v: Vec<f64> = periods
        .supply_v
        .iter()
        .zip(&periods.current_a)
        .map(|(v, i)| duty * v * gain_v.value - loop_ohm * i * gain_i.value)
        .collect();
    let unbalanced = mean_of_series(&unbalanced_v)?;
    let drift = check_settled(&unbalanced_v, winding_v)?;

    let per_ampere = loop_ohm / current_a;
    let at_temperature =
        Measured::new(loop_ohm - circuit.lead_ohm.value - duty * circuit.switch_on_ohm.value)
            .with_scatter(
                "scatter of the dwell",
                unbalanced.standard_uncertainty / current_a,
                unbalanced.degrees_of_freedom,
            )
            // A drift that is accepted leaves the level anywhere within it: rectangular.
            .with_given("drift of the current", loop_ohm / 12.0_f64.sqrt(), drift)
            .with_given("current zero", per_ampere * gain_i.value, dwell.current_zero_u_a)
            .with_given("current gain", loop_ohm, gain_i.relative_uncertainty())
            .with_given("voltage gain", duty * supply_v / current_a, gain_v.relative_uncertainty())
            .with_given("freewheel drop", (1.0 - duty) / current_a, drop_v.standard_uncertainty)
            .with_given("leads", 1.0, circuit.lead_ohm.standard_uncertainty)
            .with_given("switch", duty, circuit.switch_on_ohm.standard_uncertainty);
    let at_20c = temperature.map(|t| to_20c(&at_temperature, t.celsius));
    Ok(Resistance { at_temperature, at_20c })
}

/// The most ohm that a winding can have through which `peak_a` was seen to flow from a supply of at most
/// `supply_v`: no current in a coil rises beyond supply over the loop's resistance, whatever its
/// inductance does. All inputs lean by two standard uncertainties to the side that makes it more. It
/// holds for a current that stops within a period, and for one that is beyond what can be measured.
#[must_use]
pub fn resistance_at_most(peak_a: f64, supply_v: f64, circuit: &CoilCircuit) -> f64 {
    let most = |input: Input| input.value + 2.0 * input.standard_uncertainty;
    let least = |input: Input| input.value - 2.0 * input.standard_uncertainty;
    supply_v * most(circuit.voltage_gain) / (peak_a * least(circuit.current_gain))
        - least(circuit.lead_ohm)
        - least(circuit.switch_on_ohm)
}

/// Divides by copper's factor; the temperature's own uncertainty joins the budget.
fn to_20c(at_temperature: &Measured, celsius: Input) -> Measured {
    let factor = copper::factor_from_20c(celsius.value);
    let value = at_temperature.value / factor;
    at_temperature.scaled(1.0 / factor).with_given(
        "coil temperature",
        value * copper::ALPHA_20_PER_K / factor,
        celsius.standard_uncertainty,
    )
}

fn check_dwell(dwell: &SteadyDwell<'_>) -> Result<(), Unmeasured> {
    check_columns(dwell.current_a, dwell.supply_v, 1)?;
    check_positive("the PWM period in s", dwell.pwm_period_s)?;
    check_positive("the number of ticks per PWM period", dwell.ticks_per_pwm_period as f64)?;
    if dwell.duty > 0.0 && dwell.duty <= 1.0 {
        Ok(())
    } else {
        let expected = "above 0 and at most 1";
        Err(Unmeasured::Impossible { name: "the duty of the dwell", found: dwell.duty, expected })
    }
}

struct Periods {
    current_a: Vec<f64>,
    supply_v: Vec<f64>,
}

/// Means over whole PWM periods of the last half of the dwell. The first half is given to the
/// current for settling, always, so that the choice cannot follow the noise.
fn settled_periods(dwell: &SteadyDwell<'_>) -> Result<Periods, Unmeasured> {
    let ticks = dwell.ticks_per_pwm_period;
    let total = dwell.current_a.len() / ticks;
    let used = total / 2;
    check_count(used * ticks, PERIODS_MIN * ticks)?;
    let from = dwell.current_a.len() - used * ticks;
    let means = |values: &[f64]| values[from..].chunks_exact(ticks).map(mean).collect();
    Ok(Periods { current_a: means(dwell.current_a), supply_v: means(dwell.supply_v) })
}

/// The valley of the ripple stays above zero for every time constant from
/// [`TIME_CONSTANT_S_MIN`] up. For a coil R, L between supply and freewheel drop the valley is
/// `(Vs (1 - a) b - Vd (1 - b))/(R (1 - a b))` with `a = exp(-D T/tau)`, `b = exp(-(1 - D) T/tau)`;
/// its sign does not depend on R, and rises with tau.
fn check_continuous(dwell: &SteadyDwell<'_>, supply_v: f64, drop_v: f64) -> Result<(), Unmeasured> {
    let decays = dwell.pwm_period_s / TIME_CONSTANT_S_MIN;
    let (a, b) = ((-dwell.duty * decays).exp(), (-(1.0 - dwell.duty) * decays).exp());
    if supply_v * (1.0 - a) * b > drop_v * (1.0 - b) {
        return Ok(());
    }
    Err(Unmeasured::BrokenCurrent { duty_percent: dwell.duty * 100.0 })
}

/// Where several ticks fall into one period, none of them may be without current.
fn check_valley(dwell: &SteadyDwell<'_>, mean_a: f64) -> Result<(), Unmeasured> {
    let ticks = dwell.ticks_per_pwm_period;
    let from = dwell.current_a.len() / 2;
    let stops = (0..ticks).any(|phase| {
        let same_phase: Vec<f64> =
            dwell.current_a[from..].iter().skip(phase).step_by(ticks).copied().collect();
        mean(&same_phase) < VALLEY_SHARE_MIN * mean_a
    });
    if stops { Err(Unmeasured::BrokenCurrent { duty_percent: dwell.duty * 100.0 }) } else { Ok(()) }
}

/// Drift over the window of what the periods fail to balance, as a share of the winding's voltage,
/// or the reason when it is too large. A current that builds up shows here; one that follows the
/// supply does not. A drift within three of its own uncertainties is noise and counts as none.
fn check_settled(unbalanced_v: &[f64], winding_v: f64) -> Result<f64, Unmeasured> {
    let drift = drift(unbalanced_v)?;
    let share = (drift.change / winding_v).abs();
    if share * 100.0 > DRIFT_PERCENT_MAX && drift.is_significant() {
        return Err(Unmeasured::NotSettled {
            signal: Signal::CoilCurrent,
            drift_percent: share * 100.0,
            allowed_percent: DRIFT_PERCENT_MAX,
        });
    }
    Ok(if drift.is_significant() { share } else { 0.0 })
}
