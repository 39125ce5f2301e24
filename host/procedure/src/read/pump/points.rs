//! How a pump is tested: speed, duties and pressures, within what valve and guard allow.

use super::valve::{ReadValve, below_duty_max};
use super::{About, WITHOUT, WITHOUT_HELP, below_guard};
use crate::quantity::Dimension;
use crate::read::meant;
use crate::read::table::{Allowed, Found, Table};
use crate::sheet::{TestPoints, Valve};

#[derive(Debug)]
pub(super) struct ReadPoints {
    pub(super) points: TestPoints,
    pub(super) leak_down: bool,
}

pub(super) fn points(table: &Table<'_>, about: &About) -> Option<ReadPoints> {
    let speed = table.quantity("speed", Dimension::Speed, meant::SPEED);
    let build_up = table.quantity("build_up_to", Dimension::Pressure, Allowed::AboveZero);
    below_guard(table, "build_up_to", build_up.as_ref(), about);
    let leak_down = if about.fitted {
        table.quantity("leak_down_from", Dimension::Pressure, Allowed::AboveZero)
    } else {
        table.optional_quantity("leak_down_from", Dimension::Pressure, Allowed::AboveZero)
    };
    below_guard(table, "leak_down_from", leak_down.as_ref(), about);
    let duties = if about.fitted {
        duties(table, about.pressure.as_ref())
    } else {
        refuse_duties(table);
        None
    };
    if about.fitted && duties.is_none() {
        return None;
    }
    Some(ReadPoints {
        points: TestPoints {
            speed_rev_per_s: speed?.value,
            build_up_pa: build_up?.value,
            leak_down_pa: leak_down.map(|from| from.value),
            bias_duty: duties.map(|duties| duties.bias),
            step_duty: duties.map(|duties| duties.step),
            build_up_duty: duties.map(|duties| duties.build_up),
            response_duty: duties.map(|duties| duties.response),
            sweep_duty: duties.map(|duties| duties.sweep),
        },
        leak_down: table.has("leak_down_from"),
    })
}

#[derive(Clone, Copy, Debug)]
struct Duties {
    bias: f64,
    step: f64,
    build_up: f64,
    response: f64,
    sweep: (f64, f64),
}

fn refuse_duties(table: &Table<'_>) {
    for key in ["bias_duty", "step_duty", "build_up_duty", "response_duty", "sweep_duty"] {
        table.refuse(key, WITHOUT, WITHOUT_HELP);
    }
}

fn duties(table: &Table<'_>, valve: Option<&ReadValve>) -> Option<Duties> {
    let duty = |key| table.quantity(key, Dimension::Fraction, Allowed::SHARE);
    let (bias, build_up, response) = (duty("bias_duty"), duty("build_up_duty"), duty("response_duty"));
    let step = table.quantity("step_duty", Dimension::Fraction, Allowed::Between(-1.0, 1.0));
    let sweep = table.inner_table("sweep_duty", "{ from = \"… %\", to = \"… %\" }", |ends| {
        let from = ends.quantity("from", Dimension::Fraction, Allowed::SHARE);
        let to = ends.quantity("to", Dimension::Fraction, Allowed::SHARE);
        Some((from?, to?))
    });
    if let Some(read) = valve {
        let most = Found { value: read.valve.duty_max, span: 0..0 };
        let (from, to) = (sweep.as_ref().map(|ends| &ends.0), sweep.as_ref().map(|ends| &ends.1));
        for (key, duty) in [
            ("bias_duty", bias.as_ref()),
            ("build_up_duty", build_up.as_ref()),
            ("response_duty", response.as_ref()),
            ("from", from),
            ("to", to),
        ] {
            below_duty_max(table, key, duty, Some(&most));
        }
        let rises_with_duty = read.valve.open_without_current;
        step_fits(table, bias.as_ref(), step.as_ref(), &read.valve, rises_with_duty);
        if let (Some(from), Some(to)) = (from, to)
            && (from.value == to.value || (from.value < to.value) != rises_with_duty)
        {
            let order = if rises_with_duty { "rises" } else { "falls" };
            let show = |share| Dimension::Fraction.display(share);
            table.fault(
                from.span.clone(),
                format!(
                    "the sweep begins where pressure is least, and pressure {order} with the duty of this valve: \
                     from {} to {} is out of order",
                    show(from.value),
                    show(to.value)
                ),
                "swap them?",
            );
        }
    }
    let (from, to) = sweep?;
    Some(Duties {
        bias: bias?.value,
        step: step?.value,
        build_up: build_up?.value,
        response: response?.value,
        sweep: (from.value, to.value),
    })
}

fn step_fits(
    table: &Table<'_>,
    bias: Option<&Found<f64>>,
    step: Option<&Found<f64>>,
    valve: &Valve,
    rises_with_duty: bool,
) {
    let Some(step) = step else { return };
    let show = |share| Dimension::Fraction.display(share);
    let wrong_way = if rises_with_duty { step.value <= 0.0 } else { step.value >= 0.0 };
    if wrong_way {
        let (order, wanted) = if rises_with_duty { ("rises", "above") } else { ("falls", "below") };
        table.fault(
            step.span.clone(),
            format!(
                "the step must raise the pressure, and pressure {order} with the duty of this valve: \
                 {} is not {wanted} zero",
                show(step.value)
            ),
            format!("write step_duty = \"{}\"", if rises_with_duty { "5 %" } else { "-5 %" }),
        );
        return;
    }
    let Some(bias) = bias else { return };
    let reached = bias.value + step.value;
    // Duties are resolved to 0.01 %; half of that absorbs the rounding of the sum.
    let slack = 0.5e-4;
    if reached < -slack || reached > valve.duty_max + slack {
        table.fault(
            step.span.clone(),
            format!(
                "bias_duty and step_duty together make {}: 0 % to duty_max ({}) is possible here",
                show(reached),
                show(valve.duty_max)
            ),
            "take a smaller step, or another bias",
        );
    }
}
