//! What a person is told of the time that is left.

use stepwell_procedure::run::{Progress, Prompt, Run};
use stepwell_session::engine::{Engine, Output};
use stepwell_session::lockstep::{self, Outside};
use stepwell_session::time::HostTime;
use stepwell_tests::shipped::Scenario;
use stepwell_tests::trace::Traced;

/// Does everything that is asked, and keeps what was told every ten milliseconds.
#[derive(Debug, Default)]
struct Watching {
    seen: Vec<Progress>,
}

impl Outside for Watching {
    fn answer(&mut self, _: &Prompt) -> Option<bool> {
        Some(true)
    }

    fn output(&mut self, engine: &Engine, output: Output) {
        if matches!(output, Output::Samples { .. }) {
            self.seen.push(engine.run().progress());
        }
    }

    fn wants_stop(&mut self) -> bool {
        false
    }
}

fn left_ms(progress: &Progress) -> u32 {
    progress.round_ms.1 - progress.round_ms.0
}

/// Longest time that nothing is left and the step is still at work, in ms: arming, the end of a staged
/// stop, and the report behind it.
const OVERDUE_MS_MAX: usize = 1_500;

/// The time left runs down as time passes and never jumps up within a step, the first two cycles of
/// purging included, which are certain. Only what the drive's account asks for beyond the plan adds to it.
#[test]
fn the_time_left_runs_down() {
    for pump in ["plover", "heron", "dunlin"] {
        let scenario = Scenario::healthy("fill-and-purge", pump, 1);
        let mut engine = Engine::new(Run::new(scenario.plan()), 1, HostTime(0));
        let mut watching = Watching::default();
        lockstep::run(&mut engine, &mut Traced::new(&scenario.setup()), &mut watching).expect("it answers");
        let mut overdue_ms = 0;
        for pair in watching.seen.windows(2) {
            let (before, now) = (&pair[0], &pair[1]);
            // A step that has just begun, or one whose round is only now known.
            if now.name != before.name || before.round_ms.1 == 0 {
                overdue_ms = 0;
                continue;
            }
            let more = left_ms(now).saturating_sub(left_ms(before));
            assert!(more <= 2_000, "{pump}: {more} ms more, from {before:?} to {now:?}");
            let nothing_left = now.round_ms.1 > 0 && left_ms(now) == 0;
            overdue_ms = if nothing_left { overdue_ms + 10 } else { 0 };
            assert!(overdue_ms <= OVERDUE_MS_MAX, "{pump}: nothing left for {overdue_ms} ms at {now:?}");
        }
    }
}
