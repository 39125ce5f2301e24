//! What is wrong with a coil, from its resistance and its inductance together.
//!
//! A resistance alone cannot tell a hot coil from contacts, nor a good coil from a hot one with shorted turns:
//! copper at 80 °C has 1.24 times its resistance at 20 °C, and a fifth of the turns shorted leaves 0.8 times.
//! Inductance goes with the square of the turns, and with neither temperature nor contacts:
//!
//! | resistance at 20 °C | inductance | cause |
//! |---|---|---|
//! | high | as it should be | contacts, or copper warmer than its temperature was thought to be |
//! | low, or as it should be | low | shorted turns |
//! | low | as it should be | copper colder than it was thought to be, or another coil |
//!
//! (Physics; that these are the causes met with is common practice, no source.)

use crate::finding::{Finding, Value, Verdict};
use crate::quantity::Dimension;
use crate::sheet::{Tolerance, Valve};
use stepwell_analysis::copper;

/// Note on a resistance that could not be brought to 20 °C.
pub(super) const TEMPERATURE_UNKNOWN: &str = "coil temperature unknown: not corrected to 20 °C";

/// Where a value lies in its tolerance.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Place {
    Low,
    Inside,
    High,
}

fn place(value: &Value, tolerance: Option<Tolerance>) -> Option<Place> {
    let Tolerance { min, max } = tolerance?;
    Some(if min.is_some_and(|min| value.estimate < min) {
        Place::Low
    } else if max.is_some_and(|max| value.estimate > max) {
        Place::High
    } else {
        Place::Inside
    })
}

/// Puts the cause that both findings point to in front of what to check next. A finding that passes is left as
/// it is.
pub(super) fn put_first(valve: &Valve, resistance: &mut Finding, inductance: &mut Finding) {
    let (Some(ohm), Some(henry)) = (&resistance.value, &inductance.value) else { return };
    let Some(of_inductance) = place(henry, inductance.tolerance) else { return };
    let excess_ohm = ohm.estimate - valve.resistance_20c_ohm;
    let is_out = excess_ohm.abs() > ohm.expanded_uncertainty;
    let unknown = resistance.notes.iter().any(|note| note == TEMPERATURE_UNKNOWN);
    let show = |ohm: f64| Dimension::Resistance.display(ohm);
    let inductance_is_right = "the inductance is as it should be";
    let cause = match of_inductance {
        Place::Low if excess_ohm < 0.0 && is_out => {
            "shorted turns: resistance and inductance are both low; measure the coil alone, connector off"
                .to_owned()
        }
        Place::Low => {
            "shorted turns in a coil that is hot: the inductance is low although the resistance is not; \
                       let the pump stand and measure again"
                .to_owned()
        }
        Place::Inside if excess_ohm > 0.0 && is_out => {
            let celsius = copper::celsius_from_resistance(ohm.estimate, valve.resistance_20c_ohm);
            let contacts = format!(
                "connector or harness: clean and tighten the contacts; {inductance_is_right}, so some {} lie in series with a good coil",
                show(excess_ohm)
            );
            let warm = if unknown {
                format!(
                    "hot coil: {inductance_is_right}, and copper at {celsius:.0} °C would measure like this; let the pump stand and measure again"
                )
            } else {
                format!(
                    "coil {:.0} K hotter than the sensor on the body says: let the pump stand and measure again",
                    celsius - copper::REFERENCE_CELSIUS
                )
            };
            let advice = &mut resistance.check_next;
            advice.retain(|line| {
                !line.starts_with("connector or harness") && !line.starts_with("coil not at body")
            });
            if resistance.verdict != Verdict::Pass {
                let two = if unknown { [warm, contacts] } else { [contacts, warm] };
                advice.splice(0..0, two);
            }
            return;
        }
        Place::Inside if excess_ohm < 0.0 && is_out => {
            "coil colder than was thought, another coil, or some turns shorted: the inductance is within its \
             limits, which does not rule out a few"
                .to_owned()
        }
        Place::Inside | Place::High => return,
    };
    for finding in [resistance, inductance] {
        if finding.verdict != Verdict::Pass {
            finding.check_next.retain(|line| !line.starts_with("shorted turns"));
            finding.check_next.insert(0, cause.clone());
        }
    }
}
