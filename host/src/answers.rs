//! Answers typed at a run without screens. At a terminal an answer must be meant, as at the screens: the question has been
//! read, and the key that ends the line is not held down. What is fed through a pipe is taken as it comes.

use crate::aside;
use crate::clock::Stopwatch;
use crate::deliberate::{SHOWN_MIN, Strokes};
use crate::print::Stream;
use rustix::termios::{QueueSelector, tcflush};
use std::io::{BufRead, IsTerminal};
use std::sync::mpsc::{self, RecvTimeoutError};
use std::time::Duration;

/// What has come of a question.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Answer {
    /// Nothing yet that would be worth a word.
    None,
    Yes,
    No,
    /// Given before the question could be read, or by a key held down: none.
    TooSoon,
    NotUnderstood,
    /// Nobody is there who could give one.
    Nobody,
}

/// The lines that are typed, and the question that stands.
#[derive(Debug)]
pub(crate) struct Answers {
    at_terminal: bool,
    watch: Stopwatch,
    /// With the time at which each came.
    lines: Option<mpsc::Receiver<(Duration, String)>>,
    /// Closed, or says so, when the question can be read.
    told: Option<mpsc::Receiver<()>>,
    judged: Judged,
}

impl Answers {
    pub(crate) fn new() -> Answers {
        let at_terminal = std::io::stdin().is_terminal();
        Answers { at_terminal, watch: Stopwatch::start(), lines: None, told: None, judged: Judged::default() }
    }

    /// A question has been said.
    pub(crate) fn asked(&mut self) {
        self.lines.get_or_insert_with(|| listen(self.watch));
        self.told = self.at_terminal.then(|| aside::told(Stream::Err));
    }

    /// Waits so long for an answer to the question.
    pub(crate) fn within(&mut self, wait: Duration, caution: bool) -> Answer {
        let Some(lines) = &self.lines else { return Answer::None };
        if let Some(told) = &self.told {
            if told.recv_timeout(wait) == Err(RecvTimeoutError::Timeout) {
                return Answer::None;
            }
            self.told = None;
            // Also a line that was begun before; what cannot be dropped is judged by its time.
            let _ = tcflush(std::io::stdin(), QueueSelector::IFlush);
            for (at, _) in lines.try_iter() {
                self.judged.before(at);
            }
            self.judged.asked(self.watch.elapsed());
        }
        let mut wait = wait;
        loop {
            let answer = match lines.recv_timeout(wait) {
                Ok((_, line)) if !self.at_terminal => meaning(&line, caution),
                Ok((at, line)) => self.judged.line(at, &line, caution),
                Err(RecvTimeoutError::Timeout) => return Answer::None,
                Err(RecvTimeoutError::Disconnected) => Answer::Nobody,
            };
            if answer != Answer::None {
                return answer;
            }
            // Repeats of a held key come faster than anybody waits here.
            wait = Duration::ZERO;
        }
    }
}

/// Reads lines on a thread, so that nothing ever waits for the keyboard.
fn listen(watch: Stopwatch) -> mpsc::Receiver<(Duration, String)> {
    let (send, lines) = mpsc::channel();
    std::thread::spawn(move || {
        for line in std::io::stdin().lock().lines().map_while(Result::ok) {
            if send.send((watch.elapsed(), line)).is_err() {
                return;
            }
        }
    });
    lines
}

/// Whether lines are meant.
#[derive(Debug, Default)]
struct Judged {
    strokes: Strokes,
    shown: Duration,
    /// What was said last of a line; not said again of each repeat of a key that is held.
    hint: Option<Answer>,
}

impl Judged {
    /// A question can be read from `now` on.
    fn asked(&mut self, now: Duration) {
        self.shown = now;
        self.hint = None;
    }

    /// A line came before the question could be read.
    fn before(&mut self, at: Duration) {
        let _ = self.strokes.meant(at, at);
    }

    fn line(&mut self, at: Duration, line: &str, caution: bool) -> Answer {
        let meaning = meaning(line, caution);
        // A no is safe, and no held key types it.
        if meaning == Answer::No && at.saturating_sub(self.shown) >= SHOWN_MIN {
            return Answer::No;
        }
        let meant = self.strokes.meant(at, self.shown);
        let hint = match meaning {
            Answer::Yes if meant => return Answer::Yes,
            Answer::NotUnderstood => Answer::NotUnderstood,
            _ => Answer::TooSoon,
        };
        if self.hint.replace(hint) == Some(hint) && !meant { Answer::None } else { hint }
    }
}

/// How a question is answered.
pub(crate) const fn ways(caution: bool) -> &'static str {
    if caution {
        "y and Enter = yes, all of it · n and Enter = no · Ctrl-C = SOFTWARE STOP"
    } else {
        "Enter = done · n and Enter = no · Ctrl-C = SOFTWARE STOP"
    }
}

/// What a typed line says. A caution is not accepted by an empty line, which a key held down types too.
fn meaning(line: &str, caution: bool) -> Answer {
    match line.trim().to_lowercase().as_str() {
        "" if caution => Answer::NotUnderstood,
        "" | "y" | "yes" | "done" => Answer::Yes,
        "n" | "no" => Answer::No,
        _ => Answer::NotUnderstood,
    }
}

#[cfg(test)]
mod tests {
    use super::{Answer, Judged, meaning};
    use std::time::Duration;

    const UNCLEAR: Answer = Answer::NotUnderstood;

    #[test]
    fn only_what_is_an_answer_is_taken_as_one() {
        for (line, done, caution) in [
            ("", Answer::Yes, UNCLEAR),
            (" Y ", Answer::Yes, Answer::Yes),
            ("yes", Answer::Yes, Answer::Yes),
            ("done", Answer::Yes, Answer::Yes),
            ("n", Answer::No, Answer::No),
            ("No", Answer::No, Answer::No),
            ("stop", UNCLEAR, UNCLEAR),
            ("not yet", UNCLEAR, UNCLEAR),
            ("q", UNCLEAR, UNCLEAR),
        ] {
            assert_eq!(meaning(line, false), done, "{line:?}");
            assert_eq!(meaning(line, true), caution, "{line:?}");
        }
    }

    #[test]
    fn a_held_enter_is_told_once_and_a_stroke_of_its_own_answers() {
        let mut judged = Judged::default();
        let mut at = |ms, line: &str| judged.line(Duration::from_millis(ms), line, false);
        assert_eq!(at(100, ""), Answer::TooSoon, "nobody has read it yet");
        assert_eq!(at(100, "n"), Answer::None, "nor that");
        assert_eq!((at(600, ""), at(633, "")), (Answer::None, Answer::None), "held");
        assert_eq!((at(1_400, "stop"), at(2_200, "stop")), (UNCLEAR, UNCLEAR), "each of its own");
        assert_eq!(at(3_000, ""), Answer::Yes);
    }
}
