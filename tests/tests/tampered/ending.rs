//! When dwells begin and end, and what is told of it. The sound bench carries out a chain in which every kind of end
//! comes to pass; then a word of what was heard, shown, driven or told is changed by the least there is.

use super::{Scene, says};
use stepwell_protocol::channel::Channel;
use stepwell_protocol::dwell::{Dwell, DwellEnd, DwellReport, EndWhen, Ramp, Side, Start};
use stepwell_protocol::message::Action;
use stepwell_protocol::state::State;
use stepwell_protocol::time::Tick;
use stepwell_tests::world::judged;
use stepwell_tests::world::played::case::{Case, Length};
use stepwell_tests::world::played::machine::Machine;
use stepwell_tests::world::scripted::Scripted;
use stepwell_tests::world::witness::said::Said;
use stepwell_tests::world::witness::watch::Watch;
use stepwell_virtual::SimulatedBench;

/// The first tick of the first dwell comes so long after it was taken, in ms.
const AHEAD_MS: u32 = 50;

/// What a sound bench did, and when its first dwell began.
struct Chain {
    case: Case,
    watch: Watch,
    first: usize,
}

/// A dwell of the inlet valve, by its serial in per cent.
fn dwell(serial: u16, start: Start, duration_ms: u32) -> Dwell {
    Dwell {
        serial,
        start,
        duration_ms,
        inlet: Ramp::constant(100 * serial),
        pressure: Ramp::constant(0),
        supply_on: false,
        drive_rpm: 0,
        dump_closed: false,
        expect_flow: false,
        end_when: None,
        burst: None,
    }
}

/// The board takes these dwells, of which the first begins at the tick that they are told, and what follows comes to
/// pass.
fn carried_out(dwells: impl Fn(Tick) -> Vec<Dwell>, then: impl FnOnce(&mut Scripted)) -> Chain {
    let case = Case::healthy(Length::Short, "heron", 1);
    let plan = case.plan();
    let mut host = Scripted::new(&plan, Machine::new(case.rig(), 1, None));
    host.arm();
    let at = host.machine.now().plus_ms(AHEAD_MS);
    for dwell in dwells(at) {
        host.ask(Action::Dwell(dwell)).expect("a dwell is taken");
    }
    then(&mut host);
    let (watch, judged) = host.over();
    assert_eq!(judged.wrong, Vec::<String>::new());
    // The tick with number n has place n − 1.
    Chain { case, watch, first: at.0 as usize - 1 }
}

/// The rail reads more than nothing: after 20 ms that is a condition. Then 100 ms; then a dwell that another one takes
/// over after 200 of its 500 ms, one between them that never begins, and a stop 100 ms later.
fn chain() -> Chain {
    let above = |counts| EndWhen { channel: Channel::RailPressure, side: Side::Above, counts, for_ms: 20 };
    let dwells = |at: Tick| {
        vec![
            Dwell { end_when: Some(above(0)), ..dwell(11, Start::At(at), 300) },
            Dwell { end_when: Some(above(59_999)), ..dwell(12, Start::AfterPrevious, 100) },
            dwell(13, Start::AfterPrevious, 500),
            dwell(14, Start::AfterPrevious, 500),
            dwell(15, Start::At(at.plus_ms(320)), 500),
        ]
    };
    carried_out(dwells, |host| {
        // Five were taken, a millisecond each.
        host.pass(u64::from(AHEAD_MS) - 5 + 420);
        host.ask(Action::Disarm).expect("disarms");
        host.ask(Action::ReadDwell { serial: 12 }).expect("ended a while ago");
        host.pass(6_000);
    })
}

impl Chain {
    /// What is found after `tamper` has had its way with what was seen and heard.
    fn seen(&mut self, tamper: impl FnOnce(&mut Watch)) -> String {
        let good = (self.watch.ticks.clone(), self.watch.said.clone());
        tamper(&mut self.watch);
        let found = judged(&self.case.plan(), &self.watch, None).wrong.join("\n");
        (self.watch.ticks, self.watch.said) = good;
        found
    }

    /// The same after the dwell with this serial was heard otherwise.
    fn heard(&mut self, serial: u16, change: impl Fn(&mut Dwell)) -> String {
        self.seen(|watch| {
            for (_, said) in &mut watch.said {
                if let Said::Dwell(dwell) = said
                    && dwell.serial == serial
                {
                    change(dwell);
                }
            }
        })
    }

    /// The same after the end of the dwell with this serial was told otherwise.
    fn told(&mut self, serial: u16, change: impl Fn(&mut DwellReport)) -> String {
        self.seen(|watch| {
            for (_, said) in &mut watch.said {
                if let Said::Ended(_, report) = said
                    && report.serial == serial
                {
                    change(report);
                }
            }
        })
    }

    fn reports(&self) -> Vec<(u16, usize, usize, DwellEnd)> {
        let place = |tick: Tick| tick.0 as usize - 1 - self.first;
        let reports = self.watch.reports(7);
        reports.map(|told| (told.serial, place(told.started), place(told.ended), told.end)).collect()
    }
}

#[test]
fn a_dwell_that_ends_a_tick_too_early_or_too_late_is_found() {
    let mut chain = chain();
    assert_eq!(
        chain.reports(),
        [
            (11, 0, 20, DwellEnd::Condition),
            (12, 20, 120, DwellEnd::Complete),
            (13, 120, 320, DwellEnd::Complete),
            (15, 320, 421, DwellEnd::Stopped),
        ]
    );
    let first = chain.first;
    let due = |serial: u16, after_ms: usize| {
        format!("the dwell due at {} ms is dwell {serial} from", first + after_ms)
    };
    // Its time: one that is a tick longer was left too early, one that is shorter too late.
    says(&chain.heard(12, |dwell| dwell.duration_ms += 1), &due(12, 120));
    says(&chain.heard(12, |dwell| dwell.duration_ms -= 1), &due(13, 119));
    // Its condition, by the ticks in a row and by what was shown.
    let for_ms =
        |for_ms: u16| move |dwell: &mut Dwell| dwell.end_when.as_mut().expect("a condition").for_ms = for_ms;
    says(&chain.heard(11, for_ms(21)), &due(11, 20));
    says(&chain.heard(11, for_ms(19)), &due(12, 19));
    let rail = Channel::RailPressure.index();
    for place in [first + 1, first + 10, first + 20] {
        says(&chain.seen(|watch| watch.ticks[place].analog[rail] = 0), &due(11, 20));
    }
    // The first tick is not compared, nor is one after the end.
    for place in [first, first + 21] {
        assert_eq!(chain.seen(|watch| watch.ticks[place].analog[rail] = 0), "");
    }
    let met = |from: usize, count: usize| {
        move |watch: &mut Watch| {
            watch.ticks[from..from + count].iter_mut().for_each(|beside| beside.analog[rail] = 60_000);
        }
    };
    let shown = chain.seen(met(first + 40, 20));
    says(&shown, &due(13, 59));
    assert!(!chain.seen(met(first + 40, 19)).contains("the dwell due"));
    // On the tick on which its time is up it says that the condition was met.
    says(&chain.seen(met(first + 101, 20)), "end: Condition }), told: Some(DwellReport { serial: 12");
    // A stop that nobody heard.
    let unheard = chain.seen(|watch| watch.said.retain(|(_, said)| *said != Said::Disarmed));
    says(&unheard, &due(15, 421));
}

#[test]
fn a_dwell_that_begins_on_another_tick_is_found() {
    let mut chain = chain();
    let (first, at) = (chain.first, Tick(chain.first as u32 + 1));
    let due = |serial: u16, place: usize| format!("the dwell due at {place} ms is dwell {serial} from");
    let none = |place: usize| format!("no dwell is due at {place} ms");
    says(&chain.heard(11, |dwell| dwell.start = Start::At(at.plus_ms(1))), &none(first));
    says(&chain.heard(11, |dwell| dwell.start = Start::At(at.minus_ms(1))), &due(11, first - 1));
    says(&chain.heard(12, |dwell| dwell.start = Start::At(at.plus_ms(21))), &none(first + 20));
    says(&chain.heard(15, |dwell| dwell.start = Start::At(at.plus_ms(321))), &due(13, first + 320));
    says(&chain.heard(15, |dwell| dwell.start = Start::At(at.plus_ms(319))), &due(15, first + 319));
    // Without the one that takes over, the one between would begin after 620 ms, and the third go on till then.
    let alone = chain.seen(|watch| {
        watch.said.retain(|(_, said)| !matches!(said, Said::Dwell(dwell) if dwell.serial == 15));
    });
    says(&alone, &due(13, first + 320));
    // What was driven: nothing where a dwell is due, and a dwell where none is.
    let left = chain.seen(|watch| watch.ticks[first + 119].moment.state = State::Stopping);
    says(&left, &due(12, first + 119));
    let goes_on = chain.seen(|watch| watch.ticks[first + 421].moment = watch.ticks[first + 420].moment);
    says(&goes_on, &none(first + 421));
}

#[test]
fn a_report_that_is_not_true_or_is_left_out_or_comes_twice_is_found() {
    let mut chain = chain();
    for serial in [11, 12, 13, 15] {
        let changes: [fn(&mut DwellReport); 5] = [
            |report| report.started = report.started.plus_ms(1),
            |report| report.ended = report.ended.minus_ms(1),
            |report| report.ended = report.ended.plus_ms(1),
            |report| report.serial += 1,
            |report| {
                report.end = match report.end {
                    DwellEnd::Complete => DwellEnd::Condition,
                    _ => DwellEnd::Complete,
                }
            },
        ];
        for change in changes {
            let due = format!("due to be told: Some(DwellReport {{ serial: {serial}");
            says(&chain.told(serial, change), &due);
        }
        let is = |said: &Said| matches!(said, Said::Ended(_, report) if report.serial == serial);
        let left_out = chain.seen(|watch| watch.said.retain(|(_, said)| !is(said)));
        says(&left_out, &format!("due to be told: Some(DwellReport {{ serial: {serial}"));
        let twice = chain.seen(|watch| {
            let at = watch.said.iter().position(|(_, said)| is(said)).expect("told");
            watch.said.insert(at, watch.said[at].clone());
        });
        says(&twice, &format!("told: Some(DwellReport {{ serial: {serial}"));
    }
    let asked = chain.seen(|watch| {
        for (_, said) in &mut watch.said {
            if let Said::Answered(report) = said {
                report.end = DwellEnd::Condition;
            }
        }
    });
    says(&asked, "asked, the board told of DwellReport { serial: 12");
}

/// Says that every trip was found so much later.
fn later(by_ms: i32) -> impl Fn(&mut Watch) {
    move |watch| {
        for (_, said) in &mut watch.said {
            if let Said::Tripped(_, at) = said {
                *at = Tick(at.0.wrapping_add_signed(by_ms));
            }
        }
    }
}

#[test]
fn a_dwell_that_goes_on_beyond_its_lease_is_found_whatever_the_board_says_of_it() {
    let long = |at: Tick| vec![dwell(11, Start::At(at), 2_000), dwell(12, Start::AfterPrevious, 100)];
    let mut chain = carried_out(long, |host| {
        host.renews = false;
        host.pass(8_000);
    });
    assert!(matches!(chain.reports()[..], [(11, 0, _, DwellEnd::Tripped)]), "{:?}", chain.reports());
    // A board that says that it found that later is not believed.
    assert_eq!(chain.seen(later(1)), "");
    let renewed = chain.seen(|watch| {
        watch.said.retain(|(_, said)| !matches!(said, Said::Tripped(..)));
        let last = watch.said.iter().rposition(|(_, said)| *said == Said::Renewed).expect("renewed");
        watch.said[last].0 += 1;
    });
    says(&renewed, "is dwell 11 from");
}

#[test]
fn a_dwell_that_ends_at_another_tick_than_the_trip_is_found() {
    let mut scene = Scene::of("short heron 1 good guard-open@work2500+60000*1");
    assert_eq!(scene.seen(later(0)), "");
    says(&scene.seen(later(1)), "the dwell due at");
    says(&scene.seen(later(-1)), "no dwell is due at");
}
