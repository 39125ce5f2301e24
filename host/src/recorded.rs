//! Writing a run down while it goes: outputs of the engine to the store's recorder.

use crate::cli::StoreArgs;
use crate::clock::{self, Stopwatch};
use crate::failure::Failure;
use crate::{fall, render};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::Duration;
use stepwell_procedure::finding::Verdict;
use stepwell_procedure::record::{Ended, Entry, Event, EventKind, Outcome, RunHead};
use stepwell_procedure::run::Plan;
use stepwell_protocol::identity::Identity;
use stepwell_protocol::time::Tick;
use stepwell_session::engine::Output;
use stepwell_session::link::LinkStatistics;
use stepwell_store::{COMMIT_EVERY_MS, Missing, NotSealed, Pace, Recorder, Rescued, Store, StoreError};

/// Board time between commits when the bench runs as fast as it can, in ms.
const COMMIT_EVERY_MS_FAST: i32 = 1_000;

/// Commits of a bench in real time are so far apart at least.
const COMMITS_APART: Duration = Duration::from_millis(COMMIT_EVERY_MS as u64 / 2);

/// Room that must be left on the disk when a run begins, in bytes: some twenty seconds of a run.
const ROOM_MIN: usize = 128 * 1024;

/// Who stopped a run when it was not the operator. A note in the record begins with the words.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Stopper {
    /// The program, which could not write the run down.
    Unwritten,
    /// Whoever ended the program or closed its window.
    Ending,
    /// The program, a thread of which fell over.
    Fallen,
    /// The program, whose terminal somebody else had.
    Unseen,
}

impl Stopper {
    /// For people.
    pub(crate) const fn words(self) -> &'static str {
        match self {
            Stopper::Unwritten => "stopped by the program: the run could not be written down",
            Stopper::Ending => "stopped by the program: it was ended from outside, or its window was closed",
            Stopper::Fallen => "stopped by the program: a part of it fell over",
            Stopper::Unseen => "stopped by the program: its terminal was taken away, or could not be seen",
        }
    }

    /// Who it was by the notes of a record.
    fn of(events: &[Event]) -> Option<Stopper> {
        [Stopper::Unwritten, Stopper::Ending, Stopper::Fallen, Stopper::Unseen]
            .into_iter()
            .find(|stopper| events.iter().any(|event| event.text.starts_with(stopper.words())))
    }
}

/// Who answers when nobody does. What the record says of such a no has the words in it.
const NOBODY: &str = "nobody was there";

/// Whether an event is a no that nobody has said; nothing when it is no no.
fn nobodys_no(event: &Event) -> Option<bool> {
    let nobodys = event.text.contains(NOBODY);
    let no = nobodys || event.text.starts_with("answered: no");
    (event.kind == EventKind::Operator && no).then_some(nobodys)
}

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
    /// Whether the bench runs in real time, so that nothing may wait for a disk.
    real_time: bool,
    pace: Pace,
    watch: Stopwatch,
    /// When it was committed last.
    committed: Option<Duration>,
    /// The store that was asked for by name.
    asked: Option<PathBuf>,
    latest: Tick,
    number: Option<u64>,
    failed: Option<String>,
    instead: Option<Instead>,
    /// Whether the store's own file is no longer where it was.
    gone: bool,
    stopped: Option<Stopper>,
    /// Whether nobody has said the first no that counts, once there is one.
    first_no_is_nobodys: Option<bool>,
    sealed: bool,
}

/// What became of a run that its store did not take to the end.
#[derive(Clone, Debug)]
pub(crate) enum Instead {
    /// It was put into another file.
    Rescued(Rescued),
    /// Something is lost; what, and why, in words.
    Lost(String),
}

impl Instead {
    /// The same for a machine.
    pub(crate) fn json(&self) -> serde_json::Value {
        match self {
            Instead::Rescued(Rescued { path, number, part }) => {
                serde_json::json!({"file": path.display().to_string(), "run": number, "whole": part.is_none()})
            }
            Instead::Lost(what) => serde_json::json!({"lost": what}),
        }
    }
}

/// How a run is kept and who has ended it, for who shows it.
#[derive(Clone, Debug, Default)]
pub(crate) struct Kept {
    /// Number of the run, once it has begun.
    pub(crate) number: Option<u64>,
    /// The store that was asked for by name.
    pub(crate) asked: Option<PathBuf>,
    /// Whether it is complete and sealed.
    pub(crate) sealed: bool,
    /// Why it could not be written down.
    pub(crate) failed: Option<String>,
    /// What became of it then.
    pub(crate) instead: Option<Instead>,
    /// Whether the store's own file is no longer where it was.
    pub(crate) gone: bool,
    /// Who has stopped it, if it was not the operator.
    pub(crate) stopped: Option<Stopper>,
    /// Whether its first no was nobody's.
    pub(crate) declined_by_nobody: bool,
}

impl Kept {
    /// A run that is read back, as its events tell.
    pub(crate) fn told_by(events: &[Event]) -> Kept {
        let declined_by_nobody = events.iter().find_map(nobodys_no) == Some(true);
        Kept { stopped: Stopper::of(events), declined_by_nobody, ..Kept::default() }
    }

    /// How the run ended, in words; the program's own stop is not the operator's.
    pub(crate) fn ended(&self, outcome: &Outcome) -> String {
        match (&outcome.ended, self.stopped) {
            (Ended::Stopped, Some(stopper)) => stopper.words().to_owned(),
            (Ended::Declined { step }, _) if self.declined_by_nobody => {
                format!("{}: {NOBODY} to answer", render::declined(step))
            }
            (ended, _) => render::ended(ended),
        }
    }

    /// The run's verdict; one that is nowhere kept whole proves nothing.
    pub(crate) fn verdict(&self, outcome: &Outcome) -> Verdict {
        match (&self.failed, &self.instead) {
            (None, _) | (_, Some(Instead::Rescued(Rescued { part: None, .. }))) => outcome.verdict,
            (Some(_), _) => outcome.verdict.max(Verdict::Invalid),
        }
    }

    /// Where the run is to be found, in words.
    pub(crate) fn line(&self) -> Option<String> {
        let Some(why) = &self.failed else {
            let number = self.number.filter(|_| self.sealed)?;
            let store =
                self.asked.as_ref().map_or(String::new(), |path| format!(" --store {}", path.display()));
            return Some(format!("Kept as run {number}; `stepwell show {number}{store}` shows it again."));
        };
        let instead = match &self.instead {
            Some(Instead::Rescued(Rescued { path, number, part })) => {
                let what = match part {
                    None => "All of it was put into another file instead".to_owned(),
                    Some(found) => format!(
                        "What was not yet written was put into another file; the rest is in the store only, and could not be \
                         read ({found})"
                    ),
                };
                let path = path.display();
                format!(
                    " {what}: `stepwell show {number} --store {path}` shows it. That folder is for passing things: move the \
                     file to where it lasts."
                )
            }
            Some(Instead::Lost(what)) => format!(" {what}."),
            None => String::new(),
        };
        let rest = self
            .number
            .filter(|_| !self.gone)
            .map_or(String::new(), |number| format!(" What the store took is run {number}, interrupted."));
        Some(format!("NOT KEPT: {why}.{instead}{rest}"))
    }
}

/// What is lost of a run that could not be put anywhere, in words.
fn lost(missing: Option<Missing>, why: &str) -> String {
    let what = match missing {
        None => "what was not yet written".to_owned(),
        Some(Missing { entries: 0, ticks: 0, .. }) => {
            "nothing but its seal, which says how it ended".to_owned()
        }
        Some(Missing { entries, ticks, from }) => {
            let from = from.map_or(String::new(), |tick| {
                format!(" from {:.3} s of board time on", f64::from(tick.0) / 1_000.0)
            });
            format!("{:.1} s of samples{from} and {entries} entries", ticks as f64 / 1_000.0)
        }
    };
    format!(
        "Lost, unless the disk has kept more than it says: {what}; it could not be put into another file either: {why}"
    )
}

impl Recorded {
    /// Opens the store; a run that cannot be kept is not begun. `answers` says who answers questions;
    /// `real_time` whether the bench runs in real time.
    pub(crate) fn open(
        asked: &StoreArgs,
        plan: &Plan,
        simulation: Option<String>,
        answers: &'static str,
        real_time: bool,
    ) -> Result<Recorded, Failure> {
        // Folder and disk are those of the file, wherever a link to it stands.
        let path = stepwell_store::real_file(&store_path(asked)?);
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
        // A run is not begun in a file that is damaged where its runs are listed. One bad record is no such thing.
        if let Err(error @ StoreError::Damaged { .. }) = store.runs() {
            return Err(error.into());
        }
        Ok(Recorded {
            store: Some(store),
            recorder: None,
            plan: plan.clone(),
            simulation,
            answers,
            real_time,
            pace: Pace::new(if real_time { COMMIT_EVERY_MS } else { COMMIT_EVERY_MS_FAST }),
            watch: Stopwatch::start(),
            committed: None,
            asked: asked.store.clone(),
            latest: Tick(0),
            number: None,
            failed: None,
            instead: None,
            gone: false,
            stopped: None,
            first_no_is_nobodys: None,
            sealed: false,
        })
    }

    /// How the run is kept so far.
    pub(crate) fn kept(&self) -> Kept {
        Kept {
            number: self.number,
            asked: self.asked.clone(),
            sealed: self.sealed,
            failed: self.failed.clone(),
            instead: self.instead.clone(),
            gone: self.gone,
            stopped: self.stopped,
            declined_by_nobody: self.first_no_is_nobodys == Some(true),
        }
    }

    /// From now on nobody is there to answer.
    pub(crate) fn nobody_answers(&mut self) {
        self.answers = NOBODY;
    }

    /// Why the run could not be written down.
    pub(crate) fn failed(&self) -> Option<&str> {
        self.failed.as_deref()
    }

    /// Whether the run must be stopped because it cannot be written down, or a part of the program fell over;
    /// said once.
    pub(crate) fn must_stop(&mut self) -> bool {
        let (stopper, why) = match (self.stopped, &self.failed, fall::fallen()) {
            // In case it can be written after all, once there is room again.
            (None, Some(why), _) => (Stopper::Unwritten, why.clone()),
            (None, None, Some(why)) => (Stopper::Fallen, why.to_owned()),
            (Some(_), ..) | (None, None, None) => return false,
        };
        self.note_stop(stopper, &format!(": {why}"));
        true
    }

    /// The run was stopped by `stopper`, unless it was already.
    pub(crate) fn stopped_by(&mut self, stopper: Stopper) {
        if self.stopped.is_none() {
            self.note_stop(stopper, "");
        }
    }

    fn note_stop(&mut self, stopper: Stopper, why: &str) {
        self.stopped = Some(stopper);
        if let Some(recorder) = &mut self.recorder {
            let text = format!("{}{why}", stopper.words());
            recorder.record(Entry::Event(Event::new(self.latest, EventKind::Operator, text)));
        }
    }

    /// Takes one output of the engine.
    pub(crate) fn output(&mut self, output: &Output) {
        let result = match output {
            Output::Board(identity) => self.begin(identity),
            Output::Write(entry) => {
                let entry = attributed(entry.clone(), self.answers);
                if let Entry::Event(event) = &entry {
                    self.first_no_is_nobodys = self.first_no_is_nobodys.or(nobodys_no(event));
                }
                if let Some(recorder) = &mut self.recorder {
                    recorder.record(entry);
                }
                Ok(())
            }
            Output::Samples { first, first_us, samples } => {
                self.latest = first.plus_ms(samples.len() as u32);
                if let Some(recorder) = &mut self.recorder {
                    recorder.samples_at(*first, *first_us, samples);
                    if self.pace.is_due(*first, samples.len()) {
                        let now = self.watch.elapsed();
                        if !self.real_time {
                            // So that a fast bench is no more than one commit ahead of the disk.
                            recorder.catch_up();
                        }
                        // After it was asleep a computer is given in an instant what came meanwhile: no disk answers
                        // that many commits in it, and the next one takes along what this one leaves.
                        if !self.real_time || self.committed.is_none_or(|last| now >= last + COMMITS_APART) {
                            self.committed = Some(now);
                            recorder.commit();
                        }
                    }
                }
                Ok(())
            }
            Output::Finished(outcome, link) => match self.recorder.take() {
                Some(recorder) => {
                    match recorder.finish(outcome, &statistics(link)) {
                        Ok(_) => {
                            // All of it is on the disk, whatever a commit said in between.
                            self.failed = None;
                            self.sealed = true;
                        }
                        Err(not_sealed) => self.not_sealed(*not_sealed),
                    }
                    return;
                }
                None => Ok(()),
            },
            // No more will come, and what follows may take long.
            Output::Lost(_) => {
                self.pace.committed();
                if let Some(recorder) = &mut self.recorder {
                    recorder.commit();
                }
                Ok(())
            }
            Output::Ask(_) | Output::Unwelcome(_) | Output::Back(_) => Ok(()),
        };
        if let Err(error) = result {
            self.failed.get_or_insert(error.to_string());
        }
        if let Some(error) = self.recorder.as_ref().and_then(Recorder::failed) {
            self.failed.get_or_insert(error.to_string());
        }
    }

    fn not_sealed(&mut self, not_sealed: NotSealed) {
        self.failed.get_or_insert(not_sealed.error.to_string());
        self.gone = matches!(&not_sealed.error, StoreError::Gone { path, file, .. } if path == file);
        self.instead = match (not_sealed.rescued, not_sealed.error) {
            (Some(Ok(rescued)), _) => Some(Instead::Rescued(rescued)),
            // What was written went with the file.
            (Some(Err(error)), StoreError::Gone { .. }) => {
                Some(Instead::Lost(lost(None, &error.to_string())))
            }
            (Some(Err(error)), _) => Some(Instead::Lost(lost(not_sealed.missing, &error.to_string()))),
            (None, _) => None,
        };
    }

    fn begin(&mut self, identity: &Identity) -> Result<(), StoreError> {
        let Some(store) = self.store.take() else { return Ok(()) };
        let version = env!("CARGO_PKG_VERSION");
        let head = RunHead::of(&self.plan, identity, version, clock::calendar(), self.simulation.clone());
        let (recorder, number) = Recorder::start(store, &head, &std::env::temp_dir())?;
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
        Err(error)
            if matches!(
                error.kind(),
                std::io::ErrorKind::PermissionDenied | std::io::ErrorKind::ReadOnlyFilesystem
            ) =>
        {
            Err(Failure::Usage(format!(
                "keeping runs in {}: not permitted to make files in its folder ({error}); give yourself the right to write \
                 it, or name another file with --store",
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::library;
    use stepwell_protocol::channel::{CHANNELS, Channel};
    use stepwell_protocol::guards::Ceilings;
    use stepwell_protocol::identity::ResetCause;

    /// A run that has begun, with its store.
    fn begun() -> (Recorded, tempfile::TempDir) {
        let folder = tempfile::tempdir().unwrap();
        let store = StoreArgs { store: Some(folder.path().join("runs")) };
        let plan = Plan {
            pump_id: "1".to_owned(),
            pump: library::pump("heron").unwrap(),
            bench: library::bench("demo").unwrap(),
            procedure: library::procedure("electrical").unwrap(),
        };
        let mut recorded = Recorded::open(&store, &plan, None, "nobody was there", true).unwrap();
        recorded.output(&Output::Board(Box::new(identity())));
        (recorded, folder)
    }

    fn identity() -> Identity {
        let ceilings = Ceilings {
            rail_max: 1,
            current_max: 1,
            duty_max_e4: 1,
            drive_rpm_max: 1,
            drive_on_ms_max: 1,
            drive_rest_ms_min: 1,
            dwell_ms_max: 1,
        };
        Identity {
            protocol: 1,
            session: 1,
            board: "".try_into().unwrap(),
            firmware: "".try_into().unwrap(),
            serial: 1,
            simulated: true,
            reset: ResetCause::PowerOn,
            now: Tick(0),
            conversions_per_tick: 10,
            conversion_full_scale: 4_095,
            full_scale_mv: 5_000,
            burst_hz: 20_000,
            pwm_hz: [200, 200],
            ceilings,
            drive_left_ms: 0,
        }
    }

    /// Ticks that the store holds once every commit has its answer.
    fn kept(recorded: &mut Recorded, folder: &tempfile::TempDir) -> u64 {
        recorded.recorder.as_mut().unwrap().catch_up();
        let store = Store::open_to_read(&folder.path().join("runs")).unwrap();
        store.samples(1, Channel::Status).unwrap().samples()
    }

    fn samples(first: u32) -> Output {
        Output::Samples {
            first: Tick(first),
            first_us: u64::from(first) * 1_000,
            samples: vec![[0; CHANNELS]; 10],
        }
    }

    #[test]
    fn a_run_is_on_disk_twice_a_second_on_a_line_that_loses_every_other_frame() {
        let (mut recorded, folder) = begun();
        for first in (0..500).step_by(20) {
            recorded.output(&samples(first));
        }
        assert_eq!(kept(&mut recorded, &folder), 0);
        recorded.output(&samples(500));
        assert_eq!(kept(&mut recorded, &folder), 260);
    }

    #[test]
    fn all_that_came_before_a_link_was_lost_is_on_disk_at_once() {
        let (mut recorded, folder) = begun();
        for first in (0..490).step_by(10) {
            recorded.output(&samples(first));
        }
        assert_eq!(kept(&mut recorded, &folder), 0);
        recorded.output(&Output::Lost("no frame for half a second".to_owned()));
        assert_eq!(kept(&mut recorded, &folder), 490);
    }

    /// What a computer that was asleep is given at once says nothing of its disk, however long that takes for one commit.
    #[test]
    fn ten_seconds_that_come_in_an_instant_are_no_disk_that_does_not_answer() {
        let (mut recorded, folder) = begun();
        let other = rusqlite::Connection::open(folder.path().join("runs")).unwrap();
        other.execute_batch("BEGIN IMMEDIATE").unwrap();
        for first in (0..10_000).step_by(10) {
            recorded.output(&samples(first));
        }
        assert_eq!(recorded.failed(), None);
        other.execute_batch("ROLLBACK").unwrap();
        recorded.output(&Output::Lost("so that all of it is committed".to_owned()));
        assert_eq!(kept(&mut recorded, &folder), 10_000);
    }

    /// A stop takes seconds, and what the rig does in them matters most.
    #[test]
    fn whoever_stops_a_run_what_the_board_tells_to_the_end_of_the_stop_is_kept() {
        let by_the_program = |recorded: &mut Recorded| {
            recorded.failed = Some("no room".to_owned());
            assert!(recorded.must_stop());
        };
        let from_outside = |recorded: &mut Recorded| recorded.stopped_by(Stopper::Ending);
        for stop in [from_outside, by_the_program] {
            let (mut recorded, folder) = begun();
            recorded.output(&samples(0));
            stop(&mut recorded);
            assert!(recorded.kept().stopped.is_some());
            for first in (10..5_000).step_by(10) {
                recorded.output(&samples(first));
            }
            recorded.output(&Output::Lost("so that all of it is committed".to_owned()));
            assert_eq!(kept(&mut recorded, &folder), 5_000);
        }
    }

    #[test]
    fn a_store_that_is_gone_is_not_said_to_hold_anything() {
        let store = Path::new("runs");
        for (file, holds) in [(store, false), (Path::new("runs-wal"), true)] {
            let (mut recorded, _folder) = begun();
            let (doing, path, file) = ("writing".to_owned(), store.to_owned(), file.to_owned());
            let error = StoreError::Gone { doing, path, file };
            recorded.not_sealed(NotSealed { error, missing: None, rescued: None });
            let line = recorded.kept().line().unwrap();
            assert!(line.contains("was moved or removed"), "{line}");
            assert_eq!(line.contains("What the store took is run 1"), holds, "{line}");
        }
    }
}
