//! A bench in real time, at one end of something that carries bytes.

use crate::bench::SimulatedBench;
use std::io;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};

/// Ticks between two exchanges with a port.
const EXCHANGE_TICKS: u32 = 5;

/// A reader that does not read for this long holds up the wire, not the board: what it was to hear is
/// dropped.
const WRITE_WAIT: Duration = Duration::from_millis(20);

/// Runs `bench` in real time on `port` until the port is gone. `watch` sees it after every tick.
///
/// # Errors
/// When the port or the bench fails.
pub async fn pace<P, B>(port: &mut P, bench: &mut B, mut watch: impl FnMut(&B)) -> io::Result<()>
where
    P: AsyncRead + AsyncWrite + Unpin,
    B: SimulatedBench + ?Sized,
{
    let mut beat = tokio::time::interval(Duration::from_millis(u64::from(EXCHANGE_TICKS)));
    let mut bytes = [0; 4096];
    let mut out = Vec::new();
    loop {
        tokio::select! {
            read = port.read(&mut bytes) => match read? {
                0 => return Ok(()),
                len => bench.receive(&bytes[..len]),
            },
            _ = beat.tick() => {
                for _ in 0..EXCHANGE_TICKS {
                    bench.tick()?;
                    watch(bench);
                }
                bench.transmit(&mut out);
                if !out.is_empty() {
                    match tokio::time::timeout(WRITE_WAIT, port.write(&out)).await {
                        Ok(len) => { out.drain(..len?); }
                        Err(_) => out.clear(),
                    }
                }
            }
        }
    }
}
