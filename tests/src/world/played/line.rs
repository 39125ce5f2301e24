//! The line between host and board: frames take their time, get lost and broken, and worse while a mishap acts.

use super::mishap::{LineMishap, Mishap, What};
use crate::trials::noise::Noise;
use std::collections::VecDeque;
use stepwell_protocol::frame::{self, Deframer, FRAME_MAX};
use stepwell_protocol::message::{FromBoard, Renew, ToBoard};
use stepwell_protocol::time::Tick;

/// How bad the line is all the time: shares of frames lost and broken, each way.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Quality {
    /// Share of frames lost.
    pub lost: f64,
    /// Share of frames broken.
    pub broken: f64,
}

impl Quality {
    /// A line as it should be.
    pub const GOOD: Quality = Quality { lost: 0.0, broken: 0.0 };

    /// A line as bad as it may be expected to be: beside a welder, say.
    pub const BAD: Quality = Quality { lost: 0.15, broken: 0.15 };
}

/// Longest time on the way, in ms, when nothing is wrong.
pub(crate) const LATENCY_MS_MAX: f64 = 5.0;

/// What a buffer at the host's end holds; what does not fit is lost.
const HOST_BUFFER_BYTES: usize = 64 * 1024;

/// What reached the board within this time may reach it again, ms.
const OLD_MS: u64 = 30_000;

/// One way.
#[derive(Debug, Default)]
struct Way {
    /// The end of a frame whose delimiter has not come yet.
    begun: Vec<u8>,
    /// When each piece arrives, in order.
    under_way: VecDeque<(u64, Vec<u8>)>,
}

/// Both ways.
#[derive(Debug)]
pub struct Line {
    quality: Quality,
    mishap: Option<(LineMishap, Mishap)>,
    noise: Noise,
    to_board: Way,
    to_host: Way,
    /// What has reached the board lately and when, ms, to be repeated by a mishap.
    heard: VecDeque<(u64, Vec<u8>)>,
}

impl Line {
    /// A line whose chances follow from `seed`.
    #[must_use]
    pub fn new(quality: Quality, seed: u64) -> Line {
        Line {
            quality,
            mishap: None,
            noise: Noise::new(seed ^ 0x11E),
            to_board: Way::default(),
            to_host: Way::default(),
            heard: VecDeque::new(),
        }
    }

    /// Something begins to go wrong; what is not the line's is none of its business.
    pub fn befall(&mut self, mishap: Mishap) {
        if let What::Line(kind) = mishap.what {
            self.mishap = Some((kind, mishap));
        }
    }

    /// Whether the host's end is pulled out at `ms`.
    #[must_use]
    pub fn unplugged(&self, ms: u64) -> bool {
        self.acting(ms).is_some_and(|(kind, _)| kind == LineMishap::Unplug)
    }

    /// The host says something.
    pub fn from_host(&mut self, ms: u64, bytes: &[u8]) {
        let acting = self.acting(ms);
        let dead = acting.is_some_and(|(kind, _)| kind == LineMishap::DeafBoard || is_cut(kind));
        carry(&mut self.to_board, &mut self.noise, self.quality, acting, (ms, dead), bytes);
    }

    /// The board says something.
    pub fn from_board(&mut self, ms: u64, bytes: &[u8]) {
        let acting = self.acting(ms);
        let dead = acting.is_some_and(|(kind, _)| kind == LineMishap::DeafHost || is_cut(kind));
        carry(&mut self.to_host, &mut self.noise, self.quality, acting, (ms, dead), bytes);
    }

    /// What reaches the board at `ms`; `board_now` is its time, which others on the line may know.
    pub fn at_board(&mut self, ms: u64, board_now: Tick) -> Vec<u8> {
        let mut bytes = self.to_board.arrived(ms);
        self.heard.push_back((ms, bytes.clone()));
        while self.heard.front().is_some_and(|(at, _)| at + OLD_MS <= ms) {
            self.heard.pop_front();
        }
        match self.mishap {
            Some((LineMishap::ForeignBytes, mishap)) if mishap.acts_at(ms) => {
                for _ in 0..(4.0 * mishap.severity).ceil() as usize {
                    // Every other one ends a frame, or many would look like one that never ends.
                    let byte = self.noise.uniform(-256.0, 256.0).max(0.0);
                    bytes.push(byte as u8);
                }
            }
            Some((LineMishap::SecondHost, mishap)) if mishap.acts_at(ms) && ms.is_multiple_of(100) => {
                let renew = Renew { session: 0xF0E, valid_until: board_now.plus_ms(250) };
                bytes.extend(framed(&ToBoard::Renew(renew)));
            }
            Some((LineMishap::OldFrames, mishap)) if mishap.begins_at(ms) => {
                bytes.extend(self.heard.drain(..).flat_map(|(_, piece)| piece));
            }
            _ => {}
        }
        bytes
    }

    /// What reaches the host at `ms`.
    pub fn at_host(&mut self, ms: u64) -> Vec<u8> {
        let mut bytes = self.to_host.arrived(ms);
        if bytes.len() > HOST_BUFFER_BYTES {
            bytes.truncate(HOST_BUFFER_BYTES);
        }
        bytes
    }

    fn acting(&self, ms: u64) -> Option<(LineMishap, f64)> {
        self.mishap.filter(|(_, mishap)| mishap.acts_at(ms)).map(|(kind, mishap)| (kind, mishap.severity))
    }
}

/// Whether nothing gets through, either way.
fn is_cut(kind: LineMishap) -> bool {
    matches!(kind, LineMishap::Unplug | LineMishap::Interrupted)
}

/// Whether a frame is of the kind that this mishap swallows.
fn swallows(kind: LineMishap, frame: &[u8]) -> bool {
    if !matches!(kind, LineMishap::TelemetryLost | LineMishap::ReportsLost) {
        return false;
    }
    let (mut deframer, mut rest) = (Deframer::new(), frame);
    let Some(Ok(body)) = deframer.next_body(&mut rest) else { return false };
    match frame::decode::<FromBoard<'_>>(body) {
        Ok(FromBoard::Telemetry(_)) => kind == LineMishap::TelemetryLost,
        Ok(FromBoard::DwellEnded(_) | FromBoard::Tripped(_)) => kind == LineMishap::ReportsLost,
        _ => false,
    }
}

/// The bytes of a message.
///
/// # Panics
/// When it does not fit a frame, which none does.
#[must_use]
pub fn framed(message: &ToBoard) -> Vec<u8> {
    let mut bytes = [0; FRAME_MAX];
    let len = frame::encode(message, &mut bytes).expect("every message fits a frame");
    bytes[..len].to_vec()
}

/// Sends bytes on their way, frame by frame.
fn carry(
    way: &mut Way,
    noise: &mut Noise,
    quality: Quality,
    acting: Option<(LineMishap, f64)>,
    (ms, dead): (u64, bool),
    bytes: &[u8],
) {
    for &byte in bytes {
        way.begun.push(byte);
        if byte != 0 {
            continue;
        }
        let mut frame = std::mem::take(&mut way.begun);
        let chance = |noise: &mut Noise, share: f64| noise.uniform(0.0, 1.0) < share;
        let lost = chance(noise, quality.lost);
        let broken = chance(noise, quality.broken);
        let latency_ms = noise.uniform(0.0, LATENCY_MS_MAX) as u64;
        let (kind, severity) = acting.map_or((None, 0.0), |(kind, severity)| (Some(kind), severity));
        let struck = kind.is_some() && chance(noise, 0.5 * severity);
        let swallowed = kind.is_some_and(|kind| swallows(kind, &frame));
        if dead || lost || swallowed || (struck && kind == Some(LineMishap::Drop)) {
            continue;
        }
        if broken || (struck && kind == Some(LineMishap::Flip)) {
            for _ in 0..=noise.uniform(0.0, 4.0) as usize {
                let at = noise.uniform(0.0, frame.len() as f64) as usize;
                frame[at] ^= 1 << noise.uniform(0.0, 8.0) as u32;
            }
        }
        if struck && kind == Some(LineMishap::Truncate) {
            frame.truncate(noise.uniform(0.0, frame.len() as f64) as usize);
        }
        let held_up_ms = match kind {
            Some(LineMishap::Delay) => (20_000.0 * severity) as u64,
            _ => 0,
        };
        // Nothing overtakes, unless that is what goes wrong.
        let earliest = way.under_way.back().map_or(0, |(arrives, _)| *arrives);
        let arrives = (ms + 1 + latency_ms + held_up_ms).max(earliest);
        if struck && kind == Some(LineMishap::Duplicate) {
            way.under_way.push_back((arrives, frame.clone()));
        }
        way.under_way.push_back((arrives, frame));
        if struck && kind == Some(LineMishap::Reorder) && way.under_way.len() > 1 {
            let last = way.under_way.len() - 1;
            let (before, after) = (way.under_way[last - 1].0, way.under_way[last].0);
            way.under_way.swap(last - 1, last);
            (way.under_way[last - 1].0, way.under_way[last].0) = (before, after);
        }
    }
}

impl Way {
    fn arrived(&mut self, ms: u64) -> Vec<u8> {
        let mut bytes = Vec::new();
        while self.under_way.front().is_some_and(|(arrives, _)| *arrives <= ms) {
            bytes.extend(self.under_way.pop_front().map(|(_, piece)| piece).unwrap_or_default());
        }
        bytes
    }
}

#[cfg(test)]
mod tests {
    use super::{Line, OLD_MS, Quality, Tick};
    use crate::world::played::mishap::{LineMishap, Mishap, What};

    #[test]
    fn what_reached_the_board_in_the_last_half_minute_reaches_it_again_and_nothing_older() {
        let mut line = Line::new(Quality::GOOD, 1);
        let (old, young) = ([1, 0], [2, 0]);
        let onset_ms = OLD_MS + 1_000;
        for ms in 0..onset_ms {
            match ms {
                500 => line.from_host(ms, &old),
                20_000 => line.from_host(ms, &young),
                _ => {}
            }
            line.at_board(ms, Tick(0));
        }
        let what = What::Line(LineMishap::OldFrames);
        line.befall(Mishap { what, onset_ms, of_work: false, for_ms: 1, severity: 1.0 });
        assert_eq!(line.at_board(onset_ms, Tick(0)), young);
    }
}
