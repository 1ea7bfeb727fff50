//! The opening: the first bytes of a sector, which say where it stands in the log.

use super::check::Check;
use super::generation::Generation;

/// Bytes of a sector's opening.
pub(crate) const OPENING: u32 = 31;

/// What an opening says. It is written after the sector's first records, and makes them count once
/// the mark that follows it is no longer blank.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Opening {
    pub(crate) generation: Generation,
    /// Number of older sectors in the log.
    pub(crate) older: u32,
    /// Offset where the accepted log ends in the sector before.
    pub(crate) previous_end: u32,
    /// Offset before which the mark proves all records whole.
    pub(crate) proven_end: u32,
}

/// Bytes of the sector info: the part of an opening that settle records repeat.
pub(crate) const SECTOR_INFO: u32 = 16;

/// Format version this code reads and writes.
pub(crate) const VERSION: u8 = 1;
/// The first bytes of every opening.
pub(crate) const TAG: [u8; 2] = [0x0A, 0x57];
/// Tag, version, and the layout's shape.
pub(crate) type OpeningStart = [u8; 9];

/// Bytes of an opening's CRC-32C and zero count, whatever the size of the sector.
pub(crate) const OPENING_TRAILER: u32 = 6;

/// Why bytes are not an opening of this layout.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum NoOpening {
    Unreadable,
    OtherLayout,
    NewerFormat,
}

impl Opening {
    pub(crate) const NONE: Self = Self {
        generation: Generation { epoch: 0, sequence: 0 },
        older: 0,
        previous_end: 0,
        proven_end: 0,
    };

    /// The sector info in an opening's bytes, which must begin with `start`. Decode it with
    /// [`from_sector_info`](Self::from_sector_info).
    pub(crate) fn sector_info_in<'b>(
        bytes: &'b [u8; OPENING as usize],
        start: &OpeningStart,
    ) -> Result<&'b [u8; SECTOR_INFO as usize], NoOpening> {
        let (body, trailer) = bytes.split_at((OPENING - OPENING_TRAILER) as usize);
        let mut check = Check::unseeded();
        check.update(body);
        let expected = check.trailer(OPENING_TRAILER).to_le_bytes();
        if !body.starts_with(&TAG) || !expected.starts_with(trailer) {
            return Err(NoOpening::Unreadable);
        }
        let info = body.strip_prefix(start).and_then(<[u8]>::first_chunk);
        info.ok_or_else(|| {
            if body.get(2) == Some(&VERSION) {
                NoOpening::OtherLayout
            } else {
                NoOpening::NewerFormat
            }
        })
    }

    /// Encodes the sector info. Settle records repeat it, so that a sector is known even if its
    /// opening is lost.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) const fn sector_info(&self) -> [u8; SECTOR_INFO as usize] {
        let Self { generation, older, previous_end, proven_end } = *self;
        let [a0, a1, a2, a3] = generation.epoch.to_le_bytes();
        let [b0, b1, b2, b3] = generation.sequence.to_le_bytes();
        let [c0, c1, c2, c3] = (older & 0xFFFF | previous_end << 16).to_le_bytes();
        let [d0, d1, d2, d3] = (previous_end >> 16 & 0xFF | proven_end << 8).to_le_bytes();
        [a0, a1, a2, a3, b0, b1, b2, b3, c0, c1, c2, c3, d0, d1, d2, d3]
    }

    /// The reverse of [`sector_info`](Self::sector_info).
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) const fn from_sector_info(info: &[u8; SECTOR_INFO as usize]) -> Self {
        let [a0, a1, a2, a3, b0, b1, b2, b3, c0, c1, c2, c3, d0, d1, d2, d3] = *info;
        let epoch = u32::from_le_bytes([a0, a1, a2, a3]);
        let sequence = u32::from_le_bytes([b0, b1, b2, b3]);
        Self {
            generation: Generation { epoch, sequence },
            older: u32::from_le_bytes([c0, c1, 0, 0]),
            previous_end: u32::from_le_bytes([c2, c3, d0, 0]),
            proven_end: u32::from_le_bytes([d1, d2, d3, 0]),
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
        let start = [TAG[0], TAG[1], VERSION, 0, 0, 16, 0, 4, 0];
        let mut other = start;
        other[3] = 1;
        let opening =
            Opening { generation: GENERATION, older: 2, previous_end: 4096, proven_end: 33 };
        let mut bytes = [0; OPENING as usize];
        bytes[..9].copy_from_slice(&start);
        bytes[9..25].copy_from_slice(&opening.sector_info());
        let mut check = Check::unseeded();
        check.update(&bytes[..25]);
        bytes[25..].copy_from_slice(&check.trailer(6).to_le_bytes()[..6]);
        assert_eq!(
            Opening::sector_info_in(&bytes, &start).map(Opening::from_sector_info),
            Ok(opening)
        );
        assert_eq!(Opening::sector_info_in(&bytes, &other), Err(NoOpening::OtherLayout));
        for bit in 0..31 * 8 {
            let mut torn = bytes;
            if torn[bit / 8] >> (bit % 8) & 1 == 0 {
                torn[bit / 8] |= 1 << (bit % 8);
                assert_eq!(Opening::sector_info_in(&torn, &start), Err(NoOpening::Unreadable));
            }
        }
        assert_eq!(Opening::sector_info_in(&[0; 31], &start), Err(NoOpening::Unreadable));
        assert_eq!(Opening::sector_info_in(&[0xFF; 31], &start), Err(NoOpening::Unreadable));
    }
}
