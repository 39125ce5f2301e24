//! One valve of a pump sheet, and what contradicts what in it.

use crate::quantity::Dimension;
use crate::read::meant::COIL_OHM;
use crate::read::table::{Allowed, Found, Table};
use crate::sheet::{LossEffect, Valve};

#[derive(Debug)]
pub(super) struct ReadValve {
    pub(super) valve: Valve,
    pub(super) on_loss: Found<LossEffect>,
    pub(super) resistance: Found<f64>,
}

pub(super) fn valve(table: &Table<'_>) -> Option<ReadValve> {
    let open_without_current = table.word("without_current", &[("open", true), ("shut", false)]);
    let on_loss = table.word(
        "rail_on_loss",
        &[("falls", LossEffect::Falls), ("rises", LossEffect::Rises), ("unknown", LossEffect::Unknown)],
    );
    let duty = |key| table.quantity(key, Dimension::Fraction, Allowed::SHARE);
    let (open, shut, check) = (duty("open_duty"), duty("shut_duty"), duty("check_duty"));
    let most = table.quantity("duty_max", Dimension::Fraction, Allowed::SHARE);
    let resistance = table.quantity("resistance_20c", Dimension::Resistance, COIL_OHM);
    for (key, duty) in [("open_duty", &open), ("shut_duty", &shut), ("check_duty", &check)] {
        below_duty_max(table, key, duty.as_ref(), most.as_ref());
    }
    if let Some(check) = &check
        && check.value == 0.0
    {
        table.fault(check.span.clone(), "check_duty is 0 %, which measures nothing", "15 % to 25 % is usual");
    }
    let (open_without, open, shut) = (open_without_current?, open?, shut?);
    let more_shuts = shut.value > open.value;
    if more_shuts != open_without.value {
        let (word, wants) = if open_without.value { ("open", "above") } else { ("shut", "below") };
        table.fault(
            shut.span,
            format!(
                "shut_duty ({}) must be {wants} open_duty ({}) in a valve that is {word} without current",
                Dimension::Fraction.display(shut.value),
                Dimension::Fraction.display(open.value)
            ),
            "swap the two duties, or correct without_current",
        );
        return None;
    }
    let (on_loss, resistance) = (on_loss?, resistance?);
    Some(ReadValve {
        valve: Valve {
            open_without_current: open_without.value,
            on_loss: on_loss.value,
            open_duty: open.value,
            shut_duty: shut.value,
            duty_max: most?.value,
            check_duty: check?.value,
            resistance_20c_ohm: resistance.value,
        },
        on_loss,
        resistance,
    })
}

pub(super) fn pressure_valve(table: &Table<'_>) -> Option<ReadValve> {
    let read = valve(table)?;
    if !read.valve.open_without_current && read.valve.on_loss == LossEffect::Falls {
        table.fault(
            read.on_loss.span,
            "a pressure valve that is shut without current keeps the rail under pressure when current is lost, \
             but rail_on_loss says that it falls",
            "write rail_on_loss = \"rises\", or \"unknown\" and find out from the maker's data",
        );
        return None;
    }
    Some(read)
}

pub(super) fn below_duty_max(
    table: &Table<'_>,
    key: &str,
    duty: Option<&Found<f64>>,
    most: Option<&Found<f64>>,
) {
    if let (Some(duty), Some(most)) = (duty, most)
        && duty.value > most.value
    {
        let show = |share| Dimension::Fraction.display(share);
        table.fault(
            duty.span.clone(),
            format!("{key} ({}) is above duty_max ({})", show(duty.value), show(most.value)),
            "lower it; raise duty_max only if the maker's data allow it",
        );
    }
}
