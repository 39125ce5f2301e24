//! What the program must not do is found when it does it.

use super::{BACK_MS_MAX, Host};
use crate::world::folder;
use crate::world::played::case::{Case, Length};
use crate::world::played::machine::Machine;
use crate::world::played::mishap::{LineMishap, Mishap, What};
use stepwell_session::engine::Operator;
use stepwell_store::{Failing, Store};
use stepwell_virtual::SimulatedBench;

/// A program and its bench on a line without a length, for so long that dwells have begun.
struct Bench<'s> {
    host: Host<'s>,
    machine: Machine,
    from_board: Vec<u8>,
}

impl<'s> Bench<'s> {
    fn new(store: &'s mut Store) -> Bench<'s> {
        let case = Case::healthy(Length::Short, "heron", 1);
        let machine = Machine::new(case.rig(), 1, None);
        Bench { host: Host::new(&case.plan(), store, 7, 0), machine, from_board: Vec::new() }
    }

    fn pass(&mut self, ms: u64) {
        for _ in 0..ms {
            let now = self.machine.ms();
            if now >= self.host.wakes_ms {
                let to_board = self.host.serve(now, &std::mem::take(&mut self.from_board), false);
                self.machine.receive(&to_board);
            }
            // A board in this process is never gone.
            let _ = self.machine.tick();
            self.machine.transmit(&mut self.from_board);
        }
    }
}

/// What is found wrong with the program in 30 s, after `tamper` has had its way with it 10 s after its start.
fn found(tamper: impl FnOnce(&mut Host<'_>)) -> String {
    let folder = folder();
    let mut store = Store::open(&folder.path().join("runs.stepwell")).expect("a store can be made");
    let mut bench = Bench::new(&mut store);
    bench.pass(10_000);
    tamper(&mut bench.host);
    bench.pass(20_000);
    bench.host.wrong.join("\n")
}

#[test]
fn a_good_program_does_nothing_wrong() {
    assert_eq!(found(|_| {}), "");
}

#[test]
fn a_program_that_goes_on_after_it_said_that_the_link_was_lost_is_found() {
    let found = found(|host| host.recorder.handed.gave_up_ms = Some(10_000));
    assert!(found.contains("a command or a renewal on a link that was lost"), "{found}");
}

#[test]
fn a_run_that_is_not_sealed_on_a_disk_that_nothing_has_befallen_is_found() {
    let found = found(|host| {
        host.recorder.disk_fails(Failing::Write);
        host.engine.operator(super::shown(10_000, 0), Operator::Stop);
    });
    assert!(found.contains("the disk is whole again and the run is not sealed"), "{found}");
}

#[test]
fn readings_that_do_not_come_back_in_time_are_found() {
    let what = What::Line(LineMishap::Interrupted);
    let mishap = Mishap { what, onset_ms: 1_000, of_work: false, for_ms: 500, severity: 1.0 };
    let latest_ms = 1_500 + BACK_MS_MAX;
    for (ms, back, late) in
        [(latest_ms, false, false), (latest_ms + 1, false, true), (latest_ms + 1, true, false)]
    {
        let folder = folder();
        let mut store = Store::open(&folder.path().join("runs.stepwell")).expect("a store can be made");
        let mut host = Bench::new(&mut store).host;
        host.befall(mishap);
        (host.recorder.handed.gave_up_ms, host.back) = (Some(1_500), back);
        host.looks_out_for_readings(ms);
        assert_eq!(host.wrong.join("\n").contains("readings have not come back"), late, "{ms} {back}");
    }
}
