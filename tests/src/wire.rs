//! Wires between host and bench that are worse than none: slow ones, ones that are cut, and ones that
//! swallow a frame.

use crate::trace::Traced;
use std::collections::VecDeque;
use stepwell_protocol::frame::{self, Deframer, FRAME_MAX};
use stepwell_protocol::message::FromBoard;
use stepwell_session::lockstep::Bench;
use stepwell_virtual::{SimulatedBench, VirtualBench};

/// A wire on which bytes take their time both ways. They never overtake each other. As on the program's
/// own ports, the first byte to arrive switches the bench on, so board time begins with it.
#[derive(Debug)]
pub struct Delayed {
    /// The bench at the other end.
    pub bench: Traced,
    /// Delays in ms, one exchange after the other, over and over.
    delays_ms: Vec<u32>,
    exchanges: usize,
    /// Host time, ms.
    now_ms: u32,
    to_board: VecDeque<(u32, Vec<u8>)>,
    from_board: VecDeque<(u32, Vec<u8>)>,
}

impl Delayed {
    /// A wire to `bench`.
    #[must_use]
    pub fn new(bench: Traced, delays_ms: Vec<u32>) -> Delayed {
        Delayed {
            bench,
            delays_ms,
            exchanges: 0,
            now_ms: 0,
            to_board: VecDeque::new(),
            from_board: VecDeque::new(),
        }
    }

    fn delay_ms(&self, shift: usize) -> u32 {
        self.delays_ms[(self.exchanges + shift) % self.delays_ms.len()]
    }
}

fn send(line: &mut VecDeque<(u32, Vec<u8>)>, arrives_ms: u32, bytes: Vec<u8>) {
    // Behind what was sent before, even if that took longer.
    let arrives_ms = line.back().map_or(arrives_ms, |(before, _)| arrives_ms.max(*before));
    line.push_back((arrives_ms, bytes));
}

fn arrived(line: &mut VecDeque<(u32, Vec<u8>)>, now_ms: u32) -> Option<Vec<u8>> {
    line.front().filter(|(arrives_ms, _)| *arrives_ms <= now_ms)?;
    line.pop_front().map(|(_, bytes)| bytes)
}

impl Bench for Delayed {
    fn exchange(&mut self, to_board: &[u8], ms: u32, from_board: &mut Vec<u8>) {
        self.exchanges += 1;
        if !to_board.is_empty() {
            let arrives_ms = self.now_ms + self.delay_ms(0);
            send(&mut self.to_board, arrives_ms, to_board.to_vec());
        }
        for _ in 0..ms {
            let mut heard = Vec::new();
            let mut said = Vec::new();
            while let Some(bytes) = arrived(&mut self.to_board, self.now_ms) {
                heard.extend(bytes);
            }
            if !heard.is_empty() || self.bench.tick() > 0 {
                self.bench.exchange(&heard, 1, &mut said);
            }
            self.now_ms += 1;
            if !said.is_empty() {
                // The ways back and forth are out of step.
                let arrives_ms = self.now_ms + self.delay_ms(1);
                send(&mut self.from_board, arrives_ms, said);
            }
        }
        while let Some(bytes) = arrived(&mut self.from_board, self.now_ms) {
            from_board.extend(bytes);
        }
    }
}

/// A wire that is cut at a tick: from then on nothing comes through, either way. To the board this is
/// a host that has fallen silent.
#[derive(Debug)]
pub struct Cut<B = VirtualBench> {
    /// The bench at the other end.
    pub bench: Traced<B>,
    at_tick: u32,
}

impl<B: SimulatedBench> Cut<B> {
    /// A wire to `bench` that is cut at the board's tick `at_tick`.
    #[must_use]
    pub fn new(bench: Traced<B>, at_tick: u32) -> Cut<B> {
        Cut { bench, at_tick }
    }
}

impl<B: SimulatedBench> Bench for Cut<B> {
    fn exchange(&mut self, to_board: &[u8], ms: u32, from_board: &mut Vec<u8>) {
        if self.bench.tick() < self.at_tick {
            self.bench.exchange(to_board, ms, from_board);
        } else {
            self.bench.alone(ms);
        }
    }
}

/// A wire that swallows the first frame from the board that is of a certain kind.
#[derive(Debug)]
pub struct Swallowing {
    /// The bench at the other end.
    pub bench: Traced,
    kind: fn(&FromBoard<'_>) -> bool,
    swallowed: bool,
    deframer: Deframer,
}

impl Swallowing {
    /// A wire to `bench` that swallows the first frame for which `kind` is true.
    #[must_use]
    pub fn new(bench: Traced, kind: fn(&FromBoard<'_>) -> bool) -> Swallowing {
        Swallowing { bench, kind, swallowed: false, deframer: Deframer::new() }
    }

    /// Whether there was such a frame.
    #[must_use]
    pub fn swallowed(&self) -> bool {
        self.swallowed
    }
}

impl Bench for Swallowing {
    fn exchange(&mut self, to_board: &[u8], ms: u32, from_board: &mut Vec<u8>) {
        let mut said = Vec::new();
        self.bench.exchange(to_board, ms, &mut said);
        let mut rest = said.as_slice();
        while let Some(body) = self.deframer.next_body(&mut rest) {
            let Ok(message) = body.and_then(frame::decode::<FromBoard<'_>>) else { continue };
            if !self.swallowed && (self.kind)(&message) {
                self.swallowed = true;
                continue;
            }
            let mut bytes = [0; FRAME_MAX];
            let len = frame::encode(&message, &mut bytes).unwrap_or(0);
            from_board.extend_from_slice(&bytes[..len]);
        }
    }
}
