//! The chain of digests of one run.
//!
//! Each record's digest covers the digest before it and the record's own bytes, so a changed, missing,
//! added or moved record breaks the chain from there on. The byte layout is part of the file format:
//! docs/store.md defines it, and it must not change within a layout version.

use sha2::{Digest as _, Sha256};

/// A SHA-256 digest.
pub(crate) type Digest = [u8; 32];

/// What a record says, as it is stored.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Body<'a> {
    /// What was known when the run began, in JSON.
    Head(&'a [u8]),
    /// An entry of the record: its kind, and itself in JSON.
    Entry { kind: &'a [u8], body: &'a [u8] },
    /// A chunk of one column.
    Chunk(Chunk<'a>),
    /// What the run came to, in JSON.
    Seal(&'a [u8]),
}

/// A chunk of one column, as it is stored.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Chunk<'a> {
    pub(crate) channel: &'a [u8],
    pub(crate) first_tick: u32,
    pub(crate) first_us: Option<u64>,
    pub(crate) count: u32,
    pub(crate) codec: u8,
    pub(crate) blob: &'a [u8],
}

/// Where a run's chain stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Chain {
    run: u64,
    /// Number of the next record.
    pub(crate) next_seq: u64,
    /// Digest of the record before it; zeros before the first.
    pub(crate) last: Digest,
}

impl Chain {
    /// The chain of `run` before its first record.
    pub(crate) fn new(run: u64) -> Chain {
        Chain { run, next_seq: 0, last: [0; 32] }
    }

    /// Takes in the next record. Returns its number and its digest.
    pub(crate) fn append(&mut self, body: Body<'_>) -> (u64, Digest) {
        let mut hash = Sha256::new_with_prefix(self.last);
        let tag = match body {
            Body::Head(_) => b'H',
            Body::Entry { .. } => b'E',
            Body::Chunk(_) => b'C',
            Body::Seal(_) => b'S',
        };
        hash.update([tag]);
        hash.update(self.run.to_be_bytes());
        hash.update(self.next_seq.to_be_bytes());
        match body {
            Body::Head(json) | Body::Seal(json) => hash.update(json),
            Body::Entry { kind, body } => {
                hash.update([kind.len() as u8]);
                hash.update(kind);
                hash.update(body);
            }
            Body::Chunk(Chunk { channel, first_tick, first_us, count, codec, blob }) => {
                hash.update([channel.len() as u8]);
                hash.update(channel);
                hash.update(first_tick.to_be_bytes());
                match first_us {
                    None => hash.update([0]),
                    Some(us) => {
                        hash.update([1]);
                        hash.update(us.to_be_bytes());
                    }
                }
                hash.update(count.to_be_bytes());
                hash.update([codec]);
                hash.update(blob);
            }
        }
        let seq = self.next_seq;
        self.next_seq += 1;
        self.last = hash.finalize().into();
        (seq, self.last)
    }
}

/// A digest in hexadecimal digits.
pub(crate) fn hex(digest: &Digest) -> String {
    let halves = digest.iter().flat_map(|byte| [byte >> 4, byte & 0xf]);
    halves.filter_map(|half| char::from_digit(half.into(), 16)).collect()
}

#[cfg(test)]
mod tests {
    use super::{Body, Chain, Chunk, hex};

    /// Computed with Python 3.11's `hashlib` from the layout in docs/store.md:
    /// `h = sha256(bytes(32) + b"H" + pack(">QQ", 7, 0) + b"{}").digest()`, then
    /// `sha256(h + b"E" + pack(">QQ", 7, 1) + b"\x05event" + b"[]")`, then
    /// `sha256(h + b"C" + pack(">QQ", 7, 2) + b"\x06status" + pack(">I", 5) + b"\x01" + pack(">Q", 6) +
    /// pack(">I", 1) + b"\x01" + b"xyz")`, then `sha256(h + b"S" + pack(">QQ", 7, 3) + b"{}")`.
    #[test]
    fn the_byte_layout_stays_what_it_is() {
        let mut chain = Chain::new(7);
        let digests = [
            Body::Head(b"{}"),
            Body::Entry { kind: b"event", body: b"[]" },
            Body::Chunk(Chunk {
                channel: b"status",
                first_tick: 5,
                first_us: Some(6),
                count: 1,
                codec: 1,
                blob: b"xyz",
            }),
            Body::Seal(b"{}"),
        ]
        .map(|body| hex(&chain.append(body).1));
        assert_eq!(digests, DIGESTS);
    }

    const DIGESTS: [&str; 4] = [
        "dc64d71da90f32884eb2b88bb1c816679f59abcaef08488081bd8f1559368d5e",
        "3fcab3666eac56097e3d5ad9646b5d579aad0e2b4fbd529e6fd34f1b17ee32d5",
        "6f7239c4805c5297eac759e8c482324f1c5e538067ae54f4150169c354bc83ad",
        "dce2b8c7745d6aff4af7b9d01be3a7f1fc892100243282eabdc4540d358ddd2d",
    ];

    #[test]
    fn a_border_between_two_fields_cannot_be_moved() {
        let digest =
            |kind: &'static [u8], body: &'static [u8]| Chain::new(1).append(Body::Entry { kind, body }).1;
        assert_ne!(digest(b"ab", b"c"), digest(b"a", b"bc"));
        assert_ne!(Chain::new(1).append(Body::Head(b"x")), Chain::new(2).append(Body::Head(b"x")));
    }
}
