//! The shipped sheets and procedures, and what they make of the built-in bench.

use stepwell_plant::{Fault, FaultKind, PumpFacts, ValveRest};
use stepwell_procedure::read;
use stepwell_procedure::run::Plan;
use stepwell_procedure::sheet::{Feed, PumpSheet, Valve};
use stepwell_virtual::Setup;

/// What to run, on what.
#[derive(Clone, Debug)]
pub struct Scenario {
    /// Name of a shipped procedure.
    pub procedure: &'static str,
    /// Name of a shipped pump.
    pub pump: String,
    /// Seed of everything random on the bench.
    pub seed: u64,
    /// Faults, with their severity, from the first tick on.
    pub faults: Vec<(FaultKind, f64)>,
}

impl Scenario {
    /// `procedure` on a healthy `pump`.
    #[must_use]
    pub fn healthy(procedure: &'static str, pump: &str, seed: u64) -> Scenario {
        Scenario { procedure, pump: pump.to_owned(), seed, faults: Vec::new() }
    }

    /// The same with a fault.
    #[must_use]
    pub fn with(mut self, fault: FaultKind, severity: f64) -> Scenario {
        self.faults.push((fault, severity));
        self
    }

    /// What the run is made of.
    ///
    /// # Panics
    /// When a shipped file is not good, or none has that name.
    #[must_use]
    pub fn plan(&self) -> Plan {
        let plan = Plan {
            pump_id: "P-1".to_owned(),
            pump: pump(&self.pump),
            bench: read::bench_sheet("demo.toml", include_str!("../../host/library/benches/demo.toml"))
                .unwrap_or_else(|wrong| panic!("{wrong}")),
            procedure: procedure(self.procedure),
        };
        assert_eq!(read::check_together(&plan.pump, &plan.bench, &plan.procedure), Vec::<String>::new());
        plan
    }

    /// The bench it runs on.
    #[must_use]
    pub fn setup(&self) -> Setup {
        let fault =
            |&(kind, severity): &(FaultKind, f64)| Fault { kind, severity, onset_us: 0, end_us: None };
        Setup {
            pump: facts(&pump(&self.pump)),
            seed: self.seed,
            faults: self.faults.iter().map(fault).collect(),
        }
    }
}

fn pump(name: &str) -> PumpSheet {
    let text = match name {
        "heron" => include_str!("../../host/library/pumps/heron.toml"),
        "dunlin" => include_str!("../../host/library/pumps/dunlin.toml"),
        "plover" => include_str!("../../host/library/pumps/plover.toml"),
        _ => panic!("no shipped pump {name}"),
    };
    read::pump_sheet(name, text).unwrap_or_else(|wrong| panic!("{wrong}"))
}

fn procedure(name: &str) -> stepwell_procedure::procedure::Procedure {
    let text = match name {
        "acceptance" => include_str!("../../host/library/procedures/acceptance.toml"),
        "electrical" => include_str!("../../host/library/procedures/electrical.toml"),
        "fill-and-purge" => include_str!("../../host/library/procedures/fill-and-purge.toml"),
        _ => panic!("no shipped procedure {name}"),
    };
    read::procedure(name, text).unwrap_or_else(|wrong| panic!("{wrong}"))
}

/// The pump of `sheet` as the model of the rig wants it.
pub(crate) fn facts(sheet: &PumpSheet) -> PumpFacts {
    let rest = |valve: &Valve| if valve.open_without_current { ValveRest::Open } else { ValveRest::Closed };
    PumpFacts {
        inlet_valve: rest(&sheet.inlet_valve),
        pressure_valve: sheet.pressure_valve.as_ref().map(rest),
        feed: match sheet.feed {
            Feed::ElectricSupply => stepwell_plant::Feed::ElectricSupply,
            Feed::TransferPump => stepwell_plant::Feed::TransferPump,
            Feed::HandPrimer => stepwell_plant::Feed::HandPrimer,
        },
        displacement_m3_per_rev: sheet.displacement_m3_per_rev,
    }
}
