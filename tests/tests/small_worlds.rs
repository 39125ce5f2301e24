//! Small worlds, gone through whole: every pair of things that can happen on the line and at the bench, at every
//! point of a short conversation; every single bit of a conversation flipped; every way of splitting it in two.

use std::collections::{HashMap, VecDeque};
use stepwell_plant::FaultKind;
use stepwell_procedure::read;
use stepwell_procedure::run::{Plan, Run};
use stepwell_protocol::frame::{Deframer, decode};
use stepwell_protocol::message::{FromBoard, Reply, ToBoard};
use stepwell_protocol::state::State;
use stepwell_session::engine::{Engine, Operator, Output};
use stepwell_session::time::HostTime;
use stepwell_tests::shipped::Scenario;
use stepwell_tests::trials::parallel::over_seeds;
use stepwell_tests::world::checkers::{asked, log, stopped};
use stepwell_tests::world::judged;
use stepwell_tests::world::played::case::{Case, Length};
use stepwell_tests::world::played::host::Handed;
use stepwell_tests::world::played::line::Quality;
use stepwell_tests::world::played::machine::Machine;
use stepwell_tests::world::played::mishap::{BoardMishap, Mishap, What};
use stepwell_tests::world::witness::watch::Watch;
use stepwell_virtual::SimulatedBench;

/// What can happen at a word of the board: an answer, or the report of a dwell's end. A word of the host is all that it
/// says but renewals of its lease: a command, a stop, a greeting.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
enum Happens {
    /// It comes late.
    Late,
    /// It is lost.
    Lost,
    /// The next report is lost, whenever it comes.
    ReportLost,
    /// The next word of the host is lost, whenever it comes, with all that is said in the same breath.
    HostLost,
    Stop,
    Trip,
    LinkLost,
    BoardReset,
}

const ALL: [Happens; 8] = [
    Happens::Late,
    Happens::Lost,
    Happens::ReportLost,
    Happens::HostLost,
    Happens::Stop,
    Happens::Trip,
    Happens::LinkLost,
    Happens::BoardReset,
];

/// What happens at the words with these numbers.
type Script = Vec<(usize, Happens)>;

/// Words are held up for this long, in ms: longer than a command is repeated, shorter than it is given up.
const LATE_MS: u64 = 350;

/// The host is served every so many ms, and the run ends within so many.
const SERVED_MS: u64 = 10;
const LONGEST_MS: u64 = 60_000;

/// A board that is at rest without anybody at the other end is watched for this long, in ms: longer than the last lease
/// and the last dwell that may wait for its tick.
const AFTERWARDS_MS: u64 = 1_000;

/// Only the coils: two chains of one dwell each, and two bursts.
fn coils() -> Plan {
    let mut plan = Case::healthy(Length::Short, "heron", 1).plan();
    plan.procedure.main.truncate(1);
    plan
}

/// The drive turns and pressure rises: a chain of two dwells, the pressure valve held while the pump coasts, a burst.
fn driven() -> Plan {
    let mut plan = Case::healthy(Length::Short, "heron", 1).plan();
    let text = r#"
stepwell = "procedure"
format = 1
name = "driven"
title = "A moment of pressure"

[[set_up]]
step = "confirm"
name = "ready"
title = "Ready"
text = "Local codes, the maker's data and licensed practice come first."

[[main]]
step = "duty-step"
name = "step"
title = "Step"
settle = "1.5 s"
hold = "0.5 s"

[[tear_down]]
step = "vent"
name = "vent"
title = "Empty the rail"
watch = "1 s"
"#;
    plan.procedure = read::procedure("driven.toml", text).unwrap_or_else(|wrong| panic!("{wrong}"));
    plan
}

/// What came of a script.
#[derive(Debug)]
struct Played {
    /// What the board said, and of each whether it was a piece of a burst.
    words: Vec<bool>,
    /// Highest pressure of the rail, Pa.
    highest_pa: f64,
    wrong: Vec<String>,
}

/// Carries the plan out while `script` happens.
fn carried_out(plan: &Plan, script: &[(usize, Happens)]) -> Played {
    let mut machine = Machine::new(Case::healthy(Length::Short, "heron", 1).rig(), 1, None);
    let mut watch = Watch::new();
    watch.program(7);
    let mut engine = Engine::new(Run::new(plan.clone()), 7, HostTime(0));
    let mut handed = Handed::default();
    let mut to_host: VecDeque<(u64, Vec<u8>)> = VecDeque::new();
    let mut from_board = Deframer::new();
    let (mut cut, mut over, mut stop) = (false, false, false);
    let (mut report_lost, mut host_lost) = (false, false);
    let mut words = Vec::new();
    let mut quiet_ms = 0;
    let mut wrong = Vec::new();
    while quiet_ms < AFTERWARDS_MS {
        let ms = machine.ms();
        if ms.is_multiple_of(SERVED_MS) && !over {
            let now = HostTime(ms * 1_000);
            while to_host.front().is_some_and(|(at, _)| *at <= ms) {
                let (_, bytes) = to_host.pop_front().expect("there is one");
                engine.receive(now, &bytes);
                watch.arrived(&bytes);
            }
            engine.operator(now, Operator::Alive);
            if std::mem::take(&mut stop) {
                engine.operator(now, Operator::Stop);
                handed.stop_pressed_ms.get_or_insert(ms as usize);
            }
            while let Some(output) = engine.poll() {
                match output {
                    Output::Write(entry) => handed.entries.push(entry),
                    Output::Finished(..) | Output::Unwelcome(_) => over = true,
                    Output::Ask(prompt) => handed.asked(ms, prompt.number),
                    Output::Lost(_) => {
                        handed.gave_up_ms.get_or_insert(ms as usize);
                    }
                    _ => {}
                }
            }
            handed.over_ms = ms as usize;
            handed.outcome = engine.outcome().cloned();
            if let Some(prompt) = engine.run().prompt().map(|prompt| prompt.number) {
                engine.operator(now, Operator::Answer { prompt, yes: true });
                handed.settled(ms);
            }
            let bytes = engine.take_bytes();
            if messages(&bytes).contains(&ToBoard::Stop) {
                handed.stops_said_ms.push(ms as usize);
            }
            let lost = host_lost && holds_word(&bytes);
            host_lost &= !lost;
            if !cut && !lost {
                watch.heard(&bytes);
                machine.receive(&bytes);
            }
        }
        machine.tick().expect("a board in this process is never gone");
        watch.ticked(&machine);
        let at_rest =
            matches!(machine.state(), State::Rest | State::Tripped) && !machine.outputs().energised();
        quiet_ms = if over && at_rest { quiet_ms + 1 } else { 0 };
        let mut said = Vec::new();
        machine.transmit(&mut said);
        watch.spoke(&said);
        let mut rest = said.as_slice();
        let mut held_up_ms = 0;
        let mut lost = false;
        while let Some(body) = from_board.next_body(&mut rest) {
            let (report, piece) = match body.and_then(decode::<FromBoard<'_>>) {
                Ok(FromBoard::Ack(ack)) => (false, matches!(ack.result, Ok(Reply::Burst(_)))),
                Ok(FromBoard::DwellEnded(_)) => (true, false),
                _ => continue,
            };
            for (_, happens) in script.iter().filter(|(at, _)| *at == words.len()) {
                match happens {
                    Happens::Late => held_up_ms = LATE_MS,
                    Happens::Lost => lost = true,
                    Happens::ReportLost => report_lost = true,
                    Happens::HostLost => host_lost = true,
                    Happens::Stop => stop = true,
                    Happens::Trip => machine.befall(mishap(What::Rig(FaultKind::GuardOpen), machine.ms())),
                    Happens::LinkLost => cut = true,
                    Happens::BoardReset => {
                        machine.befall(mishap(What::Board(BoardMishap::Reset), machine.ms()));
                    }
                }
            }
            lost |= report && std::mem::take(&mut report_lost);
            words.push(piece);
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
    let judged = judged(plan, &watch, None);
    wrong.extend(stopped::worked_on(&handed, &judged.doing, Quality::BAD));
    wrong.extend(judged.wrong);
    wrong.extend(asked::energised(&handed, &watch));
    wrong.extend(log::dwells(&handed, 0, &watch));
    let highest_pa = watch.ticks.iter().map(|beside| beside.moment.rail_pa).fold(0.0, f64::max);
    Played { words, highest_pa, wrong }
}

/// Whether there is a word of the host in these bytes.
fn holds_word(bytes: &[u8]) -> bool {
    messages(bytes).iter().any(|said| !matches!(said, ToBoard::Renew(_)))
}

fn mishap(what: What, now_ms: u64) -> Mishap {
    Mishap { what, onset_ms: now_ms + 1, of_work: false, for_ms: 3_600_000, severity: 1.0 }
}

/// Plays all scripts and returns how many words the board said in each.
fn all(plan: &Plan, scripts: &[Script]) -> HashMap<Script, usize> {
    let played = over_seeds(0..scripts.len() as u64, |number| carried_out(plan, &scripts[number as usize]));
    let wrong: Vec<String> = played
        .iter()
        .zip(scripts)
        .filter_map(|(played, script)| played.wrong.first().map(|what| format!("{script:?}: {what}")))
        .collect();
    let (count, some) = (wrong.len(), wrong[..wrong.len().min(20)].join("\n"));
    assert!(wrong.is_empty(), "{count} of {}:\n{some}", scripts.len());
    scripts.iter().cloned().zip(played.iter().map(|played| played.words.len())).collect()
}

/// Every single happening at every one of `points`, then every pair: at two points in both orders, at the same point
/// once. A second one at a word that the board does not say any more after the first is the first one alone, and is
/// not played twice. Returns how many were played.
fn singles_and_pairs(plan: &Plan, points: &[usize]) -> usize {
    let one_each = |at: &usize| ALL.map(|happens| vec![(*at, happens)]);
    let singles: Vec<Script> = points.iter().flat_map(one_each).collect();
    let words = &all(plan, &singles);
    let pairs: Vec<Script> = singles
        .iter()
        .flat_map(|first| {
            let later = singles.iter().filter(move |second| {
                let same = second[0].0 == first[0].0;
                let order = ALL.iter().position(|happens| *happens == second[0].1)
                    > ALL.iter().position(|happens| *happens == first[0].1);
                (second[0].0 > first[0].0 || (same && order)) && second[0].0 < words[first]
            });
            later.map(move |second| vec![first[0], second[0]])
        })
        .collect();
    all(plan, &pairs);
    singles.len() + pairs.len()
}

/// All words but those between the first and the last piece of a burst, which are of one kind.
fn points(words: &[bool]) -> Vec<usize> {
    let piece = |at: usize| words.get(at).copied().unwrap_or(false);
    (0..words.len()).filter(|&at| !(at > 0 && piece(at - 1) && piece(at) && piece(at + 1))).collect()
}

#[test]
fn whatever_two_things_happen_while_coils_are_measured_nothing_unsafe_comes_of_it() {
    let plan = coils();
    let Played { words, wrong, .. } = carried_out(&plan, &[]);
    assert_eq!(wrong, Vec::<String>::new());
    let points = points(&words);
    assert!(
        (8..20).contains(&points.len()),
        "guards, arming, two dwells and reports, two bursts: {points:?}"
    );
    let played = singles_and_pairs(&plan, &points);
    println!("coils: {} words, {} points, {played} worlds", words.len(), points.len());
}

#[test]
fn whatever_two_things_happen_under_drive_and_pressure_nothing_unsafe_comes_of_it() {
    let plan = driven();
    let Played { words, highest_pa, wrong } = carried_out(&plan, &[]);
    assert_eq!(wrong, Vec::<String>::new());
    assert!(highest_pa > 1e6, "there is pressure: {highest_pa} Pa");
    let points = points(&words);
    assert!((7..20).contains(&points.len()), "guards, arming, two dwells and reports, a burst: {points:?}");
    let played = singles_and_pairs(&plan, &points);
    println!("driven: {} words, {} points, {played} worlds", words.len(), points.len());
}

/// The board says it once; the host has to ask, and its log lacks nothing.
#[test]
fn a_dwell_whose_report_is_lost_is_in_the_log_all_the_same() {
    for plan in [coils(), driven()] {
        let Played { words, .. } = carried_out(&plan, &[]);
        let every: Script = (0..words.len() + 2).map(|at| (at, Happens::ReportLost)).collect();
        assert_eq!(carried_out(&plan, &every).wrong, Vec::<String>::new());
    }
}

/// The host says it again, and nothing is done twice: greetings, guards, armings, dwells, readings of bursts, stops.
#[test]
fn a_host_of_which_every_other_word_is_lost_comes_to_the_same_end() {
    for plan in [coils(), driven()] {
        let Played { words, .. } = carried_out(&plan, &[]);
        let every: Script = (0..words.len()).map(|at| (at, Happens::HostLost)).collect();
        let played = carried_out(&plan, &every);
        assert_eq!((played.wrong, played.words), (Vec::new(), words));
    }
}

/// Bytes of a whole conversation up to work, with the tick before which each piece reaches the board.
fn conversation() -> Vec<(u64, Vec<u8>)> {
    let mut bench = stepwell_tests::trace::Traced::new(&Scenario::healthy("electrical", "heron", 1).setup());
    let mut engine = Engine::new(Run::new(coils()), 7, HostTime(0));
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

/// Plays `pieces` to a board with a healthy rig and returns what it did at each tick.
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

/// Every bit of everything the host says: greetings, renewals, guards, armings, dwells, stops.
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
