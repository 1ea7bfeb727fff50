//! Openings, and what they say about their sectors.

use super::region::Region;
use super::shape::{Shape, geometry};
use crate::format::bytes::from_u24;
use crate::format::generation::Generation;
use crate::format::opening::{NoOpening, OPENING, Opening, SIGNATURE, VERSION};

/// The sector info of an opening: where its sector stands in the log.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SectorInfo {
    /// Grows by one at each factory reset.
    pub epoch: u32,
    /// Sequence number of the sector.
    pub sequence: u32,
    /// Sequence number of the oldest sector of the log when this one was opened.
    pub oldest: u32,
    /// Offset in the previous sector. Its records from there on do not count.
    pub previous_end: u32,
    /// Offset in this sector. The records before it were written before the opening.
    pub proven_end: u32,
    /// The first slot of the previous sector that can decide about this sector.
    pub slot_bound: u32,
    /// Whether the sector before this one was passed over. Then the previous sector is the one
    /// before that.
    pub passed_over: bool,
}

/// Why bytes are not an opening of this store.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NotOpening {
    /// They do not pass the checks.
    Unreadable,
    /// They are the opening of a store of an older format version.
    OlderVersion,
    /// They are the opening of a store of a newer format version.
    NewerVersion,
    /// They are the opening of a store of another shape.
    OtherShape,
}

/// Bytes of an opening.
pub const OPENING_BYTES: usize = OPENING as usize;

/// Reads the opening of a store of any shape.
///
/// # Errors
/// [`NotOpening`].
pub fn opening(bytes: &[u8]) -> Result<(Shape, SectorInfo), NotOpening> {
    let bytes: &[u8; OPENING_BYTES] = bytes.first_chunk().ok_or(NotOpening::Unreadable)?;
    let &[_, _, _, powers, s0, s1, s2, n0, n1, ..] = bytes;
    let start = [SIGNATURE[0], SIGNATURE[1], VERSION, powers, s0, s1, s2, n0, n1];
    let opening = Opening::decode(bytes, &start).map_err(not_opening)?;
    let shape = Shape {
        sectors: u32::from(u16::from_le_bytes([n0, n1])),
        sector_bytes: from_u24([s0, s1, s2]),
        page_bytes: 1 << (powers >> 3),
        unit: 1 << (powers & 7),
    };
    geometry(&shape).ok_or(NotOpening::OtherShape)?;
    Ok((shape, sector_info_of(&opening)))
}

const fn not_opening(why: NoOpening) -> NotOpening {
    match why {
        NoOpening::Unreadable => NotOpening::Unreadable,
        NoOpening::OtherLayout => NotOpening::OtherShape,
        NoOpening::NewerFormat => NotOpening::NewerVersion,
        NoOpening::OlderFormat => NotOpening::OlderVersion,
    }
}

pub(super) const fn sector_info_of(opening: &Opening) -> SectorInfo {
    let Opening { generation, older, previous_end, proven_end, slot_bound, passed_over } = *opening;
    let oldest = generation.sequence.wrapping_sub(older);
    SectorInfo {
        epoch: generation.epoch,
        sequence: generation.sequence,
        oldest,
        previous_end,
        proven_end,
        slot_bound,
        passed_over,
    }
}

/// The reverse of [`sector_info_of`].
pub(super) const fn opening_of(info: &SectorInfo) -> Opening {
    let SectorInfo { epoch, sequence, oldest, previous_end, proven_end, slot_bound, passed_over } =
        *info;
    let generation = Generation { epoch, sequence };
    let older = sequence.wrapping_sub(oldest);
    Opening { generation, older, previous_end, proven_end, slot_bound, passed_over }
}

impl Region<'_> {
    /// Both copies of the opening of a sector, at its start and at its end.
    ///
    /// # Errors
    /// [`NotOpening`], for each of them.
    pub fn opening_copies(&self, sector: u32) -> [Result<SectorInfo, NotOpening>; 2] {
        let first = self.address(sector);
        [first, first.saturating_add(self.geometry.records_end())].map(|from| {
            let bytes = self.bytes(from, from.saturating_add(OPENING));
            let bytes = bytes.and_then(<[u8]>::first_chunk).ok_or(NotOpening::Unreadable)?;
            let opening = Opening::decode(bytes, &self.geometry.opening_start());
            opening.map(|opening| sector_info_of(&opening)).map_err(not_opening)
        })
    }

    /// The opening of a sector: its first copy, or else its second one.
    ///
    /// # Errors
    /// [`NotOpening`].
    pub fn opening(&self, sector: u32) -> Result<SectorInfo, NotOpening> {
        match self.opening_copies(sector) {
            [Err(NotOpening::Unreadable), second] => second,
            [first, _] => first,
        }
    }

    /// The sector info of a sector of the log.
    #[must_use]
    pub fn sector_info(&self, epoch: u32, sequence: u32) -> Option<SectorInfo> {
        let right = |info: &SectorInfo| (info.epoch, info.sequence) == (epoch, sequence);
        self.opening(self.geometry.sector_of_sequence(sequence)).ok().filter(right)
    }
}
