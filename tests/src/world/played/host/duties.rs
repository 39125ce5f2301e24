//! What the program owes to whoever sits before it, told from what it puts on the wire: a stop in the very turn in which
//! it is asked for, and no work any more; no renewal for a screen that hangs; nothing but a stop and a greeting on a
//! link that was lost.

use stepwell_protocol::message::{Action, ToBoard};

/// Whoever has not drawn for longer than this hangs, in ms (hardware/hazards.md, a screen that hangs).
const DRAWN_MS_MAX: u64 = 250;

/// A run that was stopped is over within this time, in ms: a staged stop takes 5 s (docs/protocol.md, 6.1), tear-down
/// watches the rail for some seconds and asks twice, and as long again.
const ENDS_MS_MAX: u64 = 30_000;

/// One turn of the program: what it was given, and what it said.
pub(super) struct Turn<'a> {
    pub(super) ms: u64,
    /// The screen was drawn.
    pub(super) drawn: bool,
    /// The stop key was pressed.
    pub(super) pressed: bool,
    /// Its link is lost.
    pub(super) lost: bool,
    /// What it said, in order.
    pub(super) said: &'a [ToBoard],
}

/// What it owes.
#[derive(Debug)]
pub(super) struct Duties {
    drawn_ms: u64,
    pressed_ms: Option<u64>,
    /// What was complained of: the first of each kind says all.
    told: Vec<&'static str>,
}

impl Duties {
    /// Of a program that starts at `ms`.
    pub(super) const fn new(ms: u64) -> Duties {
        Duties { drawn_ms: ms, pressed_ms: None, told: Vec::new() }
    }

    /// Whether the run should have been over long ago, for it was stopped.
    pub(super) fn outstayed(&self, ms: u64) -> bool {
        self.pressed_ms.is_some_and(|pressed_ms| ms > pressed_ms + ENDS_MS_MAX)
    }

    /// What is wrong with a turn, for the first time.
    pub(super) fn judge(&mut self, turn: &Turn<'_>) -> Vec<String> {
        let Turn { ms, said, .. } = *turn;
        if turn.drawn {
            self.drawn_ms = ms;
        }
        let stop = said.iter().position(|said| *said == ToBoard::Stop);
        // What it said before the key was pressed is none of the stop's.
        let after = match (turn.pressed, self.pressed_ms) {
            (_, Some(_)) => said,
            (true, None) => stop.map_or(&[][..], |at| &said[at..]),
            (false, None) => &[],
        };
        if turn.pressed {
            self.pressed_ms.get_or_insert(ms);
        }
        let works = |said: &ToBoard| {
            matches!(said, ToBoard::Command(command)
                if matches!(command.action, Action::Arm { .. } | Action::Dwell(_)))
        };
        let renews = said.iter().any(|said| matches!(said, ToBoard::Renew(_)));
        let more = said.iter().any(|said| !matches!(said, ToBoard::Stop | ToBoard::Hello(_)));
        let late = ms > self.drawn_ms + DRAWN_MS_MAX;
        let found = [
            (turn.pressed && stop.is_none(), "the stop key was pressed and no stop is said"),
            (after.iter().any(works), "work is asked for after the stop key"),
            (renews && late, "a renewal for a screen that hangs"),
            (turn.lost && more, "a command or a renewal on a link that was lost"),
        ];
        let found = found.into_iter().filter(|(wrong, what)| *wrong && !self.told.contains(what));
        let found: Vec<&str> = found.map(|(_, what)| what).collect();
        self.told.extend(&found);
        found.into_iter().map(|what| format!("{what}, {ms} ms")).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::{DRAWN_MS_MAX, Duties, ENDS_MS_MAX, Turn};
    use stepwell_protocol::message::{Action, Command, Renew, ToBoard};
    use stepwell_protocol::time::Tick;

    const RENEWAL: ToBoard = ToBoard::Renew(Renew { session: 7, valid_until: Tick(250) });

    fn arming() -> ToBoard {
        let action = Action::Arm { guards_checksum: 0 };
        ToBoard::Command(Command { session: 7, id: 1, valid_until: Tick(250), action })
    }

    /// What is wrong with turns, each at its time with whether the screen was drawn, the key pressed, the link lost.
    fn found(turns: &[(u64, [bool; 3], &[ToBoard])]) -> String {
        let mut duties = Duties::new(0);
        let found = turns.iter().flat_map(|&(ms, [drawn, pressed, lost], said)| {
            duties.judge(&Turn { ms, drawn, pressed, lost, said })
        });
        found.collect::<Vec<_>>().join("\n")
    }

    const DRAWN: [bool; 3] = [true, false, false];
    const PRESSED: [bool; 3] = [true, true, false];
    const HANGS: [bool; 3] = [false; 3];

    #[test]
    fn a_stop_is_said_in_the_turn_in_which_the_key_is_pressed() {
        let none = "the stop key was pressed and no stop is said, 10 ms";
        assert_eq!(found(&[(10, PRESSED, &[RENEWAL]), (11, DRAWN, &[ToBoard::Stop])]), none);
        assert_eq!(found(&[(10, PRESSED, &[RENEWAL, ToBoard::Stop])]), "");
        // Every time.
        let twice = [(9, PRESSED, &[ToBoard::Stop][..]), (10, PRESSED, &[])];
        assert_eq!(found(&twice), none);
    }

    #[test]
    fn no_work_is_asked_for_after_it() {
        assert_eq!(found(&[(10, PRESSED, &[arming(), ToBoard::Stop])]), "");
        let asked = "work is asked for after the stop key, 10 ms";
        assert_eq!(found(&[(10, PRESSED, &[ToBoard::Stop, arming()])]), asked);
        assert_eq!(found(&[(5, PRESSED, &[ToBoard::Stop]), (10, DRAWN, &[arming()])]), asked);
    }

    #[test]
    fn a_run_that_was_stopped_ends() {
        let mut duties = Duties::new(0);
        assert!(!duties.outstayed(10 * ENDS_MS_MAX));
        duties.judge(&Turn { ms: 10, drawn: true, pressed: true, lost: false, said: &[ToBoard::Stop] });
        assert!(!duties.outstayed(10 + ENDS_MS_MAX));
        assert!(duties.outstayed(11 + ENDS_MS_MAX));
    }

    #[test]
    fn nothing_is_renewed_for_a_screen_that_hangs_for_longer_than_the_hazards_promise() {
        let page = include_str!("../../../../../hardware/hazards.md");
        let row =
            page.lines().find(|row| row.contains("| Screen hangs while the link lives |")).expect("a row");
        assert!(row.contains(&format!("the operator's side not seen for {DRAWN_MS_MAX} ms")), "{row}");
        let renewed = |ms: u64| found(&[(10, DRAWN, &[]), (ms, HANGS, &[RENEWAL])]);
        assert_eq!(renewed(10 + DRAWN_MS_MAX), "");
        assert_eq!(renewed(11 + DRAWN_MS_MAX), "a renewal for a screen that hangs, 261 ms");
        // It has drawn again.
        assert_eq!(found(&[(10, DRAWN, &[]), (1_000, DRAWN, &[RENEWAL])]), "");
    }

    #[test]
    fn a_link_that_was_lost_hears_a_stop_and_no_more() {
        let lost = [true, false, true];
        assert_eq!(found(&[(10, lost, &[ToBoard::Stop])]), "");
        assert_eq!(found(&[(10, lost, &[RENEWAL])]), "a command or a renewal on a link that was lost, 10 ms");
    }
}
