//! The keys: one table that both answers them and prints the help.

use crossterm::event::{KeyCode, KeyEvent, KeyModifiers};

/// What a key means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Key {
    /// SOFTWARE STOP.
    Stop,
    /// Done, start, go on.
    Enter,
    /// Yes: also to a caution, which Enter does not accept.
    Yes,
    /// No.
    No,
    /// One up or down in a list.
    Up,
    Down,
    /// The next pump.
    Other,
    /// Help.
    Help,
    /// Leave.
    Leave,
}

/// Every key, as the help shows it. Common characters only: no chords, no function keys.
pub(super) const TABLE: &[(KeyCode, Key, &str, &str)] = &[
    (
        KeyCode::Char(' '),
        Key::Stop,
        "Space",
        "SOFTWARE STOP, everywhere, at once. It is not an emergency stop",
    ),
    (KeyCode::Enter, Key::Enter, "Enter", "done; start; go on"),
    (KeyCode::Char('y'), Key::Yes, "y", "yes; a caution takes nothing else for yes"),
    (KeyCode::Char('n'), Key::No, "n", "no, not done: the run ends"),
    (KeyCode::Up, Key::Up, "Up", "procedure before; up in findings or question"),
    (KeyCode::Down, Key::Down, "Down", "next procedure; down in findings or question"),
    (KeyCode::Tab, Key::Other, "Tab", "next pump sheet"),
    (KeyCode::Char('h'), Key::Help, "h", "this help, on and off"),
    (KeyCode::Char('q'), Key::Leave, "q", "leave, when nothing runs"),
];

/// What was pressed. Ctrl-C stops, like Space; so does Ctrl-Z, which elsewhere puts a program to sleep.
pub(super) fn meaning(key: KeyEvent) -> Option<Key> {
    if matches!(key.code, KeyCode::Char('c' | 'z')) && key.modifiers.contains(KeyModifiers::CONTROL) {
        return Some(Key::Stop);
    }
    if key.modifiers.intersects(KeyModifiers::CONTROL | KeyModifiers::ALT) {
        return None;
    }
    TABLE.iter().find(|(code, ..)| *code == key.code).map(|(_, key, ..)| *key)
}
