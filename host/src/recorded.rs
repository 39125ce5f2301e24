//! Writing a run down while it goes: outputs of the engine to the store's recorder.

use crate::clock;
use crate::failure::Failure;
use std::path::PathBuf;
use stepwell_procedure::record::RunHead;
use stepwell_procedure::run::Plan;
use stepwell_protocol::identity::Identity;
use stepwell_session::engine::Output;
use stepwell_session::link::LinkStatistics;
use stepwell_store::{Recorder, Store};

/// Ticks between commits: a run killed at any instant is on disk up to its last second.
const COMMIT_EVERY_TICKS: u32 = 1_000;

/// Where runs are kept when nothing else is said.
pub(crate) fn store_path(asked: Option<&PathBuf>) -> Result<PathBuf, Failure> {
    if let Some(path) = asked {
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
    ticks: u32,
    number: Option<u64>,
    failed: Option<String>,
    told: bool,
}

impl Recorded {
    /// Opens the store; a run that cannot be kept is not begun.
    pub(crate) fn open(
        path: &std::path::Path,
        plan: &Plan,
        simulation: Option<String>,
    ) -> Result<Recorded, Failure> {
        if let Some(folder) = path.parent().filter(|folder| !folder.as_os_str().is_empty()) {
            std::fs::create_dir_all(folder).map_err(|error| {
                Failure::Usage(format!(
                    "making the folder {}: {error}; name another file with --store",
                    folder.display()
                ))
            })?;
        }
        let store = Store::open(path)?;
        Ok(Recorded {
            store: Some(store),
            recorder: None,
            plan: plan.clone(),
            simulation,
            ticks: 0,
            number: None,
            failed: None,
            told: false,
        })
    }

    /// Number of the run, once it has begun.
    pub(crate) fn number(&self) -> Option<u64> {
        self.number
    }

    /// Why the run could not be written down to the end.
    pub(crate) fn failed(&self) -> Option<&str> {
        self.failed.as_deref()
    }

    /// Whether the run must be stopped because it cannot be written down; said once.
    pub(crate) fn must_stop(&mut self) -> bool {
        self.failed.is_some() && !std::mem::replace(&mut self.told, true)
    }

    /// Takes one output of the engine.
    pub(crate) fn output(&mut self, output: &Output) {
        let result = match output {
            Output::Board(identity) => self.begin(identity),
            Output::Write(entry) => {
                if let Some(recorder) = &mut self.recorder {
                    recorder.record(entry.clone());
                }
                Ok(())
            }
            Output::Samples { first, first_us, samples } => {
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
                }),
                None => Ok(()),
            },
            Output::Ask(_) | Output::Unwelcome(_) | Output::Lost(_) => Ok(()),
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
            conversions: (
                identity.conversions_per_tick,
                identity.conversion_full_scale,
                identity.full_scale_mv,
            ),
            simulation: self.simulation.clone(),
        };
        let (recorder, number) = Recorder::start(store, &head)?;
        self.recorder = Some(recorder);
        self.number = Some(number);
        Ok(())
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
