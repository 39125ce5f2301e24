//! Which part of a recording belongs to one step, and when that step was made.

use crate::edges::{Edge, edges};
use crate::reason::{Signal, Unmeasured};
use crate::series::{check_columns, check_finite, spacing_s};
use crate::uncertainty::Input;

/// One step of a recording.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Found {
    /// When it was made, s; `None` when neither a duty column nor an instant tells.
    pub instant_s: Option<Input>,
    /// First sample that belongs to it.
    pub from: usize,
    /// One beyond its last sample.
    pub to: usize,
}

/// Finds the step in the duty column of a recording (any unit), or takes the one at `at_s`, which may be
/// any instant on the recording's own time axis. An edge of the column lies anywhere between the two
/// samples that enclose it; a given instant is taken as exact. Of a recording with several steps the
/// one nearest to `at_s` is meant, and the recording is cut at its neighbours.
///
/// # Errors
/// [`Unmeasured::NoStep`] and [`Unmeasured::SeveralSteps`] for a duty column that holds none, or several
/// while `at_s` is not given; [`Unmeasured::Impossible`] for an `at_s` outside the recording;
/// [`Unmeasured::Unpaired`], [`Unmeasured::NotANumber`], [`Unmeasured::OutOfOrder`],
/// [`Unmeasured::TooFewSamples`].
pub fn find_step(time_s: &[f64], duty: Option<&[f64]>, at_s: Option<f64>) -> Result<Found, Unmeasured> {
    check_finite(time_s)?;
    spacing_s(time_s)?;
    let all = Found { instant_s: at_s.map(Input::exact), from: 0, to: time_s.len() };
    if let Some(at_s) = at_s
        && !(time_s[0]..=time_s[time_s.len() - 1]).contains(&at_s)
    {
        let (name, expected) = ("the instant of the step in s", "within the recording");
        return Err(Unmeasured::Impossible { name, found: at_s, expected });
    }
    let Some(duty) = duty else { return Ok(all) };
    check_columns(time_s, duty, 2)?;
    let found = edges(duty);
    let middle_s = |edge: &Edge| edge.instant_s(time_s).0;
    let chosen = match (found.as_slice(), at_s) {
        ([], None) => return Err(Unmeasured::NoStep { signal: Signal::Duty }),
        ([], Some(_)) => return Ok(all),
        ([_], None) => 0,
        ([first, second, ..], None) => {
            return Err(Unmeasured::SeveralSteps {
                signal: Signal::Duty,
                found: found.len(),
                first_s: middle_s(first),
                second_s: middle_s(second),
            });
        }
        (edges, Some(at_s)) => {
            let away = |k: &usize| (middle_s(&edges[*k]) - at_s).abs();
            (0..edges.len()).min_by(|a, b| away(a).total_cmp(&away(b))).unwrap_or(0)
        }
    };
    let (at, half_width_s) = found[chosen].instant_s(time_s);
    Ok(Found {
        instant_s: Some(at_s.map_or(Input::rectangular(at, half_width_s), Input::exact)),
        from: chosen.checked_sub(1).map_or(0, |k| found[k].first_after),
        to: found.get(chosen + 1).map_or(time_s.len(), |edge| edge.last_before + 1),
    })
}
