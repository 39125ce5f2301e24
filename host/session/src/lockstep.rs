//! The engine joined to a bench in this process, as fast as it can: host time and board time advance
//! together, ten milliseconds at a time, so a run depends on nothing but its inputs.

use crate::engine::{Engine, Operator, Output};
use crate::time::HostTime;
use stepwell_procedure::record::Outcome;
use stepwell_procedure::run::Prompt;

/// One exchange, in ms: the length of a telemetry frame.
const EXCHANGE_MS: u32 = 10;

/// A bench in this process.
pub trait Bench {
    /// The board takes `to_board`, runs for `ms` ticks, and adds what it says to `from_board`.
    fn exchange(&mut self, to_board: &[u8], ms: u32, from_board: &mut Vec<u8>);
}

/// What the outside does for a run in lockstep.
pub trait Outside {
    /// Answers a question; `None` leaves it open until the next exchange.
    fn answer(&mut self, prompt: &Prompt) -> Option<bool>;

    /// Takes everything else the engine wants done.
    fn output(&mut self, engine: &Engine, output: Output);

    /// Whether the operator wants everything to stop; asked once per exchange.
    fn wants_stop(&mut self) -> bool;
}

/// Carries the engine's run out to its end and returns the outcome; `None` when the board would not
/// talk to us at all.
pub fn run(engine: &mut Engine, bench: &mut dyn Bench, outside: &mut dyn Outside) -> Option<Outcome> {
    let mut now = HostTime(0);
    let mut from_board = Vec::new();
    engine.tick(now);
    loop {
        if outside.wants_stop() {
            engine.operator(now, Operator::Stop);
        }
        let to_board = engine.take_bytes();
        from_board.clear();
        bench.exchange(&to_board, EXCHANGE_MS, &mut from_board);
        now = now.plus_ms(u64::from(EXCHANGE_MS));
        engine.receive(now, &from_board);
        let mut unwelcome = false;
        while let Some(output) = engine.poll() {
            unwelcome |= matches!(output, Output::Unwelcome(_));
            if !matches!(output, Output::Ask(_)) {
                outside.output(engine, output);
            }
        }
        let open = engine.run().prompt().cloned();
        if let Some(prompt) = open
            && let Some(yes) = outside.answer(&prompt)
        {
            engine.operator(now, Operator::Answer { prompt: prompt.number, yes });
        }
        engine.operator(now, Operator::Alive);
        if unwelcome || engine.outcome().is_some() {
            while let Some(output) = engine.poll() {
                outside.output(engine, output);
            }
            return engine.outcome().cloned();
        }
    }
}
