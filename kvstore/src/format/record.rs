//! Records: their kinds, and the header that every record starts with.

use core::num::NonZeroU32;

use super::check::zeros_in;
use super::crc::crc32c;

/// Bytes of a record header in sectors above 8 KiB. In smaller sectors it is one byte less.
pub(crate) const MAX_HEADER: u32 = 5;

/// Bytes of a record trailer, CRC-32C and zero count, in sectors above 8 KiB. In smaller sectors it
/// is one byte less.
pub(crate) const MAX_TRAILER: u32 = 7;

/// Longest key in bytes.
pub(crate) const MAX_KEY: usize = 64;

/// Bytes of a tally's value before its cells: the base and the size of a cell.
pub(crate) const TALLY: u32 = 9;

/// Bytes of a settle record's value before the carried record: accepted end and number of slots
/// that are void.
pub(crate) const SETTLE: u32 = 4;

/// What a record says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Kind {
    /// The value of a counter: its base, followed by blank cells. Each tick clears one cell.
    Tally = 0,
    Put = 1,
    Delete = 2,
    /// A put that counts only if a commit names it.
    PendingPut = 3,
    /// A delete that counts only if a commit names it.
    PendingDelete = 4,
    /// Closes a batch. Its value is the start and end of the batch's records.
    Commit = 5,
    /// Says where the accepted log ends, and carries a copy of the last record if that was
    /// accepted.
    Settle = 6,
    /// Proves that the record before it is whole.
    Seal = 7,
    /// The log rests: nothing was programmed after it while its flag, the unit after it, is blank.
    Rest = 8,
    /// The value of this key is lost: its record was damaged when it was to be moved.
    Lost = 9,
    /// The sector after this one is erased, and was not programmed since.
    Spare = 10,
    /// The sector after this one was passed over, and the one after that is erased.
    SpareOver = 11,
}

impl Kind {
    /// Its three bits, and the key bits and least value length that tell those with equal bits
    /// apart.
    const fn bits(self) -> u32 {
        match self {
            Self::Tally => 0,
            Self::Put => 1,
            Self::Delete | Self::Lost => 2,
            Self::PendingPut => 3,
            Self::PendingDelete => 4,
            Self::Commit => 5,
            Self::Settle => 6,
            Self::Seal | Self::Rest | Self::Spare | Self::SpareOver => 7,
        }
    }

    /// What stands in place of a key's length in the header of a record without a key.
    const fn mark(self) -> u32 {
        match self {
            Self::Rest => 1,
            Self::Spare => 2,
            Self::SpareOver => 3,
            _ => 0,
        }
    }

    /// The kind of a record with these fields, if there is one.
    #[cfg_attr(target_pointer_width = "64", inline)]
    const fn of_fields(bits: u32, key_bits: u32, value_len: u32) -> Option<Self> {
        Some(match (bits, key_bits, value_len) {
            (0, _, _) if value_len > TALLY => Self::Tally,
            (1, _, _) => Self::Put,
            (2, _, 0) => Self::Delete,
            (2, _, 1) => Self::Lost,
            (3, _, _) => Self::PendingPut,
            (4, _, 0) => Self::PendingDelete,
            (5, 0, 6) => Self::Commit,
            (6, 0, _) if value_len >= SETTLE => Self::Settle,
            (7, 0, 0) => Self::Seal,
            (7, 1, _) => Self::Rest,
            (7, 2, _) => Self::Spare,
            (7, 3, _) => Self::SpareOver,
            _ => return None,
        })
    }

    /// The reverse of `self as u32`.
    const fn from_number(number: u32) -> Self {
        match number & 15 {
            0 => Self::Tally,
            1 => Self::Put,
            2 => Self::Delete,
            3 => Self::PendingPut,
            4 => Self::PendingDelete,
            5 => Self::Commit,
            6 => Self::Settle,
            8 => Self::Rest,
            9 => Self::Lost,
            10 => Self::Spare,
            11 => Self::SpareOver,
            _ => Self::Seal,
        }
    }

    pub(crate) const fn has_key(self) -> bool {
        self.bits() < 5
    }

    /// Whether it counts only if a commit names it.
    pub(crate) const fn is_pending(self) -> bool {
        matches!(self, Self::PendingPut | Self::PendingDelete)
    }

    /// Whether its key exists when it has taken effect.
    pub(crate) const fn puts(self) -> bool {
        matches!(self, Self::Tally | Self::Put | Self::PendingPut | Self::Lost)
    }
}

/// A decoded record header in one word, so that it is cheap to pass around.
///
/// From bit 0: kind (4 bits), key length (7), value length (20), and one bit that is always set.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Header(NonZeroU32);

/// A record whose header could be read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct RecordRef {
    pub(crate) address: u32,
    pub(crate) header: Header,
}

impl Header {
    /// The header of every commit.
    pub(crate) const COMMIT: Self = Self::new(Kind::Commit, 0, 6);

    /// The header of every seal.
    pub(crate) const SEAL: Self = Self::new(Kind::Seal, 0, 0);

    /// The header of a rest record that lies in one page.
    pub(crate) const REST: Self = Self::new(Kind::Rest, 0, 0);

    pub(crate) const fn new(kind: Kind, key_len: u32, value_len: u32) -> Self {
        let word = kind as u32 | key_len << 4 | value_len << 11 | 1 << 31;
        match NonZeroU32::new(word) {
            Some(word) => Self(word),
            // Unreachable: one bit is always set.
            None => Self(NonZeroU32::MIN),
        }
    }

    pub(crate) const fn kind(self) -> Kind {
        Kind::from_number(self.0.get())
    }

    pub(crate) const fn key_len(self) -> u32 {
        self.0.get() >> 4 & 127
    }

    pub(crate) const fn value_len(self) -> u32 {
        self.0.get() << 1 >> 12
    }

    /// The header of a plain record with the same meaning: a pending record becomes a put or delete
    /// that needs no commit, a tally becomes a put of its count.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) const fn plain(self) -> Self {
        let kind = match self.kind() {
            Kind::Tally => return Self::new(Kind::Put, self.key_len(), 8),
            Kind::PendingPut => Kind::Put,
            Kind::PendingDelete => Kind::Delete,
            _ => return self,
        };
        Self::new(kind, self.key_len(), self.value_len())
    }

    /// From bit 0: kind (3 bits), key length less one (6), value length (13), check (5), zero count
    /// (5). The fifth byte, for large sectors only, has the value length's upper 4 bits and their
    /// complement. In a record without a key, the key length's bits tell it from others of its kind.
    pub(crate) fn encode(self) -> [u8; MAX_HEADER as usize] {
        let kind = self.kind();
        let key = self.key_len().saturating_sub(1) & 63 | kind.mark();
        let fields = kind.bits() | key << 3 | self.value_len() << 9;
        let [b0, b1, b2, b3] = checked(fields).to_le_bytes();
        let upper = (fields >> 22 & 15) as u8;
        [b0, b1, b2, b3, upper | (!upper & 15) << 4]
    }

    /// Decodes the header in the first `len` bytes (4 or 5). `None` if they are not a header. Zero
    /// count and complement reject every header some of whose zeros were not programmed (J. M.
    /// Berger, 1961). The check rejects most other bytes.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    #[cfg_attr(target_pointer_width = "64", inline)]
    pub(crate) fn decode(bytes: &[u8], len: u32) -> Option<Self> {
        let (&word, rest) = bytes.split_first_chunk()?;
        let word = u32::from_le_bytes(word);
        let upper = if len == MAX_HEADER { u32::from(*rest.first()?) } else { 0xF0 };
        let fields = word & FIELDS | (upper & 15) << 22;
        if word != checked(fields) || upper & 15 != !upper >> 4 & 15 {
            return None;
        }
        let key_bits = fields >> 3 & 63;
        let value_len = fields >> 9;
        let kind = Kind::of_fields(fields & 7, key_bits, value_len)?;
        let key_len = if kind.has_key() { key_bits + 1 } else { 0 };
        Some(Self::new(kind, key_len, value_len))
    }
}

/// The first word of the header with these fields, with check and zero count.
#[cfg_attr(target_pointer_width = "64", inline)]
fn checked(fields: u32) -> u32 {
    let word = fields & FIELDS | (crc32c(&fields.to_le_bytes()) & 31) << 22;
    // The word has 27 bits without the zero count.
    word | (zeros_in(word) - 5) << 27
}

/// The fields that stand in the first word of a header.
const FIELDS: u32 = (1 << 22) - 1;

/// Whether `key` may be used as a key.
pub(crate) const fn key_is_valid(key: &[u8]) -> bool {
    !key.is_empty() && key.len() <= MAX_KEY
}

#[cfg(test)]
mod tests {
    //! Tears headers and records: leaves out zeros in every way, or at random, as an interrupted
    //! program does. None of the results may pass.

    use super::super::check::Check;
    use super::super::generation::Generation;
    use super::super::opening::{SIGNATURE, VERSION};
    use super::*;

    const GENERATION: Generation = Generation { epoch: 7, sequence: 11 };

    /// Lays out header, key, value and trailer without padding.
    fn record(key: &[u8], value: &[u8], wide: bool, out: &mut [u8; 512]) -> usize {
        let header = Header::new(Kind::Put, key.len() as u32, value.len() as u32);
        let mut check = Check::new(GENERATION, 64);
        let mut at = 0;
        let (header_len, trailer_len) = if wide { (5, 7) } else { (4, 6) };
        for part in [&header.encode()[..header_len], key, value] {
            check.update(part);
            out[at..at + part.len()].copy_from_slice(part);
            at += part.len();
        }
        let trailer = check.trailer(trailer_len as u32).to_le_bytes();
        out[at..at + trailer_len].copy_from_slice(&trailer[..trailer_len]);
        at + trailer_len
    }

    fn passes(bytes: &[u8], wide: bool) -> bool {
        let trailer_len = if wide { 7 } else { 6 };
        let (body, trailer) = bytes.split_at(bytes.len() - trailer_len);
        let mut check = Check::new(GENERATION, 64);
        check.update(body);
        check.trailer(trailer_len as u32).to_le_bytes()[..trailer_len] == *trailer
    }

    /// Berger 1961: no set of missing zeros leaves a valid word. Tries every subset of a header's
    /// zeros, which is every way in which an interrupted program can leave it.
    #[test]
    fn no_torn_header_passes() {
        let header = Header::new(Kind::Put, 3, 1).encode();
        for len in [4, 5] {
            let mut whole = [0xFF; 8];
            whole[..len].copy_from_slice(&header[..len]);
            let word = u64::from_le_bytes(whole);
            assert!(Header::decode(&header[..len], len as u32).is_some());
            // Every non-empty subset of the zeros is left at one.
            let mut missing = !word;
            let mut tried = 0_u64;
            while missing != 0 && tried < 4_000_000 {
                let torn = (word | missing).to_le_bytes();
                assert_eq!(Header::decode(&torn[..len], len as u32), None);
                missing = (missing - 1) & !word;
                tried += 1;
            }
            assert!(tried >= 1_000_000 || missing == 0);
        }
    }

    /// The same for whole records: one, two or three missing zeros anywhere in a short record, and
    /// random sets in a long one.
    #[test]
    fn no_torn_record_passes() {
        for wide in [false, true] {
            let mut bytes = [0; 512];
            let len = record(b"k", b"\x5A", wide, &mut bytes);
            assert!(passes(&bytes[..len], wide));
            let zeros: heapless::Vec<usize, 256> =
                (0..len * 8).filter(|bit| bytes[bit / 8] >> (bit % 8) & 1 == 0).collect();
            for (n, &a) in zeros.iter().enumerate() {
                for (m, &b) in zeros.iter().enumerate().take(n + 1) {
                    for &c in zeros.iter().take(m + 1) {
                        let mut torn = bytes;
                        for bit in [a, b, c] {
                            torn[bit / 8] |= 1 << (bit % 8);
                        }
                        assert!(!passes(&torn[..len], wide));
                    }
                }
            }
            let value: [u8; 300] = core::array::from_fn(|n| (n * 37) as u8);
            let len = record(b"calibration", &value, wide, &mut bytes);
            let mut x = 0x9E37_79B9_7F4A_7C15_u64;
            for round in 0..20_000 {
                let mut torn = bytes;
                let mut changed = false;
                for byte in &mut torn[..len] {
                    x ^= x << 13;
                    x ^= x >> 7;
                    x ^= x << 17;
                    let sparse = x as u8 & (x >> 8) as u8 & (x >> 16) as u8 & (x >> 24) as u8;
                    let missing = !*byte & if round % 2 == 0 { x as u8 } else { sparse };
                    changed |= missing != 0;
                    *byte |= missing;
                }
                assert!(!changed || !passes(&torn[..len], wide));
            }
        }
    }

    #[test]
    fn headers_round_trip_and_blank_or_zero_bytes_are_none() {
        for (len, most) in [(4, (1 << 13) - 1), (5, (1 << 17) - 1)] {
            let round = |header: Header| {
                let bytes = header.encode();
                assert_eq!(Header::decode(&bytes[..len as usize], len), Some(header));
            };
            for kind in [Kind::Put, Kind::PendingPut] {
                for key_len in 1..=64 {
                    for value_len in [0, 1, 255, 256, 4000, most] {
                        round(Header::new(kind, key_len, value_len));
                    }
                }
            }
            for (kind, value_len) in [
                (Kind::Commit, 6),
                (Kind::Settle, SETTLE),
                (Kind::Seal, 0),
                (Kind::Rest, 0),
                (Kind::Rest, 9),
                (Kind::Spare, 0),
                (Kind::SpareOver, 1),
            ] {
                round(Header::new(kind, 0, value_len));
            }
            round(Header::new(Kind::Lost, 5, 1));
            round(Header::new(Kind::Delete, 64, 0));
            round(Header::new(Kind::Tally, 64, 50));
            assert_eq!(Header::decode(&[0xFF; 5], len), None);
            assert_eq!(Header::decode(&[0; 5], len), None);
            assert_eq!(Header::decode(&[0; 3], len), None);
        }
    }

    /// An index entry may point there if its record is lost: see `carry_tail`.
    #[test]
    fn the_start_of_a_sector_is_no_header() {
        for (powers, sector) in (0..=255).flat_map(|a| (0..=255).map(move |b| (a, b))) {
            let bytes = [SIGNATURE[0], SIGNATURE[1], VERSION, powers, sector];
            assert_eq!(Header::decode(&bytes, 4), None);
            assert_eq!(Header::decode(&bytes, 5), None);
        }
    }
}
