//! Pressure in the shut rail with the drive off: what leaks away, and how fast.
//!
//! The rail is pressed up with the pressure valve holding, then the drive goes off and the valve
//! goes on holding: a valve that is open without current would empty the rail otherwise.

use super::{Conclusion, Evidence, Expected, Phase, Planned, Rig, Step, rail_gain, rail_pressures_pa};
use crate::quantity::Dimension;
use crate::recording::Window;
use crate::sheet::BenchSheet;
use stepwell_analysis::{Input, leak};
use stepwell_protocol::channel::{Channel, Coil};

#[derive(Debug)]
pub(super) struct LeakDown {
    pub(super) watch_s: f64,
}

/// The shaft coasts and the fluid settles this long before the fall is watched, in ms.
const SETTLE_MS: u32 = 1_500;

/// Air that is left dissolves under pressure, within some ten seconds, and makes the rail give way as a leak
/// does. While the pressure stays above this share of what it was, there is time to let it: the fall is then
/// watched over the second half of the stretch only.
const LASTING_SHARE: f64 = 0.5;

/// The rail must have been pressed up within this time, in s.
const PRESS_UP_S_MAX: f64 = 5.0;

/// The drive comes up to speed with the rail still open, in s.
const SPIN_UP_S: f64 = 1.0;

impl Step for LeakDown {
    fn phases(&mut self, rig: &Rig<'_>) -> Vec<Phase> {
        let Some(target_pa) = rig.pump.points.leak_down_pa else { return Vec::new() };
        let shut = rig.pump.pressure_valve.map_or(0.0, |valve| valve.shut_duty);
        let spin = Planned::open("spin up", SPIN_UP_S, rig.pump).fed(rig.pump).driven(rig.pump);
        let hold =
            |label, seconds| Planned::open(label, seconds, rig.pump).duty(Coil::Pressure, shut).dump_shut();
        vec![Phase::Chain(vec![
            spin,
            hold("press up", PRESS_UP_S_MAX)
                .fed(rig.pump)
                .driven(rig.pump)
                .until_rail_above(target_pa, rig.calibration),
            hold("leak-down", self.watch_s),
        ])]
    }

    fn expects(&self, rig: &Rig<'_>) -> Vec<Expected> {
        if rig.pump.points.leak_down_pa.is_none() {
            return Vec::new();
        }
        vec![Expected::new(
            "leak_time_constant",
            "Time constant of leak-down",
            Dimension::Time,
            rig.pump.tolerances.leak_time_constant_s,
        )]
    }

    fn conclude(&mut self, rig: &Rig<'_>, evidence: &Evidence<'_>) -> Conclusion {
        let measured = evidence.get("leak-down").and_then(|stretch| {
            let window = watched(rig, &stretch.window);
            let pressure_pa = rail_pressures_pa(rig, &window);
            let time_s: Vec<f64> = (0..pressure_pa.len()).map(|index| index as f64 * 1e-3).collect();
            let bench = rig.calibration.bench();
            let record = leak::LeakDown {
                time_s: &time_s,
                pressure_pa: &pressure_pa,
                stiffening_per_pa: Some(stiffening_per_pa(bench)),
                volume_m3: Some(bench.rail_volume_m3),
                liquid_modulus_pa: Some(bench.fluid_modulus_pa),
                gain: rail_gain(rig),
                zero_u_pa: rig.calibration.rail_zero_u_pa(&window),
            };
            let leak = leak::leak_down(&record).map_err(|reason| reason.to_string())?;
            leak.time_constant_s.map_err(|reason| reason.to_string())
        });
        let findings =
            self.expects(rig).iter().map(|expected| expected.concluded(measured.as_ref())).collect();
        Conclusion { again: false, findings }
    }
}

/// The part of the stretch in which the fall is watched.
fn watched<'a>(rig: &Rig<'_>, stretch: &Window<'a>) -> Window<'a> {
    const LEVEL_MS: u32 = 100;
    let half_ms = stretch.len_ms() / 2;
    let at_pa = |ms: u32| {
        let level = stretch.part(ms, LEVEL_MS);
        rig.calibration.rail_pa(level.mean_counts(Channel::RailPressure))
    };
    if half_ms > SETTLE_MS && at_pa(half_ms) > LASTING_SHARE * at_pa(SETTLE_MS) {
        stretch.part(half_ms, u32::MAX)
    } else {
        stretch.part(SETTLE_MS, u32::MAX)
    }
}

/// Rise of the modulus with pressure over the modulus at atmospheric pressure, 1/Pa.
fn stiffening_per_pa(bench: &BenchSheet) -> Input {
    let (slope, modulus) = (bench.fluid_modulus_slope, bench.fluid_modulus_pa);
    let value = slope.value / modulus.value;
    let by_modulus = value * modulus.standard_uncertainty / modulus.value;
    Input::new(value, (slope.standard_uncertainty / modulus.value).hypot(by_modulus))
}
