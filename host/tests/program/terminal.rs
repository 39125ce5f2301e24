//! The program on a pseudo-terminal: keys go in, and what a person would see on the screen comes out.

use super::process::PATIENCE;
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{Winsize, tcsetwinsize};
use std::fs::File;
use std::io::{Read, Write};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::{Arc, Mutex, mpsc};
use std::time::Duration;

/// Columns and rows of the terminal.
const SIZE: (usize, usize) = (80, 24);

/// A program on a terminal of its own.
pub struct OnTerminal {
    pub child: Child,
    screen: Arc<Mutex<Screen>>,
    window: mpsc::Sender<Option<Vec<u8>>>,
    pause: (mpsc::Sender<()>, mpsc::Receiver<()>),
}

impl OnTerminal {
    /// Starts it, in the terminal's foreground as a shell would.
    pub fn start(command: &Command) -> OnTerminal {
        // Not to be inherited: a window is closed when nobody holds it any more.
        let flags = OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC;
        let window = openpt(flags).expect("there are pseudo-terminals");
        grantpt(&window).expect("it is ours");
        unlockpt(&window).expect("it is ours");
        let name =
            ptsname(&window, Vec::new()).expect("it has a name").into_string().expect("a path is text");
        let ws_col = SIZE.0 as u16;
        let ws_row = SIZE.1 as u16;
        let open = || File::options().read(true).write(true).open(&name).expect("its other end is there");
        let inside = open();
        tcsetwinsize(&inside, Winsize { ws_row, ws_col, ws_xpixel: 0, ws_ypixel: 0 }).expect("it has a size");
        let child = Command::new("setsid")
            .arg("--ctty")
            .arg(command.get_program())
            .args(command.get_args())
            .stdin(Stdio::from(inside))
            .stdout(Stdio::from(open()))
            .stderr(Stdio::from(open()))
            .spawn()
            .expect("setsid is there");
        let screen = Arc::new(Mutex::new(Screen::default()));
        let window = serve(File::from(window), Arc::clone(&screen));
        OnTerminal { child, screen, window, pause: mpsc::channel() }
    }

    /// Presses keys.
    pub fn press(&self, keys: &str) {
        self.window.send(Some(keys.as_bytes().to_vec())).expect("the window is open");
    }

    /// Waits until these words stand on the screen.
    pub fn wait_for(&self, words: &str) {
        let step = Duration::from_millis(50);
        for _ in 0..PATIENCE.as_millis() / step.as_millis() {
            if self.text().contains(words) {
                return;
            }
            self.rest(step);
        }
        panic!("never saw “{words}” on\n{}", self.text());
    }

    /// Lets time pass, as a person does between two keys.
    pub fn rest(&self, time: Duration) {
        let _ = self.pause.1.recv_timeout(time);
    }

    /// What stands on the screen.
    pub fn text(&self) -> String {
        self.screen.lock().expect("the window's thread is well").text()
    }

    /// Closes the window.
    pub fn close(&self) {
        self.window.send(None).expect("the window is open");
    }

    /// Waits for the program's end, at most so long.
    pub fn ends_within(&mut self, time: Duration) -> Option<ExitStatus> {
        let step = Duration::from_millis(50);
        for _ in 0..time.as_millis() / step.as_millis() {
            if let Some(status) = self.child.try_wait().expect("it is our child") {
                return Some(status);
            }
            self.rest(step);
        }
        None
    }
}

/// Serves the window: what the program writes goes to the screen, keys go to the program, and nothing
/// closes it. One thread, so that there is one holder of it.
fn serve(mut window: File, screen: Arc<Mutex<Screen>>) -> mpsc::Sender<Option<Vec<u8>>> {
    let (keys, pressed) = mpsc::channel::<Option<Vec<u8>>>();
    rustix::io::ioctl_fionbio(&window, true).expect("it can be read without waiting");
    std::thread::spawn(move || {
        let mut bytes = [0; 4096];
        loop {
            match pressed.recv_timeout(Duration::from_millis(10)) {
                Ok(Some(keys)) => window.write_all(&keys).expect("the program has its end open"),
                Ok(None) | Err(mpsc::RecvTimeoutError::Disconnected) => return,
                Err(mpsc::RecvTimeoutError::Timeout) => {}
            }
            while let Ok(len @ 1..) = window.read(&mut bytes) {
                screen.lock().expect("nobody panics with it").take(&bytes[..len]);
            }
        }
    });
    keys
}

impl Drop for OnTerminal {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// As much of a terminal as the program uses: text, placing the cursor (CSI H), clearing (CSI J).
struct Screen {
    cells: Vec<Vec<char>>,
    at: (usize, usize),
    waiting: Vec<u8>,
}

impl Default for Screen {
    fn default() -> Screen {
        Screen { cells: vec![vec![' '; SIZE.0]; SIZE.1], at: (0, 0), waiting: Vec::new() }
    }
}

impl Screen {
    fn text(&self) -> String {
        self.cells.iter().map(|row| row.iter().collect::<String>().trim_end().to_owned() + "\n").collect()
    }

    fn take(&mut self, bytes: &[u8]) {
        self.waiting.extend_from_slice(bytes);
        let whole = match std::str::from_utf8(&self.waiting) {
            Ok(text) => text.len(),
            Err(error) => error.valid_up_to(),
        };
        let text = String::from_utf8_lossy(&self.waiting[..whole]).into_owned();
        let mut rest = text.as_str();
        while let Some(c) = rest.chars().next() {
            if let Some(code) = rest.strip_prefix("\u{1b}[") {
                let Some(end) = code.find(|c: char| ('@'..='~').contains(&c)) else { break };
                self.control(&code[..end], code.as_bytes()[end]);
                rest = &code[end + 1..];
                continue;
            }
            rest = &rest[c.len_utf8()..];
            match c {
                '\r' => self.at.1 = 0,
                '\n' => self.at.0 += 1,
                c if c.is_control() => {}
                c => {
                    if let Some(cell) = self.cells.get_mut(self.at.0).and_then(|row| row.get_mut(self.at.1)) {
                        *cell = c;
                    }
                    self.at.1 += 1;
                }
            }
        }
        let taken = text.len() - rest.len();
        self.waiting.drain(..taken);
    }

    fn control(&mut self, parameters: &str, letter: u8) {
        match letter {
            b'H' => {
                let mut places = parameters.split(';').map(|number| number.parse().unwrap_or(1_usize));
                let mut next = || places.next().unwrap_or(1).saturating_sub(1);
                self.at = (next(), next());
            }
            b'J' => self.cells = Screen::default().cells,
            _ => {}
        }
    }
}
