//! What a board must never do, whatever bytes and readings come.
//!
//! Random hosts (clumsy, late, repeated, foreign, some of it well-formed and within limits, so that
//! dwells do run) meet random rigs. Four oracles judge every tick from outside: nothing is energised
//! without a dwell or the stop after it; no dwell begins unless armed before and with a lease alive;
//! outputs stay within the guards; a trip stays until a clear is acknowledged.

use crate::bench::{Bench, Broken, SESSION, framed, full_dwell, guards, quiet_dwell};
use proptest::prelude::*;
use stepwell_protocol::LEASE_MS;
use stepwell_protocol::channel::{Channel, Coil};
use stepwell_protocol::dwell::{Dwell, EndWhen, Ramp, Side, Start};
use stepwell_protocol::message::{Action, HandWork, Hello, Reply, ToBoard};
use stepwell_protocol::state::State;

/// Something that happens between two stretches of time.
#[derive(Clone, Debug)]
enum Event {
    Bytes(Vec<u8>),
    Hello { protocol: u16, session: u32 },
    Stop,
    Renewing(bool),
    Act(Action),
    Repeat,
    Skip,
    Foreign(Action),
    Break(Broken),
    Heal,
    Wait(u32),
}

fn dwell() -> impl Strategy<Value = Dwell> {
    let duty = prop_oneof![8 => 0..=8_000_u16, 1 => 8_001..=10_000_u16, 1 => any::<u16>()];
    let ramp = (duty.clone(), duty).prop_map(|(from_e4, to_e4)| Ramp { from_e4, to_e4 });
    let end_when =
        (0..14_usize, any::<bool>(), any::<u16>(), 0..50_u16).prop_map(|(channel, above, counts, for_ms)| {
            let side = if above { Side::Above } else { Side::Below };
            EndWhen { channel: Channel::ALL[channel], side, counts, for_ms }
        });
    (
        any::<u16>(),
        prop_oneof![Just(None), (1..60_u32).prop_map(Some)],
        0..400_u32,
        (ramp.clone(), ramp),
        (any::<bool>(), prop_oneof![Just(0), 1..=1_100_u16], any::<bool>()),
        proptest::option::weighted(0.2, end_when),
        proptest::option::of(any::<bool>()),
    )
        .prop_map(
            |(
                serial,
                at,
                duration_ms,
                (inlet, pressure),
                (supply_on, drive_rpm, dump_closed),
                end_when,
                burst,
            )| {
                Dwell {
                    serial,
                    // The tick is made relative to the board's when it is sent.
                    start: at.map_or(Start::AfterPrevious, |ms| Start::At(stepwell_protocol::time::Tick(ms))),
                    duration_ms,
                    inlet,
                    pressure,
                    supply_on,
                    drive_rpm,
                    dump_closed,
                    expect_flow: false,
                    end_when,
                    burst: burst.map(|inlet| if inlet { Coil::Inlet } else { Coil::Pressure }),
                }
            },
        )
}

fn action() -> impl Strategy<Value = Action> {
    prop_oneof![
        6 => dwell().prop_map(Action::Dwell),
        4 => Just(Action::SetGuards(guards())),
        6 => Just(Action::Arm { guards_checksum: guards().checksum() }),
        1 => any::<u32>().prop_map(|guards_checksum| Action::Arm { guards_checksum }),
        1 => Just(Action::Disarm),
        3 => Just(Action::ClearTrip),
        1 => Just(Action::ReadTrip),
        1 => any::<u16>().prop_map(|serial| Action::ReadDwell { serial }),
        1 => (0..700_u16).prop_map(|offset| Action::ReadBurst { offset }),
        1 => Just(Action::HandWork { at: stepwell_protocol::time::Tick(5), work: HandWork::PrimerStroke }),
    ]
}

fn broken() -> impl Strategy<Value = Broken> {
    (0..18_usize, any::<u16>()).prop_map(|(which, counts)| {
        let mut broken = Broken::default();
        match which {
            0..=6 => broken.stuck[which] = Some(counts),
            7 => broken.stop_chain_open = true,
            8 => broken.guard_open = true,
            9 => broken.tank_low = true,
            10 => broken.adc_frozen = true,
            11 | 12 => broken.coil_open[which - 11] = true,
            13 | 14 => broken.current_added[which - 13] = counts / 2,
            15 => broken.shaft_turns_on = true,
            16 => broken.pressure_trapped = true,
            _ => broken.rail_target = Some(counts / 2),
        }
        broken
    })
}

fn event() -> impl Strategy<Value = Event> {
    prop_oneof![
        3 => proptest::collection::vec(any::<u8>(), 0..60).prop_map(Event::Bytes),
        1 => (0..3_u16, SESSION..SESSION + 3).prop_map(|(protocol, session)| Event::Hello { protocol, session }),
        1 => Just(Event::Stop),
        4 => any::<bool>().prop_map(Event::Renewing),
        20 => action().prop_map(Event::Act),
        2 => Just(Event::Repeat),
        1 => Just(Event::Skip),
        1 => action().prop_map(Event::Foreign),
        2 => broken().prop_map(Event::Break),
        4 => Just(Event::Heal),
        14 => (1..80_u32).prop_map(Event::Wait),
        1 => (400..2_500_u32).prop_map(Event::Wait),
    ]
}

/// Judges every tick.
struct Oracles {
    state: State,
    renewed_ms: u32,
    acks: usize,
    dwells: u32,
}

impl Oracles {
    fn tick(&mut self, bench: &mut Bench) {
        let renews = bench.renewing && bench.board.now().0.is_multiple_of(100);
        self.renewed_ms = if renews { 0 } else { self.renewed_ms + 1 };
        // What the messages since the last tick did counts as the state before this one.
        let before = bench.board.state();
        self.cleared_only_on_command(before, bench);
        bench.tick();
        self.cleared_only_on_command(bench.board.state(), bench);
        self.judge(before, bench);
    }

    fn cleared_only_on_command(&mut self, next: State, bench: &Bench) {
        if self.state == State::Tripped && next != State::Tripped {
            let cleared = bench.heard.acks[self.acks..].iter().any(|ack| ack.result == Ok(Reply::Done));
            assert!(cleared, "a trip went away without an acknowledged command");
            assert!(matches!(next, State::Rest | State::Armed), "{next:?}");
        }
        self.state = next;
        self.acks = bench.heard.acks.len();
    }

    fn judge(&mut self, before: State, bench: &Bench) {
        let (state, outputs) = (bench.board.state(), &bench.outputs);
        match state {
            State::Rest | State::Armed | State::Tripped => assert!(!outputs.energised(), "{outputs:?}"),
            State::Stopping => {
                assert!(outputs.drive_rpm == 0 && !outputs.supply_on && !outputs.dump_closed);
                assert!(outputs.inlet_duty_e4 == 6_000 || outputs.inlet_duty_e4 == 0);
                assert_eq!(outputs.pressure_duty_e4, 0);
            }
            State::Dwelling => {
                self.dwells += 1;
                assert!(matches!(before, State::Armed | State::Dwelling | State::Stopping));
                assert!(self.renewed_ms <= LEASE_MS, "no lease for {} ms", self.renewed_ms);
            }
        }
        let guards = guards();
        for (coil, guard) in Coil::BOTH.into_iter().zip(guards.coils) {
            assert!(outputs.duty_e4(coil) <= guard.map_or(0, |guard| guard.duty_max_e4));
        }
        assert!(outputs.drive_rpm <= guards.drive_rpm_max);
    }
}

/// The times in an action are relative until it is sent.
fn sent_now(bench: &Bench, action: Action) -> Action {
    let absolute = |ms: u32| bench.board.now().plus_ms(ms);
    match action {
        Action::Dwell(Dwell { start: Start::At(ms), .. }) => {
            let Action::Dwell(dwell) = action else { unreachable!() };
            Action::Dwell(Dwell { start: Start::At(absolute(ms.0)), ..dwell })
        }
        Action::HandWork { at, work } => Action::HandWork { at: absolute(at.0), work },
        other => other,
    }
}

/// Plays a script; returns for how many ticks dwells ran.
fn play(events: &[Event]) -> u32 {
    let mut bench = Bench::armed();
    bench.heard.acks.clear();
    let mut oracles = Oracles { state: State::Armed, renewed_ms: 1, acks: 0, dwells: 0 };
    let mut last = None;
    for event in events {
        match event.clone() {
            Event::Bytes(bytes) => bench.board.receive(&bytes),
            Event::Hello { protocol, session } => {
                bench.send(&ToBoard::Hello(Hello { protocol, session }));
            }
            Event::Stop => bench.send(&ToBoard::Stop),
            Event::Renewing(renewing) => bench.renewing = renewing,
            Event::Act(action) => {
                let action = sent_now(&bench, action);
                let command = bench.command(action);
                last = Some(command);
                bench.send(&ToBoard::Command(command));
            }
            Event::Repeat => {
                if let Some(command) = last {
                    bench.board.receive(&framed(&ToBoard::Command(command)));
                    bench.listen();
                }
            }
            Event::Skip => bench.next_id = bench.next_id.wrapping_add(1),
            Event::Foreign(action) => {
                let action = sent_now(&bench, action);
                let mut command = bench.command(action);
                bench.next_id = command.id;
                command.session = SESSION + 9;
                bench.send(&ToBoard::Command(command));
            }
            Event::Break(broken) => bench.rig.broken = broken,
            Event::Heal => bench.rig.broken = Broken::default(),
            Event::Wait(ms) => {
                for _ in 0..ms {
                    oracles.tick(&mut bench);
                }
            }
        }
        // A host that was told the number that is due uses it from then on.
        if let Some(ack) = bench.heard.acks.last()
            && let Err(stepwell_protocol::message::Refusal::OutOfOrder { expected }) = ack.result
        {
            bench.next_id = expected;
        }
        // Garbage may leave half a frame behind; a boundary sets the line right.
        bench.board.receive(&[0]);
    }
    for _ in 0..20 {
        oracles.tick(&mut bench);
    }
    oracles.dwells
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 96, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn whatever_comes_nothing_is_energised_outside_a_dwell_its_guards_and_its_lease(
        events in proptest::collection::vec(event(), 1..80),
    ) {
        play(&events);
    }
}

#[test]
fn the_oracles_see_dwells_run() {
    let arm = Action::Arm { guards_checksum: guards().checksum() };
    let start = Start::At(stepwell_protocol::time::Tick(3));
    let dwells = play(&[
        Event::Act(Action::Disarm),
        Event::Act(Action::SetGuards(guards())),
        Event::Act(arm),
        Event::Wait(5),
        Event::Act(Action::Dwell(full_dwell(1, start, 50))),
        Event::Act(Action::Dwell(quiet_dwell(2, Start::AfterPrevious, 50))),
        Event::Wait(200),
    ]);
    assert_eq!(dwells, 100);
}
