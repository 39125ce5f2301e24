//! A line to handle by hand, between a served bench and a program:
//!
//! ```sh
//! stepwell serve                                                       # says /dev/pts/N
//! cargo run --release -p stepwell-tests --bin line -- /dev/pts/N /tmp/port
//! stepwell run acceptance --port /tmp/port --id P-1                    # in a third terminal
//! ```
//!
//! Words typed to it, one a line: `unplug`, `plug`, `deaf`, `mute`, `stall`, `whole`. With `--harm N` so
//! many of a thousand pieces come to harm, as `--seed S` decides.

use std::io::BufRead;
use std::path::PathBuf;
use std::process::ExitCode;
use stepwell_session::serve;
use stepwell_tests::real::line::{Handling, carry};
use tokio::sync::mpsc;

fn main() -> ExitCode {
    let typed: Vec<String> = std::env::args().skip(1).collect();
    let number = |name: &str, otherwise: u64| {
        let at = typed.iter().position(|word| word == name);
        at.and_then(|at| typed.get(at + 1)?.parse().ok()).unwrap_or(otherwise)
    };
    let [bench, path, ..] = &typed[..] else {
        eprintln!("line: name the bench's port and a path for the other end");
        return ExitCode::from(2);
    };
    let harm = (number("--seed", 1), number("--harm", 0).min(1_000) as u16);
    let (handling, handled) = mpsc::unbounded_channel();
    std::thread::spawn(move || {
        for word in std::io::stdin().lock().lines().map_while(Result::ok) {
            let asked = match word.trim() {
                "unplug" => Handling::Unplug,
                "plug" => Handling::Plug,
                "deaf" => Handling::Deaf,
                "mute" => Handling::Mute,
                "stall" => Handling::Stall,
                "whole" => Handling::Whole,
                other => {
                    eprintln!("line: no {other:?}; there are unplug, plug, deaf, mute, stall, whole");
                    continue;
                }
            };
            if handling.send(asked).is_err() {
                return;
            }
        }
    });
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    let carried = runtime.block_on(async {
        let board = serve::open(bench)?;
        println!("{bench} can be reached at {path}");
        carry(board, &PathBuf::from(path), harm, handled).await.map_err(|error| error.to_string())
    });
    match carried {
        Ok(()) => ExitCode::SUCCESS,
        Err(why) => {
            eprintln!("line: {why}");
            ExitCode::FAILURE
        }
    }
}
