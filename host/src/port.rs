//! The port of a board.

use rustix::fs::{fstat, stat};
use rustix::termios::isatty;
use std::io::{stderr, stdin, stdout};
use std::os::fd::AsFd;
use stepwell_session::serve;
use tokio_serial::SerialStream;

/// Opens it, unless it is the terminal that the program itself sits on: that would be set up as a port, and nobody could
/// read or type on it any more.
///
/// # Errors
/// What went wrong, with the path and the way out.
pub(crate) fn open(path: &str) -> Result<SerialStream, String> {
    if is_own_terminal(path) {
        return Err(format!(
            "opening port {path}: this is the terminal that the program sits on; `stepwell ports` lists those that are there"
        ));
    }
    serve::open(path)
}

fn is_own_terminal(path: &str) -> bool {
    let Ok(port) = stat(path).map(|port| port.st_rdev) else { return false };
    let (input, output, error) = (stdin(), stdout(), stderr());
    let standard = [input.as_fd(), output.as_fd(), error.as_fd()];
    let own = standard.into_iter().filter(|fd| isatty(fd)).map(fstat);
    // By its other name it is nobody else's either.
    own.chain([stat("/dev/tty")]).flatten().any(|own| own.st_rdev == port)
}
