//! The latest minute for the strip chart. A moment without a reading is a gap, not a zero.

use std::collections::VecDeque;
use stepwell_session::engine::Live;

/// Views kept: a minute at one per frame.
const KEPT: usize = 1_200;

/// Seconds between two views.
const SPACING_S: f64 = 0.05;

/// The latest minute.
#[derive(Clone, Debug, Default)]
pub(super) struct Trace {
    views: VecDeque<Live>,
}

impl Trace {
    pub(super) fn add(&mut self, live: Live) {
        if self.views.len() == KEPT {
            self.views.pop_front();
        }
        self.views.push_back(live);
    }

    /// Points of one quantity: seconds before now (not positive) and value.
    pub(super) fn points(&self, of: impl Fn(&Live) -> Option<f64>) -> Vec<(f64, f64)> {
        let last = self.views.len() as f64 - 1.0;
        self.views
            .iter()
            .enumerate()
            .filter_map(|(index, live)| Some(((index as f64 - last) * SPACING_S, of(live)?)))
            .collect()
    }

    /// The span of time shown, in s.
    pub(super) const SPAN_S: f64 = KEPT as f64 * SPACING_S;
}

#[cfg(test)]
mod tests {
    use super::{KEPT, Trace};
    use stepwell_session::engine::Live;

    #[test]
    fn old_views_go_and_absent_readings_leave_gaps() {
        let mut trace = Trace::default();
        for n in 0..KEPT + 10 {
            trace.add(Live { rail_pa: (n % 2 == 0).then_some(n as f64), ..Live::default() });
        }
        let points = trace.points(|live| live.rail_pa);
        assert_eq!(points.len(), KEPT / 2);
        assert!(points.iter().all(|(t, _)| (-Trace::SPAN_S..=0.0).contains(t)));
        assert_eq!(points.last().unwrap().1, (KEPT + 8) as f64);
    }
}
