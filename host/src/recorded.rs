//! Writing a run down while it goes: outputs of the engine to the store's recorder.

use crate::cli::StoreArgs;
use crate::failure::Failure;
use crate::{clock, render};
use std::io::Write;
use std::path::{Path, PathBuf};
use stepwell_procedure::record::{Ended, Entry, Event, EventKind, Outcome, RunHead};
use stepwell_procedure::run::Plan;
use stepwell_protocol::identity::Identity;
use stepwell_protocol::time::Tick;
use stepwell_session::engine::Output;
use stepwell_session::link::LinkStatistics;
use stepwell_store::{Recorder, Store};

/// Ticks between commits: a run killed at any instant is on disk up to its last second.
const COMMIT_EVERY_TICKS: u32 = 1_000;

/// Room that must be left on the disk when a run begins, in bytes: some twenty seconds of a run.
const ROOM_MIN: usize = 128 * 1024;

/// How the note begins that is written into a run which the program itself stops.
pub(crate) const STOPPED_BY_PROGRAM: &str = "stopped by the program: the run could not be written down";

/// Where runs are kept when nothing else is said.
pub(crate) fn store_path(asked: &StoreArgs) -> Result<PathBuf, Failure> {
    if let Some(path) = &asked.store {
        return Ok(path.clone());
    }
    directories::ProjectDirs::from("", "", "stepwell")
        .map(|dirs| dirs.data_dir().join("runs.stepwell"))
        .ok_or_else(|| {
            Failure::Usage(
                "finding a place for the runs: there is no home folder; name a file with --store".into(),
            )
        })
}

/// A run being written down. Begins when the board has answered.
pub(crate) struct Recorded {
    store: Option<Store>,
    recorder: Option<Recorder>,
    plan: Plan,
    simulation: Option<String>,
    /// Who answers the questions, in words.
    answers: &'static str,
    ticks: u32,
    latest: Tick,
    number: Option<u64>,
    failed: Option<String>,
    told: bool,
    sealed: bool,
}

/// How a run is kept, for who shows it.
#[derive(Clone, Debug, Default)]
pub(crate) struct Kept {
    /// Number of the run, once it has begun.
    pub(crate) number: Option<u64>,
    /// Whether it is complete and sealed.
    pub(crate) sealed: bool,
    /// Why it could not be written down.
    pub(crate) failed: Option<String>,
    /// Whether the program itself has stopped it for that.
    pub(crate) stopped: bool,
}

impl Kept {
    /// How the run ended, in words; the program's own stop is not the operator's.
    pub(crate) fn ended(&self, outcome: &Outcome) -> String {
        match outcome.ended {
            Ended::Stopped if self.stopped => STOPPED_BY_PROGRAM.to_owned(),
            _ => render::ended(&outcome.ended),
        }
    }

    /// Where the run is to be found, in words.
    pub(crate) fn line(&self) -> Option<String> {
        match (&self.failed, self.number) {
            (Some(why), number) => {
                let rest = number.map_or(String::new(), |number| {
                    format!(" What was written until then is run {number}, interrupted.")
                });
                Some(format!("NOT KEPT: {why}.{rest}"))
            }
            (None, Some(number)) if self.sealed => {
                Some(format!("Kept as run {number}; `stepwell show {number}` shows it again."))
            }
            (None, _) => None,
        }
    }
}

impl Recorded {
    /// Opens the store; a run that cannot be kept is not begun. `answers` says who answers questions.
    pub(crate) fn open(
        asked: &StoreArgs,
        plan: &Plan,
        simulation: Option<String>,
        answers: &'static str,
    ) -> Result<Recorded, Failure> {
        let path = store_path(asked)?;
        // Only the program's own folder is made: a slip in a name must not leave folders behind.
        if let (None, Some(folder)) = (&asked.store, path.parent()) {
            std::fs::create_dir_all(folder).map_err(|error| {
                Failure::Usage(format!(
                    "making the folder {}: {error}; name another file with --store",
                    folder.display()
                ))
            })?;
        }
        if let Some(folder) = path.parent().filter(|f| !f.as_os_str().is_empty() && !f.exists()) {
            return Err(Failure::Usage(format!(
                "keeping runs in {}: there is no folder {}; make it first, or name another file with --store",
                path.display(),
                folder.display()
            )));
        }
        check_room(&path)?;
        let store = Store::open(&path)?;
        Ok(Recorded {
            store: Some(store),
            recorder: None,
            plan: plan.clone(),
            simulation,
            answers,
            ticks: 0,
            latest: Tick(0),
            number: None,
            failed: None,
            told: false,
            sealed: false,
        })
    }

    /// How the run is kept so far.
    pub(crate) fn kept(&self) -> Kept {
        Kept { number: self.number, sealed: self.sealed, failed: self.failed.clone(), stopped: self.told }
    }

    /// From now on nobody is there to answer.
    pub(crate) fn nobody_answers(&mut self) {
        self.answers = "nobody was there";
    }

    /// Why the run could not be written down.
    pub(crate) fn failed(&self) -> Option<&str> {
        self.failed.as_deref()
    }

    /// Whether the run must be stopped because it cannot be written down; said once.
    pub(crate) fn must_stop(&mut self) -> bool {
        let Some(why) = self.failed.as_ref().filter(|_| !self.told) else { return false };
        self.told = true;
        if let Some(recorder) = &mut self.recorder {
            // In case it can be written after all, once there is room again.
            let text = format!("{STOPPED_BY_PROGRAM}: {why}");
            recorder.record(Entry::Event(Event::new(self.latest, EventKind::Operator, text)));
        }
        true
    }

    /// Takes one output of the engine.
    pub(crate) fn output(&mut self, output: &Output) {
        let result = match output {
            Output::Board(identity) => self.begin(identity),
            Output::Write(entry) => {
                if let Some(recorder) = &mut self.recorder {
                    recorder.record(attributed(entry.clone(), self.answers));
                }
                Ok(())
            }
            Output::Samples { first, first_us, samples } => {
                self.latest = first.plus_ms(samples.len() as u32);
                if let Some(recorder) = &mut self.recorder {
                    recorder.samples_at(*first, *first_us, samples);
                    self.ticks += samples.len() as u32;
                    if self.ticks >= COMMIT_EVERY_TICKS {
                        self.ticks = 0;
                        recorder.commit();
                    }
                }
                Ok(())
            }
            Output::Finished(outcome, link) => match self.recorder.take() {
                Some(recorder) => recorder.finish(outcome, &statistics(link)).map(|_| {
                    // All of it is on the disk, whatever a commit said in between.
                    self.failed = None;
                    self.sealed = true;
                }),
                None => Ok(()),
            },
            Output::Ask(_) | Output::Unwelcome(_) | Output::Lost(_) | Output::Back(_) => Ok(()),
        };
        if let Err(error) = result {
            self.failed.get_or_insert(error.to_string());
        }
        if let Some(error) = self.recorder.as_ref().and_then(Recorder::failed) {
            self.failed.get_or_insert(error.to_string());
        }
    }

    fn begin(&mut self, identity: &Identity) -> Result<(), stepwell_store::StoreError> {
        let Some(store) = self.store.take() else { return Ok(()) };
        let plan = &self.plan;
        let head = RunHead {
            pump_id: plan.pump_id.clone(),
            procedure: plan.procedure.name.clone(),
            pump_sheet: plan.pump.name.clone(),
            bench_sheet: plan.bench.name.clone(),
            procedure_text: plan.procedure.source.text.clone(),
            pump_sheet_text: plan.pump.source.text.clone(),
            bench_sheet_text: plan.bench.source.text.clone(),
            board: format!("{} {}", identity.board, identity.serial),
            firmware: identity.firmware.as_str().to_owned(),
            simulated: identity.simulated,
            program: env!("CARGO_PKG_VERSION").to_owned(),
            started: clock::calendar(),
            identity: Some(identity.clone()),
            simulation: self.simulation.clone(),
        };
        let (recorder, number) = Recorder::start(store, &head)?;
        self.recorder = Some(recorder);
        self.number = Some(number);
        Ok(())
    }
}

/// The entry, and when it is an answer also who gave it.
fn attributed(mut entry: Entry, answers: &str) -> Entry {
    if let Entry::Event(event) = &mut entry
        && event.kind == EventKind::Operator
        && event.text.starts_with("answered: ")
    {
        event.text = format!("{} ({answers})", event.text);
    }
    entry
}

/// Writes some room full and gives it back: on a full disk nothing is asked and nothing sent.
fn check_room(store: &Path) -> Result<(), Failure> {
    let mut name = store.as_os_str().to_owned();
    name.push(format!("-room-{}", std::process::id()));
    let path = PathBuf::from(name);
    let written = std::fs::File::create(&path).and_then(|mut file| {
        file.write_all(&vec![0; ROOM_MIN])?;
        file.sync_all()
    });
    // Never made, or not ours to remove: either way it is in nobody's way.
    let _ = std::fs::remove_file(&path);
    match written {
        Err(error)
            if matches!(
                error.kind(),
                std::io::ErrorKind::StorageFull
                    | std::io::ErrorKind::QuotaExceeded
                    | std::io::ErrorKind::FileTooLarge
            ) =>
        {
            Err(Failure::Internal(format!(
                "making sure that the run can be kept in {}: {error}; nothing was begun. Make room, or name a \
                 file on another disk with --store",
                store.display()
            )))
        }
        // Whatever else is wrong with the place, the store says it better.
        _ => Ok(()),
    }
}

/// The link's statistics as the store keeps them, in JSON.
fn statistics(link: &LinkStatistics) -> String {
    let quantiles = |histogram: &stepwell_session::link::Histogram<u64>| {
        serde_json::json!({
            "count": histogram.len(),
            "p50_us": histogram.value_at_quantile(0.5),
            "p99_us": histogram.value_at_quantile(0.99),
            "max_us": histogram.max(),
        })
    };
    serde_json::json!({
        "round_trip": quantiles(&link.round_trip_us),
        "frame_interval": quantiles(&link.frame_interval_us),
        "ticks_missing": link.ticks_missing,
        "frames_bad": link.frames_bad,
        "frames_good": link.frames_good,
        "retries": link.retries,
    })
    .to_string()
}
