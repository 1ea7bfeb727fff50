//! Records: header, checks, and what makes a torn record impossible to mistake for a whole one.
//!
//! Nothing here touches flash. No function panics on any input.

use core::num::NonZeroU32;

#[cfg(any(test, not(feature = "crc-hardware")))]
use crc::{CRC_32_ISCSI, Crc};

#[cfg(all(feature = "crc-table", any(test, not(feature = "crc-hardware"))))]
type Table = crc::Table<1>;
#[cfg(all(not(feature = "crc-table"), any(test, not(feature = "crc-hardware"))))]
type Table = crc::NoTable;

// A static, so that a table can never be copied to the stack.
#[cfg(any(test, not(feature = "crc-hardware")))]
static CRC: Crc<u32, Table> = Crc::<u32, Table>::new(&CRC_32_ISCSI);

/// CRC-32C of `bytes`; also the hash of the index.
pub(crate) fn crc32c(bytes: &[u8]) -> u32 {
    extended(0, bytes)
}

// The instruction of the processor, or its tables for short pieces too.
#[cfg(feature = "crc-hardware")]
use ::crc32c::crc32c_append as extended;
#[cfg(not(feature = "crc-hardware"))]
use by_crate as extended;

/// The CRC of what has the CRC `crc` and then `bytes`: no more state than a number.
#[cfg(any(test, not(feature = "crc-hardware")))]
#[cfg_attr(target_pointer_width = "32", inline(never))] // Once in the image.
fn by_crate(crc: u32, bytes: &[u8]) -> u32 {
    // What the register was before the last step, and in the order in which the crate wants it.
    let mut digest = CRC.digest_with_initial((!crc).reverse_bits());
    digest.update(bytes);
    digest.finalize()
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
    /// Of the lowest three bits.
    const fn from_bits(bits: u32) -> Self {
        match bits & 7 {
            0 => Self::Tally,
            1 => Self::Put,
            2 => Self::Delete,
            3 => Self::PendingPut,
            4 => Self::PendingDelete,
            5 => Self::Commit,
            6 => Self::Settle,
            _ => Self::Seal,
        }
    }

    pub(crate) const fn has_key(self) -> bool {
        !matches!(self, Self::Commit | Self::Settle | Self::Seal)
    }

    /// Whether it counts only if a commit names it.
    pub(crate) const fn is_pending(self) -> bool {
        matches!(self, Self::PendingPut | Self::PendingDelete)
    }

    /// Whether it gives its key a value when it takes effect.
    pub(crate) const fn puts(self) -> bool {
        matches!(self, Self::Tally | Self::Put | Self::PendingPut)
    }
}

/// The first bytes of a record, as one word, since it is handed around everywhere.
///
/// Bits: kind 3, key length 7, value length 21, one that is always set.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Header(NonZeroU32);

/// Bytes of a tally's value before its cells: base, and the size of a cell.
pub(crate) const TALLY: u32 = 9;

/// A record's CRC-32C and zero count, as the number whose bytes, little-endian, are the trailer. Two of them differ
/// by their exclusive or.
pub(crate) type Trailer = u64;

impl Header {
    /// The header of every commit.
    pub(crate) const COMMIT: Self = Self::new(Kind::Commit, 0, 6);

    /// The header of every seal.
    pub(crate) const SEAL: Self = Self::new(Kind::Seal, 0, 0);

    pub(crate) const fn new(kind: Kind, key_len: u32, value_len: u32) -> Self {
        let word = kind as u32 | key_len << 3 | value_len << 10 | 1 << 31;
        match NonZeroU32::new(word) {
            Some(word) => Self(word),
            // Not met: a bit of it is always set.
            None => Self(NonZeroU32::MIN),
        }
    }

    pub(crate) const fn kind(self) -> Kind {
        Kind::from_bits(self.0.get())
    }

    pub(crate) const fn key_len(self) -> u32 {
        self.0.get() >> 3 & 127
    }

    pub(crate) const fn value_len(self) -> u32 {
        self.0.get() << 1 >> 11
    }

    /// The header of a plain record that says the same: of a put or delete without a commit, and of
    /// the count that a tally stands for.
    #[cfg_attr(target_pointer_width = "32", inline(never))] // Once in the image.
    pub(crate) const fn plain(self) -> Self {
        let kind = match self.kind() {
            Kind::Tally => return Self::new(Kind::Put, self.key_len(), 8),
            Kind::PendingPut => Kind::Put,
            Kind::PendingDelete => Kind::Delete,
            _ => return self,
        };
        Self::new(kind, self.key_len(), self.value_len())
    }

    /// Bits: kind 3, key length less one 6, value length 13, check 5, zero count 5; in large sectors
    /// a byte more: the value length's upper 4 bits and their complement.
    pub(crate) fn encode(self) -> [u8; MAX_HEADER as usize] {
        let key = self.key_len().saturating_sub(1) & 63;
        let fields = self.kind() as u32 | key << 3 | self.value_len() << 9;
        let [b0, b1, b2, b3] = checked(fields).to_le_bytes();
        let upper = (fields >> 22 & 15) as u8;
        [b0, b1, b2, b3, upper | (!upper & 15) << 4]
    }

    /// `None` if the first `len` bytes, 4 or 5, are no header. Zero count and complement refuse
    /// every header that lacks some of the zeros it was to get (J. M. Berger, 1961); the check
    /// refuses most of the rest.
    pub(crate) fn decode(bytes: &[u8], len: u32) -> Option<Self> {
        let (&word, rest) = bytes.split_first_chunk()?;
        let word = u32::from_le_bytes(word);
        let upper = if len == MAX_HEADER { u32::from(*rest.first()?) } else { 0xF0 };
        let fields = word & FIELDS | (upper & 15) << 22;
        if word != checked(fields) || upper & 15 != !upper >> 4 & 15 {
            return None;
        }
        let kind = Kind::from_bits(fields);
        let key_bits = fields >> 3 & 63;
        let value_len = fields >> 9;
        let consistent = match kind {
            Kind::Put | Kind::PendingPut => true,
            Kind::Tally => value_len > TALLY,
            Kind::Delete | Kind::PendingDelete => value_len == 0,
            Kind::Commit => key_bits == 0 && value_len == 6,
            Kind::Settle => key_bits == 0 && value_len >= SETTLE,
            Kind::Seal => key_bits == 0 && value_len == 0,
        };
        let key_len = if kind.has_key() { key_bits + 1 } else { 0 };
        consistent.then_some(Self::new(kind, key_len, value_len))
    }
}

/// The first word of the header with these fields: with check and zero count.
fn checked(fields: u32) -> u32 {
    let word = fields & FIELDS | (crc32c(&fields.to_le_bytes()) & 31) << 22;
    // 27 bits are counted.
    word | (zeros_in(word) - 5) << 27
}

/// The part of a header's fields that stands in its first word.
const FIELDS: u32 = (1 << 22) - 1;

/// Number of 0 bits.
#[cfg_attr(target_pointer_width = "32", inline(never))] // Small parts have no instruction for it.
fn zeros_in(word: u32) -> u32 {
    word.count_zeros()
}

/// Number of 0 bits.
#[cfg(target_pointer_width = "64")]
fn zeros_of(bytes: &[u8]) -> u32 {
    let Some(last) = bytes.last_chunk() else {
        return bytes.iter().map(|byte| byte.count_zeros()).sum();
    };
    let (words, rest) = bytes.as_chunks();
    let of_words = words.iter().map(|word| u64::from_ne_bytes(*word).count_zeros()).sum::<u32>();
    // Of the last eight bytes those that are in no word.
    let counted = u64::MAX >> (8 * rest.len());
    of_words + (u64::from_le_bytes(*last) | counted).count_zeros()
}

#[cfg(not(target_pointer_width = "64"))]
fn zeros_of(bytes: &[u8]) -> u32 {
    bytes.iter().map(|byte| byte.count_zeros()).sum()
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
    crc: u32,
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
            crc: 0,
            zeros: 0,
            #[cfg(feature = "counters")]
            cells: Cells::NONE,
            #[cfg(feature = "counters")]
            at: 0,
        }
    }

    pub(crate) fn seed(&mut self, life: Life, offset: u32) {
        let [e0, e1, e2, e3] = life.epoch.to_le_bytes();
        let [s0, s1, s2, s3] = life.sequence.to_le_bytes();
        let [o0, o1, o2, o3] = offset.to_le_bytes();
        let bytes = [e0, e1, e2, e3, s0, s1, s2, s3, o0, o1, o2, o3];
        self.crc = extended(self.crc, &bytes);
    }

    /// Leaves out the cells of a record at `address`, of which no byte was seen yet.
    #[cfg(feature = "counters")]
    pub(crate) const fn leave_out(&mut self, cells: Cells, address: u32) {
        self.cells = cells;
        self.at = address;
    }

    #[cfg_attr(target_pointer_width = "32", inline(never))] // Once in the image.
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
        self.crc = extended(self.crc, bytes);
        self.zeros += zeros_of(bytes);
    }

    /// CRC little-endian, then the zero count big-endian: its first byte always has zeros, and the
    /// last bytes are never all zero.
    #[cfg_attr(target_pointer_width = "32", inline(never))] // Once in the image.
    pub(crate) fn trailer(&self, len: u32) -> Trailer {
        let crc = self.crc;
        let zeros = (self.zeros + zeros_in(crc)).swap_bytes() >> (8 * (8 - len));
        u64::from(crc) | u64::from(zeros) << 32
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
pub(crate) const VERSION: u8 = 1;
pub(crate) const TAG: [u8; 2] = [0x0A, 0x57];
/// Tag, version and shape.
pub(crate) type OpeningStart = [u8; 9];

/// Bytes of an opening's CRC-32C and zero count, whatever the size of the sector.
pub(crate) const OPENING_TRAILER: u32 = 6;

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
    pub(crate) const NONE: Self =
        Self { life: Life { epoch: 0, sequence: 0 }, older: 0, previous_end: 0, proven_end: 0 };

    /// The facts in an opening's bytes, which must start with those; see [`from_facts`](Self::from_facts).
    pub(crate) fn facts_in<'b>(
        bytes: &'b [u8; OPENING as usize],
        start: &OpeningStart,
    ) -> Result<&'b [u8; FACTS as usize], NoOpening> {
        let (body, trailer) = bytes.split_at((OPENING - OPENING_TRAILER) as usize);
        let mut check = Check::unseeded();
        check.update(body);
        let expected = check.trailer(OPENING_TRAILER).to_le_bytes();
        if !body.starts_with(&TAG) || !expected.starts_with(trailer) {
            return Err(NoOpening::Unreadable);
        }
        let facts = body.strip_prefix(start).and_then(<[u8]>::first_chunk);
        facts.ok_or_else(|| {
            if body.get(2) == Some(&VERSION) {
                NoOpening::OtherLayout
            } else {
                NoOpening::NewerFormat
            }
        })
    }

    /// What settle records repeat, so that a sector is known even if its opening is lost.
    #[cfg_attr(target_pointer_width = "32", inline(never))] // Once in the image.
    pub(crate) const fn facts(&self) -> [u8; FACTS as usize] {
        let Self { life, older, previous_end, proven_end } = *self;
        let [a0, a1, a2, a3] = life.epoch.to_le_bytes();
        let [b0, b1, b2, b3] = life.sequence.to_le_bytes();
        let [c0, c1, c2, c3] = (older & 0xFFFF | previous_end << 16).to_le_bytes();
        let [d0, d1, d2, d3] = (previous_end >> 16 & 0xFF | proven_end << 8).to_le_bytes();
        [a0, a1, a2, a3, b0, b1, b2, b3, c0, c1, c2, c3, d0, d1, d2, d3]
    }

    /// The reverse of [`facts`](Self::facts).
    #[cfg_attr(target_pointer_width = "32", inline(never))] // Once in the image.
    pub(crate) const fn from_facts(facts: &[u8; FACTS as usize]) -> Self {
        let [a0, a1, a2, a3, b0, b1, b2, b3, c0, c1, c2, c3, d0, d1, d2, d3] = *facts;
        let epoch = u32::from_le_bytes([a0, a1, a2, a3]);
        let sequence = u32::from_le_bytes([b0, b1, b2, b3]);
        Self {
            life: Life { epoch, sequence },
            older: u32::from_le_bytes([c0, c1, 0, 0]),
            previous_end: u32::from_le_bytes([c2, c3, d0, 0]),
            proven_end: u32::from_le_bytes([d1, d2, d3, 0]),
        }
    }
}

/// A sector offset in three bytes, little-endian.
pub(crate) const fn u24(value: u32) -> [u8; 3] {
    [value as u8, (value >> 8) as u8, (value >> 16) as u8]
}

/// The reverse of [`u24`].
pub(crate) const fn from_u24(bytes: [u8; 3]) -> u32 {
    u32::from_le_bytes([bytes[0], bytes[1], bytes[2], 0])
}

/// Bytes of a record header in sectors above 8 KiB; one less in smaller ones.
pub(crate) const MAX_HEADER: u32 = 5;

/// Bytes behind the value, CRC-32C and zero count, in sectors above 8 KiB; one less in smaller ones.
pub(crate) const MAX_TRAILER: u32 = 7;

/// Bytes of a sector's opening.
pub(crate) const OPENING: u32 = 31;

/// Longest key in bytes.
pub(crate) const MAX_KEY: usize = 64;

/// A record whose header could be read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Found {
    pub(crate) address: u32,
    pub(crate) header: Header,
}

/// Where the cells of a tally stand, as addresses.
///
/// Not at the start of a page, where a mount leaves its trace when it passes over a torn record: there
/// the check covers blank bytes, so what was passed over never passes again.
#[derive(Clone, Copy, Debug)]
#[cfg(feature = "counters")]
pub(crate) struct Cells {
    pub(crate) from: u32,
    pub(crate) to: u32,
    /// Size of a page, and bytes at its start that are no cells.
    pub(crate) page: u32,
    pub(crate) passed: u32,
}

#[cfg(feature = "counters")]
impl Cells {
    pub(crate) const NONE: Self = Self { from: 0, to: 0, page: 1, passed: 0 };

    pub(crate) const fn is_empty(&self) -> bool {
        self.to <= self.from
    }

    pub(crate) const fn holds(&self, address: u32) -> bool {
        self.from <= address && address < self.to && address & (self.page - 1) >= self.passed
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LIFE: Life = Life { epoch: 7, sequence: 11 };

    /// Lays out header, key, value and trailer without padding.
    fn record(key: &[u8], value: &[u8], wide: bool, out: &mut [u8; 512]) -> usize {
        let header = Header::new(Kind::Put, key.len() as u32, value.len() as u32);
        let mut check = Check::new(LIFE, 64);
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
        let mut check = Check::new(LIFE, 64);
        check.update(body);
        check.trailer(trailer_len as u32).to_le_bytes()[..trailer_len] == *trailer
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
            let (first, rest) = bytes[..len].split_at(len / 3);
            let wanted = ::crc32c::crc32c(&bytes[..len]);
            assert_eq!(crc32c(&bytes[..len]), wanted);
            assert_eq!(extended(extended(0, first), rest), wanted);
            assert_eq!(by_crate(by_crate(0, first), rest), wanted);
        }
    }

    #[test]
    fn zeros_are_counted_at_every_length() {
        let bytes: [u8; 40] = core::array::from_fn(|n| (n * 37) as u8);
        for len in 0..=bytes.len() {
            let one_by_one: u32 = bytes[..len].iter().map(|byte| byte.count_zeros()).sum();
            assert_eq!(zeros_of(&bytes[..len]), one_by_one);
        }
    }

    /// Berger 1961: no set of missing zeros leaves a valid word. All subsets of a small record's
    /// header: every way an interrupted program can leave it.
    #[test]
    fn no_torn_header_passes() {
        let header = Header::new(Kind::Put, 3, 1).encode();
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
        let [_, _, _, _, z0, z1, 0, 0] = check.trailer(6).to_le_bytes() else { panic!() };
        assert_eq!(check.trailer(7).to_le_bytes()[4], 0);
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
                        round(Header::new(kind, key_len, value_len));
                    }
                }
            }
            for (kind, value_len) in [(Kind::Commit, 6), (Kind::Settle, SETTLE), (Kind::Seal, 0)] {
                round(Header::new(kind, 0, value_len));
            }
            assert_eq!(Header::decode(&[0xFF; 5], len), None);
            assert_eq!(Header::decode(&[0; 5], len), None);
            assert_eq!(Header::decode(&[0; 3], len), None);
        }
    }

    /// An index entry may point there for want of a better place: see `carry_tail`.
    #[test]
    fn the_start_of_a_sector_is_no_header() {
        for (powers, sector) in (0..=255).flat_map(|a| (0..=255).map(move |b| (a, b))) {
            let bytes = [TAG[0], TAG[1], VERSION, powers, sector];
            assert_eq!(Header::decode(&bytes, 4), None);
            assert_eq!(Header::decode(&bytes, 5), None);
        }
    }

    #[test]
    fn openings_round_trip_and_torn_ones_do_not_pass() {
        let start = [TAG[0], TAG[1], VERSION, 0, 0, 16, 0, 4, 0];
        let mut other = start;
        other[3] = 1;
        let opening = Opening { life: LIFE, older: 2, previous_end: 4096, proven_end: 33 };
        let mut bytes = [0; OPENING as usize];
        bytes[..9].copy_from_slice(&start);
        bytes[9..25].copy_from_slice(&opening.facts());
        let mut check = Check::unseeded();
        check.update(&bytes[..25]);
        bytes[25..].copy_from_slice(&check.trailer(6).to_le_bytes()[..6]);
        assert_eq!(Opening::facts_in(&bytes, &start).map(Opening::from_facts), Ok(opening));
        assert_eq!(Opening::facts_in(&bytes, &other), Err(NoOpening::OtherLayout));
        for bit in 0..31 * 8 {
            let mut torn = bytes;
            if torn[bit / 8] >> (bit % 8) & 1 == 0 {
                torn[bit / 8] |= 1 << (bit % 8);
                assert_eq!(Opening::facts_in(&torn, &start), Err(NoOpening::Unreadable));
            }
        }
        assert_eq!(Opening::facts_in(&[0; 31], &start), Err(NoOpening::Unreadable));
        assert_eq!(Opening::facts_in(&[0xFF; 31], &start), Err(NoOpening::Unreadable));
    }
}
