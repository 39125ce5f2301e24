//! How long work goes on after something went wrong.

use crate::world::checkers::authority::Doing;
use crate::world::witness::said::Said;

/// Milliseconds from the tick at `from` to the last that works before the board is armed again; nothing when nothing was
/// being worked just before.
///
/// A pause between two dwells is no end of work: the board is still armed, and the next dwell comes without being asked
/// for again. It arms from rest only, so whatever works under a later arming somebody has begun anew.
#[must_use]
pub fn at_rest_ms(doing: &[Doing], said: &[(usize, Said)], from: usize) -> Option<usize> {
    if !doing.get(from.checked_sub(1)?)?.works() {
        return None;
    }
    let armed_again = said.iter().find(|(place, what)| *place >= from && matches!(what, Said::Armed(_)));
    let until = armed_again.map_or(doing.len(), |(place, _)| doing.len().min(*place));
    Some(doing[from..until].iter().rposition(|doing| doing.works()).map_or(0, |last| last + 1))
}

#[cfg(test)]
mod tests {
    use super::at_rest_ms;
    use crate::world::checkers::authority::Doing::{self, Hold, Rest, Work};
    use crate::world::witness::said::Said::{self, Armed, Stop};

    const WORKS: Doing = Work { expects_flow: false };

    fn after(doing: &[Doing], said: &[(usize, Said)]) -> Option<usize> {
        at_rest_ms(doing, said, 1)
    }

    #[test]
    fn work_is_over_with_its_last_tick_under_the_same_arming() {
        let armed = [(0, Armed(7)), (2, Stop)];
        assert_eq!(after(&[WORKS, WORKS, WORKS, Hold, Rest], &armed), Some(2));
        assert_eq!(after(&[WORKS, Rest, Rest], &armed), Some(0));
        // A dwell that ends by itself, the pause after it, and the next.
        assert_eq!(after(&[WORKS, WORKS, Hold, Rest, WORKS, WORKS, Rest], &armed), Some(5));
        assert_eq!(after(&[WORKS, WORKS], &armed), Some(1));
    }

    #[test]
    fn work_under_a_later_arming_is_another_matter() {
        let again = [(0, Armed(7)), (3, Armed(7))];
        assert_eq!(after(&[WORKS, WORKS, Rest, Rest, WORKS, WORKS], &again), Some(1));
    }

    #[test]
    fn what_begins_while_nothing_is_worked_has_no_time() {
        assert_eq!(after(&[Rest, WORKS], &[]), None);
        assert_eq!(after(&[Hold, WORKS], &[]), None);
        assert_eq!(at_rest_ms(&[WORKS], &[], 0), None);
        assert_eq!(at_rest_ms(&[WORKS], &[], 5), None);
    }
}
