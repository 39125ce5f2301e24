//! Faults as data: a kind, a severity, a time. A fault changes parameters at its onset and nothing else; at its end
//! the healthy parameters are back. The physics knows no faults.

use crate::coil::{CoilParameters, OPEN_OHM, Switch};
use crate::rig::Rig;
use crate::sensors::{Line, SENSOR_SUPPLY_V};

macro_rules! fault_kinds {
    ($($kind:ident $name:literal $describe:literal;)*) => {
        /// What can be wrong with the rig. The documentation of each is what [`FaultKind::describe`] returns.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
        pub enum FaultKind {
            $(#[doc = $describe] $kind,)*
        }

        impl FaultKind {
            /// All of them.
            pub const ALL: &'static [Self] = &[$(Self::$kind,)*];

            /// Name in files and on the command line.
            pub const fn name(self) -> &'static str {
                match self { $(Self::$kind => $name,)* }
            }

            /// What it is, with its size at severity 1.
            pub const fn describe(self) -> &'static str {
                match self { $(Self::$kind => $describe,)* }
            }
        }
    };
}

fault_kinds! {
    InletCoilOpen "inlet-coil-open" "Inlet valve coil open circuit (any severity above 0).";
    PressureCoilOpen "pressure-coil-open" "Pressure valve coil open circuit (any severity above 0).";
    InletCoilShortedTurns "inlet-coil-shorted-turns" "20 % of the inlet coil's turns shorted; in proportion.";
    PressureCoilShortedTurns "pressure-coil-shorted-turns" "20 % of the pressure coil's turns shorted; in proportion.";
    InletConnectorResistance "inlet-connector-resistance" "1.5 ohm in the inlet valve's connector; in proportion.";
    PressureConnectorResistance "pressure-connector-resistance" "1.5 ohm in the pressure valve's connector; in proportion.";
    InletCoilShort "inlet-coil-short" "Inlet coil shorted down to 0.1 ohm; the share of shorted turns in proportion.";
    PressureCoilShort "pressure-coil-short" "Pressure coil shorted down to 0.1 ohm; the share of shorted turns in proportion.";
    InletSwitchStuckOn "inlet-switch-stuck-on" "Inlet valve line shorted to ground: always on (any severity above 0).";
    PressureSwitchStuckOn "pressure-switch-stuck-on" "Pressure valve line shorted to ground: always on (any severity above 0).";
    StickingInletValve "sticking-inlet-valve" "Inlet spool friction 3 N sliding, 4 N from rest; in proportion.";
    StickingPressureValve "sticking-pressure-valve" "Pressure poppet friction 4 N sliding, 5 N from rest; in proportion.";
    WeakInletSpring "weak-inlet-spring" "Inlet spring down to 1.1 N and 4000 N/m; in proportion.";
    WeakPressureSpring "weak-pressure-spring" "Pressure valve spring down to half its force and rate; in proportion.";
    PressureValveJammedShut "pressure-valve-jammed-shut" "Pressure valve's poppet jammed on its seat (any severity above 0).";
    BlockedFilter "blocked-filter" "Filter resistance 401 times the clean one; the excess in proportion.";
    AirIngress "air-ingress" "5 % air in what is drawn from the tank, and the filter bleed shut; both in proportion.";
    WornPump "worn-pump" "Plunger leak 60 times that of a new pump; the excess in proportion.";
    WeakDrive "weak-drive" "Drive torque limit down by 13.5 N m, to 1.5 N m; in proportion.";
    LeakingSeat "leaking-seat" "Pressure valve seat leaves 0.03 mm2 open; in proportion.";
    RailLeak "rail-leak" "Rail leak 20 times the healthy one; the excess in proportion.";
    LowSupplyVoltage "low-supply-voltage" "Supply 3 V low, at 9 V; in proportion.";
    HighSupplyVoltage "high-supply-voltage" "Supply 4 V high, at 16 V; in proportion.";
    ConnectorsSwapped "connectors-swapped" "The two valve connectors on each other's valve (any severity above 0).";
    RailSensorOpen "rail-sensor-open" "Rail sensor line open, pulled to 0 V (any severity above 0).";
    RailSensorShort "rail-sensor-short" "Rail sensor line shorted to its 5 V supply (any severity above 0).";
    RailSensorStuck "rail-sensor-stuck" "Rail sensor output stuck where it is, without noise (any severity above 0).";
    RailSensorOffset "rail-sensor-offset" "Rail sensor reads 4 MPa too much; in proportion.";
    RailSensorLow "rail-sensor-low" "Rail sensor shows half of the pressure; the share not shown in proportion.";
    RailSensorSlow "rail-sensor-slow" "Rail sensor follows a second late; in proportion.";
    RailSensorNoisy "rail-sensor-noisy" "Rail sensor noise 20 times the healthy one; the excess in proportion.";
    FeedSensorOpen "feed-sensor-open" "Feed pressure sensor line open, pulled to 0 V (any severity above 0).";
    SpeedSensorDead "speed-sensor-dead" "Speed sensor gives no pulses (any severity above 0).";
    FlowMeterDead "flow-meter-dead" "Flow meter loses its pulses; the share lost in proportion, all at 1.";
    FlowMeterExtraPulses "flow-meter-extra-pulses" "50 flow-meter pulses a second come by themselves; in proportion.";
    FluidThermistorOpen "fluid-thermistor-open" "Oil thermistor open, pulled to 5 V (any severity above 0).";
    FluidThermistorShort "fluid-thermistor-short" "Oil thermistor shorted, 0 V (any severity above 0).";
    EmptyTank "empty-tank" "The feed draws air from the tank, and the level contact says so; the share of air in proportion.";
    TankContactStuck "tank-contact-stuck" "The feed draws air from the tank, and the level contact says full; the share of air in proportion.";
    DriveStartsByItself "drive-starts-by-itself" "Drive contactor closes by itself: it turns at 250 rpm or more, asked or not (any severity above 0).";
    DriveWireOpen "drive-wire-open" "Wire to the drive's relay open: the drive gets no power (any severity above 0).";
    SupplyWireOpen "supply-wire-open" "Wire to the supply pump's relay open: it gets no power (any severity above 0).";
    DumpWireOpen "dump-wire-open" "Wire to the dump's relay open: it gets no power and stays open (any severity above 0).";
    DriveRunsOn "drive-runs-on" "Drive contactor welded: once it turns, it turns on (any severity above 0).";
    BrokenCoupling "broken-coupling" "The drive turns, the pump does not (any severity above 0).";
    DeadPlunger "dead-plunger" "The inlet check of one plunger stays shut; its lost area in proportion.";
    DumpStuckOpen "dump-stuck-open" "Dump stuck open; the share of its area in proportion.";
    DumpStuckShut "dump-stuck-shut" "Dump stuck shut (any severity above 0).";
    ReturnPinched "return-pinched" "Return line resistance 500000 times the healthy one; 500000 to the power of severity.";
    StopChainOpen "stop-chain-open" "Stop chain open: drive and dump lose their power (any severity above 0).";
    StopChainContactStuck "stop-chain-contact-stuck" "Stop chain open, so that drive and dump lose their power, and the contact to the board says closed (any severity above 0).";
    GuardOpen "guard-open" "Guard open (any severity above 0).";
    GuardContactStuck "guard-contact-stuck" "Guard open, and its contact says shut (any severity above 0).";
    HotFluid "hot-fluid" "Oil heats towards 50 K above normal within half a minute; in proportion.";
    InletCurrentSensorOffset "inlet-current-sensor-offset" "Inlet shunt amplifier reads 0.15 A too much; in proportion.";
    PressureCurrentSensorOffset "pressure-current-sensor-offset" "Pressure shunt amplifier reads 0.15 A too much; in proportion.";
    HotCoils "hot-coils" "Both coils and their bodies held 55 K above ambient (80 degC at 25), as just off a hot engine; in proportion.";
    BodySensorOpen "body-sensor-open" "Sensor on the pump's body open, pulled to 5 V (any severity above 0).";
    IntermittentContact "intermittent-contact" "Pressure valve's connector breaks 5 times a second, open half of the time; in proportion.";
}

impl FaultKind {
    /// The kind with this name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|kind| kind.name() == name)
    }
}

/// Severity of the description, and a good first choice.
pub const SEVERITY_DEFAULT: f64 = 1.0;
/// Largest severity; more is taken as this. Each fault also stops at what is physically possible.
pub const SEVERITY_MAX: f64 = 4.0;

/// A fault with its time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fault {
    /// What is wrong.
    pub kind: FaultKind,
    /// How much, 0..=[`SEVERITY_MAX`]; 1 is what [`FaultKind::describe`] says. Not-a-number counts as 0.
    pub severity: f64,
    /// From when on, plant time in us.
    pub onset_us: u64,
    /// Until when, plant time in us; `None` for good.
    pub end_us: Option<u64>,
}

impl Fault {
    /// Whether it acts at `time_us`.
    pub fn acts_at(&self, time_us: u64) -> bool {
        time_us >= self.onset_us && self.end_us.is_none_or(|end| time_us < end)
    }
}

/// All faults injected so far, one of each kind.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Schedule {
    faults: [Option<Fault>; FaultKind::ALL.len()],
    next_change_us: u64,
}

impl Schedule {
    pub(crate) fn new() -> Self {
        Self { faults: [None; FaultKind::ALL.len()], next_change_us: u64::MAX }
    }

    /// Adds a fault; one of the same kind is replaced.
    pub(crate) fn inject(&mut self, fault: Fault) {
        self.faults[fault.kind as usize] = Some(fault);
        self.next_change_us = 0;
    }

    /// When the set of acting faults may next change, us.
    pub(crate) fn next_change_us(&self) -> u64 {
        self.next_change_us
    }

    /// The rig as it is at `time_us`.
    pub(crate) fn apply(&mut self, time_us: u64, healthy: &Rig) -> Rig {
        let mut rig = *healthy;
        self.next_change_us = u64::MAX;
        for fault in self.faults.iter().flatten() {
            if fault.acts_at(time_us) {
                apply(fault.kind, fault.severity, &mut rig);
            }
            for edge in [Some(fault.onset_us), fault.end_us].into_iter().flatten() {
                if edge > time_us {
                    self.next_change_us = self.next_change_us.min(edge);
                }
            }
        }
        rig
    }
}

/// Goes from `healthy` to `faulty` with severity.
fn toward(healthy: f64, faulty: f64, severity: f64) -> f64 {
    healthy + (faulty - healthy) * severity
}

/// Shorts the share `shorted` of the turns.
fn short_turns(coil: &mut CoilParameters, shorted: f64) {
    const LEAST_LEFT: f64 = 1.0 / 30.0;
    coil.keep_turns((1.0 - shorted).max(LEAST_LEFT));
}

/// Changes the parameters of `rig` as a fault of this kind and severity does.
pub fn apply(kind: FaultKind, severity: f64, rig: &mut Rig) {
    let s = if severity.is_nan() { 0.0 } else { severity.clamp(0.0, SEVERITY_MAX) };
    if s == 0.0 {
        return;
    }
    let at_most_1 = s.min(1.0);
    match kind {
        FaultKind::InletCoilOpen => rig.inlet_coil.resistance_20_ohm = OPEN_OHM,
        FaultKind::PressureCoilOpen => rig.pressure_coil.resistance_20_ohm = OPEN_OHM,
        FaultKind::InletCoilShortedTurns => shorted_turns(&mut rig.inlet_coil, s),
        FaultKind::PressureCoilShortedTurns => shorted_turns(&mut rig.pressure_coil, s),
        FaultKind::InletConnectorResistance => rig.inlet_channel.harness_ohm += 1.5 * s,
        FaultKind::PressureConnectorResistance => rig.pressure_channel.harness_ohm += 1.5 * s,
        FaultKind::InletCoilShort => dead_short(&mut rig.inlet_coil, at_most_1),
        FaultKind::PressureCoilShort => dead_short(&mut rig.pressure_coil, at_most_1),
        FaultKind::InletSwitchStuckOn => rig.inlet_channel.switch = Switch::StuckOn,
        FaultKind::PressureSwitchStuckOn => rig.pressure_channel.switch = Switch::StuckOn,
        FaultKind::StickingInletValve => {
            let friction = &mut rig.inlet_valve.friction;
            friction.sliding_n = toward(friction.sliding_n, 3.0, s);
            friction.static_n = toward(friction.static_n, 4.0, s);
        }
        FaultKind::StickingPressureValve => {
            let friction = &mut rig.pressure_valve.friction;
            friction.sliding_n = toward(friction.sliding_n, 4.0, s);
            friction.static_n = toward(friction.static_n, 5.0, s);
        }
        FaultKind::WeakInletSpring => {
            let valve = &mut rig.inlet_valve;
            valve.preload_n = toward(valve.preload_n, 1.1, s).max(0.0);
            valve.spring_n_per_m = toward(valve.spring_n_per_m, 4_000.0, s).max(0.0);
        }
        FaultKind::WeakPressureSpring => {
            let left = (1.0 - 0.5 * s).max(0.0);
            rig.pressure_valve.opening_n *= left;
            rig.pressure_valve.spring_n_per_m *= left;
        }
        FaultKind::PressureValveJammedShut => rig.pressure_valve.jammed_shut = true,
        FaultKind::BlockedFilter => rig.low.contamination += 400.0 * s,
        FaultKind::AirIngress => {
            rig.feed.gas_share = (rig.feed.gas_share + 0.05 * s).min(1.0);
            rig.low.bleed_area_m2 *= 1.0 - at_most_1;
        }
        FaultKind::WornPump => rig.pump.wear *= 1.0 + 59.0 * s,
        FaultKind::WeakDrive => {
            rig.drive.torque_max_n_m = (rig.drive.torque_max_n_m - 13.5 * s).max(0.0);
        }
        FaultKind::LeakingSeat => rig.pressure_valve.seat_fault_m2 += 0.03e-6 * s,
        FaultKind::RailLeak => rig.rail.leak_m3_per_s_pa *= 1.0 + 19.0 * s,
        FaultKind::LowSupplyVoltage => rig.source.open_v = (rig.source.open_v - 3.0 * s).max(0.0),
        FaultKind::HighSupplyVoltage => rig.source.open_v += 4.0 * s,
        FaultKind::ConnectorsSwapped => rig.connectors_swapped = true,
        FaultKind::RailSensorOpen => rig.sensors.rail.signal.line = Line::Pulled(0.0),
        FaultKind::RailSensorShort => rig.sensors.rail.signal.line = Line::Pulled(SENSOR_SUPPLY_V),
        FaultKind::RailSensorStuck => {
            rig.sensors.rail.signal.held = true;
            rig.sensors.rail.signal.noise_v = 0.0;
        }
        FaultKind::RailSensorOffset => rig.sensors.rail.signal.offset += 4e6 * s,
        FaultKind::RailSensorLow => rig.sensors.rail.signal.gain -= 0.5 * at_most_1,
        FaultKind::RailSensorSlow => rig.sensors.rail.signal.lag_s += s,
        FaultKind::RailSensorNoisy => rig.sensors.rail.signal.noise_v *= 1.0 + 19.0 * s,
        FaultKind::FeedSensorOpen => rig.sensors.feed.signal.line = Line::Pulled(0.0),
        FaultKind::SpeedSensorDead => rig.sensors.speed_pulses_per_rev = 0.0,
        FaultKind::FlowMeterDead => rig.sensors.meter.pulses_per_m3 *= 1.0 - at_most_1,
        FaultKind::FlowMeterExtraPulses => rig.sensors.meter.extra_hz += 50.0 * s,
        FaultKind::FluidThermistorOpen => rig.sensors.fluid.line = Line::Pulled(SENSOR_SUPPLY_V),
        FaultKind::FluidThermistorShort => rig.sensors.fluid.line = Line::Pulled(0.0),
        FaultKind::EmptyTank => {
            rig.feed.gas_share = rig.feed.gas_share.max(at_most_1);
            rig.truly.tank_level_ok = false;
            rig.contacts.tank_level_ok = false;
        }
        FaultKind::TankContactStuck => {
            rig.feed.gas_share = rig.feed.gas_share.max(at_most_1);
            rig.truly.tank_level_ok = false;
        }
        FaultKind::DriveStartsByItself => rig.drive.by_itself_rpm = 250,
        FaultKind::DriveWireOpen => rig.drive.powered = false,
        FaultKind::SupplyWireOpen => rig.feed.powered = false,
        FaultKind::DumpWireOpen => rig.dump.powered = false,
        FaultKind::DriveRunsOn => rig.drive.welded = true,
        FaultKind::BrokenCoupling => rig.drive.coupling = 0.0,
        FaultKind::DeadPlunger => rig.pump.inlet_opening[0] *= 1.0 - at_most_1,
        FaultKind::DumpStuckOpen => rig.dump.jammed_at = Some(at_most_1),
        FaultKind::DumpStuckShut => rig.dump.jammed_at = Some(0.0),
        FaultKind::ReturnPinched => rig.rail.return_pa_s2_per_m6 *= libm::pow(500_000.0, s),
        FaultKind::StopChainOpen => {
            rig.truly.stop_chain_closed = false;
            rig.contacts.stop_chain_closed = false;
            rig.drive.powered = false;
            rig.dump.powered = false;
        }
        FaultKind::StopChainContactStuck => {
            rig.truly.stop_chain_closed = false;
            rig.drive.powered = false;
            rig.dump.powered = false;
        }
        FaultKind::GuardOpen => {
            rig.truly.guard_closed = false;
            rig.contacts.guard_closed = false;
        }
        FaultKind::GuardContactStuck => rig.truly.guard_closed = false,
        FaultKind::HotFluid => {
            rig.tank.bath_k += 50.0 * s;
            rig.tank.bath_s = 10.0;
        }
        FaultKind::InletCurrentSensorOffset => rig.sensors.inlet_current.offset += 0.15 * s,
        FaultKind::PressureCurrentSensorOffset => rig.sensors.pressure_current.offset += 0.15 * s,
        FaultKind::HotCoils => rig.coils_held_k = Some(rig.ambient_k + 55.0 * s),
        FaultKind::BodySensorOpen => rig.sensors.body.line = Line::Pulled(SENSOR_SUPPLY_V),
        FaultKind::IntermittentContact => rig.pressure_channel.contact_breaks_hz += 5.0 * s,
    }
}

/// 20 % of the turns at severity 1; the shorted ones load the flux like an eddy path.
fn shorted_turns(coil: &mut CoilParameters, s: f64) {
    short_turns(coil, 0.2 * s);
    coil.eddy_ohm *= (1.0 - 0.75 * s).max(0.05);
}

/// All but a thirtieth of the turns at severity 1, which leaves 0.1 of 3 ohm and next to no inductance.
fn dead_short(coil: &mut CoilParameters, s: f64) {
    let before = coil.leakage_h;
    short_turns(coil, 29.0 / 30.0 * s);
    coil.eddy_ohm *= coil.leakage_h / before;
}
