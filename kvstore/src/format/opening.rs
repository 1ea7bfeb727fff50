//! The opening, which says where a sector stands in the log. It is stored at both ends of the
//! sector.

use super::bytes::copy;
use super::check::Check;
use super::generation::Generation;

/// Bytes of an opening.
pub(crate) const OPENING: u32 = 32;

/// What an opening says. It is written after the sector's first records, and makes them count once
/// the sector before has decided so, see [`Decision`](super::slot::Decision).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Opening {
    pub(crate) generation: Generation,
    /// Number of older sectors in the log.
    pub(crate) older: u32,
    /// Offset where the accepted log ends in the sector before.
    pub(crate) previous_end: u32,
    /// Offset of the end of the records that were written before the opening.
    pub(crate) proven_end: u32,
    /// The first slot of the sector before that can decide about this sector.
    pub(crate) slot_bound: u32,
    /// Whether the number before this one was passed over, since its sector cannot be used. Then the
    /// sector before has the number before that.
    pub(crate) passed_over: bool,
}

/// Bytes of the sector info: the part of an opening after its start.
const SECTOR_INFO: u32 = 17;

/// Format version this code reads and writes.
pub(crate) const VERSION: u8 = 2;
/// The first bytes of every opening.
pub(crate) const SIGNATURE: [u8; 2] = [0x0A, 0x57];
/// Signature, version, and the layout's shape.
pub(crate) type OpeningStart = [u8; 9];

/// Bytes of an opening's CRC-32C and zero count, whatever the size of the sector.
const OPENING_TRAILER: u32 = 6;

/// Why bytes are not an opening of this layout.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum NoOpening {
    Unreadable,
    OtherLayout,
    NewerFormat,
    OlderFormat,
}

impl Opening {
    pub(crate) const NONE: Self = Self {
        generation: Generation { epoch: 0, sequence: 0 },
        older: 0,
        previous_end: 0,
        proven_end: 0,
        slot_bound: 0,
        passed_over: false,
    };

    /// Sequence number of the sector before.
    pub(crate) const fn before(&self) -> u32 {
        self.generation.sequence.wrapping_sub(1 + self.passed_over as u32)
    }

    /// Decodes an opening, which must begin with `start`.
    pub(crate) fn decode(
        bytes: &[u8; OPENING as usize],
        start: &OpeningStart,
    ) -> Result<Self, NoOpening> {
        let version = bytes.get(2).copied().unwrap_or(0);
        // Version 1 was one byte shorter, and its check was the same.
        let len = if version == 1 { OPENING - 1 } else { OPENING };
        let bytes = bytes.get(..len as usize).unwrap_or(bytes);
        let (body, trailer) = bytes.split_at((len - OPENING_TRAILER) as usize);
        let mut check = Check::unseeded();
        check.update(body);
        let expected = check.trailer(OPENING_TRAILER).to_le_bytes();
        if !body.starts_with(&SIGNATURE) || !expected.starts_with(trailer) {
            return Err(NoOpening::Unreadable);
        }
        let info = body.strip_prefix(start).and_then(<[u8]>::first_chunk);
        match info {
            Some(info) => Ok(Self::from_sector_info(info)),
            None if version == VERSION => Err(NoOpening::OtherLayout),
            None if version < VERSION => Err(NoOpening::OlderFormat),
            None => Err(NoOpening::NewerFormat),
        }
    }

    /// The bytes of this opening, which begins with `start`.
    pub(crate) fn encode(&self, start: &OpeningStart) -> [u8; OPENING as usize] {
        let mut bytes = [0; OPENING as usize];
        let (body, trailer) = bytes.split_at_mut((OPENING - OPENING_TRAILER) as usize);
        let (head, info) = body.split_at_mut(start.len());
        copy(head, start);
        copy(info, &self.sector_info());
        let mut check = Check::unseeded();
        check.update(body);
        copy(trailer, &check.trailer(OPENING_TRAILER).to_le_bytes());
        bytes
    }

    /// Encodes what follows the start.
    const fn sector_info(&self) -> [u8; SECTOR_INFO as usize] {
        let Self { generation, older, previous_end, proven_end, slot_bound, passed_over } = *self;
        let [a0, a1, a2, a3] = generation.epoch.to_le_bytes();
        let [b0, b1, b2, b3] = generation.sequence.to_le_bytes();
        let [c0, c1, c2, c3] = (older & 0xFFFF | previous_end << 16).to_le_bytes();
        let [d0, d1, d2, d3] = (previous_end >> 16 & 0xFF | proven_end << 8).to_le_bytes();
        let e0 = slot_bound as u8 | (passed_over as u8) << 7;
        [a0, a1, a2, a3, b0, b1, b2, b3, c0, c1, c2, c3, d0, d1, d2, d3, e0]
    }

    /// The reverse of [`sector_info`](Self::sector_info).
    const fn from_sector_info(info: &[u8; SECTOR_INFO as usize]) -> Self {
        let [a0, a1, a2, a3, b0, b1, b2, b3, c0, c1, c2, c3, d0, d1, d2, d3, e0] = *info;
        let epoch = u32::from_le_bytes([a0, a1, a2, a3]);
        let sequence = u32::from_le_bytes([b0, b1, b2, b3]);
        Self {
            generation: Generation { epoch, sequence },
            older: u32::from_le_bytes([c0, c1, 0, 0]),
            previous_end: u32::from_le_bytes([c2, c3, d0, 0]),
            proven_end: u32::from_le_bytes([d1, d2, d3, 0]),
            slot_bound: (e0 & 0x7F) as u32,
            passed_over: e0 & 0x80 != 0,
        }
    }
}

#[cfg(test)]
mod tests {
    //! Encodes an opening, decodes it, and leaves out each of its zeros in turn.

    use super::*;

    const GENERATION: Generation = Generation { epoch: 7, sequence: 11 };

    #[test]
    fn openings_round_trip_and_torn_ones_do_not_pass() {
        let start = [SIGNATURE[0], SIGNATURE[1], VERSION, 0, 0, 16, 0, 4, 0];
        let mut other = start;
        other[3] = 1;
        let opening = Opening {
            generation: GENERATION,
            older: 2,
            previous_end: 4096,
            proven_end: 33,
            slot_bound: 5,
            passed_over: true,
        };
        let bytes = opening.encode(&start);
        assert_eq!(Opening::decode(&bytes, &start), Ok(opening));
        assert_eq!(Opening::decode(&bytes, &other), Err(NoOpening::OtherLayout));
        for bit in 0..OPENING as usize * 8 {
            let mut torn = bytes;
            if torn[bit / 8] >> (bit % 8) & 1 == 0 {
                torn[bit / 8] |= 1 << (bit % 8);
                assert_eq!(Opening::decode(&torn, &start), Err(NoOpening::Unreadable));
            }
        }
        assert_eq!(Opening::decode(&[0; 32], &start), Err(NoOpening::Unreadable));
        assert_eq!(Opening::decode(&[0xFF; 32], &start), Err(NoOpening::Unreadable));
    }

    /// An opening as version 1 wrote it is named as such: 31 bytes, one fewer than today.
    #[test]
    fn an_older_format_is_named() {
        let start = [SIGNATURE[0], SIGNATURE[1], 1, 0x40, 0, 16, 0, 4, 0];
        let mut bytes = [0xFF; OPENING as usize];
        bytes[..9].copy_from_slice(&start);
        bytes[9..25].copy_from_slice(&[3; 16]);
        let mut check = Check::unseeded();
        check.update(&bytes[..25]);
        bytes[25..31].copy_from_slice(&check.trailer(6).to_le_bytes()[..6]);
        let today = [SIGNATURE[0], SIGNATURE[1], VERSION, 0x40, 0, 16, 0, 4, 0];
        assert_eq!(Opening::decode(&bytes, &today), Err(NoOpening::OlderFormat));
    }
}
