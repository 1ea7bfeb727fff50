//! Writes records: at the end of the head, or into the sector that a compaction fills.

use embedded_storage::nor_flash::NorFlash;

use super::log_end::LogEnd;
use super::lookup::Value;
use super::state::{Core, Spare};
use crate::change::{Change, counted};
use crate::flash::reader::Place;
use crate::flash::writer::{Copied, Writer};
use crate::format::bytes::u24;
#[cfg(feature = "counters")]
use crate::format::record::Kind;
use crate::format::record::{Header, RecordRef};
use crate::index::Index;

/// At how many places of a sector a record is tried before the sector is given up.
const PLACES: u32 = 4;

/// How often a record that is known to have been finished is read to be copied to one place.
const COPIES: u32 = 16;

/// What to write into a record.
pub(crate) enum Content<'a> {
    /// Key and value.
    New(&'a [u8], &'a [u8]),
    /// Key and value of the record at a place, which has this header.
    Copy(Place, Header),
    /// What is decided about the end of the log, and a copy of the suspect.
    Settle(&'a LogEnd),
}

impl<'a> Content<'a> {
    pub(crate) const NONE: Self = Self::New(&[], &[]);

    pub(crate) const fn of(change: &Change<'a>) -> Self {
        Self::New(change.key(), change.value())
    }
}

/// What became of a record that was written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Written {
    Done,
    /// The place did not take it, or the sector has no room for it.
    Refused,
    /// What was to be copied did not pass its checks.
    SourceDamaged,
}

impl<F: NorFlash> Core<F> {
    /// Appends a record to the head, or a batch and its commit. With `seal`, a seal follows.
    /// Returns whether the head took it; if not, what stands there from the log's end on is void.
    // Outlined, since its frame is not needed in a compaction.
    #[inline(never)]
    pub(crate) fn append(&mut self, changes: &[Change<'_>], seal: bool, index: &mut Index) -> bool {
        for _ in 0..PLACES {
            let start = self.log_end();
            if self.try_append(changes, seal, start) == Written::Done {
                self.log.sure = true;
                self.apply_all(changes, start, index);
                return true;
            }
            if !self.abandon(start) {
                break;
            }
        }
        false
    }

    fn try_append(&mut self, changes: &[Change<'_>], seal: bool, start: u32) -> Written {
        for change in counted(changes) {
            let header = change.header(changes.len() > 1);
            let written = self.write_record(header, &Content::of(change));
            if written != Written::Done {
                return written;
            }
        }
        if changes.len() > 1 {
            let g = &self.medium.geometry;
            let ([a, b, c], [d, e, f]) = (u24(g.offset_of(start)), u24(g.offset_of(self.log.end)));
            let extent = [a, b, c, d, e, f];
            let written = self.write_record(Header::COMMIT, &Content::New(&[], &extent));
            if written != Written::Done {
                return written;
            }
        }
        if seal { self.write_record(Header::SEAL, &Content::NONE) } else { Written::Done }
    }

    /// Lets changes take effect whose records start at `end`.
    fn apply_all(&mut self, changes: &[Change<'_>], mut end: u32, index: &mut Index) {
        for change in counted(changes) {
            let header = change.header(changes.len() > 1);
            let found = RecordRef { address: self.medium.geometry.place(end), header };
            end = self.medium.geometry.end(found);
            self.apply_change(found, change.key(), index);
        }
    }

    /// Whether a change still needs a record when this sector, the oldest, retires.
    #[cfg_attr(target_pointer_width = "32", inline(never))]
    pub(crate) fn outlives(&mut self, change: &Change<'_>, sequence: u32, index: &Index) -> bool {
        if change.is_put() {
            return true;
        }
        let (position, old) = self.position(change.key(), index, &mut Value::Ignore);
        position.is_some() && old.is_none_or(|old| !self.is_in(old.address, sequence))
    }

    /// Appends a record at the first place of the head that takes it. If none does, that ends the
    /// call. `None` without that if what is to be copied does not pass its checks.
    // Outlined, since several callers share it.
    #[inline(never)]
    pub(crate) fn place_record(
        &mut self,
        header: Header,
        content: &Content<'_>,
    ) -> Option<RecordRef> {
        let mut written = Written::Refused;
        for _ in 0..PLACES {
            let start = self.log.end;
            let address = self.log_end();
            written = self.write_record(header, content);
            match (written, content) {
                (Written::Done, _) => return Some(RecordRef { address, header }),
                // A suspect that reads differently each time is not worth another place. Nor is
                // one needed if nothing was programmed.
                (Written::SourceDamaged, Content::Copy(source, _))
                    if !source.proven || self.medium.is_blank(address, self.log.end) =>
                {
                    self.log.end = start;
                    return None;
                }
                _ => {}
            }
            if !self.abandon(start) {
                written = Written::Refused;
                break;
            }
        }
        if written != Written::SourceDamaged {
            self.medium.give_up();
        }
        None
    }

    /// Leaves a place that did not take what was programmed: a settle record in a later page says
    /// that everything from the address `start` on is void. The log's end must be where that ends.
    /// Returns whether the sector has such a page. If not, the log ends at `start`.
    // Outlined, since it is rarely needed.
    #[inline(never)]
    pub(crate) fn abandon(&mut self, start: u32) -> bool {
        let log_end = LogEnd::at(self.medium.geometry.place(start));
        for _ in 0..PLACES {
            let page = self.medium.geometry.next_page(self.log.end - 1);
            if self.write_settle(&log_end, page) == Written::Done {
                return true;
            }
        }
        self.log.end = start;
        false
    }

    /// Takes the page that starts at the address `page`, and writes a settle record into it. The
    /// log's end becomes the end of that.
    // Outlined, since its frame and that of a walk are not needed together.
    #[inline(never)]
    pub(crate) fn write_settle(&mut self, log_end: &LogEnd, page: u32) -> Written {
        let found = self.medium.geometry.settle_record(page, log_end);
        self.log.end = self.medium.geometry.end(found);
        // The page must be seen to be taken before more of it is touched. If it is taken already,
        // an earlier mount was interrupted there.
        if self.log.end > self.limit() || !self.medium.zero_blank_unit(page) {
            return Written::Refused;
        }
        self.log.end = found.address;
        if self.log.spare == Spare::Erased {
            // The settle record notes it.
            self.log.spare = Spare::Noted;
        }
        self.write_record(found.header, &Content::Settle(log_end))
    }

    /// Writes a record at the first place after the log's end, which becomes the record's end.
    // Outlined, since its buffer is not needed afterwards.
    #[inline(never)]
    pub(crate) fn write_record(&mut self, header: Header, content: &Content<'_>) -> Written {
        let found = RecordRef { address: self.log_end(), header };
        self.log.end = self.medium.geometry.end(found);
        if self.log.end > self.limit() {
            return Written::Refused;
        }
        let mut writer = Writer::new();
        let generation = self.generation(self.log.head);
        writer.start(&mut self.medium, generation, found);
        match *content {
            Content::New(key, value) => {
                writer.push(&mut self.medium, key);
                writer.push(&mut self.medium, value);
                #[cfg(feature = "counters")]
                if header.kind() == Kind::Tally {
                    writer.leave_blank(&mut self.medium, found);
                }
            }
            Content::Copy(ref source, header) => {
                let mut left = COPIES;
                while writer.push_from(&mut self.medium, source, header) == Copied::Damaged {
                    left -= 1;
                    // It passed before, so a bit of it reads differently from time to time. No
                    // place need be given up for that as long as nothing was programmed. For a
                    // suspect, one reading decides.
                    if source.proven {
                        self.medium.correct(source);
                    }
                    if !source.proven || left == 0 || !writer.is_before(found.address) {
                        self.medium.take_refused();
                        return Written::SourceDamaged;
                    }
                    writer.start(&mut self.medium, generation, found);
                }
            }
            Content::Settle(log_end) => {
                let [a, b, c] = u24(self.medium.geometry.offset_of(log_end.accepted));
                let note = self.spare_note().to_byte();
                writer.push(&mut self.medium, &[a, b, c, note]);
                if let Some(suspect) = &log_end.suspect {
                    let source = Place { proven: false, ..self.place_at(suspect.found.address) };
                    let header = suspect.found.header;
                    if writer.carry(&mut self.medium, &source, header) == Copied::Damaged {
                        self.medium.correct(&source);
                        self.medium.take_refused();
                        return Written::SourceDamaged;
                    }
                }
            }
        }
        writer.finish(&mut self.medium, self.log.end);
        if self.medium.take_refused() { Written::Refused } else { Written::Done }
    }

    /// Lets the log rest, if it does not rest already: a power-up that finds the rest record last,
    /// and its flag blank, need not settle. Without room for it, nothing happens. If no place of
    /// the head takes it, a compaction comes first.
    pub(crate) fn rest(&mut self, index: &mut Index) {
        if !self.append_rest() && self.medium.fault.is_none() {
            self.compact(&[], index);
            if !self.append_rest() {
                self.medium.give_up();
            }
        }
    }

    /// Returns whether the head can take further records. If not, what stands there from the log's
    /// end on is void.
    // Outlined, since its frame and that of a walk are not needed together.
    #[inline(never)]
    fn append_rest(&mut self) -> bool {
        for _ in 0..PLACES {
            let address = self.log_end();
            let header = self.medium.geometry.rest_header(address);
            let flag = self.medium.geometry.end(RecordRef { address, header });
            let after = flag + self.medium.geometry.unit;
            if self.log.rest != 0 || after > self.limit() {
                break;
            }
            if self.write_record(header, &Content::NONE) == Written::Done {
                self.log.rest = address;
                self.log.sure = true;
                self.log.end = self.medium.geometry.place(after);
                break;
            }
            if !self.abandon(address) {
                return false;
            }
        }
        true
    }
}
