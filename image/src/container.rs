//! The files bytes travel in: raw binary, Intel HEX, UF2.

use std::fmt;
use std::ops::Range;

use crate::{hex, uf2};

/// Most bytes of a dump: the largest region a store can have. 4096 sectors of 128 KiB.
pub const MOST_BYTES: u64 = 512 << 20;

/// A kind of file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Container {
    /// The bytes and nothing else.
    Raw,
    /// Intel HEX, with 32-bit addresses.
    Hex,
    /// UF2: blocks of 512 bytes with 256 bytes of data each.
    Uf2,
}

impl Container {
    /// What a file name's ending says, if anything.
    #[must_use]
    pub fn of_name(name: &str) -> Option<Self> {
        let (_, ending) = name.rsplit_once('.')?;
        Some(match ending.to_ascii_lowercase().as_str() {
            "bin" | "raw" | "img" => Self::Raw,
            "hex" | "ihex" | "ihx" => Self::Hex,
            "uf2" => Self::Uf2,
            _ => return None,
        })
    }

    /// What the contents look like.
    #[must_use]
    pub fn of_contents(bytes: &[u8]) -> Self {
        if uf2::looks_like_it(bytes) {
            Self::Uf2
        } else if hex::looks_like_it(bytes) {
            Self::Hex
        } else {
            Self::Raw
        }
    }
}

/// Bytes at consecutive addresses.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Segment {
    /// Address of the first byte.
    pub address: u32,
    /// The bytes.
    pub bytes: Vec<u8>,
}

/// Why a file cannot be read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Unreadable {
    /// Line of a text file or block of a UF2 file, counted from 1.
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

/// How a file shows that it is not whole.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Cut {
    /// HEX: it has no end record.
    NoEnd,
    /// UF2: it does not have as many blocks as they say.
    NoBlocks,
}

/// What a file holds.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Contents {
    /// Its bytes, in rising order of addresses.
    pub segments: Vec<Segment>,
    /// Addresses between them that it does not have, and which were filled with `FF`.
    pub gaps: Vec<Range<u64>>,
    /// Whether something is missing by its own rules.
    pub cut: Option<Cut>,
}

/// Takes the bytes out of a file's contents.
///
/// # Errors
/// [`Unreadable`]: a line or block that breaks the rules of its format, or two that contradict
/// each other.
pub fn read(contents: Vec<u8>, container: Container) -> Result<Contents, Unreadable> {
    match container {
        Container::Raw => {
            let segments = vec![Segment { address: 0, bytes: contents }];
            Ok(Contents { segments, ..Contents::default() })
        }
        Container::Hex => hex::read(&contents),
        Container::Uf2 => uf2::read(&contents),
    }
}

/// Gaps up to this size are filled with `FF`: tools leave out blank parts.
const FILLED_GAP: u64 = 1 << 20;

/// Puts pieces together that were read in any order.
pub(crate) fn assemble(
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
            let why = format!("address 0x{:08X} is given twice with other bytes", piece.address);
            return Err(Unreadable { place: Some(place), why });
        }
        last.bytes.extend_from_slice(new);
        total += (last.bytes.len() - before) as u64;
        if total > MOST_BYTES {
            let why = "it holds more than 512 MiB; cut out the store's region".to_owned();
            return Err(Unreadable { place: Some(place), why });
        }
    }
    Ok(Contents { segments, gaps, cut })
}

/// How a file is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Writing {
    /// Kind of file.
    pub container: Container,
    /// Leave out pages of so many bytes that are all `FF`: only for a part that is erased first. A
    /// page that holds data is there as a whole, and so is the last one, to tell where the end is.
    pub skip_blank: Option<u32>,
    /// Family number of UF2 blocks.
    pub family: Option<u32>,
}

/// Which bytes of a segment are left out.
pub(crate) struct Skipped<'a> {
    bytes: &'a [u8],
    page: Option<usize>,
}

impl<'a> Skipped<'a> {
    pub(crate) fn of(segment: &'a Segment, page: Option<u32>) -> Self {
        // A UF2 block is left out as a whole.
        Self { bytes: &segment.bytes, page: page.map(|page| page.max(256) as usize) }
    }

    /// Whether the page is left out in which the byte number `at` is.
    pub(crate) fn holds(&self, at: usize) -> bool {
        self.page.is_some_and(|page| {
            let from = at / page * page;
            let inner =
                self.bytes.get(from..from + page).filter(|_| from + page < self.bytes.len());
            inner.is_some_and(|bytes| bytes.iter().all(|b| *b == 0xFF))
        })
    }
}

/// The contents of a file that holds `segments`.
///
/// # Errors
/// The addresses do not fit into 32 bits; raw: more than one segment; UF2: addresses and lengths
/// that are no multiples of 256.
pub fn write(segments: &[Segment], how: &Writing) -> Result<Vec<u8>, String> {
    for Segment { address, bytes } in segments {
        if how.container != Container::Raw && u64::from(*address) + bytes.len() as u64 > 1 << 32 {
            return Err(format!("bytes from 0x{address:08X} on end behind the 32-bit addresses"));
        }
    }
    match (how.container, segments) {
        (Container::Raw, [segment]) => Ok(segment.bytes.clone()),
        (Container::Raw, _) => {
            Err("bytes at several addresses do not go into a raw file; write HEX".to_owned())
        }
        (Container::Hex, _) => hex::write(segments, how.skip_blank).map(String::into_bytes),
        (Container::Uf2, _) => uf2::write(segments, how.skip_blank, how.family),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

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
        assert_eq!(error.to_string(), "2: address 0x00000021 is given twice with other bytes");
    }

    proptest! {
        #[test]
        fn what_is_written_is_read(
            blocks in prop::collection::vec(
                prop_oneof![Just(vec![0xFF; 256]), prop::collection::vec(any::<u8>(), 256)], 1..20),
            base in (0..0xFE00_u32).prop_map(|n| n * 0x1_0100),
            skip_blank in prop_oneof![Just(None), Just(Some(64)), Just(Some(1024))],
            container in prop_oneof![Just(Container::Hex), Just(Container::Uf2)],
        ) {
            let bytes = blocks.concat();
            let how = Writing { container, skip_blank, family: Some(7) };
            let file = write(&[Segment { address: base, bytes: bytes.clone() }], &how).unwrap();
            prop_assert_eq!(Container::of_contents(&file), container);
            let Contents { segments, gaps, cut } = read(file, container).unwrap();
            let mut seen = vec![0xFF; bytes.len()];
            for segment in &segments {
                let at = (segment.address - base) as usize;
                seen[at..at + segment.bytes.len()].copy_from_slice(&segment.bytes);
            }
            prop_assert_eq!(&seen, &bytes);
            prop_assert_eq!(cut, None);
            // The end is always there, and pages are there or not.
            let last = segments.last().unwrap();
            prop_assert_eq!(last.address as usize + last.bytes.len(), base as usize + bytes.len());
            let page = u64::from(skip_blank.unwrap_or(1).max(256));
            for gap in gaps {
                prop_assert!((gap.end - u64::from(base)).is_multiple_of(page));
            }
        }

        #[test]
        fn any_bytes_are_read_or_refused(bytes in prop::collection::vec(any::<u8>(), 0..2000)) {
            for container in [Container::Raw, Container::Hex, Container::Uf2] {
                let _ = read(bytes.clone(), container);
            }
        }
    }
}
