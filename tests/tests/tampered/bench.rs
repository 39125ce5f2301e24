//! What was seen of the bench and heard on the wire.

use super::{GOOD, Scene, guards, says};
use stepwell_protocol::dwell::{Dwell, Ramp, Start};
use stepwell_protocol::guards::{CoilGuard, Guards, OnLoss};
use stepwell_protocol::message::{Action, Command, ToBoard, TripCause};
use stepwell_protocol::state::State;
use stepwell_protocol::time::Tick;
use stepwell_tests::world::played::case::{Case, Length};
use stepwell_tests::world::played::line::framed;
use stepwell_tests::world::played::machine::Machine;
use stepwell_tests::world::scripted::Scripted;
use stepwell_tests::world::witness::said::Said;
use stepwell_tests::world::witness::watch::{Beside, Watch};
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

/// No procedure of the program has a ramp; a host may.
#[test]
fn a_ramp_that_is_off_by_a_hundredth_of_a_per_cent_is_found() {
    let case = Case::healthy(Length::Short, "heron", 1);
    let plan = case.plan();
    let mut host = Scripted::new(&plan, Machine::new(case.rig(), 1, None));
    host.arm();
    let ramp = Dwell {
        serial: 1,
        start: Start::At(host.machine.now().plus_ms(10)),
        duration_ms: 700,
        inlet: Ramp { from_e4: 0, to_e4: 1_000 },
        pressure: Ramp { from_e4: 900, to_e4: 0 },
        supply_on: false,
        drive_rpm: 0,
        dump_closed: false,
        expect_flow: false,
        end_when: None,
        burst: None,
    };
    host.ask(Action::Dwell(ramp)).expect("a ramp is taken");
    host.pass(3_000);
    let (mut watch, as_it_was) = host.over();
    assert_eq!(as_it_was.wrong, Vec::<String>::new());
    let begins =
        watch.ticks.iter().position(|beside| beside.moment.state == State::Dwelling).expect("it dwells");
    watch.ticks[begins + 100].moment.outputs.inlet_duty_e4 += 1;
    let found = judged(&plan, &watch, None).wrong.join("\n");
    says(&found, &format!("driven at {} ms although no dwell says so", begins + 100));
}
