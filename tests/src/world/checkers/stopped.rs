//! Once the stop key is pressed nothing is worked any more: on a line that loses nothing as soon as the key promises, on
//! one that does a stop is said again in that time for as long as something is.

use super::authority::Doing;
use crate::world::played::host::Handed;
use crate::world::played::line::Quality;

/// From the key to nothing but a relieving valve, in ms (hardware/hazards.md, the stop key).
const STOPS_MS: usize = 100;

/// The first tick that is worked though it must not be.
#[must_use]
pub fn worked_on(handed: &Handed, doing: &[Doing], line: Quality) -> Option<String> {
    let pressed = handed.stop_pressed_ms?;
    let works = (pressed..doing.len()).filter(|&place| doing[place].works());
    let mut said = handed.stops_said_ms.iter().copied().peekable();
    let mut last = pressed;
    works.into_iter().find_map(|place| {
        while let Some(ms) = said.next_if(|ms| *ms <= place) {
            last = last.max(ms);
        }
        let what = if line == Quality::GOOD && place > pressed + STOPS_MS {
            "works"
        } else if place < handed.over_ms && place > last + STOPS_MS {
            "is not told to stop again"
        } else {
            return None;
        };
        Some(format!("the stop key was pressed at {pressed} ms, and the board {what} at {place} ms"))
    })
}

#[cfg(test)]
mod tests {
    use super::STOPS_MS;

    #[test]
    fn the_bound_is_what_the_hazards_promise() {
        let page = include_str!("../../../../hardware/hazards.md");
        let row = page.lines().find(|row| row.contains("| Stop key at any instant")).expect("a row");
        assert_eq!(row.split('|').nth(5).map(str::trim), Some(STOPS_MS.to_string().as_str()), "{row}");
    }
}
