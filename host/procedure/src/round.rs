//! One round of a step, as it is kept: which ticks it rests on. With the telemetry beside it a step can
//! conclude again at any time, from the very same evidence.

use crate::record::Burst;
use crate::recording::Recording;
use crate::step::{Evidence, Stretch};
use serde::{Deserialize, Serialize};
use stepwell_protocol::dwell::DwellEnd;
use stepwell_protocol::time::Tick;

/// A labelled stretch of telemetry.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Span {
    /// The step's name for it.
    pub label: String,
    /// Its first tick.
    pub from: Tick,
    /// The first tick after it.
    pub to: Tick,
    /// How its dwell ended; `Complete` for a watch.
    pub end: DwellEnd,
}

/// One round of a step.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Round {
    /// Name of the step.
    pub step: String,
    /// First tick, and first tick after, of the rest at which the zeroes in use were taken.
    pub zero: (Tick, Tick),
    /// What was recorded, in order.
    pub spans: Vec<Span>,
}

impl Round {
    /// What telemetry brought for the round. A span that has a gap, or is not there, is left out. A burst
    /// belongs to the span that it begins.
    #[must_use]
    pub fn evidence<'a>(&'a self, recording: &'a Recording, bursts: &'a [Burst]) -> Evidence<'a> {
        let stretches = self
            .spans
            .iter()
            .filter_map(|span| {
                let window = recording.window(span.from, span.to).ok()?;
                Some(Stretch { label: &span.label, window, end: span.end })
            })
            .collect();
        let bursts = self
            .spans
            .iter()
            .flat_map(|span| {
                let its = bursts.iter().filter(|burst| burst.at == span.from.0);
                its.map(|burst| (span.label.as_str(), burst.counts.as_slice()))
            })
            .collect();
        Evidence { stretches, bursts }
    }
}
