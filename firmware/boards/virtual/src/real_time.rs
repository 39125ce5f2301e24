//! A bench in real time, at one end of something that carries bytes.

use crate::bench::SimulatedBench;
use std::io;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};

/// Ticks between two exchanges with a port.
const EXCHANGE_TICKS: u32 = 5;

/// What a reader that does not read has coming, at most, in bytes: half a second of telemetry. Beyond
/// that it is dropped, as on a wire that nobody listens to.
const WAITING_MAX: usize = 8 * 1024;

/// Runs `bench` in real time on `port` until the port is gone. `watch` sees it after every tick. Board
/// time goes on at its own pace, whether the other end reads or not.
///
/// # Errors
/// When the port or the bench fails.
pub async fn pace<P, B>(port: &mut P, bench: &mut B, mut watch: impl FnMut(&B)) -> io::Result<()>
where
    P: AsyncRead + AsyncWrite + Unpin,
    B: SimulatedBench + ?Sized,
{
    let (mut reader, mut writer) = tokio::io::split(port);
    let mut beat = tokio::time::interval(Duration::from_millis(u64::from(EXCHANGE_TICKS)));
    let mut bytes = [0; 4096];
    let mut out = Vec::new();
    loop {
        tokio::select! {
            read = reader.read(&mut bytes) => match read? {
                0 => return Ok(()),
                len => bench.receive(&bytes[..len]),
            },
            written = writer.write(&out), if !out.is_empty() => { out.drain(..written?); }
            _ = beat.tick() => {
                for _ in 0..EXCHANGE_TICKS {
                    bench.tick()?;
                    watch(bench);
                }
                bench.transmit(&mut out);
                if out.len() > WAITING_MAX {
                    out.clear();
                }
            }
        }
    }
}
