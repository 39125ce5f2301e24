//! All parameters of the rig in one value, and defaults for pumps of different make-up.

use crate::coil::{ChannelParameters, CoilParameters};
use crate::drive::DriveParameters;
use crate::feed::FeedParameters;
use crate::fluid::FluidParameters;
use crate::inlet_valve::{InletValveParameters, ValveRest};
use crate::network::LowPressureParameters;
use crate::pressure_valve::PressureValveParameters;
use crate::pump::PumpParameters;
use crate::rail::{OpeningParameters, RailParameters};
use crate::sensors::SensorParameters;
use crate::thermal::CoilHeatParameters;

/// What brings oil to the pump.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Feed {
    /// An electric supply pump on the supply output.
    ElectricSupply,
    /// A transfer pump on the shaft, which primes by turning.
    TransferPump,
    /// A transfer pump on the shaft that cannot prime itself from dry: a hand primer fills the lines.
    HandPrimer,
}

/// What a pump sheet says about a pump, as far as the rig's equations care.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PumpFacts {
    /// Where the inlet valve stands without current.
    pub inlet_valve: ValveRest,
    /// Where the pressure valve stands without current; `None` if the pump has none.
    pub pressure_valve: Option<ValveRest>,
    /// What brings oil to the pump.
    pub feed: Feed,
    /// Displacement, m3/rev.
    pub displacement_m3_per_rev: f64,
}

/// The supply that the coils and the supply pump hang on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SourceParameters {
    /// Open-circuit voltage, V.
    pub open_v: f64,
    /// Source resistance, ohm.
    pub source_ohm: f64,
    /// Share of the drive's current that this source carries: 0 for a drive of its own, 1 for one battery.
    pub drive_share: f64,
}

impl Default for SourceParameters {
    fn default() -> Self {
        Self { open_v: 12.0, source_ohm: 0.02, drive_share: 0.0 }
    }
}

/// The tank and its conditioning, which holds the oil at one temperature.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TankParameters {
    /// Volume, m3.
    pub volume_m3: f64,
    /// Temperature that conditioning aims at, K.
    pub bath_k: f64,
    /// Time constant of conditioning, s.
    pub bath_s: f64,
}

/// Contacts of the rig; true is healthy.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Contacts {
    /// The stop chain is closed. It carries the drive's and the dump's power: open, the drive is off and the dump
    /// opens, whatever is commanded.
    pub stop_chain_closed: bool,
    /// The guard is closed.
    pub guard_closed: bool,
    /// There is oil in the tank.
    pub tank_level_ok: bool,
}

impl Contacts {
    /// Nothing is wrong.
    pub const HEALTHY: Contacts =
        Contacts { stop_chain_closed: true, guard_closed: true, tank_level_ok: true };
}

/// All parameters. `Rig::default()` is a rig with dry lines, an electric supply pump, and a pump with two
/// normally-open valves.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rig {
    /// Oil.
    pub fluid: FluidParameters,
    /// Electrical source.
    pub source: SourceParameters,
    /// Coil of the inlet valve.
    pub inlet_coil: CoilParameters,
    /// Coil of the pressure valve.
    pub pressure_coil: CoilParameters,
    /// Driver channel meant for the inlet valve.
    pub inlet_channel: ChannelParameters,
    /// Driver channel meant for the pressure valve.
    pub pressure_channel: ChannelParameters,
    /// Whether the two connectors are on each other's valve.
    pub connectors_swapped: bool,
    /// Heat of each coil.
    pub coil_heat: CoilHeatParameters,
    /// Temperature at which something outside holds both coils and their bodies, K; `None` when nothing does.
    pub coils_held_k: Option<f64>,
    /// Inlet valve.
    pub inlet_valve: InletValveParameters,
    /// Pressure valve.
    pub pressure_valve: PressureValveParameters,
    /// Feed.
    pub feed: FeedParameters,
    /// Low-pressure side.
    pub low: LowPressureParameters,
    /// Pump.
    pub pump: PumpParameters,
    /// Rail.
    pub rail: RailParameters,
    /// Dump.
    pub dump: OpeningParameters,
    /// Union.
    pub union: OpeningParameters,
    /// Drive.
    pub drive: DriveParameters,
    /// Tank.
    pub tank: TankParameters,
    /// Sensors.
    pub sensors: SensorParameters,
    /// What the contacts say.
    pub contacts: Contacts,
    /// What contacts would say that do not lie.
    pub truly: Contacts,
    /// Ambient temperature, K; coils and drive start there.
    pub ambient_k: f64,
    /// Whether bubbles make flow and delivery irregular.
    pub bubble_noise: bool,
    /// Whether the lines start full of oil instead of air.
    pub primed: bool,
    /// If primed: free air in the rail at the start, m3 at one atmosphere.
    pub initial_rail_air_m3: f64,
    /// If primed: rail pressure at the start, Pa absolute.
    pub initial_rail_pa: f64,
}

impl Default for Rig {
    fn default() -> Self {
        let fluid = FluidParameters::default();
        Self {
            fluid,
            source: SourceParameters::default(),
            inlet_coil: CoilParameters::inlet(),
            pressure_coil: CoilParameters::pressure(),
            inlet_channel: ChannelParameters::inlet(),
            pressure_channel: ChannelParameters::pressure(),
            connectors_swapped: false,
            coil_heat: CoilHeatParameters::default(),
            coils_held_k: None,
            inlet_valve: InletValveParameters::default(),
            pressure_valve: PressureValveParameters::default(),
            feed: FeedParameters::default(),
            low: LowPressureParameters::default(),
            pump: PumpParameters::default(),
            rail: RailParameters::default(),
            dump: OpeningParameters::dump(),
            union: OpeningParameters::union(),
            drive: DriveParameters::default(),
            tank: TankParameters { volume_m3: 10e-3, bath_k: fluid.initial_temperature_k, bath_s: 600.0 },
            sensors: SensorParameters::default(),
            contacts: Contacts::HEALTHY,
            truly: Contacts::HEALTHY,
            ambient_k: 298.15,
            bubble_noise: true,
            primed: false,
            initial_rail_air_m3: 0.0,
            initial_rail_pa: crate::constants::P_ATMOSPHERE_PA,
        }
    }
}

/// Gauge pressure that a normally-closed pressure valve holds without current, Pa.
const NORMALLY_CLOSED_HOLD_PA: f64 = 30e6;
/// Regulator of a transfer pump, Pa gauge.
const TRANSFER_REGULATOR_PA: f64 = 5e5;
/// How well a transfer pump that cannot prime itself moves air, compared with oil.
const UNPRIMED_SHARE: f64 = 0.02;

impl Rig {
    /// Defaults adapted to a pump. The dead volume grows with the displacement.
    pub fn for_pump(facts: &PumpFacts) -> Self {
        let mut rig = Self::default();
        rig.inlet_valve.rest = facts.inlet_valve;
        match facts.pressure_valve {
            Some(ValveRest::Open) => {}
            Some(ValveRest::Closed) => {
                rig.pressure_valve = rig.pressure_valve.normally_closed(NORMALLY_CLOSED_HOLD_PA);
            }
            None => {
                rig.pressure_valve.fitted = false;
                rig.pressure_coil.resistance_20_ohm = crate::coil::OPEN_OHM;
            }
        }
        if facts.feed != Feed::ElectricSupply {
            rig.feed = FeedParameters::transfer();
            rig.low.regulator_pa = TRANSFER_REGULATOR_PA;
        }
        if facts.feed == Feed::HandPrimer {
            rig.feed.dry_share = UNPRIMED_SHARE;
        }
        rig.pump.dead_m3 *= facts.displacement_m3_per_rev / rig.pump.displacement_m3_per_rev;
        rig.pump.displacement_m3_per_rev = facts.displacement_m3_per_rev;
        rig
    }
}
