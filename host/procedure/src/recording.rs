//! What telemetry has brought so far, and windows into it.
//!
//! A gap stays a gap: a window that touches one is refused with a reason, never bridged.

use stepwell_protocol::channel::{Channel, Sample};
use stepwell_protocol::time::Tick;

/// Consecutive samples.
#[derive(Clone, Debug)]
struct Piece {
    first: Tick,
    /// Board time of `first` in microseconds.
    first_us: u64,
    samples: Vec<Sample>,
}

impl Piece {
    fn end(&self) -> Tick {
        self.first.plus_ms(self.samples.len() as u32)
    }
}

/// Samples are let go of so many at once.
const FORGET_TICKS: usize = 60_000;

/// The telemetry of a run, as far as it is still needed.
#[derive(Clone, Debug, Default)]
pub struct Recording {
    pieces: Vec<Piece>,
}

/// Telemetry is missing inside a window.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Missing {
    /// First tick of the window.
    pub from: Tick,
    /// First tick after it.
    pub to: Tick,
}

impl Recording {
    /// Adds samples that begin at `first`, sampled at `first_us`. Samples that are already there are
    /// passed over. Returns the number of ticks missing before them.
    pub fn append(&mut self, first: Tick, first_us: u64, samples: &[Sample]) -> u32 {
        let Some(last) = self.pieces.last_mut() else {
            self.pieces.push(Piece { first, first_us, samples: samples.to_vec() });
            return 0;
        };
        let gap = first.ms_since(last.end());
        if gap <= 0 {
            let known = gap.unsigned_abs() as usize;
            last.samples.extend_from_slice(samples.get(known..).unwrap_or_default());
            return 0;
        }
        self.pieces.push(Piece { first, first_us, samples: samples.to_vec() });
        gap.unsigned_abs()
    }

    /// The first tick not yet recorded; `None` when nothing has been.
    #[must_use]
    pub fn end(&self) -> Option<Tick> {
        self.pieces.last().map(Piece::end)
    }

    /// Lets go of what lies before `tick`, in pieces of a minute, so that a run that waits for its
    /// operator for hours does not fill the memory.
    pub fn forget_before(&mut self, tick: Tick) {
        self.pieces.retain(|piece| piece.end().is_after(tick));
        let Some(piece) = self.pieces.first_mut() else { return };
        let old = usize::try_from(tick.ms_since(piece.first)).unwrap_or(0);
        if old >= FORGET_TICKS {
            piece.samples.drain(..old);
            piece.first = tick;
            piece.first_us += 1_000 * old as u64;
        }
    }

    /// The samples from `from` up to but not including `to`.
    ///
    /// # Errors
    /// [`Missing`] when a part of them has not arrived, or the window is empty.
    pub fn window(&self, from: Tick, to: Tick) -> Result<Window<'_>, Missing> {
        let missing = Missing { from, to };
        let piece = self
            .pieces
            .iter()
            .rev()
            .find(|piece| !piece.first.is_after(from) && piece.end().is_after(from))
            .ok_or(missing)?;
        let offset = from.ms_since(piece.first).unsigned_abs() as usize;
        let len = usize::try_from(to.ms_since(from)).map_err(|_| missing)?;
        let samples = piece.samples.get(offset..offset + len).ok_or(missing)?;
        if samples.is_empty() {
            return Err(missing);
        }
        Ok(Window { from, from_us: piece.first_us + 1_000 * offset as u64, samples })
    }

    /// The longest window without a gap from `from` up to but not including `to`; nothing when no sample of
    /// that time has arrived.
    #[must_use]
    pub fn longest_window(&self, from: Tick, to: Tick) -> Option<Window<'_>> {
        let inside = |piece: &Piece| {
            let first = if from.is_after(piece.first) { from } else { piece.first };
            let end = if piece.end().is_after(to) { to } else { piece.end() };
            end.is_after(first).then_some((first, end))
        };
        let (first, end) =
            self.pieces.iter().filter_map(inside).max_by_key(|(first, end)| end.ms_since(*first))?;
        self.window(first, end).ok()
    }
}

/// Some consecutive samples, never empty.
#[derive(Clone, Copy, Debug)]
pub struct Window<'a> {
    /// The first tick.
    pub from: Tick,
    /// Board time of the first tick in microseconds.
    pub from_us: u64,
    /// The samples, one per tick.
    pub samples: &'a [Sample],
}

impl<'a> Window<'a> {
    /// Length in ticks.
    #[must_use]
    pub fn len_ms(&self) -> u32 {
        self.samples.len() as u32
    }

    /// The part of the window from `skip_ms` on, at most `len_ms` long; the whole window's last tick
    /// when that would be empty.
    #[must_use]
    pub fn part(&self, skip_ms: u32, len_ms: u32) -> Window<'a> {
        let skip = (skip_ms as usize).min(self.samples.len() - 1);
        let end = (skip + (len_ms as usize).max(1)).min(self.samples.len());
        Window {
            from: self.from.plus_ms(skip as u32),
            from_us: self.from_us + 1_000 * skip as u64,
            samples: &self.samples[skip..end],
        }
    }

    /// The last `len_ms` of the window, or all of it.
    #[must_use]
    pub fn last(&self, len_ms: u32) -> Window<'a> {
        self.part(self.len_ms().saturating_sub(len_ms), len_ms)
    }

    /// One column, in counts.
    pub fn counts(&self, channel: Channel) -> impl Iterator<Item = u16> + use<'a> {
        self.samples.iter().map(move |sample| sample[channel.index()])
    }

    /// Mean of one column, in counts.
    #[must_use]
    pub fn mean_counts(&self, channel: Channel) -> f64 {
        self.counts(channel).map(f64::from).sum::<f64>() / self.samples.len() as f64
    }

    /// Pulses counted between the first and the last tick.
    #[must_use]
    pub fn pulses(&self, count: Channel) -> u32 {
        let mut counts = self.counts(count);
        let Some(mut last) = counts.next() else { return 0 };
        counts.fold(0, |pulses, now| {
            let more = now.wrapping_sub(last);
            last = now;
            pulses + u32::from(more)
        })
    }

    /// The instants of pulses in seconds since the window's first tick, from the counter column
    /// `count` and its edge column `edge`. Where several pulses fall into one tick only the last has
    /// a known instant; those before it are spread evenly over the time since the pulse before.
    #[must_use]
    pub fn pulse_instants_s(&self, count: Channel, edge: Channel) -> Vec<f64> {
        let mut instants = Vec::new();
        let mut last: Option<(u16, f64)> = None;
        for (index, sample) in self.samples.iter().enumerate() {
            let now_us = self.from_us + 1_000 * index as u64;
            let age_us = (now_us as u16).wrapping_sub(sample[edge.index()]);
            let instant_s = index as f64 * 1e-3 - f64::from(age_us) * 1e-6;
            let counted = sample[count.index()];
            if let Some((before, before_s)) = last {
                let more = counted.wrapping_sub(before);
                if more == 0 {
                    continue;
                }
                let from_s = before_s.max((index as f64 - 1.0) * 1e-3);
                for pulse in 1..=more {
                    let share = f64::from(pulse) / f64::from(more);
                    let spread_s = from_s + (instant_s - from_s) * share;
                    instants.push(if pulse == more { instant_s } else { spread_s });
                }
            }
            last = Some((counted, instant_s));
        }
        instants
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use stepwell_protocol::channel::CHANNELS;

    fn samples(range: std::ops::Range<u16>) -> Vec<Sample> {
        range.map(|n| [n; CHANNELS]).collect()
    }

    #[test]
    fn a_gap_is_counted_and_no_window_bridges_it() {
        let mut recording = Recording::default();
        assert_eq!(recording.append(Tick(100), 0, &samples(0..10)), 0);
        assert_eq!(recording.append(Tick(110), 10_000, &samples(10..20)), 0);
        assert_eq!(recording.append(Tick(130), 30_000, &samples(30..40)), 10);
        assert_eq!(recording.window(Tick(105), Tick(115)).unwrap().samples.len(), 10);
        assert!(recording.window(Tick(115), Tick(131)).is_err());
        assert_eq!(recording.window(Tick(132), Tick(140)).unwrap().from_us, 32_000);
        assert!(recording.window(Tick(132), Tick(141)).is_err(), "not yet there");
    }

    #[test]
    fn the_longest_window_without_a_gap_is_cut_to_what_was_asked_for() {
        let mut recording = Recording::default();
        recording.append(Tick(100), 0, &samples(0..10));
        recording.append(Tick(120), 20_000, &samples(20..50));
        recording.append(Tick(160), 60_000, &samples(60..80));
        let ticks = |from, to| {
            let window = recording.longest_window(Tick(from), Tick(to))?;
            Some((window.from.0, window.len_ms()))
        };
        assert_eq!(ticks(0, 1_000), Some((120, 30)));
        assert_eq!(ticks(140, 1_000), Some((160, 20)), "ten are left of the longest");
        assert_eq!(ticks(0, 122), Some((100, 10)));
        assert_eq!(ticks(110, 120), None);
    }

    #[test]
    fn what_is_forgotten_is_missing_and_what_follows_keeps_its_time() {
        let mut recording = Recording::default();
        let rows = vec![[7; CHANNELS]; 2 * FORGET_TICKS];
        recording.append(Tick(0), 0, &rows);
        let from = Tick(FORGET_TICKS as u32);
        recording.forget_before(from);
        assert!(recording.window(Tick(0), Tick(10)).is_err());
        let window = recording.window(from, from.plus_ms(10)).unwrap();
        assert_eq!(window.from_us, 1_000 * FORGET_TICKS as u64);
        assert_eq!(recording.end(), Some(Tick(2 * FORGET_TICKS as u32)));
    }

    #[test]
    fn repeated_ticks_are_passed_over() {
        let mut recording = Recording::default();
        recording.append(Tick(0), 0, &samples(0..10));
        recording.append(Tick(5), 5_000, &samples(5..15));
        let window = recording.window(Tick(0), Tick(15)).unwrap();
        assert!(window.counts(Channel::RailPressure).eq(0..15));
    }

    #[test]
    fn pulse_instants_come_back_to_the_microsecond_over_the_wrap_of_the_edge_column() {
        let period_us = 41_237_u64;
        let mut recording = Recording::default();
        let rows: Vec<Sample> = (0..4_000_u64)
            .map(|tick| {
                let pulses = tick * 1_000 / period_us;
                let mut row = [0; CHANNELS];
                row[Channel::FlowCount.index()] = pulses as u16;
                row[Channel::FlowEdge.index()] = (pulses * period_us) as u16;
                row
            })
            .collect();
        recording.append(Tick(0), 0, &rows);
        let window = recording.window(Tick(0), Tick(4_000)).unwrap();
        let instants = window.pulse_instants_s(Channel::FlowCount, Channel::FlowEdge);
        assert_eq!(instants.len(), (3_999_000 / period_us) as usize);
        for (n, instant) in instants.iter().enumerate() {
            let truth = (n as u64 + 1) as f64 * period_us as f64 * 1e-6;
            assert!((instant - truth).abs() < 1e-9, "{n}: {instant} {truth}");
        }
    }
}
