//! Small worlds, gone through whole: every pair of things that can happen on the line and at the bench, at every
//! point of a short conversation; every single bit of a conversation flipped; every way of splitting it in two.

use std::collections::VecDeque;
use stepwell_procedure::run::{Plan, Run};
use stepwell_protocol::frame::{Deframer, decode};
use stepwell_protocol::message::{FromBoard, ToBoard};
use stepwell_protocol::state::State;
use stepwell_session::engine::{Engine, Operator, Output};
use stepwell_session::time::HostTime;
use stepwell_tests::shipped::Scenario;
use stepwell_tests::trace::Moment;
use stepwell_tests::world::authority;
use stepwell_tests::world::case::{Case, Length};
use stepwell_tests::world::machine::Machine;
use stepwell_tests::world::mishap::{BoardMishap, Mishap, What};
use stepwell_tests::world::watch::Watch;
use stepwell_tests::{check, world};
use stepwell_virtual::SimulatedBench;

/// What can happen at an answer of the board.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Happens {
    AckLate,
    AckLost,
    Stop,
    Trip,
    LinkLost,
    BoardReset,
}

const ALL: [Happens; 6] = [
    Happens::AckLate,
    Happens::AckLost,
    Happens::Stop,
    Happens::Trip,
    Happens::LinkLost,
    Happens::BoardReset,
];

/// Answers are held up for this long, in ms: longer than a command is repeated, shorter than it is given up.
const LATE_MS: u64 = 350;

/// The host is served every so many ms, and the run ends within so many.
const SERVED_MS: u64 = 10;
const LONGEST_MS: u64 = 60_000;

/// Only the coils: two chains of one dwell each.
fn plan() -> Plan {
    let mut plan = Case::healthy(Length::Short, "heron", 1).plan();
    plan.procedure.main.truncate(1);
    plan
}

/// Carries the plan out while `script` happens: each at the answer with its number. Returns the number of answers,
/// and everything wrong.
fn carried_out(plan: &Plan, script: &[(usize, Happens)]) -> (usize, Vec<String>) {
    let mut machine = Machine::new(Case::healthy(Length::Short, "heron", 1).rig(), 1, None);
    let mut watch = Watch::new();
    let mut engine = Engine::new(Run::new(plan.clone()), 7, HostTime(0));
    let mut to_host: VecDeque<(u64, Vec<u8>)> = VecDeque::new();
    let mut from_board = Deframer::new();
    let (mut answers, mut cut, mut over_ms, mut stop) = (0, false, None, false);
    let mut wrong = Vec::new();
    while over_ms.is_none_or(|over| machine.ms() < over) {
        let ms = machine.ms();
        if ms.is_multiple_of(SERVED_MS) && over_ms.is_none() {
            let now = HostTime(ms * 1_000);
            while to_host.front().is_some_and(|(at, _)| *at <= ms) {
                let (_, bytes) = to_host.pop_front().expect("there is one");
                engine.receive(now, &bytes);
            }
            engine.operator(now, Operator::Alive);
            if std::mem::take(&mut stop) {
                engine.operator(now, Operator::Stop);
            }
            while let Some(output) = engine.poll() {
                if matches!(output, Output::Finished(..) | Output::Unwelcome(_)) {
                    over_ms = Some(ms + 12_000);
                }
            }
            if let Some(prompt) = engine.run().prompt().map(|prompt| prompt.number) {
                engine.operator(now, Operator::Answer { prompt, yes: true });
            }
            let bytes = engine.take_bytes();
            if !cut {
                watch.heard(&bytes);
                machine.receive(&bytes);
            }
        }
        machine.tick().expect("a board in this process is never gone");
        watch.ticked(&machine);
        let mut said = Vec::new();
        machine.transmit(&mut said);
        watch.spoke(&said);
        let mut rest = said.as_slice();
        let mut held_up_ms = 0;
        let mut lost = false;
        while let Some(body) = from_board.next_body(&mut rest) {
            if !matches!(body.and_then(decode::<FromBoard<'_>>), Ok(FromBoard::Ack(_))) {
                continue;
            }
            for (_, happens) in script.iter().filter(|(at, _)| *at == answers) {
                match happens {
                    Happens::AckLate => held_up_ms = LATE_MS,
                    Happens::AckLost => lost = true,
                    Happens::Stop => stop = true,
                    Happens::Trip => {
                        machine.befall(mishap(What::Rig(stepwell_plant::FaultKind::GuardOpen), machine.ms()));
                    }
                    Happens::LinkLost => cut = true,
                    Happens::BoardReset => {
                        machine.befall(mishap(What::Board(BoardMishap::Reset), machine.ms()));
                    }
                }
            }
            answers += 1;
        }
        if !said.is_empty() && !cut && !lost {
            let after = to_host.back().map_or(0, |(at, _)| *at);
            to_host.push_back((after.max(ms + held_up_ms), said));
        }
        if machine.ms() > LONGEST_MS {
            wrong.push("the run does not end".to_owned());
            break;
        }
    }
    watch.over();
    let (doing, more) = authority::walk(plan, &watch);
    wrong.extend(more);
    wrong.extend(world::danger::too_long(&world::danger::episodes(plan, &watch, &doing, None)));
    for life in watch.ticks.chunk_by(|_, next| !next.restarted) {
        let moments: Vec<Moment> = life.iter().map(|beside| beside.moment).collect();
        wrong.extend(check::everything(plan, &moments));
    }
    if machine.outputs().energised() {
        wrong.push("something is still driven at the end".to_owned());
    }
    (answers, wrong)
}

fn mishap(what: What, now_ms: u64) -> Mishap {
    Mishap { what, onset_ms: now_ms + 1, of_work: false, for_ms: 3_600_000, severity: 1.0 }
}

/// All ordered pairs of happenings at all ordered pairs of answers, the same answer twice included.
#[test]
fn whatever_two_things_happen_at_whichever_answers_nothing_unsafe_comes_of_it() {
    let plan = plan();
    let (answers, wrong) = carried_out(&plan, &[]);
    assert_eq!(wrong, Vec::<String>::new());
    assert!((8..40).contains(&answers), "guards, arming, two dwells, two bursts: {answers}");
    // Bursts are pieces of one kind: of those between the first and the last few only every sixth is tried.
    let points: Vec<usize> = (0..answers).filter(|at| *at < 6 || *at + 4 > answers || at % 6 == 0).collect();
    let scripts: Vec<Vec<(usize, Happens)>> = points
        .iter()
        .flat_map(|&first| {
            points.iter().filter(move |&&second| second >= first).map(move |&second| (first, second))
        })
        .flat_map(|(first, second)| {
            ALL.into_iter().flat_map(move |one| ALL.map(|other| vec![(first, one), (second, other)]))
        })
        .collect();
    let results = stepwell_tests::trials::parallel::over_seeds(0..scripts.len() as u64, |number| {
        carried_out(&plan, &scripts[number as usize]).1
    });
    let wrong: Vec<String> = results
        .iter()
        .zip(&scripts)
        .filter_map(|(wrong, script)| wrong.first().map(|what| format!("{script:?}: {what}")))
        .collect();
    assert!(
        wrong.is_empty(),
        "{} of {}:\n{}",
        wrong.len(),
        scripts.len(),
        wrong[..wrong.len().min(20)].join("\n")
    );
}

/// Bytes of a whole conversation up to work, with the tick before which each piece reaches the board.
fn conversation() -> Vec<(u64, Vec<u8>)> {
    let mut bench = stepwell_tests::trace::Traced::new(&Scenario::healthy("electrical", "heron", 1).setup());
    let mut engine = Engine::new(Run::new(plan()), 7, HostTime(0));
    let mut pieces = Vec::new();
    let mut said = Vec::new();
    while bench.trace().iter().filter(|moment| moment.outputs.energised()).count() < 300 {
        let ms = bench.trace().len() as u64;
        let now = HostTime(ms * 1_000);
        engine.receive(now, &said);
        engine.operator(now, Operator::Alive);
        while engine.poll().is_some() {}
        if let Some(prompt) = engine.run().prompt().map(|prompt| prompt.number) {
            engine.operator(now, Operator::Answer { prompt, yes: true });
        }
        let bytes = engine.take_bytes();
        said.clear();
        stepwell_session::lockstep::Bench::exchange(&mut bench, &bytes, 10, &mut said);
        if !bytes.is_empty() {
            pieces.push((ms, bytes));
        }
    }
    pieces
}

/// Plays `pieces` to a board with constant readings of a rig at rest and returns what it did at each tick.
fn played(pieces: &[(u64, Vec<u8>)]) -> Vec<(State, stepwell_core::Outputs)> {
    let mut machine = Machine::new(Case::healthy(Length::Short, "heron", 1).rig(), 1, None);
    let last = pieces.last().map_or(0, |(ms, _)| *ms);
    let mut done = Vec::new();
    for ms in 0..last + 1_000 {
        for (_, bytes) in pieces.iter().filter(|(at, _)| *at == ms) {
            machine.receive(bytes);
        }
        machine.tick().expect("a board in this process is never gone");
        machine.transmit(&mut Vec::new());
        done.push((machine.state(), machine.outputs()));
    }
    done
}

/// The commands among the frames that carry a dwell, an arming, guards: where one bit must not be taken for another.
#[test]
fn no_single_bit_flipped_on_the_way_is_ever_taken_for_something_else() {
    let pieces = conversation();
    let mut flips = 0;
    for (_, bytes) in &pieces {
        let whole: Vec<ToBoard> = messages(bytes);
        for bit in 0..8 * bytes.len() {
            let mut flipped = bytes.clone();
            flipped[bit / 8] ^= 1 << (bit % 8);
            // Whatever is still understood was said: nothing new, nothing changed.
            for message in messages(&flipped) {
                assert!(whole.contains(&message), "bit {bit} of {bytes:?} made {message:?}");
            }
            flips += 1;
        }
    }
    assert!(flips > 5_000, "{flips}");
}

fn messages(bytes: &[u8]) -> Vec<ToBoard> {
    let (mut deframer, mut rest) = (Deframer::new(), bytes);
    let mut found = Vec::new();
    while let Some(body) = deframer.next_body(&mut rest) {
        found.extend(body.and_then(decode::<ToBoard>).ok());
    }
    found
}

/// Wherever bytes are split, within the same millisecond, the board does the same at every tick.
#[test]
fn however_a_conversation_is_split_the_board_does_the_same() {
    let pieces = conversation();
    let whole = played(&pieces);
    assert!(whole.iter().any(|(state, _)| *state == State::Dwelling));
    // All splits of each piece at once: byte by byte, and in two at every place of the longest.
    let single: Vec<(u64, Vec<u8>)> =
        pieces.iter().flat_map(|(ms, bytes)| bytes.iter().map(|byte| (*ms, vec![*byte]))).collect();
    assert!(played(&single) == whole, "byte by byte");
    let longest = pieces.iter().map(|(_, bytes)| bytes.len()).max().expect("there are pieces");
    for at in 1..longest {
        let two: Vec<(u64, Vec<u8>)> = pieces
            .iter()
            .flat_map(|(ms, bytes)| {
                let (head, tail) = bytes.split_at(at.min(bytes.len()));
                [(*ms, head.to_vec()), (*ms, tail.to_vec())]
            })
            .collect();
        assert!(played(&two) == whole, "in two at byte {at}");
    }
}
