//! Benches behind ports of this process, in real time: the built-in one for the screens, and one on a
//! pseudo-terminal for another program.

use crate::cli::ServeArgs;
use crate::failure::Failure;
use crate::print::outln;
use crate::{aside, library, mounted};
use rustix::fs::{Mode, OFlags};
use rustix::io::ioctl_fionbio;
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};
use std::io::Error;
use std::os::fd::OwnedFd;
use std::path::PathBuf;
use std::time::Duration;
use stepwell_emulated::{EmulatedBench, Upset};
use stepwell_protocol::state::State;
use stepwell_protocol::time::Tick;
use stepwell_virtual::{Setup, SimulatedBench, VirtualBench, pace};
use tokio::io::{AsyncReadExt, Join, join};
use tokio::net::unix::pipe;

/// The built-in bench behind a port of this process, in real time. Must be called inside a runtime.
pub(crate) fn built_in_port(setup: &Setup) -> tokio::io::DuplexStream {
    let (ours, theirs) = tokio::io::duplex(1 << 16);
    let setup = setup.clone();
    tokio::spawn(async move {
        let mut port = ours;
        let mut bytes = [0; 4096];
        // The bench is switched on by the first byte.
        let Ok(len @ 1..) = port.read(&mut bytes).await else { return };
        let mut bench = VirtualBench::new(&setup);
        bench.receive(&bytes[..len]);
        let _ = pace(&mut port, &mut bench, |_| {}).await;
    });
    theirs
}

/// A bench whose port is gone is watched this long before it is switched off, in ticks.
const AFTER_GONE_TICKS: u32 = 8_000;

/// Serves a bench until Ctrl-C.
pub(crate) fn serve(args: &ServeArgs) -> Result<u8, Failure> {
    // A terminal that takes no words must not hold up the bench.
    aside::begin().map_err(|error| Failure::Internal(format!("printing: {error}")))?;
    let pump = &args.pump;
    let setup = mounted::setup(&library::pump(pump)?, &args.model)?;
    let upset = args.board_fault.as_deref().map(Upset::parse).transpose().map_err(Failure::Usage)?;
    let emulated = |image: &PathBuf| EmulatedBench::start(image, &setup, upset);
    if let Some(image) = &args.image {
        // Now rather than at the first byte: what is missing is told to the person who typed this.
        emulated(image).map_err(|error| Failure::Usage(format!("the emulated board: {error}")))?;
    }
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|error| Failure::Internal(format!("starting the bench: {error}")))?;
    runtime.block_on(async {
        let terminal = PseudoTerminal::new()
            .map_err(|error| Failure::Link(format!("making a pseudo-terminal: {error}")))?;
        let name = &terminal.name;
        outln!("SIMULATED bench with pump {pump} at {name}. Ctrl-C ends it.");
        outln!("In another terminal: stepwell run acceptance --pump {pump} --port {name} --id NUMBER");
        let stop = tokio::signal::ctrl_c();
        tokio::pin!(stop);
        let switch_on = || match &args.image {
            Some(image) => emulated(image).map(|bench| Box::new(bench) as Box<dyn SimulatedBench>),
            None => Ok(Box::new(VirtualBench::new(&setup)) as Box<dyn SimulatedBench>),
        };
        loop {
            tokio::select! {
                _ = &mut stop => return Ok(130),
                () = one_client(&terminal, &switch_on) => {}
            }
        }
    })
}

/// A pseudo-terminal, whose inner end another program opens.
struct PseudoTerminal {
    outer: OwnedFd,
    name: String,
}

impl PseudoTerminal {
    fn new() -> Result<PseudoTerminal, Error> {
        let outer = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC)?;
        grantpt(&outer)?;
        unlockpt(&outer)?;
        ioctl_fionbio(&outer, true)?;
        let name = ptsname(&outer, Vec::new())?.to_string_lossy().into_owned();
        let inner = rustix::fs::open(&name, OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC, Mode::empty())?;
        let mut modes = tcgetattr(&inner)?;
        modes.make_raw();
        tcsetattr(&inner, OptionalActions::Now, &modes)?;
        Ok(PseudoTerminal { outer, name })
    }

    /// The outer end for a program that has the inner one open, made known to the runtime anew for each: once one has
    /// closed it, the runtime takes it for readable for good, and would ask for its bytes without end. What the runtime
    /// calls a pipe is anything that can be read and written without waiting.
    fn port(&self) -> Result<Join<pipe::Receiver, pipe::Sender>, Error> {
        let (read, write) = (self.outer.try_clone()?, self.outer.try_clone()?);
        let (read, write) =
            (pipe::Receiver::from_owned_fd_unchecked(read)?, pipe::Sender::from_owned_fd_unchecked(write)?);
        Ok(join(read, write))
    }
}

/// Waits for a program, serves it, and watches the bench come to rest when it is gone.
async fn one_client(
    terminal: &PseudoTerminal,
    switch_on: &impl Fn() -> std::io::Result<Box<dyn SimulatedBench>>,
) {
    let mut bytes = [0; 4096];
    let len = loop {
        match rustix::io::read(&terminal.outer, &mut bytes) {
            Ok(len @ 1..) => break len,
            // Nobody has the other end open, or says anything.
            _ => tokio::time::sleep(Duration::from_millis(20)).await,
        }
    };
    let mut port = match terminal.port() {
        Ok(port) => port,
        Err(error) => return outln!("serving a program: {error}"),
    };
    let mut bench = match switch_on() {
        Ok(bench) => bench,
        Err(error) => return outln!("switching the bench on: {error}"),
    };
    bench.receive(&bytes[..len]);
    outln!("bench switched on by a program");
    let mut log = StateLog { last: State::Rest, seen: Tick(0), energised_until: None };
    let gone = pace(&mut port, &mut *bench, |bench| log.watch(bench)).await;
    let at = bench.now();
    outln!("program gone at tick {} ({})", at.0, gone.err().map_or("closed".to_owned(), |e| e.to_string()));
    for _ in 0..AFTER_GONE_TICKS {
        if let Err(error) = bench.tick() {
            return outln!("the bench is gone: {error}");
        }
        log.watch(&*bench);
    }
    match log.energised_until {
        Some(until) if until.is_after(at) => {
            outln!(
                "last output energised at tick {}, {} ms after the program was gone",
                until.0,
                until.ms_since(at)
            );
        }
        _ => outln!("nothing was energised any more when the program was gone"),
    }
    outln!("bench switched off, {}", stepwell_procedure::words::state(bench.state()));
}

/// Prints changes of the board's state.
struct StateLog {
    last: State,
    seen: Tick,
    energised_until: Option<Tick>,
}

impl StateLog {
    fn watch(&mut self, bench: &dyn SimulatedBench) {
        if self.seen.is_after(bench.now()) {
            outln!("the board has restarted after tick {}", self.seen.0);
            self.energised_until = None;
        }
        self.seen = bench.now();
        if bench.outputs().energised() {
            self.energised_until = Some(bench.now());
        }
        if bench.state() != self.last {
            self.last = bench.state();
            outln!("tick {:>8}: {}", bench.now().0, stepwell_procedure::words::state(self.last));
        }
    }
}
