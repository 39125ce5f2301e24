//! What stands on the built-in bench: the pump that a sheet describes, and the faults asked for.

use crate::cli::ModelArgs;
use crate::failure::Failure;
use crate::library::did_you_mean;
use stepwell_plant::faults::SEVERITY_MAX;
use stepwell_plant::{Fault, FaultKind, PumpFacts, ValveRest};
use stepwell_procedure::sheet::{Feed, PumpSheet, Valve};
use stepwell_virtual::Setup;

/// The built-in bench with the pump of `sheet` on it.
pub(crate) fn setup(sheet: &PumpSheet, model: &ModelArgs) -> Result<Setup, Failure> {
    let rest = |valve: &Valve| if valve.open_without_current { ValveRest::Open } else { ValveRest::Closed };
    let pump = PumpFacts {
        inlet_valve: rest(&sheet.inlet_valve),
        pressure_valve: sheet.pressure_valve.as_ref().map(rest),
        feed: match sheet.feed {
            Feed::ElectricSupply => stepwell_plant::Feed::ElectricSupply,
            Feed::TransferPump => stepwell_plant::Feed::TransferPump,
            Feed::HandPrimer => stepwell_plant::Feed::HandPrimer,
        },
        displacement_m3_per_rev: sheet.displacement_m3_per_rev,
    };
    let faults = model.inject.iter().map(|typed| fault(typed)).collect::<Result<_, _>>()?;
    Ok(Setup { pump, seed: model.seed, faults })
}

/// What the run's record says of the built-in bench.
pub(crate) fn describe(model: &ModelArgs) -> String {
    let faults = if model.inject.is_empty() { "none".to_owned() } else { model.inject.join(", ") };
    format!("built-in bench, seed {}, faults: {faults}", model.seed)
}

/// `FAULT` or `FAULT=SEVERITY`.
fn fault(typed: &str) -> Result<Fault, Failure> {
    let (name, severity) = typed.split_once('=').unwrap_or((typed, "1"));
    let kind = FaultKind::from_name(name).ok_or_else(|| {
        let mut names: Vec<&str> = FaultKind::ALL.iter().map(|kind| kind.name()).collect();
        names.sort_unstable();
        let near = did_you_mean(name, &names);
        Failure::Usage(format!("no fault “{name}”.{near} There are: {}", names.join(", ")))
    })?;
    let severity: f64 = severity.parse().map_err(|_| {
        Failure::Usage(format!(
            "fault “{name}”: the severity “{severity}” is not a number; 1 is fully developed"
        ))
    })?;
    if !(0.0..=SEVERITY_MAX).contains(&severity) {
        return Err(Failure::Usage(format!(
            "fault “{name}”: severity {severity} is outside 0 to {SEVERITY_MAX}"
        )));
    }
    Ok(Fault { kind, severity, onset_us: 0, end_us: None })
}
