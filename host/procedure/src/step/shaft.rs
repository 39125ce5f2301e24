//! Whether the shaft turns as fast as the drive was asked to turn it. A drive that is too weak, a
//! coupling that slips and a contactor that does not pull in all look like a rig without fuel to
//! everything that comes after.

use super::{Expected, Rig, Stretch};
use crate::causes::{self, Side};
use crate::finding::{Finding, Verdict};
use crate::quantity::Dimension;
use crate::recording::Window;
use crate::sheet::Tolerance;
use stepwell_analysis::uncertainty::Measured;
use stepwell_protocol::channel::Channel;

/// For machines.
pub(super) const ID: &str = "shaft_speed";

/// How far the speed may be from what was asked, as a share (common practice, no source).
pub(crate) const SPEED_WITHIN: f64 = 0.2;

/// The end of a stretch over which the speed is taken, in ms.
const AVERAGE_MS: u32 = 1_000;

/// A stretch that is shorter tells no speed, in ms: pressing up a full rail takes some tens.
const STRETCH_MS_MIN: u32 = 500;

/// What the shaft must do.
pub(super) fn expected(rig: &Rig<'_>) -> Expected {
    let asked = rig.pump.points.speed_rev_per_s;
    let around =
        Tolerance { min: Some(asked * (1.0 - SPEED_WITHIN)), max: Some(asked * (1.0 + SPEED_WITHIN)) };
    Expected::new(ID, "Speed of the shaft", Dimension::Speed, Some(around))
}

/// Why there is no speed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum NoSpeed {
    /// No stretch tells any.
    Untold,
    /// The sensor gave no pulse in so many seconds of drive: the shaft stands, or the sensor is dead.
    NoPulse { gate_s: f64 },
}

/// The slowest that the shaft was at the end of any of these stretches.
pub(super) fn slowest<'a>(
    rig: &Rig<'_>,
    stretches: impl Iterator<Item = &'a Stretch<'a>>,
) -> Result<Measured, NoSpeed> {
    let mut slowest: Result<Measured, NoSpeed> = Err(NoSpeed::Untold);
    for stretch in stretches.filter(|stretch| stretch.window.len_ms() >= STRETCH_MS_MIN) {
        let found = speed(rig, &stretch.window.last(AVERAGE_MS))?;
        if slowest.as_ref().map_or(true, |least| found.value < least.value) {
            slowest = Ok(found);
        }
    }
    slowest
}

/// Speed by counting pulses; one pulse more or less at the ends, spread evenly: 1/√3
/// (JCGM 100:2008, 4.3.7).
fn speed(rig: &Rig<'_>, window: &Window<'_>) -> Result<Measured, NoSpeed> {
    let rev_per_s = rev_per_s(rig.calibration.bench().speed_pulses_per_rev, window)
        .ok_or(NoSpeed::NoPulse { gate_s: seconds(window) })?;
    let one_pulse = one_pulse_rev_per_s(rig, seconds(window));
    Ok(Measured::new(rev_per_s).with_given(
        "one pulse at the ends of the gate",
        one_pulse,
        1.0 / 3.0_f64.sqrt(),
    ))
}

/// The speed at which one pulse comes in `gate_s`.
fn one_pulse_rev_per_s(rig: &Rig<'_>, gate_s: f64) -> f64 {
    1.0 / (rig.calibration.bench().speed_pulses_per_rev * gate_s)
}

fn seconds(window: &Window<'_>) -> f64 {
    f64::from(window.len_ms()) * 1e-3
}

/// Revolutions per second in a window, by its pulses; none when there were none.
pub(crate) fn rev_per_s(pulses_per_rev: f64, window: &Window<'_>) -> Option<f64> {
    let pulses = window.pulses(Channel::SpeedCount);
    (pulses > 0).then(|| f64::from(pulses) / (pulses_per_rev * seconds(window)))
}

/// What a pump takes in during a stretch, if it turns as the shaft does and fills, in m³.
pub(super) fn taken_in_m3(rig: &Rig<'_>, stretch: &Stretch<'_>) -> f64 {
    let revolutions =
        f64::from(stretch.window.pulses(Channel::SpeedCount)) / rig.calibration.bench().speed_pulses_per_rev;
    revolutions * rig.pump.displacement_m3_per_rev
}

/// What is to be said of a shaft that turns at `found` where `asked` was wanted, in revolutions per
/// second; or that gave no pulse.
pub(crate) fn too_slow(found: Option<f64>, asked: f64) -> String {
    let show = |rev_per_s| Dimension::Speed.display(rev_per_s);
    match found {
        Some(found) => {
            format!(
                "the shaft turns at {}, {} asked: drive, coupling or its supply",
                show(found),
                show(asked)
            )
        }
        None => format!("the shaft gave no pulse, {} asked: drive, coupling or speed sensor", show(asked)),
    }
}

/// The finding, with what was asked beside what was found. Without a pulse there is no speed, but a bound
/// of it, and that may be enough to fail.
pub(super) fn finding(rig: &Rig<'_>, expected: &Expected, speed: Result<&Measured, &NoSpeed>) -> Finding {
    match speed {
        Ok(speed) => {
            let mut finding = expected.measured(speed);
            if finding.verdict != Verdict::Pass {
                finding.notes.push(too_slow(Some(speed.value), rig.pump.points.speed_rev_per_s));
            }
            finding
        }
        Err(NoSpeed::Untold) => {
            let why = "telemetry of this stretch has a gap or is missing; check the link and run again";
            expected.unmeasured(why.to_owned(), Vec::new())
        }
        Err(&NoSpeed::NoPulse { gate_s }) => {
            let most = one_pulse_rev_per_s(rig, gate_s);
            let silent = too_slow(None, rig.pump.points.speed_rev_per_s);
            let bound = expected.dimension.display(most);
            let why = format!("{silent} ({gate_s:.1} s of drive without one: at most {bound})");
            let mut finding = expected.unmeasured(why, causes::check_next(ID, Side::Absent));
            if expected.tolerance.and_then(|tolerance| tolerance.min).is_some_and(|min| most < min) {
                finding.verdict = Verdict::Fail;
            }
            finding
        }
    }
}
