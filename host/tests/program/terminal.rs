//! The program on a pseudo-terminal: keys go in, and what a person would see on the screen comes out.

use super::process::PATIENCE;
use rustix::process::{Pid, Signal, kill_process};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{LocalModes, OptionalActions, Winsize, tcgetattr, tcsetattr, tcsetwinsize};
use std::fs::File;
use std::io::{Read, Write};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, mpsc};
use std::time::Duration;
use vt100::Parser;

/// Columns and rows of the terminal.
const SIZE: (u16, u16) = (80, 24);

/// A program on a terminal of its own.
pub struct OnTerminal {
    /// The program.
    pub child: Child,
    screen: Arc<Mutex<Parser>>,
    window: mpsc::Sender<Option<Vec<u8>>>,
    inside: File,
    stuck: Arc<AtomicBool>,
    pause: (mpsc::Sender<()>, mpsc::Receiver<()>),
}

impl std::fmt::Debug for OnTerminal {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{:?} on\n{}", self.child, self.text())
    }
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
        let (ws_col, ws_row) = SIZE;
        let open = || File::options().read(true).write(true).open(&name).expect("its other end is there");
        let inside = open();
        tcsetwinsize(&inside, Winsize { ws_row, ws_col, ws_xpixel: 0, ws_ypixel: 0 }).expect("it has a size");
        let child = Command::new("setsid")
            .arg("--ctty")
            .arg(command.get_program())
            .args(command.get_args())
            .envs(command.get_envs().filter_map(|(name, value)| Some((name, value?))))
            .stdin(Stdio::from(inside))
            .stdout(Stdio::from(open()))
            .stderr(Stdio::from(open()))
            .spawn()
            .expect("setsid is there");
        let screen = Arc::new(Mutex::new(Parser::new(ws_row, ws_col, 0)));
        let stuck = Arc::new(AtomicBool::new(false));
        let window = serve(File::from(window), Arc::clone(&screen), Arc::clone(&stuck));
        OnTerminal { child, screen, window, inside: open(), stuck, pause: mpsc::channel() }
    }

    /// Presses keys.
    pub fn press(&self, keys: &str) {
        self.window.send(Some(keys.as_bytes().to_vec())).expect("the window is open");
    }

    /// Waits until these words stand on the screen, however its lines are broken: paths in them have any length.
    pub fn wait_for(&self, words: &str) {
        let step = Duration::from_millis(50);
        for _ in 0..PATIENCE.as_millis() / step.as_millis() {
            if self.text().split_whitespace().collect::<Vec<_>>().join(" ").contains(words) {
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
        self.screen.lock().expect("the window's thread is well").screen().contents()
    }

    /// Takes no more of what the program writes, and fills what there is room for.
    pub fn get_stuck(&self) {
        self.stuck.store(true, Ordering::Relaxed);
        rustix::io::ioctl_fionbio(&self.inside, true).expect("it can be written without waiting");
        self.rest(Duration::from_millis(50));
        while rustix::io::write(&self.inside, &[b' '; 256]).is_ok() {}
    }

    /// Makes the window so many columns wide.
    pub fn resize(&self, columns: u16) {
        self.screen.lock().expect("the window's thread is well").screen_mut().set_size(SIZE.1, columns);
        self.claim((columns, SIZE.1));
    }

    /// Says that it has so many columns and rows, whatever it has.
    pub fn claim(&self, (ws_col, ws_row): (u16, u16)) {
        let size = Winsize { ws_row, ws_col, ws_xpixel: 0, ws_ypixel: 0 };
        tcsetwinsize(&self.inside, size).expect("it can have any size");
    }

    /// Whether the terminal is as a shell wants it: first screen, cursor, lines, echo.
    pub fn given_back(&self) -> bool {
        let screen = self.screen.lock().expect("the window's thread is well");
        let shown = !screen.screen().alternate_screen() && !screen.screen().hide_cursor();
        let modes = tcgetattr(&self.inside).expect("it is a terminal").local_modes;
        shown && modes.contains(LocalModes::ICANON | LocalModes::ECHO | LocalModes::ISIG)
    }

    /// Whether keys come in lines.
    pub fn takes_lines(&self) -> bool {
        tcgetattr(&self.inside).expect("it is a terminal").local_modes.contains(LocalModes::ICANON)
    }

    /// Which processes have the terminal now.
    pub fn foreground(&self) -> Pid {
        let path = format!("/proc/{}/stat", self.child.id());
        let told = std::fs::read_to_string(path).expect("the kernel tells it");
        // Behind the name: state, parent, group, session, terminal, the terminal's group.
        let group = told.rsplit(") ").next().and_then(|rest| rest.split(' ').nth(5));
        group.and_then(|group| Pid::from_raw(group.parse().ok()?)).expect("it is a number")
    }

    /// Gives lines and echo back to the terminal, as a shell does that the program is put to sleep under.
    pub fn take_raw_mode_away(&self) {
        let mut modes = tcgetattr(&self.inside).expect("it is a terminal");
        modes.local_modes |= LocalModes::ICANON | LocalModes::ECHO | LocalModes::ISIG;
        tcsetattr(&self.inside, OptionalActions::Now, &modes).expect("it is ours");
    }

    /// Sends the program a signal. What was started through setsid has become the program.
    pub fn signal(&self, signal: Signal) {
        kill_process(Pid::from_child(&self.child), signal).expect("it is our child");
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
fn serve(
    mut window: File,
    screen: Arc<Mutex<Parser>>,
    stuck: Arc<AtomicBool>,
) -> mpsc::Sender<Option<Vec<u8>>> {
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
            while !stuck.load(Ordering::Relaxed)
                && let Ok(len @ 1..) = window.read(&mut bytes)
            {
                screen.lock().expect("nobody panics with it").process(&bytes[..len]);
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
