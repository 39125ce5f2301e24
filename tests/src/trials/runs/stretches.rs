//! Where in the trace of a run a step's dwells lie.

use crate::Report;
use crate::trace::Moment;
use stepwell_protocol::state::State;

/// The stretches of a step in which dwells run, cut wherever an output changes.
#[must_use]
pub fn dwells<'a>(report: &'a Report, step: &str) -> Vec<&'a [Moment]> {
    report
        .during(step)
        .chunk_by(|a, b| a.state == b.state && outputs(a) == outputs(b))
        .filter(|stretch| stretch[0].state == State::Dwelling)
        .collect()
}

fn outputs(moment: &Moment) -> (u16, u16, bool, u16, bool) {
    let outputs = &moment.outputs;
    (
        outputs.inlet_duty_e4,
        outputs.pressure_duty_e4,
        outputs.supply_on,
        outputs.drive_rpm,
        outputs.dump_closed,
    )
}

/// The last `ms` of a stretch, or all of it.
#[must_use]
pub fn last(stretch: &[Moment], ms: usize) -> &[Moment] {
    &stretch[stretch.len().saturating_sub(ms)..]
}

/// The last stretch and the one before it.
///
/// # Panics
/// When there are not as many.
#[must_use]
pub fn last_two<'a>(stretches: &[&'a [Moment]]) -> (&'a [Moment], &'a [Moment]) {
    let [.., before, after] = stretches else { panic!("{} stretches where two are wanted", stretches.len()) };
    (before, after)
}
