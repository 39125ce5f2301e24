//! What must not last: from when it counts, and what a contact that lies excuses.

use super::bench::from_on;
use super::{GOOD, Scene, says};
use stepwell_plant::FaultKind;
use stepwell_protocol::channel::Coil;
use stepwell_protocol::state::State;
use stepwell_tests::world::judged;
use stepwell_tests::world::played::case::{Case, Length};
use stepwell_tests::world::played::machine::Machine;
use stepwell_tests::world::played::mishap::{Mishap, What};
use stepwell_tests::world::scripted::Scripted;
use stepwell_tests::world::witness::said::Said;
use stepwell_tests::world::witness::watch::{Beside, Watch};

const CHAIN: usize = 0;
const GUARD: usize = 1;

/// The guard is open, and its contact says so.
fn guard_open(beside: &mut Beside) {
    (beside.contacts[GUARD], beside.truly[GUARD]) = (false, false);
}

/// A coil's channel shows a current, whatever flows.
fn shows(coil: Coil) -> impl Fn(&mut Beside) {
    move |beside: &mut Beside| beside.analog[coil.current().index()] = 20_000
}

fn name(coil: Coil) -> &'static str {
    match coil {
        Coil::Inlet => "inlet",
        Coil::Pressure => "pressure",
    }
}

/// Something is heard besides, before each of these ticks.
fn heard(watch: &mut Watch, places: impl Iterator<Item = usize>, what: &Said) {
    watch.said.extend(places.map(|place| (place, what.clone())));
    watch.said.sort_by_key(|(place, _)| *place);
}

#[test]
fn what_begins_while_the_board_is_armed_counts_from_there() {
    let mut scene = Scene::of(GOOD);
    let ticks = &scene.watch.ticks;
    let armed = |beside: &Beside| beside.moment.state == State::Armed;
    // Work begins after so long an armed pause.
    let begins = (60..ticks.len())
        .find(|place| {
            ticks[place - 60..*place].iter().all(armed) && ticks[*place].moment.state == State::Dwelling
        })
        .expect("a pause");
    let open = |ms: usize| from_on(begins - 60, ms, guard_open);
    assert_eq!(scene.seen(open(100)), "", "the protocol allows it");
    says(&scene.seen(open(101)), &format!("guard open for 101 ms from {} ms on", begins - 60));
}

#[test]
fn what_lasts_while_the_board_is_armed_is_found_without_any_work() {
    let case = Case::healthy(Length::Short, "heron", 1);
    let plan = case.plan();
    let mut host = Scripted::new(&plan, Machine::new(case.rig(), 1, None));
    host.arm();
    host.pass(3_000);
    let (mut watch, judged_as_it_was) = host.over();
    assert_eq!(judged_as_it_was.wrong, Vec::<String>::new());
    let armed = watch.ticks.iter().position(|beside| beside.moment.state == State::Armed).expect("armed");
    let mut found = |tamper: &dyn Fn(&mut Watch)| {
        let good = (watch.ticks.clone(), watch.said.clone());
        tamper(&mut watch);
        let found = judged(&plan, &watch, None).wrong.join("\n");
        (watch.ticks, watch.said) = good;
        found
    };
    let open = |ms: usize| move |watch: &mut Watch| from_on(armed + 500, ms, guard_open)(watch);
    for coil in Coil::BOTH {
        let shown = |ms: usize| move |watch: &mut Watch| from_on(armed + 500, ms, shows(coil))(watch);
        assert_eq!(found(&shown(51)), "", "50 ms, and a median's second word");
        let told = format!("current shown at 0 %, {} for 52 ms from {} ms on", name(coil), armed + 500);
        says(&found(&shown(52)), &told);
    }
    assert_eq!(found(&open(100)), "", "the protocol allows it");
    says(&found(&open(101)), "guard open for 101 ms");
    // At rest nobody watches a guard; that the board arms with one that is open is said by another.
    let rests = |watch: &mut Watch| from_on(armed - 50, 150, guard_open)(watch);
    let at_rest = found(&rests);
    assert!(!at_rest.contains("guard open"), "{at_rest}");
    let impossible = |watch: &mut Watch| heard(watch, [armed + 500].into_iter(), &Said::Impossible);
    says(&found(&impossible), "impossible command for");
    // Twenty broken frames within a second are allowed, and more for no longer than another second.
    let noise = |every_ms: usize, ms: usize| {
        move |watch: &mut Watch| {
            heard(watch, (armed + 100..armed + 100 + ms).step_by(every_ms), &Said::Broken);
        }
    };
    assert_eq!(found(&noise(50, 2_800)), "");
    // The twenty-first comes after 800 ms, and the last of a second and a half has passed 180 ms after its end.
    assert_eq!(found(&noise(40, 1_500)), "");
    says(&found(&noise(40, 2_800)), "broken frames for");
}

#[test]
fn what_a_channel_shows_of_a_coil_that_was_driven_counts_from_its_decay_on() {
    let mut scene = Scene::of(GOOD);
    for coil in Coil::BOTH {
        let ticks = &scene.watch.ticks;
        let off = |place: usize| ticks[place].moment.outputs.duty_e4(coil) == 0;
        let goes_on = |place: usize| matches!(ticks[place].moment.state, State::Dwelling | State::Armed);
        // It is driven no longer, and work or a pause of it goes on after its decay.
        let over = (1..ticks.len() - 160)
            .find(|&place| {
                !off(place - 1) && (place..place + 160).all(off) && (place + 100..place + 160).all(goes_on)
            })
            .expect("a duty ends");
        let shown = |ms: usize| from_on(over, ms, shows(coil));
        // 100 ms, and the tick whose outputs are the first at 0 %.
        assert_eq!(scene.seen(shown(101 + 51)), "");
        let told = format!("current shown at 0 %, {} for 52 ms from {} ms on", name(coil), over + 101);
        says(&scene.seen(shown(101 + 52)), &told);
    }
}

#[test]
fn a_stop_in_which_something_has_lasted_too_long_leads_to_the_latch() {
    let mut scene = Scene::of(GOOD);
    let stop = scene.stop();
    let length = scene.watch.ticks[stop..]
        .iter()
        .position(|beside| beside.moment.state != State::Stopping)
        .expect("it ends");
    assert!(length > 30, "{length} ms");
    let open = |ms: usize| {
        from_on(stop, ms, |beside: &mut Beside| {
            (beside.contacts[CHAIN], beside.truly[CHAIN]) = (false, false);
        })
    };
    assert_eq!(scene.seen(open(20)), "", "the protocol allows it");
    says(&scene.seen(open(21)), "stop chain open for 21 ms");
    let latched = scene.seen(|watch| {
        open(21)(watch);
        watch.ticks[stop + length].moment.state = State::Tripped;
    });
    assert!(!latched.contains("stop chain open"), "{latched}");
    let foreign = scene.seen(|watch| heard(watch, [stop + 5].into_iter(), &Said::Foreign));
    says(&foreign, "second host for");
}

#[test]
fn what_a_contact_hides_is_excused_only_while_a_mishap_makes_it_lie() {
    let mut scene = Scene::of(GOOD);
    let turns = scene.first(|beside| beside.moment.drive_on());
    let stuck = |kind: FaultKind| Mishap {
        what: What::Rig(kind),
        onset_ms: turns as u64,
        of_work: false,
        for_ms: 1_200,
        severity: 1.0,
    };
    let kinds = [
        (FaultKind::StopChainContactStuck, "stop chain open for 1200 ms"),
        (FaultKind::GuardContactStuck, "guard open for 1200 ms"),
        (FaultKind::TankContactStuck, "tank low for 1200 ms"),
    ];
    for (contact, (kind, told)) in kinds.into_iter().enumerate() {
        let lies = || from_on(turns, 1_200, move |beside: &mut Beside| beside.truly[contact] = false);
        says(&scene.judged(None, lies()).wrong.join("\n"), told);
        let hidden = scene.judged(Some(stuck(kind)), lies());
        assert_eq!(hidden.wrong, Vec::<String>::new());
        says(&hidden.beyond.join("\n"), told);
        let other = kinds[(contact + 1) % 3].0;
        says(&scene.judged(Some(stuck(other)), lies()).wrong.join("\n"), told);
        // It says so: the board could know.
        let shown = scene.judged(Some(stuck(kind)), |watch| {
            lies()(watch);
            from_on(turns, 1_200, move |beside: &mut Beside| beside.contacts[contact] = false)(watch);
        });
        says(&shown.wrong.join("\n"), told);
    }
    // A contact that says open while nothing is wrong is no danger, whatever else it is.
    let over_careful = scene.seen(from_on(turns, 30, |beside| beside.contacts[CHAIN] = false));
    assert_eq!(over_careful, "");
}
