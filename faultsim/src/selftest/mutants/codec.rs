//! The bytes of openings and records. Nothing here touches the flash.
//!
//! A record is {kind, length of key, length of value, number of zeros in these three}, key, value,
//! CRC-32, and the number of zeros in all of that, high byte first. A torn program leaves only
//! extra ones. So the zeros that are counted can only become fewer, and the stored number can only
//! become larger: the two agree only in a complete record (J. M. Berger, "A note on error detection
//! codes for asymmetric channels", Information and Control 4, 1961).

use super::bug::Bug;
use super::slots::SLOT_BYTES;
use crate::checksum::crc32;

/// Bytes of an opening; the slots for decisions follow it.
pub(super) const OPENING: usize = 12;
/// Where the first record of a sector begins.
pub(super) const FIRST_RECORD: usize = OPENING + SLOT_BYTES;
/// Bytes at the start of every page but the first: the tag of the page. It is zero if a mount took
/// the page for its settle record.
pub(super) const TAG: usize = 1;
/// Bytes of the flag that follows a rest record.
pub(super) const FLAG: usize = 1;
/// Bytes of a record's header.
pub(super) const HEADER: usize = 4;

const MAGIC: [u8; 2] = [0x9A, 0x31];
const CRC: usize = 4;
const COUNT: usize = 2;

/// The kinds of record.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    /// A setting has this value.
    Put = 0x16,
    /// A setting is gone.
    Delete = 0x25,
    /// The same two within a batch, where they count only with its commit record.
    PendingPut = 0x43,
    PendingDelete = 0x58,
    /// The pending records before it count, as many as it says.
    Commit = 0x61,
    /// All settings; nothing before it counts any more, and neither do the slots used before it,
    /// whose number is the first byte of the value.
    Settle = 0x8C,
    /// This sector is the head: the decision about that was complete before this record.
    Seal = 0x34,
    /// Nothing was written since the log was settled, if the flag after it is blank.
    Rest = 0xA1,
    /// For planted mistakes only: a note that something is about to be done.
    Note = 0x92,
}

const KINDS: [Kind; 9] = [
    Kind::Put,
    Kind::Delete,
    Kind::PendingPut,
    Kind::PendingDelete,
    Kind::Commit,
    Kind::Settle,
    Kind::Seal,
    Kind::Rest,
    Kind::Note,
];

/// What is stored at a place of a page.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Parsed<'page> {
    /// Nothing, or no room for a header.
    Blank,
    /// No intact record; with key and value if at least the header is intact.
    Damaged(Option<(&'page [u8], &'page [u8])>),
    Record {
        kind: Kind,
        key: &'page [u8],
        value: &'page [u8],
        len: usize,
    },
}

/// How the records of one sector are written.
#[derive(Clone, Copy, Debug)]
pub(super) struct Codec {
    bug: Option<Bug>,
    /// The start value of the check: it makes records of an earlier use of the sector fail.
    seed: u32,
}

impl Codec {
    pub(super) fn new(bug: Option<Bug>, sequence: u32) -> Self {
        let unseeded = matches!(bug, Some(Bug::SettleAnywhere | Bug::SeeksInsideValue));
        Self { bug, seed: if unseeded { 0 } else { sequence } }
    }

    fn has(&self, bug: Bug) -> bool {
        self.bug == Some(bug)
    }

    fn tail_len(&self) -> usize {
        match self.bug {
            Some(Bug::CommitByteInside | Bug::CommitByteFirst) => 1,
            Some(Bug::CrcAlone) => CRC,
            _ => CRC + COUNT,
        }
    }

    /// The number of bytes of a record.
    pub(super) fn len(&self, key: &[u8], value: &[u8]) -> usize {
        HEADER + key.len() + value.len() + self.tail_len()
    }

    /// A record; key and value are at most 255 bytes long.
    pub(super) fn record(&self, kind: Kind, key: &[u8], value: &[u8]) -> Vec<u8> {
        let short = |len: usize| u8::try_from(len).unwrap_or(u8::MAX);
        let mut value_len = short(value.len());
        if self.has(Bug::LengthTruncated) && kind != Kind::Settle {
            value_len &= 0x0F;
        }
        let mut bytes = vec![kind as u8, short(key.len()), value_len];
        bytes.push(short(zeros(&bytes)));
        bytes.extend(key);
        bytes.extend(value);
        let tail = self.tail(&bytes, key.len());
        bytes.extend(tail);
        bytes
    }

    /// The check of a record without its tail.
    fn tail(&self, bytes: &[u8], key_len: usize) -> Vec<u8> {
        let mut covered = bytes.to_vec();
        match self.bug {
            Some(Bug::CommitByteInside | Bug::CommitByteFirst) => return vec![0],
            Some(Bug::CheckOmitsKey) => {
                covered.drain(HEADER..HEADER + key_len);
            }
            Some(Bug::CheckOmitsLastByte) if bytes.len() > HEADER + key_len => {
                covered.pop();
            }
            _ => {}
        }
        let seed = self.seed.to_le_bytes();
        let mut tail =
            crc32(seed.into_iter().chain(covered.iter().copied())).to_le_bytes().to_vec();
        covered.extend(&tail);
        // The number always fits, since no record is long enough to exceed it.
        let count = u16::try_from(zeros(&covered)).unwrap_or(u16::MAX);
        match self.bug {
            Some(Bug::CrcAlone) => {}
            Some(Bug::ZeroFill) => tail.extend(count.to_le_bytes()),
            _ => tail.extend(count.to_be_bytes()),
        }
        tail
    }

    /// What is stored at the start of `rest`, which ends where the page ends.
    pub(super) fn parse<'page>(&self, rest: &'page [u8]) -> Parsed<'page> {
        let Some((header, _)) = rest.split_first_chunk::<HEADER>() else { return Parsed::Blank };
        if header.iter().all(|byte| *byte == 0xFF) {
            return Parsed::Blank;
        }
        let kind = KINDS.into_iter().find(|kind| *kind as u8 == header[0]);
        if self.has(Bug::UnknownKindPanics) && header[0] != 0xFF {
            kind.expect("only known kinds are written");
        }
        let checked = usize::from(header[3]) == zeros(&header[..3]);
        let (key_len, value_len) = (usize::from(header[1]), usize::from(header[2]));
        let body = HEADER + key_len + value_len;
        let len = body + self.tail_len();
        if !self.has(Bug::LengthUnchecked) && (!checked || len > rest.len()) {
            return Parsed::Damaged(None);
        }
        let record = &rest[..len];
        let (key, value) = record[HEADER..body].split_at(key_len);
        let intact = self.has(Bug::NoRecordCheck)
            || self.has(Bug::OnlyLastChecked) && is_followed(&rest[len..])
            || self.tail(&record[..body], key_len) == record[body..];
        match kind {
            Some(kind) if intact => Parsed::Record { kind, key, value, len },
            _ => Parsed::Damaged(Some((key, value))),
        }
    }

    /// Whether a record counts in the end if only its CRC-32 holds.
    fn relies_on_crc(&self) -> bool {
        matches!(self.bug, Some(Bug::CrcAlone | Bug::RepairsCount | Bug::RepairsTwoBits))
    }

    /// For [`crate::subject::Subject::linear_check`]: the bytes of a record after its header, up to
    /// the end of the CRC-32.
    pub(super) fn checked_bytes(&self, data: &[u8]) -> Option<core::ops::Range<usize>> {
        if !self.relies_on_crc() || data.len() < HEADER + self.tail_len() {
            return None;
        }
        // Whether the check holds does not matter: its start value is not known here.
        let lens = usize::from(data[1]) + usize::from(data[2]);
        let is_record = KINDS.into_iter().any(|kind| kind as u8 == data[0])
            && usize::from(data[3]) == zeros(&data[..3])
            && data.len() == HEADER + lens + self.tail_len();
        is_record.then_some(HEADER..HEADER + lens + CRC)
    }

    /// Zero if the CRC-32 of the record holds; otherwise the bits in which it differs.
    pub(super) fn residue(&self, data: &[u8]) -> u64 {
        let (body, tail) = data.split_at(data.len().saturating_sub(self.tail_len()));
        let key_len = usize::from(data.get(1).copied().unwrap_or(0));
        let wanted = self.tail(body, key_len);
        let crcs = wanted.iter().zip(tail).take(CRC);
        crcs.fold(0, |sum, (a, b)| sum << 8 | u64::from(a ^ b))
    }

    /// For planted mistakes: if `rest` begins with a record that by its CRC-32 lacks at most this
    /// many bits, up to two, completes it and puts its count right. Returns whether it did.
    pub(super) fn repair(&self, rest: &mut [u8], bits: usize) -> bool {
        let Parsed::Damaged(Some((key, value))) = self.parse(rest) else { return false };
        let len = self.len(key, value);
        let body = len - self.tail_len();
        let residue = self.residue(&rest[..len]);
        // What each bit that reads as a one contributes to the residue.
        let mut parts = vec![(None, 0)];
        for bit in (8 * HEADER..8 * (body + CRC)).filter(|_| bits > 0) {
            let (byte, mask) = (bit / 8, 1 << (bit % 8));
            if rest[byte] & mask != 0 {
                rest[byte] ^= mask;
                parts.push((Some((byte, mask)), residue ^ self.residue(&rest[..len])));
                rest[byte] ^= mask;
            }
        }
        for (index, (first, one)) in parts.iter().enumerate() {
            for (second, other) in &parts[index..] {
                let same = first == second;
                let sum = if same { *one } else { one ^ other };
                if sum == residue {
                    for (byte, mask) in
                        [first, second].into_iter().flatten().take(if same { 1 } else { 2 })
                    {
                        rest[*byte] ^= mask;
                    }
                    let key_len = usize::from(rest[1]);
                    let tail = self.tail(&rest[..body], key_len);
                    rest[body..len].copy_from_slice(&tail);
                    return true;
                }
            }
        }
        false
    }
}

/// An opening with this sequence number.
pub(super) fn opening(sequence: u32) -> [u8; OPENING] {
    let mut bytes = [0; OPENING];
    bytes[..2].copy_from_slice(&MAGIC);
    bytes[2..6].copy_from_slice(&sequence.to_le_bytes());
    let sum = crc32(bytes[..6].iter().copied());
    bytes[6..10].copy_from_slice(&sum.to_le_bytes());
    // At most 80 zeros.
    let count = u16::try_from(zeros(&bytes[..10])).unwrap_or(u16::MAX);
    bytes[10..].copy_from_slice(&count.to_be_bytes());
    bytes
}

/// The sequence number of an intact opening.
pub(super) fn sequence(bytes: &[u8; OPENING], bug: Option<Bug>) -> Option<u32> {
    match bug {
        Some(Bug::ZeroOpening) if *bytes == [0; OPENING] => return Some(u32::MAX),
        Some(Bug::BlankOpening) if *bytes == [0xFF; OPENING] => return Some(u32::MAX),
        _ => {}
    }
    let sequence = u32::from_le_bytes([bytes[2], bytes[3], bytes[4], bytes[5]]);
    (opening(sequence) == *bytes).then_some(sequence)
}

/// Whether a header, or a part of one, follows here.
fn is_followed(rest: &[u8]) -> bool {
    rest.iter().take(HEADER).any(|byte| *byte != 0xFF)
}

fn zeros(bytes: &[u8]) -> usize {
    bytes.iter().map(|byte| byte.count_zeros() as usize).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_torn_record_passes() {
        let codec = Codec::new(None, 7);
        let record = codec.record(Kind::Put, b"a", &[1, 0]);
        let whole =
            Parsed::Record { kind: Kind::Put, key: b"a", value: &[1, 0], len: record.len() };
        assert_eq!(codec.parse(&record), whole);
        let clear: Vec<usize> =
            (0..8 * record.len()).filter(|bit| record[bit / 8] >> (bit % 8) & 1 == 0).collect();
        // Every pair of bits that were not programmed, and every prefix.
        for (index, &one) in clear.iter().enumerate() {
            let mut prefix = record.clone();
            for &bit in &clear[index..] {
                prefix[bit / 8] |= 1 << (bit % 8);
            }
            assert!(!matches!(codec.parse(&prefix), Parsed::Record { .. }));
            for &other in &clear[..=index] {
                let mut torn = record.clone();
                torn[one / 8] |= 1 << (one % 8);
                torn[other / 8] |= 1 << (other % 8);
                assert!(!matches!(codec.parse(&torn), Parsed::Record { .. }), "{one} {other}");
            }
        }
        assert_eq!(Codec::new(None, 8).parse(&record), Parsed::Damaged(Some((b"a", &[1, 0]))));
    }

    #[test]
    fn blank_and_zero_bytes_are_not_records() {
        let codec = Codec::new(None, 0);
        assert_eq!(codec.parse(&[0xFF; 40]), Parsed::Blank);
        assert_eq!(codec.parse(&[0; 40]), Parsed::Damaged(None));
        assert_eq!(codec.parse(&[0; 3]), Parsed::Blank);
        assert_eq!(sequence(&[0; OPENING], None), None);
        assert_eq!(sequence(&[0xFF; OPENING], None), None);
        assert_eq!(sequence(&opening(5), None), Some(5));
    }
}
