//! The keys: one table that both answers them and prints the help, and how they come out of a terminal's bytes.

/// What a key means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Key {
    /// SOFTWARE STOP.
    Stop,
    /// SOFTWARE STOP while something is under way; else leave, as everywhere.
    StopOrLeave,
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

/// Every key, as the help shows it, with its byte; arrows have none of their own. Common characters only: no chords, no
/// function keys.
pub(super) const TABLE: &[(Option<u8>, Key, &str, &str)] = &[
    (Some(b' '), Key::Stop, "Space", "SOFTWARE STOP, everywhere, at once. It is not an emergency stop"),
    (Some(b'\r'), Key::Enter, "Enter", "done; start; go on"),
    (Some(b'y'), Key::Yes, "y", "yes; a caution takes nothing else for yes"),
    (Some(b'n'), Key::No, "n", "no, not done: the run ends"),
    (None, Key::Up, "Up", "procedure before; up in findings or question"),
    (None, Key::Down, "Down", "next procedure; down in findings or question"),
    (Some(b'\t'), Key::Other, "Tab", "next pump sheet"),
    (Some(b'h'), Key::Help, "h", "this help, on and off"),
    (Some(b'q'), Key::Leave, "q", "leave, when nothing runs"),
];

const CTRL_SPACE: u8 = 0x00;
const CTRL_C: u8 = 0x03;
const CTRL_Z: u8 = 0x1a;
const ESC: u8 = 0x1b;
const CTRL_BACKSLASH: u8 = 0x1c;
/// Its second byte: what some keyboards make of Space with another key.
const NO_BREAK_SPACE: u8 = 0xa0;

/// Makes keys of the bytes of a terminal. A stop is one wherever it stands: behind an unfinished sequence, a byte that is
/// no text, or with Alt.
#[derive(Debug, Default)]
pub(super) struct Bytes {
    inside: Inside,
}

/// What a byte belongs to (ECMA-48, 5.3 and 5.4).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
enum Inside {
    #[default]
    Nothing,
    /// An ESC was before it.
    Escape,
    /// A control sequence, up to its final byte; `plain` without parameters so far.
    Sequence { plain: bool },
    /// The first byte of U+0080 to U+00BF in UTF-8 was before it.
    Latin,
}

impl Bytes {
    /// The keys in what was read in one go.
    pub(super) fn keys(&mut self, bytes: &[u8]) -> Vec<Key> {
        if self.inside == Inside::Escape {
            // What comes so much later belongs to no ESC: that was a key of its own.
            self.inside = Inside::Nothing;
        }
        bytes.iter().filter_map(|byte| self.key(*byte)).collect()
    }

    fn key(&mut self, byte: u8) -> Option<Key> {
        let before = std::mem::take(&mut self.inside);
        match (before, byte) {
            // As elsewhere Ctrl-Z and Ctrl-\ stop a program.
            (_, b' ' | CTRL_SPACE | CTRL_Z) | (Inside::Latin, NO_BREAK_SPACE) => Some(Key::Stop),
            (_, 0xc2) => {
                self.inside = Inside::Latin;
                None
            }
            (_, CTRL_C | CTRL_BACKSLASH) => Some(Key::StopOrLeave),
            (_, ESC) => {
                self.inside = Inside::Escape;
                None
            }
            (Inside::Nothing, _) => TABLE.iter().find(|(of, ..)| *of == Some(byte)).map(|(_, key, ..)| *key),
            // Arrows of a terminal in its application mode begin with O.
            (Inside::Escape, b'[' | b'O') => {
                self.inside = Inside::Sequence { plain: true };
                None
            }
            (Inside::Sequence { plain: true }, b'A') => Some(Key::Up),
            (Inside::Sequence { plain: true }, b'B') => Some(Key::Down),
            (Inside::Sequence { .. }, 0x21..=0x3f) => {
                self.inside = Inside::Sequence { plain: false };
                None
            }
            // With Alt; the end of another sequence.
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::{Bytes, Key};

    #[test]
    fn keys_come_out_of_bytes_however_they_are_torn() {
        let all = b"\r\tynhq\x1b[A\x1b[B\x1bOA\x1bOB \x1a\x03\x1c";
        let keys = [
            Key::Enter,
            Key::Other,
            Key::Yes,
            Key::No,
            Key::Help,
            Key::Leave,
            Key::Up,
            Key::Down,
            Key::Up,
            Key::Down,
            Key::Stop,
            Key::Stop,
            Key::StopOrLeave,
            Key::StopOrLeave,
        ];
        assert_eq!(Bytes::default().keys(all), keys);
        let mut bytes = Bytes::default();
        // An ESC that comes alone is a key of its own, and means nothing here.
        let torn = all.split_inclusive(|byte| matches!(byte, b'[' | b'O'));
        assert_eq!(torn.flat_map(|piece| bytes.keys(piece)).collect::<Vec<_>>(), keys);
    }

    #[test]
    fn a_stop_is_one_wherever_it_stands() {
        for before in ["\x1b", "\x1b[", "\x1bO", "\x1b[1;5", "\x1b]0;t", "x", "\u{e9}"] {
            for (stop, key) in [(" ", Key::Stop), ("\x1a", Key::Stop), ("\x03", Key::StopOrLeave)] {
                let text = format!("{before}{stop}");
                assert_eq!(Bytes::default().keys(text.as_bytes()).last(), Some(&key), "{text:?}");
            }
        }
        for space in ["\0", "\u{a0}"] {
            assert_eq!(Bytes::default().keys(space.as_bytes()), [Key::Stop]);
        }
        for byte in 0..=u8::MAX {
            assert_eq!(Bytes::default().keys(&[byte, b' ']).last(), Some(&Key::Stop), "{byte:#x}");
        }
    }

    #[test]
    fn what_is_no_key_of_the_table_is_none() {
        // Alt, Ctrl, shifted arrows, function keys, the end of a paste, letters beyond ASCII.
        for text in ["\x1by", "\x19", "\x1b[1;2A", "\x1b[15~", "\x1b[201~", "\u{fd}", "Y", "\n"] {
            assert_eq!(Bytes::default().keys(text.as_bytes()), [], "{text:?}");
        }
    }
}
