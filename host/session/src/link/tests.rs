use super::*;
use stepwell_protocol::dwell::{DwellEnd, DwellReport};
use stepwell_protocol::identity::Identity;
use stepwell_protocol::message::{Ack, Reply};

const SESSION: u32 = 7;

/// A link and what it has heard.
struct Host {
    link: Link,
    heard: Vec<Heard>,
}

impl Host {
    fn new() -> Host {
        Host { link: Link::new(SESSION, HostTime(0)), heard: Vec::new() }
    }

    fn sent(&mut self, at_ms: u64) -> Vec<ToBoard> {
        self.link.tick(HostTime(0).plus_ms(at_ms), true, &mut self.heard);
        let bytes = self.link.take_bytes();
        let (mut deframer, mut rest) = (Deframer::new(), bytes.as_slice());
        let mut messages = Vec::new();
        while let Some(body) = deframer.next_body(&mut rest) {
            messages.push(frame::decode(body.unwrap()).unwrap());
        }
        messages
    }

    fn hears(&mut self, at_ms: u64, message: &FromBoard<'_>) {
        let mut bytes = [0; FRAME_MAX];
        let len = frame::encode(message, &mut bytes).unwrap();
        self.link.receive(HostTime(0).plus_ms(at_ms), &bytes[..len], &mut self.heard);
    }

    fn opened() -> Host {
        let mut host = Host::new();
        host.sent(0);
        host.hears(1, &FromBoard::Welcome(identity()));
        telemetry(&mut host, 1, 1);
        host.heard.clear();
        host
    }
}

fn identity() -> Identity {
    use stepwell_protocol::guards::Ceilings;
    use stepwell_protocol::identity::ResetCause;
    let ceilings = Ceilings {
        rail_max: 1,
        current_max: 1,
        duty_max_e4: 1,
        drive_rpm_max: 1,
        drive_on_ms_max: 1,
        drive_rest_ms_min: 1,
        dwell_ms_max: 1,
    };
    Identity {
        protocol: PROTOCOL_VERSION,
        session: SESSION,
        board: "".try_into().unwrap(),
        firmware: "".try_into().unwrap(),
        serial: 1,
        simulated: true,
        reset: ResetCause::PowerOn,
        now: Tick(1),
        conversions_per_tick: 10,
        conversion_full_scale: 4_095,
        full_scale_mv: 5_000,
        burst_hz: 20_000,
        pwm_hz: [200, 1_000],
        ceilings,
        drive_left_ms: 0,
    }
}

fn commands(messages: Vec<ToBoard>) -> Vec<Command> {
    let only = |message| if let ToBoard::Command(command) = message { Some(command) } else { None };
    messages.into_iter().filter_map(only).collect()
}

#[test]
fn the_greeting_is_repeated_until_it_is_answered_and_given_up_in_the_end() {
    let mut host = Host::new();
    let hello = ToBoard::Hello(Hello { protocol: PROTOCOL_VERSION, session: SESSION });
    assert_eq!(host.sent(0), std::slice::from_ref(&hello));
    assert_eq!(host.sent(100), []);
    assert_eq!(host.sent(200), [hello]);
    host.sent(GREET_MS_MAX + 1);
    assert!(matches!(host.heard[..], [Heard::Lost(_)]));
}

#[test]
fn a_board_of_another_version_is_named_with_both_versions() {
    let mut host = Host::new();
    host.sent(0);
    let firmware = "9.9.9".try_into().unwrap();
    host.hears(1, &FromBoard::WrongVersion { protocol: 99, firmware });
    let [Heard::Refused(why)] = &host.heard[..] else { panic!("{:?}", host.heard) };
    let said = why.to_string();
    assert!(said.contains("99") && said.contains("9.9.9") && said.contains(&PROTOCOL_VERSION.to_string()));
}

#[test]
fn a_command_is_repeated_unchanged_and_its_answer_counts_once() {
    let mut host = Host::opened();
    host.link.command(Action::Disarm);
    host.link.command(Action::ReadTrip);
    let first = commands(host.sent(10));
    assert_eq!(first.len(), 1, "the second waits for the first's answer");
    assert_eq!(commands(host.sent(50)), []);
    assert_eq!(commands(host.sent(10 + RETRY_EVERY_MS)), first, "same number, same validity");
    let ack = FromBoard::Ack(Ack { session: SESSION, id: 1, at: Tick(5), result: Ok(Reply::Done) });
    host.hears(120, &ack);
    host.hears(121, &ack);
    assert_eq!(host.heard, [Heard::Answered { at: Tick(5), result: Ok(Reply::Done) }]);
    assert_eq!(commands(host.sent(130))[0].id, 2);
    assert_eq!(host.link.statistics().retries, 1);
}

#[test]
fn a_dwell_that_began_before_the_welcome_is_not_of_this_session() {
    let dwell = |serial, started| {
        let (started, ended) = (Tick(started), Tick(started.wrapping_add(9)));
        FromBoard::DwellEnded(DwellReport { serial, started, ended, end: DwellEnd::Stopped })
    };
    let mut host = Host::new();
    host.hears(1, &dwell(1, 0));
    host.hears(2, &FromBoard::Welcome(identity()));
    host.heard.clear();
    host.hears(3, &dwell(1, u32::MAX));
    host.hears(4, &dwell(1, 1));
    assert_eq!(host.heard, [], "told late, or while the welcome was on its way");
    host.hears(5, &dwell(1, 2));
    assert!(matches!(host.heard[..], [Heard::DwellEnded(DwellReport { started: Tick(2), .. })]));
}

/// It may be of a life of the board that is over, and a renewal by its clock would count for as much longer.
#[test]
fn the_board_s_clock_is_not_told_by_a_welcome() {
    let mut host = Host::new();
    host.sent(0);
    host.hears(1_100, &FromBoard::Welcome(Identity { now: Tick(600), ..identity() }));
    host.link.command(Action::Disarm);
    assert_eq!(host.sent(1_101), [], "nobody knows what the board's clock shows");
    assert!(host.link.tick_at() > HostTime(0).plus_ms(1_101), "the loop around would run without a pause");
    // It has started anew since, and heard a greeting again; its clock of microseconds went on.
    sampled(&mut host, 1_110, 250, 930_000);
    for (at_ms, until_ms) in [(1_112, 252), (1_212, 352)] {
        let until = Tick(until_ms + RENEW_VALID_MS);
        let renewal = ToBoard::Renew(Renew { session: SESSION, valid_until: until });
        assert_eq!(host.sent(at_ms)[0], renewal);
    }
}

#[test]
fn a_number_that_the_board_never_heard_is_used_again_after_a_stop() {
    let mut host = Host::opened();
    host.link.command(Action::Disarm);
    assert_eq!(commands(host.sent(10))[0].id, 1);
    host.link.stop();
    assert_eq!(commands(host.sent(480)), [], "what was under way is not repeated");
    host.link.command(Action::ReadTrip);
    assert_eq!(commands(host.sent(490))[0].id, 2);
    let refused = Err(Refusal::OutOfOrder { expected: 1 });
    host.hears(491, &FromBoard::Ack(Ack { session: SESSION, id: 2, at: Tick(9), result: refused }));
    let again = commands(host.sent(492));
    assert_eq!((again[0].id, again[0].action), (1, Action::ReadTrip));
    assert_eq!(host.heard, []);
}

/// Everything that could energise: what a link that was lost never says again.
fn energising(messages: &[ToBoard]) -> bool {
    messages.iter().any(|said| matches!(said, ToBoard::Command(_) | ToBoard::Renew(_)))
}

#[test]
fn a_lost_board_is_greeted_and_watched_again_and_never_commanded_or_leased() {
    let mut host = Host::opened();
    host.link.command(Action::Disarm);
    host.sent(10);
    host.link.command(Action::ReadTrip);
    host.link.lose("the port is gone", &mut host.heard);
    host.heard.clear();
    host.link.take_bytes();
    let hello = ToBoard::Hello(Hello { protocol: PROTOCOL_VERSION, session: SESSION });
    assert_eq!(host.sent(10 + GREET_AGAIN_EVERY_MS), [ToBoard::Stop, hello.clone()]);
    host.link.reopened(HostTime(0).plus_ms(600));
    host.link.take_bytes();
    assert_eq!(host.sent(600), [ToBoard::Stop, hello.clone()], "at once on a port that came back");
    telemetry(&mut host, 601, 1);
    assert_eq!(host.heard, [], "nothing is believed before the board has said who it is");
    host.hears(602, &FromBoard::Welcome(identity()));
    telemetry(&mut host, 603, 7);
    telemetry(&mut host, 604, 1);
    let ack = FromBoard::Ack(Ack { session: SESSION, id: 1, at: Tick(5), result: Ok(Reply::Done) });
    host.hears(605, &ack);
    assert!(
        matches!(host.heard[..], [Heard::Back(_), Heard::Watched { .. }, Heard::Watched { .. }]),
        "a board that starts again is watched on: {:?}",
        host.heard
    );
    host.link.command(Action::ReadTrip);
    for ms in 606..=604 + SILENCE_MS_MAX {
        assert_eq!(host.sent(ms), [], "watching says nothing");
    }
    let silent = 605 + SILENCE_MS_MAX;
    assert_eq!(host.link.tick_at(), HostTime(0).plus_ms(silent), "whoever watches notices silence in time");
    assert_eq!(host.sent(silent), [ToBoard::Stop, hello], "silence again: looked out for again");
    assert_eq!(host.link.tick_at(), HostTime(0).plus_ms(silent + GREET_AGAIN_EVERY_MS));
    for ms in silent + 1..10_000 {
        assert!(!energising(&host.sent(ms)), "{ms}");
    }
    assert_eq!(host.heard.len(), 3, "lost once is lost: {:?}", host.heard);
}

fn telemetry(host: &mut Host, at_ms: u64, first: u32) {
    sampled(host, at_ms, first, u64::from(first) * 1_000);
}

fn sampled(host: &mut Host, at_ms: u64, first: u32, first_us: u64) {
    use stepwell_protocol::telemetry::{TelemetryFrame, pack};
    let mut packed = [0; 64];
    let len = pack(&[[0; 14]], &mut packed).unwrap();
    let frame = TelemetryFrame { number: 0, first: Tick(first), first_us, ticks: 1, packed: &packed[..len] };
    host.hears(at_ms, &FromBoard::Telemetry(frame));
}

fn restarted(host: &Host) -> bool {
    matches!(host.heard.last(), Some(Heard::Lost(why)) if why.contains("restarted"))
}

#[test]
fn a_board_that_has_restarted_is_lost_by_that_name_and_told_to_stop() {
    let mut host = Host::opened();
    telemetry(&mut host, 2, 5_000);
    telemetry(&mut host, 3, 0);
    assert!(restarted(&host));
    assert_eq!(host.sent(4), [ToBoard::Stop]);
}

#[test]
fn telemetry_that_a_line_doubles_or_lets_be_overtaken_is_taken_once_and_is_no_restart() {
    let mut host = Host::opened();
    for (at_ms, first) in [(2, 10), (3, 10), (4, 12), (5, 11), (6, 13)] {
        telemetry(&mut host, at_ms, first);
    }
    let taken: Vec<Tick> = host
        .heard
        .iter()
        .map(|heard| if let Heard::Telemetry { first, .. } = heard { *first } else { panic!("{heard:?}") })
        .collect();
    assert_eq!(taken, [10, 12, 13].map(Tick));
    assert_eq!(host.link.statistics().frames_bad, 2);
}

/// Its ticks have begun again and come by those that were heard before: for as long as silence lasts it could be the
/// line.
#[test]
fn a_board_of_which_only_past_ticks_are_heard_has_restarted() {
    let mut host = Host::opened();
    telemetry(&mut host, 2, 10);
    telemetry(&mut host, 3, 5_000);
    for at_ms in (4..500).step_by(10) {
        telemetry(&mut host, at_ms, 10 + at_ms as u32);
        host.sent(at_ms);
    }
    assert!(!restarted(&host));
    host.sent(504);
    assert!(restarted(&host));
}

#[test]
fn a_stop_goes_ahead_of_what_waits_and_forgets_it() {
    let mut host = Host::opened();
    host.link.command(Action::Disarm);
    host.link.stop();
    assert_eq!(host.sent(10)[0], ToBoard::Stop);
    assert_eq!(commands(host.sent(20)), []);
}

#[test]
fn the_lease_is_renewed_only_while_the_operator_is_alive() {
    let mut host = Host::opened();
    let renewals =
        |messages: Vec<ToBoard>| messages.iter().filter(|m| matches!(m, ToBoard::Renew(_))).count();
    assert_eq!(renewals(host.sent(2)), 1);
    assert_eq!(renewals(host.sent(50)), 0);
    assert_eq!(renewals(host.sent(102)), 1);
    host.link.tick(HostTime(0).plus_ms(300), false, &mut host.heard);
    assert!(host.link.take_bytes().is_empty());
}

#[test]
fn nothing_is_due_at_once_while_the_operator_is_away() {
    let mut host = Host::opened();
    let heard_at_ms = 1;
    for ms in (2..=heard_at_ms + SILENCE_MS_MAX).step_by(7) {
        let now = HostTime(0).plus_ms(ms);
        host.link.tick(now, false, &mut host.heard);
        assert!(host.link.tick_at() > now, "the loop around would run without a pause");
        assert!(host.link.tick_at() <= HostTime(0).plus_ms(heard_at_ms + SILENCE_MS_MAX + 1));
    }
}

#[test]
fn telemetry_from_the_end_of_time_is_no_telemetry() {
    use stepwell_protocol::telemetry::{TelemetryFrame, pack};
    let mut host = Host::opened();
    let mut packed = [0; 64];
    let len = pack(&[[0; 14]], &mut packed).unwrap();
    for first_us in [BOARD_US_MAX + 1, u64::MAX] {
        let frame = TelemetryFrame { number: 0, first: Tick(2), first_us, ticks: 1, packed: &packed[..len] };
        host.hears(2, &FromBoard::Telemetry(frame));
    }
    assert_eq!(host.heard, []);
    assert_eq!(host.link.statistics().frames_bad, 2);
}

#[test]
fn a_program_that_was_held_up_gives_the_board_its_time_anew() {
    let mut host = Host::opened();
    let woken = 5 * SILENCE_MS_MAX;
    for ms in woken..=woken + SILENCE_MS_MAX {
        host.sent(ms);
        assert_eq!(host.heard, [], "{ms}");
    }
    host.sent(woken + SILENCE_MS_MAX + 1);
    assert!(matches!(host.heard[..], [Heard::Lost(_)]));
}

/// What its own clock did meanwhile tells nothing of the board's: it may have been set.
#[test]
fn a_program_that_was_held_up_renews_no_further_ahead_than_the_board_has_come() {
    let mut host = Host::opened();
    let renewed = |messages: Vec<ToBoard>| {
        messages.into_iter().find_map(|said| match said {
            ToBoard::Renew(renew) => Some(renew.valid_until),
            _ => None,
        })
    };
    telemetry(&mut host, 11, 10);
    assert_eq!(renewed(host.sent(12)), Some(Tick(12 + RENEW_VALID_MS)));
    // Its clock goes ahead by an hour, and the board does not: 10 ms later comes its next frame.
    let hour = 3_600_000;
    assert!(renewed(host.sent(hour + 21)).is_none_or(|until| !until.is_after(Tick(20 + RENEW_VALID_MS))));
    telemetry(&mut host, hour + 22, 20);
    for later in [100, 200, 300] {
        telemetry(&mut host, hour + later + 1, later as u32);
        let until = renewed(host.sent(hour + later + 2)).expect("it renews");
        assert!((later as u32..=later as u32 + 2).contains(&(until.0 - RENEW_VALID_MS)), "{until:?}");
    }
    // One that only slept knows the board's time again with the next frame.
    let slept = 2_000;
    telemetry(&mut host, hour + 301 + slept, 300 + slept as u32);
    let until = renewed(host.sent(hour + 302 + slept)).expect("it renews");
    assert_eq!(until.0 - RENEW_VALID_MS, 301 + slept as u32);
}

/// However slow the program is: it is given time once, and knows how long it has heard nothing.
#[test]
fn a_board_that_is_gone_is_lost_by_a_slow_program_too() {
    let mut host = Host::opened();
    let rounds = (1..10).map(|round| 1 + round * (HELD_UP_MS + 50));
    let lost = rounds.clone().find(|ms| {
        host.sent(*ms);
        assert_eq!(host.link.silence_us(HostTime(0).plus_ms(*ms)), (ms - 1) * 1_000);
        !host.heard.is_empty()
    });
    let given = 1 + HELD_UP_MS + 50;
    assert_eq!(lost, rounds.clone().find(|ms| *ms > given + SILENCE_MS_MAX));
}

#[test]
fn a_silent_board_is_lost_within_its_time() {
    let mut host = Host::opened();
    for ms in 2..=1 + SILENCE_MS_MAX {
        host.sent(ms);
    }
    assert_eq!(host.heard, []);
    let last = host.sent(2 + SILENCE_MS_MAX);
    assert!(matches!(host.heard[..], [Heard::Lost(_)]));
    assert_eq!(last, [ToBoard::Stop], "it may hear us all the same");
}

#[test]
fn rubbish_is_counted_and_nothing_comes_of_it() {
    let mut host = Host::opened();
    host.link.receive(HostTime(0).plus_ms(5), &[1, 2, 3, 0, 9, 9, 0], &mut host.heard);
    assert_eq!(host.heard, []);
    assert_eq!(host.link.statistics().frames_bad, 2);
}
