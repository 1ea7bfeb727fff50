//! Records: header, checks, and what makes a torn record impossible to mistake for a whole one.
//!
//! Nothing here touches flash. No function panics on any input.

use crc::{CRC_32_ISCSI, Crc, Digest};

use crate::layout::{MAX_HEADER, MAX_KEY, MAX_TRAILER, OPENING};
use crate::medium::copy;
#[cfg(feature = "counters")]
use crate::tally::Cells;

#[cfg(feature = "crc-slices")]
type Table = crc::Table<16>;
#[cfg(all(feature = "crc-table", not(feature = "crc-slices")))]
type Table = crc::Table<1>;
#[cfg(not(any(feature = "crc-table", feature = "crc-slices")))]
type Table = crc::NoTable;

// A static, so that a table can never be copied to the stack.
static CRC: Crc<u32, Table> = Crc::<u32, Table>::new(&CRC_32_ISCSI);

/// CRC-32C of `bytes`; also the hash of the index.
pub(crate) fn crc32c(bytes: &[u8]) -> u32 {
    CRC.checksum(bytes)
}

/// What a record says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Kind {
    /// The value of a counter: its base, then cells left blank, of which each tick clears one.
    Tally = 0,
    Put = 1,
    Delete = 2,
    /// A put that counts only if a commit names it.
    PendingPut = 3,
    /// A delete that counts only if a commit names it.
    PendingDelete = 4,
    /// Closes a batch; value: start and end of its records.
    Commit = 5,
    /// Written by a mount; value: accepted end of the log, the opening's facts, then a copy of the
    /// last record if that was accepted.
    Settle = 6,
    /// Proves that the record before it is whole.
    Seal = 7,
}

impl Kind {
    const fn from_bits(bits: u32) -> Option<Self> {
        Some(match bits {
            0 => Self::Tally,
            1 => Self::Put,
            2 => Self::Delete,
            3 => Self::PendingPut,
            4 => Self::PendingDelete,
            5 => Self::Commit,
            6 => Self::Settle,
            7 => Self::Seal,
            _ => return None,
        })
    }

    pub(crate) const fn has_key(self) -> bool {
        !matches!(self, Self::Commit | Self::Settle | Self::Seal)
    }

    /// Whether it gives its key a value when it takes effect.
    pub(crate) const fn puts(self) -> bool {
        matches!(self, Self::Tally | Self::Put | Self::PendingPut)
    }
}

/// The first bytes of a record.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Header {
    pub(crate) kind: Kind,
    pub(crate) key_len: u8,
    pub(crate) value_len: u32,
}

/// Bytes of a tally's value before its cells: base, and the size of a cell.
pub(crate) const TALLY: u32 = 9;

/// A record's CRC-32C and zero count; in sectors up to 8 KiB the last byte is not used and zero.
pub(crate) type Trailer = [u8; MAX_TRAILER as usize];

/// Where two trailers differ, as bits; and a trailer that differs so from another.
pub(crate) fn differing(mut trailer: Trailer, other: Trailer) -> Trailer {
    for (byte, other) in trailer.iter_mut().zip(other) {
        *byte ^= other;
    }
    trailer
}

impl Header {
    /// The header of every commit.
    pub(crate) const COMMIT: Self = Self { kind: Kind::Commit, key_len: 0, value_len: 6 };

    /// The header of every seal.
    pub(crate) const SEAL: Self = Self { kind: Kind::Seal, key_len: 0, value_len: 0 };

    pub(crate) const fn key_len(&self) -> u32 {
        self.key_len as u32
    }

    /// The header of a plain record that says the same: of a put or delete without a commit, and of
    /// the count that a tally stands for.
    pub(crate) const fn plain(self) -> Self {
        let (kind, value_len) = match self.kind {
            Kind::Tally => (Kind::Put, 8),
            Kind::PendingPut => (Kind::Put, self.value_len),
            Kind::PendingDelete => (Kind::Delete, self.value_len),
            kind => (kind, self.value_len),
        };
        Self { kind, value_len, ..self }
    }

    /// Bits: kind 3, key length less one 6, value length 13, check 5, zero count 5; in large sectors
    /// a byte more: the value length's upper 4 bits and their complement.
    pub(crate) fn encode(self) -> [u8; MAX_HEADER as usize] {
        let key = if self.kind.has_key() { self.key_len().wrapping_sub(1) & 63 } else { 0 };
        let fields = self.kind as u32 | key << 3 | self.value_len << 9;
        let checked = fields & FIELDS | field_check(fields) << 22;
        let [b0, b1, b2, b3] = (checked | (27 - checked.count_ones()) << 27).to_le_bytes();
        let upper = (fields >> 22 & 15) as u8;
        [b0, b1, b2, b3, upper | (!upper & 15) << 4]
    }

    /// `None` if the first `len` bytes, 4 or 5, are no header. Zero count and complement refuse
    /// every header that lacks some of the zeros it was to get (J. M. Berger, 1961); the check
    /// refuses most of the rest.
    pub(crate) fn decode(bytes: &[u8], len: u32) -> Option<Self> {
        let (&word, rest) = bytes.split_first_chunk()?;
        let word = u32::from_le_bytes(word);
        let checked = word & ((1 << 27) - 1);
        if word >> 27 != 27 - checked.count_ones() {
            return None;
        }
        let mut fields = checked & FIELDS;
        if len == MAX_HEADER {
            let upper = u32::from(*rest.first()?);
            if upper & 15 != !upper >> 4 & 15 {
                return None;
            }
            fields |= (upper & 15) << 22;
        }
        if checked >> 22 != field_check(fields) {
            return None;
        }
        let kind = Kind::from_bits(fields & 7)?;
        let key_bits = fields >> 3 & 63;
        let value_len = fields >> 9;
        let key_len = if kind.has_key() { key_bits as u8 + 1 } else { 0 };
        let consistent = match kind {
            Kind::Put | Kind::PendingPut => true,
            Kind::Tally => value_len > TALLY,
            Kind::Delete | Kind::PendingDelete => value_len == 0,
            Kind::Commit => key_bits == 0 && value_len == 6,
            Kind::Settle => key_bits == 0 && value_len >= SETTLE,
            Kind::Seal => key_bits == 0 && value_len == 0,
        };
        consistent.then_some(Self { kind, key_len, value_len })
    }
}

/// The part of a header's fields that stands in its first word.
const FIELDS: u32 = (1 << 22) - 1;

fn field_check(fields: u32) -> u32 {
    crc32c(&fields.to_le_bytes()) & 31
}

/// Whether `key` may be used as a key.
pub(crate) const fn key_is_valid(key: &[u8]) -> bool {
    !key.is_empty() && key.len() <= MAX_KEY
}

/// CRC-32C and zero count of a record, byte by byte.
///
/// Zero count: the number of 0 bits before it (J. M. Berger, "A note on error detection codes for
/// asymmetric channels", Information and Control 4, 1961). An interrupted program leaves only
/// extra 1 bits, so the count taken falls or stays while the count stored rises or stays: they
/// agree only if the record is whole.
#[derive(Clone)]
pub(crate) struct Check {
    digest: Digest<'static, u32, Table>,
    zeros: u32,
    /// What the check does not cover, and the address of the next byte.
    #[cfg(feature = "counters")]
    cells: Cells,
    #[cfg(feature = "counters")]
    at: u32,
}

/// What seeds the check of a record, so that what an earlier life of the sector left never passes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Life {
    pub(crate) epoch: u32,
    pub(crate) sequence: u32,
}

impl Check {
    pub(crate) fn new(life: Life, offset: u32) -> Self {
        let mut check = Self::unseeded();
        check.seed(life, offset);
        check
    }

    pub(crate) fn unseeded() -> Self {
        Self {
            digest: CRC.digest(),
            zeros: 0,
            #[cfg(feature = "counters")]
            cells: Cells::NONE,
            #[cfg(feature = "counters")]
            at: 0,
        }
    }

    pub(crate) fn seed(&mut self, life: Life, offset: u32) {
        for word in [life.epoch, life.sequence, offset] {
            self.digest.update(&word.to_le_bytes());
        }
    }

    /// Leaves out the cells of a record at `address`, of which no byte was seen yet.
    #[cfg(feature = "counters")]
    pub(crate) const fn leave_out(&mut self, cells: Cells, address: u32) {
        self.cells = cells;
        self.at = address;
    }

    pub(crate) fn update(&mut self, bytes: &[u8]) {
        #[cfg(feature = "counters")]
        if !self.cells.is_empty() {
            for byte in bytes {
                if !self.cells.holds(self.at) {
                    self.cover(&[*byte]);
                }
                self.at += 1;
            }
            return;
        }
        self.cover(bytes);
    }

    fn cover(&mut self, bytes: &[u8]) {
        self.digest.update(bytes);
        self.zeros += bytes.iter().map(|b| b.count_zeros()).sum::<u32>();
    }

    /// CRC little-endian, then the zero count big-endian: its first byte always has zeros, and the
    /// last bytes are never all zero.
    pub(crate) fn trailer(&self, len: u32) -> Trailer {
        let crc = self.digest.clone().finalize();
        let [c0, c1, c2, c3] = crc.to_le_bytes();
        let [_, z0, z1, z2] = (self.zeros + crc.count_zeros()).to_be_bytes();
        if len == MAX_TRAILER { [c0, c1, c2, c3, z0, z1, z2] } else { [c0, c1, c2, c3, z1, z2, 0] }
    }
}

/// The opening of a sector: written behind the sector's first records have been copied, it makes
/// them count as soon as the mark behind it is not blank.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Opening {
    pub(crate) life: Life,
    /// Sequence number of the head less that of the oldest live sector.
    pub(crate) older: u32,
    /// Accepted end of the sector before.
    pub(crate) previous_end: u32,
    /// Where the records end that the mark proves to be whole.
    pub(crate) proven_end: u32,
}

/// Bytes of an opening's facts.
pub(crate) const FACTS: u32 = 16;

/// Bytes of a settle record's value before the copy it carries: accepted end and facts.
pub(crate) const SETTLE: u32 = 3 + FACTS;

/// Format version this code reads and writes.
const VERSION: u8 = 1;
const TAG: [u8; 2] = [0x0A, 0x57];

impl Life {
    pub(crate) const fn is_before(self, other: Self) -> bool {
        self.epoch < other.epoch || self.epoch == other.epoch && self.sequence < other.sequence
    }
}

/// Why bytes are no opening of ours.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum NoOpening {
    Unreadable,
    OtherLayout,
    NewerFormat,
}

impl Opening {
    pub(crate) fn encode(&self, shape: [u8; 6]) -> [u8; OPENING as usize] {
        let mut out = [0xFF; OPENING as usize];
        let (body, checks) = out.split_at_mut(CHECKED);
        let mut rest = &mut *body;
        for part in [&TAG[..], &[VERSION], &shape, &self.facts()] {
            let (now, later) = rest.split_at_mut(part.len().min(rest.len()));
            copy(now, part);
            rest = later;
        }
        copy(checks, &opening_check(body));
        out
    }

    pub(crate) fn decode(
        bytes: &[u8; OPENING as usize],
        shape: [u8; 6],
    ) -> Result<Self, NoOpening> {
        let (tag, rest) = bytes.split_at(TAG.len());
        let (version, rest) = rest.split_at(1);
        let (told, rest) = rest.split_at(shape.len());
        if tag != TAG || !bytes.ends_with(&opening_check(bytes.split_at(CHECKED).0)) {
            Err(NoOpening::Unreadable)
        } else if version != [VERSION] {
            Err(NoOpening::NewerFormat)
        } else if told != shape {
            Err(NoOpening::OtherLayout)
        } else {
            rest.first_chunk().map(Self::from_facts).ok_or(NoOpening::Unreadable)
        }
    }

    /// What settle records repeat, so that a sector is known even if its opening is lost.
    pub(crate) fn facts(&self) -> [u8; FACTS as usize] {
        let Self { life, older, previous_end, proven_end } = *self;
        let mut out = [0; FACTS as usize];
        let words = [
            life.epoch,
            life.sequence,
            older & 0xFFFF | previous_end << 16,
            previous_end >> 16 & 0xFF | proven_end << 8,
        ];
        for (to, word) in out.as_chunks_mut().0.iter_mut().zip(words) {
            *to = word.to_le_bytes();
        }
        out
    }

    /// The reverse of [`facts`](Self::facts).
    pub(crate) fn from_facts(facts: &[u8; FACTS as usize]) -> Self {
        let mut words = [0; 4];
        for (word, bytes) in words.iter_mut().zip(facts.as_chunks().0) {
            *word = u32::from_le_bytes(*bytes);
        }
        let [epoch, sequence, third, fourth] = words;
        Self {
            life: Life { epoch, sequence },
            older: third & 0xFFFF,
            previous_end: third >> 16 | (fourth & 0xFF) << 16,
            proven_end: fourth >> 8,
        }
    }
}

/// Bytes of an opening before its checks.
const CHECKED: usize = OPENING as usize - 6;

/// CRC-32C and zero count of an opening.
fn opening_check(body: &[u8]) -> [u8; 6] {
    let crc = crc32c(body);
    let zeros = body.iter().map(|b| b.count_zeros()).sum::<u32>() + crc.count_zeros();
    let [c0, c1, c2, c3] = crc.to_le_bytes();
    [c0, c1, c2, c3, (zeros >> 8) as u8, zeros as u8]
}

/// A sector offset in three bytes, little-endian.
pub(crate) const fn u24(value: u32) -> [u8; 3] {
    [value as u8, (value >> 8) as u8, (value >> 16) as u8]
}

/// The reverse of [`u24`].
pub(crate) const fn from_u24(bytes: [u8; 3]) -> u32 {
    u32::from_le_bytes([bytes[0], bytes[1], bytes[2], 0])
}

#[cfg(test)]
mod tests {
    use super::*;

    const LIFE: Life = Life { epoch: 7, sequence: 11 };

    /// Lays out header, key, value and trailer without padding.
    fn record(key: &[u8], value: &[u8], wide: bool, out: &mut [u8; 512]) -> usize {
        let header =
            Header { kind: Kind::Put, key_len: key.len() as u8, value_len: value.len() as u32 };
        let mut check = Check::new(LIFE, 64);
        let mut at = 0;
        let (header_len, trailer_len) = if wide { (5, 7) } else { (4, 6) };
        for part in [&header.encode()[..header_len], key, value] {
            check.update(part);
            out[at..at + part.len()].copy_from_slice(part);
            at += part.len();
        }
        let trailer = check.trailer(trailer_len as u32);
        out[at..at + trailer_len].copy_from_slice(&trailer[..trailer_len]);
        at + trailer_len
    }

    fn passes(bytes: &[u8], wide: bool) -> bool {
        let trailer_len = if wide { 7 } else { 6 };
        let (body, trailer) = bytes.split_at(bytes.len() - trailer_len);
        let mut check = Check::new(LIFE, 64);
        check.update(body);
        check.trailer(trailer_len as u32)[..trailer_len] == *trailer
    }

    /// RFC 3720 (iSCSI), appendix B.4: CRC32C of 32 bytes of zeros, of ones, rising and falling;
    /// and the check value of the CRC catalogue for CRC-32/ISCSI.
    #[test]
    fn crc_matches_published_vectors() {
        assert_eq!(crc32c(&[0x00; 32]).to_le_bytes(), [0xaa, 0x36, 0x91, 0x8a]);
        assert_eq!(crc32c(&[0xFF; 32]).to_le_bytes(), [0x43, 0xab, 0xa8, 0x62]);
        let rising: [u8; 32] = core::array::from_fn(|n| n as u8);
        assert_eq!(crc32c(&rising).to_le_bytes(), [0x4e, 0x79, 0xdd, 0x46]);
        let falling: [u8; 32] = core::array::from_fn(|n| 31 - n as u8);
        assert_eq!(crc32c(&falling).to_le_bytes(), [0x5c, 0xdb, 0x3f, 0x11]);
        assert_eq!(crc32c(b"123456789"), 0xE306_9283);
    }

    /// The crate `crc32c`, another implementation of the same code.
    #[test]
    fn crc_matches_a_reference_library() {
        let mut bytes = [0; 300];
        let mut x = 1_u32;
        for len in 0..bytes.len() {
            x = x.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            bytes[len] = (x >> 24) as u8;
            assert_eq!(crc32c(&bytes[..len]), ::crc32c::crc32c(&bytes[..len]));
        }
    }

    /// Berger 1961: no set of missing zeros leaves a valid word. All subsets of a small record's
    /// header: every way an interrupted program can leave it.
    #[test]
    fn no_torn_header_passes() {
        let header = Header { kind: Kind::Put, key_len: 3, value_len: 1 }.encode();
        for len in [4, 5] {
            let mut whole = [0xFF; 8];
            whole[..len].copy_from_slice(&header[..len]);
            let word = u64::from_le_bytes(whole);
            assert!(Header::decode(&header[..len], len as u32).is_some());
            // Every non-empty subset of the zeros, left at one.
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

    /// The same for whole records: one, two or three zeros missing anywhere, and random sets on
    /// a long record.
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

    /// A trailer of the longest record an 8 KiB sector can hold, all zero, neither looks blank nor
    /// does its zero count overflow.
    #[test]
    fn the_short_zero_count_suffices() {
        let mut check = Check::new(LIFE, 64);
        check.update(&[0; 8192 - 32 - 6]);
        let [.., z0, z1, _] = check.clone().trailer(6);
        assert_eq!(check.trailer(7)[4], 0);
        assert_ne!(z0, 0xFF);
        assert_ne!([z0, z1], [0, 0]);
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
                        round(Header { kind, key_len, value_len });
                    }
                }
            }
            for (kind, value_len) in [(Kind::Commit, 6), (Kind::Settle, SETTLE), (Kind::Seal, 0)] {
                round(Header { kind, key_len: 0, value_len });
            }
            assert_eq!(Header::decode(&[0xFF; 5], len), None);
            assert_eq!(Header::decode(&[0; 5], len), None);
            assert_eq!(Header::decode(&[0; 3], len), None);
        }
    }

    #[test]
    fn openings_round_trip_and_torn_ones_do_not_pass() {
        let shape = [0, 0, 16, 0, 4, 0];
        let opening = Opening { life: LIFE, older: 2, previous_end: 4096, proven_end: 33 };
        let bytes = opening.encode(shape);
        assert_eq!(Opening::decode(&bytes, shape), Ok(opening));
        assert_eq!(Opening::decode(&bytes, [1, 0, 16, 0, 4, 0]), Err(NoOpening::OtherLayout));
        for bit in 0..31 * 8 {
            let mut torn = bytes;
            if torn[bit / 8] >> (bit % 8) & 1 == 0 {
                torn[bit / 8] |= 1 << (bit % 8);
                assert_eq!(Opening::decode(&torn, shape), Err(NoOpening::Unreadable));
            }
        }
        assert_eq!(Opening::decode(&[0; 31], shape), Err(NoOpening::Unreadable));
        assert_eq!(Opening::decode(&[0xFF; 31], shape), Err(NoOpening::Unreadable));
    }
}
