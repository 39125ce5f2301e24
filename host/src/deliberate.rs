//! An answer must be meant: a key that is held down, or struck before the question could be read, is
//! none.

use std::time::Duration;

/// What asks must have been there to read for so long before it can be answered.
pub(crate) const SHOWN_MIN: Duration = Duration::from_millis(500);

/// Strokes of answering keys must be so far apart. A keyboard repeats a held key every few tens of
/// milliseconds, and begins to after 0.66 s at the latest as it comes (common practice, no source).
const APART_MIN: Duration = Duration::from_millis(700);

/// What is said of a stroke that is no answer.
pub(crate) const TOO_SOON: &str = "Too soon, or held down: read, let go, then press once.";

/// Strokes of the keys that answer.
#[derive(Clone, Debug, Default)]
pub(crate) struct Strokes {
    last: Option<Duration>,
}

impl Strokes {
    /// Takes a stroke at `now`; whether its key may be held down.
    pub(crate) fn held(&mut self, now: Duration) -> bool {
        self.last.replace(now).is_some_and(|last| now.saturating_sub(last) < APART_MIN)
    }

    /// Takes a stroke at `now`; whether it is an answer to what has been there to read since `shown`.
    pub(crate) fn meant(&mut self, now: Duration, shown: Duration) -> bool {
        !self.held(now) && now.saturating_sub(shown) >= SHOWN_MIN
    }
}

#[cfg(test)]
mod tests {
    use super::Strokes;
    use std::time::Duration;

    const fn ms(ms: u64) -> Duration {
        Duration::from_millis(ms)
    }

    /// Held for ten seconds, with the usual delays before and between repeats, while something new asks
    /// every second.
    #[test]
    fn a_key_held_down_answers_once_at_most() {
        for delay in [250, 500, 660] {
            let mut strokes = Strokes::default();
            let repeats = (0..).map(|n| 5_000 + delay + 33 * n).take_while(|at| *at < 15_000);
            let answers = std::iter::once(5_000)
                .chain(repeats)
                .filter(|at| strokes.meant(ms(*at), ms(at / 1_000 * 1_000 - 600)))
                .count();
            assert_eq!(answers, 1, "after {delay} ms");
        }
    }

    #[test]
    fn a_stroke_of_its_own_after_reading_is_an_answer_and_a_hasty_one_is_none() {
        let mut strokes = Strokes::default();
        assert!(!strokes.meant(ms(1_200), ms(1_000)), "nobody has read it yet");
        assert!(!strokes.meant(ms(1_700), ms(1_000)), "the second of two");
        assert!(strokes.meant(ms(2_500), ms(1_000)));
    }
}
