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
/// A space that some keyboards make with another key, of a terminal that sends no UTF-8 but Latin-1.
const NO_BREAK_SPACE: u8 = 0xa0;

/// Makes keys of the bytes of a terminal. A stop is one wherever it stands: behind an unfinished sequence, a byte that is
/// no text, with Alt, as any other space, or written as a number by a terminal that was set to do so.
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
    /// A control sequence, up to its final byte.
    Sequence(Parameters),
    /// A letter of UTF-8 that lacks so many bytes.
    Letter { code: u32, lacks: u8 },
}

/// The parameters of a control sequence so far.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Parameters {
    /// Whether there are any.
    any: bool,
    /// The first of them.
    numbers: [u32; 3],
    /// Which one comes now.
    at: usize,
    /// Whether it is over: what follows up to the next says more of it.
    rest: bool,
}

impl Parameters {
    fn take(mut self, byte: u8) -> Parameters {
        self.any = true;
        match byte {
            b';' => (self.at, self.rest) = (self.at + 1, false),
            b'0'..=b'9' if !self.rest => {
                if let Some(number) = self.numbers.get_mut(self.at) {
                    *number = number.saturating_mul(10).saturating_add(u32::from(byte - b'0'));
                }
            }
            _ => self.rest = true,
        }
        self
    }

    /// The stop that a key with these numbers is: its character and 1 with the modifiers added, 4 for Ctrl; before them 27
    /// when the sequence ends in ~ (common practice of terminals, no source).
    fn stop(&self, last: u8) -> Option<Key> {
        let ((b'u', [code, modifiers, _]) | (b'~', [27, modifiers, code])) = (last, self.numbers) else {
            return None;
        };
        let ctrl = modifiers.saturating_sub(1) & 4 != 0;
        match (ctrl, char::from_u32(code)?) {
            (true, 'c' | 'C' | '\\') => Some(Key::StopOrLeave),
            (true, 'z' | 'Z') => Some(Key::Stop),
            (_, code) => is_space(code).then_some(Key::Stop),
        }
    }
}

/// Whether this is a space: the ends of lines are not.
fn is_space(code: char) -> bool {
    code.is_whitespace() && !code.is_control()
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
            (_, b' ' | CTRL_SPACE | CTRL_Z) => Some(Key::Stop),
            (Inside::Letter { code, lacks }, 0x80..=0xbf) => {
                let code = code << 6 | u32::from(byte & 0x3f);
                if lacks > 1 {
                    self.inside = Inside::Letter { code, lacks: lacks - 1 };
                    return None;
                }
                char::from_u32(code).filter(|code| is_space(*code)).map(|_| Key::Stop)
            }
            (_, NO_BREAK_SPACE) => Some(Key::Stop),
            // How many bytes follow the first one stands in its uppermost bits.
            (_, 0xc2..=0xf4) => {
                let lacks = byte.leading_ones() as u8 - 1;
                self.inside = Inside::Letter { code: u32::from(byte & (0x3f >> lacks)), lacks };
                None
            }
            (_, CTRL_C | CTRL_BACKSLASH) => Some(Key::StopOrLeave),
            (_, ESC) => {
                self.inside = Inside::Escape;
                None
            }
            (Inside::Nothing | Inside::Letter { .. }, _) => {
                let byte = byte.to_ascii_lowercase();
                TABLE.iter().find(|(of, ..)| *of == Some(byte)).map(|(_, key, ..)| *key)
            }
            // Arrows of a terminal in its application mode begin with O.
            (Inside::Escape, b'[' | b'O') => {
                self.inside = Inside::Sequence(Parameters::default());
                None
            }
            (Inside::Sequence(Parameters { any: false, .. }), b'A') => Some(Key::Up),
            (Inside::Sequence(Parameters { any: false, .. }), b'B') => Some(Key::Down),
            (Inside::Sequence(parameters), 0x21..=0x3f) => {
                self.inside = Inside::Sequence(parameters.take(byte));
                None
            }
            (Inside::Sequence(parameters), last) => parameters.stop(last),
            // With Alt.
            (Inside::Escape, _) => None,
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
        for space in ["\0", "\u{a0}", "\u{2002}", "\u{202f}", "\u{3000}"] {
            assert_eq!(Bytes::default().keys(space.as_bytes()), [Key::Stop], "{space:?}");
        }
        assert_eq!(Bytes::default().keys(&[0xa0]), [Key::Stop], "of Latin-1");
        // Space, with Shift, Ctrl-Z, as numbers.
        for space in ["\x1b[32u", "\x1b[32;2u", "\x1b[27;2;32~", "\x1b[122;5u", "\x1b[27;5;122~"] {
            assert_eq!(Bytes::default().keys(space.as_bytes()), [Key::Stop], "{space:?}");
        }
        // Ctrl-C and Ctrl-\, with Caps Lock, with its place on another keyboard and how it is pressed.
        for ctrl in ["\x1b[99;5u", "\x1b[27;5;99~", "\x1b[92;5u", "\x1b[67;69u", "\x1b[99:67:99;5:1u"] {
            assert_eq!(Bytes::default().keys(ctrl.as_bytes()), [Key::StopOrLeave], "{ctrl:?}");
        }
        for byte in 0..=u8::MAX {
            assert_eq!(Bytes::default().keys(&[byte, b' ']).last(), Some(&Key::Stop), "{byte:#x}");
        }
    }

    #[test]
    fn what_is_no_key_of_the_table_is_none() {
        // Alt, Ctrl, shifted arrows, function keys, the end of a paste, letters beyond ASCII.
        let others =
            ["\x1by", "\x19", "\x1b[1;2A", "\x1b[15~", "\x1b[201~", "\x1b[99u", "\x1b[27;2;99~", "\x1b[32~"];
        for text in others.into_iter().chain(["\u{e0}", "\u{fd}", "\u{85}", "\u{2603}", "\n"]) {
            assert_eq!(Bytes::default().keys(text.as_bytes()), [], "{text:?}");
        }
        assert_eq!(Bytes::default().keys(b"YN"), [Key::Yes, Key::No], "with Caps Lock");
    }
}
