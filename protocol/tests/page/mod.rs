//! Reads `docs/protocol.md` as data: its fenced blocks and the frames that it prints.
//!
//! The page is the source; nothing here knows a message.

/// The specification.
pub const PAGE: &str = include_str!("../../../docs/protocol.md");

/// One printed frame.
#[derive(Debug)]
pub struct PrintedFrame {
    pub name: &'static str,
    pub body: Vec<u8>,
    pub checksum: Vec<u8>,
    pub wire: Vec<u8>,
}

/// Every block that opens with three backticks and `frame NAME`.
pub fn printed_frames() -> Vec<PrintedFrame> {
    blocks("frame ").into_iter().map(|(name, lines)| read_frame(name, &lines)).collect()
}

/// The lines of every fenced block whose opening begins with `kind`, under what follows it.
pub fn blocks(kind: &str) -> Vec<(&'static str, Vec<&'static str>)> {
    let mut found = Vec::new();
    let mut lines = PAGE.lines();
    while let Some(line) = lines.next() {
        if let Some(name) = line.strip_prefix("```").and_then(|opening| opening.strip_prefix(kind)) {
            found.push((name, lines.by_ref().take_while(|line| *line != "```").collect()));
        }
    }
    found
}

/// The hex pairs at the front of a line; two spaces begin the remark.
pub fn hex(line: &str) -> Vec<u8> {
    let pairs = line.trim_start().split("  ").next().unwrap_or_default();
    pairs.split_whitespace().map(|pair| u8::from_str_radix(pair, 16).expect(line)).collect()
}

fn read_frame(name: &'static str, lines: &[&str]) -> PrintedFrame {
    let mut frame = PrintedFrame { name, body: vec![], checksum: vec![], wire: vec![] };
    let mut section = "";
    for line in lines {
        let (word, rest) = line.split_at(5);
        if !word.trim().is_empty() {
            section = word.trim();
        }
        let bytes = match section {
            "body" => &mut frame.body,
            "crc" => &mut frame.checksum,
            "wire" => &mut frame.wire,
            other => panic!("{name}: {other} is not a part of a frame"),
        };
        bytes.extend(hex(rest));
    }
    frame
}
