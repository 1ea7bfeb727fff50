//! The tables in which a chip describes itself: Serial Flash Discoverable Parameters, JESD216.
//!
//! This module only decodes; [`Sfdp::read`] takes a closure that fetches bytes. It reads the
//! header, the parameter headers, the basic table of revisions 1.0 to D and the 4-byte instruction
//! table, and notes whether there is a sector map. Any answer of a chip is either decoded or
//! refused.

mod basic;
mod error;
mod four_byte;

pub use basic::{AddressBytes, Basic, EraseType, PowerDown, Times};
pub use error::SfdpError;
pub use four_byte::FourByteTable;

/// "SFDP" in bus order.
const SIGNATURE: [u8; 4] = *b"SFDP";
/// The only major revision defined so far.
const MAJOR: u8 = 1;
/// Length of the header, and of each parameter header that follows it.
const HEADER_BYTES: usize = 8;

/// Most bytes fetched at once: the longest basic table, or ten parameter headers.
const PIECE_BYTES: usize = 4 * Basic::MOST_DWORDS;

const BASIC_TABLE: u16 = 0xFF00;
const SECTOR_MAP: u16 = 0xFF81;
const FOUR_BYTE_TABLE: u16 = 0xFF84;

/// The contents of a chip's tables, as far as this driver needs them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Sfdp {
    /// Major and minor revision of the header.
    pub revision: (u8, u8),
    /// The basic table.
    pub basic: Basic,
    /// The 4-byte instruction table, if there is one.
    pub four_byte: Option<FourByteTable>,
    /// Whether there is a sector map: if so, not every erase type may work everywhere.
    pub has_sector_map: bool,
}

/// Where a table is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Table {
    id: u16,
    revision: (u8, u8),
    dwords: u8,
    at: u32,
}

impl Table {
    const fn parse(bytes: [u8; HEADER_BYTES]) -> Self {
        let [id_low, minor, major, dwords, a0, a1, a2, id_high] = bytes;
        Self {
            id: u16::from_le_bytes([id_low, id_high]),
            revision: (major, minor),
            dwords,
            at: u32::from_le_bytes([a0, a1, a2, 0]),
        }
    }

    /// A basic table of a later minor revision describes more, and so does a longer one.
    fn is_better_than(&self, other: Option<Self>) -> bool {
        let rank = |table: &Self| (table.revision.1, table.dwords);
        usize::from(self.dwords) >= Basic::LEAST_DWORDS
            && other.is_none_or(|other| rank(self) > rank(&other))
    }
}

impl Sfdp {
    /// Reads the tables once. `fetch` fills its buffer of at most 80 bytes with the bytes that
    /// start at the given SFDP address, which is below 2^24. Each table is fetched in one piece.
    ///
    /// The tables have no checksum, and a wrong bit in them may mean another address form or an
    /// erase command of another size. Read them until two readings agree, as the driver does.
    ///
    /// # Errors
    /// [`SfdpError`]; the error of `fetch` is passed on unchanged.
    pub fn read<E>(
        mut fetch: impl FnMut(u32, &mut [u8]) -> Result<(), E>,
    ) -> Result<Self, SfdpError<E>> {
        let mut header = [0; HEADER_BYTES];
        fetch(0, &mut header).map_err(SfdpError::Bus)?;
        let [s0, s1, s2, s3, minor, major, last_table, _] = header;
        if [s0, s1, s2, s3] != SIGNATURE {
            return Err(SfdpError::NoSignature);
        }
        if major != MAJOR {
            return Err(SfdpError::UnknownRevision(major));
        }
        let mut found = Found::default();
        let mut at = HEADER_BYTES as u32;
        let end = at + (u32::from(last_table) + 1) * HEADER_BYTES as u32;
        let mut bytes = [0; PIECE_BYTES];
        while at < end {
            let len = (end - at).min(PIECE_BYTES as u32);
            let piece = bytes.get_mut(..len as usize).unwrap_or(&mut []);
            fetch(at, piece).map_err(SfdpError::Bus)?;
            piece.as_chunks().0.iter().for_each(|header| found.note(Table::parse(*header)));
            at += len;
        }
        let table = found.basic.ok_or(SfdpError::NoBasicTable)?;
        let mut words = [0; Basic::MOST_DWORDS];
        let count = usize::from(table.dwords).min(words.len());
        let words = words.get_mut(..count).unwrap_or(&mut []);
        read_words(&mut fetch, table.at, words)?;
        let basic = Basic::parse(words)?;
        let four_byte = match found.four_byte {
            None => None,
            Some(table) => {
                let mut words = [0; 2];
                read_words(&mut fetch, table.at, &mut words)?;
                Some(FourByteTable::parse(words))
            }
        };
        let has_sector_map = found.has_sector_map;
        Ok(Self { revision: (major, minor), basic, four_byte, has_sector_map })
    }
}

/// The tables that the headers name.
#[derive(Default)]
struct Found {
    basic: Option<Table>,
    four_byte: Option<Table>,
    has_sector_map: bool,
}

impl Found {
    fn note(&mut self, table: Table) {
        if table.revision.0 != MAJOR {
            return;
        }
        match table.id {
            BASIC_TABLE if table.is_better_than(self.basic) => self.basic = Some(table),
            FOUR_BYTE_TABLE if table.dwords >= 2 => self.four_byte = Some(table),
            SECTOR_MAP => self.has_sector_map = true,
            _ => {}
        }
    }
}

/// Fills at most [`Basic::MOST_DWORDS`] words.
fn read_words<E>(
    fetch: &mut impl FnMut(u32, &mut [u8]) -> Result<(), E>,
    at: u32,
    words: &mut [u32],
) -> Result<(), SfdpError<E>> {
    let mut bytes = [0; PIECE_BYTES];
    let piece = bytes.get_mut(..4 * words.len()).unwrap_or(&mut []);
    fetch(at, piece).map_err(SfdpError::Bus)?;
    for (word, bytes) in words.iter_mut().zip(piece.as_chunks().0) {
        *word = u32::from_le_bytes(*bytes);
    }
    Ok(())
}
