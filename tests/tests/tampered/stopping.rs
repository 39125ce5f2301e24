//! The rail, and the stop that is to empty it: armings, guards, holds, and what stays afterwards.

use super::bench::from_on;
use super::{GOOD, Scene, says};
use stepwell_core::Outputs;
use stepwell_plant::FaultKind;
use stepwell_protocol::channel::Channel;
use stepwell_protocol::message::TripCause;
use stepwell_protocol::state::State;
use stepwell_protocol::time::Tick;
use stepwell_tests::world::checkers::spurious;
use stepwell_tests::world::played::case::Case;
use stepwell_tests::world::played::line::Quality;
use stepwell_tests::world::played::mishap::{HostMishap, LineMishap, Mishap, PersonMishap, What};
use stepwell_tests::world::witness::said::Said;
use stepwell_tests::world::witness::watch::{Beside, Watch};

#[test]
fn a_stop_out_of_order_is_found_and_a_coil_is_let_go_for_a_reason_only() {
    let mut scene = Scene::of(GOOD);
    let stop = scene.stop();
    let turns_on = scene.seen(|watch| watch.ticks[stop].moment.outputs.drive_rpm = 120);
    says(&turns_on, "drive, supply or dump energised while stopping");
    let let_go = |watch: &mut Watch| watch.ticks[stop + 5].moment.outputs.inlet_duty_e4 = 0;
    says(&scene.seen(let_go), "duties");
    let over = |watch: &mut Watch, at: usize| {
        for beside in &mut watch.ticks[at..at + 8] {
            beside.analog[Channel::InletCurrent.index()] = u16::MAX;
        }
    };
    let found = scene.seen(|watch| {
        over(watch, stop - 3);
        let_go(watch);
    });
    assert!(!found.contains("duties"), "a coil that shows too much current may be let go: {found}");
    // What was over a second before is no reason any more.
    let found = scene.seen(|watch| {
        over(watch, stop - 1_000);
        let_go(watch);
    });
    says(&found, "duties");
    // And the reason of one stop is none in the next.
    let later = (stop + 2_000..scene.watch.ticks.len())
        .find(|place| scene.watch.ticks[*place].moment.state == State::Stopping)
        .expect("a stop");
    let found = scene.seen(|watch| {
        over(watch, stop);
        watch.ticks[later].moment.outputs.inlet_duty_e4 = 0;
    });
    says(&found, "duties");
}

/// Nothing proves a rail empty but its sensor, to the count of its zero's band, and the truth, by what a sensor may be off.
#[test]
fn an_arming_under_pressure_is_found() {
    let mut scene = Scene::of(GOOD);
    let (armed, zero_within_pa) = (scene.armed(), scene.plan.bench.rail_zero_pa);
    // Its zero is what its first words show, 0.6 MPa at the most; a slope of 1 %, 0.1 MPa of noise.
    let span = scene.plan.bench.rail_pressure;
    let pa_per_count = span.span_pa / (span.span_v - span.zero_v) * 5.0 / 40_950.0;
    let rest: f64 = scene.watch.ticks[..100].iter().map(|beside| f64::from(beside.analog[0])).sum();
    let zero_pa = rest / 100.0 * pa_per_count - span.zero_v * span.span_pa / (span.span_v - span.zero_v);
    assert!(zero_pa.abs() <= 0.6e6 + 0.1e6, "{zero_pa}");
    let most_pa = (zero_within_pa - zero_pa) / 0.99 + 1e5;
    let pressed = |pa: f64| move |watch: &mut Watch| watch.ticks[armed - 1].moment.rail_pa = pa;
    assert_eq!(scene.seen(pressed(most_pa - 1e3)), "");
    says(&scene.seen(pressed(most_pa + 1e3)), &format!("armed at {armed} ms with"));
    let mishap = |kind: FaultKind| Mishap {
        what: What::Rig(kind),
        onset_ms: 1,
        of_work: false,
        for_ms: 60_000,
        severity: 1.0,
    };
    // What shows too little hides it; what has nothing to do with the rail does not.
    let told = "Pa in the rail";
    let hidden = scene.judged(Some(mishap(FaultKind::RailSensorLow)), pressed(5.9e6));
    assert!(!hidden.wrong.join("\n").contains(told), "{:?}", hidden.wrong);
    says(&hidden.beyond.join("\n"), told);
    // Noise is twenty times the healthy one, 0.1 MPa, and hides no more than that.
    let noisy = |pa: f64| scene.judged(Some(mishap(FaultKind::RailSensorNoisy)), pressed(pa));
    let [hidden, known] = [-1e3, 1e3].map(|off_pa| most_pa + 1.9e6 + off_pa).map(noisy);
    assert!(!hidden.wrong.join("\n").contains(told), "{:?}", hidden.wrong);
    says(&hidden.beyond.join("\n"), told);
    says(&known.wrong.join("\n"), told);
    says(&scene.judged(Some(mishap(FaultKind::FeedSensorOpen)), pressed(5.9e6)).wrong.join("\n"), told);
    // Two of three words are beyond what the sheet calls a zero, above or below.
    let zero_counts = span.zero_v * 8_190.0;
    for shown_pa in [zero_within_pa + 5e4, -zero_within_pa - 5e4] {
        let word = (zero_counts + shown_pa / pa_per_count).round() as u16;
        let shows = |ticks: usize| {
            from_on(armed - 3, ticks, move |beside| beside.analog[Channel::RailPressure.index()] = word)
        };
        assert!(!scene.seen(shows(1)).contains("with a rail sensor that shows"));
        says(&scene.seen(shows(2)), &format!("armed at {armed} ms with a rail sensor that shows"));
    }
}

/// A hold proves the rail low by a sensor that is alive.
#[test]
fn a_hold_that_a_dead_rail_sensor_ends_is_found() {
    let cases = ["rail-sensor-open@work2500+60000*1", "board-adc-stuck@work2500+60000*1"];
    for case in cases {
        let text = format!("short heron 1 good {case}");
        let mut scene = Scene::of(&text);
        let mishap = text.parse::<Case>().expect("a case").mishap.expect("a mishap");
        let (stop, latched) = (scene.stop(), scene.first(|beside| beside.moment.state == State::Tripped));
        assert_eq!(latched - stop, 5_000, "{case}");
        let begun = mishap.begun(stop as u64 - 20);
        let ends = |watch: &mut Watch, after: usize| {
            for beside in &mut watch.ticks[stop + after..latched] {
                beside.moment.state = State::Tripped;
                beside.moment.outputs = Outputs::REST;
            }
        };
        let told = "by the word of a rail sensor that was known to be dead";
        let full = scene.judged(Some(begun), |_| {}).wrong.join("\n");
        assert!(!full.contains(told), "{case}: {full}");
        says(&scene.judged(Some(begun), |watch| ends(watch, 4_999)).wrong.join("\n"), told);
    }
}

/// A board that says itself that the sensor is dead takes the full hold too, whatever it found that by.
#[test]
fn a_hold_that_ends_after_a_trip_for_the_rail_sensor_is_found() {
    let mut scene = Scene::of(GOOD);
    let stop = scene.stop();
    let told = "by the word of a rail sensor that was known to be dead";
    for cause in [TripCause::RailSensorDead, TripCause::RailSensorFrozen, TripCause::AdcFrozen] {
        let found = scene.seen(|watch| {
            let at = watch.said.partition_point(|(at, _)| *at <= stop);
            watch.said.insert(at, (stop + 1, Said::Tripped(cause, Tick(stop as u32))));
        });
        says(&found, told);
    }
    let other = scene.seen(|watch| {
        let at = watch.said.partition_point(|(at, _)| *at <= stop);
        watch.said.insert(at, (stop + 1, Said::Tripped(TripCause::FeedSensorDead, Tick(stop as u32))));
    });
    assert!(!other.contains(told), "{other}");
}

#[test]
fn a_trip_for_nothing_is_found() {
    let scene = Scene::of(GOOD);
    let mut watch = scene.watch;
    let told = |watch: &Watch, line: Quality, begun: Option<Mishap>| spurious::trips(watch, line, begun);
    assert_eq!(told(&watch, Quality::GOOD, None), Vec::<String>::new());
    watch.said.push((9_000, Said::Tripped(TripCause::LeaseLost, Tick(9_000))));
    let found = ["tripped by LeaseLost at 9000 ms for nothing"];
    assert_eq!(told(&watch, Quality::GOOD, None), found);
    assert_eq!(told(&watch, Quality::BAD, None), Vec::<String>::new(), "what a bad line does");
    let begun = |onset_ms: u64| {
        let what = What::Rig(FaultKind::GuardOpen);
        Some(Mishap { what, onset_ms, of_work: false, for_ms: 60_000, severity: 1.0 })
    };
    // What the tick of millisecond 9000 finds is said before the next.
    assert_eq!(told(&watch, Quality::GOOD, begun(9_000)), Vec::<String>::new());
    assert_eq!(told(&watch, Quality::GOOD, begun(9_001)), found, "before anything went wrong");
    // What goes wrong does not bring that about.
    let of = |what: What| Some(Mishap { what, onset_ms: 1, of_work: false, for_ms: 60_000, severity: 1.0 });
    let lost = [What::Host(HostMishap::Slow), What::Line(LineMishap::Drop)];
    let never = [
        What::Person(PersonMishap::No),
        What::Host(HostMishap::DiskFull),
        What::Host(HostMishap::Mad),
        What::Line(LineMishap::SecondHost),
    ];
    for what in lost {
        assert_eq!(told(&watch, Quality::GOOD, of(what)), Vec::<String>::new());
    }
    for what in never {
        assert_eq!(told(&watch, Quality::GOOD, of(what)), found);
    }
    watch.said.push((9_500, Said::Tripped(TripCause::RailHigh, Tick(9_500))));
    for what in lost {
        assert_eq!(told(&watch, Quality::BAD, of(what)), ["tripped by RailHigh at 9500 ms for nothing"]);
    }
}

#[test]
fn pressure_that_stays_and_a_coil_that_is_driven_at_rest_are_found_to_the_tick() {
    let mut scene = Scene::of(GOOD);
    let at_work = |beside: &Beside| matches!(beside.moment.state, State::Dwelling | State::Stopping);
    let from = 1 + scene.watch.ticks.iter().rposition(at_work).expect("it works");
    // Low is 0.5 MPa; a slope of 1 %, 0.1 MPa of noise, and nothing has become warmer.
    let pressed_pa = 0.65e6;
    let pressed = |ms: usize| from_on(from, ms, move |beside| beside.moment.rail_pa = pressed_pa);
    assert_eq!(scene.seen(pressed(10_020)), "", "what the protocol allows");
    says(&scene.seen(pressed(10_021)), "pressure stays for 10020 ms and nobody is told");
    let driven = |from: usize, ms: usize| from_on(from, ms, |beside| beside.current_a[0] = 1.0);
    assert_eq!(scene.seen(driven(from + 1_000, 50)), "", "what the protocol allows");
    let told = "coil 0 is driven at rest for 51 ms and nobody is told";
    says(&scene.seen(driven(from + 1_000, 51)), told);
    // What was driven until then may die away for 100 ms, and a tick sets what the next one shows.
    assert!(scene.watch.ticks[from - 1].moment.outputs.inlet_duty_e4 > 0, "held to the end");
    assert_eq!(scene.seen(driven(from, 151)), "", "what the protocol allows");
    says(&scene.seen(driven(from, 152)), told);
    // Before the first dwell, from the guards on.
    let guarded =
        scene.watch.said.iter().find(|(_, said)| matches!(said, Said::Guards(_))).expect("guards").0;
    assert!(scene.first(at_work) > guarded + 51, "nothing is driven so soon");
    assert_eq!(scene.seen(driven(guarded, 50)), "", "what the protocol allows");
    says(&scene.seen(driven(guarded, 51)), told);
    // A channel that shows what is no zero, whatever flows; its second word is the first that counts.
    let shows = |ms: usize| {
        from_on(from + 1_000, ms, |beside| beside.analog[Channel::PressureCurrent.index()] += 1_000)
    };
    assert_eq!(scene.seen(shows(51)), "", "what the protocol allows");
    says(&scene.seen(shows(52)), "coil 1 shows a current at rest for 52 ms and nobody is told");
}

#[test]
fn a_coil_that_draws_too_much_in_the_hold_of_a_stop_and_is_not_let_go_is_found() {
    let mut scene = Scene::of(GOOD);
    let stop = scene.stop();
    let held = scene.watch.ticks[stop].moment.outputs;
    assert!(held.inlet_duty_e4 > 0, "nothing is held: {held:?}");
    let over = |ms: usize| from_on(stop, ms, |beside| beside.current_words[0] = 40_950);
    // Over a period of 5 ms its mean is too much from the first tick on, and for four more.
    assert_eq!(scene.seen(over(6)), "", "ten milliseconds are allowed");
    says(&scene.seen(over(20)), "over-current, inlet for");
}

/// The sensor shows what it showed, and the rail is at more than the pump's guard.
#[test]
fn a_rail_above_its_guard_is_excused_only_while_a_mishap_hides_it_and_its_sensor_shows_less() {
    let mut scene = Scene::of(GOOD);
    let turns = scene.first(|beside| beside.moment.drive_on()) + 100;
    let guard_pa = scene.plan.pump.rail_guard_pa;
    let above = |watch: &mut Watch| {
        watch.ticks[turns..turns + 100].iter_mut().for_each(|beside| beside.moment.rail_pa = 1.1 * guard_pa);
    };
    let hides = |kind: FaultKind, for_ms: usize| Mishap {
        what: What::Rig(kind),
        onset_ms: turns as u64,
        of_work: false,
        for_ms: for_ms as u64,
        severity: 1.0,
    };
    let told = ["rail above its guard for 100 ms from tick", "rail above its guard for 100 ms from"];
    let known = scene.judged(None, above);
    assert!(told.iter().all(|told| known.wrong.join("\n").contains(told)), "{:?}", known.wrong);
    for kind in [FaultKind::RailSensorLow, FaultKind::RailSensorSlow] {
        let hidden = scene.judged(Some(hides(kind, 100)), above);
        assert_eq!(hidden.wrong, Vec::<String>::new());
        assert!(told.iter().all(|told| hidden.beyond.join("\n").contains(told)), "{:?}", hidden.beyond);
        // Its word is above the guard: the board could know.
        let shown = scene.judged(Some(hides(kind, 100)), |watch| {
            above(watch);
            for beside in &mut watch.ticks[turns..turns + 100] {
                beside.analog[Channel::RailPressure.index()] = 40_000;
            }
        });
        says(&shown.wrong.join("\n"), "rail above its guard for 100 ms");
        assert_eq!(shown.beyond, Vec::<String>::new());
        // It acts for 79 of the 100 ms: 21 are left, and 20 are allowed.
        let over = scene.judged(Some(hides(kind, 79)), above);
        says(&over.wrong.join("\n"), "rail above its guard for 100 ms");
        assert_eq!(scene.judged(Some(hides(kind, 80)), above).wrong, Vec::<String>::new());
    }
    let other = scene.judged(Some(hides(FaultKind::FeedSensorOpen, 100)), above);
    says(&other.wrong.join("\n"), "rail above its guard for 100 ms");
    // With a dump that does not move only the end of work is the board's doing.
    let stuck = scene.judged(Some(hides(FaultKind::DumpStuckShut, 100)), above);
    says(&stuck.wrong.join("\n"), told[1]);
    assert!(!stuck.wrong.join("\n").contains(told[0]), "{:?}", stuck.wrong);
    says(&stuck.beyond.join("\n"), told[0]);
    let stands_pa = scene.plan.bench.rail_max_pa + 1e6;
    let burst = scene.judged(Some(hides(FaultKind::RailSensorLow, 100)), |watch| {
        watch.ticks[turns].moment.rail_pa = stands_pa;
    });
    says(&burst.wrong.join("\n"), "more than the rig can stand");
}

#[test]
fn a_hold_that_ends_while_the_shaft_turns_is_excused_only_when_its_sensor_died_too_late() {
    let mut scene = Scene::of(GOOD);
    let stop = scene.stop();
    let ends = (stop..scene.watch.ticks.len())
        .find(|place| scene.watch.ticks[*place].moment.state != State::Stopping)
        .expect("it ends");
    let last_driven =
        (0..stop).rfind(|place| scene.watch.ticks[*place].moment.drive_on()).expect("it turned");
    let turns = |watch: &mut Watch| {
        watch.ticks[ends - 500..ends].iter_mut().for_each(|beside| beside.moment.speed_rev_per_s = 0.1);
    };
    let dead = Mishap {
        what: What::Rig(FaultKind::SpeedSensorDead),
        onset_ms: stop as u64,
        of_work: false,
        for_ms: 60_000,
        severity: 1.0,
    };
    says(&scene.judged(None, turns).wrong.join("\n"), "though the shaft turned");
    let late = scene.judged(Some(dead), turns);
    assert_eq!(late.wrong, Vec::<String>::new());
    says(&late.beyond.join("\n"), "though the shaft turned");
    // Rail at twice of low: known, unless its sensor shows half of it.
    let high = |watch: &mut Watch| {
        let word = watch.ticks[..100].iter().map(|beside| u32::from(beside.analog[0])).sum::<u32>() / 100;
        for beside in &mut watch.ticks[ends - 50..ends] {
            beside.moment.rail_pa = 1e6;
            beside.analog[0] = word as u16;
        }
    };
    says(&scene.judged(None, high).wrong.join("\n"), "0 ms after 1000000 Pa");
    let half = Mishap { what: What::Rig(FaultKind::RailSensorLow), ..dead };
    let hidden = scene.judged(Some(half), high);
    assert!(!hidden.wrong.join("\n").contains("1000000 Pa"), "{:?}", hidden.wrong);
    says(&hidden.beyond.join("\n"), "0 ms after 1000000 Pa");
    // Whole again before the end: what it kept back is still excused, until it gives a pulse.
    let healed = Mishap { for_ms: (ends - 20 - stop) as u64, ..dead };
    assert_eq!(scene.judged(Some(healed), turns).wrong, Vec::<String>::new());
    let told = scene.judged(Some(healed), |watch| {
        turns(watch);
        watch.ticks[ends - 10..].iter_mut().for_each(|beside| beside.pulses[1].count ^= 1);
    });
    says(&told.wrong.join("\n"), "though the shaft turned");
    // Whole again for longer than a shaft may be silent.
    let long_ago = Mishap { onset_ms: stop as u64 - 2_000, for_ms: 100, ..dead };
    says(&scene.judged(Some(long_ago), turns).wrong.join("\n"), "though the shaft turned");
    // Silent for more than half a second while it was driven.
    let early = scene.judged(Some(Mishap { onset_ms: 1, ..dead }), |watch| {
        turns(watch);
        let count = watch.ticks[last_driven - 600].pulses[1].count;
        watch.ticks[last_driven - 600..ends].iter_mut().for_each(|beside| beside.pulses[1].count = count);
    });
    says(&early.wrong.join("\n"), "though the shaft turned");
}
