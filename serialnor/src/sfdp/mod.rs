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
    /// Reads the tables. `fetch` fills its buffer with the bytes that start at the given SFDP
    /// address, which is below 2^24.
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
        let (mut basic, mut four_byte, mut has_sector_map) = (None, None, false);
        for number in 0..=u32::from(last_table) {
            let mut bytes = [0; HEADER_BYTES];
            fetch(8 + 8 * number, &mut bytes).map_err(SfdpError::Bus)?;
            let table = Table::parse(bytes);
            if table.revision.0 != MAJOR {
                continue;
            }
            match table.id {
                BASIC_TABLE if table.is_better_than(basic) => basic = Some(table),
                FOUR_BYTE_TABLE if table.dwords >= 2 => four_byte = Some(table),
                SECTOR_MAP => has_sector_map = true,
                _ => {}
            }
        }
        let table = basic.ok_or(SfdpError::NoBasicTable)?;
        let mut words = [0; Basic::MOST_DWORDS];
        let count = usize::from(table.dwords).min(words.len());
        let basic = match words.get_mut(..count) {
            Some(words) => {
                read_words(&mut fetch, table.at, words)?;
                Basic::parse(words)?
            }
            None => return Err(SfdpError::NoBasicTable),
        };
        let four_byte = match four_byte {
            None => None,
            Some(table) => {
                let mut words = [0; 2];
                read_words(&mut fetch, table.at, &mut words)?;
                Some(FourByteTable::parse(words))
            }
        };
        Ok(Self { revision: (major, minor), basic, four_byte, has_sector_map })
    }
}

fn read_words<E>(
    fetch: &mut impl FnMut(u32, &mut [u8]) -> Result<(), E>,
    at: u32,
    words: &mut [u32],
) -> Result<(), SfdpError<E>> {
    for (number, word) in (0..).zip(words) {
        let mut bytes = [0; 4];
        fetch((at + 4 * number) & 0x00FF_FFFF, &mut bytes).map_err(SfdpError::Bus)?;
        *word = u32::from_le_bytes(bytes);
    }
    Ok(())
}
