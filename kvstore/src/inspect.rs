//! Looks into an image without changing it, for tools on a computer.
//!
//! A [`Region`] holds a store's bytes as they were read out of a part. They may be cut short: what
//! was not read out counts as unreadable. Records are checked with the same code as in the store.
//! To learn what a mount makes of the image, call [`Store::open`](crate::Store::open) on a copy.

use core::ops::Deref;

use crate::format::bytes::from_u24;
use crate::format::cells::Cells;
use crate::format::check::Check;
use crate::format::generation::Generation;
use crate::format::geometry::Geometry;
use crate::format::opening::{NoOpening, Opening, SECTOR_INFO, TAG, VERSION};
use crate::format::record::{Header, Kind, RecordRef, SETTLE};
use crate::format::tally::{Run, Tally as Count};

/// How a region is divided, as an opening gives it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Shape {
    /// Number of sectors.
    pub sectors: u32,
    /// Bytes of a sector.
    pub sector_bytes: u32,
    /// Bytes of a page, rounded up as the store does it.
    pub page_bytes: u32,
    /// The larger of the driver's program and read unit.
    pub unit: u32,
}

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
    /// Offset in this sector. The records before it are whole if the mark is begun.
    pub proven_end: u32,
}

/// Why bytes are not an opening of this store.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NotOpening {
    /// They do not pass the checks.
    Unreadable,
    /// They are the opening of another format version.
    OtherVersion,
    /// They are the opening of a store of another shape.
    OtherShape,
}

/// The kind of a record.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RecordKind {
    /// Stores a value.
    Put,
    /// Stores a count: its base, and cells. Each tick clears one cell.
    Tally,
    /// Deletes a key.
    Delete,
    /// A put of a batch. It counts only if a commit names it.
    PendingPut,
    /// A delete of a batch. It counts only if a commit names it.
    PendingDelete,
    /// Closes a batch.
    Commit,
    /// Written by a mount. It says where the accepted log ends, and may carry a copy of the last
    /// record.
    Settle,
    /// Proves the record before it whole.
    Seal,
}

/// A record whose header reads.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Record<'a> {
    /// Address of the header in the region.
    pub address: u32,
    /// Address after its last byte.
    pub end: u32,
    /// Its kind.
    pub kind: RecordKind,
    /// Its key; empty for records without a key.
    pub key: &'a [u8],
    /// Its value.
    pub value: Value<'a>,
    /// Length of the value in flash, in bytes.
    pub value_bytes: u32,
    /// Bytes of the header.
    pub header_bytes: u32,
    /// Bytes of the trailer.
    pub trailer_bytes: u32,
}

/// A record's value.
#[derive(Clone, Copy, Debug)]
pub enum Value<'a> {
    /// The bytes in flash.
    Bytes(&'a [u8]),
    /// The count of a tally, little-endian.
    Count([u8; 8]),
}

impl Deref for Value<'_> {
    type Target = [u8];

    fn deref(&self) -> &[u8] {
        match self {
            Self::Bytes(bytes) => bytes,
            Self::Count(count) => count,
        }
    }
}

/// A count equals the plain value that a copy of its tally would have.
impl PartialEq for Value<'_> {
    fn eq(&self, other: &Self) -> bool {
        **self == **other
    }
}

impl Eq for Value<'_> {}

/// What a tally says. Its count is the base plus the ticks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Tally {
    /// The count when it was written.
    pub base: u64,
    /// Bits of a cell.
    pub cell_bits: u32,
    /// Number of cells that are all zero, from the first one.
    pub ticks: u32,
    /// Number of cells.
    pub cells: u32,
    /// Whether the cell after those has zeros too: a tick was interrupted.
    pub is_begun: bool,
    /// Whether all cells after that are blank. If not, the tally is damaged.
    pub in_order: bool,
    /// Address of the first cell.
    pub cells_at: u32,
}

/// What a settle record says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Settle<'a> {
    /// Address: records from there up to the settle record do not count.
    pub accepted_end: u32,
    /// The sector info, repeated from the opening.
    pub sector_info: SectorInfo,
    /// The carried record, a copy of a put, a delete or a commit.
    pub carried: Option<Record<'a>>,
}

/// What a walk over a sector meets.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Event<'a> {
    /// A record, and whether it passes its checks.
    Record(Record<'a>, bool),
    /// No record stands at the first address, but a settle record that passes follows. It says
    /// which of the records met before count. The address, the settle record, and what it says.
    Settled(u32, Record<'a>, Settle<'a>),
}

/// A store's region.
#[derive(Clone, Copy, Debug)]
pub struct Region<'a> {
    bytes: &'a [u8],
    geometry: Geometry,
}

/// Bytes of an opening.
pub const OPENING_BYTES: usize = crate::format::opening::OPENING as usize;

/// Reads the opening of a store of any shape.
///
/// # Errors
/// [`NotOpening`].
pub fn opening(bytes: &[u8]) -> Result<(Shape, SectorInfo), NotOpening> {
    let bytes: &[u8; OPENING_BYTES] = bytes.first_chunk().ok_or(NotOpening::Unreadable)?;
    let &[_, _, _, powers, s0, s1, s2, n0, n1, ..] = bytes;
    let start = [TAG[0], TAG[1], VERSION, powers, s0, s1, s2, n0, n1];
    let info = Opening::sector_info_in(bytes, &start).map_err(not_opening)?;
    let shape = Shape {
        sectors: u32::from(u16::from_le_bytes([n0, n1])),
        sector_bytes: from_u24([s0, s1, s2]),
        page_bytes: 1 << (powers >> 3),
        unit: 1 << (powers & 7),
    };
    geometry(&shape).ok_or(NotOpening::OtherShape)?;
    Ok((shape, sector_info_of(&Opening::from_sector_info(info))))
}

const fn not_opening(why: NoOpening) -> NotOpening {
    match why {
        NoOpening::Unreadable => NotOpening::Unreadable,
        NoOpening::OtherLayout => NotOpening::OtherShape,
        NoOpening::NewerFormat => NotOpening::OtherVersion,
    }
}

const fn sector_info_of(opening: &Opening) -> SectorInfo {
    let Opening { generation, older, previous_end, proven_end } = *opening;
    let oldest = generation.sequence.wrapping_sub(older);
    SectorInfo {
        epoch: generation.epoch,
        sequence: generation.sequence,
        oldest,
        previous_end,
        proven_end,
    }
}

/// The geometry of a shape, if a store can have it.
fn geometry(shape: &Shape) -> Option<Geometry> {
    let Shape { sectors, sector_bytes, page_bytes, unit } = *shape;
    let page = page_bytes.max(unit.saturating_mul(8)).max(64);
    let possible = unit.is_power_of_two()
        && unit <= 32
        && page.is_power_of_two()
        && page <= 32 * 1024
        && sector_bytes.is_power_of_two()
        && (512..=128 * 1024).contains(&sector_bytes)
        && page <= sector_bytes / 4
        && (2..=4096).contains(&sectors);
    possible.then_some(Geometry::new(0, sector_bytes, sectors, page, unit))
}

impl<'a> Region<'a> {
    /// The region in `bytes`, which may end early. `None` if no store can have this shape.
    #[must_use]
    pub fn new(bytes: &'a [u8], shape: &Shape) -> Option<Self> {
        let geometry = geometry(shape)?;
        let len = geometry.sectors as usize * geometry.sector_bytes as usize;
        Some(Self { bytes: bytes.get(..len).unwrap_or(bytes), geometry })
    }

    /// Its shape, with the page rounded up as the store does it.
    #[must_use]
    pub const fn shape(&self) -> Shape {
        let Geometry { sectors, sector_bytes, page, unit, .. } = self.geometry;
        Shape { sectors, sector_bytes, page_bytes: page, unit }
    }

    /// Offset of the mark, which is one unit long, in a sector.
    #[must_use]
    pub const fn mark_offset(&self) -> u32 {
        self.geometry.mark()
    }

    /// Offset of the first record in a sector.
    #[must_use]
    pub const fn first_record_offset(&self) -> u32 {
        self.geometry.first_record()
    }

    /// Bytes that are zeroed at the start of a page that a mount passed over: the trace, and the
    /// place of a header after it.
    #[must_use]
    pub const fn passed_bytes(&self) -> (u32, u32) {
        (self.geometry.trace(), self.geometry.header_area())
    }

    /// The bytes of a range, if all of them were read out.
    #[must_use]
    pub fn bytes(&self, from: u32, to: u32) -> Option<&'a [u8]> {
        self.bytes.get(from as usize..to as usize)
    }

    fn address(&self, sector: u32) -> u32 {
        sector.min(self.geometry.sectors).saturating_mul(self.geometry.sector_bytes)
    }

    /// The opening of a sector.
    ///
    /// # Errors
    /// [`NotOpening`].
    pub fn opening(&self, sector: u32) -> Result<SectorInfo, NotOpening> {
        let from = self.address(sector);
        let bytes = self.bytes(from, from.saturating_add(OPENING_BYTES as u32));
        let bytes = bytes.and_then(<[u8]>::first_chunk).ok_or(NotOpening::Unreadable)?;
        let info =
            Opening::sector_info_in(bytes, &self.geometry.opening_start()).map_err(not_opening)?;
        let opening = Opening::from_sector_info(info);
        Ok(sector_info_of(&opening))
    }

    /// Whether the mark of a sector has a 0 bit, so that its opening counts.
    #[must_use]
    pub fn mark_is_begun(&self, sector: u32) -> bool {
        let from = self.address(sector).saturating_add(self.geometry.mark());
        let mark = self.bytes(from, from.saturating_add(self.geometry.unit));
        mark.is_some_and(|mark| mark.iter().any(|b| *b != 0xFF))
    }

    /// The record whose header stands at `address`, if it ends in the same sector and no later than
    /// `limit`. Its checks are left to [`passes`](Self::passes).
    #[must_use]
    pub fn record(&self, address: u32, limit: u32) -> Option<Record<'a>> {
        let g = &self.geometry;
        let header_bytes = g.header();
        let header_end = address.checked_add(header_bytes)?;
        let header = Header::decode(self.bytes(address, header_end)?, header_bytes)?;
        let end = g.end(RecordRef { address, header });
        let sector_end = self.base_of(address) + g.sector_bytes;
        let inside = self.bytes(address, end.min(limit).min(sector_end))?;
        if inside.len() as u32 != end - address {
            return None;
        }
        let value_at = header_bytes + header.key_len();
        let key = inside.get(header_bytes as usize..value_at as usize)?;
        let value = inside.get(value_at as usize..(value_at + header.value_len()) as usize)?;
        let value_bytes = header.value_len();
        let kind = match header.kind() {
            Kind::Tally => RecordKind::Tally,
            Kind::Put => RecordKind::Put,
            Kind::Delete => RecordKind::Delete,
            Kind::PendingPut => RecordKind::PendingPut,
            Kind::PendingDelete => RecordKind::PendingDelete,
            Kind::Commit => RecordKind::Commit,
            Kind::Settle => RecordKind::Settle,
            Kind::Seal => RecordKind::Seal,
        };
        let trailer_bytes = g.trailer();
        let value = Value::Bytes(value);
        let mut record =
            Record { address, end, kind, key, value, value_bytes, header_bytes, trailer_bytes };
        if let Some(tally) = self.tally(&record) {
            let count = tally.base.saturating_add(tally.ticks.into());
            record.value = Value::Count(count.to_le_bytes());
        }
        Some(record)
    }

    /// What a tally says, whether it passes its checks or not. `None` for another kind of record.
    #[must_use]
    pub fn tally(&self, record: &Record<'_>) -> Option<Tally> {
        let cells = self.cells(record)?;
        let value_at = record.address + record.header_bytes + record.key.len() as u32;
        let value = self.bytes(value_at, value_at + record.value_bytes)?;
        let mut run = Run::default();
        for (at, byte) in (value_at..).zip(value) {
            if cells.holds(at) {
                run.add(*byte);
            }
        }
        let (Count { base, log, ticks, cells: all }, in_order) =
            Count::of(*value.first_chunk()?, run);
        let mut cells_at = cells.from;
        while cells_at < cells.to && !cells.holds(cells_at) {
            cells_at += 1;
        }
        let is_begun = run.end > ticks << log;
        Some(Tally { base, cell_bits: 1 << log, ticks, cells: all, is_begun, in_order, cells_at })
    }

    /// The cells of a tally.
    fn cells(&self, record: &Record<'_>) -> Option<Cells> {
        let (key_len, value_len) = (record.key.len() as u32, record.value_bytes);
        (record.kind == RecordKind::Tally).then(|| {
            let header = Header::new(Kind::Tally, key_len, value_len);
            self.geometry.cells(RecordRef { address: record.address, header })
        })
    }

    /// Where the record after one that ends at `end` starts.
    #[must_use]
    pub const fn place(&self, end: u32) -> u32 {
        self.geometry.place(end)
    }

    /// Whether a record passes its checks as a record of a sector with this epoch and sequence
    /// number.
    #[must_use]
    pub fn passes(&self, record: &Record<'_>, epoch: u32, sequence: u32) -> bool {
        let trailer = self.bytes(record.end - record.trailer_bytes, record.end);
        trailer
            == self
                .trailer(record, Generation { epoch, sequence })
                .get(..record.trailer_bytes as usize)
            && self.tally(record).is_none_or(|tally| tally.in_order)
    }

    /// Whether the zero count at the end of a record is right. That does not depend on epoch and
    /// sequence number, and refuses nearly everything that only looks like a record.
    #[must_use]
    pub fn zero_count_is_right(&self, record: &Record<'_>) -> bool {
        let crc_end = record.end - record.trailer_bytes + 4;
        let counted = self.bytes(record.address, crc_end).unwrap_or(&[]);
        let cells = self.cells(record).unwrap_or(Cells::NONE);
        let counted = (record.address..).zip(counted).filter(|(at, _)| !cells.holds(*at));
        let zeros: u32 = counted.map(|(_, b)| b.count_zeros()).sum();
        let stored = self.bytes(crc_end, record.end).unwrap_or(&[]);
        stored.iter().fold(0, |number, b| number << 8 | u32::from(*b)) == zeros
    }

    /// The trailer a record should have.
    #[must_use]
    pub fn expected_trailer(&self, record: &Record<'_>, epoch: u32, sequence: u32) -> [u8; 7] {
        let [trailer @ .., _] = self.trailer(record, Generation { epoch, sequence });
        trailer
    }

    fn trailer(&self, record: &Record<'_>, generation: Generation) -> [u8; 8] {
        let mut check = Check::new(generation, self.geometry.offset_of(record.address));
        check.leave_out(self.cells(record).unwrap_or(Cells::NONE), record.address);
        let body = self.bytes(record.address, record.end - record.trailer_bytes);
        check.update(body.unwrap_or(&[]));
        check.trailer(record.trailer_bytes).to_le_bytes()
    }

    /// The only sequence number with which a record of this epoch passes its checks, if there is
    /// one. It can be computed, since a CRC is linear. For sectors whose opening is lost.
    #[must_use]
    pub fn sequence_of(&self, record: &Record<'_>, epoch: u32) -> Option<u32> {
        let crc = |trailer: [u8; 8]| trailer.first_chunk().map(|crc| u32::from_le_bytes(*crc));
        let of = |sequence| crc(self.trailer(record, Generation { epoch, sequence }));
        let crc_at = record.end - record.trailer_bytes;
        let stored: [u8; 4] = *self.bytes(crc_at, record.end)?.first_chunk()?;
        let zero = of(0)?;
        let mut wanted = u32::from_le_bytes(stored) ^ zero;
        // Gaussian elimination over single bits. Each row is a sum of columns, and which columns
        // they are.
        let mut rows = [(0_u32, 0_u32); 32];
        for (bit, row) in rows.iter_mut().enumerate() {
            *row = (of(1 << bit)? ^ zero, 1 << bit);
        }
        let mut sequence = 0;
        for bit in 0..32 {
            let pivot = rows.iter().position(|(sum, _)| sum >> bit & 1 == 1)?;
            let (sum, which) = rows.get(pivot).copied()?;
            for row in &mut rows {
                if row.0 >> bit & 1 == 1 {
                    *row = (row.0 ^ sum, row.1 ^ which);
                }
            }
            if wanted >> bit & 1 == 1 {
                wanted ^= sum;
                sequence ^= which;
            }
        }
        self.passes(record, epoch, sequence).then_some(sequence)
    }

    /// What a settle record says, whether it passes its checks or not.
    #[must_use]
    pub fn settle(&self, record: &Record<'a>) -> Option<Settle<'a>> {
        let Value::Bytes(value) = record.value else { return None };
        let (accepted, rest) = value.split_first_chunk()?;
        let (info, carried) = rest.split_first_chunk::<{ SECTOR_INFO as usize }>()?;
        let base = self.base_of(record.address);
        let at = record.address + record.header_bytes + SETTLE;
        let carried = if carried.is_empty() { None } else { self.record(at, record.end) };
        Some(Settle {
            accepted_end: base + from_u24(*accepted).min(self.geometry.sector_bytes),
            sector_info: sector_info_of(&Opening::from_sector_info(info)),
            carried,
        })
    }

    /// The addresses of the start and end of the records that a commit names.
    #[must_use]
    pub fn extent(&self, commit: &Record<'_>) -> (u32, u32) {
        let base = self.base_of(commit.address);
        let &[a, b, c, d, e, f, ..] = &*commit.value else { return (base, base) };
        let limit = self.geometry.sector_bytes;
        (base + from_u24([a, b, c]).min(limit), base + from_u24([d, e, f]).min(limit))
    }

    const fn base_of(&self, address: u32) -> u32 {
        address - self.geometry.offset_of(address)
    }

    /// Walks a sector with this epoch and sequence number up to the offset `limit`, as a mount
    /// does. Returns the address of the first place without a record.
    pub fn walk(
        &self,
        sector: u32,
        (epoch, sequence): (u32, u32),
        limit: u32,
        each: &mut dyn FnMut(Event<'a>),
    ) -> u32 {
        let base = self.address(sector);
        let limit = base + limit.min(self.geometry.sector_bytes);
        let mut at = base + self.geometry.first_record();
        while at < limit {
            if let Some(record) = self.record(at, limit) {
                each(Event::Record(record, self.passes(&record, epoch, sequence)));
                at = self.place(record.end);
            } else if let Some(record) = self.next_settle(at, limit, (epoch, sequence))
                && let Some(settle) = self.settle(&record)
            {
                each(Event::Settled(at, record, settle));
                at = self.place(record.end);
            } else {
                break;
            }
        }
        at
    }

    /// The settle record after the trace at a page start, whatever its checks say.
    #[must_use]
    pub fn settle_at_page(&self, page: u32, limit: u32) -> Option<Record<'a>> {
        let trace = self.geometry.trace();
        let zeros = self.bytes(page, page.checked_add(trace)?)?;
        if zeros.iter().any(|b| *b != 0) {
            return None;
        }
        self.record(page + trace, limit).filter(|record| record.kind == RecordKind::Settle)
    }

    /// The next settle record after `at` that passes. One that fails is skipped as a whole, since a
    /// value in it may imitate a settle record.
    fn next_settle(&self, at: u32, limit: u32, generation: (u32, u32)) -> Option<Record<'a>> {
        let g = &self.geometry;
        let mut page = g.next_page(at);
        while page + g.passed_area() <= limit {
            match self.settle_at_page(page, limit) {
                Some(record) if self.passes(&record, generation.0, generation.1) => {
                    return Some(record);
                }
                Some(record) => page = g.next_page(record.end - 1),
                None => page += g.page,
            }
        }
        None
    }

    /// The sector info of the first settle record that a walk over the sector meets, for sectors
    /// whose opening is lost.
    #[must_use]
    pub fn sector_info_from_settle(&self, sector: u32) -> Option<SectorInfo> {
        let g = &self.geometry;
        let limit = self.address(sector) + g.sector_bytes;
        let mut at = self.address(sector) + g.first_record();
        while let Some(record) = self.record(at, limit) {
            at = self.place(record.end);
        }
        let mut page = g.next_page(at);
        while page + g.passed_area() <= limit {
            let record = self.settle_at_page(page, limit);
            if let Some(record) = record
                && let Some(Settle { sector_info: info, .. }) = self.settle(&record)
                && self.passes(&record, info.epoch, info.sequence)
                && g.sector_of_sequence(info.sequence) == sector
            {
                return Some(info);
            }
            page = record.map_or(page + g.page, |record| g.next_page(record.end - 1));
        }
        None
    }

    /// The sector that counts as the head of the log, and its sector info. Also `None` if a sector
    /// starts like that of another layout or version, since no mount accepts the region then.
    #[must_use]
    pub fn head(&self) -> Option<(u32, SectorInfo)> {
        let g = &self.geometry;
        let mut head: Option<(u32, SectorInfo)> = None;
        for sector in 0..g.sectors {
            let info = match self.opening(sector) {
                Ok(info) if g.sector_of_sequence(info.sequence) != sector => return None,
                Ok(info) => self.mark_is_begun(sector).then_some(info),
                Err(NotOpening::OtherShape | NotOpening::OtherVersion) => return None,
                Err(_) => self.sector_info_from_settle(sector),
            };
            let plausible = info.filter(|info| {
                let older = info.sequence.wrapping_sub(info.oldest);
                let SectorInfo { epoch, sequence, .. } = *info;
                g.is_possible(Generation { epoch, sequence }, older)
            });
            let newer = |other: SectorInfo, info: SectorInfo| {
                (other.epoch, other.sequence) < (info.epoch, info.sequence)
            };
            if let Some(info) = plausible
                && head.is_none_or(|(_, other)| newer(other, info))
            {
                head = Some((sector, info));
            }
        }
        head
    }

    /// The sector info of a sector of the log, from its opening or from a settle record in it.
    #[must_use]
    pub fn sector_info(&self, epoch: u32, sequence: u32) -> Option<SectorInfo> {
        let sector = sequence % self.geometry.sectors;
        let right = |info: &SectorInfo| (info.epoch, info.sequence) == (epoch, sequence);
        let opening = self.opening(sector).ok().filter(right);
        opening.or_else(|| self.sector_info_from_settle(sector).filter(right))
    }
}
