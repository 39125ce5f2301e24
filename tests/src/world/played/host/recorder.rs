//! The double of what writes a run down: of the program's `host/src/recorded.rs`, which gives the engine's outputs to
//! the store's recorder, and of that recorder's thread, which has no place on a virtual clock. Writer, file and the
//! pace of commits are the product's own.

use super::handed::Handed;
use crate::world::played::mishap::{HostMishap, Mishap, What};
use stepwell_procedure::record::{Entry, Outcome, RunHead};
use stepwell_procedure::run::Plan;
use stepwell_protocol::channel::Sample;
use stepwell_protocol::identity::Identity;
use stepwell_protocol::time::Tick;
use stepwell_store::{COMMIT_EVERY_MS, Failing, Pace, RunWriter, SILENCE_MS, Store};

/// A run being written down. Begins when the board has answered.
#[derive(Debug)]
pub struct Recorder<'s> {
    store: Option<&'s mut Store>,
    writer: Option<RunWriter<'s>>,
    /// What was handed to the disk.
    pub handed: Handed,
    pace: Pace,
    /// When it was told something last, ms of rig time.
    told_ms: u64,
    disk_struck: bool,
}

impl<'s> Recorder<'s> {
    pub(super) fn new(store: &'s mut Store, ms: u64) -> Recorder<'s> {
        Recorder {
            store: Some(store),
            writer: None,
            handed: Handed::default(),
            pace: Pace::new(COMMIT_EVERY_MS),
            told_ms: ms,
            disk_struck: false,
        }
    }

    pub(super) fn begin(&mut self, plan: &Plan, identity: &Identity) {
        let Some(store) = self.store.take() else { return };
        let head = RunHead::of(plan, identity, "simulator of whole runs", String::new(), None);
        let writer = store.begin(&head).expect("a run can be begun on a disk that nothing has befallen");
        self.handed.number = writer.number();
        self.writer = Some(writer);
    }

    pub(super) fn entry(&mut self, ms: u64, entry: Entry) {
        let Some(writer) = &mut self.writer else { return };
        writer.entry(&entry);
        self.handed.entries.push(entry);
        self.told_ms = ms;
    }

    pub(super) fn samples(&mut self, ms: u64, first: Tick, first_us: u64, samples: &[Sample]) {
        let Some(writer) = &mut self.writer else { return };
        writer.samples_at(first, first_us, samples);
        self.handed.samples.extend((first.0..).zip(samples.iter().copied()));
        self.told_ms = ms;
        if self.pace.is_due(first, samples.len()) {
            self.commit(ms);
        }
    }

    /// The link was given up: no more will come.
    pub(super) fn link_lost(&mut self, ms: u64) {
        self.handed.gave_up_ms.get_or_insert(ms as usize);
        self.commit(ms);
    }

    /// A millisecond of the thread: it commits what it has when it was told nothing for a while. It stands still with
    /// the program.
    pub fn passes(&mut self, ms: u64) {
        let stands = self.handed.stood_still.as_ref().is_some_and(|still| still.contains(&(ms as usize)));
        if self.handed.waits() && ms >= self.told_ms + SILENCE_MS && !stands {
            self.commit(ms);
        }
    }

    fn commit(&mut self, ms: u64) {
        self.pace.committed();
        self.told_ms = ms;
        let Some(writer) = &mut self.writer else { return };
        match writer.commit() {
            Ok(()) => self.handed.confirmed(ms),
            Err(_) => self.handed.refused(ms),
        }
    }

    /// Seals the run. What is wrong with it when it could not be sealed on a disk that nothing befalls any more.
    pub(super) fn seal(&mut self, ms: u64, outcome: &Outcome) -> Option<String> {
        self.handed.outcome = Some(outcome.clone());
        match self.writer.take()?.seal(outcome, "{}") {
            Ok(_) => {
                self.handed.confirmed(ms);
                self.handed.sealed = true;
                None
            }
            Err(why) => {
                self.handed.refused(ms);
                (!self.disk_struck)
                    .then(|| format!("the disk is whole again and the run is not sealed: {why}"))
            }
        }
    }

    /// The disk begins to refuse, or is whole again, when `mishap` is one of the disk.
    pub(super) fn strike_disk(&mut self, ms: u64, mishap: Mishap) {
        let (Some(writer), What::Host(kind)) = (&self.writer, mishap.what) else { return };
        let once_is_over = kind == HostMishap::DiskFullOnce && self.handed.refused_ms.is_some();
        let struck = mishap.acts_at(ms) && !once_is_over;
        if struck == self.disk_struck {
            return;
        }
        let set = match kind {
            HostMishap::DiskFull | HostMishap::DiskFullOnce => writer.disk_full(struck),
            HostMishap::ReadOnly => writer.read_only(struck),
            HostMishap::WriteError => {
                writer.disk_fails(struck.then_some(Failing::Write));
                Ok(())
            }
            HostMishap::SyncError => {
                writer.disk_fails(struck.then_some(Failing::Sync));
                Ok(())
            }
            _ => return,
        };
        set.expect("the disk can be struck and healed");
        self.disk_struck = struck;
    }

    /// From now on the disk fails to do this.
    #[cfg(test)]
    pub(super) fn disk_fails(&self, failing: Failing) {
        self.writer.as_ref().expect("a run has begun").disk_fails(Some(failing));
    }
}
