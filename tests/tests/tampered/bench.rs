//! What was seen of the bench and heard on the wire.

use super::{GOOD, Scene, guards, says};
use stepwell_plant::FaultKind;
use stepwell_protocol::channel::Channel;
use stepwell_protocol::guards::{CoilGuard, Guards, OnLoss};
use stepwell_protocol::message::{Action, Command, ToBoard, TripCause};
use stepwell_protocol::state::State;
use stepwell_protocol::time::Tick;
use stepwell_tests::world::case::{Case, Length};
use stepwell_tests::world::line::framed;
use stepwell_tests::world::machine::Machine;
use stepwell_tests::world::mishap::{Mishap, What};
use stepwell_tests::world::said::Said;
use stepwell_tests::world::scripted::Scripted;
use stepwell_tests::world::watch::{Beside, Watch};
use stepwell_tests::world::{folder, judged, run};
use stepwell_virtual::SimulatedBench;

#[test]
fn work_without_the_right_to_it_is_found() {
    let mut scene = Scene::of(GOOD);
    let turns = scene.first(|beside| beside.moment.drive_on());
    // No renewal is heard after that: the lease is gone 450 ms after the last one, to the tick.
    let last = scene
        .watch
        .said
        .iter()
        .rfind(|(at, said)| *at <= turns && *said == Said::Renewed)
        .expect("renewed")
        .0;
    let unleased = scene.seen(|watch| watch.said.retain(|(at, said)| *said != Said::Renewed || *at <= last));
    says(&unleased, &format!("working at {} ms without a lease", last + 449));

    let never = scene.seen(|watch| watch.said.retain(|(_, said)| !matches!(said, Said::Armed(_))));
    says(&never, "ms without having been armed");
    says(&never, "ms without being armed");
    let disarmed = scene.seen(|watch| {
        let at = watch.said.partition_point(|(at, _)| *at < turns);
        watch.said.insert(at, (turns, Said::Tripped(TripCause::GuardOpen, Tick(turns as u32))));
    });
    says(&disarmed, &format!("working at {turns} ms without being armed"));

    let armed = scene.armed();
    let no_guards = scene.seen(|watch| watch.said.retain(|(_, said)| !matches!(said, Said::Guards(_))));
    says(&no_guards, &format!("armed at {armed} ms with guards that the board was not given"));
    let early = scene.seen(|watch| watch.said.retain(|(at, said)| *said != Said::Renewed || *at > armed));
    says(&early, &format!("armed at {armed} ms without a lease"));
    for contact in 0..3 {
        let open = scene.seen(|watch| watch.ticks[armed - 1].contacts[contact] = false);
        says(&open, "with stop chain, guard or tank as they must not be");
    }
    let beyond = scene.seen(|watch| {
        guards(watch, |guards| guards.drive_rpm_max = 10);
    });
    says(&beyond, &format!("beyond the guards at {turns} ms"));
    let beyond = scene.seen(|watch| {
        guards(watch, |guards| guards.coils[1] = None);
    });
    says(&beyond, "beyond the guards at");
}

/// Changes what was seen in so many milliseconds from the one at `from` on.
pub(super) fn from_on(from: usize, ms: usize, change: impl Fn(&mut Beside)) -> impl FnOnce(&mut Watch) {
    move |watch| watch.ticks[from..from + ms].iter_mut().for_each(change)
}

fn inlet(guards: &mut Guards) -> &mut CoilGuard {
    guards.coils[0].as_mut().expect("an inlet valve")
}

/// What is changed in guards.
type Change = fn(&mut Guards);

#[test]
fn guards_other_than_the_sheets_are_found_each_by_its_name() {
    let mut scene = Scene::of(GOOD);
    // The rail sensor's zero may be off by 3 MPa, which are 491 counts of a tick's word; all limits with it.
    let changes: &[(&str, Change)] = &[
        ("rail limit", |guards| guards.rail_max += 600),
        ("low rail", |guards| guards.rail_low += 600),
        ("low rail", |guards| guards.rail_low += 5),
        // A shorted line, one that is open, a sound sensor under vacuum and at its span.
        ("rail sensor", |guards| guards.rail_live.low = 0),
        ("rail sensor", |guards| guards.rail_live.high = 40_950),
        ("rail sensor", |guards| guards.rail_live.low = 4_095),
        ("rail sensor", |guards| guards.rail_live.high = 36_800),
        ("rail at rest", |guards| guards.rail_zero.low -= 2),
        ("rail at rest", |guards| guards.rail_zero.high += 2),
        ("least supply voltage", |guards| guards.supply.low -= 50),
        ("largest supply voltage", |guards| guards.supply.high += 50),
        ("hottest fluid", |guards| guards.fluid.low -= 3),
        ("hottest fluid", |guards| guards.fluid.low += 3),
        ("coldest fluid", |guards| guards.fluid.high += 3),
        ("coldest fluid", |guards| guards.fluid.high -= 3),
        ("feed sensor", |guards| guards.feed_live = None),
        ("feed sensor", |guards| guards.feed_live.as_mut().expect("a feed sensor").low = 0),
        ("feed sensor", |guards| guards.feed_live.as_mut().expect("a feed sensor").high = 40_950),
        ("feed sensor", |guards| guards.feed_live.as_mut().expect("a feed sensor").high = 36_800),
        ("speed", |guards| guards.drive_rpm_max += 1),
        ("drive time", |guards| guards.drive_on_ms_max += 1),
        ("drive time", |guards| guards.drive_rest_ms_min -= 1),
        ("flow gap", |guards| guards.flow_gap_ms_max += 1),
        ("coil", |guards| inlet(guards).on_loss = OnLoss::Falls),
        ("coil", |guards| inlet(guards).duty_max_e4 += 1),
        ("coil", |guards| guards.coils[1].as_mut().expect("a pressure valve").relieve_e4 += 1),
        ("coil", |guards| inlet(guards).current_max += 10),
        ("coil", |guards| guards.coils[1] = None),
        ("coil's zero", |guards| inlet(guards).zero.low = 1),
        // A coil's zero may be off by 0.225 A, which are 1843 counts; both limits with it.
        ("coil's zero", |guards| {
            inlet(guards).zero.high += 1_900;
            inlet(guards).current_max += 1_900;
        }),
        // 10 V to 15 V in one loop: what is drawn is half as much again at the most.
        ("current at full duty", |guards| inlet(guards).full_duty *= 2),
        ("current at full duty", |guards| inlet(guards).full_duty /= 2),
    ];
    for &(name, change) in changes {
        let found = scene.seen(|watch| guards(watch, change));
        says(&found, &format!("whose {name} is not the sheets'"));
    }
}

#[test]
fn what_no_dwell_says_is_found() {
    let mut scene = Scene::of(GOOD);
    let (turns, stop) = (scene.first(|beside| beside.moment.drive_on()), scene.stop());
    let other = scene.seen(|watch| watch.ticks[turns + 500].moment.outputs.pressure_duty_e4 ^= 1);
    says(&other, &format!("driven at {} ms although no dwell says so", turns + 500));
    let longer = scene.seen(|watch| watch.ticks[stop].moment.outputs = watch.ticks[stop - 1].moment.outputs);
    says(&longer, &format!("driven at {stop} ms although no dwell says so"));
    let stopped = scene.seen(|watch| {
        let at = watch.said.partition_point(|(at, _)| *at < turns + 100);
        watch.said.insert(at, (turns + 100, Said::Stop));
    });
    says(&stopped, &format!("driven at {} ms although no dwell says so", turns + 100));
    // A hold is the end of a dwell, and a board that has started anew has carried out none.
    let held =
        (stop..stop + 40).find(|place| scene.watch.ticks[*place].moment.outputs.energised()).expect("a hold");
    let anew = scene.seen(|watch| watch.ticks[held].restarted = true);
    says(&anew, &format!("driven at {held} ms although no dwell says so"));
    let hangs = |ms: usize| from_on(turns, ms, |beside| beside.running = false);
    // A watchdog of 50 ms that is 10 % slow, and a tick.
    let hung = "driven by a loop that has hung for 57 ms";
    assert!(!scene.seen(hangs(57)).contains(hung));
    says(&scene.seen(hangs(58)), hung);
    let clock = scene.seen(|watch| watch.ticks[turns].moment.tick += 1);
    says(&clock, "the board's clock is at");
    let late = scene.seen(|watch| watch.said.push((watch.ticks.len() - 1, Said::LateActed(Action::Disarm))));
    says(&late, "a command that had outlived its time acted");
    let driven = scene.seen(|watch| watch.ticks.last_mut().expect("ticks").moment.outputs.supply_on = true);
    says(&driven, "something is still driven at the end");
}

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
    let hidden = scene.judged(Some(mishap(FaultKind::RailSensorLow)), pressed(5.9e6)).wrong.join("\n");
    assert!(!hidden.contains(told), "{hidden}");
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
                beside.moment.outputs = stepwell_core::Outputs::REST;
            }
        };
        let told = "by the word of a rail sensor that was known to be dead";
        let full = scene.judged(Some(begun), |_| {}).wrong.join("\n");
        assert!(!full.contains(told), "{case}: {full}");
        says(&scene.judged(Some(begun), |watch| ends(watch, 4_999)).wrong.join("\n"), told);
    }
}

#[test]
fn a_latch_that_clears_itself_is_found() {
    let mut scene = Scene::of("short heron 1 good guard-open@work2500+60000*1");
    let latched = scene.first(|beside| beside.moment.state == State::Tripped);
    let cleared = scene.seen(|watch| watch.ticks[latched + 100].moment.state = State::Rest);
    says(&cleared, &format!("a latched trip cleared itself at {} ms", latched + 100));
    // It never was: the stop is staged, and after it the board is as it was before the dwell.
    let never = scene.seen(|watch| {
        for beside in &mut watch.ticks[latched..] {
            beside.moment.state = State::Armed;
        }
    });
    says(&never, &format!("Armed after a trip, at {latched} ms"));
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

#[test]
fn a_board_that_stays_armed_though_it_was_left_alone_is_found() {
    let case = Case::healthy(Length::Short, "heron", 1);
    let plan = case.plan();
    let mut host = Scripted::new(&plan, Machine::new(case.rig(), 1, None));
    host.arm();
    host.pass(121_000);
    let armed =
        host.watch.ticks.iter().position(|beside| beside.moment.state == State::Armed).expect("armed");
    let (mut watch, judged_as_it_was) = host.over();
    assert_eq!(judged_as_it_was.wrong, Vec::<String>::new());
    assert_eq!(watch.ticks.last().map(|beside| beside.moment.state), Some(State::Rest));
    watch.ticks[armed..].iter_mut().for_each(|beside| beside.moment.state = State::Armed);
    says(&judged(&plan, &watch, None).wrong.join("\n"), "and nothing was asked for 120000 ms");
}

/// The board hears a command in time; the watch is told of both command and answer later, as if the board had heard it
/// then: by the true clock it was late, and acted all the same.
#[test]
fn late_is_late_by_the_true_clock_to_the_tick() {
    for (late_ms, late) in [(0, false), (1, true), (500, true)] {
        let case = Case::healthy(Length::Short, "heron", 1);
        let plan = case.plan();
        let mut host = Scripted::new(&plan, Machine::new(case.rig(), 1, None));
        let valid_until = host.machine.now().plus_ms(20);
        let command = Command { session: 7, id: 1, valid_until, action: Action::SetGuards(host.guards()) };
        let bytes = framed(&ToBoard::Command(command));
        host.machine.receive(&bytes);
        let mut answer = Vec::new();
        host.machine.transmit(&mut answer);
        host.pass(20 + late_ms);
        host.watch.heard(&bytes);
        host.watch.spoke(&answer);
        host.pass(10);
        let (_, judged) = host.over();
        let found = judged.wrong.iter().any(|wrong| wrong.contains("outlived its time"));
        assert_eq!(found, late, "{late_ms} ms late: {:?}", judged.wrong);
    }
}

#[test]
fn lost_liquid_and_gas_are_found_and_fluid_that_is_too_hot_or_too_cold() {
    // A short run finds its rig full, and no gas in it.
    let mut scene = Scene::of("acceptance heron 1 good");
    let after = |watch: &mut Watch| watch.truths.expect("ticks");
    let liquid = scene.seen(|watch| {
        let (first, mut last) = after(watch);
        last.stored_liquid_m3 -= 1e-3 * (last.counters.supplied_m3 + first.stored_liquid_m3);
        watch.truths = Some((first, last));
    });
    says(&liquid, "m3 of liquid came");
    let gas = scene.seen(|watch| {
        let (first, mut last) = after(watch);
        last.stored_gas_kg += 1e-3 * (first.stored_gas_kg + last.counters.gas_in_kg);
        watch.truths = Some((first, last));
    });
    says(&gas, "kg of gas came");
    let hot = scene.plan.bench.fluid_celsius.1 + 1.1;
    let turns = scene.first(|beside| beside.moment.drive_on());
    let heated = |ms: usize| from_on(turns, ms, move |beside| beside.fluid_sensed_celsius = hot);
    assert_eq!(scene.seen(heated(1_000)), "", "a second is allowed");
    says(&scene.seen(heated(1_001)), "fluid too hot for 1001 ms");
    let cold = scene.plan.bench.fluid_celsius.0 - 1.1;
    let cooled = |ms: usize| from_on(turns, ms, move |beside| beside.fluid_sensed_celsius = cold);
    assert_eq!(scene.seen(cooled(1_000)), "", "a second is allowed");
    says(&scene.seen(cooled(1_001)), "fluid too cold for 1001 ms");
}

#[test]
fn a_run_that_does_not_end_is_found() {
    let folder = folder();
    let case: Case = "short heron 1 good person-silent@0+3600000*1".parse().expect("a case");
    let story = run(&case, &folder.path().join("runs.stepwell"));
    assert_eq!(story.wrong, ["the run does not end"]);
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

/// What another session says, and what must be latched at rest.
#[test]
fn a_second_host_is_given_ten_ms_and_a_latch_that_goes_while_the_shaft_turns_is_found_once() {
    let mut scene = Scene::of(GOOD);
    let turns = scene.first(|beside| beside.moment.drive_on());
    let other = scene.seen(|watch| {
        let at = watch.said.partition_point(|(at, _)| *at < turns + 50);
        watch.said.insert(at, (turns + 50, Said::Foreign));
    });
    says(&other, "second host for");
    says(&other, "10 at the most");
    let mut tripped = Scene::of("short heron 1 good drive-runs-on@work2500+60000*1");
    let latched = tripped.first(|beside| beside.moment.state == State::Tripped);
    let unlatched = tripped.seen(|watch| {
        watch.ticks[latched + 3_000..].iter_mut().for_each(|beside| beside.moment.state = State::Rest);
    });
    let told = unlatched.matches("the shaft turns 5170 ms after the drive and nobody is told").count();
    assert_eq!(told, 1, "{unlatched}");
}
