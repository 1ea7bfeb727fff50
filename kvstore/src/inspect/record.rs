//! Records: what they say, whether they pass their checks or not.

use alloc::vec::Vec;
use core::ops::Deref;

use super::region::Region;
use crate::format::bytes::from_u24;
use crate::format::cells::Cells;
use crate::format::record::{Header, Kind, RecordRef};
use crate::format::spare_note::SpareNote;
use crate::format::tally::{Run, Tally as Count};

/// The kind of a record.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RecordKind {
    /// Stores a value.
    Put,
    /// Stores a count: its base, and cells. Each tick clears one cell.
    Tally,
    /// Deletes a key.
    Delete,
    /// Says that the value of a key is lost: it was damaged when it was to be moved.
    Lost,
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
    /// Says that the log rests: nothing was programmed after it while its flag is blank.
    Rest,
    /// Says that the sector after this one is erased, as long as no further slot is begun. The
    /// length of its value is the number of slots that were begun.
    Spare,
    /// The same of the sector after the next one, which was passed over.
    SpareOver,
}

impl From<Kind> for RecordKind {
    fn from(kind: Kind) -> Self {
        match kind {
            Kind::Tally => Self::Tally,
            Kind::Put => Self::Put,
            Kind::Delete => Self::Delete,
            Kind::Lost => Self::Lost,
            Kind::PendingPut => Self::PendingPut,
            Kind::PendingDelete => Self::PendingDelete,
            Kind::Commit => Self::Commit,
            Kind::Settle => Self::Settle,
            Kind::Seal => Self::Seal,
            Kind::Rest => Self::Rest,
            Kind::Spare => Self::Spare,
            Kind::SpareOver => Self::SpareOver,
        }
    }
}

/// The one wrong bit of a record that passes its checks without it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Repair {
    /// The address of its byte.
    pub address: u32,
    /// Its number in that byte, from the lowest.
    pub bit: u32,
    /// Whether it reads 1 although it was programmed to 0, as an interrupted program can leave it.
    pub lacks_zero: bool,
}

/// A record whose header reads.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Record {
    /// Address of the header in the region.
    pub address: u32,
    /// Address after its last byte.
    pub end: u32,
    /// Its kind.
    pub kind: RecordKind,
    /// Its key; empty for records without a key.
    pub key: Vec<u8>,
    /// Its value.
    pub value: Value,
    /// Length of the value in flash, in bytes.
    pub value_bytes: u32,
    /// Bytes of the header.
    pub header_bytes: u32,
    /// Bytes of the trailer.
    pub trailer_bytes: u32,
    /// The wrong bit that is corrected in all the others.
    pub repair: Option<Repair>,
}

/// A record's value.
#[derive(Clone, Debug)]
pub enum Value {
    /// The bytes in flash.
    Bytes(Vec<u8>),
    /// The count of a tally, little-endian.
    Count([u8; 8]),
}

impl Deref for Value {
    type Target = [u8];

    fn deref(&self) -> &[u8] {
        match self {
            Self::Bytes(bytes) => bytes,
            Self::Count(count) => count,
        }
    }
}

/// A count equals the plain value that a copy of its tally would have.
impl PartialEq for Value {
    fn eq(&self, other: &Self) -> bool {
        **self == **other
    }
}

impl Eq for Value {}

/// What a tally says. Its count is the base plus the ticks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Tally {
    /// The count when it was written.
    pub base: u64,
    /// Bits of a cell.
    pub cell_bits: u32,
    /// Number of cells that are cleared, from the first one.
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
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Settle {
    /// Address: records from there up to the settle record do not count.
    pub accepted_end: u32,
    /// How many slots of the sector do not count.
    pub decided: u32,
    /// Whether the spare was erased when it was written, and not programmed since: that is the
    /// sector after this one, or the one after that if `passed_over`.
    pub spare_erased: bool,
    /// Whether the sector after this one was passed over.
    pub passed_over: bool,
    /// The carried record, a copy of a put, a delete or a commit.
    pub carried: Option<Record>,
}

impl<'a> Region<'a> {
    /// The record whose header stands at `address`, if it ends in the same sector and no later than
    /// `limit`. Its checks are left to [`passes`](Self::passes), and nothing in it is corrected.
    #[must_use]
    pub fn record(&self, address: u32, limit: u32) -> Option<Record> {
        let len = self.geometry.header();
        let header = Header::decode(self.bytes(address, address.checked_add(len)?)?, len)?;
        let found = RecordRef { address, header };
        let most = self.base_of(address) + self.geometry.records_end();
        (self.geometry.end(found) <= limit.min(most)).then(|| self.record_of(found, None))?
    }

    /// The record with this header.
    pub(super) fn record_of(&self, found: RecordRef, repair: Option<Repair>) -> Option<Record> {
        let g = &self.geometry;
        let (address, header) = (found.address, found.header);
        let end = g.end(found);
        // Everything must have been read out.
        self.bytes(address, end)?;
        let key = self.part(address, g.key_at(found), header.key_len(), repair)?;
        let value = self.part(address, g.value_at(found), header.value_len(), repair)?;
        let mut record = Record {
            address,
            end,
            kind: header.kind().into(),
            key,
            value: Value::Bytes(value),
            value_bytes: header.value_len(),
            header_bytes: g.header(),
            trailer_bytes: g.trailer(),
            repair,
        };
        if let Some(tally) = self.tally(&record) {
            let count = tally.base.saturating_add(tally.ticks.into());
            record.value = Value::Count(count.to_le_bytes());
        }
        Some(record)
    }

    /// The bytes of a record from one address to another, without the tags of pages, and with its
    /// wrong bit corrected.
    pub(super) fn content(
        &self,
        record: u32,
        (from, to): (u32, u32),
        repair: Option<Repair>,
    ) -> Option<Vec<u8>> {
        let g = &self.geometry;
        let mut out = Vec::new();
        let mut at = from;
        loop {
            // No record starts with a tag, so one is met only at the start of a later page.
            if at == g.page_of(at) && at != record {
                at += g.unit;
            }
            if at >= to {
                break;
            }
            let end = g.next_page(at).min(to);
            for (address, byte) in (at..end).zip(self.bytes(at, end)?) {
                let wrong = repair.filter(|repair| repair.address == address);
                out.push(byte ^ wrong.map_or(0, |repair| 1 << repair.bit));
            }
            at = end;
        }
        Some(out)
    }

    /// `len` bytes of content from an address of a record on.
    fn part(&self, record: u32, from: u32, len: u32, repair: Option<Repair>) -> Option<Vec<u8>> {
        if len == 0 {
            return Some(Vec::new());
        }
        self.content(record, (from, self.geometry.advance(from, len)), repair)
    }

    /// The record as the store refers to it.
    pub(super) fn reference(record: &Record) -> RecordRef {
        let kind = match record.kind {
            RecordKind::Tally => Kind::Tally,
            RecordKind::Put => Kind::Put,
            RecordKind::Delete => Kind::Delete,
            RecordKind::Lost => Kind::Lost,
            RecordKind::PendingPut => Kind::PendingPut,
            RecordKind::PendingDelete => Kind::PendingDelete,
            RecordKind::Commit => Kind::Commit,
            RecordKind::Settle => Kind::Settle,
            RecordKind::Seal => Kind::Seal,
            RecordKind::Rest => Kind::Rest,
            RecordKind::Spare => Kind::Spare,
            RecordKind::SpareOver => Kind::SpareOver,
        };
        let header = Header::new(kind, record.key.len() as u32, record.value_bytes);
        RecordRef { address: record.address, header }
    }

    /// The cells of a tally; none of another record.
    pub(super) fn cells(&self, record: &Record) -> Cells {
        self.geometry.cells(Self::reference(record))
    }

    /// What a tally says, whether it passes its checks or not. `None` for another kind of record.
    #[must_use]
    pub fn tally(&self, record: &Record) -> Option<Tally> {
        if record.kind != RecordKind::Tally {
            return None;
        }
        let cells = self.cells(record);
        let value_at = self.geometry.value_at(Self::reference(record));
        let value = self.content(record.address, (value_at, cells.from), record.repair)?;
        let value: [u8; _] = *value.first_chunk()?;
        let mut run = Run::new(value.last().copied().unwrap_or(0));
        for byte in self.content(record.address, (cells.from, cells.to), record.repair)? {
            run.add(byte);
        }
        let is_begun = run.begun > 0;
        let (Count { base, log, ticks, cells: all }, in_order) = Count::of(value, run);
        let cells_at = self.geometry.content_at(cells.from, 0);
        Some(Tally { base, cell_bits: 1 << log, ticks, cells: all, is_begun, in_order, cells_at })
    }

    /// What a settle record says, whether it passes its checks or not. `None` for another kind of
    /// record.
    #[must_use]
    pub fn settle(&self, record: &Record) -> Option<Settle> {
        let Value::Bytes(value) = &record.value else { return None };
        let &[a, b, c, note, ref carried @ ..] = value.as_slice() else { return None };
        let g = &self.geometry;
        let accepted = from_u24([a, b, c]).min(g.records_end());
        let note = SpareNote::from_byte(note);
        let carried = Header::decode(carried, g.header()).and_then(|header| {
            let found = g.carried_record(record.address, header);
            // As in the store, its trailer may lie in the settle record's last page.
            (g.end(found) <= record.end).then(|| self.record_of(found, record.repair))?
        });
        (record.kind == RecordKind::Settle).then(|| Settle {
            accepted_end: self.base_of(record.address) + accepted,
            decided: note.slots,
            spare_erased: note.erased,
            passed_over: note.over,
            carried,
        })
    }

    /// The addresses of the start and end of the records that a commit names.
    #[must_use]
    pub fn extent(&self, commit: &Record) -> (u32, u32) {
        let base = self.base_of(commit.address);
        let &[a, b, c, d, e, f, ..] = &*commit.value else { return (base, base) };
        let limit = self.geometry.records_end();
        (base + from_u24([a, b, c]).min(limit), base + from_u24([d, e, f]).min(limit))
    }

    /// The flag of a rest record: its address, and its bytes. `None` for another kind of record.
    #[must_use]
    pub fn rest_flag(&self, record: &Record) -> Option<(u32, &'a [u8])> {
        let flag = self.bytes(record.end, record.end + self.geometry.unit);
        flag.filter(|_| record.kind == RecordKind::Rest).map(|bytes| (record.end, bytes))
    }

    /// Where the record after this one starts.
    #[must_use]
    pub fn place_after(&self, record: &Record) -> u32 {
        self.geometry.next_place(Self::reference(record))
    }
}
