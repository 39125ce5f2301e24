//! Timed drive on/rest cycles with both valves at their open duty, until the air is gone or the cap
//! is reached.
//!
//! Each cycle ends with a short pressure build-up into the shut rail. Air is soft: the lower the
//! pressure, the more fuel it takes to raise it, and the shape of the rise tells how much air is
//! left. A pump without a pressure valve sends its air out through a union that the operator cracks
//! and closes again before the build-up, whose pressure is bounded by the dwell's early end, by the
//! board's guard and by the rig's dump.
//!
//! The first cycle is also the first time that the rig makes pressure, and so the time to see whether
//! it can let it go: the drive goes off, the dump opens with everything else as it was, and the rail
//! must fall. A staged stop would not show it: there the pressure valve opens too. The shaft must
//! have turned as fast as it was asked to, or nothing that is missing is the fluid's fault. A rig that
//! fails either is not tried again.
//!
//! Ten seconds of drive at most and two cycles at least are common practice, no source.

use super::{
    Conclusion, Evidence, Expected, Phase, Planned, Rig, Step, prime, rail_gain, rail_pressures_pa,
    rail_trace, shaft,
};
use crate::finding::{Finding, Verdict};
use crate::guard::ms;
use crate::quantity::Dimension;
use crate::recording::Window;
use crate::sheet::{AirExit, Tolerance};
use stepwell_analysis::air::{self, BuildUp, InflowRipple};
use stepwell_analysis::stats;
use stepwell_analysis::uncertainty::{Input, Measured};
use stepwell_protocol::channel::Coil;
use stepwell_protocol::dwell::DwellEnd;
use stepwell_protocol::message::HandWork;

/// The build-up takes at most this long, in s; it is taken from the cycle's drive time.
const BUILD_UP_S_MAX: f64 = 1.5;

/// The drive comes up to speed with the dump open before a build-up that starts from standstill, in
/// s.
const SPIN_UP_S: f64 = 1.0;

/// The end of the stretch before the build-up that serves as its base line, in ms.
const BASE_LINE_MS: u32 = 200;

/// The dump has this long to empty the rail, in s: many times what a solenoid takes to open, and a
/// fortieth of what a healthy rail leaks by itself (common practice, no source).
const DUMP_S: f64 = 1.0;

/// Once fuel for this many rails has gone through, what keeps the rail from pressure is no air: twice its
/// volume leaves a seventh of the air even if all of it mixes (exponential wash-out).
const RAILS_MIN: f64 = 2.0;

/// The end of that stretch over which the pressure is averaged, in ms.
const DUMPED_MS: u32 = 200;

#[derive(Debug)]
pub(super) struct Purge {
    on_s: f64,
    rest_s: f64,
    cycles_min: u32,
    cycles_max: u32,
    cycles_done: u32,
    /// Taken in by a pump that turns as the shaft does, over all cycles, in m³.
    taken_in_m3: f64,
    /// Air after each cycle in which it could be measured.
    left: Vec<(u32, Measured)>,
}

impl Purge {
    pub(super) fn new(on_s: f64, rest_s: f64, cycles_min: u32, cycles_max: u32) -> Purge {
        Purge { on_s, rest_s, cycles_min, cycles_max, cycles_done: 0, taken_in_m3: 0.0, left: Vec::new() }
    }

    /// How many more cycles the air would take, from its decay so far.
    fn cycles_needed(&self, rig: &Rig<'_>) -> Option<String> {
        let limit = rig.pump.tolerances.air_fraction.max?;
        let more = air::cycles_needed(&self.left, limit).ok()?.more.value.ceil().max(1.0);
        Some(format!("about {more:.0} more {} at this rate", if more > 1.0 { "cycles" } else { "cycle" }))
    }

    fn cycle(&self, rig: &Rig<'_>) -> Vec<Phase> {
        match (rig.pump.air_exit, rig.pump.points.build_up_duty) {
            (AirExit::PressureValve, Some(duty)) => self.through_pressure_valve(rig, duty),
            _ => self.through_union(rig),
        }
    }

    fn through_pressure_valve(&self, rig: &Rig<'_>, build_up_duty: f64) -> Vec<Phase> {
        let flowing = |label, seconds| {
            Planned::open(label, seconds, rig.pump).fed(rig.pump).driven(rig.pump).dump_shut()
        };
        vec![Phase::Chain(vec![
            flowing("purge", self.on_s - BUILD_UP_S_MAX),
            flowing("build-up", BUILD_UP_S_MAX)
                .duty(Coil::Pressure, build_up_duty)
                .until_rail_above(rig.pump.points.build_up_pa, rig.calibration),
            Planned::open("dump open", DUMP_S, rig.pump).duty(Coil::Pressure, build_up_duty),
        ])]
    }

    fn through_union(&self, rig: &Rig<'_>) -> Vec<Phase> {
        let turning = |label, seconds| Planned::open(label, seconds, rig.pump).fed(rig.pump).driven(rig.pump);
        vec![
            Phase::Ask(prime::CRACK_UNION.to_owned()),
            Phase::Hand(HandWork::UnionCracked),
            Phase::Chain(vec![
                turning("purge", self.on_s - BUILD_UP_S_MAX - SPIN_UP_S)
                    .dump_shut()
                    .until_rail_above(rig.pump.points.build_up_pa, rig.calibration),
            ]),
            Phase::Ask(prime::CLOSE_UNION.to_owned()),
            Phase::Hand(HandWork::UnionClosed),
            Phase::Chain(vec![
                // With the union shut only the dump lets out what the pump delivers: if it does not open,
                // the drive must go off before the rail is full.
                turning("spin up", SPIN_UP_S)
                    .until_rail_above(rig.calibration.bench().rail_low_pa, rig.calibration),
                turning("build-up", BUILD_UP_S_MAX)
                    .dump_shut()
                    .until_rail_above(rig.pump.points.build_up_pa, rig.calibration),
                Planned::open("dump open", DUMP_S, rig.pump),
            ]),
        ]
    }
}

impl Step for Purge {
    fn phases(&mut self, rig: &Rig<'_>) -> Vec<Phase> {
        let mut phases = Vec::new();
        if self.cycles_done > 0 {
            phases.push(Phase::Watch { label: "rest", ms: ms(self.rest_s) });
        }
        phases.extend(self.cycle(rig));
        phases
    }

    fn surely_later(&self, rig: &Rig<'_>) -> Vec<Phase> {
        let cycles = self.cycles_min.saturating_sub(self.cycles_done + 1);
        (0..cycles)
            .flat_map(|_| {
                std::iter::once(Phase::Watch { label: "rest", ms: ms(self.rest_s) }).chain(self.cycle(rig))
            })
            .collect()
    }

    fn expects(&self, rig: &Rig<'_>) -> Vec<Expected> {
        let low = Tolerance { min: None, max: Some(rig.calibration.bench().rail_low_pa) };
        vec![
            shaft::expected(rig),
            Expected::new(
                "air_in_rail",
                "Air left in the rail",
                Dimension::Fraction,
                Some(rig.pump.tolerances.air_fraction),
            ),
            Expected::new(
                "rail_pressure_dumped",
                "Rail pressure with the dump open and all else shut",
                Dimension::Pressure,
                Some(low),
            ),
        ]
    }

    fn conclude(&mut self, rig: &Rig<'_>, evidence: &Evidence<'_>) -> Conclusion {
        self.cycles_done += 1;
        let bench = rig.calibration.bench();
        self.taken_in_m3 +=
            evidence.stretches.iter().map(|stretch| shaft::taken_in_m3(rig, stretch)).sum::<f64>();
        let mut dead = false;
        let built_up = evidence.get("build-up").and_then(|stretch| {
            if stretch.end == DwellEnd::Complete {
                let low_pa = bench.rail_low_pa;
                let highest_pa = rail_pressures_pa(rig, &stretch.window).into_iter().fold(0.0, f64::max);
                dead = highest_pa <= low_pa && self.taken_in_m3 >= RAILS_MIN * bench.rail_volume_m3.value;
                if dead {
                    return Err(format!(
                        "the shaft has turned far enough to fill the rail {RAILS_MIN:.0} times, and the rail never \
                         rose above {}",
                        Dimension::Pressure.display(low_pa)
                    ));
                }
                return Err(format!(
                    "the rail did not reach {} within {BUILD_UP_S_MAX} s of building up",
                    Dimension::Pressure.display(rig.pump.points.build_up_pa)
                ));
            }
            Ok(stretch)
        });
        let air = built_up.clone().and_then(|stretch| {
            let before = match rig.pump.air_exit {
                AirExit::PressureValve => evidence.get("purge")?,
                AirExit::Union => evidence.get("spin up")?,
            };
            measure(rig, &before, &stretch).map_err(|reason| reason.to_string())
        });
        if let Ok(air) = &air {
            self.left.push((self.cycles_done, air.fraction_at_atmosphere.clone()));
        }
        let dumped = built_up.and_then(|_| dumped(rig, &evidence.get("dump open")?.window.last(DUMPED_MS)));
        // Too slow is too slow, whether the fluid holds the shaft back or nothing does.
        let turned = ["purge", "build-up"].map(|label| evidence.get(label));
        let speed = shaft::slowest(rig, turned.iter().flatten());
        let mut findings: Vec<_> = self
            .expects(rig)
            .iter()
            .map(|expected| match expected.id {
                "air_in_rail" => expected.concluded(air.as_ref().map(|air| &air.fraction_at_atmosphere)),
                "rail_pressure_dumped" => expected.concluded(dumped.as_ref()),
                _ => shaft::finding(rig, expected, speed.as_ref()),
            })
            .collect();
        let pass = |id: &str, findings: &[Finding]| {
            findings.iter().any(|finding| finding.id == id && finding.verdict == Verdict::Pass)
        };
        let failed =
            findings.iter().any(|finding| finding.id != "air_in_rail" && finding.verdict == Verdict::Fail);
        let clean = pass("air_in_rail", &findings);
        let again = !failed
            && !dead
            && self.cycles_done < self.cycles_max
            && (!clean || self.cycles_done < self.cycles_min);
        if pass(shaft::ID, &findings) {
            let cycles = format!("after {} of at most {} cycles", self.cycles_done, self.cycles_max);
            for finding in findings.iter_mut().filter(|finding| finding.id == "air_in_rail") {
                finding.notes.push(cycles.clone());
                finding.notes.extend(self.cycles_needed(rig).filter(|_| !clean));
            }
        } else {
            // What a shaft that does not turn fails to press up says nothing of fluid, union or valve.
            for finding in
                findings.iter_mut().filter(|finding| finding.value.is_none() && finding.id != shaft::ID)
            {
                finding.check_next.clear();
            }
        }
        Conclusion { again, findings }
    }
}

/// What is left in the rail.
fn dumped(rig: &Rig<'_>, window: &Window<'_>) -> Result<Measured, String> {
    let series = stats::mean_of_series(&rail_pressures_pa(rig, window)).map_err(|why| why.to_string())?;
    Ok(Measured::new(series.mean)
        .with_scatter("scatter of the readings", series.standard_uncertainty, series.degrees_of_freedom)
        .with_given("zero of the rail sensor", 1.0, rig.calibration.rail_zero_u_pa(window)))
}

/// Gas in fine bubbles is squeezed at the oil's temperature: an exponent of 1, uncertain by this
/// (common practice, no source).
const GAS_EXPONENT_U: f64 = 0.05;

/// Share by which the inflow of a pump with three plungers wavers, and its waves per revolution.
const RIPPLE_AMPLITUDE: f64 = 0.07;
const RIPPLES_PER_REV: f64 = 3.0;

/// The inflow comes on as the way out shuts, in three time constants: about 5 ms of a coil for the
/// pressure valve, about 20 ms for the dump (common practice, no source); in s.
const VALVE_SHUTS_S: f64 = 3.0 * 0.005;
const DUMP_SHUTS_S: f64 = 3.0 * 0.020;

fn measure(
    rig: &Rig<'_>,
    before: &super::Stretch<'_>,
    build_up: &super::Stretch<'_>,
) -> Result<air::Air, stepwell_analysis::Unmeasured> {
    let bench = rig.calibration.bench();
    let (time_s, pressure_pa) = rail_trace(rig, before, BASE_LINE_MS, build_up);
    let by_valve = rig.pump.air_exit == AirExit::PressureValve;
    air::air_fraction(&BuildUp {
        time_s: &time_s,
        pressure_pa: &pressure_pa,
        flow_m3_per_s: None,
        flow_gain: Input::exact(1.0),
        atmosphere_pa: Input::exact(bench.atmosphere_pa),
        liquid_modulus_pa: Some(bench.fluid_modulus_pa),
        modulus_slope: bench.fluid_modulus_slope,
        // The bench sheet's modulus is that of fluid and rail together.
        wall_modulus_pa: f64::INFINITY,
        volume_m3: Some(bench.rail_volume_m3),
        gas_exponent: Input::new(1.0, GAS_EXPONENT_U),
        form: Input::exact(0.0),
        gain: rail_gain(rig),
        zero_u_pa: rig.calibration.rail_zero_u_pa(&build_up.window),
        ripple: Some(InflowRipple {
            period_s: 1.0 / (RIPPLES_PER_REV * rig.pump.points.speed_rev_per_s),
            amplitude: RIPPLE_AMPLITUDE,
        }),
        soft_start_s: Some(if by_valve { VALVE_SHUTS_S } else { DUMP_SHUTS_S }),
    })
}
