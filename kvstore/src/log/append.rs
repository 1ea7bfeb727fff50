//! Writes records: at the end of the head, or into the sector that a compaction fills.

use embedded_storage::nor_flash::NorFlash;

use super::log_end::LogEnd;
use super::state::Core;
use crate::change::{Change, counted};
use crate::error::Fault;
use crate::flash::writer::{Copied, Writer};
use crate::format::bytes::u24;
use crate::format::crc::crc32c;
use crate::format::opening::Opening;
#[cfg(feature = "counters")]
use crate::format::record::Kind;
use crate::format::record::{Header, RecordRef};
use crate::index::Index;

/// What to write into a record.
pub(crate) enum Content<'a> {
    /// Key and value.
    New(&'a [u8], &'a [u8]),
    /// Key and value of another record.
    Copy(RecordRef),
    /// What a mount decided, the sector info, and a copy of the suspect.
    Settle(&'a LogEnd, &'a Opening),
}

impl<'a> Content<'a> {
    pub(crate) const fn of(change: &Change<'a>) -> Self {
        Self::New(change.key(), change.value())
    }
}

impl<F: NorFlash> Core<F> {
    /// Appends a record to the head, or a batch and its commit. With `seal`, a seal follows.
    // Outlined, since its frame is not needed in a compaction.
    #[inline(never)]
    pub(crate) fn append(&mut self, changes: &[Change<'_>], seal: bool, index: &mut Index) {
        let base = self.base(self.log.head);
        let start = base + self.log.end;
        let mut end = start;
        self.write_changes(changes, changes.len() > 1, None, &mut end, index);
        if changes.len() > 1 {
            let ([a, b, c], [d, e, f]) = (u24(start - base), u24(end - base));
            let extent = [a, b, c, d, e, f];
            self.write_record(Header::COMMIT, &Content::New(&[], &extent), &mut end);
        }
        if seal {
            self.write_record(Header::SEAL, &Content::New(&[], &[]), &mut end);
        }
        self.log.end = self.medium.geometry.place(end - base);
    }

    /// Writes the records of `changes` and lets them take effect. `retires` is the sector that a
    /// compaction retires. A delete needs no record if the only older version stands there.
    pub(crate) fn write_changes(
        &mut self,
        changes: &[Change<'_>],
        pending: bool,
        retires: Option<u32>,
        end: &mut u32,
        index: &mut Index,
    ) {
        for change in counted(changes) {
            let header = change.header(pending);
            let found = RecordRef { address: self.medium.geometry.place(*end), header };
            if retires.is_none_or(|sequence| self.outlives(change, sequence, index)) {
                self.write_record(header, &Content::of(change), end);
            }
            self.apply_change(found, change.key(), crc32c(change.key()), index);
        }
    }

    /// Whether a change still needs a record when this sector, the oldest, retires.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) fn outlives(&mut self, change: &Change<'_>, sequence: u32, index: &Index) -> bool {
        if change.is_put() {
            return true;
        }
        let (position, old) = self.position(change.key(), crc32c(change.key()), index);
        position.is_some() && old.is_none_or(|old| !self.is_in(old.address, sequence))
    }

    /// Writes a record at the place after `end`, which becomes the record's end. A copy of a
    /// damaged record is written as damaged; a settle record that was to carry one is not finished.
    // Outlined, since its buffer is not needed afterwards.
    #[inline(never)]
    pub(crate) fn write_record(
        &mut self,
        header: Header,
        content: &Content<'_>,
        end: &mut u32,
    ) -> Copied {
        let found = RecordRef { address: self.medium.geometry.place(*end), header };
        *end = self.medium.geometry.end(found);
        if *end > self.base(self.log.head) + self.medium.geometry.sector_bytes {
            // Something reads differently now than when the room was counted.
            self.medium.fault.get_or_insert(Fault::Full);
        }
        let mut writer = Writer::new();
        let generation = self.generation(self.log.head);
        writer.start(&mut self.medium, generation, found);
        let mut copied = Copied::Whole;
        match *content {
            Content::New(key, value) => {
                writer.push(&mut self.medium, key);
                writer.push(&mut self.medium, value);
                #[cfg(feature = "counters")]
                if header.kind() == Kind::Tally {
                    let cells = self.medium.geometry.cells(found);
                    writer.leave_blank(&mut self.medium, &cells);
                }
            }
            Content::Copy(source) => {
                let generation = self.generation_at(source.address);
                copied = writer.push_from(&mut self.medium, source, generation);
            }
            Content::Settle(log_end, opening) => {
                writer.push(&mut self.medium, &u24(log_end.accepted));
                writer.push(&mut self.medium, &opening.sector_info());
                if let Some(suspect) = &log_end.suspect
                    && writer.carry(&mut self.medium, suspect.found, generation) == Copied::Damaged
                {
                    return Copied::Damaged;
                }
            }
        }
        writer.finish(&mut self.medium, *end, copied);
        copied
    }
}
