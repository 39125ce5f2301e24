//! Each rule of the witnesses beside the bench has been seen to fail: what was witnessed is doctored, one thing at a
//! time, and the complaint is the one that is due.

mod asked;
mod bench;
mod danger;
mod ending;
mod log;
mod record;
mod renewals;
mod stop_key;
mod stopping;

use stepwell_procedure::run::Plan;
use stepwell_protocol::guards::Guards;
use stepwell_protocol::state::State;
use stepwell_tests::world::checkers::record::{Kept, Stored, judged as record_judged};
use stepwell_tests::world::played::case::Case;
use stepwell_tests::world::played::host::Handed;
use stepwell_tests::world::played::mishap::Mishap;
use stepwell_tests::world::witness::said::Said;
use stepwell_tests::world::witness::watch::{Beside, Watch};
use stepwell_tests::world::{Judged, folder, judged, run};

/// A run that was good, and what a disk gives back of it.
struct Scene {
    plan: Plan,
    watch: Watch,
    handed: Handed,
    stored: Stored,
}

impl Scene {
    fn of(text: &str) -> Scene {
        let case: Case = text.parse().expect("a case");
        let folder = folder();
        let path = folder.path().join("runs.stepwell");
        let mut story = run(&case, &path);
        assert_eq!(story.wrong, Vec::<String>::new(), "{text}");
        let handed = story.handed.swap_remove(0);
        let stored = Stored::read(&path, handed.number).expect("a good store can be read");
        let scene = Scene { plan: case.plan(), watch: story.watch, handed, stored };
        assert_eq!(scene.kept().wrong, Vec::<String>::new());
        scene
    }

    /// What is found after `tamper` has had its way with what was seen and heard.
    fn seen(&mut self, tamper: impl FnOnce(&mut Watch)) -> String {
        self.judged(None, tamper).wrong.join("\n")
    }

    /// The same when it is known that `begun` went wrong on purpose.
    fn judged(&mut self, begun: Option<Mishap>, tamper: impl FnOnce(&mut Watch)) -> Judged {
        let good = (self.watch.ticks.clone(), self.watch.said.clone(), self.watch.truths);
        tamper(&mut self.watch);
        let found = judged(&self.plan, &self.watch, begun);
        (self.watch.ticks, self.watch.said, self.watch.truths) = good;
        found
    }

    fn kept(&self) -> Kept {
        record_judged(&self.plan, &self.stored, &self.handed, 0, &self.watch)
    }

    /// What is found in the record after what the rig showed was other than it was.
    fn shown(&mut self, tamper: impl FnOnce(&mut Watch)) -> String {
        let good = (self.watch.ticks.clone(), self.watch.said.clone());
        tamper(&mut self.watch);
        let found = self.kept().wrong.join("\n");
        (self.watch.ticks, self.watch.said) = good;
        found
    }

    /// The same after `tamper` has had its way with what the disk gives back.
    fn given_back(&mut self, tamper: impl FnOnce(&mut Stored)) -> Kept {
        let good = self.stored.clone();
        tamper(&mut self.stored);
        let kept = self.kept();
        self.stored = good;
        kept
    }

    /// The same after `tamper` has had its way with what the program handed to the disk.
    fn handed(&mut self, tamper: impl FnOnce(&mut Handed)) -> String {
        let handed = &self.handed;
        let good = (handed.samples.clone(), handed.entries.clone(), handed.commits.clone());
        tamper(&mut self.handed);
        let found = self.kept().wrong.join("\n");
        (self.handed.samples, self.handed.entries, self.handed.commits) = good;
        found
    }

    /// The first millisecond of which something is so.
    fn first(&self, is: impl Fn(&Beside) -> bool) -> usize {
        self.watch.ticks.iter().position(is).expect("occurs")
    }

    /// The first tick of the staged stop after the drive turned.
    fn stop(&self) -> usize {
        let turns = self.first(|beside| beside.moment.drive_on());
        turns
            + self.watch.ticks[turns..]
                .iter()
                .position(|beside| beside.moment.state == State::Stopping)
                .expect("a stop")
    }

    /// The millisecond before whose tick the board armed.
    fn armed(&self) -> usize {
        let armed = self.watch.said.iter().find(|(_, said)| matches!(said, Said::Armed(_)));
        armed.expect("it arms").0
    }
}

fn says(found: &str, what: &str) {
    assert!(found.contains(what), "expected {what:?}, found {found:?}");
}

const GOOD: &str = "short heron 1 good";

/// Changes the guards that were heard.
fn guards(watch: &mut Watch, change: impl Fn(&mut Guards)) {
    for (_, said) in &mut watch.said {
        if let Said::Guards(guards) = said {
            change(guards);
        }
    }
}
