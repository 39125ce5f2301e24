//! One case: what is run, on which pump, over what line, and what goes wrong. A case drawn from a seed is
//! that seed's for ever; written out, it can be replayed as it is.

use super::line::Quality;
use super::mishap::{HostMishap, Mishap, PersonMishap, What};
use crate::shipped::Scenario;
use crate::trials::noise::Noise;
use std::fmt;
use stepwell_plant::{FaultKind, Rig};
use stepwell_procedure::read;
use stepwell_procedure::run::Plan;
use stepwell_protocol::message::TripCause;
use stepwell_virtual::ModelRig;

/// What is run.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Length {
    /// Every kind of step that energises something, as short as it can be: some twenty seconds.
    Short,
    /// The shipped acceptance: three minutes.
    Acceptance,
}

impl Length {
    /// Its word in scripts.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Length::Short => "short",
            Length::Acceptance => "acceptance",
        }
    }

    /// Mishaps are drawn to begin within this time, ms, of which so much is work: about what a run takes when
    /// nothing goes wrong.
    const fn usual_ms(self) -> (f64, f64) {
        match self {
            Length::Short => (30_000.0, 13_000.0),
            Length::Acceptance => (250_000.0, 120_000.0),
        }
    }
}

/// One case.
#[derive(Clone, Debug, PartialEq)]
pub struct Case {
    /// What is run.
    pub length: Length,
    /// On which shipped pump.
    pub pump: &'static str,
    /// Seed of the rig, the line, the program's rhythm and the person's.
    pub seed: u64,
    /// How bad the line is all the time.
    pub line: Quality,
    /// What goes wrong.
    pub mishap: Option<Mishap>,
    /// A cause that the board does not trip for: the proof that checkers can fail.
    pub unseen: Option<TripCause>,
}

/// Cases in which nothing goes wrong are drawn so many times as often as one of a mishap, on each kind of line: what
/// comes of them is what the others are compared with.
const CONTROLS: usize = 3;

/// The shipped pumps.
pub const PUMPS: [&str; 3] = ["heron", "dunlin", "plover"];

impl Case {
    /// Nothing goes wrong.
    #[must_use]
    pub fn healthy(length: Length, pump: &'static str, seed: u64) -> Case {
        Case { length, pump, seed, line: Quality::GOOD, mishap: None, unseen: None }
    }

    /// The case of a seed: a bad line, and one thing that goes wrong; or nothing, on that line or a good one.
    /// Every twentieth is a whole acceptance.
    #[must_use]
    pub fn drawn(seed: u64) -> Case {
        let length = if seed.is_multiple_of(20) { Length::Acceptance } else { Length::Short };
        let mut noise = Noise::new(seed ^ 0xCA5E);
        let all: Vec<What> = What::all().collect();
        let pump = PUMPS[noise.uniform(0.0, PUMPS.len() as f64) as usize];
        let place = noise.uniform(0.0, (all.len() + 2 * CONTROLS) as f64) as usize;
        let mishap = all.get(place).map(|what| {
            let mishap = Case::drawn_mishap(*what, length, &mut noise);
            if noise.uniform(0.0, 1.0) < 0.5 { coming_and_going(mishap, &mut noise) } else { mishap }
        });
        let line =
            if (all.len()..all.len() + CONTROLS).contains(&place) { Quality::GOOD } else { Quality::BAD };
        Case { length, pump, seed, line, mishap, unseen: None }
    }

    /// What goes wrong, by its name in tables.
    #[must_use]
    pub fn what(&self) -> &'static str {
        match self.mishap {
            Some(mishap) => mishap.what.name(),
            None if self.line == Quality::GOOD => "nothing, good line",
            None => "nothing",
        }
    }

    /// A mishap of this kind that begins somewhere in a run. What is wrong with the rig stays so.
    pub fn drawn_mishap(what: What, length: Length, noise: &mut Noise) -> Mishap {
        // What happens while nothing is driven is the smaller danger.
        let of_work = noise.uniform(0.0, 1.0) < 0.75;
        let (all_ms, work_ms) = length.usual_ms();
        let onset_ms = noise.uniform(0.0, if of_work { work_ms } else { all_ms }) as u64;
        let for_ms = match what {
            What::Rig(_) | What::Board(_) => 3_600_000,
            // Nobody waits for ever.
            What::Person(PersonMishap::Silent) => noise.log_uniform(1_000.0, 150_000.0) as u64,
            What::Person(_) | What::Host(HostMishap::Mad) => 60_000,
            What::Line(_) | What::Host(_) => noise.log_uniform(50.0, 30_000.0) as u64,
        };
        let for_ms = if what == What::Board(super::mishap::BoardMishap::PowerLost) {
            noise.log_uniform(5.0, 5_000.0) as u64
        } else {
            for_ms
        };
        let severity = noise.log_uniform(0.1, 1.0);
        Mishap { what, onset_ms, of_work, for_ms, severity: (severity * 1e3).round() / 1e3 }
    }

    /// What the run is made of.
    ///
    /// # Panics
    /// When a file is not good.
    #[must_use]
    pub fn plan(&self) -> Plan {
        let mut plan = Scenario::healthy("acceptance", self.pump, self.seed).plan();
        if self.length == Length::Short {
            let text = include_str!("../../../scenarios/short.toml");
            plan.procedure = read::procedure("short.toml", text).unwrap_or_else(|wrong| panic!("{wrong}"));
            let together = read::check_together(&plan.pump, &plan.bench, &plan.procedure);
            assert_eq!(together, Vec::<String>::new(), "{}", self.pump);
        }
        if self.line == Quality::BAD {
            // No coil is measured whole there, and nothing behind the gate would be carried out.
            plan.procedure.main.iter_mut().for_each(|step| step.gate = false);
        }
        plan
    }

    /// The rig it runs on. A short run finds it filled: filling alone takes half a minute.
    #[must_use]
    pub fn rig(&self) -> ModelRig {
        let setup = Scenario::healthy("acceptance", self.pump, self.seed).setup();
        let rig = Rig { primed: self.length == Length::Short, ..Rig::for_pump(&setup.pump) };
        ModelRig::of(rig, self.seed)
    }
}

/// The same when it is wrong with the rig for a while only: a contact that bounces, a supply that dips, a guard that is
/// shut again after the trip, a sensor that is back in the middle of a hold. What stays wrong stays as it is.
fn coming_and_going(mishap: Mishap, noise: &mut Noise) -> Mishap {
    match mishap.what {
        What::Rig(kind) if heals(kind) => {
            Mishap { for_ms: noise.log_uniform(20.0, 30_000.0) as u64, ..mishap }
        }
        _ => mishap,
    }
}

/// Whether a fault of the rig can be gone by itself or by somebody's hand while the rig is on, as what sticks, leaks past
/// dirt or is pinched can: not what is worn, broken or blocked, what was plugged wrongly, and what is warm.
fn heals(kind: FaultKind) -> bool {
    !matches!(
        kind,
        FaultKind::InletCoilShortedTurns
            | FaultKind::PressureCoilShortedTurns
            | FaultKind::WeakInletSpring
            | FaultKind::WeakPressureSpring
            | FaultKind::BlockedFilter
            | FaultKind::WornPump
            | FaultKind::WeakDrive
            | FaultKind::RailLeak
            | FaultKind::ConnectorsSwapped
            | FaultKind::BrokenCoupling
            | FaultKind::HotFluid
            | FaultKind::HotCoils
    )
}

/// As the command line of `campaign` takes it.
impl fmt::Display for Case {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let line = if self.line == Quality::GOOD { "good" } else { "bad" };
        write!(f, "{} {} {} {line}", self.length.word(), self.pump, self.seed)?;
        self.mishap.map_or(Ok(()), |mishap| write!(f, " {mishap}"))
    }
}

impl std::str::FromStr for Case {
    type Err = String;

    fn from_str(text: &str) -> Result<Case, String> {
        let words: Vec<&str> = text.split_whitespace().collect();
        let (length, pump, seed, line, mishap) = match words[..] {
            [length, pump, seed, line] => (length, pump, seed, line, None),
            [length, pump, seed, line, mishap] => (length, pump, seed, line, Some(mishap)),
            _ => return Err(format!("{text:?} is not LENGTH PUMP SEED LINE [MISHAP]")),
        };
        let length = [Length::Short, Length::Acceptance].into_iter().find(|known| known.word() == length);
        let pump = PUMPS.into_iter().find(|known| *known == pump);
        let line = match line {
            "good" => Some(Quality::GOOD),
            "bad" => Some(Quality::BAD),
            _ => None,
        };
        Ok(Case {
            length: length.ok_or("the length is short or acceptance")?,
            pump: pump.ok_or("the pump is heron, dunlin or plover")?,
            seed: seed.parse().map_err(|_| format!("{seed:?} is no seed"))?,
            line: line.ok_or("the line is good or bad")?,
            mishap: mishap.map(str::parse).transpose()?,
            unseen: None,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::Case;

    #[test]
    fn a_case_reads_back_as_it_was_written() {
        for seed in 0..200 {
            let case = Case::drawn(seed);
            assert_eq!(case.to_string().parse(), Ok(case));
        }
    }

    #[test]
    fn nonsense_is_told() {
        for text in [
            "",
            "short heron 1",
            "long heron 1 bad",
            "short swan 1 bad",
            "short heron one bad",
            "short heron 1 fair",
            "short heron 1 bad unplug",
            "short heron 1 bad unplug@1+2*1 more",
        ] {
            assert!(text.parse::<Case>().is_err(), "{text}");
        }
    }
}
