//! What a file of any format holds: bytes at addresses, and what is missing.

use std::fmt;
use std::ops::Range;

/// The most bytes a dump can have: the largest region of a store, 4096 sectors of 128 KiB.
pub const MOST_BYTES: u64 = 512 << 20;

/// Bytes at consecutive addresses.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Segment {
    /// The address of the first byte.
    pub address: u32,
    /// The bytes.
    pub bytes: Vec<u8>,
}

/// Why a file cannot be read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Unreadable {
    /// The line of a text file or the block of a UF2 file, counted from 1.
    pub place: Option<usize>,
    /// What is wrong.
    pub why: String,
}

impl fmt::Display for Unreadable {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.place {
            Some(place) => write!(f, "{place}: {}", self.why),
            None => f.write_str(&self.why),
        }
    }
}

/// How a file shows that it is incomplete.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Cut {
    /// HEX: it has no end record.
    NoEnd,
    /// UF2: it has fewer blocks than the count in its blocks.
    NoBlocks,
}

/// What a file holds.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Contents {
    /// Its bytes, in ascending order of addresses.
    pub segments: Vec<Segment>,
    /// Addresses between them that are not in the file and were filled with `FF`.
    pub gaps: Vec<Range<u64>>,
    /// How the file shows that it is incomplete, if it does.
    pub cut: Option<Cut>,
}

/// Gaps up to this size are filled with `FF`, since tools leave out blank ranges.
const FILLED_GAP: u64 = 1 << 20;

/// Joins pieces that were read in any order.
pub(super) fn assemble(
    mut pieces: Vec<(usize, Segment)>,
    cut: Option<Cut>,
) -> Result<Contents, Unreadable> {
    pieces.sort_by_key(|(place, piece)| (piece.address, *place));
    let mut segments: Vec<Segment> = Vec::new();
    let mut gaps = Vec::new();
    let mut total = 0;
    for (place, piece) in pieces {
        let Some(last) = segments.last_mut() else {
            total += piece.bytes.len() as u64;
            segments.push(piece);
            continue;
        };
        let end = u64::from(last.address) + last.bytes.len() as u64;
        let start = u64::from(piece.address);
        if start > end + FILLED_GAP {
            total += piece.bytes.len() as u64;
            segments.push(piece);
            continue;
        }
        let from = (start - u64::from(last.address)) as usize;
        let before = last.bytes.len();
        if start > end {
            last.bytes.resize(from, 0xFF);
            gaps.push(end..start);
        }
        let common = last.bytes.len() - from;
        let (again, new) = piece.bytes.split_at(common.min(piece.bytes.len()));
        if last.bytes[from..from + again.len()] != *again {
            let why = format!("address 0x{:08X} appears twice with different bytes", piece.address);
            return Err(Unreadable { place: Some(place), why });
        }
        last.bytes.extend_from_slice(new);
        total += (last.bytes.len() - before) as u64;
        if total > MOST_BYTES {
            let why = "the file holds more than 512 MiB; cut out the store's region".to_owned();
            return Err(Unreadable { place: Some(place), why });
        }
    }
    Ok(Contents { segments, gaps, cut })
}

/// The pages of a segment that are left out when it is written.
pub(super) struct Skipped<'a> {
    bytes: &'a [u8],
    page: Option<usize>,
}

impl<'a> Skipped<'a> {
    pub(super) fn of(segment: &'a Segment, page: Option<u32>) -> Self {
        // A UF2 block can only be left out as a whole.
        Self { bytes: &segment.bytes, page: page.map(|page| page.max(256) as usize) }
    }

    /// Whether the page that holds the byte at offset `at` is left out.
    pub(super) fn holds(&self, at: usize) -> bool {
        self.page.is_some_and(|page| {
            let from = at / page * page;
            let inner =
                self.bytes.get(from..from + page).filter(|_| from + page < self.bytes.len());
            inner.is_some_and(|bytes| bytes.iter().all(|b| *b == 0xFF))
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn piece(place: usize, address: u32, bytes: &[u8]) -> (usize, Segment) {
        (place, Segment { address, bytes: bytes.to_vec() })
    }

    #[test]
    fn pieces_in_any_order_make_segments() {
        let pieces = vec![
            piece(1, 0x20, &[3, 4]),
            piece(2, 0x1F, &[2, 3]),
            piece(3, 0x24, &[9]),
            piece(4, 0x4000_0000, &[7]),
        ];
        let Contents { segments, gaps, .. } = assemble(pieces, None).unwrap();
        assert_eq!((segments.len(), gaps.as_slice()), (2, std::slice::from_ref(&(0x22..0x24))));
        assert_eq!(
            (segments[0].address, &segments[0].bytes[..]),
            (0x1F, &[2, 3, 4, 255, 255, 9][..])
        );
        let error =
            assemble(vec![piece(1, 0x20, &[3, 4]), piece(2, 0x21, &[5])], None).unwrap_err();
        assert_eq!(error.to_string(), "2: address 0x00000021 appears twice with different bytes");
    }
}
