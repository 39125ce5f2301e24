//! The loop: bytes from a port, words from the operator and the passing of time go into the engine;
//! bytes for the port and things to do come out. The only file of this crate that reads a clock.
//!
//! Reading and writing have a task each, so that a write that blocks (a full USB buffer, a stalled
//! adapter) can never hold up the stop key, the screen or the recorder. When the writer falls behind
//! by more than its queue the link is as good as lost, and is treated so; the board's lease runs out
//! meanwhile.
//!
//! A port that has gone is opened again by itself as soon as it is there, for watching only.

use crate::engine::{Engine, Operator, Output, View};
use crate::time::HostTime;
use std::time::Duration;
use stepwell_procedure::record::Outcome;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;

/// Frames that may wait for the port.
const WRITES_WAITING_MAX: usize = 64;

/// Chunks that may wait for the engine; a full queue holds up the reader, nothing else.
const READS_WAITING_MAX: usize = 64;

/// A screen gets a new view this often, in ms.
const VIEW_EVERY_MS: u64 = 50;

/// A port that has gone is looked for this often, in ms.
const REOPEN_EVERY_MS: u64 = 250;

/// At the end of a run, what still waits for the port has so long to leave.
const LAST_WORDS: Duration = Duration::from_millis(200);

/// Opens a serial port by its path. Settings are those of the protocol: 921 600 baud, 8N1.
///
/// # Errors
/// What went wrong, with the path and the way out.
pub fn open(path: &str) -> Result<tokio_serial::SerialStream, String> {
    use tokio_serial::SerialPortBuilderExt;
    tokio_serial::new(path, BAUD).open_native_async().map_err(|error| {
        let mut found = error.to_string();
        let way_out = match error.kind() {
            // The system's old words for a file that takes no baud rate (ENOTTY).
            _ if found == "Not a typewriter" => {
                "this is no serial port".clone_into(&mut found);
                "`stepwell ports` lists those that are there"
            }
            _ if found.contains("exclusive lock") || found.contains("busy") => {
                "another program uses it; close that one, one program at a time"
            }
            tokio_serial::ErrorKind::NoDevice => "check the cable, and `stepwell ports` for its name",
            tokio_serial::ErrorKind::Io(std::io::ErrorKind::PermissionDenied) => {
                "add yourself to the group that owns the port (often dialout or uucp), log in again"
            }
            tokio_serial::ErrorKind::Io(std::io::ErrorKind::NotFound) => {
                "check the name, and `stepwell ports` for what is there"
            }
            _ => "is this a serial port? `stepwell ports` lists those that are there",
        };
        format!("opening port {path}: {found}; {way_out}")
    })
}

/// Baud rate of the protocol.
pub const BAUD: u32 = 921_600;

/// An open port: the two tasks that read and write it, and the queues to them.
struct Wire {
    reads: mpsc::Receiver<Vec<u8>>,
    writes: mpsc::Sender<Vec<u8>>,
    reading: JoinHandle<()>,
    writing: JoinHandle<()>,
}

impl Wire {
    fn to<P: AsyncRead + AsyncWrite + Send + 'static>(port: P) -> Wire {
        let (mut reader, mut writer) = tokio::io::split(port);
        let (bytes_in, reads) = mpsc::channel::<Vec<u8>>(READS_WAITING_MAX);
        let (writes, mut bytes_out) = mpsc::channel::<Vec<u8>>(WRITES_WAITING_MAX);
        let reading = tokio::spawn(async move {
            let mut buffer = vec![0; 4096];
            // A port that is gone reads as an end or as an error; both drop the sender.
            while let Ok(len @ 1..) = reader.read(&mut buffer).await {
                if bytes_in.send(buffer[..len].to_vec()).await.is_err() {
                    return;
                }
            }
        });
        let writing = tokio::spawn(async move {
            while let Some(bytes) = bytes_out.recv().await {
                if writer.write_all(&bytes).await.is_err() {
                    return;
                }
            }
        });
        Wire { reads, writes, reading, writing }
    }

    /// Lets go of the port; what still waits has so long to leave.
    async fn close(self, wait: Duration) {
        drop(self.writes);
        self.reading.abort();
        let writing = self.writing.abort_handle();
        let _ = tokio::time::timeout(wait, self.writing).await;
        writing.abort();
    }
}

/// The next bytes; nothing once the port is gone. Without a port it waits for good.
async fn next_bytes(wire: &mut Option<Wire>) -> Option<Vec<u8>> {
    match wire {
        Some(wire) => wire.reads.recv().await,
        None => std::future::pending().await,
    }
}

/// Serves `engine` on `port` until its run is over and every output has been handed on.
///
/// Words from the operator come in over `operator`; outputs go to `outputs` in order; `view` always
/// holds a recent view. When the port goes while the run is not over yet, `reopen` is asked for it
/// again and again; through a port that has come back the board is watched and nothing else. Returns
/// the outcome; `None` when the board would not talk to us at all.
pub async fn serve<P>(
    mut engine: Engine,
    port: P,
    mut reopen: impl FnMut() -> Option<P>,
    mut operator: mpsc::Receiver<Operator>,
    outputs: mpsc::UnboundedSender<Output>,
    view: watch::Sender<Option<View>>,
) -> (Option<Outcome>, Engine)
where
    P: AsyncRead + AsyncWrite + Send + 'static,
{
    let mut wire = Some(Wire::to(port));
    #[expect(clippy::disallowed_methods, reason = "this loop owns the session's clock")]
    let began = tokio::time::Instant::now();
    let host_now = || HostTime(u64::try_from(began.elapsed().as_micros()).unwrap_or(u64::MAX));
    let mut view_at = HostTime(0);
    let mut reopen_at = HostTime(0);
    let mut operator_gone = false;
    loop {
        let now = host_now();
        if wire.is_none() && now >= reopen_at {
            reopen_at = now.plus_ms(REOPEN_EVERY_MS);
            if let Some(port) = reopen() {
                wire = Some(Wire::to(port));
                engine.port_reopened(now);
            }
        }
        engine.tick(now);
        let bytes = engine.take_bytes();
        if let Some(wire) = &wire
            && !bytes.is_empty()
            && wire.writes.try_send(bytes).is_err()
        {
            engine.port_lost("the port no longer takes what is written to it");
        }
        let mut unwelcome = false;
        while let Some(output) = engine.poll() {
            unwelcome |= matches!(output, Output::Unwelcome(_));
            if !matches!(output, Output::Samples { .. }) {
                tracing::debug!(?output);
            }
            // A receiver that is gone has seen enough.
            let _ = outputs.send(output);
        }
        let over = unwelcome || engine.outcome().is_some();
        if over || now >= view_at {
            view_at = now.plus_ms(VIEW_EVERY_MS);
            let _ = view.send(Some(engine.view(now)));
        }
        if over {
            break;
        }
        if let (true, Some(prompt)) = (operator_gone, engine.run().prompt().map(|prompt| prompt.number)) {
            engine.operator(now, Operator::Nobody { prompt });
            continue;
        }
        let wait = Duration::from_micros(engine.tick_at().min(view_at).us_since(host_now()));
        tokio::select! {
            read = next_bytes(&mut wire) => if let Some(bytes) = read {
                engine.receive(host_now(), &bytes);
            } else {
                if let Some(wire) = wire.take() {
                    wire.close(Duration::ZERO).await;
                }
                reopen_at = host_now().plus_ms(REOPEN_EVERY_MS);
                engine.port_lost("the port is gone: cable pulled, or the board lost power");
            },
            said = operator.recv(), if !operator_gone => {
                // When the operator's side is gone without a word: stop, and come to an end.
                operator_gone = said.is_none();
                engine.operator(host_now(), said.unwrap_or(Operator::Stop));
            }
            () = tokio::time::sleep(wait) => {}
        }
    }
    if let Some(wire) = wire {
        wire.close(LAST_WORDS).await;
    }
    (engine.outcome().cloned(), engine)
}
